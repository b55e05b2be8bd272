"""Values that comparisons of whole answers pass by, each in closed form, from a formula or from outside."""

from __future__ import annotations

import html
import math
import re

import numpy as np
import pytest
import xraydb
from independent import SPEED_POINT, SlowRecord, plain_records, shadow_point
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from filmdose.answering import answer, film_to_dict
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.film.readings import StepReadings
from filmdose.history import History, Pass, history_dose
from filmdose.inverse import dose_budget, kerma_for_loss
from filmdose.nodes import first_root
from filmdose.odds import learn, propagate, trip_model
from filmdose.odds.groups import film_groups
from filmdose.odds.tally import ScoreStream
from filmdose.question import Question
from filmdose.radiation import Beam, kerma_per_mas_ugy, mean_energy_kev, spectrum_of
from filmdose.radiation.background import flight_kerma_ugy
from filmdose.radiation.constants import constant_range
from filmdose.radiation.shields import transmission
from filmdose.radiation.sources import Source
from filmdose.solver import CRITERIA
from filmdose.trip import FogReading, Roll, measured_fog

CT = History(passes=Pass(source="cabin-ct"))
STOP = math.log10(2.0)

# -- radiation ---------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("text", "energy"), [("0.662 MeV", 662.0), ("1.25MeV", 1250.0), ("662keV", 662.0)])
def test_a_beam_in_mega_electron_volts(text, energy):
    assert Beam.parse(text) == Beam(energy_kev=energy)
    assert str(Beam.parse(text)) == f"{energy:g} keV"


@pytest.mark.parametrize("kvp", [87.5, 102.5, 122.5, 142.5, 177.5, 192.5, 215.0, 275.0])
def test_between_the_shipped_voltages_a_tube_runs_on_as_smoothly_as_through_them(kvp):
    # spectra stand every 5 kVp, every 10 above 200; halfway, the cubic through four of them knows nothing of how one is
    # interpolated, and above the onset of the lines (69.5 keV) output and mean energy are smooth in the voltage
    half = 2.5 if kvp < 200.0 else 5.0
    for figure, tolerance in ((kerma_per_mas_ugy, 1e-3), (mean_energy_kev, 4e-4)):
        a, b, c, d = (figure(spectrum_of(Beam(tube_kvp=kvp + place * half))) for place in (-3, -1, 1, 3))
        between = (9.0 * (b + c) - a - d) / 16.0
        assert figure(spectrum_of(Beam(tube_kvp=kvp))) == pytest.approx(between, rel=tolerance)
        assert c / b > 1.0 + 10.0 * tolerance  # a weight that is wrong by a fifth is seen


# Below lead's K edge (88 keV) and far above copper's (9 keV), so that no fluorescence adds to what comes through.
@pytest.mark.parametrize(
    ("material", "symbol", "density", "thickness_mm", "energy_kev"),
    [
        ("lead", "Pb", 11.35, 0.02, 30.0),
        ("lead", "Pb", 11.35, 0.1, 45.0),
        ("lead", "Pb", 11.35, 0.1, 60.0),
        ("copper", "Cu", 8.96, 0.1, 30.0),
        ("copper", "Cu", 8.96, 0.5, 60.0),
        ("copper", "Cu", 8.96, 0.1, 200.0),
    ],
)
def test_a_wall_in_a_beam_of_one_energy_is_credited_with_its_exponential(
    material, symbol, density, thickness_mm, energy_kev
):
    """No more comes through than if all that scatters went on: exp(-mu x) <= T <= exp(-mu_photoelectric x)."""
    total, absorbed = (xraydb.mu_elam(symbol, 1e3 * energy_kev, kind=kind) for kind in ("total", "photo"))
    narrow, most = (math.exp(-mu * density * thickness_mm / 10.0) for mu in (total, absorbed))
    beam = Beam(energy_kev=energy_kev)
    through = transmission(f"{material}={thickness_mm}", beam)
    for name in ("narrow_kerma", "narrow_emulsion", "narrow_film"):
        assert getattr(through, name) == pytest.approx(narrow, rel=2e-3)
    source = Source(name="one energy", air_kerma_typical_ugy=10.0, beam=beam, at="film")
    bare, behind = (history_dose(Pass(source=source, shield=s)) for s in (None, f"{material}={thickness_mm}"))
    credit = behind.kerma_ugy / bare.kerma_ugy
    assert narrow < credit < most
    assert behind.contributions["through_shields"].iloc[0] == pytest.approx(credit, rel=1e-12)
    assert behind.air_kerma_ugy / bare.air_kerma_ugy == pytest.approx(credit, rel=1e-9)  # one energy hardens in nothing


