"""Contrast of a curve: mean gradients, contrast index, the straight line and its inertia."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, overload

import numpy as np
from scipy.optimize import brentq

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_number, elementwise
from filmdose.errors import ArgumentError
from filmdose.film.curves import Curve
from filmdose.result import Result
from filmdose.standards import ISO6_INTERVAL

__all__ = ["StraightLine", "contrast_index", "mean_gradient", "rise", "sample_exposures", "straight_line"]

#: Spacing at which a curve is sampled before a point on it is refined [log10 units].
SAMPLE_SPACING = 0.01

#: The straight line of a curve is where its gradient is at least this fraction of the steepest (our definition).
STRAIGHT_FRACTION = 0.95


def sample_exposures(curve: Curve) -> FloatArray:
    """Log exposures over the whole range of a curve, at most 0.01 apart."""
    low, high = curve.log_exposure_range
    return np.linspace(low, high, max(101, math.ceil((high - low) / SAMPLE_SPACING) + 1))


@overload
def rise(curve: Curve, log_exposure: Labelled, interval: float = ...) -> Labelled: ...
@overload
def rise(curve: Curve, log_exposure: Numbers, interval: float = ...) -> FloatArray: ...
def rise(curve: Curve, log_exposure: Numeric, interval: float = ISO6_INTERVAL) -> Any:
    """Density difference over a log-exposure interval: D(x + interval) - D(x).

    Parameters
    ----------
    curve
        Any curve.
    log_exposure
        Where the interval starts [log10 lx s].
    interval
        Its length [log10 units; above 0]; 1.30 is that of ISO 6.

    Returns
    -------
    Density difference; below zero for reversal material, NaN where the curve is not known.

    Raises
    ------
    ArgumentError
        An interval that is not above 0.

    References
    ----------
    iso_6

    Examples
    --------
    A straight line of gradient 8/13 rises by 0.80:

    >>> from filmdose.film.curves import MeasuredCurve
    >>> line = MeasuredCurve(log_exposures=(-2.5, 0.1, 2.7), densities=(0.2, 1.8, 3.4))
    >>> round(rise(line, -2.3375), 12)
    0.8
    """
    length = check_number("interval", interval, low=0.0, low_open=True, unit="log10 units")
    return elementwise(lambda x: np.asarray(curve.density(x + length)) - np.asarray(curve.density(x)), log_exposure)


@overload
def mean_gradient(curve: Curve, log_exposure: Labelled, interval: float = ...) -> Labelled: ...
@overload
def mean_gradient(curve: Curve, log_exposure: Numbers, interval: float = ...) -> FloatArray: ...
def mean_gradient(curve: Curve, log_exposure: Numeric, interval: float = 1.5) -> Any:
    """Mean gradient over a log-exposure interval: [D(x + interval) - D(x)] / interval.

    Parameters
    ----------
    curve
        Any curve.
    log_exposure
        Where the interval starts [log10 lx s].
    interval
        Its length [log10 units; above 0]: 1.5 goes with the fractional-gradient
        speed, 1.30 with ISO 6.

    Returns
    -------
    Density per log10 unit; NaN where the curve is not known.

    Raises
    ------
    ArgumentError
        An interval that is not above 0.

    References
    ----------
    asa_z38_2_1_1947

    Examples
    --------
    Over the 1.5 log units above its 0.3-gradient point, a softplus toe (derived value):

    >>> from filmdose.film.curves import ToeShoulderCurve
    >>> toe = ToeShoulderCurve(unexposed_density=0.20, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)
    >>> round(mean_gradient(toe, -2.726635), 6)
    0.527747
    """
    start: Any = log_exposure
    return rise(curve, start, interval) / interval


def contrast_index(curve: Curve, *, small_radius: float = 0.2, large_radius: float = 2.2) -> float:
    """Contrast index: slope of the line through the useful part of a negative's curve.

    Two arcs, of radius 0.2 and 2.2, share a centre on the base-plus-fog line;
    where centre and the two crossings with the curve lie in line, the slope of
    that line is the contrast index.  With angle t of the line it is tan t of

        x(Dmin + 2.2 sin t) - x(Dmin + 0.2 sin t) = 2.0 cos t,   x(D) the inverse of the curve.

    Parameters
    ----------
    curve
        Curve of negative material; its least density is base plus fog.
    small_radius, large_radius
        Radii of the arcs, in units of density and of log10 exposure alike.

    Returns
    -------
    Contrast index [density per log10 unit]; NaN when the curve ends before the larger arc.

    Raises
    ------
    ArgumentError
        A falling curve, or radii that are not in order.

    Examples
    --------
    For a straight line that starts on the base-plus-fog line it equals gamma:

    >>> from filmdose.film.curves import MeasuredCurve
    >>> line = MeasuredCurve(log_exposures=(-2.5, -1.5, 1.5), densities=(0.2, 0.8, 2.6))
    >>> round(contrast_index(line), 9)
    0.6

    References
    ----------
    kodak_f14
    """
    _require_rising(curve, "contrast_index")
    small = check_number("small_radius", small_radius, low=0.0, low_open=True)
    large = check_number("large_radius", large_radius, low=small, low_open=True)
    least = curve.minimum_density

    def mismatch(angle: FloatArray) -> FloatArray:
        near, far = (np.asarray(curve.inverse(least + radius * np.sin(angle))) for radius in (small, large))
        return np.asarray(far - near - (large - small) * np.cos(angle))

    angles = np.linspace(0.01, 0.5 * math.pi - 1e-3, 300)
    values = mismatch(angles)
    crossing = np.flatnonzero((values[:-1] < 0.0) & (values[1:] >= 0.0))
    if crossing.size == 0:
        return math.nan
    first = crossing[0]
    angle = float(brentq(lambda t: float(mismatch(np.asarray(t))), angles[first], angles[first + 1], xtol=1e-13))
    return math.tan(angle)


@dataclass(frozen=True, kw_only=True)
class StraightLine(Result):
    """Regression line through the straight part of a curve.

    Parameters
    ----------
    gamma
        Its slope [density per log10 unit].
    log_inertia
        Log10 exposure at which it meets the density without exposure [log10 lx s].
    log_exposure_low, log_exposure_high
        The part of the curve that was used [log10 lx s].
    rms
        Root mean square deviation of the curve from the line there [density].
    """

    gamma: float
    log_inertia: float
    log_exposure_low: float
    log_exposure_high: float
    rms: float

    @property
    def inertia(self) -> float:
        """Exposure at which the line meets the density without exposure [lx s] (Hurter and Driffield)."""
        return float(10.0**self.log_inertia)


def straight_line(
    curve: Curve, *, log_exposure_interval: tuple[float, float] | None = None, fraction: float = STRAIGHT_FRACTION
) -> StraightLine:
    """Gamma and inertia by least squares on the straight part of a curve.

    Parameters
    ----------
    curve
        Any curve.
    log_exposure_interval
        The part to use [log10 lx s]; when left out, the stretch around the steepest
        point where the gradient is at least ``fraction`` of the steepest.
    fraction
        See above [0 to 1].  0.95 is our definition: handbooks take the line by eye.

    Returns
    -------
    The line; its log inertia is where it meets the least density of a rising
    curve, the greatest of a falling one.

    Raises
    ------
    ArgumentError
        An interval in which the curve is not known.

    Examples
    --------
    >>> from filmdose.film.curves import ToeShoulderCurve
    >>> curve = ToeShoulderCurve(
    ...     unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.1, shoulder_log_exposure=0.5
    ... )
    >>> line = straight_line(curve)
    >>> round(line.gamma, 3), round(line.log_inertia, 2)
    (0.649, -2.5)

    References
    ----------
    hurter1890
    """
    share = check_number("fraction", fraction, low=0.0, high=1.0)
    if log_exposure_interval is None:
        x = sample_exposures(curve)
        steepness = np.abs(np.asarray(curve.gradient(x)))
        enough = steepness >= share * np.nanmax(steepness)
        steepest = int(np.nanargmax(steepness))
        too_flat = np.flatnonzero(~enough)
        first = too_flat[too_flat < steepest].max(initial=-1) + 1
        last = too_flat[too_flat > steepest].min(initial=x.size) - 1
        low, high = float(x[max(0, min(first, last - 1))]), float(x[min(x.size - 1, max(last, first + 1))])
    else:
        low = check_number("log_exposure_interval", log_exposure_interval[0])
        high = check_number("log_exposure_interval", log_exposure_interval[1], low=low, low_open=True)
    x = np.linspace(low, high, 201)
    density = np.asarray(curve.density(x))
    if np.any(np.isnan(density)):
        raise ArgumentError(
            "log_exposure_interval",
            (low, high),
            f"an interval within {curve.log_exposure_range}, where the curve is known",
        )
    gamma, intercept = np.polyfit(x, density, 1)
    start = curve.minimum_density if curve.rising else curve.maximum_density
    return StraightLine(
        gamma=float(gamma),
        log_inertia=float((start - intercept) / gamma),
        log_exposure_low=low,
        log_exposure_high=high,
        rms=float(np.sqrt(np.mean((gamma * x + intercept - density) ** 2))),
    )


def _require_rising(curve: Curve, what: str) -> None:
    if not curve.rising:
        raise ArgumentError(
            "curve", "a falling curve", "a curve of negative material", f"{what} is not defined for reversal material."
        )


hold_to_annotations(globals())
