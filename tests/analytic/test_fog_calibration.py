"""b and kappa from pairs of step tablets: films whose truth is known, and errors that mean what they say."""

from __future__ import annotations

import warnings
from dataclasses import replace

import numpy as np
import pytest

from filmdose.errors import ArgumentError, ValidityWarning
from filmdose.film.calibration import FoggedSteps, _kappa, calibrate_fog
from filmdose.film.generic import calibrated_hits_per_ugy, film_value, generic_film
from filmdose.film.readings import StepReadings
from filmdose.history import History, Pass
from filmdose.odds import default_priors, propagate
from filmdose.trip import Roll

STEPS = np.arange(37) * 0.15 - 4.3


def tablet(film, kerma=0.0, sigma=0.0, rng=None, stated=None, steps=STEPS):
    names = film.record_names
    densities = {}
    for name, record in zip(names, film.records, strict=True):
        exact = np.asarray(record.density(steps, kerma))
        densities[name] = exact if rng is None else np.maximum(exact + sigma * rng.standard_normal(steps.size), 0.0)
    error = None if stated is None else np.full(steps.size, stated)
    return StepReadings(log_exposure=steps, densities=densities, sigma=error)


@pytest.mark.few(4)
@pytest.mark.filterwarnings("ignore:The .* readings do not reach the shoulder")
@pytest.mark.parametrize("b", [0.6, 0.8, 1.0])
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "bw-reversal"])
def test_exact_readings_give_the_film_back(b, kind):
    film = generic_film(200, kind=kind, hit_exponent=b)
    found = calibrate_fog(
        tablet(film, stated=0.002, steps=STEPS + 0.6),
        FoggedSteps(readings=tablet(film, 400.0, stated=0.002, steps=STEPS + 0.6), kerma_ugy=400.0),
        kind=kind,
    )
    assert found.hit_exponent == pytest.approx(b, abs=0.03)
    assert found.hits_per_ugy == pytest.approx(film.records[0].hits_per_ugy, rel=0.05)
    assert found.film.records[0].hit_exponent == found.hit_exponent
    assert found.rms_density < 0.002


@pytest.mark.filterwarnings("ignore:The .* readings do not reach the shoulder")
def test_a_reading_that_is_known_to_be_wrong_counts_for_nothing():
    """A step 0.3 too dark, with a stated error of ten densities, leaves b and kappa where they were."""
    film = generic_film(200, hit_exponent=0.8)
    clean, fogged = (tablet(film, dose, stated=0.002, steps=STEPS + 0.6) for dose in (0.0, 400.0))
    density, sigma = fogged.densities["visual"].copy(), fogged.sigma.copy()
    density[12] += 0.3
    sigma[12] = 10.0
    spoilt = replace(fogged, densities={"visual": density}, sigma=sigma)
    found, expected = (
        calibrate_fog(clean, FoggedSteps(readings=readings, kerma_ugy=400.0)) for readings in (spoilt, fogged)
    )
    assert found.hit_exponent == pytest.approx(expected.hit_exponent, abs=0.02)
    assert found.hits_per_ugy == pytest.approx(expected.hits_per_ugy, rel=0.02)


def test_kappa_is_the_weighted_mean_of_the_tablets_of_known_dose():
    """Of independent tablets: weights 1 / (variance of the fit + that of the dose), error 1 / sqrt of their sum."""
    readings = tablet(generic_film(200))
    tablets = [
        FoggedSteps(readings=readings, kerma_ugy=dose, relative_error=error)
        for dose, error in ((100.0, 0.04), (None, 0.0), (300.0, 0.2))
    ]
    fitted = np.array([0.05, 0.5, 0.1])
    each = np.log([7.0e-4, 6.5e-4])  # hits per microgray, by the first and by the last
    messages = []
    kappa, error = _kappa(
        tablets, np.array([each[0] + np.log(100.0), 1.0, each[1] + np.log(300.0)]), np.diag(fitted**2), messages
    )
    weights = 1.0 / np.array([0.05**2 + 0.04**2, 0.1**2 + 0.2**2])
    assert kappa == pytest.approx(np.exp(each @ weights / weights.sum()), rel=1e-9)
    assert error == pytest.approx(weights.sum() ** -0.5, rel=1e-9)
    assert messages == []
    assert _kappa(tablets[1:2], np.array([1.0]), np.eye(1), messages) == (None, None)


