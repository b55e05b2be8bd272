"""filmdose trip: one line for each roll of a trip file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.cli.measured import MeasuredOption, PriorsOption, learned_from, priors_from
from filmdose.cli.options import (
    DEFAULT_CRITERION,
    SCENE_RANGE,
    CostOverOption,
    CostUnderOption,
    CriterionOption,
    Question,
    SceneRangeOption,
    SnrTargetOption,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver, progress, warnings_as_notes
from filmdose.errors import ArgumentError
from filmdose.present.trip import trip_document
from filmdose.trip import Trip, answer_trip, trip_table
from filmdose.tripfile import read_trip

if TYPE_CHECKING:
    import pandas as pd


def trip(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML.", metavar="TRIP.toml")],
    measured: MeasuredOption = None,
    priors: PriorsOption = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    cost_under: CostUnderOption = 4.0,
    cost_over: CostOverOption = 1.0,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print the exposure index of every roll of a trip file.

    With --measured, doses, fog and indices are those after what measured rolls have taught: the middle case with
    its 90 % interval, and the index that weighs too little exposure against too much.
    """
    check_output(format, output)
    if priors is not None and measured is None:
        raise ArgumentError("priors", str(priors), "priors together with --measured", "See filmdose odds.")
    journey = read_trip(file)
    notes: list[str] = []
    question = Question(
        criterion=criterion,
        snr_target=snr_target,
        scene_range=scene_range,
        cost_under=cost_under,
        cost_over=cost_over,
    )
    if measured is None:
        answers = answer_trip(journey, question)
        rows = trip_table(answers)
        notes.extend(note for answer in answers for note in answer.dose.notes)
    else:
        rows = _measured_rows(journey, measured, priors, notes, question)
    deliver(trip_document(journey, rows, notes=notes), format, output)


def _measured_rows(
    journey: Trip,
    measured: Path,
    priors: Path | None,
    notes: list[str],
    question: Question,
) -> pd.DataFrame:
    """The table of the trip after what measured rolls have taught; it has the columns of the plain one, and more."""
    from filmdose.odds import propagate, trip_model

    model = trip_model(journey, priors_from(priors))
    taught = learned_from(measured, model, 0, notes)
    with progress("drawing", counts=True) as advance, warnings_as_notes(notes):
        odds = propagate(
            model,
            question,
            learned=taught,
            progress=advance,
        )
    notes.append(odds.footnote)
    return odds.table()
