"""From densities to what is looked at: on the light table, scanned, and scanned with the fog taken out.

A scanner sees density D through optics that blur light a little; an operator sets, for every channel, a black point
at the scene's darkest neutral tone, a white point at its brightest and the middle at the metered grey:

    u = (D - D_black) / (D_white - D_black),   t = u / (u + k (1 - u)),   code = t + 0.2 t (1 - t) (2 t - 1)

k such that the middle has the code of an 18 % grey in sRGB.  Code is linear in density in the middle of the scale, so
that a negative of gradient 0.6 comes out about as contrasty as the scene; both ends are gently rounded.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.film.model import Film
from filmdose.picture.film_image import middle_log_exposure

__all__ = [
    "OPENED",
    "Points",
    "light_table",
    "positive",
    "scan_points",
    "srgb_from_linear",
]

#: How far the shadows of the enlarged piece are opened, alike in all pictures (our choice).
OPENED = 0.35

#: Standard deviation of the scanner's blur [pixels]; our choice, an ordinary scan at full resolution.
_BLUR = 0.45

_MIDDLE_LIGHT = 0.18
_SNAP = 0.2

#: The middle is moved no further than from these shares of the way from black to white: beyond, only noise is lifted.
_MIDDLE_REACH = (0.2, 0.85)

#: Black and white are at least so far apart [density]: no operator stretches less.
_LEAST_SPAN = 0.05


def srgb_from_linear(light: FloatArray) -> FloatArray:
    """sRGB values from light, both 0 to 1 (IEC 61966-2-1).

    Examples
    --------
    >>> srgb_from_linear(np.array([0.0, 0.18, 1.0])).round(4)
    array([0.    , 0.4614, 1.    ])
    """
    light = np.clip(light, 0.0, 1.0)
    return np.asarray(np.where(light <= 0.0031308, 12.92 * light, 1.055 * light ** (1.0 / 2.4) - 0.055))


@dataclass(frozen=True, kw_only=True)
class Points:
    """Settings of a scan, one number a channel.

    Parameters
    ----------
    black, middle, white
        Densities that come out black, as an 18 % grey, and white.
    """

    black: tuple[float, ...]
    middle: tuple[float, ...]
    white: tuple[float, ...]


def scan_points(film: Film, ei: float, kerma_ugy: float, ends: tuple[float, float]) -> Points:
    """Where an operator sets black, middle and white: on the neutral tones at both ends of the scene.

    Parameters
    ----------
    film
        The film.
    ei
        Index that it was exposed at [ISO].
    kerma_ugy
        Fog on the greater part of the frame, as effective air kerma [uGy].
    ends
        Places of the scene's darkest and brightest tones [log10 units from the middle].
    """
    middle = middle_log_exposure(ei)
    places = (ends[0], 0.0, ends[1])
    rows = [tuple(float(record.density(middle + place, kerma_ugy)) for record in film.records) for place in places]
    return Points(black=rows[0], middle=rows[1], white=rows[2])


def _blurred(density: NDArray[Any]) -> FloatArray:
    """Density as a scanner sees it: its optics mix light, not density."""
    from scipy.ndimage import gaussian_filter

    light = np.power(np.float32(10.0), -density.astype(np.float32))
    return np.asarray(-np.log10(np.maximum(gaussian_filter(light, (_BLUR, _BLUR, 0)), 1e-7)))


def positive(density: NDArray[Any], points: Points, *, opened: float = 0.0) -> FloatArray:
    """A scan as sRGB values, shape (rows, columns, 3).

    Parameters
    ----------
    density
        Shape (rows, columns, records).
    points
        Settings of the scan.
    opened
        How far the shadows are opened up, as for the enlarged piece: code**(1 - opened) [0 to 0.8].
    """
    seen = _blurred(density)
    black, middle, white = (np.asarray(values) for values in (points.black, points.middle, points.white))
    span = white - black
    span = np.where(np.abs(span) < _LEAST_SPAN, np.copysign(_LEAST_SPAN, span), span)
    grey = np.clip((middle - black) / span, *_MIDDLE_REACH)
    wanted = float(_inverse_snap(float(srgb_from_linear(np.array(_MIDDLE_LIGHT)))))
    k = grey / (1.0 - grey) * (1.0 - wanted) / wanted
    u = np.clip((seen - black) / span, 0.0, 1.0)
    t = u / (u + k * (1.0 - u))
    code = t + _SNAP * t * (1.0 - t) * (2.0 * t - 1.0)
    return _three(np.clip(code, 0.0, 1.0) ** (1.0 - opened))


def _inverse_snap(code: float) -> float:
    t = code
    for _ in range(40):
        t = code - _SNAP * t * (1.0 - t) * (2.0 * t - 1.0)
    return t


def light_table(density: NDArray[Any]) -> FloatArray:
    """Film on a light table as sRGB values, the bare table white: light 10**-D, shape (rows, columns, 3)."""
    return _three(srgb_from_linear(np.power(10.0, -_blurred(density))))


def _three(code: FloatArray) -> FloatArray:
    return np.asarray(np.repeat(code, 3, axis=2) if code.shape[2] == 1 else code)


hold_to_annotations(globals())
