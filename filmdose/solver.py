"""The array solver: how much more exposure one record needs, for any number of doses at once.

For one record light enters only through fixed matrices P_L and dP_L/dlog10 H
on a grid of exposure, and a dose only through the vector of surviving weights
c_j (1 - p0) exp(-m_j).  So the curves of all doses are one matrix product; the
crossings are found on the grid and refined on the cubic through four nodes.

Exposure is counted from the *shadow point* of the clean record,
s = log10 H - log10 H_m, and dose as x, the mean number of hits of a grain of
sensitivity 1 / H_m.  In these two numbers all speeds of one family of films are
the same problem, and one set of matrices serves them all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from scipy.special import gammainc, gammaln

from filmdose.arrays import FloatArray
from filmdose.emulsion import LN10, Emulsion
from filmdose.units import LOG10_2

__all__ = ["CRITERIA", "DENSITY_STEP", "RecordProblem", "RecordSolution", "record_problem"]

#: What "as good as on the clean film" can mean, each with a sentence.
CRITERIA: dict[str, str] = {
    "fixed_density": "the exposure that gives the standard's density above base plus fog (ISO 6: 0.10)",
    "fractional_gradient": "the exposure where the gradient is 0.3 of the mean gradient over the next 1.5 log units",
    "shadow_gradient": "the exposure that restores the absolute gradient of the clean shadow point",
    "shadow_snr": "the exposure that restores the signal-to-noise ratio of the clean shadow point",
}

#: Density above minimum of the speed point: ISO 6 and ISO 5800 [density].
DENSITY_STEP: dict[str, float] = {"bw-negative": 0.10, "colour-negative": 0.15}

GRID_STEP = 0.05  # log units; with a cubic through four nodes crossings are good to about 1e-5
_GRID_LOW = -1.0
_FRACTION = 0.3
_MEAN_INTERVAL = 1.5
_CONTRAST_INTERVAL = 1.30
_CHUNK = 512  # cells whose grids stay in a core's cache
_TOLERANCE = 1e-12


@dataclass(frozen=True, kw_only=True)
class RecordSolution:
    """What the solver found, one element for each dose, in the order given.

    ``stops`` by criterion is NaN where no exposure satisfies it.
    """

    fog_density: FloatArray
    stops: dict[str, FloatArray]
    snr_kept: FloatArray
    contrast_fogged: FloatArray
    highlight_end: FloatArray  #: log units right of the shadow point; NaN where no gradient is enough


@dataclass(frozen=True, kw_only=True)
class RecordProblem:
    """Matrices and clean values of one record (or one family of records of equal shape).

    Made by :func:`record_problem`; ``solve`` may be called from several threads.
    """

    grid: FloatArray  # s, with an exact node at 0
    zero: int  # its index
    net: FloatArray  # P_L^T on the grid extended by the mean interval, (classes, nodes + 30)
    slope: FloatArray  # dP_L/ds^T, (classes, nodes)
    net_noise: FloatArray  # a_j P_L^T, (classes, nodes)
    hit_factor: FloatArray  # m_j = x * hit_factor
    survivors: FloatArray  # c_j (1 - p0)
    noise_floor: float  # sum a_j c_j
    area: FloatArray
    density_step: float
    hits_per_ugy: float  # x per uGy of the record this was made from
    clean_gradient: float
    clean_snr: float  # r at the shadow point, in units where a grain of sensitivity 1/H_m has area 1
    clean_contrast: float
    clean_fractional: float

    def hits(self, kerma_ugy: FloatArray, hits_per_ugy: float | FloatArray | None = None) -> FloatArray:
        """Dose x for an effective kerma [uGy]."""
        return np.asarray(kerma_ugy * (self.hits_per_ugy if hits_per_ugy is None else hits_per_ugy))

    def solve(self, hits: FloatArray, *, snr_target: float = 1.0) -> RecordSolution:
        """All criteria for every dose x; NaN in gives NaN there.

        Parameters
        ----------
        hits
            Mean hits x of a grain at the shadow point [>= 0], any shape.
        snr_target
            Fraction of the clean signal-to-noise that counts as restored [0 to 1, above 0].
        """
        x = np.ascontiguousarray(hits, dtype=np.float64).ravel()
        out = {name: np.empty(x.size) for name in _OUTPUTS}
        for start in range(0, x.size, _CHUNK):
            part = slice(start, start + _CHUNK)
            self._solve_chunk(x[part], snr_target, {name: array[part] for name, array in out.items()})
        shaped = {name: array.reshape(np.shape(hits)) for name, array in out.items()}
        return RecordSolution(
            stops={name: shaped.pop(name) for name in CRITERIA},
            **shaped,
        )

    def _solve_chunk(self, x: FloatArray, snr_target: float, out: dict[str, FloatArray]) -> None:
        weights = x[:, None] * self.hit_factor
        np.negative(weights, out=weights)
        np.exp(weights, out=weights)
        weights *= self.survivors
        net = weights @ self.net
        slope = weights @ self.slope
        noise = weights @ self.net_noise
        noise += (self.noise_floor - weights @ self.area)[:, None]

        nodes, zero = self.grid.size, self.zero
        known = ~np.isnan(x)
        zero_dose = x == 0.0
        out["fog_density"][:] = np.where(zero_dose, 0.0, self.survivors.sum() - weights.sum(axis=1))
        at_shadow = slope[:, zero] / np.sqrt(noise[:, zero])
        out["snr_kept"][:] = np.where(zero_dose, 1.0, at_shadow / self.clean_snr)
        reach = zero + round(_CONTRAST_INTERVAL / GRID_STEP)
        out["contrast_fogged"][:] = (net[:, reach] - net[:, zero]) / _CONTRAST_INTERVAL

        out["fixed_density"][:] = self._crossing(net[:, :nodes] - self.density_step, zero)
        out["shadow_gradient"][:] = self._crossing(slope - self.clean_gradient, zero)
        threshold = (snr_target * self.clean_snr) ** 2
        signal = slope * slope
        signal -= threshold * noise
        out["shadow_snr"][:] = self._crossing(signal, zero)
        mean = net[:, -nodes:] - net[:, :nodes]
        mean *= -_FRACTION / _MEAN_INTERVAL
        mean += slope
        out["fractional_gradient"][:] = self._crossing(mean, 0) - self.clean_fractional
        for name in CRITERIA:
            out[name] /= LOG10_2
            out[name][zero_dose] = 0.0  # an identity; the grid would give it to rounding

        # The highlight end is the last fall of the gradient through its clean shadow value: the same search, mirrored.
        margin = self.clean_gradient - slope[:, ::-1]
        np.negative(margin, out=margin)
        end = self._crossing(margin, 0)
        out["highlight_end"][:] = self.grid[-1] + self.grid[0] - end
        if not known.all():
            for array in out.values():
                array[~known] = np.nan

    def _crossing(self, excess: FloatArray, first: int) -> FloatArray:
        """Grid coordinate of the first point at or right of node ``first`` where each row reaches 0 from below.

        The node itself when the row is there already (within rounding); NaN when
        it never gets there.  Between nodes: the root of the cubic through four.
        """
        rows = np.arange(excess.shape[0])
        index = np.argmax(excess[:, first:] >= -_TOLERANCE, axis=1) + first
        reached = excess[rows, index] >= -_TOLERANCE
        inside = reached & (index > first)
        result = np.where(reached, self.grid[index], np.nan)
        if np.any(inside):
            left = np.clip(index[inside] - 2, 0, self.grid.size - 4)
            which = rows[inside]
            values = [excess[which, left + i] for i in range(4)]
            low = (index[inside] - 1 - left).astype(np.float64)
            result[inside] = self.grid[left] + GRID_STEP * _cubic_root(values, low)
        return result


_OUTPUTS = (*CRITERIA, "fog_density", "snr_kept", "contrast_fogged", "highlight_end")


def _cubic_root(values: list[FloatArray], low: FloatArray) -> FloatArray:
    """Root in [low, low + 1] of the cubic through (0, f0) ... (3, f3), where it changes sign from below."""
    f0, f1, f2, f3 = values
    # Newton's forward differences, as a polynomial in t.
    d1, d2, d3 = f1 - f0, f2 - 2.0 * f1 + f0, f3 - 3.0 * f2 + 3.0 * f1 - f0
    a3 = d3 / 6.0
    a2 = d2 / 2.0 - d3 / 2.0
    a1 = d1 - d2 / 2.0 + d3 / 3.0
    lo, hi = low.copy(), low + 1.0
    f_lo = f0 + lo * (a1 + lo * (a2 + lo * a3))
    f_hi = f0 + hi * (a1 + hi * (a2 + hi * a3))
    with np.errstate(divide="ignore", invalid="ignore"):
        t = lo - f_lo / (f_hi - f_lo)
        t = np.where(np.isfinite(t), t, lo)
        for _ in range(5):
            f = f0 + t * (a1 + t * (a2 + t * a3))
            below = f < 0
            lo = np.where(below, t, lo)
            hi = np.where(below, hi, t)
            step = t - f / (a1 + t * (2.0 * a2 + t * 3.0 * a3))
            t = np.where((step >= lo) & (step <= hi), step, 0.5 * (lo + hi))
    return np.asarray(t)


@lru_cache(maxsize=64)
def _matrices(
    relative: bytes,
    weights: bytes,
    native_fog: float,
    quanta: float,
    hit_exponent: float,
    density_step: float,
) -> RecordProblem:
    z = np.frombuffer(relative)
    c = np.frombuffer(weights)
    survivors = c * (1.0 - native_fog)
    top = max(3.0, _saturation(z, survivors, quanta))
    zero = round(-_GRID_LOW / GRID_STEP)
    nodes = zero + math.ceil(top / GRID_STEP) + 1
    extra = round(_MEAN_INTERVAL / GRID_STEP)
    long_grid: FloatArray = np.asarray((np.arange(nodes + extra) - zero) * GRID_STEP, dtype=np.float64)
    grid = long_grid[:nodes]
    log_x = LN10 * (long_grid[:, None] + z)
    light = np.asarray(gammainc(quanta, np.exp(log_x)), dtype=np.float64)
    short = log_x[:nodes]
    slope = LN10 * np.exp(quanta * short - np.exp(short) - gammaln(quanta))
    area = 10.0 ** (2.0 * hit_exponent * z / 3.0)
    noise_floor = float(area @ c)
    gradient = slope @ survivors
    density = light @ survivors
    variance = noise_floor - float(area @ survivors) + light[:nodes] @ (area * survivors)
    reach = zero + round(_CONTRAST_INTERVAL / GRID_STEP)
    problem = RecordProblem(
        grid=grid,
        zero=zero,
        net=_transposed(light),
        slope=_transposed(slope),
        net_noise=_transposed(light[:nodes] * area),
        hit_factor=10.0 ** (hit_exponent * z),
        survivors=survivors,
        noise_floor=noise_floor,
        area=area,
        density_step=density_step,
        hits_per_ugy=math.nan,
        clean_gradient=float(gradient[zero]),
        clean_snr=float(gradient[zero] / math.sqrt(variance[zero])),
        clean_contrast=float((density[reach] - density[zero]) / _CONTRAST_INTERVAL),
        clean_fractional=0.0,
    )
    clean = problem.solve(np.array([1e-300]))
    fractional = float(clean.stops["fractional_gradient"][0]) * LOG10_2
    return replace(problem, clean_fractional=fractional)


def _transposed(matrix: FloatArray) -> FloatArray:
    return np.ascontiguousarray(matrix.T)


def _saturation(z: FloatArray, survivors: FloatArray, quanta: float) -> float:
    """Exposure [log units from the shadow point] at which the clean record has 99.5 % of its net maximum."""
    s = np.linspace(0.0, 12.0, 241)
    share = gammainc(quanta, 10.0 ** (s[:, None] + z)) @ survivors / survivors.sum()
    return float(s[min(int(np.searchsorted(share, 0.995)), s.size - 1)])


def record_problem(emulsion: Emulsion, shadow_log_exposure: float, density_step: float) -> RecordProblem:
    """Set up the solver for one negative record.

    Parameters
    ----------
    emulsion
        The record.
    shadow_log_exposure
        Its clean speed point log10 H_m [log10 lx s].
    density_step
        Density above minimum of the speed point [density].

    Notes
    -----
    Positions are rounded to 1e-10 log unit, so that the films of one family, which
    differ by a shift only, share their matrices.
    """
    relative = np.round(emulsion.log_sensitivity + shadow_log_exposure, 10)
    problem = _matrices(
        relative.tobytes(),
        emulsion.weights.tobytes(),
        emulsion.native_fog,
        emulsion.quanta,
        emulsion.hit_exponent,
        density_step,
    )
    return replace(problem, hits_per_ugy=shadow_hits_per_ugy(emulsion, shadow_log_exposure))


def shadow_hits_per_ugy(emulsion: Emulsion, shadow_log_exposure: float) -> float:
    """Mean hits per microgray of a grain of sensitivity 1 / H_m."""
    exponent = emulsion.hit_exponent * (-shadow_log_exposure - emulsion.reference_log_sensitivity)
    return float(emulsion.hits_per_ugy * 10.0**exponent)
