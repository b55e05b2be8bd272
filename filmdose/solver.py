"""The array solver: how much more exposure one record needs, for any number of doses at once.

For one record light enters only through fixed matrices P_L and dP_L/dlog10 H
on a grid of exposure, and a dose only through the vector of surviving weights
c_j (1 - p0) exp(-m_j).  So the curves of all doses are one matrix product; the
crossings are found on the grid and refined on the cubic through four nodes.

Exposure is counted from the *shadow point* of the clean record,
s = log10 H - log10 H_m, and dose as x, the mean number of hits of a grain of
sensitivity 1 / H_m.  In these two numbers all speeds of one family of films are
the same problem, and one set of matrices serves them all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc, gammaln

from filmdose.arrays import FloatArray
from filmdose.film.emulsion import LN10, Emulsion
from filmdose.units import LOG10_2

__all__ = [
    "CRITERIA",
    "DENSITY_STEP",
    "LEAST_RESTORED",
    "SHARE_OF_BEST",
    "RecordProblem",
    "RecordSolution",
    "record_problem",
]

#: What "as good as on the clean film" can mean, each with a sentence.
CRITERIA: dict[str, str] = {
    "fixed_density": "the exposure that gives the standard's density above base plus fog (ISO 6: 0.10)",
    "fractional_gradient": "the exposure where the gradient is 0.3 of the mean gradient over the next 1.5 log units",
    "shadow_gradient": "the exposure that restores the absolute gradient of the clean shadow point",
    "shadow_snr": "the exposure that restores the signal-to-noise ratio of the clean shadow point",
}

#: Density above minimum of the speed point: ISO 6 and ISO 5800 [density].
DENSITY_STEP: dict[str, float] = {"bw-negative": 0.10, "colour-negative": 0.15}

#: On a film whose signal-to-noise hardly rises above its shadow point, full restoration may be out of reach or cost
#: stops for the last few percent.  What is asked for is then this share of the best that the fogged film can give
#: (our choice).
SHARE_OF_BEST = 0.90

#: Below this share of the wanted signal-to-noise a film is called beyond rescue (our choice).
LEAST_RESTORED = 0.5

#: Distances of the grid's nodes [log units], coarse to fine, of which a record gets the first whose cubic through four
#: nodes is good to the given relative error wherever a quantity is at least half of what its criterion asks for.
_STEPS, _GRID_ERROR = (0.05, 0.025, 0.0125), 1e-4
_LEFT = 2  # nodes left of the shadow point that the cubic of its first interval needs
_FRACTIONAL_LOW = -1.0  # the fractional-gradient point may lie left of the shadow point by this much
_FRACTION = 0.3
_MEAN_INTERVAL = 1.5
_CONTRAST_INTERVAL = 1.30
_BLOCK = 1024  # cells whose curves stay in a core's cache
_BATCH = 16 * _BLOCK  # cells whose roots are refined together


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordSolution:
    """What the solver found, one element for each dose, in the order given.

    ``stops`` by criterion is NaN where no exposure satisfies it.
    """

    fog_density: FloatArray
    stops: dict[str, FloatArray]
    snr_kept: FloatArray
    contrast_fogged: FloatArray
    highlight_end: FloatArray  #: log units right of the shadow point; NaN where no gradient is enough
    usable_stops: FloatArray  #: least exposure for the signal-to-noise target, or for SHARE_OF_BEST if that is less
    restorable_snr: FloatArray  #: greatest signal-to-noise over the clean one; where ample, a lower bound

    def wanted(self, criterion: str, snr_target: float) -> FloatArray:
        """Compensation to aim at by a criterion [stops]; NaN where the film is beyond rescue by it.

        By signal-to-noise: the least exposure that gives the target, or SHARE_OF_BEST of the fogged film's best
        where that is less; NaN where the best is less than half of the target.  By any other criterion its own stops.
        """
        if criterion != "shadow_snr":
            return self.stops[criterion]
        return np.asarray(np.where(self.restorable_snr >= LEAST_RESTORED * snr_target, self.usable_stops, np.nan))


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordProblem:
    """Matrices and clean values of one record (or one family of records of equal shape).

    Made by :func:`record_problem`; ``solve`` may be called from several threads.

    A dose is the row vector (surviving weights, 1); its product with each matrix is
    a quantity on the nodes s.  ``noise`` holds sum_j a_j c_j in the row of the 1;
    ``fractional`` is the gradient less 0.3 of the mean gradient to the right, which
    is linear in the weights as well.
    """

    step: float  # distance of the nodes [log units]
    nodes: FloatArray  # s of net, slope and noise; node _LEFT is exactly 0
    fractional_nodes: FloatArray  # s of fractional
    net: FloatArray  # (classes + 1, nodes)
    slope: FloatArray
    noise: FloatArray
    fractional: FloatArray
    exponents: FloatArray  # row 0: -m_j / x, and 0 for the 1; row 1: log of clean_weights
    clean_weights: FloatArray  # c_j (1 - p0), and the 1
    counted: FloatArray  # 1 for every class, 0 for the 1
    density_step: float
    hits_per_ugy: float  # x per uGy of the record this was made from
    clean_gradient: float
    clean_snr: float  # r at the shadow point, in units where a grain of sensitivity 1/H_m has area 1
    clean_contrast: float
    clean_fractional: float  # s of the clean fractional-gradient point
    ample: dict[float, float]  # by target: the dose up to which the best signal-to-noise is ample; shared by a family

    def hits(self, kerma_ugy: FloatArray, hits_per_ugy: float | FloatArray | None = None) -> FloatArray:
        """Dose x for an effective kerma [uGy]."""
        return np.asarray(kerma_ugy * (self.hits_per_ugy if hits_per_ugy is None else hits_per_ugy))

    def solve(self, hits: FloatArray, *, snr_target: float = 1.0) -> RecordSolution:
        """All criteria for every dose x; NaN in gives NaN there.

        Parameters
        ----------
        hits
            Mean hits x of a grain at the shadow point [>= 0], any shape.
        snr_target
            Fraction of the clean signal-to-noise that counts as restored [0 to 1, above 0].
        """
        x = np.ascontiguousarray(hits, dtype=np.float64).ravel()
        out = {name: np.empty(x.size) for name in _OUTPUTS}
        threshold = (snr_target * self.clean_snr) ** 2
        scaled_noise = threshold * self.noise
        for start in range(0, x.size, _BATCH):
            part = slice(start, start + _BATCH)
            self._solve_batch(x[part], threshold, scaled_noise, {name: array[part] for name, array in out.items()})
        out["usable_stops"] = out["shadow_snr"].copy()
        out["restorable_snr"] = np.where(np.isnan(x), np.nan, snr_target / SHARE_OF_BEST)
        scarce = np.flatnonzero(x > self._ample_hits(snr_target))
        if scarce.size:
            out["usable_stops"][scarce], out["restorable_snr"][scarce] = self._usable(x[scarce], snr_target)
        shaped = {name: array.reshape(np.shape(hits)) for name, array in out.items()}
        return RecordSolution(stops={name: shaped.pop(name) for name in CRITERIA}, **shaped)

    def _ample_hits(self, snr_target: float) -> float:
        """Dose up to which SHARE_OF_BEST of the best signal-to-noise is more than the target.

        Signal-to-noise falls with the dose at every exposure, so there is one such dose.
        """
        if snr_target not in self.ample:
            low, high = -9.0, 6.0
            for _ in range(5):
                trial = np.linspace(low, high, 33)
                _, best = self._usable(10.0**trial, snr_target)
                enough = best >= snr_target / SHARE_OF_BEST
                last = int(np.argmin(enough)) - 1 if not enough.all() else trial.size - 1
                if last < 0:
                    self.ample[snr_target] = 0.0
                    break
                low, high = trial[last], trial[min(last + 1, trial.size - 1)]
            self.ample.setdefault(snr_target, float(10.0**low))
        return self.ample[snr_target]

    def _usable(self, x: FloatArray, snr_target: float) -> tuple[FloatArray, FloatArray]:
        """Least stops for the target or SHARE_OF_BEST of the best, and the best over the clean signal-to-noise."""
        brackets = _Brackets(x.size)
        best = np.empty(x.size)
        dose = np.stack([x, np.ones(x.size)], axis=1)
        for start in range(0, x.size, _BLOCK):
            block = slice(start, min(start + _BLOCK, x.size))
            weights = np.exp(dose[block] @ self.exponents)
            squared = (weights @ self.slope) ** 2 / ((weights @ self.noise) * self.clean_snr**2)
            best[block] = np.sqrt(_peak(squared, _LEFT))
            wanted = np.minimum(snr_target, SHARE_OF_BEST * best[block]) ** 2
            with np.errstate(divide="ignore", invalid="ignore"):
                squared /= wanted[:, None]  # nothing left to restore divides 0 by 0
            brackets.first(block, squared >= 1.0, _LEFT, squared, 1.0)
        return np.asarray(self.step * (brackets.roots() - _LEFT) / LOG10_2), best

    def _solve_batch(
        self, x: FloatArray, threshold: float, scaled_noise: FloatArray, out: dict[str, FloatArray]
    ) -> None:
        brackets = {name: _Brackets(x.size) for name in (*CRITERIA, "highlight_end")}
        # Buffers are made once: fresh memory for every product would cost more than the product.
        dose = np.stack([x, np.ones(x.size)], axis=1)
        rows = min(_BLOCK, x.size)
        weights = np.empty((rows, self.clean_weights.size))
        products = [np.empty((rows, matrix.shape[1])) for matrix in (self.net, self.slope, self.noise, self.fractional)]
        zero, reach = _LEFT, _LEFT + round(_CONTRAST_INTERVAL / self.step)
        for start in range(0, x.size, _BLOCK):
            block = slice(start, min(start + _BLOCK, x.size))
            w = weights[: block.stop - start]
            net, slope, noise, fractional = (buffer[: block.stop - start] for buffer in products)
            np.matmul(dose[block], self.exponents, out=w)
            np.exp(w, out=w)
            out["fog_density"][block] = w @ self.counted

            np.matmul(w, self.net, out=net)
            out["contrast_fogged"][block] = (net[:, reach] - net[:, zero]) / _CONTRAST_INTERVAL
            brackets["fixed_density"].first(block, net >= self.density_step, zero, net, self.density_step)

            np.matmul(w, self.slope, out=slope)
            enough = slope >= self.clean_gradient
            brackets["shadow_gradient"].first(block, enough, zero, slope, self.clean_gradient)
            brackets["highlight_end"].last(block, enough, slope, self.clean_gradient)

            np.matmul(w, scaled_noise, out=noise)
            np.multiply(slope, slope, out=slope)
            out["snr_kept"][block] = slope[:, zero] / noise[:, zero]
            brackets["shadow_snr"].first(block, slope >= noise, zero, slope, noise)

            np.matmul(w, self.fractional, out=fractional)
            brackets["fractional_gradient"].first(block, fractional > 0.0, 0, fractional, 0.0)

        out["fog_density"][:] = self.clean_weights @ self.counted - out["fog_density"]
        out["snr_kept"][:] = np.sqrt(out["snr_kept"] * threshold) / self.clean_snr
        for name in CRITERIA:
            at = brackets[name].roots()
            if name == "fractional_gradient":
                out[name][:] = (self.fractional_nodes[0] + self.step * at - self.clean_fractional) / LOG10_2
            else:
                out[name][:] = self.step * (at - _LEFT) / LOG10_2
        out["highlight_end"][:] = self.step * (brackets["highlight_end"].roots() - _LEFT)

        zero_dose = x == 0.0  # an identity, which the grid would give to rounding
        for name, value in {"fog_density": 0.0, "snr_kept": 1.0, **dict.fromkeys(CRITERIA, 0.0)}.items():
            out[name][zero_dose] = value
        unknown = np.isnan(x)
        if unknown.any():
            for array in out.values():
                array[unknown] = np.nan


_OUTPUTS = (*CRITERIA, "fog_density", "snr_kept", "contrast_fogged", "highlight_end")


class _Brackets:
    """Where a batch of rows passes through zero: four neighbouring values of each, refined all at once.

    ``position`` is in units of the node index: the answer itself where no
    refinement is needed, NaN where there is no crossing.
    """

    def __init__(self, size: int) -> None:
        self.position = np.empty(size)
        self.left = np.zeros(size, dtype=np.intp)  # first of the four nodes
        self.low = np.zeros(size)  # which of the three intervals between them: 0, 1 or 2
        self.values = np.zeros((4, size))  # less the level
        self.refine = np.zeros(size, dtype=bool)
        self.falling = False

    def first(
        self, block: slice, reached: NDArray[np.bool_], start: int, value: FloatArray, level: FloatArray | float
    ) -> None:
        """First node at or right of ``start`` where ``value >= level``; the node itself if that is ``start``."""
        index = reached[:, start:].argmax(axis=1) + start
        rows = np.arange(index.size)
        found = reached[rows, index]
        self.position[block] = np.where(found, index, np.nan)
        self._store(block, found & (index > start), index - 1, value, level)
        if not found.all():
            self._touch(block, np.flatnonzero(~found), start, value, level)

    def last(self, block: slice, reached: NDArray[np.bool_], value: FloatArray, level: float) -> None:
        """Last node where ``value >= level``, for a value that falls through ``level`` on its right."""
        size = reached.shape[1]
        index = size - 1 - reached[:, ::-1].argmax(axis=1)
        found = reached[np.arange(index.size), index]
        self.position[block] = np.where(found, index, np.nan)
        self._store(block, found & (index < size - 1), index, value, level)
        self.falling = True

    def _store(
        self,
        block: slice,
        refine: NDArray[np.bool_],
        interval: NDArray[np.intp],
        value: FloatArray,
        level: FloatArray | float,
    ) -> None:
        size = value.shape[1]
        left = np.minimum(np.maximum(interval - 1, 0), size - 4)
        self.left[block] = left
        self.low[block] = interval - left
        self.refine[block] = refine
        left += np.arange(0, interval.size * size, size)
        for i in range(4):
            at = self.values[i, block]
            value.ravel().take(left, out=at, mode="clip")  # with 'raise' NumPy would buffer
            at -= level.ravel().take(left) if isinstance(level, np.ndarray) else level
            left += 1

    def _touch(
        self, block: slice, rows: NDArray[np.intp], start: int, value: FloatArray, level: FloatArray | float
    ) -> None:
        """Rows that never reach the level on a node may still reach it between nodes, at a maximum."""
        excess = value[rows] - (level[rows] if isinstance(level, np.ndarray) else level)
        top = np.clip(excess[:, start:].argmax(axis=1) + start, start + 1, excess.shape[1] - 2)
        here = np.arange(rows.size)
        before, at, after = excess[here, top - 1], excess[here, top], excess[here, top + 1]
        curvature = before - 2.0 * at + after
        slope = 0.5 * (after - before)
        with np.errstate(divide="ignore", invalid="ignore"):
            peak = at - 0.5 * slope**2 / curvature
            place = -slope / curvature - np.sqrt(-2.0 * peak / curvature)
        touches = (curvature < 0) & (peak >= 0) & (np.abs(place) <= 1)
        position = self.position[block]
        position[rows[touches]] = top[touches] + place[touches]

    def roots(self) -> FloatArray:
        """Positions [node index], refined on the cubic through the four values."""
        refine = self.refine
        if self.falling:
            np.negative(self.values, out=self.values)
        if refine.all():
            return self.left + _cubic_root(self.values, self.low)
        result = self.position
        if refine.any():
            result[refine] = self.left[refine] + _cubic_root(self.values[:, refine], self.low[refine])
        return result


def _peak(value: FloatArray, start: int) -> FloatArray:
    """Maximum of each row at or right of node ``start``, on the parabola through the greatest node's neighbours."""
    rows = np.arange(value.shape[0])
    top = np.clip(value[:, start:].argmax(axis=1) + start, 1, value.shape[1] - 2)
    before, at, after = value[rows, top - 1], value[rows, top], value[rows, top + 1]
    curvature = before - 2.0 * at + after
    with np.errstate(divide="ignore", invalid="ignore"):
        vertex = at - 0.125 * (after - before) ** 2 / curvature
    inside = (curvature < 0) & (at >= before) & (at >= after) & (top > start)
    return np.asarray(np.where(inside, vertex, value[:, start:].max(axis=1)))


