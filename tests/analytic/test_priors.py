"""Distributions from three points, against scipy.stats, and the shipped data."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy import stats

from filmdose.files import data_text, load_data_toml
from filmdose.film.generic import calibrated_hits_per_ugy, film_value, generic_film
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.odds import Prior, SamplePrior, default_priors, list_priors, trip_model
from filmdose.odds.priors import PRIOR_KINDS
from filmdose.radiation.beams import Beam
from filmdose.radiation.registry import check_evidence
from filmdose.radiation.shields import Shield, transmission
from filmdose.radiation.sources import Source, get_source, source_names
from filmdose.standards import KINDS, RECORD_NAMES
from filmdose.trip import Roll

POINTS = {
    "log_normal": (0.4, 1.0, 9.0),
    "normal": (-1.0, 0.5, 0.9),
    "logit_normal": (0.1, 0.45, 0.65),
    "uniform": (0.05, 0.5, 0.95),
}


@pytest.mark.parametrize("kind", PRIOR_KINDS)
def test_three_points_come_back(kind):
    prior = Prior(low=POINTS[kind][0], typical=POINTS[kind][1], high=POINTS[kind][2], kind=kind)
    np.testing.assert_allclose(prior.quantile([0.05, 0.5, 0.95]), POINTS[kind], rtol=1e-12)
    drawn = prior.value(np.random.default_rng(0).standard_normal(200_000))
    for point, share in zip(POINTS[kind], (0.05, 0.5, 0.95), strict=True):
        assert abs(np.mean(drawn < point) - share) < 0.003


def test_a_symmetric_log_normal_is_scipys():
    prior = Prior(low=12.5, typical=25.0, high=50.0)
    sigma = math.log(2.0) / stats.norm.ppf(0.95)
    expected = stats.lognorm(s=sigma, scale=25.0)
    p = np.array([0.001, 0.2, 0.5, 0.7, 0.999])
    np.testing.assert_allclose(prior.quantile(p), expected.ppf(p), rtol=1e-12)


def test_each_half_of_a_two_piece_log_normal_is_half_of_scipys():
    prior = Prior(low=20.0, typical=100.0, high=1000.0)
    for side, far in ((0.2, 20.0), (0.8, 1000.0)):
        sigma = abs(math.log(far / 100.0)) / stats.norm.ppf(0.95)
        assert prior.quantile(side) == pytest.approx(stats.lognorm(s=sigma, scale=100.0).ppf(side), rel=1e-12)


def test_the_points_of_measured_values_are_their_quantiles():
    values = [3.0, 4.0, 5.0, 9.0, 20.0, 21.0, 30.0, 44.0]
    prior = SamplePrior.of(values)
    assert (prior.low, prior.typical, prior.high) == pytest.approx(np.percentile(values, [5, 50, 95]), rel=1e-12)
    np.testing.assert_allclose(prior.quantile([0.05, 0.5, 0.95]), (prior.low, prior.typical, prior.high), rtol=1e-6)


def test_an_even_distribution_ends_where_it_should():
    prior = Prior(low=0.05, typical=0.5, high=0.95, kind="uniform")
    p = np.array([0.01, 0.3, 0.99])
    np.testing.assert_allclose(prior.quantile(p), p, atol=1e-6)


def test_values_keep_their_container_and_known_ones_are_known():
    assert isinstance(Prior.known(3.0).value(1.3), float)
    assert Prior.known(3.0).value(1.3) == 3.0
    assert Prior.known(3.0).value([0.0, 2.0]).tolist() == [3.0, 3.0]


def test_every_shipped_prior_says_where_it_comes_from():
    data = load_data_toml("priors.toml")
    bibliography = data_text("references.bib")
    for name, row in data["priors"].items():
        check_evidence("priors.toml", name, row)
        for key in row["references"]:
            assert f"{{{key}," in bibliography, key
    table = list_priors()
    assert (table["low"] <= table["typical"]).all()
    assert (table["typical"] <= table["high"]).all()
    assert table["note"].str.len().gt(10).all()


def test_shared_points_are_those_of_the_other_data_files():
    priors = default_priors()
    assert priors["calibration_kerma"].typical == film_value("model", "calibration_kerma")
    assert priors["hit_exponent"].typical == film_value("model", "hit_exponent")
    assert priors["eta_low"].typical == load_data_toml("radiation.toml")["constants"]["eta_low"]["value"]


@pytest.mark.parametrize("kind", list(KINDS))
def test_records_differ_in_films_that_have_several(kind):
    roll = Roll(id="a", film=generic_film(400, kind=kind), history=History(passes=Pass(source="cabin-ct")))
    records = RECORD_NAMES[kind]
    factors = [item.name for item in trip_model([roll]).inputs if item.name.startswith("record_factor[")]
    assert factors == ([f"record_factor[{kind}, {name}]" for name in records] if len(records) > 1 else [])


@pytest.mark.parametrize("name", source_names())
def test_dose_quantiles_of_every_source_come_back_through_a_trip(name):
    source = get_source(name)
    model = trip_model([Roll(id="a", film=generic_film(400), history=History(passes=Pass(source=name)))])
    scores = np.random.default_rng(1).standard_normal((100_000, len(model.inputs)))
    drawn = model.dose_per_pass_ugy(scores, f"dose[{name} @ this trip]")
    for point, share in zip(source.air_kerma_points_ugy, (0.05, 0.5, 0.95), strict=True):
        assert abs(np.mean(drawn < point) - share) < 0.004


def test_typical_scores_give_the_typical_dose_and_hits():
    history = History(
        passes=(Pass(source="cabin-ct", count=2), Pass(source="cabin-xray", count=3, multiplier=2.0)),
        flights=Flight(hours=11.0),
        storage=Storage(days=200.0),
    )
    model = trip_model([Roll(id="a", film=generic_film(800), history=history)])
    draws = model.draws(np.zeros((1, len(model.inputs))))
    dose = history_dose(history)
    assert draws.kerma_ugy[0, 0] == pytest.approx(dose.kerma_ugy, rel=1e-9)
    beside = history_dose(history, steps="bag").air_kerma_ugy
    assert draws.air_kerma_ugy[0, 0] == pytest.approx(beside, rel=1e-9)
    hits = calibrated_hits_per_ugy() * dose.kerma_ugy
    assert draws.log_hits[0, 0] == pytest.approx(math.log(hits), rel=1e-9)


def test_kappa_follows_b_and_the_calibration_kerma():
    model = trip_model([Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="cabin-ct")))])
    scores = np.zeros((3, len(model.inputs)))
    scores[:, model.position["hit_exponent"]] = [-1.5, 0.7, 2.0]
    scores[:, model.position["calibration_kerma"]] = [1.0, -2.0, 0.3]
    b = model.draws(scores).hit_exponent
    kerma = model.priors["calibration_kerma"].value(scores[:, model.position["calibration_kerma"]])
    exact = [calibrated_hits_per_ugy(hit_exponent=x, calibration_kerma_ugy=k) for x, k in zip(b, kerma, strict=True)]
    np.testing.assert_allclose(np.exp(model.log_kappa(scores)), exact, rtol=1e-8)


ROLLS = {
    "bare": History(passes=Pass(source="cabin-ct")),
    "pouch": History(passes=Pass(source="cabin-ct", shield="lead=0.25"), format="120"),
    "stack": History(passes=Pass(source="cabin-xray", shield="lead=0.1+tin=0.2", views=2), bag="empty"),
    "mono": History(passes=Pass(source=Source(name="m", air_kerma_typical_ugy=3.0, beam="80keV"), shield="tin=0.2")),
    "hard": History(passes=Pass(source="mail-sanitisation", shield="lead=1")),
    "other": History(passes=Pass(source="hold-ct", air_kerma_ugy=50.0), flights=Flight(hours=3), format="sheet"),
}


@pytest.mark.parametrize("name", list(ROLLS))
def test_with_typical_scores_odds_and_history_are_one_law(name):
    model = trip_model([Roll(id="a", film=generic_film(400), history=ROLLS[name])])
    draws, dose = model.draws(np.zeros((1, len(model.inputs)))), history_dose(ROLLS[name])
    assert draws.kerma_ugy[0, 0] == pytest.approx(dose.kerma_ugy, rel=1e-10)
    beside = history_dose(ROLLS[name], steps="bag").air_kerma_ugy
    assert draws.air_kerma_ugy[0, 0] == pytest.approx(beside, rel=1e-10)


def test_a_badge_in_the_bag_reads_what_the_source_says_and_not_what_the_cartridge_leaves():
    history = History(passes=Pass(source="cabin-ct", shield="lead=0.5", count=2))
    model = trip_model([Roll(id="a", film=generic_film(400), history=history)])
    draws = model.draws(np.zeros((1, len(model.inputs))))
    assert draws.air_kerma_ugy[0, 0] == pytest.approx(2 * get_source("cabin-ct").air_kerma_typical_ugy)
    assert draws.kerma_ugy[0, 0] < 0.3 * draws.air_kerma_ugy[0, 0]


def test_scatter_is_drawn_between_the_narrow_beam_and_beyond_the_law():
    history = History(passes=Pass(source=Source(name="o", air_kerma_typical_ugy=1.0, at="film"), shield="lead=0.25"))
    model = trip_model([Roll(id="a", film=generic_film(400), history=history)])
    at = transmission("lead=0.25")
    prior = model.priors["shield_scatter"]
    scores = np.zeros((4, len(model.inputs)))
    scores[:, model.position["shield_scatter"]] = [-1.0, 0.0, 1.0, (0.0 - 1.0) / (prior.typical - prior.low) * 1.6449]
    through = model.draws(scores).kerma_ugy[:, 0]
    assert through[1] == pytest.approx(at.broad_film, rel=1e-6)
    assert through[3] == pytest.approx(at.narrow_film, rel=1e-4)
    assert through[0] * through[2] == pytest.approx(through[1] ** 2, rel=1e-6)
    assert through[0] < through[1] < through[2]


@pytest.mark.parametrize("side", [-1.0, 1.0])
def test_the_ends_of_the_beam_are_the_beams_of_the_source(side):
    source = get_source("hold-ct")
    end = source.beam_soft if side < 0 else source.beam_hard
    history = History(passes=Pass(source="hold-ct", shield="lead=0.2"))
    model = trip_model([Roll(id="a", film=generic_film(400), history=history)])
    scores = np.zeros((1, len(model.inputs)))
    scores[0, model.position["beam_hardness[hold-ct]"]] = side * 1.6448536269514722
    known = Source(name="known", air_kerma_typical_ugy=source.air_kerma_typical_ugy, beam=end, at=source.at)
    same = history_dose(Pass(source=known, shield="lead=0.2"))
    assert model.draws(scores).kerma_ugy[0, 0] == pytest.approx(same.kerma_ugy, rel=1e-5)


def test_a_thicker_shield_and_another_efficiency_act_as_in_the_history():
    """The map from scores to effective kerma against the history of a roll with those very values."""
    shield = Shield(material="tin", thickness_mm=0.4)
    roll = Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="hold-ct", shield=shield)))
    priors = default_priors()
    model = trip_model([roll], priors)
    scores = np.zeros((1, len(model.inputs)))
    scores[0, model.position["shield_thickness[tin 0.4 mm]"]] = 1.2
    scores[0, model.position["eta_low"]] = -1.1
    thickness = 0.4 * priors["shield_thickness"].value(1.2)
    eta = priors["eta_low"].value(-1.1)
    same = history_dose(Pass(source="hold-ct", shield=Shield(material="tin", thickness_mm=thickness)), eta_low=eta)
    assert model.draws(scores).kerma_ugy[0, 0] == pytest.approx(same.kerma_ugy, rel=2e-5)  # the fit in thickness


@pytest.mark.parametrize(
    "source",
    [
        "hold-ct",  # its beam may be softer or harder, and nothing stands in it
        Source(name="soft", air_kerma_typical_ugy=10.0, beam=Beam(tube_kvp=70.0), at="film"),
    ],
)
def test_efficiency_is_drawn_for_every_beam_but_the_reference(source):
    history = History(passes=Pass(source=source))
    model = trip_model([Roll(id="a", film=generic_film(400), history=history)])
    scores = np.zeros((1, len(model.inputs)))
    scores[0, model.position["eta_low"]] = -1.1
    wanted = history_dose(history, eta_low=model.priors["eta_low"].value(-1.1)).kerma_ugy
    assert model.draws(scores).kerma_ugy[0, 0] == pytest.approx(wanted, rel=1e-6)
    assert abs(wanted / history_dose(history).kerma_ugy - 1.0) > 1e-3  # another efficiency would be seen
    reference = Source(name="reference", air_kerma_typical_ugy=10.0, at="film")
    plain = trip_model([Roll(id="a", film=generic_film(400), history=History(passes=Pass(source=reference)))])
    assert "eta_low" not in plain.position


def test_the_class_share_is_each_sources_own_unless_the_priors_say_otherwise():
    own = Source(name="own", air_kerma_low_ugy=1.0, air_kerma_typical_ugy=2.0, air_kerma_high_ugy=4.0, class_share=0.8)
    history = History(passes=tuple(Pass(source=own, scanner=name) for name in "ab"))
    model = trip_model([Roll(id="a", film=generic_film(400), history=history)])
    scores = np.random.default_rng(2).standard_normal((50_000, len(model.inputs)))
    pair = [model.dose_score(scores, name) for name in model.scanners]
    assert np.corrcoef(pair)[0, 1] == pytest.approx(0.8, abs=0.015)


def test_scanners_of_one_class_are_correlated_as_stated_and_one_scanner_is_itself():
    history = History(passes=(Pass(source="cabin-ct", scanner="a"), Pass(source="cabin-ct", scanner="b")))
    for share in (0.0, 0.5, 1.0):
        from dataclasses import replace

        model = trip_model(
            [Roll(id="a", film=generic_film(400), history=history)],
            replace(default_priors(), scanner_class_share=share),
        )
        scores = np.random.default_rng(2).standard_normal((50_000, len(model.inputs)))
        pair = [model.dose_score(scores, name) for name in model.scanners]
        assert np.corrcoef(pair)[0, 1] == pytest.approx(share, abs=0.015)
        assert np.std(pair, axis=1) == pytest.approx(1.0, abs=0.015)


def test_which_scanner_a_pass_went_through():
    passes = (
        Pass(source="cabin-ct", scanner="east", place="hall 1"),
        Pass(source="cabin-ct", place="hall 1"),
        Pass(source="cabin-ct"),
        Pass(source="cabin-xray", scanner="east"),
        Pass(source="cabin-ct", scanner="east", place="hall 2"),
    )
    model = trip_model([Roll(id="a", film=generic_film(400), history=History(passes=passes))])
    assert model.scanners == (
        "dose[cabin-ct @ east]",
        "dose[cabin-ct @ hall 1]",
        "dose[cabin-ct @ this trip]",
        "dose[cabin-xray @ east]",
    )


def test_rolls_of_a_trip_share_their_scanner():
    history = History(passes=Pass(source="cabin-ct", scanner="east"))
    model = trip_model([Roll(id=k, film=generic_film(400), history=history) for k in "ab"])
    draws = model.draws(np.random.default_rng(3).standard_normal((1000, len(model.inputs))))
    np.testing.assert_array_equal(draws.kerma_ugy[:, 0], draws.kerma_ugy[:, 1])
