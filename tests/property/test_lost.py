"""Lost rolls: lost at every greater dose, not lost while more light would save them, and told why."""

import math
from dataclasses import replace

import numpy as np
import pytest
from histories import at_film
from independent import SlowRecord, plain_records, shadow_point, slow_record_stops

from filmdose.answering import answer, film_to_dict
from filmdose.film.generic import generic_film
from filmdose.odds import default_priors, draw_stops, propagate
from filmdose.question import Question
from filmdose.solution import solve_film
from filmdose.solver import CRITERIA
from filmdose.standards import SPEED_POINT
from filmdose.trip import Roll

KNOWN = default_priors().all_known()
DOSES = 10.0 ** np.arange(1.0, 5.0, 0.02)
#: The second and the third had no index at doses in the middle and one at greater ones: what needs most, by gradient,
#: and what is noisiest are different records.
ROLLS = {
    "bw": (generic_film(400), Question()),
    "fast colour": (
        generic_film(3158.45, kind="colour-negative", hit_exponent=0.5),
        Question(snr_target=0.75, scene_range=2.0, cost_under=2.0),
    ),
    "flat scene": (
        generic_film(1992.0, kind="colour-negative", hit_exponent=0.65),
        Question(snr_target=0.98, scene_range=1.45),
    ),
    "wide scene": (generic_film(800, kind="colour-negative"), Question(scene_range=3.0, cost_under=8.0)),
}
SAVED = {"fast colour": 10.0**2.8, "flat scene": 10.0**2.7}  # doses [uGy] at which there was no index


@pytest.mark.parametrize("criterion", CRITERIA)
@pytest.mark.parametrize("name", ROLLS)
def test_lost_is_lost_at_every_greater_dose(name, criterion):
    film, question = ROLLS[name]
    found = solve_film(film, DOSES, replace(question, criterion=criterion))
    lost = found.verdict == "lost"
    assert lost.any()
    assert not lost.all()
    first = int(np.argmax(lost))
    assert lost[first:].all()
    assert np.all(np.diff(found.given[:first]) >= -5e-3)


@pytest.mark.parametrize("name", SAVED)
def test_no_roll_is_lost_for_a_criterion_that_knows_nothing_of_noise(name):
    """What saves it, half of the shadows' signal-to-noise, by a plain solver that shares no line."""
    film, question = ROLLS[name]
    question, dose = replace(question, criterion="fractional_gradient"), SAVED[name]
    step, half = SPEED_POINT[film.kind], 0.5 * question.snr_target
    each = [(record, shadow_point(record, step)) for record in plain_records(film_to_dict(film))]
    slow = [slow_record_stops(record, dose, shadow, step=step, snr_target=half) for record, shadow in each]
    saves = max(stops["shadow_snr"] for stops in slow)
    needed = max(stops["fractional_gradient"] for stops in slow)
    at_needed = min(
        SlowRecord(record, dose).snr(shadow + needed * math.log10(2.0)) / SlowRecord(record, 0.0).snr(shadow)
        for record, shadow in each
    )
    assert at_needed < half  # so the exposure that the criterion asks for would lose it
    found = answer(film, dose, question)
    assert found.verdict == "poor"
    assert found.needed_stops == pytest.approx(needed, abs=2e-3)  # as it is asked for it is told
    assert found.given_stops == pytest.approx(saves, abs=5e-3)
    assert found.snr_given == pytest.approx(half, rel=5e-3)
    assert f"the {found.needed_stops:.2f} stops that the criterion asks for would lose it" in found.message


@pytest.mark.parametrize("name", SAVED)
def test_odds_with_everything_known_save_it_too(name):
    film, question = ROLLS[name]
    question = replace(question, criterion="fractional_gradient")
    roll = Roll(id="a", film=film, history=at_film(SAVED[name]), peak_to_mean=1.0)
    row = propagate([roll], question, samples=64, priors=KNOWN)["a"]
    single = answer(film, SAVED[name], question)
    assert (row.ei_recommended, row.verdict, row.status) == (single.ei, single.verdict, single.status)
    assert row.given_stops == pytest.approx(single.given_stops, abs=1e-6)


def most_kept(film, dose):
    """Most of the clean shadow's signal-to-noise that any exposure to the right leaves, looked for point by point."""
    (record,) = plain_records(film_to_dict(film))
    shadow = shadow_point(record, SPEED_POINT[film.kind])
    fogged, clean = SlowRecord(record, dose), SlowRecord(record, 0.0)
    return max(fogged.snr(x) for x in np.arange(shadow, shadow + 6.0, 0.02)) / clean.snr(shadow)


@pytest.mark.parametrize(
    ("dose", "question", "words"),
    [
        (400.0, Question(cost_under=1.0), "and more is not worth its light"),
        (2000.0, Question(scene_range=2.6), "and more would cost highlights"),
        (8000.0, Question(), "Nothing helps"),
    ],
)
def test_a_lost_roll_is_told_why_and_nothing_helps_only_where_it_is_so(dose, question, words):
    film = generic_film(400)
    found = answer(film, dose, question)
    assert found.verdict == "lost"
    assert found.ei is None
    assert words in found.message
    assert (most_kept(film, dose) < 0.5) == ("Nothing helps" in found.message)
    assert " 0.0 stops" not in found.message


def test_single_draws_of_slides_are_lost_by_their_own_rule():
    """Half of their range, whatever part of the shadows' signal-to-noise is asked for."""
    film = generic_film(400, kind="colour-reversal")
    roll = Roll(id="a", film=film, history=at_film(400.0))
    whole, part = (draw_stops([roll], Question(snr_target=target), samples=256)["a"] for target in (1.0, 0.6))
    assert 0.0 < np.isinf(whole).mean() < 1.0
    np.testing.assert_array_equal(whole, part)
