"""Speed scales, stops and the units in which people write a dose.

Inside filmdose a dose is always air kerma in microgray; other units are turned
into it at the door, here and only here.
"""

from __future__ import annotations

import math
import re
from typing import Any, NewType

import numpy as np

from filmdose.arrays import FloatArray, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError
from filmdose.everyday import with_points
from filmdose.files import load_data_toml
from filmdose.standards import LOG10_2

__all__ = [
    "LOG10_2",
    "SCALE_TOLERANCE_STOPS",
    "STANDARD_SPEEDS",
    "THIRD",
    "UGY_PER_MILLIROENTGEN",
    "AirKerma",
    "EffectiveKerma",
    "degrees_from_speed",
    "exposure_index",
    "format_speed",
    "parse_days",
    "parse_dose",
    "parse_duration",
    "parse_hours",
    "parse_kerma",
    "parse_stops_darker",
    "round_to_standard",
    "speed_from_degrees",
    "standard_exposure_index",
    "stops_from_log_exposure",
]

#: Air kerma [uGy] of any beam, at a place that the name or the text beside it says. Never added across beams.
AirKerma = NewType("AirKerma", float)

#: Effective kerma [uGy] at the emulsion: air kerma of the reference beam that fogs as much. Effective kermas add.
EffectiveKerma = NewType("EffectiveKerma", float)


#: Third-stop scale of arithmetic speeds (the numbers of ISO 6, ISO 5800, ISO 2240), extended down to 1.
STANDARD_SPEEDS: tuple[int, ...] = (
    *(1, 2, 3, 4, 5, 6, 8, 10, 12, 16, 20, 25, 32, 40, 50, 64, 80, 100, 125, 160, 200, 250, 320, 400, 500, 640),
    *(800, 1000, 1250, 1600, 2000, 2500, 3200, 4000, 5000, 6400, 8000, 10000, 12500),
)

#: Below this a compensation is less than any meter's and any shutter's accuracy, and not worth a click [stops].
SCALE_TOLERANCE_STOPS = 0.10

#: A click of a meter [stops].
THIRD = 1.0 / 3.0

#: Air kerma of one milliroentgen [uGy]: 2.58e-7 C/kg times W/e = 33.97 J/C.
UGY_PER_MILLIROENTGEN = 2.58e-7 * 33.97 * 1e6

_EXACT = {speed: 10.0 ** (round(10.0 * math.log10(speed)) / 10.0) for speed in STANDARD_SPEEDS}

#: Units of a dose: what they measure, and how many microgray or microsievert one of them is.
_DOSE_UNITS: dict[str, tuple[str, float]] = {
    **dict.fromkeys(("ugy", "µgy", "μgy", "microgray"), ("gray", 1.0)),
    **{"ngy": ("gray", 1e-3), "mgy": ("gray", 1e3), "cgy": ("gray", 1e4), "gy": ("gray", 1e6)},
    **{"urad": ("gray", 0.01), "mrad": ("gray", 10.0), "rad": ("gray", 1e4)},
    "ur": ("roentgen", UGY_PER_MILLIROENTGEN / 1e3),
    "mr": ("roentgen", UGY_PER_MILLIROENTGEN),
    "r": ("roentgen", UGY_PER_MILLIROENTGEN * 1e3),
    **dict.fromkeys(("usv", "µsv", "μsv", "microsievert"), ("sievert", 1.0)),
    **{"nsv": ("sievert", 1e-3), "msv": ("sievert", 1e3), "sv": ("sievert", 1e6)},
    **{"urem": ("sievert", 0.01), "mrem": ("sievert", 10.0), "rem": ("sievert", 1e4)},
}
_QUANTITY = re.compile(r"\s*([+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?)\s*([A-Za-z\u00b5\u03bc]*)\s*")


def parse_dose(argument: str, text: Any) -> tuple[float, str]:
    """Amount [uGy, or uSv] and what its unit measures: "gray", "roentgen" (turned into uGy) or "sievert".

    Parameters
    ----------
    argument
        Name for the message.
    text
        A number (microgray) or a text such as "0.3 mR" or "63 mrem" [at least 0]. Units: Gy and rad, R (1 mR = 8.764
        uGy), Sv and rem (1 mrem = 10 uSv), with the usual prefixes.

    Raises
    ------
    ArgumentError
        Negative, not finite, or a unit that is not known.

    Examples
    --------
    >>> parse_dose("dose", "63 mrem")
    (630.0, 'sievert')
    """
    allowed = "a dose of at least 0, in microgray or with one of the units uGy, mGy, mrad, mR, uSv (such as '0.3 mR')"
    if not isinstance(text, str):
        return check_number(argument, text, low=0.0, unit="uGy"), "gray"
    match = _QUANTITY.fullmatch(with_points(text))
    if match is None:
        raise ArgumentError(argument, text, allowed, "Write the number first and then the unit.")
    unit = match[2].lower() or "ugy"
    if unit not in _DOSE_UNITS:
        raise ArgumentError(argument, text, allowed, f"The unit {match[2]!r} is not known.")
    measure, factor = _DOSE_UNITS[unit]
    value = float(match[1]) * factor
    if not math.isfinite(value) or value < 0:
        raise ArgumentError(argument, text, allowed)
    return value, measure


