"""What reaches film with no scanner near: the ground, and flight.

Both are hard radiation. No pouch reduces it, and lead against the film can make
it worse: electrons that hard gamma rays set free in lead raise the dose of an
emulsion beside it up to 8.7 times at 662 keV (from an abstract). So shields
take no credit here.
"""

from __future__ import annotations

import math
import warnings
from functools import cache
from typing import Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError, UnknownNameError, ValidityWarning
from filmdose.files import load_data_csv
from filmdose.radiation.beams import Beam
from filmdose.radiation.constants import constant, constant_range

__all__ = [
    "ALTITUDE_RANGE_FT",
    "FEET_PER_METRE",
    "HARD_BEAM",
    "LATITUDE_BANDS",
    "PUBLISHED_ALTITUDE_FT",
    "background_kerma_ugy",
    "flight_dose_rate_usv_h",
    "flight_kerma_ugy",
    "latitude_band",
]

DAYS_PER_YEAR = 365.25
FEET_PER_METRE = 1.0 / 0.3048

#: Quality that stands for background and in-flight radiation: 662 keV, an inference.
HARD_BEAM = Beam(energy_kev=constant("background_energy_kev"))

#: Altitudes for which a dose rate is given [ft]; above 39 000 ft by extrapolation.
ALTITUDE_RANGE_FT = (0.0, 45_000.0)

#: Highest altitude with a published dose rate [ft].
PUBLISHED_ALTITUDE_FT = float(load_data_csv("flight_dose_rates.csv")[-1]["altitude_ft"])


@cache
def _bands() -> dict[str, tuple[float, float]]:
    rows = load_data_csv("flight_latitudes.csv")
    return {row["band"]: (float(row["from_degrees"]), float(row["factor"])) for row in rows}


#: Names of the latitude bands, from the equator to the poles.
LATITUDE_BANDS: tuple[str, ...] = tuple(_bands())


def latitude_band(latitude: str | float) -> str:
    """Band of a latitude in degrees (north or south), or of its own name.

    Examples
    --------
    >>> latitude_band(-33.9), latitude_band("polar")
    ('middle', 'polar')
    """
    if isinstance(latitude, str):
        if latitude not in LATITUDE_BANDS:
            raise UnknownNameError("latitude", latitude, LATITUDE_BANDS, "Or give degrees, -90 to 90.")
        return latitude
    degrees = abs(check_number("latitude", latitude, low=-90.0, high=90.0, unit="degrees"))
    return next(band for band, (lowest, _) in reversed(_bands().items()) if degrees >= lowest)


@overload
def flight_dose_rate_usv_h(altitude_ft: Labelled, latitude: str | float = ...) -> Labelled: ...
@overload
def flight_dose_rate_usv_h(altitude_ft: Numbers, latitude: str | float = ...) -> FloatArray: ...
def flight_dose_rate_usv_h(altitude_ft: Numeric, latitude: str | float = "middle") -> Any:
    """Dose equivalent rate in flight [uSv/h], log-linear in altitude between published points.

    Parameters
    ----------
    altitude_ft
        Altitude [ft; 0 to 45 000].
    latitude
        "equatorial", "middle", "polar", or degrees.

    Returns
    -------
    float or array
        Rate [uSv/h], same container.

    Raises
    ------
    ArgumentError, UnknownNameError
        An altitude or a latitude out of range.

    Warns
    -----
    ValidityWarning
        Above 39 000 ft, where the last slope is continued.

    Notes
    -----
    Mean solar activity. Published points stand at 1 200, 35 000 and 39 000 ft;
    the one between, at 13 100 ft, is from memory. Below 1 200 ft the rate stays.

    References
    ----------
    faa_am_92_2, faa_ac_120_52, unep1985

    Examples
    --------
    >>> round(flight_dose_rate_usv_h(39000.0), 2), round(flight_dose_rate_usv_h(39000.0, "equatorial"), 2)
    (8.0, 4.5)
    """
    factor = _bands()[latitude_band(latitude)][1]
    rows = load_data_csv("flight_dose_rates.csv")
    altitudes = np.array([float(row["altitude_ft"]) for row in rows])
    logs = np.log([float(row["usv_per_h"]) for row in rows])
    slope = (logs[-1] - logs[-2]) / (altitudes[-1] - altitudes[-2])
    low, high = ALTITUDE_RANGE_FT

    def kernel(altitude: FloatArray) -> FloatArray:
        checked = check_array("altitude_ft", altitude, low=low, high=high, unit="ft")
        if np.any(checked > altitudes[-1]):
            text = f"altitude_ft: dose rates above {altitudes[-1]:g} ft continue the slope below it."
            warnings.warn(text, ValidityWarning, stacklevel=4)
        beyond = slope * np.clip(checked - altitudes[-1], 0.0, None)
        return np.asarray(factor * np.exp(np.interp(checked, altitudes, logs) + beyond))

    return elementwise(kernel, altitude_ft, units=[("altitude_ft", "ft")])


