"""A document in every format: text, CSV, JSON, Markdown, HTML, LaTeX, spreadsheet and PDF.

Texts may come from a user's file: in CSV and spreadsheets a cell that would run
as a formula is neutralised, in HTML, LaTeX and Markdown markup is escaped.  CSV,
JSON and spreadsheets hold numbers in full precision; CSV is the tidy table and
nothing else, so that any reader takes its first line as the header.
"""

from __future__ import annotations

import csv
import gc
import io
import json
import math
import os
import re
import sys
import traceback
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any
from urllib.parse import quote

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError, MissingExtraError, OutputFileError, UnknownNameError
from filmdose.files import write_bytes_atomic
from filmdose.present.document import Block, Document, Facts, Heading, Paragraph, Picture, Plot, Table
from filmdose.present.screen import document_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FORMATS",
    "document_latex",
    "document_markdown",
    "format_for",
    "frame_csv",
    "frame_xlsx",
    "json_text",
    "neutral_cell",
    "render",
    "write_document",
]

#: Formats by name, and the endings of their files.
FORMATS: dict[str, tuple[str, ...]] = {
    "text": (".txt",),
    "csv": (".csv",),
    "json": (".json",),
    "markdown": (".md", ".markdown"),
    "html": (".html", ".htm"),
    "latex": (".tex",),
    "xlsx": (".xlsx",),
    "pdf": (".pdf",),
}


def format_for(path: str | Path | None, format: str | None = None) -> str:
    """The format of a file or of the screen: what was asked for, else what the ending stands for, else text.

    Parameters
    ----------
    path
        The file, or None for the screen.
    format
        A key of ``FORMATS``.

    Returns
    -------
    str
        A key of ``FORMATS``.

    Raises
    ------
    UnknownNameError
        A format that is none.
    ArgumentError
        An ending that stands for no format, or for another one than was asked for. A name without an ending, such as
        that of a pipe, takes any format.

    Examples
    --------
    >>> format_for("table.md"), format_for(None), format_for("/dev/stdout", "csv")
    ('markdown', 'text', 'csv')
    """
    if format is not None and format not in FORMATS:
        raise UnknownNameError("format", format, FORMATS)
    ending = "" if path is None else Path(path).suffix.lower()
    if not ending:
        return format or "text"
    found = next((name for name, endings in FORMATS.items() if ending in endings), None)
    if found is None:
        known = ", ".join(end for endings in FORMATS.values() for end in endings)
        raise ArgumentError("output", str(path), f"a file name that ends in one of {known}")
    if format is not None and format != found:
        allowed = f"{' or '.join(FORMATS[format])} for {format}"
        raise ArgumentError("output", str(path), f"a file name that ends in {allowed}", f"Or ask for {found}.")
    return found


def render(document: Document, format: str) -> bytes:
    """A document in a format by name, as the bytes of its file.

    Parameters
    ----------
    document
        What is said.
    format
        A key of ``FORMATS``.

    Returns
    -------
    bytes

    Raises
    ------
    UnknownNameError
        A format that is none.
    ArgumentError
        CSV or a spreadsheet of a document without a tidy table.
    MissingExtraError
        A spreadsheet, and openpyxl is not installed.

    Examples
    --------
    >>> from filmdose.present.tables import table_document
    >>> render(table_document([400], [0, 100]), "text")[:8]
    b'Exposure'
    """
    if format not in FORMATS:
        raise UnknownNameError("format", format, FORMATS)
    if format in ("csv", "xlsx"):
        if document.rows is None:
            others = ", ".join(name for name in FORMATS if name not in ("csv", "xlsx"))
            raise ArgumentError("format", format, f"one of {others} for a {document.kind}")
        if format == "xlsx":
            return frame_xlsx(document.to_dataframe(), about=document.about)
        return frame_csv(document.rows).encode("utf-8")
    if format == "pdf":
        from filmdose.present.pages import document_pdf

        return document_pdf(document)
    if format == "html":
        from filmdose.present.html import document_html

        return document_html(document).encode("utf-8")
    texts: dict[str, Callable[[Document], str]] = {
        "text": document_text,
        "json": lambda made: json_text(made.schema) + "\n",
        "markdown": document_markdown,
        "latex": document_latex,
    }
    return texts[format](document).encode("utf-8")


