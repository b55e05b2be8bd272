"""Tube spectra straight from SpekPy, for voltages and anode angles that are not shipped (extra "spectra").

SpekPy takes impossible input without a word (a negative filter gives infinite
kerma), so everything is checked before it is called.
"""

from __future__ import annotations

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, MissingExtraError, UnknownNameError
from filmdose.radiation.beams import DEFAULT_FILTRATION
from filmdose.radiation.coefficients import MU_EN_RANGE_KEV
from filmdose.radiation.materials import Layer, layers_transmission
from filmdose.radiation.spectra import Spectrum

__all__ = ["LIVE_KVP_RANGE", "MU_DATA_SOURCES", "live_tube_spectrum"]

#: Tube voltages offered [kVp]; SpekPy itself takes 10 to 500, its authors checked 20 to 300.
LIVE_KVP_RANGE = (20.0, 300.0)

#: SpekPy's two sources of attenuation data; the shipped tables are made with "pene".
MU_DATA_SOURCES = ("pene", "nist")


def live_tube_spectrum(
    tube_kvp: float,
    filtration: tuple[Layer, ...] = DEFAULT_FILTRATION,
    *,
    anode_angle_deg: float = 12.0,
    bin_kev: float = 0.5,
    mu_data_source: str = "pene",
) -> Spectrum:
    """Spectrum of a tungsten-anode tube calculated now: photons per cm2 and mAs at 1 m.

    Parameters
    ----------
    tube_kvp
        Tube voltage [kVp; 20 to 300].
    filtration
        Layers in the beam, attenuated with the library's own cross sections.
    anode_angle_deg
        Anode angle [degrees; 5 to 45].
    bin_kev
        Width of the energy bins [keV; 0.1 to 2].
    mu_data_source
        "pene" or "nist": SpekPy's attenuation data, named so that a result can be repeated.

    Raises
    ------
    MissingExtraError
        SpekPy is not installed.
    ArgumentError, UnknownNameError
        An argument outside its range.

    References
    ----------
    spekpy
    """
    low, high = LIVE_KVP_RANGE
    voltage = check_number("tube_kvp", tube_kvp, low=low, high=high, unit="kVp")
    angle = check_number("anode_angle_deg", anode_angle_deg, low=5.0, high=45.0, unit="degrees")
    width = check_number("bin_kev", bin_kev, low=0.1, high=2.0, unit="keV")
    if mu_data_source not in MU_DATA_SOURCES:
        raise UnknownNameError("mu_data_source", mu_data_source, MU_DATA_SOURCES)
    for layer in filtration:
        if not isinstance(layer, Layer):
            raise ArgumentError("filtration", layer, "Layer objects")
    try:
        import spekpy  # type: ignore[import-untyped]
    except ImportError as error:
        raise MissingExtraError("spekpy", "spectra", "A live tube spectrum") from error
    tube = spekpy.Spek(
        kvp=voltage, th=angle, dk=width, mu_data_source=mu_data_source, physics="casim", targ="W", z=100.0, mas=1.0
    )
    energy, fluence = (np.asarray(column, dtype=np.float64) for column in tube.get_spectrum(diff=True, flu=True))
    kept = (energy >= MU_EN_RANGE_KEV[0]) & (fluence > 0)
    energy, fluence = energy[kept], fluence[kept] * width
    through = layers_transmission(tuple(filtration), energy)
    label = f"{voltage:g} kVp, live"
    return Spectrum(energy_kev=energy, fluence=fluence * through, label=label, per_mas=True)


hold_to_annotations(globals())
