"""Density and noise of the film model against film simulated grain by grain (tests/montecarlo.py)."""

import dataclasses

import numpy as np
import pytest
from montecarlo import LOG10_E, counted, patch_densities

from filmdose.film.emulsion import APERTURE_AREA_UM2, REFERENCE_LOG_SENSITIVITY, Emulsion
from filmdose.film.generic import generic_film

PATCH_UM2 = APERTURE_AREA_UM2 / 16.0  # sixteen patches make a 48 um aperture
GRAIN_UM2 = 1.0
SPEED_POINT = -REFERENCE_LOG_SENSITIVITY


def invented_record(*, saturation=0.0, area_exponent=0.15, cluster=5.0, positive=False):
    """Seven classes over 1.5 log units, with whole numbers of even sites in a patch; invented."""
    z = REFERENCE_LOG_SENSITIVITY + np.linspace(-1.0, 0.5, 7)
    counts = 10.0 * np.array([6, 14, 20, 16, 9, 4, 2])
    area = GRAIN_UM2 * 10.0 ** (area_exponent * (z - REFERENCE_LOG_SENSITIVITY))
    return Emulsion(
        log_sensitivity=z,
        weights=LOG10_E * area * counts / PATCH_UM2,
        base_density=0.2,
        native_fog=0.03,
        quanta=4,
        hit_exponent=0.79,
        hits_per_ugy=1e-3,
        rms_granularity=10.0,
        area_exponent=area_exponent,
        dye_saturation=saturation,
        cluster_grains=cluster,
        positive=positive,
    )


def simulated(record, log_exposure, kerma, *, patches=3000, seed=0, grain_area_um2=GRAIN_UM2, patch_um2=PATCH_UM2):
    return patch_densities(
        {name: getattr(record, name) for name in record.__dataclass_fields__},
        log_exposure,
        kerma,
        grain_area_um2=grain_area_um2,
        patches=patches,
        patch_um2=patch_um2,
        rng=np.random.default_rng(seed),
    )


def expected_granularity(record, log_exposure, kerma, grain_area_um2=GRAIN_UM2):
    """sigma_D**2 A [um2] of the package, for grains of the simulated area."""
    shown = record.noise(log_exposure, kerma, aperture_area_um2=1.0) ** 2
    return float(shown) * grain_area_um2 / record.reference_grain_area_um2


def assert_seen(seen, record, log_exposure, kerma, grain_area_um2=GRAIN_UM2, worst=0.055):
    """Density and noise lie within the simulation's own errors, and these are small; noise off, in errors."""
    assert seen.density_error < 0.003
    assert abs(seen.density - record.density(log_exposure, kerma)) < 3.5 * seen.density_error
    assert seen.granularity_error < worst * seen.granularity
    off = (
        seen.granularity - expected_granularity(record, log_exposure, kerma, grain_area_um2)
    ) / seen.granularity_error
    assert abs(off) < 3.5, (log_exposure, kerma)
    return off


KINDS = {
    "silver": {},
    "silver, big clusters": {"cluster": 20.0},
    "dye": {"saturation": 0.9, "area_exponent": 0.7},
    "dye, fully saturated": {"saturation": 1.0, "area_exponent": 0.0},
    "reversal, silver": {"positive": True},
    "reversal, dye": {"positive": True, "saturation": 0.9, "area_exponent": 0.7},
}
STATES = [(-9.0, 0.0), (SPEED_POINT + 0.6, 0.0), (-9.0, 300.0), (SPEED_POINT + 0.3, 1000.0), (-9.0, 4000.0)]


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", KINDS)
def test_density_and_noise_are_those_of_simulated_grains(kind):
    record = invented_record(**KINDS[kind])
    off = []
    for seed, (x, kerma) in enumerate(STATES):
        seen = counted(simulated(record, x, kerma, seed=seed), PATCH_UM2)
        off.append(assert_seen(seen, record, x, kerma))
    assert abs(np.mean(off)) < 3.0 / np.sqrt(len(off))  # and no bias over the states


@pytest.mark.long
def test_noise_through_a_48_um_aperture_is_selwyns():
    # the same film through sixteen times the area: a quarter of the deviation
    record = invented_record()
    patches = simulated(record, SPEED_POINT, 500.0, patches=16 * 800, seed=11)
    seen = counted(patches.reshape(-1, 16).mean(axis=1), APERTURE_AREA_UM2)
    assert_seen(seen, record, SPEED_POINT, 500.0, worst=0.06)
    assert seen.density == pytest.approx(record.density(SPEED_POINT, 500.0), abs=0.0015)


def test_the_generic_film_too():
    record = generic_film(400).records[0]
    for seed, (x, kerma) in enumerate([(-9.0, 300.0), (SPEED_POINT, 3000.0)]):
        densities = simulated(record, x, kerma, patches=800, seed=seed, grain_area_um2=0.4, patch_um2=2.0 * PATCH_UM2)
        seen = counted(densities, 2.0 * PATCH_UM2)
        assert_seen(seen, record, x, kerma, 0.4)


def test_the_simulation_tells_laws_apart():
    # Hits that strike grains developed already add nothing: with 1 - exp(-m) in the place of m exp(-m) the noise
    # of the clusters would not die out, and without clusters there would be too little.
    record = invented_record(cluster=20.0)
    kerma, x = 4000.0, -9.0
    seen = counted(simulated(record, x, kerma, seed=5), PATCH_UM2)
    hits = record.hits(np.asarray(kerma))
    quiet = 1.0 - record.native_fog
    c, a = record.weights, record.relative_grain_area
    grains = float(np.sum(a * c * (1.0 - quiet * np.exp(-hits))))
    undying = 19.0 * np.sum(c * -np.expm1(-hits) * quiet) ** 2 / np.sum(c / a * -np.expm1(-hits))
    for wrong in (grains, grains + undying):
        assert abs(seen.granularity - LOG10_E * GRAIN_UM2 * wrong) > 5.0 * seen.granularity_error


def test_clusters_add_nothing_at_either_end_of_the_dose():
    alone, clustered = invented_record(cluster=1.0), invented_record(cluster=50.0)
    scale = alone.reference_grain_area_um2
    assert clustered.reference_grain_area_um2 == scale  # the clean film has no clusters
    kerma = np.array([0.0, 1e-6, 300.0, 1e6])
    ratio = clustered.noise(-9.0, kerma) / alone.noise(-9.0, kerma)
    assert ratio[0] == 1.0
    assert ratio[1] == pytest.approx(1.0, abs=1e-4)
    assert ratio[2] > 2.0
    assert ratio[3] == pytest.approx(1.0, abs=1e-6)


def test_the_first_cluster_is_g_times_as_noisy_as_its_grains():
    # m -> 0: a compound Poisson process of clusters of g equal grains has g times the variance of single grains
    record = Emulsion(
        log_sensitivity=[REFERENCE_LOG_SENSITIVITY],
        weights=[2.0],
        base_density=0.0,
        native_fog=0.0,
        quanta=4,
        hit_exponent=0.79,
        hits_per_ugy=1e-3,
        rms_granularity=10.0,
        cluster_grains=7.0,
    )
    single = dataclasses.replace(record, cluster_grains=1.0)
    for kerma in (1e-5, 1e-3):
        assert (record.noise(-9.0, kerma) / single.noise(-9.0, kerma)) ** 2 == pytest.approx(7.0, rel=1e-5)
