"""Make the shipped tables of tungsten-anode spectra, filmdose/data/spectra/*.csv, from SpekPy.

Run with the extra "spectra" installed:  python reference/build_spectra.py [FOLDER]

The tables hold photons per cm2 and mAs in bins of 0.5 keV at 1 m, with no
filtration but the anode's own: filters are added later with filmdose's cross
sections.  Bremsstrahlung and characteristic lines are kept apart, since they
follow the tube voltage by different laws.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import spekpy

ANODE_ANGLE_DEG = 12.0
BIN_KEV = 0.5
LOWEST_KEV = 5.0
VOLTAGES_KVP = (*range(60, 201, 5), *range(210, 321, 10))
PHYSICS = "casim"
MU_DATA_SOURCE = "pene"


def unfiltered_spectrum(tube_kvp: float, *, lines: bool) -> np.ndarray:
    """Photons per cm2, mAs and keV at 1 m on the common grid of bin centres."""
    beam = spekpy.Spek(
        kvp=tube_kvp,
        th=ANODE_ANGLE_DEG,
        dk=BIN_KEV,
        mu_data_source=MU_DATA_SOURCE,
        physics=PHYSICS,
        targ="W",
        z=100.0,
        mas=1.0,
        char=lines,
    )
    energy, fluence = beam.get_spectrum(diff=True, flu=True)
    result = np.zeros(round(VOLTAGES_KVP[-1] / BIN_KEV))
    result[np.round(np.asarray(energy) / BIN_KEV - 0.5).astype(int)] = fluence
    return result


def write_table(path: Path, title: str, energy: np.ndarray, columns: dict[int, np.ndarray]) -> None:
    """Write one table: comment lines, header, one row an energy."""
    lines = [
        f"# {title} of a tungsten anode, {ANODE_ANGLE_DEG:g} degrees, at 1 m, no filtration but the anode's own.",
        f"# Unit: photons per cm2, mAs and keV, in bins of {BIN_KEV:g} keV around energy_kev; columns are tube kVp.",
        f"# Made by reference/build_spectra.py from SpekPy {spekpy.__version__}, physics {PHYSICS},"
        f" mu_data_source {MU_DATA_SOURCE}. flag: P. reference: spekpy.",
        "# version: 1",
        ",".join(["energy_kev", *(str(kvp) for kvp in columns)]),
    ]
    for index, value in enumerate(energy):
        cells = (f"{columns[kvp][index]:.5g}".replace("e+0", "e") for kvp in columns)
        lines.append(",".join([f"{value:g}", *cells]))
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")


def main(folder: Path) -> None:
    """Write both tables into ``folder``."""
    energy = (np.arange(round(VOLTAGES_KVP[-1] / BIN_KEV)) + 0.5) * BIN_KEV
    bremsstrahlung = {kvp: unfiltered_spectrum(kvp, lines=False) for kvp in VOLTAGES_KVP}
    characteristic = {kvp: unfiltered_spectrum(kvp, lines=True) - bremsstrahlung[kvp] for kvp in VOLTAGES_KVP}
    strongest = max(column.max() for column in characteristic.values())
    for column in characteristic.values():
        column[column < 1e-6 * strongest] = 0.0
    kept = energy >= LOWEST_KEV
    with_lines = kept & np.any(np.array(list(characteristic.values())) > 0, axis=0)
    write_table(
        folder / "tungsten_bremsstrahlung.csv",
        "Bremsstrahlung",
        energy[kept],
        {kvp: column[kept] for kvp, column in bremsstrahlung.items()},
    )
    write_table(
        folder / "tungsten_lines.csv",
        "Characteristic lines",
        energy[with_lines],
        {kvp: column[with_lines] for kvp, column in characteristic.items()},
    )


if __name__ == "__main__":
    default = Path(__file__).resolve().parent.parent / "filmdose" / "data" / "spectra"
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else default)
