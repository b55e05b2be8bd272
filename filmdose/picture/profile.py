"""Colour profiles of pictures for looking at."""

from __future__ import annotations

import io
from typing import Any

import numpy as np

from filmdose.arrays import FloatArray

__all__ = ["in_srgb", "linear_from_srgb"]


def in_srgb(image: Any, profile: bytes | None) -> Any:
    """The picture in sRGB; as it is where its profile cannot be used."""
    from PIL import ImageCms

    if profile:
        try:
            source = ImageCms.ImageCmsProfile(io.BytesIO(profile))
            converted = ImageCms.profileToProfile(image, source, ImageCms.createProfile("sRGB"), outputMode="RGB")
        except (ImageCms.PyCMSError, OSError, ValueError):
            converted = None
        if converted is not None:
            image = converted
    image.info.clear()
    return image


def linear_from_srgb(code: FloatArray) -> FloatArray:
    """Light from sRGB values, both 0 to 1 (IEC 61966-2-1).

    Examples
    --------
    >>> linear_from_srgb(np.array([0.0, 0.04045, 0.5, 1.0])).round(5)
    array([0.     , 0.00313, 0.21404, 1.     ])
    """
    return np.asarray(np.where(code <= 0.04045, code / 12.92, ((code + 0.055) / 1.055) ** 2.4))
