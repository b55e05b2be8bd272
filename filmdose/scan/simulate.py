"""Invented scans: film densities through a scanner with blur, flare, noise, clipping, gamma and dust.

They show what a measurement is worth before anything is scanned, and they feed the notebook and the tests.
"""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_count, check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import write_bytes_atomic
from filmdose.film.model import Film
from filmdose.scan.bands import CAUSES, FogProfile
from filmdose.scan.image import Scan
from filmdose.scan.spiral import Winding, wound_fog

__all__ = ["grainy", "scan_from_pixels", "simulate_frame", "simulate_pixels", "simulate_profile", "write_tiff"]


def grainy(
    density: FloatArray, noise_um2: FloatArray | float, *, pixel_um: float, rng: np.random.Generator
) -> FloatArray:
    """Densities with white grain noise: variance of one pixel = W / pixel area.

    The mean *transmittance* of the noisy pixels is that of the mean density, as a densitometer's aperture sees it.

    Parameters
    ----------
    density
        Mean density of every pixel.
    noise_um2
        W = sigma**2 A, the noise power at frequency 0 [um2].
    pixel_um
        Side of a pixel on the film [um].
    rng
        Random generator.

    Returns
    -------
    ndarray
        Densities, same shape.

    Examples
    --------
    >>> even = grainy(np.full((64, 64), 0.5), 1.0, pixel_um=10.0, rng=np.random.default_rng(0))
    >>> round(float(even.std()), 2)
    0.1
    """
    density = check_array("density", density, low=-1.0, high=20.0, unit="density")
    power = check_array("noise_um2", noise_um2, low=0.0, unit="um2")
    if power.shape not in ((), density.shape):
        raise ArgumentError("noise_um2", power.shape, f"one number, or one for every pixel, shape {density.shape}")
    sigma = np.sqrt(power) / check_number("pixel_um", pixel_um, low=0.0, low_open=True, unit="um")
    return np.asarray(density + rng.standard_normal(density.shape) * sigma + 0.5 * math.log(10.0) * sigma**2)


def simulate_frame(
    film: Film,
    log_exposure: FloatArray,
    kerma_ugy: FloatArray | float,
    *,
    pixel_um: float,
    rng: np.random.Generator | None = None,
) -> FloatArray:
    """Densities of an invented picture on a film, with the grain of the model.

    Parameters
    ----------
    film
        The film.
    log_exposure
        Log10 exposure of every pixel, shape (rows, columns) [log10 lx s]; minus infinity is unexposed film.
    kerma_ugy
        Effective kerma of every pixel, or of all [uGy].
    pixel_um
        Side of a pixel on the film [um].
    rng
        Random generator of the grain; without one there is none.

    Returns
    -------
    Shape (rows, columns, records).

    Raises
    ------
    ArgumentError
        Shapes that do not fit, or a value out of range.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> simulate_frame(generic_film(400), np.full((2, 3), -2.0), 0.0, pixel_um=20.0).shape
    (2, 3, 1)
    """
    x = np.maximum(_picture("log_exposure", log_exposure), -12.0)
    kerma = check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")
    if kerma.shape not in ((), x.shape):
        raise ArgumentError("kerma_ugy", kerma.shape, f"one number, or one for every pixel, shape {x.shape}")
    kerma = np.broadcast_to(kerma, x.shape)
    check_number("pixel_um", pixel_um, low=0.0, low_open=True, unit="um")
    planes = []
    for _, record in film:
        rows = []
        for exposures, doses in zip(x, kerma, strict=True):  # a row at a time: classes are a further axis
            density = np.asarray(record.density(exposures, doses))
            if rng is not None:
                noise_um2 = np.asarray(record.noise(exposures, doses, aperture_area_um2=1.0)) ** 2
                density = grainy(density, noise_um2, pixel_um=pixel_um, rng=rng)
            rows.append(density)
        planes.append(np.stack(rows))
    return np.stack(planes, axis=-1)


