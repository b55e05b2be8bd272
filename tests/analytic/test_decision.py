"""The quantile rule and the bracketing plan against brute force."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from filmdose.errors import ArgumentError
from filmdose.odds import bracket_plan, decide, weighted_quantile


def loss(given, needed, under, over):
    return np.where(needed > given, under * (needed - given), over * (given - needed))


@pytest.mark.parametrize(("under", "over"), [(4.0, 1.0), (1.0, 1.0), (1.0, 4.0), (9.0, 1.0)])
@pytest.mark.parametrize("seed", range(5))
def test_the_quantile_minimises_the_expected_loss(under, over, seed):
    rng = np.random.default_rng(seed)
    needed = np.exp(rng.normal(0.0, 1.0, 400))
    weights = rng.random(400)
    found = decide(needed, weights=weights, cost_under=under, cost_over=over)
    assert found.quantile == under / (under + over)
    trial = np.linspace(0.0, needed.max(), 20_001)
    expected = np.array([loss(t, needed, under, over) @ weights for t in trial]) / weights.sum()
    assert found.expected_loss <= expected.min() + 1e-9
    assert found.expected_loss == pytest.approx(expected.min(), rel=1e-3)


def test_room_caps_it_and_says_so():
    needed = [0.5, 1.0, 2.0, 3.0]
    assert not decide(needed).limited
    capped = decide(needed, room_stops=1.2)
    assert (capped.given_stops, capped.needed_stops, capped.limited) == (1.2, 3.0, True)
    assert decide(needed, room_stops=-0.4).given_stops == 0.0


def test_beyond_rescue_is_more_than_any_number_of_stops():
    needed = [0.5, 1.0, np.nan, np.inf]
    assert decide(needed, cost_under=1.0).given_stops == 1.0
    assert decide(needed, cost_under=4.0).needed_stops == np.inf
    assert decide(needed, cost_under=4.0, room_stops=2.0).given_stops == 2.0


def test_weighted_quantile_agrees_with_repeated_values():
    values, counts = np.array([3.0, 1.0, 2.0]), np.array([2, 5, 3])
    repeated = np.sort(np.repeat(values, counts))
    for p in (0.01, 0.3, 0.5, 0.51, 0.8, 0.81, 1.0):
        inverted = np.quantile(repeated, p, method="inverted_cdf")
        assert weighted_quantile(values, p, counts) == inverted


@pytest.mark.parametrize("frames", [1, 2, 3, 4])
@pytest.mark.parametrize("seed", range(3))
def test_bracketing_is_the_best_of_all_combinations(frames, seed):
    rng = np.random.default_rng(seed)
    needed, weights = np.abs(rng.normal(1.0, 1.2, 200)), rng.random(200)
    plan = bracket_plan(needed, weights=weights, frames=frames, cost_under=3.0)
    top = np.floor(weighted_quantile(needed, 0.95, weights) * 3.0) / 3.0
    choices = np.arange(0.0, top + 0.01, 1.0 / 3.0)
    table = loss(choices[:, None], needed, 3.0, 1.0)
    best = min(
        np.min(table[list(group)], axis=0) @ weights / weights.sum()
        for group in itertools.combinations(range(choices.size), frames)
    )
    assert plan.expected_loss == pytest.approx(best, abs=1e-12)
    assert len(plan.stops) <= frames
    assert plan.expected_loss <= plan.expected_loss_single + 1e-12


def test_a_bracket_stays_within_the_room_and_off_what_cannot_be_saved():
    plan = bracket_plan([0.0, 1.0, 2.0, 3.0, np.inf], frames=3, room_stops=1.4)
    assert max(plan.stops) <= 1.4
    with pytest.raises(ArgumentError, match="nothing that can be rescued"):
        bracket_plan([np.inf, np.nan])


@pytest.mark.parametrize("bad", [{"cost_under": 0.0}, {"cost_over": -1.0}, {"weights": [0.0, 0.0]}, {"weights": [1.0]}])
def test_impossible_decisions_are_refused(bad):
    with pytest.raises(ArgumentError):
        decide([1.0, 2.0], **bad)


def test_no_values_are_refused():
    with pytest.raises(ArgumentError, match="at least one"):
        decide([])
