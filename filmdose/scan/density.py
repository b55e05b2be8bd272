"""Density of an even area of a linear scan, with its standard error.

With S the mean number of the area, C that of clear light (no film), both less the black level, f the flare (share
of the mean light M of the frame that the optics spread over all of it):

    D = -log10[ (S - f M) / ((1 - f) C) ]      clear light from a scan without film
    D = -log10[ (S - f M) / (C - f M) ]        clear light in the same frame

The standard error has four parts: pixel noise of area and of clear light, by the number of *independent* pixels
N / sum of the autocorrelation; flare, which an opaque patch in the frame measures; and, when clear light stands
elsewhere in the frame, the unevenness of the lamp.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_number
from filmdose.errors import InputFileError
from filmdose.result import Result
from filmdose.scan.faults import CLIPPED_REFUSED, DUST_REFUSED, DUST_TOLD, Fault
from filmdose.scan.image import Box, Scan

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "UNMEASURED_FLARE",
    "AreaDensity",
    "AreaStatistics",
    "Flare",
    "area_statistics",
    "measure_area",
    "measure_flare",
]

LOG10_E = math.log10(math.e)

#: Flare of a film scanner when nobody measured it, and its standard error (common practice, no source).
TYPICAL_FLARE, TYPICAL_FLARE_ERROR = 0.005, 0.005

#: Standard error of the lamp's evenness between two places of a frame (common practice, no source).
EVENNESS_ERROR = 0.01

#: Flare is not quite the same everywhere: this share of it is uncertain even where it was measured (inference).
FLARE_SPREAD = 0.1

#: A pixel is dust when it lies this many standard deviations away from its surroundings.
DUST_DEVIATIONS = 5.0


@dataclass(frozen=True, kw_only=True)
class Flare(Result):
    """Share of the frame's mean light that is spread over the whole frame.

    Parameters
    ----------
    fraction
        f [0 to 0.3].
    error
        Its standard error [at least 0].
    measured
        Whether it comes from this scan.
    """

    fraction: float = TYPICAL_FLARE
    error: float = TYPICAL_FLARE_ERROR
    measured: bool = False

    def __post_init__(self) -> None:
        check_number("flare fraction", self.fraction, low=0.0, high=0.3)
        check_number("flare error", self.error, low=0.0, high=0.3)


UNMEASURED_FLARE = Flare()


@dataclass(frozen=True, kw_only=True)
class AreaStatistics(Result):
    """Mean light of one channel of an area, and how sure it is.

    Parameters
    ----------
    mean
        Mean number less the black level [counts].
    sigma
        Standard deviation of one pixel, slopes taken out [counts].
    pixels
        Pixels that were used, dust left out.
    independent_pixels
        As many uncorrelated pixels would give the same error of the mean.
    dust_share
        Share of the pixels that were left out.
    slope
        Rise of the light across the area, greatest less least of a plane, over the mean.
    """

    mean: float
    sigma: float
    pixels: int
    independent_pixels: float
    dust_share: float
    slope: float

    @property
    def error(self) -> float:
        """Standard error of the mean [counts]."""
        return self.sigma / math.sqrt(self.independent_pixels)


def area_statistics(light: FloatArray) -> AreaStatistics:
    """Statistics of one channel of an area, shape (rows, columns), dust left out.

    Dust is what deviates from a plane by more than 5 robust standard deviations, and its neighbours.

    References
    ----------
    bartlett1946
    """
    from scipy.ndimage import binary_dilation

    rows, columns = light.shape
    y, x = np.linspace(-0.5, 0.5, rows)[:, None], np.linspace(-0.5, 0.5, columns)[None, :]
    kept = np.ones(light.shape, dtype=bool)
    rest, tilt = light, (0.0, 0.0)
    levels = np.unique(light[::4, ::4])
    # where most pixels share one number, the step to the next one is all that is known of the noise
    finest = float(np.diff(levels).min()) if levels.size > 1 else 0.0
    for _ in range(2):  # the second round knows the plane without the dust
        rest, tilt = _less_plane(light, kept, y, x)
        middle = float(np.median(rest[kept]))
        spread = 1.4826 * float(np.median(np.abs(rest[kept] - middle)))
        outside = np.abs(rest - middle) > DUST_DEVIATIONS * max(spread, finest) + 1e-9
        kept = ~binary_dilation(outside, iterations=2) if outside.any() else ~outside
        if kept.mean() < 1.0 - DUST_REFUSED:
            break
    used = kept if kept.any() else np.ones(light.shape, dtype=bool)
    deviation = np.where(used, rest - rest[used].mean(), 0.0)
    count = int(used.sum())
    variance = float((deviation**2).sum() / max(count - 3, 1))
    return AreaStatistics(
        mean=float(light[used].mean()),
        sigma=math.sqrt(variance),
        pixels=count,
        independent_pixels=count / correlation_sum(deviation, used),
        dust_share=float(1.0 - kept.mean()),
        slope=abs(tilt[0]) + abs(tilt[1]),
    )


def _less_plane(
    light: FloatArray, kept: np.ndarray, y: FloatArray, x: FloatArray
) -> tuple[FloatArray, tuple[float, float]]:
    """The light less its plane, and the plane's rise across columns and rows over the mean."""
    weight = kept.sum()
    mean = (light * kept).sum() / weight
    centred = np.where(kept, light - mean, 0.0)
    across = float((centred * x).sum() / ((x**2) * kept).sum())
    down = float((centred * y).sum() / ((y**2) * kept).sum())
    rest = light - across * x - down * y
    scale = abs(mean) or 1.0
    return np.asarray(rest), (across / scale, down / scale)


