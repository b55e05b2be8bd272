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

The error is not assumed but measured against the solver when a table is made, on
shapes and doses between its nodes.  Where it is too large, because the rules change
places from one shape to the next (film whose signal-to-noise hardly rises above the
shadow point), nodes are taken closer together and everything between them is straight.
"""

from __future__ import annotations

import math
import warnings
from dataclasses import dataclass, replace
from functools import lru_cache, partial
from itertools import product

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray
from filmdose.compensation import shadow_points
from filmdose.errors import ValidityWarning
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import Film
from filmdose.odds.tabulate import (
    CLOSE_HITS,
    GREATEST_HITS,
    CloseTable,
    Table,
    chebyshev_nodes,
    even_nodes,
    lagrange,
    last_dose,
    straight,
)
from filmdose.odds.tally import normal_points
from filmdose.odds.unknowns import SHAPE_SCORE
from filmdose.solver import DENSITY_STEP, SHARE_OF_BEST, RecordProblem, RecordSolution, record_problem

__all__ = ["SURFACE_TOLERANCE_STOPS", "Answers", "FilmSurface", "RecordSurface", "Shape", "film_surface"]

#: Error of a tabulated need (:func:`measured_error`) that is accepted of a smooth table [stops].
SURFACE_TOLERANCE_STOPS = 0.01

#: A larger error than this is warned about [stops].
POOR_TOLERANCE_STOPS = 0.10

_NODES = (7, 3, 3)  # odd, so that one node is in the middle of each range
_CLOSE_NODES = (13, 5, 2)
_CHECKS = 16
_LITTLE = 0.05  # hits


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


@dataclass(frozen=True, kw_only=True)
class _Node:
    """The solver of one shape, and its own hits over those at the nominal speed point."""

    problem: RecordProblem
    scale: float

    def solve(self, hits: FloatArray, snr_target: float = 1.0) -> RecordSolution:
        """The solver's answers; ``hits`` at the nominal speed point."""
        return self.problem.solve(hits * self.scale, snr_target=snr_target)


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
    """What smooth and close tables of one record share; hits are counted at its nominal speed point.

    Each of the two makes the tables ``_need``, ``_room_end``, ``_log_snr``, ``_log_fog`` and their nodes' weights.
    """

    def __init__(
        self, emulsion: Emulsion, density_step: float, shape: Shape, criterion: str, snr_target: float
    ) -> None:
        self.criterion, self.snr_target = criterion, snr_target
        self.shape = shape
        self._emulsion, self._step = emulsion, density_step
        self._contrasts: dict[float, tuple[Emulsion, float]] = {}
        self.nominal_point = _speed_point(emulsion, density_step)

    def _node(self, b: float, area: float, log_contrast: float) -> _Node:
        """A contrast factor multiplies all densities above the base, as more or less development does."""
        if log_contrast not in self._contrasts:
            record = replace(self._emulsion, weights=self._emulsion.weights * math.exp(log_contrast))
            self._contrasts[log_contrast] = record, _speed_point(record, self._step)
        record, point = self._contrasts[log_contrast]
        problem = shaped_problem(record, self._step, point, b, area)
        return _Node(problem=problem, scale=10.0 ** (b * (self.nominal_point - point)))

    def answers(self, node_weights: FloatArray, hits: FloatArray) -> Answers:
        """Tabulated answers; ``hits`` at the nominal speed point, shape (draws, rolls)."""
        clean = hits == 0.0
        stops, beyond = self._need.at(node_weights, hits)
        room, lost = self._room_end.at(node_weights, hits)
        log_snr, _ = self._log_snr.at(node_weights, hits)
        log_fog, _ = self._log_fog.at(node_weights, hits)
        stops[clean] = 0.0
        room[lost] = np.nan
        partly = np.zeros(hits.shape, dtype=bool)
        if self.criterion == "shadow_snr":
            partly = (hits > np.exp(node_weights @ self._log_wholly)[:, None]) & ~beyond & ~clean
        return Answers(
            stops=np.where(beyond, np.inf, stops),
            capped_stops=stops,
            partly=partly,
            fog_density=np.exp(log_fog) * np.minimum(hits, GREATEST_HITS),
            snr_kept=np.where(clean, 1.0, np.minimum(np.exp(log_snr), 1.0)),
            room_end=room,
        )

    # Made by the subclasses: the tables, and ln of the dose up to which all of the shadows can be had.
    _need: Table | CloseTable
    _room_end: Table | CloseTable
    _log_snr: Table | CloseTable
    _log_fog: Table | CloseTable
    _log_wholly: FloatArray

    def solution(self, shape: FloatArray, hits: FloatArray) -> RecordSolution:
        """The solver's own solution for one shape and a row of doses."""
        return self._node(*shape.tolist()).solve(hits, self.snr_target)

    def exact(self, shape: FloatArray, hits: FloatArray) -> Answers:
        """The solver's own answers for one shape and a row of doses, to measure the error of the tables."""
        solution = self.solution(shape, hits)
        raw, stops = solution.stops[self.criterion], solution.wanted(self.criterion, self.snr_target)
        beyond = np.isnan(stops)
        return Answers(
            stops=np.where(beyond, np.inf, stops),
            capped_stops=stops,
            partly=~beyond & ~(stops >= raw),
            fog_density=solution.fog_density,
            snr_kept=solution.snr_kept,
            room_end=solution.highlight_end,
        )


