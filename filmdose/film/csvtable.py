"""Tables of numbers as CSV: delimiter, decimal mark, header and encoding are found; faults are named with their place.

Column names that are understood (upper or lower case, with blanks, hyphens or underscores, and with a unit in
brackets behind them):

==================  ====================================================================
meaning             names
==================  ====================================================================
log10 exposure      log_exposure, log_h, log_e, relative_log_exposure
density             density, visual, d_vis, density_visual
records of colour   red, green, blue; d_red ...; density_red ...
standard deviation  sigma, density_sigma, standard_deviation, sd
==================  ====================================================================

Numbers survive writing and reading without the loss of a bit.
"""

from __future__ import annotations

import csv
import io
import itertools
import re
import warnings
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from filmdose.errors import (
    ArgumentError,
    InputFileError,
    UnknownNameError,
    go_on_or_raise,
    name_list,
    shown,
    stop_at_faults,
)
from filmdose.files import read_bytes, write_text_atomic

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "TableText",
    "canonical_name",
    "parse_csv",
    "parse_numbers",
    "read_any_text",
    "read_csv_table",
    "write_csv_table",
]

_NAMES = {
    "log_exposure": ("log_exposure", "log_h", "logh", "log_e", "loge", "relative_log_exposure", "rel_log_exposure"),
    "visual": ("density", "visual", "d_vis", "density_visual", "d", "dens"),
    "red": ("red", "d_red", "density_red"),
    "green": ("green", "d_green", "density_green"),
    "blue": ("blue", "d_blue", "density_blue"),
    "sigma": ("sigma", "density_sigma", "sigma_density", "standard_deviation", "sd", "d_sigma"),
}
_CANONICAL = {name: canonical for canonical, names in _NAMES.items() for name in names}
_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?", re.ASCII)
_NOT_KNOWN = ("", "nan", "NaN", "NAN")


def read_csv_table(
    path: str | Path,
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    header: bool | None = None,
    columns: Sequence[str] | None = None,
) -> pd.DataFrame:
    """Table of a CSV file; delimiter, decimal mark and header are found when not stated.

    Parameters
    ----------
    path
        The file; lines that begin with # and blank lines are skipped.
    delimiter
        One character, or " " for any run of blanks; found among ; tab , and blanks.
    decimal
        "." or ","; found from the numbers.
    header
        True when the first line has names; found by whether it has numbers only.
    columns
        Names of the columns, instead of those of the header.

    Returns
    -------
    DataFrame with the names as written; columns of numbers are floats or integers.

    Raises
    ------
    InputFileError
        With file, line, column and value.
    """
    table, text = parse_csv(path, read_any_text(path), delimiter, decimal, header, columns)
    for name in table.columns:
        if canonical_name(str(name)) != str(name) or str(name) in _NAMES:
            text.refuse_text(table[name], str(name))
    stop_at_faults()
    return table


def write_csv_table(table: pd.DataFrame, path: str | Path, *, delimiter: str = ",", decimal: str = ".") -> Path:
    """Write a table as CSV; every float is written with the digits that give it back exactly.

    Raises
    ------
    ArgumentError
        Decimal comma together with comma as delimiter.
    OutputFileError
        The place cannot be written to.
    """
    if delimiter == decimal:
        raise ArgumentError("decimal", decimal, "another character than the delimiter", "Use ; as delimiter.")
    return write_text_atomic(path, table.to_csv(index=False, sep=delimiter, decimal=decimal, lineterminator="\n"))


