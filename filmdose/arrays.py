"""Arguments at the door: checks, and the same container out that came in.

Every public numeric function passes through here, so that the rules hold in one
place: a float gives a float, a list or array gives an array, a pandas Series or
DataFrame gives the same with its index, an xarray DataArray gives a DataArray
with its coordinates.  NaN in gives NaN there and only there.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Callable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, TypeAlias, TypeVar

import numpy as np
from numpy.typing import ArrayLike, NDArray

from filmdose.errors import ArgumentError
from filmdose.quantity import has_units, in_unit, unit_of

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

__all__ = ["FloatArray", "Labelled", "Numbers", "Numeric", "check_array", "check_count", "check_number", "elementwise"]

FloatArray = NDArray[np.float64]
Numeric: TypeAlias = "float | ArrayLike | pd.Series | pd.DataFrame | xr.DataArray"

#: What a function of numbers gives back as it came: a number, or a container with labels.
Labelled = TypeVar("Labelled", float, "pd.Series", "pd.DataFrame", "xr.DataArray")

#: What it gives back as an array.
Numbers: TypeAlias = "NDArray[Any] | Sequence[float] | Sequence[Sequence[float]]"


def range_allowed(low: float, high: float, low_open: bool, unit: str) -> str:
    """The range of a number in words, as every message says it."""
    suffix = f" [{unit}]" if unit else ""
    if math.isinf(low) and math.isinf(high):
        return f"a finite number{suffix}"
    if math.isinf(high):
        return f"a finite number {'above' if low_open else 'of at least'} {low:g}{suffix}"
    if math.isinf(low):
        return f"a finite number of at most {high:g}{suffix}"
    return f"a number {'above' if low_open else 'from'} {low:g} {'up ' if low_open else ''}to {high:g}{suffix}"


def _plain(argument: str, value: Any, unit: str) -> Any:
    """A value without its unit, converted; texts only where the argument has a unit that has others."""
    if type(value) in (float, int) or (type(value) is np.ndarray and value.dtype.kind in "fiu"):
        return value
    return in_unit(argument, value, unit) if has_units(unit) or unit_of(value) is not None else value


def check_number(
    argument: str,
    value: Any,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    low_open: bool = False,
    unit: str = "",
    action: str = "",
) -> float:
    """Return ``value`` as a finite float within [low, high], or raise ArgumentError.

    Parameters
    ----------
    argument
        Name that the error message uses.
    value
        What the caller passed: any real number; booleans are refused, and text too unless ``unit`` is one that has
        others, such as "uGy": then "0.4 mGy" and quantities with a unit are converted (:mod:`filmdose.quantity`).
    low, high
        Allowed range, both ends included unless ``low_open``.
    unit
        Unit for the message.
    action
        Extra sentence for the message: what to do.

    Raises
    ------
    ArgumentError
        Not a number, not finite, or outside the range.
    """
    allowed = range_allowed(low, high, low_open, unit)
    value = _plain(argument, value, unit)
    if isinstance(value, (bool, np.bool_, str, bytes)) or value is None:
        raise ArgumentError(argument, value, allowed, action)
    try:
        number = float(value)
    except (TypeError, ValueError, OverflowError) as error:
        raise ArgumentError(argument, value, allowed, action) from error
    below = number <= low if low_open else number < low
    if not math.isfinite(number) or below or number > high:
        raise ArgumentError(argument, value, allowed, action)
    return number


def check_count(argument: str, value: Any, *, low: int = 0, high: int | None = None, action: str = "") -> int:
    """Return ``value`` as a whole number of at least ``low``, or raise ArgumentError."""
    top = "" if high is None else f" and at most {high}"
    allowed = f"a whole number of at least {low}{top}"
    number = check_number(argument, value, action=action)
    if number != math.floor(number) or number < low or (high is not None and number > high):
        raise ArgumentError(argument, value, allowed, action)
    return int(number)


def check_array(
    argument: str,
    value: Any,
    *,
    low: float = -math.inf,
    high: float = math.inf,
    low_open: bool = False,
    unit: str = "",
    nan_allowed: bool = True,
    action: str = "",
) -> FloatArray:
    """Return ``value`` as a float array whose every element lies in [low, high].

    NaN passes when ``nan_allowed`` (it means "not known" and stays NaN);
    infinities never do.

    Raises
    ------
    ArgumentError
        With the first offending element as the value.
    """
    allowed = range_allowed(low, high, low_open, unit)
    value = _plain(argument, value, unit)
    try:
        array = np.asarray(value)
        if array.dtype == bool or (array.dtype.kind in "USO" and any(isinstance(v, (str, bool)) for v in array.flat)):
            raise TypeError
        array = array.astype(np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        raise ArgumentError(argument, value, allowed, action) from error
    bad = (array <= low) if low_open else (array < low)
    bad |= (array > high) | np.isinf(array)
    if not nan_allowed:
        bad |= np.isnan(array)
    if np.any(bad):
        raise ArgumentError(argument, float(array[bad].flat[0]), allowed, action)
    return array


def elementwise(
    function: Callable[..., FloatArray],
    *arguments: Any,
    units: Sequence[tuple[str, str] | None] = (),
    name: str | None = None,
    attrs: Mapping[str, Any] | None = None,
) -> Any:
    """Apply a NumPy function element by element; give back the caller's container.

    ``units`` are name and unit of the first arguments, which are converted to them (None leaves one as it is).
    ``name`` and ``attrs`` are those of a labelled result, which else keeps the name of what came in.

    Arguments broadcast against each other.  With any DataArray among them the
    result is a DataArray (broadcast by dimension name, attributes dropped, since
    the unit changes); else with a DataFrame or Series the result has its index
    (and columns or name); else an array; and a float when all are scalars.
    """
    given = zip(arguments, (*units, *[None] * (len(arguments) - len(units))), strict=True)
    arguments = tuple(value if unit is None else _plain(unit[0], value, unit[1]) for value, unit in given)
    # An argument of a package that was never imported cannot be: so neither is imported here.
    xarray, pandas = sys.modules.get("xarray"), sys.modules.get("pandas")
    if xarray is not None and any(isinstance(a, xarray.DataArray) for a in arguments):
        found = xarray.apply_ufunc(
            function, *arguments, keep_attrs=False, dask="parallelized", output_dtypes=[np.float64]
        )
        return found.assign_attrs(attrs or {}).rename(name or found.name)
    pandas_like = [a for a in arguments if pandas is not None and isinstance(a, (pandas.Series, pandas.DataFrame))]
    if pandas is not None and pandas_like:
        template = pandas_like[0]
        for other in pandas_like[1:]:
            if not template.index.equals(other.index):
                raise ArgumentError(
                    "index", list(other.index[:3]), "the same index in every pandas argument", "Align them first."
                )
        values = function(*(np.asarray(a, dtype=np.float64) for a in arguments))
        if isinstance(template, pandas.Series):
            series = pandas.Series(values, index=template.index, name=name or template.name)
            series.attrs = dict(attrs or {})
            return series
        return pandas.DataFrame(values, index=template.index, columns=template.columns)
    result = function(*(np.asarray(a, dtype=np.float64) for a in arguments))
    return float(result) if np.ndim(result) == 0 else result


def as_float_tuple(argument: str, values: Sequence[float]) -> tuple[float, ...]:
    """Return a sequence of finite numbers as a tuple of floats, or raise ArgumentError."""
    array = check_array(argument, values, nan_allowed=False)
    if array.ndim != 1:
        raise ArgumentError(argument, values, "a one-dimensional sequence of finite numbers")
    return tuple(float(v) for v in array)
