"""Values with units at the door: texts, quantities that carry a unit, and arrays with a ``units`` attribute.

One converter, through which :func:`filmdose.arrays.check_number`, :func:`filmdose.arrays.check_array` and
:func:`filmdose.arrays.elementwise` send what they are given: a unit that is known is converted to the one that the
argument is in, any other is refused; none is ignored.  A number without a unit is in the argument's own.

No unit package is needed.  What has ``magnitude`` and ``units`` (a pint quantity, also inside a DataArray) is taken at
its word; the names of its units are read here.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from typing import Any

import numpy as np

from filmdose.errors import ArgumentError
from filmdose.everyday import with_points
from filmdose.files import load_data_toml

__all__ = [
    "DOSE_UNITS",
    "QUANTITY",
    "UGY_PER_MILLIROENTGEN",
    "carries_unit",
    "has_units",
    "in_unit",
    "unit_name",
    "unit_of",
    "unit_scale",
]

#: Air kerma of one milliroentgen [uGy]: 2.58e-7 C/kg times W/e = 33.97 J/C.
UGY_PER_MILLIROENTGEN = 2.58e-7 * 33.97 * 1e6

#: A number and, behind it, a unit or nothing.
QUANTITY = re.compile(
    r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z\u00b5\u03bc\u00b0%].*?|)\s*"
)

_PREFIXES = {"": 1.0, "n": 1e-9, "u": 1e-6, "m": 1e-3, "c": 1e-2, "k": 1e3}
_LONG_PREFIXES = {"": 1.0, "nano": 1e-9, "micro": 1e-6, "milli": 1e-3, "centi": 1e-2, "kilo": 1e3}


def _prefixed(
    factor: float, *, short: str = "", long: tuple[str, ...] = (), prefixes: str = "numck"
) -> dict[str, float]:
    """Factors of a unit with its prefixes, by their names in small letters."""
    found = {}
    for (sign, scale), name in zip(_PREFIXES.items(), _LONG_PREFIXES, strict=True):
        if sign in prefixes:
            if short:
                found[sign + short] = factor * scale
            for word in long:
                found[name + word] = found[f"{name}{word}s"] = factor * scale
    return found


#: What a dose is measured in: the quantity, and how many microgray or microsievert one of the unit is.
DOSE_UNITS: dict[str, tuple[str, float]] = {
    **{name: ("gray", f) for name, f in _prefixed(1e6, short="gy", long=("gray",)).items()},
    **{name: ("gray", f) for name, f in _prefixed(1e4, short="rad", long=("rad",), prefixes="um").items()},
    **{name: ("roentgen", f) for name, f in _prefixed(UGY_PER_MILLIROENTGEN * 1e3, short="r", prefixes="um").items()},
    **{name: ("roentgen", f) for name, f in _prefixed(UGY_PER_MILLIROENTGEN * 1e3, long=("roentgen",)).items()},
    **{name: ("sievert", f) for name, f in _prefixed(1e6, short="sv", long=("sievert",)).items()},
    **{name: ("sievert", f) for name, f in _prefixed(1e4, short="rem", prefixes="um").items()},
}

_LENGTHS = {  # in metres
    **_prefixed(1.0, short="m", long=("meter", "metre")),
    **dict.fromkeys(("in", "inch", "inches"), 0.0254),
    **dict.fromkeys(("ft", "foot", "feet"), 0.3048),
    "micron": 1e-6,
    "microns": 1e-6,
}
_AREAS = {f"{name}{sign}": factor**2 for name, factor in _LENGTHS.items() for sign in ("2", "**2", "^2")}
_TIMES = {  # in seconds
    **_prefixed(1.0, short="s", long=("second",), prefixes="num"),
    **dict.fromkeys(("sec", "secs"), 1.0),
    **dict.fromkeys(("min", "mins", "minute", "minutes"), 60.0),
    **dict.fromkeys(("h", "hr", "hour", "hours"), 3600.0),
    **dict.fromkeys(("d", "day", "days"), 86400.0),
    **dict.fromkeys(("week", "weeks"), 7 * 86400.0),
    **dict.fromkeys(("month", "months"), 365.25 / 12.0 * 86400.0),
    **dict.fromkeys(("a", "y", "yr", "year", "years"), 365.25 * 86400.0),
}
_ENERGIES = {"ev": 1e-3, "kev": 1.0, "mev": 1e3, "electron_volt": 1e-3, "kiloelectron_volt": 1.0}
_VOLTAGES = {"v": 1e-3, "kv": 1.0, "kvp": 1.0, "volt": 1e-3, "kilovolt": 1.0}
_NUMBERS = {"": 1.0, "1": 1.0, "dimensionless": 1.0, "%": 0.01, "percent": 0.01}
_RATES = {
    f"{dose}/{time}": factor / 1e3 / (seconds / _TIMES["year"])
    for dose, (measure, factor) in DOSE_UNITS.items()
    if measure == "gray"
    for time, seconds in _TIMES.items()
}

#: Families of units with the factor of each in a common one, and the family of every unit that arguments are in.
_FAMILIES = (_LENGTHS, _AREAS, _TIMES, _ENERGIES, _VOLTAGES, _RATES, _NUMBERS)
_OWN = ("mm", "m", "um", "ft", "um2", "s", "min", "h", "days", "kev", "kvp", "kv", "mgy/year")
_FAMILY_OF = {own: next(family for family in _FAMILIES if own in family) for own in _OWN}

_CELSIUS: dict[str, Callable[[Any], Any]] = {
    **dict.fromkeys(("c", "°c", "degc", "deg_c", "celsius", "degree_celsius", "degrees c"), lambda t: t * 1.0),
    **dict.fromkeys(("f", "°f", "degf", "deg_f", "fahrenheit", "degree_fahrenheit"), lambda t: (t - 32.0) / 1.8),
    **dict.fromkeys(("k", "kelvin"), lambda t: t - 273.15),
}


def unit_name(unit: object) -> str:
    """The name of a unit as the tables here have it: small letters, u for micro, no blanks around signs."""
    text = str(unit).strip()
    if re.match(r"M(?:Gy|Sv|R)\b", text):  # mega, which small letters would hide
        return f"mega {text[1:]}"
    text = text.replace("µ", "u").replace("μ", "u").lower()
    text = re.sub(r"\s*(\*\*|/|\^)\s*", r"\1", text).replace("²", "2")
    return text if text in ("degrees c", "delta_degree_celsius") else text.replace(" per ", "/")


def unit_scale(argument: str, given: object, wanted: str, value: object = None) -> Callable[[Any], Any]:
    """The function that turns numbers in one unit into numbers in another.

    Parameters
    ----------
    argument
        Name for the message.
    given
        Unit of the numbers: a text, or anything whose text is one.
    wanted
        Unit of the argument; empty, or one that has no other name, takes that one or "1" alone.
    value
        What was passed, for the message.

    Raises
    ------
    ArgumentError
        A unit of something else, or one that is not known.

    Examples
    --------
    >>> unit_scale("kerma_ugy", "mGy", "uGy")(0.4)
    400.0
    """
    name, own = unit_name(given), unit_name(wanted)
    if name == own:
        return lambda numbers: numbers
    if own == "ugy" and name in DOSE_UNITS:
        measure, factor = DOSE_UNITS[name]
        if measure == "sievert":
            factor /= float(load_data_toml("radiation.toml")["badge"]["unstated"]["value"])
        return lambda numbers: numbers * factor
    if own == "degrees c" and name in _CELSIUS:
        return _CELSIUS[name]
    family = _FAMILY_OF.get(own)
    if family is not None and name in family:
        ratio, inverse = family[name] / family[own], family[own] / family[name]
        exact = abs(inverse - round(inverse)) < 1e-9 * inverse and inverse > 1.0
        return (lambda numbers: numbers / round(inverse)) if exact else (lambda numbers: numbers * ratio)
    if own != "ugy" and own != "degrees c" and family is None and name in _NUMBERS:
        return lambda numbers: numbers * _NUMBERS[name]
    allowed = f"a value in {wanted} or in a unit that converts to it" if wanted else "a plain number"
    shown = f"{value} {given}".strip() if isinstance(value, (int, float)) else f"values in {given}"
    raise ArgumentError(argument, shown, allowed, f"The unit {str(given)!r} does not convert.")


def has_units(unit: str) -> bool:
    """Whether an argument in this unit takes other units as well, and so texts."""
    name = unit_name(unit)
    return name in _FAMILY_OF or name in ("ugy", "degrees c")


def unit_of(value: Any) -> object | None:
    """The unit that a value says it has: that of a quantity, or its attribute ``units``; None without one."""
    if hasattr(value, "magnitude") and hasattr(value, "units"):
        return value.units if value.units is not None else None
    xarray, pandas = sys.modules.get("xarray"), sys.modules.get("pandas")
    if xarray is not None and isinstance(value, (xarray.DataArray, xarray.Variable)):
        if hasattr(value.variable._data if isinstance(value, xarray.DataArray) else value._data, "magnitude"):
            return value.data.units  # type: ignore[no-any-return]
        unit: object | None = value.attrs.get("units")
        return unit
    if pandas is not None and isinstance(value, (pandas.Series, pandas.DataFrame, pandas.Index)):
        dtype = getattr(value, "dtype", None)
        if hasattr(dtype, "units"):
            return dtype.units  # type: ignore[no-any-return, union-attr]
        return getattr(value, "attrs", {}).get("units")
    return None


def carries_unit(value: Any) -> bool:
    """Whether a value, or any element of a sequence, says its unit."""
    if isinstance(value, str) or unit_of(value) is not None:
        return True
    if isinstance(value, (list, tuple)):
        return any(carries_unit(item) for item in value)
    dtype = getattr(value, "dtype", None)
    if (
        dtype is not None
        and not isinstance(value, np.generic)
        and (getattr(dtype, "kind", "") in "OUT" or type(dtype).__name__ == "StringDtype")
    ):
        return any(isinstance(item, str) or unit_of(item) is not None for item in np.asarray(value, dtype=object).flat)
    return False


def in_unit(argument: str, value: Any, unit: str) -> Any:
    """A value as numbers in a unit, in its own container; what carries no unit stays as it is.

    Parameters
    ----------
    argument
        Name for the message.
    value
        A number, a text such as "0.4 mGy", a quantity, a container of them, or one with a ``units`` attribute.
    unit
        Unit of the argument, such as "uGy".

    Raises
    ------
    ArgumentError
        A unit of something else, or one that is not known; a text that is no number with a unit.

    Examples
    --------
    >>> in_unit("kerma_ugy", ["0.4 mGy", 3], "uGy"), in_unit("thickness_mm", "0.25 in", "mm")
    ([400.0, 3], 6.35)
    """
    if isinstance(value, (float, int)) or value is None or not carries_unit(value):
        return value
    if isinstance(value, str):
        return _text_in_unit(argument, value, unit)
    if isinstance(value, (list, tuple)):
        return [in_unit(argument, item, unit) for item in value]
    given = unit_of(value)
    if given is None:
        return _objects_in_unit(argument, value, unit)
    if hasattr(value, "magnitude"):
        numbers = value.magnitude
        return unit_scale(argument, given, unit, numbers)(numbers)
    scale = unit_scale(argument, given, unit)
    return _container_in_unit(value, scale, unit)


def _text_in_unit(argument: str, text: str, unit: str) -> float:
    match = QUANTITY.fullmatch(with_points(text))
    if match is None:
        allowed = f"a number [{unit}], or a text such as '5 {unit}'" if unit else "a number"
        raise ArgumentError(argument, text, allowed, "Write the number first and then the unit.")
    number = float(match[1])
    return number if not match[2] else float(unit_scale(argument, match[2], unit, number)(number))


def _container_in_unit(value: Any, scale: Callable[[Any], Any], unit: str) -> Any:
    """A labelled container with a unit of its own, in the one that is wanted; lazy where it is."""
    xarray = sys.modules.get("xarray")
    if xarray is not None and isinstance(value, xarray.DataArray):
        data = value.variable._data
        numbers = data.magnitude if hasattr(data, "magnitude") else value.data
        return value.copy(data=scale(numbers)).assign_attrs(units=unit)
    if hasattr(getattr(value, "dtype", None), "units"):
        plain = type(value)(scale(np.asarray(value.array.quantity.magnitude)), index=value.index, name=value.name)
    else:
        plain = scale(value)
    if hasattr(plain, "attrs"):
        plain.attrs = {**value.attrs, "units": unit}
    return plain


def _objects_in_unit(argument: str, value: Any, unit: str) -> Any:
    """A container of texts or quantities, element by element."""
    numbers = np.array(
        [in_unit(argument, item, unit) for item in np.asarray(value, dtype=object).flat], dtype=np.float64
    ).reshape(np.shape(value))
    if hasattr(value, "copy") and hasattr(value, "dims"):
        return value.copy(data=numbers)
    if hasattr(value, "columns"):
        return type(value)(numbers, index=value.index, columns=value.columns)
    if hasattr(value, "index") and hasattr(value, "name"):
        return type(value)(numbers, index=value.index, name=value.name)
    return numbers
