"""A film from nothing but its kind and speed, and the calibration of its fog.

The film data (data/films.toml) are typical values, chosen on one half of a set of
makers' published curves; a measured film replaces them.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import replace
from functools import cache

import numpy as np
from scipy.optimize import brentq

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.everyday import known_kind
from filmdose.files import load_data_toml
from filmdose.film.emulsion import REFERENCE_LOG_SENSITIVITY, Emulsion
from filmdose.film.model import Film
from filmdose.film.population import CONTRAST_RANGE, TOE_RANGE, film_value, population_rows, record_value
from filmdose.names import Kind
from filmdose.standards import ISO6_CONSTANT, ISO2240_CONSTANT, ISO5800_CONSTANT, KINDS, RECORD_NAMES
from filmdose.words import BOX_SPEEDS

__all__ = [
    "box_speed_notes",
    "calibrated_hits_per_ugy",
    "film_value",
    "generic_film",
    "generic_granularity",
    "generic_speed_range",
    "is_typical",
    "population_rows",
    "record_value",
    "reference_noise_floor",
]

_ORIGIN = "generic: inference, typical values"


def calibrated_hits_per_ugy(
    *,
    hit_exponent: float | None = None,
    quanta: float | None = None,
    calibration_kerma_ugy: float | None = None,
) -> float:
    """Calibrate kappa [hits per microgray at z_ref]: the calibration kerma fogs a generic ISO 400 film by 0.02.

    sum_j c_j (1 - p0) (1 - exp(-kappa K 10**(b (z_j - z_ref)))) = 0.02 at K = 25 uGy (range 14 to 45).

    Parameters
    ----------
    hit_exponent
        b [0 to 2]; the shipped one when None.
    quanta
        Q [at least 1]; the shipped one when None.
    calibration_kerma_ugy
        K of the equation above [uGy; above 0]; 25 when None.

    Returns
    -------
    float
        kappa [1/uGy].

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    The 25 microgray are filmdose's own calibration ('inference'), not a published
    value; three independent lines agree with it within a factor of two.

    Examples
    --------
    >>> round(calibrated_hits_per_ugy() * 1e4, 2)  # regression value
    7.01
    """
    b = film_value("model", "hit_exponent") if hit_exponent is None else hit_exponent
    q = film_value("model", "quanta") if quanta is None else quanta
    kerma = film_value("model", "calibration_kerma") if calibration_kerma_ugy is None else calibration_kerma_ugy
    return _calibrate(
        check_number("hit_exponent", b, low=0.0, high=2.0),
        check_number("quanta", q, low=1.0, high=100.0),
        check_number("calibration_kerma_ugy", kerma, low=0.0, low_open=True, unit="uGy"),
    )


@cache
def _calibrate(hit_exponent: float, quanta: float, kerma_ugy: float) -> float:
    record = replace(_calibration_record(quanta), hit_exponent=hit_exponent)
    fog = film_value("model", "calibration_fog")
    hits = float(brentq(lambda m: float(record._fog_of(np.array(math.exp(m)))) - fog, -30.0, 10.0, xtol=1e-14))
    return math.exp(hits) / kerma_ugy


@cache
def _calibration_record(quanta: float) -> Emulsion:
    film = generic_film(film_value("model", "calibration_speed"), quanta=quanta, hits_per_ugy=1.0)
    return film.records[0]


def is_typical(film: Film) -> bool:
    """True for a film that stands for all of its kind and speed, whose toe and contrast are therefore not known.

    Parameters
    ----------
    film
        The film.

    Returns
    -------
    bool

    Examples
    --------
    >>> is_typical(generic_film(400)), is_typical(generic_film(400, contrast=1.2))
    (True, False)
    """
    return film.origin == _ORIGIN and film.measured_range is None


#: From this speed on many numbers on boxes are no ISO speeds [ISO].
DOUBTFUL_SPEED = 1600.0


def box_speed_notes(films: Iterable[Film]) -> tuple[str, ...]:
    """What to say of films that stand for all of a box speed so fast that it may be an exposure index.

    Parameters
    ----------
    films
        Films of one output.

    Returns
    -------
    tuple of str
        One sentence or none.

    Examples
    --------
    >>> len(box_speed_notes([generic_film(400)])), len(box_speed_notes([generic_film(3200)]))
    (0, 1)
    """
    doubtful = any(is_typical(film) and film.speed >= DOUBTFUL_SPEED for film in films)
    return (BOX_SPEEDS,) if doubtful else ()


def _known(kind: str) -> str:
    name = known_kind(kind)
    if name not in KINDS:
        raise UnknownNameError("kind", name, KINDS)
    return name


def generic_speed_range(kind: Kind) -> tuple[float, float]:
    """Least and greatest speed [ISO] of the generic film of a kind, or of an everyday word for it.

    Parameters
    ----------
    kind
        Kind of film.

    Returns
    -------
    tuple of float
        Least and greatest [ISO].

    Raises
    ------
    UnknownNameError
        A kind that is not known.

    Examples
    --------
    >>> generic_speed_range("colour-reversal")
    (25.0, 800.0)
    """
    section = load_data_toml("films.toml")[_known(kind)]
    return float(section["speed_low"]), float(section["speed_high"])


def generic_film(
    speed: float,
    *,
    kind: Kind = "bw-negative",
    toe: float | None = None,
    contrast: float = 1.0,
    hit_exponent: float | None = None,
    quanta: float | None = None,
    hits_per_ugy: float | None = None,
    calibration_kerma_ugy: float | None = None,
) -> Film:
    """Generic film of a kind and ISO speed.

    Its flat-topped population (:func:`filmdose.film.population.population_rows`) is such that the clean film meets
    the standard of its speed exactly.  Black-and-white negative, ISO 6: density 0.10 above its minimum at
    H_m = 0.8 / S, and 0.90 above it 1.30 log units further right.  Colour negative, ISO 5800: the
    records are 0.15 above their minima at exposures that make H_m = sqrt(H_green H_slowest) = sqrt(2) / S, the blue
    one a little before the others as on the sheets, with the contrast of its kind.  Reversal, ISO 2240: every record
    0.20 and 2.00 above its minimum at exposures whose geometric mean is 10 / S.

    Parameters
    ----------
    speed
        ISO arithmetic speed [black-and-white negative 25 to 6400, colour negative 25 to 3200,
        colour reversal 25 to 800, black-and-white reversal 25 to 400].
    kind
        One of :data:`filmdose.film.KINDS`.
    toe
        Width of the population's fast edge [log units; 0.10 to 0.60, reversal 0.08 to 0.40]; default that of the kind.
    contrast
        Factor on the typical gradient [1; 0.55 to 1.80, reversal 0.80 to 1.25].  Any but 1 is another development
        than the standard's.
    hit_exponent, quanta
        b and Q; default from the shipped data.
    hits_per_ugy
        kappa [1/uGy]; default calibrated for the same b and Q.
    calibration_kerma_ugy
        Kerma of the calibration fog [uGy; default 25]; not together with ``hits_per_ugy``.

    Returns
    -------
    Film

    Raises
    ------
    ArgumentError
        Speed outside the range of the kind, or a parameter out of range.
    UnknownNameError
        The kind is not known.

    References
    ----------
    iso_6, iso_5800, iso_2240

    Examples
    --------
    >>> film = generic_film(800)
    >>> round(film.records[0].fog_density(100), 2)  # regression value
    0.13
    """
    kind = known_kind(kind)
    low, high = generic_speed_range(kind)
    iso = check_number(
        "speed",
        speed,
        low=low,
        high=high,
        unit="ISO",
        action=f"That is the range of the generic {kind} film; give a measured film for anything else.",
    )
    if hits_per_ugy is not None and calibration_kerma_ugy is not None:
        raise ArgumentError("hits_per_ugy", hits_per_ugy, "either hits_per_ugy or calibration_kerma_ugy, not both")
    b = film_value("model", "hit_exponent") if hit_exponent is None else hit_exponent
    q = film_value("model", "quanta") if quanta is None else quanta
    kappa = hits_per_ugy
    if kappa is None:
        kappa = calibrated_hits_per_ugy(hit_exponent=b, quanta=q, calibration_kerma_ugy=calibration_kerma_ugy)
    reversal = kind.endswith("reversal")
    for name, value, (least, most) in (
        ("toe", toe, TOE_RANGE[reversal]),
        ("contrast", contrast, CONTRAST_RANGE[reversal]),
    ):
        if value is not None:
            check_number(name, value, low=least, high=most)
    shadow_point = _log_shadow_point(kind, iso)

    def record(name: str) -> Emulsion:
        width = record_value(kind, name, "toe_width") if toe is None else toe
        z, weights = population_rows(kind, name, toe=np.array([width]), contrast=np.array([contrast]), quanta=float(q))
        native_fog = record_value(kind, name, "native_fog")
        alpha = record_value(kind, name, "area_exponent")
        least = record_value(kind, name, "minimum_density")
        if reversal:
            point = shadow_point - 0.5 * record_value(kind, name, "log_interval") / contrast
        elif kind == "colour-negative":
            point = shadow_point + record_value(kind, name, "speed_point_offset")
        else:
            point = shadow_point
        return Emulsion(
            log_sensitivity=z - point,
            weights=weights[0],
            base_density=least if reversal else least - native_fog * float(weights.sum()),
            native_fog=native_fog,
            quanta=q,
            hit_exponent=b,
            hits_per_ugy=kappa,
            rms_granularity=generic_granularity(kind, iso),
            positive=reversal,
            area_exponent=alpha,
            dye_saturation=record_value(kind, name, "dye_saturation"),
            noise_floor=record_value(kind, name, "noise_floor")
            * 10.0 ** (alpha * (-point - REFERENCE_LOG_SENSITIVITY)),
            cluster_grains=film_value("granularity", "cluster_grains"),
        )

    origin = _ORIGIN if toe is None and contrast == 1.0 else "generic: toe or contrast given"
    return Film(kind=kind, speed=iso, records=tuple(record(name) for name in RECORD_NAMES[kind]), origin=origin)


def _log_shadow_point(kind: str, speed: float) -> float:
    """log10 exposure of the speed point; of reversal film the mean of its two points."""
    exposure = {"bw-negative": ISO6_CONSTANT, "colour-negative": ISO5800_CONSTANT}.get(kind, ISO2240_CONSTANT)
    return math.log10(exposure / speed)


def reference_noise_floor(
    floor: float, area_exponent: float, log_shadow_exposure: float, reference: float = REFERENCE_LOG_SENSITIVITY
) -> float:
    """v of an emulsion, in units of a grain at z_ref, from v in units of a grain at the shadow point log10 H_m.

    Parameters
    ----------
    floor
        v over the grain at the shadow point [density; at least 0].
    area_exponent
        alpha of the emulsion [-1 to 2].
    log_shadow_exposure
        log10 H_m of the shadow point [log10 lx s].
    reference
        z_ref [log10 1/(lx s)].

    Returns
    -------
    float
        v over the grain at z_ref [density].

    Raises
    ------
    ArgumentError
        A value out of range.

    Examples
    --------
    >>> round(reference_noise_floor(0.01, 0.5, -2.6, reference=2.6), 6)
    0.01
    """
    check_number("log_shadow_exposure", log_shadow_exposure, low=-12.0, high=6.0, unit="log10 lx s")
    check_number("reference", reference, low=-6.0, high=12.0, unit="log10 1/(lx s)")
    return float(floor * 10.0 ** (area_exponent * (-log_shadow_exposure - reference)))


def generic_granularity(kind: Kind, speed: float) -> float:
    """Rms granularity of the generic film of a kind at a speed [ISO], as speed to the power of the sheets.

    Parameters
    ----------
    kind
        Kind of film.
    speed
        Speed [ISO; above 0].

    Returns
    -------
    float
        1000 times the standard deviation of density through a 48 um aperture [1].

    Raises
    ------
    ArgumentError, UnknownNameError
        A speed that is not above 0; a kind that is not known.

    Examples
    --------
    >>> round(generic_granularity("bw-negative", 400), 1)
    14.0
    """
    value = check_number("speed", speed, low=0.0, low_open=True, unit="ISO")
    return float(
        film_value(_known(kind), "rms_granularity") * (value / 400.0) ** film_value("granularity", "speed_exponent")
    )


hold_to_annotations(globals())
