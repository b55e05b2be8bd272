"""Answers of the solver as smooth tables of dose and of the film's uncertain shape.

A draw changes a film in two ways: in how many hits it takes (one number) and in the
shape of its curves (b, the exponent of grain area, the contrast).  The solver's
answer is smooth in all of them, piece by piece: Chebyshev nodes in b, for each of
them nodes in the other two (one at a time: they hardly act together), and for each
node a table over dose stand for it.  A draw's own table is a weighted sum of the
nodes' tables, shared by all its rolls; between the entries runs the cubic through four.

The pieces meet where one rule takes over from another (nothing is needed yet; only
part of the shadows can be had) and end where nothing helps.  Where two solutions meet
the need has a vertical tangent; dose is therefore counted as t = 1 - sqrt(1 - w), with
w the logarithmic dose over that of the end, and in t it is smooth up to the end itself.

Reversal film has a table of its own: not what it needs, but what it loses.

The error is not assumed but measured against the solver when a table is made, on
shapes and doses between its nodes; where it is too large, more nodes are taken.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from itertools import pairwise, product
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray
from filmdose.compensation import REVERSAL_HIGHLIGHT, shadow_points, wanted_stops
from filmdose.emulsion import Emulsion
from filmdose.errors import ValidityWarning
from filmdose.film import Film
from filmdose.solver import DENSITY_STEP, SHARE_OF_BEST, RecordProblem, RecordSolution, record_problem
from filmdose.uncertainty.model import SHAPE_SCORE
from filmdose.uncertainty.tally import normal_points
from filmdose.units import LOG10_2

__all__ = ["SURFACE_TOLERANCE_STOPS", "Answers", "FilmSurface", "RecordSurface", "Shape", "film_surface"]

#: Largest error of a tabulated need that is accepted below 0.95 of the dose beyond rescue [stops].
SURFACE_TOLERANCE_STOPS = 0.01

_ENTRIES = 129  # of a table over dose
_BEND = 100.0  # dose is counted as ln(1 + 100 X): linear for few hits, logarithmic for many
_GREATEST_HITS = 3000.0  # of a grain at the shadow point; nothing of a picture is left far below
_LEAST_HITS = 1e-4  # a dose that changes nothing
_NODES = ((7, 3, 3), (11, 5, 5), (15, 5, 5))  # odd, so that one node is in the middle of each range
_CHECKS = 16


@dataclass(frozen=True, kw_only=True)
class Shape:
    """Ranges of what changes a film's shape: b, exponent of grain area, ln contrast; equal ends: known."""

    hit_exponent: tuple[float, float]
    grain_area_exponent: tuple[float, float]
    log_contrast: tuple[float, float]

    @property
    def ranges(self) -> tuple[tuple[float, float], ...]:
        """The three ranges in the order of the node tensor."""
        return self.hit_exponent, self.grain_area_exponent, self.log_contrast


def shaped_problem(
    emulsion: Emulsion, density_step: float, point: float, hit_exponent: float, grain_area_exponent: float
) -> RecordProblem:
    """The solver for a record with other exponents; ``point`` is the log exposure of its clean speed point.

    Grain area grows as hits**grain_area_exponent (the solver's own is 2/3).
    """
    record = replace(emulsion, hit_exponent=hit_exponent)
    problem = record_problem(record, point, density_step)
    exponent = 1.5 * grain_area_exponent * hit_exponent
    if not math.isclose(exponent, hit_exponent, rel_tol=1e-12):
        # Area goes as 10**(2 b z / 3): another b gives the noise, and the hits are put back.
        other = record_problem(replace(record, hit_exponent=min(exponent, 2.0)), point, density_step)
        problem = replace(other, exponents=problem.exponents, hits_per_ugy=problem.hits_per_ugy, ample={})
    return problem


def _speed_point(emulsion: Emulsion, density_step: float) -> float:
    return float(emulsion.curve().inverse(emulsion.minimum_density() + density_step))


