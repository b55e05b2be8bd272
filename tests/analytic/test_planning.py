"""Planning: expected losses against independent averages, the order of asking, the sheet."""

import datetime
import io
import math
from dataclasses import replace

import numpy as np
import pypdf
import pytest
from scipy.stats import norm

from filmdose.answering import answer, given_stops
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.history import History, Pass, history_dose
from filmdose.inverse import speed_to_carry
from filmdose.odds import propagate
from filmdose.odds.priors import default_priors
from filmdose.planning import LOST_STOPS, PLAN_SPEEDS, make_plan
from filmdose.present.page import A5_MM
from filmdose.present.sheet import SHEET_WORDS, sheet_page, sheet_text, write_sheet
from filmdose.present.text import read_words
from filmdose.radiation.sources import get_source
from filmdose.standards import KINDS
from filmdose.trip import Leg, Roll, Trip

DATE = datetime.date(2026, 5, 1)


@pytest.fixture(scope="module")
def known():
    """Nothing unknown but the dose per pass; even fog, and shields as in a broad beam."""
    return default_priors().all_known().replaced(unevenness=0.0, shield_scatter=1.0)


@pytest.fixture(scope="module")
def certain(known):
    """Nothing unknown at all."""
    doses = {f"dose:{name}": get_source(name).air_kerma_typical_ugy for name, _ in get_source("unknown").mixture}
    return known.replaced(doses)


def trip_of(*rolls, legs):
    return Trip(rolls=rolls, legs=tuple(legs))


def roll_of(name, speed, **options):
    return Roll(id=name, film=generic_film(speed, kind=options.pop("kind", "bw-negative")), **options)


def dose_of(*parts):
    return history_dose(History(passes=parts)).kerma_ugy


CT = Pass(source="cabin-ct")


def test_with_nothing_unknown_the_loss_is_the_compensation(certain):
    rolls = [roll_of("a", 400), roll_of("b", 800, state="exposed"), roll_of("c", 1600)]
    legs = [
        Leg(source="cabin-ct", rolls=("a", "b", "c")),
        Leg(source="cabin-xray", rolls=("b",), inspect="scan"),
    ]
    plan = make_plan(trip_of(*rolls, legs=legs), priors=certain, samples=64)
    found = {row.roll.id: row for row in plan.rolls}
    once, xray = dose_of(CT), dose_of(Pass(source="cabin-xray"))
    for name, speed, kerma, weight in (("a", 400, once, 1.0), ("b", 800, once + xray, 4.0), ("c", 1600, once, 1.0)):
        expected = given_stops(speed, kerma)
        assert found[name].loss_scanned == pytest.approx(weight * expected, abs=0.02 * weight)
        assert found[name].kerma_ugy[1] == pytest.approx(kerma, rel=5e-3)
    # by hand at the CT leaves the X-ray that cannot be asked about
    assert found["a"].loss_hand == pytest.approx(0.0, abs=1e-9)
    assert found["b"].loss_hand == pytest.approx(4.0 * given_stops(800, xray), abs=0.08)
    assert found["a"].ei == pytest.approx(answer(400, once).ei)
    assert found["b"].ei is None


def test_expected_loss_averages_over_the_dose_and_not_at_its_middle(known):
    """Against a plain average over 20 000 evenly spaced quantiles of the dose."""
    plan = make_plan(
        trip_of(roll_of("a", 1600), legs=[Leg(source="cabin-ct", rolls=("a",))]), priors=known, samples=4096
    )
    low, typical, high = get_source("cabin-ct").air_kerma_points_ugy
    score = norm.ppf((np.arange(20_000) + 0.5) / 20_000)
    side = np.where(score > 0, math.log(high / typical), math.log(typical / low)) / norm.ppf(0.95)
    stops = given_stops(1600, dose_of(CT) * np.exp(side * score))
    expected = np.minimum(np.where(np.isnan(stops), np.inf, stops), LOST_STOPS).mean()
    assert plan.rolls[0].loss_scanned == pytest.approx(expected, rel=0.015)
    assert plan.rolls[0].loss_scanned > 1.04 * given_stops(1600, dose_of(CT))


