"""Smooth tables of anything over dose, for nodes of shapes, and how to read between them.

A table holds one row of values for every node; what is read from it is a weighted sum
of the rows, with the cubic through four entries (or a straight line) between doses.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from functools import partial
from itertools import pairwise, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray

__all__ = ["GREATEST_HITS", "CloseTable", "Table", "chebyshev_nodes", "even_nodes", "lagrange", "last_dose", "straight"]

#: Hits of a grain at the speed point beyond which nothing of a picture is left, and below which nothing has changed.
GREATEST_HITS, LEAST_HITS = 3000.0, 1e-4

#: Doses of a close table, and those at which the end of a quantity is looked for first.
CLOSE_HITS = np.geomspace(LEAST_HITS, GREATEST_HITS, 513)
_COARSE = np.geomspace(LEAST_HITS, GREATEST_HITS, 129)

_ENTRIES = 129  # of a smooth piece
_BEND = 100.0  # dose is counted as ln(1 + 100 X): linear for few hits, logarithmic for many


def chebyshev_nodes(bounds: tuple[float, float], count: int) -> FloatArray:
    """Nodes of Chebyshev in a range; one in its middle when it has no width."""
    low, high = bounds
    if high - low < 1e-9:
        return np.array([0.5 * (low + high)])
    angles = np.pi * (np.arange(count) + 0.5) / count
    return np.asarray(0.5 * (low + high) - 0.5 * (high - low) * np.cos(angles))


def even_nodes(bounds: tuple[float, float], count: int) -> FloatArray:
    """Nodes from end to end, evenly; one in the middle of a range without width."""
    low, high = bounds
    return np.array([0.5 * (low + high)]) if high - low < 1e-9 else np.linspace(low, high, count)


def lagrange(nodes: FloatArray, values: FloatArray) -> FloatArray:
    """Weight of every node at every value; shape (values, nodes)."""
    if nodes.size == 1:
        return np.ones((values.size, 1))
    weights = np.ones((values.size, nodes.size))
    for j, k in product(range(nodes.size), repeat=2):
        if j != k:
            weights[:, j] *= (values - nodes[k]) / (nodes[j] - nodes[k])
    return weights


def straight(nodes: FloatArray, values: FloatArray) -> FloatArray:
    """Weight of every node at every value, straight between two neighbours; shape (values, nodes)."""
    if nodes.size == 1:
        return np.ones((values.size, 1))
    return np.stack([np.interp(values, nodes, row) for row in np.eye(nodes.size)], axis=1)


class _Segment:
    """One smooth piece of a quantity over dose, between two doses that move with the shape.

    ``fold``: at its end two solutions meet and the quantity has a vertical tangent.
    """

    def __init__(
        self,
        quantity: Callable[[Any, FloatArray], FloatArray],
        nodes: Sequence[Any],
        starts: FloatArray,
        ends: FloatArray,
        *,
        fold: bool,
    ) -> None:
        self.fold = fold
        self.bare = bool(np.all(starts == 0.0))
        self.log_starts = np.log(np.maximum(starts, LEAST_HITS))
        self.log_ends = np.log(np.maximum(ends, 1.001 * np.maximum(starts, LEAST_HITS)))
        bounds = self._bounds(np.eye(len(nodes)))
        self.values = np.array([quantity(node, self._doses(*pair)) for node, pair in zip(nodes, bounds, strict=True)])

    def _bounds(self, node_weights: FloatArray) -> FloatArray:
        """Start and end for every row of node weights, shape (rows, 2)."""
        starts = np.zeros(len(node_weights)) if self.bare else np.exp(node_weights @ self.log_starts)
        return np.stack([starts, np.exp(node_weights @ self.log_ends)], axis=1)

    def _doses(self, start: float, end: float) -> FloatArray:
        """Hits at the entries of a table between two doses."""
        t = np.linspace(0.0, 1.0, _ENTRIES)
        share = 1.0 - (1.0 - t) ** 2 if self.fold else t
        low, high = math.log1p(_BEND * start), math.log1p(_BEND * end)
        hits = np.expm1(low + share * (high - low)) / _BEND
        hits[0], hits[-1] = start, end
        return np.asarray(hits)

    def at(self, node_weights: FloatArray, hits: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Value for every draw and roll, held beyond the ends, and whether the dose lies beyond the end."""
        starts, ends = self._bounds(node_weights).T[:, :, None]
        rows = node_weights @ self.values
        low = np.log1p(_BEND * starts)
        share = np.clip((np.log1p(_BEND * hits) - low) / (np.log1p(_BEND * ends) - low), 0.0, 1.0)
        t = 1.0 - np.sqrt(1.0 - share) if self.fold else share
        position = t * (_ENTRIES - 1)
        left = np.clip(position.astype(np.intp) - 1, 0, _ENTRIES - 4)
        u = position - left
        flat = left + (np.arange(len(rows)) * _ENTRIES)[:, None]
        f0, f1, f2, f3 = (rows.ravel().take(flat + i) for i in range(4))
        # Newton's forward differences of the cubic through four entries.
        d1, d2, d3 = f1 - f0, f2 - 2.0 * f1 + f0, f3 - 3.0 * (f2 - f1) - f0
        value = f0 + u * (d1 + 0.5 * (u - 1.0) * (d2 + (u - 2.0) / 3.0 * d3))
        return np.asarray(value), np.asarray(hits > ends)


