"""Counting draws: blocks of scores in, histograms out, so that memory does not grow with the number of draws."""

from __future__ import annotations

import math

import numpy as np

from filmdose.arrays import FloatArray
from filmdose.decision import LossTally
from filmdose.odds.decision import Cases
from filmdose.odds.learned import Learned
from filmdose.odds.scores import even_points, to_normal
from filmdose.odds.unknowns import TripModel
from filmdose.question import Question

__all__ = ["LEAST_LOG_FOG", "LEAST_LOG_KERMA", "Histogram", "RollTally", "ScoreStream", "case_scores", "middle_scores"]

_BINS = 4096
_MIDDLE = 2048  # draws that tell the middle case

#: Fog and dose are counted by their logarithms, from far below what matters; anything smaller is nothing.
LEAST_LOG_FOG, LEAST_LOG_KERMA = -8.0, -5.0


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


def case_scores(model: TripModel, learned: Learned | None) -> FloatArray:
    """Scores of some cases: the same whatever the seed and the number of draws."""
    return ScoreStream(model, learned, _MIDDLE, np.random.default_rng(0).spawn(1)[0]).next()


def middle_scores(model: TripModel, learned: Learned) -> FloatArray:
    """Those among which the middle of what was learnt is looked for; scanners that nobody identified are at theirs."""
    taught = learned.matched(model)
    return model.at_mixture_middles(case_scores(model, learned), () if taught is None else taught[0])


class Histogram:
    """Counts of finite values on even bins, with their least and greatest value; infinite ones apart."""

    def __init__(self, low: float, high: float) -> None:
        self.low, self.width = low, (high - low) / _BINS
        self.counts = np.zeros(_BINS)
        self.least, self.greatest = math.inf, -math.inf
        self.above = 0.0

    def add(self, values: FloatArray) -> None:
        """Count values, shape (draws,)."""
        inside = np.isfinite(values)
        finite = values if inside.all() else values[inside]
        self.above += values.size - finite.size
        if finite.size:
            place = (finite - self.low) / self.width
            np.minimum(np.maximum(place, 0.0, out=place), _BINS - 1, out=place)
            self.counts += np.bincount(place.astype(np.intp), minlength=_BINS)
            self.least = min(self.least, float(finite.min()))
            self.greatest = max(self.greatest, float(finite.max()))

    def joined(self, other: Histogram) -> Histogram:
        """Both together."""
        result = Histogram(self.low, self.low + _BINS * self.width)
        result.counts, result.above = self.counts + other.counts, self.above + other.above
        result.least, result.greatest = min(self.least, other.least), max(self.greatest, other.greatest)
        return result

    def quantiles(self, *probabilities: float) -> tuple[float, ...]:
        """Quantiles, straight within a bin; infinite where they lie among the infinite ones."""
        cumulative = np.cumsum(self.counts)
        return tuple(self._quantile(probability, cumulative) for probability in probabilities)

    def _quantile(self, probability: float, cumulative: FloatArray) -> float:
        inside = float(cumulative[-1])
        wanted = probability * (inside + self.above)
        if inside == 0.0 or wanted > inside * (1.0 + 1e-12):
            return math.inf
        place = min(int(np.searchsorted(cumulative, wanted, side="left")), _BINS - 1)
        before = float(cumulative[place] - self.counts[place])
        share = 0.5 if self.counts[place] == 0 else (wanted - before) / float(self.counts[place])
        value = self.low + (place + share) * self.width
        return min(max(value, self.least), self.greatest)


class RollTally:
    """What is counted of one roll in one half of the draws."""

    def __init__(self, question: Question) -> None:
        self.question = question
        self.stops = Histogram(-0.5, 12.0)  # compensation of least loss; of reversal film range lost
        self.log_fog = Histogram(LEAST_LOG_FOG, 1.0)
        self.log_kerma = Histogram(LEAST_LOG_KERMA, 12.0)
        self.snr_kept = Histogram(0.0, 1.0 + 1e-9)
        self.drawn = self.lost = self.over_one = self.partly = 0
        self.loss: LossTally | None = None
        self.cases: Cases | None = None

    def count(self, kerma_ugy: FloatArray, *, stops: FloatArray, fog: FloatArray, snr_kept: FloatArray) -> None:
        """Add a block of draws; infinite stops where nothing helps."""
        self.stops.add(stops)
        with np.errstate(divide="ignore"):
            # fog of next to no dose may come out a rounding below zero
            self.log_fog.add(np.maximum(np.log10(np.maximum(fog, 0.0)), LEAST_LOG_FOG))
            self.log_kerma.add(np.maximum(np.log10(kerma_ugy), LEAST_LOG_KERMA))
        self.snr_kept.add(snr_kept)
        self.drawn += stops.size
        self.lost += int(np.isinf(stops).sum())
        self.over_one += int((stops > 1.0).sum())
