"""From a fogged and an unfogged step tablet to a film's own b and kappa.

With net weights w_j = c_j (1 - p0) >= 0 and mean hits m_j = M 10**(b (z_j - z_ref)), M = kappa K,

    negative:  D(H) = F + sum_j w_j [1 - exp(-m_j) (1 - P_L(H, z_j))]
    reversal:  D(H) = F + sum_j w_j exp(-m_j) (1 - P_L(H, z_j))

and the unfogged tablet is the same with M = 0.  For given b and M all readings are
linear in F and w_j, which non-negative least squares with a smoothness penalty finds;
the outer search is over b and one M for each fogged tablet (variable projection).

The shape of the fogged curve tells b: a large b takes the fast grains of the toe first.
The dose is not needed for that, nor for M; with it, kappa = M / K.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any, Literal

import numpy as np
from scipy.optimize import least_squares
from scipy.special import gammainc, ndtri
from scipy.stats import chi2

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_number
from filmdose.errors import ArgumentError, ValidityWarning
from filmdose.film.emulsion import LN10, REFERENCE_LOG_SENSITIVITY
from filmdose.film.fitresult import FilmFit
from filmdose.film.fitting import fit_film
from filmdose.film.generic import film_value
from filmdose.film.model import Film
from filmdose.film.nnls import second_differences, solve
from filmdose.film.readings import StepReadings
from filmdose.film.recordfit import TYPICAL_SIGMA
from filmdose.names import Kind
from filmdose.result import Result
from filmdose.standards import RECORD_NAMES
from filmdose.units import parse_kerma

__all__ = ["FogCalibration", "FoggedSteps", "calibrate_fog"]

_CLASS_SPACING = 0.08  # log units, as of the fit of a film
_SCORE_95 = float(ndtri(0.95))
_LEAST_FOG_SIGMAS = 5.0  # all steps together must differ by at least this much

#: With a larger standard error b is not known any better than before anything was measured.
_VAGUE_EXPONENT = 0.12


@dataclass(frozen=True, kw_only=True)
class FoggedSteps(Result):
    """Readings of one fogged step tablet.

    Parameters
    ----------
    readings
        Its densities, at exposures on the same axis as the unfogged tablet.
    kerma_ugy
        Effective kerma that fogged it [uGy; above 0], a number or a text such as "12 mR"; None when not known.
    relative_error
        Standard error of ln(kerma) [1; at least 0].
    """

    readings: StepReadings
    kerma_ugy: float | str | None = None
    relative_error: float = 0.0

    _accepts = (("kerma_ugy", "WithUnit | None"),)

    def __post_init__(self) -> None:
        if self.kerma_ugy is not None:
            kerma = parse_kerma("kerma_ugy", self.kerma_ugy)
            object.__setattr__(self, "kerma_ugy", check_number("kerma_ugy", kerma, low=0.0, low_open=True))
        error = check_number("relative_error", self.relative_error, low=0.0, high=2.0)
        object.__setattr__(self, "relative_error", error)


@dataclass(frozen=True, kw_only=True, eq=False)
class FogCalibration(Result):
    """A film's own b and kappa, with errors.

    Parameters
    ----------
    film
        The film with its fitted b, and with its fitted kappa when a dose was known.
    fit
        Fit of the unfogged tablet.
    hit_exponent, hit_exponent_error
        b and its standard error [1].
    hits, hits_relative_error
        M = kappa K of every fogged tablet: mean hits of a grain at z_ref; standard error of its logarithm.
    hits_per_ugy, hits_per_ugy_relative_error
        kappa [1/uGy] and the standard error of its logarithm; None without any known dose.
    correlation
        Of b with ln M of the first tablet [1].
    rms_density
        Root mean square residual of all readings [density].
    probability
        Chance of residuals as large or larger, with the stated sigma; None when no sigma was stated.
    messages
        What the readings do not show.
    """

    film: Film
    fit: FilmFit
    hit_exponent: float
    hit_exponent_error: float
    hits: tuple[float, ...]
    hits_relative_error: tuple[float, ...]
    hits_per_ugy: float | None
    hits_per_ugy_relative_error: float | None
    correlation: float
    rms_density: float
    probability: float | None
    messages: tuple[str, ...]

    def prior_points(self) -> dict[str, tuple[float, float, float]]:
        """5, 50 and 95 % points of b, and of kappa when a dose was known, as sure as the fit makes them.

        They are centred on the typical values of the shipped data, since the film itself holds the fitted ones.
        """
        typical, half = film_value("model", "hit_exponent"), _SCORE_95 * self.hit_exponent_error
        points = {"hit_exponent": (max(0.0, typical - half), typical, min(2.0, typical + half))}
        if self.hits_per_ugy_relative_error is not None:
            kerma = film_value("model", "calibration_kerma")
            factor = math.exp(_SCORE_95 * self.hits_per_ugy_relative_error)
            points |= {"calibration_kerma": (kerma / factor, kerma, kerma * factor), "film_factor": (1.0, 1.0, 1.0)}
        return points

    def __str__(self) -> str:
        lines = [f"b = {self.hit_exponent:.3f} +- {self.hit_exponent_error:.3f}"]
        for hits, error in zip(self.hits, self.hits_relative_error, strict=True):
            lines.append(f"kappa x dose = {hits:.4g} hits at z_ref (+- {100 * error:.0f} %)")
        if self.hits_per_ugy is not None and self.hits_per_ugy_relative_error is not None:
            error = 100 * self.hits_per_ugy_relative_error
            lines.append(f"kappa = {self.hits_per_ugy:.4g} per uGy (+- {error:.0f} %)")
        lines.append(f"rms residual {self.rms_density:.4f} density")
        return "\n".join([*lines, *self.messages])


def calibrate_fog(
    clean: StepReadings,
    fogged: FoggedSteps | StepReadings | Sequence[FoggedSteps | StepReadings],
    *,
    kind: Kind = "bw-negative",
    speed: float | None = None,
    axis: Literal["absolute", "relative"] | None = None,
    **fit_options: Any,
) -> FogCalibration:
    """Fit b and kappa of a film to an unfogged and at least one fogged step tablet.

    Parameters
    ----------
    clean
        The unfogged tablet.
    fogged
        The fogged ones: same film, same development, exposures on the same axis; dose known or not.
    kind, speed, axis, **fit_options
        As of :func:`filmdose.film.fitting.fit_film`, which fits the unfogged tablet.

    Returns
    -------
    FogCalibration

    Raises
    ------
    ArgumentError
        A record that is missing, a tablet whose fog does not stand out from the reading errors, a fog in the
        wrong direction.

    Warns
    -----
    ValidityWarning
        The fog is too even to tell b, the residuals are larger than the stated errors, or the tablets disagree on
        kappa.

    Notes
    -----
    Fog before and after the exposure count alike in the model. A difference in
    development between the tablets would be taken for fog: develop them together.
    Errors are those of the linearised fit; without a stated sigma they are scaled to the residuals.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> record = generic_film(400, hit_exponent=0.9).records[0]
    >>> steps = np.arange(39) * 0.15 - 4.3
    >>> tablets = [
    ...     StepReadings(log_exposure=steps, densities={"visual": record.density(steps, dose)}) for dose in (0.0, 300.0)
    ... ]
    >>> found = calibrate_fog(tablets[0], FoggedSteps(readings=tablets[1], kerma_ugy=300))
    >>> abs(found.hit_exponent - 0.9) < 0.03, abs((found.hits_per_ugy or 0.0) / record.hits_per_ugy - 1) < 0.05
    (True, True)
    """
    tablets = [
        item if isinstance(item, FoggedSteps) else FoggedSteps(readings=item)
        for item in ((fogged,) if isinstance(fogged, (FoggedSteps, StepReadings)) else fogged)
    ]
    if not tablets:
        raise ArgumentError("fogged", tablets, "at least one fogged tablet")
    fit = fit_film(clean, kind=kind, speed=speed, axis=axis, **fit_options)
    names = RECORD_NAMES[kind]
    for tablet in tablets:
        for name in names:
            if name not in tablet.readings.densities:
                raise ArgumentError("fogged", tablet.readings.records, f"densities of {', '.join(names)}")
    problems = [_RecordFit(fit, place, clean, [tablet.readings for tablet in tablets]) for place in range(len(names))]
    for number, tablet in enumerate(tablets):
        _check_fog(fit, number, tablet, problems)

    def residuals(parameters: FloatArray) -> FloatArray:
        return np.concatenate([problem.residuals(parameters[0], np.exp(parameters[1:])) for problem in problems])

    generic = film_value("model", "hit_exponent")
    start = np.array([generic, *(_first_hits(problems, number, generic) for number in range(len(tablets)))])
    lowest, highest = np.full(start.size, -15.0), np.full(start.size, 6.0)
    lowest[0], highest[0] = 0.02, 2.0
    found = least_squares(
        residuals,
        np.clip(start, lowest + 1e-6, highest - 1e-6),
        bounds=(lowest, highest),
        x_scale=0.1,
        diff_step=np.full(start.size, 1e-3),
    )
    return _result(fit, tablets, problems, np.asarray(found.x), np.asarray(found.jac), np.asarray(found.fun))


class _RecordFit:
    """All tablets of one record, as a linear problem in the weights for given b and hits."""

    def __init__(self, fit: FilmFit, place: int, clean: StepReadings, fogged: Sequence[StepReadings]) -> None:
        record = fit.records[place]
        self.emulsion = record.emulsion
        self.positive = record.emulsion.positive
        z = record.emulsion.log_sensitivity
        count = max(8, round((z[-1] - z[0]) / _CLASS_SPACING) + 1)
        self.classes = np.linspace(z[0], z[-1], count)
        self.stated = all(item.sigma is not None for item in (clean, *fogged))
        name = fit.film.record_names[place]
        self.unlit, self.tablets, densities, sigmas = [], [], [], []
        for number, item in enumerate((clean, *fogged)):
            x = item.log_exposure + fit.log_exposure_shift
            light = gammainc(record.emulsion.quanta, 10.0 ** (x[:, None] + self.classes))
            self.unlit.append(1.0 - light)
            self.tablets.append(number)
            densities.append(item.densities[name])
            sigmas.append(np.full(x.shape, TYPICAL_SIGMA) if item.sigma is None else item.sigma)
        self.density: FloatArray = np.concatenate(densities)
        self.sigma: FloatArray = np.concatenate(sigmas)
        self.steps = [len(item) for item in densities]
        self.smoothing = record.smoothing

    def _design(self, b: float, hits: FloatArray) -> FloatArray:
        rows = []
        relative = np.exp(LN10 * b * (self.classes - REFERENCE_LOG_SENSITIVITY))
        for number, unlit in zip(self.tablets, self.unlit, strict=True):
            survive = 1.0 if number == 0 else np.exp(-hits[number - 1] * relative)
            rows.append(survive * unlit if self.positive else 1.0 - survive * unlit)
        matrix = np.vstack(rows)
        return np.asarray(np.hstack([np.ones((len(matrix), 1)), matrix]) / self.sigma[:, None])

    def residuals(self, b: float, hits: FloatArray) -> FloatArray:
        """Weighted residuals with the best weights and floor."""
        matrix = self._design(b, hits)
        target = self.density / self.sigma
        rough = np.hstack([np.zeros((self.classes.size - 2, 1)), second_differences(self.classes.size)])
        return np.asarray(matrix @ solve(matrix, target, rough, self.smoothing) - target)


def _tablet_fog(problem: _RecordFit, number: int) -> tuple[float, float]:
    """Mean change of density against the clean fit over a tablet's steps, and its standard error."""
    start = sum(problem.steps[: number + 1])
    part = slice(start, start + problem.steps[number + 1])
    emulsion = problem.emulsion
    shown = emulsion.weights * (1.0 - emulsion.native_fog)
    # The clean density at the tablet's exposures, from the same light probabilities.
    light = np.array([np.interp(emulsion.log_sensitivity, problem.classes, row) for row in problem.unlit[number + 1]])
    floor = float(emulsion.minimum_density())
    clean = floor + (light @ shown if problem.positive else shown.sum() - light @ shown)
    change = problem.density[part] - clean
    weight = 1.0 / problem.sigma[part] ** 2
    return float(change @ weight / weight.sum()), float(1.0 / math.sqrt(weight.sum()))


