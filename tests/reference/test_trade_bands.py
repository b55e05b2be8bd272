"""Facts of the trade (common practice, no source): bands in which the model's central estimates should fall.

They set no prior and no parameter; the source's typical dose and a 35 mm cartridge stand behind every line.
"""

import pytest

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.history import Pass, history_dose

NEGATIVES = ["bw-negative", "colour-negative"]


def kerma(*passes):
    return history_dose([Pass.parse(text) for text in passes]).kerma_ugy


def after(kind, speed, *passes):
    return answer(generic_film(speed, kind=kind), kerma(*passes))


@pytest.mark.parametrize("kind", NEGATIVES)
@pytest.mark.parametrize("speed", [50, 100])
def test_slow_film_after_many_cabin_xray_and_a_few_ct_passes_stays_usable(kind, speed):
    # common practice, no source: some base fog, fully usable
    roll = after(kind, speed, "cabin-xray=15", "cabin-ct=3")
    assert 0.02 < roll.fog_density < 0.2
    assert roll.verdict in ("good", "usable")


@pytest.mark.parametrize("kind", NEGATIVES)
def test_iso_400_takes_six_cabin_xray_passes(kind):
    # common practice, no source: without conspicuous damage
    roll = after(kind, 400, "cabin-xray=6")
    assert roll.fog_density < 0.02
    assert roll.verdict == "good"
    assert roll.ei == 400


@pytest.mark.parametrize("kind", NEGATIVES)
def test_iso_800_after_cabin_ct_is_shot_one_to_two_stops_slower(kind):
    # common practice, no source
    assert 1.0 <= after(kind, 800, "cabin-ct=1").given_stops <= 2.0


@pytest.mark.parametrize("kind", NEGATIVES)
def test_iso_3200_should_go_through_nothing(kind):
    # common practice, no source: one CT pass costs more than two stops, and black-and-white film is in a poor state
    roll = after(kind, 3200, "cabin-ct=1")
    assert roll.given_stops > 2.0
    assert roll.snr_kept < 0.25
    # ... while the model finds one projection X-ray pass harmless; data sheets claim safety to ISO 1600
    assert after(kind, 1600, "cabin-xray=1").given_stops < 0.1


@pytest.mark.parametrize(("thickness", "most"), [("0.25", 0.5), ("0.5", 0.5), ("0.1", 0.75)])
def test_lead_pouch_takes_at_least_half_of_a_ct_dose_but_not_all(thickness, most):
    # common practice, no source, which does not say how thick. Of 0.1 mm the model says a third at least: the beam
    # that has come through a cartridge is hard.
    bare = kerma("cabin-ct")
    shielded = history_dose([Pass(source="cabin-ct", shield=f"lead={thickness}")]).kerma_ugy
    assert 0.02 * bare < shielded < most * bare


def test_bag_held_for_minutes_in_a_running_beam_is_heavily_fogged():
    # normal dwell about 15 ms (derived: 3 mm slit, 0.2 m/s); two minutes are 8000 times that
    roll = answer(400, history_dose([Pass(source="cabin-xray", multiplier=8000.0)]).kerma_ugy)
    assert roll.fog_density > 0.8
    assert roll.verdict == "lost"
    assert roll.ei is None
