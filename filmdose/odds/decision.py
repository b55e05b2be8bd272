"""What to set the meter to when the needed compensation is not known exactly.

Too little exposure costs more than too much on negative film.  With cost_under for
each stop too little and cost_over for each stop too much, the expected loss is least
at the quantile cost_under / (cost_under + cost_over) of what is needed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray, check_array, check_count, check_number
from filmdose.errors import ArgumentError

__all__ = ["COST_OVER", "COST_UNDER", "Bracket", "Decision", "bracket_plan", "decide", "weighted_quantile"]

#: A stop of exposure too little costs four times as much as one too many: negative film has latitude at the other end
#: (common practice, no source; the user may set both).
COST_UNDER, COST_OVER = 4.0, 1.0

#: On reversal film it is the other way round: highlights that are burnt out are gone, dark tones are only dark.
REVERSAL_COST_UNDER, REVERSAL_COST_OVER = 1.0, 4.0

_THIRD = 1.0 / 3.0


def _sample(values: Any, weights: Any) -> tuple[FloatArray, FloatArray]:
    needed = np.asarray(values, dtype=np.float64).ravel()
    if needed.size == 0:
        raise ArgumentError("stops", "no values", "at least one drawn value [stops]")
    # Beyond rescue, no exposure is enough: more than any number of stops.
    needed = np.where(np.isnan(needed), np.inf, needed)
    if weights is None:
        return needed, np.full(needed.shape, 1.0 / needed.size)
    mass = check_array("weights", weights, low=0.0, nan_allowed=False).ravel()
    if mass.shape != needed.shape or not mass.sum() > 0.0:
        raise ArgumentError("weights", mass.shape, f"{needed.size} weights of at least 0, not all zero")
    return needed, mass / mass.sum()


def weighted_quantile(values: Any, probability: Any, weights: Any = None) -> Any:
    """Least value with at least the given share of the weight at or below it; NaN values count as infinite.

    Examples
    --------
    >>> float(weighted_quantile([0.5, 1.0, 2.0, float("nan")], 0.5))
    1.0
    """
    needed, mass = _sample(values, weights)
    p = check_array("probability", probability, low=0.0, high=1.0, nan_allowed=False)
    order = np.argsort(needed, kind="stable")
    cumulative = np.cumsum(mass[order])
    # Rounding of the sum must not push the last value out of reach.
    place = np.searchsorted(cumulative / cumulative[-1], p - 1e-12, side="left")
    found = needed[order][np.minimum(place, needed.size - 1)]
    return float(found) if np.ndim(found) == 0 else found


@dataclass(frozen=True, kw_only=True)
class Decision:
    """How much more exposure to give.

    Parameters
    ----------
    quantile
        Share of the cases that the exposure is to cover, before the highlights are looked at.
    needed_stops
        That quantile of the needed compensation [stops]; infinite when too many cases are beyond rescue.
    given_stops
        The same, at most what the highlights allow [stops]; infinite when nothing limits it.
    limited
        True when the highlights limit it.
    expected_loss
        Mean cost of what is given, over the cases that can be rescued [cost].
    """

    quantile: float
    needed_stops: float
    given_stops: float
    limited: bool
    expected_loss: float


def _loss(given: FloatArray, needed: FloatArray, cost_under: float, cost_over: float) -> FloatArray:
    short = needed - given
    return np.where(short > 0.0, cost_under * short, -cost_over * short)


def _costs(cost_under: Any, cost_over: Any) -> tuple[float, float]:
    under = check_number("cost_under", cost_under, low=0.0, low_open=True)
    return under, check_number("cost_over", cost_over, low=0.0, low_open=True)


def decide(
    stops: Any,
    *,
    weights: Any = None,
    cost_under: float = COST_UNDER,
    cost_over: float = COST_OVER,
    room_stops: float = math.inf,
) -> Decision:
    """The compensation with the least expected loss.

    given = quantile of the need at cost_under / (cost_under + cost_over), at most ``room_stops``

    Parameters
    ----------
    stops
        Needed compensation of every case [stops]; NaN or infinite where nothing restores the shadows.
    weights
        Weight of every case [>= 0]; all alike when left out.
    cost_under, cost_over
        Cost of a stop too little and of a stop too much [above 0].
    room_stops
        What the highlights allow [stops].

    Examples
    --------
    >>> decide([0.0, 1.0, 2.0, 3.0, 4.0], cost_under=4, cost_over=1).given_stops
    3.0
    """
    under, over = _costs(cost_under, cost_over)
    needed, mass = _sample(stops, weights)
    quantile = under / (under + over)
    wanted = float(weighted_quantile(needed, quantile, mass))
    given = min(wanted, max(float(room_stops), 0.0))
    finite = np.isfinite(needed)
    loss = math.nan
    if math.isfinite(given) and finite.any():
        loss = float(_loss(np.asarray(given), needed[finite], under, over) @ mass[finite] / mass[finite].sum())
    return Decision(
        quantile=quantile, needed_stops=wanted, given_stops=given, limited=given < wanted, expected_loss=loss
    )


@dataclass(frozen=True, kw_only=True)
class Bracket:
    """Several frames of the same scene in place of one.

    Parameters
    ----------
    stops
        More exposure than the meter says at the marked speed, least first [stops], on third stops.
    expected_loss, expected_loss_single
        Mean cost of the best frame, and of the best single exposure [cost].
    """

    stops: tuple[float, ...]
    expected_loss: float
    expected_loss_single: float

    @property
    def steps(self) -> tuple[float, ...]:
        """Stops from each frame to the next."""
        return tuple(round(b - a, 6) for a, b in zip(self.stops, self.stops[1:], strict=False))


def bracket_plan(
    stops: Any,
    *,
    frames: int = 3,
    weights: Any = None,
    cost_under: float = COST_UNDER,
    cost_over: float = COST_OVER,
    room_stops: float = math.inf,
) -> Bracket:
    """The third-stop exposures whose best frame has the least expected loss.

    Parameters
    ----------
    stops, weights, cost_under, cost_over, room_stops
        As of :func:`decide`.
    frames
        How many [1 to 5].

    Notes
    -----
    Exact over all combinations on the third-stop scale, up to the 95 % point of
    what can be rescued or the highlights' limit. Cases beyond rescue do not count:
    no frame helps them. Fewer frames than asked for come back when more do not help.

    Examples
    --------
    >>> bracket_plan([0.0, 0.0, 1.0, 3.0, 3.0], frames=2).stops
    (0.0, 3.0)
    """
    count = check_count("frames", frames, low=1, high=5)
    under, over = _costs(cost_under, cost_over)
    needed, mass = _sample(stops, weights)
    finite = np.isfinite(needed)
    if not finite.any():
        raise ArgumentError("stops", "nothing that can be rescued", "at least one finite value [stops]")
    needed, mass = needed[finite], mass[finite] / mass[finite].sum()
    top = min(float(weighted_quantile(needed, 0.95, mass)), max(float(room_stops), 0.0))
    choices: FloatArray = np.asarray(
        _THIRD * np.arange(0, max(1, math.floor(top / _THIRD + 1e-9) + 1)), dtype=np.float64
    )
    loss = _loss(choices[:, None], needed, under, over)
    between = _between(choices, needed, mass, loss)
    below = np.where(needed <= choices[:, None], loss, 0.0) @ mass
    above = np.where(needed > choices[:, None], loss, 0.0) @ mass
    # Least loss of k frames of which j is the last, from those of k - 1 frames.
    least = below
    back: list[NDArray[np.intp]] = []
    plans = [(float((least + above).min()), int((least + above).argmin()))]
    for _ in range(1, min(count, choices.size)):
        paths = least[:, None] + between
        back.append(paths.argmin(axis=0))
        least = paths.min(axis=0)
        plans.append((float((least + above).min()), int((least + above).argmin())))
    used = next(k for k, plan in enumerate(plans) if plan[0] <= min(plans)[0] + 1e-12)
    places = [plans[used][1]]
    for step in reversed(back[:used]):
        places.append(int(step[places[-1]]))
    return Bracket(
        stops=tuple(float(choices[place]) for place in reversed(places)),
        expected_loss=plans[used][0],
        expected_loss_single=plans[0][0],
    )


def _between(choices: FloatArray, needed: FloatArray, mass: FloatArray, loss: FloatArray) -> FloatArray:
    """Loss of the needs between two neighbouring frames i < j, each met by the better one; infinite for i >= j."""
    result = np.full((choices.size, choices.size), np.inf)
    for i in range(choices.size):
        for j in range(i + 1, choices.size):
            inside = (needed > choices[i]) & (needed <= choices[j])
            result[i, j] = np.minimum(loss[i, inside], loss[j, inside]) @ mass[inside]
    return result


def frame_count(width_stops: float) -> int:
    """Frames for an interval of that width: one up to a stop, then one more for each further 1.5 stops, at most 4."""
    if width_stops <= 1.0:
        return 1
    return min(4, 2 + int((width_stops - 1.0) // 1.5))
