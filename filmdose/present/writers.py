"""Tables as CSV, Markdown, HTML, LaTeX, JSON and XLSX, by the writers of pandas.

A table is any DataFrame; its caption says what it assumes and how sure it is.
Texts may come from a user's file: in CSV and XLSX a cell that a spreadsheet
would run as a formula is neutralised, in HTML, LaTeX and Markdown markup is
escaped.  Numbers keep their full precision in CSV, JSON and XLSX.
"""

from __future__ import annotations

import io
import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pandas as pd

from filmdose.errors import ArgumentError, MissingExtraError, UnknownNameError
from filmdose.files import write_bytes_atomic

__all__ = [
    "TABLE_FORMATS",
    "json_text",
    "neutral_cell",
    "table_csv",
    "table_html",
    "table_json",
    "table_latex",
    "table_markdown",
    "table_xlsx",
    "write_table",
]

_FORMULA_START = ("=", "+", "-", "@", "\t", "\r", "\n", "＝", "＋", "－", "＠")


def neutral_cell(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets an apostrophe in front; anything else stays.

    Examples
    --------
    >>> neutral_cell("=1+1"), neutral_cell("-"), neutral_cell(-1.5)
    ("'=1+1", '-', -1.5)
    """
    if isinstance(value, str) and value.startswith(_FORMULA_START) and value != "-":
        return "'" + value
    return value


def _neutral(frame: pd.DataFrame) -> pd.DataFrame:
    return _map_texts(frame, neutral_cell)


def _map_texts(frame: pd.DataFrame, change: Callable[[Any], Any]) -> pd.DataFrame:
    """The frame with every text changed: cells, names of columns, and a named index that becomes a column."""
    safe = frame.copy()
    for position, column in enumerate(safe.columns):
        if not pd.api.types.is_numeric_dtype(safe.dtypes.iloc[position]):
            safe[column] = pd.Series([change(value) for value in safe[column]], index=safe.index, dtype=object)
    safe.columns = pd.Index([change(str(name)) for name in safe.columns])
    return safe


def _one_line(value: Any) -> str:
    """A cell as text on one line; what is missing is empty."""
    return "" if value is None or (isinstance(value, float) and math.isnan(value)) else " ".join(str(value).split())


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


def table_json(frame: pd.DataFrame) -> str:
    """A table as a JSON list of rows; NaN becomes null."""
    return json_text(frame.to_dict(orient="records"))


def table_csv(frame: pd.DataFrame, *, caption: str = "") -> str:
    """A table as CSV in full precision, its texts neutralised.

    Parameters
    ----------
    frame
        The table; its index is left out.
    caption
        Comment lines in front, each with #; none when empty, so that any reader takes the first line as the header.
    """
    lines = "".join(f"# {line}\n" for line in caption.splitlines())
    # A lone carriage return would end the line for some readers.
    safe = _map_texts(
        _neutral(frame), lambda v: v.replace("\r\n", "\n").replace("\r", "\n") if isinstance(v, str) else v
    )
    return lines + safe.to_csv(index=False, lineterminator="\n")


def table_markdown(frame: pd.DataFrame, *, caption: str = "") -> str:
    """A table as Markdown with its caption below; markup in texts is escaped."""

    def escape(value: Any) -> str:
        text = _one_line(value)
        for mark in ("\\", "|", "`", "*"):
            text = text.replace(mark, "\\" + mark)
        text = text.replace("](", "]\\(")  # no links
        return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")

    # What looks like a number in a column of texts ("007") must stay the text it is.
    texts = [i for i, kind in enumerate(frame.dtypes) if not pd.api.types.is_numeric_dtype(kind)]
    shown = _map_texts(frame, escape).astype(object).where(frame.notna().to_numpy(), None)
    body = str(shown.to_markdown(index=False, disable_numparse=texts, missingval=""))
    return f"{body}\n\n{escape(caption)}\n" if caption else f"{body}\n"


def table_html(frame: pd.DataFrame, *, caption: str = "") -> str:
    """A table as an HTML fragment with its caption; everything is escaped."""
    import html

    body = frame.to_html(index=False, border=0, escape=True, float_format="{:.6g}".format, na_rep="")
    head, tag, rest = body.partition(">")
    words = f"\n  <caption>{html.escape(caption)}</caption>" if caption else ""
    return head + tag + words + rest + "\n"


def table_latex(frame: pd.DataFrame, *, caption: str = "") -> str:
    """A table as LaTeX with its caption, for the package booktabs; everything is escaped."""
    body = _map_texts(frame, _one_line)
    return body.to_latex(
        index=False,
        escape=True,
        float_format="{:.6g}".format,
        na_rep="",
        caption=_latex_escape(caption) or None,
        position="htbp" if caption else None,
    )


def _latex_escape(text: str) -> str:
    named = {"\\": r"\textbackslash ", "~": r"\textasciitilde ", "^": r"\textasciicircum "}
    return "".join(named.get(c, "\\" + c if c in "&%$#_{}" else c) for c in text)


def table_xlsx(frame: pd.DataFrame, *, caption: str = "") -> bytes:
    """A table as a spreadsheet: the sheet "table", and its caption on the sheet "about".

    Raises
    ------
    MissingExtraError
        The package openpyxl is not installed.
    """
    try:
        from openpyxl.styles import Alignment
        from openpyxl.utils import get_column_letter
    except ImportError as error:
        raise MissingExtraError("openpyxl", "tables", "Writing a spreadsheet") from error
    stream = io.BytesIO()
    safe = _neutral(frame)
    with pd.ExcelWriter(stream, engine="openpyxl") as writer:
        safe.to_excel(writer, sheet_name="table", index=False, freeze_panes=(1, 0))
        sheet = writer.sheets["table"]
        for number, column in enumerate(safe.columns, 1):
            longest = max([len(str(column)), *(len(str(value)) for value in safe[column])])
            sheet.column_dimensions[get_column_letter(number)].width = min(max(longest + 2, 8), 60)
        if caption:
            pd.DataFrame({"about this table": [neutral_cell(caption)]}).to_excel(
                writer, sheet_name="about", index=False
            )
            about = writer.sheets["about"]
            about.column_dimensions["A"].width = 100
            about["A2"].alignment = Alignment(wrap_text=True, vertical="top")
    return stream.getvalue()


#: Formats of a written table, by name; the names are also the endings of files, with the short ones beside them.
TABLE_FORMATS: dict[str, tuple[str, ...]] = {
    "csv": (".csv",),
    "markdown": (".md", ".markdown"),
    "html": (".html", ".htm"),
    "latex": (".tex", ".latex"),
    "json": (".json",),
    "xlsx": (".xlsx",),
}


def format_of(path: str | Path) -> str:
    """Format that the ending of a file stands for.

    Examples
    --------
    >>> format_of("table.md")
    'markdown'
    """
    ending = Path(path).suffix.lower()
    for name, endings in TABLE_FORMATS.items():
        if ending in endings:
            return name
    known = ", ".join(end for endings in TABLE_FORMATS.values() for end in endings)
    raise ArgumentError("path", str(path), f"a file name that ends in one of {known}", "Or state the format.")


def table_bytes(frame: pd.DataFrame, format: str, *, caption: str = "") -> bytes:
    """A table in a format by name, as the bytes of its file; CSV and JSON stay bare rows."""
    if format == "xlsx":
        return table_xlsx(frame, caption=caption)
    writers: dict[str, Callable[[], str]] = {
        "csv": lambda: table_csv(frame),
        "json": lambda: table_json(frame) + "\n",
        "markdown": lambda: table_markdown(frame, caption=caption),
        "html": lambda: table_html(frame, caption=caption),
        "latex": lambda: table_latex(frame, caption=caption),
    }
    if format not in writers:
        raise UnknownNameError("format", format, TABLE_FORMATS)
    return writers[format]().encode("utf-8")


def write_table(frame: pd.DataFrame, path: str | Path, *, caption: str = "", format: str | None = None) -> Path:
    """Write a table to a file, in the format that its ending stands for.

    Parameters
    ----------
    frame
        The table; its index is left out.
    path
        The file: .csv, .md, .html, .tex, .json or .xlsx.
    caption
        What the table assumes and how sure it is; CSV and JSON, which other programs read, stay bare rows.
    format
        A key of ``TABLE_FORMATS`` in place of the ending.

    Raises
    ------
    ArgumentError, UnknownNameError, OutputFileError, MissingExtraError
    """
    return write_bytes_atomic(path, table_bytes(frame, format or format_of(path), caption=caption))
