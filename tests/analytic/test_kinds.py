"""Colour and reversal film, exposed rolls, uneven fog and both ends of the scene."""

import math
from dataclasses import replace

import numpy as np
import pytest

from filmdose.compensation import compensate, compensation_grid, scene_range_from_readings
from filmdose.errors import ArgumentError
from filmdose.exposed import assess_exposed
from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import generic_film
from filmdose.film.model import Film


def three_equal_records(speed=400.0):
    """A colour negative whose records are one black-and-white emulsion: every colour answer has a known value."""
    record = generic_film(speed).records[0]
    return Film(kind="colour-negative", speed=speed, records=(record, record, record))


def slower(record: Emulsion, log_units: float) -> Emulsion:
    return replace(record, log_sensitivity=record.log_sensitivity - log_units)


def test_colour_film_of_equal_records_has_no_colour_shift():
    answer = compensate(three_equal_records(), 300.0)
    assert set(answer.colour_shift["filters"].values()) == {0.0}
    stops = [record["stops"] for record in answer.by_record.values()]
    assert stops[0] == stops[1] == stops[2] == answer.stops


def test_the_fastest_record_needs_most_and_decides():
    record = generic_film(400).records[0]
    # blue is 0.3 log units faster, so it takes more hits and needs more
    film = Film(kind="colour-negative", speed=400, records=(record, record, slower(record, -0.3)))
    answer = compensate(film, 300.0)
    assert answer.record == "blue"
    needs = {name: one["stops"]["shadow_snr"] for name, one in answer.by_record.items()}
    assert needs["blue"] > needs["red"] == needs["green"]
    assert answer.stops["shadow_snr"] == needs["blue"]
    # a record that is faster by x is the film of speed * 10**x
    alone = compensate(Film(kind="bw-negative", speed=800, records=(slower(record, -0.3),)), 300.0)
    assert answer.by_record["blue"]["fog_density"] == pytest.approx(alone.fog_density, rel=1e-9)
    added = answer.colour_shift["density"]
    assert answer.colour_shift["filters"] == pytest.approx(
        {"cyan": 100 * (added["blue"] - added["red"]), "magenta": 100 * (added["blue"] - added["green"]), "yellow": 0.0}
    )
    assert added["blue"] > added["red"]


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
def test_reversal_film_is_exposed_as_marked_and_told_what_it_lost(kind):
    film = generic_film(100, kind=kind)
    answer = compensate(film, 300.0)
    assert answer.status == "expose_as_marked"
    assert answer.ei == answer.ei_exact == 100
    assert set(answer.stops.values()) == {None}
    assert answer.limited_by == "highlights"
    assert answer.fog_density < 0
    lost = answer.reversal["maximum_density"]
    assert lost["fogged"] == pytest.approx(lost["clean"] + min(r["fog_density"] for r in answer.by_record.values()))
    assert 0 < answer.reversal["range_stops"]["lost"] < answer.reversal["range_stops"]["clean"]
    assert 0 < answer.snr_kept < 1
    assert answer.contrast["fogged"] < answer.contrast["clean"]
    for words in ("highlights as marked", "thin blacks", "would make it worse"):
        assert words in answer.message


def test_reversal_range_of_the_clean_film_is_that_of_iso_2240():
    answer = compensate(generic_film(100, kind="bw-reversal"), 0.0)
    record = answer.film.records[0]
    curve, low = record.curve(), record.minimum_density()
    span = curve.inverse(low + 0.20) - curve.inverse(low + 2.00)
    assert answer.reversal["range_stops"]["clean"] == pytest.approx(span / math.log10(2), abs=1e-9)
    assert answer.reversal["range_stops"]["lost"] == 0.0
    assert answer.snr_kept == 1.0


def test_more_exposure_lowers_the_blacks_of_fogged_reversal_film_further():
    record = generic_film(100, kind="bw-reversal").records[0]
    shadow = record.curve().inverse(record.minimum_density() + 2.0)
    assert record.density(shadow + 0.3, 300.0) < record.density(shadow, 300.0) < record.density(shadow)


