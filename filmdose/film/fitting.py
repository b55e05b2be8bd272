"""From step-tablet readings to a film: a grain population by non-negative least squares.

With net weights w_j = c_j (1 - p0) >= 0 on a fixed grid of log sensitivities z_j,

    negative:  D(x) = D_fog  + sum_j w_j P_L(x, z_j)           D_fog = base plus native fog
    reversal:  D(x) = D_base + sum_j w_j [1 - P_L(x, z_j)]

is linear in what is unknown.  Smoothness enters as ``lambda |second differences of w|``,
and lambda is the one that minimises generalised cross-validation (Golub, Heath & Wahba 1979),

    GCV(lambda) = (|weighted residuals|**2 / n) / (1 - p / n)**2,

with p the trace of the influence matrix of the classes that are above zero.

Grains so fast that the least exposure already develops them look like fog, and
grains too slow for the greatest look like base on reversal film.  One more row
settles what the readings leave open: what is hidden there is nought, give or
take one reading's error.  A reading of the unexposed edge replaces it.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls
from scipy.special import gammainc, gammaincinv

from filmdose.arrays import FloatArray, check_number
from filmdose.errors import ArgumentError, UnknownNameError, ValidityWarning
from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import calibrated_hits_per_ugy, film_value, record_value
from filmdose.film.model import KINDS, RECORD_NAMES, Film
from filmdose.film.readings import StepReadings
from filmdose.sensitometry import (
    contrast_index,
    delta_x_speed,
    iso6,
    iso2240,
    iso5800,
    mean_gradient,
    rise,
)
from filmdose.words import film_words

__all__ = ["FilmFit", "RecordFit", "fit_emulsion", "fit_film"]

#: Fewer distinct exposures than this do not tell base, toe and straight line apart.
LEAST_STEPS = 6

#: Standard deviation of one densitometer reading when none is stated [density; common practice, no source].
TYPICAL_SIGMA = 0.01

#: A reading may fall below an earlier one by this many standard deviations of their difference.
NOISE_SIGMAS = 4.0

#: The toe is reached where the first reading's gradient is at most this fraction of the steepest ...
TOE_FRACTION = 0.05

#: ... and the shoulder where the last reading's gradient has fallen to at most this (both our definitions).
SHOULDER_FRACTION = 0.50

#: The number of quanta stays that of generic films while it fits to this [density]; steeper corners, as the
#: couplers of colour reversal film make them, take one of the others (inference).
GOOD_FIT = 0.003
QUANTA_CANDIDATES = (8.0, 16.0)

_CLASS_SPACING = 0.08  # log units; the threshold of 4 quanta rises over 0.23
_MARGIN = 0.3  # classes reach this far beyond the readings at the toe ...
_SHOULDER_MARGIN = 1.5  # ... and at the shoulder, where they run out to nothing on the smoothest way
_HIDDEN = 0.2  # and, at the end where it has levelled, to where this share of a class is hidden
_SMOOTHING = 10.0 ** np.linspace(-9.0, 4.0, 40)


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordFit:
    """Fit of one record.

    Attributes
    ----------
    record
        Its name.
    emulsion
        The grain population.
    log_exposure, density, sigma
        What was fitted, in order of exposure: log exposure after anchoring, readings, their standard deviations.
    residuals
        Reading minus fit [density].
    smoothing, gcv
        The lambda that was used, and its generalised cross-validation score.
    parameters
        Effective number of fitted parameters: trace of the influence matrix.
    effective_classes
        Effective number of grain classes: (sum w)**2 / sum w**2.
    falls
        Readings below an earlier one, taken as noise.
    toe_reached, shoulder_reached
        Whether the readings show both ends of the curve.
    """

    record: str
    emulsion: Emulsion
    log_exposure: FloatArray
    density: FloatArray
    sigma: FloatArray
    residuals: FloatArray
    smoothing: float
    gcv: float
    parameters: float
    effective_classes: float
    falls: int
    toe_reached: bool
    shoulder_reached: bool

    @property
    def rms_density(self) -> float:
        """Root mean square residual [density]."""
        return float(np.sqrt(np.mean(self.residuals**2)))

    @property
    def base_plus_fog(self) -> float:
        """Density without exposure of a negative, least density of a reversal film."""
        return float(self.emulsion.minimum_density())


@dataclass(frozen=True, kw_only=True, eq=False)
class FilmFit:
    """A film from measured steps, with what the readings say about it.

    Attributes
    ----------
    film
        The film, ready for every other calculation.
    records
        Fit of each record, in the order of the film's records.
    axis
        "absolute" when log exposure was taken as it stands, "relative" when a rated speed anchored it.
    log_exposure_shift
        Added to every log exposure to anchor it [log10 units]; 0 for an absolute axis.
    speed
        Measured speeds [ISO] by criterion: "iso6" and "delta_x", "iso5800", or "iso2240".
    log_speed_point
        log10 exposure of the speed point [log10 lx s]; of the slowest record of a colour negative,
        the mean of both points of a reversal film.
    rise_1_30, mean_gradient, contrast_index
        Contrast of a negative above its speed point: over 1.30 log units, per log unit over 1.5, and
        by Kodak F-14; of the green record of a colour film.  NaN where not defined or not reached.
    contrast_met
        Contrast condition of ISO 6; None for other kinds.
    messages
        What was assumed, and what the readings do not show.
    """

    film: Film
    records: tuple[RecordFit, ...]
    axis: Literal["absolute", "relative"]
    log_exposure_shift: float
    speed: Mapping[str, float]
    log_speed_point: float
    rise_1_30: float
    mean_gradient: float
    contrast_index: float
    contrast_met: bool | None
    messages: tuple[str, ...]

    @property
    def rms_density(self) -> float:
        """Root mean square residual over all records [density]."""
        return float(np.sqrt(np.mean(np.concatenate([fit.residuals for fit in self.records]) ** 2)))

    @property
    def base_plus_fog(self) -> float:
        """Least density, of the green record of a colour film."""
        return self.main_record.base_plus_fog

    @property
    def main_record(self) -> RecordFit:
        """The only record, or the green one."""
        return next((fit for fit in self.records if fit.record == "green"), self.records[0])

    def to_dict(self) -> dict[str, Any]:
        """The result in plain numbers, as the command line prints it."""
        return {
            "kind": self.film.kind,
            "name": self.film.name,
            "axis": self.axis,
            "log_exposure_shift": self.log_exposure_shift,
            "rms_density": self.rms_density,
            "base_plus_fog": self.base_plus_fog,
            "log_speed_point": self.log_speed_point,
            "speed": dict(self.speed),
            "rise_1_30": self.rise_1_30,
            "mean_gradient": self.mean_gradient,
            "contrast_index": self.contrast_index,
            "contrast_met": self.contrast_met,
            "records": {
                fit.record: {
                    "steps": int(fit.density.size),
                    "rms_density": fit.rms_density,
                    "base_plus_fog": fit.base_plus_fog,
                    "base_density": fit.emulsion.base_density,
                    "native_fog": fit.emulsion.native_fog,
                    "maximum_density": float(fit.emulsion.maximum_density()),
                    "effective_classes": fit.effective_classes,
                    "parameters": fit.parameters,
                    "smoothing": fit.smoothing,
                    "toe_reached": fit.toe_reached,
                    "shoulder_reached": fit.shoulder_reached,
                }
                for fit in self.records
            },
            "messages": list(self.messages),
        }

    def __str__(self) -> str:
        lines = [f"{film_words(self.film)}, by {self.film.standard}"]
        for criterion, value in self.speed.items():
            lines.append(f"  speed by {criterion:<18}{'not reached' if math.isnan(value) else f'{value:.0f}'}")
        lines.append(f"  log10 speed point          {self.log_speed_point:.3f}")
        for fit in self.records:
            lines.append(
                f"  {fit.record:<7} base plus fog {fit.base_plus_fog:.3f}, "
                f"{fit.density.size} readings fitted to {fit.rms_density:.4f} density rms, "
                f"{fit.effective_classes:.0f} effective classes"
            )
        if not math.isnan(self.rise_1_30):
            met = {True: " (meets ISO 6)", False: " (outside ISO 6: no ISO speed)", None: ""}[self.contrast_met]
            lines.append(f"  rise over 1.30             {self.rise_1_30:.3f}{met}")
        if not math.isnan(self.mean_gradient):
            lines.append(f"  mean gradient over 1.5     {self.mean_gradient:.3f}")
        if not math.isnan(self.contrast_index):
            lines.append(f"  contrast index             {self.contrast_index:.3f}")
        return "\n".join([*lines, *(f"  - {message}" for message in self.messages)])


def fit_film(
    readings: StepReadings,
    *,
    kind: str = "bw-negative",
    speed: float | None = None,
    axis: Literal["absolute", "relative"] | None = None,
    base_density: float | Mapping[str, float] | None = None,
    unexposed_density: float | Mapping[str, float] | None = None,
    rms_granularity: float | None = None,
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
    >>> steps = np.arange(33) * 0.15 - 4.3
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
    if kind not in KINDS:
        raise UnknownNameError("kind", kind, KINDS)
    rated = None if speed is None else check_number("speed", speed, low=0.0, low_open=True, unit="ISO")
    if axis not in (None, "absolute", "relative"):
        raise UnknownNameError("axis", axis, ("absolute", "relative"))
    taken: Literal["absolute", "relative"] = axis or ("absolute" if rated is None else "relative")
    if taken == "relative" and rated is None:
        raise ArgumentError("speed", None, "the rated speed of the film", "A relative log exposure needs it as anchor.")
    names = RECORD_NAMES[kind]
    missing = [record for record in names if record not in readings.densities]
    if missing:
        raise ArgumentError(
            "readings",
            f"records {', '.join(readings.records)}",
            f"densities of {', '.join(names)} for a {kind} film",
            "Choose the kind that was read, or name the columns density_red, density_green, density_blue.",
        )
    exponent = film_value("model", "hit_exponent") if hit_exponent is None else hit_exponent
    usual = film_value("model", "quanta")
    messages: list[str] = []

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

    fits = fitted(usual if quanta is None else quanta)
    if quanta is None and max(fit.rms_density for fit in fits) > GOOD_FIT:
        tried = {usual: fits} | {candidate: fitted(candidate) for candidate in QUANTA_CANDIDATES}
        score = {q: float(np.mean([math.log(max(fit.gcv, 1e-12)) for fit in group])) for q, group in tried.items()}
        chosen = min(q for q in tried if score[q] <= min(score.values()) + math.log(2.0))
        fits = tried[chosen]
        if chosen != usual:
            messages.append(
                f"{chosen:g} quanta for a grain fit these readings better than the {usual:g} of generic films."
            )
    shift = 0.0
    if taken == "relative":
        assert rated is not None
        shift = math.log10(_standard_speed(kind, fits)[0] / rated)
        if math.isnan(shift):
            raise ArgumentError(
                "readings",
                "no speed point",
                f"readings that reach the speed point of {KINDS[kind]}",
                "Read more steps.",
            )
        fits = [_shifted(fit, shift) for fit in fits]
        messages.append(
            f"Log exposure is relative: it was shifted by {shift:+.3f} so that the speed by {KINDS[kind]} is the "
            f"rated {rated:g}. A true speed that differs from the rated one is not seen."
        )
    measured, point = _standard_speed(kind, fits)
    if rms_granularity is None:
        scale = (rated or measured) / 400.0 if not math.isnan(rated or measured) else 1.0
        assumed = film_value(kind, "rms_granularity") * scale ** (exponent / 3.0)
        fits = [replace(fit, emulsion=replace(fit.emulsion, rms_granularity=assumed)) for fit in fits]
        messages.append(f"A step tablet does not show grain: rms granularity {assumed:.1f} is that of a generic film.")
    if base_density is None and not kind.endswith("reversal"):
        messages.append(
            f"No base density was given: native fog is taken as {fits[0].emulsion.native_fog:.2g} of the grains, "
            "as in a generic film, and the rest of the least density as base."
        )
    messages += _what_is_missing(fits, stacklevel=3)
    if taken == "absolute" and rated is not None:
        messages.append(f"The measured speed is {measured:.0f}, the rated one {rated:g}.")
    if taken == "absolute" and not 1.0 <= measured <= 25_000.0:
        text = (
            f"An absolute log exposure gives this film a speed of {measured:.3g}: the axis looks relative. "
            "Give the rated speed to anchor it."
        )
        warnings.warn(text, ValidityWarning, stacklevel=2)
        messages.append(text)
    main = next((fit for fit in fits if fit.record == "green"), fits[0])
    film = Film(
        kind=kind,
        speed=rated if rated is not None else _three_digits(measured),
        records=tuple(fit.emulsion for fit in fits),
        name=name,
        origin=origin,
    )
    return FilmFit(
        film=film,
        records=tuple(fits),
        axis=taken,
        log_exposure_shift=shift,
        log_speed_point=point,
        messages=tuple(messages),
        **_contrast(kind, main, measured),
    )


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

    Raises
    ------
    ArgumentError
        See :func:`fit_film`.

    References
    ----------
    golub1979
    """
    x, d, s = _checked_readings(log_exposure, density, sigma, record)
    falls = _count_falls(x, d, s, positive, stated=sigma is not None, record=record)
    q = check_number("quanta", film_value("model", "quanta") if quanta is None else quanta, low=1.0, high=100.0)
    b = film_value("model", "hit_exponent") if hit_exponent is None else hit_exponent
    kappa = calibrated_hits_per_ugy(hit_exponent=b, quanta=q) if hits_per_ugy is None else hits_per_ugy
    base = None if base_density is None else check_number("base_density", base_density, low=0.0, unit="density")
    fog = check_number("assumed_native_fog", assumed_native_fog, low=0.0, high=0.9)

    unexposed = None
    if unexposed_density is not None:
        unexposed = check_number("unexposed_density", unexposed_density, low=0.0, unit="density")
    z = _class_grid(x, q, positive=positive, open_toe=unexposed is None or positive)
    light: FloatArray = np.asarray(gammainc(q, 10.0 ** (x[:, None] + z)), dtype=np.float64)
    columns = 1.0 - light if positive else light
    floor_known = base if positive else None
    solution = _smooth_nnls(_design(columns, d, s, floor_known, unexposed, positive=positive), floor_known, smoothing)
    net = solution.weights
    if positive:
        native_fog, support = fog, solution.floor
    elif base is None:
        native_fog, support = fog, max(0.0, solution.floor - net.sum() * fog / (1.0 - fog))
        native_fog = (solution.floor - support) / (solution.floor - support + net.sum())
    else:
        native_fog, support = _separate_fog(base, solution.floor, float(net.sum()), float(np.median(s)), record)
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
        # On a falling curve the toe is at the right: low density is at high exposure.
        toe_reached=bool((steepness[-1] if positive else steepness[0]) <= TOE_FRACTION * steepness.max()),
        shoulder_reached=bool((steepness[0] if positive else steepness[-1]) <= SHOULDER_FRACTION * steepness.max()),
    )