def _cubic_root(values: FloatArray, low: FloatArray) -> FloatArray:
    """Root in [low, low + 1] of the cubic through (0, f0) ... (3, f3), where it rises through zero."""
    f0, f1, f2, f3 = values
    # Newton's forward differences, as a polynomial in t.
    d2, d3 = f2 - 2.0 * f1 + f0, f3 - 3.0 * (f2 - f1) - f0
    a3 = d3 / 6.0
    a2 = 0.5 * (d2 - d3)
    a1 = (f1 - f0) - 0.5 * d2 + d3 / 3.0

    def cubic(t: FloatArray) -> FloatArray:
        return np.asarray(f0 + t * (a1 + t * (a2 + t * a3)))

    high = low + 1.0
    at_low, at_high = cubic(low), cubic(high)
    with np.errstate(divide="ignore", invalid="ignore", over="ignore"):
        t = low - at_low / (at_high - at_low)
        for _ in range(2):
            t -= cubic(t) / (a1 + t * (2.0 * a2 + t * (3.0 * a3)))
            np.minimum(np.maximum(t, low, out=t), high, out=t)  # keeps NaN, seen below
        scale = np.abs(at_low) + np.abs(at_high)
        astray = ~(np.abs(cubic(t)) <= 1e-7 * scale)
    if astray.any():
        t[astray] = _bisected(f0[astray], a1[astray], a2[astray], a3[astray], low[astray])
    return t


