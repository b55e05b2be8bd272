"""What measured rolls have taught: weighted draws of a trip's unknowns, and the file that keeps them."""

from __future__ import annotations

import json
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_count
from filmdose.errors import (
    ArgumentError,
    InputFileError,
    UnknownNameError,
    name_list,
)
from filmdose.files import parse_json, read_text, write_text_atomic
from filmdose.odds.decision import weighted_quantile
from filmdose.odds.priors import Prior
from filmdose.odds.scores import POINTS, normal_points
from filmdose.odds.unknowns import TripModel
from filmdose.result import Result
from filmdose.tomlfile import Field, Table, read_rows
from filmdose.trip import Trip

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Learned", "read_learned", "save_learned"]

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


Points = tuple[str, float, float, float]


def prior_points(prior: Prior) -> Points:
    return prior.kind, prior.low, prior.typical, prior.high


@dataclass(frozen=True, kw_only=True, eq=False)
class Learned(Result):
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
        super().__post_init__()

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
            now = prior_points(model.inputs[model.position[name]].prior)
            then = self.points[column]
            if now[0] != then[0] or not np.allclose(now[1:], then[1:], rtol=1e-9, atol=0.0):
                raise ArgumentError(f"prior of {name}", now, f"the one that was learnt with, {then}", action)
        shared = any(self.names[column].startswith("dose[") for column in columns)
        share = model.priors.scanner_class_share
        if shared and share != self.scanner_class_share:
            learnt = "that of each source" if self.scanner_class_share is None else f"{self.scanner_class_share:g}"
            raise ArgumentError("scanner_class_share", share, f"{learnt}, as learnt", action)

    def to_dataframe(self) -> pd.DataFrame:
        """What was believed before and after: kappa, b, the dose of every scanner, and kappa times each dose.

        Columns: low, typical, high before and after (5, 50, 95 %), and ``narrowed``: one minus the ratio of the
        widths in logarithms. Kappa times dose is what a fog reading identifies; kappa and dose alone narrow only
        as far as the prior or another reading tells them apart.
        """
        import pandas as pd

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


# -- files -------------------------------------------------------------------------------------------------------------


def save_learned(learned: Learned, path: str | Path, *, samples: int = 4096) -> Path:
    """Write what was learnt to a JSON file, as equally weighted draws of the scores.

    Parameters
    ----------
    learned
        What to keep.
    path
        Where to; an existing file is replaced in one step.
    samples
        How many draws to keep [at least 100].

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ArgumentError, OutputFileError
        Too few samples; the place cannot be written to.
    """
    count = check_count("samples", samples, low=100, high=2**20)
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

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Learned

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
    return prior_points(Prior(kind=points[0], low=points[1], typical=points[2], high=points[3]))


hold_to_annotations(globals())
