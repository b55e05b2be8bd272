"""Printing and writing: every verb gives its answer as text, CSV, JSON or Markdown, to the screen or a file."""

from __future__ import annotations

import io
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated

import pandas as pd
import typer

from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import write_bytes_atomic, write_text_atomic
from filmdose.present.writers import TABLE_FORMATS, json_text, table_bytes
from filmdose.present.writers import table_csv as frame_csv
from filmdose.present.writers import table_json as frame_json
from filmdose.present.writers import table_markdown as frame_markdown

__all__ = [
    "ALL_FORMATS",
    "FORMATS",
    "FormatOption",
    "OutputOption",
    "TableFormatOption",
    "check_format",
    "choose_format",
    "emit",
    "emit_table",
    "frame_csv",
    "frame_json",
    "frame_markdown",
    "json_text",
    "render_table",
]

FORMATS = ("text", "csv", "json", "markdown")

#: Formats of a verb that prints one table.
ALL_FORMATS = ("text", *TABLE_FORMATS)

FormatOption = Annotated[
    str, typer.Option("--format", "-f", help="How to print: text, csv, json or markdown.", metavar="FORMAT")
]
TableFormatOption = Annotated[
    str | None,
    typer.Option(
        "--format",
        "-f",
        help=f"How to print: {', '.join(ALL_FORMATS)}; by default as the ending of the output file says, else text.",
        metavar="FORMAT",
    ),
]
OutputOption = Annotated[
    Path | None, typer.Option("--output", "-o", help="Write to this file instead of the screen.", metavar="FILE")
]


def check_format(value: str, allowed: Sequence[str] = FORMATS) -> str:
    """Return the format, or raise the error that lists the allowed ones."""
    if value not in allowed:
        raise UnknownNameError("format", value, allowed)
    return value


def choose_format(value: str | None, output: Path | None, allowed: Sequence[str] = FORMATS) -> str:
    """Return the format asked for; when none is, the one that the ending of the output file stands for, else text."""
    if value is not None:
        return check_format(value, allowed)
    ending = "" if output is None else output.suffix.lower()
    return next((name for name, endings in TABLE_FORMATS.items() if ending in endings and name in allowed), "text")


def emit_table(frame: pd.DataFrame, format: str, output: Path | None, *, caption: str = "") -> None:
    """Print or write a table in one of the formats of ``filmdose.present.writers``."""
    content = table_bytes(frame, format, caption=caption)
    if output is not None:
        write_bytes_atomic(output, content)
    elif format == "xlsx":
        raise ArgumentError("output", None, "a file for a spreadsheet", "Add --output FILE.xlsx.")
    else:
        sys.stdout.write(content.decode("utf-8"))


def emit(text: str, output: Path | None) -> None:
    """Print to the screen, or write to a file beside-then-replace."""
    text = text if text.endswith("\n") else text + "\n"
    if output is None:
        sys.stdout.write(text)
    else:
        write_text_atomic(output, text)


def render_table(frame: pd.DataFrame, *, title: str = "", caption: str = "", numeric: Sequence[str] = ()) -> str:
    """A table for the terminal, drawn by rich; cells are text already."""
    from rich import box
    from rich.console import Console
    from rich.table import Table
    from rich.text import Text

    table = Table(title=Text(title) if title else None, box=box.SIMPLE_HEAD, title_justify="left", pad_edge=False)
    for column in frame.columns:
        table.add_column(Text(str(column)), justify="right" if column in numeric else "left")
    for row in frame.itertuples(index=False):
        table.add_row(*(Text(str(value)) for value in row))
    stream = io.StringIO()
    width = max(80, min(_terminal_width(), 160))
    console = Console(file=stream, width=width, highlight=False, color_system=None)
    console.print(table)
    if caption:
        console.print(Text(caption))
    # rich pads to the console's width; trailing blanks help nobody
    return "\n".join(line.rstrip() for line in stream.getvalue().splitlines()) + "\n"


def _terminal_width() -> int:
    import shutil

    return shutil.get_terminal_size(fallback=(120, 24)).columns
