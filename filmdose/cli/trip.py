"""filmdose trip: one line for each roll of a trip file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from filmdose.cli.options import CriterionOption, SceneRangeOption, SnrTargetOption
from filmdose.cli.output import (
    ALL_FORMATS,
    OutputOption,
    TableFormatOption,
    choose_format,
    emit,
    emit_table,
    render_table,
)
from filmdose.cli.sure import MeasuredOption, PriorsOption, learned_from, priors_from, progress, warnings_as_notes
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE
from filmdose.errors import ArgumentError
from filmdose.trip import Trip, answer_trip, trip_table
from filmdose.tripfile import read_trip
from filmdose.units import format_speed


def trip(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML.", metavar="TRIP.toml")],
    measured: MeasuredOption = None,
    priors: PriorsOption = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    format: TableFormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print the exposure index of every roll of a trip file.

    With --measured, doses, fog and indices are those after what measured rolls have taught: the middle case with
    its 90 % interval, and the index that weighs too little exposure against too much.
    """
    chosen = choose_format(format, output, ALL_FORMATS)
    if priors is not None and measured is None:
        raise ArgumentError("priors", str(priors), "priors together with --measured", "See filmdose odds.")
    journey = read_trip(file)
    notes: list[str] = []
    if measured is None:
        answers = answer_trip(journey, criterion=criterion, snr_target=snr_target, scene_range=scene_range)
        rows = trip_table(answers)
        notes.extend(note for answer in answers for note in answer.dose.notes)
    else:
        rows = _measured_rows(journey, measured, priors, notes, criterion, snr_target, scene_range)
    if chosen in ("csv", "json", "xlsx"):
        emit_table(rows, chosen, output, caption=" ".join(dict.fromkeys(notes)))
    elif chosen != "text":
        emit_table(_readable(rows), chosen, output, caption=" ".join(dict.fromkeys(notes)))
    else:
        title = (journey.title or str(file)) + (" [invented]" if journey.invented else "")
        caption = " ".join(dict.fromkeys(notes))
        text = render_table(
            _readable(rows), title=title, caption=caption, numeric=("ISO", "dose [uGy]", "fog", "stops", "EI")
        )
        emit(text, output)


def _measured_rows(
    journey: Trip,
    measured: Path,
    priors: Path | None,
    notes: list[str],
    criterion: str,
    snr_target: float,
    scene_range: float,
) -> pd.DataFrame:
    """The table of the trip after what measured rolls have taught; it has the columns of the plain one, and more."""
    from filmdose.odds import propagate, trip_model

    model = trip_model(journey, priors_from(priors))
    taught = learned_from(measured, model, 0, notes)
    with progress("drawing") as advance, warnings_as_notes(notes):
        odds = propagate(
            model,
            learned=taught,
            criterion=criterion,
            snr_target=snr_target,
            scene_range=scene_range,
            progress=advance,
        )
    notes.append(odds.footnote)
    return odds.table()


def _readable(rows: pd.DataFrame) -> pd.DataFrame:
    doses = zip(rows["kerma_ugy"], rows["kerma_low_ugy"], rows["kerma_high_ugy"], strict=True)
    return pd.DataFrame(
        {
            "roll": rows["roll"],
            "kind": rows["kind"],
            "ISO": [format_speed(v) for v in rows["speed"]],
            "dose [uGy]": [f"{mid:.3g} ({low:.3g} to {high:.3g})" for mid, low, high in doses],
            "fog": [f"{v:.3f}" for v in rows["fog_density"]],
            "stops": ["-" if pd.isna(v) else f"{v:.2f}" for v in rows["stops"]],
            "EI": ["-" if pd.isna(v) else format_speed(v) for v in rows["ei"]],
            "status": rows["status"].str.replace("_", " "),
        }
    )
