"""Least losses, mean losses and bracketing plans on curves whose minimum is known in closed form."""

from __future__ import annotations

import itertools
from types import SimpleNamespace

import numpy as np
import pytest
from independent import convex_minorant
from scipy.optimize import minimize_scalar

from filmdose.decision import (
    LossTally,
    highlight_lost,
    least_loss,
    lost_together,
    mean_highlight,
    shadow_to_win,
    total_loss,
)
from filmdose.errors import ArgumentError
from filmdose.odds import weighted_quantile
from filmdose.odds.decision import Cases, bracket_plan, frame_count
from filmdose.odds.tally import Histogram
from filmdose.question import Question
from filmdose.standards import LOG10_2

STEP = 0.05
STOPS = np.arange(43) * STEP / LOG10_2
ROOMY = np.full((1, STOPS.size), -9.0)


def least(shadow, highlight=ROOMY, question=None):
    return least_loss(np.atleast_2d(shadow), np.atleast_2d(highlight), STEP, question or Question())


def tally(shadow, highlight=ROOMY, question=None):
    asked = question or Question()
    made = LossTally(shadow, highlight, STEP, asked)
    made.add(shadow, mean_highlight(highlight), least(shadow, highlight, asked).stops)
    return made


@pytest.mark.parametrize("need", [0.0, 0.03, 0.5, 1.234, 6.0])
def test_a_straight_loss_is_least_where_the_shadows_have_what_they_need(need):
    found = least(need - STOPS)
    assert found.stops[0] == pytest.approx(need, abs=1e-9)
    assert found.loss[0] == pytest.approx(need, abs=1e-9)


@pytest.mark.parametrize("need", [STOPS[-1] - 0.05, STOPS[-1] + 0.01, 20.0])
def test_what_all_light_in_reach_does_not_restore_is_given_no_more(need):
    found = least(np.stack([need - STOPS, np.square(need - STOPS)]))
    wanted = min(need, STOPS[-1])
    assert found.stops[0] == pytest.approx(wanted, abs=1e-9)
    # a square that falls without end, or costs more than light from an eighth of a stop on: 4 x 2 (need - s) = 1
    assert found.stops[1] == pytest.approx(min(need - 0.125, STOPS[-1]), abs=1e-3)


@pytest.mark.parametrize("layout", ["C", "F"])
def test_wiggles_of_many_curves_are_bridged_as_if_each_were_alone(layout):
    """Averages of Qhull's convex minorants over the tones of a stop on either side; beyond the end straight on."""
    rng = np.random.default_rng(3)
    margin, nodes = 6, np.arange(49.0)
    bends = rng.uniform(0.001, 0.01, size=(60, 1)) * (nodes - rng.uniform(5.0, 45.0, size=(60, 1))) ** 2
    curves = bends + rng.uniform(0.0, 0.2, size=(60, 1)) * rng.normal(size=(60, 49))
    curves[::7] = bends[::7]  # some have no wiggles
    curves[11] -= 400.0 * (nodes > 30)  # and one falls off a cliff
    expected = []
    for curve in curves:
        hull = convex_minorant(nodes, curve)
        beyond = hull[-1] + (hull[-1] - hull[-2]) * np.arange(1, margin + 1)
        tones = np.convolve(np.concatenate([hull, beyond]), [0.5, *np.ones(2 * margin - 1), 0.5], "valid") / (
            2 * margin
        )
        expected.append(tones - max(tones[0], 0.0))
    found = highlight_lost(np.array(curves, order=layout), margin)
    assert found == pytest.approx(np.array(expected), abs=1e-6)  # bends below 1e-7 are none


@pytest.mark.parametrize("cost", [2.0, 4.0, 8.0])
@pytest.mark.parametrize("half_life", [0.4, 1.0, 2.0])
def test_falling_returns(cost, half_life):
    """Shadow lost a exp(-s / h): c a / h exp(-s / h) = 1, so s = h ln(c a / h)."""
    shadow = 1.5 * np.exp(-STOPS / half_life)
    expected = half_life * np.log(cost * 1.5 / half_life)
    found = least(shadow, question=Question(cost_under=cost))
    assert found.stops[0] == pytest.approx(max(expected, 0.0), abs=1e-3)