def _nodes(bounds: tuple[float, float], count: int) -> FloatArray:
    low, high = bounds
    if high - low < 1e-9:
        return np.array([0.5 * (low + high)])
    angles = np.pi * (np.arange(count) + 0.5) / count
    return np.asarray(0.5 * (low + high) - 0.5 * (high - low) * np.cos(angles))


def _lagrange(nodes: FloatArray, values: FloatArray) -> FloatArray:
    """Weight of every node at every value; shape (values, nodes)."""
    if nodes.size == 1:
        return np.ones((values.size, 1))
    weights = np.ones((values.size, nodes.size))
    for j, k in product(range(nodes.size), repeat=2):
        if j != k:
            weights[:, j] *= (values - nodes[k]) / (nodes[j] - nodes[k])
    return weights


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
        self.log_starts = np.log(np.maximum(starts, _LEAST_HITS))
        self.log_ends = np.log(np.maximum(ends, 1.001 * np.maximum(starts, _LEAST_HITS)))
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


class _Table:
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
            limits = np.full(len(nodes), _GREATEST_HITS)
        else:
            limits = np.array([_last_dose(partial(quantity, node)) for node in nodes])
        self.log_limits = np.log(limits)
        ends = np.full(limits.shape, limits.min()) if limits.max() >= _GREATEST_HITS else limits
        # A break is where something else takes over; what holds before it is finite there.
        inner = [np.minimum([_last_dose(partial(before, node)) for node in nodes], ends) for before in breaks]
        self.log_breaks = np.log(inner)
        bounds = [np.zeros(len(nodes)), *(points for points in inner if points.max() > 1.01 * _LEAST_HITS), ends]
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


@dataclass(frozen=True, kw_only=True)
class _Node:
    """The solver of one shape, and its own hits over those at the nominal speed point."""

    problem: RecordProblem
    scale: float

    def solve(self, hits: FloatArray, snr_target: float = 1.0) -> RecordSolution:
        """The solver's answers; ``hits`` at the nominal speed point."""
        return self.problem.solve(hits * self.scale, snr_target=snr_target)


#: Doses at which the end of every quantity is looked for first.


_COARSE = np.geomspace(_LEAST_HITS, _GREATEST_HITS, 129)


def _last_dose(solved: Callable[[FloatArray], FloatArray]) -> float:
    """Largest hits for which there is a solution, at most the greatest looked at [relative error below 1e-6]."""
    log_hits = np.log(_COARSE)
    for _ in range(4):
        reached = np.isfinite(solved(np.exp(log_hits)))
        first = int(np.argmin(reached))
        if reached[first]:
            return _GREATEST_HITS
        if first == 0:
            break
        log_hits = np.linspace(log_hits[first - 1], log_hits[first], 34)
    return float(np.exp(log_hits[0]))


@dataclass(frozen=True, kw_only=True)
class Answers:
    """Answers of one record or one film; first axis draws, second rolls.

    Parameters
    ----------
    stops
        More exposure needed [stops]; infinite beyond rescue.
    capped_stops
        The same, and beyond rescue the need at the last dose that can be rescued [stops].
    partly
        Whether only part of the wanted signal-to-noise can be had.
    fog_density
        Added density without light [density].
    snr_kept
        Shadow signal-to-noise at the marked speed over the clean one [1].
    room_end
        Highlight end [log units right of the speed point]; NaN where no gradient is enough.
    """

    stops: FloatArray
    capped_stops: FloatArray
    partly: NDArray[np.bool_]
    fog_density: FloatArray
    snr_kept: FloatArray
    room_end: FloatArray


