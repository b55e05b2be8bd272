"""Values that comparisons of whole answers pass by, each in closed form, from a formula or from outside."""

from __future__ import annotations

import html
import math
import re
from dataclasses import replace

import numpy as np
import pytest
import xraydb
from independent import SPEED_POINT, SlowRecord, plain_records, shadow_point, slow_stops
from scipy.interpolate import CubicSpline
from scipy.optimize import brentq

from filmdose.answering import answer, film_to_dict
from filmdose.errors import ArgumentError
from filmdose.exposed import TEXTURED_STOPS, exposed_worth
from filmdose.files import load_data_csv
from filmdose.film.curves import ToeShoulderCurve
from filmdose.film.generic import box_speed_notes, generic_film
from filmdose.film.readings import StepReadings
from filmdose.history import History, Pass, history_dose
from filmdose.inverse import dose_budget, kerma_for_loss
from filmdose.nodes import first_root
from filmdose.odds import learn, propagate, trip_model
from filmdose.odds.cells import total_odds
from filmdose.odds.groups import film_groups
from filmdose.odds.results import chance_text
from filmdose.odds.tables import TABLE_KERMA_UGY, film_tables
from filmdose.odds.tally import ScoreStream
from filmdose.question import Question
from filmdose.radiation import (
    Beam,
    Layer,
    Material,
    kerma_per_mas_ugy,
    layers_transmission,
    mean_energy_kev,
    spectrum_of,
)
from filmdose.radiation.background import flight_kerma_ugy, latitude_band
from filmdose.radiation.broad_beam import broad_beam_transmission
from filmdose.radiation.constants import constant_range
from filmdose.radiation.shields import transmission, transmission_curve
from filmdose.radiation.sources import Source
from filmdose.sensitometry import fractional_gradient_point, metered_exposure
from filmdose.solution import record_solvers, solve_film, verdict_of
from filmdose.solver import CRITERIA, Shape, record_criteria
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


def test_foam_stops_what_the_same_mass_of_the_solid_stops():
    shares = (("C", 0.9226), ("H", 0.0774))  # polystyrene
    through = []
    for density in (1.06, 0.02):
        own = Material(name="own", density_g_cm3=density, mass_fractions=shares)
        wall = Layer(material=own, thickness_mm=10.6 / density)
        through.append(layers_transmission((wall,), [20.0, 60.0, 140.0]))
    np.testing.assert_allclose(*through, rtol=1e-12)
    assert through[0][0] < 0.9


@pytest.mark.parametrize(("kvp", "published"), [(60, True), (150, True), (155, False)])
def test_lead_is_published_up_to_150_kvp(kvp, published):
    # the shipped rows of NCRP 147 run from 50 to 150 kVp
    assert transmission("lead=0.25", Beam(tube_kvp=kvp)).published == published
    assert not transmission("lead=0.25+tin=0.1", Beam(tube_kvp=100.0)).published


@pytest.mark.parametrize("row", [0, 4, 10])
def test_broad_beams_at_the_published_voltages_are_the_published_fits(row):
    fits = [each for each in load_data_csv("broad_beam.csv") if each["material"] == "lead"]
    kvp, alpha, beta, gamma = (float(fits[row][name]) for name in ("kvp", "alpha_per_mm", "beta_per_mm", "gamma"))
    # Archer: B = [(1 + b/a) exp(a g x) - b/a]**(-1/g)
    wanted = ((1.0 + beta / alpha) * math.exp(alpha * gamma * 0.3) - beta / alpha) ** (-1.0 / gamma)
    assert broad_beam_transmission("lead", 0.3, kvp) == pytest.approx(wanted, rel=1e-9)
    assert broad_beam_transmission("lead", 0.3, float(fits[-1]["kvp"]) + 1.0) is None
    assert broad_beam_transmission("lead", 0.3, float(fits[0]["kvp"]) - 1.0) is None


@pytest.mark.parametrize("weight", ["kerma", "emulsion", "film"])
@pytest.mark.parametrize("eta", [0.3, 0.65])
def test_a_curve_of_transmission_runs_through_the_single_walls(weight, eta):
    beam = Beam(tube_kvp=120.0)
    curve = transmission_curve("tin", [0.0, 0.2, 1.0], beam, weight=weight, eta_low=eta)
    singles = [getattr(transmission(f"tin={wall}", beam, eta_low=eta), f"narrow_{weight}") for wall in (0.2, 1.0)]
    np.testing.assert_allclose(curve, [1.0, *singles], rtol=1e-9)


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