def test_both_ends_of_the_dose_of_a_flight():
    # gray per sievert (from memory) and solar cycle are two independent factors: logarithms in quadrature
    assert constant_range("flight_gray_per_sievert") == (0.35, 0.5, 0.7)
    solar = constant_range("flight_solar_range")
    low, typical, high = flight_kerma_ugy(9.0, 37000.0)
    down, up = (
        math.hypot(math.log(gray / 0.5), math.log(sun / solar[1])) for gray, sun in ((0.35, solar[0]), (0.7, solar[2]))
    )
    assert math.log(typical / low) == pytest.approx(down, rel=1e-9)
    assert math.log(high / typical) == pytest.approx(up, rel=1e-9)
    assert typical / low > 0.5 / 0.35
    assert high / typical > 0.7 / 0.5


# -- what is told of a film --------------------------------------------------------------------------------------------


@pytest.mark.parametrize("speed", [100, 400, 3200])
def test_the_clean_contrast_is_that_of_the_standard(speed):
    # ISO 6: 0.80 density in 1.30 log units above the speed point
    assert answer(speed, 50.0).contrast["clean"] == pytest.approx(0.80 / 1.30, rel=1e-5)


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_the_fogged_contrast_and_the_shadow_are_those_of_the_formulas(kind):
    film, dose = generic_film(400, kind=kind), 150.0
    found = answer(film, dose)
    kept, given = {}, {}
    for name, record in zip(film.record_names, plain_records(film_to_dict(film)), strict=True):
        point = shadow_point(record, SPEED_POINT[kind])
        clean, fogged = SlowRecord(record, 0.0), SlowRecord(record, dose)
        for state, slow in (("clean", clean), ("fogged", fogged)):
            mean = (slow.density(point + 1.30) - slow.density(point)) / 1.30
            assert found.by_record[name]["contrast"][state] == pytest.approx(mean, rel=1e-4)
        kept[name] = fogged.snr(point) / clean.snr(point)
        given[name] = fogged.snr(point + found.given_stops * STOP) / clean.snr(point)
        assert found.by_record[name]["snr_kept"] == pytest.approx(kept[name], rel=1e-4)
    assert found.snr_kept == pytest.approx(min(kept.values()), rel=1e-4)
    assert found.snr_given == pytest.approx(min(given.values()), rel=1e-4)
    assert found.record == min(kept, key=kept.get)
    assert found.contrast == found.by_record[found.record]["contrast"]
    assert found.ei_exact == pytest.approx(400.0 / 2.0**found.given_stops, rel=1e-12)


@pytest.mark.parametrize("kind", ["bw-reversal", "colour-reversal"])
def test_the_contrast_of_reversal_film_is_that_of_the_formulas(kind):
    # ISO 2240: from 2.00 above the least density (shadow point) to 0.20 above it (highlight point), on the clean film
    film, dose = generic_film(100, kind=kind), 400.0
    found = answer(film, dose)
    for name, record in zip(film.record_names, plain_records(film_to_dict(film)), strict=True):
        clean, fogged = (SlowRecord(record, kerma, positive=True) for kerma in (0.0, dose))
        start = -float(np.max(clean.z)) - 2.0
        dark, bright = (
            brentq(lambda x, level=level, slow=clean: slow.density(x) - slow.minimum() - level, start, start + 9.0)
            for level in (2.00, 0.20)
        )
        for state, slow in (("clean", clean), ("fogged", fogged)):
            mean = (slow.density(dark) - slow.density(bright)) / (bright - dark)
            assert found.by_record[name]["contrast"][state] == pytest.approx(mean, rel=2e-4)
        assert found.by_record[name]["snr_kept"] == pytest.approx(fogged.snr(dark) / clean.snr(dark), rel=1e-3)
    assert found.contrast == found.by_record[found.record]["contrast"]
    lost = {name: values["fog_density"] for name, values in found.by_record.items()}
    assert found.record == min(lost, key=lost.get)


