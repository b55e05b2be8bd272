"""The same four criteria by four paths: brentq loop, find_root, bare products, and the package's solver.

All take doses x (hits at the shadow point) of the generic ISO 800 film and, but for the bare products, return stops by
criterion with NaN where nothing satisfies it.  ``whole_answer`` is what every answer is made of: the four criteria,
exposure of least loss, verdict, status and all that is printed beside them.
"""

from __future__ import annotations

import math
from functools import cache

import numpy as np
from scipy.optimize import brentq
from scipy.optimize.elementwise import find_root
from scipy.special import gammainc, gammaln

from filmdose.film.generic import generic_film
from filmdose.question import Question
from filmdose.solution import FilmSolution, record_solvers, solve_film
from filmdose.solver import CRITERIA, REACH, RecordSolver, record_criteria
from filmdose.standards import SCENE_RANGE
from filmdose.threads import one_thread

SPEED = 800
LN10 = math.log(10.0)
LOG2 = math.log10(2.0)
ROWS = 2048  # of a block, as in the package


@cache
def solver() -> RecordSolver:
    return record_solvers(generic_film(SPEED))[0]


@cache
def model():
    """Grain classes relative to the shadow point, from the film and not from the solver."""
    film = generic_film(SPEED).records[0]
    shadow = math.log10(0.8 / SPEED)
    z = film.log_sensitivity + shadow
    area = 10 ** (film.area_exponent * z)
    # a grain at z_ref has area 1 in the film, one at the shadow point here
    floor = film.noise_floor * 10 ** (film.area_exponent * (shadow + film.reference_log_sensitivity))
    assert film.dye_saturation == 0.0
    return {
        "z": z,
        "c": film.weights,
        "survivors": film.weights * (1 - film.native_fog),
        "profile": 10 ** (film.hit_exponent * z),
        "area": area,
        "floor": floor,
        "full": float(area @ film.weights),
        "cluster": film.cluster_grains - 1,
        "struck": float((film.weights / area) @ 10 ** (film.hit_exponent * z)),
        "quanta": film.quanta,
    }


def far_end() -> float:
    """Right end of the exposures at which the solver looks for densities and gradients [log units]."""
    return solver().light.top


def doses(cells: int) -> np.ndarray:
    return np.geomspace(1.0, 6000.0, cells) * solver().hits_per_ugy


def exact(x):
    """The package's solver, four criteria."""
    rows = solver().rows()
    with one_thread():
        found = [record_criteria(rows, x[i : i + ROWS], 1.0, SCENE_RANGE)[0].stops for i in range(0, x.size, ROWS)]
    return {name: np.concatenate([block[name] for block in found]) for name in CRITERIA}


def whole_answer(x) -> FilmSolution:
    return solve_film(generic_film(SPEED), x / solver().hits_per_ugy, Question())


def bare_products(x):
    """The matrix products alone, in blocks of the solver's size: undeveloped grains, gradient, noise, clusters."""
    light = solver().light
    near = slice(light.zero - light.margin, light.zero + light.reach)
    missed, slope = light.missed, np.ascontiguousarray(light.slope[:, : light.end])
    noise = np.ascontiguousarray(light.missed[:, near])
    weights = np.ones((ROWS, light.z.size))
    matrices = (missed, slope, noise, noise)
    products = [np.empty((ROWS, matrix.shape[1])) for matrix in matrices]
    with one_thread():
        for start in range(0, x.size, ROWS):
            size = min(ROWS, x.size - start)
            for matrix, product in zip(matrices, products, strict=True):
                np.matmul(weights[:size], matrix, out=product[:size])


# -- one cell at a time --------------------------------------------------------------------------------------------