@pytest.mark.parametrize("sign", [-1.0, 1.0])
@pytest.mark.parametrize(
    ("degrees", "band"),
    [(0.0, "equatorial"), (24.9, "equatorial"), (25.0, "middle"), (54.9, "middle"), (55.0, "polar"), (90.0, "polar")],
)
def test_a_band_of_latitude_holds_its_lowest_latitude(sign, degrees, band):
    assert latitude_band(sign * degrees) == band


def test_a_source_may_give_next_to_nothing():
    tenth = Source(name="own", air_kerma_low_ugy=0.001, air_kerma_typical_ugy=0.01, air_kerma_high_ugy=0.04, at="film")
    assert tenth.air_kerma_points_ugy == (0.001, 0.01, 0.04)
    assert history_dose(Pass(source=tenth)).kerma_ugy == pytest.approx(0.01, rel=1e-9)  # in the reference beam


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


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_what_needs_more_than_seven_stops_is_told_by_the_formulas(kind):
    film, dose = generic_film(1600, kind=kind), 15_000.0
    found = answer(film, dose)
    wanted = slow_stops(film_to_dict(film), dose)
    assert wanted["fixed_density"] > 7.0
    for criterion in ("fixed_density", "fractional_gradient"):
        assert found.stops[criterion] == pytest.approx(wanted[criterion], abs=2e-3)


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


@pytest.mark.parametrize("factor", [0.8, 1.0, 1.25])
def test_nodes_are_counted_from_the_shadow_point_of_the_contrast_drawn(factor):
    film = generic_film(400)
    (solver,), record = record_solvers(film), film.records[0]
    rows = solver.rows(Shape(log_contrast=np.log([factor])))
    # the standard's 0.10 above base plus fog, of all densities multiplied
    point = shadow_point(plain_records(film_to_dict(film))[0], 0.10)
    net = float(record.density(point + rows.origin[0]) - record.minimum_density())
    assert net == pytest.approx(0.10 / factor, rel=1e-4)
    nodes = np.arange(float(solver.light.missed.shape[1]))
    cubic = np.array([0.3, -2.0, 7.0, 1.0])
    place = rows.origin[0] / solver.light.step
    for part in (slice(0, nodes.size), slice(20, 60)):
        found = rows._on(np.ones((1, 1)), np.polyval(cubic, nodes / 50.0)[None], part)[0]
        asked = nodes[part]
        inside = (asked + place > 1.0) & (asked + place < nodes[-1] - 1.0)
        wanted = np.polyval(cubic, (asked[inside] + place) / 50.0)
        np.testing.assert_allclose(found[inside], wanted, rtol=1e-9)


def test_all_records_stand_on_the_finest_nodes_that_one_of_them_asks_for():
    film = generic_film(400, kind="colour-negative")
    steep = replace(film.records[2], quanta=30)  # many quanta, few exposures between none and all
    (alone,) = {solver.light.step for solver in record_solvers(film)}
    (step,) = {solver.light.step for solver in record_solvers(replace(film, records=(*film.records[:2], steep)))}
    assert step < alone


def test_one_of_two_shapes_is_that_shape_alone():
    (solver,) = record_solvers(generic_film(400))
    both, alone = (solver.rows(Shape(hit_exponent=np.array(b))) for b in ((0.6, 0.9), (0.9,)))
    hits = np.array([0.05])
    for name in ("log2_snr", "fog_density"):
        pair = [getattr(rows.view(hits, 2.2), name) for rows in (both.part(slice(1, 2)), alone)]
        np.testing.assert_allclose(*pair, rtol=1e-12)


