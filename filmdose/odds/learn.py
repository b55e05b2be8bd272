"""Learning from developed rolls: a measured fog, or an independent dose, changes what is believed of all the rest.

A fog reading sees only the product of kappa and dose (and of the film's own factor and
contrast).  It cannot tell a strong scanner from a fog-prone film, and does not need
to: the other rolls of the trip depend on the same product.  Rolls of different speed
say something about b; rolls with different passes separate the scanners; an
independent reading of the dose separates kappa from dose.  Nothing here assumes which
of these holds: draws are weighted by how well they explain the readings, and
:meth:`Learned.summary` shows what has narrowed.

Draws come a quarter from the prior and the rest from a normal distribution where the
readings point, found in the space of scores by a first, smaller set of draws around
the best explanation; the weights make up for where they came from.
"""

from __future__ import annotations

import json
import math
import warnings
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.special import gammaincc

from filmdose.arrays import FloatArray, check_array, check_count
from filmdose.errors import (
    ArgumentError,
    FilmdoseError,
    InputFileError,
    UnknownNameError,
    ValidityWarning,
    name_list,
)
from filmdose.files import parse_json, read_text, write_text_atomic
from filmdose.film.emulsion import Emulsion
from filmdose.odds.decision import weighted_quantile
from filmdose.odds.draw import roll_index
from filmdose.odds.groups import record_factor, record_offsets
from filmdose.odds.priors import SCORE_95, Prior, Priors
from filmdose.odds.tally import POINTS, Random, even_points, normal_points, random_generator, to_normal
from filmdose.odds.unknowns import LN10, Draws, TripModel, trip_model
from filmdose.tomlfile import Field, Table, read_rows
from filmdose.trip import DoseReading, FogReading, Reading, Roll, Trip, measured_fog, read_record, trip_readings

__all__ = ["ContradictionError", "Learned", "learn", "read_learned", "save_learned"]

#: Readings less likely than this under the prior are refused; less likely than the second, warned about.
REFUSED_BELOW, WARNED_BELOW = 1e-4, 1e-2

#: With fewer effective draws than this, quantiles in the tails are rough.
FEW_EFFECTIVE = 200.0

_FILE_FORMAT = "filmdose learned"
_FILE_VERSION = 1

#: A file keeps at least so many draws, none of them with a score that no prior gives.
_FEWEST_DRAWS, _GREATEST_SCORE = 100, 40.0

_LEARNED_FILE = (
    Table(
        name="",
        fields=(
            Field(name="format", required=True, choices=(_FILE_FORMAT,)),
            Field(name="version", type="whole", required=True, low=_FILE_VERSION, high=_FILE_VERSION),
            Field(name="title", required=True),
            Field(name="readings", type="texts", required=True),
            Field(name="probability", type="number", required=True, low=0, high=1),
            Field(name="draws", type="whole", required=True, low=1, high=2**30, arguments=("drawn",)),
            Field(name="effective_draws", type="number", required=True, low=1, high=2**30, arguments=("counted",)),
            Field(name="scanner_class_share", type="number", low=0, high=1),
        ),
    ),
    Table(
        name="inputs",
        shape="many",
        label="name",
        fields=(
            Field(name="name", required=True),
            Field(name="trip_only", type="truth", required=True),
            Field(name="prior", type="list", required=True, allowed="a list of kind, low, typical and high"),
            Field(name="scores", type="numbers", required=True),
        ),
    ),
)


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


def _prepare(model: TripModel, reading: Reading) -> _Prepared:
    index = roll_index(model, reading.roll)
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


# -- what has been learnt ----------------------------------------------------------------------------------------------


Points = tuple[str, float, float, float]


def _points(prior: Prior) -> Points:
    return prior.kind, prior.low, prior.typical, prior.high


