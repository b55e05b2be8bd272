"""What walls scatter into the film: the part of an attenuated beam that still arrives, and the published anchor.

One law holds for every material, order and number of layers and 60 to 320 kVp:

    T = [sum w F exp(-tau) (1 + s) / sum w F]**p, never below the narrow beam

w is the air kerma (or the fog) of each energy, tau the optical depth of all layers
together and s the scattered part of it: coherent scatter, the forward half of what
incoherent scatter leaves of the energy, and a quarter of the K fluorescence (half
goes forward, half of that is lost on its slanting way).  1 + s is the linear build-up
factor.

F and p make lead agree with the published broad-beam fits.  Those were made in beams
with fewer soft photons than the shipped spectra behind 3 mm of aluminium: F is the
further aluminium, 0 to 7 mm, that brings 0.25 mm of lead to the fit.  It acts on all
materials alike and hardly on beams that are hard already.  p(kVp, T) takes up the
few percent that are left between 0.1 and 1 mm of lead.  Above 150 kVp, where nothing
is published, F and p keep their last values.

Everything depends on sums over layers, so one sheet equals its two halves.  Scattered
photons are counted with the response of the photon that made them (inference).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
from scipy.interpolate import PchipInterpolator
from scipy.optimize import brentq

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.errors import ArgumentError
from filmdose.radiation.beams import DEFAULT_FILTRATION, Beam
from filmdose.radiation.broad_beam import broad_beam_kvps, broad_beam_transmission
from filmdose.radiation.coefficients import mass_energy_absorption
from filmdose.radiation.materials import (
    ENERGY_RANGE_KEV,
    Layer,
    Material,
    get_material,
    mass_attenuation,
    shipped_coefficients,
)
from filmdose.radiation.response import emulsion_to_air, mean_response, rise_of_efficiency
from filmdose.radiation.spectra import KVP_RANGE, kerma_weights, spectrum_of
from filmdose.result import Result

__all__ = ["Passage", "passage", "scattered_coefficient"]

#: Share of incoherent scatter, and of K fluorescence, that reaches the film (inference; see above).
INCOHERENT_SHARE, FLUORESCENCE_SHARE = 0.5, 0.25

#: Lines below this energy [keV] are stopped by the film's own wrapping (inference).
_SOFTEST_LINE_KEV = 20.0

_ELECTRON_KEV = 510.99895


def _scattered_energy_share(energy: FloatArray) -> FloatArray:
    """Mean energy of a Compton-scattered photon over that of the incoming one (Klein and Nishina, free electron)."""
    a = np.asarray(energy, dtype=np.float64) / _ELECTRON_KEV
    log = np.log1p(2.0 * a)
    total = (1 + a) / a**2 * (2 * (1 + a) / (1 + 2 * a) - log / a) + log / (2 * a) - (1 + 3 * a) / (1 + 2 * a) ** 2
    scattered = (
        log / (a**3)
        + 2 * (1 + a) * (2 * a**2 - 2 * a - 1) / (a**2 * (1 + 2 * a) ** 2)
        + 8 * a**2 / (3 * (1 + 2 * a) ** 3)
    )
    return np.asarray(0.5 * scattered / total)


def _fluorescence(symbol: str, energy: FloatArray) -> FloatArray:
    """Air kerma of an element's K fluorescence over that of the photon absorbed by photoelectric effect."""
    import xraydb  # type: ignore[import-untyped]

    edge = xraydb.xray_edges(symbol).get("K")
    lines = xraydb.xray_lines(symbol, "K")
    if edge is None or not lines or edge.energy < 1e3 * _SOFTEST_LINE_KEV:
        return np.zeros(np.shape(energy))
    weights = np.array([line.intensity for line in lines.values()])
    line_kev = 1e-3 * float(np.average([line.energy for line in lines.values()], weights=weights))
    made = edge.fyield * (1.0 - 1.0 / edge.jump_ratio) * line_kev * float(mass_energy_absorption("air", line_kev))
    share = made / (energy * np.asarray(mass_energy_absorption("air", energy)))
    # Lines that their own wall stops sooner than the beam come from its last part only.
    element = Material(name=symbol, density_g_cm3=1.0, mass_fractions=((symbol, 1.0),))
    own, beams = mass_attenuation(element, line_kev), np.asarray(mass_attenuation(element, energy))
    share = share * np.minimum(beams / own, 1.0)
    return np.where(energy * 1e3 > edge.energy, share, 0.0)