def brentq_loop(x):
    m = model()
    z, area, quanta = m["z"], m["area"], m["quanta"]
    log_gamma = float(gammaln(quanta))

    def curves(dose):
        w = m["survivors"] * np.exp(-dose * m["profile"])
        hit = w * m["profile"]
        clusters = m["cluster"] * dose / m["struck"]

        def net(s):
            return float(gammainc(quanta, 10 ** (s + z)) @ w)

        def slope(s):
            log_x = LN10 * (s + z)
            return float(LN10 * np.exp(quanta * log_x - np.exp(log_x) - log_gamma) @ w)

        def snr2(s):
            missed = 1.0 - gammainc(quanta, 10 ** (s + z))
            grains = m["full"] - float(missed @ (area * w))
            return slope(s) ** 2 / (m["floor"] + grains + clusters * float(missed @ hit) ** 2)

        def fractional(s):
            return slope(s) - 0.3 * (net(s + 1.5) - net(s)) / 1.5

        return net, slope, snr2, fractional

    far = far_end()

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

    _, clean_slope, clean_snr2, clean_fractional = curves(0.0)
    start = brentq(clean_fractional, -1.0, far, xtol=1e-9) / LOG2
    out = {name: np.empty(x.size) for name in CRITERIA}
    for i, dose in enumerate(x):
        net, slope, snr2, fractional = curves(dose)
        out["fixed_density"][i] = root(lambda s: net(s) - 0.10, 0.0, far)  # noqa: B023
        out["fractional_gradient"][i] = root(fractional, -1.0, far) - start
        # the bracket ends at the maximum only where the plain one does not hold a sign change
        for name, f, wanted in (
            ("shadow_gradient", slope, clean_slope(0.0)),
            ("shadow_snr", snr2, clean_snr2(0.0)),
        ):
            # signal-to-noise is looked for up to seven stops
            end = 2.0
            if f(end) < wanted:
                end = top_of(f, 0.0, REACH if name == "shadow_snr" else far)
            out[name][i] = root(lambda s: f(s) - wanted, 0.0, end)  # noqa: B023
    return out


# -- all cells at once, by SciPy's elementwise root finder -------------------------------------------------------------


def find_root_arrays(x):
    m = model()
    z, quanta = m["z"], m["quanta"]
    log_gamma = float(gammaln(quanta))

    def weights(dose):
        return m["survivors"] * np.exp(-dose[..., None] * m["profile"])

    def net(s, dose):
        return (gammainc(quanta, 10 ** (s[..., None] + z)) * weights(dose)).sum(axis=-1)

    def slope(s, dose):
        log_x = LN10 * (s[..., None] + z)
        return (LN10 * np.exp(quanta * log_x - np.exp(log_x) - log_gamma) * weights(dose)).sum(axis=-1)

    def snr2(s, dose):
        left = (1.0 - gammainc(quanta, 10 ** (s[..., None] + z))) * weights(dose)
        clusters = m["cluster"] * dose / m["struck"] * (left * m["profile"]).sum(axis=-1) ** 2
        return slope(s, dose) ** 2 / (m["floor"] + m["full"] - (left * m["area"]).sum(axis=-1) + clusters)

    def fractional(s, dose):
        return slope(s, dose) - 0.3 * (net(s + 1.5, dose) - net(s, dose)) / 1.5

    nothing = np.zeros(1)
    functions = {
        "fixed_density": (net, 0.10),
        "fractional_gradient": (fractional, 0.0),
        "shadow_gradient": (slope, slope(nothing, nothing)[0]),
        "shadow_snr": (snr2, snr2(nothing, nothing)[0]),
    }
    far = far_end()
    start = find_root(lambda s: fractional(s, np.zeros_like(s)), (-1.0, far)).x / LOG2
    out = {}
    for name, (function, level) in functions.items():
        low = -1.0 if name == "fractional_gradient" else 0.0
        high = np.full(x.size, far)
        if name in ("shadow_gradient", "shadow_snr"):
            trial = np.linspace(0.0, REACH if name == "shadow_snr" else far, 41)[:, None]
            for part in np.array_split(np.arange(x.size), max(1, x.size // 2000)):
                values = function(trial + np.zeros((1, part.size)), x[part][None])
                top = np.argmax(values, axis=0)
                high[part] = trial[top, 0]
        found = find_root(
            lambda s, dose: function(s, dose) - level,  # noqa: B023
            (np.full(x.size, low), high),
            args=(x,),
            tolerances={"xatol": 1e-9, "xrtol": 0.0},
        )
        out[name] = np.where(found.success, found.x, np.nan) / LOG2
    out["fractional_gradient"] = out["fractional_gradient"] - start
    return out