def simulate_pixels(
    density: FloatArray,
    *,
    rng: np.random.Generator,
    clear_level: float = 50_000.0,
    black_level: float = 0.0,
    flare: FloatArray | float = 0.0,
    blur_px: float = 0.0,
    full_well: float = 30_000.0,
    read_noise: float = 5.0,
    gamma: float = 1.0,
    bits: int = 16,
    dust: int = 0,
) -> np.ndarray:
    """Numbers that a scanner makes of densities, one channel.

    Parameters
    ----------
    density
        Density of every pixel, shape (rows, columns).
    rng
        Random generator.
    clear_level, black_level
        Numbers of clear light and of no light [counts].
    flare
        Share of the mean light that is spread over the frame; an array when it is not the same everywhere.
    blur_px
        Standard deviation of the Gaussian point spread [pixels].
    full_well
        Electrons of clear light: shot noise is their square root.
    read_noise
        Noise without light [counts].
    gamma
        Encoding: full scale x (light / full scale)**(1 / gamma).
    bits
        Levels of the converter before they are spread over 16 bits.
    dust
        Number of opaque specks of 1 to 3 pixels radius.

    Returns
    -------
    ndarray
        Whole numbers of 16 bits, same shape.

    Raises
    ------
    ArgumentError
        A value out of range.

    Examples
    --------
    >>> pixels = simulate_pixels(np.array([[0.0, 0.3]]), rng=np.random.default_rng(0), full_well=1e9, read_noise=0.0)
    >>> (pixels / 500).round().tolist()
    [[100.0, 50.0]]
    """
    light = 10.0 ** -np.clip(_picture("density", density), -1.0, 20.0)
    for name, value in (("clear_level", clear_level), ("full_well", full_well), ("gamma", gamma)):
        check_number(name, value, low=1e-3, high=1e12)
    for name, value in (("black_level", black_level), ("blur_px", blur_px), ("read_noise", read_noise)):
        check_number(name, value, low=0.0, high=1e6)
    check_count("bits", bits, low=1, high=16)
    check_count("dust", dust, low=0, high=100_000)
    if dust:
        light = _dusty(light, dust, rng)
    if blur_px > 0.0:
        from scipy.ndimage import gaussian_filter

        light = gaussian_filter(light, blur_px, mode="nearest")
    light = (1.0 - flare) * light + flare * light.mean()
    electrons = np.maximum(light * full_well + np.sqrt(np.maximum(light * full_well, 0.0)) * _normal(light, rng), 0.0)
    counts = black_level + electrons * (clear_level / full_well) + read_noise * _normal(light, rng)
    counts = np.clip(counts, 0.0, 65_535.0)
    step = 2 ** (16 - bits)
    if gamma != 1.0:
        counts = 65_535.0 * (np.floor(counts) / 65_535.0) ** (1.0 / gamma)
    return np.asarray(np.minimum(np.round(counts / step) * step, 65_535.0)).astype(np.uint16)


def _picture(name: str, value: Any) -> FloatArray:
    """Numbers of the pixels of one channel; minus infinity is film without light."""
    checked = check_array(name, np.maximum(value, -1e9) if hasattr(value, "shape") else value, nan_allowed=False)
    if checked.ndim != 2 or checked.size == 0:
        raise ArgumentError(name, checked.shape, "numbers of shape (rows, columns)")
    return checked


def _normal(like: FloatArray, rng: np.random.Generator) -> FloatArray:
    return np.asarray(rng.standard_normal(like.shape))


def _dusty(light: FloatArray, count: int, rng: np.random.Generator) -> FloatArray:
    rows, columns = light.shape
    y, x = np.ogrid[:rows, :columns]
    result = light.copy()
    for _ in range(count):
        row, column, radius = rng.uniform(0, rows), rng.uniform(0, columns), rng.uniform(1.0, 3.0)
        top, left = max(0, math.floor(row - 4)), max(0, math.floor(column - 4))
        part = np.s_[top : top + 9, left : left + 9]
        speck = (y[part[0]] - row) ** 2 + (x[:, part[1]] - column) ** 2 < radius**2
        result[part][speck] *= 0.05
    return result


def scan_from_pixels(
    pixels: np.ndarray, *, black_level: float = 0.0, pixel_um: float | None = None, path: str = "simulated"
) -> Scan:
    """A scan from numbers.

    Parameters
    ----------
    pixels
        Whole numbers of 16 bits, shape (rows, columns) or (rows, columns, 3).
    black_level
        Number that no light gives [counts].
    pixel_um
        Side of a pixel on the film [um; above 0].
    path
        Name for messages.

    Returns
    -------
    Scan

    Raises
    ------
    ArgumentError
        Numbers of another shape.

    Examples
    --------
    >>> scan_from_pixels(np.zeros((20, 30, 3), dtype=np.uint16)).channels
    ('red', 'green', 'blue')
    """
    _check_pixels(pixels)
    shaped = pixels[:, :, None] if pixels.ndim == 2 else pixels
    channels = ("visual",) if shaped.shape[2] == 1 else ("red", "green", "blue")
    return Scan(
        pixels=shaped,
        channels=channels,
        full_scale=65_535.0,
        black_level=(black_level,) * len(channels),
        pixel_um=pixel_um,
        path=path,
    )


def _check_pixels(pixels: Any) -> None:
    shape: tuple[int, ...] = getattr(pixels, "shape", ())
    if len(shape) not in (2, 3) or 0 in shape or (len(shape) == 3 and shape[2] not in (1, 3)):
        raise ArgumentError("pixels", shape, "numbers of shape (rows, columns) or (rows, columns, 3)")