@pytest.mark.parametrize("kerma_ugy", [6000.0, 30_000.0])  # no exposure has the shadow's gradient back at the second
@pytest.mark.parametrize("criterion", list(CRITERIA))
def test_where_nothing_helps_the_record_that_keeps_least_decides(criterion, kerma_ugy):
    film = generic_film(1600, kind="colour-negative")
    found = answer(film, kerma_ugy, Question(criterion=criterion))
    assert found.verdict == "lost"
    kept = {name: values["snr_kept"] for name, values in found.by_record.items()}
    needs = {name: values["stops"][criterion] for name, values in found.by_record.items()}
    nothing = [name for name, stops in needs.items() if stops is None]
    assert bool(nothing) == (kerma_ugy > 1e4 and criterion in ("shadow_gradient", "shadow_snr"))
    if criterion == "shadow_snr" or len(nothing) == len(needs):
        assert found.record == min(kept, key=kept.get)
    else:
        assert found.record == max(needs, key=needs.get)
    assert len(set(kept.values())) == 3


@pytest.mark.parametrize("criterion", list(CRITERIA))
def test_the_budget_asks_the_criterion_that_is_asked_for(criterion):
    question = Question(criterion=criterion)
    loss = 0.05  # more the fractional gradient never asks for
    row = dose_budget([400], [loss], question).iloc[0]
    limit = kerma_for_loss(400, loss, question)
    assert row["kerma_ugy"] == limit.kerma_ugy
    # the forward answer has that loss at that dose
    assert answer(400, limit.kerma_ugy * 1.0001, question).given_stops == pytest.approx(loss, abs=0.02)
    others = [
        dose_budget([400], [loss], Question(criterion=name))["kerma_ugy"].item()
        for name in CRITERIA
        if name != criterion
    ]
    assert all(abs(other / limit.kerma_ugy - 1.0) > 0.02 for other in others)


@pytest.mark.parametrize("place", [0.3, 0.5, 0.65])
@pytest.mark.parametrize("bend", [0.5, 2.0, 8.0])
def test_a_curve_that_reaches_nothing_between_nodes_only_has_its_root_there(place, bend):
    # a parabola with its top a little above 0 between two nodes, below 0 at all of them: its root lies before the top
    nodes, middle = np.arange(12.0), 5.0 + place
    top = 0.8 * bend * min(place, 1.0 - place) ** 2
    curve = top - bend * (nodes - middle) ** 2
    assert curve.max() < 0.0
    found = first_root(np.stack([curve, curve - 2.0 * top]))
    assert found[0] == pytest.approx(middle - math.sqrt(top / bend), abs=1e-9)
    assert np.isnan(found[1])  # and one that stays below has none


@pytest.mark.parametrize("root", [2.2, 3.5, 5.9])
def test_the_root_of_a_cubic_is_exact(root):
    nodes = np.arange(12.0)
    cubic = 0.01 * (nodes - root) * ((nodes - 1.0) ** 2 + 5.0)
    assert first_root(cubic[None])[0] == pytest.approx(root, abs=1e-9)


def test_a_generic_film_says_when_its_shape_was_given():
    plain = generic_film(400).origin
    given = {generic_film(400, **shape).origin for shape in ({"contrast": 1.05}, {"contrast": 0.9}, {"toe": 0.2})}
    assert len(given) == 1
    assert "given" in given.pop()
    assert "given" not in plain


@pytest.mark.parametrize("exposures", [[], [[-1.0, 0.0], [1.0, 2.0]], 0.5])
def test_step_readings_need_a_row_of_exposures(exposures):
    with pytest.raises(ArgumentError, match="log_exposure"):
        StepReadings(log_exposure=exposures, densities={"visual": np.zeros(np.shape(exposures))})


# -- odds --------------------------------------------------------------------------------------------------------------


