"""Colour and reversal film, exposed rolls, uneven fog and both ends of the scene."""

import math
from dataclasses import asdict, replace

import numpy as np
import pytest

from filmdose.answering import answer, answer_grid
from filmdose.errors import ArgumentError
from filmdose.exposed import exposed_worth
from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.question import Question, scene_range_from_readings
from filmdose.solution import solve_film
from filmdose.standards import KINDS


def three_equal_records(speed=400.0):
    """A colour negative whose records are one black-and-white emulsion: every colour answer has a known value."""
    record = generic_film(speed).records[0]
    return Film(kind="colour-negative", speed=speed, records=(record, record, record))


def slower(record: Emulsion, log_units: float) -> Emulsion:
    return replace(record, log_sensitivity=record.log_sensitivity - log_units)


def test_colour_film_of_equal_records_has_no_colour_shift():
    found = answer(three_equal_records(), 300.0)
    assert set(found.colour_shift["filters"].values()) == {0.0}
    stops = [record["stops"] for record in found.by_record.values()]
    assert stops[0] == stops[1] == stops[2] == found.stops


def test_the_fastest_record_needs_most_and_decides():
    record = generic_film(400).records[0]
    # blue is 0.3 log units faster, so it takes more hits and needs more
    film = Film(kind="colour-negative", speed=400, records=(record, record, slower(record, -0.3)))
    found = answer(film, 5.0)
    assert found.record == "blue"
    needs = {name: one["stops"]["shadow_snr"] for name, one in found.by_record.items()}
    assert needs["blue"] > needs["red"] == needs["green"]
    assert found.stops["shadow_snr"] == needs["blue"]
    # a record that is faster by x is the film of speed * 10**x
    alone = answer(Film(kind="bw-negative", speed=800, records=(slower(record, -0.3),)), 5.0)
    assert found.by_record["blue"]["fog_density"] == pytest.approx(alone.fog_density, rel=1e-9)
    added = found.colour_shift["density"]
    assert found.colour_shift["filters"] == pytest.approx(
        {"cyan": 100 * (added["blue"] - added["red"]), "magenta": 100 * (added["blue"] - added["green"]), "yellow": 0.0}
    )
    assert added["blue"] > added["red"]


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
def test_reversal_film_is_exposed_as_marked_and_told_what_it_lost(kind):
    film = generic_film(100, kind=kind)
    found = answer(film, 300.0)
    assert found.status == "expose_as_marked"
    assert found.ei == found.ei_exact == 100
    assert set(found.stops.values()) == {None}
    assert found.limited_by == "highlights"
    assert found.fog_density < 0
    lost = found.reversal["maximum_density"]
    assert lost["fogged"] == pytest.approx(lost["clean"] + min(r["fog_density"] for r in found.by_record.values()))
    assert 0 < found.reversal["range_stops"]["lost"] < found.reversal["range_stops"]["clean"]
    assert 0 < found.snr_kept < 1
    assert found.contrast["fogged"] < found.contrast["clean"]
    for words in ("highlights as marked", "thin blacks", "would make it worse"):
        assert words in found.message


def test_reversal_range_of_the_clean_film_is_that_of_iso_2240():
    found = answer(generic_film(100, kind="bw-reversal"), 0.0)
    record = found.film.records[0]
    curve, low = record.curve(), record.minimum_density()
    span = curve.inverse(low + 0.20) - curve.inverse(low + 2.00)
    assert found.reversal["range_stops"]["clean"] == pytest.approx(span / math.log10(2), abs=1e-9)
    assert found.reversal["range_stops"]["lost"] == 0.0
    assert found.snr_kept == 1.0


def test_more_exposure_lowers_the_blacks_of_fogged_reversal_film_further():
    record = generic_film(100, kind="bw-reversal").records[0]
    shadow = record.curve().inverse(record.minimum_density() + 2.0)
    assert record.density(shadow + 0.3, 300.0) < record.density(shadow, 300.0) < record.density(shadow)


