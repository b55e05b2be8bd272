"""filmdose: which exposure index to set for film that went through X-ray and CT scanners."""

from filmdose.version import __version__

__all__ = ["__version__"]