def _check_fog(fit: FilmFit, number: int, tablet: FoggedSteps, problems: Sequence[_RecordFit]) -> None:
    changes = [_tablet_fog(problem, number) for problem in problems]
    sign = -1.0 if fit.film.reversal else 1.0
    strongest = max(changes, key=lambda pair: sign * pair[0] / pair[1])
    if sign * strongest[0] < _LEAST_FOG_SIGMAS * strongest[1]:
        direction = "less dense" if fit.film.reversal else "denser"
        raise ArgumentError(
            f"fogged tablet {number + 1}",
            f"a mean change of {strongest[0]:+.4f} density",
            f"a tablet that fog made {direction} by at least {_LEAST_FOG_SIGMAS:g} standard errors "
            f"({_LEAST_FOG_SIGMAS * strongest[1]:.4f})",
            "Are the tablets swapped, or is the dose too small?",
        )


def _first_hits(problems: Sequence[_RecordFit], number: int, b: float) -> float:
    """ln of the hits that explain a tablet's mean change with the clean fit and a generic b, roughly."""
    change, _ = _tablet_fog(problems[0], number)
    emulsion = problems[0].emulsion
    relative = np.exp(LN10 * b * (emulsion.log_sensitivity - REFERENCE_LOG_SENSITIVITY))
    shown = emulsion.weights * (1.0 - emulsion.native_fog)
    return math.log(max(abs(change), 1e-4) / float(shown @ relative) * 2.0)


