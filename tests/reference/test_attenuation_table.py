"""The shipped coefficients and compositions against the package they come from."""

import importlib.util
from pathlib import Path

import numpy as np
import pytest
import xraydb

from filmdose.radiation.materials import get_material, mass_attenuation
from filmdose.radiation.scatter import scattered_coefficient

ROOT = Path(__file__).parents[2]


def test_the_table_is_what_its_script_makes():
    spec = importlib.util.spec_from_file_location("build_attenuation", ROOT / "reference" / "build_attenuation.py")
    build = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(build)
    for name, values in build.columns().items():
        symbol, what = name.split()
        element = build.Material(name=symbol, density_g_cm3=1.0, mass_fractions=((symbol, 1.0),))
        function = mass_attenuation if what == "total" else scattered_coefficient
        # five printed digits; the grid's own energies are read, not calculated
        np.testing.assert_allclose(function(element, build.ENERGY_KEV), values, rtol=6e-5, atol=1e-30)


@pytest.mark.parametrize("symbol", ["Pb", "W", "Sn", "Ba", "Ag"])
def test_no_edge_lies_between_a_bin_and_its_value(symbol):
    edge = 1e-3 * xraydb.xray_edge(symbol, "K").energy
    below, above = 0.5 * np.floor((edge - 0.25) / 0.5) + 0.25, 0.5 * np.floor((edge - 0.25) / 0.5) + 0.75
    assert below < edge < above
    low, high = mass_attenuation(symbol, [below, above])
    assert high > 2.5 * low


@pytest.mark.parametrize(
    ("name", "parts"),
    [
        ("water", {"H2O": 1.0}),
        ("polyethylene", {"C2H4": 1.0}),
        ("paper", {"C6H10O5": 1.0}),
        ("barium-sulphate-polymer", {"BaSO4": 0.6, "C2H4": 0.4}),
        ("tungsten-polymer", {"W": 0.85, "C2H4": 0.15}),
        ("photographic-film", {"C12H16O8": 0.955, "AgBr": 0.045}),
    ],
)
def test_compositions_follow_from_formulas(name, parts):
    expected: dict[str, float] = {}
    for formula, share in parts.items():
        masses = {symbol: n * xraydb.atomic_mass(symbol) for symbol, n in xraydb.chemparse(formula).items()}
        for symbol, mass in masses.items():
            expected[symbol] = expected.get(symbol, 0.0) + share * mass / sum(masses.values())
    assert dict(get_material(name).mass_fractions) == pytest.approx(expected, abs=2e-6)
    assert sum(expected.values()) == pytest.approx(1.0)