def write_document(document: Document, path: str | Path, format: str | None = None) -> Path:
    """Write a document to a file, in the format that its ending stands for; see :func:`format_for`.

    Pictures of a Markdown document are written beside it, as NAME_1.jpg and so on; another picture of that name is
    never replaced: it may be the photograph itself, or belong to something else.

    Parameters
    ----------
    document
        What is said.
    path
        Where to; an existing file is replaced in one step, a device written into.
    format
        A key of ``FORMATS``, in place of that of the ending.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ArgumentError, UnknownNameError, MissingExtraError, OutputFileError

    Examples
    --------
    >>> import tempfile
    >>> from filmdose.present.tables import table_document
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(write_document(table_document([400], [0, 100]), Path(folder) / "table.csv").name)
    table.csv
    """
    chosen = format_for(path, format)
    pictures = [block for block in document.blocks if isinstance(block, Picture)]
    if chosen != "markdown" or not pictures:
        return write_bytes_atomic(path, render(document, chosen))
    names = [f"{Path(path).stem}_{number}.jpg" for number in range(1, len(pictures) + 1)]
    for name, picture in zip(names, pictures, strict=True):
        beside = Path(path).with_name(name)
        if os.path.lexists(beside) and not (beside.is_file() and beside.read_bytes() == picture.jpeg):
            raise OutputFileError(beside, "another picture is there already; move it, or name the Markdown otherwise")
    for name, picture in zip(names, pictures, strict=True):
        write_bytes_atomic(Path(path).with_name(name), picture.jpeg)
    return write_bytes_atomic(path, document_markdown(document, names).encode("utf-8"))


# -- data ----------------------------------------------------------------------------------------------------------

#: What a spreadsheet may run: a sign at the start or behind what nobody sees, and lines or columns of their own.
_FORMULA = re.compile(r"[\s\x00-\x1f\u200b\u2060\ufeff]*[=+\-@＝＋－＠]|[\t\r\n]")
#: No spreadsheet holds these, and no CSV needs them.
_CONTROL = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f\ufffe\uffff]")


def neutral_cell(value: Any) -> Any:
    """Text that a spreadsheet would run as a formula gets an apostrophe in front; control characters show as U+FFFD.

    Parameters
    ----------
    value
        A cell.

    Returns
    -------
    str or what it was

    Examples
    --------
    >>> neutral_cell("=1+1"), neutral_cell("  @a"), neutral_cell("-"), neutral_cell(-1.5)
    ("'=1+1", "'  @a", '-', -1.5)
    """
    if not isinstance(value, str):
        return value
    found = "'" + value if value != "-" and _FORMULA.match(value) else value
    return _CONTROL.sub("\ufffd", found)


def _neutral(frame: pd.DataFrame) -> pd.DataFrame:
    """The frame with every text neutralised: cells and names of columns."""
    import pandas as pd

    safe = frame.copy()
    for position, column in enumerate(safe.columns):
        if not pd.api.types.is_numeric_dtype(safe.dtypes.iloc[position]):
            safe[column] = pd.Series([neutral_cell(value) for value in safe[column]], index=safe.index, dtype=object)
    safe.columns = pd.Index([neutral_cell(str(name)) for name in safe.columns])
    return safe


def _csv_cell(value: Any) -> Any:
    # A lone carriage return would end the line for some readers.
    value = neutral_cell(value)
    return value.replace("\r\n", "\n").replace("\r", "\n") if isinstance(value, str) else value


def frame_csv(frame: pd.DataFrame | Sequence[Mapping[str, Any]]) -> str:
    """A table as CSV in full precision, its texts neutralised; the index is left out.

    Parameters
    ----------
    frame
        The table, or its rows, which have the same names.

    Returns
    -------
    str

    Examples
    --------
    >>> import pandas as pd
    >>> print(frame_csv(pd.DataFrame({"film": ["=1+1"], "ei": [400]})).strip())
    film,ei
    '=1+1,400
    """
    stream = io.StringIO()
    writer = csv.writer(stream, lineterminator="\n")
    columns = _columns(frame)
    writer.writerow([_csv_cell(name) for name, _ in columns])
    writer.writerows(zip(*(map(_csv_cell, values) for _, values in columns), strict=True))
    return stream.getvalue()