@pytest.mark.long
@pytest.mark.filterwarnings("ignore:The visual readings do not reach")  # some noise hides the end of the shoulder
def test_errors_mean_what_they_say():
    """Forty noisy pairs: b and ln kappa scatter about the truth by their standard errors."""
    film = generic_film(400, hit_exponent=0.8)
    truth = film.records[0].hits_per_ugy
    rng = np.random.default_rng(1)
    scores = []
    for _ in range(40):
        found = calibrate_fog(
            tablet(film, 0.0, 0.01, rng, stated=0.01, steps=STEPS[:31]),
            FoggedSteps(readings=tablet(film, 500.0, 0.01, rng, stated=0.01, steps=STEPS[:31]), kerma_ugy=500.0),
        )
        scores.append(
            [
                (found.hit_exponent - 0.8) / found.hit_exponent_error,
                np.log(found.hits_per_ugy / truth) / found.hits_per_ugy_relative_error,
            ]
        )
    mean, spread = np.mean(scores, axis=0), np.std(scores, axis=0)
    # Standard errors of 40: 0.16 for a mean, 0.11 for a spread; the smoothness penalty biases a little.
    assert np.all(np.abs(mean) < 0.5)
    assert np.all((spread > 0.7) & (spread < 1.3))


def test_an_unknown_dose_leaves_the_product():
    film = generic_film(400)
    found = calibrate_fog(tablet(film, stated=0.002), tablet(film, 300.0, stated=0.002))
    assert found.hits_per_ugy is None
    assert found.hits[0] == pytest.approx(300.0 * calibrated_hits_per_ugy(), rel=0.03)
    assert found.film.records[0].hits_per_ugy == pytest.approx(calibrated_hits_per_ugy())
    assert any("kappa times dose" in message for message in found.messages)


def test_several_tablets_agree_or_say_so():
    film = generic_film(400)
    clean, low, high = (tablet(film, kerma, stated=0.002) for kerma in (0.0, 200.0, 600.0))
    both = calibrate_fog(
        clean, [FoggedSteps(readings=low, kerma_ugy="0.2 mGy"), FoggedSteps(readings=high, kerma_ugy=600)]
    )
    assert both.hits_per_ugy == pytest.approx(calibrated_hits_per_ugy(), rel=0.03)
    with pytest.warns(ValidityWarning, match="disagree on kappa"):
        calibrate_fog(clean, [FoggedSteps(readings=low, kerma_ugy=200), FoggedSteps(readings=high, kerma_ugy=1200)])


def test_the_error_of_the_dose_is_carried():
    film = generic_film(400)
    clean, fogged = tablet(film, stated=0.002), tablet(film, 300.0, stated=0.002)
    sharp, rough = (
        calibrate_fog(clean, FoggedSteps(readings=fogged, kerma_ugy=300.0, relative_error=e)) for e in (0.0, 0.3)
    )
    expected = np.hypot(sharp.hits_per_ugy_relative_error, 0.3)
    assert rough.hits_per_ugy_relative_error == pytest.approx(expected, rel=1e-3)


def test_a_relative_axis_is_anchored_by_the_speed():
    film = generic_film(400)
    clean, fogged = (
        StepReadings(
            log_exposure=STEPS + 2.0,
            densities={"visual": film.records[0].density(STEPS, kerma)},
            sigma=np.full(STEPS.size, 0.002),
        )
        for kerma in (0.0, 400.0)
    )
    found = calibrate_fog(clean, FoggedSteps(readings=fogged, kerma_ugy=400.0), speed=400)
    assert found.hits_per_ugy == pytest.approx(calibrated_hits_per_ugy(), rel=0.03)


def test_prior_points_are_as_sure_as_the_fit():
    film = generic_film(400, hit_exponent=0.9, hits_per_ugy=1.3e-3)
    found = calibrate_fog(
        tablet(film, stated=0.005), FoggedSteps(readings=tablet(film, 300.0, stated=0.005), kerma_ugy=300.0)
    )
    points = found.prior_points()
    low, typical, high = points["hit_exponent"]
    # 5 and 95 % points lie 1.645 standard errors off; the film holds the fitted value, so the middle stays
    assert typical == film_value("model", "hit_exponent")
    assert high - typical == pytest.approx(1.6448536 * found.hit_exponent_error, rel=1e-6)
    assert typical - low == pytest.approx(high - typical, rel=1e-9)
    low, typical, high = points["calibration_kerma"]
    assert np.log(high / typical) == pytest.approx(1.6448536 * found.hits_per_ugy_relative_error, rel=1e-6)
    assert high / low < film_value("model", "calibration_kerma", "high") / film_value(
        "model", "calibration_kerma", "low"
    )
    assert points["film_factor"] == (1.0, 1.0, 1.0)
    vague = replace(found, hit_exponent_error=1.0).prior_points()["hit_exponent"]
    assert vague == (0.0, film_value("model", "hit_exponent"), 2.0)  # b ends there
    unknown = calibrate_fog(tablet(film, stated=0.005), tablet(film, 300.0, stated=0.005))
    assert set(unknown.prior_points()) == {"hit_exponent"}


