"""The one protocol that every sensitometric function works on.

A *curve* is density against log10 exposure [lux second] of one record of a film
(or of a paper) in one state of development and fog.  Negative material has a
gradient that is nowhere negative, reversal material one that is nowhere positive.
"""

from __future__ import annotations

from typing import Protocol, runtime_checkable

from filmdose.arrays import FloatArray, Numeric

__all__ = ["Curve"]


@runtime_checkable
class Curve(Protocol):
    """Density as a monotone function of log10 exposure."""

    @property
    def minimum_density(self) -> float:
        """Least density of the curve: base plus fog of negative material."""
        ...

    @property
    def maximum_density(self) -> float:
        """Greatest density of the curve."""
        ...

    @property
    def log_exposure_range(self) -> tuple[float, float]:
        """Log10 exposure interval [log10 lx s] outside which nothing more is known or nothing more happens."""
        ...

    @property
    def rising(self) -> bool:
        """True for negative material, False for reversal."""
        ...

    def density(self, log_exposure: Numeric) -> FloatArray | float:
        """Density at log10 exposure; same container out as in."""
        ...

    def gradient(self, log_exposure: Numeric) -> FloatArray | float:
        """dD/dlog10 H at log10 exposure; same container out as in."""
        ...

    def inverse(self, density: Numeric) -> FloatArray | float:
        """Log10 exposure that gives ``density``; NaN where the curve does not reach it."""
        ...
