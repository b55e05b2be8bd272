"""Bands along a film: radiation on the wound roll, something that turned with a fixed pitch, a light leak, development.

Every cause is a family of linear models of the density along the film, with its parameters on a grid:

    even          a straight line and noise
    radiation     harmonics of the turns of the spiral (core radius and layer within +-12 %, both ends)
    fixed pitch   harmonics of a period that stays the same (sprocket, roller, rack)
    light leak    one bump, symmetric or with one steep side, alone or printed through to the turns above
    development   smooth unevenness of several lengths

Coefficients have normal priors of a relative strength on a grid, the line and the size of the noise are integrated
out, and the likelihood of a cause is the mean over its grid.  The causes are taken as equally likely beforehand.
"""

from __future__ import annotations

import functools
import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import ArgumentError, InputFileError, UnknownNameError
from filmdose.film.readings import read_csv_table
from filmdose.scan.density import LOG10_E, checked_statistics
from filmdose.scan.image import Box, Scan
from filmdose.scan.spiral import ENDS, Winding

__all__ = ["CAUSES", "BandResult", "FogProfile", "explain_bands", "join_profiles", "profile_from_scan", "read_profile"]

#: Causes, and how they are called in a sentence.
CAUSES: dict[str, str] = {
    "even": "nothing but noise and a slope",
    "radiation": "radiation on the wound roll",
    "fixed-pitch": "something with a fixed pitch, such as a sprocket, a roller or a rack",
    "light-leak": "a local light leak",
    "development": "uneven development",
}

#: Signal over noise, as variances, over which the strength of a cause is spread.
_STRENGTHS = np.logspace(-2.0, 2.0, 9)
_HARMONICS = 4
_MOST_BINS = 450
_FEWEST_BINS = 24
_TOLERANCE = 0.12

#: Bayes factor and its words (Kass and Raftery 1995).
_WORDS = ((150.0, "very strong"), (20.0, "strong"), (3.0, "moderate"), (0.0, "hardly any"))


@dataclass(frozen=True, kw_only=True, eq=False)
class FogProfile:
    """Density along a film.

    Parameters
    ----------
    position_mm
        Middle of each stretch, rising [mm].
    density
        Mean density of each stretch.
    control_density
        Density without the fog; None when not known.
    """

    position_mm: FloatArray
    density: FloatArray
    control_density: float | None = None

    def __post_init__(self) -> None:
        position = check_array("position_mm", self.position_mm, low=0.0, unit="mm", nan_allowed=False)
        density = check_array("density", self.density, low=-1.0, high=8.0, unit="density", nan_allowed=False)
        if position.ndim != 1 or position.shape != density.shape or position.size < _FEWEST_BINS:
            raise ArgumentError("position_mm", position.shape, f"at least {_FEWEST_BINS} positions, one density each")
        if np.any(np.diff(position) <= 0.0):
            raise ArgumentError("position_mm", position, "rising positions", "Sort the rows along the film.")
        if self.control_density is not None:
            check_number("control_density", self.control_density, low=0.0, high=6.0, unit="density")
        object.__setattr__(self, "position_mm", position)
        object.__setattr__(self, "density", density)

    def to_frame(self) -> pd.DataFrame:
        """Columns position_mm and density."""
        return pd.DataFrame({"position_mm": self.position_mm, "density": self.density})