def test_the_order_is_by_loss_avoided_and_then_by_importance(certain):
    rolls = [
        roll_of("slow", 100),
        roll_of("low", 400, importance=1),
        roll_of("high", 400, importance=5),
        roll_of("f", 3200),
    ]
    legs = [Leg(source="cabin-ct", rolls=("slow", "low", "high", "f"))]
    plan = make_plan(trip_of(*rolls, legs=legs), priors=certain, samples=64)
    assert [row.roll.id for row in plan.rolls] == ["f", "high", "low", "slow"]
    assert [row.rank for row in plan.rolls] == [1, 2, 3, 4]
    assert [row.roll.id for row in plan.worth_asking] == [r.roll.id for r in plan.rolls if r.avoided >= 1 / 3]
    assert "high" in [row.roll.id for row in plan.worth_asking]


def test_checkpoints_pouch_and_legs_by_hand(certain):
    everything = ("a", "b")
    legs = [
        Leg(source="cabin-ct", rolls=everything, place="one"),
        Leg(source="cabin-ct", rolls=("a",), place="two", inspect="scan"),
        Leg(source="hold-ct", rolls=everything, place="three", inspect="hand"),
        Leg(source="cabin-ct", rolls=("b",), place="four", shield="lead=0.5"),
    ]
    plan = make_plan(trip_of(roll_of("a", 100), roll_of("b", 200), legs=legs), priors=certain, samples=64)
    rows = plan.checkpoints.set_index("where")

    def need(speed, kerma):
        return given_stops(speed, kerma)

    once, behind = dose_of(CT), dose_of(Pass(source="cabin-ct", shield="lead=0.5"))
    gain_a = need(100, 2 * once) - need(100, once)
    gain_b = need(200, once + behind) - need(200, behind)
    assert rows.loc["one", "avoided"] == pytest.approx(gain_a + gain_b, abs=0.05)
    assert rows.loc["one", "most_for"] == ("b" if gain_b > gain_a else "a")
    assert rows.loc["two", "avoided"] == 0.0
    assert rows.loc["three", "avoided"] == 0.0
    assert rows.loc["four", "avoided_for_it"] == pytest.approx(need(200, once + behind) - need(200, once), abs=0.05)
    # the pouch goes around what has no shield of its own
    inside = dose_of(Pass(source="cabin-ct", shield="lead=0.25"))
    pouch = plan.pouch.iloc[0]
    assert pouch["loss_without"] == pytest.approx(need(100, 2 * once) + need(200, once + behind), abs=0.05)
    assert pouch["loss_with"] == pytest.approx(need(100, 2 * inside) + need(200, inside + behind), abs=0.05)


@pytest.mark.long
def test_more_of_anything_never_helps():
    legs = [Leg(source="unknown", rolls=("a", "b")), Leg(source="cabin-ct", rolls=("a", "b"), place="x")]
    plan = make_plan(trip_of(roll_of("a", 200), roll_of("b", 1600, state="exposed"), legs=legs), samples=1024)
    for row in plan.rolls:
        assert 0.0 <= row.loss_now <= row.loss_hand <= row.loss_scanned
    assert (plan.checkpoints["avoided"] >= 0).all()
    assert plan.pouch["avoided"].iloc[0] >= 0
    assert plan.speeds["stops"].is_monotonic_increasing
    assert plan.speeds["loss"].is_monotonic_increasing
    assert plan.speeds["carry"].sum() <= 1
    again = make_plan(plan.trip, samples=1024)
    assert again.to_dataframe().equals(plan.to_dataframe())


