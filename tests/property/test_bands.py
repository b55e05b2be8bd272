"""A source that makes bands: one rule for the worst band, and one warning, in every output that shows it."""

import json
import math

import pytest

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, history_dose
from filmdose.inverse import dose_budget, judge_claim, kerma_for_loss, speed_to_carry
from filmdose.odds import default_priors, propagate
from filmdose.outlook import trip_outlook
from filmdose.planning import make_plan
from filmdose.present.card import make_card
from filmdose.present.tables import dose_points, passes_table
from filmdose.question import Question
from filmdose.radiation.sources import Source, get_source, list_sources, source_names
from filmdose.trip import Leg, Roll, Trip, answer_roll
from filmdose.whatif import what_if

HOLD = Pass(source="hold-ct")
BANDS = get_source("hold-ct").peak_to_mean
DOSE = history_dose(HOLD).kerma_ugy
WORST = BANDS * DOSE

#: Everything known, the source's own unevenness left.
KNOWN = default_priors().replaced(
    {
        **{name: default_priors()[name].typical for name in default_priors() if not name.startswith("dose:")},
        "dose:hold-ct": get_source("hold-ct").air_kerma_typical_ugy,
        "unevenness": 1e-9,
    }
)


def test_the_data_have_a_reason():
    source = get_source("hold-ct")
    assert BANDS > 1.0
    assert "inference" in source.note.partition("Bands:")[2]
    assert "zhang2009" in source.references
    # (max - min) / max of 0.40 to 0.65 is a peak of 1.25 to 1.48 times the mean of a wave
    assert 2.0 / (2.0 - 0.40) <= BANDS <= 2.0 / (2.0 - 0.65)


@pytest.mark.few(1)
@pytest.mark.parametrize("speed", [100, 400])
def test_every_output_solves_for_the_worst_band(speed, run):
    film = generic_film(speed)
    expected = answer(film, WORST)
    roll = Roll(id="a", film=film, history=History(passes=HOLD))
    assert answer_roll(roll, Question()).answer.ei_exact == pytest.approx(expected.ei_exact, rel=1e-12)
    printed = json.loads(run("roll", "--speed", speed, "--pass", "hold", "--format", "json")[1])
    assert printed["ei_exact"] == pytest.approx(expected.ei_exact, rel=1e-12)
    assert printed["kerma_ugy"] == pytest.approx(DOSE)
    outlook = trip_outlook(Trip(rolls=(roll,)), priors=KNOWN, samples=64)
    assert outlook.answers[0].answer.ei_exact == pytest.approx(expected.ei_exact, rel=1e-12)
    assert outlook.odds["a"].ei_recommended_exact == pytest.approx(expected.ei_exact, rel=1e-4)
    told = propagate([roll], priors=KNOWN, samples=64)["a"]
    assert told.ei_median == expected.ei
    assert told.fog_density[1] == pytest.approx(expected.fog_density, rel=3e-3)
    clean = Roll(id="a", film=film)
    plan = make_plan(Trip(rolls=(clean,), legs=(Leg(source="hold-ct", rolls=("a",)),)), priors=KNOWN, samples=64)
    assert plan.rolls[0].ei == told.ei_recommended
    (claim,) = judge_claim(HOLD, [film]).to_dict(orient="records")
    assert claim["stops_lost"] == pytest.approx(expected.given_stops, rel=1e-12)
    (carried,) = speed_to_carry([HOLD], [film]).to_dict(orient="records")
    assert carried["ei_exact"] == pytest.approx(expected.ei_exact, rel=1e-12)
    (cell,) = passes_table([film], [HOLD]).to_dict(orient="records")
    assert (cell["kerma_ugy"], cell["ei_exact"]) == pytest.approx((WORST, expected.ei_exact))
    slid = what_if(speed=speed, counts={"hold-ct": 1}, samples=64)
    assert slid.answer.ei_exact == pytest.approx(expected.ei_exact, rel=1e-12)


