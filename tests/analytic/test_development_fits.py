"""Contrast against time and time against temperature, held to published rows and digitised families."""

import digitised
import numpy as np
import pandas as pd
import pytest
from scipy.optimize import curve_fit

from filmdose.development import development_curve, fit_development, fit_temperature
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.sensitometry import rise

CELSIUS = [(f - 32) / 1.8 for f in (68, 70, 72, 75)]
# Kodak F-32, rotary tube, 68/70/72/75 F: times, and the step to which such a row is rounded (from its digits)
ROWS = [([6.5, 6.0, 5.5, 5.0], 0.5), ([6.0, 5.25, 4.75, 4.0], 0.25)]


def law(t, limit, rate):
    return limit * (1.0 - np.exp(-rate * t))


def family(film):
    """Mean gradient over 1.30 log units above the ISO 6 point, after every time of a sheet."""
    times = digitised.developments(film)
    gradients = []
    for minutes in times:
        curve = digitised.curve(film, "visual", minutes)
        point = float(curve.inverse(curve.minimum_density + 0.10))
        gradients.append(float(rise(curve, point, 1.30)) / 1.30)
    return np.array(times), np.array(gradients)


def test_two_times_agree_with_the_closed_formula():
    closed = development_curve(gamma_short=0.5, gamma_long=0.75, time_short_min=4.0)
    found = fit_development([4.0, 8.0], [0.5, 0.75])
    assert found.curve.gamma_infinity == pytest.approx(closed.gamma_infinity, rel=1e-6)
    assert found.curve.rate_per_min == pytest.approx(0.173287, abs=1e-6)
    assert np.isnan(found.errors["gamma_infinity"])
    assert "nothing tells its error" in found.notes[0]


@pytest.mark.parametrize("induction", [0.0, 0.8])
def test_the_limit_and_rate_of_six_times_come_back(induction):
    # check value: gamma_inf 1.344, k 0.0864 over six times; the six readings themselves were not at hand
    times = np.array([4.0, 5.0, 6.0, 8.0, 10.0, 12.0])
    gammas = law(times - induction, 1.344, 0.0864)
    curve = fit_development(times, gammas, induction=induction > 0).curve
    assert (curve.gamma_infinity, curve.rate_per_min) == pytest.approx((1.344, 0.0864), rel=1e-6)
    assert curve.induction_min == pytest.approx(induction, abs=1e-5)


@pytest.mark.parametrize("film", ["bw-negative-250", "bw-negative-400"])
def test_measured_families_as_a_general_library_fits_them(film):
    times, gradients = family(film)
    found = fit_development(times, gradients)
    values, covariance = curve_fit(law, times, gradients, p0=(1.0, 0.1))
    assert (found.curve.gamma_infinity, found.curve.rate_per_min) == pytest.approx(tuple(values), rel=1e-3)
    assert list(found.errors.values()) == pytest.approx(np.sqrt(np.diag(covariance)).tolist(), rel=0.01)
    # sheets are drawn by hand and read off: the law is good to 0.04 on the one, 0.01 on the other
    assert np.abs(found.residuals).max() < 0.04
    table = found.to_dataframe()
    assert (table.gamma - table.fitted).tolist() == pytest.approx(found.residuals.tolist())


def test_measured_families_show_no_induction_time():
    found = fit_development(*family("bw-negative-400"), induction=True)
    assert found.curve.induction_min == 0.0
    assert "no induction time" in found.notes[0]


@pytest.mark.long
def test_stated_errors_hold_the_truth():
    rng = np.random.default_rng(5)
    times = np.array([4.0, 6.0, 8.0, 11.0, 15.0, 20.0])
    held = 0
    for _ in range(200):
        found = fit_development(times, law(times, 1.0, 0.15) + 0.01 * rng.standard_normal(6), gamma_error=0.01)
        time, error = found.time_for(0.7)
        held += abs(time - (-np.log(0.3) / 0.15)) < 2.0 * error
    assert 0.90 <= held / 200 <= 0.99  # 95 % of a normal error


def test_a_table_goes_in():
    frame = pd.DataFrame({"time_min": [4.0, 8.0, 16.0], "gamma": [0.5, 0.75, 0.94]})
    assert fit_development(frame).curve == fit_development(frame.time_min, frame.gamma).curve


def test_time_for_a_factor_is_that_for_its_contrast():
    found = fit_development([4, 6, 9, 14], [0.50, 0.64, 0.79, 0.91])
    time, error = found.time_for_factor(1.2, 6.0)
    assert found.gamma(time) == pytest.approx(1.2 * found.gamma(6.0))
    assert 0.0 < error < 1.0
    assert found.factors(6.0)[0] < 1.0 < found.factors(6.0)[1]


@pytest.mark.parametrize("law_name", ["q10", "arrhenius"])
@pytest.mark.parametrize(("times", "step"), ROWS)
def test_three_published_times_foretell_the_fourth_within_rounding(times, step, law_name):
    for left_out in range(4):
        kept = [n for n in range(4) if n != left_out]
        found = fit_temperature([CELSIUS[n] for n in kept], [times[n] for n in kept], law=law_name)
        assert found.time_at(CELSIUS[left_out])[0] == pytest.approx(times[left_out], abs=0.5 * step)


def test_no_time_beyond_the_reach():
    found = fit_temperature(CELSIUS, ROWS[0][0])
    with pytest.raises(ArgumentError, match="temperature_c: got 30"):
        found.time_at(30.0)
    with pytest.raises(ArgumentError, match="up to 2 degrees beyond"):
        found.time_at(17.9)
    assert found.time_at(18.1)[0] > 6.5


def test_two_pairs_have_an_error_only_by_their_rounding():
    assert np.isnan(fit_temperature([20, 24], [6.5, 4.9]).time_at(22)[1])
    time, error = fit_temperature([20, 24], [6.5, 4.9], rounded_to_min=0.5).time_at(22)
    assert error == pytest.approx(time * 0.5 / np.sqrt(12) / 5.6 / np.sqrt(2), rel=0.1)  # two readings, mean near 5.6


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: fit_development([4.0], [0.5]), "at least 2 different times"),
        (lambda: fit_development([4, 8], [0.5, 0.75], induction=True), "leave the induction time out"),
        (lambda: fit_development([4, 8, 12], [0.75, 0.6, 0.5]), "rise with time"),
        (lambda: fit_development([4, 8, 12], [0.3, 0.6, 0.9]), "bend towards a limit"),
        (lambda: fit_development([4, 8], [0.5]), "one contrast for each"),
        (lambda: fit_development([4, 8]), "time_min and gamma"),
        (lambda: fit_temperature([20, 24], [5, 6]), "fall as the temperature rises"),
        (lambda: fit_temperature([20, 90], [5, 3]), "temperatures_c: got 90"),
        (lambda: fit_temperature([20, 24], [6, 5], reach_c=11), "reach_c: got 11"),
    ],
)
def test_bad_input(call, says):
    with pytest.raises(ArgumentError, match=says):
        call()


def test_unknown_law():
    with pytest.raises(UnknownNameError, match="arrhenius"):
        fit_temperature([20, 24], [6, 5], law="arhenius")
