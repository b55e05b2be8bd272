"""Time of development against temperature, from pairs of one's own; and no further than they reach.

Times of equal development fall with temperature as Q10 says, ln t = a - ln(Q10) T / 10, or as Arrhenius says,
ln t = a + E / (R T). Over the few degrees that a developer is used at the two hardly differ, and no reading tells them
apart; both are computed, and how far they differ is told.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.result import Result

if TYPE_CHECKING:
    import pandas as pd

    from filmdose.names import Quantity, WithUnit

__all__ = [
    "LAWS",
    "REACH_C",
    "TemperatureFit",
    "fit_temperature",
    "temperature_coefficient",
    "time_at_temperature",
]

#: Laws of time against temperature, each with its formula.
LAWS: dict[str, str] = {"q10": "ln t = a - ln(Q10) T / 10", "arrhenius": "ln t = a + E / (R T)"}

#: How far beyond the measured temperatures a time is still told [degrees C; our choice].
REACH_C = 2.0

#: Developments shorter than this come out uneven by hand [min; common practice, no source].
SHORTEST_MIN = 4.0

_GAS_CONSTANT = 8.31446  # J / (mol K)
_ZERO_C = 273.15


def temperature_coefficient(
    temperatures_c: Sequence[WithUnit] | Quantity, times_min: Sequence[WithUnit] | Quantity
) -> float:
    """Q10 of a developer from times of equal development: ln t falls by ln Q10 for every 10 degrees C.

    Parameters
    ----------
    temperatures_c
        Temperatures [degrees C], at least two different ones.
    times_min
        Time at each that gives the same contrast [min; > 0].

    Returns
    -------
    float
        Q10 [1].

    Raises
    ------
    ArgumentError
        Lengths differ, fewer than two temperatures, a time of 0 or less.

    References
    ----------
    kodak_f32

    Examples
    --------
    Published times of one developer and film in a rotary tube at 68, 70, 72 and 75 F:

    >>> celsius = [(f - 32) / 1.8 for f in (68, 70, 72, 75)]
    >>> round(temperature_coefficient(celsius, [6.5, 6.0, 5.5, 5.0]), 2)
    1.97
    """
    return fit_temperature(temperatures_c, times_min).q10


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

    Returns
    -------
    float or array
        Time [min], same container as ``time_min``.

    Raises
    ------
    ArgumentError
        A value out of range.

    Examples
    --------
    >>> round(float(time_at_temperature(8.0, 20.0, 24.0, 2.5)), 2)
    5.55
    """
    start = check_number("from_c", from_c, low=0.0, high=60.0, unit="degrees C")
    end = check_number("to_c", to_c, low=0.0, high=60.0, unit="degrees C")
    factor = check_number("q10", q10, low=0.0, low_open=True) ** ((start - end) / 10.0)

    def kernel(t: FloatArray) -> FloatArray:
        return np.asarray(check_array("time_min", t, low=0.0, low_open=True, unit="min") * factor)

    return elementwise(kernel, time_min, units=[("time_min", "min")])


@dataclass(frozen=True, kw_only=True, eq=False)
class TemperatureFit(Result):
    """Time against temperature, fitted to pairs of equal development.

    Parameters
    ----------
    law
        A key of ``LAWS``.
    q10
        Factor on the rate for 10 degrees C more, at the middle of the temperatures.
    q10_error
        Its standard error; NaN where nothing tells it.
    energy_kj_mol
        Activation energy that belongs to it [kJ/mol].
    temperatures_c, times_min
        The pairs.
    residuals
        Time less fitted time [min].
    reach_c
        How far beyond the pairs a time is told [degrees C].
    coefficients
        Of the straight line of ln t.
    covariance
        Of the coefficients, shape (2, 2).
    """

    law: str
    q10: float
    q10_error: float
    energy_kj_mol: float
    temperatures_c: FloatArray
    times_min: FloatArray
    residuals: FloatArray
    reach_c: float
    coefficients: FloatArray
    covariance: FloatArray

    def __repr__(self) -> str:
        low, high = self.temperatures_c.min(), self.temperatures_c.max()
        return (
            f"TemperatureFit({self.law}, {self.times_min.size} pairs from {low:.3g} to {high:.3g} C: "
            f"Q10 {self.q10:.2f} +- {self.q10_error:.2g})"
        )

    def time_at(self, temperature_c: float) -> tuple[float, float]:
        """Time of equal development at a temperature and its standard error [min].

        Raises
        ------
        ArgumentError
            Further beyond the pairs than ``reach_c``.
        """
        low, high = self.temperatures_c.min() - self.reach_c, self.temperatures_c.max() + self.reach_c
        at = check_number(
            "temperature_c",
            temperature_c,
            low=float(low),
            high=float(high),
            unit="degrees C",
            action=f"Times are told up to {self.reach_c:g} degrees beyond the pairs; measure a pair there.",
        )
        row = np.array([1.0, float(_abscissa(self.law, np.array(at)))])
        time = math.exp(float(row @ self.coefficients))
        return time, time * math.sqrt(float(row @ self.covariance @ row))

    def to_dataframe(self) -> pd.DataFrame:
        """One row a pair: temperature_c, time_min, fitted_min, residual_min."""
        import pandas as pd

        return pd.DataFrame(
            {
                "temperature_c": self.temperatures_c,
                "time_min": self.times_min,
                "fitted_min": self.times_min - self.residuals,
                "residual_min": self.residuals,
            }
        )