def test_grid_mixes_kinds():
    films = [generic_film(400), generic_film(400, kind="colour-negative"), generic_film(400, kind="colour-reversal")]
    grid = answer_grid(films, [0.0, 100.0, np.nan])
    assert grid.attrs.items() >= asdict(Question()).items()
    assert grid["status"].to_numpy().tolist() == [
        ["ok", "partly_restored", "unknown"],
        ["ok", "ok", "unknown"],
        ["expose_as_marked", "expose_as_marked", "unknown"],
    ]
    assert grid["ei"].to_numpy()[2].tolist()[:2] == [400.0, 400.0]
    assert np.isnan(grid["ei"].to_numpy()[:, 2]).all()
    for film, row in zip(films, grid["fog_density"].to_numpy(), strict=True):
        assert row[1] == pytest.approx(answer(film, 100.0).fog_density, rel=1e-12)


# -- uneven fog ----------------------------------------


def test_worst_band_decides_and_the_spread_is_told():
    uneven, peak, mean = (answer(400, k, Question(peak_to_mean=p)) for k, p in ((10.0, 3.0), (30.0, 1.0), (10.0, 1.0)))
    assert uneven.stops == pytest.approx(peak.stops, abs=1e-12)
    assert uneven.ei == peak.ei
    assert uneven.spread["worst_band"]["fog_density"] == pytest.approx(peak.fog_density)
    assert uneven.spread["mean"]["fog_density"] == pytest.approx(mean.fog_density)
    assert uneven.spread["mean"]["stops"] == pytest.approx(mean.stops["shadow_snr"])
    assert mean.spread is None


# -- the other end of the scene ----------------------------------------


def test_long_scenes_are_limited_by_their_highlights():
    wide = answer(400, 100.0, Question(scene_range=3.2))
    narrow = answer(400, 100.0, Question(scene_range=1.5))
    assert wide.status == "highlight_limited"
    assert wide.limited_by == "highlights"
    assert wide.given_stops < narrow.given_stops
    assert "more would cost highlights" in wide.message
    assert wide.room_marked_stops < narrow.room_marked_stops
    assert narrow.room_left_stops == pytest.approx(narrow.room_marked_stops - narrow.given_stops)


def test_highlight_room_ends_where_the_clean_gradient_falls_to_that_of_the_shadow_point():
    """The mean gradient over the scene's top stop, averaged over tones a stop to either side, written out."""
    found = answer(400, 100.0)
    record, step = found.film.records[0], math.log10(2)
    shadow = math.log10(0.8 / 400)
    least = record.gradient(shadow)

    def top_of_scene(stops):
        end = shadow + 2.2 + stops * step
        return (record.density(end) - record.density(end - step)) / step

    tones = np.linspace(-1.0, 1.0, 401)
    lost = np.mean([-math.log2(top_of_scene(found.room_marked_stops + tone) / least) for tone in tones])
    assert lost == pytest.approx(0.0, abs=0.02)


def test_scene_range_from_meter_readings():
    # 160:1 (Jones & Condit 1941) is 7.32 stops
    assert scene_range_from_readings(5.0, 5.0 + math.log2(160)) == pytest.approx(2.204, abs=5e-4)
    with pytest.raises(ArgumentError, match="1 to 13 stops above"):
        scene_range_from_readings(5.0, 5.0)


def test_partial_restoration_asks_for_less():
    stops = [answer(400, 40.0, Question(snr_target=target)).stops["shadow_snr"] for target in (1.0, 0.8, 0.5)]
    assert stops[0] > stops[1] > stops[2] >= 0
    assert answer(800, 10.0, Question(snr_target=0.5)).ei == 800


@pytest.mark.parametrize(("kerma", "left"), [(3000.0, "24 %"), (1e6, "less than 1 %")])
def test_where_nothing_helps_the_sentence_says_what_would_be_left(kerma, left):
    found = answer(400, kerma)
    solution = solve_film(found.film, np.array([kerma]), Question())
    share = 100.0 * float(solution.snr_given[0])
    assert left == (f"{share:.0f} %" if share >= 1.0 else "less than 1 %")
    assert f"would leave its shadows {left} of their signal-to-noise" in found.message


