"""Step-tablet readings on file: CSV and ISO 28178 / CGATS.17 text, read and written.

Column names that are understood (upper or lower case, with blanks, hyphens or
underscores, and with a unit in brackets behind them):

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
import re
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

import numpy as np
import pandas as pd

from filmdose.arrays import FloatArray, check_array, check_count, check_number
from filmdose.errors import ArgumentError, InputFileError, UnknownNameError, ValidityWarning
from filmdose.files import write_text_atomic

__all__ = [
    "RECORDS",
    "CgatsTable",
    "StepReadings",
    "read_cgats",
    "read_csv_table",
    "read_steps",
    "tablet_log_exposures",
    "write_cgats",
    "write_csv_table",
    "write_steps",
]

#: Records that a densitometer reads: one visual, or the three of a colour film.
RECORDS = ("visual", "red", "green", "blue")

#: A densitometer set to zero on the open gate reads this much below zero at most [density; common practice, no source].
LEAST_DENSITY = -0.02

#: No film or paper is denser: larger numbers are hundredths, per cent or another quantity.
GREATEST_DENSITY = 6.0

#: Log10 exposures lie within this distance of zero, absolute or relative.
GREATEST_LOG_EXPOSURE = 12.0

_NAMES = {
    "log_exposure": ("log_exposure", "log_h", "logh", "log_e", "loge", "relative_log_exposure", "rel_log_exposure"),
    "visual": ("density", "visual", "d_vis", "density_visual", "d", "dens"),
    "red": ("red", "d_red", "density_red"),
    "green": ("green", "d_green", "density_green"),
    "blue": ("blue", "d_blue", "density_blue"),
    "sigma": ("sigma", "density_sigma", "sigma_density", "standard_deviation", "sd", "d_sigma"),
}
_CANONICAL = {name: canonical for canonical, names in _NAMES.items() for name in names}
_CGATS_FIELDS = {
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
_STATUSES = ("visual", "A", "M", "")
_NUMBER = re.compile(r"[+-]?(\d+[.,]?\d*|[.,]\d+)([eE][+-]?\d+)?")
#: From pandas 3.1 every float is read exactly, and asking for it is deprecated.
_EXACT_FLOATS: dict[str, Any] = (
    {} if tuple(int(n) for n in pd.__version__.split(".")[:2]) >= (3, 1) else {"float_precision": "round_trip"}
)
_NOT_KNOWN = ("", "nan", "NaN", "NAN")


# -- readings ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class StepReadings:
    """Densities of one developed step tablet.

    Parameters
    ----------
    log_exposure
        Log10 exposure of each reading [log10 lx s], or relative to an unknown one; repeats are allowed.
    densities
        Readings by record: "visual", or "red", "green" and "blue"; all of the length of ``log_exposure``.
    sigma
        Standard deviation of each reading [density; above 0]; None when not known.
    status
        Kind of density: "visual", "A", "M", or "" when not stated.
    keywords
        Whatever else the file said in its header, by keyword.
    unread_steps
        Steps of the file that had no density.

    Raises
    ------
    ArgumentError
        Lengths that differ, values that are not finite, an unknown record or status.
    """

    log_exposure: FloatArray
    densities: Mapping[str, FloatArray]
    sigma: FloatArray | None = None
    status: str = ""
    keywords: Mapping[str, str] = field(default_factory=dict)
    unread_steps: int = 0

    def __post_init__(self) -> None:
        x = check_array("log_exposure", self.log_exposure, nan_allowed=False)
        if x.ndim != 1 or x.size == 0:
            raise ArgumentError("log_exposure", x.shape, "one number for each of at least one step")
        if not self.densities:
            raise ArgumentError("densities", {}, "readings of at least one record")
        checked = {}
        for record, values in self.densities.items():
            if record not in RECORDS:
                raise UnknownNameError("densities", record, RECORDS)
            density = check_array(f"density of {record}", values, nan_allowed=False)
            if density.shape != x.shape:
                raise ArgumentError(f"density of {record}", density.shape, f"{x.size} readings, one for each step")
            checked[record] = density
        if self.sigma is not None:
            sigma = check_array("sigma", self.sigma, low=0.0, low_open=True, unit="density", nan_allowed=False)
            if sigma.shape != x.shape:
                raise ArgumentError("sigma", sigma.shape, f"{x.size} values, one for each step")
            object.__setattr__(self, "sigma", sigma)
        if self.status not in _STATUSES:
            raise UnknownNameError("status", self.status, _STATUSES)
        object.__setattr__(self, "log_exposure", x)
        object.__setattr__(self, "densities", checked)
        object.__setattr__(self, "keywords", dict(self.keywords))

    @property
    def records(self) -> tuple[str, ...]:
        """Names of the records that were read."""
        return tuple(self.densities)

    def to_frame(self) -> pd.DataFrame:
        """Tidy table with columns log_exposure, one density column a record, and sigma when known."""
        names = {"visual": "density", "red": "density_red", "green": "density_green", "blue": "density_blue"}
        columns = {"log_exposure": self.log_exposure} | {names[r]: d for r, d in self.densities.items()}
        return pd.DataFrame(columns if self.sigma is None else columns | {"sigma": self.sigma})


def tablet_log_exposures(steps: int = 21, increment: float = 0.15, *, clear_log_exposure: float = 0.0) -> FloatArray:
    """Log10 exposures under an evenly stepped tablet, from its densest step to its clearest.

    Parameters
    ----------
    steps
        Number of steps [at least 2].
    increment
        Density from step to step [above 0]; 0.15 is half a stop.
    clear_log_exposure
        Log10 exposure under the clearest step [log10 lx s]; 0 when it is not known.

    Examples
    --------
    >>> tablet_log_exposures(3, 0.30, clear_log_exposure=-1.0).tolist()
    [-1.6, -1.3, -1.0]
    """
    count = check_count("steps", steps, low=2, high=10_000)
    each = check_number("increment", increment, low=0.0, low_open=True, unit="density")
    clear = check_number("clear_log_exposure", clear_log_exposure, unit="log10 lx s")
    # no tablet is known to more than a millionth, and -3.75 reads better than -3.7499999999999996
    return np.round(clear - each * np.arange(count - 1, -1, -1), 9)


def read_steps(
    path: str | Path,
    *,
    delimiter: str | None = None,
    decimal: str | None = None,
    header: bool | None = None,
    columns: Sequence[str] | None = None,
) -> StepReadings:
    """Step-tablet readings from a CSV or a CGATS text file.

    Parameters
    ----------
    path
        The file.  One that starts with CGATS or ISO28178 is read as such, any other as CSV.
    delimiter, decimal, header, columns
        As of :func:`read_csv_table`.

    Returns
    -------
    The readings; a step without a density is left out and counted.

    Raises
    ------
    InputFileError
        With file, line, column and value: a text among the numbers, columns that are
        missing or swapped, densities that are negative or in another unit.
    """
    text = _read_text(path)
    if _is_cgats(text):
        cgats = _parse_cgats(path, text, 1)
        table, keywords = cgats.table, cgats.keywords
        lines = _Lines(path, text, cgats.first_line, tuple(table.columns))
    else:
        table = _parse_csv(path, text, delimiter, decimal, header, columns)
        keywords = {}
        lines = _Lines(path, text, table.attrs["first_line"], tuple(map(str, table.columns)))
    table = _canonical_columns(path, table)
    records = [r for r in RECORDS if r in table]
    if "log_exposure" not in table or not records:
        missing = "log_exposure" if "log_exposure" not in table else "density"
        raise InputFileError(
            path,
            f"line {lines.first - 1}" if lines.first > 1 else "line 1",
            f"no column {missing!r}; the columns are {', '.join(map(str, table.columns))}.",
            "Name them log_exposure and density (or density_red, density_green, density_blue).",
        )
    wanted = ["log_exposure", *records, *(["sigma"] if "sigma" in table else [])]
    for name in wanted:
        if table[name].dtype.kind not in "fiu":
            lines.refuse_text(table[name], name)
    values = table[wanted].astype(np.float64)
    read = ~values[records].isna().any(axis=1)
    nowhere = read & values[wanted].isna().any(axis=1)
    if nowhere.any():
        row = int(np.flatnonzero(nowhere)[0])
        name = next(n for n in wanted if np.isnan(values[n].iloc[row]))
        raise InputFileError(path, lines.place(row, name), "the value is missing.", "Fill it in or leave the row out.")
    _check_quantities(values, records, lines)
    kept = values[read]
    if kept.empty:
        raise InputFileError(path, "", "no step has a density.", "Give at least one reading.")
    return StepReadings(
        log_exposure=kept["log_exposure"].to_numpy(),
        densities={r: kept[r].to_numpy() for r in records},
        sigma=kept["sigma"].to_numpy() if "sigma" in kept else None,
        status=_status(keywords, path),
        keywords=keywords,
        unread_steps=int((~read).sum()),
    )


def write_steps(readings: StepReadings, path: str | Path, *, file_format: Literal["csv", "cgats"] = "csv") -> Path:
    """Write readings so that :func:`read_steps` gives back the same numbers.

    Parameters
    ----------
    readings
        What to write.
    path
        Where to; an existing file is replaced in one step.
    file_format
        "csv", or "cgats" for ISO 28178 text, which also keeps status and keywords.

    Raises
    ------
    OutputFileError
        The place cannot be written to.
    """
    if file_format == "csv":
        return write_csv_table(readings.to_frame(), path)
    if file_format != "cgats":
        raise UnknownNameError("file_format", file_format, ("csv", "cgats"))
    table = pd.DataFrame({"SAMPLE_ID": [str(n) for n in range(1, readings.log_exposure.size + 1)]})
    table["LOG_H"] = readings.log_exposure
    for record, density in readings.densities.items():
        table[_CGATS_FIELDS[record]] = density
    if readings.sigma is not None:
        table["D_SIGMA"] = readings.sigma
    keywords = dict(readings.keywords)
    if readings.status:
        keywords["DENSITY_STATUS"] = readings.status
    return write_cgats(CgatsTable(table=table, keywords=keywords), path)


def _status(keywords: Mapping[str, str], path: str | Path) -> str:
    for keyword in ("DENSITY_STATUS", "STATUS", "FILTER_STATUS", "FILTER"):
        if keyword in keywords:
            word = re.sub(r"(?i)^(iso[ _]?)?status[ _]*", "", keywords[keyword].strip()).strip()
            for status in ("visual", "A", "M"):
                if word.lower() == status.lower():
                    return status
            raise InputFileError(
                path,
                f"keyword {keyword}",
                f"the density status {keywords[keyword]!r} is not one of visual, status A, status M.",
                "Film is read in status M (negatives), status A (slides) or visual density.",
            )
    return ""


def _check_quantities(values: pd.DataFrame, records: list[str], lines: _Lines) -> None:
    """Refuse what cannot be log10 exposure or density, and say what it looks like instead."""
    x = values["log_exposure"].to_numpy()
    for record in records:
        d = values[record].to_numpy()
        if _look_swapped(x, d):
            raise InputFileError(
                lines.path,
                lines.place(0, record),
                f"the columns log_exposure and {record} look swapped: the density column has the even steps or the "
                "negative numbers of a log exposure.",
                "Swap the two column names.",
            )
        with np.errstate(invalid="ignore"):
            negative, huge = np.flatnonzero(d < LEAST_DENSITY), np.flatnonzero(d > GREATEST_DENSITY)
        if negative.size:
            raise InputFileError(
                lines.path,
                lines.place(int(negative[0]), record),
                f"the density is {d[negative[0]]:g}; it cannot be below {LEAST_DENSITY:g}.",
                "Set the densitometer to zero without film, or give densities with the base included.",
            )
        if huge.size:
            mixed = huge.size < np.count_nonzero(~np.isnan(d))
            raise InputFileError(
                lines.path,
                lines.place(int(huge[0]), record),
                f"the density is {d[huge[0]]:g}; none is above {GREATEST_DENSITY:g}. "
                + ("The column mixes units, or a decimal point is missing." if mixed else "It looks like hundredths."),
                "Give density as a number such as 0.35.",
            )
    with np.errstate(invalid="ignore"):
        far = np.flatnonzero(np.abs(x) > GREATEST_LOG_EXPOSURE)
    linear = _look_linear(x)
    if far.size or linear:
        row = int(far[0]) if far.size else 0
        looks = "The column looks like exposure in lux seconds, not its logarithm." if linear else "Check its unit."
        raise InputFileError(
            lines.path,
            lines.place(row, "log_exposure"),
            f"the log10 exposure is {x[row]:g}; it lies between -12 and 12. {looks}",
            "Give log10 of the exposure in lux seconds, or relative to an unknown one.",
        )


def _look_linear(x: FloatArray) -> bool:
    """True for exposures that stand for themselves: all positive, and far apart or in even ratios."""
    x = x[~np.isnan(x)]
    if x.size < 4 or x.min() <= 0.0 or _evenly_spaced(x):
        return False
    return bool(x.max() > GREATEST_LOG_EXPOSURE) or _evenly_spaced(np.log(x), 0.02)


def _look_swapped(x: FloatArray, d: FloatArray) -> bool:
    """True when the density column has the marks of a log exposure and the other has not."""
    known = ~(np.isnan(x) | np.isnan(d))
    x, d = x[known], d[known]
    if x.size < 4:
        return False
    x_is_density = x.min() >= LEAST_DENSITY and x.max() <= GREATEST_DENSITY
    if not x_is_density:
        return False
    if d.min() < -0.1:
        return True
    return _evenly_spaced(d) and not _evenly_spaced(x)


def _evenly_spaced(values: FloatArray, tolerance: float = 1e-3) -> bool:
    steps = np.diff(np.sort(values))
    return bool(steps.max() > 0.0 and np.ptp(steps) < 1e-6 + tolerance * steps.max())


# -- CSV -----------------------------------------------------------------------------------------------------


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
    table = _parse_csv(path, _read_text(path), delimiter, decimal, header, columns)
    for name in table.columns:
        if _CANONICAL.get(_normal(str(name))) is not None and table[name].dtype.kind not in "fiu":
            headings = tuple(map(str, table.columns))
            _Lines(path, _read_text(path), table.attrs["first_line"], headings).refuse_text(table[name], str(name))
    table.attrs.clear()
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


def _parse_csv(
    path: str | Path,
    text: str,
    delimiter: str | None,
    decimal: str | None,
    header: bool | None,
    columns: Sequence[str] | None,
) -> pd.DataFrame:
    if decimal not in (None, ".", ","):
        raise UnknownNameError("decimal", decimal, (".", ","))
    if delimiter is not None and len(delimiter) != 1:
        raise ArgumentError("delimiter", delimiter, "one character")
    numbered = _first_lines(text, 40)
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
        raise InputFileError(path, f"line {numbered[0][0]}", f"a column name is there twice: {', '.join(names)}.")
    first_row = 1 if named else 0
    if len(numbered) <= first_row:
        raise InputFileError(path, f"line {numbered[0][0]}", "there is a header and no reading.")
    first_line = numbered[first_row][0]
    body = _without_comments("\n".join(text.split("\n", first_line - 1)[first_line - 1 :]))
    width = len(_split(numbered[first_row][1], mark))
    if width != len(names):
        hint = " A decimal comma needs another delimiter, such as ;." if mark == "," and width > len(names) else ""
        raise InputFileError(
            path, f"line {first_line}", f"{width} values under {len(names)} columns ({', '.join(names)}).{hint}"
        )
    try:
        table: pd.DataFrame = pd.read_csv(
            io.BytesIO(body.encode()),
            sep=r"\s+" if mark == " " else mark,
            decimal=point,
            header=None,
            names=names,
            index_col=False,
            skipinitialspace=True,
            **_EXACT_FLOATS,
            keep_default_na=False,
            na_values=list(_NOT_KNOWN),
            skip_blank_lines=True,
        )
    except (pd.errors.ParserError, UnicodeError, ValueError) as error:
        _refuse_ragged(path, text, first_line, mark, len(names))
        raise InputFileError(path, "", f"it cannot be read as a table ({error}).") from error
    if table.isna().any(axis=None) or not _even(body, mark, table.shape):
        # Short rows come back padded with missing values: tell them from cells left empty.
        _refuse_ragged(path, text, first_line, mark, len(names))
    table.attrs["first_line"] = first_line
    table.attrs["delimiter"] = mark
    return table


def _first_lines(text: str, limit: int) -> list[tuple[int, str]]:
    found: list[tuple[int, str]] = []
    for number, line in enumerate(io.StringIO(text), start=1):
        if line.strip() and not line.lstrip().startswith("#"):
            found.append((number, line.rstrip("\n")))
            if len(found) == limit:
                break
    return found


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
        return next(csv.reader([re.sub(r"\s+", " ", line.strip())], delimiter=" "))
    return next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))


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


def _without_comments(text: str) -> str:
    if "#" not in text:
        return text
    return "\n".join(line for line in text.split("\n") if not line.startswith("#"))


def _even(body: str, delimiter: str, shape: tuple[int, ...]) -> bool:
    """True when the count of cells fits the shape of the table that was read."""
    rows, width = shape
    if delimiter == " ":
        return len(body.split()) == rows * width
    return body.count(delimiter) == rows * (width - 1)


def _refuse_ragged(path: str | Path, text: str, first_line: int, delimiter: str, width: int) -> None:
    """Say which line has more or fewer values than there are columns."""
    for number, line in enumerate(io.StringIO(text), start=1):
        if number < first_line or not line.strip() or line.lstrip().startswith("#"):
            continue
        if line.count(delimiter) == width - 1 and delimiter != " ":
            continue
        count = len(_split(line.rstrip("\n"), delimiter))
        if count != width:
            raise InputFileError(
                path,
                f"line {number}",
                f"{count} values where {width} columns are named: {line.strip()!r}.",
                "Give every line the same number of values.",
            )


# -- CGATS / ISO 28178 text ----------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class CgatsTable:
    """One table of an ISO 28178 (CGATS.17) text file.

    Attributes
    ----------
    table
        The data, one column a field, named as in the file (LOG_H, D_RED, D_VIS, ...).
    keywords
        Header keywords and their values, both text.
    signature
        First line of the file, such as "CGATS.17".
    first_line
        Line of the file on which the data begin; 0 for a table that is not from a file.
    """

    table: pd.DataFrame
    keywords: Mapping[str, str] = field(default_factory=dict)
    signature: str = "CGATS.17"
    first_line: int = 0


def read_cgats(path: str | Path, *, table: int = 1) -> CgatsTable:
    """One table of an ISO 28178 (CGATS.17) text file.

    Parameters
    ----------
    path
        The file.
    table
        Which one, when there are several; the first is 1.

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
    text = _read_text(path)
    if text.lstrip().startswith("<"):
        raise InputFileError(path, "line 1", "this is the XML form of ISO 28178.", "Export the text form.")
    return _parse_cgats(path, text, table)


