"""A belt that stopped: the dwell law by hand, its range, the stripe in words, and where it is counted."""

import math

import numpy as np
import pytest

from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, history_dose
from filmdose.odds import propagate, trip_model
from filmdose.radiation import held_passes
from filmdose.radiation.sources import get_source
from filmdose.radiation.tube import dwell_multiplier
from filmdose.trip import Roll

XRAY = get_source("cabin-xray")


def test_five_minutes_are_twenty_thousand_passes():
    # 300 s over 3 mm / 0.2 m/s = 15 ms
    low, typical, high = held_passes(XRAY, 300.0, "running")
    assert typical == pytest.approx(300.0 / 0.015)
    assert 1.0 + typical == pytest.approx(dwell_multiplier(300.015, 0.015))
    # ends: ln of speed (0.15, 0.25) and width (6, 1.5) in quadrature
    assert math.log(typical / low) == pytest.approx(math.hypot(math.log(0.2 / 0.15), math.log(2.0)))
    assert math.log(high / typical) == pytest.approx(math.hypot(math.log(0.25 / 0.2), math.log(2.0)))


def test_the_beam_running_pulsed_or_unknown():
    running, pulsed, unknown = (held_passes(XRAY, 60.0, word) for word in ("running", "pulsed", "unknown"))
    assert pulsed[1] == pytest.approx(0.2 * running[1])
    assert unknown[0] < 1.0 < pulsed[0] < running[0]
    assert unknown[2] > 0.9 * running[1]


def test_a_stop_adds_to_the_passes_and_not_for_every_view():
    dose = history_dose(Pass(source="cabin-xray", count=2, views=2, held_s=30.0, beam_on="running"))
    one = history_dose(Pass(source="cabin-xray")).kerma_ugy
    assert dose.kerma_ugy == pytest.approx((4 + 2000) * one)
    assert dose.kerma_low_ugy < dose.kerma_ugy < dose.kerma_high_ugy
    (note,) = (note for note in dose.notes if note.startswith("Held 30 s"))
    for words in ("stripe about 3 mm wide", "2000 more passes", "from memory", "inference"):
        assert words in note


def test_a_stop_of_no_time_is_none():
    assert history_dose(Pass(source="cabin-ct", held_s=0.0)) == history_dose(Pass(source="cabin-ct"))


@pytest.mark.parametrize(
    ("make", "error"),
    [
        (lambda: Pass(source="cabin-ct", held_s=-1.0), ArgumentError),
        (lambda: Pass(source="cabin-ct", held_s=math.nan), ArgumentError),
        (lambda: Pass(source="hold-ct-slice", held_s=10.0), ArgumentError),
        (lambda: Pass(source="cabin-ct", held_s=10.0, multiplier=2.0), ArgumentError),
        (lambda: Pass(source="cabin-ct", held_s=10.0, beam_on="perhaps"), UnknownNameError),
    ],
)
def test_what_cannot_be_is_refused(make, error):
    with pytest.raises(error):
        make()


def test_the_draws_hold_the_range_of_the_stop():
    part = Pass(source="cabin-xray", held_s=300.0, beam_on="running", air_kerma_ugy=1.0)
    model = trip_model([Roll(id="a", film=generic_film(400), history=History(passes=part))])
    (place,) = (i for i, item in enumerate(model.inputs) if item.name.startswith("held["))
    scores = np.zeros((3, len(model.inputs)))
    scores[:, place] = [-1.6448536, 0.0, 1.6448536]
    kerma = model.draws(scores).kerma_ugy[:, 0]
    low, typical, high = held_passes(XRAY, 300.0, "running")
    assert kerma / kerma[1] == pytest.approx(np.array([1 + low, 1 + typical, 1 + high]) / (1 + typical), rel=1e-6)
    assert kerma[1] == pytest.approx(history_dose(part).kerma_ugy, rel=1e-6)


def test_a_held_roll_is_worse_than_thirty_passes():
    def lost(part):
        roll = Roll(id="a", film=generic_film(400), history=History(passes=part))
        return propagate([roll], samples=2048)["a"].chance_beyond_rescue

    assert lost(Pass(source="cabin-xray", count=30)) < 0.05
    assert lost(Pass(source="cabin-xray", held_s=300.0, beam_on="running")) > 0.9