def scattered_coefficient(material: Material | str, energy_kev: FloatArray) -> FloatArray:
    """Part of mu/rho [cm2/g] that is not lost to the film: scatter and fluorescence, by their air kerma.

    mu_s = mu_coh + mu_incoh E'/E / 2 + mu_photo K(E) / 4,   K(E) kerma of the fluorescence over that of the photon

    Parameters
    ----------
    material
        A material or its name.
    energy_kev
        Photon energies [keV; 5 to 800].

    References
    ----------
    xraydb, elam2002
    """
    what = get_material(material) if isinstance(material, str) else material
    energy = np.asarray(energy_kev, dtype=np.float64)
    shipped = shipped_coefficients(what, energy, "scattered")
    if shipped is not None:
        return shipped
    coherent, incoherent = (np.asarray(mass_attenuation(what, energy, interaction=kind)) for kind in ("coh", "incoh"))
    result = coherent + INCOHERENT_SHARE * incoherent * _scattered_energy_share(energy)
    for symbol, fraction in what.mass_fractions:
        element = Material(name=symbol, density_g_cm3=1.0, mass_fractions=((symbol, 1.0),))
        photo = mass_attenuation(element, energy, interaction="photo")
        result = result + FLUORESCENCE_SHARE * fraction * np.asarray(photo) * _fluorescence(symbol, energy)
    return np.asarray(result)


# -- the law -----------------------------------------------------------------------------------------------------------


@lru_cache(maxsize=512)
def _coefficients(material: Material, beam: Beam) -> tuple[FloatArray, FloatArray]:
    energy = spectrum_of(beam).energy_kev
    return np.asarray(mass_attenuation(material, energy)), scattered_coefficient(material, energy)


def _depths(beam: Beam, layers: tuple[Layer, ...]) -> tuple[FloatArray, FloatArray]:
    """Optical depth and scattered depth of a stack at each energy of the beam's spectrum."""
    energy = spectrum_of(beam).energy_kev
    high = ENERGY_RANGE_KEV[1]
    if energy[-1] > high:
        raise ArgumentError("beam", str(beam), f"a photon energy up to {high:g} keV", "No shield is credited above.")
    depth, scattered = np.zeros(energy.shape), np.zeros(energy.shape)
    for layer in layers:
        attenuation, scatter = _coefficients(layer.resolved, beam)
        depth = depth + layer.mass_thickness_g_cm2 * attenuation
        scattered = scattered + layer.mass_thickness_g_cm2 * scatter
    return depth, scattered


@lru_cache(maxsize=128)
def _weights(beam: Beam) -> tuple[FloatArray, FloatArray]:
    """Air kerma of each energy, adding up to 1, and its responses: 1, emulsion to air, that times eta's rise."""
    spectrum = spectrum_of(beam)
    weights = kerma_weights(spectrum)
    ratio = np.asarray(emulsion_to_air(spectrum.energy_kev))
    responses = np.stack([np.ones(ratio.shape), ratio, ratio * rise_of_efficiency(spectrum.energy_kev)], axis=1)
    return weights / weights.sum(), responses


#: Lead for which the published fits are met, and the thickness that F is chosen by [mm].
_LEAD_MM = np.geomspace(0.1, 3.0, 40)
_MEETING_MM = 0.25
_MOST_FILTER_G_CM2 = 4.0
_TINY = 1e-300


@lru_cache(maxsize=64)
def _lead_anchor(tube_kvp: float) -> tuple[float, FloatArray, Callable[[float], Any]]:
    """For lead in a beam of the usual filtration: F [g/cm2 of aluminium]; where p is given, against -ln T; and p."""
    beam = Beam(tube_kvp=tube_kvp, filtration=DEFAULT_FILTRATION)
    lead, aluminium = get_material("lead"), get_material("aluminium")
    attenuation, scatter = (c * lead.density_g_cm3 / 10.0 for c in _coefficients(lead, beam))
    further, _ = _coefficients(aluminium, beam)
    weights, _ = _weights(beam)

    def model(thickness_mm: FloatArray, filter_g_cm2: float) -> FloatArray:
        hardened = weights * np.exp(-filter_g_cm2 * further)
        through = np.exp(-np.multiply.outer(thickness_mm, attenuation)) * (1 + np.multiply.outer(thickness_mm, scatter))
        return np.asarray(-np.log(through @ hardened / hardened.sum()))

    def published(thickness_mm: float) -> float:
        return -float(np.log(broad_beam_transmission("lead", thickness_mm, tube_kvp) or 1.0))

    def miss(filter_g_cm2: float) -> float:
        return float(model(np.array([_MEETING_MM]), filter_g_cm2)[0]) - published(_MEETING_MM)

    filter_g_cm2 = float(brentq(miss, 0.0, _MOST_FILTER_G_CM2)) if miss(0.0) > 0.0 else 0.0
    depths = model(_LEAD_MM, filter_g_cm2)
    exponents = np.array([published(float(x)) for x in _LEAD_MM]) / depths
    return filter_g_cm2, depths[[0, -1]], PchipInterpolator(depths, exponents)


