"""filmdose table: exposure index against accumulated dose for the standard speeds."""

from __future__ import annotations

from typing import Annotated

import typer

from filmdose.cli.options import (
    FilmFormatOption,
    FilmsOptions,
    QuestionOptions,
    kerma_list,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.history import History, Pass
from filmdose.present.tables import TABLE_KERMA_UGY, TABLE_PASSES, TABLE_SPEEDS, table_document


@with_blocks
def table(
    *,
    film: FilmsOptions,
    kerma: Annotated[
        str | None, typer.Option("--kerma", help="Accumulated doses; microgray, or with a unit.", metavar="10,100,...")
    ] = None,
    safe: Annotated[
        bool,
        typer.Option(
            "--safe/--typical",
            help="The safe index before the typical one, some seconds of draws; or the typical one alone, at once.",
        ),
    ] = True,
    passes: Annotated[
        list[str] | None,
        typer.Option(
            "--passes",
            help="Rows of 1 to 10 passes through this source in place of doses, safe and typical; may be repeated.",
            metavar="SOURCE",
        ),
    ] = None,
    shield: Annotated[
        str | None, typer.Option("--shield", help="Shield of --passes, such as lead=0.25.", metavar="MATERIAL=MM")
    ] = None,
    film_format: FilmFormatOption = "35mm",
    asked: QuestionOptions,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print the exposure index for film speeds against accumulated dose."""
    check_output(format, output)
    films = film.made(TABLE_SPEEDS)
    doses = TABLE_KERMA_UGY if kerma is None else kerma_list("kerma", kerma)
    question = asked.made()
    if passes and kerma is not None:
        raise ArgumentError("kerma", kerma, "either --kerma or --passes", "Rows are doses or passes.")
    if not passes and (shield is not None or film_format != "35mm"):
        raise ArgumentError("passes", None, "a source beside --shield or --film-format", "Doses are those at the film.")
    rows = [
        History(passes=(Pass(source=source, count=count, shield=shield),), format=film_format)
        for source in passes or ()
        for count in TABLE_PASSES
    ]
    with progress("drawing") as advance:
        document = table_document(films, doses, question, safe=safe, passes=rows, progress=advance)
    deliver(document, format, output)
