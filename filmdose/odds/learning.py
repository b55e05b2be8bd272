"""Learning from developed rolls: a measured fog, or an independent dose, changes what is believed of all the rest.

A fog reading sees only the product of kappa and dose (and of the film's own factor and
contrast).  It cannot tell a strong scanner from a fog-prone film, and does not need
to: the other rolls of the trip depend on the same product.  Rolls of different speed
say something about b; rolls with different passes separate the scanners; an
independent reading of the dose separates kappa from dose.  Nothing here assumes which
of these holds: draws are weighted by how well they explain the readings, and
:meth:`Learned.to_dataframe` shows what has narrowed.

Draws come a quarter from the prior and the rest from a normal distribution where the
readings point, found in the space of scores by a first, smaller set of draws around
the best explanation; the weights make up for where they came from.
"""

from __future__ import annotations

import math
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaincc

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_count
from filmdose.errors import (
    ArgumentError,
    FilmdoseError,
    ValidityWarning,
)
from filmdose.film.emulsion import Emulsion
from filmdose.names import FogPlace
from filmdose.odds.groups import record_factor, record_offsets
from filmdose.odds.learned import Learned, prior_points, trip_name
from filmdose.odds.priors import SCORE_95, Priors
from filmdose.odds.scores import Random, even_points, normal_points, random_generator, to_normal
from filmdose.odds.unknowns import LN10, Draws, TripModel, trip_model
from filmdose.trip import DoseReading, FogReading, Reading, Roll, Trip, measured_fog, read_record, trip_readings

__all__ = ["ContradictionError", "learn", "roll_fog"]

#: Readings less likely than this under the prior are refused; less likely than the second, warned about.
REFUSED_BELOW, WARNED_BELOW = 1e-4, 1e-2

#: With fewer effective draws than this, quantiles in the tails are rough.
FEW_EFFECTIVE = 200.0


class ContradictionError(FilmdoseError, ValueError):
    """The readings cannot be true together with what was believed before."""


# -- what a reading predicts -------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Prepared:
    """A reading turned into residuals: (observed - predicted) / error."""

    name: str
    predicted: Callable[[Draws], FloatArray]
    observed: float
    error: float

    def residual(self, draws: Draws) -> FloatArray:
        return np.asarray((self.observed - self.predicted(draws)) / self.error)


def fog_of(record: Emulsion, roll: Roll, index: int, draws: Draws, where: str) -> FloatArray:
    """Fog of a record in every draw [density], straight from the sum over its grains."""
    place = roll.film.records.index(record)
    name = roll.film.record_names[place]
    contrast = draws.shapes[roll.film.kind][name]["film_contrast"]
    offsets, log_kappas = record_offsets(roll.film)
    b = draws.hit_exponent + offsets[place]
    log_hits = draws.log_hits[:, index] + log_kappas[place]
    if where == "worst":
        log_hits = log_hits + np.log(draws.peak[:, index])
    distance = record.log_sensitivity - record.reference_log_sensitivity
    log_hits = log_hits + np.log(record_factor(roll.film, name, draws))
    hits = np.exp(log_hits[:, None] + LN10 * b[:, None] * distance)
    developed = -np.expm1(-hits) @ (record.weights * (1.0 - record.native_fog))
    return np.asarray((-1.0 if record.positive else 1.0) * contrast * developed)


def roll_fog(
    model: TripModel, roll: str, *, record: str = "", where: FogPlace = "mean"
) -> Callable[[FloatArray], FloatArray]:
    """Fog of one roll as a function of scores [density], as a :class:`~filmdose.trip.FogReading` of it would find it.

    Parameters
    ----------
    model
        A trip with its unknowns.
    roll
        Id of the roll.
    record, where
        As of :class:`~filmdose.trip.FogReading`.

    Returns
    -------
    function
        Of standard normal scores, shape (draws, inputs of the model); gives shape (draws,).

    Raises
    ------
    UnknownNameError
        No such roll, or no such record.

    Examples
    --------
    >>> from filmdose.history import History, Pass
    >>> from filmdose.film.generic import generic_film
    >>> trip = [Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="cabin-ct")))]
    >>> model = trip_model(trip)
    >>> bool(0.02 < roll_fog(model, "a")(np.zeros((1, len(model.inputs))))[0] < 0.2)
    True
    """
    index = model.index(roll)
    found = model.trip.rolls[index]
    reading = FogReading(roll=roll, base_plus_fog=0.0, record=record, where=where)
    _, emulsion = read_record(found.film, reading)
    return lambda scores: fog_of(emulsion, found, index, model.draws(scores), where)


