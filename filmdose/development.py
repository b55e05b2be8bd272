"""Development: contrast against time, and time against temperature.

What development can do for fogged film is little: it develops fog with the image.
These relations say how much contrast a change of time buys.  Restrainers
(benzotriazole, potassium bromide) lower fog and cost speed; no published pair of
dose and loss is known, so they are the user's numbers and have no default here.

Handle developers with gloves and fresh air, keep them labelled and away from
food, dispose of them by the local rules; and test on one unimportant roll first.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import (
    FloatArray,
    Labelled,
    Numbers,
    Numeric,
    check_array,
    check_number,
    elementwise,
)
from filmdose.errors import ArgumentError
from filmdose.result import Result

__all__ = ["DevelopmentCurve", "development_curve", "temperature_coefficient", "time_at_temperature"]


_TIME = (("time_min", "min"),)


@dataclass(frozen=True, kw_only=True)
class DevelopmentCurve(Result):
    """Contrast against time of development: gamma(t) = gamma_inf (1 - exp(-k t)).

    Parameters
    ----------
    gamma_infinity
        Contrast that no time of development passes [density per log unit; > 0].
    rate_per_min
        k [1/min; > 0].

    References
    ----------
    sheppard1907
    """

    gamma_infinity: float
    rate_per_min: float

    def __post_init__(self) -> None:
        for name in ("gamma_infinity", "rate_per_min"):
            object.__setattr__(self, name, check_number(name, getattr(self, name), low=0.0, low_open=True))

    @overload
    def gamma(self, time_min: Labelled) -> Labelled: ...
    @overload
    def gamma(self, time_min: Numbers) -> FloatArray: ...
    def gamma(self, time_min: Numeric) -> Any:
        """Contrast after a time of development [min; >= 0]; the caller's container."""

        def kernel(t: FloatArray) -> FloatArray:
            checked = check_array("time_min", t, low=0.0, unit="min")
            return np.asarray(-self.gamma_infinity * np.expm1(-self.rate_per_min * checked))

        return elementwise(kernel, time_min, units=_TIME)

    @overload
    def time_min(self, gamma: Labelled) -> Labelled: ...
    @overload
    def time_min(self, gamma: Numbers) -> FloatArray: ...
    def time_min(self, gamma: Numeric) -> Any:
        """Time of development for a contrast [min]; NaN where no time gives it.

        Examples
        --------
        Half a stop more contrast range costs more than half as much time again:

        >>> curve = development_curve(gamma_short=0.50, gamma_long=0.75, time_short_min=4.0)
        >>> round(curve.time_min(0.65), 2)
        6.06
        """

        def kernel(g: FloatArray) -> FloatArray:
            checked = check_array("gamma", g, low=0.0, unit="density per log unit")
            reached = checked < self.gamma_infinity
            share = np.where(reached, checked / self.gamma_infinity, 0.0)
            return np.where(reached, -np.log1p(-share) / self.rate_per_min, np.nan)

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

    Raises
    ------
    ArgumentError
        The contrasts do not lie on such a curve.

    Examples
    --------
    >>> curve = development_curve(gamma_short=0.50, gamma_long=0.75, time_short_min=4.0)
    >>> round(curve.rate_per_min, 6), round(curve.gamma_infinity, 6)
    (0.173287, 1.0)

    References
    ----------
    sheppard1907
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


def temperature_coefficient(temperatures_c: Sequence[float], times_min: Sequence[float]) -> float:
    """Q10 of a developer from times of equal development: ln t falls by ln Q10 for every 10 degrees C.

    Parameters
    ----------
    temperatures_c
        Temperatures [degrees C], at least two different ones.
    times_min
        Time at each that gives the same contrast [min; > 0].

    Raises
    ------
    ArgumentError
        Lengths differ, fewer than two temperatures, a time of 0 or less.

    Examples
    --------
    Published times of one developer and film in a rotary tube at 68, 70, 72 and 75 F:

    >>> celsius = [(f - 32) / 1.8 for f in (68, 70, 72, 75)]
    >>> round(temperature_coefficient(celsius, [6.5, 6.0, 5.5, 5.0]), 2)
    1.97

    References
    ----------
    kodak_f32
    """
    x = check_array("temperatures_c", temperatures_c, unit="degrees C", nan_allowed=False)
    t = check_array("times_min", times_min, low=0.0, low_open=True, unit="min", nan_allowed=False)
    if x.shape != t.shape or np.unique(x).size < 2:
        raise ArgumentError("times_min", times_min, "one time for each of at least two different temperatures")
    slope = float(np.polyfit(x, np.log(t), 1)[0])
    return math.exp(-10.0 * slope)


@overload
def time_at_temperature(time_min: Labelled, from_c: float, to_c: float, q10: float) -> Labelled: ...
@overload
def time_at_temperature(time_min: Numbers, from_c: float, to_c: float, q10: float) -> FloatArray: ...
def time_at_temperature(time_min: Numeric, from_c: float, to_c: float, q10: float) -> Any:
    """Time of equal development at another temperature: t Q10**((from - to) / 10) [min].

    Parameters
    ----------
    time_min
        Time at ``from_c`` [min; > 0].
    from_c, to_c
        Temperatures [degrees C; 0 to 60].
    q10
        Temperature coefficient of the developer [1; > 0], as from :func:`temperature_coefficient`.
    """
    start = check_number("from_c", from_c, low=0.0, high=60.0, unit="degrees C")
    end = check_number("to_c", to_c, low=0.0, high=60.0, unit="degrees C")
    factor = check_number("q10", q10, low=0.0, low_open=True) ** ((start - end) / 10.0)

    def kernel(t: FloatArray) -> FloatArray:
        return np.asarray(check_array("time_min", t, low=0.0, low_open=True, unit="min") * factor)

    return elementwise(kernel, time_min, units=_TIME)


hold_to_annotations(globals())
