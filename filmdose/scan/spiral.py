"""A roll of film is a spiral: where on the spool each millimetre lies, and the fog that a beam through it prints.

With R1 the radius of the inner end and d the thickness of a layer, film at the distance s from the inner end lies at

    R(s) = sqrt(R1**2 + s d / pi),   turned by theta(s) = 2 pi (R(s) - R1) / d,

so that the whole length is pi (R2**2 - R1**2) / d and one turn near s takes 2 pi R(s) of film: the period of
whatever a beam prints through the layers grows along the roll.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import UnknownNameError
from filmdose.files import load_data_toml
from filmdose.result import Result

__all__ = ["BEAMS", "ENDS", "Winding", "get_winding", "winding_names", "wound_fog"]

#: Which end of the film a position along it is counted from.
ENDS = ("inside", "outside")

#: What a beam may do to a wound roll.
BEAMS = ("fan", "rotating", "shield-edge", "stopped-belt")


@dataclass(frozen=True, kw_only=True)
class Winding(Result):
    """How a film is wound.

    Parameters
    ----------
    length_mm
        Length of the film [mm; above 0].
    core_radius_mm
        Radius at which its inner end lies [mm; above 0].
    layer_mm
        Thickness of one turn: film, paper and air [mm; 0.02 to 2].
    attenuation_per_mm
        Linear attenuation of the wound roll [1/mm; at least 0].
    title
        What it is.
    """

    length_mm: float
    core_radius_mm: float
    layer_mm: float
    attenuation_per_mm: float = 0.05
    title: str = ""

    def __post_init__(self) -> None:
        check_number("length_mm", self.length_mm, low=0.0, low_open=True, high=1e6, unit="mm")
        check_number("core_radius_mm", self.core_radius_mm, low=0.0, low_open=True, high=1000.0, unit="mm")
        check_number("layer_mm", self.layer_mm, low=0.02, high=2.0, unit="mm")
        check_number("attenuation_per_mm", self.attenuation_per_mm, low=0.0, high=10.0, unit="1/mm")

    @property
    def outer_radius_mm(self) -> float:
        """Radius of the full roll [mm].

        Examples
        --------
        >>> round(get_winding("135-36").outer_radius_mm, 2)
        10.38
        """
        return float(self.radius_mm(self.length_mm))

    @property
    def turns(self) -> float:
        """Number of turns."""
        return (self.outer_radius_mm - self.core_radius_mm) / self.layer_mm

    def from_inside_mm(self, position_mm: Any, end: str = "inside") -> FloatArray:
        """Distance from the inner end of positions that are counted from an ``end`` [mm]."""
        if end not in ENDS:
            raise UnknownNameError("end", end, ENDS)
        position = check_array("position_mm", position_mm, low=0.0, high=self.length_mm * (1 + 1e-9), unit="mm")
        return position if end == "inside" else np.maximum(self.length_mm - position, 0.0)

    def radius_mm(self, from_inside_mm: Any) -> FloatArray:
        """R(s) [mm]."""
        s = np.asarray(from_inside_mm, dtype=np.float64)
        return np.asarray(np.sqrt(self.core_radius_mm**2 + s * self.layer_mm / math.pi))

    def turn_angle(self, from_inside_mm: Any) -> FloatArray:
        """theta(s), all turns counted [rad]."""
        return np.asarray(2.0 * math.pi * (self.radius_mm(from_inside_mm) - self.core_radius_mm) / self.layer_mm)

    def period_mm(self, from_inside_mm: Any) -> FloatArray:
        """Film that one turn takes at s [mm]: 2 pi R(s)."""
        return np.asarray(2.0 * math.pi * self.radius_mm(from_inside_mm))


def winding_names() -> tuple[str, ...]:
    """Names of the shipped windings.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> len(winding_names()) > 1
    True
    """
    return tuple(load_data_toml("windings.toml"))


def get_winding(name: str) -> Winding:
    """A shipped winding.

    Parameters
    ----------
    name
        One of :func:`winding_names`.

    Returns
    -------
    Winding

    Raises
    ------
    UnknownNameError
        With the near matches.

    Examples
    --------
    >>> winding = get_winding(winding_names()[0])
    >>> winding.length_mm > 1000
    True
    """
    rows = load_data_toml("windings.toml")
    if name not in rows:
        raise UnknownNameError("winding", name, tuple(rows))
    return Winding(**{key: value for key, value in rows[name].items() if key != "mark"})


def wound_fog(
    winding: Winding,
    position_mm: Any,
    beam: str = "fan",
    *,
    end: str = "inside",
    direction_deg: float = 0.0,
    fan_deg: float = 20.0,
    edge_mm: float = 0.0,
    shield_transmission: float = 0.3,
    slit_mm: float = 2.0,
    slit_gain: float = 5.0,
) -> FloatArray:
    """Fog along the film that a beam across a wound roll prints, over that of the same beam on bare film.

    Parameters
    ----------
    winding
        How it is wound.
    position_mm
        Positions along the film [mm; 0 to the length].
    beam
        "fan": from one side; "rotating": from all sides alike; "shield-edge": from one side, half of the roll behind
        a shield; "stopped-belt": from one side, with a narrow strip that got more.
    end
        Which end positions are counted from.
    direction_deg
        Direction towards the source, from the inner end of the film [degrees].
    fan_deg
        Opening of the directions that the beam comes from [degrees].
    edge_mm, shield_transmission
        Where the shield's edge lies, from the axis, and what the shield lets through.
    slit_mm, slit_gain
        Width of the strip, at ``edge_mm`` from the axis, and how many times the fog it got.

    Returns
    -------
    Relative fog, of the shape of ``position_mm``.

    Raises
    ------
    ArgumentError
        A position outside the film, a beam that is not known, or a value out of range.

    Notes
    -----
    Fog is taken as proportional to dose, and layers attenuate alike everywhere: scatter inside the roll, which softens
    the pattern, is left out, and so are beams along the axis, which print no period.

    Examples
    --------
    >>> fog = wound_fog(get_winding(winding_names()[0]), np.array([0.0, 500.0, 1000.0]), "rotating")
    >>> bool((fog > 0).all() and (fog <= 1).all())
    True
    """
    if beam not in BEAMS:
        raise UnknownNameError("beam", beam, BEAMS)
    through = check_number("shield_transmission", shield_transmission, low=0.0, high=1.0)
    width = check_number("slit_mm", slit_mm, low=0.0, low_open=True, high=1000.0, unit="mm")
    gain = check_number("slit_gain", slit_gain, low=0.0, high=1e6)
    opening = 360.0 if beam == "rotating" else check_number("fan_deg", fan_deg, low=0.0, high=360.0, unit="degrees")
    count = 72 if opening >= 180.0 else 9
    spread = np.deg2rad(direction_deg + opening * ((np.arange(count) + 0.5) / count - 0.5))
    s = winding.from_inside_mm(position_mm, end)
    radius, theta = winding.radius_mm(s)[..., None], winding.turn_angle(s)[..., None]
    along, across = radius * np.cos(theta - spread), radius * np.sin(theta - spread)
    path = -along + np.sqrt(np.maximum(winding.outer_radius_mm**2 - across**2, 0.0))
    core = 2.0 * np.sqrt(np.maximum(winding.core_radius_mm**2 - across**2, 0.0))
    path = path - np.where(along < 0.0, core, 0.0)  # the spool itself hardly stops anything
    fog = np.exp(-winding.attenuation_per_mm * np.maximum(path, 0.0))
    if beam == "shield-edge":
        fog = fog * np.where(across > edge_mm, through, 1.0)
    elif beam == "stopped-belt":
        fog = fog * np.where(np.abs(across - edge_mm) < 0.5 * width, gain, 1.0)
    return np.asarray(fog.mean(axis=-1))


hold_to_annotations(globals())