@dataclass(frozen=True, kw_only=True, eq=False)
class Learned:
    """Weighted draws of a trip's unknowns after readings.

    Parameters
    ----------
    names
        Inputs of the trip, in the order of the columns of ``scores``.
    trip_only
        Which of them mean nothing on another trip.
    scores
        Standard normal scores under the prior, shape (draws, inputs).
    weights
        Weight of every draw; they sum to 1.
    points, scanner_class_share
        Kind, low, typical and high of the prior of every input, and the class share, under which a score has its
        meaning.
    title
        Title of the trip, or the name of its file.
    readings
        What was read, in words.
    probability
        Chance, before the readings, of readings that fit as badly or worse.
    model
        The trip that was learnt from; None for what was read from a file.
    drawn, counted
        Draws behind these and how many of them counted; of a file, of the learning that made it.
    """

    names: tuple[str, ...]
    trip_only: tuple[bool, ...]
    scores: FloatArray = field(repr=False)
    weights: FloatArray = field(repr=False)
    points: tuple[Points, ...] = field(repr=False)
    scanner_class_share: float | None
    title: str
    readings: tuple[str, ...]
    probability: float
    model: TripModel | None = field(repr=False, default=None)
    drawn: int = 0
    counted: float = 0.0

    def __post_init__(self) -> None:
        scores = check_array("scores", self.scores, nan_allowed=False)
        weights = check_array("weights", self.weights, low=0.0, nan_allowed=False)
        if scores.ndim != 2 or scores.shape[1] != len(self.names) or len(self.trip_only) != len(self.names):
            raise ArgumentError("scores", scores.shape, f"one column for each of {len(self.names)} inputs")
        if len(self.points) != len(self.names):
            raise ArgumentError("points", len(self.points), f"the prior of each of {len(self.names)} inputs")
        if weights.shape != (len(scores),) or not weights.sum() > 0.0:
            raise ArgumentError("weights", weights.shape, f"{len(scores)} weights of at least 0, not all zero")
        object.__setattr__(self, "scores", scores)
        weights = weights / weights.sum()
        object.__setattr__(self, "weights", weights)
        if not self.drawn:
            object.__setattr__(self, "drawn", len(weights))
            object.__setattr__(self, "counted", float(1.0 / np.sum(weights**2)))

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, Learned):
            return NotImplemented
        pairs = [(getattr(self, name), getattr(other, name)) for name in self.__dataclass_fields__]
        return all(np.array_equal(a, b) if isinstance(a, np.ndarray) else a == b for a, b in pairs)

    __hash__ = None  # type: ignore[assignment]  # its draws are arrays

    @property
    def effective_draws(self) -> float:
        """Effective sample size: 1 / sum of the squared weights."""
        return self.counted

    def matched(self, model: TripModel) -> tuple[list[int], FloatArray, FloatArray] | None:
        """Places of a trip's inputs that are known here, their draws, and the cumulative weights; None if none.

        What belongs to one trip (its scanners, its development) is used on the same trip only: one that is equal,
        or that has the same title (without one, the same file name).
        """
        same = bool(self.title) and trip_name(model.trip) == self.title
        same = same or (self.model is not None and self.model.trip == model.trip)
        pairs = [
            (model.position[name], column)
            for column, (name, only) in enumerate(zip(self.names, self.trip_only, strict=True))
            if name in model.position and (same or not only)
        ]
        if not pairs:
            return None
        places, columns = zip(*pairs, strict=True)
        self._check_priors(model, columns)
        # In the order of a score, so that neighbouring numbers choose alike draws.
        order = np.argsort(self.scores[:, columns[0]], kind="stable")
        return list(places), self.scores[order][:, list(columns)], np.cumsum(self.weights[order])

    def _check_priors(self, model: TripModel, columns: Sequence[int]) -> None:
        """A score means a value only under the prior with which it was learnt."""
        action = "Learn again with these priors, or use the ones that it was learnt with."
        for column in columns:
            name = self.names[column]
            now = _points(model.inputs[model.position[name]].prior)
            then = self.points[column]
            if now[0] != then[0] or not np.allclose(now[1:], then[1:], rtol=1e-9, atol=0.0):
                raise ArgumentError(f"prior of {name}", now, f"the one that was learnt with, {then}", action)
        shared = any(self.names[column].startswith("dose[") for column in columns)
        share = model.priors.scanner_class_share
        if shared and share != self.scanner_class_share:
            learnt = "that of each source" if self.scanner_class_share is None else f"{self.scanner_class_share:g}"
            raise ArgumentError("scanner_class_share", share, f"{learnt}, as learnt", action)

    def summary(self) -> pd.DataFrame:
        """What was believed before and after: kappa, b, the dose of every scanner, and kappa times each dose.

        Columns: low, typical, high before and after (5, 50, 95 %), and ``narrowed``: one minus the ratio of the
        widths in logarithms. Kappa times dose is what a fog reading identifies; kappa and dose alone narrow only
        as far as the prior or another reading tells them apart.
        """
        model = self._model()
        draws = normal_points(len(model.inputs), 4096, np.random.default_rng(0))
        rows = []
        for name, unit, function in _quantities(model):
            before = weighted_quantile(function(draws), POINTS)
            after = weighted_quantile(function(self.scores), POINTS, self.weights)
            width = [math.log(points[2] / points[0]) for points in (before, after)]
            rows.append(
                {
                    "quantity": name,
                    "unit": unit,
                    **dict(zip(("low_before", "typical_before", "high_before"), before, strict=True)),
                    **dict(zip(("low", "typical", "high"), after, strict=True)),
                    "narrowed": 1.0 - width[1] / width[0] if width[0] > 0.0 else 0.0,
                }
            )
        return pd.DataFrame(rows).set_index("quantity")

    def correlation(self, scanner: str | None = None) -> float:
        """Correlation of ln kappa with ln dose per pass of a scanner; -1 when only their product is known."""
        model = self._model()
        name = scanner if scanner is not None else model.scanners[0]
        if name not in model.scanners:
            raise UnknownNameError("scanner", scanner, model.scanners)
        pair = np.stack([model.log_kappa(self.scores), np.log(model.dose_per_pass_ugy(self.scores, name))])
        centred = pair - (pair @ self.weights)[:, None]
        covariance = (centred * self.weights) @ centred.T
        return float(covariance[0, 1] / math.sqrt(covariance[0, 0] * covariance[1, 1]))

    def _model(self) -> TripModel:
        if self.model is None:
            raise ArgumentError("learned", self.title, "what was learnt just now", "A file keeps draws only.")
        return self.model

    def __str__(self) -> str:
        return (
            f"learnt from {len(self.readings)} reading{'s' if len(self.readings) > 1 else ''} of "
            f"{self.title or 'a trip'}: {'; '.join(self.readings)} "
            f"({self.effective_draws:.0f} effective of {self.drawn} draws)"
        )


