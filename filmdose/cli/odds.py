"""filmdose odds: how sure the exposure index is, for one roll or for a trip."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.cli.measured import (
    MeasuredOption,
    PriorsOption,
    SamplesOption,
    SeedOption,
    learned_from,
    priors_from,
)
from filmdose.cli.options import (
    ExposedOption,
    FilmOptions,
    HistoryOptions,
    QuestionOptions,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.names import State
from filmdose.present.odds import Reasons, odds_document
from filmdose.question import Question
from filmdose.trip import Roll, Trip, find_roll, trip_as_shot
from filmdose.tripfile import read_trip

if TYPE_CHECKING:
    from filmdose.odds import TripModel


@with_blocks
def odds(
    file: Annotated[Path | None, typer.Argument(help="Trip file, TOML.", metavar="[TRIP.toml]")] = None,
    *,
    film: FilmOptions,
    history: HistoryOptions,
    exposed: ExposedOption = False,
    measured: MeasuredOption = None,
    ignore_readings: Annotated[
        bool, typer.Option("--ignore-readings", help="As if nothing in the trip file had been measured.")
    ] = False,
    priors: PriorsOption = None,
    why: Annotated[
        str | None,
        typer.Option("--why", help="Say what matters most for this roll, and what would narrow it.", metavar="ROLL"),
    ] = None,
    samples: SamplesOption = 2**15,
    seed: SeedOption = 0,
    asked: QuestionOptions,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print what to set the meter to when the dose is not known, and how sure that is."""
    from filmdose.odds import propagate, trip_model

    check_output(format, output)
    if file is not None:
        if film.given or history.given or exposed:
            raise ArgumentError("trip", str(file), "either a trip file or the options of one roll, not both")
        journey = read_trip(file)
    else:
        state: State = "exposed" if exposed else "unexposed"
        past = history.made()
        roll = Roll(id="roll", film=film.made(), history=past, state=state)
        journey = Trip(rolls=(roll,))
    if why is not None:
        find_roll(journey, why)
    question = asked.made()
    notes: list[str] = []
    model = trip_model(journey, priors_from(priors))
    taught = None if ignore_readings and measured is None else learned_from(measured, model, seed, notes)
    with progress("drawing") as advance:
        answer = propagate(
            trip_model(trip_as_shot(journey), model.priors),
            question,
            learned=taught,
            samples=samples,
            rng=seed,
            progress=advance,
        )
    reasons = None
    if why is not None:
        with progress("finding what matters"):
            reasons = _reasons(model, why, question, seed)
    deliver(odds_document(answer, notes=notes, reasons=reasons), format, output)


def _reasons(model: TripModel, roll: str, question: Question, seed: int) -> Reasons:
    from filmdose.odds import narrowing, tornado, trip_sobol

    return Reasons(
        roll=roll,
        tornado=tornado(model, roll, question=question),
        sobol=trip_sobol(model, roll, question=question, rng=seed),
        narrowing=narrowing(model, roll, question=question, rng=seed),
    )
