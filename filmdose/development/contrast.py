"""Contrast against time of development, by Sheppard and Mees: gamma(t) = gamma_inf (1 - exp(-k (t - t0))).

Through two contrasts by the closed formula, through any number by least squares with standard errors. t0 is the
induction time, in which nothing shows yet; 0 unless it is asked for.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any, cast, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError
from filmdose.result import Result

if TYPE_CHECKING:
    import pandas as pd

    from filmdose.names import Quantity, WithUnit

__all__ = ["DevelopmentCurve", "DevelopmentFit", "development_curve", "fit_development"]

_TIME = (("time_min", "min"),)

#: A limit of contrast that is known no better than to this share of itself is not called found (our choice).
WORST_RELATIVE_ERROR = 0.5


@dataclass(frozen=True, kw_only=True)
class DevelopmentCurve(Result):
    """Contrast against time of development: gamma(t) = gamma_inf (1 - exp(-k (t - t0))), 0 before t0.

    Parameters
    ----------
    gamma_infinity
        Contrast that no time of development passes [density per log unit; > 0].
    rate_per_min
        k [1/min; > 0].
    induction_min
        t0, time before anything shows [min; >= 0].

    References
    ----------
    sheppard1907
    """

    gamma_infinity: float
    rate_per_min: float
    induction_min: float = 0.0

    def __post_init__(self) -> None:
        for name in ("gamma_infinity", "rate_per_min"):
            object.__setattr__(self, name, check_number(name, getattr(self, name), low=0.0, low_open=True))
        object.__setattr__(
            self, "induction_min", check_number("induction_min", self.induction_min, low=0.0, unit="min")
        )

    @overload
    def gamma(self, time_min: Labelled) -> Labelled: ...
    @overload
    def gamma(self, time_min: Numbers) -> FloatArray: ...
    def gamma(self, time_min: Numeric) -> Any:
        """Contrast after a time of development [min; >= 0]; the caller's container."""

        def kernel(t: FloatArray) -> FloatArray:
            checked = check_array("time_min", t, low=0.0, unit="min")
            shown = np.maximum(checked - self.induction_min, 0.0)
            return np.asarray(-self.gamma_infinity * np.expm1(-self.rate_per_min * shown))

        return elementwise(kernel, time_min, units=_TIME)

    @overload
    def time_min(self, gamma: Labelled) -> Labelled: ...
    @overload
    def time_min(self, gamma: Numbers) -> FloatArray: ...
    def time_min(self, gamma: Numeric) -> Any:
        """Time of development for a contrast [min]; NaN where no time gives it.

        Examples
        --------
        Three tenths more contrast cost half as much time again:

        >>> curve = development_curve(gamma_short=0.50, gamma_long=0.75, time_short_min=4.0)
        >>> round(curve.time_min(0.65), 2)
        6.06
        """

        def kernel(g: FloatArray) -> FloatArray:
            checked = check_array("gamma", g, low=0.0, unit="density per log unit")
            reached = checked < self.gamma_infinity
            share = np.where(reached, checked / self.gamma_infinity, 0.0)
            return np.where(reached, self.induction_min - np.log1p(-share) / self.rate_per_min, np.nan)

        return elementwise(kernel, gamma)


