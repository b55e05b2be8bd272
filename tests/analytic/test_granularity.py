"""Random grains: closed forms, and a small Monte Carlo of random discs."""

import math

import numpy as np
import pytest
from scipy.spatial import cKDTree

from filmdose.film.generic import generic_film
from filmdose.sensitometry import (
    covered_fraction,
    equivalent_grain_area_um2,
    noise_equivalent_quanta,
    nutting_density,
    rms_granularity,
    selwyn_granularity,
    sigma_from_selwyn,
)
from filmdose.solution import shadow_points


@pytest.mark.parametrize("coverage", [0.3, 1.0, 2.0])
def test_random_discs_cover_what_the_boolean_model_says(coverage):
    # doi 10.5201/ipol.2017.192: share of the area under random discs is 1 - exp(-n a)
    rng = np.random.default_rng(20)
    side, radius = 30.0, 1.0 / math.sqrt(math.pi)  # discs of 1 um2 on a torus of 900 um2
    grid = np.stack(np.meshgrid(*(np.arange(150) * side / 150,) * 2), axis=-1).reshape(-1, 2)
    covered = []
    for _ in range(12):
        centres = rng.uniform(0, side, size=(rng.poisson(coverage * side**2), 2))
        distance, _ = cKDTree(centres, boxsize=side).query(grid, distance_upper_bound=radius)
        covered.append(np.isfinite(distance).mean())
    standard_error = np.std(covered, ddof=1) / math.sqrt(len(covered))
    expected = covered_fraction(coverage * 1e8, 1.0)
    assert abs(np.mean(covered) - expected) < 4 * standard_error
    assert standard_error < 0.01
    # and minus log10 of what is left open is Nutting's density
    assert -math.log10(1 - expected) == pytest.approx(nutting_density(coverage * 1e8, 1.0), rel=1e-12)


def test_counting_random_grains_gives_the_granularity_formula():
    # Poisson counts in an aperture: sigma_D**2 A = 0.4343 D a
    rng = np.random.default_rng(7)
    area, grain, per_um2 = 1809.557, 0.5, 2.0
    density = 0.4342944819 * rng.poisson(per_um2 * area, size=200_000) * grain / area
    assert equivalent_grain_area_um2(density.std(), density.mean(), area) == pytest.approx(grain, rel=0.01)


def test_selwyn_granularity_does_not_depend_on_the_aperture():
    area = np.array([0.01, 100.0, 1809.557, 40000.0])
    sigma = sigma_from_selwyn(0.6016, area)
    np.testing.assert_allclose(selwyn_granularity(sigma, area), 0.6016)
    np.testing.assert_allclose(rms_granularity(sigma, area), 10.0, rtol=1e-4)


def test_neq_of_a_population_is_its_signal_to_noise_squared():
    emulsion = generic_film(400).records[0]
    x = np.array([-2.5, -2.0, -1.0])
    neq = noise_equivalent_quanta(emulsion.gradient(x), emulsion.noise(x))
    np.testing.assert_allclose(neq, math.log10(math.e) ** 2 * emulsion.signal_to_noise(x) ** 2, rtol=1e-12)


def test_colour_negative_sees_best_well_above_its_speed_point():
    # granularity curves of five motion-picture colour negatives (package of reference/curves): three stops above the
    # speed point signal-to-noise is 1.4 to 2.6 times that at the speed point
    film = generic_film(400, kind="colour-negative")
    for record, shadow in zip(film.records, shadow_points(film), strict=True):
        ratio = record.signal_to_noise(shadow + 3.0 * math.log10(2.0)) / record.signal_to_noise(shadow)
        assert 1.4 <= ratio <= 2.6
