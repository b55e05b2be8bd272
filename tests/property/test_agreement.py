"""One answer, shown by many: every way to ask gives the same numbers.

``answer`` is the reference.  A path is a function of (film, doses, question, tools) that gives one dictionary for each
dose; whatever keys it has must agree: numbers to rounding, texts and printed indices exactly.
"""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import dataclass, fields, replace
from functools import partial
from pathlib import Path

import numpy as np
import pytest
from digitised import sheet_film
from histories import at_film

import filmdose.odds
from filmdose.answering import answer, answer_grid, given_stops
from filmdose.film.filmfile import write_film
from filmdose.film.generic import generic_film
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.odds import default_priors, propagate
from filmdose.question import Question
from filmdose.solution import solve_film
from filmdose.trip import Roll, Trip, answer_roll
from filmdose.units import format_speed
from filmdose.whatif import what_if

KNOWN = default_priors().all_known()
DOSES = [0.0, 3.0, 213.0, 4000.0]
FILMS = {
    "slow": generic_film(25),
    "fast": generic_film(1600),
    "colour": generic_film(800, kind="colour-negative"),
    "slide": generic_film(100, kind="colour-reversal"),
    "bw slide": generic_film(100, kind="bw-reversal"),
    "sheet": sheet_film("bw-negative-400", 7.0),
    "colour sheet": sheet_film("colour-negative-400", 0.0),
}
QUESTIONS = {
    "plain": Question(),
    "fixed density": Question(criterion="fixed_density"),
    "fractional gradient": Question(criterion="fractional_gradient"),
    "shadow gradient": Question(criterion="shadow_gradient"),
    "part of the shadows": Question(snr_target=0.7),
    "wide scene": Question(scene_range=2.7),
    "other costs": Question(cost_under=3.0, cost_over=1.5),
    "uneven": Question(peak_to_mean=1.7),
}
NUMBERS = (
    *("fog_density", "needed_stops", "given_stops", "ei_exact", "ei"),
    *("room_marked_stops", "room_left_stops", "snr_kept", "snr_given"),
)
TEXTS = ("status", "verdict")


def reference(film, dose, question):
    found = answer(film, dose, question)
    values = {name: getattr(found, name) for name in (*NUMBERS, *TEXTS)}
    return {**values, "contrast_fogged": found.contrast["fogged"], **by_criterion(found.stops)}


def by_criterion(stops):
    return {f"stops_{name}": value for name, value in stops.items()}


def film_options(film, folder, *, several=False):
    """A film as options of the command line; of one that is not generic, its file."""
    if film.origin.startswith("generic"):
        return "--speeds" if several else "--speed", format_speed(film.speed), "--kind", film.kind
    path = folder / "film.toml"
    write_film(film, path)
    return "--film", path


def options(question):
    """The question as options of the command line."""
    given = {field.name: getattr(question, field.name) for field in fields(question)}
    return [word for name, value in given.items() for word in ("--" + name.replace("_", "-"), repr(value).strip("'"))]


# -- the paths -------------------------------------------------------------------------------------------------------


def one_by_one(film, doses, question, tools):
    """Solutions of one dose each."""
    return [{"given_stops": solve_film(film, np.array([dose]), question).given[0]} for dose in doses]


def among_many(film, doses, question, tools):
    """The same doses in the midst of thousands, which are solved in blocks."""
    crowd = np.geomspace(0.1, 9000.0, 1500)
    solution = solve_film(film, np.concatenate([crowd, doses, crowd]), question)
    return [
        {
            "given_stops": solution.given[i],
            "snr_kept": solution.snr_kept[i],
            "snr_given": solution.snr_given[i] if not math.isnan(solution.given[i]) else None,
            "verdict": str(solution.verdict[i]),
            "status": str(solution.status_names[i]),
        }
        for i in range(crowd.size, crowd.size + len(doses))
    ]


def array_of_stops(film, doses, question, tools):
    return [{"given_stops": stops} for stops in given_stops(film, np.array(doses), question)]


def grid(film, doses, question, tools):
    """A row of a grid, between two other films."""
    cells = answer_grid([400, film, generic_film(200, kind="colour-negative")], doses, question).isel(film=1)
    return [from_dataset(cells.isel(kerma_ugy=i)) for i in range(len(doses))]


def from_dataset(cell):
    known = (*NUMBERS, *TEXTS, "contrast_fogged")
    values = {name: cell[name].item() for name in known if name in cell}
    if "stops" in cell:
        values |= by_criterion(
            {str(name): stops.item() for name, stops in zip(cell.criterion.data, cell["stops"], strict=True)}
        )
    if math.isnan(values["given_stops"]):
        del values["snr_given"]  # told of lost films too
    return values


def swept(film, doses, question, tools):
    from filmdose.sweep import sweep

    asked = {field.name: getattr(question, field.name) for field in fields(question)}
    cells = sweep(film=film, kerma_ugy=doses, **asked)
    return [from_dataset(cells.isel(kerma_ugy=i)) for i in range(len(doses))]


