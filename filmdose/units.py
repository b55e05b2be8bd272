"""Speed scales, stops and the units in which people write a dose.

Inside filmdose a dose is always air kerma in microgray; other units are turned
into it at the door, here and only here.
"""

from __future__ import annotations

import math
import re
from typing import Any, NewType, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError
from filmdose.everyday import with_points
from filmdose.files import load_data_toml
from filmdose.quantity import DOSE_UNITS, QUANTITY, UGY_PER_MILLIROENTGEN, unit_name, unit_of
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

_EI = {"units": "1", "long_name": "exposure index"}

_EXACT = {speed: 10.0 ** (round(10.0 * math.log10(speed)) / 10.0) for speed in STANDARD_SPEEDS}


def parse_dose(argument: str, text: Any) -> tuple[float, str]:
    """Amount [uGy, or uSv] and what its unit measures: "gray", "roentgen" (turned into uGy) or "sievert".

    Parameters
    ----------
    argument
        Name for the message.
    text
        A number (microgray) or a text such as "0.3 mR" or "63 mrem" [at least 0]. Units: Gy and rad, R (1 mR = 8.764
        uGy), Sv and rem (1 mrem = 10 uSv), with the usual prefixes.

    Returns
    -------
    tuple
        Amount and kind of unit.

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
    if isinstance(text, str):
        match = QUANTITY.fullmatch(with_points(text))
        if match is None:
            raise ArgumentError(argument, text, allowed, "Write the number first and then the unit.")
        number, given = match[1], match[2] or "uGy"
    else:
        unit = unit_of(text)
        if unit is None:
            return check_number(argument, text, low=0.0, unit="uGy"), "gray"
        number, given = getattr(text, "magnitude", text), str(unit)
    if unit_name(given) not in DOSE_UNITS:
        raise ArgumentError(argument, text, allowed, f"The unit {given!r} is not known.")
    measure, factor = DOSE_UNITS[unit_name(given)]
    value = float(number) * factor
    if not math.isfinite(value) or value < 0:
        raise ArgumentError(argument, text, allowed)
    return value, measure


def parse_kerma(argument: str, text: Any) -> AirKerma:
    """Air kerma [uGy] from a number (microgray) or a text such as "0.3 mR"; see :func:`parse_dose`.

    A reading in sievert or rem is taken as that of a badge whose quantity is not stated; which quantities there are,
    and how far the conversion may be off, says :mod:`filmdose.radiation.badge`.

    Parameters
    ----------
    argument
        Name for the message.
    text
        A number, a text or a quantity [at least 0].

    Returns
    -------
    float
        Air kerma [uGy].

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


def parse_duration(argument: str, text: Any) -> float:
    """Seconds in a number [s] or a text such as "5 min", "30 s", "1 h".

    Parameters
    ----------
    argument
        Name for the message.
    text
        A number, or a text with a unit.

    Returns
    -------
    float
        Seconds [at least 0].

    Raises
    ------
    ArgumentError
        Negative, not finite, or a unit that is not known.

    Examples
    --------
    >>> parse_duration("held", "5 min")
    300.0
    """
    return check_number(argument, text, low=0.0, unit="s")


def parse_hours(argument: str, text: Any) -> float:
    """Hours in a number [h] or a text such as "11h", "11,5 hours", "90 min".

    Parameters
    ----------
    argument
        Name for the message.
    text
        A number, or a text with a unit.

    Returns
    -------
    float
        Hours [at least 0].

    Raises
    ------
    ArgumentError
        Negative, not finite, or a unit that is not known.

    Examples
    --------
    >>> parse_hours("flight", "11,5h"), parse_hours("flight", "90 min")
    (11.5, 1.5)
    """
    return check_number(argument, text, low=0.0, unit="h")


def parse_days(argument: str, text: Any) -> float:
    """Days in a number [days] or a text such as "30 d", "6 weeks", "2 years".

    Parameters
    ----------
    argument
        Name for the message.
    text
        A number, or a text with a unit.

    Returns
    -------
    float
        Days [at least 0].

    Raises
    ------
    ArgumentError
        Negative, not finite, or a unit that is not known.

    Examples
    --------
    >>> parse_days("storage", "30d"), parse_days("storage", "2 years")
    (30.0, 730.5)
    """
    return check_number(argument, text, low=0.0, unit="days")


_STOPS = re.compile(
    r"([+-]?)\s*(?:(\d+)\s+)?(\d*\.?\d+)(?:\s*/\s*(\d+))?\s*(?:stops?|ev)?\s*(darker|lighter|brighter)?", re.IGNORECASE
)