def parse_csv(
    path: str | Path,
    text: str,
    delimiter: str | None = None,
    decimal: str | None = None,
    header: bool | None = None,
    columns: Sequence[str] | None = None,
) -> tuple[pd.DataFrame, TableText]:
    """Table of a CSV text, and where its rows stand; see :func:`read_csv_table`."""
    if decimal not in (None, ".", ","):
        raise UnknownNameError("decimal", decimal, (".", ","))
    if delimiter is not None and len(delimiter) != 1:
        raise ArgumentError("delimiter", delimiter, "one character")
    numbered = list(itertools.islice(_content_lines(text), 40))
    if not numbered:
        raise InputFileError(path, "", "the file is empty.", "Give a header line and one line for each step.")
    sample = [line for _, line in numbered]
    mark = delimiter or _find_delimiter(sample)
    point = decimal or _find_decimal(sample, mark)
    if point == mark:
        raise ArgumentError("decimal", point, "another character than the delimiter", "Use ; as delimiter.")
    first = _split(sample[0], mark)
    named = not all(_NUMBER.fullmatch(cell.strip()) for cell in first) if header is None else header
    if columns is not None:
        names = [str(name) for name in columns]
    elif named:
        names = [cell.strip() for cell in first]
    else:
        names = _default_names(path, numbered[0][0], len(first))
    if len(set(map(_normal, names))) < len(names):
        raise InputFileError(path, f"line {numbered[0][0]}", f"a column name is there twice: {name_list(names)}.")
    first_row = 1 if named else 0
    if len(numbered) <= first_row:
        raise InputFileError(path, f"line {numbered[0][0]}", "there is a header and no reading.")
    first_line, line = numbered[first_row]
    width = len(_split(line, mark))
    if width != len(names):
        hint = " A decimal comma needs another delimiter, such as ;." if mark == "," and width > len(names) else ""
        problem = f"{width} values under {len(names)} columns ({name_list(names)}).{hint}"
        raise InputFileError(path, f"line {first_line}", problem)
    rows = TableText(path=path, text=text, first=first_line, headings=tuple(names), delimiter=mark)
    return parse_numbers(rows, "\n".join(text.split("\n", first_line - 1)[first_line - 1 :]), decimal=point), rows


def parse_numbers(rows: TableText, body: str, *, decimal: str = ".", text_columns: Sequence[str] = ()) -> pd.DataFrame:
    """Numbers of the lines of a table, exact to the last bit; lines with too few or too many values are refused."""
    import pandas as pd

    numbers = [name for name in rows.headings if name not in text_columns]
    # From pandas 3.1 every float is read exactly, and asking for it is deprecated.
    exact = tuple(map(int, pd.__version__.split(".")[:2])) >= (3, 1)
    kept: dict[str, Any] = {} if exact else {"float_precision": "round_trip"}
    body = "\n".join(line for line in body.split("\n") if not line.startswith("#")) if "#" in body else body
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what pandas warns about is refused below, with its place
            table: pd.DataFrame = pd.read_csv(
                io.BytesIO(body.encode()),
                sep=r"\s+" if rows.delimiter == " " else rows.delimiter,
                decimal=decimal,
                header=None,
                names=list(rows.headings),
                index_col=False,
                skipinitialspace=True,
                low_memory=False,
                **kept,
                keep_default_na=False,
                na_values={name: list(_NOT_KNOWN) for name in numbers},
                dtype=dict.fromkeys(text_columns, str),
            )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, UnicodeError, ValueError, OverflowError) as error:
        rows.refuse_ragged()
        raise InputFileError(rows.path, f"line {rows.first}", f"the data cannot be read ({error}).") from error
    if table.isna().any(axis=None) or not _even(body, rows.delimiter, table.shape):
        # Short rows come back padded with missing values: tell them from cells left empty.
        rows.refuse_ragged()
    return table


