"""The one rule that turns shadows lost, light given and highlights lost into an exposure.

With rho(s) the signal-to-noise of the fogged shadow s stops right of the marked exposure over that of the clean
shadow, and g(s) the gradient at the scene's highlight over the least that the clean film has at either end of the
scene,

    loss(s) = c_under [max(0, log2 target - log2 rho(s)) + max(0, -log2 g(s))] + c_over s

is made least over s >= 0.  By a criterion that asks for n stops the first term is max(0, n - s).  A stop of lost
shadow or highlight costs c_under : c_over = 4 : 1 times a stop of light (common practice, no source).

The answer must not jump from one dose to the next because a film's curve has wiggles: a shadow is not one tone but
several.  So what another stop of light wins back is counted on the convex hull of the loss and averaged over the tones
within a stop of the shadow point; no more is counted as soon as the shadow point itself has what it needs.
Highlights likewise.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray
from filmdose.nodes import cubic_at, cubic_root, first_true, nodes_from, product
from filmdose.question import Question
from filmdose.standards import LOG10_2

__all__ = [
    "LossTally",
    "Recommendation",
    "highlight_lost",
    "least_loss",
    "lost_together",
    "mean_highlight",
    "shadow_to_win",
    "total_loss",
]

_SUBDIVISIONS = 8
_WINDOW, _ORDER = 7, 6  # nodes around the least one, and nodes through which each polynomial goes


@dataclass(frozen=True, kw_only=True, eq=False)
class Recommendation:
    """Exposures of least loss, one element a row.

    Parameters
    ----------
    stops
        Compensation to give [stops].
    shadow, highlight
        Shadow and highlight lost at it [stops; negative where there is room].
    loss
        Least loss [stops of light].
    """

    stops: FloatArray
    shadow: FloatArray
    highlight: FloatArray
    loss: FloatArray


def shadow_to_win(lost: FloatArray, margin: int) -> FloatArray:
    """Shadow that more exposure can still win back, at nodes from s = 0 on [stops].

    Parameters
    ----------
    lost
        log2 target - log2 rho at nodes, the first of which lies ``margin`` nodes left of s = 0; shape (rows, nodes).
    margin
        Number of nodes in a stop: tones so far on either side of the shadow point count.

    Returns
    -------
    Shape (rows, nodes - margin): convex in s, 0 where the shadow point has what it needs or no more can be had.
    """
    hull = _hull(_least_so_far(lost))
    over_tones = product(hull, _averages(hull.shape[1], margin))
    at_point = hull[:, margin:]  # it falls; where it first is 0 nothing is left to win at the point itself
    left = first_true(at_point <= 0.0)
    none_left = np.where(left == 0, over_tones[:, 0], over_tones.min(axis=1))
    crosses = np.flatnonzero((left > 0) & (left < at_point.shape[1]))
    start = np.minimum(np.maximum(left[crosses] - 2, 0), at_point.shape[1] - 4)
    around = -nodes_from(hull, start + margin, 4, rows=crosses)
    end = start + cubic_root(around, left[crosses] - 1.0 - start)
    none_left[crosses] = cubic_at(over_tones, end, rows=crosses)
    over_tones -= none_left[:, None]
    return over_tones


def highlight_lost(lost: FloatArray, margin: int) -> FloatArray:
    """Highlight lost at nodes from s = 0 on [stops; negative where there is room]; arguments as of shadow_to_win.

    What the clean film lacks at s = 0 is not lost by giving light, so it does not count.
    """
    hull = _hull(lost)
    over_tones = product(hull, _averages(hull.shape[1], margin))
    over_tones -= np.maximum(over_tones[:, :1], 0.0)
    return over_tones


def _least_so_far(values: FloatArray) -> FloatArray:
    """``np.minimum.accumulate(values, axis=1)``, which takes ten times as long for going row by row."""
    least = np.empty_like(values.T)
    least[0] = values.T[0]
    for node, here in enumerate(values.T[1:]):
        np.minimum(here, least[node], out=least[node + 1])
    return np.asarray(least.T)


def _hull(values: FloatArray) -> FloatArray:
    """Greatest convex function below each row."""
    slopes = np.diff(values, axis=1)
    if (slopes[:, 1:] >= slopes[:, :-1]).all():
        return values
    bent = np.flatnonzero((slopes[:, 1:] < slopes[:, :-1] - 1e-7).any(axis=1))
    if not bent.size:
        return values
    from scipy.optimize import isotonic_regression

    # All bent rows in one go, one behind the other and each lifted above the one before, so that no slopes are pooled
    # across their border; how they are pooled is read off, and the means are those of the slopes as they were.
    rows = np.ascontiguousarray(slopes[bent])
    lift = (np.ptp(rows) + 1.0) * np.arange(bent.size)[:, None]
    blocks = isotonic_regression((rows + lift).ravel()).blocks
    lengths = np.diff(blocks)
    pooled = np.repeat(np.add.reduceat(rows.ravel(), blocks[:-1]) / lengths, lengths).reshape(rows.shape)
    result = values.copy(order="K")
    result[bent, 1:] = values[bent, :1] + np.cumsum(pooled, axis=1)
    return result


@lru_cache(maxsize=16)
def _averages(count: int, margin: int) -> FloatArray:
    """Matrix that averages rows of nodes over ``margin`` nodes on either side, from node ``margin`` on.

    By the trapezoid rule; beyond the last node a row goes on straight.
    """
    weights = np.ones(2 * margin + 1)
    weights[[0, -1]] = 0.5
    weights /= weights.sum()
    matrix = np.zeros((count, count - margin))
    for column in range(count - margin):
        for node, weight in zip(range(column, column + 2 * margin + 1), weights, strict=True):
            beyond = node - (count - 1)
            if beyond <= 0:
                matrix[node, column] += weight
            else:
                matrix[count - 1, column] += weight * (1 + beyond)
                matrix[count - 2, column] -= weight * beyond
    return matrix


def total_loss(stops: FloatArray, shadow: FloatArray, highlight: FloatArray, question: Question) -> FloatArray:
    """The loss itself [stops of light], from compensation, shadow and highlight lost [stops; negative counts as 0]."""
    loss = np.maximum(shadow, 0.0) + np.maximum(highlight, 0.0)
    loss *= question.cost_under
    return np.asarray(loss + question.cost_over * stops)


def lost_together(highlight: FloatArray, outside: FloatArray) -> FloatArray:
    """Highlight lost and what a negative lies outside of a wanted range, as one [stops; negative where neither is].

    A stop of contrast that print or scan has to make up for counts as a stop of highlight lost does (our choice).
    """
    both = np.maximum(highlight, 0.0) + np.maximum(outside, 0.0)
    return np.where(both > 0.0, both, np.maximum(highlight, outside))


def least_loss(shadow: FloatArray, highlight: FloatArray, step: float, question: Question) -> Recommendation:
    """Exposure of least loss for every row.

    Parameters
    ----------
    shadow, highlight
        Shadow and highlight lost at nodes s = 0, step, 2 step, ... [stops; negative where there is room],
        shape (rows, nodes), at least seven nodes; of highlight one row may serve all.
    step
        Distance of the nodes [log10 units].
    question
        What is asked; its costs count here.

    Notes
    -----
    The least node is found, then the least of 16 points around it on polynomials through six nodes, then, on the
    parabolas through that point and its neighbours, the least of their vertices and of the kinks where a loss begins.
    """
    count = shadow.shape[1]
    stops: FloatArray = np.arange(count, dtype=np.float64) * (step / LOG10_2)
    nearest = _least(total_loss(stops, shadow, highlight, question).T)
    middle = _WINDOW // 2
    first = np.minimum(np.maximum(nearest - middle, 0), count - _WINDOW)
    near_shadow, near_highlight = (nodes_from(values, first, _WINDOW) for values in (shadow, highlight))
    place = nearest - first
    positions, matrix = _around(middle)
    fine_shadow, fine_highlight = matrix @ near_shadow, matrix @ near_highlight
    fine = first + positions
    for where in set(np.unique(place)) - {middle}:  # rows whose least node lies close to an end of the nodes
        here = np.flatnonzero(place == where)
        positions, matrix = _around(where)
        fine_shadow[:, here] = matrix @ near_shadow[:, here]
        fine_highlight[:, here] = matrix @ near_highlight[:, here]
        fine[:, here] = first[here] + positions
    fine *= step / LOG10_2
    return _finest(fine, fine_shadow, fine_highlight, question)


@lru_cache(maxsize=8)
def _around(where: int) -> tuple[FloatArray, FloatArray]:
    """Places around a node of the window, (places, 1), and the matrix of the polynomials that hold there."""
    positions = min(max(where, 1), _WINDOW - 2) + np.linspace(-1.0, 1.0, 2 * _SUBDIVISIONS + 1)
    matrix = np.zeros((positions.size, _WINDOW))
    for row, position in enumerate(positions):
        start = min(max(int(position) + 1 - _ORDER // 2, 0), _WINDOW - _ORDER)
        nodes = np.arange(start, start + _ORDER)
        for i in nodes:
            others = nodes[nodes != i]
            matrix[row, i] = np.prod((position - others) / (i - others))
    return positions[:, None], matrix


def _finest(stops: FloatArray, shadow: FloatArray, highlight: FloatArray, question: Question) -> Recommendation:
    """The least loss near the best of some close points, (points, rows), on parabolas through it and its neighbours."""
    under, over = question.cost_under, question.cost_over

    def total(s: FloatArray, dark: FloatArray, bright: FloatArray) -> FloatArray:
        return total_loss(s, dark, bright, question)

    best = _least(total(stops, shadow, highlight))
    before = np.minimum(np.maximum(best, 1), len(stops) - 2) - 1
    at_before, middle, _ = nodes_from(stops.T, before, 3)
    step = middle - at_before
    dark, bright = (_parabola(*nodes_from(values.T, before, 3)) for values in (shadow, highlight))
    place = np.zeros((9, best.size))  # the middle itself, both ends, vertices and kinks
    place[1], place[2] = -1.0, 1.0
    with np.errstate(divide="ignore", invalid="ignore"):
        place[3] = -(under * dark[1] + over * step) / (2.0 * under * dark[2])  # shadows count alone
        place[4] = -(under * (dark[1] + bright[1]) + over * step) / (2.0 * under * (dark[2] + bright[2]))  # both do
        place[5], place[6] = _roots(*dark)
        place[7], place[8] = _roots(*bright)
        place[~(np.abs(place) <= 1.0)] = 0.0  # NaN too
    value = total(middle + place * step, _at(dark, place), _at(bright, place))
    value[1:] += 1e-13  # of equal ones the middle, then an end
    value[3:] += 1e-13
    chosen = nodes_from(place.T, _least(value), 1)[0]
    dark_there, bright_there, there = _at(dark, chosen), _at(bright, chosen), middle + chosen * step
    return Recommendation(
        stops=there, shadow=dark_there, highlight=bright_there, loss=total(there, dark_there, bright_there)
    )


def _least(values: FloatArray) -> NDArray[np.intp]:
    """Index of the least value of each column."""
    return first_true((values == values.min(axis=0)).T)


_Parabola = tuple[FloatArray, FloatArray, FloatArray]


def _parabola(before: FloatArray, at: FloatArray, after: FloatArray) -> _Parabola:
    """Coefficients of 1, t and t**2 of the parabola through t = -1, 0 and 1."""
    return at, 0.5 * (after - before), 0.5 * (after - 2.0 * at + before)


def _at(parabola: _Parabola, t: FloatArray) -> FloatArray:
    return np.asarray(parabola[0] + t * (parabola[1] + t * parabola[2]))


def _roots(c: FloatArray, b: FloatArray, a: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Where a parabola is 0; NaN where it is not."""
    # the form that does not lose digits where the parabola is nearly straight
    q = -0.5 * (b + np.copysign(np.sqrt(b * b - 4.0 * a * c), b))
    return q / a, c / q


