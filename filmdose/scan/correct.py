"""A fogged scan with its tones put back: one tone curve for the whole, or one for the fog of every place."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.errors import InputFileError
from filmdose.film.model import Film
from filmdose.result import Result
from filmdose.scan.background import FogBackground, fit_background
from filmdose.scan.density import area_statistics
from filmdose.scan.image import Box, Scan
from filmdose.tonecurve import GAIN_CEILING, ToneCurve, restore_tones, tone_curve
from filmdose.tonetable import Encoding, clear_numbers, kept_gain, tone_codes

__all__ = ["CorrectedScan", "clear_from_box", "clear_from_rebate", "correct_density", "correct_scan", "fog_on_scan"]


@dataclass(frozen=True, kw_only=True, eq=False)
class CorrectedScan(Result):
    """A scan after the tone curve.

    Parameters
    ----------
    pixels
        Numbers for a 16-bit TIFF in the encoding of the scan, shape (rows, columns) or (rows, columns, 3).
    clear
        Number of clear light in the corrected picture over full scale, by record; above 1: it would be cut off.
    kerma_ugy
        Least and greatest effective kerma that was corrected [uGy].
    outside
        Share of the pixels with a density that the fogged film does not have: they got the nearest tone.
    backgrounds
        Of uneven fog: the surface of every channel; empty when one curve was used.
    """

    pixels: np.ndarray
    clear: dict[str, float]
    kerma_ugy: tuple[float, float]
    outside: float
    backgrounds: Mapping[str, FogBackground]

    def __repr__(self) -> str:
        low, high = self.kerma_ugy
        rows, columns = self.pixels.shape[:2]
        return f"CorrectedScan({columns} by {rows}, {low:.0f} to {high:.0f} uGy, {100 * self.outside:.1f} % outside)"


def _names(scan: Scan, film: Film) -> tuple[str, ...]:
    if len(scan.channels) != len(film.records):
        raise InputFileError(
            scan.path,
            "",
            f"it has {len(scan.channels)} channels and a {film.kind} film has {len(film.records)} records.",
            "Scan black-and-white film in grey and colour film in red, green and blue.",
        )
    return film.record_names


def _numbers(scan: Scan, box: Box) -> FloatArray:
    """Numbers of a scan, 0 to 1 of full scale."""
    return np.asarray(np.clip(scan.light(box) / scan.full_scale, 0.0, 1.0))


def clear_from_box(scan: Scan, box: Box) -> list[float]:
    """Number of clear light over full scale, channel by channel, from a place without film."""
    part = scan.light(box.middle) / scan.full_scale
    return [area_statistics(part[..., k]).mean for k in range(part.shape[-1])]


def clear_from_rebate(scan: Scan, box: Box, tone: ToneCurve, encoding: Encoding) -> list[float]:
    """Number that clear light would have, from unexposed film whose density the fogged film's curve tells."""
    end = -1 if tone.film.reversal else 0
    levels = clear_from_box(scan, box)
    pairs = zip(levels, tone.records.values(), strict=True)
    return [v * 10.0 ** (float(one.fogged[end]) / encoding.number) for v, one in pairs]


def fog_on_scan(
    scan: Scan, box: Box, film: Film, encoding: Encoding, clear: float | Sequence[float] | None = None
) -> float:
    """Effective kerma [uGy] of the fog that unexposed film shows on a scan: middle record, over the film's own."""
    names = _names(scan, film)
    lights = [1.0] * len(names) if encoding.name == "density" else clear_numbers(clear, names)
    at = len(names) // 2
    record = film.records[at]
    level = np.asarray(clear_from_box(scan, box)[at])
    read = float(encoding.density(level, lights[at]))
    own = float(record.maximum_density() if film.reversal else record.minimum_density())
    fog = own - read if film.reversal else read - own
    return float(record.kerma_for_fog(max(fog, 0.0)))