def test_grid_mixes_kinds():
    films = [generic_film(400), generic_film(400, kind="colour-negative"), generic_film(400, kind="colour-reversal")]
    grid = compensation_grid(films, [0.0, 100.0, np.nan])
    assert grid["status"].to_numpy().tolist() == [
        ["ok", "ok", "unknown"],
        ["ok", "ok", "unknown"],
        ["expose_as_marked", "expose_as_marked", "unknown"],
    ]
    assert grid["ei"].to_numpy()[2].tolist()[:2] == [400.0, 400.0]
    assert np.isnan(grid["ei"].to_numpy()[:, 2]).all()
    for film, row in zip(films, grid["fog_density"].to_numpy(), strict=True):
        assert row[1] == pytest.approx(compensate(film, 100.0).fog_density, rel=1e-12)


# -- uneven fog ----------------------------------------


def test_worst_band_decides_and_the_spread_is_told():
    uneven, peak, mean = (compensate(400, k, peak_to_mean=p) for k, p in ((100.0, 3.0), (300.0, 1.0), (100.0, 1.0)))
    assert uneven.stops == peak.stops
    assert uneven.ei == peak.ei
    assert uneven.spread["worst_band"]["fog_density"] == peak.fog_density
    assert uneven.spread["mean"]["fog_density"] == pytest.approx(mean.fog_density)
    assert uneven.spread["mean"]["stops"] == pytest.approx(mean.stops["shadow_snr"])
    assert mean.spread is None


# -- the other end of the scene ----------------------------------------


def test_long_scenes_are_limited_by_their_highlights():
    wide = compensate(1600, 1000.0, scene_range=2.9)
    narrow = compensate(1600, 1000.0, scene_range=1.5)
    assert wide.status == "highlight_limited"
    assert wide.limited_by == "highlights"
    assert wide.highlight_room_stops == pytest.approx(0.0, abs=1e-9)
    assert wide.ei_exact > 1600 / 2 ** wide.stops["shadow_snr"]
    assert "highlights allow" in wide.message
    assert narrow.status == "ok"
    assert narrow.limited_by == "shadows"
    # a log unit less of scene is 1 / log10(2) stops more room
    ok = compensate(400, 50.0, scene_range=2.0), compensate(400, 50.0, scene_range=1.0)
    assert ok[1].highlight_room_stops - ok[0].highlight_room_stops == pytest.approx(1 / math.log10(2))


def test_highlight_end_has_the_gradient_of_the_clean_shadow_point():
    answer = compensate(400, 200.0)
    record = answer.film.records[0]
    shadow = math.log10(0.8 / 400)
    end = shadow + 2.2 + (answer.highlight_room_stops + answer.stops["shadow_snr"]) * math.log10(2)
    assert record.gradient(end, 200.0) == pytest.approx(record.gradient(shadow), rel=1e-4)


def test_scene_range_from_meter_readings():
    # 160:1 (Jones & Condit 1941) is 7.32 stops
    assert scene_range_from_readings(5.0, 5.0 + math.log2(160)) == pytest.approx(2.204, abs=5e-4)
    with pytest.raises(ArgumentError, match="1 to 13 stops above"):
        scene_range_from_readings(5.0, 5.0)


def test_partial_restoration_asks_for_less():
    stops = [compensate(800, 200.0, snr_target=target).stops["shadow_snr"] for target in (1.0, 0.8, 0.5)]
    assert stops[0] > stops[1] > stops[2] >= 0
    assert compensate(800, 10.0, snr_target=0.5).ei == 800


# -- exposed before the scan ----------------------------------------


def test_exposed_roll_has_no_index_but_an_account_of_the_loss():
    loss = assess_exposed(400, 300.0)
    answer = compensate(400, 300.0)
    zones = loss.zones.set_index("stops_above_shadow")
    assert zones.loc[0, "snr_kept"] == pytest.approx(answer.snr_kept, rel=1e-9)
    assert zones["snr_kept"].is_monotonic_increasing
    assert loss.effective_speed["shadow_snr"] == pytest.approx(400 / 2 ** answer.stops["shadow_snr"])
    record = answer.film.records[0]
    shadow = math.log10(0.8 / 400)
    added = record.density(shadow, 300.0) - record.density(shadow)
    assert loss.printing_stops["same_black"] == pytest.approx(added / math.log10(2))
    assert loss.printing_stops["same_middle"] < loss.printing_stops["same_black"]
    assert loss.density_range["fogged"] < loss.density_range["clean"]
    black = loss.scan_black["visual"]
    assert black["relative_transmittance"] == pytest.approx(10 ** -loss.fog_density["visual"])
    assert "ei" not in loss.to_dict()
    assert loss.to_dict()["status"] == "already_exposed"


