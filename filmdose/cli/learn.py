"""filmdose learn: what developed, measured rolls teach about all others."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.measured import PriorsOption, SamplesOption, SeedOption, priors_from
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver, warnings_as_notes
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.present.odds import learned_document
from filmdose.tripfile import read_trip


def learn(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML.", metavar="TRIP.toml")],
    readings: Annotated[
        Path | None,
        typer.Argument(help="Readings, TOML; those of the trip file when left out.", metavar="[READINGS.toml]"),
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option("--save", help="Keep what was learnt in this file, for --measured.", metavar="FILE.json"),
    ] = None,
    before: Annotated[
        Path | None, typer.Option("--before", help="What an earlier trip has taught.", metavar="FILE.json")
    ] = None,
    details: Annotated[bool, typer.Option("--details", help="Show what was learnt of every parameter.")] = False,
    priors: PriorsOption = None,
    samples: SamplesOption = 2**15,
    seed: SeedOption = 0,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Learn from measured rolls, and keep it for other rolls and other trips."""
    from filmdose.odds import learn as learn_from
    from filmdose.odds import read_learned, read_readings, save_learned, trip_model
    from filmdose.outlook import trip_outlook

    check_output(format, output, save)
    if save is not None and save.suffix.lower() != ".json":
        raise ArgumentError("save", str(save), "a file name that ends in .json")
    journey = read_trip(file)
    model = trip_model(journey, priors_from(priors))
    notes: list[str] = []
    with progress("learning") as advance, warnings_as_notes(notes):
        taught = learn_from(
            model,
            None if readings is None else read_readings(readings),
            learned=None if before is None else read_learned(before),
            samples=samples,
            rng=seed,
        )
        outlook = trip_outlook(journey, learned=taught, priors=model.priors, progress=advance)
    if save is not None:
        save_learned(taught, save)
        notes.append(f"Kept in {save}; use it with --measured.")
    deliver(learned_document(taught, outlook, details=details, notes=notes), format, output)
