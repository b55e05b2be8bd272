"""Counting draws: blocks of scores in, histograms out, so that memory does not grow with the number of draws."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri
from scipy.stats import qmc

from filmdose.arrays import FloatArray, check_count
from filmdose.odds.unknowns import TripModel

if TYPE_CHECKING:
    from filmdose.odds.learn import Learned

__all__ = ["POINTS", "Histogram", "Random", "ScoreStream", "random_generator"]

#: 5, 50 and 95 % points.
POINTS = (0.05, 0.5, 0.95)

Random = int | np.random.Generator

_BINS = 4096


def random_generator(rng: Random) -> np.random.Generator:
    """A generator from a seed (0 is one) or a generator."""
    if isinstance(rng, np.random.Generator):
        return rng
    return np.random.default_rng(check_count("rng", rng, action="Give a seed, or a numpy Generator."))


def normal_points(dimensions: int, count: int, rng: np.random.Generator) -> FloatArray:
    """Scrambled Sobol points as standard normal scores, shape (count, dimensions); count is a power of two."""
    return to_normal(qmc.Sobol(dimensions, rng=rng).random(count))


def to_normal(even: FloatArray) -> FloatArray:
    """Standard normal scores of even numbers from 0 to 1."""
    return np.asarray(ndtri(np.clip(even, 1e-12, 1.0 - 1e-12)))


class ScoreStream:
    """Blocks of standard normal scores for all inputs of a trip, what is learnt put in its place."""

    def __init__(self, model: TripModel, learned: Learned | None, block: int, rng: np.random.Generator) -> None:
        self.size = len(model.inputs)
        self.block = block
        self.learned = None if learned is None else learned.matched(model)
        # One dimension more chooses among the learnt draws; with nothing unknown at all one stands idle.
        self.engine = qmc.Sobol(max(1, self.size + (self.learned is not None)), rng=rng)

    def next(self) -> FloatArray:
        """The next block, shape (block, inputs)."""
        even = self.engine.random(self.block)
        scores = to_normal(even[:, : self.size])
        if self.learned is not None:
            places, draws, cumulative = self.learned
            chosen = np.searchsorted(cumulative, even[:, -1], side="right")
            scores[:, places] = draws[np.minimum(chosen, len(draws) - 1)]
        return scores


class Histogram:
    """Counts of finite values on even bins, by half and column, with their least and greatest value."""

    def __init__(self, low: float, high: float, columns: int) -> None:
        self.low, self.width = low, (high - low) / _BINS
        self.counts = np.zeros((2, columns, _BINS))
        self.least, self.greatest = np.full(columns, np.inf), np.full(columns, -np.inf)
        self.above = np.zeros((2, columns))  # infinite or unknown

    def add(self, half: int, columns: Sequence[int], values: FloatArray) -> None:
        """Count values, shape (draws, columns)."""
        finite = np.isfinite(values)
        all_finite = bool(finite.all())
        bins = np.clip((np.where(finite, values, 0.0) - self.low) / self.width, 0, _BINS - 1).astype(np.intp)
        flat = bins + _BINS * np.arange(len(columns))
        if not all_finite:
            flat = flat[finite]
            self.above[half, columns] += (~finite).sum(axis=0)
        counted = np.bincount(flat.ravel(), minlength=_BINS * len(columns)).reshape(len(columns), _BINS)
        self.counts[half, columns] += counted
        self.least[columns] = np.minimum(self.least[columns], np.where(finite, values, np.inf).min(axis=0))
        self.greatest[columns] = np.maximum(self.greatest[columns], np.where(finite, values, -np.inf).max(axis=0))

    def values(self, column: int, half: int | None = None) -> tuple[FloatArray, FloatArray]:
        """Middle of every bin in use and its count, with infinity last."""
        counts = self.counts[:, column].sum(axis=0) if half is None else self.counts[half, column]
        above = self.above[:, column].sum() if half is None else self.above[half, column]
        middles = np.clip(self.low + (np.arange(_BINS) + 0.5) * self.width, self.least[column], self.greatest[column])
        used = counts > 0
        return np.append(middles[used], np.inf), np.append(counts[used], above)

    def quantile(self, column: int, probability: float, half: int | None = None, *, finite: bool = False) -> float:
        """Quantile, straight within a bin; infinite when it lies among the infinite ones, unless these do not count."""
        counts = self.counts[:, column].sum(axis=0) if half is None else self.counts[half, column]
        above = self.above[:, column].sum() if half is None else self.above[half, column]
        inside = float(counts.sum())
        wanted = probability * (inside if finite else inside + float(above))
        if inside == 0.0 or wanted > inside * (1.0 + 1e-12):
            return math.inf if not finite else math.nan
        cumulative = np.cumsum(counts)
        place = min(int(np.searchsorted(cumulative, wanted, side="left")), _BINS - 1)
        before = float(cumulative[place] - counts[place])
        share = 0.5 if counts[place] == 0 else (wanted - before) / float(counts[place])
        value = self.low + (place + share) * self.width
        return float(np.clip(value, self.least[column], self.greatest[column]))
