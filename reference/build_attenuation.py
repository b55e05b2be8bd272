"""Make the shipped table of attenuation coefficients, filmdose/data/attenuation.csv, from xraydb.

Run:  python reference/build_attenuation.py [FILE]

Total and scattered mu/rho of the elements of all shipped materials at the bin centres of the shipped spectra.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import xraydb

from filmdose.radiation.materials import Material, get_material, mass_attenuation, material_names
from filmdose.radiation.scatter import scattered_coefficient

ENERGY_KEV = np.arange(5.25, 320.0, 0.5)


def columns() -> dict[str, np.ndarray]:
    """Total and scattered coefficient [cm2/g] of every element, by column name."""
    symbols = {symbol for name in material_names() for symbol, _ in get_material(name).mass_fractions} | {"Ag", "Br"}
    made = {}
    # Off the grid by less than any edge's distance, so that the shipped table itself is not asked.
    energy = ENERGY_KEV * (1.0 + 1e-12)
    for symbol in sorted(symbols, key=xraydb.atomic_number):
        element = Material(name=symbol, density_g_cm3=1.0, mass_fractions=((symbol, 1.0),))
        made[f"{symbol} total"] = np.asarray(mass_attenuation(element, energy))
        made[f"{symbol} scattered"] = scattered_coefficient(element, energy)
    return made


def main(path: Path) -> None:
    """Write the table."""
    if not path.exists():
        path.write_text("energy_kev\n1\n", encoding="utf-8")
    made = columns()
    lines = [
        "# Mass attenuation coefficients [cm2/g]: total, and the part of it that still reaches a film behind the wall",
        "# (coherent scatter, forward half of incoherent scatter and of K fluorescence, by air kerma).",
        f"# Made by reference/build_attenuation.py from xraydb {xraydb.__version__}. flag: P. reference: elam2002.",
        "# version: 1",
        ",".join(["energy_kev", *made]),
    ]
    for row, energy in enumerate(ENERGY_KEV):
        lines.append(
            ",".join([f"{energy:g}", *(f"{values[row]:.5g}".replace("e-0", "e-") for values in made.values())])
        )
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    default = Path(__file__).resolve().parent.parent / "filmdose" / "data" / "attenuation.csv"
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else default)