def development_curve(*, gamma_short: float, gamma_long: float, time_short_min: float) -> DevelopmentCurve:
    """Curve through the contrasts after a time and after twice that time.

    k = ln(gamma1 / (gamma2 - gamma1)) / t,  gamma_inf = gamma1**2 / (2 gamma1 - gamma2)

    Parameters
    ----------
    gamma_short, gamma_long
        Contrast after ``time_short_min`` and after twice as long [gamma_short < gamma_long < 2 gamma_short].
    time_short_min
        The shorter time [min; > 0].

    Returns
    -------
    DevelopmentCurve

    Raises
    ------
    ArgumentError
        The contrasts do not lie on such a curve.

    References
    ----------
    sheppard1907

    Examples
    --------
    >>> curve = development_curve(gamma_short=0.50, gamma_long=0.75, time_short_min=4.0)
    >>> round(curve.rate_per_min, 6), round(curve.gamma_infinity, 6)
    (0.173287, 1.0)
    """
    short = check_number("gamma_short", gamma_short, low=0.0, low_open=True)
    time = check_number("time_short_min", time_short_min, low=0.0, low_open=True, unit="min")
    long = check_number("gamma_long", gamma_long, low=0.0, low_open=True)
    if not short < long < 2.0 * short:
        raise ArgumentError(
            "gamma_long",
            gamma_long,
            f"more than gamma_short = {short:g} and less than twice as much",
            "Contrast must rise, and rise more slowly in the second half of the time.",
        )
    return DevelopmentCurve(
        gamma_infinity=short**2 / (2.0 * short - long), rate_per_min=math.log(short / (long - short)) / time
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class DevelopmentFit(Result):
    """A curve through measured contrasts, with its errors.

    Parameters
    ----------
    curve
        The curve of least squares.
    errors
        Standard error of every parameter that was fitted, by name; NaN where there is no reading to spare and no
        error of the readings was given.
    covariance
        Of the fitted parameters, in the order of ``errors``.
    times_min, gammas
        The readings.
    residuals
        Reading less curve [density per log unit].
    rms
        Root of the mean square of the residuals [density per log unit].
    notes
        What belongs to the figures, in sentences.
    """

    curve: DevelopmentCurve
    errors: dict[str, float]
    covariance: FloatArray
    times_min: FloatArray
    gammas: FloatArray
    residuals: FloatArray
    rms: float
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        values = ", ".join(f"{name} {getattr(self.curve, name):.4g} +- {e:.2g}" for name, e in self.errors.items())
        return f"DevelopmentFit({self.times_min.size} times: {values}; rms {self.rms:.3g})"

    @overload
    def gamma(self, time_min: Labelled) -> Labelled: ...
    @overload
    def gamma(self, time_min: Numbers) -> FloatArray: ...
    def gamma(self, time_min: Numeric) -> Any:
        """Contrast after a time [min]; the caller's container."""
        found: Any = self.curve.gamma(cast("FloatArray", time_min))
        return found

    @overload
    def gamma_error(self, time_min: Labelled) -> Labelled: ...
    @overload
    def gamma_error(self, time_min: Numbers) -> FloatArray: ...
    def gamma_error(self, time_min: Numeric) -> Any:
        """Standard error of the fitted contrast, sqrt(g' C g) with g its gradient in the parameters."""

        def kernel(t: FloatArray) -> FloatArray:
            slope = _slopes(self.curve, np.atleast_1d(t))[: len(self.errors)]
            found = np.sqrt(np.einsum("in,ij,jn->n", slope, self.covariance, slope))
            return np.asarray(found.reshape(np.shape(t)))

        return elementwise(kernel, time_min, units=_TIME)

    def time_for(self, gamma: float) -> tuple[float, float]:
        """Time for a contrast and its standard error [min], error of gamma over dgamma/dt; NaN out of reach."""
        time = float(self.curve.time_min(gamma))
        left = self.curve.gamma_infinity - gamma
        return time, float(self.gamma_error(time)) / (self.curve.rate_per_min * left) if left > 0.0 else math.nan

    def time_for_factor(self, factor: float, normal_min: float) -> tuple[float, float]:
        """Time for ``factor`` times the contrast of the normal time, with standard error [min]; NaN out of reach."""
        share = check_number("factor", factor, low=0.0, low_open=True)
        normal = check_number("normal_min", normal_min, low=0.0, low_open=True, unit="min")

        def time(values: Sequence[float]) -> float:
            curve = DevelopmentCurve(**dict(zip(self.errors, values, strict=True)))
            return float(curve.time_min(share * float(curve.gamma(normal))))

        fitted = [float(getattr(self.curve, name)) for name in self.errors]
        slope = []
        for place, value in enumerate(fitted):
            step = 1e-5 * max(abs(value), 1e-3)
            ends = [time([v + sign * step * (place == n) for n, v in enumerate(fitted)]) for sign in (1.0, -1.0)]
            slope.append((ends[0] - ends[1]) / (2.0 * step))
        return time(fitted), float(np.sqrt(np.array(slope) @ self.covariance @ np.array(slope)))

    def factors(self, normal_min: float) -> tuple[float, float]:
        """Contrast after the shortest and the longest time that was read, over that after the normal time."""
        ends = self.curve.gamma([float(self.times_min.min()), float(self.times_min.max())])
        normal = float(self.curve.gamma(check_number("normal_min", normal_min, low=0.0, low_open=True, unit="min")))
        return float(ends[0]) / normal, float(ends[1]) / normal

    def to_dataframe(self) -> pd.DataFrame:
        """One row a reading: time_min, gamma, fitted, fitted_error, residual."""
        import pandas as pd

        return pd.DataFrame(
            {
                "time_min": self.times_min,
                "gamma": self.gammas,
                "fitted": self.gamma(self.times_min),
                "fitted_error": self.gamma_error(self.times_min),
                "residual": self.residuals,
            }
        )


def _slopes(curve: DevelopmentCurve, t: FloatArray) -> FloatArray:
    """Derivatives of gamma by gamma_inf, k and t0, one row each."""
    shown = np.maximum(t - curve.induction_min, 0.0)
    left = curve.gamma_infinity * np.exp(-curve.rate_per_min * shown)
    return np.stack(
        [1.0 - left / curve.gamma_infinity, shown * left, np.where(shown > 0, -curve.rate_per_min * left, 0)]
    )


def fit_development(
    times_min: Sequence[WithUnit] | Quantity | pd.DataFrame,
    gammas: Sequence[float] | None = None,
    *,
    induction: bool = False,
    gamma_error: float | None = None,
) -> DevelopmentFit:
    """Fit gamma(t) = gamma_inf (1 - exp(-k (t - t0))) to any number of times by least squares.

    Parameters
    ----------
    times_min
        Times of development [min; > 0]; or a DataFrame with the columns ``time_min`` and ``gamma``.
    gammas
        Contrast after each [density per log unit; > 0]: gamma, contrast index or mean gradient, but one of them all
        along.
    induction
        True to fit t0 as well; it takes a reading more.
    gamma_error
        Standard error of one reading [density per log unit]; from the scatter when left out.

    Returns
    -------
    DevelopmentFit

    Raises
    ------
    ArgumentError
        Fewer different times than parameters; contrasts that do not rise; or readings that lie so straight that no
        limit can be told from them (its error would be more than half of itself).

    Notes
    -----
    Errors are those of the linearised fit: (J'J)**-1 times the variance of a reading. That shapes of real developers
    differ from an exponential is not in them: a limit far above the longest time is an extrapolation.

    References
    ----------
    sheppard1907

    Examples
    --------
    >>> found = fit_development([4, 8, 12, 16], [0.50, 0.75, 0.88, 0.935])
    >>> found
    DevelopmentFit(4 times: gamma_infinity 0.9998 +- 0.0056, rate_per_min 0.1738 +- 0.0027; rms 0.00269)
    >>> round(found.time_for(0.65)[0], 1)
    6.0
    """
    t, g = _readings(times_min, gammas)
    sd = None if gamma_error is None else check_number("gamma_error", gamma_error, low=0.0, low_open=True)
    names = ("gamma_infinity", "rate_per_min", "induction_min")[: 2 + induction]
    different = np.unique(t).size
    if different < len(names):
        raise ArgumentError(
            "times_min",
            t.tolist(),
            f"at least {len(names)} different times for {', '.join(names)}",
            "Add a time, or leave the induction time out." if induction else "Add a time.",
        )
    if np.polyfit(t, g, 1)[0] <= 0.0:
        raise ArgumentError("gammas", g.tolist(), "contrasts that rise with time")
    notes: list[str] = []
    curve = _least_squares(t, g, induction)
    if induction and curve.induction_min <= 1e-6:
        notes.append("The readings show no induction time: the best one would be negative. t0 is 0.")
        names, curve = names[:2], replace(curve, induction_min=0.0)
    residuals = g - np.asarray(curve.gamma(t))
    slopes = _slopes(curve, t)[: len(names)]
    spare = t.size - len(names)
    variance = sd**2 if sd is not None else float(residuals @ residuals) / spare if spare else math.nan
    covariance = np.linalg.pinv(slopes @ slopes.T) * variance
    errors = dict(zip(names, np.sqrt(np.diag(covariance)).tolist(), strict=True))
    limit = curve.gamma_infinity
    if limit > 20.0 * g.max() or errors["gamma_infinity"] > WORST_RELATIVE_ERROR * limit:
        raise ArgumentError(
            "gammas",
            g.tolist(),
            "readings that bend towards a limit",
            f"They lie so straight in time that any limit above {g.max():.2g} would do: develop one strip much longer.",
        )
    if math.isnan(variance):
        notes.append("As many readings as parameters: the curve goes through all, and nothing tells its error.")
    if limit > 1.5 * g.max():
        notes.append(f"The limit {limit:.2f} lies far above the highest reading {g.max():.2f}: it is an extrapolation.")
    return DevelopmentFit(
        curve=curve,
        errors=errors,
        covariance=np.asarray(covariance, dtype=np.float64),
        times_min=t,
        gammas=g,
        residuals=residuals,
        rms=float(np.sqrt(np.mean(residuals**2))),
        notes=tuple(notes),
    )


def _readings(times_min: Any, gammas: Any) -> tuple[FloatArray, FloatArray]:
    if gammas is None:
        try:
            times_min, gammas = times_min["time_min"], times_min["gamma"]
        except (TypeError, KeyError, IndexError) as error:
            allowed = "times and contrasts, or a table with the columns time_min and gamma"
            raise ArgumentError("gammas", None, allowed) from error
    t = check_array("times_min", times_min, low=0.0, low_open=True, unit="min", nan_allowed=False)
    g = check_array("gammas", gammas, low=0.0, low_open=True, unit="density per log unit", nan_allowed=False)
    if t.ndim != 1 or t.shape != g.shape:
        raise ArgumentError("gammas", g.tolist(), f"one contrast for each of the {t.size} times")
    return t, g


def _least_squares(t: FloatArray, g: FloatArray, induction: bool) -> DevelopmentCurve:
    """The best curve: gamma_inf follows from k and t0, which are looked for by their logarithm and within the times."""
    from scipy.optimize import least_squares

    first = float(t.min())

    def parts(p: FloatArray) -> tuple[float, float, FloatArray]:
        rate, start = math.exp(p[0]), float(p[1]) if induction else 0.0
        shape = -np.expm1(-rate * np.maximum(t - start, 0.0))
        return rate, start, shape

    def misfit(p: FloatArray) -> FloatArray:
        shape = parts(p)[2]
        return np.asarray(g - shape * (g @ shape) / (shape @ shape))

    best = None
    for periods in (0.1, 1.0, 5.0):  # the longest time is so many times 1 / k
        for start in (0.0, 0.5 * first) if induction else (0.0,):
            begin = [math.log(periods / t.max()), start][: 1 + induction]
            low, high = [math.log(1e-4 / t.max()), 0.0], [math.log(1e3 / t.max()), 0.999 * first]
            ends = (low[: 1 + induction], high[: 1 + induction])
            found = least_squares(misfit, begin, bounds=ends, xtol=1e-14, ftol=1e-14, gtol=1e-14)
            if best is None or found.cost < best.cost:
                best = found
    assert best is not None
    rate, start, shape = parts(best.x)
    return DevelopmentCurve(
        gamma_infinity=float((g @ shape) / (shape @ shape)), rate_per_min=rate, induction_min=max(start, 0.0)
    )


hold_to_annotations(globals())
