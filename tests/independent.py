"""A slow second solver, written from the formulas alone: scalar, no code shared with the package.

It starts from plain numbers as `filmdose roll --format json` prints them.  Light enters through the Poisson
distribution (scipy.special.pdtr, whole numbers of quanta only), roots through scipy.optimize.brentq on a bracket
found by walking right in small steps, the least loss through a walk and scipy.optimize.minimize_scalar.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.optimize import brentq, minimize_scalar
from scipy.special import factorial, pdtr

STEP = 0.01
STOP = math.log10(2)
SPEED_POINT = {"bw-negative": 0.10, "colour-negative": 0.15}  # ISO 6, ISO 5800
FARTHEST_STOPS = 3.0 / STOP  # where compensation is looked for


class SlowRecord:
    """One record at one dose."""

    def __init__(self, record: dict, kerma_ugy: float, *, positive: bool = False) -> None:
        self.z = np.array(record["log_sensitivity"])
        self.c = np.array(record["weights"])
        self.quanta = int(record["quanta"])
        assert self.quanta == record["quanta"]
        self.positive = positive
        away = self.z - record["reference_log_sensitivity"]
        self.hits = record["hits_per_ugy"] * kerma_ugy * 10 ** (record["hit_exponent"] * away)
        self.silent = (1 - record["native_fog"]) * np.exp(-self.hits)
        self.base = record["base_density"]
        self.area = 10 ** (record["area_exponent"] * away)
        self.saturation = record["dye_saturation"]
        self.floor = record["noise_floor"]
        self.cluster = record["cluster_grains"]

    def undeveloped(self, x: float) -> np.ndarray:
        return pdtr(self.quanta - 1, 10 ** (x + self.z)) * self.silent

    def density(self, x: float) -> float:
        image = self.undeveloped(x) if self.positive else 1 - self.undeveloped(x)
        return self.base + float(np.sum(self.c * image))

    def minimum(self) -> float:
        return self.base if self.positive else self.base + float(np.sum(self.c * (1 - self.silent)))

    def gradient(self, x: float) -> float:
        """Size of dD/dlog10 H."""
        mean = 10 ** (x + self.z)
        # d/dx P(N >= Q) = mean * P(N = Q - 1) per natural log unit
        chance = np.exp(-mean) * mean ** (self.quanta - 1) / factorial(self.quanta - 1)
        return float(np.sum(self.c * self.silent * math.log(10) * mean * chance))

    def variance(self, x: float) -> float:
        """sigma_D**2 A over 0.4343 a_ref: grains, dye that is used up, a floor, and clusters of grains hit."""
        left = self.undeveloped(x)
        image = left if self.positive else 1 - left
        grains = float(np.sum(self.area * self.c * image * (1 - self.saturation * image)))
        struck = float(np.sum(self.c / self.area * self.hits))
        clusters = 0.0
        if struck > 0:
            clusters = (self.cluster - 1) * float(np.sum(self.c * self.hits * left)) ** 2 / struck
        return self.floor + grains + clusters

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


def plain_records(film: dict) -> list[dict]:
    """Records of a film as printed: one at the top level, or three by name."""
    return list(film["records"].values()) if "records" in film else [film]


def shadow_point(record: dict, step: float) -> float:
    """log10 exposure of the clean negative's speed point."""
    clean = SlowRecord(record, 0.0)
    start = -float(np.max(clean.z)) - 2.0
    return first_root(lambda x: clean.density(x) - clean.minimum() - step, start, start + 12.0)


def slow_record_stops(
    record: dict, kerma_ugy: float, shadow: float, *, step: float = 0.10, snr_target: float = 1.0
) -> dict:
    """Stops by the four criteria for one negative record; ``shadow`` is log10 of its clean speed point."""
    clean, fogged = SlowRecord(record, 0.0), SlowRecord(record, kerma_ugy)
    top = shadow + 6.0

    def fractional(at: SlowRecord) -> float:
        def excess(x: float) -> float:
            return at.gradient(x) - 0.3 * (at.density(x + 1.5) - at.density(x)) / 1.5

        return first_root(excess, shadow - 1.0, top)

    minimum = fogged.minimum()
    points = {
        "fixed_density": first_root(lambda x: fogged.density(x) - minimum - step, shadow, top) - shadow,
        "fractional_gradient": fractional(fogged) - fractional(clean),
        "shadow_gradient": first_root(lambda x: fogged.gradient(x) - clean.gradient(shadow), shadow, top) - shadow,
        "shadow_snr": first_root(lambda x: fogged.snr(x) - snr_target * clean.snr(shadow), shadow, top) - shadow,
    }
    return {name: value / STOP for name, value in points.items()}


