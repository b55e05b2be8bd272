"""filmdose plan: what to do before and on a trip."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.card import parse_date
from filmdose.cli.measured import SamplesOption, SeedOption
from filmdose.cli.options import (
    KindText,
    QuestionOptions,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.planning import DEFAULT_POUCH, make_plan
from filmdose.present.plan import plan_document
from filmdose.tripfile import read_trip


@with_blocks
def plan(
    file: Annotated[
        Path, typer.Argument(help="Trip file, TOML, with a [[leg]] for every checkpoint ahead.", metavar="TRIP.toml")
    ],
    *,
    pouch: Annotated[
        str, typer.Option("--pouch", help="The pouch whose value is worked out.", metavar="MATERIAL=MM")
    ] = DEFAULT_POUCH,
    kind: Annotated[
        KindText, typer.Option("--kind", help="Kind of the films to choose from.", metavar="KIND")
    ] = "bw-negative",
    needed_ei: Annotated[
        float | None,
        typer.Option(
            "--needed-ei",
            help="Exposure index that is needed there; left out, more speed stops where it buys little.",
            metavar="EI",
        ),
    ] = None,
    sheet: Annotated[
        Path | None,
        typer.Option(
            "--sheet", help="Also write a sheet to show at a checkpoint: .pdf, .svg, .png or .txt.", metavar="FILE"
        ),
    ] = None,
    sheet_text: Annotated[
        Path | None, typer.Option("--sheet-text", help="Translation of the words of the sheet, TOML.", metavar="FILE")
    ] = None,
    write_text: Annotated[
        Path | None, typer.Option("--write-text", help="Write the sheet's English words to translate.", metavar="FILE")
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="Date on the sheet; today by default.", metavar="YYYY-MM-DD")
    ] = None,
    samples: SamplesOption = 2048,
    seed: SeedOption = 0,
    asked: QuestionOptions,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Plan a trip: whom to ask for hand inspection of what, which speed to carry, what a pouch is worth."""
    from filmdose.present.page import check_ending
    from filmdose.present.sheet import SHEET_ENDINGS, SHEET_WORDS, write_sheet
    from filmdose.present.text import read_words, write_words

    check_output(format, output, sheet, write_text)
    question = asked.made()
    trip = read_trip(file)
    day = None if date is None else parse_date(date)
    if sheet is not None:
        check_ending(sheet, SHEET_ENDINGS)
    words = read_words(SHEET_WORDS, sheet_text)
    if write_text is not None:
        write_words(SHEET_WORDS, write_text)
    with progress("planning") as advance:
        made = make_plan(
            trip,
            question,
            pouch=pouch,
            kind=kind,
            needed_ei=needed_ei,
            samples=samples,
            rng=seed,
            progress=advance,
        )
    if sheet is not None:
        write_sheet(made, sheet, words=words, date=day)
    deliver(plan_document(made), format, output)
