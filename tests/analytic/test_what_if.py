"""What-if answers: those of the library, and pictures fast enough for a slider."""

import contextlib
import html
import io
import json
import shlex
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from filmdose.answering import answer
from filmdose.cli import main
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.filmfile import write_film
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, history_dose
from filmdose.odds import propagate
from filmdose.plotting.panel import WhatIfView, what_if_panel
from filmdose.question import Question
from filmdose.radiation.sources import source_names
from filmdose.standards import KINDS
from filmdose.trip import Roll, answer_roll, find_roll
from filmdose.tripfile import read_trip
from filmdose.whatif import difference, what_if

COUNTS = {"cabin-xray": 3, "cabin-ct": 1, "hold-ct": 0}


def history_of(shield):
    return History(passes=tuple(Pass(source=s, count=n, shield=shield) for s, n in COUNTS.items() if n))


@pytest.mark.parametrize("kind", list(KINDS))
def test_the_answers_are_those_of_the_library(kind):
    asked = Question(criterion="shadow-gradient", scene_range=2.0)
    found = what_if(
        speed=200, kind=kind, counts=COUNTS, shield="lead=0.25", peak_to_mean=1.5, question=asked, samples=256, rng=3
    )
    history = history_of("lead=0.25")
    dose = history_dose(history)
    assert found.dose.kerma_ugy == dose.kerma_ugy
    whole = Question(criterion="shadow_gradient", scene_range=2.0, peak_to_mean=1.5)
    assert found.answer == answer(generic_film(200, kind=kind), dose.kerma_ugy, whole)
    roll = Roll(id="roll", film=generic_film(200, kind=kind), history=history, peak_to_mean=1.5)
    odds = propagate([roll], asked, samples=256, rng=3)["roll"]
    assert (found.odds.stops, found.odds.ei_recommended) == (odds.stops, odds.ei_recommended)


def test_no_passes_no_compensation():
    found = what_if(speed=400, counts=dict.fromkeys(COUNTS, 0), samples=64)
    assert found.stops == (0.0, 0.0, 0.0)
    assert found.odds.ei_recommended == 400.0


def test_more_passes_and_no_shield_only_need_more():
    def middle(**options):
        return what_if(**{"speed": 400, "counts": COUNTS, "samples": 256, **options}).stops[1]

    bare = middle()
    assert middle(counts={**COUNTS, "cabin-ct": 2}) > bare
    assert middle(shield="lead=0.25") < bare
    assert middle(peak_to_mean=1.5) > bare
    assert middle(speed=200) < bare < middle(speed=800)


@pytest.mark.parametrize(
    ("speed", "counts", "kind"),
    [
        (400, {"cabin-xray": 1}, "bw-negative"),
        (400, {"cabin-ct": 1}, "bw-negative"),
        (3200, {"hold-ct": 1}, "bw-negative"),
        (1600, {"cabin-ct": 12}, "bw-negative"),
        (800, {"cabin-ct": 4}, "colour-negative"),
        (3200, {"mail-sanitisation": 1}, "bw-negative"),
    ],
)
def test_the_sentence_calls_safe_only_what_restores_the_shadows(speed, counts, kind):
    found = what_if(speed=speed, counts=counts, kind=kind, samples=256)
    if found.odds.ei_recommended is None:
        assert found.sentence.startswith("Do not count on this roll")
    else:
        assert found.sentence.startswith(f"Set EI {found.odds.ei_recommended:g}")
        assert ("to be safe" in found.sentence) == (found.odds.status == "ok")


def test_reversal_film_is_exposed_as_marked():
    found = what_if(speed=100, kind="colour-reversal", counts=COUNTS, samples=64)
    assert found.stops is None
    assert found.odds.ei_recommended == 100.0
    assert "as marked" in found.sentence