def test_highlights_hold_back():
    """Shadow 3 exp(-s), highlight (s - 1)**2 / 4 from s = 1 on: 12 exp(-s) = 1 + 2 (s - 1)."""
    bright = np.where(STOPS > 1.0, (STOPS - 1.0) ** 2 / 4.0, STOPS - 1.0)
    found = least(3.0 * np.exp(-STOPS), bright)
    best = minimize_scalar(
        lambda s: 4.0 * (3.0 * np.exp(-s) + (s - 1.0) ** 2 / 4.0) + s, bounds=(1.0, 3.0), options={"xatol": 1e-10}
    )
    assert found.stops[0] == pytest.approx(best.x, abs=1e-3)
    assert found.highlight[0] == pytest.approx((best.x - 1.0) ** 2 / 4.0, abs=1e-3)
    assert found.stops[0] < least(3.0 * np.exp(-STOPS)).stops[0]


@pytest.mark.parametrize("lost", [0.0, 0.3, 0.5, 0.8, 1.7])
def test_squares_of_both_ends_are_least_between_nodes(lost):
    """Shadow (7 - s)**2 / 28, highlight (s + c)**2 / 40: 4 times both + s is least at (1 - c / 5) / (17 / 35)."""
    found = least((7.0 - STOPS) ** 2 / 28.0, (STOPS + lost) ** 2 / 40.0)
    assert found.stops[0] == pytest.approx((1.0 - lost / 5.0) * 35.0 / 17.0, abs=1e-9)


@pytest.mark.parametrize("under", [2.0, 3.0, 4.0, 7.0])
def test_the_mean_of_evenly_spread_needs_is_a_parabola(under):
    """Needs from 0 to 2 stops: under (2 - s)**2 / 4 + s is least at 2 - 2 / under, and 2 - 1 / under there."""
    needs = np.linspace(0.0, 2.0, 40001)
    given, loss = tally(needs[:, None] - STOPS, question=Question(cost_under=under)).decide()
    assert given == pytest.approx(2.0 - 2.0 / under, abs=1e-3)
    assert loss == pytest.approx(2.0 - 1.0 / under, abs=1e-3)


@pytest.mark.parametrize(("under", "over"), [(4.0, 1.0), (2.0, 1.0), (3.0, 2.0), (9.0, 1.0)])
@pytest.mark.parametrize("seed", range(3))
def test_the_mean_of_straight_losses_is_least_at_a_quantile(under, over, seed):
    """d/ds of the mean of under max(0, n - s) + over s is over - under P(n > s): the 1 - over / under quantile."""
    needs = np.abs(np.random.default_rng(seed).normal(1.5, 0.7, 2048))
    question = Question(cost_under=under, cost_over=over)
    given, loss = tally(needs[:, None] - STOPS, question=question).decide()
    assert given == pytest.approx(np.quantile(needs, 1.0 - over / under), abs=0.03)
    trial = np.linspace(0.0, 5.0, 2001)
    mean = [under * np.maximum(needs - s, 0.0).mean() + over * s for s in trial]
    assert loss == pytest.approx(min(mean), abs=2e-3)


def test_a_tally_of_one_and_the_same_is_that_one():
    for need in (0.0, 0.04, 0.777, 5.9):
        rows = np.repeat(need - STOPS[None], 64, axis=0)
        given, loss = tally(rows).decide()
        assert given == least(rows).stops[0]
        assert loss == pytest.approx(need, abs=0.03)