def _content_lines(text: str) -> Iterator[tuple[int, str]]:
    """Number and text of every line that is neither blank nor a comment."""
    for number, line in enumerate(io.StringIO(text), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            yield number, line.rstrip("\n")


def _find_delimiter(sample: list[str]) -> str:
    for mark in (";", "\t"):
        if all(mark in line for line in sample):
            return mark
    in_blanks = [line.split() for line in sample[1:] or sample]
    if len(in_blanks[0]) > 1 and all(
        len(cells) == len(in_blanks[0]) and all(_NUMBER.fullmatch(cell) for cell in cells) for cells in in_blanks
    ):
        return " "
    return "," if any("," in line for line in sample) else " "


def _find_decimal(sample: list[str], delimiter: str) -> str:
    if delimiter == ",":
        return "."
    cells = [cell.strip() for line in sample for cell in _split(line, delimiter)]
    numbers = [cell for cell in cells if _NUMBER.fullmatch(cell)]
    return "," if any("," in cell for cell in numbers) and not any("." in cell for cell in numbers) else "."


def _split(line: str, delimiter: str) -> list[str]:
    if delimiter == " ":
        line = re.sub(r"\s+", " ", line.strip())
    try:
        return next(csv.reader([line], delimiter=delimiter, skipinitialspace=delimiter != " "))
    except csv.Error:  # a field beyond the reader's limit, or a carriage return in the middle
        return line.split(delimiter)


def _default_names(path: str | Path, line: int, count: int) -> list[str]:
    names = {2: ["log_exposure", "density"], 4: ["log_exposure", "density_red", "density_green", "density_blue"]}
    if count not in names:
        raise InputFileError(
            path,
            f"line {line}",
            f"{count} columns without names.",
            "Name them in a first line, such as: log_exposure,density",
        )
    return names[count]


def _even(body: str, delimiter: str, shape: tuple[int, ...]) -> bool:
    """True when the count of cells fits the shape of the table that was read."""
    rows, width = shape
    if delimiter == " ":
        return len(body.split()) == rows * width
    return body.count(delimiter) == rows * (width - 1)


@dataclass(frozen=True, kw_only=True)
class TableText:
    """Text of a table and where in the file its rows stand, for error messages."""

    path: str | Path
    text: str
    first: int
    headings: tuple[str, ...]
    delimiter: str

    def number(self, row: int) -> int:
        """Line of the file on which row ``row`` (from 0) of the data stands."""
        return next(itertools.islice((number for number, _ in self._lines()), row, None), self.first + row)

    def _lines(self) -> Iterator[tuple[int, str]]:
        return ((number, line) for number, line in _content_lines(self.text) if number >= self.first)

    def place(self, row: int, column: str) -> str:
        """Line and column for a message; the column as the file names it, and its number."""
        for position, heading in enumerate(self.headings, start=1):
            if column in (heading, canonical_name(heading)):
                return f"line {self.number(row)}, column {position} ({shown(heading)})"
        return f"line {self.number(row)}, column {shown(column)}"

    def refuse_text(self, values: pd.Series, column: str) -> None:
        """Raise for the first value of a column that is not a number."""
        if values.dtype.kind in "fiu":
            return
        for row, value in enumerate(values):
            cell = "" if value is None or value != value else str(value).strip()
            if cell in _NOT_KNOWN or re.fullmatch(_NUMBER.pattern.replace("[.,]", r"\."), cell, re.ASCII):
                continue
            if re.fullmatch(_NUMBER, cell):
                action = "The file has decimal commas among decimal points; use one of them."
            elif unit := re.fullmatch(rf"({_NUMBER.pattern})\s*([^\d\s].*)", cell):
                action = f"Put the unit {shown(unit[4])} into the column name."
            else:
                action = "Leave the cell empty when there is no reading."
            problem = f"{shown(cell)} is not a number."
            go_on_or_raise(InputFileError(self.path, self.place(row, column), problem, action))

    def refuse_ragged(self) -> None:
        """Raise for the first line that has more or fewer values than there are columns."""
        width = len(self.headings)
        for number, line in self._lines():
            if line.count(self.delimiter) == width - 1 and self.delimiter != " ":
                continue
            count = len(_split(line, self.delimiter))
            if count != width:
                problem = f"{count} values where {width} columns are named: {shown(line.strip())}."
                action = "Give every line the same number of values."
                go_on_or_raise(InputFileError(self.path, f"line {number}", problem, action))
        stop_at_faults()


def canonical_name(name: str) -> str:
    """What a column means: log_exposure, visual, red, green, blue or sigma; else the name as it is."""
    return _CANONICAL.get(_normal(name), name)


def _normal(name: str) -> str:
    """Column name without unit, case and separators: "Log H [lx s]" is "log_h"."""
    return re.sub(r"[\s\-.]+", "_", re.sub(r"[\[(].*$", "", name).strip()).lower()


def read_any_text(path: str | Path) -> str:
    """Text of a file in UTF-8, UTF-16 or the usual Western encoding, with line ends as in Python."""
    content = read_bytes(path)
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            text = content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" in text:
            break
        return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
    raise InputFileError(path, "", "this is not a text file.", "Export the readings as CSV or CGATS text.")