# -- exposed before the scan ----------------------------------------


def test_exposed_roll_has_no_index_but_an_account_of_the_loss():
    found, whole = answer(400, 40.0, exposed=True), answer(400, 40.0)
    loss = found.exposed
    assert (found.outcome, found.status, found.ei, found.given_stops) == ("exposed", "already_exposed", None, None)
    zones = loss.zones.set_index("stops_above_shadow")
    assert zones.loc[0, "snr_kept"] == pytest.approx(whole.snr_kept, rel=1e-9)
    assert zones["snr_kept"].is_monotonic_increasing
    assert loss.effective_speed["shadow_snr"] == pytest.approx(400 / 2 ** whole.stops["shadow_snr"])
    record = found.film.records[0]
    shadow = math.log10(0.8 / 400)
    added = record.density(shadow, 40.0) - record.density(shadow)
    assert loss.printing_stops["same_black"] == pytest.approx(added / math.log10(2))
    middle = shadow + 0.5 * Question().scene_range
    added = record.density(middle, 40.0) - record.density(middle)
    assert loss.printing_stops["same_middle"] == pytest.approx(added / math.log10(2))
    assert loss.printing_stops["same_middle"] < loss.printing_stops["same_black"]
    assert loss.density_range["fogged"] < loss.density_range["clean"]
    black = loss.scan_black["visual"]
    assert black["relative_transmittance"] == pytest.approx(10 ** -loss.fog_density["visual"])
    assert "ei" not in loss.to_dict()
    assert found.message == loss.message


@pytest.mark.parametrize("shot_ei", [100.0, 400.0, 1600.0])
def test_tones_of_an_exposed_roll_are_held_to_the_clean_film_where_they_lie_or_as_marked(shot_ei):
    """Whichever has less signal-to-noise, so that underexposure is no loss by the scan."""
    found = answer(400, 40.0, exposed=True, shot_ei=shot_ei)
    record = found.film.records[0]
    stops = found.exposed.zones["stops_above_shadow"].to_numpy()
    assert stops.tolist() == list(range(-1, 8))  # from a stop below the shadow point on, as far as 2.2 log units reach
    marked = math.log10(0.8 / 400) + stops * math.log10(2)
    x = marked + math.log10(400 / shot_ei)
    clean = np.minimum(record.signal_to_noise(x), record.signal_to_noise(marked))
    np.testing.assert_allclose(found.exposed.zones["snr_kept"], record.signal_to_noise(x, 40.0) / clean, rtol=1e-6)
    np.testing.assert_allclose(found.exposed.zones["gradient_kept"], record.gradient(x, 40.0) / record.gradient(x))
    ends = x[1], x[1] + Question().scene_range
    for state, kerma in (("clean", 0.0), ("fogged", 40.0)):
        span = record.density(ends[1], kerma) - record.density(ends[0], kerma)
        assert found.exposed.density_range[state] == pytest.approx(span, rel=1e-6)
    shadow = found.exposed.zones.set_index("stops_above_shadow").loc[0, "snr_kept"]
    assert shadow == pytest.approx(found.exposed.snr_kept, rel=1e-9)