def _prepare(model: TripModel, reading: Reading) -> _Prepared:
    index = model.index(reading.roll)
    roll = model.trip.rolls[index]
    if isinstance(reading, DoseReading):
        badge = reading.kerma
        if not model.draws(np.zeros((1, len(model.inputs)))).air_kerma_ugy[0, index] > 0.0:
            raise ArgumentError("dose reading", reading.roll, "a roll that took a dose", "Add its passes to the trip.")
        return _Prepared(
            name=f"dose of roll {reading.roll}",
            predicted=lambda draws: np.log(draws.air_kerma_ugy[:, index]),
            observed=math.log(badge.air_kerma_ugy),
            error=badge.log_sigma,
        )
    name, record = read_record(roll.film, reading)
    fog, error, _ = measured_fog(roll.film, reading)
    if reading.control is None and reading.darker_stops is None:
        base = model.priors["base_plus_fog_error"]
        error = math.hypot(error, (base.high - base.low) / (2.0 * SCORE_95))
    sign = -1.0 if record.positive else 1.0
    greatest = float(record.maximum_density() - record.minimum_density())
    if sign * fog > greatest + 3.0 * error:
        raise ArgumentError(
            "base_plus_fog",
            reading.base_plus_fog,
            f"a fog of at most {greatest:.2f}, the range of this film",
            f"Roll {reading.roll} reads {abs(fog):.2f} of fog: was it exposed to light, or is it another film?",
        )
    if sign * fog < -3.0 * error:
        raise ArgumentError(
            "base_plus_fog",
            reading.base_plus_fog,
            f"a scanned roll that is fogged at least as much as its control, within the error {error:.3f}",
            f"Roll {reading.roll} reads {sign * fog:.3f}: are roll and control swapped?",
        )
    return _Prepared(
        name=f"fog of roll {reading.roll} ({name})",
        predicted=partial(_fog_predicted, record, roll, index, reading.where),
        observed=fog,
        error=error,
    )


def _fog_predicted(record: Emulsion, roll: Roll, index: int, where: str, draws: Draws) -> FloatArray:
    return fog_of(record, roll, index, draws, where)


# -- learning ----------------------------------------------------------------------------------------------------------


