"""From step readings to a film of any kind: its records fitted, anchored and rated.

Each record is fitted by itself (:mod:`filmdose.film.recordfit`); here they become a film with a speed, an axis, the
noise of its grain, and what the readings leave open.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from typing import Any, Literal

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, UnknownNameError, ValidityWarning
from filmdose.film.curves import Curve
from filmdose.film.fitresult import FilmFit, RecordFit
from filmdose.film.generic import film_value, generic_granularity, record_value
from filmdose.film.model import Film
from filmdose.film.noisefit import GranularityReadings, fit_noise, typical_noise
from filmdose.film.readings import StepReadings
from filmdose.film.recordfit import fit_emulsion
from filmdose.names import Kind
from filmdose.sensitometry import contrast_index, delta_x_speed, iso6, iso2240, iso5800, mean_gradient, rise
from filmdose.standards import ISO2240_SHADOW, ISO5800_SPEED_POINT, KINDS, RECORD_NAMES, SPEED_POINT

__all__ = ["FilmFit", "RecordFit", "fit_curve", "fit_emulsion", "fit_film"]

#: The number of quanta stays that of generic films while it fits to this [density]; steeper corners, as the
#: couplers of colour reversal film make them, take one of the others (inference).
GOOD_FIT = 0.003
QUANTA_CANDIDATES = (8.0, 16.0)


def fit_film(
    readings: StepReadings,
    *,
    kind: Kind = "bw-negative",
    speed: float | None = None,
    axis: Literal["absolute", "relative"] | None = None,
    base_density: float | Mapping[str, float] | None = None,
    unexposed_density: float | Mapping[str, float] | None = None,
    rms_granularity: float | None = None,
    granularity: GranularityReadings | Mapping[str, GranularityReadings] | None = None,
    quanta: float | None = None,
    hit_exponent: float | None = None,
    hits_per_ugy: float | None = None,
    smoothing: float | None = None,
    name: str = "",
    origin: str = "measured steps",
) -> FilmFit:
    """Film of any kind from the readings of a step tablet.

    Parameters
    ----------
    readings
        Log exposures and densities, one record ("visual") or three; at least six exposures.
    kind
        "bw-negative", "colour-negative", "colour-reversal" or "bw-reversal".
    speed
        Rated speed [ISO; above 0].  It anchors a relative log exposure: the axis is shifted so that
        the fitted curve has this speed by the standard of its kind.
    axis
        "absolute": log exposures are log10 lux seconds.  "relative": their zero is not known.
        When left out, relative with a speed and absolute without.
    base_density
        Density of the support, of all records or by record; separates native fog from base.
        Without it native fog is taken from the generic film, and said so.
    unexposed_density
        Density of developed film that got no exposure, such as its edge: base plus fog of a negative,
        greatest density of a reversal film.  It makes a toe (a shoulder) that the steps miss known.
    rms_granularity
        1000 times the rms density through a 48 um aperture; a step tablet does not show it, so
        that of the generic film is taken when left out.
    granularity
        Standard deviations of density at several densities, of one record (the only one, or the green) or by record:
        the noise law is fitted to them instead of being taken from the kind.  Not together with ``rms_granularity``.
    quanta, hit_exponent, hits_per_ugy
        Q, b and kappa of the grains; default as for generic films, Q of 8 or 16 where 4 does not fit.
    smoothing
        lambda; chosen by generalised cross-validation when left out.
    name, origin
        For the film.

    Returns
    -------
    The film and what the readings say about it.

    Raises
    ------
    ArgumentError
        Too few steps, readings that fall where they should rise by more than their noise, a record
        that is missing, a base denser than the film, a relative axis without a speed.
    UnknownNameError
        The kind is not known.

    Warns
    -----
    ValidityWarning
        The readings do not reach the toe or the shoulder.

    Notes
    -----
    Each message of the result says something that was assumed or is not known.
    A reversal film of three records is rated on its green record, which is near
    visual density (inference).

    Examples
    --------
    Readings of a generic film give that film back:

    >>> import numpy as np
    >>> from filmdose.film.generic import generic_film
    >>> steps = np.arange(39) * 0.15 - 4.3
    >>> read = StepReadings(
    ...     log_exposure=steps, densities={"visual": generic_film(400).records[0].density(steps)}
    ... )
    >>> fit = fit_film(read)
    >>> fit.rms_density < 0.001, abs(fit.speed["iso6"] / 400 - 1) < 0.01
    (True, True)

    References
    ----------
    golub1979
    """
    taken, rated = _checked_axis(kind, readings, speed, axis)
    if granularity is not None and rms_granularity is not None:
        raise ArgumentError("rms_granularity", rms_granularity, "left out when granularity readings are given")
    names = RECORD_NAMES[kind]
    exponent = film_value("model", "hit_exponent") if hit_exponent is None else hit_exponent

    def fitted(grain_quanta: float) -> list[RecordFit]:
        return [
            fit_emulsion(
                readings.log_exposure,
                readings.densities[record],
                sigma=readings.sigma,
                positive=kind.endswith("reversal"),
                base_density=_of_record(base_density, record),
                unexposed_density=_of_record(unexposed_density, record),
                assumed_native_fog=record_value(kind, record, "native_fog"),
                rms_granularity=film_value(kind, "rms_granularity") if rms_granularity is None else rms_granularity,
                quanta=grain_quanta,
                hit_exponent=exponent,
                hits_per_ugy=hits_per_ugy,
                smoothing=smoothing,
                record=record,
            )
            for record in names
        ]

    fits, messages = _with_fitting_quanta(fitted, quanta)
    shift = 0.0
    if taken == "relative":
        assert rated is not None
        fits, shift = _anchored(kind, fits, rated)
        messages.append(
            f"Log exposure is relative: it was shifted by {shift:+.3f} so that the speed by {KINDS[kind]} is the "
            f"rated {rated:g}. A true speed that differs from the rated one is not seen."
        )
    measured, point = _standard_speed(kind, fits)
    of_speed = rated if rated is not None else _three_digits(measured)
    by_record = granularity if isinstance(granularity, Mapping) else {_main_name(names): granularity}
    fits, said = _with_noise(kind, fits, by_record, shift, rms_granularity, of_speed)
    messages += said
    if base_density is None and not kind.endswith("reversal"):
        messages.append(
            f"No base density was given: native fog is taken as {fits[0].emulsion.native_fog:.2g} of the grains, "
            "as in a generic film, and the rest of the least density as base."
        )
    doubts = _what_is_missing(fits)
    if taken == "absolute" and rated is not None:
        messages.append(f"The measured speed is {measured:.0f}, the rated one {rated:g}.")
    if taken == "absolute" and not 1.0 <= measured <= 25_000.0:
        doubts.append(
            f"An absolute log exposure gives this film a speed of {measured:.3g}: the axis looks relative. "
            "Give the rated speed to anchor it."
        )
    for doubt in doubts:
        warnings.warn(doubt, ValidityWarning, stacklevel=2)
    main = next(fit for fit in fits if fit.record == _main_name(names))
    film = Film(
        kind=kind,
        speed=of_speed,
        records=tuple(fit.emulsion for fit in fits),
        name=name,
        origin=origin,
        measured_range=(float(readings.log_exposure.min()) + shift, float(readings.log_exposure.max()) + shift),
    )
    return FilmFit(
        film=film,
        records=tuple(fits),
        axis=taken,
        log_exposure_shift=shift,
        log_speed_point=point,
        messages=(*messages, *doubts, *_falls(fits), main.errors.sentence(main.record)),
        **_contrast(kind, main, measured),
    )


def _checked_axis(
    kind: str, readings: StepReadings, speed: float | None, axis: str | None
) -> tuple[Literal["absolute", "relative"], float | None]:
    """How log exposure is taken, and the rated speed."""
    if kind not in KINDS:
        raise UnknownNameError("kind", kind, KINDS)
    rated = None if speed is None else check_number("speed", speed, low=0.0, low_open=True, unit="ISO")
    if axis not in (None, "absolute", "relative"):
        raise UnknownNameError("axis", axis, ("absolute", "relative"))
    relative = axis == "relative" or (axis is None and rated is not None)
    if relative and rated is None:
        raise ArgumentError("speed", None, "the rated speed of the film", "A relative log exposure needs it as anchor.")
    names = RECORD_NAMES[kind]
    if any(record not in readings.densities for record in names):
        raise ArgumentError(
            "readings",
            f"records {', '.join(readings.records)}",
            f"densities of {', '.join(names)} for a {kind} film",
            "Choose the kind that was read, or name the columns density_red, density_green, density_blue.",
        )
    return "relative" if relative else "absolute", rated


def _with_fitting_quanta(
    fitted: Callable[[float], list[RecordFit]], quanta: float | None
) -> tuple[list[RecordFit], list[str]]:
    """The fits with the quanta of generic films, or with more where those do not fit; and what to say of it."""
    usual = film_value("model", "quanta")
    fits = fitted(usual if quanta is None else quanta)
    if quanta is not None or max(fit.rms_density for fit in fits) <= GOOD_FIT:
        return fits, []
    tried = {usual: fits} | {candidate: fitted(candidate) for candidate in QUANTA_CANDIDATES}
    score = {q: float(np.mean([math.log(max(fit.gcv, 1e-12)) for fit in group])) for q, group in tried.items()}
    chosen = min(q for q in tried if score[q] <= min(score.values()) + math.log(2.0))
    if chosen == usual:
        return fits, []
    text = f"{chosen:g} quanta for a grain fit these readings better than the {usual:g} of generic films."
    return tried[chosen], [text]


def _anchored(kind: str, fits: list[RecordFit], rated: float) -> tuple[list[RecordFit], float]:
    """The fits shifted so that their speed is the rated one, and the shift [log10 units]."""
    shift = math.log10(_standard_speed(kind, fits)[0] / rated)
    if math.isnan(shift):
        raise ArgumentError(
            "readings", "no speed point", f"readings that reach the speed point of {KINDS[kind]}", "Read more steps."
        )
    return [_shifted(fit, shift) for fit in fits], shift


def _with_noise(
    kind: Kind,
    fits: list[RecordFit],
    granularity: Mapping[str, GranularityReadings | None],
    shift: float,
    rms_granularity: float | None,
    speed: float,
) -> tuple[list[RecordFit], list[str]]:
    """The fits with the noise that was read, or else with that of their kind; and what to say of it."""
    result, messages = [], []
    for record in granularity:
        if record not in RECORD_NAMES[kind]:
            raise UnknownNameError("granularity", record, RECORD_NAMES[kind])
    for fit in fits:
        shadow = _shadow_point(kind, fit)
        emulsion = typical_noise(fit.emulsion, kind, fit.record, shadow)
        read = granularity.get(fit.record)
        if read is not None:
            if read.log_exposure is not None:
                read = replace(read, log_exposure=read.log_exposure + shift)
            emulsion, scatter = fit_noise(emulsion, read, kind=kind, record=fit.record, log_shadow_exposure=shadow)
            messages.append(
                f"The noise of the {fit.record} record follows {read.sigma.size} readings within {100 * scatter:.0f} % "
                f"rms: rms granularity {emulsion.rms_granularity:.1f}."
            )
        elif rms_granularity is None:
            emulsion = replace(emulsion, rms_granularity=generic_granularity(kind, speed))
        result.append(replace(fit, emulsion=emulsion))
    if rms_granularity is None and not any(granularity.values()):
        assumed = result[0].emulsion.rms_granularity
        messages.append(f"A step tablet does not show grain: rms granularity {assumed:.1f} is that of a generic film.")
    return result, messages


def _shadow_point(kind: str, fit: RecordFit) -> float:
    """log10 exposure of a record's own shadow point; of the middle of its curve where that is not reached."""
    curve = fit.emulsion.curve()
    net = ISO2240_SHADOW if fit.emulsion.positive else SPEED_POINT[kind]
    point = float(curve.inverse(curve.minimum_density + net))
    if math.isnan(point):
        point = float(curve.inverse(0.5 * (curve.minimum_density + curve.maximum_density)))
    return point


