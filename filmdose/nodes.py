"""Rows of values on even nodes: products with matrices, first crossings, cubics through neighbouring nodes.

Arrays of shape (rows, nodes) lie in memory node by node (Fortran's order), so that arithmetic and reductions over the
nodes run along the rows, many thousand numbers at a stretch; along a few dozen nodes each takes two to four times as
long.  Arrays that lie otherwise give the same numbers.
"""

from __future__ import annotations

from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray

__all__ = ["cubic_at", "cubic_root", "first_greatest", "first_root", "first_roots", "first_true", "nodes_from", "product"]


def product(rows: FloatArray, matrix: FloatArray) -> FloatArray:
    """``rows @ matrix``, laid out node by node."""
    return np.asarray((matrix.T @ rows.T).T)


def first_true(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the first true value of each row; the number of columns where there is none."""
    # the greatest of what is left to the right: np.argmax would turn the array round and then go row by row
    left = _countdown(mask.shape[1])
    return left.size - (mask.view(np.uint8) * left).max(axis=1).astype(np.intp)


@cache
def _countdown(count: int) -> NDArray[np.unsignedinteger[Any]]:
    return np.arange(count, 0, -1, dtype=np.min_scalar_type(count))


def first_greatest(values: FloatArray) -> NDArray[np.intp]:
    """Index of the first of the greatest values of each row."""
    return first_true(values == values.max(axis=1)[:, None])


def first_root(excess: FloatArray) -> FloatArray:
    """Node position at which each row first reaches 0; 0 where it starts there, NaN where it never does."""
    return first_roots(excess)[0]


def first_roots(*excesses: FloatArray, going_on: int = 0) -> FloatArray:
    """:func:`first_root` of several, one row each, on cubics through four nodes that are solved together.

    The first ``going_on`` of them go on beyond their last node: rows of these that reach 0 on no node are left NaN.
    """
    ends = np.array([[excess.shape[1]] for excess in excesses])
    index = np.stack([first_true(excess >= 0.0) for excess in excesses])
    left = np.minimum(np.maximum(index - 2, 0), ends - 4)
    around = np.stack([nodes_from(*pair, 4) for pair in zip(excesses, left, strict=True)], axis=1)
    places = left + cubic_root(around.reshape(4, -1), (index - 1.0 - left).ravel()).reshape(index.shape)
    places[index == 0] = 0.0
    lost = index == ends
    places[lost] = np.nan
    for place, never, excess in zip(places[going_on:], lost[going_on:], excesses[going_on:], strict=True):
        if never.any():
            rows = np.flatnonzero(never)
            place[rows] = _touch(excess, rows)
    return places


def nodes_from(
    values: FloatArray, first: NDArray[np.intp], count: int, *, rows: NDArray[np.intp] | None = None
) -> FloatArray:
    """Some neighbouring nodes of each row (or of some rows) from node ``first`` on, shape (count, rows).

    A single row of values serves all.
    """
    # a flat take is three times as fast as take_along_axis
    if len(values) > 1:
        first = first * len(values) + (np.arange(len(values)) if rows is None else rows)
    flat = np.ascontiguousarray(values.T).ravel()
    return flat.take(first + len(values) * np.arange(count)[:, None])


def cubic_at(values: FloatArray, first: NDArray[np.intp], place: FloatArray) -> FloatArray:
    """Value of each row at ``place`` nodes right of node ``first``, on the cubic through the four nodes from there."""
    v0, v1, v2, v3 = nodes_from(values, first, 4)
    t = place
    return np.asarray(
        -v0 * (t - 1.0) * (t - 2.0) * (t - 3.0) / 6.0
        + v1 * t * (t - 2.0) * (t - 3.0) / 2.0
        - v2 * t * (t - 1.0) * (t - 3.0) / 2.0
        + v3 * t * (t - 1.0) * (t - 2.0) / 6.0
    )


def _touch(excess: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
    """Rows that never reach 0 on a node may still reach it between nodes, at a maximum."""
    top = np.clip(first_greatest(excess)[rows], 1, excess.shape[1] - 2)
    before, at, after = nodes_from(excess, top - 1, 3, rows=rows)
    curvature = before - 2.0 * at + after
    slope = 0.5 * (after - before)
    with np.errstate(divide="ignore", invalid="ignore"):
        peak = at - 0.5 * slope**2 / curvature
        place = -slope / curvature - np.sqrt(-2.0 * peak / curvature)
    touches = (curvature < 0) & (peak >= 0) & (np.abs(place) <= 1)
    return np.asarray(np.where(touches, top + place, np.nan))


#: Coefficients of 1, t, t**2, t**3 of the cubic through four values at t = 0, 1, 2, 3.
_CUBIC = np.array([[6.0, 0.0, 0.0, 0.0], [-11.0, 18.0, -9.0, 2.0], [6.0, -15.0, 12.0, -3.0], [-1.0, 3.0, -3.0, 1.0]]) / 6.0


def cubic_root(values: FloatArray, low: FloatArray) -> FloatArray:
    """Root in [low, low + 1] of the cubic through (0, f0) ... (3, f3), where it rises through zero.

    Where it does not, the result means nothing.
    """
    f0, a1, a2, a3 = _CUBIC @ values
    twice, thrice = 2.0 * a2, 3.0 * a3

    def cubic(t: FloatArray) -> FloatArray:
        value = a3 * t
        value += a2
        value *= t
        value += a1
        value *= t
        value += f0
        return value

    high = low + 1.0
    at_low, at_high = cubic(low), cubic(high)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        t = low - at_low / (at_high - at_low)
        for _ in range(3):
            slope = thrice * t
            slope += twice
            slope *= t
            slope += a1
            step = cubic(t)
            step /= slope
            t -= step
            np.minimum(np.maximum(t, low, out=t), high, out=t)  # keeps NaN, seen below
        scale = np.abs(at_low) + np.abs(at_high)
        astray = ~(np.abs(cubic(t)) <= 1e-7 * scale) & (at_low <= 0.0) & (at_high >= 0.0)
    if astray.any():
        t[astray] = _bisected(f0[astray], a1[astray], a2[astray], a3[astray], low[astray])
    return np.asarray(t)


def _bisected(f0: FloatArray, a1: FloatArray, a2: FloatArray, a3: FloatArray, low: FloatArray) -> FloatArray:
    """The same root, slowly and surely, for the few rows that Newton's steps lead astray: halving keeps it inside."""
    low, high = low.copy(), low + 1.0
    t = 0.5 * (low + high)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for _ in range(40):
            value = f0 + t * (a1 + t * (a2 + t * a3))
            below = value < 0
            low, high = np.where(below, t, low), np.where(below, high, t)
            step = value / (a1 + t * (2.0 * a2 + t * (3.0 * a3)))
            if not np.any(np.abs(step) > 1e-12):
                break
            newton = t - step
            t = np.where((newton >= low) & (newton <= high), newton, 0.5 * (low + high))
    return t