def write_tiff(pixels: np.ndarray, path: str | Path, *, pixel_um: float | None = None) -> Path:
    """Write numbers as a 16-bit TIFF.

    Parameters
    ----------
    pixels
        Whole numbers of 16 bits, shape (rows, columns) or (rows, columns, 3).
    path
        Where to; an existing file is replaced in one step.
    pixel_um
        Side of a pixel on the film [um]; written into the file when given.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ArgumentError, OutputFileError
        Not such numbers; the place cannot be written to.
    """
    import io

    import tifffile

    _check_pixels(pixels)

    stream = io.BytesIO()
    resolution: dict[str, Any] = (
        {} if pixel_um is None else {"resolution": (25_400.0 / pixel_um,) * 2, "resolutionunit": "INCH"}
    )
    photometric = "rgb" if pixels.ndim == 3 else "minisblack"
    tifffile.imwrite(stream, pixels, photometric=photometric, **resolution)
    return write_bytes_atomic(path, stream.getvalue())


def simulate_profile(
    cause: str,
    winding: Winding,
    *,
    rng: np.random.Generator,
    stretches: int = 300,
    noise: float = 0.003,
    strength: float | None = None,
    base: float = 0.3,
) -> FogProfile:
    """Density along an invented film with bands of a cause, its parameters drawn.

    Parameters
    ----------
    cause
        One of ``filmdose.scan.bands.CAUSES``.
    winding
        The nominal winding; the true one differs by up to 8 %.
    rng
        Random generator.
    stretches
        Positions along the film.
    noise
        Standard deviation of one density.
    strength
        Standard deviation of the bands over that of the noise; drawn from 0.1 to 10 when None.
    base
        Density without fog, which the profile carries as its control.

    Returns
    -------
    FogProfile

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range, or a cause that is not known.

    Examples
    --------
    >>> from filmdose.scan.spiral import get_winding
    >>> profile = simulate_profile("even", get_winding("135-36"), rng=np.random.default_rng(0), stretches=50)
    >>> profile.density.shape
    (50,)
    """
    check_count("stretches", stretches, low=10, high=100_000)
    check_number("noise", noise, low=0.0, high=1.0, unit="density")
    check_number("base", base, low=0.0, high=6.0, unit="density")
    length = 0.99 * winding.length_mm
    position = (np.arange(stretches) + 0.5) * length / stretches
    strong = float(np.exp(rng.uniform(math.log(0.1), math.log(10.0)))) if strength is None else strength
    shape = _band_shape(cause, winding, position, rng)
    spread = float(shape.std())
    bands = shape / spread * strong * noise if spread > 0.0 else shape
    slope = noise * rng.normal() * (position / length - 0.5)
    fog = bands - bands.min() + 2.0 * noise + slope
    density = base + fog + noise * rng.standard_normal(stretches)
    return FogProfile(position_mm=position, density=density, control_density=base)


def _band_shape(cause: str, winding: Winding, position: FloatArray, rng: np.random.Generator) -> FloatArray:
    length = float(position[-1])
    end = ("inside", "outside")[int(rng.integers(2))]
    if cause == "even":
        return np.zeros_like(position)
    if cause == "radiation":
        radius, layer = rng.uniform(0.92, 1.08, 2) * (winding.core_radius_mm, winding.layer_mm)
        true = Winding(
            length_mm=winding.length_mm,
            core_radius_mm=float(radius),
            layer_mm=float(layer),
            attenuation_per_mm=winding.attenuation_per_mm * float(rng.uniform(0.5, 2.0)),
        )
        return sum((_one_pass(true, position, end, rng) for _ in range(rng.integers(1, 4))), np.zeros_like(position))
    if cause == "fixed-pitch":
        pitch = float(np.exp(rng.uniform(math.log(6.0 * length / position.size), math.log(length / 4.0))))
        phase = 2.0 * math.pi * position / pitch + rng.uniform(0.0, 2.0 * math.pi)
        return np.asarray(np.exp(rng.uniform(0.1, 4.0) * np.cos(phase)))
    if cause == "light-leak":
        away = position - rng.uniform(0.05, 0.95) * length
        width = float(np.exp(rng.uniform(math.log(2.0), math.log(40.0))))
        if rng.random() < 0.5:
            return np.asarray(np.exp(-0.5 * (away / width) ** 2))
        return np.asarray(np.where(away * rng.choice([-1, 1]) >= 0, np.exp(-np.abs(away) / width), 0.0))
    if cause == "development":
        k = np.arange(1, 60)
        weight = np.exp(-0.25 * (math.pi * k / rng.uniform(3.0, 20.0)) ** 2) * rng.standard_normal(k.size)
        return np.asarray(np.cos(math.pi * position[:, None] / length * k) @ weight)
    raise UnknownNameError("cause", cause, CAUSES)


def _one_pass(winding: Winding, position: FloatArray, end: str, rng: np.random.Generator) -> FloatArray:
    """One of up to three passes through a scanner, the roll lying differently each time."""
    return wound_fog(
        winding,
        position,
        ("fan", "shield-edge", "stopped-belt")[int(rng.integers(3))],
        end=end,
        direction_deg=float(rng.uniform(0.0, 360.0)),
        fan_deg=float(rng.uniform(5.0, 60.0)),
        edge_mm=float(rng.uniform(-0.7, 0.7)) * winding.core_radius_mm,
        slit_mm=float(rng.uniform(2.0, 6.0)),
    )


hold_to_annotations(globals())
