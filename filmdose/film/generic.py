"""A film from nothing but its kind and speed, and the calibration of its fog.

The film data (data/films.toml) are typical values, marked as inference; a
measured film replaces them.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.optimize import brentq
from scipy.special import gammainc

from filmdose.arrays import FloatArray, check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import load_data_toml
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import KINDS, RECORD_NAMES, Film

__all__ = [
    "LogNormalShape",
    "calibrated_hits_per_ugy",
    "film_value",
    "generic_film",
    "generic_speed_range",
    "log_normal_shape",
    "record_value",
]

#: The log-normal of a generic film runs over +-4 standard deviations in 49 classes, fine against the
#: 0.23 log units over which the Poisson threshold of 4 quanta rises.
_CLASS_POSITIONS = np.linspace(-4.0, 4.0, 49)


_ORIGIN = "generic: inference, typical values"


@dataclass(frozen=True, kw_only=True)
class LogNormalShape:
    """Width of a log-normal population and where its two defining densities lie.

    ``spread`` is the standard deviation of z [log units]; ``first_point`` the log10
    exposure of the first density for a population centred on z = 0.
    """

    spread: float
    first_point: float

    def classes(self, net_maximum: float, native_fog: float) -> tuple[FloatArray, FloatArray]:
        """Positions about the centre [log units] and weights c_j [density] of the classes."""
        share = np.exp(-0.5 * _CLASS_POSITIONS**2)
        return self.spread * _CLASS_POSITIONS, share / share.sum() * net_maximum / (1.0 - native_fog)


@cache
def log_normal_shape(
    *, net_maximum: float, quanta: float, first_density: float, second_density: float, log_interval: float
) -> LogNormalShape:
    """Find the log-normal population whose clean curve passes two net densities a given interval apart.

    Parameters
    ----------
    net_maximum
        Greatest density above base plus fog [density].
    quanta
        Q of the light threshold.
    first_density, second_density
        Net densities [0 < first < second < net_maximum].
    log_interval
        Log10 exposure between them [log units, > 0].

    Raises
    ------
    ArgumentError
        No width gives that pair: the curve would have to be steeper than the light threshold itself,
        or flatter than any log-normal with this maximum.

    Notes
    -----
    The curve steepens steadily as the population narrows as long as the second
    density stays below about half of the maximum; of two solutions the narrower
    one, with the shorter toe, is taken.
    """
    if not 0.0 < first_density < second_density < net_maximum:
        raise ArgumentError(
            "second_density",
            (first_density, second_density),
            f"0 < first_density < second_density < net maximum {net_maximum:g}",
        )
    log_q = math.log10(quanta)

    def point(spread: float, net: float) -> float:
        shape = LogNormalShape(spread=spread, first_point=0.0)
        z, c = shape.classes(net_maximum, 0.0)

        def excess(x: float) -> float:
            return float(gammainc(quanta, 10.0 ** (x + z)) @ c) - net

        return float(brentq(excess, log_q - 4.0 * spread - 6.0, log_q + 4.0 * spread + 3.0, xtol=1e-14, rtol=1e-14))

    def interval_error(spread: float) -> float:
        return point(spread, second_density) - point(spread, first_density) - log_interval

    low, high = 0.01, 2.5
    if interval_error(low) > 0 or interval_error(high) < 0:
        raise ArgumentError(
            "log_interval",
            log_interval,
            f"an interval that a log-normal population with net maximum {net_maximum:g} and {quanta:g} quanta can give",
            "Change the gradient, the net maximum or the quanta.",
        )
    spread = float(brentq(interval_error, low, high, xtol=1e-14, rtol=1e-14))
    return LogNormalShape(spread=spread, first_point=point(spread, first_density))


def film_value(section: str, name: str, side: str = "value") -> float:
    """A number of the shipped film data, such as ("bw-negative", "base_density"); "low" or "high" for its range."""
    return float(load_data_toml("films.toml")[section][name][side])


def record_value(kind: str, record: str, name: str) -> float:
    """A number of one record of a generic film: the record's own, or else that of the whole film."""
    section = load_data_toml("films.toml")[kind]
    return float(section.get(record, {}).get(name, section.get(name))["value"])


