"""The recommended index, as it is printed: of any film, question and dose."""

import math

from hypothesis import assume, given
from hypothesis import strategies as st
from strategies import DOSES, QUESTIONS, generic_films

from filmdose.answering import answer
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.standards import KINDS

FILMS = generic_films()
#: A third of a stop, and the digits of printed speeds (ISO 12232: 64 stands for 63.5, 160 for 161).
THIRD = 1.0 / 3.0 + 0.05


@given(FILMS, DOSES, QUESTIONS)
def test_the_index_is_never_over_the_box_and_a_lost_roll_has_none(film, dose, question):
    found = answer(film, dose, question)
    assert (found.ei is None) == (found.verdict == "lost")
    if found.ei is not None:
        assert found.ei <= film.speed
        if not film.reversal:
            assert found.ei_exact <= film.speed * (1.0 + 1e-9)
        if not film.reversal and found.ei >= 4:  # below, printed numbers lie further apart than thirds
            # rounding is at most a third, and 0.10 stop on the side of too little light
            assert -THIRD <= math.log2(found.ei / found.ei_exact) <= 0.10 + 0.05


@given(FILMS, DOSES, st.floats(0.0, 2.0), QUESTIONS)
def test_more_dose_never_asks_for_a_faster_index(film, dose, more, question):
    less, more = answer(film, dose, question), answer(film, dose * 10.0**more, question)
    if less.ei is None:
        # By signal-to-noise a roll is lost when what it wins is not worth its light; where light costs nearly what it
        # wins, a greater dose, which wins more per stop, can be worth it again (seen up to 1.7 : 1 in colour).
        assert more.ei is None or (question.criterion == "shadow_snr" and question.cost_under < 2.0)
    elif more.ei is not None:
        assert math.log2(more.ei / less.ei) <= (0.0 if more.ei_exact <= less.ei_exact else THIRD)
        if question.cost_under < 1.1:
            return  # a stop of light costs what it wins at most: over a fifth of a stop one index is as good as another
        assert math.log2(more.ei_exact / less.ei_exact) <= 5e-3  # twice the resolution of the least loss


@given(st.sampled_from([25, 50, 100, 200, 400, 800, 1600, 3200]), st.sampled_from(list(KINDS)), DOSES)
def test_a_printed_box_speed_is_never_exceeded_at_all(speed, kind, dose):
    assume(speed <= generic_speed_range(kind)[1])
    found = answer(generic_film(speed, kind=kind), dose)
    assert found.ei is None or found.ei <= speed
