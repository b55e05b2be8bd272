"""The same four criteria by five paths: brentq loop, find_root, bare products, exact solver, emulator.

All take doses x (hits at the shadow point) of the generic ISO 800 film and, but
for the bare products, return stops by criterion with NaN where nothing satisfies it.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from filmdose.compensation import shadow_points
from filmdose.emulator import emulator
from scipy.optimize import brentq
from scipy.optimize.elementwise import find_root
from scipy.special import gammainc, gammaln

from filmdose.film.generic import generic_film
from filmdose.solver import CRITERIA, RecordProblem, record_problem

SPEED = 800
LN10 = math.log(10.0)
LOG2 = math.log10(2.0)
TOP = 3.95  # right end of the solver's grid for this film [log units from the shadow point]


@cache
def problem() -> RecordProblem:
    film = generic_film(SPEED)
    return record_problem(film.records[0], shadow_points(film)[0], 0.10)


@cache
def model():
    """Grain classes relative to the shadow point, from the film and not from the solver."""
    film = generic_film(SPEED).records[0]
    z = film.log_sensitivity + math.log10(0.8 / SPEED)
    return z, film.weights, film.weights * (1 - film.native_fog), 10 ** (film.hit_exponent * z), film.quanta


def doses(cells: int) -> np.ndarray:
    return problem().hits(np.geomspace(1.0, 6000.0, cells))


def exact(x):
    return problem().solve(x).stops


def emulated(x):
    return emulator(problem()).solve(x).stops


def bare_products(x):
    """The matrix products alone, in blocks of the solver's size."""
    p = problem()
    rows = 1024
    weights = np.ones((rows, p.clean_weights.size))
    matrices = (p.net, p.slope, p.noise, p.fractional)
    products = [np.empty((rows, matrix.shape[1])) for matrix in matrices]
    for start in range(0, x.size, rows):
        size = min(rows, x.size - start)
        for matrix, product in zip(matrices, products, strict=True):
            np.matmul(weights[:size], matrix, out=product[:size])


# -- one cell at a time --------------------------------------------------------------------------------------------


def brentq_loop(x):
    z, c, survivors, factor, quanta = model()
    area = 10 ** (2 * generic_film(SPEED).records[0].hit_exponent * z / 3)
    floor = float(area @ c)
    log_gamma = float(gammaln(quanta))

    def curves(w):
        def net(s):
            return float(gammainc(quanta, 10 ** (s + z)) @ w)

        def slope(s):
            log_x = LN10 * (s + z)
            return float(LN10 * np.exp(quanta * log_x - np.exp(log_x) - log_gamma) @ w)

        def snr2(s):
            aw = area * w
            return slope(s) ** 2 / (floor - float(aw.sum()) + float(gammainc(quanta, 10 ** (s + z)) @ aw))

        def fractional(s):
            return slope(s) - 0.3 * (net(s + 1.5) - net(s)) / 1.5

        return net, slope, snr2, fractional

    def root(f, low, high):
        return brentq(f, low, high, xtol=1e-9) / LOG2 if f(low) < 0 <= f(high) else math.nan

    def top_of(f, low, high):
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

    _, clean_slope, clean_snr2, clean_fractional = curves(survivors)
    start = brentq(clean_fractional, -1.0, TOP, xtol=1e-9) / LOG2
    out = {name: np.empty(x.size) for name in CRITERIA}
    for i, dose in enumerate(x):
        net, slope, snr2, fractional = curves(survivors * np.exp(-dose * factor))
        out["fixed_density"][i] = root(lambda s: net(s) - 0.10, 0.0, TOP)  # noqa: B023
        out["fractional_gradient"][i] = root(fractional, -1.0, TOP) - start
        # the bracket ends at the maximum only where the plain one does not hold a sign change
        for name, f, wanted in (
            ("shadow_gradient", slope, clean_slope(0.0)),
            ("shadow_snr", snr2, clean_snr2(0.0)),
        ):
            end = 2.0
            if f(end) < wanted:
                end = top_of(f, 0.0, TOP)
            out[name][i] = root(lambda s: f(s) - wanted, 0.0, end)  # noqa: B023
    return out


# -- all cells at once, by SciPy's elementwise root finder -------------------------------------------------------------


def find_root_arrays(x):
    z, c, survivors, factor, quanta = model()
    area = 10 ** (2 * generic_film(SPEED).records[0].hit_exponent * z / 3)
    floor = float(area @ c)
    log_gamma = float(gammaln(quanta))

    def weights(dose):
        return survivors * np.exp(-dose[..., None] * factor)

    def net(s, w):
        return (gammainc(quanta, 10 ** (s[..., None] + z)) * w).sum(axis=-1)

    def slope(s, w):
        log_x = LN10 * (s[..., None] + z)
        return (LN10 * np.exp(quanta * log_x - np.exp(log_x) - log_gamma) * w).sum(axis=-1)

    def snr2(s, w):
        return slope(s, w) ** 2 / (floor - (area * w).sum(axis=-1) + net(s, area * w))

    def fractional(s, w):
        return slope(s, w) - 0.3 * (net(s + 1.5, w) - net(s, w)) / 1.5

    nothing, zero = np.zeros(1), np.zeros(1)
    functions = {
        "fixed_density": (net, 0.10),
        "fractional_gradient": (fractional, 0.0),
        "shadow_gradient": (slope, slope(zero, weights(nothing))[0]),
        "shadow_snr": (snr2, snr2(zero, weights(nothing))[0]),
    }
    trial = np.linspace(0.0, TOP, 41)[:, None]
    start = find_root(lambda s: fractional(s, weights(np.zeros_like(s))), (-1.0, TOP)).x / LOG2
    out = {}
    for name, (function, level) in functions.items():
        low = -1.0 if name == "fractional_gradient" else 0.0
        high = np.full(x.size, TOP)
        if name in ("shadow_gradient", "shadow_snr"):
            for part in np.array_split(np.arange(x.size), max(1, x.size // 2000)):
                values = function(trial + np.zeros((1, part.size)), weights(x[part])[None])
                top = np.argmax(values, axis=0)
                high[part] = trial[top, 0]
        found = find_root(
            lambda s, dose: function(s, weights(dose)) - level,  # noqa: B023
            (np.full(x.size, low), high),
            args=(x,),
            tolerances={"xatol": 1e-9, "xrtol": 0.0},
        )
        out[name] = np.where(found.success, found.x, np.nan) / LOG2
    out["fractional_gradient"] = out["fractional_gradient"] - start
    return out
