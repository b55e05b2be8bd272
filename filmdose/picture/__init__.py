"""Pictures of what fog does: a scene through lens, film and scanner, with the model's own densities and grain.

Scene -> log exposure -> density and grain of every record -> scan -> strip with its words.
"""

from __future__ import annotations

from filmdose.picture.photo import Photo, read_photo
from filmdose.picture.scene import Area, Scene, StillLife
from filmdose.picture.side_by_side import Frame, Preview, preview

__all__ = ["Area", "Frame", "Photo", "Preview", "Scene", "StillLife", "preview", "read_photo"]
