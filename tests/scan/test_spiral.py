"""The wound roll: closed forms of the spiral, and beams through it."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.integrate import quad

from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.scan import Winding, get_winding, winding_names, wound_fog


@pytest.mark.parametrize("name", winding_names())
def test_length_is_pi_times_the_ring_over_the_layer(name):
    w = get_winding(name)
    ring = math.pi * (w.outer_radius_mm**2 - w.core_radius_mm**2)
    assert_allclose(ring / w.layer_mm, w.length_mm, rtol=1e-12)


def test_the_arc_of_the_spiral_is_as_long_as_the_film():
    # independent: Archimedes' spiral r = R1 + d theta / 2 pi, its arc by quadrature
    w = get_winding("135-36")
    a = w.layer_mm / (2 * math.pi)

    def arc(t):
        return math.hypot(w.core_radius_mm + a * t, a)

    length, _ = quad(arc, 0, 2 * math.pi * w.turns, limit=200)
    assert_allclose(length, w.length_mm, rtol=1e-4)
    half, _ = quad(arc, 0, float(w.turn_angle(w.length_mm / 2)), limit=200)
    assert_allclose(half, w.length_mm / 2, rtol=1e-4)


def test_one_turn_takes_one_circumference():
    w = get_winding("120")
    s = np.linspace(50, 700, 20)
    ahead = w.turn_angle(s + 0.5 * w.period_mm(s)) - w.turn_angle(s - 0.5 * w.period_mm(s))
    assert_allclose(ahead, 2 * math.pi, rtol=1e-3)
    assert np.all(np.diff(w.period_mm(s)) > 0)


def test_both_ends_count_the_same_film():
    w = get_winding("135-24")
    s = np.linspace(0, w.length_mm, 7)
    assert_allclose(w.from_inside_mm(s, "outside"), w.length_mm - s, atol=1e-9)
    inside = wound_fog(w, s, direction_deg=40, end="inside")
    assert_allclose(wound_fog(w, w.length_mm - s, direction_deg=40, end="outside"), inside)


def roll(attenuation=0.05):
    return Winding(length_mm=1600, core_radius_mm=6, layer_mm=0.15, attenuation_per_mm=attenuation)


@pytest.mark.parametrize("beam", ["fan", "rotating"])
def test_a_roll_that_stops_nothing_shows_nothing(beam):
    assert_allclose(wound_fog(roll(0.0), np.linspace(0, 1600, 50), beam), 1.0)


def test_a_narrow_beam_obeys_the_law_of_attenuation():
    # the place that faces the source lies R2 - R deep; the one that faces away 2 R2 - (R2 - R), less the spool's bore
    w = roll()
    s = np.linspace(100, 1500, 4001)
    radius, theta = w.radius_mm(s), w.turn_angle(s)
    fog = wound_fog(w, s, "fan", fan_deg=0.0)
    facing, away = np.cos(theta) > 0.99999, np.cos(theta) < -0.99999
    assert facing.any()
    assert away.any()
    assert_allclose(-np.log(fog[facing]) / 0.05, (w.outer_radius_mm - radius)[facing], atol=0.01)
    assert_allclose(-np.log(fog[away]) / 0.05, (w.outer_radius_mm + radius - 12.0)[away], atol=0.01)


def test_a_beam_from_all_sides_leaves_a_slope_and_no_bands():
    w = roll()
    s = np.linspace(0, 1600, 900)
    turning, fan = wound_fog(w, s, "rotating"), wound_fog(w, s, "fan")
    assert turning[-1] > turning[600] + 0.03
    smooth = np.polyval(np.polyfit(s, turning, 4), s)
    assert np.std(turning - smooth) < 0.01 * np.std(fan)


def test_shield_and_slit_scale_what_they_cover():
    w = roll()
    s = np.linspace(0, 1600, 500)
    bare = wound_fog(w, s, "fan", fan_deg=0)
    shaded = wound_fog(w, s, "shield-edge", fan_deg=0, edge_mm=1.0, shield_transmission=0.25)
    assert set(np.round(shaded / bare, 9)) == {0.25, 1.0}
    slit = wound_fog(w, s, "stopped-belt", fan_deg=0, slit_mm=3.0, slit_gain=8.0)
    assert set(np.round(slit / bare, 9)) == {1.0, 8.0}


def test_bad_input():
    with pytest.raises(UnknownNameError, match="135-36"):
        get_winding("135-63")
    with pytest.raises(UnknownNameError, match="beam"):
        wound_fog(roll(), [1.0], "spiral")
    with pytest.raises(ArgumentError, match="position_mm"):
        wound_fog(roll(), [1700.0])
    for name, bad in (("length_mm", 0), ("core_radius_mm", -1), ("layer_mm", 5), ("attenuation_per_mm", float("nan"))):
        values = {"length_mm": 100, "core_radius_mm": 5, "layer_mm": 0.1, "attenuation_per_mm": 0.1} | {name: bad}
        with pytest.raises(ArgumentError, match=name):
            Winding(**values)