def table(film, doses, question, tools):
    from filmdose.present.tables import compensation_table

    rows = compensation_table([film], doses, question).to_dict("records")
    return [{name: row[name] for name in ("given_stops", "ei", "ei_exact", *TEXTS)} for row in rows]


def trip(film, doses, question, tools):
    """A roll of a trip whose one pass has the dose, read on the film."""
    results = []
    for dose in doses:
        found = answer_roll(Roll(id="one", film=film, history=at_film(dose)), question).answer
        results.append({name: getattr(found, name) for name in (*NUMBERS, *TEXTS)})
    return results


def rolls_known(film, doses, question, **options):
    """Rolls of which everything is known; the unevenness of a roll stands in its log."""
    return [
        Roll(id=f"{n}", film=film, history=at_film(dose), peak_to_mean=question.peak_to_mean, **options)
        for n, dose in enumerate(doses)
    ]


def odds(film, doses, question, tools):
    """Odds with everything known: the mean of one and the same loss, solved row by row and not for a film."""
    results = []
    for told in propagate(rolls_known(film, doses, question), question, priors=KNOWN, samples=64).rolls:
        given = told.given_stops
        results.append(
            {
                **{name: getattr(told, name) for name in TEXTS},
                "ei": told.ei_recommended,
                "given_stops": None if given is None else Near(given, 1e-6),
                "ei_exact": None if given is None else Near(told.ei_recommended_exact, 1e-6 * film.speed),
            }
        )
    return results


def plan(film, doses, question, tools):
    """What a plan says of a roll whose one pass is still ahead, with everything known."""
    from filmdose.planning import LOST_STOPS, make_plan

    results = [{} for _ in doses]
    for place in (2, 3):
        (roll,) = rolls_known(film, [doses[place]], question)
        made = make_plan(Trip(rolls=(roll,)), question, speeds=[100], kind=film.kind, priors=KNOWN, samples=64)
        (row,) = made.rolls
        results[place] = {"ei": row.ei}
        if row.ei is not None and not film.reversal and row.loss_scanned < LOST_STOPS:
            results[place]["given_stops"] = Near(row.loss_scanned, 1e-6)
    return results


def command_roll(film, doses, question, tools):
    results = []
    for dose in doses:
        words = (*film_options(film, tools.folder), "--kerma", repr(dose), *options(question))
        code, out, err = tools.run("roll", *words, "--format", "json")
        assert code == 0, err
        found = json.loads(out)
        results.append({**{name: found[name] for name in (*NUMBERS, *TEXTS)}, **by_criterion(found["stops"])})
    return results


def command_table(film, doses, question, tools):
    if question.peak_to_mean != 1.0:
        return [{} for _ in doses]  # it asks of even fog only
    words = options(question)
    del words[words.index("--peak-to-mean") : words.index("--peak-to-mean") + 2]
    doses_text = ",".join(repr(dose) for dose in doses)
    where = (*film_options(film, tools.folder, several=True), "--kerma", doses_text)
    code, out, err = tools.run("table", *where, *words, "--format", "json")
    assert code == 0, err
    rows = json.loads(out)["rows"]
    return [{name: row[name] for name in ("ei", "given_stops", *TEXTS)} for row in rows]


PATHS = [
    *(one_by_one, among_many, array_of_stops, grid, swept),
    *(table, trip, odds, plan, command_roll, command_table),
]


@dataclass(frozen=True)
class Near:
    """A number that a path reaches through interpolation of its own, to a tolerance."""

    value: float
    within: float


def assert_agrees(name, found, expected, film):
    wanted = expected[name]
    if isinstance(found, Near):
        assert found.value == pytest.approx(wanted, abs=found.within), name
    elif isinstance(wanted, str):
        assert found == wanted, name
    elif wanted is None:
        assert found is None or math.isnan(found), name
    elif name == "ei":
        assert format_speed(found) == format_speed(wanted)
    else:
        assert found == pytest.approx(wanted, rel=1e-9, abs=1e-9), name


@dataclass(frozen=True)
class Tools:
    run: Callable[..., tuple[int, str, str]]
    folder: Path


@pytest.fixture
def tools(run, tmp_path, monkeypatch):
    # `roll` tells its odds too, which nothing here looks at
    monkeypatch.setattr(filmdose.odds, "propagate", partial(propagate, samples=64))
    return Tools(run, tmp_path)


@pytest.mark.few(2)
@pytest.mark.parametrize("asked", QUESTIONS)
@pytest.mark.parametrize("which", FILMS)
@pytest.mark.parametrize("path", PATHS, ids=lambda path: path.__name__)
def test_every_path_gives_the_same_answer(path, which, asked, tools):
    film, question = FILMS[which], QUESTIONS[asked]
    for dose, found in zip(DOSES, path(film, DOSES, question, tools), strict=True):
        expected = reference(film, dose, question)
        for name, value in found.items():
            assert_agrees(name, value, expected, film)


