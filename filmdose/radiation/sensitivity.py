"""How much fog a microgray makes, estimated from the physics of grains alone.

The library's own fog sensitivity is calibrated (25 uGy for 0.02 of fog at ISO
400, 14 to 45).  The estimate from first principles uses none of that calibration;
the two are reported side by side.

The slope of density against exposure at low doses has a standard's name, the maximum
x-ray sensitivity coefficient (ASTM F947).  Whoever exposes pieces of a film beside a
badge and reads their densities can determine it: :func:`read_sensitivity`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import FilmdoseError, InputFileError, shown
from filmdose.files import load_data_toml, parse_toml, read_text
from filmdose.radiation.badge import badge_air_kerma
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.constants import constant
from filmdose.radiation.materials import get_material, mass_attenuation
from filmdose.radiation.response import relative_response
from filmdose.radiation.spectra import air_kerma_ugy, spectrum_of
from filmdose.result import Result
from filmdose.units import UGY_PER_MILLIROENTGEN

__all__ = [
    "CALIBRATION_FOG",
    "FogSensitivity",
    "XraySensitivity",
    "calibrated_fog_kerma_ugy",
    "first_principles_sensitivity",
    "parse_sensitivity",
    "read_sensitivity",
]

_CALIBRATION = load_data_toml("films.toml")["model"]

#: Net fog to which the calibrating kerma belongs.
CALIBRATION_FOG = float(_CALIBRATION["calibration_fog"]["value"])

#: Optical density of opaque grains over their covered area: Nutting's log10 e.
NUTTING = math.log10(math.e)


def calibrated_fog_kerma_ugy() -> tuple[float, float, float]:
    """Effective kerma [uGy] for a fog of 0.02 on a generic ISO 400 film: low, typical, high (14, 25, 45).

    Our own calibration; see its mark in films.toml.

    Returns
    -------
    tuple of float
        Low, typical and high [uGy].

    Examples
    --------
    >>> calibrated_fog_kerma_ugy()
    (14.0, 25.0, 45.0)
    """
    row = _CALIBRATION["calibration_kerma"]
    return float(row["low"]), float(row["value"]), float(row["high"])


@dataclass(frozen=True, kw_only=True)
class FogSensitivity(Result):
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
        """First-principles over calibrated kerma for the same fog; far from 1 they disagree."""
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
        Silver coverage [g/m2; above 0]; None takes 5.
    grain_area_um2
        Projected area of a developed grain [um2; above 0]; None takes 0.8.
    grains_per_quantum
        Grains made developable by one absorbed quantum [above 0]; None takes 5.

    Returns
    -------
    FogSensitivity

    Raises
    ------
    ArgumentError
        A value that is not above 0.

    Notes
    -----
    A fast film of generic make; each of the three numbers is uncertain by a
    factor of about two, so the estimate is an order-of-magnitude check. Quanta
    absorbed in gelatin and support, and fluorescence that escapes, are left out.

    References
    ----------
    nutting1913, xraydb

    Examples
    --------
    >>> at_60_kev = first_principles_sensitivity(Beam(energy_kev=60.0))
    >>> f"{at_60_kev.quanta_per_cm2_ugy:.1e}", round(at_60_kev.kerma_ugy)
    ('1.2e+04', 94)
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


# -- measured: the coefficient of ASTM F947 ----------------------------------------------------------------------------

_TOP = {"film": str, "speed": float, "beam": str, "note": str, "exposure": list}
_ROW = {"dose": object, "quantity": str, "density": float}


@dataclass(frozen=True, kw_only=True)
class XraySensitivity(Result):
    """Maximum x-ray sensitivity coefficient of a film: slope of diffuse visual density against exposure.

    Parameters
    ----------
    density_per_ugy
        Slope [1/uGy of air kerma at the film], in the beam that was used.
    standard_error
        Its standard error from the scatter of the readings about the line [1/uGy]; NaN with two readings.
    density_unexposed
        The line's density at no dose [1].
    dose_log_sigma
        Standard deviation of ln(dose) that all readings share, from the badge's quantity [1].
    film, speed
        What film it is, and its ISO speed.
    beam
        Quality of the beam at the film.
    """

    density_per_ugy: float
    standard_error: float
    density_unexposed: float
    dose_log_sigma: float
    film: str
    speed: float
    beam: Beam

    @property
    def density_per_mr(self) -> float:
        """The coefficient as the standard states it [1/mR]."""
        return self.density_per_ugy * UGY_PER_MILLIROENTGEN

    def calibration_kerma_ugy(self, hit_exponent: float) -> float:
        """Effective kerma [uGy] for 0.02 of fog that this film's slope stands for at ISO 400.

        K = 0.02 / slope * (response of the beam) * (speed / 400)**b
        """
        response = float(relative_response(self.beam))
        return CALIBRATION_FOG / self.density_per_ugy * response * math.pow(self.speed / 400.0, hit_exponent)


def read_sensitivity(path: str | Path) -> XraySensitivity:
    """The coefficient from a file of doses and densities; see :func:`parse_sensitivity`.

    Raises
    ------
    InputFileError
        The file cannot be read, is not TOML, or an entry is missing or impossible.
    """
    return parse_sensitivity(read_text(path), name=str(path))


def parse_sensitivity(text: str, *, name: str = "text") -> XraySensitivity:
    """The coefficient from a TOML text: film, speed, beam, and one [[exposure]] for each piece of film.

    Parameters
    ----------
    text
        ``film`` (a name), ``speed`` [ISO], ``beam`` ("140kVp, al=3", at the film), optional ``note``; each
        ``[[exposure]]`` has ``dose`` (a number in uGy or a text such as "5 mR", "0.1 mSv"), ``density`` (diffuse
        visual density) and optionally ``quantity`` (see :func:`filmdose.radiation.badge.badge_air_kerma`). At least
        two different doses; a piece that got none is one of them.
    name
        Of the file, for messages.

    Raises
    ------
    InputFileError
        Not TOML, or an entry is missing or impossible.

    Notes
    -----
    A straight line by least squares. Keep the greatest fog below about 0.1: above, single hits saturate.

    Examples
    --------
    >>> found = parse_sensitivity('''
    ... film = "invented film"
    ... speed = 400
    ... beam = "140kVp, al=3"
    ... [[exposure]]
    ... dose = 0
    ... density = 0.250
    ... [[exposure]]
    ... dose = "5 mR"
    ... density = 0.285
    ... ''')
    >>> round(found.density_per_mr, 4), round(found.calibration_kerma_ugy(0.79))
    (0.007, 25)

    References
    ----------
    astm_f947
    """
    data = parse_toml(text, name)
    _check_fields(name, "", data, _TOP, ("film", "speed", "beam", "exposure"))
    rows: list[Any] = data["exposure"]
    doses, densities, sigma = [], [], 0.0
    for number, row in enumerate(rows, start=1):
        place = f"exposure {number}"
        if not isinstance(row, dict):
            raise InputFileError(name, place, "is not a table.", "Write [[exposure]] and its fields below.")
        _check_fields(name, place, row, _ROW, ("dose", "density"))
        try:
            found = badge_air_kerma(row["dose"], row.get("quantity"))
            dose = check_number("dose", found.air_kerma_ugy, low=0.0, high=1e9, unit="uGy")
            densities.append(check_number("density", row["density"], low=0.0, high=10.0))
        except FilmdoseError as error:
            raise InputFileError(name, place, str(error)) from error
        doses.append(dose)
        sigma = max(sigma, found.log_sigma)
    if len(set(doses)) < 2:
        raise InputFileError(name, "exposure", "must hold at least two different doses.")
    try:
        speed = check_number("speed", data["speed"], low=0.0, low_open=True, unit="ISO")
        beam = Beam.parse(data["beam"])
    except FilmdoseError as error:
        raise InputFileError(name, "", str(error)) from error
    kerma, density = np.array(doses), np.array(densities)
    centred = kerma - kerma.mean()
    slope = float(centred @ density / (centred @ centred))
    if slope <= 0.0:
        raise InputFileError(name, "exposure", "has densities that do not rise with dose.", "Check the pairs.")
    start = float(density.mean() - slope * kerma.mean())
    rest = density - start - slope * kerma
    freedom = len(kerma) - 2
    scatter = math.sqrt(float(rest @ rest) / freedom / float(centred @ centred)) if freedom > 0 else math.nan
    return XraySensitivity(
        density_per_ugy=slope,
        standard_error=scatter,
        density_unexposed=start,
        dose_log_sigma=sigma,
        film=data["film"],
        speed=speed,
        beam=beam,
    )


def _check_fields(name: str, place: str, row: dict[str, Any], allowed: dict[str, Any], needed: tuple[str, ...]) -> None:
    for key, value in row.items():
        if key not in allowed:
            raise InputFileError(name, place, f"field {shown(key)} is not known; allowed are {', '.join(allowed)}.")
        kind = allowed[key]
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not (number if kind is float else isinstance(value, kind)):
            raise InputFileError(name, place, f"field {key!r} has a value of the wrong type.")
    for key in needed:
        if key not in row:
            raise InputFileError(name, place, f"field {key!r} is missing.")


hold_to_annotations(globals())
