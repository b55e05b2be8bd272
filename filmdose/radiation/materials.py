"""Materials and how strongly they attenuate photons.

Cross sections come from xraydb (tables of Elam, Ravel and Sieber 2002), which
keeps every absorption edge as a step; nothing is interpolated across an edge.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cache
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import data_text, load_data_toml
from filmdose.names import MaterialName
from filmdose.result import Result

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "ENERGY_RANGE_KEV",
    "Layer",
    "Material",
    "get_material",
    "layers_transmission",
    "list_materials",
    "mass_attenuation",
    "material_names",
    "register_material",
]

#: Photon energies for which cross sections are given [keV]; above, the tables are unreliable.
ENERGY_RANGE_KEV = (1.0, 800.0)

_INTERACTIONS = ("total", "photo", "coh", "incoh")


@dataclass(frozen=True, kw_only=True)
class Material(Result):
    """A material: its name, density and elements by mass.

    Parameters
    ----------
    name
        Canonical name.
    density_g_cm3
        Density [g/cm3; above 0].
    mass_fractions
        Pairs of element symbol and mass fraction; the fractions add up to 1.
    """

    name: str
    density_g_cm3: float
    mass_fractions: tuple[tuple[str, float], ...]

    def __str__(self) -> str:
        return self.name


#: Materials of the user's own, by name; of this process alone.
_REGISTERED: dict[str, Material] = {}


@cache
def _check(material: Material) -> None:
    """Refuse a material of the user's own that cannot be."""
    import xraydb  # type: ignore[import-untyped]

    if not material.name.strip() or any(letter in material.name for letter in "=+,"):
        raise ArgumentError("name", material.name, "a name without =, + and comma")
    check_number("density_g_cm3", material.density_g_cm3, low=0.0, low_open=True, unit="g/cm3")
    for symbol, share in material.mass_fractions:
        check_number(f"mass fraction of {symbol}", share, low=0.0, high=1.0)
        try:
            xraydb.atomic_number(symbol)
        except (ValueError, KeyError):
            raise ArgumentError("mass_fractions", symbol, "symbols of elements, such as 'W'") from None
    total = sum(share for _, share in material.mass_fractions)
    if abs(total - 1.0) > 0.01:
        raise ArgumentError("mass_fractions", total, "shares by mass that add up to 1")


def register_material(material: Material) -> Material:
    """Let a material of one's own be known by its name, to shields and layers as text; in this process only.

    Parameters
    ----------
    material
        The material. One of the same name that was registered before is replaced; a shipped one never is.

    Returns
    -------
    The material.

    Raises
    ------
    ArgumentError
        A name that is taken or holds "=", "+" or a comma, a density that is not above 0, shares that do not add up.

    Examples
    --------
    >>> foil = Material(name="foil", density_g_cm3=9.0, mass_fractions=(("W", 0.7), ("Cu", 0.3)))
    >>> get_material(register_material(foil).name) is foil
    True
    """
    _check(material)
    if material.name.lower() in _aliases():
        raise ArgumentError("material", material.name, "a name that no shipped material has", "Rename it.")
    _REGISTERED[material.name] = material
    return material


@cache
def _aliases() -> dict[str, str]:
    names = {}
    for name, row in load_data_toml("materials.toml")["materials"].items():
        for text in (name, *row["aliases"]):
            names[text] = name
    return names


def material_names(*, pouch_only: bool = False) -> tuple[str, ...]:
    """Names of the shipped materials; with ``pouch_only`` those that film pouches are filled with."""
    rows = load_data_toml("materials.toml")["materials"].items()
    return tuple(name for name, row in rows if row["pouch"] or not pouch_only)


def _element_fractions(formula: str) -> dict[str, float] | None:
    """Mass fractions of the elements of a chemical formula, None when it is not one."""
    import xraydb

    try:
        counts = xraydb.chemparse(formula)
    except ValueError:
        return None
    masses = {symbol: count * float(xraydb.atomic_mass(symbol)) for symbol, count in counts.items()}
    total = sum(masses.values())
    if not masses or not total > 0 or any(mass <= 0 for mass in masses.values()):
        return None
    return {symbol: mass / total for symbol, mass in masses.items()}


@cache
def _resolve(name: str) -> Material:
    row: dict[str, Any] = load_data_toml("materials.toml")["materials"][name]
    return Material(name=name, density_g_cm3=row["density_g_cm3"], mass_fractions=tuple(row["composition"].items()))


