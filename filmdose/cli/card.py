"""filmdose card: the field card as PDF, SVG, PNG or a page for a phone."""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.options import (
    KindText,
    QuestionOptions,
    kerma_list,
    number_list,
    with_blocks,
)
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.files import check_place
from filmdose.film.model import Film


@with_blocks
def card(
    *,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="File that ends in .pdf, .svg, .png or .html.", metavar="FILE")
    ] = None,
    speeds: Annotated[
        str | None,
        typer.Option("--speeds", help="Speeds of generic films, with commas between.", metavar="100,400,..."),
    ] = None,
    kind: Annotated[
        KindText, typer.Option("--kind", help="Kind of the generic films.", metavar="KIND")
    ] = "bw-negative",
    film: Annotated[
        list[Path] | None, typer.Option("--film", help="Film file of a measured film; may be repeated.", metavar="FILM")
    ] = None,
    sources: Annotated[
        list[str] | None, typer.Option("--source", help="A source on the card; may be repeated.", metavar="SOURCE")
    ] = None,
    shields: Annotated[
        list[str] | None,
        typer.Option(
            "--shield", help="A shield on the card, such as lead=0.25; may be repeated.", metavar="MATERIAL=MM"
        ),
    ] = None,
    kerma: Annotated[
        str | None, typer.Option("--kerma", help="Totals of the rows; microgray, or with a unit.", metavar="10,100,...")
    ] = None,
    text: Annotated[
        Path | None, typer.Option("--text", help="Translation of the words of the card, TOML.", metavar="TEXT.toml")
    ] = None,
    write_text: Annotated[
        Path | None,
        typer.Option("--write-text", help="Write the English words to translate, and stop.", metavar="FILE"),
    ] = None,
    date: Annotated[str | None, typer.Option("--date", help="Date on the card; today.", metavar="YYYY-MM-DD")] = None,
    asked: QuestionOptions,
) -> None:
    """Write the field card: add up dose points, read the exposure index."""
    from filmdose.present.card import (
        CARD_ENDINGS,
        CARD_SHIELDS,
        CARD_SOURCES,
        CARD_SPEEDS,
        make_card,
        write_card,
    )
    from filmdose.present.page import check_ending
    from filmdose.present.text import CARD_WORDS, read_words, write_words

    if write_text is not None:
        write_words(CARD_WORDS, write_text)
        return
    if output is None:
        raise ArgumentError("output", None, "a file that ends in .pdf, .svg, .png or .html", "Add --output FILE.")
    check_ending(output, CARD_ENDINGS)
    check_place(output)
    films = _films(speeds, kind, film or [], CARD_SPEEDS)
    with progress("drawing") as advance:
        made = make_card(
            films,
            kerma_ugy=None if kerma is None else kerma_list("kerma", kerma),
            sources=sources or CARD_SOURCES,
            shields=CARD_SHIELDS if shields is None else shields,
            question=asked.made(),
            text=read_words(CARD_WORDS, text),
            date=None if date is None else parse_date(date),
            progress=advance,
        )
        write_card(made, output)


def _films(speeds: str | None, kind: KindText, files: list[Path], usual: tuple[float, ...]) -> list[Film | float]:
    from filmdose.film.filmfile import read_film
    from filmdose.film.generic import generic_film, generic_speed_range

    own: list[Film | float] = [read_film(path) for path in files]
    if own and speeds is None:
        return own
    low, high = generic_speed_range(kind)
    usual = tuple(speed for speed in usual if low <= speed <= high)  # 3200 is no slide film
    numbers = list(usual) if speeds is None else number_list("speeds", speeds, unit="ISO")
    return [*own, *(generic_film(speed, kind=kind) for speed in numbers)]


def parse_date(value: str) -> datetime.date:
    """A date such as 2026-05-01."""
    try:
        return datetime.date.fromisoformat(value)
    except ValueError as error:
        raise ArgumentError("date", value, "a date such as 2026-05-01") from error
