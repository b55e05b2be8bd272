"""How much fog a microgray makes, estimated from the physics of grains alone.

The library's own fog sensitivity is calibrated (25 uGy for 0.02 of fog at ISO
400, 12 to 50).  This estimate uses none of that calibration; the two are
reported side by side.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from filmdose.arrays import check_number
from filmdose.files import load_data_toml
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.constants import constant
from filmdose.radiation.materials import get_material, mass_attenuation
from filmdose.radiation.response import relative_response
from filmdose.radiation.spectra import air_kerma_ugy, spectrum_of

__all__ = ["CALIBRATION_FOG", "FogSensitivity", "calibrated_fog_kerma_ugy", "first_principles_sensitivity"]

_CALIBRATION = load_data_toml("films.toml")["model"]

#: Net fog to which the calibrating kerma belongs.
CALIBRATION_FOG = float(_CALIBRATION["calibration_fog"]["value"])

#: Optical density of opaque grains over their covered area: Nutting's log10 e.
NUTTING = math.log10(math.e)


def calibrated_fog_kerma_ugy() -> tuple[float, float, float]:
    """Effective kerma [uGy] for a fog of 0.02 on a generic ISO 400 film: low, typical, high (12, 25, 50).

    Our own calibration; see its mark in films.toml.
    """
    row = _CALIBRATION["calibration_kerma"]
    return float(row["low"]), float(row["value"]), float(row["high"])


@dataclass(frozen=True, kw_only=True)
class FogSensitivity:
    """First-principles estimate beside the calibrated value.

    Parameters
    ----------
    quanta_per_cm2_ugy
        Quanta absorbed in silver bromide for each microgray of air kerma [1/cm2].
    density_per_ugy
        Fog density for each microgray [1/uGy].
    kerma_ugy
        Air kerma for a fog of 0.02 [uGy].
    calibrated_kerma_ugy
        The calibrated value for the same beam [uGy].
    """

    quanta_per_cm2_ugy: float
    density_per_ugy: float
    kerma_ugy: float
    calibrated_kerma_ugy: float

    @property
    def ratio(self) -> float:
        """First-principles over calibrated kerma for the same fog; between a half and two they agree."""
        return self.kerma_ugy / self.calibrated_kerma_ugy


def first_principles_sensitivity(
    beam: Beam = REFERENCE_BEAM,
    *,
    silver_g_m2: float | None = None,
    grain_area_um2: float | None = None,
    grains_per_quantum: float | None = None,
) -> FogSensitivity:
    """Fog per microgray from silver coverage, grain size and grains per absorbed quantum.

    n = (fluence per uGy) (photoelectric cross section of the silver bromide per area)
    density per uGy = log10(e) n (grains per quantum) (grain area)     (Nutting)

    Parameters
    ----------
    beam
        Spectrum of the radiation.
    silver_g_m2
        Silver coverage [g/m2; above 0]; None takes 10.
    grain_area_um2
        Projected area of a developed grain [um2; above 0]; None takes 0.8.
    grains_per_quantum
        Grains made developable by one absorbed quantum [above 0]; None takes 5.

    Notes
    -----
    A fast film of generic make; each of the three numbers is uncertain by a
    factor of about two, so the estimate is an order-of-magnitude check. Quanta
    absorbed in gelatin and support, and fluorescence that escapes, are left out.

    Examples
    --------
    >>> at_60_kev = first_principles_sensitivity(Beam(energy_kev=60.0))
    >>> f"{at_60_kev.quanta_per_cm2_ugy:.1e}", round(at_60_kev.kerma_ugy)
    ('2.4e+04', 47)

    References
    ----------
    nutting1913, xraydb
    """
    values = {
        name: check_number(name, constant(name) if value is None else value, low=0.0, low_open=True, unit=unit)
        for name, value, unit in (
            ("silver_g_m2", silver_g_m2, "g/m2"),
            ("grain_area_um2", grain_area_um2, "um2"),
            ("grains_per_quantum", grains_per_quantum, "1"),
        )
    }
    bromide = get_material("AgBr", density_g_cm3=6.47)
    silver_fraction = dict(bromide.mass_fractions)["Ag"]
    bromide_g_cm2 = values["silver_g_m2"] / silver_fraction * 1e-4
    spectrum = spectrum_of(beam)
    cross_section = np.asarray(mass_attenuation(bromide, spectrum.energy_kev, interaction="photo"))
    quanta = float(spectrum.fluence @ cross_section) * bromide_g_cm2 / air_kerma_ugy(spectrum)
    grains_per_um2 = quanta * values["grains_per_quantum"] * 1e-8
    density = NUTTING * grains_per_um2 * values["grain_area_um2"]
    return FogSensitivity(
        quanta_per_cm2_ugy=quanta,
        density_per_ugy=density,
        kerma_ugy=CALIBRATION_FOG / density,
        calibrated_kerma_ugy=calibrated_fog_kerma_ugy()[1] / float(relative_response(beam)),
    )