class RecordSurface:
    """Tables of one record for every shape in a range; hits are counted at its nominal speed point."""

    def __init__(
        self,
        emulsion: Emulsion,
        density_step: float,
        shape: Shape,
        criterion: str,
        snr_target: float,
        counts: tuple[int, int, int],
    ) -> None:
        self.criterion, self.snr_target = criterion, snr_target
        self._emulsion, self._step = emulsion, density_step
        self._contrasts: dict[float, tuple[Emulsion, float]] = {}
        self.nominal_point = _speed_point(emulsion, density_step)
        b, area, contrast = (_nodes(bounds, count) for bounds, count in zip(shape.ranges, counts, strict=True))
        self._b, self._area, self._contrast = b, area, contrast
        middle = float(area[area.size // 2]), float(contrast[contrast.size // 2])
        self._arms = [
            middle,
            *((value, middle[1]) for value in area.tolist() if value != middle[0]),
            *((middle[0], value) for value in contrast.tolist() if value != middle[1]),
        ]
        nodes = [self._node(value, *arm) for value in b.tolist() for arm in self._arms]

        def need(node: _Node, hits: FloatArray) -> FloatArray:
            solution = node.solve(hits, snr_target)
            return wanted_stops(
                criterion, solution.stops[criterion], solution.usable_stops, solution.restorable_snr, snr_target
            )

        def no_need(node: _Node, hits: FloatArray) -> FloatArray:
            return np.where(need(node, hits) == 0.0, 0.0, np.nan)

        def wholly(node: _Node, hits: FloatArray) -> FloatArray:
            best = node.solve(hits, snr_target).restorable_snr
            return np.where(best * SHARE_OF_BEST >= snr_target * (1.0 - 1e-12), 0.0, np.nan)

        def room_end(node: _Node, hits: FloatArray) -> FloatArray:
            return node.solve(hits).highlight_end

        def log_snr(node: _Node, hits: FloatArray) -> FloatArray:
            kept = node.solve(hits).snr_kept
            return np.log(np.where(kept > 1e-9, kept, np.nan))

        def log_fog(node: _Node, hits: FloatArray) -> FloatArray:
            some = np.maximum(hits, 1e-9)
            return np.log(node.solve(some).fog_density / some)

        by_snr = criterion == "shadow_snr"
        self._need = _Table(need, nodes, fold=not by_snr, breaks=(no_need, wholly) if by_snr else ())
        self._room_end, self._log_snr = _Table(room_end, nodes), _Table(log_snr, nodes)
        self._log_fog = _Table(log_fog, nodes, endless=True)

    def _node(self, b: float, area: float, log_contrast: float) -> _Node:
        """A contrast factor multiplies all densities above the base, as more or less development does."""
        if log_contrast not in self._contrasts:
            record = replace(self._emulsion, weights=self._emulsion.weights * math.exp(log_contrast))
            self._contrasts[log_contrast] = record, _speed_point(record, self._step)
        record, point = self._contrasts[log_contrast]
        problem = shaped_problem(record, self._step, point, b, area)
        return _Node(problem=problem, scale=10.0 ** (b * (self.nominal_point - point)))

    def node_weights(self, shapes: FloatArray) -> FloatArray:
        """Weight of every node for every draw; ``shapes`` holds b, area exponent and ln contrast in its columns."""
        axes = (self._b, self._area, self._contrast)
        first, second, third = (_lagrange(axis, shapes[:, place]) for place, axis in enumerate(axes))
        centre = [axis.size // 2 for axis in axes[1:]]
        middle = second[:, [centre[0]]] + third[:, [centre[1]]] - 1.0
        arms = np.hstack([middle, np.delete(second, centre[0], axis=1), np.delete(third, centre[1], axis=1)])
        return np.asarray(np.einsum("ni,nj->nij", first, arms).reshape(len(shapes), -1))

    def answers(self, node_weights: FloatArray, hits: FloatArray) -> Answers:
        """Tabulated answers; ``hits`` at the nominal speed point, shape (draws, rolls)."""
        clean = hits == 0.0
        stops, beyond = self._need.at(node_weights, hits)
        stops[clean] = 0.0
        room, lost = self._room_end.at(node_weights, hits)
        log_snr, _ = self._log_snr.at(node_weights, hits)
        log_fog, _ = self._log_fog.at(node_weights, hits)
        room[lost] = np.nan
        return Answers(
            stops=np.where(beyond, np.inf, stops),
            capped_stops=stops,
            partly=self._partly(node_weights, hits) & ~beyond,
            fog_density=np.exp(log_fog) * np.minimum(hits, _GREATEST_HITS),
            snr_kept=np.where(clean, 1.0, np.minimum(np.exp(log_snr), 1.0)),
            room_end=room,
        )

    def _partly(self, node_weights: FloatArray, hits: FloatArray) -> NDArray[np.bool_]:
        """Where only part of the wanted signal-to-noise can be had."""
        if self.criterion != "shadow_snr":
            return np.zeros(hits.shape, dtype=bool)
        return np.asarray(hits > np.exp(node_weights @ self._need.log_breaks[-1])[:, None])

    def exact(self, shape: FloatArray, hits: FloatArray) -> Answers:
        """The solver's own answers for one shape and a row of doses, to measure the error of the tables."""
        solution = self._node(*shape.tolist()).solve(hits, self.snr_target)
        raw, best = solution.stops[self.criterion], solution.restorable_snr
        stops = wanted_stops(self.criterion, raw, solution.usable_stops, best, self.snr_target)
        beyond = np.isnan(stops)
        return Answers(
            stops=np.where(beyond, np.inf, stops),
            capped_stops=stops,
            partly=~beyond & ~(stops >= raw),
            fog_density=solution.fog_density,
            snr_kept=solution.snr_kept,
            room_end=solution.highlight_end,
        )


# -- reversal film -----------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class Losses:
    """What reversal film loses; first axis draws, second rolls.

    Parameters
    ----------
    maximum_density
        Greatest density lost [density].
    range_stops
        Usable range lost at the dark end [stops]; infinite when nothing is left of it.
    highlight_shift_stops
        Change of exposure that keeps the highlight point at its density [stops; at most 0].
    snr_kept
        Signal-to-noise of the darkest usable tone over the clean one [1].
    """

    maximum_density: FloatArray
    range_stops: FloatArray
    highlight_shift_stops: FloatArray
    snr_kept: FloatArray


#: Losses of reversal film, and whether they have a value at every dose.
_LOSSES = (("range_stops", False), ("shift_stops", True), ("log_snr", False), ("log_lost", True))


@dataclass(frozen=True, kw_only=True)
class _ReversalNode:
    """One reversal record with one b: all its losses against dose, on exposures from shadow to highlight."""

    record: Emulsion  # with one hit per microgray at the shadow point
    exposures: FloatArray
    highlight_density: float

    def loss(self, hits: FloatArray, name: str) -> FloatArray:
        """One of the losses, against hits at the shadow point."""
        return self._loss(np.maximum(hits, 1e-9), name)

    def _loss(self, hits: FloatArray, name: str) -> FloatArray:
        record, x = self.record, self.exposures
        if name == "log_lost":
            return np.asarray(np.log(np.maximum(-np.asarray(record.fog_density(hits)), 1e-300)) - np.log(hits))
        if name == "shift_stops":
            density = np.asarray(record.density(x, hits[:, None]))
            bright = np.array([np.interp(-self.highlight_density, -row, x) for row in density])
            return np.asarray(np.minimum(bright - x[-1], 0.0) / LOG10_2)
        darkest = float(record.signal_to_noise(x[0]))
        if name == "log_snr":
            kept = np.asarray(record.signal_to_noise(x[0], hits)) / darkest
            return np.asarray(np.log(np.where(kept > 1e-9, kept, np.nan)))
        snr = np.asarray(record.signal_to_noise(x, hits[:, None])) / darkest
        # The clean film reaches its own shadow value at the shadow itself, whatever the rounding.
        return np.asarray((_first_rise(x, snr, 1.0 - 1e-12) - x[0]) / LOG10_2)


def _first_rise(x: FloatArray, rows: FloatArray, level: float) -> FloatArray:
    """Where each row first reaches a level, straight between points; NaN where it does not."""
    reached = rows >= level
    index = reached.argmax(axis=1)
    at = np.arange(len(rows))
    before = np.maximum(index - 1, 0)
    low, high = rows[at, before], rows[at, index]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(index > 0, (level - low) / (high - low), 0.0)
    return np.where(reached.any(axis=1), x[before] + share * (x[index] - x[before]), np.nan)


class ReversalSurface:
    """Losses of the records of a reversal film for every b in a range.

    The contrast multiplies densities; the exponent of grain area stays at 2/3.
    """

    error_stops = 0.0  #: no need is tabulated

    def __init__(self, records: tuple[Emulsion, ...], points: tuple[float, ...], bounds: tuple[float, float]) -> None:
        self.axis = _nodes(bounds, _NODES[0][0])
        self._tables = []
        spans = []
        for record, point in zip(records, points, strict=True):
            nodes = [self._node(record, point, float(b)) for b in self.axis]
            spans.append((nodes[0].exposures[-1] - point) / LOG10_2)
            self._tables.append(
                {name: _Table(partial(_ReversalNode.loss, name=name), nodes, endless=end) for name, end in _LOSSES}
            )
        self.range_stops = float(max(spans))  #: usable range of the clean film [stops]

    @staticmethod
    def _node(record: Emulsion, point: float, b: float) -> _ReversalNode:
        shadow = -point  # log sensitivity of a grain that is hit once per unit of dose
        shaped = replace(record, hit_exponent=b, hits_per_ugy=10.0 ** (b * (record.reference_log_sensitivity - shadow)))
        highlight_density = float(record.minimum_density()) + REVERSAL_HIGHLIGHT
        highlight = float(record.curve().inverse(highlight_density))
        return _ReversalNode(
            record=shaped, exposures=np.linspace(point, highlight, 161), highlight_density=highlight_density
        )

    def losses(self, shapes: FloatArray, hits: tuple[FloatArray, ...]) -> Losses:
        """Losses for draws and rolls, of the record that loses most; ``hits`` by record at its shadow point."""
        weights = _lagrange(self.axis, shapes[:, 0])
        scale = np.exp(shapes[:, 2])[:, None]
        lost, ranges, shifts, kept = [], [], [], []
        for tables, dose in zip(self._tables, hits, strict=True):
            clean = dose == 0.0
            span, gone = tables["range_stops"].at(weights, dose)
            per_hit = np.exp(tables["log_lost"].at(weights, dose)[0])
            lost.append(scale * per_hit * np.minimum(dose, _GREATEST_HITS))
            ranges.append(np.where(clean, 0.0, np.where(gone, np.inf, np.maximum(span, 0.0))))
            shifts.append(np.where(clean, 0.0, np.minimum(tables["shift_stops"].at(weights, dose)[0], 0.0)))
            kept.append(np.where(clean, 1.0, np.minimum(np.exp(tables["log_snr"].at(weights, dose)[0]), 1.0)))
        return Losses(
            maximum_density=np.max(lost, axis=0),
            range_stops=np.max(ranges, axis=0),
            highlight_shift_stops=np.min(shifts, axis=0),
            snr_kept=np.min(kept, axis=0),
        )


@lru_cache(maxsize=16)
def reversal_surface(film: Film, hit_exponent: tuple[float, float]) -> ReversalSurface:
    """Losses of a reversal film, made once and kept."""
    return ReversalSurface(film.records, shadow_points(film), hit_exponent)


# -- films -------------------------------------------------------------------------------------------------------------


class FilmSurface:
    """Tables of every record of a film, or of several films that differ in speed only.

    The record that needs most decides, as in :func:`filmdose.compensation.compensate`.
    """

    def __init__(self, records: tuple[RecordSurface, ...], error_stops: float) -> None:
        self.records = records
        self.error_stops = error_stops  #: largest error measured where a table was checked [stops]

    def answers(self, shapes: FloatArray, hits: tuple[FloatArray, ...]) -> Answers:
        """Answers for draws and rolls; ``hits`` by record, at each record's nominal speed point."""
        each = [
            record.answers(record.node_weights(shapes), dose) for record, dose in zip(self.records, hits, strict=True)
        ]
        if len(each) == 1:
            return each[0]
        need = np.stack([answer.stops for answer in each])
        decides = np.argmax(need, axis=0)[None]
        return Answers(
            stops=need.max(axis=0),
            capped_stops=np.max([answer.capped_stops for answer in each], axis=0),
            partly=np.any([answer.partly for answer in each], axis=0),
            fog_density=np.take_along_axis(np.stack([answer.fog_density for answer in each]), decides, axis=0)[0],
            snr_kept=np.min([answer.snr_kept for answer in each], axis=0),
            room_end=np.min([answer.room_end for answer in each], axis=0),
        )


def film_surface(film: Film, shape: Shape, criterion: str, snr_target: float = 1.0) -> FilmSurface:
    """Tables of a film, with their error measured; made once and kept for all films of equal shape."""
    step = DENSITY_STEP[film.kind]
    found = []
    for record, point in zip(film.records, shadow_points(film), strict=True):
        # The films of one family differ by a shift only: rounded, so that they share their tables.
        relative = np.round(record.log_sensitivity + point, 10)
        found.append(
            _record_surface(
                relative.tobytes(),
                record.weights.tobytes(),
                record.native_fog,
                record.quanta,
                step,
                shape,
                criterion,
                snr_target,
            )
        )
    return _film_surface(tuple(found))


@lru_cache(maxsize=32)
def _film_surface(found: tuple[tuple[RecordSurface, float], ...]) -> FilmSurface:
    return FilmSurface(tuple(surface for surface, _ in found), max(error for _, error in found))


@lru_cache(maxsize=32)
def _record_surface(
    relative: bytes,
    weights: bytes,
    native_fog: float,
    quanta: float,
    density_step: float,
    shape: Shape,
    criterion: str,
    snr_target: float,
) -> tuple[RecordSurface, float]:
    emulsion = Emulsion(
        log_sensitivity=np.frombuffer(relative),
        weights=np.frombuffer(weights),
        base_density=0.0,
        native_fog=native_fog,
        quanta=quanta,
        hit_exponent=0.5 * sum(shape.hit_exponent),
        hits_per_ugy=1.0,
        rms_granularity=10.0,  # cancels in every criterion
    )
    for counts in _NODES:
        surface = RecordSurface(emulsion, density_step, shape, criterion, snr_target, counts)
        error = measured_error(surface, shape)
        if error <= SURFACE_TOLERANCE_STOPS:
            break
    else:
        text = f"The need by {criterion} is tabulated to {error:.2g} stop only: its shape is very uncertain."
        warnings.warn(text, ValidityWarning, stacklevel=2)
    return surface, error


def measured_error(surface: RecordSurface, shape: Shape, checks: int = _CHECKS) -> float:
    """Largest difference of the need from the solver [stops], on shapes as they are drawn and on doses between entries.

    Shapes fill a normal distribution about the middle of the ranges, whose ends are 3.5 standard deviations away;
    doses that leave less than a thousandth of the shadow's signal-to-noise, and the last twentieth before the dose
    beyond rescue, are not looked at.
    """
    low, high = np.array(shape.ranges).T
    scores = np.clip(normal_points(3, checks, np.random.default_rng(0)), -SHAPE_SCORE, SHAPE_SCORE)
    worst = 0.0
    hits = np.geomspace(1e-3, _GREATEST_HITS, 200)
    for row in 0.5 * (low + high) + 0.5 * (high - low) / SHAPE_SCORE * scores:
        exact = surface.exact(row, hits)
        within = np.isfinite(exact.stops)
        within &= (hits < 0.95 * hits[within].max(initial=0.0)) & (exact.snr_kept > 1e-3)
        table = surface.answers(surface.node_weights(row[None]), hits[None]).capped_stops[0]
        worst = max(worst, float(np.abs(table - exact.stops)[within].max(initial=0.0)))
    return worst