@pytest.mark.parametrize(
    ("options", "error"),
    [
        ({"shield": "led=9"}, UnknownNameError),
        ({"counts": {"mail": 1}}, UnknownNameError),
        ({"counts": {"cabin-ct": -1}}, ArgumentError),
        ({"peak_to_mean": 0.5}, ArgumentError),
        ({"speed": 1e5}, ArgumentError),
        ({"kind": "sepia"}, UnknownNameError),
        ({"samples": 3}, ArgumentError),
        ({"film": "film.toml"}, ArgumentError),
        ({"trip": "trip.toml"}, ArgumentError),
        ({"trip": "trip.toml", "roll": "a", "format": "120"}, ArgumentError),
        ({"flight_h": -1.0}, ArgumentError),
        ({"storage_days": -1.0}, ArgumentError),
        ({"format": "127"}, UnknownNameError),
        ({"shot_ei": 0.0}, ArgumentError),
    ],
)
def test_bad_input_is_refused(options, error):
    with pytest.raises(error):
        what_if(**{"speed": 400, "counts": COUNTS, **options})


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("exposed", [False, True])
def test_every_answer_has_its_picture(kind, exposed):
    view, pictures = WhatIfView(), []
    for speed in (100.0, 400.0):
        for count in (0, 2):
            pictures.append(
                view.png(what_if(speed=speed, kind=kind, counts={"cabin-ct": count}, exposed=exposed, samples=64))
            )
    with Image.open(io.BytesIO(pictures[-1])) as image:
        assert image.size == (720, 304)
        assert np.asarray(image).std() > 10
    assert len(set(pictures)) == len(pictures)


@pytest.fixture(scope="module")
def files(tmp_path_factory):
    """An own film of each kind and a trip of rolls in every state; all invented."""
    folder = tmp_path_factory.mktemp("own films")  # with a space, which a command has to quote
    films = [replace(generic_film(320, kind=kind), name=f"own {kind}", origin="invented") for kind in KINDS]
    paths = [write_film(film, folder / f"{film.kind}.toml") for film in films]
    trip = folder / "trip.toml"
    trip.write_text(TRIP, encoding="utf-8")
    return films, paths, trip


TRIP = """
[trip]
title = "Invented"
invented = true

[[roll]]
id = "fresh"
speed = 400

[[roll]]
id = "shot"
kind = "colour-negative"
speed = 200
shot = { ei = 160 }

[[roll]]
id = "wide"
film = "colour-reversal.toml"
scene_range = 1.6
peak_to_mean = 1.4
format = "120"

[[pass]]
source = "cabin-ct"
shield = "lead=0.1"
place = "gate 1"

[[flight]]
hours = 9
rolls = ["fresh"]
"""


def panel_of(files, **options):
    films, paths, trip = files
    return what_if_panel(
        films=[films[0], *paths[1:]], trips=[trip], shields=["lead=0.3+tin=0.1"], samples=64, **options
    )


def printed_by(code):
    told = io.StringIO()
    with contextlib.redirect_stdout(told):
        exec(compile(code, "copied", "exec"), {})
    return told.getvalue().strip()


def said_by(command):
    words = shlex.split(command)
    assert words[:2] == ["filmdose", "roll"]
    told = io.StringIO()
    with contextlib.redirect_stdout(told):
        assert main([*words[1:], "--format", "json"]) == 0
    return json.loads(told.getvalue())


def told_alike(side, panel):
    """Code and command of a panel give the very answer that the side shows."""
    assert printed_by(panel.code.value) == side.found.headline
    told = said_by(panel.command.value)
    assert told["headline"] == side.found.headline
    assert told["ei_safe"] == side.found.odds.ei_recommended
    assert told["verdict_safe"] == side.found.odds.verdict
    assert told["kerma_ugy"] == pytest.approx(side.found.dose.kerma_ugy, rel=1e-12)
    assert told["message"] == side.found.answer.message
    assert html.escape(side.found.headline) in side.words.value


@pytest.mark.few(1)
@pytest.mark.parametrize("number", range(4))
@pytest.mark.parametrize(
    "added", [{}, {"cabin-ct": 2, "shield": "lead=0.3+tin=0.1", "flight_h": 11.5, "format": "120"}]
)
def test_own_films_are_answered_shown_and_told_again(files, number, added, monkeypatch):
    films, paths, _ = files
    monkeypatch.chdir(paths[0].parent)
    panel = panel_of(files)
    choice = panel.controls["film"]
    label = next(value for _, value in choice.options if films[number].name in value)
    panel.a.set({"film": label, **added})
    assert panel.a.found.film == films[number]
    assert panel.controls["speed"].disabled
    if number == 0:  # it was given as a film: the line that writes the file stands in the code
        line = next(line for line in panel.code.value.splitlines() if line.startswith("# for the command: "))
        film = films[number]
        exec(line.removeprefix("# for the command: "), {"write_film": write_film, "film": film})
        assert panel.a.setting.film_file in panel.beside.value
    told_alike(panel.a, panel)


