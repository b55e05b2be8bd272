"""The preview of a roll: one scene on the clean film and on the scanned one, as negative, as scan, and enlarged."""

from __future__ import annotations

import base64
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.answering import Answer, answer, as_film
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_count, check_number
from filmdose.errors import ArgumentError
from filmdose.exposed import HARMLESS_FOG
from filmdose.film.model import Film, film_words
from filmdose.history import history_dose
from filmdose.odds import RollOdds, propagate
from filmdose.odds.scores import Random, random_seed
from filmdose.picture.film_image import Densities, middle_log_exposure, photograph
from filmdose.picture.fog_bands import MOST_PEAK_TO_MEAN, band_profile, turn_mm
from filmdose.picture.grain_field import LEAST_PIXEL_UM
from filmdose.picture.photo import read_photo
from filmdose.picture.plan import FrameSetting, plan_frames
from filmdose.picture.scanned import Points, scan_points
from filmdose.picture.scene import Area, Scene, StillLife
from filmdose.picture.strip import Column, compose, png_bytes, save_image
from filmdose.question import Question
from filmdose.result import Result
from filmdose.solution import shadow_points
from filmdose.standards import ISO2240_HIGHLIGHT, LOG10_2
from filmdose.tonecurve import GAIN_CEILING, tone_curve
from filmdose.trip import Roll, answer_at, roll_question
from filmdose.units import format_speed
from filmdose.words import dose_text, headline

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

__all__ = ["WIDTHS", "Frame", "Preview", "preview"]

#: Widths of one picture that are made [pixels].
WIDTHS = (120, 2400)

#: A strip of more pixels than this is not made: it would take more than about two gigabytes.
MOST_PIXELS = 60_000_000

#: A scene for reversal film has this many times the range between the two points that define its speed.
_SLIDE_RANGE = 1.15


@dataclass(frozen=True, kw_only=True)
class Frame(Result):
    """One picture.

    Parameters
    ----------
    setting
        What it shows.
    kerma_ugy
        Mean effective air kerma [uGy].
    density, crop_density
        Densities with grain of the frame and of the enlarged piece, shape (rows, columns, records).
    scanned_density, scanned_crop
        The same as they go to the scan: with fog taken out where the setting says so.
    points
        Settings of its scan.
    shadow_kept
        Signal-to-noise of the shadow point under the worst band, over that of the clean roll at the marked speed [1].
    fog_density
        Density added where no light fell, mean dose, by record.
    """

    setting: FrameSetting
    kerma_ugy: float
    density: Densities = field(repr=False)
    crop_density: Densities = field(repr=False)
    scanned_density: Densities = field(repr=False)
    scanned_crop: Densities = field(repr=False)
    points: Points = field(repr=False)
    shadow_kept: float
    fog_density: Mapping[str, float]


