"""Two simpler pictures of fog, kept to be compared with the grain population, not for use.

Both take the clean curve and an even fog density.  One loses almost no speed,
the other gains some; neither knows that radiation strikes the fast grains first.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_number, elementwise
from filmdose.errors import ArgumentError
from filmdose.film.emulsion import Emulsion, invert_curve
from filmdose.result import Result

__all__ = ["LightPreflashCurve", "UniformUnionCurve"]


@dataclass(frozen=True, kw_only=True)
class _ComparisonCurve(Result, ABC):
    """A curve made from the clean one by a simpler picture of what fog does."""

    emulsion: Emulsion
    fog_density: float

    def __post_init__(self) -> None:
        clean = self.emulsion.curve()
        room = clean.maximum_density - clean.minimum_density
        fog = check_number("fog_density", self.fog_density, low=0.0, high=0.999 * room, unit="density")
        if self.emulsion.positive:
            raise ArgumentError("emulsion", "reversal film", "negative film", "These comparisons are for negatives.")
        object.__setattr__(self, "fog_density", fog)

    @property
    def rising(self) -> bool:
        """True: the comparison models are for negative film."""
        return True

    @property
    def minimum_density(self) -> float:
        """Base plus fog."""
        return float(self.emulsion.minimum_density()) + self.fog_density

    @property
    def maximum_density(self) -> float:
        """Unchanged by fog."""
        return float(self.emulsion.maximum_density())

    @property
    def log_exposure_range(self) -> tuple[float, float]:
        """As of the clean curve."""
        return self.emulsion.curve().log_exposure_range

    @abstractmethod
    def density(self, log_exposure: Numeric) -> Any:
        """Density at log10 exposure."""

    @overload
    def inverse(self, density: Labelled) -> Labelled: ...
    @overload
    def inverse(self, density: Numbers) -> FloatArray: ...
    def inverse(self, density: Numeric) -> Any:
        """Log10 exposure at which the curve has ``density``; NaN where it does not reach it."""
        return elementwise(lambda d: invert_curve(self, d), density)


class UniformUnionCurve(_ComparisonCurve):
    """Comparison model: fog and image as one grain size, D = D_clean + fog (1 - net / net maximum).

    The whole curve shrinks by (1 - fog / net maximum).  It loses almost no
    fixed-density speed, because it forgets that radiation takes the fast grains
    first; kept so that the difference can be shown, not for use.

    Parameters
    ----------
    emulsion
        The record.
    fog_density
        Fog [density; at least 0].
    """

    @property
    def _scale(self) -> float:
        clean = self.emulsion.curve()
        return 1.0 - self.fog_density / (clean.maximum_density - clean.minimum_density)

    @overload
    def density(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def density(self, log_exposure: Numbers) -> FloatArray: ...
    def density(self, log_exposure: Numeric) -> Any:
        """Density at log10 exposure."""
        top = self.maximum_density
        return elementwise(lambda x: top - self._scale * (top - self.emulsion.density(x)), log_exposure)

    @overload
    def gradient(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def gradient(self, log_exposure: Numbers) -> FloatArray: ...
    def gradient(self, log_exposure: Numeric) -> Any:
        """dD/dlog10 H at log10 exposure."""
        return elementwise(lambda x: self._scale * np.asarray(self.emulsion.gradient(x)), log_exposure)


class LightPreflashCurve(_ComparisonCurve):
    """Comparison model: fog as if by a weak even light before the picture, D(H) = D_clean(H + H_flash).

    H_flash is the light that gives the same fog.  It *raises* the fixed-density
    speed although the shadows lose gradient; kept so that the difference can be
    shown, not for use.

    Parameters
    ----------
    emulsion
        The record.
    fog_density
        Fog [density; at least 0].
    """

    @property
    def flash_exposure(self) -> float:
        """Light exposure that gives the same fog [lx s]."""
        if self.fog_density == 0.0:
            return 0.0
        return float(10.0 ** self.emulsion.curve().inverse(self.minimum_density))

    @overload
    def density(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def density(self, log_exposure: Numbers) -> FloatArray: ...
    def density(self, log_exposure: Numeric) -> Any:
        """Density at log10 exposure."""
        flash = self.flash_exposure
        return elementwise(lambda x: self.emulsion.density(np.log10(10.0**x + flash)), log_exposure)

    @overload
    def gradient(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def gradient(self, log_exposure: Numbers) -> FloatArray: ...
    def gradient(self, log_exposure: Numeric) -> Any:
        """dD/dlog10 H at log10 exposure: the clean gradient times H / (H + H_flash)."""
        flash = self.flash_exposure

        def kernel(x: FloatArray) -> FloatArray:
            light = 10.0**x
            return np.asarray(self.emulsion.gradient(np.log10(light + flash)) * light / (light + flash))

        return elementwise(kernel, log_exposure)


hold_to_annotations(globals())