def _abscissa(law: str, temperature_c: FloatArray) -> FloatArray:
    """What ln t is straight in, in steps of about 10 degrees about 20 C, falling with temperature."""
    if law == "q10":
        return np.asarray((20.0 - temperature_c) / 10.0)
    kelvin = _ZERO_C + temperature_c
    middle = _ZERO_C + 20.0
    return np.asarray((1.0 / kelvin - 1.0 / middle) * middle**2 / 10.0)


def fit_temperature(
    temperatures_c: Sequence[WithUnit] | Quantity | pd.DataFrame,
    times_min: Sequence[WithUnit] | Quantity | None = None,
    *,
    law: str = "q10",
    rounded_to_min: float | None = None,
    reach_c: float = REACH_C,
) -> TemperatureFit:
    """Fit times of equal development at several temperatures: ln t straight in T (Q10) or in 1 / T (Arrhenius).

    Parameters
    ----------
    temperatures_c
        Temperatures [degrees C; 0 to 60], two different ones at least; or a DataFrame with the columns
        ``temperature_c`` and ``time_min``.
    times_min
        Time at each that gives the same contrast [min; > 0].
    law
        A key of ``LAWS``.
    rounded_to_min
        Step to which the times were rounded [min], 0.25 where they stand in quarters: a time is then known to
        step / sqrt(12) at best.
    reach_c
        How far beyond the pairs a time may be asked for [degrees C; 0 to 10].

    Returns
    -------
    TemperatureFit

    Raises
    ------
    ArgumentError, UnknownNameError
        Values out of range, fewer than two temperatures, times that do not fall with temperature, an unknown law.

    Notes
    -----
    The error of one ln t is the greater of its scatter and of the rounding; two pairs without a rounding step have no
    error that anything could tell (NaN).

    References
    ----------
    kodak_f32

    Examples
    --------
    Three published times of one developer and film at 68, 70 and 72 F foretell the fourth, 5 minutes at 75 F:

    >>> celsius = [(f - 32) / 1.8 for f in (68, 70, 72)]
    >>> found = fit_temperature(celsius, [6.5, 6.0, 5.5], rounded_to_min=0.5)
    >>> [round(value, 1) for value in found.time_at((75 - 32) / 1.8)]
    [4.9, 0.2]
    """
    if law not in LAWS:
        raise UnknownNameError("law", law, LAWS)
    x, t = _pairs(temperatures_c, times_min)
    reach = check_number("reach_c", reach_c, low=0.0, high=10.0, unit="degrees C")
    design = np.stack([np.ones_like(x), _abscissa(law, x)], axis=1)
    coefficients = np.linalg.lstsq(design, np.log(t), rcond=None)[0]
    if coefficients[1] <= 0.0:
        raise ArgumentError("times_min", t.tolist(), "times that fall as the temperature rises")
    left = np.log(t) - design @ coefficients
    spare = t.size - 2
    scatter = float(left @ left) / spare if spare else math.nan
    rounding = math.nan
    if rounded_to_min is not None:
        step = check_number("rounded_to_min", rounded_to_min, low=0.0, unit="min")
        rounding = float(np.mean((step / math.sqrt(12.0) / t) ** 2))
    variance = float(np.fmax(scatter, rounding))
    covariance = np.linalg.inv(design.T @ design) * variance
    # how ln t falls over 10 degrees at the middle of the pairs
    middle = float(x.mean())
    per_degree = 1.0 if law == "q10" else ((_ZERO_C + 20.0) / (_ZERO_C + middle)) ** 2
    slope = float(coefficients[1]) * per_degree
    return TemperatureFit(
        law=law,
        q10=math.exp(slope),
        q10_error=math.exp(slope) * per_degree * math.sqrt(covariance[1, 1]),
        energy_kj_mol=slope / 10.0 * _GAS_CONSTANT * (_ZERO_C + middle) ** 2 / 1000.0,
        temperatures_c=x,
        times_min=t,
        residuals=t - np.exp(design @ coefficients),
        reach_c=reach,
        coefficients=np.asarray(coefficients, dtype=np.float64),
        covariance=np.asarray(covariance, dtype=np.float64),
    )


def _pairs(temperatures_c: Any, times_min: Any) -> tuple[FloatArray, FloatArray]:
    if times_min is None:
        try:
            temperatures_c, times_min = temperatures_c["temperature_c"], temperatures_c["time_min"]
        except (TypeError, KeyError, IndexError) as error:
            allowed = "temperatures and times, or a table with the columns temperature_c and time_min"
            raise ArgumentError("times_min", None, allowed) from error
    x = check_array("temperatures_c", temperatures_c, low=0.0, high=60.0, unit="degrees C", nan_allowed=False)
    t = check_array("times_min", times_min, low=0.0, low_open=True, unit="min", nan_allowed=False)
    if x.ndim != 1 or x.shape != t.shape or np.unique(x).size < 2:
        raise ArgumentError("times_min", t.tolist(), "one time for each of at least two different temperatures")
    return x, t


hold_to_annotations(globals())