@dataclass(frozen=True, kw_only=True)
class Preview(Result):
    """Pictures side by side; shows itself in a notebook, and is saved with :meth:`save`.

    Parameters
    ----------
    answer
        The answer of the typical case.
    headline
        What to do with the roll and what it is worth then.
    verdict
        What the roll is worth at the exposure recommended: "good", "usable", "poor" or "lost".
    recommended
        Index of the picture marked as recommended [ISO]; None where there is none.
    frames
        The pictures, from left to right.
    scene
        What was photographed.
    area
        The piece that is enlarged.
    pixel_um, crop_pixel_um
        Side of a pixel on the film [um].
    statistics
        One row a picture, record and tone of the grey scale: density and noise of the model and of the picture.
    seed
        Of the grain.
    """

    answer: Answer
    headline: str
    verdict: str
    recommended: float | None
    frames: tuple[Frame, ...]
    scene: Scene = field(repr=False)
    area: Area
    pixel_um: float
    crop_pixel_um: float
    statistics: pd.DataFrame = field(repr=False)
    seed: int

    def __repr__(self) -> str:
        rows, columns = self.frames[0].density.shape[:2]
        return f"Preview({len(self.frames)} pictures of {columns} x {rows} pixels, {self.headline!r})"

    def _repr_png_(self) -> bytes:
        return png_bytes(self.image)

    def _ipython_display_(self) -> None:
        """In a notebook the picture, which would else lose to the table of its fields."""
        from IPython.display import display

        picture = base64.b64encode(self._repr_png_()).decode("ascii")
        display({"image/png": picture, "text/plain": repr(self)}, raw=True)  # type: ignore[no-untyped-call]

    @cached_property
    def image(self) -> np.ndarray[Any, Any]:
        """The whole strip with its words: sRGB of 16 bits, shape (rows, columns, 3)."""
        columns = [
            Column(
                title=frame.setting.title,
                facts=_facts(self.film, frame),
                recommended=frame.setting.recommended,
                film=frame.density,
                scan=frame.scanned_density,
                crop=frame.scanned_crop,
                points=frame.points,
            )
            for frame in self.frames
        ]
        return compose(columns, headline=self.headline, title=self.title, caption=self.caption, area=self.area)

    @property
    def film(self) -> Film:
        """The film."""
        return self.answer.film

    @property
    def title(self) -> str:
        """The film and its dose."""
        return f"{film_words(self.film)}, {dose_text(self.answer.kerma_ugy)}"

    @property
    def caption(self) -> str:
        """What is modelled and what is not, in sentences."""
        peak = self.answer.question.peak_to_mean
        fog = (
            "even fog"
            if peak == 1.0
            else f"fog in bands, the worst with {min(peak, MOST_PEAK_TO_MEAN):.3g} times the mean"
        )
        scan = "a scan whose black, middle and white are set on the scene's greys, channel by channel"
        if any(frame.setting.points_of == "clean" for frame in self.frames):
            scan += "; 'straight' and 'clean roll's settings' keep those of the clean roll"
        if any(frame.setting.restored for frame in self.frames):
            scan += (
                f"; 'corrected' puts the tones back onto the clean curve with at most {GAIN_CEILING:g} times the noise"
            )
            scan += " (mean fog, so that bands stay)" if peak > 1.0 else ""
        colour = (
            "the colours of real dyes, light that one layer takes for another, " if len(self.film.records) > 1 else ""
        )
        notes = " ".join(getattr(self.scene, "notes", ()))
        return (
            f"Scene: {self.scene.title}. {notes + ' ' if notes else ''}"
            "Modelled: exposure by a meter at the index, density and grain of every record after light and radiation, "
            f"{fog}; "
            f"{scan}. A pixel is {self.pixel_um:.3g} µm of film, in the enlarged piece {self.crop_pixel_um:.3g} µm; "
            "its shadows are opened up, alike in all pictures. "
            f"Not modelled: sharpness and flare of lens, film and enlarger, halation, development at edges, {colour}"
            "the shape of single grains and tracks, fading of the latent image, dust. "
            f"Film data: {self.film.origin or 'not stated'}. A simulation of the typical case, not a promise."
        )

    def to_xarray(self) -> xr.Dataset:
        """Densities of all pictures, as :class:`xarray.Dataset` with units and names."""
        import xarray as xr

        from filmdose.version import __version__

        rows, columns = self.frames[0].density.shape[:2]
        crop_rows, crop_columns = self.frames[0].crop_density.shape[:2]
        coordinates = {
            "frame": [frame.setting.title for frame in self.frames],
            "ei": ("frame", [frame.setting.ei for frame in self.frames]),
            "record": list(self.film.record_names),
            "y": ("y", (np.arange(rows) + 0.5) * self.pixel_um / 1000.0, {"units": "mm"}),
            "x": ("x", (np.arange(columns) + 0.5) * self.pixel_um / 1000.0, {"units": "mm"}),
            "crop_y": ("crop_y", (np.arange(crop_rows) + 0.5) * self.crop_pixel_um / 1000.0, {"units": "mm"}),
            "crop_x": ("crop_x", (np.arange(crop_columns) + 0.5) * self.crop_pixel_um / 1000.0, {"units": "mm"}),
        }
        told = {"units": "1", "long_name": "optical density with grain, base included"}
        return xr.Dataset(
            {
                "density": (("frame", "y", "x", "record"), np.stack([f.density for f in self.frames]), told),
                "crop_density": (
                    ("frame", "crop_y", "crop_x", "record"),
                    np.stack([f.crop_density for f in self.frames]),
                    told,
                ),
            },
            coords=coordinates,
            attrs={
                "title": self.title,
                "headline": self.headline,
                "caption": self.caption,
                "kerma_ugy": self.answer.kerma_ugy,
                "seed": self.seed,
                "source": f"filmdose {__version__}",
            },
        )

    def save(self, path: str | Path) -> Path:
        """Write the strip as PNG (8 bits) or TIFF (16 bits, extra ``scan``), as the ending says.

        Raises
        ------
        ArgumentError
            Another ending.
        OutputFileError
            The place cannot be written to.
        """
        return save_image(self.image, path)


