"""A scan as numbers: linear 16-bit TIFF and camera raw files, in memory that does not grow with the picture.

What cannot be measured (a gamma curve, 8 bits, automatic levels) is refused at
the door with the reason and what to do at the scanner; see ``faults``.
"""

from __future__ import annotations

import logging
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_count, check_number
from filmdose.errors import ArgumentError, InputFileError, MissingExtraError, MissingFileError, UnknownNameError
from filmdose.result import Result
from filmdose.scan.faults import FAULTS, Fault, file_faults

__all__ = ["Box", "Scan", "parse_box", "read_scan"]

#: Endings of raw files that LibRaw is asked to read; anything else is tried as TIFF.
RAW_ENDINGS = (".dng", ".nef", ".cr2", ".cr3", ".arw", ".raf", ".orf", ".rw2", ".pef", ".3fr", ".iiq")

#: A box is read up to this many pixels a side, from its middle: more would not make a mean any surer.
LARGEST_SIDE = 1024

_UM_PER_INCH = 25_400.0


@dataclass(frozen=True, kw_only=True)
class Box(Result):
    """A rectangle of pixels.

    Parameters
    ----------
    left, top
        Its first column and row, counted from 0 at the upper left corner [pixels].
    width, height
        Its size [pixels; at least 8].
    """

    left: int
    top: int
    width: int
    height: int

    def __post_init__(self) -> None:
        for name, low in (("left", 0), ("top", 0), ("width", 8), ("height", 8)):
            object.__setattr__(self, name, check_count(f"box {name}", getattr(self, name), low=low))

    @property
    def middle(self) -> Box:
        """The part around the centre that is read: the whole box unless it is larger than ``LARGEST_SIDE``."""
        width, height = min(self.width, LARGEST_SIDE), min(self.height, LARGEST_SIDE)
        left, top = self.left + (self.width - width) // 2, self.top + (self.height - height) // 2
        return Box(left=left, top=top, width=width, height=height)

    def __str__(self) -> str:
        return f"{self.left},{self.top},{self.width},{self.height}"


def parse_box(text: str, argument: str = "box") -> Box:
    """A box from "left,top,width,height" [pixels].

    Parameters
    ----------
    text
        Four whole numbers.
    argument
        Name for the message.

    Returns
    -------
    Box

    Raises
    ------
    ArgumentError
        Anything else.

    Examples
    --------
    >>> parse_box("100,50,400,300").width
    400
    """
    parts = text.split(",")
    if len(parts) != 4 or not all(part.strip().isdigit() for part in parts):
        raise ArgumentError(argument, text, "left,top,width,height in whole pixels, such as 100,50,400,300")
    left, top, width, height = (int(part) for part in parts)
    return Box(left=left, top=top, width=width, height=height)