def _result(
    fit: FilmFit,
    tablets: Sequence[FoggedSteps],
    problems: Sequence[_RecordFit],
    best: FloatArray,
    jacobian: FloatArray,
    residuals: FloatArray,
) -> FogCalibration:
    stated = all(problem.stated for problem in problems)
    used = best.size + sum(record.parameters for record in fit.records)
    freedom = max(1.0, residuals.size - used)
    badness = float(residuals @ residuals)
    covariance: FloatArray = np.asarray(np.linalg.pinv(jacobian.T @ jacobian))
    if not stated:
        covariance = covariance * badness / freedom
    errors = np.sqrt(np.diag(covariance))
    messages = list(fit.messages)
    b, hits = float(best[0]), np.exp(best[1:])
    if errors[0] > _VAGUE_EXPONENT or b > 1.99 or b < 0.03:
        text = (
            f"b = {b:.2f} +- {errors[0]:.2f} is no better known than for a generic film: the fog is too small, or the "
            "steps too few, to show how it falls on fast and slow grains."
        )
        warnings.warn(text, ValidityWarning, stacklevel=3)
        messages.append(text)
    probability = float(chi2.sf(badness, freedom)) if stated else None
    if probability is not None and probability < 1e-3:
        text = f"The residuals are larger than the stated errors (chance {probability:.1g}): something else changed."
        warnings.warn(text, ValidityWarning, stacklevel=3)
        messages.append(text)
    kappa, kappa_error = _kappa(tablets, best[1:], covariance[1:, 1:], messages)
    known = [number for number, tablet in enumerate(tablets) if tablet.kerma_ugy is not None]
    if not known:
        messages.append("No dose was given: only kappa times dose is known, and the film keeps the generic kappa.")
    records = tuple(
        replace(record, hit_exponent=b, hits_per_ugy=record.hits_per_ugy if kappa is None else kappa)
        for record in fit.film.records
    )
    return FogCalibration(
        film=replace(fit.film, records=records),
        fit=fit,
        hit_exponent=b,
        hit_exponent_error=float(errors[0]),
        hits=tuple(float(value) for value in hits),
        hits_relative_error=tuple(float(value) for value in errors[1:]),
        hits_per_ugy=kappa,
        hits_per_ugy_relative_error=kappa_error,
        correlation=float(covariance[0, 1] / (errors[0] * errors[1])),
        rms_density=float(np.sqrt(np.mean((residuals * np.concatenate([p.sigma for p in problems])) ** 2))),
        probability=probability,
        messages=tuple(messages),
    )