class LossTally:
    """The loss averaged over draws, from which the one exposure for all of them is chosen.

    The mean is kept on close points about its minimum in the first draws, so that kinks of single draws are where they
    belong, and at the marked exposure, which may lie far left of them.

    Parameters
    ----------
    shadow, highlight
        The first draws, as of :func:`least_loss`.
    step
        Distance of the nodes [log10 units].
    question
        What is asked.
    """

    def __init__(self, shadow: FloatArray, highlight: FloatArray, step: float, question: Question) -> None:
        self.question = question
        self.step_stops = step / LOG10_2
        self.count = 0
        nodes = shadow.shape[1]
        lost = np.maximum(shadow, 0.0).mean(axis=0) + mean_highlight(highlight)
        mean = question.cost_under * lost + question.cost_over * self.step_stops * np.arange(nodes)
        middle = int(mean.argmin())
        reach = round(_ABOUT / self.step_stops)
        self.first = max(0, min(middle - reach, nodes - 2 * reach - 1))
        self.last = min(nodes, self.first + 2 * reach + 1)
        self.close = _close_points(self.last - self.first)
        self.stops = self.step_stops * (self.first + np.arange(self.close.shape[1]) / _CLOSE)
        self.lost = np.zeros(self.close.shape[1])
        self.lost_marked = 0.0
        self.least, self.greatest = np.inf, -np.inf

    def add(self, shadow: FloatArray, highlight_mean: FloatArray, best: FloatArray) -> None:
        """Add draws: shadow lost and mean highlight lost at the nodes, and the compensation of least loss [stops]."""
        part = slice(self.first, self.last)
        close = product(shadow[:, part], self.close)
        np.maximum(close, 0.0, out=close)
        self.lost += close.sum(axis=0) + len(shadow) * (highlight_mean[part] @ self.close)
        self.lost_marked += float(np.maximum(shadow[:, 0], 0.0).sum() + len(shadow) * highlight_mean[0])
        self.count += len(shadow)
        self.least, self.greatest = min(self.least, float(best.min())), max(self.greatest, float(best.max()))

    def joined(self, other: LossTally) -> LossTally:
        """Both halves together; the other's points are read where this one has them."""
        result = object.__new__(LossTally)
        result.__dict__.update(self.__dict__)
        there = np.interp(self.stops, other.stops, other.lost)
        result.lost, result.count = self.lost + there, self.count + other.count
        result.lost_marked = self.lost_marked + other.lost_marked
        result.least, result.greatest = min(self.least, other.least), max(self.greatest, other.greatest)
        return result

    @property
    def _mean(self) -> FloatArray:
        return np.asarray(self.question.cost_under * self.lost / self.count + self.question.cost_over * self.stops)

    def at(self, stops: float) -> float:
        """Mean loss of that compensation [stops]: none, or one within the close points."""
        if stops == 0.0:
            return self.question.cost_under * self.lost_marked / self.count
        return float(np.interp(stops, self.stops, self._mean))

    def decide(self) -> tuple[float, float]:
        """Compensation that makes the mean loss least [stops], and that loss."""
        mean = self._mean
        place = int(mean.argmin())
        if self.greatest - self.least < 1e-9:
            return self.least, self.at(self.least)
        if 0 < place < mean.size - 1:
            before, at, after = mean[place - 1 : place + 2]
            bend = before - 2.0 * at + after
            shift = 0.5 * (before - after) / bend if bend > 0.0 else 0.0
            found = float(self.stops[place] + shift * (self.stops[1] - self.stops[0]))
        else:
            found = float(self.stops[place])
        return float(np.clip(found, self.least, self.greatest)), float(mean[place])


#: The close points reach so far to either side [stops], so many for each node.
_ABOUT, _CLOSE = 1.0, 8


def mean_highlight(highlight: FloatArray) -> FloatArray:
    """Highlight lost on average over draws, at the nodes [stops]."""
    return np.asarray(np.maximum(highlight, 0.0).mean(axis=0))


@lru_cache(maxsize=8)
def _close_points(nodes: int) -> FloatArray:
    """Matrix of the cubics through four nodes at ``_CLOSE`` points for each of some nodes."""
    positions = np.arange((nodes - 1) * _CLOSE + 1) / _CLOSE
    matrix = np.zeros((nodes, positions.size))
    for column, position in enumerate(positions):
        start = min(max(int(position) - 1, 0), nodes - 4)
        for i in range(start, start + 4):
            others = np.array([k for k in range(start, start + 4) if k != i])
            matrix[i, column] = np.prod((position - others) / (i - others))
    return matrix
