"""Tables of thousands of values: between edges and below the end of a spectrum no value stands out from its neighbours.

Each value is held against the cubic through its two neighbours on either side, in logarithms.  Edges: Elam, Ravel and
Sieber, Radiat. Phys. Chem. 63, 121 (2002), as xraydb has them; of tungsten K 69.5 keV, L 10.2 to 12.1 keV.
"""

import numpy as np
import pytest
import xraydb

from filmdose.files import load_data_csv

ATTENUATION = load_data_csv("attenuation.csv")
BREMSSTRAHLUNG = load_data_csv("spectra/tungsten_bremsstrahlung.csv")
LINES = load_data_csv("spectra/tungsten_lines.csv")


def steps(x, y):
    """How far each value but the outer two lies from the cubic through its neighbours."""
    result = np.full(y.shape, np.nan)
    for place in range(2, len(x) - 2):
        around = [place - 2, place - 1, place + 1, place + 2]
        weights = [np.prod([(x[place] - x[m]) / (x[k] - x[m]) for m in around if m != k]) for k in around]
        result[place] = y[place] - np.dot(weights, y[around])
    return np.abs(result)


def column(rows, name):
    return np.array([float(row[name]) for row in rows])


def far_from(energies, places, bins=3.0):
    """Whether no edge lies within some bins, of half a keV, of an energy."""
    return np.all([np.abs(energies - place) > 0.5 * bins for place in places] or [energies > 0.0], axis=0)


@pytest.mark.parametrize("name", [name for name in ATTENUATION[0] if name != "energy_kev"])
def test_attenuation_has_no_steps_but_edges(name):
    energies = column(ATTENUATION, "energy_kev")
    edges = [1e-3 * edge.energy for edge in xraydb.xray_edges(name.split()[0]).values()]
    found = steps(np.log(energies), np.log(column(ATTENUATION, name)))
    assert np.nanmax(found[far_from(energies, edges)]) < 0.01  # 0.0072 of tin behind its K edge, where shares begin


@pytest.mark.parametrize("tube", [name for name in BREMSSTRAHLUNG[0] if name != "energy_kev"])
def test_bremsstrahlung_has_no_steps_but_edges(tube):
    energies, photons = column(BREMSSTRAHLUNG, "energy_kev"), column(BREMSSTRAHLUNG, tube)
    seen = energies < float(tube) - 4.0
    energies, photons = energies[seen], photons[seen]
    found = steps(np.log(energies), np.log(photons))
    assert np.nanmax(found[(energies > 14.0) & far_from(energies, [69.5])]) < 0.01


@pytest.mark.parametrize("rows", [BREMSSTRAHLUNG, LINES], ids=["bremsstrahlung", "lines"])
def test_photons_of_one_energy_change_evenly_with_the_tube_voltage(rows):
    voltages = np.array([float(name) for name in rows[0] if name != "energy_kev"])
    assert voltages.tolist() == [*range(60, 200, 5), *range(200, 330, 10)]  # those that were calculated
    for row in rows:
        energy = float(row["energy_kev"])
        # K lines begin at 69.5 kV, steeply
        least = energy + 30.0 if rows is BREMSSTRAHLUNG else 89.0 if energy > 20.0 else 0.0
        seen = voltages > least
        photons = np.array([float(row[f"{voltage:g}"]) for voltage in voltages[seen]])
        if len(photons) > 4:
            most = np.nanmax(steps(np.log(voltages[seen]), np.log(photons)))
            assert most < (0.01 if energy < 20.0 else 0.04), energy
