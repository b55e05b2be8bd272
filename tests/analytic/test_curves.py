"""Curves against closed forms and independent solvers."""

import math

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from scipy.integrate import quad
from scipy.optimize import brentq
from scipy.stats import linregress

from filmdose.film.curves import Curve, MeasuredCurve, ToeShoulderCurve, softplus
from filmdose.film.generic import generic_film
from filmdose.sensitometry import (
    delta_x_speed,
    fractional_gradient_point,
    iso6,
    iso2240,
    lens_factor,
    mean_gradient,
    negative_density_range,
    rise,
    straight_line,
)

EQUAL = ToeShoulderCurve(
    unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2, shoulder_log_exposure=0.5
)
ROUND_SHOULDER = ToeShoulderCurve(
    unexposed_density=0.2,
    slope=0.65,
    toe_log_exposure=-2.5,
    toe_width=0.2,
    shoulder_log_exposure=0.5,
    shoulder_width=0.4,
)
SHARP_SHOULDER = ToeShoulderCurve(
    unexposed_density=0.2,
    slope=0.65,
    toe_log_exposure=-2.5,
    toe_width=0.2,
    shoulder_log_exposure=0.5,
    shoulder_width=0.1,
)
SLIDE = ToeShoulderCurve(
    unexposed_density=3.2, slope=-1.6, toe_log_exposure=-2.2, toe_width=0.2, shoulder_log_exposure=-0.4
)
MEASURED = MeasuredCurve(
    log_exposures=(-4, -3.2, -2.6, -2, -1, 0, 1), densities=(0.2, 0.2, 0.24, 0.5, 1.1, 1.6, 1.75), outside="hold"
)
CURVES = {
    "equal": EQUAL,
    "round": ROUND_SHOULDER,
    "sharp": SHARP_SHOULDER,
    "slide": SLIDE,
    "measured": MEASURED,
    "population": generic_film(400).records[0].curve(),
    "reversal": generic_film(100, kind="bw-reversal").records[0].curve(),
}


def test_softplus_is_logaddexp():
    u = np.concatenate([np.linspace(-800, 800, 4001), [-1e-300, 0.0, 1e-300, -36.7, 36.7]])
    np.testing.assert_allclose(softplus(u), np.logaddexp(0.0, u), rtol=1e-15, atol=0)


@pytest.mark.parametrize("name", CURVES)
def test_all_curves_keep_the_protocol(name):
    curve = CURVES[name]
    assert isinstance(curve, Curve)
    low, high = curve.log_exposure_range
    x = np.linspace(low, high, 501)
    density = np.asarray(curve.density(x))
    assert np.all(np.diff(density) * (1 if curve.rising else -1) >= -1e-12)
    assert density.min() >= curve.minimum_density - 1e-9
    assert density.max() <= curve.maximum_density + 1e-9
    # the gradient integrates to the density
    middle = 0.5 * (low + high)
    area = quad(lambda v: float(curve.gradient(v)), middle, middle + 1.0, limit=200, points=[middle + 0.3])[0]
    assert area == pytest.approx(float(curve.density(middle + 1.0) - curve.density(middle)), abs=1e-7)
    # the inverse undoes the density where the curve is not flat
    inside = np.linspace(curve.minimum_density + 0.02, min(curve.maximum_density, 3.0) - 0.02, 25)
    np.testing.assert_allclose(np.asarray(curve.density(curve.inverse(inside))), inside, atol=1e-11)
    assert np.isnan(curve.inverse(curve.maximum_density + 0.01))
    assert np.isnan(curve.inverse(curve.minimum_density - 0.01))


def test_closed_inverse_agrees_with_an_independent_root():
    for target in (0.2 + 1e-7, 0.21, 0.3, 1.0, 2.0, 2.149):
        root = brentq(lambda x, t=target: EQUAL.density(x) - t, -12, 10, xtol=1e-13)
        assert EQUAL.inverse(target) == pytest.approx(root, abs=1e-8)


@pytest.mark.parametrize("curve", [ROUND_SHOULDER, SHARP_SHOULDER])
def test_a_searched_inverse_reaches_both_ends_of_its_range(curve):
    for end in curve.log_exposure_range:
        there = float(curve.inverse(float(curve.density(end))))
        assert curve.density(there) == pytest.approx(curve.density(end), abs=1e-12)


def test_closed_and_searched_inverse_meet_as_the_widths_meet():
    nearly = ToeShoulderCurve(
        unexposed_density=0.2,
        slope=0.65,
        toe_log_exposure=-2.5,
        toe_width=0.2,
        shoulder_log_exposure=0.5,
        shoulder_width=0.2 * (1 + 1e-9),
    )
    target = np.linspace(0.21, 2.1, 40)
    np.testing.assert_allclose(nearly.inverse(target), EQUAL.inverse(target), atol=1e-7)


