"""Scoring a field trial: made-up judges whose truth is known, and files that cannot be scored."""

import importlib.util
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from filmdose.errors import InputFileError
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass
from filmdose.tomlfile import reference
from filmdose.trip import Roll, Trip
from filmdose.tripfile import read_trip

ROOT = Path(__file__).parents[2]
PAGE = (ROOT / "docs" / "field_trial.md").read_text(encoding="utf-8")
THIRDS = tuple(round(step / 3.0, 6) for step in range(-3, 10))


@pytest.fixture(scope="module")
def trial():
    spec = importlib.util.spec_from_file_location("score_field_trial", ROOT / "reference" / "score_field_trial.py")
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def judged(rng, equal, width, least, judges):
    """Counts by a judge who compares with an error of his own each time: a simulation, not the scorer's formula."""
    counts = {}
    for stops in THIRDS:
        seen = stops - equal + width * rng.standard_normal(judges)
        counts[stops] = (int((seen < -least).sum()), int((abs(seen) <= least).sum()), int((seen > least).sum()))
    return counts


def test_the_interval_holds_the_truth_as_often_as_it_says(trial):
    rng = np.random.default_rng(1979)
    held, errors = [], []
    for _ in range(200):
        equal = rng.uniform(0.0, 2.0)
        found = trial.equal_exposure(judged(rng, equal, rng.uniform(0.15, 0.9), rng.uniform(0.1, 0.5), judges=3))
        held.append(found.low <= equal <= found.high)
        errors.append(found.middle - equal)
    assert 0.84 <= np.mean(held) <= 0.96
    assert abs(np.mean(errors)) < 0.05


def test_more_judges_narrow_it(trial):
    def width(judges):
        found = trial.equal_exposure(judged(np.random.default_rng(3), 1.1, 0.4, 0.2, judges))
        return found.high - found.low

    assert width(32) < 0.5 * width(2)


def test_judges_who_all_agree_give_a_finite_interval_in_the_middle(trial):
    counts = {0.0: (4, 0, 0), 1.0: (4, 0, 0), 2.0: (0, 0, 4), 3.0: (0, 0, 4)}
    found = trial.equal_exposure(counts)
    assert found.middle == pytest.approx(1.5, abs=0.01)  # by symmetry
    assert found.high - 1.5 == pytest.approx(1.5 - found.low, abs=0.01)
    assert 1.0 < found.low < found.high < 2.0
    assert found.status == "bracketed"


@pytest.mark.parametrize(("grade", "word"), [((3, 0, 0), "more"), ((0, 0, 3), "less")])
def test_what_the_bracket_does_not_hold_is_said(trial, grade, word):
    assert f"may need {word}" in trial.equal_exposure({0.0: grade, 1.0: grade, 2.0: grade}).status


def files(tmp_path, key, scores):
    (tmp_path / "key.toml").write_text(key)
    (tmp_path / "scores.toml").write_text(scores)
    return tmp_path / "key.toml", tmp_path / "scores.toml"


KEY, SCORES = (text for text in re.findall(r"```toml\n(.*?)```", PAGE, re.DOTALL))


def test_the_example_of_the_page_is_scored_beside_the_answer(trial, tmp_path):
    read = trial.read_trial(*files(tmp_path, KEY, SCORES))
    assert (read.roll, read.judges, read.hidden) == ("ridge-400", 1, (0, 1, 0))
    assert read.counts == {0.0: (1, 0, 0), 1.0: (1, 0, 0), 2.0: (0, 1, 0), 3.0: (0, 0, 1)}
    found = trial.equal_exposure(read.counts)
    assert 1.0 < found.middle < 3.0
    said = trial.compare(read_trip(ROOT / "notebooks" / "trip_measured.toml"), read, samples=256)
    assert said.startswith("Invented")
    assert f"{found.middle:+.2f} stops" in said
    assert said.count("intervals ") == len(trial.CRITERIA)
    assert PAGE.endswith("## Every table and field\n\n" + reference(trial.KEY) + "\n" + reference(trial.SCORES))


def test_another_truth_is_told_apart(trial):
    roll = Roll(id="r", film=generic_film(400), history=History(passes=(Pass(source="cabin-xray"),)))
    made = trial.Trial(
        roll="r",
        invented=True,
        counts={s: (9, 0, 0) if s < 3 else (0, 0, 9) for s in (0.0, 1.0, 2.0, 3.0, 4.0)},
        hidden=(0, 0, 0),
        judges=9,
    )
    said = trial.compare(Trip(rolls=(roll,)), made, samples=256)
    assert "intervals are apart" in said
    assert "No clean frame was hidden" in said


@pytest.mark.parametrize(
    ("key", "scores", "problem"),
    [
        (KEY.replace('"RA"', '"KL"'), SCORES, "stands twice"),
        (KEY, SCORES.replace('"RA"', '"XX"'), "no code of the key"),
        (KEY, SCORES.replace('"RA"', '"KL"'), "before"),
        (KEY, SCORES.replace('"better"', '"fine"'), "worse"),
        (KEY, "", "fewer than two"),
        (KEY.replace("[trial]", "[trail]"), SCORES, "trial"),
        (KEY.replace("stops = 3.0", "stops = 30.0"), SCORES, "stops"),
        (KEY.replace('roll = "clean"\nstops = 0.0', 'roll = "clean"\nstops = 1.0'), SCORES, "marked speed"),
    ],
)
def test_what_cannot_be_scored_is_one_line(trial, tmp_path, key, scores, problem):
    with pytest.raises(InputFileError, match=problem) as caught:
        trial.read_trial(*files(tmp_path, key, scores))
    assert "\n" not in str(caught.value)