def _anchor(beam: Beam) -> tuple[float, Callable[[float], float]]:
    """F and p of a beam; one energy needs neither."""
    if beam.tube_kvp is None:
        return 0.0, lambda lost: 1.0
    kvps = broad_beam_kvps("lead")
    kvp = float(np.clip(beam.tube_kvp, max(kvps[0], KVP_RANGE[0]), kvps[-1]))
    filter_g_cm2, ends, exponent = _lead_anchor(kvp)
    return filter_g_cm2, lambda lost: float(exponent(min(max(lost, ends[0]), ends[1])))


@dataclass(frozen=True, kw_only=True)
class Passage(Result):
    """What comes through a stack of layers: each figure over that of the open beam.

    Parameters
    ----------
    narrow_kerma
        Air kerma, narrow beam [1].
    broad_kerma
        Air kerma with what the layers scatter [1].
    narrow_moments
        Sums of w r exp(-tau) and w r rise exp(-tau): fog in the narrow beam is linear in them for any eta_low; see
        :func:`filmdose.radiation.response.mean_response`.
    broad_moments
        The same with scatter.
    """

    narrow_kerma: float
    broad_kerma: float
    narrow_moments: tuple[float, float]
    broad_moments: tuple[float, float]


@lru_cache(maxsize=8192)
def passage(beam: Beam, layers: tuple[Layer, ...]) -> Passage:
    """Air kerma and response moments of a beam behind a stack of layers, narrow and with scatter.

    Parameters
    ----------
    beam
        The open beam.
    layers
        All that stands between it and the film, in any order.

    Raises
    ------
    ArgumentError
        A beam outside the tables of spectra (60 to 320 kVp) or of cross sections (1 to 800 keV).

    References
    ----------
    ncrp147, archer1983, xraydb
    """
    weights, responses = _weights(beam)
    if not any(layer.thickness_mm > 0.0 for layer in layers):
        _, first, second = (float(x) for x in weights @ responses)
        return Passage(narrow_kerma=1.0, broad_kerma=1.0, narrow_moments=(first, second), broad_moments=(first, second))
    depth, scattered = _depths(beam, layers)
    open_beam = weights @ responses
    narrow = (weights * np.exp(-depth)) @ responses
    filter_g_cm2, exponent = _anchor(beam)
    hardened = (
        weights if filter_g_cm2 == 0.0 else weights * np.exp(-filter_g_cm2 * _coefficients(get_material("al"), beam)[0])
    )
    # What comes through of each moment, times the open beam's own: a wall of nothing changes nothing.
    behind = (hardened * np.exp(-depth) * (1.0 + scattered)) @ responses
    model = np.divide(open_beam * behind, hardened @ responses, out=np.zeros(3), where=open_beam > 0.0)
    lost = -float(np.log(max(model[0], _TINY)))
    # p is that of air kerma; fog behind the wall keeps its share of it.
    lift = float(np.exp((1.0 - exponent(lost)) * lost))
    broad = np.clip(model * lift, narrow, open_beam)
    return Passage(
        narrow_kerma=float(narrow[0]),
        broad_kerma=float(broad[0]),
        narrow_moments=(float(narrow[1]), float(narrow[2])),
        broad_moments=(float(broad[1]), float(broad[2])),
    )


def fog_through(passed: Passage, beam: Beam, eta_low: float, *, narrow: bool = False) -> float:
    """Fog behind a stack over that of the open beam [1], for one efficiency below 60 keV."""
    moments = passed.narrow_moments if narrow else passed.broad_moments
    return float(mean_response(moments, eta_low) / mean_response(passage(beam, ()).narrow_moments, eta_low))


hold_to_annotations(globals())