def _three_digits(speed: float) -> float:
    """A measured speed as a film carries it; a curve without a speed point cannot make a film."""
    if math.isnan(speed):
        raise ArgumentError(
            "readings", "no speed point", "readings that reach the speed point of the standard", "Read more steps."
        )
    return float(f"{speed:.3g}")


def _of_record(value: float | Mapping[str, float] | None, record: str) -> float | None:
    return value.get(record) if isinstance(value, Mapping) else value


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


def _count_falls(x: FloatArray, d: FloatArray, s: FloatArray, positive: bool, *, stated: bool, record: str) -> int:
    """Readings against the direction of the curve; more than noise is refused."""
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
    allowed = NOISE_SIGMAS * np.hypot(sigma, sigma[np.minimum(first, sigma.size - 1)])
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
    return int(np.count_nonzero(fall > 0.0))


# -- the fit -------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Solution:
    floor: float
    weights: FloatArray
    smoothing: float
    gcv: float
    parameters: float


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


def _smooth_nnls(design: _Design, floor_known: float | None, smoothing: float | None) -> _Solution:
    """Floor and weights, none below zero; lambda by generalised cross-validation when not given."""
    matrix, target, ends = design.matrix, design.target, design.floor_columns
    rough = design.rough
    scale = math.sqrt(float(np.sum(matrix**2)) / float(np.sum(rough**2)))
    values = _SMOOTHING if smoothing is None else [check_number("smoothing", smoothing, low=0.0)]
    best: _Solution | None = None
    for value in values:
        penalty = math.sqrt(value) * scale * rough
        found, _ = nnls(np.vstack([matrix, penalty]), np.concatenate([target, np.zeros(len(rough))]), maxiter=3000)
        parameters = _trace_of_influence(matrix, penalty, found > 0.0)
        left = 1.0 - min(parameters, target.size - 0.5) / target.size
        gcv = float(np.mean((matrix @ found - target) ** 2)) / left**2
        if best is None or gcv < best.gcv:
            best = _Solution(
                floor=float(found[0]) if floor_known is None else floor_known,
                weights=np.asarray(found[ends:], dtype=np.float64),
                smoothing=float(value),
                gcv=gcv,
                parameters=parameters,
            )
    assert best is not None
    return best


