"""What stands between the film and the beam, and how much comes through."""

from __future__ import annotations

import re
from dataclasses import dataclass

from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.broad_beam import broad_beam_transmission

__all__ = ["Shield", "Transmission", "transmission"]

_SHIELD = re.compile(r"\s*([A-Za-z][\w-]*)\s*=\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(?:mm)?\s*")


@dataclass(frozen=True, kw_only=True)
class Shield:
    """One wall of one material.

    Parameters
    ----------
    material
        Name of a shield material ("lead").
    thickness_mm
        Thickness of the one wall that the beam crosses [mm; at least 0].
    """

    material: str
    thickness_mm: float

    def __post_init__(self) -> None:
        if self.material not in ("lead",):
            raise UnknownNameError("material", self.material, ("lead",))
        object.__setattr__(self, "thickness_mm", check_number("thickness_mm", self.thickness_mm, low=0.0, unit="mm"))

    @classmethod
    def parse(cls, text: str) -> Shield:
        """A shield from text: material=thickness in mm.

        Examples
        --------
        >>> Shield.parse("lead=0.25")
        Shield(material='lead', thickness_mm=0.25)
        """
        match = _SHIELD.fullmatch(text) if isinstance(text, str) else None
        if match is None:
            raise ArgumentError("shield", text, "material=thickness in mm, such as 'lead=0.25'")
        return cls(material=match[1].lower(), thickness_mm=float(match[2]))

    def __str__(self) -> str:
        return f"{self.material} {self.thickness_mm:g} mm"


@dataclass(frozen=True, kw_only=True)
class Transmission:
    """How much of a beam comes through a shield.

    Parameters
    ----------
    broad_kerma
        Published broad-beam transmission of air kerma, scatter included; None where nothing is published.
    """

    broad_kerma: float | None

    @property
    def effective(self) -> float:
        """The value used for effective kerma."""
        if self.broad_kerma is None:
            raise ArgumentError("beam", self.broad_kerma, "a beam with a published broad-beam fit (50 to 150 kVp)")
        return self.broad_kerma


def transmission(shield: Shield | None, beam: Beam = REFERENCE_BEAM) -> Transmission:
    """Transmission of a shield in a beam."""
    if shield is None:
        return Transmission(broad_kerma=1.0)
    if beam.tube_kvp is None:
        return Transmission(broad_kerma=None)
    return Transmission(broad_kerma=broad_beam_transmission(shield.material, shield.thickness_mm, beam.tube_kvp))