def trip_name(trip: Trip) -> str:
    """What tells one trip from another: its title, else the name of its file."""
    return trip.title or Path(trip.path).name


def _quantities(model: TripModel) -> list[tuple[str, str, Callable[[FloatArray], FloatArray]]]:
    result: list[tuple[str, str, Callable[[FloatArray], FloatArray]]] = [
        ("kappa", "1/uGy", lambda scores: np.exp(model.log_kappa(scores)))
    ]
    if "hit_exponent" in model.position:
        result.append(("hit_exponent", "1", lambda scores: model.draws(scores).hit_exponent))
    for name in model.scanners:
        result.append((name, "uGy per pass", partial(_dose, model, name)))
        result.append((f"kappa * {name}", "hits per pass", partial(_product, model, name)))
    return result


def _dose(model: TripModel, name: str, scores: FloatArray) -> FloatArray:
    return model.dose_per_pass_ugy(scores, name)


def _product(model: TripModel, name: str, scores: FloatArray) -> FloatArray:
    return np.asarray(np.exp(model.log_kappa(scores)) * model.dose_per_pass_ugy(scores, name))


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
    The chance compares the least of |z|**2 + |residuals|**2 with chi-squared of as many degrees of freedom as there
    are readings: exact for a linear model with normal priors, near it here.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> roll = Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="cabin-ct")))
    >>> taught = learn([roll], FogReading(roll="a", base_plus_fog=0.40, control=0.28, error=0.01))
    >>> narrowed = taught.summary()["narrowed"]
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
        points=tuple(_points(item.prior) for item in model.inputs),
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


