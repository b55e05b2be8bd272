"""filmdose trip: one line for each roll of a trip file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.measured import MeasuredOption, PriorsOption, learned_from, priors_from
from filmdose.cli.options import (
    QuestionOptions,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.present.trip import trip_document
from filmdose.tripfile import read_trip


@with_blocks
def trip(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML.", metavar="TRIP.toml")],
    *,
    measured: MeasuredOption = None,
    priors: PriorsOption = None,
    asked: QuestionOptions,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print what to set for every roll of a trip file, safe against what is not known and if all is typical.

    Passes ahead (the legs of the file that were not logged yet) count for rolls that are still to be shot.  Readings
    of the file, or of --measured, are learnt from.
    """
    from filmdose.odds import trip_model
    from filmdose.outlook import trip_outlook

    check_output(format, output)
    journey = read_trip(file)
    notes: list[str] = []
    question = asked.made()
    believed = priors_from(priors)
    taught = learned_from(measured, trip_model(journey, believed), 0, notes)
    with progress("drawing") as advance:
        found = trip_outlook(journey, question, learned=taught, priors=believed, progress=advance)
    if taught is not None:
        notes.append(found.odds.footnote)
    deliver(trip_document(journey, found.to_rows(), notes=[*found.notes, *notes]), format, output)
