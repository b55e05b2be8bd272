"""A large file of readings takes about the time that pandas needs for it."""

import time

import numpy as np
import pandas as pd
import pytest

from filmdose.film.readings import read_steps, write_steps

ROWS = 100_000


@pytest.fixture(scope="module")
def large(tmp_path_factory):
    rng = np.random.default_rng(5)
    table = pd.DataFrame(
        {"log_exposure": np.sort(rng.uniform(-4, 0, ROWS)), "density": np.sort(rng.uniform(0.2, 3, ROWS))}
    )
    path = tmp_path_factory.mktemp("readings") / "large.csv"
    table.to_csv(path, index=False)
    return path, table


def best_of(repeats, function):
    times = []
    for _ in range(repeats):
        start = time.perf_counter()
        function()
        times.append(time.perf_counter() - start)
    return min(times)


def test_a_large_csv_is_exact_and_about_as_fast_as_pandas(large):
    path, table = large
    readings = read_steps(path)
    assert np.array_equal(readings.log_exposure, table.log_exposure)
    assert np.array_equal(readings.densities["visual"], table.density)
    # A Python loop over the rows takes twenty times as long as pandas; checks and all, reading takes two to three.
    assert best_of(5, lambda: read_steps(path)) < 6 * best_of(5, lambda: pd.read_csv(path))


def test_a_large_cgats_file_too(large, tmp_path):
    path, table = large
    text = write_steps(read_steps(path), tmp_path / "large.txt", format="cgats")
    assert np.array_equal(read_steps(text).densities["visual"], table.density)
    assert best_of(3, lambda: read_steps(text)) < 0.5
