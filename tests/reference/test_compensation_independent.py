"""The array solver against a slow second solve from the same published formulas."""

import math

import numpy as np
import pytest
from independent import slow_stops

from filmdose.compensation import compensate, film_to_dict
from filmdose.film.generic import generic_film


@pytest.mark.parametrize("speed", [25, 100, 800, 6400])
@pytest.mark.parametrize("kerma", [0.0, 3.0, 100.0, 1500.0])
def test_all_criteria_agree_within_a_thousandth_of_a_stop(speed, kerma):
    answer = compensate(speed, kerma)
    expected = slow_stops(film_to_dict(answer.film), kerma, math.log10(0.8 / speed))
    for name, stops in answer.stops.items():
        if stops is None:
            assert math.isnan(expected[name]), name
        else:
            assert stops == pytest.approx(expected[name], abs=1e-3), name


def test_nothing_restores_and_both_say_so():
    answer = compensate(6400, 20000.0)
    expected = slow_stops(film_to_dict(answer.film), 20000.0, math.log10(0.8 / 6400))
    assert answer.stops["shadow_snr"] is None
    assert math.isnan(expected["shadow_snr"])
    assert answer.status == "beyond_rescue"
    assert answer.ei is None
    assert "No exposure restores" in answer.message


def test_partial_target_agrees_too():
    answer = compensate(1600, 200.0, snr_target=0.8)
    expected = slow_stops(film_to_dict(answer.film), 200.0, math.log10(0.8 / 1600), snr_target=0.8)
    assert answer.stops["shadow_snr"] == pytest.approx(expected["shadow_snr"], abs=1e-3)


@pytest.mark.parametrize("hit_exponent", [0.6, 1.0])
@pytest.mark.parametrize("quanta", [2, 6])
def test_other_exponents_and_quanta_agree(hit_exponent, quanta):
    film = generic_film(400, hit_exponent=hit_exponent, quanta=quanta)
    answer = compensate(film, 150.0)
    expected = slow_stops(film_to_dict(film), 150.0, math.log10(0.8 / 400))
    assert [answer.stops[name] for name in expected] == pytest.approx(list(expected.values()), abs=1e-3)


def test_answer_can_be_recomputed_from_its_dictionary():
    answer = compensate(800, 100.0)
    plain = answer.to_dict()
    film = plain["film"]
    z, c = np.array(film["log_sensitivity"]), np.array(film["weights"])
    hits = film["hits_per_ugy"] * 100.0 * 10 ** (film["hit_exponent"] * (z - film["reference_log_sensitivity"]))
    fog = float(np.sum(c * (1 - film["native_fog"]) * (1 - np.exp(-hits))))
    assert plain["fog_density"] == pytest.approx(fog, abs=1e-10)