def _main_name(names: Sequence[str]) -> str:
    """The record that stands for the film: the only one, or the green one."""
    return "green" if "green" in names else names[0]


def _three_digits(speed: float) -> float:
    """A measured speed as a film carries it; a curve without a speed point cannot make a film."""
    if math.isnan(speed):
        raise ArgumentError(
            "readings", "no speed point", "readings that reach the speed point of the standard", "Read more steps."
        )
    return float(f"{speed:.3g}")


def _of_record(value: float | Mapping[str, float] | None, record: str) -> float | None:
    return value.get(record) if isinstance(value, Mapping) else value


# -- what the readings say -----------------------------------------------------------------------------------


def _standard_speed(kind: str, fits: Sequence[RecordFit]) -> tuple[float, float]:
    """Speed by the standard of the kind, and log10 exposure of its speed point."""
    curves = {fit.record: fit.emulsion.curve() for fit in fits}
    if kind == "bw-negative":
        bw = iso6(curves["visual"])
        return bw.speed, bw.log_speed_point
    if kind == "colour-negative":
        colour = iso5800(**curves)
        return colour.speed, max(colour.log_red, colour.log_green, colour.log_blue)
    slide = iso2240(curves.get("green", curves.get("visual", next(iter(curves.values())))))
    return slide.speed, 0.5 * (slide.log_highlight_point + slide.log_shadow_point)


