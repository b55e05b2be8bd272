"""filmdose report: the damage report of one roll, or a letter about it."""

from __future__ import annotations

import zlib
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.cli.card import parse_date
from filmdose.cli.measured import SamplesOption, SeedOption
from filmdose.cli.options import (
    DEFAULT_CRITERION,
    SCENE_RANGE,
    CostOverOption,
    CostUnderOption,
    CriterionOption,
    Question,
    SceneRangeOption,
)
from filmdose.cli.output import check_output, deliver
from filmdose.cli.progress import progress
from filmdose.cli.stream import print_text
from filmdose.errors import ArgumentError, UnknownNameError, shown_path

if TYPE_CHECKING:
    from filmdose.scan.bands import BandResult
    from filmdose.trip import Roll


def report(
    file: Annotated[
        Path,
        typer.Argument(help="Trip file, TOML, with a [[reading]] where something was measured.", metavar="TRIP.toml"),
    ],
    roll: Annotated[list[str], typer.Option("--roll", help="Id of the roll; repeat it for several.", metavar="ID")],
    output: Annotated[
        list[Path] | None,
        typer.Option(
            "--output",
            "-o",
            help="A .html, .pdf, .md or other file; may be repeated. HTML and PDF, named after trip and roll, else.",
            metavar="FILE",
        ),
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="Date of the report; today by default.", metavar="YYYY-MM-DD")
    ] = None,
    samples: SamplesOption = 2**14,
    seed: SeedOption = 0,
    bands: Annotated[
        Path | None,
        typer.Option("--bands", help="Density along the film, for a page about its bands.", metavar="PROFILE.csv"),
    ] = None,
    winding: Annotated[str, typer.Option("--winding", help="How that film was wound.", metavar="NAME")] = "135-36",
    letter: Annotated[
        bool, typer.Option("--letter", help="A letter with annex in place of the report, with blanks to fill in.")
    ] = False,
    fill: Annotated[
        list[str] | None,
        typer.Option(
            "--fill",
            help="Text for a blank of the letter: sender, addressee, journey, request or signature; may be repeated.",
            metavar="BLANK=TEXT",
        ),
    ] = None,
    photo: Annotated[
        list[str] | None,
        typer.Option(
            "--photo",
            help="A photograph or scan for the letter, with its caption; may be repeated.",
            metavar="FILE=CAPTION",
        ),
    ] = None,
    text: Annotated[
        Path | None, typer.Option("--text", help="Words of the letter, translated.", metavar="FILE.toml")
    ] = None,
    write_text: Annotated[
        Path | None,
        typer.Option("--write-text", help="Write the English words of the letter, to translate.", metavar="FILE.toml"),
    ] = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    scene_range: SceneRangeOption = SCENE_RANGE,
    cost_under: CostUnderOption = 4.0,
    cost_over: CostOverOption = 1.0,
) -> None:
    """Write the damage report of one roll, or a letter about it."""
    from filmdose.present.damage import assess_damage, report_document
    from filmdose.present.letter import BLANKS, LETTER_WORDS, letter_document
    from filmdose.present.photos import read_picture
    from filmdose.present.text import read_words, write_words
    from filmdose.trip import find_roll
    from filmdose.tripfile import read_trip

    trip = read_trip(file)
    rolls = [find_roll(trip, name) for name in dict.fromkeys(roll)]
    if output and len(rolls) > 1:
        raise ArgumentError(
            "output", None, "one --roll", "Leave --output out, and files are named after trip and roll."
        )
    places = {one.id: output or _places(file, one.id, letter) for one in rolls}
    targets = [target for found in places.values() for target in found]
    for number, target in enumerate(targets):
        check_output(None, target, *targets[:number], write_text)
    if not letter and (fill or photo or text):
        raise ArgumentError("letter", None, "--letter with --fill, --photo and --text", "Add --letter.")
    if bands is not None and len(rolls) > 1:
        raise ArgumentError("bands", str(bands), "one --roll", "The profile is of one roll.")
    if letter and bands is not None:
        raise ArgumentError("bands", str(bands), "a damage report without --letter", "Make both.")
    filled = dict(_pairs("fill", fill, BLANKS))
    pictures = [read_picture(path, words) for path, words in _pairs("photo", photo)]
    words = read_words(LETTER_WORDS, text)
    if write_text is not None:
        write_words(LETTER_WORDS, write_text)
    asked = Question(criterion=criterion, scene_range=scene_range, cost_under=cost_under, cost_over=cost_over)
    day = None if date is None else parse_date(date)
    for found in rolls:
        with progress("assessing"):
            damage = assess_damage(trip, found.id, asked, samples=samples, seed=seed, date=day)
        document = (
            letter_document(damage, filled=filled, pictures=pictures, words=words)
            if letter
            else report_document(damage, None if bands is None else _bands(found, bands, winding))
        )
        for target in places[found.id]:
            done = "replaced" if target.is_file() else "written"
            deliver(document, None, target)
            print_text(f"{done}: {shown_path(target)}\n")


def _places(file: Path, roll: str, letter: bool) -> list[Path]:
    """Files named after the trip as well: another trip's roll of the same name keeps its report."""
    kind = "letter" if letter else "damage"
    stem = f"{kind}_{_file_name(file.stem) if file.stem.strip('_') else 'trip'}_{_file_name(roll)}"
    return [Path(f"{stem}{ending}") for ending in (".html", ".pdf")]


def _bands(roll: Roll, profile: Path, winding: str) -> BandResult:
    from filmdose.scan.bands import explain_bands, read_profile
    from filmdose.scan.spiral import get_winding

    control = roll.fog_readings[-1].control if roll.fog_readings else None
    return explain_bands(read_profile(profile, control_density=control), get_winding(winding))


def _pairs(option: str, given: list[str] | None, known: tuple[str, ...] | None = None) -> list[tuple[str, str]]:
    """What stands before the first equals sign, and after it; a blank can be filled once."""
    pairs: list[tuple[str, str]] = []
    for item in given or ():
        name, sign, words = item.partition("=")
        name = name.strip()
        if not sign or not name or not words.strip():
            shape = "FILE=CAPTION" if known is None else "BLANK=TEXT"
            raise ArgumentError(option, item, shape, "Write both sides of the equals sign.")
        if known is not None and name not in known:
            raise UnknownNameError(option, name, known)
        if known is not None and any(name == earlier for earlier, _ in pairs):
            raise ArgumentError(option, item, f"one text for {name}", "Leave one of them out.")
        pairs.append((name, words.strip()))
    return pairs


def _file_name(name: str) -> str:
    """A roll's id as part of a file name."""
    kept = "".join(letter if letter.isalnum() or letter in "-_" else "_" for letter in name)[:60]
    if not kept.strip("_"):
        raise ArgumentError("output", None, "a file for a roll whose id has no letters", "Add --output FILE.")
    return kept if kept == name else f"{kept}_{zlib.crc32(name.encode()):08x}"  # two rolls never share one file
