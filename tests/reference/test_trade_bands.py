"""Facts of the trade (common practice, no source): bands in which the model's central estimates should fall."""

from filmdose.compensation import compensate
from filmdose.history import Pass, history_dose

CONSPICUOUS_FOG = 0.10  # about a third of a paper grade's toe; our reading of 'conspicuous' (inference)


def answer(speed, *passes):
    return compensate(speed, history_dose([Pass.parse(text) for text in passes]).kerma_ugy)


def test_slow_film_after_many_cabin_xray_and_a_few_ct_passes_stays_usable():
    # common practice, no source: some base fog, fully usable
    for speed in (50, 100):
        roll = answer(speed, "cabin-xray=15", "cabin-ct=3")
        assert 0.02 < roll.fog_density < 0.15
        assert roll.stops["shadow_snr"] < 1.0
        assert roll.status == "ok"


def test_iso_400_takes_six_cabin_xray_passes():
    # common practice, no source: without conspicuous damage
    roll = answer(400, "cabin-xray=6")
    assert roll.fog_density < 0.02
    assert roll.stops["shadow_snr"] < 1 / 3


def test_iso_800_after_cabin_ct_is_shot_one_to_two_stops_slower():
    # common practice, no source: EI 400 or 200. One pass of 100 uGy (typical; the range is 20 to 1000) wants 0.7
    # stop, which is EI 400 on the third-stop scale; the prior's upper end (1000 uGy) wants more than two stops.
    assert answer(800, "cabin-ct=1").ei in (200, 400)
    assert answer(800, "cabin-ct=2").ei in (200, 250, 320, 400)


def test_iso_3200_should_go_through_nothing():
    # common practice, no source: one CT pass already costs more than a stop
    assert answer(3200, "cabin-ct=1").stops["shadow_snr"] > 1.0
    # ... while the model finds one projection X-ray pass (1 uGy) harmless; data sheets claim safety to ISO 1600
    assert answer(1600, "cabin-xray=1").stops["shadow_snr"] < 0.1


def test_lead_pouch_takes_at_least_half_of_a_ct_dose_but_not_all():
    bare = history_dose([Pass(source="cabin-ct")]).kerma_ugy
    for thickness in ("0.1", "0.25", "0.5"):
        shielded = history_dose([Pass(source="cabin-ct", shield=f"lead={thickness}")]).kerma_ugy
        assert 0.02 * bare < shielded < 0.5 * bare


def test_bag_held_for_minutes_in_a_running_beam_is_heavily_fogged():
    # normal dwell about 15 ms (derived: 3 mm slit, 0.2 m/s); two minutes are 8000 times that
    roll = compensate(400, history_dose([Pass(source="cabin-xray", multiplier=8000.0)]).kerma_ugy)
    assert roll.fog_density > 1.0
