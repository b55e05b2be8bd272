"""Description of a photon beam: what a person writes down about it, not yet its spectrum."""

from __future__ import annotations

import re
from dataclasses import dataclass

from filmdose.arrays import check_number
from filmdose.errors import ArgumentError

__all__ = ["REFERENCE_BEAM", "Beam"]

_BEAM_HELP = "a beam such as '140kVp', '140kVp, al=3' or '80keV'"
_NUMBER = r"(\d+\.?\d*|\.\d+)"
_VOLTAGE = re.compile(rf"\s*{_NUMBER}\s*(?:kvp|kv)\s*(?:,\s*al\s*=\s*{_NUMBER}\s*(?:mm)?\s*)?", re.IGNORECASE)
_ENERGY = re.compile(rf"\s*{_NUMBER}\s*(kev|mev)\s*", re.IGNORECASE)


@dataclass(frozen=True, kw_only=True)
class Beam:
    """An X-ray tube's beam (voltage and filtration) or a single photon energy.

    Exactly one of ``tube_kvp`` and ``energy_kev`` is given.

    Parameters
    ----------
    tube_kvp
        Tube voltage [kV peak], tungsten anode.
    filtration_mm_al
        Total filtration [mm aluminium]; only with ``tube_kvp``.
    energy_kev
        Photon energy [keV] of a mono-energetic beam.
    """

    tube_kvp: float | None = None
    filtration_mm_al: float = 3.0
    energy_kev: float | None = None

    def __post_init__(self) -> None:
        if (self.tube_kvp is None) == (self.energy_kev is None):
            raise ArgumentError("beam", (self.tube_kvp, self.energy_kev), "either tube_kvp or energy_kev, not both")
        if self.tube_kvp is not None:
            object.__setattr__(self, "tube_kvp", check_number("tube_kvp", self.tube_kvp, low=1.0, unit="kV"))
        if self.energy_kev is not None:
            object.__setattr__(self, "energy_kev", check_number("energy_kev", self.energy_kev, low=1.0, unit="keV"))
        filtration = check_number("filtration_mm_al", self.filtration_mm_al, low=0.0, unit="mm Al")
        object.__setattr__(self, "filtration_mm_al", filtration)

    @classmethod
    def parse(cls, text: str) -> Beam:
        """A beam from text: "140kVp" (3 mm Al), "140kVp, al=3" or "80keV".

        Examples
        --------
        >>> Beam.parse("140kVp").filtration_mm_al
        3.0
        >>> Beam.parse("80 keV").energy_kev
        80.0
        """
        if isinstance(text, str):
            match = _VOLTAGE.fullmatch(text)
            if match:
                return cls(tube_kvp=float(match[1]), filtration_mm_al=3.0 if match[2] is None else float(match[2]))
            match = _ENERGY.fullmatch(text)
            if match:
                return cls(energy_kev=float(match[1]) * (1000.0 if match[2].lower() == "mev" else 1.0))
        raise ArgumentError("beam", text, _BEAM_HELP)

    def __str__(self) -> str:
        if self.tube_kvp is not None:
            return f"{self.tube_kvp:g} kVp, {self.filtration_mm_al:g} mm Al"
        return f"{self.energy_kev:g} keV"


#: Effective kerma is counted in this beam: 140 kVp, 3 mm Al, tungsten anode.
REFERENCE_BEAM = Beam(tube_kvp=140.0, filtration_mm_al=3.0)