def test_the_calibrated_film_narrows_its_own_odds():
    film = generic_film(400, hit_exponent=0.9, hits_per_ugy=1.3e-3)
    found = calibrate_fog(
        tablet(film, stated=0.005), FoggedSteps(readings=tablet(film, 300.0, stated=0.005), kerma_ugy=300.0)
    )
    roll = Roll(id="a", film=found.film, history=History(passes=Pass(source="cabin-ct", air_kerma_ugy=100.0)))
    # everything else known: toe, grain, clusters and unevenness are not what a pair of tablets tells
    points = found.prior_points().items()
    typical = default_priors()
    shipped = typical.all_known().replaced({name: typical[name] for name, _ in points})
    wide = propagate([roll], priors=shipped, samples=2048)["a"].stops
    own = {
        name: replace(shipped[name], **dict(zip(("low", "typical", "high"), at, strict=True))) for name, at in points
    }
    narrow = propagate([roll], priors=shipped.replaced(own), samples=2048)["a"].stops
    # what stays is not known from tablets: development, course of the grain, clusters, unevenness
    assert narrow[2] - narrow[0] < 0.7 * (wide[2] - wide[0])
    assert narrow[1] == pytest.approx(wide[1], rel=0.1)


def test_what_cannot_be_read_is_said():
    film = generic_film(400)
    clean, fogged = tablet(film, stated=0.01), tablet(film, 300.0, stated=0.01)
    with pytest.raises(ArgumentError, match="Are the tablets swapped"):
        calibrate_fog(fogged, clean)
    with pytest.raises(ArgumentError, match="dose too small"):
        calibrate_fog(clean, tablet(film, 1.0, stated=0.01))
    with pytest.raises(ArgumentError, match="at least one fogged tablet"):
        calibrate_fog(clean, [])
    with pytest.raises(ArgumentError, match="densities of visual"):
        calibrate_fog(clean, StepReadings(log_exposure=STEPS, densities={"green": fogged.densities["visual"]}))
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        FoggedSteps(readings=fogged, kerma_ugy=0.0)
    with pytest.raises(ArgumentError, match="relative_error"):
        FoggedSteps(readings=fogged, relative_error=-0.1)
    with pytest.warns(ValidityWarning, match="no better known"):
        calibrate_fog(tablet(film, stated=0.02), tablet(film, 60.0, stated=0.02))


@pytest.mark.parametrize(("speed", "stated", "vague"), [(400, 0.008, True), (25, 0.006, False)])
def test_how_well_b_is_known_decides_and_not_how_well_the_hits_are(speed, stated, vague):
    """Hits are told at ISO 400: a slow film may tell b well and not them, a film of that speed the other way round."""
    film, dose, steps = generic_film(speed), 100.0 * (400 / speed) ** 0.8, STEPS - np.log10(speed / 400)
    clean, fogged = (tablet(film, kerma, stated=stated, steps=steps) for kerma in (0.0, dose))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)
        found = calibrate_fog(clean, fogged)
    assert (found.hit_exponent_error > 0.12) == vague
    assert (found.hits_relative_error[0] > 0.12) != vague
    assert any("no better known" in message for message in found.messages) == vague
    # hits at ISO 400 are read off this film's by way of b: ln hits = ln hits here + b ln 10 (z_ref - z)
    assert abs(found.correlation) <= 1.0
    assert (found.correlation > 0.9) != vague


def test_another_development_is_seen_when_errors_are_stated():
    from dataclasses import replace

    film = generic_film(400)
    record = film.records[0]
    pushed = replace(film, records=(replace(record, weights=record.weights * 1.2),))
    with pytest.warns(ValidityWarning, match="something else"), pytest.warns(ValidityWarning, match="no better known"):
        calibrate_fog(tablet(film, stated=0.003), tablet(pushed, 300.0, stated=0.003))


@pytest.mark.parametrize("known", [True, False])
def test_a_calibration_in_print_tells_its_figures(known):
    film = generic_film(400, hit_exponent=0.9)
    fogged = FoggedSteps(readings=tablet(film, 300.0, stated=0.005), kerma_ugy=300.0 if known else None)
    found = calibrate_fog(tablet(film, stated=0.005), fogged)
    lines = str(found).splitlines()
    assert lines[0] == f"b = {found.hit_exponent:.3f} +- {found.hit_exponent_error:.3f}"
    assert lines[1].startswith(f"kappa x dose = {found.hits[0]:.4g} hits")
    assert f"{100 * found.hits_relative_error[0]:.0f} %" in lines[1]
    assert any(line.startswith("kappa = ") for line in lines) == known
    assert f"rms residual {found.rms_density:.4f} density" in lines
    assert lines[len(lines) - len(found.messages) :] == list(found.messages)
