"""What stands between the film and the beam, and how much of the beam's effect comes through."""

from __future__ import annotations

import math
import re
from collections.abc import Iterable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.everyday import SHIELDS_MEANT, meant, with_points
from filmdose.names import MaterialName
from filmdose.radiation.beams import REFERENCE_BEAM, Beam, parse_layers
from filmdose.radiation.broad_beam import broad_beam_kvps
from filmdose.radiation.materials import ENERGY_RANGE_KEV, Layer, Material, mass_attenuation
from filmdose.radiation.response import ETA_LOW, check_eta, emulsion_to_air, film_efficiency
from filmdose.radiation.scatter import fog_through, passage
from filmdose.radiation.spectra import kerma_weights, spectrum_of
from filmdose.result import Result

__all__ = [
    "Shield",
    "ShieldLike",
    "Transmission",
    "as_shields",
    "mean_oblique_factor",
    "thickness_factors",
    "transmission",
    "transmission_curve",
]

_WEIGHTS = ("kerma", "emulsion", "film")
_BLOCK = 4096


@dataclass(frozen=True, kw_only=True)
class Shield(Result):
    """One wall of one material around the film.

    The beam crosses the wall between tube and film once; the far wall does not
    count, so give the thickness of one wall.

    Parameters
    ----------
    material
        "lead", "tungsten", "tin", "bismuth", "barium-sulphate-polymer" or any other shipped material, an element
        symbol, or a formula; or a :class:`~filmdose.radiation.materials.Material` of one's own.
    thickness_mm
        Thickness of the one wall [mm; at least 0].
    density_g_cm3
        Density [g/cm3] in place of the tabulated one; a formula needs it.
    oblique
        Path through the wall over its thickness [1; at least 1]; 1 is a beam square to the wall, the cautious choice.
        For a tube that turns round the bag see :func:`mean_oblique_factor`.
    range_mm
        5 and 95 % ends of a thickness that is not known well [mm; above 0]; None for one that is as stated.
    """

    material: MaterialName | str | Material
    thickness_mm: float
    density_g_cm3: float | None = None
    oblique: float = 1.0
    range_mm: tuple[float, float] | None = None

    _accepts = (("thickness_mm", "WithUnit"), ("range_mm", "tuple[WithUnit, WithUnit] | None"))

    def __post_init__(self) -> None:
        object.__setattr__(self, "oblique", check_number("oblique", self.oblique, low=1.0, high=10.0))
        checked = Layer(material=self.material, thickness_mm=self.thickness_mm, density_g_cm3=self.density_g_cm3)
        object.__setattr__(self, "material", checked.material)
        object.__setattr__(self, "thickness_mm", checked.thickness_mm)
        if self.range_mm is not None:
            low, high = (check_number("range_mm", end, low=0.0, low_open=True, unit="mm") for end in self.range_mm)
            if not low <= self.thickness_mm <= high:
                allowed = f"ends on either side of {self.thickness_mm:g} mm"
                raise ArgumentError("range_mm", (low, high), allowed)
            object.__setattr__(self, "range_mm", (low, high))

    @property
    def layer(self) -> Layer:
        """What the beam crosses: the wall, thickened by the oblique factor."""
        return Layer(
            material=self.material,
            thickness_mm=self.thickness_mm * self.oblique,
            density_g_cm3=self.density_g_cm3,
        )

    @classmethod
    def parse(cls, text: str) -> Shield:
        """A shield from text: material=thickness in mm, or material=low..high or low..typical..high.

        With two thicknesses the typical one is their geometric mean.

        Examples
        --------
        >>> str(Shield.parse("lead=0.25")), str(Shield.parse("lead=0.1..0.4"))
        ('lead 0.25 mm', 'lead 0.2 mm (0.1 to 0.4)')
        """
        shields = as_shields(text)
        if len(shields) != 1:
            raise ArgumentError("shield", text, "one material=thickness in mm, such as 'lead=0.25'")
        return cls(**{name: getattr(shields[0], name) for name in ("material", "thickness_mm", "range_mm")})

    def __str__(self) -> str:
        known = f"{self.material} {float(f'{self.thickness_mm:.4g}'):g} mm"
        return known if self.range_mm is None else known + " ({:.3g} to {:.3g})".format(*self.range_mm)


ShieldLike = Shield | str | Iterable[Shield] | None


def as_shields(shield: ShieldLike) -> tuple[Shield, ...]:
    """A stack of shields from a Shield, a text such as "lead=0.25+tin=0.1", several Shields, or None.

    Raises
    ------
    ArgumentError, UnknownNameError
        Something else, a negative thickness or a material that is not known.
    """
    if shield is None:
        return ()
    if isinstance(shield, Shield):
        return (shield,)
    if isinstance(shield, str):
        return tuple(_wall(part, shield) for part in with_points(meant(shield, SHIELDS_MEANT)).split("+"))
    shields = tuple(shield) if isinstance(shield, Iterable) else (shield,)
    for part in shields:
        if not isinstance(part, Shield):
            raise ArgumentError("shield", part, "a Shield, a text such as 'lead=0.25', several Shields, or None")
    return shields


