"""Linear models of what makes bands along a film, and how well each explains a profile.

Every cause is a family of models on a grid of its parameters.  Coefficients have normal priors of a relative strength
that is on a grid too; the straight line and the size of the noise are integrated out, so that the likelihood of a
model is known in closed form.  Noise is white or remembers its neighbours:

    e_i = rho e_(i-1) + u_i - theta u_(i-1),   u white

for a few pairs of rho and theta, over which all causes are averaged alike.  A filter that undoes the memory turns each
of them into white noise.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.result import Result
from filmdose.scan.spiral import ENDS, Winding

__all__ = ["NOISES", "Explanation", "explain_density"]

#: Pairs of rho and theta: white noise, memories of up to ten stretches, and two of them under white noise.
NOISES = ((0.0, 0.0), (0.2, 0.0), (0.5, 0.0), (0.8, 0.0), (0.6, 0.3), (0.9, 0.6))

#: Signal over noise, as variances, over which the strength of a cause is spread.
_STRENGTHS = np.logspace(-2.0, 2.0, 9)
_HARMONICS = 4
_TOLERANCE = 0.12

Designs = tuple[FloatArray, list[str]]


@dataclass(frozen=True, eq=False)
class Explanation(Result):
    """How well one cause explains a profile: log of its mean likelihood, and the fit and words of its best model."""

    log_likelihood: float
    fitted: FloatArray
    detail: str


def explain_density(
    position_mm: FloatArray, density: FloatArray, winding: Winding, end: str | None
) -> dict[str, Explanation]:
    """Explanations by every cause; likelihoods are relative to those of the others."""
    found: dict[str, list[Explanation]] = {}
    for (rho, theta), families in zip(NOISES, _families(tuple(position_mm.tolist()), winding, end), strict=True):
        line = _line(position_mm, rho, theta)
        seen = _whitened(density, rho, theta)
        straight = line @ (line.T @ seen)
        rest = seen - straight
        size = float(rest @ rest)
        base = -0.5 * (rest.size - 2) * math.log(size)
        found.setdefault("even", []).append(Explanation(base, _coloured(straight, rho, theta), ""))
        for name, family in families.items():
            one = family.explain(rest / math.sqrt(size))
            fitted = _coloured(straight + one.fitted * math.sqrt(size), rho, theta)
            found.setdefault(name, []).append(Explanation(base + one.log_likelihood, fitted, one.detail))
    return {name: _average(each) for name, each in found.items()}


def _average(each: list[Explanation]) -> Explanation:
    logs = np.array([one.log_likelihood for one in each])
    best = each[int(np.argmax(logs))]
    mean = float(logs.max() + np.log(np.exp(logs - logs.max()).mean()))
    return Explanation(mean, best.fitted, best.detail)


def _whitened(values: FloatArray, rho: float, theta: float, axis: int = 0) -> FloatArray:
    """Values whose noise has lost its memory."""
    from scipy.signal import lfilter

    if rho == 0.0 and theta == 0.0:
        return values
    return np.asarray(lfilter([1.0, -rho], [1.0, -theta], values, axis=axis))


def _coloured(values: FloatArray, rho: float, theta: float) -> FloatArray:
    from scipy.signal import lfilter

    return np.asarray(lfilter([1.0, -theta], [1.0, -rho], values))


def _line(position: FloatArray, rho: float, theta: float) -> FloatArray:
    """Orthonormal columns of a straight line, shape (n, columns)."""
    columns = [np.ones_like(position), position - position.mean()]
    white = _whitened(np.stack(columns, axis=1), rho, theta)
    return np.asarray(np.linalg.qr(white)[0])


@dataclass(frozen=True, eq=False)
class _Family:
    """Models of one cause: orthonormal rows and their prior variances, and what each model is called."""

    rows: FloatArray  # (models, k, n)
    variances: FloatArray  # (models, k)
    details: tuple[str, ...]

    def explain(self, rest: FloatArray) -> Explanation:
        """Log of the mean likelihood over that of an even film; ``rest`` has length 1."""
        freedom = rest.size - 2
        amplitude = (self.rows @ rest.astype(np.float32)).astype(np.float64)
        strength = _STRENGTHS[:, None, None] * self.variances
        shrink = strength / (1.0 + strength)
        left = np.maximum(1.0 - (shrink * amplitude**2).sum(axis=-1), 1e-12)
        log = -0.5 * np.log1p(strength).sum(axis=-1) - 0.5 * freedom * np.log(left)
        top = float(log.max())
        at, model = np.unravel_index(int(np.argmax(log)), log.shape)
        fitted = (shrink[at, model] * amplitude[model]) @ self.rows[model]
        mean = top + math.log(float(np.exp(log - top).mean()))
        return Explanation(mean, np.asarray(fitted, dtype=np.float64), self.details[model])


def _family(made: Designs, line: FloatArray, rho: float, theta: float) -> _Family:
    """Rows and variances of designs, shape (models, n, k), scaled to a mean variance of 1 and freed of the line."""
    designs, details = made
    designs = designs / np.sqrt((designs**2).sum(axis=2).mean(axis=1) + 1e-30)[:, None, None]
    designs = _whitened(designs, rho, theta, axis=1)
    designs = designs - line @ (line.T @ designs)
    variances, vectors = np.linalg.eigh(np.swapaxes(designs, 1, 2) @ designs)
    variances = np.maximum(variances, 0.0)
    rows = np.swapaxes(designs @ vectors, 1, 2) / np.sqrt(np.maximum(variances, 1e-9))[:, :, None]
    return _Family(rows.astype(np.float32), np.where(variances > 1e-9, variances, 0.0), tuple(details))


@functools.lru_cache(maxsize=2)
def _families(positions: tuple[float, ...], winding: Winding, end: str | None) -> tuple[dict[str, _Family], ...]:
    """Families of all causes, one set for each noise."""
    position = np.array(positions)
    step = float(np.median(np.diff(position)))
    ends = (end,) if end else ENDS
    designs = {
        "radiation": _radiation(position, winding, ends, step),
        "fixed-pitch": _fixed_pitch(position, step),
        "light-leak": _light_leak(position, winding, ends, step),
        "development": _development(position, step),
    }
    return tuple(
        {name: _family(made, _line(position, rho, theta), rho, theta) for name, made in designs.items()}
        for rho, theta in NOISES
    )


def _harmonics(
    phase: FloatArray, position: FloatArray, longest: FloatArray, step: float
) -> tuple[FloatArray, FloatArray]:
    """A soft and a sharp design of every phase, shape (models, n): harmonics, and the first ones with a slope.

    ``longest`` is the shortest period of each model [mm]; harmonics that the stretches cannot show are left out.
    """
    slope = np.linspace(-1.0, 1.0, position.size)
    columns: list[FloatArray] = []
    for m in range(1, _HARMONICS + 1):
        seen = (longest / m > 2.5 * step)[:, None]
        columns += [np.cos(m * phase) * seen, np.sin(m * phase) * seen]
    soft = np.stack([columns[0], columns[1], 0.4 * columns[2], 0.4 * columns[3]], axis=2)
    soft = np.concatenate([soft, soft * slope[None, :, None]], axis=2)
    return soft, np.stack(columns, axis=2)


def _radiation(position: FloatArray, winding: Winding, ends: tuple[str, ...], step: float) -> Designs:
    phases, periods, details = [], [], []
    for radius in np.linspace(1 - _TOLERANCE, 1 + _TOLERANCE, 17) * winding.core_radius_mm:
        for layer in np.linspace(1 - _TOLERANCE, 1 + _TOLERANCE, 7) * winding.layer_mm:
            wound = Winding(length_mm=winding.length_mm, core_radius_mm=radius, layer_mm=layer)
            for end in ends:
                s = wound.from_inside_mm(position, end)
                phases.append(wound.turn_angle(s))
                period = wound.period_mm(s)
                periods.append(float(period.min()))
                details.append(f" (period {period[0]:.0f} mm at its start, {period[-1]:.0f} mm at its end)")
    soft, sharp = _harmonics(np.array(phases), position, np.array(periods), step)
    return np.concatenate([_padded(soft, sharp), sharp]), details + details


def _fixed_pitch(position: FloatArray, step: float) -> Designs:
    length = float(position[-1] - position[0])
    frequency = np.arange(2.0 / length, 1.0 / (4.0 * step), 1.0 / (3.0 * length))
    phase = 2.0 * math.pi * frequency[:, None] * position[None, :]
    soft, sharp = _harmonics(phase, position, 1.0 / frequency, step)
    details = [f" (every {1.0 / f:.1f} mm)" for f in frequency]
    return np.concatenate([_padded(soft, sharp), sharp]), details + details


def _padded(soft: FloatArray, sharp: FloatArray) -> FloatArray:
    missing = sharp.shape[2] - soft.shape[2]
    return soft if missing <= 0 else np.pad(soft, ((0, 0), (0, 0), (0, missing)))


def _light_leak(position: FloatArray, winding: Winding, ends: tuple[str, ...], step: float) -> Designs:
    length = float(position[-1] - position[0])
    centres = np.linspace(position[0], position[-1], 150)
    designs, details = [], []
    widths = [w for w in (0.75, 1.5, 3.0, 6.0, 12.0, 25.0, 50.0) if 1.2 * w > 0.5 * step and w < 0.2 * length]
    for centre in centres:
        away = position - centre
        printed = []
        for end in ends:
            turn = float(winding.period_mm(winding.from_inside_mm(np.array([min(centre, winding.length_mm)]), end))[0])
            printed.append(turn)
        for width in widths:
            one = np.exp(-0.5 * (away / width) ** 2)
            designs += [
                one,
                np.where(away >= 0, np.exp(-away / width), 0.0),
                np.where(away <= 0, np.exp(away / width), 0.0),
            ]
            words = f" (at {centre:.0f} mm)"
            details += [words] * 3
            if width < 15.0:
                for turn in printed:
                    for side in (-1.0, 1.0):
                        echo = sum(0.4**k * np.exp(-0.5 * ((away - side * k * turn) / width) ** 2) for k in range(4))
                        designs.append(np.asarray(echo))
                        details.append(f" (at {centre:.0f} mm, printed through to its neighbours)")
    return np.array(designs)[:, :, None], details


def _development(position: FloatArray, step: float) -> Designs:
    span = float(position[-1] - position[0] + step)
    x = (position - position[0] + 0.5 * step) / span
    k = np.arange(1, 61)
    cosines = np.cos(math.pi * k[None, :] * x[:, None])
    designs, details = [], []
    for part in (3.0, 5.0, 8.0, 12.0, 20.0):
        weight = np.exp(-0.25 * (math.pi * k / part) ** 2)  # a squared-exponential covariance of length span / part
        designs.append(cosines * weight)
        details.append(f" (over lengths of about {span / part:.0f} mm)")
    return np.array(designs), details


hold_to_annotations(globals())