def parse_stops_darker(argument: str, text: Any) -> float:
    """Stops by which something is darker, from a number or a text such as "1/3 stop", "1 1/3", "0,5 EV lighter".

    Parameters
    ----------
    argument
        Name for the message.
    text
        A number or a text [-20 to 20].

    Returns
    -------
    float
        Stops; negative where it is lighter.

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


@overload
def stops_from_log_exposure(log_exposure: Labelled) -> Labelled: ...
@overload
def stops_from_log_exposure(log_exposure: Numbers) -> FloatArray: ...
def stops_from_log_exposure(log_exposure: Numeric) -> Any:
    """Stops [factors of two] in a difference of log10 exposure: x / log10 2.

    Parameters
    ----------
    log_exposure
        Difference of log10 exposures [log10 units].

    Returns
    -------
    float or array
        Stops, same container.

    Examples
    --------
    >>> round(float(stops_from_log_exposure(0.3)), 3)
    0.997
    """
    return elementwise(lambda x: x / LOG10_2, log_exposure)


@overload
def degrees_from_speed(speed: Labelled) -> Labelled: ...
@overload
def degrees_from_speed(speed: Numbers) -> FloatArray: ...
def degrees_from_speed(speed: Numeric) -> Any:
    """Logarithmic speed in degrees: 1 + 10 log10 S, rounded to a whole number (ISO 6, ISO 5800, ISO 2240).

    Parameters
    ----------
    speed
        Arithmetic speed [ISO; above 0].

    Returns
    -------
    float or array
        Degrees, same container.

    Raises
    ------
    ArgumentError
        A speed that is not above 0.

    Examples
    --------
    >>> degrees_from_speed([100, 400, 3200]).tolist()
    [21.0, 27.0, 36.0]
    """

    def kernel(s: FloatArray) -> FloatArray:
        checked = check_array("speed", s, low=0.0, low_open=True, unit="ISO")
        return np.asarray(np.floor(1.0 + 10.0 * np.log10(checked) + 0.5))

    return elementwise(kernel, speed)


@overload
def speed_from_degrees(degrees: Labelled) -> Labelled: ...
@overload
def speed_from_degrees(degrees: Numbers) -> FloatArray: ...
def speed_from_degrees(degrees: Numeric) -> Any:
    """Arithmetic speed of a speed in degrees: 10**((degrees - 1) / 10), not rounded to the printed scale.

    Parameters
    ----------
    degrees
        Speed in degrees, such as 27.

    Returns
    -------
    float or array
        Arithmetic speed [ISO], same container.

    Raises
    ------
    ArgumentError
        Not finite.

    Examples
    --------
    >>> round(float(speed_from_degrees(27)), 1)
    398.1
    """
    return elementwise(lambda d: 10.0 ** ((check_array("degrees", d, unit="degrees") - 1.0) / 10.0), degrees)


def round_to_standard(speed: float) -> int:
    """Nearest number of the printed third-stop scale, as a speed is stated on a box.

    Parameters
    ----------
    speed
        Speed [ISO; above 0].

    Returns
    -------
    int
        A number of ``STANDARD_SPEEDS``.

    Raises
    ------
    ArgumentError
        A speed that is not above 0.

    Examples
    --------
    >>> round_to_standard(174.016)
    160
    """
    value = check_number("speed", speed, low=0.0, low_open=True, unit="ISO")
    return min(STANDARD_SPEEDS, key=lambda s: abs(math.log(value / _EXACT[s])))


@overload
def exposure_index(speed: Labelled, stops: float) -> Labelled: ...
@overload
def exposure_index(speed: Numbers, stops: float) -> FloatArray: ...
@overload
def exposure_index(speed: Numeric, stops: Numeric) -> Any: ...
def exposure_index(speed: Numeric, stops: Numeric) -> Any:
    """Exact exposure index: speed / 2**stops; NaN where stops is NaN.

    Parameters
    ----------
    speed
        Marked speed [ISO].
    stops
        Exposure to give more than at the marked speed [stops].

    Returns
    -------
    float or array
        Exposure index [ISO], broadcast over both.

    Examples
    --------
    >>> float(exposure_index(400, 1.0))
    200.0
    """
    return elementwise(lambda s, n: s * np.exp2(-n), speed, stops, name="ei_exact", attrs=_EI)


@overload
def standard_exposure_index(speed: Labelled, stops: float) -> Labelled: ...
@overload
def standard_exposure_index(speed: Numbers, stops: float) -> FloatArray: ...
@overload
def standard_exposure_index(speed: Numeric, stops: Numeric) -> Any: ...
def standard_exposure_index(speed: Numeric, stops: Numeric) -> Any:
    """Exposure index on the printed third-stop scale, the nearest not more than 0.10 stop under the exact one.

    Counted in clicks of a third of a stop from ``speed``, so that a film that
    needs nothing keeps its own number, and more exposure never ends above it:
    a speed between two printed numbers stands for itself.  What is below a tenth of a stop is
    below a meter's accuracy and is not worth a click.  NaN where
    ``stops`` is NaN; compensation that would leave the scale gives its lowest number.

    Parameters
    ----------
    speed
        Marked speed [ISO].
    stops
        Exposure to give more than at the marked speed [stops].

    Returns
    -------
    float or array
        Exposure index [ISO], a number of ``STANDARD_SPEEDS`` or ``speed`` itself, broadcast over both.

    Examples
    --------
    >>> standard_exposure_index(800, [0.0, 0.09, 0.3, 0.8, 1.0]).tolist()
    [800.0, 800.0, 640.0, 400.0, 400.0]
    >>> standard_exposure_index(31, [0.0, 0.02, 0.3]).tolist()
    [31.0, 31.0, 25.0]
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
        result = np.where(n > 0.0, np.minimum(result, s), result)
        return np.where(np.isnan(n) | np.isnan(s), np.nan, np.where(n == 0.0, s, result))

    return elementwise(kernel, speed, stops, name="ei", attrs=_EI)


def format_speed(speed: float) -> str:
    """A speed or exposure index as people read it: whole numbers without a decimal point.

    Parameters
    ----------
    speed
        Speed or exposure index [ISO].

    Returns
    -------
    str

    Examples
    --------
    >>> format_speed(400.0), format_speed(1.6)
    ('400', '1.6')
    """
    check_number("speed", speed)
    return f"{speed:.0f}" if speed >= 10 else f"{speed:.3g}"


hold_to_annotations(globals())
