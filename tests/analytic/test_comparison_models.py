"""The two simpler pictures of fog do what makes them wrong."""

import math

import pytest
from scipy.optimize import brentq

from filmdose.answering import answer
from filmdose.film.comparison import LightPreflashCurve, UniformUnionCurve
from filmdose.film.generic import generic_film

FOG = 0.12


@pytest.fixture
def film():
    return generic_film(800).records[0]


def fixed_density_speed(curve):
    return 0.8 / 10 ** curve.inverse(curve.minimum_density + 0.10)


def test_uniform_union_loses_almost_no_speed(film):
    speed = fixed_density_speed(UniformUnionCurve(emulsion=film, fog_density=FOG))
    kerma = brentq(lambda k: film.fog_density(k) - FOG, 1.0, 1000.0)
    by_grains = answer(800, kerma).stops["fixed_density"]
    assert 0.0 < math.log2(800 / speed) < 0.1
    assert by_grains > 3.0 * math.log2(800 / speed)


def test_a_weak_light_preflash_raises_the_fixed_density_speed(film):
    # the grain population loses speed at every fog
    curve = LightPreflashCurve(emulsion=film, fog_density=0.01)
    assert fixed_density_speed(curve) > 800 * 2**0.05


def test_light_preflash_takes_gradient_from_the_shadow_point(film):
    curve = LightPreflashCurve(emulsion=film, fog_density=FOG)
    shadow = math.log10(0.8 / 800)
    assert curve.gradient(shadow) < 0.9 * film.gradient(shadow)


@pytest.mark.parametrize("model", [UniformUnionCurve, LightPreflashCurve])
def test_no_fog_is_the_clean_curve(film, model):
    curve = model(emulsion=film, fog_density=0.0)
    assert curve.density(-2.5) == pytest.approx(film.density(-2.5), abs=1e-12)
    assert curve.gradient(-2.5) == pytest.approx(film.gradient(-2.5), abs=1e-12)


@pytest.mark.parametrize("model", [UniformUnionCurve, LightPreflashCurve])
def test_gradient_is_the_derivative(film, model):
    curve = model(emulsion=film, fog_density=FOG)
    numeric = (curve.density(-2.5 + 1e-5) - curve.density(-2.5 - 1e-5)) / 2e-5
    assert curve.gradient(-2.5) == pytest.approx(numeric, rel=1e-6)
    assert curve.density(-30.0) - film.minimum_density() == pytest.approx(FOG, abs=1e-9)
