"""What a slide is worth: one rule, whether it is exposed before the scan or as marked after it."""

import math

import numpy as np
import pytest

from filmdose.answering import answer
from filmdose.exposed import exposed_worth
from filmdose.film.generic import generic_film
from filmdose.odds.tables import film_tables
from filmdose.solution import BLACKS_LOST, VERDICTS
from filmdose.words import VERDICT_MARKS

FILMS = [generic_film(speed, kind=kind) for kind in ("colour-reversal", "bw-reversal") for speed in (50, 100, 400)]
PASS_UGY = 213.0
ORDER = tuple(VERDICTS)


def least(found):
    """What four figures allow, each by its own limits, from the figures of the answer alone."""
    blacks, span = (found.reversal[name] for name in ("maximum_density", "range_stops"))
    kept = min(1.0 - span["lost"] / span["clean"], math.inf)
    contrast = found.contrast["fogged"] / found.contrast["clean"]
    for name in ("good", "usable"):
        shadow, slope = VERDICTS[name]
        if min(kept, found.snr_kept) >= shadow and contrast >= slope and blacks["lost"] <= BLACKS_LOST[name]:
            return name
    return "poor" if kept >= VERDICTS["poor"][0] and contrast >= VERDICTS["poor"][1] else "lost"


@pytest.mark.parametrize("film", FILMS, ids=lambda film: film.label)
def test_verdict_follows_from_the_figures_that_are_shown(film):
    for passes in (0, 1, 2, 3, 4, 6, 8, 12, 16):
        found = answer(film, passes * PASS_UGY)
        assert found.verdict == least(found), passes


@pytest.mark.parametrize("film", FILMS, ids=lambda film: film.label)
def test_a_slide_is_worth_the_same_before_and_after_it_was_exposed_as_marked(film):
    doses = np.array([0.0, 50.0, 213.0, 430.0, 850.0, 1700.0, 3400.0, 8000.0])
    exposed, _, _ = exposed_worth(film, doses, 0.0)
    assert exposed.tolist() == [answer(film, float(dose)).verdict for dose in doses]
    assert exposed.tolist() == [answer(film, float(dose), exposed=True).verdict for dose in doses]


def test_thin_blacks_and_coarse_shadows_are_not_called_good():
    # blacks thinner by 0.7 and 62 % of the shadow's signal-to-noise: it was "good" of an exposed roll
    found = answer(generic_film(50, kind="colour-reversal"), 8 * PASS_UGY, exposed=True)
    assert 0.6 < abs(found.fog_density) < 0.8
    assert found.snr_kept < VERDICTS["usable"][0]
    assert found.verdict == "poor"


def test_more_dose_is_never_worth_more():
    for film in FILMS:
        verdicts = [answer(film, float(dose)).verdict for dose in np.geomspace(1.0, 20_000.0, 60)]
        ranks = [ORDER.index(verdict) for verdict in verdicts]
        assert ranks == sorted(ranks)
        assert set(verdicts) == set(ORDER)


def test_the_page_for_the_phone_has_the_same_limits():
    film = generic_film(100, kind="colour-reversal")
    (table,) = film_tables([film], samples=64)
    ends = dict(zip(("good", "usable", "poor"), table.contrast_ends[0], strict=True))
    for name, end in ends.items():
        assert answer(film, 0.98 * end).verdict == name
        assert answer(film, 1.06 * end).verdict == ORDER[ORDER.index(name) + 1]
    assert set(VERDICT_MARKS) == set(ends)