def _shifted(fit: RecordFit, shift: float) -> RecordFit:
    """The same fit on a log-exposure axis moved by ``shift``: grains are less sensitive by as much."""
    emulsion = replace(fit.emulsion, log_sensitivity=fit.emulsion.log_sensitivity - shift)
    errors = replace(fit.errors, next_log_exposure=fit.errors.next_log_exposure + shift)
    return replace(fit, emulsion=emulsion, log_exposure=fit.log_exposure + shift, errors=errors)


def _what_is_missing(fits: Sequence[RecordFit]) -> list[str]:
    """Sentences about what the readings do not show, each worth a warning."""
    messages = []
    for fit in fits:
        if not fit.toe_reached:
            messages.append(
                f"The {fit.record} readings do not reach the toe: base plus fog and the speed point are extrapolated. "
                "Read steps with less exposure, or the unexposed edge."
                if not fit.emulsion.positive
                else f"The {fit.record} readings do not reach the toe: least density and the highlight point are "
                "extrapolated. Read steps with more exposure."
            )
        if not fit.shoulder_reached:
            messages.append(
                f"The {fit.record} readings do not reach the shoulder: density beyond the last step is a guess, "
                "and highlights are not held to it. Read steps with more exposure."
                if not fit.emulsion.positive
                else f"The {fit.record} readings do not reach the shoulder: greatest density is a guess. "
                "Read steps with less exposure."
            )
        if fit.levelled > 0.0:
            messages.append(
                f"The {fit.record} readings run against the curve by more than their noise: they were levelled by up "
                f"to {fit.levelled:.4f} density."
            )
    return messages