def correlation_sum(deviation: FloatArray, used: np.ndarray) -> float:
    """Sum of the autocorrelation over all lags: pixels that say the same as one; at least 1.

    Lags are added ring by ring until a ring's mean correlation is lost in its own noise.
    """
    from scipy import fft

    shape = [fft.next_fast_len(2 * n) for n in deviation.shape]
    spectrum = fft.rfft2(deviation, shape)
    power = fft.irfft2(np.abs(spectrum) ** 2, shape)
    mask = fft.rfft2(used.astype(np.float64), shape)
    pairs = fft.irfft2(np.abs(mask) ** 2, shape)
    reach = max(1, min(32, min(deviation.shape) // 4))
    index = np.arange(-reach, reach + 1)
    lags = np.ix_(index, index)
    covariance = power[lags] / np.maximum(pairs[lags], 1.0)
    ring = np.rint(np.hypot(*np.meshgrid(index, index))).astype(int)
    if covariance[reach, reach] <= 0.0:
        return 1.0
    correlation = covariance / covariance[reach, reach]
    total = 1.0
    for radius in range(1, reach + 1):
        values = correlation[ring == radius]
        noise = 2.0 / math.sqrt(used.sum() * values.size / 2.0)
        if values.mean() < noise:
            break
        total += float(values.sum())
    return max(1.0, total)


@dataclass(frozen=True, kw_only=True)
class AreaDensity(Result):
    """Density of one area, channel by channel.

    Parameters
    ----------
    box
        Where it was measured.
    channels
        Names of the channels; every tuple below follows them.
    density
        Density over clear light [density].
    pixel_error, clear_error
        Parts of the standard error: area, clear light with the lamp's evenness [density].
    flare_slope
        dD/df: two areas of one setting share the flare's error [density].
    sigma
        Standard deviation of density of one pixel [density].
    pixels, independent_pixels
        How many were used, and as many uncorrelated ones would say as much.
    dust_share
        Share of pixels left out.
    flare
        Which flare was taken out.
    faults
        What is to be known about it.
    """

    box: Box
    channels: tuple[str, ...]
    density: tuple[float, ...]
    pixel_error: tuple[float, ...]
    clear_error: tuple[float, ...]
    flare_slope: tuple[float, ...]
    sigma: tuple[float, ...]
    pixels: tuple[int, ...]
    independent_pixels: tuple[float, ...]
    dust_share: float
    flare: Flare
    faults: tuple[Fault, ...] = ()

    @property
    def flare_error(self) -> tuple[float, ...]:
        """Part of the standard error that flare makes [density]."""
        return tuple(abs(slope) * self.flare.error for slope in self.flare_slope)

    @property
    def standard_error(self) -> tuple[float, ...]:
        """Standard error of the density [density]."""
        return tuple(
            math.sqrt(p**2 + c**2 + f**2)
            for p, c, f in zip(self.pixel_error, self.clear_error, self.flare_error, strict=True)
        )

    def scaled(self, scale: float) -> AreaDensity:
        """The same area with densities over the scale that a calibrated wedge gave."""
        factor = 1.0 / check_number("scale", scale, low=0.5, high=2.0)

        def times(values: tuple[float, ...]) -> tuple[float, ...]:
            return tuple(factor * value for value in values)

        return replace(
            self,
            density=times(self.density),
            pixel_error=times(self.pixel_error),
            clear_error=times(self.clear_error),
            flare_slope=times(self.flare_slope),
            sigma=times(self.sigma),
        )

    def to_dataframe(self) -> pd.DataFrame:
        """One row a channel."""
        import pandas as pd

        return pd.DataFrame(
            {
                "channel": self.channels,
                "box": str(self.box),
                "density": self.density,
                "standard_error": self.standard_error,
                "pixel_error": self.pixel_error,
                "clear_error": self.clear_error,
                "flare_error": self.flare_error,
                "sigma": self.sigma,
                "pixels": self.pixels,
                "independent_pixels": self.independent_pixels,
            }
        )

    def __str__(self) -> str:
        parts = [
            f"{channel} {density:.4f} ± {error:.4f}"
            for channel, density, error in zip(self.channels, self.density, self.standard_error, strict=True)
        ]
        return f"density {', '.join(parts)} in box {self.box}"


def checked_statistics(scan: Scan, box: Box) -> list[AreaStatistics]:
    """Statistics of every channel of a box; a box that is clipped or dusty is refused.

    Raises
    ------
    InputFileError
        Too many pixels saturated or without light, or too much dust.
    """
    middle = box.middle
    stored = scan.stored(middle)
    light = scan.light(middle)
    found = []
    for index, channel in enumerate(scan.channels):
        bright = float((stored[..., index] >= 0.999 * scan.full_scale).mean())
        dark = float((stored[..., index] <= 0).mean())
        if bright > CLIPPED_REFUSED:
            _refuse(scan, box, Fault.of("clipped", f"{channel}: {100 * bright:.2g} % of the pixels are saturated."))
        if dark > 0.01:
            _refuse(scan, box, Fault.of("clipped-dark", f"{channel}: {100 * dark:.2g} % of the pixels are 0."))
        statistics = area_statistics(light[..., index])
        if statistics.dust_share > DUST_REFUSED:
            share = 100 * statistics.dust_share
            _refuse(scan, box, Fault.of("dust", f"{channel}: {share:.0f} % of the pixels are specks or edges."))
        if statistics.mean <= 0.0:
            _refuse(scan, box, Fault.of("clipped-dark", f"{channel}: there is no light above the black level."))
        found.append(statistics)
    return found


def _refuse(scan: Scan, box: Box, fault: Fault) -> None:
    raise InputFileError(scan.path, f"box {box}", fault.reason, fault.action)


def measure_flare(scan: Scan, opaque: Box) -> Flare:
    """Flare from an opaque patch in the frame: its light over the mean light of the frame.

    A black level that is set wrong counts as flare too, and is taken out with it.

    Parameters
    ----------
    scan
        The scan.
    opaque
        Where something lies that lets no light through.

    Returns
    -------
    Flare

    Raises
    ------
    InputFileError
        The patch lets more than 30 % of the mean light through.

    Examples
    --------
    >>> from filmdose.scan.simulate import scan_from_pixels
    >>> pixels = np.full((60, 120), 50000, dtype=np.uint16)
    >>> pixels[:, 60:] = 500
    >>> round(measure_flare(scan_from_pixels(pixels), Box(left=70, top=5, width=40, height=50)).fraction, 4)
    0.0198
    """
    middle = opaque.middle
    mean = scan.overview().mean(axis=(0, 1))
    fractions, errors = [], []
    for index in range(len(scan.channels)):
        statistics = area_statistics(scan.light(middle)[..., index])
        fractions.append(max(statistics.mean, 0.0) / mean[index])
        errors.append(statistics.error / mean[index])
    fraction = float(np.mean(fractions))
    if fraction > 0.3:
        raise InputFileError(
            scan.path,
            f"box {opaque}",
            f"the opaque patch has {100 * fraction:.0f} % of the mean light.",
            "Lay card or metal there that lets no light through, and set the black level right.",
        )
    spread = float(np.std(fractions)) + float(np.mean(errors))
    return Flare(fraction=fraction, error=math.hypot(FLARE_SPREAD * fraction, spread), measured=True)


def measure_area(scan: Scan, box: Box, *, clear: Scan | Box, flare: Flare = UNMEASURED_FLARE) -> AreaDensity:
    """Density of an even area; the formula stands at the top of this module.

    Parameters
    ----------
    scan
        A linear scan.
    box
        The area.
    clear
        A scan without film of the same size and settings, or a box in the same frame where no film lies.
    flare
        What :func:`measure_flare` found; a usual value with its wide error, by default.

    Returns
    -------
    AreaDensity

    Raises
    ------
    InputFileError
        The area or the clear light is clipped or dusty, or the film comes out brighter than clear light.
    ArgumentError
        A box outside the picture.

    Examples
    --------
    >>> from filmdose.scan.simulate import scan_from_pixels
    >>> pixels = np.random.default_rng(0).normal(50000.0, 50.0, (60, 120)).astype(np.uint16)
    >>> pixels[:, 60:] //= 2
    >>> scan, clear = scan_from_pixels(pixels), Box(left=5, top=5, width=40, height=50)
    >>> dark, none = Box(left=70, top=5, width=40, height=50), Flare(fraction=0.0, error=0.0)
    >>> area = measure_area(scan, dark, clear=clear, flare=none)
    >>> round(area.density[0], 3)
    0.301
    """
    area = checked_statistics(scan, box)
    faults: list[Fault] = list(scan.faults)
    same_frame = isinstance(clear, Box)
    other = scan if isinstance(clear, Box) else clear
    aligned = other.pixels.shape[:2] == scan.pixels.shape[:2] and not same_frame
    where = clear if isinstance(clear, Box) else box if aligned else other.frame
    reference = checked_statistics(other, where)
    if len(reference) != len(area):
        raise InputFileError(
            other.path, "", f"it has {len(reference)} channels and {scan.path} has {len(area)}.", "Scan both alike."
        )
    evenness = 0.0 if aligned else EVENNESS_ERROR
    if not aligned:
        faults.append(Fault.of("clear-elsewhere", "The lamp's evenness between film and clear light is not known."))
    if not flare.measured:
        faults.append(Fault.of("flare-not-measured", f"Flare was taken as {flare.fraction:.3f} ± {flare.error:.3f}."))
    mean_light = scan.overview().mean(axis=(0, 1))
    rows: list[tuple[float, ...]] = []
    for index, (a, c) in enumerate(zip(area, reference, strict=True)):
        pedestal = flare.fraction * float(mean_light[index])
        full = c.mean - pedestal if same_frame else (1.0 - flare.fraction) * c.mean
        if a.mean <= pedestal or full <= 0.0:
            _refuse(scan, box, Fault.of("clipped-dark", "The area is darker than flare alone."))
        density = -math.log10((a.mean - pedestal) / full)
        pixel = LOG10_E * a.error / (a.mean - pedestal)
        lamp = LOG10_E * math.hypot(c.error / full, evenness)
        reference_slope = float(mean_light[index]) / full if same_frame else 1.0 / (1.0 - flare.fraction)
        slope = LOG10_E * (float(mean_light[index]) / (a.mean - pedestal) - reference_slope)
        rows.append((density, pixel, lamp, slope, LOG10_E * a.sigma / (a.mean - pedestal)))
        if density < -max(0.02, 4.0 * math.hypot(pixel, lamp)):
            reason = f"the film comes out brighter than clear light (density {density:.2f})."
            _refuse(scan, box, Fault.of("inverted", reason))
    dust = max(a.dust_share for a in area)
    if dust > DUST_TOLD:
        faults.append(Fault.of("some-dust", f"{100 * dust:.1f} % of the area is specks."))
    if max(a.slope for a in area) > 0.1 and not aligned:
        faults.append(
            Fault.of("uneven", f"The light rises by {100 * max(a.slope for a in area):.0f} % across the box.")
        )
    columns = list(zip(*rows, strict=True))
    return AreaDensity(
        box=box,
        channels=scan.channels,
        density=columns[0],
        pixel_error=columns[1],
        clear_error=columns[2],
        flare_slope=columns[3],
        sigma=columns[4],
        pixels=tuple(a.pixels for a in area),
        independent_pixels=tuple(a.independent_pixels for a in area),
        dust_share=dust,
        flare=flare,
        faults=tuple(dict.fromkeys(faults)),
    )


hold_to_annotations(globals())