def _bisected(f0: FloatArray, a1: FloatArray, a2: FloatArray, a3: FloatArray, low: FloatArray) -> FloatArray:
    """The same root, slowly and surely, for the few rows that Newton's steps lead astray."""
    low, high = low.copy(), low + 1.0
    for _ in range(40):
        t = 0.5 * (low + high)
        below = f0 + t * (a1 + t * (a2 + t * a3)) < 0
        low = np.where(below, t, low)
        high = np.where(below, high, t)
    return 0.5 * (low + high)


def _node_positions(first: int, last: int, step: float) -> FloatArray:
    return np.asarray(step * np.arange(first, last + 1), dtype=np.float64)


@lru_cache(maxsize=64)
def _matrices(
    relative: bytes,
    weights: bytes,
    native_fog: float,
    quanta: float,
    hit_exponent: float,
    density_step: float,
) -> RecordProblem:
    z, c = np.frombuffer(relative), np.frombuffer(weights)
    problems = [_on_grid(z, c, native_fog, quanta, hit_exponent, density_step, _STEPS[0])]
    for step in _STEPS[1:]:
        problems.append(_on_grid(z, c, native_fog, quanta, hit_exponent, density_step, step))
        if _error_of_every_second_node(problems[-1]) <= _GRID_ERROR:
            problems.pop()  # the coarser grid, whose nodes are every second one of this, is good enough
            break
    # a dose too small to change anything, but not the zero that is answered by identity
    clean_point = problems[-1].solve(np.array([1e-300])).stops["fractional_gradient"]
    return replace(problems[-1], clean_fractional=float(clean_point[0]) * LOG10_2)


