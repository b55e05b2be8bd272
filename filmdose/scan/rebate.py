"""Finding film that was never exposed: the even strip along its edge."""

from __future__ import annotations

import math

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.errors import InputFileError
from filmdose.scan.image import Box, Scan

__all__ = ["find_rebate"]

#: Density below which an even strip is no film but clear light, and above which it is the holder.
CLEAREST_FILM, DENSEST_FILM = 0.03, 4.0

#: Robust standard deviation of density along the strip that is even enough, beyond that of the evenest line.
UNEVEN = 0.02


def find_rebate(scan: Scan, *, clear_light: float | None = None, reversal: bool = False) -> Box:
    """The unexposed strip that runs along the film's edge, across the picture or down.

    Lines of the picture are candidates when density along them is even: the rebate has no image, and the
    perforation's line alternates between film and holes.  Of all even strips that are neither clear light nor
    holder it is the thinnest on negative film, the densest on reversal film.

    Parameters
    ----------
    scan
        A scan with the film's edge in it, level to about one degree.
    clear_light
        Mean number of clear light less the black level; the brightest part of the picture by default [counts].
    reversal
        Whether unexposed film is the densest.

    Returns
    -------
    Box

    Raises
    ------
    InputFileError
        No even strip: give the box by hand.
    """
    light = scan.overview(250_000)
    step = max(1, round(math.sqrt(scan.height * scan.width / (light.shape[0] * light.shape[1]))))
    green = light[..., light.shape[2] // 2]
    bright = clear_light if clear_light is not None else float(np.quantile(green, 0.999))
    density = -np.log10(np.maximum(green, 0.3) / bright)
    strips = [(strip, across) for across in (True, False) for strip in _even_strips(density if across else density.T)]
    if not strips:
        raise InputFileError(
            scan.path, "", "no even strip of unexposed film was found along an edge.", "Give its box by hand."
        )
    levels = [density for (_, _, density), _ in strips]
    best = max(levels) if reversal else min(levels)
    alike = [found for found in strips if abs(found[0][2] - best) < UNEVEN]
    (first, last, _), across = max(alike, key=lambda found: found[0][1] - found[0][0])
    inner = max(1, (last - first) // 5)
    start, stop = (first + inner) * step, (last - inner) * step
    length = (scan.width if across else scan.height) * 8 // 10
    offset = (scan.width if across else scan.height) // 10
    thick = max(8, stop - start)
    if across:
        return Box(left=offset, top=min(start, scan.height - thick), width=length, height=thick)
    return Box(left=min(start, scan.width - thick), top=offset, width=thick, height=length)


def _even_strips(density: FloatArray) -> list[tuple[int, int, float]]:
    """First row, row behind the last, and density of every run of even rows."""
    rows, columns = density.shape
    part = density[:, columns // 10 : columns - columns // 10]
    level = np.median(part, axis=1)
    spread = 1.4826 * np.median(np.abs(part - level[:, None]), axis=1)
    film = (level > CLEAREST_FILM) & (level < DENSEST_FILM)
    if not film.any():
        return []
    even = film & (spread < spread[film].min() + UNEVEN)
    shortest = max(4, rows // 100)
    found = []
    start = 0
    for row in range(1, rows + 1):
        if row < rows and even[row] and even[row - 1] and abs(level[row] - level[row - 1]) < UNEVEN:
            continue
        if even[row - 1] and row - start >= shortest:
            found.append((start, row, float(np.median(level[start:row]))))
        start = row
    return found


hold_to_annotations(globals())