@dataclass(frozen=True, kw_only=True, eq=False)
class Scan(Result):
    """One picture, linear in light.

    Parameters
    ----------
    pixels
        Numbers as stored, shape (rows, columns, channels); may be mapped from the file.
    channels
        ("visual",), or ("red", "green", "blue").
    full_scale
        Number that a saturated pixel has.
    black_level
        Number that no light gives, for each channel.
    pixel_um
        Distance of pixels on the film [um]; None when the file does not say.
    path
        Where it was read from.
    white_is_zero
        True when the file stores light turned round, full scale for no light.
    faults
        What was noticed and let pass.
    """

    pixels: NDArray[Any]
    channels: tuple[str, ...]
    full_scale: float
    black_level: tuple[float, ...]
    pixel_um: float | None = None
    path: str = "scan"
    white_is_zero: bool = False
    faults: tuple[Fault, ...] = ()

    @property
    def height(self) -> int:
        """Rows."""
        return int(self.pixels.shape[0])

    @property
    def width(self) -> int:
        """Columns."""
        return int(self.pixels.shape[1])

    @property
    def frame(self) -> Box:
        """The whole picture."""
        return Box(left=0, top=0, width=self.width, height=self.height)

    def channel_index(self, name: str) -> int:
        """Position of a channel; the only one stands for all."""
        if len(self.channels) == 1:
            return 0
        if name not in self.channels:
            raise UnknownNameError("channel", name, self.channels)
        return self.channels.index(name)

    def stored(self, box: Box) -> NDArray[Any]:
        """Numbers within a box, more for more light, shape (rows, columns, channels)."""
        if box.left + box.width > self.width or box.top + box.height > self.height:
            raise ArgumentError(
                "box", str(box), f"a box inside the {self.width} by {self.height} pixels of {self.path}"
            )
        return self._turned(self.pixels[box.top : box.top + box.height, box.left : box.left + box.width])

    def _turned(self, part: NDArray[Any]) -> NDArray[Any]:
        return np.asarray(self.full_scale - part.astype(np.float64) if self.white_is_zero else part)

    def light(self, box: Box) -> FloatArray:
        """Numbers less the black level within a box: proportional to light, shape (rows, columns, channels)."""
        return np.asarray(self.stored(box).astype(np.float64) - np.asarray(self.black_level))

    def thinned(self, limit: int = 2_000_000) -> NDArray[Any]:
        """Every n-th row and column of the middle channel as stored, so that at most about ``limit`` pixels remain."""
        step = max(1, int(np.ceil(np.sqrt(self.height * self.width / limit))))
        return self._turned(self.pixels[::step, ::step, self.pixels.shape[2] // 2])

    def overview(self, limit: int = 500_000) -> FloatArray:
        """Every n-th row and column, less the black level, so that at most about ``limit`` pixels remain."""
        step = max(1, int(np.ceil(np.sqrt(self.height * self.width / limit))))
        return np.asarray(self._turned(self.pixels[::step, ::step]).astype(np.float64) - np.asarray(self.black_level))


def read_scan(
    path: str | Path,
    *,
    black_level: float | None = None,
    pixel_um: float | None = None,
    accept: Sequence[str] = (),
) -> Scan:
    """Read a linear scan.

    Parameters
    ----------
    path
        A 16-bit TIFF (grey, or red, green and blue; further channels are left out), or a raw file.
    black_level
        Number that no light gives; that of the raw file, or 0, by default [counts; at least 0].
    pixel_um
        Distance of pixels on the film; what the file says, by default [um; above 0].
    accept
        Names of faults that are to be let pass, such as "gamma" where a profile is known to be wrong.

    Returns
    -------
    Scan

    Raises
    ------
    InputFileError
        Not a picture, cut off, of no size, of a wrong depth; or a fault that makes it useless for measuring.
    MissingExtraError
        The extra ``scan`` is not installed.

    References
    ----------
    tiff_6, icc_1
    """
    for name in accept:
        if name not in FAULTS:
            raise UnknownNameError("accept", name, FAULTS)
    target = Path(path)
    if not target.exists():
        raise MissingFileError(path)
    if not target.is_file():
        raise InputFileError(path, "", "there is no such file: it is a folder or a device.", "Check the name.")
    try:
        if target.stat().st_size == 0:
            raise InputFileError(path, "", "the file is empty.", "Copy it again from the scanner or the card.")
        with target.open("rb") as stream:
            head = stream.read(16)
    except OSError as error:
        raise InputFileError(path, "", f"cannot be read ({error.strerror}).", "Check the path.") from error
    if target.suffix.lower() in RAW_ENDINGS:
        scan, profile = _read_raw(target), None
    elif head[:4] in (b"II*\0", b"MM\0*", b"II+\0", b"MM\0+"):
        scan, profile = _read_tiff(target)
    else:
        raise _not_a_tiff(target)
    if black_level is not None:
        level = check_number("black_level", black_level, low=0.0, high=0.5 * scan.full_scale, unit="counts")
        scan = replace(scan, black_level=(level,) * len(scan.channels))
    if pixel_um is not None:
        given = check_number("pixel_um", pixel_um, low=0.0, low_open=True, high=1000.0, unit="um")
        scan = replace(scan, pixel_um=given)
    faults = tuple(file_faults(scan.thinned(), scan.full_scale, profile))
    for fault in faults:
        if fault.refuses and fault.name not in accept:
            raise InputFileError(path, "", fault.reason, fault.action)
    return replace(scan, faults=(*scan.faults, *faults))


def _need(package: str) -> Any:
    from importlib import import_module

    try:
        return import_module(package)
    except ImportError as error:
        raise MissingExtraError(package.partition(".")[0], "scan", "Reading scans") from error


def _not_a_tiff(path: Path) -> InputFileError:
    action = "Scan again and save a linear 16-bit TIFF, or the camera's raw file."
    try:
        properties = _need("imageio.v3").improps(path, plugin="pillow")
    except MissingExtraError:
        raise
    except Exception:  # whatever its readers raise, it is not a picture for them
        return InputFileError(path, "", "this is not a picture that can be measured.", action)
    bits = 8 * properties.dtype.itemsize
    return InputFileError(path, "", f"this is a {bits}-bit picture for looking at, not for measuring.", action)


def _read_tiff(path: Path) -> tuple[Scan, bytes | None]:
    tifffile = _need("tifffile")
    cut = "Copy it again from the scanner, or save it without compression."
    try:
        with _quiet("tifffile"), tifffile.TiffFile(path) as tiff:
            page = tiff.pages[0]
            shape, axes, kind = page.shape, page.axes, page.dtype
            if 0 in shape or page.size == 0:
                raise InputFileError(path, "", "the picture has no pixels.", cut)
            faults = _check_depth(path, kind, page.photometric)
            if axes not in ("YX", "YXS", "SYX"):
                raise InputFileError(path, "", f"its axes {axes} are not those of one picture.", cut)
            pixels = tifffile.memmap(path, page=0, mode="r") if page.is_memmappable else page.asarray(out="memmap")
            tag = page.tags.get("InterColorProfile")
            profile = None if tag is None else bytes(tag.value)
            pixel_um = _pixel_um(page)
            inverted = page.photometric == 0
    except InputFileError:
        raise
    except Exception as error:  # many kinds come from broken files; each means the same to the user
        raise InputFileError(path, "", f"it is broken or cut off ({_one_line(error)}).", cut) from error
    if axes == "SYX":
        pixels = np.moveaxis(pixels, 0, -1)
    elif axes == "YX":
        pixels = pixels[:, :, None]
    if min(pixels.shape[:2]) < 8:
        size = f"{pixels.shape[1]} by {pixels.shape[0]}"
        raise InputFileError(path, "", f"it has {size} pixels; too few to measure.", "Scan a larger piece.")
    count = 3 if pixels.shape[2] >= 3 else 1
    channels = ("red", "green", "blue") if count == 3 else ("visual",)
    scan = Scan(
        pixels=pixels[:, :, :count],
        channels=channels,
        full_scale=65_535.0,
        black_level=(0.0,) * count,
        pixel_um=pixel_um,
        path=str(path),
        white_is_zero=inverted,
        faults=faults,
    )
    return scan, profile


@contextmanager
def _quiet(name: str) -> Iterator[None]:
    """Keep a library's warnings and log lines to itself; what matters is in the error."""
    logger = logging.getLogger(name)
    level = logger.level
    logger.setLevel(logging.CRITICAL + 1)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            yield
    finally:
        logger.setLevel(level)


def _check_depth(path: Path, kind: Any, photometric: int) -> tuple[Fault, ...]:
    if kind is None or np.dtype(kind) != np.uint16:
        bits = "an unknown number of" if kind is None else str(8 * np.dtype(kind).itemsize)
        what = "an indexed picture" if photometric == 3 else f"{bits} bits a channel ({kind})"
        raise InputFileError(
            path, "", f"it has {what}; densities need 16 bits.", "Set the scanner to 16 bits a channel (48-bit colour)."
        )
    if photometric not in (0, 1, 2):
        raise InputFileError(
            path, "", "its colours are not grey or red, green, blue.", "Save it as grey or RGB, 16 bits a channel."
        )
    return (Fault.of("white-is-zero", "the file stores white as 0, and was turned round."),) if photometric == 0 else ()


def _pixel_um(page: Any) -> float | None:
    unit, resolution = page.tags.get("ResolutionUnit"), page.tags.get("XResolution")
    if resolution is None or unit is None or int(unit.value) not in (2, 3):
        return None
    over, under = resolution.value
    if not over or not under:
        return None
    size = (_UM_PER_INCH if int(unit.value) == 2 else 10_000.0) * under / over
    return size if 1.0 <= size <= 200.0 else None  # 72 per inch is what programs write that do not know


def _read_raw(path: Path) -> Scan:
    rawpy = _need("rawpy")
    try:
        with rawpy.imread(str(path)) as raw:
            mosaic = np.array(raw.raw_image_visible)
            colours = np.asarray(raw.raw_colors_visible)[:2, :2]
            names = raw.color_desc.decode()
            black, white = list(raw.black_level_per_channel), float(raw.white_level)
    except Exception as error:  # LibRaw's errors have no common meaning beyond "not readable"
        raise InputFileError(
            path, "", f"it cannot be read as a raw file ({_one_line(error)}).", "Copy it again from the card."
        ) from error
    if mosaic.ndim != 2 or min(mosaic.shape) < 16 or sorted(set(names)) != ["B", "G", "R"]:
        raise InputFileError(
            path, "", "its sensor has no pattern of red, green and blue 2 by 2 pixels.", "Give a linear 16-bit TIFF."
        )
    rows, columns = mosaic.shape[0] // 2 * 2, mosaic.shape[1] // 2 * 2
    planes, levels = [], []
    for letter in "RGB":
        places = [(r, c) for r in (0, 1) for c in (0, 1) if names[colours[r, c]] == letter]
        planes.append(np.mean([mosaic[r:rows:2, c:columns:2] for r, c in places], axis=0, dtype=np.float32))
        levels.append(float(np.mean([black[colours[r, c]] for r, c in places])))
    return Scan(
        pixels=np.stack(planes, axis=-1),
        channels=("red", "green", "blue"),
        full_scale=white,
        black_level=tuple(levels),
        path=str(path),
    )


def _one_line(error: Exception) -> str:
    return " ".join(str(error).split())[:100] or type(error).__name__


hold_to_annotations(globals())
