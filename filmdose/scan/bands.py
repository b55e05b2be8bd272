"""Bands along a film: radiation on the wound roll, something that turned with a fixed pitch, a light leak, development.

Every cause is a family of linear models of the density along the film (:mod:`filmdose.scan.causes`):

    even          a straight line and noise
    radiation     harmonics of the turns of the spiral (core radius and layer within 12 %, both ends)
    fixed pitch   harmonics of a period that stays the same (sprocket, roller, rack)
    light leak    one bump, symmetric or with one steep side, alone or printed through to the turns above
    development   smooth unevenness of several lengths

The likelihood of a cause is the mean over its grid and over kinds of noise, with and without memory.  The causes are
taken as equally likely beforehand.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import ArgumentError, InputFileError, UnknownNameError
from filmdose.film.csvtable import read_csv_table
from filmdose.result import Result
from filmdose.scan.causes import explain_density
from filmdose.scan.density import LOG10_E, checked_statistics
from filmdose.scan.image import Box, Scan
from filmdose.scan.spiral import ENDS, Winding

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CAUSES", "BandResult", "FogProfile", "explain_bands", "join_profiles", "profile_from_scan", "read_profile"]

#: Causes, and how they are called in a sentence.
CAUSES: dict[str, str] = {
    "even": "nothing but noise and a slope",
    "radiation": "radiation on the wound roll",
    "fixed-pitch": "something with a fixed pitch, such as a sprocket, a roller or a rack",
    "light-leak": "a local light leak",
    "development": "uneven development",
}

_MOST_BINS = 450
_FEWEST_BINS = 24

#: Bayes factor and its words (Kass and Raftery 1995).
_WORDS = ((150.0, "very strong"), (20.0, "strong"), (3.0, "moderate"), (0.0, "hardly any"))


@dataclass(frozen=True, kw_only=True, eq=False)
class FogProfile(Result):
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
        super().__post_init__()

    def to_dataframe(self) -> pd.DataFrame:
        """Columns position_mm and density."""
        import pandas as pd

        return pd.DataFrame({"position_mm": self.position_mm, "density": self.density})


@dataclass(frozen=True, kw_only=True, eq=False)
class BandResult(Result):
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
            "profile": self.to_dataframe().to_dict("list"),
        }

    def to_dataframe(self) -> pd.DataFrame:
        """Position, density and fitted density."""
        return self.profile.to_dataframe().assign(fitted=self.fitted)

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

    Returns
    -------
    FogProfile

    Raises
    ------
    ArgumentError
        The pixel size is not known, a box outside the picture, or a length that is not above 0.
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
    """Strips of one roll end to end, in the order given, with a gap between them [mm; at least 0].

    Parameters
    ----------
    profiles
        Strips in the order of the film, at least one.
    gap_mm
        Film that lies between two [mm; at least 0].

    Returns
    -------
    FogProfile

    Raises
    ------
    ArgumentError
        No profile, or a gap below 0.

    Examples
    --------
    >>> strip = FogProfile(position_mm=np.arange(50.0), density=np.full(50, 0.3))
    >>> joined = join_profiles([strip, strip], gap_mm=2.0)
    >>> float(joined.position_mm[-1])
    101.5
    """
    if len(profiles) == 0:
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

    Parameters
    ----------
    path
        The file.
    control_density
        Density of the same film without fog [density].

    Returns
    -------
    FogProfile

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

    Returns
    -------
    BandResult

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
    if np.ptp(short.density - np.polyval(np.polyfit(position, short.density, 1), position)) < 1e-9:
        raise ArgumentError("density", "all alike", "densities that were measured, with their noise")
    found = explain_density(position, short.density, winding, end)
    top = max(one.log_likelihood for one in found.values())
    weights = {name: math.exp(one.log_likelihood - top) for name, one in found.items()}
    cause = max(weights, key=lambda name: weights[name])
    return BandResult(
        profile=short,
        probability={name: weight / sum(weights.values()) for name, weight in weights.items()},
        log_likelihood={name: one.log_likelihood - found["even"].log_likelihood for name, one in found.items()},
        cause=cause,
        fitted=found[cause].fitted,
        detail=found[cause].detail,
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


hold_to_annotations(globals())
