"""Tables against the solver, draws against direct sums, and what must hold whatever the numbers."""

from __future__ import annotations

import math
import tracemalloc
import warnings
from dataclasses import replace

import digitised
import numpy as np
import pytest
from filmdose.compensation import compensate, needed_stops
from filmdose.odds.surface import CloseSurface, SmoothSurface, film_surface, measured_error
from hypothesis import given, settings
from hypothesis import strategies as st

from filmdose.errors import ValidityWarning
from filmdose.film.fitting import fit_film
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.film.readings import StepReadings
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.odds import (
    Prior,
    default_priors,
    draw_stops,
    narrowing,
    propagate,
    tornado,
    trip_model,
    trip_sobol,
)
from filmdose.odds.draw import roll_groups, shape_of
from filmdose.solver import CRITERIA
from filmdose.trip import Roll, Trip

CT = History(passes=Pass(source="cabin-ct", scanner="x", count=2))


def roll(speed=400.0, history=CT, name="a", **options):
    return Roll(id=name, film=generic_film(speed), history=history, **options)


@pytest.mark.parametrize("criterion", list(CRITERIA))
def test_tables_agree_with_the_solver_between_their_nodes(criterion):
    """On shapes drawn from the priors: within 0.01 stop to 0.95 of the dose beyond rescue, within 0.03 to its end."""
    model = trip_model([roll()])
    surface = film_surface(generic_film(400), shape_of(model, 0.0), criterion)
    assert surface.error_stops < 0.002
    (record,) = surface.records
    assert isinstance(record, SmoothSurface)
    rng = np.random.default_rng(5)
    hits = np.geomspace(1e-4, 300.0, 300)
    for draw in model_shapes(model, rng, 8):
        table, exact = record.answers(record.node_weights(draw[None]), hits[None]), record.exact(draw, hits)
        end = hits[np.isfinite(exact.stops)].max()
        both = np.isfinite(exact.stops) & (exact.snr_kept > 1e-3)
        error = np.abs(table.capped_stops[0] - exact.stops, where=both, out=np.zeros(hits.size))
        assert error[hits < 0.95 * end].max() < 0.01
        assert error.max() < 0.03
        assert np.count_nonzero(np.isfinite(table.stops[0]) != np.isfinite(exact.stops)) <= 1
        np.testing.assert_allclose(table.fog_density[0], exact.fog_density, rtol=1e-3, atol=1e-12)
        assert np.count_nonzero(table.partly[0] != exact.partly) <= 2
        np.testing.assert_allclose(table.snr_kept[0], exact.snr_kept, atol=2e-3)
        known = np.isfinite(exact.room_end) & np.isfinite(table.room_end[0])
        np.testing.assert_allclose(table.room_end[0][known], exact.room_end[known], atol=0.01)


def model_shapes(model, rng, count):
    draws = model.draws(np.clip(rng.standard_normal((count, len(model.inputs))), -3.0, 3.0))
    return np.stack([draws.hit_exponent, draws.grain_area_exponent, draws.log_contrast], axis=1)


def test_a_table_is_better_with_more_nodes():
    model = trip_model([roll()])
    shape = shape_of(model, 0.0)
    emulsion = replace(generic_film(400).records[0], hit_exponent=0.8)
    draw, hits = np.array([0.97, 0.8, 0.1]), np.geomspace(1e-3, 1.0, 50)
    errors = []
    for counts in ((3, 2, 2), (7, 3, 3)):
        record = SmoothSurface(emulsion, 0.10, shape, "shadow_snr", 1.0, counts)
        table = record.answers(record.node_weights(draw[None]), hits[None]).stops[0]
        errors.append(np.abs(table - record.exact(draw, hits).stops).max())
    assert errors[1] < 0.1 * errors[0]


