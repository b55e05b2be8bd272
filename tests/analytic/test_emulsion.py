"""The grain population against closed forms and limits."""

import dataclasses
import math

import numpy as np
import pytest
from scipy.stats import poisson

from filmdose.film.emulsion import APERTURE_AREA_UM2, REFERENCE_LOG_SENSITIVITY, Emulsion
from filmdose.film.generic import calibrated_hits_per_ugy, generic_film
from filmdose.film.population import record_value

SPEEDS = [25, 32, 50, 64, 100, 125, 160, 200, 320, 400, 640, 800, 1000, 1600, 3200, 6400]


def one_class(**changes):
    """A film of one grain class: every sum has one term."""
    values = {
        "log_sensitivity": [REFERENCE_LOG_SENSITIVITY],
        "weights": [2.0],
        "base_density": 0.1,
        "native_fog": 0.0,
        "quanta": 1,
        "hit_exponent": 0.8,
        "hits_per_ugy": 0.01,
        "rms_granularity": 10.0,
    }
    return Emulsion(**{**values, **changes})


@pytest.mark.parametrize("speed", SPEEDS)
def test_generic_film_meets_both_conditions_of_iso_6(speed):
    # ISO 6:1993: H_m = 0.8 / S at 0.10 above minimum density, 0.90 above it 1.30 log units further right.
    film = generic_film(speed).records[0]
    point = math.log10(0.8 / speed)
    assert film.density(point) - film.minimum_density() == pytest.approx(0.10, abs=1e-6)
    assert film.density(point + 1.30) - film.minimum_density() == pytest.approx(0.90, abs=1e-6)


def test_generic_reversal_film_has_the_net_maximum_of_its_data_file():
    film = generic_film(100, kind="bw-reversal").records[0]
    wanted = record_value("bw-reversal", "visual", "net_maximum")
    assert film.maximum_density() - film.minimum_density() == pytest.approx(wanted, abs=1e-6)


def test_net_fog_at_the_calibration_point():
    assert generic_film(400).records[0].fog_density(25.0) == pytest.approx(0.02, abs=1e-12)


@pytest.mark.parametrize(("hits", "developed"), [(0.1, 0.09516258), (1.0, 0.63212056)])
def test_single_hit_law(hits, developed):
    # Silberstein 1922: 1 - exp(-x), derived values.
    film = one_class()
    assert film.fog_density(hits / 0.01) / 2.0 == pytest.approx(developed, abs=5e-9)


def test_linear_law_is_five_percent_off_where_silberstein_says():
    # 1 - exp(-x) = 0.95 x at x = 0.10348 (derived from the formula).
    film = one_class()
    assert film.fog_density(0.10348 / 0.01) / (2.0 * 0.10348) == pytest.approx(0.95, abs=1e-5)


@pytest.mark.parametrize("quanta", [1, 2, 4, 7])
def test_light_threshold_is_the_poisson_tail(quanta):
    film = one_class(quanta=quanta)
    exposure = np.linspace(-5, -1, 41)
    tail = poisson.sf(quanta - 1, 10 ** (exposure + REFERENCE_LOG_SENSITIVITY))
    assert film.density(exposure) == pytest.approx(0.1 + 2.0 * tail, abs=1e-12)


def test_speed_scaling_of_fog_at_low_dose():
    # Kodak's storage guidance: EI 800 changes three times as much as EI 200, so S(800)/S(100) = 8**b = 5.196.
    ratio = generic_film(800).records[0].fog_density(1e-3) / generic_film(100).records[0].fog_density(1e-3)
    assert ratio == pytest.approx(5.196, abs=5e-4)


@pytest.mark.parametrize("speed", [25, 400, 6400])
@pytest.mark.parametrize("kerma", [0.0, 30.0, 1000.0])
def test_analytic_gradient_is_the_derivative_of_density(speed, kerma):
    film = generic_film(speed).records[0]
    x = np.linspace(-4, 1, 51)
    h = 1e-4
    numeric = (film.density(x + h, kerma) - film.density(x - h, kerma)) / (2 * h)
    assert film.gradient(x, kerma) == pytest.approx(numeric, abs=1e-6)


def test_reversal_shows_what_the_negative_does_not():
    negative = generic_film(100).records[0]
    values = {name: getattr(negative, name) for name in negative.__dataclass_fields__}
    positive = Emulsion(**{**values, "positive": True})
    x = np.linspace(-4, 2, 31)
    total = negative.weights.sum() + 2 * negative.base_density
    assert negative.density(x, 50.0) + positive.density(x, 50.0) == pytest.approx(np.full(31, total), abs=1e-12)
    assert positive.fog_density(50.0) == -negative.fog_density(50.0)
    assert positive.maximum_density(50.0) < positive.maximum_density()


