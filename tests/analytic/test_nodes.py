"""Rows of values on nodes: what is read off them, however they lie in memory."""

import numpy as np
import pytest

from filmdose.film.generic import generic_film
from filmdose.nodes import Rise, cubic_at, first_root, first_roots, first_true, product
from filmdose.question import Question
from filmdose.solution import solve_film

NODES = np.arange(40.0)


def both_ways(values):
    return np.ascontiguousarray(values), np.asfortranarray(values)


@pytest.mark.parametrize("count", [1, 40, 255, 256, 400])
def test_the_first_true_value_is_that_of_argmax(count):
    rng = np.random.default_rng(count)
    mask = rng.random((300, count)) < 1.5 / count
    expected = np.where(mask.any(axis=1), mask.argmax(axis=1), count)
    for laid in both_ways(mask):
        assert np.array_equal(first_true(laid), expected)
        assert np.array_equal(first_true(laid[:, : count // 2 + 1]), first_true(mask[:, : count // 2 + 1].copy()))


def test_a_product_lies_node_by_node():
    rows, matrix = np.random.default_rng(0).random((7, 5)), np.random.default_rng(1).random((5, 9))
    for laid in both_ways(rows):
        assert product(laid, matrix) == pytest.approx(rows @ matrix, rel=1e-13)
        assert product(laid, matrix).flags.f_contiguous


def test_levels_are_reached_where_closed_forms_say():
    rate, level = np.array([0.05, 0.1, 0.2]), np.array([2.0, 7.0, 9.0])
    for values in both_ways(np.exp(rate[:, None] * NODES)):
        (plain,) = first_roots(Rise(values - level[:, None]))
        by_level, by_scale = first_roots(Rise(values, level), Rise(values, level, np.log))
        assert by_level == pytest.approx(plain, abs=1e-12)  # the same cubics
        assert by_scale == pytest.approx(np.log(level) / rate, abs=1e-12)  # straight lines
        assert cubic_at(np.log(values), by_scale) == pytest.approx(np.log(level), abs=1e-12)


def test_a_rise_that_goes_on_is_not_taken_to_touch():
    # a parabola whose top lies a little above the level, between two nodes
    values = 1.0 + 0.05 - (NODES - 17.5) ** 2
    ends, goes_on = first_roots(Rise(values[None], 1.0), Rise(values[None], 1.0, goes_on=True))
    assert ends[0] == pytest.approx(17.5 - np.sqrt(0.05), abs=1e-9)
    assert np.isnan(goes_on[0])


def test_where_a_row_starts_at_its_level_and_where_it_never_reaches_it():
    assert first_root(np.stack([NODES, NODES - 50.0])).tolist() == pytest.approx([0.0, np.nan], nan_ok=True)


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_rounding_is_no_gradient_of_a_film_that_is_fogged_through(kind):
    # far left of the shadow point nothing is left there of such a film but rounding, which has either sign
    found = solve_film(generic_film(800, kind=kind, quanta=8.0), np.geomspace(1e3, 1e6, 2000), Question())
    for record in found.records:
        stops = record.stops["fractional_gradient"]
        assert np.all(np.diff(stops[np.isfinite(stops)]) > 0.0)