def test_draws_in_which_nothing_helps_count_in_the_mean_loss():
    """Against the losses of the same draws on splines, some of which are lost."""
    history = History(passes=Pass(source="cabin-ct"))
    model = trip_model([Roll(id="a", film=generic_film(1600), history=history, peak_to_mean=1.0)])
    told = propagate(model, samples=1024)["a"]
    (group,), question = film_groups(model), Question()
    fine, losses, beyond = np.arange(0.0, 6.9, 0.01), [], []
    for child in np.random.default_rng(0).spawn(2):
        draws = model.draws(ScoreStream(model, None, 512, child).next())
        rows = group.shapes(draws)
        found = group.negative(rows, group.highlight(rows, question), group.hits(draws, 0), question)
        nodes = np.arange(found.shadow.shape[1]) * group.solvers[0].light.step / STOP
        bright = np.broadcast_to(found.highlight, found.shadow.shape)
        shadow, highlight = (CubicSpline(nodes, values, axis=1)(fine) for values in (found.shadow, bright))
        losses.append(4.0 * (np.maximum(shadow, 0.0) + np.maximum(highlight, 0.0)) + fine)
        beyond.append(found.snr_given < 0.5 * 0.999)
    table, lost = np.concatenate(losses), np.concatenate(beyond)
    assert 0.02 < told.chance_beyond_rescue < 0.9
    assert told.given_stops is not None
    assert told.expected_loss == pytest.approx(table.mean(axis=0).min(), rel=2e-3)
    # leaving the lost draws out would be seen
    assert abs(table[~lost].mean(axis=0).min() / told.expected_loss - 1.0) > 0.02


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
def test_a_reading_of_reversal_film_is_density_lost(kind):
    film = generic_film(100, kind=kind)
    dark = float(dict(film)["green" if kind == "colour-reversal" else film.record_names[0]].maximum_density())
    item = Roll(id="a", film=film, history=CT, peak_to_mean=1.0)
    # compared with a control of the same error, with a known value, and with the film's own data
    for against, factor in (({"control": dark}, 2.0**0.5), ({"known_base_plus_fog": dark}, 1.0), ({}, 1.0)):
        reading = FogReading(roll="a", base_plus_fog=dark - 0.30, error=0.01, **against)
        fog, error, _ = measured_fog(film, reading)
        assert (fog, error) == (pytest.approx(-0.30), pytest.approx(0.01 * factor))
        if against and kind == "bw-reversal":  # of colour film another record than the one that was read is told
            told = propagate([item], learned=learn([item], reading), samples=512)["a"]
            assert told.fog_density[1] == pytest.approx(0.30, abs=3.0 * error)


# -- results in print --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("criterion", list(CRITERIA))
def test_an_answer_in_print_and_in_html_tells_its_figures(criterion):
    found = answer(800, 30.0, Question(criterion=criterion))
    text, page = str(found), html.unescape(re.sub(r"<[^>]+>", " ", found._repr_html_()))
    kept = f"{100.0 * found.snr_kept:.0f} %"
    fogged = f"{found.contrast['fogged']:.3f}"
    for shown in (text, page):
        assert found.message in shown
        assert all(word in shown for word in (found.verdict, f"{found.fog_density:.3f}", kept, fogged))
    for name, stops in found.stops.items():
        told = "not possible" if stops is None else f"{stops:.2f} stops"
        (line,) = (line for line in text.splitlines() if line.strip().startswith(name))
        assert told in line
        assert ("asked for" in line) == (name == criterion)
        assert re.search(rf"{name}{r' .asked for.' if name == criterion else ''}\s+{re.escape(told)}", page)
    assert f"{found.room_left_stops:.1f} stops left" in text


@pytest.mark.parametrize("kind", ["bw-negative", "colour-reversal"])
def test_an_exposed_roll_in_print_and_in_html_tells_its_zones(kind):
    found = answer(generic_film(400, kind=kind), 300.0, exposed=True)
    page = html.unescape(re.sub(r"<[^>]+>", " ", found._repr_html_()))
    for shown in (str(found), page):
        assert found.message in shown
        assert found.exposed.development in shown
        assert "more exposure" not in shown.replace(found.message, "")  # nothing to give any more
        for zone in found.exposed.zones.itertuples():
            told = (f"{zone.density_clean:.3f}", f"{zone.density_fogged:.3f}", f"{zone.snr_kept:.3f}")
            assert re.search(
                rf"{zone.record}\s+{zone.stops_above_shadow}\s+{told[0]}\s+{told[1]}\s+\S+\s+{told[2]}", shown
            )