def parse_kerma(argument: str, text: Any) -> AirKerma:
    """Air kerma [uGy] from a number (microgray) or a text such as "0.3 mR"; see :func:`parse_dose`.

    A reading in sievert or rem is taken as that of a badge whose quantity is not stated; which quantities there are,
    and how far the conversion may be off, says :mod:`filmdose.radiation.badge`.

    Raises
    ------
    ArgumentError
        Negative, not finite, or a unit that is not known.

    Examples
    --------
    >>> round(parse_kerma("dose", "1 mR"), 3)
    8.764
    >>> parse_kerma("dose", 25)
    25.0
    """
    value, measure = parse_dose(argument, text)
    if measure == "sievert":
        value /= float(load_data_toml("radiation.toml")["badge"]["unstated"]["value"])
    return AirKerma(value)


_SECONDS = {
    "s": 1.0,
    "sec": 1.0,
    "second": 1.0,
    "seconds": 1.0,
    "min": 60.0,
    "minute": 60.0,
    "minutes": 60.0,
    "h": 3600.0,
    "hour": 3600.0,
    "hours": 3600.0,
}


def parse_duration(argument: str, text: Any) -> float:
    """Seconds in a number [s] or a text such as "5 min", "30 s", "1 h".

    Raises
    ------
    ArgumentError
        Negative, not finite, or a unit that is not known.

    Examples
    --------
    >>> parse_duration("held", "5 min")
    300.0
    """
    allowed = "a time of at least 0, in seconds or with one of the units s, min, h (such as '5 min')"
    if not isinstance(text, str):
        return check_number(argument, text, low=0.0, unit="s")
    match = _QUANTITY.fullmatch(with_points(text))
    factor = None if match is None else _SECONDS.get(match[2].lower() or "s")
    if match is None or factor is None:
        raise ArgumentError(argument, text, allowed, "Write the number first and then the unit.")
    return check_number(argument, float(match[1]) * factor, low=0.0, unit="s")


_HOURS = {"": 1.0, **dict.fromkeys(("h", "hour", "hours"), 1.0), "min": 1.0 / 60.0, "d": 24.0}
_DAYS = {
    "": 1.0,
    **dict.fromkeys(("d", "day", "days"), 1.0),
    **dict.fromkeys(("week", "weeks"), 7.0),
    **dict.fromkeys(("month", "months"), 365.25 / 12.0),
    **dict.fromkeys(("y", "year", "years"), 365.25),
}


def parse_hours(argument: str, text: Any) -> float:
    """Hours in a number [h] or a text such as "11h", "11,5 hours", "90 min".

    Examples
    --------
    >>> parse_hours("flight", "11,5h"), parse_hours("flight", "90 min")
    (11.5, 1.5)
    """
    return _time(argument, text, _HOURS, "h", "hours, such as 11 or '11h'")


def parse_days(argument: str, text: Any) -> float:
    """Days in a number [days] or a text such as "30 d", "6 weeks", "2 years".

    Examples
    --------
    >>> parse_days("storage", "30d"), parse_days("storage", "2 years")
    (30.0, 730.5)
    """
    return _time(argument, text, _DAYS, "days", "days, such as 30, '6 weeks' or '2 years'")


def _time(argument: str, text: Any, factors: dict[str, float], unit: str, allowed: str) -> float:
    if not isinstance(text, str):
        return check_number(argument, text, low=0.0, unit=unit)
    match = _QUANTITY.fullmatch(with_points(text))
    factor = None if match is None else factors.get(match[2].lower())
    if match is None or factor is None:
        raise ArgumentError(argument, text, allowed)
    return check_number(argument, float(match[1]) * factor, low=0.0, unit=unit)


_STOPS = re.compile(
    r"([+-]?)\s*(?:(\d+)\s+)?(\d*\.?\d+)(?:\s*/\s*(\d+))?\s*(?:stops?|ev)?\s*(darker|lighter|brighter)?", re.IGNORECASE
)