def test_film_without_much_to_restore_is_tabulated_closely():
    """A maker's sheet: straight right above the speed point, its signal-to-noise hardly rises; rules change places."""
    x, density = digitised.points("bw-negative-400", "visual", 6.0)
    steps = StepReadings(log_exposure=x, densities={"visual": density})
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # the sheet ends before the shoulder
        film = fit_film(steps, speed=400).film
    model = trip_model([Roll(id="a", film=film, history=CT)])
    surface = film_surface(film, shape_of(model, 0.0), "shadow_snr")
    (record,) = surface.records
    assert isinstance(record, CloseSurface)
    mean, worst = measured_error(record)
    assert mean == surface.error_stops
    assert mean < 0.08
    assert worst < 0.8
    # What counts is the distribution: quantiles of drawn needs against the solver, draw by draw.
    (group,) = roll_groups(model, "shadow_snr", 1.0)
    draws = model.draws(np.random.default_rng(7).standard_normal((80, len(model.inputs))))
    shapes, (hits,) = group.shapes_and_hits(draws)
    exact = [float(record.exact(shape, dose).stops[0]) for shape, dose in zip(shapes, hits, strict=True)]
    table = group.stops(draws)[:, 0]
    for p in (0.25, 0.5, 0.75, 0.9):
        assert np.quantile(table, p) == pytest.approx(np.quantile(exact, p), abs=0.06)


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
@pytest.mark.parametrize("dose", ["cabin-xray", "cabin-ct"])
def test_nothing_uncertain_gives_the_plain_answer(kind, dose):
    history = History(passes=Pass(source=dose, count=3), flights=Flight(hours=9), storage=Storage(days=100))
    item = Roll(id="a", film=generic_film(800, kind=kind), history=history)
    typical = Prior.known(1.0 if dose == "cabin-xray" else 100.0, unit="uGy")
    known = default_priors().all_known().replaced({f"dose:{dose}": typical}, unevenness=1e-12)
    odds = propagate([item], priors=known, samples=64)["a"]
    plain = compensate(item.film, history_dose(history).kerma_ugy)
    assert odds.stops[0] == odds.stops[2]
    assert odds.stops[1] == pytest.approx(plain.stops["shadow_snr"], abs=0.003)
    assert odds.fog_density[1] == pytest.approx(plain.fog_density, rel=0.01)
    assert odds.snr_kept[1] == pytest.approx(plain.snr_kept, abs=0.002)
    assert odds.ei_recommended == plain.ei
    assert odds.room_stops == pytest.approx(plain.highlight_room_stops + plain.stops["shadow_snr"], abs=0.02)


def test_draws_agree_with_the_plain_solver_one_by_one():
    """b, kappa, film factor, dose and unevenness of a draw put into the plain solver by hand."""
    priors = default_priors().replaced(grain_area_exponent=2.0 / 3.0, film_contrast=1.0)
    model = trip_model([roll(1600)], priors)
    scores = np.clip(np.random.default_rng(6).standard_normal((40, len(model.inputs))), -2.5, 2.5)
    (group,) = roll_groups(model, "shadow_snr", 1.0)
    draws = model.draws(scores)
    got = group.stops(draws)[:, 0]
    for n, row in enumerate(scores):
        value = {item.name: float(item.prior.value(z)) for item, z in zip(model.inputs, row, strict=True)}
        film = generic_film(1600, hit_exponent=value["hit_exponent"], calibration_kerma_ugy=value["calibration_kerma"])
        dose = Prior(low=20.0, typical=100.0, high=1000.0)
        score = math.sqrt(0.5) * (row[model.position["dose[cabin-ct]"]] + row[model.position["dose[cabin-ct @ x]"]])
        kerma = 2.0 * float(dose.value(score)) * value["film_factor[bw-negative ISO 1600]"]
        plain = needed_stops(film, kerma * (1.0 + value["unevenness[a]"]))
        assert got[n] == pytest.approx(math.inf if math.isnan(plain) else plain, abs=0.01)


def test_contrast_multiplies_densities():
    """A draw with more contrast against a film whose weights are all larger."""
    item = roll(400)
    model = trip_model(
        [item], default_priors().all_known().replaced(film_contrast=Prior(low=0.87, typical=1, high=1.2))
    )
    scores = np.zeros((1, len(model.inputs)))
    scores[0, model.position["film_contrast"]] = 1.0
    factor = float(model.priors["film_contrast"].value(1.0))
    (group,) = roll_groups(model, "shadow_snr", 1.0)
    record = item.film.records[0]
    contrasty = Film(kind="bw-negative", speed=400, records=(replace(record, weights=record.weights * factor),))
    plain = needed_stops(contrasty, 210.0)
    assert group.stops(model.draws(scores))[0, 0] == pytest.approx(plain, abs=0.005)


def test_rms_granularity_cancels():
    """The scale of the grain is nowhere in the answer; the prior file says so."""
    film = generic_film(400)
    coarse = replace(film, records=(replace(film.records[0], rms_granularity=40.0),))
    pair = [draw_stops([Roll(id="a", film=item, history=CT)], samples=256)["a"] for item in (film, coarse)]
    np.testing.assert_allclose(*pair, atol=1e-9)