def write_cgats(cgats: CgatsTable, path: str | Path) -> Path:
    """Write a table as ISO 28178 (CGATS.17) text; private fields and keywords are declared.

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


_STANDARD_KEYWORDS = frozenset(
    (
        "ORIGINATOR",
        "FILE_DESCRIPTOR",
        "CREATED",
        "DESCRIPTOR",
        "DIFFUSE_GEOMETRY",
        "MANUFACTURER",
        "PROD_DATE",
        "SERIAL",
        "MATERIAL",
        "INSTRUMENTATION",
        "MEASUREMENT_SOURCE",
        "MEASUREMENT_GEOMETRY",
        "PRINT_CONDITIONS",
        "SAMPLE_BACKING",
        "FILTER",
        "POLARIZATION",
        "WEIGHTING_FUNCTION",
        "COMPUTATIONAL_PARAMETER",
        "TABLE_DESCRIPTOR",
        "TABLE_NAME",
    )
)


def _is_cgats(text: str) -> bool:
    start = text.lstrip()[:200].upper()
    return start.startswith(("CGATS", "ISO28178", "ISO 28178")) or "BEGIN_DATA_FORMAT" in text[:20000]


def _parse_cgats(path: str | Path, text: str, wanted: int) -> CgatsTable:
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
                raise InputFileError(path, f"line {number}", f"a quote is not closed: {line!r}.")
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
    undeclared = [name for name in fields if name in _PRIVATE_FIELDS and name not in declared]
    if undeclared:
        warnings.warn(
            f"{path}: the field {undeclared[0]} is private and not declared; the standard wants a line "
            f'KEYWORD "{undeclared[0]}".',
            ValidityWarning,
            stacklevel=4,
        )
    lines = _Lines(path, "\n" * (first_line - 1) + block, first_line, tuple(fields))
    try:
        table = pd.read_csv(
            io.BytesIO(_without_comments(block).encode()),
            sep=r"\s+",
            header=None,
            names=fields,
            index_col=False,
            quotechar='"',
            **_EXACT_FLOATS,
            keep_default_na=False,
            na_values={name: list(_NOT_KNOWN) for name in fields if name not in _TEXT_FIELDS},
            dtype=dict.fromkeys((name for name in fields if name in _TEXT_FIELDS), str),
        )
    except (pd.errors.ParserError, pd.errors.EmptyDataError, ValueError) as error:
        _refuse_ragged(path, lines.text, first_line, " ", len(fields))
        raise InputFileError(path, f"line {first_line}", f"the data cannot be read ({error}).") from error
    stated = keywords.pop("NUMBER_OF_FIELDS", str(len(fields)))
    if stated != str(len(fields)):
        raise InputFileError(path, "keyword NUMBER_OF_FIELDS", f"{stated} fields are stated and {len(fields)} named.")
    stated = keywords.pop("NUMBER_OF_SETS", str(len(table)))
    if stated != str(len(table)):
        raise InputFileError(path, "keyword NUMBER_OF_SETS", f"{stated} sets are stated and {len(table)} found.")
    if table.isna().any(axis=None):
        _refuse_ragged(path, lines.text, first_line, " ", len(fields))
    for name in fields:
        if name in _CGATS_FIELDS.values() and table[name].dtype.kind not in "fiu":
            lines.refuse_text(table[name], name)
    return CgatsTable(table=table, keywords=keywords, signature=signature, first_line=first_line)


# -- what both have in common --------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Lines:
    """Where in the file the rows of a table stand, for error messages."""

    path: str | Path
    text: str
    first: int
    headings: tuple[str, ...] = ()

    def number(self, row: int) -> int:
        """Line of the file on which row ``row`` (from 0) of the data stands."""
        left = row
        for number, line in enumerate(io.StringIO(self.text), start=1):
            if number < self.first or not line.strip() or line.lstrip().startswith("#"):
                continue
            if left == 0:
                return number
            left -= 1
        return self.first + row

    def place(self, row: int, column: str) -> str:
        """Line and column for a message; the column as the file names it, and its number."""
        for position, heading in enumerate(self.headings, start=1):
            if column in (heading, _CANONICAL.get(_normal(heading))):
                return f"line {self.number(row)}, column {position} ({heading!r})"
        return f"line {self.number(row)}, column {column!r}"

    def refuse_text(self, values: pd.Series, column: str) -> None:
        """Raise for the first value of a column that is not a number."""
        for row, value in enumerate(values):
            cell = "" if value is None or value != value else str(value).strip()
            if cell in _NOT_KNOWN or re.fullmatch(_NUMBER.pattern.replace("[.,]", r"\."), cell):
                continue
            if re.fullmatch(_NUMBER, cell):
                action = "The file has decimal commas among decimal points; use one of them."
            elif unit := re.fullmatch(rf"({_NUMBER.pattern})\s*([^\d\s].*)", cell):
                action = f"Put the unit {unit[4]!r} into the column name."
            else:
                action = "Leave the cell empty when there is no reading."
            raise InputFileError(self.path, self.place(row, column), f"{cell!r} is not a number.", action)


def _canonical_columns(path: str | Path, table: pd.DataFrame) -> pd.DataFrame:
    names = {column: _CANONICAL.get(_normal(str(column)), str(column)) for column in table.columns}
    renamed = list(names.values())
    for name in set(renamed):
        if renamed.count(name) > 1:
            twice = [str(c) for c, n in names.items() if n == name]
            raise InputFileError(path, "", f"the columns {' and '.join(twice)} mean the same.", "Keep one of them.")
    return table.rename(columns=names)


def _normal(name: str) -> str:
    """Column name without unit, case and separators: "Log H [lx s]" is "log_h"."""
    return re.sub(r"[\s\-.]+", "_", re.sub(r"[\[(].*$", "", name).strip()).lower()


def _read_text(path: str | Path) -> str:
    try:
        content = Path(path).read_bytes()
    except OSError as error:
        raise InputFileError(path, "", f"it cannot be read ({error.strerror}).", "Check the name.") from error
    for encoding in ("utf-8-sig", "cp1252"):
        try:
            text = content.decode("utf-16" if content[:2] in (b"\xff\xfe", b"\xfe\xff") else encoding)
        except UnicodeDecodeError:
            continue
        if "\x00" in text:
            break
        return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text
    raise InputFileError(path, "", "this is not a text file.", "Export the readings as CSV or CGATS text.")