def preview(
    film: Roll | Film | float,
    kerma_ugy: float | None = None,
    question: Question | None = None,
    *,
    exposed: bool = False,
    shot_ei: float | None = None,
    photo: str | Path | Scene | None = None,
    width: int = 480,
    frame_mm: float = 36.0,
    rng: Random = 0,
    odds: RollOdds | None = None,
) -> Preview:
    """Pictures of what fog does to a roll, and of what the recommended exposure index brings back.

    Parameters
    ----------
    film
        A roll with its history, a film, or a speed [ISO] for the generic black-and-white negative film.
    kerma_ugy
        Mean effective air kerma [uGy; at least 0]; of a roll that of the typical case when left out.
    question
        What is asked; its scene range is that of the built-in scene, and its unevenness makes bands.
    exposed, shot_ei
        As of :func:`filmdose.answering.answer`; a roll knows them itself.
    photo
        A file of the user's own (:func:`filmdose.picture.photo.read_photo`), or another scene, in place of the
        built-in still life.
    width
        Of one picture [pixels; 120 to 2400].
    frame_mm
        Width of the frame on the film [mm; 5 to 300].
    rng
        Seed of the grain [whole number, at least 0]; the same seed makes the same picture.  A generator or None takes
        another one each time, which the preview keeps.
    odds
        What is recommended when not everything is known; of a roll it is found when left out.

    Returns
    -------
    Preview

    Raises
    ------
    ArgumentError, InputFileError
        A value out of range; a photograph that cannot be read.

    Notes
    -----
    The pictures are of the typical case.  Unexposed negatives: the clean roll, and the scanned one at its marked speed,
    at the recommended index and a stop either side.  Reversal film and rolls that are exposed already: clean, scanned
    with the clean roll's settings, with its own, and corrected.

    Examples
    --------
    >>> found = preview(800, 300.0, width=120)
    >>> [frame.setting.title for frame in found.frames][:2]
    ['clean, EI 800', 'scanned, EI 800']
    """
    check_count("width", width, low=WIDTHS[0], high=WIDTHS[1])
    frame_mm = check_number("frame_mm", frame_mm, low=5.0, high=300.0, unit="mm")
    seed = random_seed(rng)
    found, odds = _answered(film, kerma_ugy, Question() if question is None else question, exposed, shot_ei, odds)
    recommended = found.ei if odds is None else odds.ei_recommended
    if found.outcome != "compensated" or (odds or found).verdict == "lost":
        recommended = None
    scene = _scene(found, photo)
    height = max(8, round(width / scene.aspect))
    area = scene.shadows()
    pixel = frame_mm * 1000.0 / width
    crop_pixel = pixel * area.width
    if crop_pixel < LEAST_PIXEL_UM:
        most = int(frame_mm * 1000.0 * area.width / LEAST_PIXEL_UM)
        raise ArgumentError(
            "width", width, f"at most {most} for a frame of {frame_mm:g} mm", "Finer pixels see grains."
        )
    shot = found.film.speed if found.exposed is None else found.exposed.shot_ei
    settings = plan_frames(found.film, found.outcome, recommended, shot)
    if len(settings) * width * 2 * height > MOST_PIXELS:
        raise ArgumentError("width", width, f"at most {MOST_PIXELS:,} pixels in all", "Make it narrower.")
    records = len(found.film.records)
    whole = scene.log_places(Area(left=0, top=0, width=1, height=1), width, height, records)
    crop = scene.log_places(area, width, height, records)
    places = (whole, crop)
    frames = tuple(
        _frame(found, setting, places, scene, area, frame_mm, (seed, number)) for number, setting in enumerate(settings)
    )
    return Preview(
        answer=found,
        headline=_headline(found, odds),
        verdict=(odds or found).verdict,
        recommended=recommended,
        frames=frames,
        scene=scene,
        area=area,
        pixel_um=pixel,
        crop_pixel_um=crop_pixel,
        statistics=_statistics(found, frames, scene, pixel, frame_mm, area),
        seed=seed,
    )


