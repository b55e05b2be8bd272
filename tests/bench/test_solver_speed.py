"""How fast, as ratios in one run: .venv/bin/pytest tests/bench --benchmark-enable --benchmark-only -s

The tests check that all paths agree wherever a solution exists, whether or not
they are timed.  `reference/measure_speed.py` prints the ratios.
"""

import numpy as np
import pytest
from speed_paths import SPEED, bare_products, brentq_loop, doses, exact, find_root_arrays, solver, whole_answer

from filmdose.solver import CRITERIA


@pytest.fixture(scope="module")
def few():
    # from nothing visible to beyond rescue; more cells near the end, where solutions cease
    return np.concatenate([doses(60), np.linspace(5000, 60000, 40) * solver().hits_per_ugy])


def agree(got, expected):
    for name in CRITERIA:
        both = np.isfinite(got[name]) & np.isfinite(expected[name])
        assert np.array_equal(np.isnan(got[name]), np.isnan(expected[name])), name
        assert np.max(np.abs(got[name][both] - expected[name][both])) < 1e-3, name


def test_exact_path_agrees_with_a_brentq_loop(few):
    agree(exact(few), brentq_loop(few))


def test_exact_path_agrees_with_find_root(few):
    agree(exact(few), find_root_arrays(few))


def test_the_whole_answer_has_the_same_criteria(few):
    agree(whole_answer(few).stops, exact(few))


def test_time_of_the_brentq_loop(benchmark):
    benchmark.extra_info["cells"] = 100
    benchmark(brentq_loop, doses(100))


@pytest.mark.long
def test_time_of_find_root(benchmark):
    benchmark.extra_info["cells"] = 20_000
    benchmark.pedantic(find_root_arrays, (doses(20_000),), rounds=2)


@pytest.mark.parametrize("cells", [10_000, 1_000_000])
def test_time_of_the_exact_path(benchmark, cells):
    benchmark.extra_info["cells"] = cells
    benchmark.pedantic(exact, (doses(cells if benchmark.enabled else 1000),), rounds=3, warmup_rounds=1)


def test_time_of_the_bare_products(benchmark):
    benchmark.extra_info["cells"] = 1_000_000
    benchmark.pedantic(bare_products, (doses(1_000_000 if benchmark.enabled else 1000),), rounds=3, warmup_rounds=1)


def test_time_of_the_whole_answer(benchmark):
    benchmark.extra_info["cells"] = 1_000_000
    benchmark.pedantic(whole_answer, (doses(1_000_000 if benchmark.enabled else 1000),), rounds=3, warmup_rounds=1)


def test_film_of_the_benchmarks_is_generic():
    assert SPEED == 800