def plan_with(certain, count, **options):
    legs = [Leg(source="cabin-ct", rolls=("a",), count=count)]
    return make_plan(trip_of(roll_of("a", 100), legs=legs), priors=certain, samples=64, **options)


@pytest.mark.parametrize("count", [1, 2, 5])
@pytest.mark.parametrize("needed", [None, 40.0, 110.0])
def test_the_speed_to_carry_is_that_of_the_inverse_question(certain, count, needed):
    """With nothing unknown, `plan` and `speed_to_carry` answer one question alike."""
    parts = [Pass(source="cabin-ct", air_kerma_ugy=get_source("cabin-ct").air_kerma_typical_ugy, count=count)]
    simple = speed_to_carry(history_dose(parts), PLAN_SPEEDS, needed_ei=needed)
    plan = plan_with(certain, count, needed_ei=needed)
    assert plan.speeds["carry"].tolist() == simple["carry"].tolist()
    chosen = plan.speeds[plan.speeds["carry"]]
    if len(chosen):
        assert f"Carry ISO {chosen['speed'].item():g}" in plan.carry_words
    else:
        assert "none of these films" in plan.carry_words


def test_the_words_say_what_a_faster_film_would_lose(certain):
    plan = plan_with(certain, 1)
    table = plan.speeds
    place = int(np.flatnonzero(table["carry"])[0])
    faster = table.iloc[place + 1]
    assert f"ISO {faster['speed']:g} would give EI {faster['ei']:g}" in plan.carry_words
    assert f"{faster['loss']:.1f} stops on average instead of {table['loss'][place]:.1f}" in plan.carry_words
    assert faster["gain_stops"] == pytest.approx(np.log2(faster["ei_exact"] / table["ei_exact"][place]))


def test_nothing_is_safe_where_the_shadows_are_not_restored():
    legs = [Leg(source="cabin-ct", rolls=("a", "b", "c"), count=2)]
    plan = make_plan(trip_of(roll_of("a", 50), roll_of("b", 400), roll_of("c", 3200), legs=legs), samples=256)
    outlook = propagate([replace(row.roll, history=History(passes=(replace(CT, count=2),))) for row in plan.rolls])
    for row in plan.rolls:
        assert ("to be safe" in row.verdict) <= (outlook[row.roll.id].status == "ok")


@pytest.mark.parametrize("kind", list(KINDS))
def test_every_kind_can_be_planned(kind, certain):
    legs = [Leg(source="cabin-ct", rolls=("a", "b"))]
    rolls = [roll_of("a", 200, kind=kind), roll_of("b", 200, kind=kind, state="exposed")]
    plan = make_plan(trip_of(*rolls, legs=legs), kind=kind, priors=certain, samples=64)
    low, high = generic_speed_range(kind)
    assert plan.speeds["speed"].tolist() == [speed for speed in PLAN_SPEEDS if low <= speed <= high]
    assert all(0.0 < row.loss_scanned <= 4.0 * LOST_STOPS for row in plan.rolls)


def test_reversal_film_counts_what_it_loses_at_the_dark_end(certain):
    film = generic_film(100, kind="bw-reversal")
    legs = [Leg(source="cabin-ct", rolls=("r",))]
    plan = make_plan(trip_of(Roll(id="r", film=film), legs=legs), priors=certain, speeds=(400,), samples=64)
    lost = answer(film, dose_of(CT)).reversal["range_stops"]["lost"]
    assert plan.rolls[0].loss_scanned == pytest.approx(4.0 * lost, abs=0.08)
    assert "expose as marked" in plan.rolls[0].verdict


def test_a_trip_without_legs_is_planned_from_its_passes(certain):
    part = Pass(source="cabin-ct", place="gate", multiplier=1.5)
    trip = Trip(rolls=(roll_of("a", 800, history=History(passes=(part,))),))
    plan = make_plan(trip, priors=certain, samples=64)
    assert plan.rolls[0].loss_now == 0.0
    assert plan.rolls[0].loss_scanned == pytest.approx(given_stops(800, dose_of(part)), abs=0.02)
    assert "no [[leg]]" in plan.notes[0]