def test_halves_join_to_the_whole():
    needs = np.abs(np.random.default_rng(1).normal(1.5, 0.7, 4096))
    shadow = needs[:, None] - STOPS
    whole = tally(shadow).decide()
    # The halves look closely at different stretches: their pilots differ.
    for first, second in ((slice(0, 2048), slice(2048, None)), (needs < 1.2, needs >= 1.2)):
        joined = tally(shadow[first]).joined(tally(shadow[second])).decide()
        np.testing.assert_allclose(joined, whole, atol=5e-3)


def test_rare_disaster_weighs_by_its_mean():
    """One case in ten needs 5 stops: not worth it at 4 to 1 (0.4 < 1), worth it at 16 to 1 (1.6 > 1)."""
    needs = np.where(np.arange(1000) % 10 == 0, 5.0, 0.5)
    for cost, expected in ((4.0, 0.5), (16.0, 5.0)):
        given, _ = tally(needs[:, None] - STOPS, question=Question(cost_under=cost)).decide()
        assert given == pytest.approx(expected, abs=0.02)


def test_what_can_be_won_ends_where_nothing_more_can_be_had():
    margin = 6
    nodes = np.arange(-margin, STOPS.size) * STEP / LOG10_2
    falling = np.maximum(1.0 - 0.5 * nodes, -2.0)[None]
    np.testing.assert_allclose(shadow_to_win(falling, margin)[0][:10], falling[0, 6:16])
    flat = np.full((1, nodes.size), 3.0)  # lost for good: no light wins it back
    np.testing.assert_allclose(shadow_to_win(flat, margin), 0.0, atol=1e-12)


# -- brackets ----------------------------------------------------------------------------------------------------------


def cases(needs, question=None):
    shadow = needs[:, None] - STOPS
    found = SimpleNamespace(
        log2_snr=-shadow, needed=needs, shadow=shadow, highlight=ROOMY, best=np.clip(needs, 0.0, STOPS[-1])
    )
    return Cases(found, SimpleNamespace(step=STEP, margin=0), question or Question())


@pytest.mark.parametrize("frames", [1, 2, 3])
@pytest.mark.parametrize("seed", range(3))
def test_bracketing_is_the_best_of_all_combinations(frames, seed):
    needs = np.abs(np.random.default_rng(seed).normal(1.5, 1.0, 200))
    plan = bracket_plan(cases(needs), frames)
    choices = np.arange(0.0, 5.01, 1.0 / 3.0)
    table = 4.0 * np.maximum(needs[:, None] - choices, 0.0) + choices
    best = min(table[:, list(c)].min(axis=1).mean() for c in itertools.combinations(range(choices.size), frames))
    assert plan.expected_loss == pytest.approx(best, abs=1e-3)
    # the loss that is told is that of the frames that are told
    told = (4.0 * np.maximum(needs[:, None] - np.array(plan.stops), 0.0) + np.array(plan.stops)).min(axis=1).mean()
    assert plan.expected_loss == pytest.approx(told, abs=1e-3)
    assert plan.expected_loss_single == pytest.approx(table.mean(axis=0).min(), abs=1e-3)
    assert len(plan.stops) == frames
    np.testing.assert_allclose(plan.steps, np.diff(plan.stops), atol=1e-6)


@pytest.mark.parametrize("stops", [0.0, 0.01, 1.0, 1.234, float(STOPS[-1])])
def test_the_loss_of_single_cases_is_that_of_the_decision(stops):
    needs = np.array([0.0, 0.5, 2.0, 9.0])
    wanted = 4.0 * np.maximum(needs - stops, 0.0) + stops
    np.testing.assert_allclose(cases(needs).loss(stops), wanted, atol=1e-5)


@pytest.mark.parametrize(("infinite", "wanted"), [(4, 94.5), (5, 94.5), (6, np.inf)])
def test_a_quantile_among_cases_that_nothing_helps_is_infinite(infinite, wanted):
    counted = Histogram(0.0, 128.0)
    counted.add(np.concatenate([np.arange(100.0 - infinite) + 0.5, np.full(infinite, np.inf)]))
    assert counted.quantiles(0.95)[0] == pytest.approx(wanted, abs=0.6)
    assert counted.quantiles(0.5)[0] == pytest.approx(49.5, abs=0.6)


