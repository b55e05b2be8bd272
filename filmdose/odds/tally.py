"""Counting draws: blocks of scores in, histograms out, so that memory does not grow with the number of draws."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np
from scipy.special import ndtri

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


def even_points(count: int, dimensions: int, rng: np.random.Generator) -> FloatArray:
    """Numbers from 0 to 1, shape (count, dimensions): in each dimension one in every one of ``count`` equal parts.

    A Latin hypercube; importing a library's low-discrepancy sequences would take longer than all draws of a roll.

    References
    ----------
    mckay1979
    """
    parts = rng.permuted(np.broadcast_to(np.arange(float(count)), (dimensions, count)), axis=1)
    return np.asarray(((parts + rng.random((dimensions, count))) / count).T)


def normal_points(dimensions: int, count: int, rng: np.random.Generator) -> FloatArray:
    """Even points as standard normal scores, shape (count, dimensions)."""
    return to_normal(even_points(count, dimensions, rng))


def to_normal(even: FloatArray) -> FloatArray:
    """Standard normal scores of even numbers from 0 to 1."""
    return np.asarray(ndtri(np.clip(even, 1e-12, 1.0 - 1e-12)))


class ScoreStream:
    """Blocks of standard normal scores for all inputs of a trip, what is learnt put in its place."""

    def __init__(self, model: TripModel, learned: Learned | None, block: int, rng: np.random.Generator) -> None:
        self.size, self.block, self.rng = len(model.inputs), block, rng
        self.learned = None if learned is None else learned.matched(model)

    def next(self) -> FloatArray:
        """The next block, shape (block, inputs)."""
        # one dimension more chooses among the learnt draws
        even = even_points(self.block, self.size + (self.learned is not None), self.rng)
        scores = to_normal(even[:, : self.size])
        if self.learned is not None:
            places, draws, cumulative = self.learned
            chosen = np.searchsorted(cumulative, even[:, -1], side="right")
            scores[:, places] = draws[np.minimum(chosen, len(draws) - 1)]
        return scores


class Histogram:
    """Counts of finite values on even bins, with their least and greatest value; infinite ones apart."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.width = low, (high - low) / _BINS
        self.counts = np.zeros(_BINS)
        self.least, self.greatest = math.inf, -math.inf
        self.above = 0.0

    def add(self, values: FloatArray) -> None:
        """Count values, shape (draws,)."""
        finite = values[np.isfinite(values)]
        self.above += values.size - finite.size
        if finite.size:
            bins = np.clip((finite - self.low) / self.width, 0, _BINS - 1).astype(np.intp)
            self.counts += np.bincount(bins, minlength=_BINS)
            self.least = min(self.least, float(finite.min()))
            self.greatest = max(self.greatest, float(finite.max()))

    def joined(self, other: Histogram) -> Histogram:
        """Both together."""
        result = Histogram(self.low, self.low + _BINS * self.width)
        result.counts, result.above = self.counts + other.counts, self.above + other.above
        result.least, result.greatest = min(self.least, other.least), max(self.greatest, other.greatest)
        return result

    def quantile(self, probability: float) -> float:
        """Quantile, straight within a bin; infinite when it lies among the infinite ones."""
        inside = float(self.counts.sum())
        wanted = probability * (inside + self.above)
        if inside == 0.0 or wanted > inside * (1.0 + 1e-12):
            return math.inf
        cumulative = np.cumsum(self.counts)
        place = min(int(np.searchsorted(cumulative, wanted, side="left")), _BINS - 1)
        before = float(cumulative[place] - self.counts[place])
        share = 0.5 if self.counts[place] == 0 else (wanted - before) / float(self.counts[place])
        value = self.low + (place + share) * self.width
        return float(np.clip(value, self.least, self.greatest))