@pytest.mark.few(1)
@pytest.mark.parametrize("which", FILMS)
@pytest.mark.parametrize("dose", DOSES)
def test_exposed_rolls_are_told_the_same_everywhere(which, dose, tools):
    film = FILMS[which]
    expected = answer(film, dose, Question(scene_range=2.0), exposed=True)
    assert (expected.outcome, expected.ei, expected.given_stops) == ("exposed", None, None)
    words = (*film_options(film, tools.folder), "--kerma", repr(dose), "--scene-range", 2.0, "--exposed")
    code, out, err = tools.run("roll", *words, "--format", "json")
    assert code == 0, err
    printed = json.loads(out)
    plain = json.loads(json.dumps(expected.to_dict(), default=float))
    assert printed["exposed"] == plain["exposed"]
    assert (printed["message"], printed["verdict"]) == (expected.message, expected.verdict)
    roll = Roll(id="one", film=film, history=at_film(dose), state="exposed", scene_range=2.0, peak_to_mean=1.0)
    on_trip = answer_roll(roll, Question()).answer
    assert on_trip.outcome == "exposed"
    assert (on_trip.message, on_trip.verdict) == (expected.message, expected.verdict)
    told = propagate([roll], priors=KNOWN, samples=64)["one"]
    assert (told.outcome, told.verdict, told.ei_recommended) == ("exposed", expected.verdict, None)
    assert told.fog_density[1] == pytest.approx(abs(expected.fog_density), rel=2e-3, abs=1e-7)  # a bin of the histogram


@pytest.mark.few(13)
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal"])
@pytest.mark.parametrize("counts", [{}, {"cabin-xray": 3}, {"cabin-ct": 1, "cabin-xray": 2}, {"hold-ct": 2}])
@pytest.mark.parametrize("shield", ["none", "lead=0.25"])
def test_the_sliders_say_the_same(kind, counts, shield):
    film = generic_film(400, kind=kind)
    question = Question(cost_under=3.0)
    asked = {"question": question, "samples": 64}
    found = what_if(speed=400, kind=kind, counts=counts, shield=shield, peak_to_mean=1.3, **asked)
    around = None if shield == "none" else shield
    passes = tuple(Pass(source=name, count=number, shield=around) for name, number in counts.items())
    dose = history_dose(History(passes=passes))
    assert found.dose.kerma_ugy == pytest.approx(dose.kerma_ugy, rel=1e-12)
    expected = answer(film, dose.kerma_ugy, replace(question, peak_to_mean=1.3))
    assert (found.answer.message, found.answer.stops) == (expected.message, expected.stops)
    for name in (*NUMBERS, *TEXTS):
        assert getattr(found.answer, name) == getattr(expected, name), name
    roll = Roll(id="roll", film=film, history=History(passes=passes), peak_to_mean=1.3)
    told = propagate([roll], **asked)["roll"]
    assert found.odds.message == told.message
    for name in ("ei_recommended", "given_stops", "status", "verdict", "stops", "fog_density", "chance_beyond_rescue"):
        assert getattr(found.odds, name) == getattr(told, name), name


@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
@pytest.mark.parametrize("loss", [0.5, 1.5, math.inf])
def test_the_dose_until_a_loss_gives_that_loss(kind, loss):
    from filmdose.inverse import kerma_for_loss

    film = generic_film(800, kind=kind)
    limit = kerma_for_loss(film, loss)
    below, above = answer(film, 0.999 * limit.kerma_ugy), answer(film, 1.001 * limit.kerma_ugy)
    if math.isinf(loss):
        assert (below.verdict == "lost", above.verdict == "lost") == (False, True)
    else:
        assert below.given_stops <= loss <= above.given_stops


@pytest.mark.few(4)
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal", "bw-reversal"])
@pytest.mark.parametrize(
    "parts",
    [
        History(passes=(Pass(source="cabin-ct"),)),
        History(passes=(Pass(source="cabin-xray", count=2), Pass(source="cabin-ct"))),
        History(passes=(Pass(source="cabin-ct", count=2), Pass(source="hold-ct")), flights=(Flight(hours=9),)),
        History(passes=(Pass(source="unknown", count=2, shield="lead=0.25"),), storage=(Storage(days=700),)),
        History(passes=(Pass(source="hold-ct-slice", peak_to_mean=1.4),)),
    ],
    ids=range(5),
)
def test_the_middle_case_of_the_odds_is_the_typical_answer(kind, parts):
    """The line at the top and the typical case below it are one case, however the dose came together."""
    for speed in (50, 100, 250, 400) if kind.endswith("reversal") else (100, 250, 400, 800, 3200):
        for own in (None, 1.7):
            roll = Roll(id="a", film=generic_film(speed, kind=kind), history=parts, peak_to_mean=own)
            odds, told = propagate([roll], samples=64)["a"], answer_roll(roll, Question()).answer
            if told.verdict != "lost" and odds.verdict != "lost":
                assert odds.ei_median == told.ei
