"""Speeds of film: the three ISO methods, and two that look at the gradient of the shadows.

Each standard has two functions: one that turns speed points into a speed
(vectorised), and one that finds the points on curves and reports them.
Standard rounding and degrees are in :mod:`filmdose.units`.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
from scipy.optimize import brentq

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError, ValidityWarning
from filmdose.film.curves import Curve
from filmdose.result import Result
from filmdose.sensitometry.contrast import _require_rising, mean_gradient, rise, sample_exposures
from filmdose.standards import (
    FRACTION_OF_MEAN_GRADIENT,
    ISO6_CONSTANT,
    ISO6_INTERVAL,
    ISO6_RISE,
    ISO6_SPEED_POINT,
    ISO6_TOLERANCE,
    ISO2240_CONSTANT,
    ISO2240_HIGHLIGHT,
    ISO2240_SHADOW,
    ISO5800_CONSTANT,
    ISO5800_SPEED_POINT,
    MEAN_GRADIENT_INTERVAL,
)
from filmdose.units import degrees_from_speed, round_to_standard

__all__ = [
    "DeltaXSpeed",
    "FractionalGradientPoint",
    "Iso6Speed",
    "Iso2240Speed",
    "Iso5800Speed",
    "delta_x",
    "delta_x_speed",
    "fractional_gradient_point",
    "iso6",
    "iso6_speed",
    "iso2240",
    "iso2240_speed",
    "iso5800",
    "iso5800_speed",
]

#: Delta-X was published for rises over 1.30 of up to about this.
DELTA_X_LARGEST_RISE = 1.5


class _Speed(Result):
    """What every speed can be turned into."""

    speed: float

    @property
    def degrees(self) -> float:
        """Logarithmic speed [degrees]; NaN where the speed is not known."""
        return float(degrees_from_speed(self.speed))

    @property
    def standard_speed(self) -> int | None:
        """Nearest number of the printed scale, as on a box; None where the speed is not known."""
        return None if math.isnan(self.speed) else round_to_standard(self.speed)


@dataclass(frozen=True, kw_only=True)
class Iso6Speed(_Speed):
    """Speed by ISO 6, and whether its contrast condition is met.

    Parameters
    ----------
    speed
        ``0.8 / Hm`` [ISO]; NaN when the curve does not reach the speed point.
    log_speed_point
        log10 Hm [log10 lx s].
    rise_1_30
        Density difference over the 1.30 log units above Hm; 0.80 in the standard.
    contrast_met
        True when that is 0.80 within the tolerance.  Only then is the speed an ISO speed.
    """

    speed: float
    log_speed_point: float
    rise_1_30: float
    contrast_met: bool


@dataclass(frozen=True, kw_only=True)
class Iso5800Speed(_Speed):
    """Speed by ISO 5800 with the log10 exposure of each record's speed point [log10 lx s].

    Parameters
    ----------
    speed
        ``sqrt(2) / sqrt(H_green H_slowest)`` [ISO]; NaN when a record does not reach its point.
    log_red
        log10 exposure of the red record's point [log10 lx s].
    log_green
        Of the green record's.
    log_blue
        Of the blue record's.
    """

    speed: float
    log_red: float
    log_green: float
    log_blue: float

    @property
    def slowest_record(self) -> str:
        """Name of the record that needs the most exposure."""
        points = {"red": self.log_red, "green": self.log_green, "blue": self.log_blue}
        return max(points, key=lambda name: points[name])


@dataclass(frozen=True, kw_only=True)
class Iso2240Speed(_Speed):
    """Speed by ISO 2240.

    Parameters
    ----------
    speed
        ``10 / sqrt(H_T H_S)`` [ISO]; NaN when a point is not reached.
    log_highlight_point
        log10 H_T [log10 lx s], at least density + 0.20.
    log_shadow_point
        log10 H_S [log10 lx s], at least density + 2.00 or at the point of tangency.
    tangent_used
        True when the shadow point is the point of tangency.
    """

    speed: float
    log_highlight_point: float
    log_shadow_point: float
    tangent_used: bool


@dataclass(frozen=True, kw_only=True)
class DeltaXSpeed(_Speed):
    """Speed by the Delta-X criterion.

    Parameters
    ----------
    speed
        Speed on the ISO 6 scale: equal to ISO 6 at the contrast of that standard.
    log_speed_point
        log10 exposure of the shadow point [log10 lx s]: ``delta_x`` below that of ISO 6.
    delta_x
        The distance between the two [log10 units].
    rise_1_30
        Density difference over the 1.30 log units above the ISO 6 point.
    """

    speed: float
    log_speed_point: float
    delta_x: float
    rise_1_30: float


@dataclass(frozen=True, kw_only=True)
class FractionalGradientPoint(Result):
    """Where the gradient is a stated fraction of the mean gradient over the interval above it.

    Parameters
    ----------
    log_exposure
        log10 exposure of the point [log10 lx s]; NaN when the curve does not show it.
    gradient
        Gradient there [density per log10 unit].
    mean_gradient
        Mean gradient over the interval above it.
    """

    log_exposure: float
    gradient: float
    mean_gradient: float


@overload
def iso6_speed(log_speed_point: Labelled) -> Labelled: ...
@overload
def iso6_speed(log_speed_point: Numbers) -> FloatArray: ...
def iso6_speed(log_speed_point: Numeric) -> Any:
    """Speed of black-and-white negative film from its speed point: 0.8 / Hm.

    Parameters
    ----------
    log_speed_point
        log10 Hm [log10 lx s].

    Returns
    -------
    Arithmetic speed [ISO], not rounded to the printed scale.

    Raises
    ------
    ArgumentError
        Not numbers.

    References
    ----------
    iso_6

    Examples
    --------
    The straight line ``D = fog + (8/13)(x + 2.5)`` (derived): log10 Hm = -2.3375, ISO 160/23.

    >>> round(iso6_speed(-2.3375), 3)
    174.016
    """
    return elementwise(lambda x: ISO6_CONSTANT * 10.0 ** -check_array("log_speed_point", x), log_speed_point)


def iso6(curve: Curve, *, tolerance: float = ISO6_TOLERANCE) -> Iso6Speed:
    """Speed of black-and-white negative film, contrast condition checked and reported.

    ``S = 0.8 / Hm`` with Hm the exposure at least density + 0.10, valid when
    density rises by 0.80 over the next 1.30 log units.

    Parameters
    ----------
    curve
        Curve of negative material.
    tolerance
        Allowed departure from 0.80 [density; default 0.05, from memory].

    Returns
    -------
    Iso6Speed

    Raises
    ------
    ArgumentError
        A falling curve.

    Notes
    -----
    With a contrast outside the condition ``speed`` is still ``0.8 / Hm``, the
    fixed-density speed of that development; ``contrast_met`` says that it is no ISO speed.

    References
    ----------
    iso_6

    Examples
    --------
    A softplus toe (derived): 0.8 / Hm = 236.446, rise 0.764251.

    >>> from filmdose.film.curves import ToeShoulderCurve
    >>> toe = ToeShoulderCurve(unexposed_density=0.20, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)
    >>> result = iso6(toe)
    >>> round(result.speed, 3), round(result.rise_1_30, 6), result.contrast_met, result.standard_speed
    (236.446, 0.764251, True, 250)
    """
    _require_rising(curve, "ISO 6")
    allowed = check_number("tolerance", tolerance, low=0.0, unit="density")
    point = float(curve.inverse(curve.minimum_density + ISO6_SPEED_POINT))
    contrast = float(rise(curve, point, ISO6_INTERVAL))
    return Iso6Speed(
        speed=float(iso6_speed(point)),
        log_speed_point=point,
        rise_1_30=contrast,
        # one part in 1e9 of slack, so that a curve made to lie on the limit is not refused for a rounding
        contrast_met=abs(contrast - ISO6_RISE) <= allowed + 1e-9,
    )


@overload
def iso5800_speed(log_red: Labelled, log_green: float, log_blue: float) -> Labelled: ...
@overload
def iso5800_speed(log_red: Numbers, log_green: float, log_blue: float) -> FloatArray: ...
@overload
def iso5800_speed(log_red: Numeric, log_green: Numeric, log_blue: Numeric) -> Any: ...
def iso5800_speed(log_red: Numeric, log_green: Numeric, log_blue: Numeric) -> Any:
    """Speed of colour negative film from its three speed points: sqrt(2) / sqrt(H_green H_slowest).

    Parameters
    ----------
    log_red, log_green, log_blue
        log10 exposure at which each record is 0.15 above its least density [log10 lx s].

    Returns
    -------
    Arithmetic speed [ISO], not rounded to the printed scale.

    Raises
    ------
    ArgumentError
        Not numbers.

    References
    ----------
    iso_5800

    Examples
    --------
    Speed points of a digitised sheet of a 400-speed film (the formula is remembered and confirmed on them):

    >>> round(iso5800_speed(-2.437, -2.466, -2.638), 2)
    399.96
    """

    def kernel(red: FloatArray, green: FloatArray, blue: FloatArray) -> FloatArray:
        slowest = np.maximum(np.maximum(check_array("log_red", red), green), check_array("log_blue", blue))
        return np.asarray(ISO5800_CONSTANT * 10.0 ** (-0.5 * (check_array("log_green", green) + slowest)))

    return elementwise(kernel, log_red, log_green, log_blue)


def iso5800(*, red: Curve, green: Curve, blue: Curve) -> Iso5800Speed:
    """Speed of colour negative film from the curves of its three records.

    Each record's speed point lies 0.15 above its own least density, so that the
    orange mask does not count.

    Parameters
    ----------
    red, green, blue
        Curves in status M density of the records that red, green and blue light expose.

    Returns
    -------
    Iso5800Speed

    Raises
    ------
    ArgumentError
        A falling curve.

    References
    ----------
    iso_5800

    Examples
    --------
    >>> from filmdose.film.curves import MeasuredCurve
    >>> def record(point, least):
    ...     return MeasuredCurve(log_exposures=(-4, point, point + 2), densities=(least, least + 0.15, least + 1.4))
    >>> film = iso5800(red=record(-2.437, 0.22), green=record(-2.466, 0.64), blue=record(-2.638, 0.87))
    >>> film.slowest_record, round(film.speed, 2), film.degrees
    ('red', 399.96, 27.0)
    """
    points = {}
    for name, curve in (("red", red), ("green", green), ("blue", blue)):
        _require_rising(curve, "ISO 5800")
        points[f"log_{name}"] = float(curve.inverse(curve.minimum_density + ISO5800_SPEED_POINT))
    return Iso5800Speed(speed=float(iso5800_speed(**points)), **points)


@overload
def iso2240_speed(log_highlight_point: Labelled, log_shadow_point: float) -> Labelled: ...
@overload
def iso2240_speed(log_highlight_point: Numbers, log_shadow_point: float) -> FloatArray: ...
@overload
def iso2240_speed(log_highlight_point: Numeric, log_shadow_point: Numeric) -> Any: ...
def iso2240_speed(log_highlight_point: Numeric, log_shadow_point: Numeric) -> Any:
    """Speed of reversal film from its two points: 10 / sqrt(H_T H_S).

    Parameters
    ----------
    log_highlight_point, log_shadow_point
        log10 H_T and log10 H_S [log10 lx s].

    Returns
    -------
    Arithmetic speed [ISO], not rounded to the printed scale.

    Raises
    ------
    ArgumentError
        Not numbers.

    References
    ----------
    iso_2240

    Examples
    --------
    >>> import math
    >>> round(iso2240_speed(math.log10(0.50), math.log10(0.02)), 9)
    100.0
    """

    def kernel(highlight: FloatArray, shadow: FloatArray) -> FloatArray:
        middle = 0.5 * (check_array("log_highlight_point", highlight) + check_array("log_shadow_point", shadow))
        return np.asarray(ISO2240_CONSTANT * 10.0**-middle)

    return elementwise(kernel, log_highlight_point, log_shadow_point)


def iso2240(curve: Curve) -> Iso2240Speed:
    """Speed of colour reversal film, with the tangent clause.

    Highlight point T: least density + 0.20.  Shadow point S: least density + 2.00,
    or the point at which a straight line from T touches the shoulder of the curve,
    whichever has the lower density.

    Parameters
    ----------
    curve
        Curve of reversal material, in visual density.

    Returns
    -------
    Iso2240Speed

    Raises
    ------
    ArgumentError
        A rising curve.

    Notes
    -----
    The tangent clause is from memory.  Black-and-white reversal film has no ISO
    standard of its own; its makers' speeds follow the same two points (from memory).

    References
    ----------
    iso_2240

    Examples
    --------
    Least density + 0.20 at 0.50 lx s and + 2.00 at 0.02 lx s (derived):

    >>> import math
    >>> from filmdose.film.curves import MeasuredCurve
    >>> line = MeasuredCurve(
    ...     log_exposures=(math.log10(0.004), math.log10(0.02), math.log10(0.50), 0.5),
    ...     densities=(3.35, 2.15, 0.35, 0.15),
    ... )
    >>> round(iso2240(line).speed, 6)
    100.0
    """
    if curve.rising:
        raise ArgumentError("curve", "a rising curve", "a curve of reversal material", "Use iso6 or iso5800.")
    least = curve.minimum_density
    highlight = float(curve.inverse(least + ISO2240_HIGHLIGHT))
    shadow = float(curve.inverse(least + ISO2240_SHADOW))
    touching = _point_of_tangency(curve, highlight)
    # "lower density" is "more exposure" on a falling curve; 1e-6 of slack for one that is straight up to the shadow
    tangent_used = not math.isnan(touching) and (math.isnan(shadow) or touching > shadow + 1e-6)
    chosen = touching if tangent_used else shadow
    return Iso2240Speed(
        speed=float(iso2240_speed(highlight, chosen)),
        log_highlight_point=highlight,
        log_shadow_point=chosen,
        tangent_used=tangent_used,
    )


def _point_of_tangency(curve: Curve, highlight: float) -> float:
    """Log exposure at which the steepest chord from the highlight point touches the curve; NaN if none does.

    A straight stretch is touched all along: its far end counts, where the density is greatest.
    """
    x = sample_exposures(curve)
    x = x[x < highlight - 0.05]
    if math.isnan(highlight) or x.size < 3:
        return math.nan
    start = float(curve.density(highlight))
    chord = (np.asarray(curve.density(x)) - start) / (highlight - x)
    best = int(np.argmax(chord >= np.nanmax(chord) * (1.0 - 1e-9)))  # equal but for rounding
    if best in (0, x.size - 1):
        return math.nan

    def bend(at: float) -> float:
        # derivative of the chord's slope, times the square of its length
        return float(curve.gradient(at)) * (highlight - at) + float(curve.density(at)) - start

    low, high = float(x[best - 1]), float(x[best + 1])
    if bend(low) * bend(high) >= 0.0:
        return float(x[best])
    return float(brentq(bend, low, high, xtol=1e-12))


@overload
def delta_x(rise_1_30: Labelled) -> Labelled: ...
@overload
def delta_x(rise_1_30: Numbers) -> FloatArray: ...
def delta_x(rise_1_30: Numeric) -> Any:
    """Distance from the ISO 6 point down to the 0.3-gradient point: 0.83 - 0.86 dD + 0.24 dD**2.

    Parameters
    ----------
    rise_1_30
        dD: density difference over the 1.30 log units above the ISO 6 point [above 0, to 1.5].

    Returns
    -------
    Delta-X [log10 units].

    Raises
    ------
    ArgumentError
        A rise that is not above 0.

    Warns
    -----
    ValidityWarning
        A rise above 1.5, beyond the negatives that it was made for.

    Notes
    -----
    The quadratic is from memory; its published value at the contrast of ISO 6 is 0.296.

    References
    ----------
    nelson1956

    Examples
    --------
    >>> round(delta_x(0.80), 3)
    0.296
    >>> round(delta_x(0.764251), 6)  # derived, softplus toe
    0.312923
    """

    def kernel(value: FloatArray) -> FloatArray:
        d = check_array("rise_1_30", value, low=0.0, low_open=True, unit="density")
        if np.any(d > DELTA_X_LARGEST_RISE):
            warnings.warn(
                f"Delta-X is used for a rise of {np.nanmax(d):.2f} over 1.30 log units; "
                f"it was published for rises up to about {DELTA_X_LARGEST_RISE}.",
                ValidityWarning,
                stacklevel=2,
            )
        return np.asarray(0.83 - 0.86 * d + 0.24 * d * d)

    return elementwise(kernel, rise_1_30)


def delta_x_speed(curve: Curve) -> DeltaXSpeed:
    """Speed by the Delta-X criterion: the fractional-gradient speed from two fixed-density readings.

    ``S = 0.8 / Hm * 10**(dX(dD) - dX(0.80))``: the point dX below Hm, on a scale
    that agrees with ISO 6 at the contrast of that standard.

    Parameters
    ----------
    curve
        Curve of negative material.

    Returns
    -------
    DeltaXSpeed

    Raises
    ------
    ArgumentError
        A falling curve.

    Warns
    -----
    ValidityWarning
        See :func:`delta_x`.

    References
    ----------
    nelson1956

    Examples
    --------
    >>> from filmdose.film.curves import MeasuredCurve
    >>> line = MeasuredCurve(log_exposures=(-2.5, 0.1, 2.7), densities=(0.2, 1.8, 3.4))
    >>> round(delta_x_speed(line).speed, 3)  # the contrast of ISO 6, so the speed of ISO 6
    174.016
    """
    fixed = iso6(curve)
    if math.isnan(fixed.rise_1_30) or fixed.rise_1_30 <= 0.0:
        return DeltaXSpeed(speed=math.nan, log_speed_point=math.nan, delta_x=math.nan, rise_1_30=fixed.rise_1_30)
    distance = float(delta_x(fixed.rise_1_30))
    return DeltaXSpeed(
        speed=fixed.speed * 10.0 ** (distance - float(delta_x(ISO6_RISE))),
        log_speed_point=fixed.log_speed_point - distance,
        delta_x=distance,
        rise_1_30=fixed.rise_1_30,
    )


def fractional_gradient_point(
    curve: Curve, *, fraction: float = FRACTION_OF_MEAN_GRADIENT, interval: float = MEAN_GRADIENT_INTERVAL
) -> FractionalGradientPoint:
    """Shadow point at which the gradient is 0.3 of the mean gradient over the next 1.5 log units.

    ``D'(x) = fraction * [D(x + interval) - D(x)] / interval``, on the toe: the
    last such point below the steepest part of the curve.

    Parameters
    ----------
    curve
        Curve of negative material.
    fraction
        Fraction of the mean gradient [0 to 1].
    interval
        Interval of the mean gradient [log10 units; above 0].  1.5 is from memory.

    Returns
    -------
    The point; its log exposure is NaN when the curve starts above it or ends too early.

    Raises
    ------
    ArgumentError
        A falling curve, or a value out of range.

    Examples
    --------
    A softplus toe (derived): -2.726635, mean gradient 0.527747.

    >>> from filmdose.film.curves import ToeShoulderCurve
    >>> toe = ToeShoulderCurve(unexposed_density=0.20, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)
    >>> point = fractional_gradient_point(toe)
    >>> round(point.log_exposure, 6), round(point.mean_gradient, 6)
    (-2.726635, 0.527747)

    References
    ----------
    asa_z38_2_1_1947, jones1939
    """
    _require_rising(curve, "the fractional gradient")
    share = check_number("fraction", fraction, low=0.0, high=1.0, low_open=True)
    length = check_number("interval", interval, low=0.0, low_open=True, unit="log10 units")
    missing = FractionalGradientPoint(log_exposure=math.nan, gradient=math.nan, mean_gradient=math.nan)

    def excess(at: Any) -> Any:
        return np.asarray(curve.gradient(at)) - share * np.asarray(mean_gradient(curve, at, length))

    x = sample_exposures(curve)
    steepness = np.asarray(curve.gradient(x))
    above = excess(x)
    known = ~np.isnan(above)
    x, steepness, above = x[known], steepness[known], above[known]
    if x.size < 2:
        return missing
    upward = np.flatnonzero((above[:-1] < 0.0) & (above[1:] >= 0.0))
    upward = upward[upward < int(np.argmax(steepness))]
    if upward.size == 0:
        return missing
    at = float(brentq(lambda v: float(excess(v)), x[upward[-1]], x[upward[-1] + 1], xtol=1e-13))
    return FractionalGradientPoint(
        log_exposure=at, gradient=float(curve.gradient(at)), mean_gradient=float(mean_gradient(curve, at, length))
    )


hold_to_annotations(globals())