class SmoothSurface(RecordSurface):
    """Tables that are smooth from one shape to the next: Chebyshev nodes in b, and in each of the others by itself."""

    def __init__(
        self,
        emulsion: Emulsion,
        density_step: float,
        shape: Shape,
        criterion: str,
        snr_target: float,
        counts: tuple[int, int, int] = _NODES,
    ) -> None:
        super().__init__(emulsion, density_step, shape, criterion, snr_target)
        self._axes = [chebyshev_nodes(bounds, count) for bounds, count in zip(shape.ranges, counts, strict=True)]
        b, area, contrast = (axis.tolist() for axis in self._axes)
        middle = area[len(area) // 2], contrast[len(contrast) // 2]
        arms = [middle, *((value, middle[1]) for value in area if value != middle[0])]
        arms += [(middle[0], value) for value in contrast if value != middle[1]]
        nodes = [self._node(value, *arm) for value in b for arm in arms]

        def need(node: _Node, hits: FloatArray) -> FloatArray:
            return node.solve(hits, snr_target).wanted(criterion, snr_target)

        def no_need(node: _Node, hits: FloatArray) -> FloatArray:
            return np.where(need(node, hits) == 0.0, 0.0, np.nan)

        def wholly(node: _Node, hits: FloatArray) -> FloatArray:
            return _wholly(node.solve(hits, snr_target), snr_target)

        def room_end(node: _Node, hits: FloatArray) -> FloatArray:
            return node.solve(hits).highlight_end

        def log_snr(node: _Node, hits: FloatArray) -> FloatArray:
            return _log_snr(node.solve(hits))

        def log_fog(node: _Node, hits: FloatArray) -> FloatArray:
            some = np.maximum(hits, 1e-9)
            return np.log(node.solve(some).fog_density / some)

        by_snr = criterion == "shadow_snr"
        self._need = Table(need, nodes, fold=not by_snr, breaks=(no_need, wholly) if by_snr else ())
        self._log_wholly = np.log([last_dose(partial(wholly, node)) for node in nodes])
        self._room_end, self._log_snr = Table(room_end, nodes), Table(log_snr, nodes)
        self._log_fog = Table(log_fog, nodes, endless=True)

    def node_weights(self, shapes: FloatArray) -> FloatArray:
        """Weight of every node for every draw; the effects of area exponent and contrast add up."""
        first, second, third = (lagrange(axis, shapes[:, place]) for place, axis in enumerate(self._axes))
        centre = [axis.size // 2 for axis in self._axes[1:]]
        middle = second[:, [centre[0]]] + third[:, [centre[1]]] - 1.0
        arms = np.hstack([middle, np.delete(second, centre[0], axis=1), np.delete(third, centre[1], axis=1)])
        return np.asarray(np.einsum("ni,nj->nij", first, arms).reshape(len(shapes), -1))


class CloseSurface(RecordSurface):
    """Tables that are straight between many nodes, for a need that jumps or bends from one shape to the next."""

    def __init__(
        self, emulsion: Emulsion, density_step: float, shape: Shape, criterion: str, snr_target: float
    ) -> None:
        super().__init__(emulsion, density_step, shape, criterion, snr_target)
        self._axes = [even_nodes(bounds, count) for bounds, count in zip(shape.ranges, _CLOSE_NODES, strict=True)]
        rows: dict[str, list[FloatArray]] = {name: [] for name in ("need", "room", "snr", "fog", "wholly")}
        for b, area, contrast in product(*(axis.tolist() for axis in self._axes)):
            solution = self._node(b, area, contrast).solve(CLOSE_HITS, snr_target)
            rows["need"].append(solution.wanted(self.criterion, self.snr_target))
            rows["room"].append(solution.highlight_end)
            rows["snr"].append(_log_snr(solution))
            rows["fog"].append(np.log(solution.fog_density / CLOSE_HITS))
            rows["wholly"].append(_wholly(solution, snr_target))
        tables = {name: CloseTable(np.array(values)) for name, values in rows.items()}
        self._need, self._room_end = tables["need"], tables["room"]
        self._log_snr, self._log_fog = tables["snr"], tables["fog"]
        self._log_wholly = tables["wholly"].log_limits

    def node_weights(self, shapes: FloatArray) -> FloatArray:
        """Weight of every node for every draw: of the eight nodes around it."""
        first, second, third = (straight(axis, shapes[:, place]) for place, axis in enumerate(self._axes))
        return np.asarray(np.einsum("ni,nj,nk->nijk", first, second, third).reshape(len(shapes), -1))


def _wholly(solution: RecordSolution, snr_target: float) -> FloatArray:
    """0 where all of the wanted signal-to-noise can be had, else NaN."""
    return np.where(solution.restorable_snr * SHARE_OF_BEST >= snr_target * (1.0 - 1e-12), 0.0, np.nan)


def _log_snr(solution: RecordSolution) -> FloatArray:
    return np.asarray(np.log(np.where(solution.snr_kept > 1e-9, solution.snr_kept, np.nan)))


# -- films -------------------------------------------------------------------------------------------------------------


TabulatedSurface = SmoothSurface | CloseSurface


class FilmSurface:
    """Tables of every record of a film, or of several films that differ in speed only.

    The record that needs most decides, as in :func:`filmdose.compensation.compensate`.
    """

    def __init__(self, records: tuple[TabulatedSurface, ...], error_stops: float) -> None:
        self.records = records
        self.error_stops = error_stops  #: mean error measured where the tables were checked [stops]

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
def _film_surface(found: tuple[tuple[TabulatedSurface, float], ...]) -> FilmSurface:
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
) -> tuple[TabulatedSurface, float]:
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
    arguments = (emulsion, density_step, shape, criterion, snr_target)
    surface: TabulatedSurface | None = None
    if not _flat(RecordSurface(*arguments)):
        surface = SmoothSurface(*arguments)
        error, worst = measured_error(surface)
    if surface is None or worst > SURFACE_TOLERANCE_STOPS:
        surface = CloseSurface(*arguments)
        error, worst = measured_error(surface)
    if error > POOR_TOLERANCE_STOPS:
        text = f"The need by {criterion} is tabulated to {error:.2g} stop only: it jumps with this film's b and dose."
        warnings.warn(text, ValidityWarning, stacklevel=2)
    return surface, error


def _flat(surface: RecordSurface) -> bool:
    """Whether for some shape all of the shadows cannot be had after next to no dose: then the need is not smooth."""
    if surface.criterion != "shadow_snr":
        return False
    for shape in product(*surface.shape.ranges):
        if np.isnan(_wholly(surface.solution(np.array(shape), np.array([_LITTLE])), surface.snr_target))[0]:
            return True
    return False


def measured_error(surface: TabulatedSurface, checks: int = _CHECKS) -> tuple[float, float]:
    """Difference of the need from the solver [stops]: its mean, and what one checked cell in a hundred exceeds.

    Cells are shapes as they are drawn, a normal distribution about the middle of the ranges whose ends are 3.5
    standard deviations away, times doses between the entries. Doses that leave less than a thousandth of the shadow's
    signal-to-noise, and the last twentieth before the dose beyond rescue, are not looked at.
    """
    low, high = np.array(surface.shape.ranges).T
    scores = np.clip(normal_points(3, checks, np.random.default_rng(0)), -SHAPE_SCORE, SHAPE_SCORE)
    hits = np.geomspace(1e-3, GREATEST_HITS, 200)
    errors = []
    for row in 0.5 * (low + high) + 0.5 * (high - low) / SHAPE_SCORE * scores:
        exact = surface.exact(row, hits)
        within = np.isfinite(exact.stops)
        within &= (hits < 0.95 * hits[within].max(initial=0.0)) & (exact.snr_kept > 1e-3)
        table = surface.answers(surface.node_weights(row[None]), hits[None]).capped_stops[0]
        errors.append(np.abs(table - exact.stops)[within])
    found = np.concatenate(errors)
    return (float(found.mean()), float(np.quantile(found, 0.99))) if found.size else (0.0, 0.0)