def correct_density(
    film: Film,
    density: FloatArray,
    background: FogBackground,
    *,
    record: str | None = None,
    ceiling: float | None = GAIN_CEILING,
) -> FloatArray:
    """Densities of a record with the fog of every place taken out by the tone curve of that fog.

    The background, less the film's own unexposed density, is the fog of a place; its dose times the background's
    weight chooses the curve, so that a place without evidence stays as it is.

    Parameters
    ----------
    film
        The film; its own unexposed density counts as that of the clean roll.
    density
        Densities, shape (rows, columns).
    background
        Of :func:`filmdose.scan.background.fit_background`.
    record
        Name of the record; the only one, or green, by default.
    ceiling
        Greatest gain; see :func:`filmdose.tonecurve.tone_curve`.

    Returns
    -------
    ndarray
        Densities, same shape.

    Raises
    ------
    ArgumentError
        Shapes that differ, or a record that the film does not have.
    """
    kerma = background_kerma(film, background, record)
    name = record or ("green" if "green" in film.record_names else film.record_names[0])
    return restore_tones(film, density, kerma, record=name, ceiling=ceiling)


def background_kerma(film: Film, background: FogBackground, record: str | None = None) -> FloatArray:
    """Effective kerma at every pixel [uGy] that explains the background; 0 where there is no evidence."""
    name = record or ("green" if "green" in film.record_names else film.record_names[0])
    emulsion = film.records[film.record_names.index(name)]
    own = float(emulsion.maximum_density() if film.reversal else emulsion.minimum_density())
    fog = (background.density() - own) * (-1.0 if film.reversal else 1.0)
    return np.asarray(background.weight() * np.asarray(emulsion.kerma_for_fog(np.maximum(fog, 0.0))))


def correct_scan(
    scan: Scan,
    tone: ToneCurve,
    encoding: Encoding,
    *,
    clear: float | Sequence[float] | None = None,
    boxes: Sequence[Box] = (),
) -> CorrectedScan:
    """A scan with its tones put back, in the encoding that it had.

    Parameters
    ----------
    scan
        A 16-bit scan.
    tone
        The tone curve; with ``boxes`` its film and ceiling count and its dose does not.
    encoding
        What the scan's numbers mean; never guessed.
    clear
        Number of clear light over full scale, one or one a channel; not used for densities.
    boxes
        Unexposed film around the frame: its fog, place by place, is what is taken out.

    Returns
    -------
    CorrectedScan

    Raises
    ------
    ArgumentError, InputFileError
        Clear light is missing, channels do not match the film, or boxes do not fit.
    """
    names = _names(scan, tone.film)
    lights = [1.0] * len(names) if encoding.name == "density" else clear_numbers(clear, names)
    ceiling = None if math.isinf(tone.ceiling) else tone.ceiling
    value = _numbers(scan, scan.frame)
    planes, outside, backgrounds, after, doses = [], [], {}, {}, []
    for k, (name, light) in enumerate(zip(names, lights, strict=True)):
        curve = tone.record(name)
        density = encoding.density(value[..., k], light)
        low, high = curve.domain
        if boxes:
            # what is denser than any film, such as a holder, must not become infinite
            density = np.minimum(density, high)
            background = fit_background(density, boxes)
            kerma = background_kerma(tone.film, background, name)
            corrected = restore_tones(tone.film, density, kerma, record=name, ceiling=ceiling)
            greatest = tone_curve(tone.film, float(kerma.max()), ceiling=ceiling).record(name)
            gain = kept_gain(greatest, encoding)
            planes.append(np.clip(encoding.value(corrected, light * gain), 0.0, 1.0))
            backgrounds[name] = background
            covered = kerma[background.weight() > 0.99]
            doses += [float(covered.min()), float(covered.max())]
            low = float(curve.clean[0])  # what is thinner than the clean film is no film
        else:
            gain = kept_gain(curve, encoding)
            planes.append(tone_codes(curve, value[..., k], encoding, light))
            doses.append(tone.kerma_ugy)
        outside.append(float(((density < low - 1e-9) | (density > high + 1e-9)).mean()))
        after[name] = light * gain
    stack = np.stack(planes, axis=-1)
    pixels = np.rint(stack * 65_535.0).astype(np.uint16)
    return CorrectedScan(
        pixels=pixels[..., 0] if len(names) == 1 else pixels,
        clear=after,
        kerma_ugy=(min(doses), max(doses)),
        outside=float(np.mean(outside)),
        backgrounds=backgrounds,
    )


hold_to_annotations(globals())
