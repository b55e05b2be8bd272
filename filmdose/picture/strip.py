"""The strip: pictures side by side with their words, as an image of 16 bits."""

from __future__ import annotations

import io
from functools import cache
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.errors import ArgumentError, MissingExtraError
from filmdose.files import check_place, write_bytes_atomic
from filmdose.picture.scanned import OPENED, light_table, positive

if TYPE_CHECKING:
    from filmdose.picture.side_by_side import Preview

__all__ = ["ENDINGS", "check_ending", "compose", "jpeg_bytes", "png_bytes", "save_image"]

#: Endings of files that a strip is written to.
ENDINGS = (".png", ".tif", ".tiff")

_PAPER, _INK, _QUIET, _MARK = (250, 249, 246), (27, 27, 58), (95, 95, 105), (178, 74, 0)


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


def compose(found: Preview) -> np.ndarray[Any, Any]:
    """The whole strip: light table and figures, scan, enlarged shadows; sRGB of 16 bits, shape (rows, columns, 3)."""
    from PIL import Image, ImageDraw

    from filmdose.picture.side_by_side import frame_facts

    high, wide = found.frames[0].density.shape[:2]
    unit = max(9, round(wide / 30))
    gap = unit
    small, plain, strong, large = (
        _font(unit),
        _font(round(1.15 * unit)),
        _font(round(1.15 * unit), True),
        _font(round(1.7 * unit), True),
    )
    columns = len(found.frames)
    width = gap + columns * (wide + gap)
    head = _wrapped(found.headline, large, width - 2 * gap)
    foot = _wrapped(found.caption, small, width - 2 * gap)
    titles = [_wrapped(frame.setting.title, strong, wide) for frame in found.frames]
    title_lines = max(map(len, titles)) + 1
    top = gap + round(2.2 * unit) * len(head) + round(2.2 * unit)
    table_top = top + round(1.6 * unit) * title_lines
    scan_top = table_top + high // 2 + gap
    crop_top = scan_top + high + gap
    foot_top = crop_top + high + gap
    height = foot_top + round(1.5 * unit) * len(foot) + gap
    words = Image.new("RGB", (width, height), _PAPER)
    pen = ImageDraw.Draw(words)
    for number, line in enumerate(head):
        pen.text((gap, gap + number * round(2.2 * unit)), line, font=large, fill=_INK)
    pen.text((gap, gap + len(head) * round(2.2 * unit)), found.title, font=plain, fill=_QUIET)
    for number, line in enumerate(foot):
        pen.text((gap, foot_top + number * round(1.5 * unit)), line, font=small, fill=_QUIET)
    for column, frame in enumerate(found.frames):
        left = gap + column * (wide + gap)
        lines = [(line, strong, _INK) for line in titles[column]]
        if frame.setting.recommended:
            lines.append(("recommended", strong, _MARK))
        for number, (line, font, colour) in enumerate(lines):
            pen.text((left, top + number * round(1.6 * unit)), line, font=font, fill=colour)
        for number, line in enumerate(frame_facts(found, frame)):
            pen.text((left + wide // 2 + gap, table_top + number * round(1.6 * unit)), line, font=small, fill=_INK)
        if frame.setting.recommended:
            pen.rectangle((left - 4, scan_top - 4, left + wide + 3, crop_top + high + 3), outline=_MARK, width=4)
    result = np.asarray(words, dtype=np.uint16) * np.uint16(257)
    for column, frame in enumerate(found.frames):
        left = gap + column * (wide + gap)
        _place(result, table_top, left, _halved(light_table(frame.density)))
        _place(result, scan_top, left, positive(frame.scanned_density, frame.points))
        _place(result, crop_top, left, positive(frame.scanned_crop, frame.points, opened=OPENED))
        _outline(result[scan_top : scan_top + high, left : left + wide], found)
    return result


def _place(canvas: np.ndarray[Any, Any], top: int, left: int, picture: np.ndarray[Any, Any]) -> None:
    canvas[top : top + picture.shape[0], left : left + picture.shape[1]] = np.rint(65_535.0 * picture).astype(np.uint16)


def _outline(picture: np.ndarray[Any, Any], found: Preview) -> None:
    """A thin frame around the piece that is enlarged below."""
    rows, columns = picture.shape[:2]
    area = found.area
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
