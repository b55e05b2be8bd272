"""Film, scanners and the exposure index to set: see the README for the job and the first ten lines."""

__version__ = "0.1.0"