def test_a_film_of_its_own_keeps_its_own_kappa_and_b():
    own = generic_film(400, hit_exponent=0.95, hits_per_ugy=2e-3)
    item = Roll(id="a", film=own, history=CT)
    known = default_priors().all_known().replaced({"dose:cabin-ct": 100.0}).replaced(unevenness=1e-12)
    odds = propagate([item], priors=known, samples=64)["a"]
    assert odds.stops[1] == pytest.approx(compensate(own, 200.0).stops["shadow_snr"], abs=0.003)


def test_the_same_seed_gives_the_same_and_zero_is_one():
    first, again, other = (propagate([roll()], samples=1024, rng=seed)["a"].stops for seed in (0, 0, 1))
    assert first == again
    assert first != other
    assert propagate([roll()], samples=1024, rng=np.random.default_rng(0))["a"].stops == first


def test_both_halves_settle_with_more_draws():
    few, many = (propagate([roll()], samples=count) for count in (512, 2**16))
    assert many.settled_stops < few.settled_stops
    assert many.settled_stops < 0.02
    assert many.samples == 2**16


def test_memory_stays_flat():
    rolls = [roll(speed, name=str(speed)) for speed in (100, 200, 400, 800, 1600, 3200)]
    propagate(rolls, samples=2**14)
    peaks = []
    for count in (2**16, 2**18):
        tracemalloc.start()
        propagate(rolls, samples=count)
        peaks.append(tracemalloc.get_traced_memory()[1])
        tracemalloc.stop()
    assert peaks[1] < 1.1 * peaks[0]
    assert peaks[1] < 300e6


@settings(max_examples=15)
@given(
    speed=st.sampled_from([25.0, 100.0, 400.0, 1600.0, 6400.0]),
    count=st.integers(1, 4),
    source=st.sampled_from(["cabin-xray", "cabin-ct", "hold-ct"]),
)
def test_order_of_everything(speed, count, source):
    history = History(passes=Pass(source=source, count=count))
    odds = propagate([roll(speed, history)], samples=256)["a"]
    assert 0.0 <= odds.stops[0] <= odds.stops[1] <= odds.stops[2]
    assert odds.fog_density[0] <= odds.fog_density[1] <= odds.fog_density[2]
    assert odds.kerma_ugy[0] <= odds.kerma_ugy[1] <= odds.kerma_ugy[2]
    assert odds.ei[0] <= odds.ei[1] <= odds.ei[2] <= speed
    assert 0.0 <= odds.chance_beyond_rescue <= odds.chance_over_one_stop <= 1.0
    assert odds.decision is not None
    assert odds.decision.needed_stops >= odds.stops[1]
    assert odds.decision.given_stops <= odds.decision.needed_stops
    if odds.status == "ok":
        assert odds.decision.given_stops == odds.decision.needed_stops
    if odds.bracket is not None:
        assert list(odds.bracket.stops) == sorted(odds.bracket.stops)
        assert odds.bracket.expected_loss <= odds.bracket.expected_loss_single


def test_more_dose_never_needs_less():
    rolls = [roll(800, History(passes=Pass(source="cabin-ct", scanner="x", count=n)), name=str(n)) for n in range(5)]
    rolls = [replace(item, peak_to_mean=1.0) for item in rolls]
    table = draw_stops(rolls, samples=512).to_numpy()
    assert np.all(table[:, 0] == 0.0)
    # One sample, shared by all rolls: every draw is monotone by itself.
    assert np.all(table[:, 1:] >= table[:, :-1])


def test_a_costlier_shortfall_asks_for_more():
    given = [
        propagate([roll()], cost_under=under, samples=1024)["a"].decision.needed_stops for under in (1.0, 4.0, 9.0)
    ]
    assert given[0] < given[1] < given[2]


def test_criteria_and_targets_change_the_answer():
    partial, full = (propagate([roll(1600)], snr_target=t, samples=1024)["a"].stops[1] for t in (0.8, 1.0))
    assert partial < full
    fixed = propagate([roll(1600)], criterion="fixed-density", samples=1024)
    assert fixed.criterion == "fixed_density"


def test_a_wide_scene_is_capped_by_its_highlights():
    far = propagate([roll(3200, scene_range=4.0)], samples=1024)["a"]
    near = propagate([roll(3200)], samples=1024)["a"]
    assert far.room_stops < near.room_stops
    assert far.status == "highlight_limited"
    assert far.decision.given_stops < near.decision.given_stops
    assert "highlights" in far.message