# -- files -------------------------------------------------------------------------------------------------------------


def save_learned(learned: Learned, path: str | Path, *, draws: int = 4096) -> Path:
    """Write what was learnt to a JSON file, as equally weighted draws of the scores.

    Parameters
    ----------
    learned
        What to keep.
    path
        Where to; an existing file is replaced in one step.
    draws
        How many draws to keep [at least 100].
    """
    count = check_count("draws", draws, low=100, high=2**20)
    cumulative = np.cumsum(learned.weights)
    chosen = np.searchsorted(cumulative, (np.arange(count) + 0.5) / count, side="left")
    kept = learned.scores[np.minimum(chosen, len(cumulative) - 1)]
    data = {
        "format": _FILE_FORMAT,
        "version": _FILE_VERSION,
        "title": learned.title,
        "readings": list(learned.readings),
        "probability": learned.probability,
        "draws": learned.drawn,
        "effective_draws": learned.effective_draws,
        "scanner_class_share": learned.scanner_class_share,
        "inputs": [
            {
                "name": name,
                "trip_only": only,
                "prior": list(points),
                "scores": [round(float(value), 5) for value in kept[:, column]],
            }
            for column, (name, only, points) in enumerate(
                zip(learned.names, learned.trip_only, learned.points, strict=True)
            )
        ],
    }
    return write_text_atomic(path, json.dumps(data, ensure_ascii=False) + "\n")


def read_learned(path: str | Path) -> Learned:
    """Read what :func:`save_learned` wrote.

    Raises
    ------
    InputFileError
        Not such a file, or a damaged one.
    """
    data = parse_json(read_text(path), path)
    if not isinstance(data, dict) or data.get("format") != _FILE_FORMAT:
        raise InputFileError(path, "", "does not hold what measured rolls have taught.", "Make it with filmdose learn.")
    rows = read_rows(_LEARNED_FILE, data, path)
    (top,) = rows[""]
    inputs = rows["inputs"]
    sizes = {len(row["scores"]) for row in inputs}
    if len(sizes) != 1 or min(sizes) < _FEWEST_DRAWS:
        problem = f"has inputs of {name_list(sorted(map(str, sizes))) or 'no'} scores."
        action = f"Every input has the same number, at least {_FEWEST_DRAWS}. Make the file again."
        raise InputFileError(path, "table 'inputs'", problem, action)
    scores = np.array([row["scores"] for row in inputs]).T
    if np.abs(scores).max() > _GREATEST_SCORE:
        row = inputs[int(np.argmax(np.abs(scores).max(axis=0)))]
        row.refuse("scores", f"has one beyond {_GREATEST_SCORE:g}.", "Make the file again.")
    return top.build(
        Learned,
        names=tuple(row["name"] for row in inputs),
        trip_only=tuple(row["trip_only"] for row in inputs),
        scores=scores,
        weights=np.full(len(scores), 1.0 / len(scores)),
        points=tuple(row.build(_checked_points, row["prior"]) for row in inputs),
        readings=tuple(top["readings"]),
        **({"scanner_class_share": None} | top.arguments("format", "version", "readings")),
    )


def _checked_points(points: list[Any]) -> Points:
    if len(points) != 4:
        raise ArgumentError("prior", points, "a list of kind, low, typical and high")
    return _points(Prior(kind=points[0], low=points[1], typical=points[2], high=points[3]))
