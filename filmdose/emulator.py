"""The solver's answers as smooth functions of one number, for sampling and sliders.

For one record (or one family of equal shape) everything depends on the dose x
alone, so cubic pieces in log x answer for thousands of doses in the time in which
the exact path answers for one.  Each criterion has a box [0, x_high] inside which
the error against the exact path was measured on a finer grid when the emulator
was built; outside its box the exact path answers.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray, check_number
from filmdose.errors import ArgumentError
from filmdose.solver import CRITERIA, RecordProblem, RecordSolution

__all__ = ["ERROR_LIMIT_STOPS", "Emulator", "emulator"]

#: Greatest error against the exact path that a box may have [stops].
ERROR_LIMIT_STOPS = 0.002

_QUANTITIES = (
    *CRITERIA,
    "fog_density",
    "snr_kept",
    "contrast_fogged",
    "highlight_end",
    "usable_stops",
    "restorable_snr",
)
_LOW = 1e-5  # hits; below it every loss is proportional to the dose
_HIGH = 1e3
_NODES = 768
_CHECKS = 8  # points between two nodes at which the error is measured
_BLOCK = 16384


@dataclass(frozen=True, kw_only=True, eq=False)
class Emulator:
    """Cubic pieces in log x for every quantity of :class:`filmdose.solver.RecordSolution`.

    Made by :func:`emulator`.  ``solve`` has the meaning of ``RecordProblem.solve`` for
    the ``snr_target`` it was made for.

    Parameters
    ----------
    problem
        The exact path, which answers outside the box.
    snr_target
        Fraction of the clean signal-to-noise that counts as restored [1].
    x_high
        Upper end of the box by quantity [hits].
    error
        Greatest error measured inside the box by quantity [stops; density; 1].
    """

    problem: RecordProblem
    snr_target: float
    x_high: dict[str, float]
    error: dict[str, float]
    coefficients: dict[str, FloatArray]  # (4, pieces), in powers of the place inside a piece
    log_low: float
    log_step: float

    def covers(self, quantity: str, hits: FloatArray) -> NDArray[np.bool_]:
        """True where the emulator, not the exact path, answers for a quantity."""
        return np.asarray(hits <= self.x_high[quantity])

    def solve(self, hits: FloatArray) -> RecordSolution:
        """All quantities for every dose x; the exact path answers where a quantity's box ends.

        Parameters
        ----------
        hits
            Mean hits x of a grain at the shadow point [>= 0], any shape; NaN gives NaN there.
        """
        found = self._quantities(hits, _QUANTITIES)
        return RecordSolution(stops={name: found.pop(name) for name in CRITERIA}, **found)

    def stops(self, criterion: str, hits: FloatArray) -> FloatArray:
        """Compensation by one criterion only [stops]; NaN where no exposure satisfies it."""
        if criterion not in CRITERIA:
            raise ArgumentError("criterion", criterion, f"one of {', '.join(CRITERIA)}")
        return self._quantities(hits, (criterion,))[criterion]

    def _quantities(self, hits: FloatArray, names: tuple[str, ...]) -> dict[str, FloatArray]:
        """Some quantities, from the pieces where they cover the dose and from the exact path elsewhere."""
        x = np.ascontiguousarray(hits, dtype=np.float64).ravel()
        out = {name: np.empty(x.size) for name in names}
        for start in range(0, x.size, _BLOCK):
            part = slice(start, start + _BLOCK)
            self._evaluate(x[part], {name: array[part] for name, array in out.items()})
        outside = np.flatnonzero(x > min(self.x_high[name] for name in names))
        if outside.size:
            exact = self.problem.solve(x[outside], snr_target=self.snr_target)
            for name, array in out.items():
                beyond = ~self.covers(name, x[outside])
                values = exact.stops[name] if name in CRITERIA else getattr(exact, name)
                array[outside[beyond]] = values[beyond]
        return {name: array.reshape(np.shape(hits)) for name, array in out.items()}

    def _evaluate(self, x: FloatArray, out: dict[str, FloatArray]) -> None:
        with np.errstate(divide="ignore"):
            place = np.log(x)
        place -= self.log_low
        place *= 1.0 / self.log_step
        np.clip(place, 0.0, _NODES - 1 - 1e-9, out=place)  # NaN stays
        unknown = np.isnan(place)
        any_unknown = bool(unknown.any())
        if any_unknown:
            place[unknown] = 0.0
        piece = place.astype(np.intp)
        place -= piece
        tiny = x < _LOW
        any_tiny = bool(tiny.any())
        for name, array in out.items():
            c0, c1, c2, c3 = self.coefficients[name]
            c3.take(piece, out=array)
            array *= place
            array += c2.take(piece)
            array *= place
            array += c1.take(piece)
            array *= place
            array += c0.take(piece)
            if any_tiny:
                # proportional to the dose between nothing and the first node
                clean, first = self._clean(name), c0[0]
                array[tiny] = clean + (first - clean) * (x[tiny] / _LOW)
            if any_unknown:
                array[unknown] = math.nan

    def _clean(self, name: str) -> float:
        if name == "snr_kept":
            return 1.0
        if name == "contrast_fogged":
            return self.problem.clean_contrast
        if name in ("highlight_end", "restorable_snr"):
            return float(self.coefficients[name][0, 0])
        return 0.0


def emulator(problem: RecordProblem, *, snr_target: float = 1.0) -> Emulator:
    """Build the emulator of a record and measure its error on a grid eight times finer than its nodes.

    The box of each quantity ends where its error would pass 0.002 (stops, density
    or 1), or where its solution ends; near that end the stops rise with an infinite
    slope, which no polynomial follows.

    Parameters
    ----------
    problem
        From :func:`filmdose.solver.record_problem`.
    snr_target
        Fraction of the clean signal-to-noise that counts as restored [above 0, to 1].
    """
    target = check_number("snr_target", snr_target, low=0.0, low_open=True, high=1.0)
    shape = (problem.net.tobytes(), problem.clean_weights.tobytes(), problem.exponents.tobytes(), problem.density_step)
    return replace(_build(_Key(problem, shape), target), problem=problem)


class _Key:
    """Problems of one family differ in ``hits_per_ugy`` only; the emulator is the same for all of them."""

    def __init__(self, problem: RecordProblem, shape: tuple[object, ...]) -> None:
        self.problem = problem
        self.shape = shape

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _Key) and self.shape == other.shape

    def __hash__(self) -> int:
        return hash(self.shape)


@lru_cache(maxsize=32)
def _build(key: _Key, snr_target: float) -> Emulator:
    from scipy.interpolate import CubicSpline

    problem = key.problem
    log_low, log_high = math.log(_LOW), math.log(_HIGH)
    u = np.linspace(log_low, log_high, _NODES)
    fine = np.linspace(log_low, log_high, (_NODES - 1) * _CHECKS + 1)
    exact = problem.solve(np.exp(fine), snr_target=snr_target)
    step = float(u[1] - u[0])
    coefficients, x_high, error = {}, {}, {}
    for name in _QUANTITIES:
        values = exact.stops[name] if name in CRITERIA else getattr(exact, name)
        known = np.isfinite(values)
        last = values.size if known.all() else int(np.argmin(known))
        pieces = (last - 1) // _CHECKS if last else 0
        if pieces < 3:
            raise ArgumentError("problem", name, "a record whose criterion can be satisfied at small doses")
        nodes = np.arange(pieces + 1) * _CHECKS
        spline = CubicSpline(u[: pieces + 1], values[nodes])
        miss = np.abs(spline(fine[: nodes[-1] + 1]) - values[: nodes[-1] + 1])
        # A whole number of pieces whose greatest error, with a margin for what lies between the checks, is allowed.
        by_piece = np.maximum.reduceat(miss, nodes[:-1])
        good = 2.0 * by_piece <= ERROR_LIMIT_STOPS
        count = pieces if good.all() else int(np.argmin(good))
        if count < 3:
            raise ArgumentError("problem", name, "a record whose answers are smooth in the dose")
        table = np.zeros((4, _NODES))
        table[:, :pieces] = spline.c[::-1] * step ** np.arange(4)[:, None]
        coefficients[name] = table
        x_high[name] = math.exp(u[count])
        error[name] = float(by_piece[:count].max())
    return Emulator(
        problem=problem,
        snr_target=snr_target,
        x_high=x_high,
        error=error,
        coefficients=coefficients,
        log_low=log_low,
        log_step=step,
    )