def _error_of_every_second_node(problem: RecordProblem) -> float:
    """Greatest relative error at the nodes in between, of the cubic through every second node, at several doses."""
    doses = np.stack([np.array([0.0, 0.1, 1.0, 5.0]), np.ones(4)], axis=1)
    weights = np.exp(doses @ problem.exponents)
    net, slope, noise = weights @ problem.net, weights @ problem.slope, weights @ problem.noise
    worst = 0.0
    for value, wanted in (
        (net, problem.density_step),
        (slope, problem.clean_gradient),
        (slope**2 / noise, problem.clean_snr**2),
    ):
        between = (9.0 * (value[:, 2:-4:2] + value[:, 4:-2:2]) - value[:, :-6:2] - value[:, 6::2]) / 16.0
        exact = value[:, 3:-3:2]
        counts = exact > 0.5 * wanted
        worst = max(worst, float(np.max(np.abs(between[counts] / exact[counts] - 1.0), initial=0.0)))
    return worst


def _on_grid(
    z: FloatArray,
    c: FloatArray,
    native_fog: float,
    quanta: float,
    hit_exponent: float,
    density_step: float,
    step: float,
) -> RecordProblem:
    survivors = c * (1.0 - native_fog)
    top = math.ceil(max(3.0, _saturation(z, survivors, quanta)) / step)
    nodes = _node_positions(-_LEFT, top, step)
    fractional_nodes = _node_positions(round(_FRACTIONAL_LOW / step), top, step)

    def light(s: FloatArray) -> FloatArray:
        return np.asarray(gammainc(quanta, np.exp(LN10 * (s + z[:, None]))), dtype=np.float64)

    def slope(s: FloatArray) -> FloatArray:
        log_x = LN10 * (s + z[:, None])
        return np.asarray(LN10 * np.exp(quanta * log_x - np.exp(log_x) - gammaln(quanta)))

    def mean_gradient(s: FloatArray) -> FloatArray:
        return (light(s + _MEAN_INTERVAL) - light(s)) / _MEAN_INTERVAL

    def with_constant(rows: FloatArray, constant: float = 0.0) -> FloatArray:
        # numbers next to underflow change nothing and make a product several times slower
        rows = np.where(np.abs(rows) < 1e-200, 0.0, rows)
        return np.vstack([rows, np.full((1, rows.shape[1]), constant)])

    area = 10.0 ** (2.0 * hit_exponent * z / 3.0)
    clean = np.append(survivors, 1.0)
    matrices = {
        "net": with_constant(light(nodes)),
        "slope": with_constant(slope(nodes)),
        "noise": with_constant(area[:, None] * (light(nodes) - 1.0), float(area @ c)),
        "fractional": with_constant(slope(fractional_nodes) - _FRACTION * mean_gradient(fractional_nodes)),
    }
    net, gradient, variance = (clean @ matrices[name] for name in ("net", "slope", "noise"))
    reach = _LEFT + round(_CONTRAST_INTERVAL / step)
    return RecordProblem(
        step=step,
        nodes=nodes,
        fractional_nodes=fractional_nodes,
        **matrices,
        exponents=np.stack([np.append(-(10.0 ** (hit_exponent * z)), 0.0), np.log(np.maximum(clean, 1e-300))]),
        clean_weights=clean,
        counted=np.append(np.ones(z.size), 0.0),
        density_step=density_step,
        hits_per_ugy=math.nan,
        clean_gradient=float(gradient[_LEFT]),
        clean_snr=float(gradient[_LEFT] / math.sqrt(variance[_LEFT])),
        clean_contrast=float((net[reach] - net[_LEFT]) / _CONTRAST_INTERVAL),
        clean_fractional=0.0,
        ample={},
    )


