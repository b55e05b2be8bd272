"""A slow second solver, written from the formulas alone: scalar, no shared code with the package's solver.

Light enters through the Poisson distribution (scipy.special.pdtr, whole numbers of
quanta only), the roots through scipy.optimize.brentq on a bracket found by walking
right in small steps.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq
from scipy.special import factorial, pdtr

STEP = 0.01


class SlowFilm:
    """One negative record at one dose, from plain numbers as `filmdose roll --format json` prints them."""

    def __init__(self, film: dict, kerma_ugy: float) -> None:
        self.z = np.array(film["log_sensitivity"])
        self.c = np.array(film["weights"])
        self.quanta = int(film["quanta"])
        assert self.quanta == film["quanta"]
        self.p0 = film["native_fog"]
        self.b = film["hit_exponent"]
        hits = film["hits_per_ugy"] * kerma_ugy * 10 ** (self.b * (self.z - film["reference_log_sensitivity"]))
        self.silent = (1 - self.p0) * np.exp(-hits)
        self.base = film["base_density"]

    def density(self, x: float) -> float:
        undeveloped = pdtr(self.quanta - 1, 10 ** (x + self.z))
        return self.base + float(np.sum(self.c * (1 - undeveloped * self.silent)))

    def fogged_minimum(self) -> float:
        return self.base + float(np.sum(self.c * (1 - self.silent)))

    def gradient(self, x: float) -> float:
        mean = 10 ** (x + self.z)
        # d/dx P(N >= Q) = mean * P(N = Q - 1) per natural log unit
        chance = np.exp(-mean) * mean ** (self.quanta - 1) / factorial(self.quanta - 1)
        return float(np.sum(self.c * self.silent * math.log(10) * mean * chance))

    def variance(self, x: float) -> float:
        undeveloped = pdtr(self.quanta - 1, 10 ** (x + self.z)) * self.silent
        return float(np.sum(10 ** (2 * self.b * self.z / 3) * self.c * (1 - undeveloped)))

    def snr(self, x: float) -> float:
        return self.gradient(x) / math.sqrt(self.variance(x))


def first_root(excess, start: float, stop: float) -> float:
    """First point at or right of start where excess reaches 0 from below; NaN if none."""
    if excess(start) >= 0:
        return start
    left = start
    while left < stop:
        right = left + STEP
        if excess(right) >= 0:
            return brentq(excess, left, right, xtol=1e-12)
        left = right
    return math.nan


def slow_stops(film: dict, kerma_ugy: float, shadow: float, *, step: float = 0.10, snr_target: float = 1.0) -> dict:
    """Stops by the four criteria; ``shadow`` is log10 of the clean speed point."""
    clean, fogged = SlowFilm(film, 0.0), SlowFilm(film, kerma_ugy)
    top = shadow + 6.0

    def fractional(record: SlowFilm) -> float:
        def excess(x: float) -> float:
            return record.gradient(x) - 0.3 * (record.density(x + 1.5) - record.density(x)) / 1.5

        return first_root(excess, shadow - 1.0, top)

    minimum = fogged.fogged_minimum()
    points = {
        "fixed_density": first_root(lambda x: fogged.density(x) - minimum - step, shadow, top) - shadow,
        "fractional_gradient": fractional(fogged) - fractional(clean),
        "shadow_gradient": first_root(lambda x: fogged.gradient(x) - clean.gradient(shadow), shadow, top) - shadow,
        "shadow_snr": first_root(lambda x: fogged.snr(x) - snr_target * clean.snr(shadow), shadow, top) - shadow,
    }
    return {name: value / math.log10(2) for name, value in points.items()}
