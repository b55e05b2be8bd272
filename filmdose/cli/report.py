"""filmdose report: the damage report of one roll."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.card import parse_date
from filmdose.cli.options import (
    DEFAULT_CRITERION,
    SCENE_RANGE,
    CostOverOption,
    CostUnderOption,
    CriterionOption,
    Question,
    SceneRangeOption,
)
from filmdose.cli.output import check_output, deliver, progress
from filmdose.cli.stream import print_text
from filmdose.errors import ArgumentError, shown_path


def report(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML, with a [[reading]] where something was measured.")],
    roll: Annotated[str, typer.Option("--roll", help="Id of the roll.", metavar="ID")],
    output: Annotated[
        list[Path] | None,
        typer.Option(
            "--output",
            "-o",
            help="A .html, .pdf, .md or other file; may be repeated. HTML and PDF, named after trip and roll, else.",
        ),
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="Date of the report; today by default.", metavar="YYYY-MM-DD")
    ] = None,
    samples: Annotated[int, typer.Option("--samples", help="Number of draws of what is not known.")] = 2**14,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the draws.")] = 0,
    bands: Annotated[
        Path | None,
        typer.Option("--bands", help="Density along the film, for a page about its bands.", metavar="PROFILE.csv"),
    ] = None,
    winding: Annotated[str, typer.Option("--winding", help="How that film was wound.", metavar="NAME")] = "135-36",
    criterion: CriterionOption = DEFAULT_CRITERION,
    scene_range: SceneRangeOption = SCENE_RANGE,
    cost_under: CostUnderOption = 4.0,
    cost_over: CostOverOption = 1.0,
) -> None:
    """Write the damage report of one roll."""
    from filmdose.present.damage import assess_damage, report_document
    from filmdose.trip import find_roll
    from filmdose.tripfile import read_trip

    trip = read_trip(file)
    found = find_roll(trip, roll)
    # Named after the trip as well: another trip's roll of the same name keeps its report.
    stem = f"damage_{_file_name(file.stem) if file.stem.strip('_') else 'trip'}_{_file_name(found.id)}"
    targets = output or [Path(f"{stem}{ending}") for ending in (".html", ".pdf")]
    for target in targets:
        check_output(None, target)
    with progress("assessing"):
        damage = assess_damage(
            trip,
            roll,
            Question(criterion=criterion, scene_range=scene_range, cost_under=cost_under, cost_over=cost_over),
            samples=samples,
            rng=seed,
            date=None if date is None else parse_date(date),
        )
    page = None
    if bands is not None:
        from filmdose.scan.bands import explain_bands, read_profile
        from filmdose.scan.spiral import get_winding

        control = found.fog_readings[-1].control if found.fog_readings else None
        page = explain_bands(read_profile(bands, control_density=control), get_winding(winding))
    document = report_document(damage, page)
    for target in targets:
        done = "replaced" if target.is_file() else "written"
        deliver(document, None, target)
        print_text(f"{done}: {shown_path(target)}\n")


def _file_name(name: str) -> str:
    """A roll's id as part of a file name."""
    kept = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in name)[:60]
    if not kept.strip("_"):
        raise ArgumentError("output", None, "a file for a roll whose id has no letters", "Add --output FILE.")
    return kept