def test_impossible_plans_are_refused():
    roll = roll_of("a", 400)
    with pytest.raises(ArgumentError, match=r"\[\[leg\]\]"):
        make_plan(Trip(rolls=(roll,)))
    with pytest.raises(ArgumentError, match="at least one leg that may be scanned"):
        make_plan(trip_of(roll, legs=[Leg(source="cabin-ct", rolls=("a",), inspect="hand")]))
    legs = [Leg(source="cabin-ct", rolls=("a",))]
    with pytest.raises(ArgumentError, match=r"lead=0\.25"):
        make_plan(trip_of(roll, legs=legs), pouch="lead")
    with pytest.raises(UnknownNameError):
        make_plan(trip_of(roll, legs=legs), pouch="leed=0.25")
    with pytest.raises(ArgumentError, match="at least one speed"):
        make_plan(trip_of(roll, legs=legs), speeds=(), samples=64)
    with pytest.raises(ArgumentError, match="needed_ei: got 0"):
        make_plan(trip_of(roll, legs=legs), needed_ei=0, samples=64)


# -- the sheet -------------------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def plan(certain):
    rolls = [roll_of("a", 3200), roll_of("b", 3200), roll_of("c", 400, state="exposed"), roll_of("d", 25)]
    legs = [Leg(source="cabin-xray", rolls=("a", "b", "c", "d"), count=25)]
    return make_plan(trip_of(*rolls, legs=legs), priors=certain, samples=64)


def test_the_sheet_names_film_by_kind_and_true_speed(plan):
    text = sheet_text(plan, date=DATE)
    assert "2 x black-and-white negative film, ISO 3200, unexposed" in text
    assert "1 x black-and-white negative film, ISO 400, exposed" in text
    assert "ISO 25," not in text  # gains nothing worth asking for
    assert "look up the rule" in text
    assert "49 CFR 1544.211(e)" in text
    assert "claims no right" in text
    assert "true speed" in text
    nothing = replace(plan, rolls=tuple(replace(row, avoided=0.0) for row in plan.rolls))
    assert "ISO 25," in sheet_text(nothing, date=DATE)


@pytest.mark.long
def test_the_sheet_on_paper_says_the_same(plan, tmp_path):
    write_sheet(plan, tmp_path / "s.pdf", date=DATE)
    write_sheet(plan, tmp_path / "t.pdf", date=DATE)
    assert (tmp_path / "s.pdf").read_bytes() == (tmp_path / "t.pdf").read_bytes()
    (page,) = pypdf.PdfReader(io.BytesIO((tmp_path / "s.pdf").read_bytes())).pages
    printed = " ".join(page.extract_text().split())
    for block in sheet_text(plan, date=DATE).split("\n\n"):
        for line in block.splitlines():
            assert " ".join(line.removeprefix("  - ").split()) in printed
    with pytest.raises(ArgumentError, match=r"\.pdf, \.svg, \.png or \.txt"):
        write_sheet(plan, tmp_path / "s.doc", date=DATE)


def test_a_long_list_still_fits_or_is_refused(plan):
    row = plan.rolls[0]
    films = [generic_film(speed) for speed in (100, 125, 160, 200, 250, 320, 400, 500, 640, 800)]

    def with_rolls(some):
        rows = tuple(replace(row, roll=replace(row.roll, film=film), avoided=1.0) for film in some)
        return replace(plan, rolls=rows)

    page = sheet_page(with_rolls(films), words=read_words(SHEET_WORDS), date=DATE)
    assert max(t.get_position()[1] for t in page.canvas_axes.texts) <= A5_MM[1]
    many = [generic_film(speed) for speed in range(100, 140)]
    with pytest.raises(ArgumentError, match="one A5 page"):
        sheet_page(with_rolls(many), date=DATE)