@pytest.mark.few(1)
@pytest.mark.parametrize("roll", ["fresh", "shot", "wide"])
def test_a_roll_of_a_trip_starts_as_on_the_trip(files, roll, monkeypatch):
    _, _, path = files
    monkeypatch.chdir(path.parent)
    panel = panel_of(files)
    panel.controls["start"].value = f"trip: {roll}"
    trip = read_trip(path)
    one = find_roll(trip, roll)
    odds = propagate([one], samples=64)[roll]
    assert panel.a.found.odds.headline == odds.headline
    assert panel.a.found.dose.kerma_ugy == answer_roll(one, Question()).dose.kerma_ugy
    assert panel.controls["format"].disabled
    assert panel.controls["scene_range"].disabled == (one.scene_range is not None)
    told_alike(panel.a, panel)
    before = panel.a.found.dose.kerma_ugy
    panel.a.set({"hold-ct": 1, "storage_days": 400})
    assert panel.a.found.dose.kerma_ugy > before
    told_alike(panel.a, panel)
    panel.a.set({"film": "colour-negative", "speed": 1600.0})
    assert panel.a.found.film == generic_film(1600, kind="colour-negative")
    told_alike(panel.a, panel)


MOVES = {
    "speed": 1600.0,
    **dict.fromkeys(source_names(), 3),
    "film": "colour-negative",
    "shield": "lead=0.5",
    "format": "sheet",
    "flight_h": 20.0,
    "storage_days": 3000,
    "peak_to_mean": 2.0,
    "criterion": "shadow_gradient",
    "scene_range": 3.0,
    "exposed": True,
}


@pytest.mark.long
def test_every_control_moves_the_answer_and_what_is_told(files):
    panel = panel_of(files)
    assert set(panel.controls) == {*MOVES, "start"}
    panel.a.set({"film": "bw-negative"})
    start = panel.a.values()
    for name, value in MOVES.items():
        panel.a.set(start)
        before = panel.a.found, panel.code.value, panel.command.value, bytes(panel.image.value)
        assert start[name] != value
        panel.controls[name].value = value
        assert panel.a.found.odds != before[0].odds, name
        assert (panel.code.value, panel.command.value) != before[1:3], name
        if name not in ("criterion",):  # it moves no curve, and may not move the index
            assert bytes(panel.image.value) != before[3], name
        if name not in ("cabin-xray", "cabin-ct", "hold-ct", "hold-ct-slice"):  # one source is told as another
            told_alike(panel.a, panel)


@pytest.mark.long
def test_two_rolls_stand_side_by_side(files):
    panel = panel_of(files)
    assert panel.difference.value == ""
    panel.a.set({"film": "bw-negative", "speed": 800.0, "cabin-ct": 1})
    panel.compare.value = True
    assert panel.b.values() == panel.a.values()
    assert (panel.a.title.value, panel.b.title.value) == ("<b>A</b>", "<b>B</b>")
    assert "for both" in panel.difference.value
    panel.b.set({"shield": "lead=0.5"})
    assert panel.difference.value == html.escape(difference(panel.a.found, panel.b.found))
    index = f"EI {panel.b.found.odds.ei_recommended:g} in place of {panel.a.found.odds.ei_recommended:g}"
    assert index in panel.difference.value
    panel.told.value = "B"
    assert "--shield lead=0.5" in panel.command.value
    told_alike(panel.b, panel)
    panel.compare.value = False
    assert (panel.told.value, panel.difference.value) == ("A", "")
    assert "--shield" not in panel.command.value


@pytest.mark.long
def test_what_cannot_be_answered_is_said_in_words(files):
    panel = panel_of(files)
    panel.controls["film"].value = "that of the roll"
    assert "Choose one" in panel.words.value
    assert (panel.a.found, panel.code.value, panel.command.value) == (None, "", "")
    panel.controls["film"].value = "bw-negative"
    assert panel.a.found is not None


def test_no_control_is_narrower_than_its_words(files):
    """The rows wrap and no control shrinks below what can be read; 900 pixels are looked at in a browser by hand."""
    panel = panel_of(files)
    for side in (panel.a, panel.b):
        assert side.box.children[-1].layout.flex_flow == "row wrap"
        for control in side.controls.values():
            width, title = (float(text.removesuffix("em")) for text in (control.layout.min_width, "9em"))
            assert width - title > 10.0
            assert len(control.description) * 0.52 < 9.0 or control.description.startswith("exposed"), (
                control.description
            )


@pytest.mark.long
def test_the_panel_follows_its_sliders():
    panel = what_if_panel(samples=64)
    seen = {panel.words.value}
    for name, value in (("speed", 1600.0), ("cabin-ct", 4), ("film", "colour-reversal"), ("shield", "lead=0.5")):
        panel.controls[name].value = value
        seen.add(panel.words.value)
    assert len(seen) == 5
    assert bytes(panel.image.value).startswith(b"\x89PNG")
