"""A user's own photograph as a scene: linear 16-bit TIFF, raw, or a JPEG whose sRGB curve is undone openly."""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import cache, cached_property
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.errors import InputFileError
from filmdose.picture.profile import in_srgb, linear_from_srgb
from filmdose.picture.scene import LUMINANCE_WEIGHTS, Area
from filmdose.result import Result
from filmdose.scan.image import RAW_ENDINGS, Box, Scan, read_scan

__all__ = ["MOST_PIXELS", "Photo", "read_photo"]

#: Pictures for looking at (8 bits) of more pixels are refused: they are held in memory, three bytes a pixel.
MOST_PIXELS = 60_000_000

#: Light is taken as no less than this share of the metered middle: flare in lens and camera gives as much.
FLOOR = 1e-3

_LOOKED_AT = (300, 200)
_SHOWN_ENDS = (0.5, 99.5)


@dataclass(frozen=True, kw_only=True)
class Photo(Result):
    """A photograph as a scene; made by :func:`read_photo`.

    Its light is taken as that of the scene: the mean luminance is the metered middle, as an averaging meter has it.

    Parameters
    ----------
    title
        What it is and how it was read.
    size
        Columns and rows.
    piece
        Gives light of a box of pixels, shape (rows, columns, 1 or 3), in any unit.
    notes
        What was done to it.
    """

    title: str
    size: tuple[int, int]
    piece: Callable[[Box], FloatArray] = field(repr=False)
    notes: tuple[str, ...] = ()

    @property
    def aspect(self) -> float:
        """Width over height."""
        return self.size[0] / self.size[1]

    @cached_property
    def _overview(self) -> FloatArray:
        width = min(_LOOKED_AT[0], self.size[0])
        return self._light(Area(left=0, top=0, width=1, height=1), width, max(8, round(width / self.aspect)))

    @cached_property
    def _middle(self) -> float:
        return float((self._overview @ self._weights).mean())

    @property
    def _weights(self) -> FloatArray:
        return LUMINANCE_WEIGHTS if self._overview.shape[-1] == 3 else np.ones(1)

    @cached_property
    def _tones(self) -> FloatArray:
        return np.log10(np.maximum(self._overview @ self._weights / self._middle, FLOOR))

    def _light(self, area: Area, width: int, height: int) -> FloatArray:
        """Mean light of every pixel wanted; between the photograph's own pixels where it has fewer."""
        columns, rows = self.size
        left = min(max(math.floor(area.left * columns), 0), columns - 8)
        top = min(max(math.floor(area.top * rows), 0), rows - 8)
        wide = min(max(8, round(area.width * columns)), columns - left)
        high = min(max(8, round(area.height * rows)), rows - top)
        middle_u = (np.arange(width) + 0.5) * wide / width
        middle_v = (np.arange(height) + 0.5) * high / height
        if wide < width or high < height:
            return _between(self.piece(Box(left=left, top=top, width=wide, height=high)), middle_u, middle_v)
        across = np.floor(np.arange(width) * wide / width).astype(int)
        down = np.floor(np.arange(height + 1) * high / height).astype(int)
        result = []
        for first, last in pairwise(down):  # a row of pixels at a time: memory stays flat
            deep = max(int(last - first), 8)
            first = min(int(first), high - deep)
            band = self.piece(Box(left=left, top=top + first, width=wide, height=deep))
            mean = band.mean(axis=0) if last - first >= 8 else band[: int(last - first)].mean(axis=0)
            result.append(np.add.reduceat(mean, across, axis=0) / np.diff(across, append=wide)[:, None])
        return np.asarray(result)

    def log_places(self, area: Area, width: int, height: int, records: int) -> FloatArray:
        """Log10 light over that of the metered middle, shape (height, width, records)."""
        light = self._light(area, width, height)
        if records == 1:
            light = (light @ self._weights)[..., None]
        return np.asarray(np.log10(np.maximum(light / self._middle, FLOOR)))

    def shadows(self) -> Area:
        """The piece, a sixth of the frame, that has most texture among its dark parts."""
        tones = self._tones
        rows, columns = tones.shape
        high, wide = max(rows // 6, 1), max(columns // 6, 1)
        dark = float(np.percentile(tones, 35.0))
        best, place = -math.inf, (0, 0)
        for top in range(0, rows - high + 1, max(1, high // 4)):
            for left in range(0, columns - wide + 1, max(1, wide // 4)):
                part = tones[top : top + high, left : left + wide]
                score = float(part.std()) - 4.0 * max(0.0, float(np.percentile(part, 99.0)) - dark)
                if score > best:
                    best, place = score, (top, left)
        return Area(left=place[1] / columns, top=place[0] / rows, width=1 / 6, height=1 / 6)

    def ends(self) -> tuple[float, float]:
        """Luminance that all but half a percent of the pixels have on either side."""
        low, high = np.percentile(self._tones, _SHOWN_ENDS)
        return float(low), max(float(high), float(low) + 0.3)

    def grey_scale(self) -> dict[float, Area]:
        """None: nobody knows the tones of a photograph."""
        return {}


def _between(light: FloatArray, u: FloatArray, v: FloatArray) -> FloatArray:
    """Linear interpolation at places counted in pixels from the upper left corner."""

    def ends(at: FloatArray, count: int) -> tuple[Any, Any, FloatArray]:
        place = np.clip(at - 0.5, 0.0, count - 1.0)
        first = np.minimum(place.astype(int), max(count - 2, 0))
        return first, np.minimum(first + 1, count - 1), place - first

    v0, v1, t = ends(v, light.shape[0])
    u0, u1, s = ends(u, light.shape[1])
    rows = light[v0] * (1 - t)[:, None, None] + light[v1] * t[:, None, None]
    return np.asarray(rows[:, u0] * (1 - s)[:, None] + rows[:, u1] * s[:, None])


@dataclass(frozen=True, kw_only=True)
class _ScanLight(Result):
    """Light of a linear file, its channels times ``balance``."""

    scan: Scan
    balance: FloatArray

    def __call__(self, box: Box) -> FloatArray:
        return np.asarray(np.maximum(self.scan.light(box), 0.0) * self.balance)


@dataclass(frozen=True, kw_only=True)
class _CodeLight(Result):
    """Light of sRGB codes of 8 bits, shape (rows, columns, channels)."""

    codes: NDArray[np.uint8]

    def __call__(self, box: Box) -> FloatArray:
        part = self.codes[box.top : box.top + box.height, box.left : box.left + box.width]
        return np.asarray(_light_of_codes()[part], dtype=np.float64)


@cache
def _light_of_codes() -> NDArray[np.float32]:
    return linear_from_srgb(np.arange(256) / 255.0).astype(np.float32)


def read_photo(path: str | Path) -> Photo:
    """A photograph as a scene.

    Parameters
    ----------
    path
        A linear 16-bit TIFF or a raw file (extra ``scan``), or a JPEG, PNG or TIFF of 8 bits in sRGB with at most
        ``MOST_PIXELS`` pixels.  Linear files may be of any size: they are read a few rows at a time.

    Returns
    -------
    Photo

    Raises
    ------
    InputFileError
        It cannot be read, is no such picture, has too many pixels or is black throughout.
    MissingExtraError
        A TIFF of 16 bits or a raw file, and the extra ``scan`` is not installed.

    References
    ----------
    iec_61966_2_1

    Examples
    --------
    >>> import tempfile
    >>> from PIL import Image
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "grey.png"
    ...     Image.new("L", (48, 32), 118).save(path)
    ...     print(read_photo(path).size)
    (48, 32)
    """
    target = Path(path)
    try:
        if target.exists() and not target.is_file():
            raise InputFileError(path, "", "is not a file.", "Give the name of a photograph.")
        with target.open("rb") as stream:
            head = stream.read(16)
    except InputFileError:
        raise
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        reason = getattr(error, "strerror", None) or str(error)
        raise InputFileError(path, "", f"cannot be read ({reason}).", "Check the path.") from error
    raw = target.suffix.lower() in RAW_ENDINGS
    tiff = head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")
    photo = _measured(target, raw) if raw or (tiff and _bits(target) != 8) else _looked_at(target)
    if not photo._middle > 0.0:
        raise InputFileError(path, "", "the picture is black throughout.", "Give a photograph with some light in it.")
    return photo


def _bits(path: Path) -> int | None:
    """8 where Pillow opens the file as a picture of 8 bits."""
    from PIL import Image

    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            with Image.open(path, formats=("TIFF",)) as opened:
                return 8 if opened.mode in ("L", "RGB", "RGBA", "P", "LA") and _sample_bits(opened) == 8 else None
    except Exception:  # whatever its reader raises: the reader for linear files will say what is wrong
        return None


def _sample_bits(opened: Any) -> int:
    found = opened.tag_v2.get(258, (8,))
    return int(found[0] if isinstance(found, tuple) else found)


def _measured(path: Path, raw: bool) -> Photo:
    scan = read_scan(path, accept=("auto-levels", "clipped", "clipped-dark"))  # a picture may be cut; a reading not
    balance = np.ones(len(scan.channels))
    notes = ["Its numbers are taken as proportional to light."]
    if raw:
        means = np.asarray(scan.overview().reshape(-1, len(scan.channels)).mean(axis=0))
        balance = np.divide(means.mean(), means, out=np.ones_like(means), where=means > 0)
        notes.append("The raw channels were balanced so that their means are equal.")

    return Photo(
        title=f"{path.name}, {'raw' if raw else 'linear 16-bit TIFF'}",
        size=(scan.width, scan.height),
        piece=_ScanLight(scan=scan, balance=balance),
        notes=tuple(notes),
    )


def _looked_at(path: Path) -> Photo:
    """A picture of 8 bits in sRGB."""
    from PIL import Image, ImageOps, UnidentifiedImageError

    too_large = f"has more than {MOST_PIXELS:,} pixels, the most that are read of such pictures."
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # what Pillow finds large is counted here
            with Image.open(path, formats=("JPEG", "PNG", "TIFF")) as opened:
                if opened.width * opened.height > MOST_PIXELS:
                    raise InputFileError(path, "", too_large, "Make it smaller.")
                upright = ImageOps.exif_transpose(opened)
                if upright.mode not in ("L", "RGB"):
                    upright = upright.convert("RGB")
                pixels = np.asarray(in_srgb(upright, opened.info.get("icc_profile")))
    except Image.DecompressionBombError as error:
        raise InputFileError(path, "", too_large, "Make it smaller.") from error
    except (UnidentifiedImageError, OSError, SyntaxError, ValueError) as error:
        reason = getattr(error, "strerror", None) or "is not a picture that can be read."
        action = "Give a linear 16-bit TIFF, a raw file, or a JPEG or PNG in sRGB."
        raise InputFileError(path, "", str(reason), action) from error
    if min(pixels.shape[:2]) < 16:
        raise InputFileError(path, "", f"has {pixels.shape[1]} x {pixels.shape[0]} pixels.", "Give a larger picture.")
    planes = pixels[:, :, None] if pixels.ndim == 2 else pixels
    note = (
        "Its sRGB curve was undone; what the camera did to the tones before (contrast curve, sharpening, clipped "
        "highlights, noise taken out) is still in it."
    )
    return Photo(
        title=f"{path.name}, 8 bits, sRGB",
        size=(planes.shape[1], planes.shape[0]),
        piece=_CodeLight(codes=planes),
        notes=(note,),
    )


hold_to_annotations(globals())
