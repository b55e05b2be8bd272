"""Development time, contrast and temperature."""

import math

import numpy as np
import pandas as pd
import pytest

from filmdose.development import DevelopmentCurve, development_curve, temperature_coefficient, time_at_temperature
from filmdose.errors import ArgumentError


def test_curve_through_two_contrasts():
    # derived from Sheppard & Mees 1907: 0.50 at 4 min and 0.75 at 8 min give k = 0.173287 / min, gamma_inf = 1
    curve = development_curve(gamma_short=0.50, gamma_long=0.75, time_short_min=4.0)
    assert curve.rate_per_min == pytest.approx(0.173287, abs=5e-7)
    assert curve.gamma_infinity == pytest.approx(1.0)
    assert curve.gamma([4.0, 8.0]).tolist() == pytest.approx([0.50, 0.75])


def test_time_is_the_inverse_of_contrast_and_nan_beyond_the_limit():
    curve = DevelopmentCurve(gamma_infinity=0.9, rate_per_min=0.2)
    times = pd.Series([0.0, 3.0, 12.0], index=list("abc"))
    pd.testing.assert_series_equal(curve.time_min(curve.gamma(times)), times)
    assert np.isnan(curve.time_min([0.9, 1.5])).all()


@pytest.mark.parametrize(("times", "q10"), [([6.5, 6.0, 5.5, 5.0], 1.97), ([6.0, 5.25, 4.75, 4.0], 2.80)])
def test_temperature_coefficient_of_published_times(times, q10):
    # Kodak F-32, 68/70/72/75 F; Q10 derived
    celsius = [(f - 32) / 1.8 for f in (68, 70, 72, 75)]
    assert temperature_coefficient(celsius, times) == pytest.approx(q10, abs=0.01)


def test_ten_degrees_are_one_q10():
    assert time_at_temperature(8.0, 20.0, 30.0, 2.0) == pytest.approx(4.0)
    assert time_at_temperature([8.0], 30.0, 20.0, 2.0).tolist() == [16.0]


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: development_curve(gamma_short=0.5, gamma_long=1.0, time_short_min=4), "gamma_long: got 1.0"),
        (lambda: development_curve(gamma_short=0.5, gamma_long=0.4, time_short_min=4), "gamma_long: got 0.4"),
        (lambda: development_curve(gamma_short=0.5, gamma_long=0.7, time_short_min=0), "time_short_min: got 0"),
        (lambda: DevelopmentCurve(gamma_infinity=-1, rate_per_min=0.2), "gamma_infinity: got -1"),
        (lambda: DevelopmentCurve(gamma_infinity=1, rate_per_min=0.2).gamma(-1.0), "time_min: got -1.0"),
        (lambda: temperature_coefficient([20, 20], [5, 4]), "times_min"),
        (lambda: temperature_coefficient([20, 24], [5, 0]), "times_min: got 0.0"),
        (lambda: temperature_coefficient([20, math.nan], [5, 4]), "temperatures_c"),
        (lambda: time_at_temperature(5.0, 20.0, 99.0, 2.0), "to_c: got 99.0"),
        (lambda: time_at_temperature(5.0, 20.0, 24.0, 0.0), "q10: got 0.0"),
    ],
)
def test_bad_input(call, says):
    with pytest.raises(ArgumentError, match=says):
        call()
