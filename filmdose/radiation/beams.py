"""Description of a photon beam: what a person writes down about it, not yet its spectrum."""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError
from filmdose.everyday import SHIELDS_MEANT, meant, with_points
from filmdose.radiation.materials import Layer, get_material
from filmdose.result import Result

__all__ = ["DEFAULT_FILTRATION", "REFERENCE_BEAM", "Beam", "parse_layers"]

#: Filtration of a tube when nothing else is said: 3 mm aluminium.
DEFAULT_FILTRATION: tuple[Layer, ...] = (Layer(material="aluminium", thickness_mm=3.0),)

_BEAM_HELP = "a beam such as '140kVp', '140kVp, al=3, cu=0.1' or '80keV'"
_NUMBER = r"(\d+\.?\d*|\.\d+)"
_VOLTAGE = re.compile(rf"\s*{_NUMBER}\s*(?:kvp|kv)\s*(?:,(.*))?", re.IGNORECASE)
_ENERGY = re.compile(rf"\s*{_NUMBER}\s*(kev|mev)\s*", re.IGNORECASE)
_LAYER = re.compile(r"\s*([A-Za-z][\w.-]*)\s*=\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*(mm|g/cm2|g/cm²)?\s*")


def parse_layers(argument: str, text: str, separator: str = "+") -> tuple[Layer, ...]:
    """Layers from text: material=thickness in mm, or mass per area in g/cm2, several joined by ``separator``.

    thickness = mass per area / density, so that a pouch can be measured on a kitchen scale: its mass over the area of
    all its walls.  "pouch" stands for ``filmdose.everyday.POUCH``.

    Raises
    ------
    ArgumentError
        Text that is not of that form, or a negative thickness.
    UnknownNameError
        A material that is not known.

    Examples
    --------
    >>> [str(layer) for layer in parse_layers("shield", "lead=0.25+tin=0.1")]
    ['0.25 mm lead', '0.1 mm tin']
    >>> [str(layer) for layer in parse_layers("shield", "lead=0.28375g/cm2")]
    ['0.25 mm lead']
    """
    allowed = f"material=thickness in mm, such as 'lead=0.25', several joined by {separator!r}"
    layers = []
    if isinstance(text, str) and separator != ",":
        text = with_points(meant(text, SHIELDS_MEANT))
    for part in text.split(separator) if isinstance(text, str) else [""]:
        match = _LAYER.fullmatch(part)
        if match is None:
            raise ArgumentError(argument, text, allowed)
        layer = Layer(material=match[1], thickness_mm=float(match[2]))
        if match[3] not in (None, "mm"):
            layer = replace(layer, thickness_mm=10.0 * layer.thickness_mm / get_material(layer.material).density_g_cm3)
        layers.append(layer)
    return tuple(layers)


@dataclass(frozen=True, kw_only=True)
class Beam(Result):
    """An X-ray tube's beam (voltage and filtration) or a single photon energy.

    Exactly one of ``tube_kvp`` and ``energy_kev`` is given.

    Parameters
    ----------
    tube_kvp
        Tube voltage [kV peak], tungsten anode.
    filtration
        Layers between tube and bag; a text such as "al=3" will do. Only with ``tube_kvp``.
    energy_kev
        Photon energy [keV] of a mono-energetic beam, or one that stands for a hard quality.
    """

    tube_kvp: float | None = None
    filtration: tuple[Layer, ...] = DEFAULT_FILTRATION
    energy_kev: float | None = None

    _accepts = (
        ("tube_kvp", "WithUnit | None"),
        ("filtration", "Sequence[Layer] | str"),
        ("energy_kev", "WithUnit | None"),
    )

    def __post_init__(self) -> None:
        if (self.tube_kvp is None) == (self.energy_kev is None):
            raise ArgumentError("beam", (self.tube_kvp, self.energy_kev), "either tube_kvp or energy_kev, not both")
        filtration: Iterable[Layer] = self.filtration
        if isinstance(filtration, str):
            filtration = parse_layers("filtration", filtration, ",")
        if self.tube_kvp is not None:
            object.__setattr__(self, "tube_kvp", check_number("tube_kvp", self.tube_kvp, low=1.0, unit="kV"))
        if self.energy_kev is not None:
            object.__setattr__(self, "energy_kev", check_number("energy_kev", self.energy_kev, low=1.0, unit="keV"))
            filtration = ()
        object.__setattr__(self, "filtration", tuple(filtration))

    @classmethod
    def parse(cls, text: str) -> Beam:
        """A beam from text: "140kVp" (3 mm Al), "140kVp, al=3, cu=0.1" or "80keV".

        Examples
        --------
        >>> str(Beam.parse("140kVp"))
        '140 kVp, 3 mm aluminium'
        >>> Beam.parse("80 keV").energy_kev
        80.0
        """
        if isinstance(text, str):
            match = _VOLTAGE.fullmatch(text)
            if match:
                layers = DEFAULT_FILTRATION if match[2] is None else parse_layers("beam", match[2], ",")
                return cls(tube_kvp=float(match[1]), filtration=layers)
            match = _ENERGY.fullmatch(text)
            if match:
                return cls(energy_kev=float(match[1]) * (1000.0 if match[2].lower() == "mev" else 1.0))
        raise ArgumentError("beam", text, _BEAM_HELP)

    def __str__(self) -> str:
        if self.energy_kev is not None:
            return f"{self.energy_kev:g} keV"
        return ", ".join([f"{self.tube_kvp:g} kVp", *(str(layer) for layer in self.filtration)])


#: Effective kerma is counted in this beam: 140 kVp, 3 mm Al, tungsten anode.
REFERENCE_BEAM = Beam(tube_kvp=140.0)


hold_to_annotations(globals())