def _saturation(z: FloatArray, survivors: FloatArray, quanta: float) -> float:
    """Exposure [log units from the shadow point] at which the clean record has 99.5 % of its net maximum."""
    s = np.linspace(0.0, 12.0, 241)
    share = gammainc(quanta, 10.0 ** (s[:, None] + z)) @ survivors / survivors.sum()
    return float(s[min(int(np.searchsorted(share, 0.995)), s.size - 1)])


def record_problem(emulsion: Emulsion, shadow_log_exposure: float, density_step: float) -> RecordProblem:
    """Set up the solver for one negative record.

    Parameters
    ----------
    emulsion
        The record.
    shadow_log_exposure
        Its clean speed point log10 H_m [log10 lx s].
    density_step
        Density above minimum of the speed point [density].

    Notes
    -----
    Positions are rounded to 1e-10 log unit, so that the films of one family, which
    differ by a shift only, share their matrices.
    """
    relative = np.round(emulsion.log_sensitivity + shadow_log_exposure, 10)
    problem = _matrices(
        relative.tobytes(),
        emulsion.weights.tobytes(),
        emulsion.native_fog,
        emulsion.quanta,
        emulsion.hit_exponent,
        density_step,
    )
    return replace(problem, hits_per_ugy=shadow_hits_per_ugy(emulsion, shadow_log_exposure))


def shadow_hits_per_ugy(emulsion: Emulsion, shadow_log_exposure: float) -> float:
    """Mean hits per microgray of a grain of sensitivity 1 / H_m."""
    exponent = emulsion.hit_exponent * (-shadow_log_exposure - emulsion.reference_log_sensitivity)
    return float(emulsion.hits_per_ugy * 10.0**exponent)