def _kappa(
    tablets: Sequence[FoggedSteps], log_hits: FloatArray, covariance: FloatArray, messages: list[str]
) -> tuple[float | None, float | None]:
    """Weighted mean of ln(M / K) over the tablets of known dose; a disagreement among them is said."""
    known = [number for number, tablet in enumerate(tablets) if tablet.kerma_ugy is not None]
    if not known:
        return None, None
    doses = np.array([float(tablets[number].kerma_ugy or 1.0) for number in known])
    each = log_hits[known] - np.log(doses)
    spread = covariance[np.ix_(known, known)] + np.diag([tablets[number].relative_error ** 2 for number in known])
    precision = np.linalg.pinv(spread)
    weight = precision.sum(axis=0) / precision.sum()
    mean = float(weight @ each)
    badness = float((each - mean) @ precision @ (each - mean))
    if len(known) > 1 and chi2.sf(badness, len(known) - 1) < 1e-3:
        text = (
            "The tablets disagree on kappa: "
            + ", ".join(f"{math.exp(value):.3g}" for value in each)
            + " per uGy. Check their doses."
        )
        warnings.warn(text, ValidityWarning, stacklevel=4)
        messages.append(text)
    return math.exp(mean), float(1.0 / math.sqrt(precision.sum()))


hold_to_annotations(globals())