def learn(
    trip: Trip | TripModel | Sequence[Roll],
    readings: Reading | Iterable[Reading] | None = None,
    *,
    priors: Priors | None = None,
    learned: Learned | None = None,
    samples: int = 2**15,
    rng: Random = 0,
) -> Learned:
    """What measured rolls teach about a trip: weighted draws of all its unknowns.

    weight = prior(z) likelihood(z) / proposal(z), with the likelihood normal in fog density (and log-normal in
    dose) around what the draw predicts, and the proposal a quarter prior, the rest normal where the readings point.

    Parameters
    ----------
    trip
        The trip of the rolls, or its model.
    readings
        Fog readings and dose readings, of any rolls of the trip; those of the trip itself when left out.
    priors
        Shipped ones when left out.
    learned
        What earlier trips have taught.
    samples
        Number of draws [at least 256], rounded up to a power of two.
    rng
        Seed or generator.

    Returns
    -------
    Learned

    Raises
    ------
    ArgumentError
        No reading, a roll that is not there, a fog that the film cannot have.
    ContradictionError
        Readings with a chance below 1 in 10 000 under what was believed before: something is wrong in one of them.

    Warns
    -----
    ValidityWarning
        A chance below 1 %, or fewer than 200 effective draws.

    Notes
    -----
    The chance compares the least of ``|z|**2 + |residuals|**2`` with chi-squared of as many degrees of freedom as there
    are readings: exact for a linear model with normal priors, near it here.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> roll = Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="cabin-ct")))
    >>> taught = learn([roll], FogReading(roll="a", base_plus_fog=0.40, control=0.28, error=0.01))
    >>> narrowed = taught.to_dataframe()["narrowed"]
    >>> bool(narrowed["kappa * dose[cabin-ct @ this trip]"] > 0.5), bool(narrowed["kappa"] > 0.2)
    (True, False)
    """
    model = trip_model(trip, priors)
    if readings is None:
        readings = trip_readings(model.trip)
    given = (readings,) if isinstance(readings, (FogReading, DoseReading)) else tuple(readings)
    if not given:
        raise ArgumentError("readings", given, "at least one FogReading or DoseReading")
    for reading in given:
        if not isinstance(reading, (FogReading, DoseReading)):
            raise ArgumentError("readings", reading, "FogReading and DoseReading objects")
    if not model.inputs:
        raise ArgumentError("priors", "everything known", "at least one uncertain input to learn about")
    prepared = [_prepare(model, reading) for reading in given]
    count = 2 ** math.ceil(math.log2(check_count("samples", samples, low=256, high=2**22)))
    generator = random_generator(rng)
    known = None if learned is None else learned.matched(model)
    explanation = _explain(model, prepared)
    probability = _chance_of_worse(explanation.badness, len(prepared))
    if known is None:
        if probability < REFUSED_BELOW:
            raise ContradictionError(_contradiction(prepared, explanation, probability))
        scores, log_weights = _propose(model, prepared, explanation, count, generator)
    else:
        scores = _from_learned(model, known, count, generator)
        log_weights = _weigh(model, prepared, scores)
    if not np.any(np.isfinite(log_weights)):
        raise ContradictionError("The readings cannot be explained by any draw: check rolls, counts and densities.")
    weights = np.exp(log_weights - log_weights.max())
    if known is not None:
        # The best draw against the best that there could be: with few draws near the readings, say so.
        probability = _chance_of_worse(-2.0 * float(log_weights.max()), len(prepared))
        if probability < REFUSED_BELOW:
            raise ContradictionError(
                "The readings contradict what earlier trips have taught: no draw comes near them "
                f"(chance {probability:.1g}). Check rolls, counts and densities, or learn from this trip alone."
            )
    result = Learned(
        names=tuple(item.name for item in model.inputs),
        trip_only=tuple(item.trip_only for item in model.inputs),
        scores=scores,
        weights=weights,
        points=tuple(prior_points(item.prior) for item in model.inputs),
        scanner_class_share=model.priors.scanner_class_share,
        title=trip_name(model.trip),
        readings=tuple(item.name for item in prepared),
        probability=probability,
        model=model,
    )
    if probability < WARNED_BELOW:
        warnings.warn(_contradiction(prepared, explanation, probability), ValidityWarning, stacklevel=2)
    if result.effective_draws < FEW_EFFECTIVE:
        text = (
            f"Only {result.effective_draws:.0f} of {count} draws count: the readings are much sharper than what was "
            "believed before. Take more samples."
        )
        warnings.warn(text, ValidityWarning, stacklevel=2)
    return result


def _chance_of_worse(badness: float, readings: int) -> float:
    """Upper tail of chi-square."""
    return float(gammaincc(0.5 * readings, 0.5 * badness))


@dataclass(frozen=True, kw_only=True)
class _Explanation:
    """The scores that explain the readings best, with the normal distribution around them."""

    best: FloatArray
    factor: FloatArray  # Cholesky factor of the covariance
    badness: float
    residuals: FloatArray


def _residuals(model: TripModel, prepared: Sequence[_Prepared], scores: FloatArray) -> FloatArray:
    draws = model.draws(scores)
    return np.stack([item.residual(draws) for item in prepared], axis=-1)


def _explain(model: TripModel, prepared: Sequence[_Prepared]) -> _Explanation:
    """Least |z|**2 + |residuals(z)|**2 by damped Gauss-Newton steps from the prior's middle."""
    size, step = len(model.inputs), 1e-3
    best = np.zeros(size)
    damping = 1e-3
    offsets = np.vstack([np.zeros(size), step * np.eye(size), -step * np.eye(size)])

    def badness(scores: FloatArray) -> float:
        return float(scores @ scores + np.sum(_residuals(model, prepared, scores[None])[0] ** 2))

    value = badness(best)
    for _ in range(60):
        around = _residuals(model, prepared, best + offsets)
        jacobian = (around[1 : size + 1] - around[size + 1 :]).T / (2.0 * step)
        gradient = best + jacobian.T @ around[0]
        curvature = np.eye(size) + jacobian.T @ jacobian
        while damping < 1e8:
            trial = best - np.linalg.solve(curvature + damping * np.diag(np.diag(curvature)), gradient)
            # Beyond six standard deviations nothing is believed, and a step there is an overshoot.
            trial = np.clip(trial, -6.0, 6.0)
            new = badness(trial)
            if new < value:
                break
            damping *= 4.0
        else:
            break
        improvement = value - new
        best, value, damping = trial, new, max(damping / 10.0, 1e-9)
        if improvement < 1e-8 * (1.0 + value):
            break
    around = _residuals(model, prepared, best + offsets)
    jacobian = (around[1 : size + 1] - around[size + 1 :]).T / (2.0 * step)
    covariance = np.linalg.inv(np.eye(size) + jacobian.T @ jacobian)
    return _Explanation(
        best=best,
        factor=np.asarray(np.linalg.cholesky(0.5 * (covariance + covariance.T))),
        badness=value,
        residuals=around[0],
    )


