"""The same four criteria by four paths: brentq loop, find_root, bare products, and the array solver.

All take doses x (hits at the shadow point) of one record, the generic ISO 800 film, and, but for the bare products,
return stops by criterion with NaN where nothing satisfies it.  The slow paths write the formulas of the film again.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy.optimize import brentq
from scipy.optimize.elementwise import find_root
from scipy.special import gammainc, gammaln

from filmdose.film.generic import generic_film
from filmdose.solution import shadow_points
from filmdose.solver import CRITERIA, RecordSolver, record_criteria, record_solver
from filmdose.threads import one_thread

SPEED = 800
BLOCK = 1024
LN10 = math.log(10.0)
LOG2 = math.log10(2.0)
TOP = 3.6  # right end of the search [log units from the shadow point]


@cache
def solver() -> RecordSolver:
    film = generic_film(SPEED)
    return record_solver(film.records[0], shadow_points(film)[0], 0.10)


class Model:
    """Grain classes relative to the shadow point, and the formulas, from the film and not from the solver."""

    def __init__(self) -> None:
        film = generic_film(SPEED)
        record = film.records[0]
        point = math.log10(0.8 / SPEED)
        self.z = record.log_sensitivity + point
        self.c = record.weights
        self.survivors = record.weights * (1 - record.native_fog)
        self.factor = 10 ** (record.hit_exponent * self.z)
        self.area = 10 ** (record.area_exponent * self.z)
        shift = record.area_exponent * (-point - record.reference_log_sensitivity)
        self.floor = record.noise_floor * 10**-shift
        self.saturation, self.cluster = record.dye_saturation, record.cluster_grains
        self.struck = float((self.c / self.area) @ self.factor)
        self.quanta = record.quanta
        self.log_gamma = float(gammaln(self.quanta))

    def weights(self, dose):
        return self.survivors * np.exp(-dose[..., None] * self.factor)

    def net(self, s, w):
        return (gammainc(self.quanta, 10 ** (s[..., None] + self.z)) * w).sum(axis=-1)

    def slope(self, s, w):
        log_x = LN10 * (s[..., None] + self.z)
        return (LN10 * np.exp(self.quanta * log_x - np.exp(log_x) - self.log_gamma) * w).sum(axis=-1)

    def snr2(self, s, w, dose):
        light = gammainc(self.quanta, 10 ** (s[..., None] + self.z))
        left = w / self.c * (1 - light)
        developed = 1 - left
        variance = (self.area * self.c * developed * (1 - self.saturation * developed)).sum(axis=-1) + self.floor
        clusters = (w * self.factor * (1 - light)).sum(axis=-1) ** 2 / self.struck
        return self.slope(s, w) ** 2 / (variance + (self.cluster - 1) * dose * clusters)

    def fractional(self, s, w):
        return self.slope(s, w) - 0.3 * (self.net(s + 1.5, w) - self.net(s, w)) / 1.5


@cache
def model() -> Model:
    return Model()


def doses(cells: int) -> np.ndarray:
    return solver().hits_per_ugy * np.geomspace(1.0, 6000.0, cells)


def exact(x):
    """The array solver, in its own blocks and with one thread, as the package calls it."""
    rows, found = solver().rows(), []
    with one_thread():
        for start in range(0, x.size, BLOCK):
            found.append(record_criteria(rows, x[start : start + BLOCK], 1.0, 2.2)[0].stops)
    return {name: np.concatenate([one[name] for one in found]) for name in CRITERIA}


def bare_products(x):
    """The four matrix products alone, in blocks of the solver's size."""
    one = solver()
    light = one.light
    near = slice(light.zero - light.margin, light.zero + light.reach)
    matrices = [np.ascontiguousarray(m) for m in (light.missed, light.slope[:, : light.end], light.missed[:, near])]
    matrices += [matrices[2]]
    rows = np.ones((BLOCK, one.weights.size))
    with one_thread():
        for start in range(0, x.size, BLOCK):
            size = min(BLOCK, x.size - start)
            for matrix in matrices:
                rows[:size] @ matrix


