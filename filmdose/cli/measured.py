"""Options of the verbs about what is not known, and what measured rolls say about it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.cli.output import warnings_as_notes

if TYPE_CHECKING:
    from filmdose.odds import Learned, Priors, TripModel

__all__ = ["MeasuredOption", "PriorsOption", "SamplesOption", "SeedOption", "learned_from", "priors_from"]

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
SamplesOption = Annotated[int, typer.Option("--samples", help="Number of draws of what is not known.", metavar="N")]
SeedOption = Annotated[int, typer.Option("--seed", help="Seed of the draws.", metavar="N")]


def priors_from(path: Path | None) -> Priors:
    """Priors of a file, or the shipped ones."""
    from filmdose.odds import default_priors, read_priors

    return default_priors() if path is None else read_priors(path)


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
    try:
        with path.open(encoding="utf-8") as stream:
            return stream.read(64).lstrip().startswith("{")
    except (OSError, UnicodeDecodeError):
        return False  # the reader of readings says what is wrong
