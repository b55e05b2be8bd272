"""Sobol indices and expected widths against closed forms."""

from __future__ import annotations

import math

import numpy as np
import pytest

from filmdose.errors import ArgumentError
from filmdose.odds import Prior, sobol_table
from filmdose.odds.sensitivity import expected_width

A, B = 7.0, 0.1


def ishigami(x):
    return np.sin(x[:, 0]) + A * np.sin(x[:, 1]) ** 2 + B * x[:, 2] ** 4 * np.sin(x[:, 0])


def ishigami_indices():
    """Closed form (Ishigami & Homma 1990; from memory, confirmed by the variance of a large sample below)."""
    first_1 = 0.5 * (1.0 + B * math.pi**4 / 5.0) ** 2
    first_2 = A**2 / 8.0
    both_13 = B**2 * math.pi**8 * (1.0 / 18.0 - 1.0 / 50.0)
    variance = first_1 + first_2 + both_13
    return {"x1": first_1, "x2": first_2, "x3": 0.0}, {"x1": first_1 + both_13, "x2": first_2, "x3": both_13}, variance


@pytest.mark.long
def test_ishigami_function():
    even = Prior(kind="uniform", low=-0.9 * math.pi, typical=0.0, high=0.9 * math.pi)
    table = sobol_table(ishigami, {"x1": even, "x2": even, "x3": even}, samples=4096, resamples=60, rng=0)
    first, total, variance = ishigami_indices()
    x = np.random.default_rng(0).uniform(-math.pi, math.pi, (400_000, 3))
    assert np.var(ishigami(x)) == pytest.approx(variance, rel=0.01)
    for name in first:
        assert table.loc[name, "first"] == pytest.approx(first[name] / variance, abs=0.02)
        assert table.loc[name, "total"] == pytest.approx(total[name] / variance, abs=0.02)
        assert table.loc[name, "first_low"] - 0.02 < first[name] / variance < table.loc[name, "first_high"] + 0.02
        assert table.loc[name, "total_low"] - 0.02 < total[name] / variance < table.loc[name, "total_high"] + 0.02
    assert list(table.index) == ["x1", "x2", "x3"]


@pytest.mark.long
def test_a_sum_of_log_normals_in_the_logarithm():
    """ln y = 2 ln a + ln b with independent log-normals: shares 4 s_a**2 and s_b**2 of the variance, no interaction."""
    priors = {"a": Prior(low=0.5, typical=1.0, high=2.0), "b": Prior(low=0.25, typical=1.0, high=4.0)}
    table = sobol_table(lambda x: 2.0 * np.log(x[:, 0]) + np.log(x[:, 1]), priors, samples=4096)
    for name in "ab":
        assert table.loc[name, "first"] == pytest.approx(0.5, abs=0.02)
        assert table.loc[name, "total"] == pytest.approx(0.5, abs=0.02)


@pytest.mark.parametrize("correlation", [0.0, 0.6, 0.95])
def test_expected_width_of_a_bivariate_normal(correlation):
    """Given x, y has standard deviation sqrt(1 - r**2)."""
    rng = np.random.default_rng(4)
    x = rng.standard_normal(2**17)
    y = correlation * x + math.sqrt(1.0 - correlation**2) * rng.standard_normal(2**17)
    width = expected_width(x, y, bins=128)
    assert width == pytest.approx(2.0 * 1.6448536 * math.sqrt(1.0 - correlation**2), rel=0.03)


def test_a_function_without_numbers_is_refused():
    prior = {"a": Prior(low=0.5, typical=1.0, high=2.0)}
    with pytest.raises(ArgumentError, match="answers"):
        sobol_table(lambda x: np.full(len(x), np.nan), prior, samples=64)
    with pytest.raises(ArgumentError, match="power of two"):
        sobol_table(lambda x: x[:, 0], prior, samples=100)
    with pytest.raises(ArgumentError, match="at least one"):
        sobol_table(lambda x: x[:, 0], {})


def test_the_same_seed_gives_the_same_indices_and_intervals():
    priors = {name: Prior(low=0.5, typical=1.0, high=2.0) for name in "ab"}

    def product(values):
        return np.log(values).sum(axis=1)

    one = sobol_table(product, priors, samples=64, rng=3)
    assert one.equals(sobol_table(product, priors, samples=64, rng=3))
    for index in ("first", "total"):
        assert (one[f"{index}_low"] < one[f"{index}_high"]).all()
    assert not one.equals(sobol_table(product, priors, samples=64, rng=4))