#: The normal proposal is this much wider than what it follows: tails that are too thin cost more than a few draws.
_WIDER = 1.2


def _weigh(model: TripModel, prepared: Sequence[_Prepared], scores: FloatArray) -> FloatArray:
    """ln of the likelihood of every draw."""
    return np.asarray(-0.5 * np.sum(_residuals(model, prepared, scores) ** 2, axis=1))


def _propose(
    model: TripModel, prepared: Sequence[_Prepared], explanation: _Explanation, count: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Draws and ln(prior likelihood / proposal), in two rounds: around the best explanation, then where the mass is."""
    scores, log_weights = _mixture(explanation.best, _WIDER * explanation.factor, count // 4, rng)
    log_weights = log_weights + _weigh(model, prepared, scores)
    weights = np.exp(log_weights - log_weights.max())
    weights /= weights.sum()
    mean = weights @ scores
    centred = scores - mean
    covariance = (centred * weights[:, None]).T @ centred
    # What few draws say about many directions is blended with the curvature around the best explanation.
    sure = 1.0 / (1.0 + 2.0 * len(mean) * float(np.sum(weights**2)))
    blend = sure * covariance + (1.0 - sure) * explanation.factor @ explanation.factor.T
    centre = sure * mean + (1.0 - sure) * explanation.best
    factor = np.linalg.cholesky(0.5 * (blend + blend.T) + 1e-12 * np.eye(len(mean)))
    scores, log_weights = _mixture(centre, _WIDER * factor, count, rng)
    return scores, log_weights + _weigh(model, prepared, scores)


def _mixture(
    centre: FloatArray, factor: FloatArray, count: int, rng: np.random.Generator
) -> tuple[FloatArray, FloatArray]:
    """Draws, a quarter from the prior and the rest normal, and ln(prior / proposal)."""
    few = count // 4
    near = centre + normal_points(centre.size, count - few, rng) @ factor.T
    scores = np.vstack([normal_points(centre.size, few, rng), near])
    whitened = (scores - centre) @ np.linalg.inv(factor).T
    log_prior = -0.5 * np.sum(scores**2, axis=1)
    log_near = -0.5 * np.sum(whitened**2, axis=1) - float(np.sum(np.log(np.diag(factor))))
    log_proposal = np.logaddexp(log_prior + math.log(0.25), log_near + math.log(0.75))
    return scores, np.asarray(log_prior - log_proposal)


def _from_learned(
    model: TripModel, known: tuple[list[int], FloatArray, FloatArray], count: int, rng: np.random.Generator
) -> FloatArray:
    """Draws of what earlier trips have taught, the rest from the prior."""
    size = len(model.inputs)
    even = even_points(count, size + 1, rng)
    scores = to_normal(even[:, :size])
    places, draws, cumulative = known
    chosen: NDArray[np.intp] = np.minimum(np.searchsorted(cumulative, even[:, size], side="right"), len(draws) - 1)
    scores[:, places] = draws[chosen]
    return scores


def _contradiction(prepared: Sequence[_Prepared], explanation: _Explanation, probability: float) -> str:
    worst = int(np.argmax(np.abs(explanation.residuals)))
    left = abs(float(explanation.residuals[worst]))
    if left > 2.0:
        between = f"The {prepared[worst].name} stays {left:.1f} standard errors off whatever is assumed. "
        if left > 3.0 and len(prepared) > 1:
            between += "The readings contradict each other. "
    else:
        between = f"It takes {np.abs(explanation.best).max():.1f} standard deviations of one unknown to explain them. "
    names = "; ".join(item.name for item in prepared)
    verdict = "contradict by far" if probability < REFUSED_BELOW else "hardly agree with"
    return (
        f"The readings ({names}) {verdict} what was believed before: chance {probability:.1g}. {between}"
        "Check that the rolls, their passes and the control are the right ones, or give wider priors."
    )


hold_to_annotations(globals())
