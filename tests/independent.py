"""A slow second solver, written from the formulas alone: scalar, no code shared with the package.

It starts from plain numbers as `filmdose roll --format json` prints them.  Light enters through the Poisson
distribution (scipy.special.pdtr, whole numbers of quanta only), roots through scipy.optimize.brentq on a bracket
found by walking right in small steps, convex minorants through scipy.spatial.ConvexHull, the least loss by a walk.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.integrate import cumulative_trapezoid
from scipy.optimize import brentq
from scipy.spatial import ConvexHull
from scipy.special import factorial, pdtr

STEP = 0.01  # of the walk to a root [log10 units]
WALK = 0.02  # of the decision [stops]
STOP = math.log10(2)
SPEED_POINT = {"bw-negative": 0.10, "colour-negative": 0.15}  # ISO 6, ISO 5800
FARTHEST_STOPS = 2.1 / STOP  # where compensation is looked for: seven stops


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


def convex_minorant(x: np.ndarray, y: np.ndarray) -> np.ndarray:
    """Greatest convex function below points: the lower side of the convex hull of them and of points far above."""
    roof = float(np.max(y)) + 1.0
    points = np.concatenate([np.stack([x, y], axis=1), [[x[0], roof], [x[-1], roof]]])
    corners = np.array(sorted(i for i in ConvexHull(points).vertices if i < x.size))
    return np.interp(x, x[corners], y[corners])


class SlowDecision:
    """The loss of a negative film at one dose, s stops right of the marked exposure.

        loss(s) = cost_under [W(s) + max(0, H(s))] + cost_over s

    rho is the shadow's signal-to-noise over the clean shadow's; g the clean film's mean gradient over the scene's top
    stop, over the clean shadow's gradient or over what it is at s = 0, whichever is less; of several records the least
    rho and the least g count.  What is lost, log2 target - log2 rho and -log2 g, is put on its greatest convex minorant
    over s >= -1 (the shadow's after what is lost once at the least on the way) and averaged over the tones from s - 1
    to s + 1: A(s) and H(s).  W(s) = A(s) - A(end), no less than 0: end is where the shadow point's minorant reaches 0,
    or where A is least if it never does.
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
    ) -> None:
        step = SPEED_POINT[film["kind"]]
        self.clean = [SlowRecord(record, 0.0) for record in plain_records(film)]
        self.fogged = [SlowRecord(record, kerma_ugy) for record in plain_records(film)]
        self.shadows = [shadow_point(record, step) for record in plain_records(film)]
        self.scene_range = scene_range
        self.held_to = [
            min(clean.gradient(shadow), self.top_stop(clean, shadow, 0.0))
            for clean, shadow in zip(self.clean, self.shadows, strict=True)
        ]
        self.stops = np.arange(0.0, FARTHEST_STOPS, WALK)
        tones = np.arange(-1.0, FARTHEST_STOPS, WALK)
        dark = np.array([math.log2(snr_target) - self.log2_rho(s) for s in tones])
        bright = np.array([-self.log2_highlight(s) for s in tones])
        at_point = convex_minorant(tones, np.minimum.accumulate(dark))
        averaged = self.over_tones(tones, at_point)
        need = np.interp(self.stops, tones, at_point)
        reached = np.flatnonzero(need <= 0.0)
        if reached.size == 0:
            self.end = float(self.stops[averaged.argmin()])
        elif reached[0] == 0:
            self.end = 0.0
        else:
            i = reached[0]
            self.end = float(self.stops[i] - WALK * need[i] / (need[i] - need[i - 1]))
        self.averaged = averaged
        self.highlight = self.over_tones(tones, convex_minorant(tones, bright))
        self.highlight -= max(0.0, self.highlight[0])  # what the clean film lacks anyhow is not lost by light
        self.cost_under, self.cost_over = cost_under, cost_over

    def over_tones(self, tones: np.ndarray, values: np.ndarray) -> np.ndarray:
        """Mean from s - 1 to s + 1 at all stops; beyond the last tone the values go on straight."""
        slope = (values[-1] - values[-2]) / WALK
        beyond = tones[-1] + WALK * np.arange(1, round(1 / WALK) + 1)
        more = np.concatenate([values, values[-1] + slope * (beyond - tones[-1])])
        area = cumulative_trapezoid(more, np.concatenate([tones, beyond]), initial=0.0)
        window = round(2 / WALK)
        return (area[window:] - area[:-window])[: self.stops.size] / 2.0

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
        at = min(stops, self.end)
        to_win = max(
            0.0, float(np.interp(at, self.stops, self.averaged) - np.interp(self.end, self.stops, self.averaged))
        )
        highlight = max(0.0, float(np.interp(stops, self.stops, self.highlight)))
        return self.cost_under * (to_win + highlight) + self.cost_over * stops

    def best(self) -> float:
        """The minimiser of the loss [stops]: a point of the walk, the end, or the vertex of a parabola between."""
        losses = np.array([self.loss(s) for s in self.stops])
        i = int(losses.argmin())
        candidates = [float(self.stops[i]), self.end]
        if 0 < i < losses.size - 1:
            before, at, after = losses[i - 1 : i + 2]
            candidates.append(float(self.stops[i]) + WALK * (before - after) / (2 * (before - 2 * at + after)))
            return min(candidates[:2], key=self.loss) if self.end_near(candidates[0]) else candidates[2]
        return min(candidates, key=self.loss)

    def end_near(self, stops: float) -> bool:
        """Whether the kink at the end lies inside the parabola, which then says nothing."""
        return abs(self.end - stops) <= WALK
