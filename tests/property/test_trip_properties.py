"""What must hold for every trip and every experiment, read from a file or made in Python."""

import math
import warnings
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import example, given, settings
from strategies import experiment_rows, trip_of, trip_rows, trip_text

from filmdose.errors import FilmdoseError, ValidityWarning
from filmdose.odds import ContradictionError, learn, propagate
from filmdose.present.check import check_file
from filmdose.trip import answer_trip
from filmdose.tripfile import parse_trip

pytestmark = pytest.mark.filterwarnings("ignore::filmdose.errors.ValidityWarning")


@given(rows=trip_rows())
def test_a_trip_from_its_file_is_the_trip_from_its_parts(rows):
    read, made = parse_trip(trip_text(rows)), trip_of(rows)
    assert [roll.id for roll in read.rolls] == [roll.id for roll in made.rolls]
    assert replace(read, path="", notes=()) == replace(made, path="", notes=())
    for ours, theirs in zip(answer_trip(read), answer_trip(made), strict=True):
        assert ours.answer == theirs.answer
        assert ours.dose.kerma_ugy == theirs.dose.kerma_ugy


@given(rows=experiment_rows())
def test_a_file_that_is_allowed_has_no_faults(rows, tmp_path_factory):
    path = tmp_path_factory.getbasetemp() / "trip.toml"
    path.write_text(trip_text(rows), encoding="utf-8")
    found = check_file(path)
    assert found.kind == "trip file"
    assert not found.faults


NEARLY_LOST = {
    "roll": [
        {"id": "nothing helps in nearly half of the cases", "kind": "bw-negative", "speed": 723.0},
        {"id": "the middle case is lost", "kind": "bw-reversal", "speed": 25.0},
    ],
    "pass": [
        {"source": "cabin-ct", "count": 3, "rolls": ["nothing helps in nearly half of the cases"]},
        {"source": "hold-ct-slice", "rolls": ["the middle case is lost"]},
    ],
    "flight": [],
    "storage": [],
    "leg": [],
}


@example(rows=NEARLY_LOST)
@given(rows=trip_rows(most_rolls=2))
@settings(max_examples=max(5, settings().max_examples // 5))
def test_odds_are_odds(rows):
    trip = trip_of(rows)
    found = propagate(trip, samples=128)
    for roll in found.rolls:
        for low, middle, high in (roll.kerma_ugy, roll.stops, [abs(fog) for fog in roll.fog_density]):
            assert low <= middle * (1.0 + 1e-9) + 1e-12
            assert middle <= high * (1.0 + 1e-9) + 1e-12
        chances = {name: getattr(roll, name) for name in dir(roll) if name.startswith("chance_")}
        assert len(chances) == 4
        if roll.verdict == "lost":  # no index, so no highlights
            assert math.isnan(chances.pop("chance_highlights_lost"))
        for each in chances.values():
            assert 0.0 <= each <= 1.0 or (math.isnan(each) and roll.outcome != "compensated")
        assert (roll.ei_recommended is None) == (roll.verdict == "lost" or roll.outcome == "exposed")
        if roll.ei_recommended is not None and roll.outcome == "compensated":
            assert roll.ei_recommended <= roll.roll.film.speed
            assert roll.expected_loss <= roll.expected_loss_marked + 1e-4
            if roll.given_stops == 0.0:
                assert roll.expected_loss == roll.expected_loss_marked
    turned = propagate(replace(trip, rolls=trip.rolls[::-1]), samples=128)
    assert {roll.roll.id for roll in turned.rolls} == {roll.roll.id for roll in found.rolls}


@given(rows=experiment_rows())
@settings(max_examples=max(5, settings().max_examples // 5))
def test_an_experiment_teaches_or_says_why_not(rows):
    trip = trip_of(rows)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)
        try:
            taught = learn(trip, samples=512)
        except ContradictionError:
            return
        except FilmdoseError:  # such as a fog that the film cannot have
            return
    told = taught.to_dataframe()
    assert np.isfinite(told.select_dtypes("number").to_numpy()).all()
    again = propagate(trip, learned=taught, samples=128)
    assert all(math.isfinite(roll.kerma_ugy[1]) for roll in again.rolls)
