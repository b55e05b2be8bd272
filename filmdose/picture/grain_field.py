"""Grain as a field: unit variance through the pixel, neighbours sharing the grains that lie across their border.

Density through a pixel is the mean over a square of side p.  Grains (dye clouds) are taken as Gaussian spots of
standard deviation s along each axis, that of a disc of the emulsion's equivalent area a: s = sqrt(a / pi) / 2.
Through square pixels the covariance of two pixels n apart along one axis is, over that of points (s = 0),

    C(n) = integral of tri(u / p - n) N(u; 0, 2 s**2) du / p,        sum over n of C(n) = 1

and rho(n) = C(n) / C(0).  The field here has rho(n) along both axes and variance 1, so that times sigma_D of
:meth:`filmdose.film.emulsion.Emulsion.noise` through the pixel's area it has that sigma exactly.

References
----------
selwyn1935
"""

from __future__ import annotations

import math

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_number
from filmdose.film.emulsion import Emulsion

__all__ = ["LEAST_PIXEL_UM", "field", "neighbour_correlation", "spot_um"]

#: Below this a pixel would look into single grains, of which the model knows nothing [um].
LEAST_PIXEL_UM = 4.0


def spot_um(record: Emulsion) -> float:
    """Standard deviation along one axis of a disc of the record's equivalent grain area, sqrt(a / pi) / 2 [um]."""
    return math.sqrt(record.reference_grain_area_um2 / math.pi) / 2.0


def neighbour_correlation(pixel_um: float, spot: float) -> float:
    """rho(1): correlation of two pixels side by side.

    Parameters
    ----------
    pixel_um
        Side of a pixel on the film [um; above 0].
    spot
        Standard deviation of a grain's spot [um; at least 0].

    Examples
    --------
    >>> neighbour_correlation(12.0, 0.0), round(neighbour_correlation(12.0, 0.4), 4)
    (0.0, 0.0195)
    """
    pixel = check_number("pixel_um", pixel_um, low=0.0, low_open=True, unit="um")
    wide = math.sqrt(2.0) * check_number("spot", spot, low=0.0, unit="um") / pixel
    if wide == 0.0:
        return 0.0
    # E|X| of a normal of standard deviation ``wide`` is lost from the middle, half of it to either neighbour
    lost = wide * math.sqrt(2.0 / math.pi)
    return 0.5 * lost / (1.0 - lost) if lost < 0.4 else 0.5 * 0.4 / 0.6


def field(shape: tuple[int, int], correlation: float, rng: np.random.Generator) -> FloatArray:
    """Normal field of variance 1 whose neighbours along rows and columns are correlated.

    Every axis is filtered with (b, 1, b) / sqrt(1 + 2 b**2), 2 b / (1 + 2 b**2) = correlation.

    Parameters
    ----------
    shape
        Rows and columns.
    correlation
        Of neighbours along an axis [0 to 0.5].
    rng
        Random generator.
    """
    rho = check_number("correlation", correlation, low=0.0, high=0.5)
    b = 0.0 if rho == 0.0 else (1.0 - math.sqrt(max(0.0, 1.0 - 2.0 * rho**2))) / (2.0 * rho)
    white = rng.standard_normal((shape[0] + 2, shape[1] + 2), dtype=np.float32)
    scale = math.sqrt(1.0 + 2.0 * b * b)
    rows = (b * white[:-2] + white[1:-1] + b * white[2:]) / scale
    return np.asarray((b * rows[:, :-2] + rows[:, 1:-1] + b * rows[:, 2:]) / scale)


hold_to_annotations(globals())