def _columns(frame: pd.DataFrame | Sequence[Mapping[str, Any]]) -> list[tuple[str, list[Any]]]:
    """Names and values of the columns of a table, what is missing as None."""
    if isinstance(frame, Sequence):
        named = [(name, [row[name] for row in frame]) for name in (frame[0] if frame else ())]
        return [(name, [None if value != value else value for value in values]) for name, values in named]
    if not hasattr(frame, "items"):
        raise ArgumentError("frame", frame, "a DataFrame, or a list of rows")
    return [
        (str(name), [None if gone else value for value, gone in zip(values.array, values.isna(), strict=True)])
        for name, values in frame.items()
    ]


def frame_xlsx(frame: pd.DataFrame, *, about: tuple[str, ...] = ()) -> bytes:
    """A table as a spreadsheet: the sheet "table", and what is said about it on the sheet "about".

    Parameters
    ----------
    frame
        The table.
    about
        Sentences.

    Returns
    -------
    bytes

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
    import pandas as pd

    stream = io.BytesIO()
    safe = _neutral(frame)
    with _quiet_when_full(), pd.ExcelWriter(stream, engine="openpyxl") as writer:
        safe.to_excel(writer, sheet_name="table", index=False, freeze_panes=(1, 0))
        sheet = writer.sheets["table"]
        for number, column in enumerate(safe.columns, 1):
            longest = max([len(str(column)), *(len(str(value)) for value in safe[column])])
            sheet.column_dimensions[get_column_letter(number)].width = min(max(longest + 2, 8), 60)
        if about:
            lines = pd.DataFrame({"about this table": [neutral_cell(line) for line in about]})
            lines.to_excel(writer, sheet_name="about", index=False)
            page = writer.sheets["about"]
            page.column_dimensions["A"].width = 100
            for row in range(2, len(about) + 2):
                page[f"A{row}"].alignment = Alignment(wrap_text=True, vertical="top")
    return stream.getvalue()


@contextmanager
def _quiet_when_full() -> Iterator[None]:
    """Let the rest of a spreadsheet go without a word when there is no room for it: openpyxl writes beside first."""
    try:
        yield
    except OSError as error:
        told, sys.unraisablehook = sys.unraisablehook, lambda _: None
        try:
            traceback.clear_frames(error.__traceback__)
            gc.collect()
        finally:
            sys.unraisablehook = told
        raise


def _plain(value: Any) -> Any:
    """JSON has no NaN and no NumPy scalars."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, (list, tuple)):
        return [_plain(item) for item in value]
    if hasattr(value, "isoformat"):
        return value.isoformat()
    if hasattr(value, "tolist"):  # a number or an array of NumPy
        return _plain(value.tolist())
    if isinstance(value, float) and not math.isfinite(value):
        return None
    return value


def json_text(value: Any) -> str:
    """JSON with two spaces of indent; NaN becomes null, a date its ISO 8601 text.

    Parameters
    ----------
    value
        Dictionaries, lists, texts, numbers, arrays, dates.

    Returns
    -------
    str

    Raises
    ------
    ArgumentError
        Anything else in it.

    Examples
    --------
    >>> print(json_text({"ei": float("nan")}))
    {
      "ei": null
    }
    """
    try:
        return json.dumps(_plain(value), indent=2, ensure_ascii=False, allow_nan=False)
    except TypeError as error:
        raise ArgumentError("value", value, "dictionaries, lists, texts, numbers, arrays and dates") from error


# -- Markdown and LaTeX --------------------------------------------------------------------------------------------