class Table:
    """A quantity over dose for every shape: its smooth pieces, and the dose beyond which it has no value.

    Where at some node there is no such dose below the greatest looked at, all nodes are tabulated up to the least
    one, so that nothing bends between nodes; beyond it the last value stands.
    """

    def __init__(
        self,
        quantity: Callable[[Any, FloatArray], FloatArray],
        nodes: Sequence[Any],
        *,
        endless: bool = False,
        fold: bool = True,
        breaks: Sequence[Callable[[Any, FloatArray], FloatArray]] = (),
    ) -> None:
        if endless:
            limits = np.full(len(nodes), GREATEST_HITS)
        else:
            limits = np.array([last_dose(partial(quantity, node)) for node in nodes])
        self.log_limits = np.log(limits)
        ends = np.full(limits.shape, limits.min()) if limits.max() >= GREATEST_HITS else limits
        # A break is where something else takes over; what holds before it is finite there.
        inner = [np.minimum([last_dose(partial(before, node)) for node in nodes], ends) for before in breaks]
        bounds = [np.zeros(len(nodes)), *(points for points in inner if points.max() > 1.01 * LEAST_HITS), ends]
        self.segments = [_Segment(quantity, nodes, start, end, fold=fold) for start, end in pairwise(bounds)]

    def at(self, node_weights: FloatArray, hits: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Value for every draw and roll, and whether its dose lies beyond the last one that has a value."""
        value, beyond = self.segments[0].at(node_weights, hits)
        for segment in self.segments[1:]:
            if not beyond.any():
                break
            following, after = segment.at(node_weights, hits)
            value, beyond = np.where(beyond, following, value), after
        limits = np.exp(node_weights @ self.log_limits)[:, None]
        return value, np.asarray(hits > limits)


class CloseTable:
    """A quantity over the logarithm of dose, straight between entries, for what is not smooth.

    Parameters
    ----------
    rows
        Values at ``CLOSE_HITS``, one row a node; NaN from the dose on from which there is none.
    """

    def __init__(self, rows: FloatArray) -> None:
        known = np.isfinite(rows)
        count = np.where(known.all(axis=1), rows.shape[1], np.argmin(known, axis=1))
        # The end lies somewhere between the last dose with a value and the next one.
        last = np.maximum(count - 1, 0)
        following = np.minimum(last + 1, rows.shape[1] - 1)
        self.log_limits = 0.5 * (np.log(CLOSE_HITS[last]) + np.log(CLOSE_HITS[following]))
        # Beyond a node's own end its last value stands.
        held = np.minimum(np.arange(rows.shape[1]), last[:, None])
        self.values = np.nan_to_num(np.take_along_axis(rows, held, axis=1))

    def at(self, node_weights: FloatArray, hits: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Value for every draw and roll, and whether its dose lies beyond the last one that has a value."""
        rows = node_weights @ self.values
        size = CLOSE_HITS.size
        low, high = math.log(LEAST_HITS), math.log(GREATEST_HITS)
        with np.errstate(divide="ignore"):
            position = np.clip((np.log(hits) - low) * ((size - 1) / (high - low)), 0.0, size - 1.0)
        left = np.minimum(position.astype(np.intp), size - 2)
        flat = left + (np.arange(len(rows)) * size)[:, None]
        first, second = (rows.ravel().take(flat + i) for i in range(2))
        limits = np.exp(node_weights @ self.log_limits)[:, None]
        return np.asarray(first + (position - left) * (second - first)), np.asarray(hits > limits)


def last_dose(solved: Callable[[FloatArray], FloatArray]) -> float:
    """Largest hits for which there is a solution, at most the greatest looked at [relative error below 1e-6]."""
    log_hits = np.log(_COARSE)
    for _ in range(4):
        reached = np.isfinite(solved(np.exp(log_hits)))
        first = int(np.argmin(reached))
        if reached[first]:
            return GREATEST_HITS
        if first == 0:
            break
        log_hits = np.linspace(log_hits[first - 1], log_hits[first], 34)
    return float(np.exp(log_hits[0]))
