"""Density against log10 exposure: the one protocol, and the curves that need no model of grains.

A *curve* is density against log10 exposure [lux second] of one record of a film
(or of a paper) in one state of development and fog.  Negative material has a
gradient that is nowhere negative, reversal material one that is nowhere positive.
Every sensitometric function works on the protocol :class:`Curve` alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal, Protocol, overload, runtime_checkable

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, as_float_tuple, check_number, elementwise
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.result import Result

if TYPE_CHECKING:
    import pandas as pd
    from scipy.interpolate import PchipInterpolator

__all__ = ["Curve", "MeasuredCurve", "ToeShoulderCurve", "softplus"]

#: Beyond this many widths a softplus ramp differs from its asymptote by less than 2e-7 of a width.
_SETTLED_WIDTHS = 16.0


@runtime_checkable
class Curve(Protocol):
    """Density as a monotone function of log10 exposure."""

    @property
    def minimum_density(self) -> float:
        """Least density of the curve: base plus fog of negative material."""
        ...

    @property
    def maximum_density(self) -> float:
        """Greatest density of the curve."""
        ...

    @property
    def log_exposure_range(self) -> tuple[float, float]:
        """Log10 exposure interval [log10 lx s] outside which nothing more is known or nothing more happens."""
        ...

    @property
    def rising(self) -> bool:
        """True for negative material, False for reversal."""
        ...

    def density(self, log_exposure: Any, /) -> Any:
        """Density at log10 exposure; same container out as in."""
        ...

    def gradient(self, log_exposure: Any, /) -> Any:
        """dD/dlog10 H at log10 exposure; same container out as in."""
        ...

    def inverse(self, density: Any, /) -> Any:
        """Log10 exposure that gives ``density``; NaN where the curve does not reach it."""
        ...


def softplus(value: FloatArray) -> FloatArray:
    """ln(1 + e**u), without overflow and exact to the last digits at both ends.

    Parameters
    ----------
    value
        u, any shape.

    Returns
    -------
    ndarray
        Same shape.

    Examples
    --------
    >>> float(softplus(np.asarray(0.0)))  # ln 2
    0.6931471805599453
    """
    number = np.asarray(value, dtype=np.float64)
    return np.asarray(np.maximum(number, 0.0) + np.log1p(np.exp(-np.abs(number))))


def _logistic(value: FloatArray) -> FloatArray:
    small = np.exp(-np.abs(value))
    return np.asarray(np.where(value >= 0.0, 1.0, small) / (1.0 + small))


def _where_reached(
    function: Callable[[FloatArray], Any], first: FloatArray, second: FloatArray, target: FloatArray
) -> FloatArray:
    """Log exposure between ``first`` and ``second`` at which a monotone function is ``target``."""
    from scipy.optimize import elementwise as scipy_elementwise

    find_root: Any = scipy_elementwise.find_root
    bracket = (np.minimum(first, second), np.maximum(first, second))
    tolerances = {"xatol": 1e-14, "xrtol": 0.0}
    return np.asarray(find_root(lambda x, t: function(x) - t, bracket, args=(target,), tolerances=tolerances).x)


@dataclass(frozen=True, kw_only=True)
class MeasuredCurve(Result):
    """Monotone interpolation through measured points, never overshooting them.

    Piecewise cubic Hermite polynomials with the slopes of Fritsch and Butland
    (PCHIP): between two readings the curve stays between them, so that a toe
    never dips below the least reading.

    Parameters
    ----------
    log_exposures
        Log10 exposure of the readings [log10 lx s], strictly increasing, at least three.
    densities
        Density of the readings; nowhere falling, or nowhere rising.  Readings whose
        noise breaks this are a matter for a fit, not for interpolation.
    outside
        What holds outside the readings: "unknown" gives NaN, "hold" keeps the
        density of the last reading with a gradient of zero.

    Raises
    ------
    ArgumentError
        Fewer than three points, lengths that differ, an order or a direction that changes.

    Notes
    -----
    Where several exposures give the same density, ``inverse`` returns the least of them.

    Examples
    --------
    >>> curve = MeasuredCurve(log_exposures=(-3, -2, -1, 0), densities=(0.2, 0.3, 0.9, 1.5))
    >>> curve.inverse(0.9)
    -1.0
    >>> curve.density([-3, 1]).tolist()
    [0.2, nan]

    References
    ----------
    fritsch1984
    """

    log_exposures: tuple[float, ...]
    densities: tuple[float, ...]
    outside: Literal["unknown", "hold"] = "unknown"

    def __post_init__(self) -> None:
        x = as_float_tuple("log_exposures", self.log_exposures)
        d = as_float_tuple("densities", self.densities)
        object.__setattr__(self, "log_exposures", x)
        object.__setattr__(self, "densities", d)
        if self.outside not in ("unknown", "hold"):
            raise UnknownNameError("outside", self.outside, ("unknown", "hold"))
        if len(x) < 3 or len(x) != len(d):
            raise ArgumentError(
                "densities", f"{len(d)} densities for {len(x)} log exposures", "at least three points, one density each"
            )
        back = np.flatnonzero(np.diff(x) <= 0.0)
        if back.size:
            raise ArgumentError("log_exposures", x[back[0] + 1], "strictly increasing", "Sort the readings first.")
        rise = np.diff(d)
        if np.all(rise == 0.0) or (np.any(rise > 0.0) and np.any(rise < 0.0)):
            raise ArgumentError(
                "densities",
                d,
                "densities that only rise or only fall",
                "Fit noisy readings with filmdose.film.fitting instead of interpolating them.",
            )

    @cached_property
    def _polynomial(self) -> PchipInterpolator:
        from scipy.interpolate import PchipInterpolator

        return PchipInterpolator(np.asarray(self.log_exposures), np.asarray(self.densities), extrapolate=False)

    @cached_property
    def _slope(self) -> Any:
        return self._polynomial.derivative()

    @property
    def minimum_density(self) -> float:
        """Least reading."""
        return min(self.densities)

    @property
    def maximum_density(self) -> float:
        """Greatest reading."""
        return max(self.densities)

    @property
    def log_exposure_range(self) -> tuple[float, float]:
        """First and last log10 exposure that was measured [log10 lx s]."""
        return self.log_exposures[0], self.log_exposures[-1]

    @property
    def rising(self) -> bool:
        """True when density rises with exposure."""
        return self.densities[-1] > self.densities[0]

    @overload
    def density(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def density(self, log_exposure: Numbers) -> FloatArray: ...
    def density(self, log_exposure: Numeric) -> Any:
        """Density at log10 exposure [log10 lx s]; outside the readings as ``outside`` says."""

        def kernel(x: FloatArray) -> FloatArray:
            inside = np.clip(x, *self.log_exposure_range) if self.outside == "hold" else x
            # The last bit of a polynomial may lie outside the readings that it passes through.
            return np.clip(self._polynomial(inside), self.minimum_density, self.maximum_density)

        return elementwise(kernel, log_exposure)

    @overload
    def gradient(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def gradient(self, log_exposure: Numbers) -> FloatArray: ...
    def gradient(self, log_exposure: Numeric) -> Any:
        """dD/dlog10 H at log10 exposure; outside the readings NaN, or zero when held."""

        def kernel(x: FloatArray) -> FloatArray:
            slope = np.asarray(self._slope(x))
            if self.outside == "hold":
                slope = np.where((x < self.log_exposures[0]) | (x > self.log_exposures[-1]), 0.0, slope)
            return slope

        return elementwise(kernel, log_exposure)

    @overload
    def inverse(self, density: Labelled) -> Labelled: ...
    @overload
    def inverse(self, density: Numbers) -> FloatArray: ...
    def inverse(self, density: Numeric) -> Any:
        """Least log10 exposure that gives ``density``; NaN where no reading reaches it."""
        order = slice(None) if self.rising else slice(None, None, -1)
        x = np.asarray(self.log_exposures)[order]
        d = np.asarray(self.densities)[order]

        def kernel(wanted: FloatArray) -> FloatArray:
            reached = (wanted >= d[0]) & (wanted <= d[-1])
            target = np.where(reached, wanted, d[0])
            upper = np.clip(np.searchsorted(d, target, side="left"), 1, d.size - 1)
            found = _where_reached(self._polynomial, x[upper - 1], x[upper], target)
            # At a reading itself the answer is that reading; with several alike, the least exposure of them.
            knot = np.searchsorted(d, target, side="left" if self.rising else "right") - (0 if self.rising else 1)
            knot = np.clip(knot, 0, d.size - 1)
            found = np.where(d[knot] == target, x[knot], found)
            return np.where(reached, found, np.nan)

        return elementwise(kernel, density)

    def to_dataframe(self) -> pd.DataFrame:
        """The points: log_exposure [log10 lx s] and density."""
        import pandas as pd

        return pd.DataFrame({"log_exposure": self.log_exposures, "density": self.densities})


@dataclass(frozen=True, kw_only=True)
class ToeShoulderCurve(Result):
    """Toe, straight line and shoulder as the difference of two softplus ramps.

    ``D(x) = D0 + g [ w_t softplus((x - x_t) / w_t) - w_s softplus((x - x_s) / w_s) ]``
    with ``softplus(u) = ln(1 + e**u)``.  With both widths equal the inverse is
    exact and closed; otherwise it is found by bracketed root search.

    Parameters
    ----------
    unexposed_density
        ``D0``, density without exposure: base plus fog of a negative, greatest density of a reversal film.
    slope
        ``g``, gradient of the straight line; below zero for reversal material.
    toe_log_exposure, toe_width
        ``x_t``, ``w_t`` [log10 lx s]: where the straight line meets ``D0``, and how round that corner is.
    shoulder_log_exposure, shoulder_width
        ``x_s``, ``w_s``: the other corner; no shoulder when left out, the toe's width when that is left out.

    Raises
    ------
    ArgumentError
        A width that is not positive, a slope of zero, a shoulder before the toe.

    Notes
    -----
    With unequal widths the difference of the ramps turns back, by a tiny amount,
    beyond the point where both have the same gradient: the curve is held there,
    so that it stays monotone.

    Examples
    --------
    >>> curve = ToeShoulderCurve(unexposed_density=0.20, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)
    >>> round(curve.inverse(0.30), 7)
    -2.4706429
    """

    unexposed_density: float
    slope: float
    toe_log_exposure: float
    toe_width: float
    shoulder_log_exposure: float | None = None
    shoulder_width: float | None = None

    def __post_init__(self) -> None:
        for name in ("unexposed_density", "slope", "toe_log_exposure"):
            object.__setattr__(self, name, check_number(name, getattr(self, name)))
        width = check_number("toe_width", self.toe_width, low=0.0, low_open=True)
        object.__setattr__(self, "toe_width", width)
        if self.slope == 0.0:
            raise ArgumentError("slope", self.slope, "a number other than 0")
        if self.shoulder_log_exposure is None:
            if self.shoulder_width is not None:
                raise ArgumentError("shoulder_width", self.shoulder_width, "left out when there is no shoulder")
            return
        shoulder = check_number(
            "shoulder_log_exposure", self.shoulder_log_exposure, low=self.toe_log_exposure, low_open=True
        )
        object.__setattr__(self, "shoulder_log_exposure", shoulder)
        if self.shoulder_width is not None:
            width = check_number("shoulder_width", self.shoulder_width, low=0.0, low_open=True)
        object.__setattr__(self, "shoulder_width", width)

    @cached_property
    def _held(self) -> tuple[float, float]:
        """Log exposure interval in which the difference of the ramps is monotone."""
        if self.shoulder_log_exposure is None or self.shoulder_width is None:
            return -math.inf, math.inf
        narrower = 1.0 / self.toe_width - 1.0 / self.shoulder_width
        if narrower == 0.0:
            return -math.inf, math.inf
        turn = (self.toe_log_exposure / self.toe_width - self.shoulder_log_exposure / self.shoulder_width) / narrower
        return (turn, math.inf) if narrower > 0.0 else (-math.inf, turn)

    @property
    def _ends(self) -> tuple[float, float]:
        """Density towards no exposure and towards endless exposure."""
        low, high = self._held
        start = self.unexposed_density if math.isinf(low) else float(self.density(low))
        if self.shoulder_log_exposure is None:
            return start, math.copysign(math.inf, self.slope)
        net = self.slope * (self.shoulder_log_exposure - self.toe_log_exposure)
        return start, self.unexposed_density + net if math.isinf(high) else float(self.density(high))

    @property
    def minimum_density(self) -> float:
        """Least density; minus infinity for a falling line without a shoulder."""
        return min(self._ends)

    @property
    def maximum_density(self) -> float:
        """Greatest density; infinity for a rising line without a shoulder."""
        return max(self._ends)

    @property
    def log_exposure_range(self) -> tuple[float, float]:
        """Interval in which density changes; without a shoulder it ends four units beyond the toe."""
        low, high = self._held
        first = max(low, self.toe_log_exposure - _SETTLED_WIDTHS * self.toe_width)
        if self.shoulder_log_exposure is None or self.shoulder_width is None:
            return first, self.toe_log_exposure + max(4.0, _SETTLED_WIDTHS * self.toe_width)
        return first, min(high, self.shoulder_log_exposure + _SETTLED_WIDTHS * self.shoulder_width)

    @property
    def rising(self) -> bool:
        """True when density rises with exposure."""
        return self.slope > 0.0

    @overload
    def density(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def density(self, log_exposure: Numbers) -> FloatArray: ...
    def density(self, log_exposure: Numeric) -> Any:
        """Density at log10 exposure [log10 lx s]."""

        def kernel(x: FloatArray) -> FloatArray:
            x = np.clip(x, *self._held)
            ramps = self.toe_width * softplus((x - self.toe_log_exposure) / self.toe_width)
            if self.shoulder_log_exposure is not None and self.shoulder_width is not None:
                ramps = ramps - self.shoulder_width * softplus((x - self.shoulder_log_exposure) / self.shoulder_width)
            return np.asarray(self.unexposed_density + self.slope * ramps)

        return elementwise(kernel, log_exposure)

    @overload
    def gradient(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def gradient(self, log_exposure: Numbers) -> FloatArray: ...
    def gradient(self, log_exposure: Numeric) -> Any:
        """dD/dlog10 H at log10 exposure [log10 lx s]."""

        def kernel(x: FloatArray) -> FloatArray:
            steps = _logistic((x - self.toe_log_exposure) / self.toe_width)
            if self.shoulder_log_exposure is not None and self.shoulder_width is not None:
                steps = steps - _logistic((x - self.shoulder_log_exposure) / self.shoulder_width)
            low, high = self._held
            return np.where((x < low) | (x > high), 0.0, self.slope * steps)

        return elementwise(kernel, log_exposure)

    @overload
    def inverse(self, density: Labelled) -> Labelled: ...
    @overload
    def inverse(self, density: Numbers) -> FloatArray: ...
    def inverse(self, density: Numeric) -> Any:
        """Log10 exposure that gives ``density``; NaN where the curve does not reach it."""
        if self.shoulder_width is None or self.shoulder_width == self.toe_width:
            return elementwise(self._closed_inverse, density)
        return elementwise(self._searched_inverse, density)

    def _closed_inverse(self, wanted: FloatArray) -> FloatArray:
        width = self.toe_width
        length = (
            math.inf
            if self.shoulder_log_exposure is None
            else (self.shoulder_log_exposure - self.toe_log_exposure) / width
        )
        y = (wanted - self.unexposed_density) / (self.slope * width)
        reached = (y > 0.0) & (y < length)
        y = np.where(reached, y, 0.5 * min(length, 2.0))
        # ln(e**y - 1) - ln(1 - e**(y - length)), each in the form that keeps its digits
        steps = y + np.log(-np.expm1(-y)) - np.log(-np.expm1(y - length))
        return np.where(reached, self.toe_log_exposure + width * steps, np.nan)

    def _searched_inverse(self, wanted: FloatArray) -> FloatArray:
        low, high = self.log_exposure_range
        at_ends = np.asarray(self.density([low, high]))
        reached = (wanted >= at_ends.min()) & (wanted <= at_ends.max())
        target = np.where(reached, wanted, at_ends[0])
        found = _where_reached(self.density, np.full_like(target, low), np.full_like(target, high), target)
        return np.where(reached, found, np.nan)


hold_to_annotations(globals())