# -- one cell at a time --------------------------------------------------------------------------------------------


def _top_of(f, low, high):
    """Place of the maximum, for the right end of a bracket: golden section."""
    g = (math.sqrt(5) - 1) / 2
    a, b = high - g * (high - low), low + g * (high - low)
    fa, fb = f(a), f(b)
    while high - low > 0.005:
        if fa > fb:
            high, b, fb = b, a, fa
            a = high - g * (high - low)
            fa = f(a)
        else:
            low, a, fa = a, b, fb
            b = low + g * (high - low)
            fb = f(b)
    return 0.5 * (low + high)


def _root(f, low, high):
    return brentq(f, low, high, xtol=1e-9) / LOG2 if f(low) < 0 <= f(high) else math.nan


def brentq_loop(x):
    m = model()
    one = np.asarray

    def curves(dose):
        w = m.weights(one(dose))
        return (
            lambda s: float(m.net(one(s), w)) - 0.10,
            lambda s: float(m.fractional(one(s), w)),
            lambda s: float(m.slope(one(s), w)),
            lambda s: float(m.snr2(one(s), w, dose)),
        )

    _, clean_fractional, clean_slope, clean_snr2 = curves(0.0)
    start = brentq(clean_fractional, -1.0, TOP, xtol=1e-9) / LOG2
    wanted_slope, wanted_snr2 = clean_slope(0.0), clean_snr2(0.0)
    out = {name: np.empty(x.size) for name in CRITERIA}
    for i, dose in enumerate(x):
        net, fractional, slope, snr2 = curves(dose)
        out["fixed_density"][i] = _root(net, 0.0, TOP)
        out["fractional_gradient"][i] = _root(fractional, -1.0, TOP) - start
        for name, f, wanted in (("shadow_gradient", slope, wanted_slope), ("shadow_snr", snr2, wanted_snr2)):
            top = _top_of(f, 0.0, TOP)
            out[name][i] = _root(lambda s: f(s) - wanted, 0.0, top)  # noqa: B023
    return out


# -- all cells at once, by SciPy's elementwise root finder -------------------------------------------------------------


def find_root_arrays(x):
    m = model()
    nothing, zero = np.zeros(1), np.zeros(1)
    clean = m.weights(nothing)
    functions = {
        "fixed_density": (lambda s, dose: m.net(s, m.weights(dose)), 0.10),
        "fractional_gradient": (lambda s, dose: m.fractional(s, m.weights(dose)), 0.0),
        "shadow_gradient": (lambda s, dose: m.slope(s, m.weights(dose)), m.slope(zero, clean)[0]),
        "shadow_snr": (lambda s, dose: m.snr2(s, m.weights(dose), dose), m.snr2(zero, clean, nothing)[0]),
    }
    trial = np.linspace(0.0, TOP, 181)[:, None]
    start = find_root(lambda s: m.fractional(s, m.weights(np.zeros_like(s))), (-1.0, TOP)).x / LOG2
    out = {}
    for name, (function, level) in functions.items():
        low = -1.0 if name == "fractional_gradient" else 0.0
        high = np.full(x.size, TOP)
        if name in ("shadow_gradient", "shadow_snr"):
            for part in np.array_split(np.arange(x.size), max(1, x.size // 500)):
                values = function(trial + np.zeros((1, part.size)), x[part][None])
                high[part] = trial[np.argmax(values, axis=0), 0]
        found = find_root(
            lambda s, dose: function(s, dose) - level,  # noqa: B023
            (np.full(x.size, low), high),
            args=(x,),
            tolerances={"xatol": 1e-9, "xrtol": 0.0},
        )
        out[name] = np.where(found.success, found.x, np.nan) / LOG2
    out["fractional_gradient"] = out["fractional_gradient"] - start
    return out