_RANGE = re.compile(r"([^=]+=)([^=]+?\.\.[^=]+?)(mm|g/cm2|g/cm²)?\s*")


def _wall(part: str, whole: str) -> Shield:
    """One wall of a text: material=thickness, material=low..high, or material=low..typical..high."""
    match = _RANGE.fullmatch(part)
    if match is None:
        (layer,) = parse_layers("shield", part)
        return Shield(material=layer.material, thickness_mm=layer.thickness_mm)
    material, points, unit = match.groups(default="")
    allowed = "material=low..high in mm, such as 'lead=0.1..0.4', both above 0, the lower one first"
    try:
        layers = [parse_layers("shield", material + point + unit)[0] for point in points.split("..")]
    except ArgumentError as error:
        raise ArgumentError("shield", whole, allowed) from error
    walls = [layer.thickness_mm for layer in layers]
    if len(walls) > 3 or walls[0] <= 0.0 or walls != sorted(walls):
        raise ArgumentError("shield", whole, allowed)
    middle = walls[1] if len(walls) == 3 else math.sqrt(walls[0] * walls[-1])
    return Shield(material=layers[0].material, thickness_mm=middle, range_mm=(walls[0], walls[-1]))


def thickness_factors(shields: Iterable[Shield]) -> tuple[float, float] | None:
    """Ends of the thickness of a stack over its typical one [1], all its walls together; None where it is known."""
    walls = tuple(shields)
    if all(wall.range_mm is None for wall in walls):
        return None
    typical = math.fsum(wall.thickness_mm for wall in walls)
    low, high = (
        math.fsum(wall.thickness_mm if wall.range_mm is None else wall.range_mm[side] for wall in walls)
        for side in (0, 1)
    )
    return low / typical, high / typical


@dataclass(frozen=True, kw_only=True)
class Transmission(Result):
    """How much of a beam comes through a shield, weighted in several ways [1].

    Parameters
    ----------
    narrow_kerma
        Air kerma, narrow beam: nothing scattered reaches the film.
    narrow_emulsion
        Absorbed dose in the emulsion, narrow beam.
    narrow_film
        Fog: dose in the emulsion times the efficiency eta(E), narrow beam.
    broad_kerma
        Air kerma with what the shield scatters; see :mod:`filmdose.radiation.scatter`.
    broad_film
        Fog with what the shield scatters: the value that counts, since film lies against its pouch.
    published
        True where ``broad_kerma`` rests on a published fit for this material and voltage.
    """

    narrow_kerma: float
    narrow_emulsion: float
    narrow_film: float
    broad_kerma: float
    broad_film: float
    published: bool

    @property
    def effective(self) -> float:
        """The value used for effective kerma: fog with scatter."""
        return self.broad_film


def transmission(shield: ShieldLike, beam: Beam = REFERENCE_BEAM, *, eta_low: float = ETA_LOW) -> Transmission:
    """Transmission of a shield in a beam: narrow beam and with scatter, of air kerma, dose in emulsion and fog.

    T = sum w exp(-sum mu/rho rho x) / sum w in the narrow beam, w air kerma, dose or fog of each energy

    Parameters
    ----------
    shield
        A :class:`Shield`, a text such as "lead=0.25+tin=0.1", several Shields, or None.
    beam
        Beam that meets it.
    eta_low
        Efficiency of the film below 60 keV [1; 0 to 1].

    Returns
    -------
    Transmission

    Raises
    ------
    ArgumentError
        A beam outside the tables of spectra (60 to 320 kVp) or of cross sections (1 to 800 keV).

    Notes
    -----
    One law with scatter holds for all materials and stacks; published fits anchor it for lead from 60 to 150 kVp.
    A shield never adds dose here; hard gamma rays that lead makes *worse* by
    its electrons are not credited to any shield at all (see filmdose.history).

    References
    ----------
    ncrp147, xraydb, nist_srd126

    Examples
    --------
    >>> through = transmission("lead=0.25")
    >>> round(through.broad_kerma, 3), through.published
    (0.207, True)
    >>> through.narrow_film < through.broad_film < through.broad_kerma
    True
    """
    shields = as_shields(shield)
    eta = float(check_number("eta_low", eta_low, low=0.0, high=1.0))
    passed, bare = passage(beam, tuple(part.layer for part in shields)), passage(beam, ())
    lead = bool(shields) and all(part.material == "lead" and part.density_g_cm3 is None for part in shields)
    kvps = broad_beam_kvps("lead")
    return Transmission(
        narrow_kerma=passed.narrow_kerma,
        narrow_emulsion=passed.narrow_moments[0] / bare.narrow_moments[0],
        narrow_film=fog_through(passed, beam, eta, narrow=True),
        broad_kerma=passed.broad_kerma,
        broad_film=fog_through(passed, beam, eta),
        published=lead and beam.tube_kvp is not None and kvps[0] <= beam.tube_kvp <= kvps[-1],
    )


