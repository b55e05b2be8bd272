"""filmdose trip: one line for each roll of a trip file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from filmdose.cli.options import CriterionOption, SceneRangeOption, SnrTargetOption
from filmdose.cli.output import (
    FormatOption,
    OutputOption,
    check_format,
    emit,
    frame_csv,
    frame_json,
    frame_markdown,
    render_table,
)
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE
from filmdose.trip import answer_trip, read_trip, trip_table
from filmdose.units import format_speed


def trip(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML.", metavar="TRIP.toml")],
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """Print the exposure index of every roll of a trip file."""
    check_format(format)
    journey = read_trip(file)
    answers = answer_trip(journey, criterion=criterion, snr_target=snr_target, scene_range=scene_range)
    rows = trip_table(answers)
    if format == "csv":
        emit(frame_csv(rows), output)
    elif format == "json":
        emit(frame_json(rows), output)
    elif format == "markdown":
        emit(frame_markdown(_readable(rows)), output)
    else:
        title = (journey.title or str(file)) + (" [invented]" if journey.invented else "")
        notes = " ".join(dict.fromkeys(note for answer in answers for note in answer.dose.notes))
        text = render_table(
            _readable(rows), title=title, caption=notes, numeric=("ISO", "dose [uGy]", "fog", "stops", "EI")
        )
        emit(text, output)


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
