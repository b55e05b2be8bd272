"""Beams, shields, the film's response to radiation, and where the dose comes from.

Everything ends as *effective kerma*: the air kerma [uGy] of the reference beam
(140 kVp, 3 mm Al) that fogs film as much.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names

if TYPE_CHECKING:
    from filmdose.radiation.background import background_kerma_ugy, flight_dose_rate_usv_h, flight_kerma_ugy
    from filmdose.radiation.badge import BADGE_QUANTITIES, BadgeKerma, badge_air_kerma
    from filmdose.radiation.beams import REFERENCE_BEAM, Beam
    from filmdose.radiation.broad_beam import archer_transmission, broad_beam_transmission
    from filmdose.radiation.coefficients import mass_energy_absorption
    from filmdose.radiation.materials import (
        Layer,
        Material,
        get_material,
        layers_transmission,
        list_materials,
        mass_attenuation,
        register_material,
    )
    from filmdose.radiation.response import (
        ETA_LOW,
        effective_kerma_ugy,
        emulsion_to_air,
        film_efficiency,
        film_response,
        relative_response,
    )
    from filmdose.radiation.sensitivity import FogSensitivity, calibrated_fog_kerma_ugy, first_principles_sensitivity
    from filmdose.radiation.shields import Shield, Transmission, mean_oblique_factor, transmission, transmission_curve
    from filmdose.radiation.sources import Source, get_source, list_sources, register_source, source_names
    from filmdose.radiation.spectra import (
        Spectrum,
        air_kerma_ugy,
        filtered,
        half_value_layer_mm,
        kerma_per_mas_ugy,
        mean_energy_kev,
        mono_spectrum,
        spectrum_of,
        tube_spectrum,
    )
    from filmdose.radiation.tube import dwell_multiplier, held_passes, pass_kerma_ugy

__all__ = [
    "BADGE_QUANTITIES",
    "ETA_LOW",
    "REFERENCE_BEAM",
    "BadgeKerma",
    "Beam",
    "FogSensitivity",
    "Layer",
    "Material",
    "Shield",
    "Source",
    "Spectrum",
    "Transmission",
    "air_kerma_ugy",
    "archer_transmission",
    "background_kerma_ugy",
    "badge_air_kerma",
    "broad_beam_transmission",
    "calibrated_fog_kerma_ugy",
    "dwell_multiplier",
    "effective_kerma_ugy",
    "emulsion_to_air",
    "film_efficiency",
    "film_response",
    "filtered",
    "first_principles_sensitivity",
    "flight_dose_rate_usv_h",
    "flight_kerma_ugy",
    "get_material",
    "get_source",
    "half_value_layer_mm",
    "held_passes",
    "kerma_per_mas_ugy",
    "layers_transmission",
    "list_materials",
    "list_sources",
    "mass_attenuation",
    "mass_energy_absorption",
    "mean_energy_kev",
    "mean_oblique_factor",
    "mono_spectrum",
    "pass_kerma_ugy",
    "register_material",
    "register_source",
    "relative_response",
    "source_names",
    "spectrum_of",
    "transmission",
    "transmission_curve",
    "tube_spectrum",
]

_HOME = {
    "background": ("background_kerma_ugy", "flight_dose_rate_usv_h", "flight_kerma_ugy"),
    "badge": ("BADGE_QUANTITIES", "BadgeKerma", "badge_air_kerma"),
    "beams": ("REFERENCE_BEAM", "Beam"),
    "broad_beam": ("archer_transmission", "broad_beam_transmission"),
    "coefficients": ("mass_energy_absorption",),
    "materials": (
        "Layer",
        "Material",
        "get_material",
        "layers_transmission",
        "list_materials",
        "mass_attenuation",
        "register_material",
    ),
    "response": (
        "ETA_LOW",
        "effective_kerma_ugy",
        "emulsion_to_air",
        "film_efficiency",
        "film_response",
        "relative_response",
    ),
    "sensitivity": ("FogSensitivity", "calibrated_fog_kerma_ugy", "first_principles_sensitivity"),
    "shields": ("Shield", "Transmission", "mean_oblique_factor", "transmission", "transmission_curve"),
    "sources": ("Source", "get_source", "list_sources", "register_source", "source_names"),
    "spectra": (
        "Spectrum",
        "air_kerma_ugy",
        "filtered",
        "half_value_layer_mm",
        "kerma_per_mas_ugy",
        "mean_energy_kev",
        "mono_spectrum",
        "spectrum_of",
        "tube_spectrum",
    ),
    "tube": ("dwell_multiplier", "held_passes", "pass_kerma_ugy"),
}

_SUBMODULES = (
    "background",
    "badge",
    "beams",
    "broad_beam",
    "chain",
    "coefficients",
    "constants",
    "live_spectra",
    "materials",
    "registry",
    "response",
    "scatter",
    "sensitivity",
    "shields",
    "sources",
    "spectra",
    "tube",
)

__getattr__, __dir__ = lazy_names(__name__, _HOME, _SUBMODULES)