def _depth(beam: Beam, layer: Layer) -> FloatArray:
    """Optical depth of a layer at each energy of the beam's spectrum."""
    energy = spectrum_of(beam).energy_kev
    high = ENERGY_RANGE_KEV[1]
    if energy[-1] > high:
        raise ArgumentError("beam", str(beam), f"a photon energy up to {high:g} keV", "No shield is credited above.")
    return np.asarray(layer.mass_thickness_g_cm2 * mass_attenuation(layer.resolved, energy))


@lru_cache(maxsize=256)
def _weights(beam: Beam, weight: str, eta_low: float) -> FloatArray:
    spectrum = spectrum_of(beam)
    result = kerma_weights(spectrum)
    if weight != "kerma":
        result = result * emulsion_to_air(spectrum.energy_kev)
    if weight == "film":
        result = result * film_efficiency(spectrum.energy_kev, eta_low=eta_low)
    return np.asarray(result / result.sum())


def _curve(beam: Beam, weight: str, eta_low: float, depth: FloatArray, multiples: FloatArray) -> FloatArray:
    weights = _weights(beam, weight, eta_low)
    flat = multiples.ravel()
    result = np.empty(flat.shape)
    # In blocks, so that a million thicknesses need no more memory than a few thousand.
    for start in range(0, flat.size, _BLOCK):
        block = slice(start, start + _BLOCK)
        result[block] = np.exp(-np.multiply.outer(flat[block], depth)) @ weights
    return result.reshape(multiples.shape)


@overload
def transmission_curve(
    material: str,
    thickness_mm: Labelled,
    beam: Beam = ...,
    *,
    weight: str = ...,
    density_g_cm3: float | None = ...,
    eta_low: float = ...,
) -> Labelled: ...
@overload
def transmission_curve(
    material: str,
    thickness_mm: Numbers,
    beam: Beam = ...,
    *,
    weight: str = ...,
    density_g_cm3: float | None = ...,
    eta_low: float = ...,
) -> FloatArray: ...
def transmission_curve(
    material: str,
    thickness_mm: Numeric,
    beam: Beam = REFERENCE_BEAM,
    *,
    weight: str = "film",
    density_g_cm3: float | None = None,
    eta_low: float = ETA_LOW,
) -> Any:
    """Narrow-beam transmission against thickness, for any container of thicknesses.

    Parameters
    ----------
    material
        Name, element symbol or formula.
    thickness_mm
        Thickness [mm; at least 0].
    beam
        Beam that meets it.
    weight
        "kerma", "emulsion" (absorbed dose) or "film" (fog).
    density_g_cm3
        Density [g/cm3] in place of the tabulated one.
    eta_low
        Efficiency of the film below 60 keV [1; 0 to 1].

    Returns
    -------
    Transmission [1], same container as ``thickness_mm``.

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range; a material or a weight that is not known.

    Examples
    --------
    >>> transmission_curve("lead", [0.0, 0.25, 0.5], weight="kerma").round(2).tolist()
    [1.0, 0.15, 0.05]
    """
    if weight not in _WEIGHTS:
        raise UnknownNameError("weight", weight, _WEIGHTS)
    check_eta(eta_low)
    depth = _depth(beam, Layer(material=material, thickness_mm=1.0, density_g_cm3=density_g_cm3))

    def kernel(thickness: FloatArray) -> FloatArray:
        return _curve(beam, weight, eta_low, depth, check_array("thickness_mm", thickness, low=0.0, unit="mm"))

    return elementwise(kernel, thickness_mm, units=[("thickness_mm", "mm")])


def mean_oblique_factor(half_angle_deg: float) -> float:
    """Mean path through a flat wall over its thickness, for a beam that turns from square to a slant.

    mean of 1/cos over 0..a = ln(1/cos a + tan a) / a

    Parameters
    ----------
    half_angle_deg
        Greatest angle a between beam and the wall's normal at which it still enters through this wall [degrees; 0 to
        80].

    Returns
    -------
    float
        At least 1.

    Raises
    ------
    ArgumentError
        An angle out of range.

    Notes
    -----
    The mean path is not the mean transmission, which is a little larger
    (Jensen): keep 1 when in doubt.

    Examples
    --------
    >>> round(mean_oblique_factor(60.0), 3)
    1.258
    """
    angle = math.radians(check_number("half_angle_deg", half_angle_deg, low=0.0, high=80.0, unit="degrees"))
    if angle < 1e-6:
        return 1.0
    return math.log(1.0 / math.cos(angle) + math.tan(angle)) / angle


hold_to_annotations(globals())
