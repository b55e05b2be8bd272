"""filmdose sources: where every dose, material and constant comes from."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer

from filmdose.cli.output import (
    FormatOption,
    OutputOption,
    check_format,
    emit,
    frame_csv,
    frame_json,
    frame_markdown,
    render_table,
)
from filmdose.errors import UnknownNameError
from filmdose.radiation.registry import DATA_KINDS, list_data
from filmdose.radiation.sources import list_sources

_ALL = "all"


def sources(
    kind: Annotated[
        str, typer.Option("--kind", help=f"What to list: {', '.join(DATA_KINDS)}, or all.", metavar="KIND")
    ] = "source",
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """List the shipped sources of radiation, or all data, with range, evidence and citation."""
    check_format(format)
    if kind not in (*DATA_KINDS, _ALL):
        raise UnknownNameError("kind", kind, (*DATA_KINDS, _ALL))
    frame = list_data(None if kind == _ALL else kind)
    if kind == "source":
        beams = list_sources()[
            ["title", "at", "beam", "beam_soft", "beam_hard", "peak_to_mean", "country", "date", "reviewed", "caution"]
        ]
        frame = frame.join(beams, on="name")
    if format == "json":
        text = frame_json(frame)
    elif format == "csv":
        text = frame_csv(frame)
    elif format == "markdown":
        text = frame_markdown(frame)
    else:
        text = _text(frame, kind)
    emit(text, output)


def _number(value: float) -> str:
    return "" if pd.isna(value) else f"{value:.6g}"


def _text(frame: pd.DataFrame, kind: str) -> str:
    shown = pd.DataFrame({"name": frame["name"]})
    if kind == _ALL:
        shown.insert(0, "kind", frame["kind"])
    for column in ("low", "value", "high"):
        shown["typical" if column == "value" else column] = frame[column].map(_number)
    shown["unit"] = frame["unit"]
    if kind == "source":
        shown["beam"] = frame["beam"]
    shown["evidence"] = frame["evidence"]
    shown["references"] = frame["references"]
    table = render_table(shown, title=f"Shipped data: {kind}", numeric=("low", "typical", "high"))
    notes = [f"{name}: {note}" for name, note in zip(frame["name"], frame["note"], strict=True) if note]
    if kind == "source":
        notes = [*frame["caution"][frame["caution"] != ""], *notes]
    return "\n".join([table, *dict.fromkeys(notes)])