def _falls(fits: Sequence[RecordFit]) -> list[str]:
    return [
        f"{fit.falls} of the {fit.record} readings run against the curve; that was taken as noise."
        for fit in fits
        if fit.falls and not fit.levelled
    ]


def _contrast(kind: str, main: RecordFit, measured: float) -> dict[str, Any]:
    curve = main.emulsion.curve()
    if kind.endswith("reversal"):
        return {
            "speed": {"iso2240": measured},
            "rise_1_30": math.nan,
            "mean_gradient": math.nan,
            "contrast_index": math.nan,
            "contrast_met": None,
        }
    if kind == "bw-negative":
        fixed = iso6(curve)
        return {
            "speed": {"iso6": fixed.speed, "delta_x": delta_x_speed(curve).speed},
            "rise_1_30": fixed.rise_1_30,
            "mean_gradient": float(mean_gradient(curve, fixed.log_speed_point)),
            "contrast_index": contrast_index(curve),
            "contrast_met": fixed.contrast_met,
        }
    point = float(curve.inverse(curve.minimum_density + ISO5800_SPEED_POINT))
    return {
        "speed": {"iso5800": measured},
        "rise_1_30": float(rise(curve, point)),
        "mean_gradient": float(mean_gradient(curve, point)),
        "contrast_index": contrast_index(curve),
        "contrast_met": None,
    }


