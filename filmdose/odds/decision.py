"""A sample of a roll's cases, kept whole: what is left at any exposure, and which frames to bracket with."""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import ArgumentError
from filmdose.odds.groups import NegativeCases
from filmdose.question import Question
from filmdose.result import Result
from filmdose.solution import is_restored, snr_at
from filmdose.solver import Light
from filmdose.standards import LOG10_2
from filmdose.units import THIRD

__all__ = ["SAMPLE", "Bracket", "Cases", "bracket_plan", "frame_count", "weighted_quantile"]

#: Cases of a roll that are kept whole.
SAMPLE = 1024


class Cases:
    """The first draws of one roll of negative film with their losses against compensation."""

    def __init__(self, found: NegativeCases, light: Light, question: Question) -> None:
        self.question, self.light = question, light
        self.log2_snr: np.ndarray[Any, Any] = found.log2_snr[:SAMPLE].astype(np.float32)
        self.shadow = found.shadow[:SAMPLE].astype(np.float32)
        self.highlight = found.highlight[:SAMPLE].astype(np.float32)
        self.needed, self.best = found.needed[:SAMPLE].copy(), found.best[:SAMPLE].copy()

    def snr(self, stops: float) -> FloatArray:
        """Signal-to-noise of every case at some compensation, over the clean one [1]."""
        return snr_at(self.log2_snr, np.full(len(self.log2_snr), stops), self.light)

    def restored_at(self, stops: float) -> float:
        """Share of the cases that have all that the criterion asks for at some compensation [1]."""
        given = np.full(self.best.shape, stops)
        return float(np.mean(is_restored(self.needed, given, self.snr(stops), self.question)))

    def highlight_lost(self, stops: float) -> FloatArray:
        """Highlight lost in every case [stops; negative where there is room]."""
        return self._at(self.highlight, stops)

    def loss(self, stops: float) -> FloatArray:
        """Loss of every case at some compensation."""
        asked = self.question
        lost = np.maximum(self._at(self.shadow, stops), 0.0) + np.maximum(self._at(self.highlight, stops), 0.0)
        return np.asarray(asked.cost_under * lost + asked.cost_over * stops)

    def _at(self, values: np.ndarray[Any, Any], stops: float) -> FloatArray:
        place = min(max(stops * LOG10_2 / self.light.step, 0.0), values.shape[1] - 1.0)
        left = min(int(place), values.shape[1] - 2)
        t = place - left
        return np.asarray((1.0 - t) * values[:, left] + t * values[:, left + 1], dtype=np.float64)


@dataclass(frozen=True, kw_only=True)
class Bracket(Result):
    """Several frames of the same scene in place of one.

    Parameters
    ----------
    stops
        More exposure than the meter says at the marked speed, least first [stops], on third stops.
    expected_loss, expected_loss_single
        Mean loss of the best frame, and of the best single exposure [stops of light].
    """

    stops: tuple[float, ...]
    expected_loss: float
    expected_loss_single: float

    @property
    def steps(self) -> tuple[float, ...]:
        """Stops from each frame to the next."""
        return tuple(round(b - a, 6) for a, b in zip(self.stops, self.stops[1:], strict=False))


def bracket_plan(cases: Cases, frames: int) -> Bracket:
    """The third-stop exposures whose best frame has the least mean loss, by the loss of the decision itself.

    Exact over all combinations of third stops between the 2 and 98 % points of what single cases want.
    """
    low, high = np.quantile(cases.best, [0.02, 0.98])
    choices = THIRD * np.arange(math.floor(low / THIRD), math.ceil(high / THIRD) + 1)
    if choices.size > 16:
        choices = choices[np.unique(np.round(np.linspace(0, choices.size - 1, 16)).astype(int))]
    losses = np.stack([cases.loss(float(choice)) for choice in choices])
    single = float(losses.mean(axis=1).min())
    best: tuple[float, tuple[int, ...]] = (math.inf, ())
    for chosen in itertools.combinations(range(choices.size), min(frames, choices.size) - 1):
        first = chosen[-1] + 1 if chosen else 0  # the last frame is any of those behind the others
        means = np.minimum(losses[list(chosen)].min(axis=0, initial=np.inf), losses[first:]).mean(axis=1)
        for last, mean in enumerate(means.tolist(), first):
            if mean < best[0] - 1e-12:
                best = (mean, (*chosen, last))
    return Bracket(
        stops=tuple(float(choices[place]) for place in best[1]), expected_loss=best[0], expected_loss_single=single
    )


def frame_count(width_stops: float) -> int:
    """Frames for an interval of that width: one up to a stop, two up to two and a half, else three."""
    check_number("width_stops", width_stops if width_stops < math.inf else 100.0, low=0.0, unit="stops")
    return 1 if width_stops <= 1.0 else 2 if width_stops <= 2.5 else 3


def weighted_quantile(values: Any, probability: Any, weights: Any = None) -> Any:
    """Least value with at least the given share of the weight at or below it; NaN values count as infinite.

    Parameters
    ----------
    values
        Values, shape (n,).
    probability
        Share of the weight [0 to 1], any shape.
    weights
        Weight of each value [at least 0]; all alike when None.

    Returns
    -------
    float or array
        Shape of ``probability``.

    Examples
    --------
    >>> float(weighted_quantile([0.5, 1.0, 2.0, float("nan")], 0.5))
    1.0
    """
    try:
        sample = np.asarray(values, dtype=np.float64).ravel()
    except (TypeError, ValueError, OverflowError) as error:
        raise ArgumentError("values", values, "numbers") from error
    if sample.size == 0:
        raise ArgumentError("values", "no values", "at least one value")
    sample = np.where(np.isnan(sample), np.inf, sample)
    mass = (
        np.full(sample.shape, 1.0) if weights is None else check_array("weights", weights, low=0.0, nan_allowed=False)
    )
    if mass.shape != sample.shape or not mass.sum() > 0.0:
        raise ArgumentError("weights", mass.shape, f"{sample.size} weights of at least 0, not all zero")
    p = check_array("probability", probability, low=0.0, high=1.0, nan_allowed=False)
    order = np.argsort(sample, kind="stable")
    cumulative = np.cumsum(mass[order])
    # Rounding of the sum must not push the last value out of reach.
    place = np.searchsorted(cumulative / cumulative[-1], p - 1e-12, side="left")
    found = sample[order][np.minimum(place, sample.size - 1)]
    return float(found) if np.ndim(found) == 0 else found


hold_to_annotations(globals())
