"""ISO 28178 (CGATS.17) text: tables of measurements with keywords, read and written."""

from __future__ import annotations

import csv
import re
import warnings
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError, InputFileError, ValidityWarning, shown, shown_path
from filmdose.files import write_text_atomic
from filmdose.film.csvtable import TableText, parse_numbers, read_any_text
from filmdose.result import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CGATS_FIELDS", "CgatsTable", "is_cgats", "parse_cgats", "read_cgats", "write_cgats"]

#: Fields of the columns of step readings.
CGATS_FIELDS = {
    "log_exposure": "LOG_H",
    "visual": "D_VIS",
    "red": "D_RED",
    "green": "D_GREEN",
    "blue": "D_BLUE",
    "sigma": "D_SIGMA",
}
#: Fields and keywords of ours that the standard does not know; it wants them declared.
_PRIVATE_FIELDS = ("LOG_H", "D_SIGMA")
_PRIVATE_KEYWORDS = ("DENSITY_STATUS",)
_TEXT_FIELDS = ("SAMPLE_ID", "SAMPLE_NAME", "STRING")
_STANDARD_KEYWORDS = re.findall(
    r"\w+",
    "ORIGINATOR FILE_DESCRIPTOR CREATED DESCRIPTOR DIFFUSE_GEOMETRY MANUFACTURER PROD_DATE SERIAL MATERIAL "
    "INSTRUMENTATION MEASUREMENT_SOURCE MEASUREMENT_GEOMETRY PRINT_CONDITIONS SAMPLE_BACKING FILTER POLARIZATION "
    "WEIGHTING_FUNCTION COMPUTATIONAL_PARAMETER TABLE_DESCRIPTOR TABLE_NAME",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class CgatsTable(Result):
    """One table of an ISO 28178 (CGATS.17) text file.

    Parameters
    ----------
    table
        The data, one column a field, named as in the file (LOG_H, D_RED, D_VIS, ...).
    keywords
        Header keywords and their values, both text.
    signature
        First line of the file, such as "CGATS.17".
    text
        Where its rows stand; None for a table that is not from a file.
    """

    table: pd.DataFrame
    keywords: Mapping[str, str] = field(default_factory=dict)
    signature: str = "CGATS.17"
    text: TableText | None = None

    def to_dataframe(self) -> pd.DataFrame:
        """The data; a copy of ``table``."""
        return self.table.copy()


def read_cgats(path: str | Path, *, table: int = 1) -> CgatsTable:
    """One table of an ISO 28178 (CGATS.17) text file.

    Parameters
    ----------
    path
        The file.
    table
        Which one, when there are several; the first is 1.

    Returns
    -------
    CgatsTable

    Raises
    ------
    InputFileError
        With file, line, column and value.

    Warns
    -----
    ValidityWarning
        A private field that the file does not declare by KEYWORD.

    References
    ----------
    iso_28178
    """
    text = read_any_text(path)
    if text.lstrip().startswith("<"):
        raise InputFileError(path, "line 1", "this is the XML form of ISO 28178.", "Export the text form.")
    return parse_cgats(path, text, table)


def write_cgats(cgats: CgatsTable, path: str | Path) -> Path:
    """Write a table as ISO 28178 (CGATS.17) text; private fields and keywords are declared.

    Parameters
    ----------
    cgats
        What to write.
    path
        Where to; an existing file is replaced in one step.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ArgumentError
        A field name or a keyword that the format cannot carry.
    OutputFileError
        The place cannot be written to.

    References
    ----------
    iso_28178
    """
    table = cgats.table
    for name in [*table.columns, *cgats.keywords]:
        if not re.fullmatch(r"[A-Za-z_][^\s\"#]*", str(name)):
            raise ArgumentError("keywords", name, "a name of one word without blanks or quotes")
    lines = [cgats.signature]
    private = [name for name in table.columns if name in _PRIVATE_FIELDS]
    private += [name for name in cgats.keywords if name in _PRIVATE_KEYWORDS or name not in _STANDARD_KEYWORDS]
    lines += [f'KEYWORD "{name}"' for name in private]
    for name, value in cgats.keywords.items():
        if "\n" in value:
            raise ArgumentError("keywords", value, "text of one line")
        quoted = value.replace('"', '""')
        lines.append(f'{name} "{quoted}"')
    lines += [f"NUMBER_OF_FIELDS {table.shape[1]}", "BEGIN_DATA_FORMAT", " ".join(table.columns), "END_DATA_FORMAT"]
    lines += [f"NUMBER_OF_SETS {table.shape[0]}", "BEGIN_DATA"]
    data = table.to_csv(
        index=False, header=False, sep=" ", na_rep="NaN", quoting=csv.QUOTE_NONNUMERIC, lineterminator="\n"
    )
    # Missing numbers are quoted by the writer as if they were text.
    data = data.replace('"NaN"', "NaN")
    return write_text_atomic(path, "\n".join(lines) + "\n" + data + "END_DATA\n")


def is_cgats(text: str) -> bool:
    """True for a text that looks like CGATS.

    Parameters
    ----------
    text
        Start of a file.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_cgats("CGATS.17"), is_cgats("log_exposure,density")
    (True, False)
    """
    start = text.lstrip()[:200].upper()
    return start.startswith(("CGATS", "ISO28178", "ISO 28178")) or "BEGIN_DATA_FORMAT" in text[:20000]


def parse_cgats(path: str | Path, text: str, wanted: int = 1) -> CgatsTable:
    """One table of a CGATS text; see :func:`read_cgats`.

    Parameters
    ----------
    path
        Name for messages.
    text
        The whole file.
    wanted
        Which table [from 1].

    Returns
    -------
    CgatsTable

    Raises
    ------
    InputFileError
        As of :func:`read_cgats`.
    """
    keywords: dict[str, str] = {}
    fields: list[str] = []
    declared: set[str] = set()
    signature = ""
    in_format = False
    position, number, found = 0, 0, 0
    while position < len(text):
        end = text.find("\n", position)
        end = len(text) if end < 0 else end
        line = text[position:end].strip()
        position, number = end + 1, number + 1
        if not line or line.startswith("#"):
            continue
        word = line.split()[0].upper()
        if not signature:
            signature = line
        elif word == "BEGIN_DATA_FORMAT":
            fields, in_format = [], True
        elif word == "END_DATA_FORMAT":
            in_format = False
        elif in_format:
            fields += line.split()
        elif word == "BEGIN_DATA":
            stop = re.compile(r"^[ \t]*END_DATA[ \t]*\r?$", re.MULTILINE).search(text, position)
            if stop is None:
                raise InputFileError(path, f"line {number}", "BEGIN_DATA without END_DATA.", "The file seems cut off.")
            found += 1
            if found == wanted:
                return _cgats_table(
                    path, text[position : stop.start()], number + 1, fields, keywords, declared, signature
                )
            number += text.count("\n", position, stop.end()) + 1
            position = stop.end() + 1
        elif word == "KEYWORD":
            declared.add(line.split(None, 1)[1].strip().strip('"') if len(line.split()) > 1 else "")
        else:
            parts = line.split(None, 1)
            value = parts[1].strip() if len(parts) > 1 else ""
            if value.startswith('"') != value.endswith('"') or value == '"':
                raise InputFileError(path, f"line {number}", f"a quote is not closed: {shown(line)}.")
            quoted = len(value) > 1 and value.startswith('"')
            keywords[parts[0]] = value[1:-1].replace('""', '"') if quoted else value
    raise InputFileError(
        path, "", f"table {wanted} is not there; the file has {found}.", "Look for BEGIN_DATA and END_DATA."
    )


def _cgats_table(
    path: str | Path,
    block: str,
    first_line: int,
    fields: list[str],
    keywords: dict[str, str],
    declared: set[str],
    signature: str,
) -> CgatsTable:
    if not fields:
        raise InputFileError(path, f"line {first_line - 1}", "no fields are named before the data (BEGIN_DATA_FORMAT).")
    if len(set(fields)) < len(fields):
        raise InputFileError(
            path, f"line {first_line - 1}", "a field is named twice.", "Give every field its own name."
        )
    undeclared = [name for name in fields if name in _PRIVATE_FIELDS and name not in declared]
    if undeclared:
        warnings.warn(
            f"{shown_path(path)}: the field {undeclared[0]} is private and not declared; the standard wants a line "
            f'KEYWORD "{undeclared[0]}".',
            ValidityWarning,
            stacklevel=4,
        )
    rows = TableText(
        path=path, text="\n" * (first_line - 1) + block, first=first_line, headings=tuple(fields), delimiter=" "
    )
    table = parse_numbers(rows, block, text_columns=[name for name in fields if name in _TEXT_FIELDS])
    stated = keywords.pop("NUMBER_OF_FIELDS", str(len(fields)))
    if stated != str(len(fields)):
        raise InputFileError(
            path, "keyword NUMBER_OF_FIELDS", f"{shown(stated)} fields are stated and {len(fields)} named."
        )
    stated = keywords.pop("NUMBER_OF_SETS", str(len(table)))
    if stated != str(len(table)):
        raise InputFileError(path, "keyword NUMBER_OF_SETS", f"{shown(stated)} sets are stated and {len(table)} found.")
    for name in fields:
        if name in CGATS_FIELDS.values():
            rows.refuse_text(table[name], name)
    return CgatsTable(table=table, keywords=keywords, signature=signature, text=rows)


hold_to_annotations(globals())