@pytest.mark.parametrize("exponents", [(-0.15, 0.3), (-0.3, 1.0)])
def test_rows_that_strike_slow_and_fast_grains_more_are_solved_together_as_alone(exponents):
    (solver,) = record_solvers(generic_film(400))
    for hits in (0.1, 0.5, 2.0):
        together, _ = record_criteria(solver.rows(Shape(hit_exponent=np.array(exponents))), np.full(2, hits), 1.0, 2.2)
        for place, b in enumerate(exponents):
            alone, _ = record_criteria(solver.rows(Shape(hit_exponent=np.array([b]))), np.full(1, hits), 1.0, 2.2)
            for criterion in CRITERIA:
                one = alone.stops[criterion][0]
                assert together.stops[criterion][place] == pytest.approx(one, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("root", [2.2, 3.5, 5.9])
def test_the_root_of_a_cubic_is_exact(root):
    nodes = np.arange(12.0)
    cubic = 0.01 * (nodes - root) * ((nodes - 1.0) ** 2 + 5.0)
    assert first_root(cubic[None])[0] == pytest.approx(root, abs=1e-9)


@pytest.mark.parametrize("count", [3000, 5000])
def test_cells_solved_by_the_thousand_are_those_solved_alone(count):
    film, doses = generic_film(400), np.linspace(0.0, 900.0, count)
    few = np.array([0, 2047, 2048, 2500, count - 1])  # in the first block of cells, and in those behind it
    whole, alone = solve_film(film, doses, Question()), solve_film(film, doses[few], Question())
    assert whole.best.shape == whole.verdict.shape == doses.shape
    np.testing.assert_allclose(whole.best[few], alone.best, atol=1e-9)
    assert whole.verdict[few].tolist() == alone.verdict.tolist()


def test_an_exposed_colour_roll_is_worth_what_its_worst_record_keeps():
    film, doses = generic_film(400, kind="colour-negative"), np.geomspace(0.5, 2000.0, 40)
    verdicts, kept, harmless = exposed_worth(film, doses, 0.0)
    shadows, textured, gradients = [], [], []
    for record in plain_records(film_to_dict(film)):
        point = shadow_point(record, SPEED_POINT["colour-negative"])
        clean, fogged = SlowRecord(record, 0.0), [SlowRecord(record, float(dose)) for dose in doses]
        there = point + TEXTURED_STOPS * STOP
        shadows.append([one.snr(point) / clean.snr(point) for one in fogged])
        textured.append([one.snr(there) / clean.snr(there) for one in fogged])
        gradients.append([one.gradient(there) / clean.gradient(there) for one in fogged])
    np.testing.assert_allclose(kept, np.min(shadows, axis=0), rtol=1e-6)
    assert np.max(np.max(shadows, axis=0) / kept) > 1.1  # another record would be seen
    worst = verdict_of(np.min(textured, axis=0), np.min(gradients, axis=0))
    assert verdicts.tolist() == worst.tolist()
    assert verdict_of(np.max(textured, axis=0), np.min(gradients, axis=0)).tolist() != worst.tolist()
    # nothing that shows is lost: less than 0.02 fog, and nine tenths of the shadows' signal-to-noise (our choice)
    fog = np.max([record.fog_density(doses) for record in film.records], axis=0)
    assert harmless.tolist() == ((fog < 0.02) & (np.min(shadows, axis=0) >= 0.90)).tolist()
    assert 0 < np.count_nonzero(harmless) < np.count_nonzero(worst == "good")


@pytest.mark.parametrize("weight", [0.0, 1e-12])
def test_a_class_of_grains_that_is_not_there_changes_nothing(weight):
    record = generic_film(400).records[0]
    more = replace(
        record, log_sensitivity=[*record.log_sensitivity, 9.0], weights=[*record.weights, weight], hit_exponent=0.0
    )
    without = replace(record, hit_exponent=0.0)
    x = np.linspace(-4.0, 0.0, 9)
    np.testing.assert_allclose(more.density(x, 200.0), without.density(x, 200.0), rtol=1e-9)
    np.testing.assert_allclose(more.noise(x, 200.0), without.noise(x, 200.0), rtol=1e-6)
    if weight == 0.0:  # nor where light does anything
        assert more.curve().log_exposure_range == without.curve().log_exposure_range


@pytest.mark.parametrize("fraction", [0.02, 0.3, 0.9])
def test_the_fractional_gradient_is_that_share_of_the_mean(fraction):
    curve = ToeShoulderCurve(unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)
    found = fractional_gradient_point(curve, fraction=fraction)
    # of 0.2 + 0.13 ln(1 + e**(5 (x + 2.5))) over the 1.5 log units that follow
    net = [0.13 * math.log1p(math.exp(5.0 * (found.log_exposure + 2.5 + over))) for over in (0.0, 1.5)]
    gradient = 0.65 / (1.0 + math.exp(-5.0 * (found.log_exposure + 2.5)))
    assert gradient == pytest.approx(fraction * (net[1] - net[0]) / 1.5, rel=1e-9)


def test_speeds_on_boxes_are_doubted_from_1600_on():
    assert [len(box_speed_notes([generic_film(speed)])) for speed in (1250, 1600, 3200)] == [0, 1, 1]
    assert not box_speed_notes([replace(generic_film(1600), origin="measured")])


def test_what_a_meter_gives_falls_with_the_share_that_the_lens_brings():
    # ISO 2720: H = q K / EI; through a dense filter q may be a few per cent
    assert metered_exposure(100, meter_constant=12.5, factor=0.02) == pytest.approx(0.02 * 12.5 / 100, rel=1e-12)


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


def test_a_table_of_losses_counts_each_cost_once():
    """Loss = cost_under times what is lost + cost_over times the stops given, of the same draws."""
    film = generic_film(400)
    tables = {
        costs: film_tables([film], Question(cost_under=costs[0], cost_over=costs[1]), samples=16)[0]
        for costs in ((2.0, 1.0), (4.0, 1.0), (4.0, 3.0))
    }
    stops = tables[2.0, 1.0].stops
    np.testing.assert_allclose(2.0 * tables[2.0, 1.0].loss - tables[4.0, 1.0].loss, stops + 0.0 * tables[2.0, 1.0].loss)
    np.testing.assert_allclose(tables[4.0, 3.0].loss - tables[4.0, 1.0].loss, 2.0 * stops + 0.0 * tables[4.0, 1.0].loss)
    assert np.all(tables[4.0, 1.0].loss >= stops)


def test_a_table_of_losses_is_the_odds_of_a_roll_whose_dose_is_known():
    """At three of its doses: where the mean loss is least, how much it is, and how often nothing helps."""
    film = generic_film(400)
    (table,) = film_tables([film], samples=512)
    assert np.all(np.diff(table.lost) >= 0.0)
    assert np.all(np.diff(table.loss[:, 0]) >= 0.0)
    assert np.all(np.diff(table.shadow_chance, axis=1) <= 0.0)
    assert table.shadow_chance.shape == (3, TABLE_KERMA_UGY.size, table.stops[::2].size)
    for place in (20, 24, 28):
        one = history_dose(History(passes=Pass(source=Source(name="known", air_kerma_typical_ugy=1.0, at="film"))))
        source = Source(name="known", air_kerma_typical_ugy=TABLE_KERMA_UGY[place] / one.kerma_ugy, at="film")
        odds = propagate([Roll(id="a", film=film, history=History(passes=Pass(source=source)))], samples=2048)["a"]
        assert table.stops[table.loss[place].argmin()] == pytest.approx(odds.given_stops, abs=0.15)
        assert table.loss[place].min() == pytest.approx(odds.expected_loss, rel=0.05)
        assert table.lost[place] == pytest.approx(odds.chance_beyond_rescue, abs=0.03)


@pytest.mark.parametrize(
    ("chance", "told"),
    [
        (0.0, "0 %"),
        (0.004, "under 1 %"),
        (0.02, "2 %"),
        (0.5, "50 %"),
        (0.98, "98 %"),
        (0.996, "over 99 %"),
        (1, "100 %"),
    ],
)
def test_a_chance_in_words_knows_no_tails(chance, told):
    assert chance_text(chance) == told


def test_progress_over_several_films_rises_to_the_end():
    told = []
    films = [generic_film(100), generic_film(400), generic_film(400, kind="colour-negative")]
    total_odds(films, [60.0], samples=64, progress=told.append)
    assert told == sorted(told)
    assert told[0] > 0.0
    assert told[-1] == 1.0
    assert any(share == pytest.approx(2.0 / 3.0) for share in told)


def test_a_sum_of_no_dose_is_that_of_no_pass():
    ((none, some),) = total_odds([400], [0.0, 60.0], samples=64)
    assert (none.ei_recommended, none.kerma_ugy) == (400.0, (0.0, 0.0, 0.0))
    assert some.ei_recommended < 400.0


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
def test_an_exposed_roll_tells_how_it_was_shot(kind):
    film = generic_film(400, kind=kind)
    words = [answer(film, 300.0, exposed=True, shot_ei=ei).message for ei in (None, 400.0, 200.0)]
    assert ["shot at EI" in text for text in words] == [False, False, True]
    assert "(shot at EI 200)" in words[2]


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal"])
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
