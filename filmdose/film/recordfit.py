"""From step readings of one record to a grain population, with its standard errors.

With net weights w_j = c_j (1 - p0) >= 0 on a fixed grid of log sensitivities z_j,

    negative:  D(x) = D_fog  + sum_j w_j P_L(x, z_j)           D_fog = base plus native fog
    reversal:  D(x) = D_base + sum_j w_j [1 - P_L(x, z_j)]

is linear in what is unknown, so that smooth non-negative least squares (:mod:`filmdose.film.nnls`) finds it.

Grains so fast that the least exposure already develops them look like fog, and grains too slow for the greatest look
like base on reversal film.  One more row settles what the readings leave open: what is hidden there is nought, give
or take one reading's error.  A reading of the unexposed edge replaces it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
from scipy.optimize import isotonic_regression
from scipy.special import gammainc, gammaincinv

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_number
from filmdose.errors import ArgumentError
from filmdose.film.emulsion import Emulsion
from filmdose.film.fitresult import ENOUGH, RecordFit, StandardErrors
from filmdose.film.generic import calibrated_hits_per_ugy, film_value
from filmdose.film.nnls import SMOOTHING, Solution, smooth_nnls
from filmdose.film.readings import StepReadings
from filmdose.standards import (
    CONTRAST_INTERVAL,
    ISO6_SPEED_POINT,
    ISO2240_HIGHLIGHT,
    ISO2240_SHADOW,
    ISO5800_SPEED_POINT,
)

__all__ = ["TYPICAL_SIGMA", "fit_emulsion"]

#: Fewer distinct exposures than this do not tell base, toe and straight line apart.
LEAST_STEPS = 6

#: Standard deviation of one densitometer reading when none is stated [density; common practice, no source].
TYPICAL_SIGMA = 0.01

#: An unexposed edge may lie so far on the wrong side of all readings [density; common practice, no source].
UNEXPOSED_ERROR = 0.1

#: A reading may fall below an earlier one by this many standard deviations of their difference ...
NOISE_SIGMAS = 4.0

#: ... or, however small those are, by this much, which is levelled [density; wiggles of digitised sheets].
WIGGLE = 0.005

#: The toe is reached where the first reading's gradient is at most this fraction of the steepest ...
TOE_FRACTION = 0.05

#: ... and the shoulder where the last reading's gradient has fallen to at most this (both our definitions).
SHOULDER_FRACTION = 0.50

_CLASS_SPACING = 0.08  # log units; the threshold of 4 quanta rises over 0.23
_MARGIN = 0.3  # classes reach this far beyond the readings at the toe ...
_SHOULDER_MARGIN = 1.5  # ... and at the shoulder, where they run out to nothing on the smoothest way
_HIDDEN = 0.2  # and, at the end where it has levelled, to where this share of a class is hidden

#: The next reading is looked for among the readings, on steps of this size [log units]; what lies beyond them is not
#: in the errors, and has messages of its own.
_NEXT_STEP = 0.05


def fit_emulsion(
    log_exposure: Any,
    density: Any,
    *,
    sigma: Any = None,
    positive: bool = False,
    base_density: float | None = None,
    unexposed_density: float | None = None,
    assumed_native_fog: float = 0.03,
    rms_granularity: float = 14.0,
    quanta: float | None = None,
    hit_exponent: float | None = None,
    hits_per_ugy: float | None = None,
    smoothing: float | None = None,
    record: str = "visual",
) -> RecordFit:
    """Grain population of one record from its readings.

    Parameters
    ----------
    log_exposure
        Log10 exposure of each reading; repeats are allowed and any order.
    density
        Density of each reading [at least 0].
    sigma
        Standard deviation of each reading [density; above 0]; all alike when left out.
    positive
        True for reversal film.
    base_density
        Density of the support; fitted when left out, see ``assumed_native_fog``.
    unexposed_density
        Density of developed film that got no exposure; one more reading.
    assumed_native_fog
        p0 when readings cannot tell it: without a base density, and for reversal film.
    rms_granularity, quanta, hit_exponent, hits_per_ugy
        Of the emulsion; b, Q and kappa default as for generic films.
    smoothing
        lambda; chosen by generalised cross-validation when left out.
    record
        Name for messages.

    Returns
    -------
    RecordFit

    Raises
    ------
    ArgumentError
        See :func:`fit_film`.

    References
    ----------
    golub1979

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> steps = np.arange(-4.5, 0.6, 0.15)
    >>> fit = fit_emulsion(steps, generic_film(400).records[0].density(steps))
    >>> round(float(fit.emulsion.density(-2.0) - generic_film(400).records[0].density(-2.0)), 2)
    0.0
    """
    x, d, s = _checked_readings(log_exposure, density, sigma, record)
    d, falls, levelled = _without_falls(x, d, s, positive, stated=sigma is not None, record=record)
    q = check_number("quanta", film_value("model", "quanta") if quanta is None else quanta, low=1.0, high=100.0)
    b = film_value("model", "hit_exponent") if hit_exponent is None else hit_exponent
    kappa = calibrated_hits_per_ugy(hit_exponent=b, quanta=q) if hits_per_ugy is None else hits_per_ugy
    base = None if base_density is None else check_number("base_density", base_density, low=0.0, unit="density")
    fog = check_number("assumed_native_fog", assumed_native_fog, low=0.0, high=0.9)

    unexposed = None
    if unexposed_density is not None:
        unexposed = _checked_unexposed(unexposed_density, d, s if sigma is not None else None, positive=positive)
    z = _class_grid(x, q, positive=positive, open_toe=unexposed is None or positive)
    light: FloatArray = np.asarray(gammainc(q, 10.0 ** (x[:, None] + z)), dtype=np.float64)
    design = _design(1.0 - light if positive else light, d, s, base if positive else None, unexposed, positive=positive)
    values = SMOOTHING if smoothing is None else [check_number("smoothing", smoothing, low=0.0)]
    solution = smooth_nnls(
        design.matrix, design.target, design.rough, values, usual_variance=float(1.0 / np.mean(1.0 / s**2))
    )
    net = solution.x[design.floor_columns :]
    floor = float(solution.x[0]) if design.floor_columns else float(base or 0.0)
    if positive:
        native_fog, support = fog, floor
    elif base is None:
        native_fog, support = fog, max(0.0, floor - net.sum() * fog / (1.0 - fog))
        native_fog = (floor - support) / (floor - support + net.sum())
    else:
        native_fog, support = _separate_fog(base, floor, float(net.sum()), float(np.median(s)), record)
    seen = net > 0.0
    emulsion = Emulsion(
        log_sensitivity=z[seen],
        weights=net[seen] / (1.0 - native_fog),
        base_density=support,
        native_fog=native_fog,
        quanta=q,
        hit_exponent=b,
        hits_per_ugy=kappa,
        rms_granularity=rms_granularity,
        positive=positive,
    )
    steepness = np.abs(np.asarray(emulsion.gradient(np.linspace(x[0], x[-1], 400))))
    return RecordFit(
        record=record,
        emulsion=emulsion,
        log_exposure=x,
        density=d,
        sigma=s,
        residuals=d - np.asarray(emulsion.density(x)),
        smoothing=solution.smoothing,
        gcv=solution.gcv,
        parameters=solution.parameters,
        effective_classes=float(net.sum() ** 2 / np.sum(net**2)),
        falls=falls,
        levelled=levelled,
        # On a falling curve the toe is at the right: low density is at high exposure.
        toe_reached=bool((steepness[-1] if positive else steepness[0]) <= TOE_FRACTION * steepness.max()),
        shoulder_reached=bool((steepness[0] if positive else steepness[-1]) <= SHOULDER_FRACTION * steepness.max()),
        errors=_standard_errors(solution, design.floor_columns, z, emulsion, (float(x[0]), float(x[-1])), record),
    )


# -- readings at the door ------------------------------------------------------------------------------------


def _checked_readings(
    log_exposure: Any, density: Any, sigma: Any, record: str
) -> tuple[FloatArray, FloatArray, FloatArray]:
    readings = StepReadings(
        log_exposure=log_exposure,
        densities={record if record in ("visual", "red", "green", "blue") else "visual": density},
        sigma=sigma,
    )
    (d,) = readings.densities.values()
    x = readings.log_exposure
    if np.any(d < 0.0):
        raise ArgumentError(
            f"density of {record}",
            float(d.min()),
            "densities of at least 0",
            "Set the densitometer to zero without film.",
        )
    distinct = np.unique(x).size
    if distinct < LEAST_STEPS:
        raise ArgumentError(
            "readings", f"{distinct} different exposures", f"at least {LEAST_STEPS}", "Read more steps of the tablet."
        )
    if np.ptp(d) < 0.10:
        raise ArgumentError(
            f"density of {record}",
            f"a range of {np.ptp(d):.3f}",
            "a density range of at least 0.10",
            "The steps show no image.",
        )
    order = np.argsort(x, kind="stable")
    s = np.full(x.shape, TYPICAL_SIGMA) if readings.sigma is None else readings.sigma
    return x[order], d[order], s[order]


def _without_falls(
    x: FloatArray, d: FloatArray, s: FloatArray, positive: bool, *, stated: bool, record: str
) -> tuple[FloatArray, int, float]:
    """Readings, how many run against the curve, and by how much they were levelled.

    More than noise and more than a wiggle is refused.  A wiggle beyond the noise that was stated is levelled by
    isotonic regression.
    """
    exposures, where = np.unique(x, return_inverse=True)
    precision = np.bincount(where, weights=1.0 / s**2)
    mean = np.bincount(where, weights=d / s**2) / precision
    sigma = 1.0 / np.sqrt(precision)
    rising = -mean if positive else mean
    if rising[-1] < rising[0]:
        raise ArgumentError(
            f"density of {record}",
            f"{mean[0]:.2f} at the least exposure and {mean[-1]:.2f} at the greatest",
            "densities that fall with exposure" if positive else "densities that rise with exposure",
            "Is it reversal film, or does the axis hold the density of the tablet instead of the exposure?"
            if not positive
            else "Is it negative film?",
        )
    best = np.maximum.accumulate(rising)
    first = np.searchsorted(best, best, side="left")  # the reading that each is compared with
    fall = best - rising
    noise = NOISE_SIGMAS * np.hypot(sigma, sigma[np.minimum(first, sigma.size - 1)])
    allowed = np.maximum(noise, WIGGLE)
    worst = int(np.argmax(fall - allowed))
    if fall[worst] > allowed[worst]:
        verb = "rises" if positive else "falls"
        raise ArgumentError(
            f"density of {record}",
            f"{mean[worst]:.3f} at log exposure {exposures[worst]:g}",
            f"a reading that {verb} by no more than {allowed[worst]:.3f} against an earlier one "
            f"({NOISE_SIGMAS:g} standard deviations{'' if stated else f' of {TYPICAL_SIGMA:g} a reading, assumed'})",
            f"It {verb} by {fall[worst]:.3f}: read that step again, or state a larger sigma.",
        )
    falls = int(np.count_nonzero(fall > 0.0))
    if not np.any(fall > noise):
        return d, falls, 0.0
    level = isotonic_regression(mean, weights=precision, increasing=not positive).x - mean
    return d + level[where], falls, float(np.max(np.abs(level)))


# -- the least-squares problem -------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Design:
    """Rows of the least-squares problem, each divided by its relative standard deviation.

    ``rough`` are second differences of the weights, with nothing beyond the end at the shoulder.
    """

    matrix: FloatArray
    target: FloatArray
    floor_columns: int
    rough: FloatArray


def _class_grid(x: FloatArray, quanta: float, *, positive: bool, open_toe: bool) -> FloatArray:
    """Log sensitivities whose thresholds lie within the readings and a little beyond, evenly spaced."""
    threshold = math.log10(float(gammaincinv(quanta, 0.5)))
    beyond = (_SHOULDER_MARGIN, _MARGIN) if positive else (_MARGIN, _SHOULDER_MARGIN)
    fastest, slowest = threshold - x[0] + beyond[0], threshold - x[-1] - beyond[1]
    if open_toe:
        hidden = math.log10(float(gammaincinv(quanta, 1.0 - _HIDDEN if positive else _HIDDEN)))
        if positive:
            slowest = hidden - x[-1]
        else:
            fastest = hidden - x[0]
    return np.linspace(slowest, fastest, max(8, math.ceil((fastest - slowest) / _CLASS_SPACING) + 1))


def _checked_unexposed(value: float, d: FloatArray, s: FloatArray | None, *, positive: bool) -> float:
    """What got no light is the lightest of a negative and the darkest of a reversal film, by the error of reading."""
    error = UNEXPOSED_ERROR if s is None else max(UNEXPOSED_ERROR, 5.0 * float(s.max()))
    action = "Was it read on the same film, in the same development, with the same instrument?"
    if positive:
        low = float(d.max()) - error
        return check_number("unexposed_density", value, low=max(0.0, low), unit="density", action=action)
    return check_number("unexposed_density", value, low=0.0, high=float(d.min()) + error, unit="density", action=action)


def _design(
    columns: FloatArray,
    density: FloatArray,
    sigma: FloatArray,
    floor_known: float | None,
    unexposed: float | None,
    *,
    positive: bool,
) -> _Design:
    # Relative weights: the mean of the squares is 1, so that lambda means the same for stated and assumed errors.
    precision = (1.0 / sigma) / np.sqrt(np.mean(1.0 / sigma**2))
    floor = np.zeros((density.size, 0)) if floor_known is not None else np.ones((density.size, 1))
    rows = [np.hstack([floor, columns]) * precision[:, None]]
    target = [(density - (floor_known or 0.0)) * precision]
    ends = floor.shape[1]
    if unexposed is not None:
        rows.append(np.hstack([np.ones(ends), np.full(columns.shape[1], float(positive))])[None])
        target.append(np.array([unexposed - (floor_known or 0.0)]))
    if ends and (unexposed is None or positive):
        rows.append(np.hstack([np.zeros(ends), columns[-1 if positive else 0]])[None])
        target.append(np.zeros(1))
    classes = columns.shape[1]
    differences = np.diff(np.eye(classes + 1), 2, axis=0)
    differences = differences[:, :-1] if positive else differences[:, 1:]
    return _Design(
        matrix=np.vstack(rows),
        target=np.concatenate(target),
        floor_columns=ends,
        rough=np.hstack([np.zeros((classes - 1, ends)), differences]),
    )


def _separate_fog(base: float, floor: float, net: float, sigma: float, record: str) -> tuple[float, float]:
    """Native fog probability and support density from base plus fog and a given base."""
    if base > floor + NOISE_SIGMAS * sigma:
        raise ArgumentError(
            "base_density",
            base,
            f"at most the least density of the {record} record, {floor:.3f}",
            "Measure the base on film that was fixed without development.",
        )
    developed = max(0.0, floor - base)
    return developed / (developed + net), floor - developed


# -- how sure it is ------------------------------------------------------------------------------------------


def _standard_errors(
    solution: Solution, ends: int, z: FloatArray, emulsion: Emulsion, span: tuple[float, float], record: str
) -> StandardErrors:
    """Errors by the delta method, and the one further reading that narrows the widest of them most."""
    covariance, classes = solution.covariance, solution.x.size - ends
    base = np.concatenate([np.ones(ends), np.zeros(classes)])
    point, contrast = _influences(z, emulsion, record)
    vectors = {
        "base plus fog": base,
        "speed point": np.concatenate([np.zeros(ends), point]),
        "contrast": np.concatenate([np.zeros(ends), contrast]),
    }
    # NaN, where a point is not reached, stays NaN
    errors = {name: float(np.sqrt(np.maximum(v @ covariance @ v, 0.0))) for name, v in vectors.items()}
    places = np.arange(span[0], span[1] + 1e-9, _NEXT_STEP)
    light = gammainc(emulsion.quanta, 10.0 ** (places[:, None] + z))
    candidates = np.hstack([np.ones((places.size, ends)), 1.0 - light if emulsion.positive else light])
    worst = max(errors, key=lambda name: -1.0 if math.isnan(errors[name]) else errors[name] / ENOUGH[name])
    v = vectors[worst]
    gain = (candidates @ covariance @ v) ** 2 / (
        solution.variance + np.einsum("ij,jk,ik->i", candidates, covariance, candidates)
    )
    best = int(np.argmax(np.nan_to_num(gain)))
    return StandardErrors(
        base_plus_fog=errors["base plus fog"],
        log_speed_point=errors["speed point"],
        contrast=errors["contrast"],
        next_log_exposure=float(places[best]),
        next_for=worst,
        next_error=math.sqrt(max(0.0, errors[worst] ** 2 - float(gain[best]))),
    )


def _influences(z: FloatArray, emulsion: Emulsion, record: str) -> tuple[FloatArray, FloatArray]:
    """Derivatives of log speed point and of ln(contrast) with respect to the net weights; NaN where not reached."""
    least = float(emulsion.minimum_density())
    curve = emulsion.curve()
    missing = np.full(z.shape, np.nan)

    def light(x: float) -> FloatArray:
        return np.asarray(gammainc(emulsion.quanta, 10.0 ** (x + z)))

    if emulsion.positive:
        bright, dark = (float(curve.inverse(least + step)) for step in (ISO2240_HIGHLIGHT, ISO2240_SHADOW))
        if math.isnan(bright) or math.isnan(dark):
            return missing, missing
        moves = [(1.0 - light(x)) / abs(float(emulsion.gradient(x))) for x in (bright, dark)]
        return 0.5 * (moves[0] + moves[1]), (moves[1] - moves[0]) / (bright - dark)
    point = float(curve.inverse(least + (ISO6_SPEED_POINT if record == "visual" else ISO5800_SPEED_POINT)))
    if math.isnan(point):
        return missing, missing
    first, second = light(point), light(point + CONTRAST_INTERVAL)
    slopes = [float(emulsion.gradient(x)) for x in (point, point + CONTRAST_INTERVAL)]
    move = -first / slopes[0]
    rise = float(emulsion.density(point + CONTRAST_INTERVAL)) - float(emulsion.density(point))
    return move, (second - first + (slopes[1] - slopes[0]) * move) / rise


hold_to_annotations(globals())