def slow_stops(film: dict, kerma_ugy: float, *, snr_target: float = 1.0) -> dict:
    """Stops by the four criteria for a negative film: the record that needs most decides, NaN is most of all."""
    step = SPEED_POINT[film["kind"]]
    each = [
        slow_record_stops(record, kerma_ugy, shadow_point(record, step), step=step, snr_target=snr_target)
        for record in plain_records(film)
    ]
    return {name: float(np.max([stops[name] for stops in each])) for name in each[0]}


class SlowDecision:
    """The loss of a negative film at one dose, s stops right of the marked exposure.

        loss(s) = cost_under [max(0, log2 snr_target - log2 rho(s)) + max(0, -log2 g(s))] + cost_over (s + curb s^2/2)

    rho is the shadow's signal-to-noise over the clean shadow's.  g is the clean film's mean gradient over the scene's
    top stop, over the clean shadow's gradient or over what it is at s = 0, whichever is less.  Of several records the
    least rho and the least g count.
    """

    def __init__(
        self,
        film: dict,
        kerma_ugy: float,
        *,
        snr_target: float = 1.0,
        scene_range: float = 2.2,
        cost_under: float = 4.0,
        cost_over: float = 1.0,
        curb: float = 0.0,
    ) -> None:
        step = SPEED_POINT[film["kind"]]
        self.clean = [SlowRecord(record, 0.0) for record in plain_records(film)]
        self.fogged = [SlowRecord(record, kerma_ugy) for record in plain_records(film)]
        self.shadows = [shadow_point(record, step) for record in plain_records(film)]
        self.snr_target, self.scene_range = snr_target, scene_range
        self.cost_under, self.cost_over, self.curb = cost_under, cost_over, curb
        self.held_to = [
            min(clean.gradient(shadow), self.top_stop(clean, shadow, 0.0))
            for clean, shadow in zip(self.clean, self.shadows, strict=True)
        ]

    def top_stop(self, clean: SlowRecord, shadow: float, stops: float) -> float:
        at = shadow + self.scene_range + stops * STOP
        return (clean.density(at) - clean.density(at - STOP)) / STOP

    def log2_rho(self, stops: float) -> float:
        return min(
            math.log2(max(fogged.snr(shadow + stops * STOP), 1e-300) / clean.snr(shadow))
            for clean, fogged, shadow in zip(self.clean, self.fogged, self.shadows, strict=True)
        )

    def log2_highlight(self, stops: float) -> float:
        return min(
            math.log2(max(self.top_stop(clean, shadow, stops), 1e-300) / least)
            for clean, shadow, least in zip(self.clean, self.shadows, self.held_to, strict=True)
        )

    def loss(self, stops: float) -> float:
        lost = max(0.0, math.log2(self.snr_target) - self.log2_rho(stops)) + max(0.0, -self.log2_highlight(stops))
        return self.cost_under * lost + self.cost_over * (stops + 0.5 * self.curb * stops**2)

    def best(self) -> float:
        """The least minimiser of the loss [stops]."""
        walk = np.arange(0.0, FARTHEST_STOPS, 0.04)
        losses = np.array([self.loss(s) for s in walk])
        candidates = []
        for i in np.flatnonzero(losses <= losses.min() + 0.02):  # near ties are looked at closely
            low, high = max(0.0, walk[i] - 0.04), min(FARTHEST_STOPS, walk[i] + 0.04)
            found = minimize_scalar(self.loss, bounds=(low, high), method="bounded", options={"xatol": 1e-6})
            candidates += [(float(found.fun), float(found.x)), (self.loss(low), low), (self.loss(high), high)]
        least = min(candidates)[0]
        return min(s for loss, s in candidates if loss <= least + 1e-9)
