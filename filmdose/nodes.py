"""Rows of values on even nodes: products with matrices, first crossings, cubics through neighbouring nodes.

Arrays of shape (rows, nodes) lie in memory node by node (Fortran's order), so that arithmetic and reductions over the
nodes run along the rows, many thousand numbers at a stretch; along a few dozen nodes each takes two to four times as
long.  Arrays that lie otherwise give the same numbers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray

__all__ = ["Rise", "cubic_at", "cubic_root", "first_root", "first_roots", "first_true", "nodes_from", "product"]


def product(rows: FloatArray, matrix: FloatArray) -> FloatArray:
    """``rows @ matrix``, laid out node by node."""
    return np.asarray((matrix.T @ rows.T).T)


def first_true(mask: NDArray[np.bool_]) -> NDArray[np.intp]:
    """Index of the first true value of each row; the number of columns where there is none."""
    # the greatest of what is left to the right: np.argmax would turn the array round and then go row by row
    left = _countdown(mask.shape[1])
    return np.asarray(left.size - (mask.view(np.uint8) * left).max(axis=1).astype(np.intp))


@cache
def _countdown(count: int) -> NDArray[np.unsignedinteger[Any]]:
    return np.arange(count, 0, -1, dtype=np.min_scalar_type(count))


@dataclass(frozen=True, eq=False)
class Rise:
    """Rows of values that may reach a level; read between the nodes on the cubics of ``scale(values)``.

    Parameters
    ----------
    values
        Shape (rows, nodes).
    level
        One number, or one for each row.
    scale
        A rising function of arrays; the values themselves when left out.
    goes_on
        Whether the values go on beyond the last node: rows that reach the level on no node are then left NaN.
    """

    values: FloatArray
    level: FloatArray | float = 0.0
    scale: Callable[[FloatArray], FloatArray] = np.asarray
    goes_on: bool = False

    @property
    def reached(self) -> NDArray[np.bool_]:
        """Where the values are at the level or above."""
        return np.asarray(self.values >= np.atleast_1d(self.level)[:, None])

    def excess(self, first: NDArray[np.intp], count: int) -> FloatArray:
        """What some neighbouring nodes of each row have above the level, from node ``first`` on, (count, rows)."""
        return np.asarray(self.scale(nodes_from(self.values, first, count)) - self.scale(np.atleast_1d(self.level)))


def first_root(excess: FloatArray) -> FloatArray:
    """Node position at which each row first reaches 0; 0 where it starts there, NaN where it never does."""
    return np.asarray(first_roots(Rise(excess))[0])


def first_roots(*rises: Rise) -> FloatArray:
    """Node position at which each row first reaches its level, a row of results for each rise.

    0 where it starts there, NaN where it never does; the cubics of all are solved together.
    """
    ends = np.array([[rise.values.shape[1]] for rise in rises])
    index = np.stack([first_true(rise.reached) for rise in rises])
    left = np.minimum(np.maximum(index - 2, 0), ends - 4)
    around = np.stack([rise.excess(first, 4) for rise, first in zip(rises, left, strict=True)], axis=1)
    roots = cubic_root(around.reshape(4, -1), (index - 1.0 - left).ravel())
    places: FloatArray = left + roots.reshape(index.shape)
    places[index == 0] = 0.0
    never = index == ends
    places[never] = np.nan
    for rise, place, lost in zip(rises, places, never, strict=True):
        if not rise.goes_on and lost.any():
            place[lost] = _touch(rise)[lost]
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


def cubic_at(values: FloatArray, place: FloatArray, *, rows: NDArray[np.intp] | None = None) -> FloatArray:
    """Value of each row (or of some rows) at a node position, on the cubic through the four nodes around it."""
    first = np.minimum(np.maximum(place.astype(np.intp) - 1, 0), values.shape[1] - 4)
    return _cubic(_CUBIC @ nodes_from(values, first, 4, rows=rows), place - first)


#: Coefficients of 1, t, t**2, t**3 of the cubic through four values at t = 0, 1, 2, 3.
_CUBIC = np.array([[6, 0, 0, 0], [-11, 18, -9, 2], [6, -15, 12, -3], [-1, 3, -3, 1]]) / 6.0


def _cubic(coefficients: FloatArray, t: FloatArray) -> FloatArray:
    a0, a1, a2, a3 = coefficients
    value = a3 * t
    value += a2
    value *= t
    value += a1
    value *= t
    value += a0
    return np.asarray(value)


def _touch(rise: Rise) -> FloatArray:
    """Rows that never reach their level on a node may still reach it between nodes, at a maximum."""
    values = rise.values
    greatest = first_true(values == values.max(axis=1)[:, None])
    top = np.minimum(np.maximum(greatest, 1), values.shape[1] - 2)
    before, at, after = rise.excess(top - 1, 3)
    curvature = before - 2.0 * at + after
    slope = 0.5 * (after - before)
    with np.errstate(divide="ignore", invalid="ignore"):
        peak = at - 0.5 * slope**2 / curvature
        place = -slope / curvature - np.sqrt(-2.0 * peak / curvature)
    touches = (curvature < 0) & (peak >= 0) & (np.abs(place) <= 1)
    return np.asarray(np.where(touches, top + place, np.nan))


def cubic_root(values: FloatArray, low: FloatArray) -> FloatArray:
    """Root in [low, low + 1] of the cubic through (0, f0) ... (3, f3), where it rises through zero.

    Where it does not, the result means nothing.
    """
    coefficients = _CUBIC @ values
    _, a1, a2, a3 = coefficients
    twice, thrice = 2.0 * a2, 3.0 * a3
    high = low + 1.0
    at_low, at_high = _cubic(coefficients, low), _cubic(coefficients, high)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        t = low - at_low / (at_high - at_low)
        for _ in range(3):
            slope = thrice * t
            slope += twice
            slope *= t
            slope += a1
            step = _cubic(coefficients, t)
            step /= slope
            t -= step
            np.minimum(np.maximum(t, low, out=t), high, out=t)  # keeps NaN, seen below
        scale = np.abs(at_low) + np.abs(at_high)
        astray = ~(np.abs(_cubic(coefficients, t)) <= 1e-7 * scale) & (at_low <= 0.0) & (at_high >= 0.0)
    if astray.any():
        t[astray] = _bracketed(coefficients[:, astray], low[astray], t[astray])
    return np.asarray(t)


def _bracketed(coefficients: FloatArray, low: FloatArray, start: FloatArray) -> FloatArray:
    """The same root, slowly and surely, for the few rows whose Newton's steps are not there yet, or lead astray."""
    _, a1, a2, a3 = coefficients
    low, high = low.copy(), low + 1.0
    t = np.where(np.isnan(start), 0.5 * (low + high), start)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        for _ in range(40):
            value = _cubic(coefficients, t)
            below = value < 0
            low, high = np.where(below, t, low), np.where(below, high, t)
            step = value / (a1 + t * (2.0 * a2 + t * (3.0 * a3)))
            if not np.any(np.abs(step) > 1e-12):
                break
            newton = t - step
            t = np.where((newton >= low) & (newton <= high), newton, 0.5 * (low + high))
    return t
