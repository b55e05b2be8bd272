"""filmdose report: the damage report of one roll."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.card import parse_date
from filmdose.cli.options import CriterionOption, SceneRangeOption
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE
from filmdose.errors import ArgumentError


def report(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML, with a [[reading]] where something was measured.")],
    roll: Annotated[str, typer.Option("--roll", help="Id of the roll.", metavar="ID")],
    output: Annotated[
        list[Path] | None,
        typer.Option(
            "--output",
            "-o",
            help="File that ends in .html or .pdf; may be repeated. Both, named after the roll, by default.",
        ),
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="Date of the report; today by default.", metavar="YYYY-MM-DD")
    ] = None,
    samples: Annotated[int, typer.Option("--samples", help="Number of draws of what is not known.")] = 2**14,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the draws.")] = 0,
    criterion: CriterionOption = DEFAULT_CRITERION,
    scene_range: SceneRangeOption = SCENE_RANGE,
) -> None:
    """Write the damage report of one roll as HTML and PDF."""
    from filmdose.present.damage import REPORT_ENDINGS, assess_damage, write_report
    from filmdose.present.page import check_ending
    from filmdose.trip import find_roll
    from filmdose.tripfile import read_trip

    trip = read_trip(file)
    found = find_roll(trip, roll)
    targets = output or [Path(f"damage_{_file_name(found.id)}{ending}") for ending in REPORT_ENDINGS]
    for target in targets:
        check_ending(target, REPORT_ENDINGS)
    made = assess_damage(
        trip,
        roll,
        criterion=criterion,
        scene_range=scene_range,
        samples=samples,
        seed=seed,
        date=None if date is None else parse_date(date),
    )
    for target in targets:
        write_report(made, target)
        typer.echo(f"written: {target}")


def _file_name(name: str) -> str:
    """A roll's id as part of a file name."""
    kept = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in name)[:60]
    if not kept.strip("_"):
        raise ArgumentError("output", None, "a file for a roll whose id has no letters", "Add --output FILE.")
    return kept