def _answered(
    film: Roll | Film | float,
    kerma_ugy: float | None,
    question: Question,
    exposed: bool,
    shot_ei: float | None,
    odds: RollOdds | None,
) -> tuple[Answer, RollOdds | None]:
    if isinstance(film, Roll):
        if exposed or shot_ei is not None:
            raise ArgumentError("exposed", exposed or shot_ei, "nothing beside a roll", "The roll says it itself.")
        dose = history_dose(film.history)
        kerma = dose.kerma_ugy if kerma_ugy is None else kerma_ugy
        found = answer_at(film, kerma, roll_question(film, question, dose.peak_to_mean))
        return found, propagate([film], question)[film.id] if odds is None else odds
    if kerma_ugy is None:
        raise ArgumentError("kerma_ugy", None, "a dose at the film [uGy]", "Give a dose, or a roll with its history.")
    return answer(as_film(film), kerma_ugy, question, exposed=exposed, shot_ei=shot_ei), odds


def _headline(found: Answer, odds: RollOdds | None) -> str:
    if odds is not None:
        return odds.headline
    lost = found.exposed
    return headline(
        found.outcome,
        found.verdict,
        typical=found.ei,
        shot_ei=None if lost is None else lost.shot_ei,
        harmless=lost is not None and lost.harmless,
    )


def _scene(found: Answer, photo: str | Path | Scene | None) -> Scene:
    if isinstance(photo, str | Path):
        return read_photo(photo)
    if photo is not None:
        return photo
    span = found.question.scene_range
    if found.film.reversal:
        own = []
        for record, shadow in zip(found.film.records, shadow_points(found.film), strict=True):
            highlight = float(record.curve().inverse(record.minimum_density() + ISO2240_HIGHLIGHT))
            own.append(highlight - shadow)
        span = min(span, _SLIDE_RANGE * max(own))
    return StillLife(scene_range=span)


def _band(found: Answer, setting: FrameSetting, area: Area, columns: FloatArray, frame_mm: float) -> FloatArray:
    """Effective kerma of columns, given by their place in the frame [0 to 1]."""
    if not setting.fogged:
        return np.zeros_like(columns)
    middle = (area.left + 0.5 * area.width) * frame_mm
    profile = band_profile(columns * frame_mm, found.question.peak_to_mean, turn=turn_mm(), middle_mm=middle)
    return np.asarray(found.kerma_ugy * profile)


def _corrected(film: Film, kerma: float, density: Densities) -> Densities:
    """Densities put back onto the clean curves; a film without tones stays as it is."""
    try:
        tone = tone_curve(film, kerma)
    except ArgumentError:
        return density
    return np.stack([tone.apply(density[..., i], name) for i, name in enumerate(film.record_names)], axis=-1)