def get_material(name: str | Material, density_g_cm3: float | None = None) -> Material:
    """The material of that name: a shipped one, a chemical element, or a compound by its formula.

    Parameters
    ----------
    name
        "lead", an alias ("pb"), a registered name, an element symbol ("Gd"), or a formula ("Gd2O3"); a
        :class:`Material` of one's own is itself.
    density_g_cm3
        Density [g/cm3] in place of the tabulated one; a formula needs it.

    Returns
    -------
    Material

    Raises
    ------
    UnknownNameError
        Neither a shipped name, an element nor a formula.
    ArgumentError
        A density that is not above 0, or a formula without density.

    Examples
    --------
    >>> get_material("pb").name
    'lead'
    >>> get_material("BaSO4", density_g_cm3=4.5).mass_fractions[0][0]
    'Ba'
    """
    density = None
    if density_g_cm3 is not None:
        density = check_number("density_g_cm3", density_g_cm3, low=0.0, low_open=True, unit="g/cm3")
    if isinstance(name, str) and name.strip() in _REGISTERED:
        name = _REGISTERED[name.strip()]
    if isinstance(name, Material):
        _check(name)
        return name if density is None else replace(name, density_g_cm3=density)
    action = "Or give an element symbol such as 'Gd', or a formula such as 'Gd2O3' with a density."
    if not isinstance(name, str) or not name.strip():
        raise UnknownNameError("material", name, material_names(), action)
    text = name.strip()
    canonical = _aliases().get(text.lower())
    if canonical is not None:
        shipped = _resolve(canonical)
        if density is None:
            return shipped
        return Material(name=shipped.name, density_g_cm3=density, mass_fractions=shipped.mass_fractions)
    fractions = _element_fractions(text)
    if fractions is None:
        raise UnknownNameError("material", name, material_names(), action)
    if density is None:
        if len(fractions) > 1 or text not in fractions:
            raise ArgumentError("density_g_cm3", None, "a density above 0 [g/cm3] for a formula", f"Material: {text}.")
        import xraydb

        density = float(xraydb.atomic_density(text))
    return Material(name=text, density_g_cm3=density, mass_fractions=tuple(fractions.items()))


@cache
def _shipped_table() -> tuple[FloatArray, dict[str, FloatArray]]:
    """Energies [keV] and columns "symbol what" of the shipped table of coefficients."""
    lines = [line for line in data_text("attenuation.csv").splitlines() if line and line[0] != "#"]
    values = np.array([line.split(",") for line in lines[1:]], dtype=np.float64).T
    return values[0], dict(zip(lines[0].split(",")[1:], values[1:], strict=True))


def shipped_coefficients(material: Material, energy_kev: FloatArray, what: str) -> FloatArray | None:
    """Coefficients [cm2/g] from the shipped table, None where an element or an energy does not stand in it.

    The table holds the bin centres of the shipped spectra, so that nothing is interpolated.  It spares the import of
    the package that the values come from.
    """
    energies, columns = _shipped_table()
    names = [f"{symbol} {what}" for symbol, _ in material.mass_fractions]
    places = np.searchsorted(energies, energy_kev)
    if not all(name in columns for name in names) or np.any(places >= energies.size):
        return None
    if not np.array_equal(energies[places], energy_kev):
        return None
    parts = zip(names, material.mass_fractions, strict=True)
    return np.asarray(sum(fraction * columns[name] for name, (_, fraction) in parts))[places]


@overload
def mass_attenuation(material: Material | str, energy_kev: Labelled, *, interaction: str = ...) -> Labelled: ...
@overload
def mass_attenuation(material: Material | str, energy_kev: Numbers, *, interaction: str = ...) -> FloatArray: ...
def mass_attenuation(material: Material | str, energy_kev: Numeric, *, interaction: str = "total") -> Any:
    """Mass attenuation coefficient [cm2/g]: sum over elements of mass fraction times coefficient.

    Parameters
    ----------
    material
        A :class:`Material` or its name.
    energy_kev
        Photon energy [keV; 1 to 800].
    interaction
        "total" (with coherent scatter), "photo", "coh" or "incoh".

    Returns
    -------
    mu/rho [cm2/g], same container as ``energy_kev``.

    Raises
    ------
    ArgumentError, UnknownNameError
        An energy out of range; a material or an interaction that is not known.

    References
    ----------
    elam2002, xraydb

    Examples
    --------
    >>> mass_attenuation("lead", [88.0, 88.01]).round(3).tolist()  # K edge at 88.005 keV
    [1.91, 7.682]
    """
    if interaction not in _INTERACTIONS:
        raise UnknownNameError("interaction", interaction, _INTERACTIONS)
    what = get_material(material) if isinstance(material, str) else material

    def kernel(energy: FloatArray) -> FloatArray:
        shipped = shipped_coefficients(what, energy, "total") if interaction == "total" else None
        if shipped is not None:
            return shipped
        import xraydb

        low, high = ENERGY_RANGE_KEV
        checked = check_array("energy_kev", energy, low=low, high=high, unit="keV")
        known = np.isfinite(checked)
        electronvolts = np.atleast_1d(np.where(known, checked, 100.0)) * 1e3
        total = sum(
            fraction * np.asarray(xraydb.mu_elam(symbol, electronvolts, kind=interaction))
            for symbol, fraction in what.mass_fractions
        )
        return np.where(known, np.reshape(total, checked.shape), np.nan)

    return elementwise(kernel, energy_kev, units=[("energy_kev", "keV")])


