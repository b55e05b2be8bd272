"""Intervals hold what they promise: simulated trips whose truth is drawn by code of its own, one film at a time."""

from __future__ import annotations

import math
import warnings

import numpy as np
import pytest
from scipy.stats import norm

from filmdose.errors import ValidityWarning
from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import generic_film
from filmdose.film.population import CONTRAST_RANGE, TOE_RANGE
from filmdose.history import History, Pass
from filmdose.odds import Prior, default_priors, learn, propagate, trip_model, weighted_quantile
from filmdose.odds.groups import film_groups
from filmdose.question import Question
from filmdose.radiation.sources import Source
from filmdose.solution import solve_film
from filmdose.trip import FogReading, Roll

TRIPS = 400

#: Three binomial standard deviations of a share of 400: about 90 %, about a half.
ABOUT_90, ABOUT_HALF = 0.045, 0.075

#: Of the typical beam, at the film's surface, so that its kerma is the effective kerma.
POINTS = 10.0, 30.0, 80.0
SCANNER = Source(
    name="invented",
    at="film",
    class_share=0.5,
    **dict(zip((f"air_kerma_{word}_ugy" for word in ("low", "typical", "high")), POINTS, strict=True)),
)
ERROR = 0.01
KIND = "bw-negative"


def two_halves(rng, prior, score=None):
    """A draw from two half (log-, logit-)normals that meet at the typical value, straight from the definition."""
    z = rng.standard_normal() if score is None else score
    ahead, back = {
        "log_normal": (math.log, math.exp),
        "logit_normal": (lambda p: math.log(p / (1.0 - p)), lambda x: 1.0 / (1.0 + math.exp(-x))),
        "normal": (float, float),
    }[prior.kind]
    low, typical, high = (ahead(value) for value in (prior.low, prior.typical, prior.high))
    return back(typical + (typical - low if z < 0.0 else high - typical) / norm.ppf(0.95) * z)


def in_grains_at_the_shadow_point(record: Emulsion, speed, floor, alpha):
    """The floor is stated in grains at the speed point, 0.8 / S; the emulsion wants it at its reference."""
    return floor * 10.0 ** (alpha * (math.log10(speed / 0.8) - record.reference_log_sensitivity))


class World:
    """One true world: what films and scanners really are."""

    def __init__(self, rng):
        self.rng, priors = rng, default_priors()

        def drawn(name):
            return two_halves(rng, priors[f"{KIND}.{name}"] if f"{KIND}.{name}" in priors else priors[name])

        # films have toes and contrasts of these ranges; what is drawn beyond them is at their ends
        self.shape = {
            "toe": float(np.clip(drawn("toe_width"), *TOE_RANGE[False])),
            "contrast": float(np.clip(drawn("film_contrast"), *CONTRAST_RANGE[False])),
        }
        self.noise = {name: drawn(name) for name in ("area_exponent", "noise_floor", "cluster_grains")}
        self.noise["cluster_grains"] = max(self.noise["cluster_grains"], 1.0)
        self.hits = {"hit_exponent": drawn("hit_exponent"), "calibration_kerma_ugy": drawn("calibration_kerma")}
        common = rng.standard_normal()  # both machines are of one class: half of the variance is common
        scores = [math.sqrt(0.5) * (common + rng.standard_normal()) for _ in range(2)]
        low, typical, high = POINTS
        dose = Prior(low=low, typical=typical, high=high, unit="uGy")
        self.kerma = [two_halves(rng, dose, score) for score in scores]
        b = self.hits["hit_exponent"]
        self.factor = {speed: drawn("film_factor") * drawn("true_speed") ** b for speed in (400, 800)}
        self.unevenness = drawn("unevenness")

    def film(self, speed):
        made = generic_film(speed, **self.shape, **self.hits)
        (record,) = made.records
        noise = dict(self.noise)
        noise["noise_floor"] = in_grains_at_the_shadow_point(
            record, speed, noise["noise_floor"], noise["area_exponent"]
        )
        values = {name: getattr(record, name) for name in record.__dataclass_fields__} | noise
        return type(made)(kind=KIND, speed=speed, records=(Emulsion(**values),))

    def fog(self, speed, kerma):
        return float(self.film(speed).records[0].fog_density(kerma * self.factor[speed]))

    def stops(self, speed, kerma):
        worst = kerma * self.factor[speed] * (1.0 + self.unevenness)
        found = solve_film(self.film(speed), np.array([worst]), Question())
        return math.inf if found.verdict[0] == "lost" else float(found.best[0])


def rolls():
    first, second = (Pass(source=SCANNER, scanner=name) for name in ("x", "y"))
    return [
        Roll(id="measured", film=generic_film(400), history=History(passes=first)),
        Roll(id="wanted", film=generic_film(800), history=History(passes=(first, second))),
    ]


@pytest.fixture(scope="module")
def simulated():
    """True worlds: what roll "wanted" needs, and the interval for it after the other roll was read."""
    model = trip_model(rolls())
    (group,) = film_groups(model)
    questions = [Question()] * 2
    rng = np.random.default_rng(11)
    rows = []
    for trip in range(TRIPS):
        world = World(rng)
        read = max(0.3 + world.fog(400, world.kerma[0]) + ERROR * rng.standard_normal(), 0.0)
        control = 0.3 + ERROR * rng.standard_normal()
        truth = world.stops(800, sum(world.kerma))
        reading = FogReading(roll="measured", base_plus_fog=read, control=control, error=ERROR)
        with warnings.catch_warnings():
            # Few draws make a single interval rough; over all trips that shows in the share that they contain.
            warnings.simplefilter("ignore", ValidityWarning)
            learned = learn(model, reading, samples=1024, rng=trip)
        stops = dict(group.stops(model.draws(learned.scores), questions))[1]
        rows.append([truth, *weighted_quantile(stops, [0.05, 0.95], learned.weights)])
    return model, np.array(rows)


@pytest.mark.long
def test_prior_intervals_and_chances(simulated):
    model, rows = simulated
    odds = propagate(model, samples=2**14)["wanted"]
    needed = rows[:, 0]
    inside = np.mean((needed >= odds.stops[0]) & (needed <= odds.stops[2]))
    assert abs(inside - 0.90) < ABOUT_90
    assert abs(np.mean(needed < odds.stops[1]) - 0.5) < ABOUT_HALF
    assert abs(np.mean(needed > 1.0) - odds.chance_over_one_stop) < ABOUT_HALF
    assert abs(np.mean(np.isinf(needed)) - odds.chance_beyond_rescue) < ABOUT_90


@pytest.mark.long
def test_intervals_after_a_measured_roll(simulated):
    model, rows = simulated
    truth, low, high = rows.T
    assert abs(np.mean((low <= truth) & (truth <= high)) - 0.90) < ABOUT_90
    before = propagate(model, samples=2**12)["wanted"].stops
    width = np.where(np.isfinite(high), high, np.inf) - low
    assert np.median(width) < 0.85 * (before[2] - before[0])