def test_rms_granularity_is_what_the_film_was_given():
    # sigma at net density 1.0 through 48 um is the definition; computed by the noise sum.
    film = generic_film(400).records[0]
    at = film.curve().inverse(film.minimum_density() + 1.0)
    assert 1000 * film.noise(at) == pytest.approx(film.rms_granularity, rel=1e-9)


def test_noise_of_one_class_is_nuttings_equal_grains():
    # D = 0.4343 n a and sigma_D**2 A = 0.4343 a D for n Poisson grains (Nutting; Selwyn): a follows from rms at D = 1.
    film = one_class()
    x = film.curve().inverse(0.1 + 0.5)
    area = (10.0 / 1000.0) ** 2 * APERTURE_AREA_UM2 / (0.4342944819 * 1.0)
    assert film.noise(x) ** 2 * APERTURE_AREA_UM2 == pytest.approx(0.4342944819 * area * 0.5, rel=1e-8)
    # derived: rms 10 at 48 um means an equivalent grain area of 0.4167 um2
    assert film.reference_grain_area_um2 == pytest.approx(0.4167, abs=5e-5)


def coarseness(record, kerma):
    """Variance that native fog, radiation and light add, each for the same density."""
    fog, clean = record.fog_density(kerma), record.noise(-20.0) ** 2
    by_light = record.noise(record.curve().inverse(record.minimum_density() + fog)) ** 2 - clean
    by_native_fog = clean * fog / (record.minimum_density() - record.base_density)
    return by_native_fog, record.noise(-20.0, kerma) ** 2 - clean, by_light


@pytest.mark.parametrize("kerma", [20.0, 200.0])
def test_single_grains_hit_lie_between_native_fog_and_light_in_coarseness(kerma):
    # Native fog takes all grains alike, single hits prefer large grains (as 10**(b z)), and the threshold of four
    # quanta prefers the most sensitive ones far more strongly: without clusters light in the toe is the coarsest.
    # The floor is not noise of grains, so it stays out of what native fog makes.
    record = dataclasses.replace(generic_film(800).records[0], cluster_grains=1.0, noise_floor=0.0)
    by_native_fog, by_radiation, by_light = coarseness(record, kerma)
    assert by_native_fog < by_radiation < by_light


@pytest.mark.parametrize("kerma", [20.0, 200.0])
def test_clusters_make_radiation_fog_coarser_than_the_same_density_by_light(kerma):
    # as makers of film say: fog by X-rays is grainy
    _, by_radiation, by_light = coarseness(generic_film(800).records[0], kerma)
    assert by_radiation > 1.5 * by_light


def test_noise_of_dye_falls_from_the_toe_up_and_that_of_silver_rises():
    # published granularity curves of colour negatives peak in the toe; silver's sigma rises with density
    silver = generic_film(400).records[0]
    dye = dataclasses.replace(silver, dye_saturation=0.97, area_exponent=0.7)
    net = np.array([0.02, 0.05, 0.1, 0.2, 0.3, 0.5, 0.8, 1.5])
    at = silver.curve().inverse(silver.minimum_density() + net)
    assert np.all(np.diff(silver.noise(at)) > 0)
    peak = np.argmax(dye.noise(at))
    assert net[peak] <= 0.3
    assert np.all(np.diff(dye.noise(at)[peak:]) < 0)
    assert dye.noise(at)[-1] < 0.8 * dye.noise(at)[peak]


def test_kappa_scales_inversely_with_the_calibration_kerma():
    assert calibrated_hits_per_ugy(calibration_kerma_ugy=50) == pytest.approx(calibrated_hits_per_ugy() / 2)


def test_inverse_returns_to_the_density():
    curve = generic_film(400).records[0].curve(100.0)
    densities = np.linspace(curve.minimum_density + 0.01, curve.maximum_density - 0.01, 30)
    assert curve.density(curve.inverse(densities)) == pytest.approx(densities, abs=1e-10)
    assert np.isnan(curve.inverse([curve.minimum_density - 0.1, curve.maximum_density + 0.1, math.nan])).all()


@pytest.mark.parametrize("kind", ["bw-negative", "colour-reversal"])
def test_the_dose_of_a_fog_is_the_dose_that_made_it(kind):
    record = generic_film(200, kind=kind).records[0]
    dose = np.array([0.0, 1.0, 37.0, 370.0, 4000.0])
    assert record.kerma_for_fog(record.fog_density(dose)) == pytest.approx(dose, rel=1e-3)
    assert record.kerma_for_fog(9.0) == 1e6  # more than it can have: the last dose