def _frame(
    found: Answer,
    setting: FrameSetting,
    places: tuple[FloatArray, FloatArray],
    scene: Scene,
    area: Area,
    frame_mm: float,
    seed: tuple[int, ...],
) -> Frame:
    film = found.film
    kerma = found.kerma_ugy if setting.fogged else 0.0
    result = []
    for part, (log_places, piece) in enumerate(
        zip(places, (Area(left=0, top=0, width=1, height=1), area), strict=True)
    ):
        count = log_places.shape[1]
        columns = piece.left + piece.width * (np.arange(count) + 0.5) / count
        pixel = frame_mm * 1000.0 * piece.width / count
        band = _band(found, setting, area, columns, frame_mm)
        grainy, _ = photograph(film, log_places, setting.ei, band, pixel, (*seed, part))
        result.append(grainy)
    to_scan = result
    if setting.restored:
        to_scan = [_corrected(film, kerma, part) for part in result]
    clean = setting.points_of == "clean"
    shift = math.log10(film.speed / setting.ei)
    worst = kerma * (found.question.peak_to_mean if setting.fogged else 1.0)
    kept = [
        float(record.signal_to_noise(point + shift, worst) / record.signal_to_noise(point))
        for record, point in zip(film.records, shadow_points(film), strict=True)
    ]
    return Frame(
        setting=setting,
        kerma_ugy=kerma,
        density=result[0],
        crop_density=result[1],
        scanned_density=to_scan[0],
        scanned_crop=to_scan[1],
        points=scan_points(film, setting.ei, 0.0 if clean else kerma, scene.ends()),
        shadow_kept=min(kept),
        fog_density={name: float(record.fog_density(kerma)) for name, record in film},
    )


def _statistics(
    found: Answer, frames: tuple[Frame, ...], scene: Scene, pixel_um: float, frame_mm: float, area: Area
) -> pd.DataFrame:
    """One row a picture, record and tone; of a photograph, whose tones nobody knows, the model's values alone."""
    import pandas as pd

    film = found.film
    tones: Mapping[float, Area | None] = scene.grey_scale() or {stops * LOG10_2: None for stops in range(-5, 5)}
    rows: list[dict[str, Any]] = []
    for frame in frames:
        high, wide = frame.density.shape[:2]
        middle = middle_log_exposure(frame.setting.ei)
        for index, (name, record) in enumerate(film):
            for place, patch in tones.items():
                x = middle + place
                kerma: Any = frame.kerma_ugy
                measured: tuple[float, float] = (math.nan, math.nan)
                if patch is not None:
                    left, right = math.ceil(patch.left * wide), math.floor((patch.left + patch.width) * wide)
                    top, bottom = math.ceil(patch.top * high), math.floor((patch.top + patch.height) * high)
                    columns = (np.arange(left, right) + 0.5) / wide
                    kerma = _band(found, frame.setting, area, columns, frame_mm)
                    pixels = frame.density[top:bottom, left:right, index].astype(np.float64)
                    even = pixels - np.asarray(record.density(x, kerma))
                    if even.size > 1:
                        measured = (float(pixels.mean()), float(even.std(ddof=1)))
                clean = float(record.signal_to_noise(middle_log_exposure(film.speed) + place))
                mean = float(np.mean(kerma))
                rows.append(
                    {
                        "frame": frame.setting.title,
                        "ei": frame.setting.ei,
                        "kerma_ugy": mean,
                        "record": name,
                        "stops_from_middle": place / LOG10_2,
                        "log_exposure": x,
                        "density": float(np.mean(record.density(x, kerma))),
                        "density_in_picture": measured[0],
                        "sigma": float(
                            np.sqrt(np.mean(np.square(record.noise(x, kerma, aperture_area_um2=pixel_um**2))))
                        ),
                        "sigma_in_picture": measured[1],
                        "snr_kept": float(record.signal_to_noise(x, mean)) / clean,
                    }
                )
    return pd.DataFrame(rows)


def _facts(film: Film, frame: Frame) -> tuple[str, ...]:
    """What stands beside the picture of a frame on the light table."""
    given = math.log2(film.speed / frame.setting.ei)
    fog = max(frame.fog_density.values(), key=abs)
    light = "as marked" if abs(given) < 0.05 else f"{abs(given):.1f} stops {'more' if given > 0 else 'less'} light"
    shown = "no fog" if abs(fog) < HARMLESS_FOG / 10 else f"{'blacks' if film.reversal else 'fog'} {fog:+.2f}"
    return (f"EI {format_speed(frame.setting.ei)}", light, shown, f"shadow signal {100 * frame.shadow_kept:.0f} %")


hold_to_annotations(globals())
