"""The strip: pictures side by side with their words, as an image of 16 bits."""

from __future__ import annotations

import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError, MissingExtraError
from filmdose.files import check_place, write_bytes_atomic
from filmdose.picture.film_image import Densities
from filmdose.picture.scanned import OPENED, Points, light_table, positive
from filmdose.picture.scene import Area

__all__ = ["ENDINGS", "Column", "check_ending", "compose", "jpeg_bytes", "png_bytes", "save_image"]

#: Endings of files that a strip is written to.
ENDINGS = (".png", ".tif", ".tiff")

_PAPER, _INK, _QUIET, _MARK = (250, 249, 246), (27, 27, 58), (95, 95, 105), (178, 74, 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class Column:
    """One column of the strip.

    Parameters
    ----------
    title
        What it shows.
    facts
        Short lines beside the film on the light table.
    recommended
        Whether it is framed.
    film
        Densities of the frame on the light table, shape (rows, columns, records).
    scan, crop
        Densities of the frame and of the enlarged piece as they go to the scan.
    points
        Settings of the scan.
    """

    title: str
    facts: tuple[str, ...]
    recommended: bool
    film: Densities = field(repr=False)
    scan: Densities = field(repr=False)
    crop: Densities = field(repr=False)
    points: Points


def check_ending(path: str | Path) -> str:
    """The ending of a file to write.

    Raises
    ------
    ArgumentError
        Another than those of ``ENDINGS``.
    """
    ending = Path(path).suffix.lower()
    if ending not in ENDINGS:
        raise ArgumentError("path", str(path), f"a name that ends in {', '.join(ENDINGS)}")
    return ending


@cache
def _font(size: int, bold: bool = False) -> Any:
    import matplotlib as mpl
    from PIL import ImageFont

    name = "DejaVuSans-Bold.ttf" if bold else "DejaVuSans.ttf"
    return ImageFont.truetype(str(Path(mpl.get_data_path()) / "fonts" / "ttf" / name), size)


def _wrapped(text: str, font: Any, width: float) -> list[str]:
    lines: list[str] = []
    for word in text.split():
        if lines and font.getlength(f"{lines[-1]} {word}") <= width:
            lines[-1] += f" {word}"
        else:
            lines.append(word)
    return lines


def _halved(picture: np.ndarray[Any, Any]) -> np.ndarray[Any, Any]:
    rows, columns = picture.shape[0] // 2, picture.shape[1] // 2
    return np.asarray(picture[: 2 * rows, : 2 * columns].reshape(rows, 2, columns, 2, 3).mean(axis=(1, 3)))


def compose(columns: Sequence[Column], *, headline: str, title: str, caption: str, area: Area) -> np.ndarray[Any, Any]:
    """The whole strip: film on the light table with figures, scan, enlarged shadows.

    Parameters
    ----------
    columns
        From left to right, all of one size.
    headline, title, caption
        The words above and below.
    area
        The piece that is enlarged.

    Returns
    -------
    sRGB of 16 bits, shape (rows, columns, 3).
    """
    from PIL import Image, ImageDraw

    high, wide = columns[0].film.shape[:2]
    unit = max(9, round(wide / 30))
    gap, line, big = unit, round(1.6 * unit), round(2.2 * unit)
    small, plain, large = _font(unit), _font(round(1.15 * unit)), _font(round(1.7 * unit), True)
    strong = _font(round(1.15 * unit), True)
    width = gap + len(columns) * (wide + gap)
    head = _wrapped(headline, large, width - 2 * gap)
    foot = _wrapped(caption, small, width - 2 * gap)
    titles = [_wrapped(column.title, strong, wide) for column in columns]
    beside = _fitting([fact for column in columns for fact in column.facts], unit, wide - wide // 2 - gap)
    top = gap + big * (len(head) + 1)
    table_top = top + line * (max(map(len, titles)) + 1)
    scan_top = table_top + max(high // 2, line * 4) + gap
    crop_top = scan_top + high + gap
    foot_top = crop_top + high + gap
    words = Image.new("RGB", (width, foot_top + round(1.5 * unit) * len(foot) + gap), _PAPER)
    pen = ImageDraw.Draw(words)
    for number, text in enumerate(head):
        pen.text((gap, gap + number * big), text, font=large, fill=_INK)
    pen.text((gap, gap + len(head) * big), title, font=plain, fill=_QUIET)
    for number, text in enumerate(foot):
        pen.text((gap, foot_top + number * round(1.5 * unit)), text, font=small, fill=_QUIET)
    for number, column in enumerate(columns):
        left = gap + number * (wide + gap)
        for row, text in enumerate(titles[number]):
            pen.text((left, top + row * line), text, font=strong, fill=_INK)
        for row, text in enumerate(column.facts):
            pen.text((left + wide // 2 + gap, table_top + row * line), text, font=beside, fill=_INK)
        if column.recommended:
            pen.text((left, top + len(titles[number]) * line), "recommended", font=strong, fill=_MARK)
            pen.rectangle((left - 4, scan_top - 4, left + wide + 3, crop_top + high + 3), outline=_MARK, width=4)
    result = np.asarray(words, dtype=np.uint16) * np.uint16(257)
    for number, column in enumerate(columns):
        left = gap + number * (wide + gap)
        _place(result, table_top, left, _halved(light_table(column.film)))
        _place(result, scan_top, left, positive(column.scan, column.points))
        _place(result, crop_top, left, positive(column.crop, column.points, opened=OPENED))
        _outline(result[scan_top : scan_top + high, left : left + wide], area)
    return result


def _fitting(texts: Sequence[str], unit: int, width: float) -> Any:
    """A font in which the longest of some texts fits."""
    longest = max(_font(unit).getlength(text) for text in texts)
    return _font(max(6, min(unit, int(unit * width / max(longest, 1.0)))))


def _place(canvas: np.ndarray[Any, Any], top: int, left: int, picture: np.ndarray[Any, Any]) -> None:
    canvas[top : top + picture.shape[0], left : left + picture.shape[1]] = np.rint(65_535.0 * picture).astype(np.uint16)


def _outline(picture: np.ndarray[Any, Any], area: Area) -> None:
    """A thin frame around the piece that is enlarged below."""
    rows, columns = picture.shape[:2]
    top, bottom = round(area.top * rows), min(rows - 1, round((area.top + area.height) * rows))
    left, right = round(area.left * columns), min(columns - 1, round((area.left + area.width) * columns))
    light = np.uint16(52_000)
    picture[[top, bottom], left : right + 1] = light
    picture[top : bottom + 1, [left, right]] = light


def _eight_bits(image: np.ndarray[Any, Any]) -> Any:
    from PIL import Image

    return Image.fromarray(((image.astype(np.uint32) + 128) // 257).astype(np.uint8))


def png_bytes(image: np.ndarray[Any, Any]) -> bytes:
    """A strip as PNG of 8 bits, without a date in it."""
    stream = io.BytesIO()
    _eight_bits(image).save(stream, format="PNG", optimize=True)
    return stream.getvalue()


def jpeg_bytes(image: np.ndarray[Any, Any]) -> bytes:
    """A strip as JPEG, for documents."""
    stream = io.BytesIO()
    _eight_bits(image).save(stream, format="JPEG", quality=88)
    return stream.getvalue()


def save_image(image: np.ndarray[Any, Any], path: str | Path) -> Path:
    """Write a strip: PNG of 8 bits or TIFF of 16, beside and then in place of what is there."""
    ending = check_ending(path)
    target = check_place(path)
    if ending == ".png":
        return write_bytes_atomic(target, png_bytes(image))
    try:
        import tifffile
    except ImportError as error:
        raise MissingExtraError("tifffile", "scan", "Writing a TIFF") from error
    stream = io.BytesIO()
    tifffile.imwrite(stream, image, photometric="rgb", software=False, datetime=None, compression=None)
    return write_bytes_atomic(target, stream.getvalue())


hold_to_annotations(globals())