def flight_kerma_ugy(hours: float, altitude_ft: float, latitude: str | float = "middle") -> tuple[float, float, float]:
    """Absorbed dose of a flight as air kerma [uGy]: low, typical, high.

    K = hours at altitude * rate(altitude, latitude) * gray per sievert
    hours at altitude = t - c (1 - exp(-t / c)),   c = 0.8 h of climb and descent

    Parameters
    ----------
    hours
        Time t from take-off to landing [h; at least 0].
    altitude_ft, latitude
        See :func:`flight_dose_rate_usv_h`.

    Returns
    -------
    tuple of float
        Low, typical and high [uGy].

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range.

    Notes
    -----
    Half a gray for each sievert (0.35 to 0.7), from memory; the rest is the
    quality factor of neutrons. The range includes the solar cycle.

    Examples
    --------
    >>> [round(kerma) for kerma in flight_kerma_ugy(11.0, 37000.0)]
    [21, 35, 57]
    """
    time = hours_at_altitude(hours)
    rate = float(flight_dose_rate_usv_h(altitude_ft, latitude))
    conversion = constant_range("flight_gray_per_sievert")
    solar = constant_range("flight_solar_range")
    # Two independent factors: their logarithms add in quadrature about the typical value.
    typical = time * rate * conversion[1] * solar[1]
    spread = [
        np.hypot(np.log(conversion[side] / conversion[1]), np.log(solar[side] / solar[1])) * sign
        for side, sign in ((0, -1.0), (2, 1.0))
    ]
    return typical * float(np.exp(spread[0])), typical, typical * float(np.exp(spread[1]))


def hours_at_altitude(hours: float) -> float:
    """Hours of a flight that count at its cruising altitude, from its time from take-off to landing."""
    total, climb = check_number("hours", hours, low=0.0, unit="h"), constant("flight_climb_hours")
    # a hop of less than a nanosecond would come out below zero by rounding
    return max(0.0, total + climb * math.expm1(-total / climb))


def background_kerma_ugy(days: float, rate_mgy_per_year: float | None = None) -> tuple[float, float, float]:
    """Air kerma of ground background [uGy]: low, typical, high.

    Parameters
    ----------
    days
        How long the film lay [days; at least 0].
    rate_mgy_per_year
        Rate of the place [mGy/year; at least 0]; None takes 0.5, 0.9 and 1.5.

    Returns
    -------
    tuple of float
        Low, typical and high [uGy].

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    A refrigerator, a drawer and a lead box make no difference to it.

    References
    ----------
    unscear1993

    Examples
    --------
    >>> round(background_kerma_ugy(365.25)[1])
    900
    """
    years = check_number("days", days, low=0.0, unit="days") / DAYS_PER_YEAR
    if rate_mgy_per_year is None:
        low, typical, high = constant_range("background_mgy_per_year")
    else:
        low = typical = high = check_number("rate_mgy_per_year", rate_mgy_per_year, low=0.0, unit="mGy/year")
    return 1e3 * years * low, 1e3 * years * typical, 1e3 * years * high


def altitude_in_feet(altitude_ft: float | None, altitude_m: float | None) -> float:
    """Altitude [ft] from feet or from metres, a usual cruising altitude from neither."""
    low, high = ALTITUDE_RANGE_FT
    if altitude_ft is not None and altitude_m is not None:
        raise ArgumentError("altitude", (altitude_ft, altitude_m), "either altitude_ft or altitude_m, not both")
    if altitude_ft is None and altitude_m is None:
        return constant("cruising_altitude_ft")
    if altitude_ft is not None:
        return check_number("altitude_ft", altitude_ft, low=low, high=high, unit="ft")
    metres = check_number("altitude_m", altitude_m, low=low, high=high / FEET_PER_METRE, unit="m")
    return metres * FEET_PER_METRE


hold_to_annotations(globals())