def document_markdown(document: Document, pictures: Sequence[str] = ()) -> str:
    """The document as Markdown, to read and to edit; markup in texts is escaped.

    Parameters
    ----------
    document
        What is said.
    pictures
        File names of its pictures, in order; without them their captions stand alone.

    Returns
    -------
    str

    Examples
    --------
    >>> from filmdose.present.tables import table_document
    >>> document_markdown(table_document([400], [0, 100])).startswith("# ")
    True
    """
    files = iter(pictures)
    parts = [f"# {_md(document.title)}"]
    for block in document.blocks:
        name = next(files, None) if isinstance(block, Picture) else None
        if isinstance(block, Picture) and name is not None:
            words = _md(block.words)
            parts.append(f"![{words}]({quote(name)})\n\n{words}")
        else:
            parts.append(_md_block(block))
    return "\n\n".join([*parts, f"_{_md(document.foot)}_"]) + "\n"


def _md(text: str) -> str:
    text = " ".join(text.split())
    for mark in ("\\", "|", "`", "*", "_"):
        text = text.replace(mark, "\\" + mark)
    text = text.replace("](", "]\\(")  # no links
    return text.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;")


def _md_block(block: Block) -> str:
    if isinstance(block, Heading):
        return f"## {_md(block.words)}"
    if isinstance(block, Paragraph):
        words = "\n\n".join(_md(part) for part in block.words.split("\n"))
        return f"**{words}**" if block.bold else words
    if isinstance(block, Plot):
        return f"(Plot, in HTML and PDF: {_md(block.words)})"
    if isinstance(block, Picture):
        return f"(Picture, in HTML and PDF: {_md(block.words)})"
    table = Table(("", ""), block.rows, title=block.title) if isinstance(block, Facts) else block
    rule = ["---:" if place in table.numeric else "---" for place in range(len(table.header))]
    rows = [f"| {' | '.join(cells)} |" for cells in (map(_md, table.header), rule, *(map(_md, r) for r in table.rows))]
    title = [f"### {_md(table.title)}"] if table.title else []
    caption = [_md(table.caption)] if table.caption else []
    return "\n\n".join([*title, "\n".join(rows), *caption])


def document_latex(document: Document) -> str:
    """The document as LaTeX to put into one's own, for the package booktabs; everything is escaped.

    Parameters
    ----------
    document
        What is said.

    Returns
    -------
    str

    Examples
    --------
    >>> from filmdose.present.tables import table_document
    >>> "toprule" in document_latex(table_document([400], [0, 100]))
    True
    """
    return "\n\n".join([rf"\section*{{{_tex(document.title)}}}", *map(_tex_block, document.blocks)]) + "\n"


def _tex(text: str) -> str:
    named = {
        "[": "{[}",
        "\\": r"\textbackslash{}",
        "~": r"\textasciitilde{}",
        "^": r"\textasciicircum{}",
        "µ": r"\textmu{}",
    }
    return " ".join("".join(named.get(c, "\\" + c if c in "&%$#_{}" else c) for c in text).split())


def _tex_block(block: Block) -> str:
    if isinstance(block, Heading):
        return rf"\subsection*{{{_tex(block.words)}}}"
    if isinstance(block, Paragraph):
        words = _tex(block.words)
        return rf"\textbf{{{words}}}" if block.bold else words
    if isinstance(block, Plot):
        return f"(Plot, in HTML and PDF: {_tex(block.words)})"
    if isinstance(block, Picture):
        return f"(Picture, in HTML and PDF: {_tex(block.words)})"
    table = Table(("", ""), block.rows, title=block.title) if isinstance(block, Facts) else block
    columns = "".join("r" if place in table.numeric else "l" for place in range(len(table.header)))
    head = [" & ".join(map(_tex, table.header)) + r" \\", r"\midrule"] if any(table.header) else []
    words = " ".join(_tex(words) for words in (table.title, table.caption) if words)
    return "\n".join(
        [
            r"\begin{table}[htbp]",
            *([rf"\caption{{{words}}}"] if words else []),
            rf"\begin{{tabular}}{{{columns}}}",
            r"\toprule",
            *head,
            *(" & ".join(map(_tex, row)) + r" \\" for row in table.rows),
            r"\bottomrule",
            r"\end{tabular}",
            r"\end{table}",
        ]
    )


hold_to_annotations(globals())