def parse_stops_darker(argument: str, text: Any) -> float:
    """Stops by which something is darker, from a number or a text such as "1/3 stop", "1 1/3", "0,5 EV lighter".

    Raises
    ------
    ArgumentError
        Anything else, or more than 20 stops.

    Examples
    --------
    >>> parse_stops_darker("darker", "1 1/3 stops"), parse_stops_darker("darker", "0,5 EV lighter")
    (1.3333333333333333, -0.5)
    """
    allowed = "stops, such as 0.5, '1/3 stop' or '2/3 stop lighter'"
    if not isinstance(text, str):
        return check_number(argument, text, low=-20.0, high=20.0, unit="stops")
    match = _STOPS.fullmatch(with_points(text.strip()))
    if match is None or match[4] == "0" or (match[4] and "." in match[3]):
        raise ArgumentError(argument, text, allowed)
    value = float(match[2] or 0) + float(match[3]) / float(match[4] or 1)
    lighter = (match[5] or "").lower() in ("lighter", "brighter")
    return check_number(argument, value * (-1.0 if lighter != (match[1] == "-") else 1.0), low=-20.0, high=20.0)


def stops_from_log_exposure(log_exposure: Numeric) -> Any:
    """Stops [factors of two] in a difference of log10 exposure: x / log10 2."""
    return elementwise(lambda x: x / LOG10_2, log_exposure)


def degrees_from_speed(speed: Numeric) -> Any:
    """Logarithmic speed in degrees: 1 + 10 log10 S, rounded to a whole number (ISO 6, ISO 5800, ISO 2240).

    Examples
    --------
    >>> degrees_from_speed([100, 400, 3200]).tolist()
    [21.0, 27.0, 36.0]
    """

    def kernel(s: FloatArray) -> FloatArray:
        checked = check_array("speed", s, low=0.0, low_open=True, unit="ISO")
        return np.asarray(np.floor(1.0 + 10.0 * np.log10(checked) + 0.5))

    return elementwise(kernel, speed)


def speed_from_degrees(degrees: Numeric) -> Any:
    """Arithmetic speed of a speed in degrees: 10**((degrees - 1) / 10), not rounded to the printed scale."""
    return elementwise(lambda d: 10.0 ** ((check_array("degrees", d, unit="degrees") - 1.0) / 10.0), degrees)


def round_to_standard(speed: float) -> int:
    """Nearest number of the printed third-stop scale, as a speed is stated on a box.

    Examples
    --------
    >>> round_to_standard(174.016)
    160
    """
    value = check_number("speed", speed, low=0.0, low_open=True, unit="ISO")
    return min(STANDARD_SPEEDS, key=lambda s: abs(math.log(value / _EXACT[s])))


def exposure_index(speed: Numeric, stops: Numeric) -> Any:
    """Exact exposure index: speed / 2**stops; NaN where stops is NaN."""
    return elementwise(lambda s, n: s * np.exp2(-n), speed, stops)


def standard_exposure_index(speed: Numeric, stops: Numeric) -> Any:
    """Exposure index on the printed third-stop scale, the nearest not more than 0.10 stop under the exact one.

    Counted in clicks of a third of a stop from ``speed``, so that a film that
    needs nothing keeps its own number.  What is below a tenth of a stop is
    below a meter's accuracy and is not worth a click.  NaN where
    ``stops`` is NaN; compensation that would leave the scale gives its lowest number.

    Examples
    --------
    >>> standard_exposure_index(800, [0.0, 0.09, 0.3, 0.8, 1.0]).tolist()
    [800.0, 800.0, 640.0, 400.0, 400.0]
    """
    marks = np.asarray(STANDARD_SPEEDS, dtype=np.float64)
    exact = np.log2([_EXACT[s] for s in STANDARD_SPEEDS])

    def kernel(s: FloatArray, n: FloatArray) -> FloatArray:
        s, n = np.broadcast_arrays(s, n)
        # A speed that is itself a printed number stands for the exact third stop it names.
        nearest = np.argmin(np.abs(np.log2(s)[..., None] - exact), axis=-1)
        printed = np.isclose(s, marks[nearest], rtol=1e-12, atol=0.0)
        start = np.where(printed, exact[nearest], np.log2(s))
        target = start - n + SCALE_TOLERANCE_STOPS
        index = np.searchsorted(exact, target, side="right") - 1
        result = marks[np.clip(index, 0, None)]
        return np.where(np.isnan(n) | np.isnan(s), np.nan, result)

    return elementwise(kernel, speed, stops)


def format_speed(speed: float) -> str:
    """A speed or exposure index as people read it: whole numbers without a decimal point."""
    return f"{speed:.0f}" if speed >= 10 else f"{speed:.3g}"