def test_paper_grade_follows_iso_6846_ranges():
    # ISO 6846 negative ranges: grade 2 is 0.95-1.15, grade 3 is 0.80-0.95. A scene chosen to fit grade 2 clean.
    loss = assess_exposed(400, 600.0, scene_range=1.45)
    assert 0.95 <= loss.density_range["clean"] < 1.15
    assert loss.paper_grade["clean"] == 2.0
    assert loss.density_range["fogged"] < 0.95
    assert loss.paper_grade["fogged"] > 2.0


def test_exposed_at_no_dose_lost_nothing():
    loss = assess_exposed(generic_film(200, kind="colour-negative"), 0.0)
    assert loss.zones["snr_kept"].to_numpy() == pytest.approx(1.0)
    assert loss.printing_stops == {"same_black": 0.0, "same_middle": 0.0}
    assert set(loss.zones["record"]) == {"red", "green", "blue"}
    assert set(loss.paper_grade.values()) == {None}


def test_exposed_reversal_film_tells_its_blacks():
    loss = assess_exposed(generic_film(100, kind="colour-reversal"), 300.0)
    assert loss.effective_speed == {}
    assert loss.printing_stops is None
    assert all(value < 0 for value in loss.fog_density.values())
    assert all(black["relative_transmittance"] > 1 for black in loss.scan_black.values())
    assert "blacks are thinner" in loss.message


# -- film that cannot be restored wholly ----------------------------------------


def straight_film():
    """A film of one narrow grain class: its signal-to-noise peaks close to the speed point."""
    record = generic_film(400).records[0]
    one = replace(
        record, log_sensitivity=np.array([2.9, 3.0]), weights=np.array([0.6, 0.6]), hit_exponent=0.8, native_fog=0.05
    )
    return Film(kind="bw-negative", speed=400, records=(one,))


def test_nearly_all_is_enough_where_the_rest_cannot_be_had():
    answer = compensate(straight_film(), 300.0, scene_range=0.4)
    assert answer.status == "partly_restored"
    record = answer.film.records[0]
    shadow = record.curve().inverse(record.minimum_density() + 0.10)
    x = np.linspace(shadow, shadow + 2.0, 4001)
    ratio = record.signal_to_noise(x, 300.0) / record.signal_to_noise(shadow)
    wanted = min(1.0, 0.90 * ratio.max())
    stops = (x[np.argmax(ratio >= wanted)] - shadow) / math.log10(2)
    assert math.log2(400 / answer.ei_exact) == pytest.approx(stops, abs=2e-3)
    assert answer.snr_restored == pytest.approx(wanted, abs=1e-3)


def test_less_than_half_restored_is_beyond_rescue():
    film = straight_film()
    record = film.records[0]
    shadow = record.curve().inverse(record.minimum_density() + 0.10)
    x = np.linspace(shadow, shadow + 2.0, 801)
    for kerma in np.geomspace(100, 1e4, 30):
        best = float((record.signal_to_noise(x, kerma) / record.signal_to_noise(shadow)).max())
        if abs(best - 0.5) > 0.01:
            assert (compensate(film, kerma).status == "beyond_rescue") == (best < 0.5)


@pytest.mark.parametrize("target", [0.7, 1.0])
def test_generic_film_is_restored_wholly_as_long_as_its_best_is_ample(target):
    grid = compensation_grid([100, 800, 3200], [1.0, 100.0, 300.0], snr_target=target)
    raw = grid["stops"].sel(criterion="shadow_snr").to_numpy()
    assert grid["stops_given"].to_numpy() == pytest.approx(np.minimum(raw, grid["stops_given"].to_numpy()), abs=0)
    ok = grid["status"].to_numpy() == "ok"
    assert ok.sum() >= 8
    assert grid["stops_given"].to_numpy()[ok] == pytest.approx(raw[ok], abs=0)