@pytest.mark.long
def test_points_to_add_up_are_of_the_worst_band():
    """Whoever adds points and reads the table's row has the answer of the roll."""
    points = dose_points().set_index("pass").loc["hold-ct"]
    assert points["typical"] == pytest.approx(WORST)
    (row,) = (row for row in make_card().rows if row.name == "hold-ct")
    assert row.points[0] == pytest.approx(WORST)
    assert row.high[0] == pytest.approx(history_dose(HOLD).worst_band_ugy[2])
    lost = kerma_for_loss(25, 1.0).kerma_ugy
    (counted,) = dose_budget([25], [1.0])["passes_hold-ct"]
    assert counted == math.floor(lost / WORST)


def test_the_rolls_or_the_passes_own_figure_stands_in_its_place(run):
    own = Pass(source="hold-ct", peak_to_mean=2.0)
    assert history_dose(own).peak_to_mean == 2.0
    film = generic_film(100)
    even = Roll(id="a", film=film, history=History(passes=own), peak_to_mean=1.0)
    assert answer_roll(even, Question()).answer.ei_exact == answer(film, DOSE).ei_exact
    words = ("roll", "--speed", 100, "--pass", "hold", "--format", "json", "--peak-to-mean")
    assert json.loads(run(*words, 1)[1])["ei_exact"] == answer(film, DOSE).ei_exact
    two = json.loads(run(*words, 2)[1])
    assert two["ei_exact"] == pytest.approx(answer(film, 2.0 * DOSE).ei_exact)
    mixed = history_dose([HOLD, Pass(source="cabin-ct", count=3)])
    share = mixed.contributions["share"]
    assert mixed.peak_to_mean == pytest.approx(BANDS * share[0] + share[1])


def test_every_hold_source_has_the_warning():
    for name in source_names():
        assert ("Never check film in" in get_source(name).warning) == name.startswith("hold-")


def test_the_list_of_sources_says_what_each_source_says():
    told = list_sources()
    assert list(told.index) == list(source_names())
    for name in source_names():
        source = get_source(name)
        beams = [source.beam, source.beam_soft, source.beam_hard]
        assert told.loc[name, ["beam", "beam_soft", "beam_hard"]].tolist() == [str(beam or "") for beam in beams]
        for end in ("low", "typical", "high"):
            assert told.loc[name, f"air_kerma_{end}_ugy"] == getattr(source, f"air_kerma_{end}_ugy")
        for typical in ("belt_speed_m_s", "beam_width_mm"):
            points = getattr(source, typical)
            shown = told.loc[name, typical]
            assert math.isnan(shown) if points is None else shown == points[1]


@pytest.mark.long
def test_never_check_film_in_is_said_wherever_a_hold_source_appears(run, tmp_path):
    source = "hold-ct"
    trip = tmp_path / "trip.toml"
    rolls = '[[roll]]\nid = "a"\nspeed = 100\n'
    trip.write_text(f'{rolls}[[pass]]\nsource = "{source}"\n')
    measured = tmp_path / "measured.toml"
    measured.write_text(f'{rolls}[[pass]]\nsource = "{source}"\nkerma = "20 mR"\n')
    ahead = tmp_path / "ahead.toml"
    ahead.write_text(f'{rolls}[[leg]]\nsource = "{source}"\n')
    for words in (
        ("table", "--speeds", 100),
        ("table", "--speeds", 100, "--passes", source),
        ("roll", "--speed", 100, "--pass", source),
        ("roll", "--speed", 100, "--pass", source, "--exposed"),
        ("odds", "--speed", 100, "--pass", source),
        ("budget", "--speeds", 100, "--claim", source),
        ("budget", "--speeds", 100),
        ("trip", trip),
        ("trip", measured),
        ("trip", ahead),
        ("plan", ahead),
        ("log", trip, "--source", source),
        ("sources",),
    ):
        code, out, err = run(*words)
        assert code == 0, err
        assert "Never check film in" in out, words
    report = tmp_path / "report.md"
    assert run("report", trip, "--roll", "a", "--samples", 256, "-o", report)[0] == 0
    assert "Never check film in" in report.read_text("utf-8")


def test_other_sources_do_not_say_it(run):
    assert "Never check film in" not in run("roll", "--speed", 100, "--pass", "ct")[1]
    own = Source(name="own", air_kerma_typical_ugy=10.0, warning="Never again.", caution="Not sure.")
    assert own.sentences() == ("Never again.", "Not sure.")
    assert own.sentences(own_dose=True) == ("Never again.",)
