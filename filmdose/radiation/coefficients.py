"""Mass energy-absorption coefficients: how much of a photon beam's energy a material takes up."""

from __future__ import annotations

import itertools
from functools import cache
from typing import Any, overload

import numpy as np
from scipy.interpolate import PchipInterpolator

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, elementwise
from filmdose.errors import UnknownNameError
from filmdose.files import load_data_csv

__all__ = ["KERMA_UGY_PER_KEV_G", "MU_EN_RANGE_KEV", "mass_energy_absorption"]

#: Photon energies for which coefficients are shipped [keV].
MU_EN_RANGE_KEV = (5.0, 10_000.0)

#: 1 keV in each gram, as dose [uGy]: 1.602176634e-16 J/keV times 1e3 g/kg times 1e6 uGy/Gy.
KERMA_UGY_PER_KEV_G = 1.602176634e-7


@cache
def _segments(material: str) -> tuple[tuple[float, PchipInterpolator], ...]:
    """Log-log interpolants between edges, each with the energy at which it begins."""
    rows = [row for row in load_data_csv("mass_energy_absorption.csv") if row["material"] == material]
    energies = np.array([float(row["energy_kev"]) for row in rows])
    values = np.array([float(row["mu_en_cm2_g"]) for row in rows])
    starts = [0, *(np.flatnonzero(np.diff(energies) == 0.0) + 1), energies.size]
    return tuple(
        (
            float(energies[first]),
            PchipInterpolator(np.log(energies[first:last]), np.log(values[first:last]), extrapolate=True),
        )
        for first, last in itertools.pairwise(starts)
    )


@overload
def mass_energy_absorption(material: str, energy_kev: Labelled) -> Labelled: ...
@overload
def mass_energy_absorption(material: str, energy_kev: Numbers) -> FloatArray: ...
def mass_energy_absorption(material: str, energy_kev: Numeric) -> Any:
    """Mass energy-absorption coefficient mu_en/rho [cm2/g], interpolated in log-log between edges.

    Parameters
    ----------
    material
        "air" or "emulsion".
    energy_kev
        Photon energy [keV; 5 to 10 000]. At an edge the value above it is given.

    Returns
    -------
    mu_en/rho [cm2/g], same container as ``energy_kev``.

    Raises
    ------
    UnknownNameError, ArgumentError
        Another material; an energy outside the table.

    Notes
    -----
    Monotone cubic interpolation. For air it stays within 1.6 % of an independent
    table above 40 keV, as near as the tabulated points themselves.

    Examples
    --------
    >>> [round(mass_energy_absorption(material, 60.0), 5) for material in ("air", "emulsion")]
    [0.03041, 1.661]

    References
    ----------
    nist_srd126
    """
    if material not in ("air", "emulsion"):
        raise UnknownNameError("material", material, ("air", "emulsion"))
    segments = _segments(material)
    low, high = MU_EN_RANGE_KEV

    def kernel(energy: FloatArray) -> FloatArray:
        log_energy = np.log(check_array("energy_kev", energy, low=low, high=high, unit="keV"))
        result = segments[0][1](log_energy)
        for start, interpolant in segments[1:]:
            result = np.where(log_energy >= np.log(start), interpolant(log_energy), result)
        return np.asarray(np.exp(result))

    return elementwise(kernel, energy_kev, units=[("energy_kev", "keV")])


hold_to_annotations(globals())
