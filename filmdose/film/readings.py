"""Readings of a step tablet: what they are, from a CSV or CGATS file, and whether they can be what they say."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import ArrayLike

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_count, check_number
from filmdose.errors import ArgumentError, InputFileError, UnknownNameError, name_list, shown, stop_at_faults
from filmdose.film.cgats import CGATS_FIELDS, CgatsTable, is_cgats, parse_cgats, write_cgats
from filmdose.film.csvtable import TableText, canonical_name, parse_csv, read_any_text, write_csv_table
from filmdose.result import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RECORDS", "StepReadings", "read_steps", "tablet_log_exposures", "write_steps"]

#: Records that a densitometer reads: one visual, or the three of a colour film.
RECORDS = ("visual", "red", "green", "blue")

#: A densitometer set to zero on the open gate reads this much below zero at most [density; common practice, no source].
LEAST_DENSITY = -0.02

#: No film or paper is denser: larger numbers are hundredths, per cent or another quantity.
GREATEST_DENSITY = 6.0

#: Log10 exposures lie within this distance of zero, absolute or relative.
GREATEST_LOG_EXPOSURE = 12.0

_STATUSES = ("visual", "A", "M", "")


@dataclass(frozen=True, kw_only=True, eq=False)
class StepReadings(Result):
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

    if TYPE_CHECKING:  # what it takes is more than what it keeps

        def __init__(
            self,
            *,
            log_exposure: ArrayLike,
            densities: Mapping[str, ArrayLike],
            sigma: ArrayLike | None = None,
            status: str = "",
            keywords: Mapping[str, str] = ...,
            unread_steps: int = 0,
        ) -> None: ...

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
        super().__post_init__()
        object.__setattr__(self, "keywords", dict(self.keywords))

    @property
    def records(self) -> tuple[str, ...]:
        """Names of the records that were read."""
        return tuple(self.densities)

    def to_dataframe(self) -> pd.DataFrame:
        """Tidy table with columns log_exposure, one density column a record, and sigma when known."""
        import pandas as pd

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

    Returns
    -------
    ndarray
        Shape (steps,), rising [log10 lx s].

    Raises
    ------
    ArgumentError
        A number out of range.

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
        As of :func:`filmdose.film.csvtable.read_csv_table`.

    Returns
    -------
    The readings; a step without a density is left out and counted.

    Raises
    ------
    InputFileError
        With file, line, column and value: a text among the numbers, columns that are
        missing or swapped, densities that are negative or in another unit.

    Examples
    --------
    >>> import tempfile
    >>> rows = ("log_exposure,density", "-3,0.2", "-2,0.5", "-1,1.1")
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "steps.csv"
    ...     _ = path.write_text(chr(10).join(rows))
    ...     print(read_steps(path).log_exposure.tolist())
    [-3.0, -2.0, -1.0]
    """
    import pandas as pd

    text = read_any_text(path)
    keywords: Mapping[str, str] = {}
    if is_cgats(text):
        cgats = parse_cgats(path, text)
        assert cgats.text is not None
        table, keywords, lines = cgats.table, cgats.keywords, cgats.text
    else:
        table, lines = parse_csv(path, text, delimiter, decimal, header, columns)
    table = _canonical_columns(path, table)
    records = [r for r in RECORDS if r in table]
    if "log_exposure" not in table or not records:
        missing = "log_exposure" if "log_exposure" not in table else "density"
        raise InputFileError(
            path,
            f"line {max(lines.first - 1, 1)}",
            f"no column {missing!r}; the columns are {name_list(map(str, table.columns))}.",
            "Name them log_exposure and density (or density_red, density_green, density_blue).",
        )
    wanted = ["log_exposure", *records, *(["sigma"] if "sigma" in table else [])]
    for name in wanted:
        lines.refuse_text(table[name], name)
    stop_at_faults()
    values = pd.DataFrame({name: _numbers(table[name]) for name in wanted})
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


def _numbers(column: pd.Series) -> FloatArray:
    """A column of numbers; cells that hold none, of blanks such as a form feed too, are NaN."""
    if column.dtype.kind in "fiu":
        return column.to_numpy(dtype=np.float64)

    def number(cell: object) -> float:
        try:
            return float(str(cell).strip())
        except ValueError:  # refused before unless it says that nothing was read
            return math.nan

    return np.array([number(cell) for cell in column])


def write_steps(readings: StepReadings, path: str | Path, *, format: Literal["csv", "cgats"] = "csv") -> Path:
    """Write readings so that :func:`read_steps` gives back the same numbers.

    Parameters
    ----------
    readings
        What to write.
    path
        Where to; an existing file is replaced in one step.
    format
        "csv", or "cgats" for ISO 28178 text, which also keeps status and keywords.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    OutputFileError
        The place cannot be written to.

    Examples
    --------
    >>> import tempfile
    >>> steps = StepReadings(log_exposure=[-3.0, -2.0, -1.0], densities={"visual": [0.2, 0.5, 1.1]})
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_steps(steps, Path(folder) / "steps.csv")
    ...     print(read_steps(path).densities["visual"].tolist())
    [0.2, 0.5, 1.1]
    """
    import pandas as pd

    if format == "csv":
        return write_csv_table(readings.to_dataframe(), path)
    if format != "cgats":
        raise UnknownNameError("format", format, ("csv", "cgats"))
    table = pd.DataFrame({"SAMPLE_ID": [str(n) for n in range(1, readings.log_exposure.size + 1)]})
    table["LOG_H"] = readings.log_exposure
    for record, density in readings.densities.items():
        table[CGATS_FIELDS[record]] = density
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
                f"the density status {shown(keywords[keyword])} is not one of visual, status A, status M.",
                "Film is read in status M (negatives), status A (slides) or visual density.",
            )
    return ""


def _check_quantities(values: pd.DataFrame, records: list[str], lines: TableText) -> None:
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


def _canonical_columns(path: str | Path, table: pd.DataFrame) -> pd.DataFrame:
    names = {column: canonical_name(str(column)) for column in table.columns}
    renamed = list(names.values())
    for name in set(renamed):
        if renamed.count(name) > 1:
            twice = [str(c) for c, n in names.items() if n == name]
            raise InputFileError(
                path, "", f"the columns {' and '.join(map(str, twice[:2]))} mean the same.", "Keep one of them."
            )
    return table.rename(columns=names)


hold_to_annotations(globals())
