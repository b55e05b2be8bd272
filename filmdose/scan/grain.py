"""Grain of an even area: noise power spectrum, granularity through 48 um, and what radiation adds.

    W(f) = [W_scan(f) - W_scanner(f) C / S] / sum_k MTF(f + k f_s)**2          [um2]
    sigma_48**2 = integral of W(f) |2 J1(pi d f) / (pi d f)|**2 d2f,   d = 48 um

The sum runs over the aliases that sampling at f_s folds back: grains are smaller than pixels, so that their noise
reaches beyond what the pixels resolve.  W_scanner is measured in clear light (mean C) and grows in density as shot
noise does where film (mean S) is darker.
Where the transfer has fallen below 0.3 nothing is divided any more: the spectrum goes on as it was at that point.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import ArgumentError, InputFileError
from filmdose.film.emulsion import APERTURE_AREA_UM2, Emulsion
from filmdose.result import Result
from filmdose.scan.density import AreaDensity, checked_statistics
from filmdose.scan.image import Box, Scan

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "ClusterFactor",
    "GrainMeasurement",
    "Transfer",
    "cluster_factor",
    "grain_beside_film",
    "grain_frame",
    "measure_grain",
    "measure_transfer",
]

LOG10_E = math.log10(math.e)
APERTURE_UM = 48.0
LEAST_TRANSFER = 0.3

#: No exposure at all, as log10 exposure.
DARK = -12.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Transfer(Result):
    """Modulation transfer of scanner and pixel.

    Parameters
    ----------
    frequency
        Spatial frequencies on the film, rising from 0 [cycles/mm].
    value
        Transfer there, 1 at frequency 0.
    relative_error
        Relative error of the frequency scale: 0.05 when measured, 0.15 when only stated (inference).
    """

    frequency: FloatArray
    value: FloatArray
    relative_error: float = 0.15

    def __post_init__(self) -> None:
        frequency = check_array("frequency", self.frequency, low=0.0, unit="cycles/mm", nan_allowed=False)
        value = check_array("value", self.value, low=0.0, high=1.5, nan_allowed=False)
        if (
            frequency.ndim != 1
            or frequency.size < 2
            or frequency.shape != value.shape
            or np.any(np.diff(frequency) <= 0)
        ):
            raise ArgumentError("frequency", frequency.shape, "rising frequencies with a transfer for each")
        check_number("relative_error", self.relative_error, low=0.0, high=0.5)
        object.__setattr__(self, "frequency", frequency)
        object.__setattr__(self, "value", value)
        super().__post_init__()

    @classmethod
    def gaussian(cls, half_at: float, *, relative_error: float = 0.15) -> Transfer:
        """A Gaussian transfer from the frequency at which it is one half [cycles/mm; above 0].

        Examples
        --------
        >>> round(float(Transfer.gaussian(30.0)(30.0)), 3)
        0.5
        """
        half = check_number("half_at", half_at, low=0.0, low_open=True, unit="cycles/mm")
        frequency = np.linspace(0.0, 4.0 * half, 400)
        return cls(
            frequency=frequency, value=np.exp(-math.log(2.0) * (frequency / half) ** 2), relative_error=relative_error
        )

    def __call__(self, frequency: Any) -> FloatArray:
        """Transfer at frequencies [cycles/mm]."""
        return np.asarray(np.interp(frequency, self.frequency, self.value, right=0.0))

    def stretched(self, factor: float) -> Transfer:
        """The same transfer at ``factor`` times the frequencies."""
        return replace(self, frequency=self.frequency * factor)

    def to_dataframe(self) -> pd.DataFrame:
        """Frequency [cycles/mm] and transfer."""
        import pandas as pd

        return pd.DataFrame({"frequency": self.frequency, "value": self.value})


@dataclass(frozen=True, kw_only=True, eq=False)
class GrainMeasurement(Result):
    """Grain of one area in one channel.

    Parameters
    ----------
    density
        Density of the area, when it was measured; NaN else.
    sigma_48
        Standard deviation of density through a 48 um aperture [density].
    sigma_error
        Its standard error, that of the transfer included [density].
    frequency
        Rings of the spectrum [cycles/mm].
    measured, scanner, film
        Power on the rings: as scanned, the scanner's own part, and the film's with the transfer removed [um2].
    segments
        Pieces that were averaged.
    box
        Where it was measured.
    """

    density: float
    sigma_48: float
    sigma_error: float
    frequency: FloatArray
    measured: FloatArray
    scanner: FloatArray
    film: FloatArray
    segments: int
    box: Box

    @property
    def noise_um2(self) -> float:
        """sigma**2 A of the 48 um aperture [um2]."""
        return self.sigma_48**2 * APERTURE_AREA_UM2

    @property
    def noise_error(self) -> float:
        """Standard error of ``noise_um2`` [um2]."""
        return 2.0 * self.sigma_48 * self.sigma_error * APERTURE_AREA_UM2

    @property
    def rms_granularity(self) -> float:
        """1000 sigma at 48 um, as on makers' sheets."""
        return 1000.0 * self.sigma_48

    def to_dataframe(self) -> pd.DataFrame:
        """The spectrum, one row a ring."""
        import pandas as pd

        return pd.DataFrame(
            {
                "cycles_per_mm": self.frequency,
                "measured_um2": self.measured,
                "scanner_um2": self.scanner,
                "film_um2": self.film,
            }
        )

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values."""
        return {
            "density": None if math.isnan(self.density) else self.density,
            "rms_granularity": self.rms_granularity,
            "rms_error": 1000.0 * self.sigma_error,
            "noise_um2": self.noise_um2,
            "noise_error_um2": self.noise_error,
            "segments": self.segments,
            "box": str(self.box),
            "spectrum": self.to_dataframe().to_dict("list"),
        }

    def __str__(self) -> str:
        at = "" if math.isnan(self.density) else f" at density {self.density:.3f}"
        return (
            f"rms granularity {self.rms_granularity:.1f} ± {1000 * self.sigma_error:.1f}{at} "
            f"(48 um aperture, {self.segments} pieces of box {self.box})"
        )


def measure_grain(
    scan: Scan,
    box: Box,
    *,
    transfer: Transfer,
    clear: Scan | Box | None = None,
    channel: str = "green",
    area: AreaDensity | None = None,
) -> GrainMeasurement:
    """Noise power spectrum and rms granularity of an even area.

    Parameters
    ----------
    scan
        A linear scan that knows its pixel size.
    box
        The area: at least 128 pixels, and 0.5 mm, a side.
    transfer
        The scanner's transfer, from :func:`measure_transfer` or stated.
    clear
        Clear light, for the scanner's own noise; not taken out when None.
    channel
        Which channel of a colour scan.
    area
        Density of the area, to stand beside its grain.

    Returns
    -------
    GrainMeasurement

    Raises
    ------
    ArgumentError
        The pixel size is not known, or the area too small.
    InputFileError
        The area is clipped or dusty.

    References
    ----------
    dainty1974, welch1967
    """
    if scan.pixel_um is None:
        raise ArgumentError("pixel_um", None, "the distance of pixels on the film [um]", "Give pixel size or dpi.")
    index = scan.channel_index(channel)
    pixel_mm = scan.pixel_um / 1000.0
    length = 64 if min(box.width, box.height) < 256 else 128
    while length * pixel_mm < 0.5 and 4 * length <= min(box.width, box.height):
        length *= 2
    if min(box.width, box.height) < 2 * length or length * pixel_mm < 0.25:
        raise ArgumentError(
            "box", str(box), f"at least {2 * length} pixels and 0.5 mm a side", "Draw a larger box or scan finer."
        )
    mean = checked_statistics(scan, box)[index].mean
    pieces = _periodograms(scan.light(box.middle)[..., index], length, pixel_mm)
    own = np.zeros_like(pieces[0])
    if clear is not None:
        other, where = (scan, clear) if isinstance(clear, Box) else (clear, box)
        clear_mean = checked_statistics(other, where)[other.channel_index(channel)].mean
        blank = other.light(where.middle)[..., other.channel_index(channel)]
        own = _periodograms(blank, length, pixel_mm).mean(axis=0) * (clear_mean / mean)
    radius = _radius(length, pixel_mm)
    variance, shorter, longer = (
        _variance(pieces.mean(axis=0) - own, radius, _passed(transfer.stretched(factor), length, pixel_mm))
        for factor in (1.0, 1.0 - transfer.relative_error, 1.0 + transfer.relative_error)
    )
    passed = _passed(transfer, length, pixel_mm)
    each = np.array([_variance(piece - own, radius, passed) for piece in pieces])
    # pieces that overlap by half, under a Hann window, are nearly independent: 1.06 is what is left of it
    random = 1.06 * float(each.std(ddof=1)) / math.sqrt(len(each))
    variance = max(variance, 1e-12)
    total = math.hypot(random, 0.5 * (shorter - longer))
    measured, film, scanner = (
        _rings(spectrum, radius)
        for spectrum in (pieces.mean(axis=0), _corrected(pieces.mean(axis=0) - own, radius, passed), own)
    )
    return GrainMeasurement(
        density=math.nan
        if area is None
        else area.density[area.channels.index(channel) if len(area.channels) > 1 else 0],
        sigma_48=math.sqrt(variance),
        sigma_error=0.5 * total / math.sqrt(variance),
        frequency=_rings(radius, radius),
        measured=1e6 * measured,
        scanner=1e6 * scanner,
        film=1e6 * film,
        segments=len(pieces),
        box=box,
    )


def _periodograms(light: FloatArray, length: int, pixel_mm: float) -> FloatArray:
    """Power of every piece [mm2]: half-overlapping, plane removed, Hann window; pieces with dust left out."""
    rows, columns = light.shape
    window = np.hanning(length + 1)[:length]
    window2 = np.outer(window, window)
    axis = np.linspace(-0.5, 0.5, length)
    slope = float((axis**2).sum() * length)
    pieces, spreads = [], []
    for top in range(0, rows - length + 1, length // 2):
        for left in range(0, columns - length + 1, length // 2):
            part = light[top : top + length, left : left + length]
            density = -np.log10(np.maximum(part / part.mean(), 1e-6))
            density -= density.mean()
            density -= axis[None, :] * (density @ axis).sum() / slope
            density -= axis[:, None] * (axis @ density).sum() / slope
            spread = 1.4826 * float(np.median(np.abs(density)))
            if np.abs(density).max() > 7.0 * spread + 1e-9:
                continue  # a speck: no grain lies seven standard deviations out
            spreads.append(spread)
            pieces.append(np.abs(np.fft.fft2(density * window2)) ** 2 * (pixel_mm**2 / (window2**2).sum()))
    if len(pieces) < 4:
        raise InputFileError(
            "scan",
            "",
            "fewer than four pieces of the area are free of specks.",
            "Clean the film, or choose another box.",
        )
    return np.array(pieces)


def _radius(length: int, pixel_mm: float) -> FloatArray:
    axis = np.fft.fftfreq(length, pixel_mm)
    return np.asarray(np.hypot(axis[:, None], axis[None, :]))


def _rings(spectrum: FloatArray, radius: FloatArray) -> FloatArray:
    """Mean of a spectrum on rings of equal width, those next to frequency 0 left out."""
    width = 2.0 * float(radius[0, 1])
    number = (radius / width).astype(int)
    top = int(radius[0].max() / width)
    counts = np.bincount(number.ravel())[1:top]
    return np.asarray(np.bincount(number.ravel(), spectrum.ravel())[1:top] / counts)


def _passed(transfer: Transfer, length: int, pixel_mm: float) -> FloatArray:
    """Share of the power of white noise that reaches each frequency, aliases included."""
    axis = np.fft.fftfreq(length, pixel_mm)
    shifted = [axis + k / pixel_mm for k in (-1, 0, 1)]
    return np.asarray(
        sum(transfer(np.hypot(down[:, None], right[None, :])) ** 2 for down in shifted for right in shifted)
    )


def _corrected(spectrum: FloatArray, radius: FloatArray, passed: FloatArray) -> FloatArray:
    usable = passed >= LEAST_TRANSFER**2
    limit = float(radius[usable].max())
    edge = usable & (radius > 0.8 * limit)
    result = np.where(usable, spectrum / np.maximum(passed, LEAST_TRANSFER**2), 0.0)
    result[~usable] = result[edge].mean()
    step = float(radius[0, 1])
    low, near = radius < 1.6 * step, (radius > 1.6 * step) & (radius < 4.0 * step)
    result[low] = result[near].mean()  # the plane and the window took these away
    return np.asarray(result)


def _variance(spectrum: FloatArray, radius: FloatArray, passed: FloatArray) -> float:
    """Variance of density through the 48 um aperture."""
    from scipy.special import j1

    argument = np.maximum(math.pi * APERTURE_UM / 1000.0 * radius, 1e-9)
    aperture = (2.0 * j1(argument) / argument) ** 2
    corrected = _corrected(spectrum, radius, passed)
    side_mm = 1.0 / float(radius[0, 1])
    # the aperture's side lobes reach beyond the finest frequency of the pixels: some per cent of a white spectrum
    beyond = 1e6 / APERTURE_AREA_UM2 - float(aperture.sum()) / side_mm**2
    return float((corrected * aperture).sum() / side_mm**2) + beyond * float(
        corrected[radius > 0.8 * radius.max()].mean()
    )


def measure_transfer(scan: Scan, box: Box, *, channel: str = "green") -> Transfer:
    """Transfer from a straight edge of something opaque that lies a few degrees askew (slanted edge).

    The position of the edge is fitted line by line, all lines together make an edge profile four times finer than
    the pixels, and the transform of its slope is the transfer.

    Parameters
    ----------
    scan
        A scan that knows its pixel size.
    box
        A box that the edge crosses, nearly upright or nearly level, by 2 to 20 degrees askew.
    channel
        Which channel of a colour scan.

    Returns
    -------
    Transfer

    Raises
    ------
    InputFileError
        There is no such edge.

    References
    ----------
    iso_12233
    """
    if scan.pixel_um is None:
        raise ArgumentError("pixel_um", None, "the distance of pixels on the film [um]", "Give pixel size or dpi.")
    light = scan.light(box.middle)[..., scan.channel_index(channel)]
    if np.abs(np.diff(light.mean(axis=0))).max() < np.abs(np.diff(light.mean(axis=1))).max():
        light = light.T
    if light[:, :4].mean() > light[:, -4:].mean():
        light = light[:, ::-1]
    rows, columns = light.shape
    slope = np.diff(light, axis=1)
    middle = slope.mean(axis=0)
    low, high = np.quantile(light, 0.05), np.quantile(light, 0.95)
    level = 0.5 * (low + high)
    places = np.array([np.interp(level, np.maximum.accumulate(line), np.arange(columns)) for line in light])
    line = np.polynomial.Polynomial.fit(np.arange(rows), places, 1)
    askew = math.degrees(math.atan(abs(line.convert().coef[1]))) if line.convert().coef.size > 1 else 0.0
    off = float(np.std(places - line(np.arange(rows))))
    if not 1.0 <= askew <= 25.0 or off > 1.0 or high < 3.0 * low or middle.max() <= 0.0:
        raise InputFileError(
            scan.path, f"box {box}", "it has no straight dark edge 2 to 20 degrees askew.", "Lay an opaque blade askew."
        )
    distance = (np.arange(columns)[None, :] - line(np.arange(rows))[:, None]) * math.cos(math.radians(askew))
    finer = 4
    reach = int(min(16, 0.4 * columns))
    number = np.floor((distance + reach) * finer).astype(int)
    inside = (number >= 0) & (number < 2 * reach * finer)
    counts = np.bincount(number[inside], minlength=2 * reach * finer)
    profile = np.bincount(number[inside], light[inside], minlength=counts.size) / np.maximum(counts, 1)
    profile = np.interp(np.arange(counts.size), np.flatnonzero(counts), profile[counts > 0])
    spread = np.diff(profile) * np.hanning(counts.size - 1)
    transfer = np.abs(np.fft.rfft(spread))
    frequency = np.fft.rfftfreq(spread.size, scan.pixel_um / 1000.0 / finer)
    binning = np.sinc(frequency * scan.pixel_um / 1000.0 / finer) ** 2  # bins of a quarter pixel, and their difference
    value = transfer / transfer[0] / np.maximum(binning, 0.1)
    wanted = frequency <= 1.0 / (scan.pixel_um / 1000.0)
    return Transfer(
        frequency=np.asarray(frequency[wanted], dtype=np.float64),
        value=np.clip(value[wanted], 0.0, 1.5),
        relative_error=0.05,
    )


def grain_frame(measurements: list[GrainMeasurement]) -> pd.DataFrame:
    """Density and sigma through 48 um, one row an area: the noise law of a film as the fit takes it.

    Parameters
    ----------
    measurements
        Areas of one film whose density was measured.

    Returns
    -------
    DataFrame
        As :func:`filmdose.film.noisefit.read_granularity` reads it from a file.
    """
    import pandas as pd

    return pd.DataFrame(
        {
            "density": [m.density for m in measurements],
            "sigma": [m.sigma_48 for m in measurements],
            "sigma_error": [m.sigma_error for m in measurements],
        }
    )


def grain_beside_film(measurements: list[GrainMeasurement], emulsion: Emulsion, kerma_ugy: float = 0.0) -> pd.DataFrame:
    """Measured grain beside what a film predicts at the same density.

    Parameters
    ----------
    measurements
        Areas whose density was measured; the base must be in it, as it is in the film's.
    emulsion
        The record.
    kerma_ugy
        Dose of the film [uGy].

    Returns
    -------
    DataFrame
        One row an area: density, measured and predicted sigma through 48 um, and their ratio.

    Raises
    ------
    ArgumentError
        No areas, or one without a density.
    """
    frame = grain_frame(measurements)
    curve = emulsion.curve(kerma_ugy)
    ends = sorted((float(emulsion.minimum_density(kerma_ugy)), float(emulsion.maximum_density(kerma_ugy))))
    inside = np.clip(frame["density"].to_numpy(), ends[0] + 1e-4, ends[1] - 1e-4)
    exposure = np.asarray(curve.inverse(inside))
    frame["predicted"] = np.asarray(emulsion.noise(exposure, kerma_ugy))
    frame["measured_over_predicted"] = frame["sigma"] / frame["predicted"]
    return frame


@dataclass(frozen=True, kw_only=True)
class ClusterFactor(Result):
    """Grains that one quantum of radiation develops together, from the grain of fogged against clean rebate.

    Parameters
    ----------
    cluster_grains
        g; may come out below 1 within its error.
    error
        Its standard error.
    kerma_ugy
        Effective dose that explains the fog with the film's calibration [uGy].
    """

    cluster_grains: float
    error: float
    kerma_ugy: float

    def __str__(self) -> str:
        return f"cluster factor {self.cluster_grains:.1f} ± {self.error:.1f} at {self.kerma_ugy:.0f} uGy"


def cluster_factor(
    fogged: GrainMeasurement, clean: GrainMeasurement, emulsion: Emulsion, *, scale_error: float = 0.2
) -> ClusterFactor:
    """g of clustered hits: W_fogged - W_clean = [W(K; g = 1) - W(0)] + (g - 1) dW/dg.

    Parameters
    ----------
    fogged, clean
        Grain of unexposed film, irradiated and not, developed alike; both with their densities.
    emulsion
        The film's record; its rms granularity sets the size of a grain.
    scale_error
        Relative error of sigma**2 A that the film's rms granularity and model leave [0 to 1; inference].

    Returns
    -------
    ClusterFactor

    Raises
    ------
    ArgumentError
        The fogged area is not denser than the clean one.
    """
    from scipy.optimize import brentq

    scale = check_number("scale_error", scale_error, low=0.0, high=1.0)
    fog = (fogged.density - clean.density) * (-1.0 if emulsion.positive else 1.0)
    reachable = abs(float(emulsion.fog_density(1e9)))
    if not 1e-3 < fog < 0.95 * reachable:
        raise ArgumentError("fogged", fog, f"a fog from 0.001 to {0.95 * reachable:.2f} density over the clean area")

    def excess(log_kerma: float) -> float:
        return abs(float(emulsion.fog_density(math.exp(log_kerma)))) - fog

    kerma = math.exp(brentq(excess, -10.0, 20.0))
    one, two = (
        APERTURE_AREA_UM2 * float(replace(emulsion, cluster_grains=g).noise(DARK, kerma)) ** 2 for g in (1.0, 2.0)
    )
    nothing = APERTURE_AREA_UM2 * float(emulsion.noise(DARK, 0.0)) ** 2
    added = fogged.noise_um2 - clean.noise_um2
    each = two - one
    factor = 1.0 + (added - (one - nothing)) / each
    predicted = abs(one - nothing) + abs(factor - 1.0) * each
    error = math.hypot(fogged.noise_error, clean.noise_error, scale * predicted) / each
    return ClusterFactor(cluster_grains=factor, error=error, kerma_ugy=kerma)


hold_to_annotations(globals())
