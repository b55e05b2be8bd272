"""Giving an answer: a document goes to the screen or to a file, in the format that was asked for."""

from __future__ import annotations

import shutil
import warnings
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.stream import print_text
from filmdose.errors import ArgumentError, ValidityWarning
from filmdose.files import check_place
from filmdose.present.document import Document
from filmdose.present.screen import document_text
from filmdose.present.writers import FORMATS, format_for, render, write_document

__all__ = ["FormatOption", "OutputOption", "check_output", "deliver", "warnings_as_notes"]

FormatOption = Annotated[
    str | None,
    typer.Option(
        "--format",
        "-f",
        help=f"How to print: {', '.join(FORMATS)}; by default as the ending of the output file says, else text.",
        metavar="FORMAT",
    ),
]
OutputOption = Annotated[
    Path | None, typer.Option("--output", "-o", help="Write to this file instead of the screen.", metavar="FILE")
]

_LINE_LETTERS = (80, 160)


def check_output(format: str | None, output: Path | None, *others: Path | None) -> str:
    """The format to write; a wrong one, or a place that cannot be written to, is refused before any work is done."""
    chosen = format_for(output, format)
    places: list[Path] = []
    for path in (output, *others):
        if path is not None:
            place = check_place(path)
            if place in places:
                raise ArgumentError("output", str(path), "a place of its own for every result", "Give another name.")
            places.append(place)
    if output is None and chosen in ("xlsx", "pdf"):
        raise ArgumentError("output", None, f"a file for {chosen}", f"Add --output FILE.{chosen}.")
    return chosen


def deliver(document: Document, format: str | None = None, output: Path | None = None) -> None:
    """Print a document, or write it beside and then in place of a file."""
    chosen = check_output(format, output)
    if output is not None:
        write_document(document, output, chosen)
    elif chosen == "text":
        low, high = _LINE_LETTERS
        width = shutil.get_terminal_size(fallback=(120, 24)).columns
        print_text(document_text(document, max(low, min(width, high))))
    else:
        print_text(render(document, chosen).decode("utf-8"), chosen)


@contextmanager
def warnings_as_notes(notes: list[str]) -> Iterator[None]:
    """Collect what a model warns about, to print it with the answer."""
    with warnings.catch_warnings(record=True) as caught:
        warnings.simplefilter("always")
        yield
    for item in caught:
        if issubclass(item.category, ValidityWarning):
            notes.append(str(item.message))
        else:
            warnings.warn_explicit(item.message, item.category, item.filename, item.lineno)
