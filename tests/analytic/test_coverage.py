"""Intervals hold what they promise: 2000 simulated trips, the truth from code of its own."""

from __future__ import annotations

import math
import warnings
from functools import cache

import numpy as np
import pytest
from scipy.stats import norm

from filmdose.errors import ValidityWarning
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass
from filmdose.odds import default_priors, learn, propagate, trip_model, weighted_quantile
from filmdose.odds.draw import roll_groups
from filmdose.solver import record_problem
from filmdose.trip import FogReading, Roll

TRIPS = 2000

#: Three binomial standard deviations about 90 % of 2000.
LOWEST, HIGHEST = 0.88, 0.92

#: The solver has grain area as hits**(2/3), and no input for it; contrast is left out to save time.
PRIORS = default_priors().replaced(grain_area_exponent=2.0 / 3.0, film_contrast=1.0)


def two_piece(rng, low, typical, high):
    """A draw from two half log-normals that meet at the typical value."""
    z = rng.standard_normal()
    s = math.log(typical / low) if z < 0 else math.log(high / typical)
    return typical * math.exp(s / norm.ppf(0.95) * z)


def exponent(step):
    """b in the middle of one of 128 parts of equal chance of its two-piece normal."""
    z = norm.ppf((step + 0.5) / 128.0)
    typical = 0.7924812503605781
    return typical + z / norm.ppf(0.95) * ((typical - 0.6) if z < 0 else (1.0 - typical))


@cache
def film_and_problem(step, speed):
    film = generic_film(speed, hit_exponent=exponent(step), calibration_kerma_ugy=1.0)
    return film.records[0], record_problem(film.records[0], math.log10(0.8 / speed), 0.10)


class World:
    """One true world: what films and scanners really are; its sums are those of the model's description."""

    def __init__(self, rng):
        self.rng = rng
        self.step = int(rng.integers(128))
        self.calibration = two_piece(rng, 12.0, 25.0, 50.0)
        # Both machines are of one class: half of the variance of ln(dose) is common (in normal scores).
        common = rng.standard_normal()
        self.ct = []
        for _ in range(2):
            score = math.sqrt(0.5) * common + math.sqrt(0.5) * rng.standard_normal()
            s = math.log(5.0) if score < 0 else math.log(10.0)
            self.ct.append(100.0 * math.exp(s / norm.ppf(0.95) * score))

    def _equivalent(self, kerma):
        """Kerma that would act alike on a film of average fog whose calibration kerma is 1 uGy."""
        return kerma * two_piece(self.rng, 0.75, 1.0, 1.33) / self.calibration

    def fog(self, speed, kerma):
        record, _ = film_and_problem(self.step, speed)
        return float(record.fog_density(self._equivalent(kerma)))

    def stops(self, speed, kerma):
        _, problem = film_and_problem(self.step, speed)
        unevenness = 1.0 + two_piece(self.rng, 0.01, 0.05, 0.30)
        found = problem.solve(problem.hits(np.array([self._equivalent(kerma) * unevenness])))
        # Half of the shadows' signal-to-noise at least, or the film is beyond rescue.
        return float(found.usable_stops[0]) if found.restorable_snr[0] >= 0.5 else math.inf


def rolls():
    first, second = (Pass(source="cabin-ct", scanner=name) for name in ("x", "y"))
    return [
        Roll(id="measured", film=generic_film(400), history=History(passes=first)),
        Roll(id="wanted", film=generic_film(800), history=History(passes=(first, second))),
    ]


@pytest.fixture(scope="module")
def simulated():
    """2000 true worlds: what roll "wanted" needs, and the interval for it after the other roll was read."""
    model = trip_model(rolls(), PRIORS)
    (group,) = roll_groups(model, "shadow_snr", 1.0)
    rng = np.random.default_rng(11)
    error, rows = 0.01, []
    for trip in range(TRIPS):
        world = World(rng)
        read = max(0.3 + world.fog(400, world.ct[0]) + error * rng.standard_normal(), 0.0)
        control = 0.3 + error * rng.standard_normal()
        truth = world.stops(800, sum(world.ct))
        reading = FogReading(roll="measured", base_plus_fog=read, control=control, error=error)
        with warnings.catch_warnings():
            # Few draws make a single interval rough; over all trips that shows in the share that they contain.
            warnings.simplefilter("ignore", ValidityWarning)
            learned = learn(model, reading, samples=1024, rng=trip)
        stops = group.stops(model.draws(learned.scores))[:, 1]
        rows.append([truth, *weighted_quantile(stops, [0.05, 0.95], learned.weights)])
    return model, np.array(rows)


def test_prior_intervals_and_chances(simulated):
    model, rows = simulated
    odds = propagate(model, samples=2**16)["wanted"]
    needed = rows[:, 0]
    inside = np.mean((needed >= odds.stops[0]) & (needed <= odds.stops[2]))
    assert LOWEST < inside < HIGHEST
    assert abs(np.mean(needed < odds.stops[1]) - 0.5) < 0.034
    assert abs(np.mean(needed <= odds.decision.needed_stops) - 0.8) < 0.027
    assert abs(np.mean(needed > 1.0) - odds.chance_over_one_stop) < 0.034
    assert abs(np.mean(np.isinf(needed)) - odds.chance_beyond_rescue) < 0.01


def test_intervals_after_a_measured_roll(simulated):
    model, rows = simulated
    truth, low, high = rows.T
    assert LOWEST < np.mean((low <= truth) & (truth <= high)) < HIGHEST
    before = propagate(model, samples=2**14)["wanted"].stops
    width = np.where(np.isfinite(high), high, np.inf) - low
    assert np.median(width) < 0.75 * (before[2] - before[0])
