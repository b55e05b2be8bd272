"""A table of hundreds of own films, against one answer after the other; the tests check that both say the same.

.venv/bin/pytest tests/bench/test_rolls_speed.py --benchmark-enable --benchmark-only
"""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.rolls import answers
from filmdose.solution import record_solvers, shadow_points


def films(count):
    """Invented films, each with curves of its own."""
    base, rng = generic_film(400), np.random.default_rng(0)
    (record,) = base.records
    for number in range(count):
        z = record.log_sensitivity + rng.normal(0, 0.05) + np.linspace(0.0, rng.normal(0, 0.05), record.weights.size)
        own = replace(record, log_sensitivity=z, weights=record.weights * np.exp(rng.normal(0, 0.05, z.size)))
        yield replace(base, records=(own,), name=f"invented {number}")


@pytest.fixture
def table(benchmark):
    """300 rolls when timed."""
    count = 300 if benchmark.enabled else 12
    benchmark.extra_info["rolls"] = count
    return pd.DataFrame({"film": list(films(count)), "kerma_ugy": np.geomspace(1.0, 1000.0, count)})


def forget():
    """As new as the first time."""
    record_solvers.cache_clear()
    shadow_points.cache_clear()


def one_by_one(table):
    return [answer(film, kerma).ei or np.nan for film, kerma in zip(table["film"], table["kerma_ugy"], strict=True)]


def test_time_of_a_table_of_own_films(benchmark, table):
    found = benchmark.pedantic(answers, (table,), setup=forget, rounds=3)
    np.testing.assert_array_equal(found["ei"], one_by_one(table))


def test_time_of_one_answer_after_the_other(benchmark, table):
    found = benchmark.pedantic(one_by_one, (table,), setup=forget, rounds=2)
    np.testing.assert_array_equal(found, answers(table)["ei"])
