"""Time of draws: .venv/bin/pytest tests/bench --benchmark-enable --benchmark-only -k draws"""

import time

import pytest

from filmdose.film.generic import generic_film
from filmdose.history import Flight, History, Pass, Storage
from filmdose.odds import propagate, trip_model
from filmdose.trip import Roll

SPEEDS = (50, 100, 200, 400, 800, 1600, 3200)


def history(number):
    passes = (
        Pass(source="cabin-ct", scanner="abc"[number % 3], shield="lead=0.25" if number % 2 else None),
        Pass(source="cabin-xray", scanner="ab"[number % 2], count=1 + number % 4),
    )
    return History(passes=passes, flights=Flight(hours=number), storage=Storage(days=30 * number))


@pytest.fixture(scope="module")
def twelve():
    """12 rolls of 7 speeds."""
    return trip_model([Roll(id=f"{n}", film=generic_film(SPEEDS[n % 7]), history=history(n)) for n in range(12)])


@pytest.fixture(scope="module")
def many():
    """12 rolls of each of 7 speeds."""
    rolls = [Roll(id=f"{n}-{s}", film=generic_film(s), history=history(n)) for n in range(12) for s in SPEEDS]
    return trip_model(rolls)


@pytest.mark.few(1)
@pytest.mark.parametrize(("which", "samples"), [("twelve", 2**15), ("many", 2**17)])
def test_time_of_draws(benchmark, request, which, samples):
    model = request.getfixturevalue(which)
    count = samples if benchmark.enabled else 1024
    benchmark.extra_info["draws x rolls"] = count * len(model.trip.rolls)
    benchmark.pedantic(propagate, (model,), {"samples": count}, rounds=2)


@pytest.mark.long
def test_time_goes_with_the_draws(many):
    """In processor time, which a busy machine changes little: 3.5 to 5 us for a draw of a roll; asked is 10."""
    propagate(many, samples=64)
    seconds = min(_seconds(many, 4096) for _ in range(3))
    assert seconds / 4096 / len(many.trip.rolls) < 10e-6


def _seconds(model, samples):
    start = time.process_time()
    propagate(model, samples=samples)
    return time.process_time() - start
