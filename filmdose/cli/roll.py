"""filmdose roll: one roll's answer with its reasons."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.measured import SamplesOption, SeedOption
from filmdose.cli.options import (
    DEFAULT_KIND,
    ExposedOption,
    FilmOptions,
    HistoryOptions,
    KermaOption,
    MeteredOptions,
    PeakToMeanOption,
    ShotOption,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.film.model import Film
from filmdose.history import History
from filmdose.present.roll import roll_document
from filmdose.trip import Roll, Shot, answer_roll, find_roll, with_more


@with_blocks
def roll(
    *,
    film: FilmOptions,
    trip: Annotated[
        Path | None, typer.Option("--trip", help="Trip file of the roll to start from.", metavar="FILE")
    ] = None,
    start: Annotated[
        str | None, typer.Option("--roll", help="Roll of the trip; what is said of it here is added.", metavar="ID")
    ] = None,
    history: HistoryOptions,
    kerma: KermaOption = None,
    exposed: ExposedOption = False,
    shot_ei: ShotOption = None,
    peak_to_mean: PeakToMeanOption = None,
    asked: MeteredOptions,
    samples: SamplesOption = 2**15,
    seed: SeedOption = 0,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print the exposure index for one roll, from what it went through; of an exposed roll, what is lost."""
    from filmdose.odds import propagate

    check_output(format, output)
    past = history.made(kerma)
    shot = None if shot_ei is None else Shot(ei=shot_ei)
    question = asked.made()
    if trip is None and start is None:
        one = Roll(id="roll", film=film.made(), history=past)
    else:
        other = film.given or film.kind != DEFAULT_KIND
        which = film.made() if other else None
        for option, value, usual in (("film_format", history.film_format, "35mm"), ("bag", history.bag, None)):
            if value != usual:
                raise ArgumentError(option, value, "nothing together with --trip", "The roll has its own.")
        one = _roll_of_trip(trip, start, which, past)
    one = replace(
        one,
        peak_to_mean=one.peak_to_mean if peak_to_mean is None else peak_to_mean,
        state="exposed" if exposed else one.state,
        shot=one.shot if shot is None else shot,
    )
    found = answer_roll(one, question)
    with progress("drawing") as advance:
        odds = propagate([one], question, samples=samples, rng=seed, progress=advance)[one.id]
    deliver(roll_document(found.answer, found.dose, odds), format, output)


def _roll_of_trip(trip: Path | None, name: str | None, film: Film | None, history: History) -> Roll:
    """A roll of a trip file with a further history and, where one is given, another film."""
    from filmdose.tripfile import read_trip

    if trip is None or name is None:
        missing = "trip" if trip is None else "roll"
        raise ArgumentError(missing, None, "a trip file and one of its rolls", "Give --trip FILE and --roll ID.")
    start = with_more(find_roll(read_trip(trip), name), history)
    return start if film is None else replace(start, film=film)