@dataclass(frozen=True, kw_only=True)
class Layer(Result):
    """One layer of one material.

    Parameters
    ----------
    material
        Name, element symbol or formula, or a :class:`Material`; see :func:`get_material`.
    thickness_mm
        Thickness [mm; at least 0].
    density_g_cm3
        Density [g/cm3] in place of the tabulated one; a formula needs it.
    """

    material: MaterialName | str | Material
    thickness_mm: float
    density_g_cm3: float | None = None
    resolved: Material = field(init=False, repr=False, compare=False)

    _accepts = (("thickness_mm", "WithUnit"),)

    def __post_init__(self) -> None:
        resolved = get_material(self.material, self.density_g_cm3)
        object.__setattr__(self, "resolved", resolved)
        own = isinstance(self.material, Material) or resolved.name in _REGISTERED
        object.__setattr__(self, "material", resolved if own else resolved.name)
        object.__setattr__(self, "thickness_mm", check_number("thickness_mm", self.thickness_mm, low=0.0, unit="mm"))

    @property
    def mass_thickness_g_cm2(self) -> float:
        """Mass per area [g/cm2]."""
        return self.resolved.density_g_cm3 * self.thickness_mm / 10.0

    def __str__(self) -> str:
        return f"{self.thickness_mm:g} mm {self.material}"


@overload
def layers_transmission(layers: tuple[Layer, ...], energy_kev: Labelled) -> Labelled: ...
@overload
def layers_transmission(layers: tuple[Layer, ...], energy_kev: Numbers) -> FloatArray: ...
def layers_transmission(layers: tuple[Layer, ...], energy_kev: Numeric) -> Any:
    """Narrow-beam transmission of photons through a stack of layers: exp(-sum mu/rho rho x).

    Parameters
    ----------
    layers
        The layers, in any order.
    energy_kev
        Photon energy [keV; 1 to 800].

    Returns
    -------
    Transmission [1], same container as ``energy_kev``.

    Raises
    ------
    ArgumentError
        An energy out of range.

    Notes
    -----
    Narrow beam: every photon that interacts is lost, so scatter and
    fluorescence that reach the film are not counted.

    Examples
    --------
    >>> lead = (Layer(material="lead", thickness_mm=0.1),)
    >>> layers_transmission(lead, [60.0, 80.0, 100.0]).round(3).tolist()  # not monotonic: K edge at 88 keV
    [0.566, 0.76, 0.533]
    """

    def kernel(energy: FloatArray) -> FloatArray:
        depth = np.zeros(np.shape(energy))
        for layer in layers:
            depth = depth + layer.mass_thickness_g_cm2 * np.asarray(mass_attenuation(layer.resolved, energy))
        return np.asarray(np.exp(-depth))

    return elementwise(kernel, energy_kev, units=[("energy_kev", "keV")])


def list_materials() -> pd.DataFrame:
    """All shipped materials as a table, one row each, index ``name``.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> list_materials()["density_g_cm3"].to_dict()["lead"]
    11.35
    """
    import pandas as pd

    data = load_data_toml("materials.toml")
    rows = [
        {
            "name": name,
            "density_g_cm3": row["density_g_cm3"],
            "composition": ", ".join(f"{formula} {share:g}" for formula, share in row["composition"].items()),
            "pouch": row["pouch"],
            "aliases": ", ".join(row["aliases"]),
            "evidence": row["evidence"],
            "flag": row["flag"],
            "references": ", ".join(row["references"]),
            "note": row.get("note", ""),
            "version": data["version"],
        }
        for name, row in data["materials"].items()
    ]
    return pd.DataFrame(rows).set_index("name")


hold_to_annotations(globals())
