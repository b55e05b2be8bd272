"""Grain as noise: rms and Selwyn granularity, random grains, noise-equivalent quanta."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Numeric, check_array, elementwise

__all__ = [
    "covered_fraction",
    "equivalent_grain_area_um2",
    "noise_equivalent_quanta",
    "nutting_density",
    "rms_granularity",
    "selwyn_granularity",
    "sigma_from_selwyn",
]

#: Area of the 48 um circular aperture of rms granularity [um2].
RMS_APERTURE_AREA_UM2 = math.pi * 24.0**2

_LOG10_E = math.log10(math.e)
_UM2_PER_CM2 = 1e8

_APERTURE = (None, ("aperture_area_um2", "um2"))
_GRAINS = (None, ("grain_area_um2", "um2"))


def rms_granularity(sigma_density: Numeric, aperture_area_um2: Numeric = RMS_APERTURE_AREA_UM2) -> Any:
    """Rms granularity: 1000 times the standard deviation of density through a 48 um aperture.

    From another aperture by Selwyn's law, ``1000 sigma sqrt(A / A_48)``.

    Parameters
    ----------
    sigma_density
        Standard deviation of density [density; at least 0].
    aperture_area_um2
        Area of the aperture it was measured with [um2; above 0].

    Returns
    -------
    Rms granularity, as on makers' sheets.

    Raises
    ------
    ArgumentError
        A value out of range.

    References
    ----------
    selwyn1935

    Examples
    --------
    >>> rms_granularity(0.010)
    10.0
    """

    def kernel(sigma: FloatArray, area: FloatArray) -> FloatArray:
        return np.asarray(1000.0 * _sigma(sigma) * np.sqrt(_area(area) / RMS_APERTURE_AREA_UM2))

    return elementwise(kernel, sigma_density, aperture_area_um2, units=_APERTURE)


def selwyn_granularity(sigma_density: Numeric, aperture_area_um2: Numeric = RMS_APERTURE_AREA_UM2) -> Any:
    """Selwyn granularity G = sigma sqrt(2 A), the same for every aperture that holds many grains.

    Parameters
    ----------
    sigma_density
        Standard deviation of density [density; at least 0].
    aperture_area_um2
        A [um2; above 0].

    Returns
    -------
    G [um].

    Raises
    ------
    ArgumentError
        A value out of range.

    References
    ----------
    selwyn1935

    Examples
    --------
    >>> round(selwyn_granularity(0.010), 4)  # derived: rms granularity 10
    0.6016
    """
    return elementwise(
        lambda s, a: np.sqrt(2.0 * _area(a)) * _sigma(s), sigma_density, aperture_area_um2, units=_APERTURE
    )


def sigma_from_selwyn(selwyn_granularity_um: Numeric, aperture_area_um2: Numeric) -> Any:
    """Standard deviation of density through an aperture: sigma = G / sqrt(2 A).

    Parameters
    ----------
    selwyn_granularity_um
        G [um; at least 0].
    aperture_area_um2
        A [um2; above 0].

    Returns
    -------
    float or array
        Standard deviation of density, broadcast over both.

    Raises
    ------
    ArgumentError
        A value out of range.

    References
    ----------
    selwyn1935

    Examples
    --------
    >>> round(sigma_from_selwyn(0.6016, RMS_APERTURE_AREA_UM2), 5)
    0.01
    """
    return elementwise(
        lambda g, a: check_array("selwyn_granularity_um", g, low=0.0, unit="um") / np.sqrt(2.0 * _area(a)),
        selwyn_granularity_um,
        aperture_area_um2,
        units=(("selwyn_granularity_um", "um"), *_APERTURE[1:]),
    )


def equivalent_grain_area_um2(
    sigma_density: Numeric, density: Numeric = 1.0, aperture_area_um2: Numeric = RMS_APERTURE_AREA_UM2
) -> Any:
    """Area of the random opaque grains that would give a granularity: a = sigma**2 A / (0.4343 D).

    Parameters
    ----------
    sigma_density
        Standard deviation of density [density; at least 0].
    density
        Net density at which it was measured [above 0]; 1.0 for rms granularity.
    aperture_area_um2
        A [um2; above 0].

    Returns
    -------
    Equivalent grain area [um2].

    Raises
    ------
    ArgumentError
        A value out of range.

    References
    ----------
    selwyn1935, nutting1913

    Examples
    --------
    Rms granularity 10 and 17 (derived):

    >>> equivalent_grain_area_um2([0.010, 0.017]).round(4).tolist()
    [0.4167, 1.2042]
    """

    def kernel(sigma: FloatArray, d: FloatArray, area: FloatArray) -> FloatArray:
        d = check_array("density", d, low=0.0, low_open=True)
        return np.asarray(_sigma(sigma) ** 2 * _area(area) / (_LOG10_E * d))

    return elementwise(kernel, sigma_density, density, aperture_area_um2, units=(None, *_APERTURE))


def nutting_density(grains_per_cm2: Numeric, grain_area_um2: Numeric) -> Any:
    """Density of a layer of random opaque grains: D = 0.4343 n a.

    Parameters
    ----------
    grains_per_cm2
        n, developed grains [1/cm2; at least 0].
    grain_area_um2
        a, projected area of one [um2; at least 0].

    Returns
    -------
    Density.

    Raises
    ------
    ArgumentError
        A value below 0.

    References
    ----------
    nutting1913

    Examples
    --------
    >>> round(nutting_density(1e8, 1.0), 4)
    0.4343
    """
    return elementwise(lambda n, a: _LOG10_E * _coverage(n, a), grains_per_cm2, grain_area_um2, units=_GRAINS)


def covered_fraction(grains_per_cm2: Numeric, grain_area_um2: Numeric) -> Any:
    """Share of the area that random opaque grains cover: 1 - exp(-n a).

    Minus log10 of what is left open is Nutting's density.

    Parameters
    ----------
    grains_per_cm2
        n [1/cm2; at least 0].
    grain_area_um2
        a [um2; at least 0].

    Returns
    -------
    float or array
        Share [0 to 1], broadcast over both.

    Raises
    ------
    ArgumentError
        A value below 0.

    References
    ----------
    newson2017

    Examples
    --------
    >>> round(covered_fraction(1e8, 1.0), 8)  # 1 - 1/e
    0.63212056
    """
    return elementwise(lambda n, a: -np.expm1(-_coverage(n, a)), grains_per_cm2, grain_area_um2, units=_GRAINS)


def noise_equivalent_quanta(
    gradient: Numeric, sigma_density: Numeric, aperture_area_um2: Numeric = RMS_APERTURE_AREA_UM2
) -> Any:
    """Noise-equivalent quanta of large areas: NEQ(0) = (log10 e)**2 gradient**2 / (A sigma**2).

    Parameters
    ----------
    gradient
        dD/dlog10 H [density per log10 unit].
    sigma_density
        Standard deviation of density [density; above 0].
    aperture_area_um2
        A [um2; above 0].

    Returns
    -------
    NEQ [1/um2].

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    The form is from memory.

    References
    ----------
    dainty1974

    Examples
    --------
    >>> round(noise_equivalent_quanta(0.62, 0.010), 5)  # derived
    0.40066
    """

    def kernel(g: FloatArray, sigma: FloatArray, area: FloatArray) -> FloatArray:
        sigma = check_array("sigma_density", sigma, low=0.0, low_open=True, unit="density")
        return np.asarray((_LOG10_E * check_array("gradient", g) / sigma) ** 2 / _area(area))

    return elementwise(kernel, gradient, sigma_density, aperture_area_um2, units=(None, *_APERTURE))


def _sigma(value: FloatArray) -> FloatArray:
    return check_array("sigma_density", value, low=0.0, unit="density")


def _area(value: FloatArray) -> FloatArray:
    return check_array("aperture_area_um2", value, low=0.0, low_open=True, unit="um2")


def _coverage(grains_per_cm2: FloatArray, grain_area_um2: FloatArray) -> FloatArray:
    """Mean number of grains over a point: n a, with n turned into 1/um2."""
    n = check_array("grains_per_cm2", grains_per_cm2, low=0.0, unit="1/cm2")
    return np.asarray(n / _UM2_PER_CM2 * check_array("grain_area_um2", grain_area_um2, low=0.0, unit="um2"))


hold_to_annotations(globals())