@dataclass(frozen=True, kw_only=True, eq=False)
class BandResult:
    """What made the bands of a film.

    Parameters
    ----------
    profile
        Density along the film, in the stretches that were compared.
    probability
        Probability of each cause, all taken as equally likely beforehand.
    log_likelihood
        Log of the marginal likelihood of each cause, over that of an even film.
    cause
        The most likely one.
    fitted
        Density along the film by the best model of that cause.
    detail
        What that model says: its period, its place, or its length.
    """

    profile: FogProfile
    probability: dict[str, float]
    log_likelihood: dict[str, float]
    cause: str
    fitted: FloatArray
    detail: str

    @property
    def bayes_factor(self) -> float:
        """How many times likelier the readings are with this cause than with the next best."""
        ordered = sorted(self.log_likelihood.values())
        return math.exp(min(ordered[-1] - ordered[-2], 600.0))

    @property
    def peak_to_mean(self) -> float | None:
        """Fog under the worst band over the mean fog; None without a control, or where the mean fog is not above 0."""
        if self.profile.control_density is None:
            return None
        fog = self.fitted - self.profile.control_density
        return max(1.0, float(fog.max() / fog.mean())) if fog.mean() > 1e-3 else None

    @property
    def sentence(self) -> str:
        """How strong the evidence is, in a sentence."""
        second = sorted(self.log_likelihood, key=lambda name: self.log_likelihood[name])[-2]
        word = next(word for least, word in _WORDS if self.bayes_factor >= least)
        factor = f"{self.bayes_factor:.1f}" if self.bayes_factor < 1e4 else "more than 10000"
        return (
            f"There is {word} evidence for {CAUSES[self.cause]}{self.detail}: it explains the profile {factor} times "
            f"as well as {CAUSES[second]}."
        )

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values."""
        return {
            "cause": self.cause,
            "sentence": self.sentence,
            "probability": self.probability,
            "log_likelihood": self.log_likelihood,
            "bayes_factor": self.bayes_factor,
            "peak_to_mean": self.peak_to_mean,
            "control_density": self.profile.control_density,
            "profile": self.to_frame().to_dict("list"),
        }

    def to_frame(self) -> pd.DataFrame:
        """Position, density and fitted density."""
        return self.profile.to_frame().assign(fitted=self.fitted)

    def __str__(self) -> str:
        lines = [self.sentence]
        for name in sorted(self.probability, key=lambda n: -self.probability[n]):
            lines.append(f"  {100 * self.probability[name]:5.1f} %  {CAUSES[name]}")
        if self.peak_to_mean is not None:
            lines.append(f"peak_to_mean = {self.peak_to_mean:.2f}  # fog of the worst band over the mean fog")
        return "\n".join(lines)


def profile_from_scan(
    scan: Scan,
    box: Box,
    *,
    clear: Scan | Box,
    step_mm: float = 1.0,
    channel: str = "green",
    control_density: float | None = None,
) -> FogProfile:
    """Density along the longer side of a box that holds unexposed film, such as its rebate.

    Parameters
    ----------
    scan
        A linear scan that knows its pixel size.
    box
        The strip; the film runs along its longer side.
    clear
        A scan without film, of the same size and settings, or a box where no film lies.
    step_mm
        Length of one stretch [mm; above 0]. Its median counts, so that dust and letters do not.
    channel
        Which channel of a colour scan.
    control_density
        Density of the same film without fog.
    """
    if scan.pixel_um is None:
        raise ArgumentError("pixel_um", None, "the distance of pixels on the film [um]", "Give pixel size or dpi.")
    step = check_number("step_mm", step_mm, low=0.0, low_open=True, unit="mm")
    pixels = max(1, round(1000.0 * step / scan.pixel_um))
    index = scan.channel_index(channel)
    level = None if isinstance(clear, Scan) else checked_statistics(scan, clear)[index].mean
    lengthwise = box.width >= box.height
    count = (box.width if lengthwise else box.height) // pixels
    values = []
    for k in range(count):
        part = (
            Box(left=box.left + k * pixels, top=box.top, width=max(pixels, 8), height=box.height)
            if lengthwise
            else Box(left=box.left, top=box.top + k * pixels, width=box.width, height=max(pixels, 8))
        )
        blank = float(np.median(clear.light(part)[..., index])) if isinstance(clear, Scan) else float(level or 0.0)
        light = float(np.median(scan.light(part)[..., index]))
        if light <= 0.0 or blank <= 0.0:
            raise InputFileError(scan.path, f"box {part}", "there is no light.", "Choose a strip of clear film.")
        values.append(-LOG10_E * math.log(light / blank))
    position = np.asarray((np.arange(count) + 0.5) * pixels * scan.pixel_um / 1000.0, dtype=np.float64)
    return FogProfile(position_mm=position, density=np.array(values), control_density=control_density)


def join_profiles(profiles: list[FogProfile], *, gap_mm: float = 0.0) -> FogProfile:
    """Strips of one roll end to end, in the order given, with a gap between them [mm; at least 0]."""
    if not profiles:
        raise ArgumentError("profiles", [], "at least one profile")
    gap = check_number("gap_mm", gap_mm, low=0.0, unit="mm")
    positions, start = [], 0.0
    for profile in profiles:
        step = float(np.median(np.diff(profile.position_mm)))
        positions.append(profile.position_mm - profile.position_mm[0] + start + 0.5 * step)
        start = float(positions[-1][-1]) + 0.5 * step + gap
    return FogProfile(
        position_mm=np.concatenate(positions),
        density=np.concatenate([profile.density for profile in profiles]),
        control_density=profiles[0].control_density,
    )


def read_profile(path: str | Path, *, control_density: float | None = None) -> FogProfile:
    """A profile from a CSV file with the columns position_mm and density.

    Raises
    ------
    InputFileError
        It cannot be read, or a column is missing.
    """
    table = read_csv_table(path)
    for name in ("position_mm", "density"):
        if name not in table or table[name].dtype.kind not in "fi":
            raise InputFileError(
                path, "", f"no numbers in a column {name!r}.", "Name the columns position_mm and density."
            )
    return FogProfile(
        position_mm=table["position_mm"].to_numpy(dtype=np.float64),
        density=table["density"].to_numpy(dtype=np.float64),
        control_density=control_density,
    )


def explain_bands(
    profile: FogProfile, winding: Winding, *, end: str | None = None, start_mm: float = 0.0
) -> BandResult:
    """Which cause explains a profile best, and how sure that is.

    Parameters
    ----------
    profile
        Density along the film; long profiles are averaged to 450 stretches.
    winding
        How the film was wound when it was scanned; core radius and layer need only be right to 12 %.
    end
        "inside" or "outside", where the profile starts; both are tried when None.
    start_mm
        Distance of the profile's first position from that end [mm; at least 0].

    Raises
    ------
    ArgumentError
        The profile is longer than the film, or flat.

    References
    ----------
    kass1995
    """
    if end is not None and end not in ENDS:
        raise UnknownNameError("end", end, ENDS)
    start = check_number("start_mm", start_mm, low=0.0, unit="mm")
    short = _thinned(profile)
    position = short.position_mm + start
    if position[-1] > winding.length_mm:
        raise ArgumentError(
            "position_mm",
            float(position[-1]),
            f"positions up to the film's {winding.length_mm:g} mm",
            "Check the winding.",
        )
    line = _line(short.position_mm)
    rest = short.density - line @ (line.T @ short.density)
    scale = float(rest @ rest)
    if scale <= 1e-18 * rest.size:
        raise ArgumentError("density", "all alike", "densities that were measured, with their noise")
    families = _families(tuple(position.tolist()), winding, end)
    likelihood = {"even": 0.0}
    fits: dict[str, tuple[FloatArray, str]] = {"even": (np.zeros(rest.size), "")}
    for name, family in families.items():
        likelihood[name], fitted, detail = family.explain(rest / math.sqrt(scale))
        fits[name] = (fitted * math.sqrt(scale), detail)
    top = max(likelihood.values())
    weights = {name: math.exp(value - top) for name, value in likelihood.items()}
    cause = max(likelihood, key=lambda name: likelihood[name])
    return BandResult(
        profile=short,
        probability={name: weight / sum(weights.values()) for name, weight in weights.items()},
        log_likelihood=likelihood,
        cause=cause,
        fitted=np.asarray(line @ (line.T @ short.density) + fits[cause][0]),
        detail=fits[cause][1],
    )


def _thinned(profile: FogProfile) -> FogProfile:
    """Averaged to at most ``_MOST_BINS`` stretches of equal length."""
    if profile.position_mm.size <= _MOST_BINS:
        return profile
    edges = np.linspace(profile.position_mm[0], profile.position_mm[-1], _MOST_BINS + 1)
    number = np.clip(np.searchsorted(edges, profile.position_mm, side="right") - 1, 0, _MOST_BINS - 1)
    counts = np.bincount(number, minlength=_MOST_BINS)
    used = counts > 0
    position = np.bincount(number, profile.position_mm, _MOST_BINS)[used] / counts[used]
    density = np.bincount(number, profile.density, _MOST_BINS)[used] / counts[used]
    return FogProfile(position_mm=position, density=density, control_density=profile.control_density)


def _line(position: FloatArray) -> FloatArray:
    """Orthonormal columns of a straight line, shape (n, 2)."""
    return np.asarray(np.linalg.qr(np.stack([np.ones_like(position), position - position.mean()], axis=1))[0])


@dataclass(frozen=True, eq=False)
class _Family:
    """Models of one cause: orthonormal rows and their prior variances, and what each model is called."""

    rows: FloatArray  # (models, k, n)
    variances: FloatArray  # (models, k)
    details: tuple[str, ...]

    def explain(self, rest: FloatArray) -> tuple[float, FloatArray, str]:
        """Log of the mean likelihood over that of an even film; fit and words of the best model."""
        freedom = rest.size - 2
        amplitude = (self.rows @ rest.astype(np.float32)).astype(np.float64)
        strength = _STRENGTHS[:, None, None] * self.variances
        shrink = strength / (1.0 + strength)
        left = np.maximum(1.0 - (shrink * amplitude**2).sum(axis=-1), 1e-12)
        log = -0.5 * np.log1p(strength).sum(axis=-1) - 0.5 * freedom * np.log(left)
        top = float(log.max())
        at, model = np.unravel_index(int(np.argmax(log)), log.shape)
        fitted = (shrink[at, model] * amplitude[model]) @ self.rows[model]
        return (
            top + math.log(float(np.exp(log - top).mean())),
            np.asarray(fitted, dtype=np.float64),
            self.details[model],
        )


def _family(designs: FloatArray, line: FloatArray, details: list[str]) -> _Family:
    """Rows and variances of designs, shape (models, n, k), scaled to a mean variance of 1 and freed of the line."""
    designs = designs / np.sqrt((designs**2).sum(axis=2).mean(axis=1) + 1e-30)[:, None, None]
    designs = designs - line @ (line.T @ designs)
    variances, vectors = np.linalg.eigh(np.swapaxes(designs, 1, 2) @ designs)
    variances = np.maximum(variances, 0.0)
    rows = np.swapaxes(designs @ vectors, 1, 2) / np.sqrt(np.maximum(variances, 1e-9))[:, :, None]
    return _Family(rows.astype(np.float32), np.where(variances > 1e-9, variances, 0.0), tuple(details))


@functools.lru_cache(maxsize=4)
def _families(positions: tuple[float, ...], winding: Winding, end: str | None) -> dict[str, _Family]:
    position = np.array(positions)
    line = _line(position)
    step = float(np.median(np.diff(position)))
    return {
        "radiation": _radiation(position, line, winding, (end,) if end else ENDS, step),
        "fixed-pitch": _fixed_pitch(position, line, step),
        "light-leak": _light_leak(position, line, winding, (end,) if end else ENDS, step),
        "development": _development(position, line, step),
    }


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


def _radiation(position: FloatArray, line: FloatArray, winding: Winding, ends: tuple[str, ...], step: float) -> _Family:
    phases, periods, details = [], [], []
    for radius in np.linspace(1 - _TOLERANCE, 1 + _TOLERANCE, 21) * winding.core_radius_mm:
        for layer in np.linspace(1 - _TOLERANCE, 1 + _TOLERANCE, 13) * winding.layer_mm:
            wound = Winding(length_mm=winding.length_mm, core_radius_mm=radius, layer_mm=layer)
            for end in ends:
                s = wound.from_inside_mm(position, end)
                phases.append(wound.turn_angle(s))
                period = wound.period_mm(s)
                periods.append(float(period.min()))
                details.append(f" (period {period[0]:.0f} mm at its start, {period[-1]:.0f} mm at its end)")
    soft, sharp = _harmonics(np.array(phases), position, np.array(periods), step)
    return _family(np.concatenate([_padded(soft, sharp), sharp]), line, details + details)


def _fixed_pitch(position: FloatArray, line: FloatArray, step: float) -> _Family:
    length = float(position[-1] - position[0])
    frequency = np.arange(2.0 / length, 1.0 / (4.0 * step), 1.0 / (5.0 * length))
    phase = 2.0 * math.pi * frequency[:, None] * position[None, :]
    soft, sharp = _harmonics(phase, position, 1.0 / frequency, step)
    details = [f" (every {1.0 / f:.1f} mm)" for f in frequency]
    return _family(np.concatenate([_padded(soft, sharp), sharp]), line, details + details)


def _padded(soft: FloatArray, sharp: FloatArray) -> FloatArray:
    missing = sharp.shape[2] - soft.shape[2]
    return soft if missing <= 0 else np.pad(soft, ((0, 0), (0, 0), (0, missing)))


def _light_leak(
    position: FloatArray, line: FloatArray, winding: Winding, ends: tuple[str, ...], step: float
) -> _Family:
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
    return _family(np.array(designs)[:, :, None], line, details)


def _development(position: FloatArray, line: FloatArray, step: float) -> _Family:
    span = float(position[-1] - position[0] + step)
    x = (position - position[0] + 0.5 * step) / span
    k = np.arange(1, 61)
    cosines = np.cos(math.pi * k[None, :] * x[:, None])
    designs, details = [], []
    for part in (3.0, 5.0, 8.0, 12.0, 20.0):
        weight = np.exp(-0.25 * (math.pi * k / part) ** 2)  # a squared-exponential covariance of length span / part
        designs.append(cosines * weight)
        details.append(f" (over lengths of about {span / part:.0f} mm)")
    return _family(np.array(designs), line, details)
