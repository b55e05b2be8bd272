"""The array solver and the decision against a slow second solve from the same published formulas."""

import math
from dataclasses import replace

import numpy as np
import pytest
from independent import SlowDecision, SlowRecord, plain_records, slow_stops

from filmdose.answering import answer, film_to_dict
from filmdose.film.generic import generic_film
from filmdose.question import Question
from filmdose.solution import shadow_points

NEGATIVES = ["bw-negative", "colour-negative"]


def assert_same_stops(found, expected):
    for name, stops in found.items():
        if stops is None:
            assert math.isnan(expected[name]), name
        else:
            assert stops == pytest.approx(expected[name], abs=1e-3), name


def assert_same_decision(found, **costs):
    """The package's exposure is the slow solver's and loses next to no more: it reads its curves off a grid."""
    slow = SlowDecision(film_to_dict(found.film), found.kerma_ugy * found.question.peak_to_mean, **costs)
    best = slow.best()
    assert found.given_stops == pytest.approx(best, abs=0.02)  # flat near the least
    assert slow.loss(found.given_stops) <= slow.loss(best) + 5e-3
    assert found.snr_given == pytest.approx(2 ** slow.log2_rho(found.given_stops), abs=2e-3)


@pytest.mark.few(10)
@pytest.mark.parametrize("kind", NEGATIVES)
@pytest.mark.parametrize("speed", [50, 800, 3200])
@pytest.mark.parametrize("kerma", [0.0, 3.0, 100.0, 1500.0])
def test_all_criteria_agree_within_a_thousandth_of_a_stop(kind, speed, kerma):
    found = answer(generic_film(speed, kind=kind), kerma)
    assert_same_stops(found.stops, slow_stops(film_to_dict(found.film), kerma))


@pytest.mark.few(6)
@pytest.mark.parametrize("kind", NEGATIVES)
@pytest.mark.parametrize(("speed", "kerma"), [(100, 2.0), (100, 1500.0), (400, 60.0), (800, 370.0), (1600, 100.0)])
def test_the_decision_is_the_slow_solvers(kind, speed, kerma):
    assert_same_decision(answer(generic_film(speed, kind=kind), kerma))


@pytest.mark.few(5)
@pytest.mark.parametrize(
    ("asked", "costs"),
    [
        ({"snr_target": 0.7}, {"snr_target": 0.7}),
        ({"scene_range": 2.6}, {"scene_range": 2.6}),
        ({"cost_under": 2.0}, {"cost_under": 2.0}),
        ({"cost_under": 9.0, "cost_over": 1.5}, {"cost_under": 9.0, "cost_over": 1.5}),
        ({"peak_to_mean": 1.8}, {}),
    ],
)
@pytest.mark.parametrize("kind", NEGATIVES)
def test_the_decision_follows_the_question(kind, asked, costs):
    assert_same_decision(answer(generic_film(400, kind=kind), 250.0, Question(**asked)), **costs)


def test_no_dose_needs_nothing_whatever_is_asked():
    for question in (Question(), Question(scene_range=3.5), Question(cost_under=50.0)):
        assert answer(400, 0.0, question).given_stops == 0.0
        assert SlowDecision(film_to_dict(generic_film(400)), 0.0, scene_range=question.scene_range).best() < 1e-12


def test_nothing_restores_and_both_say_so():
    found = answer(6400, 20000.0)
    plain = film_to_dict(found.film)
    assert found.stops["shadow_snr"] is None
    assert math.isnan(slow_stops(plain, 20000.0)["shadow_snr"])
    assert found.status == "beyond_rescue"
    assert found.ei is None
    slow = SlowDecision(plain, 20000.0)
    assert slow.log2_rho(slow.best()) < -1  # less than half


@pytest.mark.parametrize("hit_exponent", [0.6, 1.0])
@pytest.mark.parametrize("quanta", [2, 6])
def test_other_exponents_and_quanta_agree(hit_exponent, quanta):
    found = answer(generic_film(400, hit_exponent=hit_exponent, quanta=quanta), 150.0)
    assert_same_stops(found.stops, slow_stops(film_to_dict(found.film), 150.0))
    assert_same_decision(found)


@pytest.mark.few(4)
@pytest.mark.parametrize(
    "noise",
    [
        {"dye_saturation": 0.5},
        {"noise_floor": 0.2},
        {"cluster_grains": 30.0},
        {"area_exponent": -0.5},
        {"dye_saturation": 1.0, "area_exponent": 1.2, "noise_floor": 0.05, "cluster_grains": 1.0},
    ],
)
@pytest.mark.parametrize("kind", NEGATIVES)
def test_every_part_of_the_noise_agrees(kind, noise):
    film = generic_film(400, kind=kind)
    film = replace(film, records=tuple(replace(record, **noise) for record in film.records))
    found = answer(film, 200.0)
    assert_same_stops(found.stops, slow_stops(film_to_dict(film), 200.0))
    assert_same_decision(found)


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
@pytest.mark.parametrize("kerma", [30.0, 800.0])
def test_reversal_loses_what_the_slow_solver_says(kind, kerma):
    found = answer(generic_film(100, kind=kind), kerma)
    records = plain_records(film_to_dict(found.film))
    kept, lost = [], []
    for record, shadow in zip(records, shadow_points(found.film), strict=True):
        clean, fogged = (SlowRecord(record, dose, positive=True) for dose in (0.0, kerma))
        assert clean.density(shadow) - clean.minimum() == pytest.approx(2.0, abs=1e-6)  # ISO 2240
        kept.append(fogged.snr(shadow) / clean.snr(shadow))
        lost.append(clean.density(-20.0) - fogged.density(-20.0))
    assert found.snr_kept == pytest.approx(min(kept), abs=1e-6)
    assert -found.fog_density == pytest.approx(max(lost), abs=1e-9)
    assert found.outcome == "as_marked"


def test_answer_can_be_recomputed_from_its_dictionary():
    plain = answer(800, 100.0).to_dict()
    film = plain["film"]
    z, c = np.array(film["log_sensitivity"]), np.array(film["weights"])
    hits = film["hits_per_ugy"] * 100.0 * 10 ** (film["hit_exponent"] * (z - film["reference_log_sensitivity"]))
    fog = float(np.sum(c * (1 - film["native_fog"]) * (1 - np.exp(-hits))))
    assert plain["fog_density"] == pytest.approx(fog, abs=1e-10)
