"""Exposure at the film: from scene luminance through a lens, and as a meter would give it."""

from __future__ import annotations

import math
from typing import Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise

__all__ = ["focal_plane_exposure", "lens_factor", "metered_exposure"]

#: Lens factor q that goes with the meter constants of ISO 2720 (12.5 * 0.65 = 8.125).
METER_LENS_FACTOR = 0.65


@overload
def lens_factor(
    *, transmittance: Labelled = ..., vignetting: float = ..., field_angle_degrees: float = ...
) -> Labelled: ...
@overload
def lens_factor(
    *, transmittance: Numbers = ..., vignetting: float = ..., field_angle_degrees: float = ...
) -> FloatArray: ...
@overload
def lens_factor(
    *, transmittance: Numeric = 0.9, vignetting: Numeric = 0.98, field_angle_degrees: Numeric = 10.0
) -> Any: ...
def lens_factor(
    *, transmittance: Numeric = 0.9, vignetting: Numeric = 0.98, field_angle_degrees: Numeric = 10.0
) -> Any:
    """Share of scene luminance that a lens brings to the film: q = (pi/4) T v cos(theta)**4.

    Parameters
    ----------
    transmittance
        T, transmittance of the lens [0 to 1].
    vignetting
        v, what vignetting leaves [0 to 1].
    field_angle_degrees
        theta, angle of the image point off axis [degrees; 0 to 90].

    Returns
    -------
    q [dimensionless].

    Raises
    ------
    ArgumentError
        A value out of range.

    References
    ----------
    iso_12232

    Examples
    --------
    >>> round(lens_factor(), 7)  # published for T = 0.9, v = 0.98, 10 degrees
    0.6515748
    """

    def kernel(t: FloatArray, v: FloatArray, angle: FloatArray) -> FloatArray:
        t = check_array("transmittance", t, low=0.0, high=1.0)
        v = check_array("vignetting", v, low=0.0, high=1.0)
        angle = check_array("field_angle_degrees", angle, low=0.0, high=90.0, unit="degrees")
        return np.asarray(math.pi / 4.0 * t * v * np.cos(np.radians(angle)) ** 4)

    return elementwise(kernel, transmittance, vignetting, field_angle_degrees)


@overload
def focal_plane_exposure(
    luminance_cd_m2: Labelled, f_number: float, time_s: float, factor: Numeric | None = ...
) -> Labelled: ...
@overload
def focal_plane_exposure(
    luminance_cd_m2: Numbers, f_number: float, time_s: float, factor: Numeric | None = ...
) -> FloatArray: ...
@overload
def focal_plane_exposure(
    luminance_cd_m2: Numeric, f_number: Numeric, time_s: Numeric, factor: Numeric | None = None
) -> Any: ...
def focal_plane_exposure(
    luminance_cd_m2: Numeric, f_number: Numeric, time_s: Numeric, factor: Numeric | None = None
) -> Any:
    """Exposure at the film of a distant subject: H = q L t / N**2.

    Parameters
    ----------
    luminance_cd_m2
        L, luminance of the subject [cd/m2; at least 0].
    f_number
        N [above 0].
    time_s
        t [seconds; above 0].
    factor
        q; when left out :func:`lens_factor` with its defaults.

    Returns
    -------
    H [lx s].

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    The lens is focused on infinity and flare is left out.

    References
    ----------
    iso_12232

    Examples
    --------
    >>> h = focal_plane_exposure(4000, 8, 1 / 250)  # published: 0.1628937, so that 10 / H is 61.3897
    >>> round(h, 7), round(10 / h, 4)
    (0.1628937, 61.3897)
    """

    def kernel(luminance: FloatArray, n: FloatArray, t: FloatArray, q: FloatArray) -> FloatArray:
        luminance = check_array("luminance_cd_m2", luminance, low=0.0, unit="cd/m2")
        n = check_array("f_number", n, low=0.0, low_open=True)
        t = check_array("time_s", t, low=0.0, low_open=True, unit="s")
        return np.asarray(check_array("factor", q, low=0.0, low_open=True) * luminance * t / n**2)

    q = lens_factor() if factor is None else factor
    return elementwise(kernel, luminance_cd_m2, f_number, time_s, q, units=(None, None, ("time_s", "s")))


@overload
def metered_exposure(ei: Labelled, *, meter_constant: float = ..., factor: float = ...) -> Labelled: ...
@overload
def metered_exposure(ei: Numbers, *, meter_constant: float = ..., factor: float = ...) -> FloatArray: ...
def metered_exposure(ei: Numeric, *, meter_constant: float = 12.5, factor: float = METER_LENS_FACTOR) -> Any:
    """Exposure that a reflected-light meter gives the middle of the scene: H = q K / EI.

    Parameters
    ----------
    ei
        EI set on the meter [above 0].
    meter_constant
        K of the meter [cd s/m2; ISO 2720 allows 10.6 to 13.4].
    factor
        q, share of scene luminance at the film [0 to 1].

    Returns
    -------
    H [lx s].

    Raises
    ------
    ArgumentError
        A value out of range.

    References
    ----------
    iso_2720

    Examples
    --------
    >>> metered_exposure(100)  # published: 8.125 / S
    0.08125
    """
    k = check_number("meter_constant", meter_constant, low=0.0, low_open=True, unit="cd s/m2")
    q = check_number("factor", factor, low=0.0, high=1.0, low_open=True)
    return elementwise(lambda s: q * k / check_array("ei", s, low=0.0, low_open=True, unit="EI"), ei)


hold_to_annotations(globals())
