"""A user's photographs and scans, made small and free of hidden data, for documents."""

from __future__ import annotations

import io
import warnings
from pathlib import Path
from typing import Any

from filmdose.arguments import hold_to_annotations
from filmdose.errors import InputFileError
from filmdose.files import read_bytes
from filmdose.picture.profile import in_srgb
from filmdose.present.document import Picture

__all__ = ["MOST_PIXELS", "read_picture"]

#: Pictures with more pixels than this are refused.
MOST_PIXELS = 100_000_000

_FORMATS = ("JPEG", "PNG", "TIFF")
_LONG_SIDE = 1600
_QUALITY = 85
_PIXELS_AT_ONCE = 2**20


def read_picture(path: str | Path, words: str) -> Picture:
    """A photograph or scan for a document.

    Parameters
    ----------
    path
        A JPEG, PNG or TIFF file of at most ``MOST_PIXELS`` and ``files.GREATEST_BYTES``.
    words
        What it shows; the caption, and what a screen reader reads.

    Returns
    -------
    Picture
        At most 1600 pixels on the long side, upright as the camera says, in sRGB if the file names a colour profile.
        Nothing else of the file is kept: no place, time, camera or owner.

    Raises
    ------
    InputFileError
        The file cannot be read, is no such picture, or has more pixels.
    """
    from PIL import Image, ImageOps

    content = read_bytes(path)
    try:
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")  # a picture that Pillow finds large is counted here
            with Image.open(io.BytesIO(content), formats=_FORMATS) as opened:
                width, height = opened.size
                if width * height > MOST_PIXELS:
                    raise InputFileError(
                        path,
                        "",
                        f"has {width} x {height} pixels; at most {MOST_PIXELS:,} are read.",
                        "Make it smaller.",
                    )
                opened.draft("RGB", (_LONG_SIDE, _LONG_SIDE))
                upright = ImageOps.exif_transpose(opened)
                small = _eight_bits(upright)
                small.thumbnail((_LONG_SIDE, _LONG_SIDE))
                plain = in_srgb(small.convert("RGB"), opened.info.get("icc_profile"))
    except Image.DecompressionBombError as error:
        raise InputFileError(
            path, "", f"has more than {MOST_PIXELS:,} pixels, the most that are read.", "Make it smaller."
        ) from error
    except InputFileError:
        raise
    except Exception as error:  # a damaged file ends in errors of many kinds
        reason = getattr(error, "strerror", None) or "is not a picture that can be read."
        raise InputFileError(path, "", str(reason), f"Give a {', '.join(_FORMATS)} file.") from error
    stream = io.BytesIO()
    plain.save(stream, format="JPEG", quality=_QUALITY)
    return Picture(jpeg=stream.getvalue(), words=words, width=plain.width, height=plain.height)


def _eight_bits(image: Any) -> Any:
    """Eight bits a channel, on white where it was transparent; sixteen-bit grey keeps its full scale."""
    from PIL import Image

    if image.mode.startswith("I"):
        import numpy as np

        values = np.asarray(image)
        eight = np.empty(values.shape, dtype=np.uint8)
        rows = max(1, _PIXELS_AT_ONCE // values.shape[1])
        for first in range(0, len(values), rows):  # the largest picture would take gigabytes in one go
            part = slice(first, first + rows)
            eight[part] = np.clip(values[part] / 257.0, 0.0, 255.0)
        return Image.fromarray(eight)
    if image.mode in ("RGBA", "LA", "PA") or "transparency" in image.info:
        clear = image.convert("RGBA")
        white = Image.new("RGBA", clear.size, "white")
        return Image.alpha_composite(white, clear).convert("RGB")
    return image.convert("RGB")


hold_to_annotations(globals())
