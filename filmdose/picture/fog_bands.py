"""Uneven fog across a frame: the band that a wound roll takes on the side that was turned to the beam.

One turn of the film is one wave: K(s) = K_mean exp(a cos(2 pi (s - s0) / L)) / I0(a), whose mean over the turn of
length L is K_mean and whose peak over mean, exp(a) / I0(a), is the stated one.  A smooth stand-in for what
:func:`filmdose.scan.spiral.wound_fog` finds for a given beam, for which only the peak over the mean is known.
"""

from __future__ import annotations

import math

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_number
from filmdose.scan.spiral import get_winding

__all__ = ["MOST_PEAK_TO_MEAN", "band_profile", "turn_mm"]

#: Bands of a greater ratio are drawn with this one: a thirtieth of a turn takes nearly all.
MOST_PEAK_TO_MEAN = 12.0


def turn_mm(winding: str = "135-36") -> float:
    """Length of a turn half way out on a wound roll [mm].

    Examples
    --------
    >>> round(turn_mm())
    51
    """
    roll = get_winding(winding)
    return math.pi * (roll.core_radius_mm + roll.outer_radius_mm)


def band_profile(position_mm: FloatArray, peak_to_mean: float, *, turn: float, middle_mm: float) -> FloatArray:
    """Fog along the film over its mean.

    Parameters
    ----------
    position_mm
        Positions along the film [mm].
    peak_to_mean
        Fog of the worst band over the mean [1; at least 1].
    turn
        Length of one turn [mm; above 0].
    middle_mm
        Where the worst band lies [mm].

    Examples
    --------
    >>> along = np.linspace(0.0, 50.0, 501)[:-1]
    >>> wave = band_profile(along, 2.0, turn=50.0, middle_mm=10.0)
    >>> round(float(wave.mean()), 6), round(float(wave[100]), 6)
    (1.0, 2.0)
    """
    from scipy.optimize import brentq
    from scipy.special import i0e

    ratio = check_number("peak_to_mean", peak_to_mean, low=1.0)
    place = np.asarray(position_mm, dtype=np.float64)
    if ratio == 1.0:
        return np.ones_like(place)
    ratio = min(ratio, MOST_PEAK_TO_MEAN)
    sharp = brentq(lambda a: 1.0 / i0e(a) - ratio, 0.0, 1e4)
    wave = np.cos(2.0 * math.pi * (place - middle_mm) / check_number("turn", turn, low=0.0, low_open=True))
    return np.asarray(np.exp(sharp * (wave - 1.0)) / i0e(sharp))


hold_to_annotations(globals())
