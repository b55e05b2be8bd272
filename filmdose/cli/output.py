"""Printing and writing: every verb gives its answer as text, CSV, JSON or Markdown, to the screen or a file."""

from __future__ import annotations

import io
import json
import math
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer

from filmdose.errors import UnknownNameError
from filmdose.files import write_text_atomic

__all__ = [
    "FORMATS",
    "FormatOption",
    "OutputOption",
    "check_format",
    "emit",
    "frame_csv",
    "frame_json",
    "frame_markdown",
    "json_text",
    "render_table",
]

FORMATS = ("text", "csv", "json", "markdown")

FormatOption = Annotated[
    str, typer.Option("--format", "-f", help="How to print: text, csv, json or markdown.", metavar="FORMAT")
]
OutputOption = Annotated[
    Path | None, typer.Option("--output", "-o", help="Write to this file instead of the screen.", metavar="FILE")
]

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r")


def check_format(value: str, allowed: Sequence[str] = FORMATS) -> str:
    """Return the format, or raise the error that lists the allowed ones."""
    if value not in allowed:
        raise UnknownNameError("format", value, allowed)
    return value


def emit(text: str, output: Path | None) -> None:
    """Print to the screen, or write to a file beside-then-replace."""
    text = text if text.endswith("\n") else text + "\n"
    if output is None:
        sys.stdout.write(text)
    else:
        write_text_atomic(output, text)


def _plain(value: Any) -> Any:
    """JSON has no NaN and no NumPy scalars."""
    if isinstance(value, dict):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "item") and not isinstance(value, (str, bytes)):
        value = value.item()
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def json_text(value: Any) -> str:
    """JSON with two spaces of indent; NaN becomes null."""
    return json.dumps(_plain(value), indent=2, ensure_ascii=False, allow_nan=False)


def frame_json(frame: pd.DataFrame) -> str:
    """A table as a JSON list of rows."""
    return json_text(frame.to_dict(orient="records"))


def neutral_cell(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets an apostrophe in front."""
    if isinstance(value, str) and value.startswith(_FORMULA_START) and value != "-":
        return "'" + value
    return value


def frame_csv(frame: pd.DataFrame) -> str:
    """A table as CSV, full precision, cells that a spreadsheet would run as formulas neutralised."""
    safe = frame.copy()
    for column in safe.columns:
        if not pd.api.types.is_numeric_dtype(safe[column]):
            safe[column] = [neutral_cell(value) for value in safe[column]]
    return safe.to_csv(index=False)


def frame_markdown(frame: pd.DataFrame, *, index: bool = False) -> str:
    """A table as Markdown."""
    escaped = frame.copy()
    for column in escaped.columns:
        if not pd.api.types.is_numeric_dtype(escaped[column]):
            escaped[column] = [str(value).replace("|", "\\|").replace("\n", " ") for value in escaped[column]]
    return str(escaped.to_markdown(index=index))


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