def test_frames_by_the_width_of_the_interval():
    assert [frame_count(width) for width in (0.0, 1.0, 1.01, 2.5, 2.6)] == [1, 1, 2, 2, 3]


# -- quantiles ---------------------------------------------------------------------------------------------------------


def test_weighted_quantile_agrees_with_repeated_values():
    values, counts = np.array([3.0, 1.0, 2.0]), np.array([2, 5, 3])
    repeated = np.sort(np.repeat(values, counts))
    for p in (0.01, 0.3, 0.5, 0.51, 0.8, 0.81, 1.0):
        inverted = np.quantile(repeated, p, method="inverted_cdf")
        assert weighted_quantile(values, p, counts) == inverted


@pytest.mark.parametrize(
    ("values", "p", "weights"),
    [([], 0.5, None), ([1.0], 1.5, None), ([1.0, 2.0], 0.5, [0.0, 0.0]), ([1.0, 2.0], 0.5, [1.0])],
)
def test_impossible_quantiles_are_refused(values, p, weights):
    with pytest.raises(ArgumentError):
        weighted_quantile(values, p, weights)


@pytest.mark.parametrize("part", [0.0, 0.02, 0.5, 0.95])
def test_a_need_is_found_between_the_last_nodes(part):
    need = STOPS[-1] - part * (STOPS[1] - STOPS[0])
    assert least(need - STOPS).stops[0] == pytest.approx(need, abs=1e-9)


# -- counting ----------------------------------------------------------------------------------------------------------


def test_two_counts_joined_are_one_count_of_all():
    values = np.random.default_rng(3).normal(0.5, 0.2, 400)
    halves, whole = [Histogram(-1.0, 2.0), Histogram(-1.0, 2.0)], Histogram(-1.0, 2.0)
    whole.add(values)
    for half, part in zip(halves, (values[:150], values[150:]), strict=True):
        half.add(part)
    for joined in (halves[0].joined(halves[1]), halves[1].joined(halves[0])):
        assert (joined.least, joined.greatest) == (values.min(), values.max())
        for p in (0.0, 0.05, 0.5, 0.95, 1.0):
            assert joined.quantiles(p) == whole.quantiles(p)
            assert joined.quantiles(p)[0] == pytest.approx(np.quantile(values, p), abs=0.02)


def test_the_loss_counts_what_is_lost_and_no_room():
    given, dark, bright = (
        np.array([0.0, 1.0, 0.5, 0.0]),
        np.array([0.02, -1.0, 0.3, -1.0]),
        np.array([-1, 0.03, 0.1, -2]),
    )
    lost = total_loss(given, dark, bright, Question(cost_under=3.0, cost_over=2.0))
    np.testing.assert_allclose(lost, [0.06, 2.09, 2.2, 0.0], rtol=1e-12)


def test_a_highlight_and_a_range_count_together_where_either_is_lost():
    lost = lost_together(np.array([0.02, 0.02, -0.5, 0.4, -0.5, -0.1]), np.array([0.03, -0.3, 0.04, 0.3, -0.2, -0.3]))
    np.testing.assert_allclose(lost, [0.05, 0.02, 0.04, 0.7, -0.2, -0.1], rtol=1e-12)


@pytest.mark.parametrize("margin", [0, 3])
def test_highlights_that_are_lost_ever_more_slowly_count_along_the_chord(margin):
    """Of a concave row the greatest convex function below it is its chord, whose average is itself."""
    nodes = np.arange(12.0)
    concave = -2.0 + 3.0 * np.sqrt(nodes) - 0.2 * nodes
    chord = concave[0] + (concave[-1] - concave[0]) * nodes / nodes[-1]
    lost = highlight_lost(np.stack([concave]), margin)
    np.testing.assert_allclose(lost[0], chord[margin:] - max(chord[margin], 0.0), atol=1e-9)