@pytest.mark.parametrize("curve", [ROUND_SHOULDER, SHARP_SHOULDER])
def test_unequal_ramps_are_held_where_they_would_turn_back(curve):
    x = np.linspace(-30, 30, 6001)
    assert np.all(np.diff(curve.density(x)) >= -1e-13)  # rounding
    assert curve.maximum_density - curve.minimum_density == pytest.approx(0.65 * 3.0, abs=1e-4)


def test_measured_curve_never_overshoots_its_readings():
    # a step, where a plain cubic spline overshoots by more than a tenth
    step = MeasuredCurve(log_exposures=(0, 1, 2, 3, 4, 5), densities=(0.2, 0.2, 0.2, 1.2, 1.2, 1.2))
    d = step.density(np.linspace(0, 5, 1001))
    assert d.min() == 0.2
    assert d.max() == 1.2


def test_outside_the_readings_is_unknown_or_held():
    unknown = MeasuredCurve(log_exposures=(0, 1, 2), densities=(0.2, 0.6, 1.2))
    held = MeasuredCurve(log_exposures=(0, 1, 2), densities=(0.2, 0.6, 1.2), outside="hold")
    assert np.isnan(unknown.density([-0.1, 2.1])).all()
    assert np.isnan(unknown.gradient([-0.1, 2.1])).all()
    assert held.density([-0.1, 2.1]).tolist() == [0.2, 1.2]
    assert held.gradient([-0.1, 2.1]).tolist() == [0.0, 0.0]
    assert held.gradient([0.0, 0.7, 2.0]).tolist() == unknown.gradient([0.0, 0.7, 2.0]).tolist()


def test_inverse_of_a_flat_stretch_is_its_least_exposure():
    rising = MeasuredCurve(log_exposures=(0, 1, 2, 3), densities=(0.2, 0.5, 0.5, 1.0))
    falling = MeasuredCurve(log_exposures=(0, 1, 2, 3), densities=(1.0, 0.5, 0.5, 0.2))
    assert rising.inverse(0.5) == 1.0
    assert falling.inverse(0.5) == 1.0
    toe = MeasuredCurve(log_exposures=(0, 1, 2, 3), densities=(0.2, 0.2, 0.5, 1.0))
    assert toe.inverse(0.2) == 0.0


def test_container_in_container_out():
    for curve in (EQUAL, ROUND_SHOULDER, MEASURED):
        for function in (curve.density, curve.gradient):
            assert isinstance(function(-1.0), float)
            assert isinstance(function([-1.0, 0.0]), np.ndarray)
            series = function(pd.Series([-1.0, np.nan], index=["a", "b"]))
            assert list(series.index) == ["a", "b"]
            assert np.isnan(series["b"])
            assert not np.isnan(series["a"])
            array = function(xr.DataArray([[-1.0, 0.0]], dims=("y", "x")))
            assert array.dims == ("y", "x")
        assert isinstance(curve.inverse(0.8), float)
        assert isinstance(curve.inverse(pd.Series([0.8])), pd.Series)


def test_mean_gradient_and_rise_are_differences():
    x = np.array([-2.4, -1.0])
    np.testing.assert_allclose(rise(EQUAL, x, 1.3), EQUAL.density(x + 1.3) - EQUAL.density(x))
    np.testing.assert_allclose(mean_gradient(EQUAL, x, 1.5) * 1.5, EQUAL.density(x + 1.5) - EQUAL.density(x))
    np.testing.assert_allclose(negative_density_range(SLIDE, -2.0, 1.0), SLIDE.density(-2.0) - SLIDE.density(-1.0))
    usual = np.round(math.log10(160.0), 1)  # the mean scene, 160 : 1 (reporting Jones & Condit 1941)
    assert negative_density_range(EQUAL, -2.0) == negative_density_range(EQUAL, -2.0, usual)


def test_straight_line_is_ordinary_regression():
    line = straight_line(EQUAL, log_exposure_interval=(-1.8, -0.4))
    x = np.linspace(-1.8, -0.4, 201)
    reference = linregress(x, EQUAL.density(x))
    assert line.gamma == pytest.approx(reference.slope, rel=1e-10)
    assert line.log_inertia == pytest.approx((0.2 - reference.intercept) / reference.slope, abs=1e-9)
    # a long straight line meets base plus fog where its toe corner is
    assert line.log_inertia == pytest.approx(-2.5, abs=0.01)
    assert line.inertia == pytest.approx(10**-2.5, rel=0.03)


def test_straight_line_finds_where_the_curve_is_straight():
    """Where the gradient is at least 0.95 of the steepest: by a root on either side of the steepest point."""
    line = straight_line(SLIDE)
    steepest = -1.3  # halfway between toe and shoulder
    enough = 0.95 * SLIDE.gradient(steepest)
    ends = [brentq(lambda x: SLIDE.gradient(x) - enough, steepest, far) for far in (-3.0, 0.2)]
    assert line.log_exposure_low == pytest.approx(ends[0], abs=0.05)
    assert line.log_exposure_high == pytest.approx(ends[1], abs=0.05)
    at_ends = SLIDE.gradient([line.log_exposure_low, line.log_exposure_high])
    assert np.all(np.abs(at_ends) >= abs(enough) * (1.0 - 1e-4))  # no flatter point is on the line
    assert 0.95 * 1.6 < -line.gamma < 1.6


