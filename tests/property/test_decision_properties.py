"""The decision is continuous and monotone in dose, on generic films and on every digitised sheet.

1 % more dose moves the exact exposure index by at most 0.05 stop, and more dose never means less exposure.
"""

from dataclasses import replace

import numpy as np
import pytest
from digitised import all_curves, sheet_film

from filmdose.film.generic import generic_film
from filmdose.question import Question
from filmdose.solution import solve_film

ONE_PERCENT = np.exp(np.arange(0.0, np.log(5000.0), np.log(1.01)))  # 1 to 5000 uGy
KINDS = ["bw-negative", "colour-negative"]
SHEETS = sorted({(film, minutes or 0.0) for film, minutes, _ in all_curves() if "negative" in film})


def compensation(film, question):
    """Compensation of least loss [stops] at doses 1 % apart, where nothing helps too."""
    return solve_film(film, ONE_PERCENT, question).best


def assert_continuous(stops, limit=0.05):
    steps = np.abs(np.diff(stops))
    worst = int(steps.argmax())
    assert steps[worst] <= limit, f"{steps[worst]:.3f} stop at {ONE_PERCENT[worst]:.0f} uGy"


def assert_monotone(stops):
    """Never less than before, to twice the resolution of the least loss (0.0026 stop on the finest nodes)."""
    fall = np.maximum.accumulate(stops) - stops
    assert fall.max() <= 5e-3, f"{fall.max():.4f} stop less at {ONE_PERCENT[fall.argmax()]:.0f} uGy than before"


@pytest.mark.parametrize("scene_range", [1.6, 2.2, 2.8])
@pytest.mark.parametrize("speed", [25, 100, 400, 3200])
@pytest.mark.parametrize("kind", KINDS)
def test_generic_films(kind, speed, scene_range):
    stops = compensation(generic_film(speed, kind=kind), Question(scene_range=scene_range))
    assert_continuous(stops)
    assert_monotone(stops)


@pytest.mark.few(5)
@pytest.mark.parametrize("scene_range", [1.6, 2.2, 2.8])
@pytest.mark.parametrize(("sheet", "minutes"), SHEETS)
def test_digitised_sheets(sheet, minutes, scene_range):
    stops = compensation(sheet_film(sheet, minutes), Question(scene_range=scene_range))
    assert_continuous(stops)
    assert_monotone(stops)


@pytest.mark.few(3)
@pytest.mark.parametrize(("sheet", "minutes"), SHEETS)
def test_next_to_no_dose_needs_next_to_nothing(sheet, minutes):
    stops = solve_film(sheet_film(sheet, minutes), np.array([0.0, 1e-6, 1e-3, 0.01, 0.1]), Question()).best
    assert stops[0] == 0.0
    assert np.all(stops[1:] <= [1e-3, 2e-3, 5e-3, 0.05])


@pytest.mark.few(9)
@pytest.mark.parametrize("changes", [{"hit_exponent": 0.6}, {"hit_exponent": 1.1}, {"cluster_grains": 30.0}])
@pytest.mark.parametrize(("sheet", "minutes"), SHEETS)
def test_digitised_sheets_whose_hits_are_others(sheet, minutes, changes):
    film = sheet_film(sheet, minutes)
    film = replace(film, records=tuple(replace(record, **changes) for record in film.records))
    stops = compensation(film, Question())
    assert_continuous(stops, limit=0.06)  # steeper than with the usual values, but no jump
    assert_monotone(stops)


@pytest.mark.few(27)
@pytest.mark.parametrize("question", [Question(snr_target=0.7), Question(peak_to_mean=1.6)], ids=["target", "uneven"])
@pytest.mark.parametrize(("sheet", "minutes"), SHEETS)
def test_other_questions(sheet, minutes, question):
    stops = compensation(sheet_film(sheet, minutes), question)
    assert_continuous(stops)
    assert_monotone(stops)


@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("speed", [100, 800])
def test_dearer_shadows_never_want_less_light(kind, speed):
    film = generic_film(speed, kind=kind)
    stops = [compensation(film, Question(cost_under=cost)) for cost in (1.5, 2.0, 4.0, 8.0, 16.0)]
    assert np.all(np.diff(stops, axis=0) >= -1e-3)


@pytest.mark.parametrize("kind", KINDS)
def test_uneven_fog_is_the_dose_of_the_worst_band(kind):
    film = generic_film(400, kind=kind)
    uneven = solve_film(film, ONE_PERCENT[:300], Question(peak_to_mean=2.5)).given
    even = solve_film(film, 2.5 * ONE_PERCENT[:300], Question()).given
    np.testing.assert_allclose(uneven, even, atol=1e-12)


@pytest.mark.parametrize("span", [2.2, 2.8, 3.2])
@pytest.mark.parametrize("kind", [kind for kind in KINDS if kind.endswith("negative")])
def test_readings_that_reach_far_beyond_the_scene_change_nothing(kind, span):
    film, question = generic_film(400, kind=kind), Question(scene_range=span)
    measured = replace(film, measured_range=(-7.0, 6.0))
    plain, read = (solve_film(each, np.geomspace(1.0, 2000.0, 300), question) for each in (film, measured))
    np.testing.assert_allclose(read.best, plain.best, rtol=0.0, atol=1e-12)
    np.testing.assert_allclose(read.room_marked, plain.room_marked, rtol=0.0, atol=1e-12)
    assert read.verdict.tolist() == plain.verdict.tolist()


def test_highlights_that_were_not_measured_do_not_hold_back():
    """The curve is known for a stop of light given: what lies beyond might cost highlights, and is not guessed at."""
    film, doses, wide = generic_film(400), np.array([60.0, 150.0, 300.0]), Question(scene_range=2.8)
    measured = replace(film, measured_range=(-7.0, np.log10(0.8 / 400) + wide.scene_range + 0.3))
    known, unknown = (solve_film(each, doses, wide) for each in (film, measured))
    roomy = solve_film(film, doses, Question(scene_range=1.5))
    np.testing.assert_allclose(unknown.best, roomy.best, atol=1e-9)
    assert np.all(known.best < unknown.best - 0.1)
