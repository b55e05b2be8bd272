"""How fast, as ratios in one run: .venv/bin/pytest tests/bench --benchmark-enable --benchmark-only -s

The tests check that all paths agree wherever a solution exists, whether or not
they are timed.  `reference/measure_speed.py` prints the ratios.
"""

import numpy as np
import pytest
from speed_paths import bare_products, brentq_loop, doses, exact, find_root_arrays, solver

from filmdose.answering import given_stops
from filmdose.solver import CRITERIA


@pytest.fixture(scope="module")
def few():
    # from nothing visible to beyond rescue; more cells near the end, where solutions cease
    return np.concatenate([doses(60), solver().hits_per_ugy * np.linspace(5000, 60000, 40)])


def agree(got, expected):
    for name in CRITERIA:
        within = expected[name] < 6.9  # the array solver looks no further than seven stops
        assert np.isfinite(got[name][within]).all(), name
        assert np.max(np.abs(got[name] - expected[name])[within], initial=0.0) < 1e-3, name
        assert np.isnan(got[name][np.isnan(expected[name])]).all(), name


def test_array_solver_agrees_with_a_brentq_loop(few):
    agree(exact(few), brentq_loop(few))


def test_array_solver_agrees_with_find_root(few):
    agree(exact(few), find_root_arrays(few))


def test_time_of_the_brentq_loop(benchmark):
    benchmark.extra_info["cells"] = 100
    benchmark(brentq_loop, doses(100 if benchmark.enabled else 10))


def test_time_of_find_root(benchmark):
    cells = 20_000 if benchmark.enabled else 100
    benchmark.extra_info["cells"] = cells
    benchmark.pedantic(find_root_arrays, (doses(cells),), rounds=2)


@pytest.mark.parametrize("cells", [10_000, 1_000_000])
def test_time_of_the_array_solver(benchmark, cells):
    benchmark.extra_info["cells"] = cells
    benchmark.pedantic(exact, (doses(cells if benchmark.enabled else 1000),), rounds=3, warmup_rounds=1)


def test_time_of_the_bare_products(benchmark):
    benchmark.extra_info["cells"] = 1_000_000
    benchmark.pedantic(bare_products, (doses(1_000_000 if benchmark.enabled else 1000),), rounds=3, warmup_rounds=1)


def test_time_of_the_decision(benchmark):
    benchmark.extra_info["cells"] = 100_000
    kerma = np.geomspace(1.0, 6000.0, 100_000 if benchmark.enabled else 1000)
    benchmark.pedantic(given_stops, (800, kerma), rounds=3, warmup_rounds=1)
