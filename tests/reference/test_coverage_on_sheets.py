"""Intervals of odds against films that exist: makers' digitised sheets as truth, and the generic film as the user's.

reference/coverage_study.py is the larger study; this is a smaller one of it, seeded. Widths of priors were chosen on
the design half; the held-out half holds 4 developments of one black-and-white film and 7 colour films, so its band is
wider.
"""

import sys
import warnings
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).parents[2] / "reference"))
import coverage_study

from filmdose.errors import ValidityWarning


@pytest.fixture(autouse=True)
def quiet():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)
        yield


@pytest.mark.parametrize(("half", "low"), [("design", 0.83), ("held-out", 0.81)])
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_nine_in_ten_means_about_nine_in_ten_real_films(half, low, kind, monkeypatch):
    monkeypatch.setattr(coverage_study, "DOSES", (100.0,))
    found = coverage_study.coverage(half, kind, draws=128)
    assert found.film.nunique() >= 4
    assert low < found.inside.mean() < 0.95


@pytest.mark.parametrize("half", ["design", "held-out"])
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_the_generic_film_stands_for_real_ones(half, kind):
    """Median of real minus generic, at 30 uGy within 0.15 stop; at 300 uGy real films want up to 0.3 more."""
    off = coverage_study.real_minus_generic(half, kind).drop(columns="film")
    assert np.all(np.abs(off.median()) < [0.15, 0.20, 0.30])
    assert np.all(0.5 * (off.quantile(0.84) - off.quantile(0.16)) < 0.25)