def test_beyond_rescue_says_so():
    hold = History(passes=Pass(source="hold-ct-slice"))
    odds = propagate([roll(6400, hold)], samples=1024)["a"]
    assert odds.status == "beyond_rescue"
    assert odds.chance_beyond_rescue > 0.6
    assert math.isinf(odds.stops[1])
    assert odds.ei_median is None
    assert "no exposure restores" in odds.message
    assert odds.chance_partly_restored + odds.chance_beyond_rescue > 0.9
    row = propagate([roll(6400, hold)], samples=1024).table().iloc[0]
    assert np.isnan(row["stops"])
    assert np.isfinite(row["fog_density"])


def test_destroyed_film_has_finite_fog():
    mail = History(passes=Pass(source="mail-sanitisation"))
    film = generic_film(400)
    odds = propagate([Roll(id="a", film=film, history=mail)], samples=256)["a"]
    record = film.records[0]
    assert odds.fog_density[2] < 1.35 * (record.maximum_density() - record.minimum_density())
    assert odds.chance_beyond_rescue == 1.0


def test_no_dose_needs_nothing():
    odds = propagate([roll(800, History())], samples=128)["a"]
    assert odds.stops == (0.0, 0.0, 0.0)
    assert (odds.ei_recommended, odds.status, odds.chance_over_one_stop) == (800.0, "ok", 0.0)
    assert "took no dose" in odds.message


def test_an_exposed_roll_has_no_index():
    odds = propagate([roll(800, state="exposed")], samples=1024)["a"]
    same = propagate([roll(800)], samples=1024)["a"]
    assert (odds.status, odds.ei_recommended, odds.decision, odds.bracket) == ("already_exposed", None, None, None)
    assert odds.stops == same.stops
    assert "cannot be compensated" in odds.message


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
def test_reversal_film_reports_its_losses(kind):
    film = generic_film(100, kind=kind)
    known = default_priors().all_known().replaced({"dose:cabin-ct": 400.0}).replaced(unevenness=1e-12)
    odds = propagate([Roll(id="a", film=film, history=CT)], priors=known, samples=64)["a"]
    plain = compensate(film, 800.0)
    assert odds.status == plain.status == "expose_as_marked"
    assert odds.fog_density[1] == pytest.approx(plain.reversal["maximum_density"]["lost"], rel=0.01)
    assert odds.stops[1] == pytest.approx(plain.reversal["range_stops"]["lost"], abs=0.02)
    assert odds.ei_recommended >= 100.0
    assert odds.decision.quantile == 0.2
    spread = propagate([Roll(id="a", film=film, history=CT)], samples=1024)["a"]
    assert spread.fog_density[0] < odds.fog_density[1] < spread.fog_density[2]
    assert spread.decision.given_stops <= 0.0


def test_sensitivity_of_a_trip_finds_what_matters():
    model = trip_model([roll(name="a"), roll(1600, name="b")])
    table = tornado(model, "a")
    assert table.index[0] == "dose per pass of cabin-ct, x"
    assert (table["swing"].diff().dropna() <= 0.0).all()
    assert "fog of bw-negative ISO 1600 over that of its speed" not in table.index
    shares = trip_sobol(model, "a", samples=256, resamples=20)
    assert shares.index[0] == "dose per pass of cabin-ct, x"
    assert shares["first"].sum() < 1.1
    assert (shares["total_low"] <= shares["total_high"]).all()
    found = narrowing(model, "a", samples=4096)
    assert found.table.index[0].startswith("measure the fog of a clip of roll a itself")
    assert found.table["width_stops"].iloc[0] < 0.5 * found.width_stops
    assert "narrow that most" in found.message


def test_sensitivity_of_a_known_answer_is_refused():
    from filmdose.errors import ArgumentError

    with pytest.raises(ArgumentError, match="uncertain"):
        trip_sobol([roll(history=History())], "a", samples=64)


def test_progress_is_told_to_the_end():
    told = []
    propagate([roll()], samples=2**13, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == 1.0


def test_results_print_and_escape_themselves():
    trip = Trip(title="t", rolls=(roll(name="<b>x</b>"),))
    odds = propagate(trip, samples=256)
    assert "<b>x</b>" not in odds._repr_html_()
    assert "draws" in str(odds)
    assert odds.rolls[0].to_dict()["stops"]["low"] == odds.rolls[0].stops[0]
    assert list(odds.table()["roll"]) == ["<b>x</b>"]