def test_a_lens_without_losses_keeps_a_quarter_of_pi_on_its_axis():
    best = {"transmittance": 1.0, "vignetting": 1.0, "field_angle_degrees": 0.0}
    assert lens_factor(**best) == pytest.approx(math.pi / 4.0, rel=1e-12)  # (pi/4) T v cos^4
    for dark in ("transmittance", "vignetting"):
        assert lens_factor(**{**best, dark: 0.01}) == pytest.approx(0.01 * math.pi / 4.0, rel=1e-12)


def test_fractional_gradient_point_by_an_independent_root():
    def excess(x):
        return EQUAL.gradient(x) - 0.3 * (EQUAL.density(x + 1.5) - EQUAL.density(x)) / 1.5

    assert fractional_gradient_point(EQUAL).log_exposure == pytest.approx(brentq(excess, -4, -2.4), abs=1e-10)


def test_fractional_gradient_is_blind_to_a_uniform_loss():
    half = ToeShoulderCurve(
        unexposed_density=0.2, slope=0.325, toe_log_exposure=-2.5, toe_width=0.2, shoulder_log_exposure=0.5
    )
    assert fractional_gradient_point(half).log_exposure == pytest.approx(
        fractional_gradient_point(EQUAL).log_exposure, abs=1e-9
    )


def test_speed_moves_with_the_axis():
    moved = ToeShoulderCurve(
        unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.8, toe_width=0.2, shoulder_log_exposure=0.2
    )
    assert iso6(moved).speed / iso6(EQUAL).speed == pytest.approx(10**0.3, rel=1e-12)
    assert iso6(moved).rise_1_30 == pytest.approx(iso6(EQUAL).rise_1_30, abs=1e-12)


def test_tangent_clause_takes_the_touching_point_of_a_low_shoulder():
    # net 1.7: 2.00 above minimum is not reached, so the line from T touches the shoulder below it
    low = ToeShoulderCurve(
        unexposed_density=1.85, slope=-1.0, toe_log_exposure=-2.0, toe_width=0.15, shoulder_log_exposure=-0.3
    )
    found = iso2240(low)
    assert found.tangent_used
    t, s = found.log_highlight_point, found.log_shadow_point
    chord = (low.density(s) - low.density(t)) / (s - t)
    assert low.gradient(s) == pytest.approx(chord, abs=1e-9)  # it touches
    x = np.linspace(s - 1.0, t - 0.01, 500)
    line = low.density(t) + chord * (x - t)
    assert np.all(low.density(x) <= line + 1e-9)  # and does not cross
    assert low.density(s) < low.minimum_density + 2.0


def test_a_slide_that_only_gets_steeper_has_no_line_that_touches_its_shoulder():
    # least density + 0.20 at 0.50 lx s, + 2.00 at 0.02 lx s: S = 10 / sqrt(0.50 * 0.02) = 100 (derived)
    line = MeasuredCurve(log_exposures=np.log10([0.004, 0.02, 0.50, 3.2]), densities=(3.35, 2.15, 0.35, 0.15))
    found = iso2240(line)
    assert found.speed == pytest.approx(100.0, rel=1e-9)
    assert not found.tangent_used


@pytest.mark.parametrize("shoulder", [-3.0, -2.5])
def test_a_slide_that_is_straight_up_to_its_shadow_point_is_rated_by_it(shoulder):
    # from density 3.1 at log10 H = -3 down by 0.8 a unit: + 0.20 over the least at 0.75, + 2.00 at -1.50 (derived)
    x = np.arange(-3.0, 1.1, 0.5)
    line = MeasuredCurve(log_exposures=tuple(x), densities=tuple(3.1 - 0.8 * (np.maximum(x, shoulder) + 3.0)))
    found = iso2240(line)
    assert found.log_shadow_point == pytest.approx(-1.5, abs=1e-9)
    assert not found.tangent_used


def test_a_slide_whose_range_is_too_small_has_no_speed():
    found = iso2240(MeasuredCurve(log_exposures=(-3.0, -2.0, -1.0, 0.0), densities=(0.35, 0.34, 0.25, 0.2)))
    assert np.isnan([found.speed, found.log_highlight_point, found.log_shadow_point]).all()
    assert not found.tangent_used


def test_a_film_without_contrast_has_no_speed_by_delta_x():
    flat = MeasuredCurve(log_exposures=(-3.0, -2.0, -1.0, 0.0), densities=(0.25, 0.35, 0.35, 0.35))
    assert iso6(flat).rise_1_30 == 0.0
    assert np.isnan(delta_x_speed(flat).speed)


def test_tangent_clause_leaves_ordinary_films_alone():
    assert not iso2240(SLIDE).tangent_used
    for speed in (25, 100, 400):
        assert not iso2240(generic_film(speed, kind="colour-reversal").records[1].curve()).tangent_used
