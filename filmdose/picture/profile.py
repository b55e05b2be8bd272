"""Colour profiles of pictures for looking at."""

from __future__ import annotations

import io
from typing import Any

__all__ = ["in_srgb"]


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
