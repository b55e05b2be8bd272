"""What the verbs about uncertainty share: measured rolls, priors, a progress bar, a table for people."""

from __future__ import annotations

import sys
import warnings
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import pandas as pd
import typer

from filmdose.units import format_speed

if TYPE_CHECKING:
    from filmdose.odds import Learned, Priors, TripModel, TripOdds
    from filmdose.trip import Trip

__all__ = ["MeasuredOption", "PriorsOption", "SamplesOption", "SeedOption", "learned_from", "progress", "readable_odds"]

MeasuredOption = Annotated[
    Path | None,
    typer.Option(
        "--measured",
        help="What developed rolls have taught: a file of filmdose learn, or readings in TOML.",
        metavar="FILE",
    ),
]
PriorsOption = Annotated[
    Path | None, typer.Option("--priors", help="Priors in place of the shipped ones, TOML.", metavar="FILE")
]
SamplesOption = Annotated[int, typer.Option("--samples", help="Number of draws of what is not known.")]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the draws.")]


def priors_from(path: Path | None) -> Priors:
    """Priors of a file, or the shipped ones."""
    from filmdose.odds import default_priors, read_priors

    return default_priors() if path is None else read_priors(path)


@contextmanager
def warnings_as_notes(notes: list[str]) -> Iterator[None]:
    """Collect what a model warns about, to print it with the answer."""
    from filmdose.errors import ValidityWarning

    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    for item in caught:
        if issubclass(item.category, ValidityWarning):
            notes.append(str(item.message))
        else:
            warnings.warn_explicit(item.message, item.category, item.filename, item.lineno)


def learned_from(path: Path | None, model: TripModel, seed: int, notes: list[str]) -> Learned | None:
    """What a file has taught: draws as ``filmdose learn`` writes them, or readings that are learnt from here.

    Without a file, the readings that stand in the trip itself.
    """
    from filmdose.odds import learn, read_learned, read_readings, trip_readings

    if path is not None and _is_json(path):
        return read_learned(path)
    readings = trip_readings(model.trip) if path is None else read_readings(path)
    if not readings:
        return None
    with warnings_as_notes(notes):
        return learn(model, readings, rng=seed)


def _is_json(path: Path) -> bool:
    from filmdose.files import read_text

    return read_text(path)[:64].lstrip().startswith("{")


@contextmanager
def progress(words: str) -> Iterator[Callable[[float], None] | None]:
    """A progress bar on standard error when a person watches it, else nothing."""
    if not sys.stderr.isatty():
        yield None
        return
    from rich.console import Console
    from rich.progress import Progress

    with Progress(console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task(words, total=1.0)
        yield lambda share: bar.update(task, completed=share)


def readable_odds(odds: TripOdds) -> pd.DataFrame:
    """The odds of a trip as a table of texts."""
    rows = odds.table()

    def interval(row: pd.Series, low: str, middle: str, high: str, digits: str) -> str:
        values = ["-" if pd.isna(row[name]) else format(row[name], digits) for name in (low, middle, high)]
        return f"{values[1]} ({values[0]} to {values[2]})"

    records = [row for _, row in rows.iterrows()]
    kinds = {"kind": rows["kind"]} if len(set(rows["kind"])) > 1 else {}
    return pd.DataFrame(
        {
            "roll": rows["roll"],
            **kinds,
            "ISO": [format_speed(value) for value in rows["speed"]],
            "fog": [interval(row, "fog_low", "fog_density", "fog_high", ".2f") for row in records],
            "stops": [interval(row, "stops_low", "stops", "stops_high", ".1f") for row in records],
            ">1 stop": [_chance(value) for value in rows["chance_over_one_stop"]],
            "no rescue": [_chance(value) for value in rows["chance_beyond_rescue"]],
            "middle EI": [_index(value) for value in rows["ei_median"]],
            "set EI": [_index(value) for value in rows["ei_recommended"]],
            "bracket": rows["bracket_ei"],
            "status": rows["status"].str.replace("_", " "),
        }
    )


NUMERIC = ("ISO", "fog", "stops", ">1 stop", "no rescue", "middle EI", "set EI")


def _index(value: float) -> str:
    return "-" if pd.isna(value) else format_speed(value)


def _chance(value: float) -> str:
    from filmdose.odds.results import chance_text

    return chance_text(value)


def trip_title(trip: Trip, fallback: str) -> str:
    """Title of a trip, marked when it is invented."""
    return (trip.title or fallback) + (" [invented]" if trip.invented else "")