def _trace_of_influence(matrix: FloatArray, penalty: FloatArray, above_zero: NDArray[np.bool_]) -> float:
    """Effective number of parameters: trace of A (A'A + L'L)^-1 A' over the columns that are above zero."""
    stacked = np.vstack([matrix[:, above_zero], penalty[:, above_zero]])
    orthogonal, _ = np.linalg.qr(stacked)
    return float(np.sum(orthogonal[: len(matrix)] ** 2))


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
    return replace(fit, emulsion=emulsion, log_exposure=fit.log_exposure + shift)


def _what_is_missing(fits: Sequence[RecordFit], *, stacklevel: int) -> list[str]:
    messages = []
    for fit in fits:
        if not fit.toe_reached:
            messages.append(
                f"The {fit.record} readings do not reach the toe: base plus fog and the speed point are extrapolated. "
                "Read steps with less exposure."
                if not fit.emulsion.positive
                else f"The {fit.record} readings do not reach the toe: least density and the highlight point are "
                "extrapolated. Read steps with more exposure."
            )
        if not fit.shoulder_reached:
            messages.append(
                f"The {fit.record} readings do not reach the shoulder: density beyond the last step is a guess, "
                "and so is the highlight room. Read steps with more exposure."
                if not fit.emulsion.positive
                else f"The {fit.record} readings do not reach the shoulder: greatest density is a guess. "
                "Read steps with less exposure."
            )
    for message in messages:
        warnings.warn(message, ValidityWarning, stacklevel=stacklevel)
    for fit in fits:
        if fit.falls:
            messages.append(f"{fit.falls} of the {fit.record} readings run against the curve; that was taken as noise.")
    return messages


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
    point = float(curve.inverse(curve.minimum_density + 0.15))
    return {
        "speed": {"iso5800": measured},
        "rise_1_30": float(rise(curve, point)),
        "mean_gradient": float(mean_gradient(curve, point)),
        "contrast_index": contrast_index(curve),
        "contrast_met": None,
    }
