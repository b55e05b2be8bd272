"""How strongly film answers to radiation of a given energy, and effective kerma.

*Effective kerma* is the air kerma of the reference beam (140 kVp, 3 mm Al) that
fogs film as much.  Everything that reaches a film is turned into it here.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, elementwise
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.coefficients import mass_energy_absorption
from filmdose.radiation.constants import constant
from filmdose.radiation.spectra import Spectrum, kerma_weights, spectrum_of

__all__ = [
    "ETA_LOW",
    "effective_kerma_ugy",
    "emulsion_to_air",
    "film_efficiency",
    "film_response",
    "relative_response",
]

#: Efficiency below 60 keV over that of hard gamma rays: an inference, 0.30 to 0.65.
ETA_LOW = constant("eta_low")


def rise_of_efficiency(energy: FloatArray) -> FloatArray:
    """Where eta(E) stands between its low (0) and its high end (1)."""
    low, high = constant("eta_low_energy_kev"), constant("eta_high_energy_kev")
    return np.asarray(np.clip(np.log(energy / low) / np.log(high / low), 0.0, 1.0))


@overload
def film_efficiency(energy_kev: Labelled, *, eta_low: float = ...) -> Labelled: ...
@overload
def film_efficiency(energy_kev: Numbers, *, eta_low: float = ...) -> FloatArray: ...
def film_efficiency(energy_kev: Numeric, *, eta_low: float = ETA_LOW) -> Any:
    """Efficiency eta(E) of absorbed energy in making grains developable, 1 for hard gamma rays.

    eta = eta_low up to 60 keV, rising linearly with ln E to 1 at 200 keV

    Parameters
    ----------
    energy_kev
        Photon energy [keV; above 0].
    eta_low
        Efficiency at and below 60 keV [1; 0 to 1].

    Returns
    -------
    float or array
        eta [1], same container.

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    An inference with a wide range (0.30 to 0.65), not a measurement: slow
    electrons spend more energy in a grain than one hit needs, and part of it
    outside the grain. It is chosen so that film over-responds by 20 to 30 at 40
    keV, where measurements (from memory) say 20 to 40.

    Examples
    --------
    >>> film_efficiency([30.0, 60.0, 100.0, 662.0]).round(2).tolist()
    [0.45, 0.45, 0.68, 1.0]
    """

    def kernel(energy: FloatArray, low: FloatArray) -> FloatArray:
        checked = check_array("energy_kev", energy, low=0.0, low_open=True, unit="keV")
        return low + (1.0 - low) * rise_of_efficiency(checked)

    return elementwise(kernel, energy_kev, check_eta(eta_low), units=[("energy_kev", "keV")])


def check_eta(eta_low: Any) -> Any:
    """Return ``eta_low``, a number or an array, when every value lies from 0 to 1."""
    check_array("eta_low", eta_low, low=0.0, high=1.0)
    return eta_low


@overload
def emulsion_to_air(energy_kev: Labelled) -> Labelled: ...
@overload
def emulsion_to_air(energy_kev: Numbers) -> FloatArray: ...
def emulsion_to_air(energy_kev: Numeric) -> Any:
    """Absorbed dose in emulsion per air kerma: ratio of mass energy-absorption coefficients.

    Parameters
    ----------
    energy_kev
        Photon energy [keV; 5 to 10 000].

    Returns
    -------
    float or array
        Ratio [1], same container.

    Raises
    ------
    ArgumentError
        An energy out of range.

    Notes
    -----
    Electron equilibrium is assumed. An emulsion of some 10 um is not much
    thicker than the range of the electrons, so the dose is an upper estimate
    between layers of gelatin.

    References
    ----------
    nist_srd126

    Examples
    --------
    >>> round(emulsion_to_air(60.0), 1)
    54.6
    """
    energy: Any = energy_kev
    return mass_energy_absorption("emulsion", energy) / mass_energy_absorption("air", energy)


@overload
def film_response(energy_kev: Labelled, *, eta_low: float = ...) -> Labelled: ...
@overload
def film_response(energy_kev: Numbers, *, eta_low: float = ...) -> FloatArray: ...
def film_response(energy_kev: Numeric, *, eta_low: float = ETA_LOW) -> Any:
    """Fog per unit air kerma against photon energy: eta(E) times the emulsion-to-air ratio.

    Parameters
    ----------
    energy_kev
        Photon energy [keV; 5 to 10 000].
    eta_low
        Efficiency at and below 60 keV [1; 0 to 1].

    Returns
    -------
    float or array
        Fog per air kerma, over that of a hard gamma ray [1], same container.

    Raises
    ------
    ArgumentError
        A value out of range.

    Examples
    --------
    >>> (film_response([40.0, 60.0, 100.0]) / film_response(662.0)).round(1).tolist()
    [27.7, 23.6, 12.4]
    """
    energy: Any = energy_kev
    return film_efficiency(energy, eta_low=eta_low) * emulsion_to_air(energy)


def response_moments(spectrum: Spectrum) -> tuple[float, float]:
    """Kerma-weighted means of the emulsion-to-air ratio r, and of r times the rise of eta.

    The response for any ``eta_low`` is linear in them: eta_low first + (1 - eta_low) second.
    """
    weights = kerma_weights(spectrum)
    weights = weights / weights.sum()
    ratio = np.asarray(emulsion_to_air(spectrum.energy_kev))
    return float(weights @ ratio), float(weights @ (ratio * rise_of_efficiency(spectrum.energy_kev)))


@lru_cache(maxsize=256)
def beam_moments(beam: Beam) -> tuple[float, float]:
    """:func:`response_moments` of a described beam; computed once and kept."""
    return response_moments(spectrum_of(beam))


def mean_response(moments: tuple[float, float], eta_low: Any) -> Any:
    """Mean of eta times the emulsion-to-air ratio from its moments, for any eta_low (array allowed)."""
    ratio, ratio_rise = moments
    return eta_low * (ratio - ratio_rise) + ratio_rise


def relative_response(beam: Beam | Spectrum, *, eta_low: Any = ETA_LOW) -> Any:
    """Fog per unit air kerma of a beam over that of the reference beam (140 kVp, 3 mm Al).

    Parameters
    ----------
    beam
        A described beam, or a spectrum.
    eta_low
        Efficiency at and below 60 keV [1; 0 to 1]; an array gives an array.

    Returns
    -------
    float or array
        Ratio [1]; an array where ``eta_low`` is one.

    Raises
    ------
    ArgumentError
        An efficiency out of range.

    Examples
    --------
    >>> relative_response(REFERENCE_BEAM)
    1.0
    >>> 1 / relative_response(Beam(energy_kev=662.0)) > 15  # hard gamma rays fog far less
    True
    """
    eta = check_eta(eta_low)
    if beam == REFERENCE_BEAM:
        return eta * 0.0 + 1.0
    moments = response_moments(beam) if isinstance(beam, Spectrum) else beam_moments(beam)
    return mean_response(moments, eta) / mean_response(beam_moments(REFERENCE_BEAM), eta)


@overload
def effective_kerma_ugy(air_kerma_ugy: Labelled, beam: Beam | Spectrum, *, eta_low: float = ...) -> Labelled: ...
@overload
def effective_kerma_ugy(air_kerma_ugy: Numbers, beam: Beam | Spectrum, *, eta_low: float = ...) -> FloatArray: ...
def effective_kerma_ugy(air_kerma_ugy: Numeric, beam: Beam | Spectrum, *, eta_low: float = ETA_LOW) -> Any:
    """Effective kerma [uGy]: air kerma at the film times the beam's relative response.

    Parameters
    ----------
    air_kerma_ugy
        Air kerma at the film [uGy; at least 0].
    beam
        Its quality there, shields included.
    eta_low
        Efficiency at and below 60 keV [1; 0 to 1].

    Returns
    -------
    float or array
        Effective kerma [uGy], same container as ``air_kerma_ugy``.

    Raises
    ------
    ArgumentError
        A value out of range.

    Examples
    --------
    >>> effective_kerma_ugy(5.0, REFERENCE_BEAM)
    5.0
    """
    response = relative_response(beam, eta_low=eta_low)
    said = {"units": "uGy", "long_name": "effective air kerma"}

    def kernel(kerma: FloatArray) -> FloatArray:
        return np.asarray(check_array("air_kerma_ugy", kerma, low=0.0, unit="uGy") * response)

    return elementwise(kernel, air_kerma_ugy, units=[("air_kerma_ugy", "uGy")], name="kerma_ugy", attrs=said)


hold_to_annotations(globals())