@pytest.mark.parametrize("shift", [0.0, 0.6])
@pytest.mark.parametrize("kind", list(KINDS))
def test_a_roll_that_lost_nothing_is_good_in_its_shadows_and_has_next_to_no_fog(kind, shift):
    film, doses = generic_film(100, kind=kind), np.geomspace(0.5, 3000.0, 60)
    verdicts, kept, harmless = exposed_worth(film, doses, shift)
    fog = np.max([np.abs(record.fog_density(doses)) for record in film.records], axis=0)
    # less than 0.02 fog, and nine tenths of the shadows' signal-to-noise (our choice)
    assert harmless.tolist() == ((verdicts == "good") & (fog < 0.02) & (kept >= 0.90)).tolist()
    assert 0 < np.count_nonzero(harmless) < np.count_nonzero((verdicts == "good") & (kept >= 0.90)) or shift == 0.0


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_verdict_of_an_exposed_roll_falls_with_dose(kind):
    order = ("good", "usable", "poor", "lost")
    film = generic_film(200, kind=kind)
    verdicts = [answer(film, kerma, exposed=True).verdict for kerma in (0.0, 100.0, 1000.0, 1e4, 1e7)]
    places = [order.index(verdict) for verdict in verdicts]
    assert places == sorted(places)
    assert (verdicts[0], verdicts[-1]) == ("good", "lost")


def test_paper_grade_follows_iso_6846_ranges():
    # ISO 6846 negative ranges: grade 2 is 0.95-1.15, grade 3 is 0.80-0.95. A scene chosen to fit grade 2 clean.
    loss = answer(400, 600.0, Question(scene_range=1.75), exposed=True).exposed
    assert 0.95 <= loss.density_range["clean"] < 1.15
    assert loss.paper_grade["clean"] == 2.0
    assert loss.density_range["fogged"] < 0.95
    assert loss.paper_grade["fogged"] > 2.0


def test_exposed_at_no_dose_lost_nothing():
    loss = answer(generic_film(200, kind="colour-negative"), 0.0, exposed=True).exposed
    assert loss.zones["snr_kept"].to_numpy() == pytest.approx(1.0)
    assert loss.printing_stops == {"same_black": 0.0, "same_middle": 0.0}
    assert set(loss.zones["record"]) == {"red", "green", "blue"}
    assert set(loss.paper_grade.values()) == {None}


def test_exposed_reversal_film_tells_its_blacks():
    loss = answer(generic_film(100, kind="colour-reversal"), 300.0, exposed=True).exposed
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


def shares(film, kerma, stops):
    """Signal-to-noise of the shadow and contrast at a compensation, over those of the clean film, from the curves."""
    record = film.records[0]
    shadow = record.curve().inverse(record.minimum_density() + 0.10)
    x = shadow + stops * math.log10(2)
    contrast = (record.density(x + 1.3, kerma) - record.density(x, kerma)) / (
        record.density(shadow + 1.3) - record.density(shadow)
    )
    return float(record.signal_to_noise(x, kerma) / record.signal_to_noise(shadow)), float(contrast)


@pytest.mark.parametrize("kerma", [30.0, 100.0, 300.0, 1000.0, 3000.0])
@pytest.mark.parametrize("make", [straight_film, lambda: generic_film(400)])
def test_the_verdict_is_by_what_is_left_at_the_exposure_given(make, kerma):
    """Limits of our choice: 0.85, 0.65, 0.5 of the shadows and 0.7, 0.4, 0.2 of the contrast."""
    film = make()
    best = float(solve_film(film, np.array([kerma]), Question()).best[0])
    shadow, contrast = shares(film, kerma, best)
    expected = "lost"
    for name, least_shadow, least_contrast in (("poor", 0.5, 0.2), ("usable", 0.65, 0.4), ("good", 0.85, 0.7)):
        if shadow >= least_shadow and contrast >= least_contrast:
            expected = name
    found = answer(film, kerma)
    assert found.verdict == expected
    assert (found.ei is None) == (expected == "lost") == (found.status == "beyond_rescue")
    if found.ei is not None:
        assert found.snr_given == pytest.approx(shadow, abs=2e-3)


@pytest.mark.parametrize("target", [0.7, 1.0])
def test_a_film_that_can_be_restored_is(target):
    """A stop of lost shadow costs four of light: while the slope allows it, what is needed is given."""
    grid = answer_grid([100, 800, 3200], [1.0, 5.0], Question(snr_target=target))
    assert (grid["status"] == "ok").all()
    assert grid["given_stops"].to_numpy() == pytest.approx(grid["needed_stops"].to_numpy(), abs=0.011)