def calibrated_hits_per_ugy(
    *,
    hit_exponent: float | None = None,
    quanta: float | None = None,
    calibration_kerma_ugy: float | None = None,
) -> float:
    """Calibrate kappa [hits per microgray at z_ref]: the calibration kerma fogs a generic ISO 400 film by 0.02.

    sum_j c_j (1 - p0) (1 - exp(-kappa K 10**(b (z_j - z_ref)))) = 0.02 at K = 25 uGy (range 12 to 50).

    Notes
    -----
    The 25 microgray are filmdose's own calibration ('inference'), not a published
    value; three independent lines agree with it within a factor of two.

    Examples
    --------
    >>> round(calibrated_hits_per_ugy() * 1e4, 2)  # regression value
    6.36
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
    film = _generic_bw_negative(film_value("model", "calibration_speed"), hit_exponent, quanta, 1.0).records[0]
    fog = film_value("model", "calibration_fog")
    hits = float(brentq(lambda m: film.fog_density(math.exp(m)) - fog, -30.0, 10.0, xtol=1e-14))
    return math.exp(hits) / kerma_ugy


def generic_speed_range(kind: str) -> tuple[float, float]:
    """Least and greatest speed [ISO] of the generic film of a kind."""
    if kind not in KINDS:
        raise UnknownNameError("kind", kind, KINDS)
    section = load_data_toml("films.toml")[kind]
    return float(section["speed_low"]), float(section["speed_high"])


def generic_film(
    speed: float,
    *,
    kind: str = "bw-negative",
    hit_exponent: float | None = None,
    quanta: float | None = None,
    hits_per_ugy: float | None = None,
    calibration_kerma_ugy: float | None = None,
) -> Film:
    """Generic film of a kind and ISO speed.

    The centre and width of a log-normal population are chosen so that the clean
    film meets the standard of its speed exactly.  Black-and-white negative, ISO 6:
    density 0.10 above its minimum at H_m = 0.8 / S, and 0.90 above it 1.30 log
    units further right.  Colour negative, ISO 5800: every record 0.15 above its
    minimum at sqrt(2) / S, with the contrast of its kind.  Reversal, ISO 2240:
    every record 0.20 and 2.00 above its minimum at exposures whose geometric mean is 10 / S.

    Parameters
    ----------
    speed
        ISO arithmetic speed [black-and-white negative 25 to 6400, colour negative 25 to 3200,
        colour reversal 25 to 800, black-and-white reversal 25 to 400].
    kind
        One of :data:`filmdose.film.KINDS`.
    hit_exponent, quanta
        b and Q; default from the shipped data.
    hits_per_ugy
        kappa [1/uGy]; default calibrated for the same b and Q.
    calibration_kerma_ugy
        Kerma of the calibration fog [uGy; default 25]; not together with ``hits_per_ugy``.

    Raises
    ------
    ArgumentError
        Speed outside the range of the kind, or a parameter out of range.
    UnknownNameError
        The kind is not known.

    Examples
    --------
    >>> film = generic_film(800)
    >>> round(film.records[0].fog_density(100), 2)  # regression value
    0.12

    References
    ----------
    iso_6, iso_5800, iso_2240
    """
    low, high = generic_speed_range(kind)
    value = check_number(
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
    make = {"bw-negative": _generic_bw_negative, "colour-negative": _generic_colour_negative}
    if kind in make:
        return make[kind](value, b, q, kappa)
    return _generic_reversal(kind, value, b, q, kappa)


def _generic_bw_negative(speed: float, hit_exponent: float, quanta: float, hits_per_ugy: float) -> Film:
    net_maximum = film_value("bw-negative", "net_maximum")
    native_fog = film_value("bw-negative", "native_fog")
    shape = log_normal_shape(
        net_maximum=net_maximum, quanta=float(quanta), first_density=0.10, second_density=0.90, log_interval=1.30
    )
    positions, weights = shape.classes(net_maximum, native_fog)
    centre = shape.first_point - math.log10(0.8 / speed)
    emulsion = Emulsion(
        log_sensitivity=centre + positions,
        weights=weights,
        base_density=film_value("bw-negative", "base_density"),
        native_fog=native_fog,
        quanta=quanta,
        hit_exponent=hit_exponent,
        hits_per_ugy=hits_per_ugy,
        rms_granularity=_granularity("bw-negative", speed, hit_exponent),
    )
    return Film(kind="bw-negative", speed=speed, records=(emulsion,), origin=_ORIGIN)


def _generic_colour_negative(speed: float, hit_exponent: float, quanta: float, hits_per_ugy: float) -> Film:
    kind = "colour-negative"

    def record(name: str) -> Emulsion:
        net_maximum, native_fog = record_value(kind, name, "net_maximum"), record_value(kind, name, "native_fog")
        shape = log_normal_shape(
            net_maximum=net_maximum,
            quanta=float(quanta),
            first_density=0.15,
            second_density=0.15 + record_value(kind, name, "rise_1_30"),
            log_interval=1.30,
        )
        positions, weights = shape.classes(net_maximum, native_fog)
        return Emulsion(
            log_sensitivity=shape.first_point - math.log10(math.sqrt(2.0) / speed) + positions,
            weights=weights,
            base_density=record_value(kind, name, "minimum_density") - native_fog * float(weights.sum()),
            native_fog=native_fog,
            quanta=quanta,
            hit_exponent=hit_exponent,
            hits_per_ugy=hits_per_ugy,
            rms_granularity=_granularity(kind, speed, hit_exponent),
        )

    return Film(kind=kind, speed=speed, records=tuple(record(name) for name in RECORD_NAMES[kind]), origin=_ORIGIN)


def _generic_reversal(kind: str, speed: float, hit_exponent: float, quanta: float, hits_per_ugy: float) -> Film:
    def record(name: str) -> Emulsion:
        net_maximum, native_fog = record_value(kind, name, "net_maximum"), record_value(kind, name, "native_fog")
        interval = record_value(kind, name, "log_interval")
        # The image is what did not develop first, so 2.00 of image is net maximum less 2.00 developed.
        shape = log_normal_shape(
            net_maximum=net_maximum,
            quanta=float(quanta),
            first_density=net_maximum - 2.00,
            second_density=net_maximum - 0.20,
            log_interval=interval,
        )
        positions, weights = shape.classes(net_maximum, native_fog)
        shadow_point = math.log10(10.0 / speed) - 0.5 * interval
        return Emulsion(
            log_sensitivity=shape.first_point - shadow_point + positions,
            weights=weights,
            base_density=record_value(kind, name, "minimum_density"),
            native_fog=native_fog,
            quanta=quanta,
            hit_exponent=hit_exponent,
            hits_per_ugy=hits_per_ugy,
            rms_granularity=_granularity(kind, speed, hit_exponent),
            positive=True,
        )

    return Film(kind=kind, speed=speed, records=tuple(record(name) for name in RECORD_NAMES[kind]), origin=_ORIGIN)


def _granularity(kind: str, speed: float, hit_exponent: float) -> float:
    """Rms granularity at a speed: grain area goes as 10**(2 b z / 3), so its root as speed**(b / 3)."""
    return float(film_value(kind, "rms_granularity") * (speed / 400.0) ** (hit_exponent / 3.0))