#: Steps at which a curve is read, and the part of its range that its toe and its shoulder begin with.
_CURVE_STEPS, _CURVE_END = 61, 0.002


def fit_curve(
    curve: Curve | Mapping[str, Curve],
    *,
    kind: Kind = "bw-negative",
    speed: float | None = None,
    granularity: GranularityReadings | Mapping[str, GranularityReadings] | None = None,
    name: str = "",
    origin: str = "a curve",
) -> FilmFit:
    """Film from a curve of one's own: its steps are read off, and grain classes are fitted to them.

    The solver needs grain classes, which a curve has not; so a curve comes into it through this fit alone.

    Parameters
    ----------
    curve
        Anything with the properties and methods of :class:`~filmdose.film.curves.Curve`; of colour film one for each
        record, by "red", "green" and "blue".
    kind
        As of :func:`fit_film`.
    speed
        Marked speed [ISO; above 0], where it is not the curve's own by its standard; exposures stay as they are.
    granularity
        As of :func:`fit_film`.
    name, origin
        For the film.

    Returns
    -------
    The film and how well the grains meet the curve (``rms_density``).

    Raises
    ------
    ArgumentError
        No curve, one that runs the wrong way for its kind, or gives no numbers.

    Warns
    -----
    ValidityWarning
        The curve does not reach its toe or its shoulder.

    Examples
    --------
    >>> from filmdose.film.curves import ToeShoulderCurve
    >>> line = ToeShoulderCurve(
    ...     unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2, shoulder_log_exposure=0.5
    ... )
    >>> fit = fit_curve(line)
    >>> fit.rms_density < 0.005
    True
    """
    curves = dict(curve) if isinstance(curve, Mapping) else {"visual": curve}
    if not curves:
        raise ArgumentError("curve", {}, "a curve, or one for each record")
    for record, one in curves.items():
        if not isinstance(one, Curve):
            action = "Write a class with the properties and methods of filmdose.film.Curve, or a MeasuredCurve."
            raise ArgumentError(f"curve of {record}", one, "a curve", action)
        if one.rising == kind.endswith("reversal"):
            allowed = "falling density" if one.rising else "rising density"
            raise ArgumentError(f"curve of {record}", f"rising={one.rising}", f"{allowed} for {kind}")
    ends = [_curve_ends(one) for one in curves.values()]
    x = np.linspace(min(low for low, _ in ends), max(high for _, high in ends), _CURVE_STEPS)
    densities = {record: np.asarray(one.density(x), dtype=np.float64) for record, one in curves.items()}
    known = np.isfinite(np.stack(list(densities.values()))).all(axis=0)
    readings = StepReadings(log_exposure=x[known], densities={record: d[known] for record, d in densities.items()})
    dark = {record: float(one.minimum_density if one.rising else one.maximum_density) for record, one in curves.items()}
    known_dark = dark if np.isfinite(list(dark.values())).all() else None
    fit = fit_film(readings, kind=kind, granularity=granularity, name=name, origin=origin, unexposed_density=known_dark)
    return fit if speed is None else replace(fit, film=replace(fit.film, speed=speed))


def _curve_ends(curve: Curve) -> tuple[float, float]:
    """Log exposures between which a curve is told: all that it knows, as far as its density changes."""
    first, last = (float(value) for value in curve.log_exposure_range)
    low, high = float(curve.minimum_density), float(curve.maximum_density)
    if np.isfinite(high - low):
        part = _CURVE_END * (high - low)
        toe, shoulder = sorted(float(curve.inverse(value)) for value in (low + part, high - part))
        first = first if np.isnan(toe) else max(first, toe - 0.6)
        last = last if np.isnan(shoulder) else min(last, shoulder + 0.3)
    return first, last


hold_to_annotations(globals())
