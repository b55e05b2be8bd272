"""Which unknown matters most, and what would narrow the answer.

Three views of the same draws: each unknown alone at its 5 and 95 % points (tornado);
shares of the variance, alone and with everything it acts together with (Sobol
indices); and how wide the answer would be on average after something was found out.
The answer looked at is the compensation of least loss of one roll, which is finite even
where nothing helps.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import ndtri

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_count, check_number
from filmdose.errors import ArgumentError
from filmdose.odds.draw import roll_need
from filmdose.odds.learning import fog_of
from filmdose.odds.priors import SCORE_95, Prior, Priors
from filmdose.odds.scores import Random, random_generator
from filmdose.odds.tally import ScoreStream
from filmdose.odds.unknowns import TripModel, trip_model
from filmdose.question import Question
from filmdose.result import Result
from filmdose.trip import FogReading, Roll, Trip, read_record

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Narrowing", "expected_width", "narrowing", "sobol_table", "tornado", "trip_sobol"]

_CONFIDENCE = 0.90


def tornado(
    trip: Trip | TripModel | Sequence[Roll],
    roll: str,
    *,
    question: Question | None = None,
    priors: Priors | None = None,
) -> pd.DataFrame:
    """Stops to give of a roll with one unknown at a time at its 5 and 95 % points, all others at the typical one.

    Parameters
    ----------
    trip, question, priors
        As of :func:`filmdose.odds.propagate`.
    roll
        Id of the roll.

    Returns
    -------
    DataFrame, widest first: index ``input``; columns low and high (stops at the 5 and 95 % point), typical, and
    swing, their distance [stops]. Unknowns that do not move it at all are left out.

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range, or no such roll.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> rolls = [Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="cabin-ct")))]
    >>> tornado(rolls, "a").index[0]
    'dose per pass of cabin-ct'
    """
    import pandas as pd

    model = trip_model(trip, priors)
    need = roll_need(model, roll, question or Question())
    axes = model.axes()
    if not axes:
        raise ArgumentError("roll", roll, "a roll of which something is uncertain", "All its inputs are known.")
    vectors = np.array(list(axes.values())).reshape(len(axes), len(model.inputs))
    middle = float(need(np.zeros((1, len(model.inputs))))[0])
    low, high = (need(side * SCORE_95 * vectors) for side in (-1.0, 1.0))
    table = pd.DataFrame({"low": low, "typical": middle, "high": high, "swing": np.abs(high - low)}, index=list(axes))
    table = table[np.maximum(np.abs(low - middle), np.abs(high - middle)) > 1e-9]
    return table.rename_axis("input").sort_values("swing", ascending=False, kind="stable")


def sobol_table(
    function: Callable[[FloatArray], FloatArray],
    priors: Mapping[str, Prior],
    *,
    samples: int = 1024,
    resamples: int = 200,
    rng: Random = 0,
) -> pd.DataFrame:
    """First and total Sobol indices of any function of independent uncertain inputs.

    first = Var(E[y | x]) / Var(y);  total = 1 - Var(E[y | all but x]) / Var(y)

    Parameters
    ----------
    function
        From values, shape (draws, inputs in the order of ``priors``), to answers, shape (draws,).
    priors
        Inputs by name.
    samples
        Base sample, a power of two [at least 64]; the function is called for (inputs + 2) times as many draws.
    resamples
        For the confidence intervals [at least 10].
    rng
        Seed or generator.

    Returns
    -------
    DataFrame, largest total first: index ``input``; columns first, first_low, first_high, total, total_low,
    total_high, with 90 % bootstrap intervals.

    Raises
    ------
    ArgumentError
        A value out of range.

    References
    ----------
    saltelli2010

    Examples
    --------
    >>> narrow, wide = (Prior(low=-end, typical=0, high=end, kind="normal") for end in (1, 2))
    >>> two = {"a": narrow, "b": wide}
    >>> table = sobol_table(lambda x: x[:, 0] + x[:, 1], two, samples=1024, resamples=10)
    >>> table["total"].round(1).to_dict()
    {'b': 0.8, 'a': 0.2}
    """
    items = list(priors.values())
    if not items:
        raise ArgumentError("priors", {}, "at least one uncertain input")

    def on_scores(scores: FloatArray) -> FloatArray:
        return function(np.stack([np.asarray(p.value(s)) for p, s in zip(items, scores.T, strict=True)], axis=1))

    return _sobol(on_scores, list(priors), samples, resamples, rng)


def _sobol(
    on_scores: Callable[[FloatArray], FloatArray], names: list[str], samples: int, resamples: int, rng: Random
) -> pd.DataFrame:
    import pandas as pd

    count = check_count("samples", samples, low=64, high=2**20)
    if count & (count - 1):
        raise ArgumentError("samples", samples, "a power of two, such as 1024")
    boots = check_count("resamples", resamples, low=10, high=100_000)
    generator = random_generator(rng)

    def answers(scores: FloatArray) -> FloatArray:
        return check_array("answers", np.asarray(on_scores(scores), dtype=np.float64), nan_allowed=False)

    from scipy.stats import qmc, sobol_indices  # takes a third of a second

    inputs = len(names)
    uniform = qmc.Sobol(d=2 * inputs, rng=generator, bits=64).random(count)
    one, other = (ndtri(half) for half in np.split(uniform, 2, axis=1))
    mixed = np.repeat(one[None], inputs, axis=0)  # (inputs, draws, inputs)
    for number in range(inputs):
        mixed[number, :, number] = other[:, number]
    drawn = np.stack([answers(one), answers(other), *answers(mixed.reshape(-1, inputs)).reshape(inputs, count)])

    def indices(which: Any) -> FloatArray:
        part = drawn[:, None, which]
        found = sobol_indices(func={"f_A": part[0], "f_B": part[1], "f_AB": part[2:]}, n=count)
        return np.stack([np.ravel(found.first_order), np.ravel(found.total_order)])

    first, total = indices(slice(None))
    again = np.stack([indices(generator.integers(count, size=count)) for _ in range(boots)])
    ends = 0.5 * (1.0 - _CONFIDENCE), 0.5 * (1.0 + _CONFIDENCE)
    (first_low, total_low), (first_high, total_high) = np.quantile(again, ends, axis=0)
    table = pd.DataFrame(
        {
            "first": first,
            "first_low": first_low,
            "first_high": first_high,
            "total": total,
            "total_low": total_low,
            "total_high": total_high,
        },
        index=pd.Index(names, name="input"),
    )
    return table.sort_values("total", ascending=False, kind="stable")


def trip_sobol(
    trip: Trip | TripModel | Sequence[Roll],
    roll: str,
    *,
    question: Question | None = None,
    priors: Priors | None = None,
    samples: int = 1024,
    resamples: int = 200,
    rng: Random = 0,
) -> pd.DataFrame:
    """First and total Sobol indices of the stops to give of a roll, for the unknowns before anything is measured.

    Parameters
    ----------
    trip, roll, question, priors
        As of :func:`tornado`.
    samples, resamples, rng
        As of :func:`sobol_table`, which also says what is returned.

    Returns
    -------
    DataFrame

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range, or no such roll.

    Notes
    -----
    What has been learnt makes the unknowns dependent, and the indices would lose
    their meaning; so they are those of the prior.
    """
    model = trip_model(trip, priors)
    need = roll_need(model, roll, question or Question())
    axes = {name: vector for name, vector in model.axes().items() if _moves(need, vector)}
    if not axes:
        raise ArgumentError("roll", roll, "a roll whose answer is uncertain", "It took no dose, or all is known.")
    matrix = np.array(list(axes.values()))
    return _sobol(lambda scores: need(scores @ matrix), list(axes), samples, resamples, rng)


def _moves(need: Callable[[FloatArray], FloatArray], vector: FloatArray) -> bool:
    """Whether an unknown changes the answer at all."""
    scores = np.array([-2.0, -1.0, 0.0, 1.0, 2.0])[:, None] * vector
    return float(np.ptp(need(scores))) > 1e-9


# -- what would narrow this most ---------------------------------------------------------------------------------------


def expected_width(outcome: FloatArray, answer: FloatArray, *, bins: int = 64, share: float = 0.90) -> float:
    """Mean width of the central interval of an answer once an outcome is known.

    Parameters
    ----------
    outcome
        What would be read, its error included, one for each draw.
    answer
        The answer of the same draws.
    bins
        Draws are sorted by outcome into so many groups of equal size.
    share
        Share of the cases inside the interval [0 to 1].
    """
    groups = check_count("bins", bins, low=1, high=max(1, len(answer) // 20))
    inside = check_number("share", share, low=0.0, low_open=True, high=1.0)
    tails = [0.5 * (1.0 - inside), 0.5 * (1.0 + inside)]
    order = np.argsort(outcome, kind="stable")
    parts = np.array_split(np.asarray(answer)[order], groups)
    return float(np.mean([np.diff(np.quantile(part, tails))[0] for part in parts]))


@dataclass(frozen=True, kw_only=True)
class Narrowing(Result):
    """What would narrow the answer for one roll.

    Parameters
    ----------
    roll
        Id of the roll.
    width_stops
        Width of its 90 % interval now [stops].
    table
        One row for each thing to find out, best first: index ``action``; columns width_stops, the mean width after
        it, and narrowed, the share of the width that goes [1].
    """

    roll: str
    width_stops: float
    table: pd.DataFrame

    @property
    def message(self) -> str:
        """The best steps in one or two sentences."""
        useful = self.table[self.table["narrowed"] > 0.05].head(3)
        head = f"Nine of ten cases for roll {self.roll} span {self.width_stops:.1f} stops."
        if useful.empty:
            return f"{head} Nothing on the list would narrow that by much."
        first, *others = (
            f"{action} (to {row.width_stops:.1f} stops on average)"
            for action, row in zip(useful.index, useful.itertuples(), strict=True)
        )
        then = "" if not others else " Then: " + "; ".join(others) + "."
        return f"{head} What would narrow that most: {first}.{then}"

    def __str__(self) -> str:
        return f"{self.message}\n{self.table.to_string(float_format='{:.2f}'.format)}"

    def _repr_html_(self) -> str:
        import html

        return f"<p>{html.escape(self.message)}</p>" + self.table.to_html(float_format="{:.2f}".format)

    def to_dataframe(self) -> pd.DataFrame:
        """What would narrow the answer, best first; a copy of ``table``."""
        return self.table.copy()


def narrowing(
    trip: Trip | TripModel | Sequence[Roll],
    roll: str,
    *,
    question: Question | None = None,
    priors: Priors | None = None,
    fog_error: float = 0.015,
    dose_error: float = 0.2,
    samples: int = 2**15,
    rng: Random = 0,
) -> Narrowing:
    """How much each thing that can be found out would narrow the stops to give of a roll.

    Parameters
    ----------
    trip, roll, question, priors
        As of :func:`tornado`.
    fog_error
        Standard error of a measured fog, control included [density; above 0].
    dose_error
        Standard error of ln(dose per pass) when a scanner's dose is found out [1; above 0].
    samples, rng
        Number of draws [at least 4096] and seed.

    Returns
    -------
    Narrowing

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range, or no such roll.

    Notes
    -----
    Before a roll is measured its reading is not known; the width after it is an
    average over what it may show, from groups of draws with alike readings.
    """
    import pandas as pd

    model = trip_model(trip, priors)
    need = roll_need(model, roll, question or Question())
    error = check_number("fog_error", fog_error, low=0.0, low_open=True, unit="density")
    dose = check_number("dose_error", dose_error, low=0.0, low_open=True)
    count = 2 ** math.ceil(math.log2(check_count("samples", samples, low=4096, high=2**22)))
    generator = random_generator(rng)
    scores = ScoreStream(model, None, count, generator).next()
    draws = model.draws(scores)
    answer = need(scores)
    noise = generator.standard_normal(count)
    outcomes: dict[str, Any] = {}
    for index, other in enumerate(model.trip.rolls):
        _, record = read_record(other.film, FogReading(base_plus_fog=0.0))
        reading = fog_of(record, other, index, draws, "mean") + error * noise
        what = f"a clip of roll {other.id} itself" if other.id == roll else f"roll {other.id}"
        outcomes[f"measure the fog of {what} against a control"] = reading
    for name in model.scanners:
        words = name.removeprefix("dose[").removesuffix("]").replace(" @ ", ", ")
        reading = np.log(model.dose_per_pass_ugy(scores, name)) + dose * noise
        outcomes[f"find out the type of scanner and its dose per pass ({words})"] = reading
    for place, item in enumerate(model.inputs):
        column = scores[:, place]
        if item.name.startswith("shield_thickness["):
            outcomes[f"measure the {item.label}"] = column
        elif item.name.startswith("film_contrast["):
            kind = item.name.removeprefix("film_contrast[").removesuffix("]")
            what = "develop a test strip and measure its contrast"
            outcomes[what if len(model.kinds) == 1 else f"{what} ({kind})"] = column
    width = float(np.diff(np.quantile(answer, [0.05, 0.95]))[0])
    after = {action: min(expected_width(reading, answer), width) for action, reading in outcomes.items()}
    table = pd.DataFrame({"width_stops": after}).rename_axis("action")
    table["narrowed"] = 1.0 - table["width_stops"] / width if width > 0.0 else 0.0
    return Narrowing(roll=roll, width_stops=width, table=table.sort_values("width_stops", kind="stable"))


hold_to_annotations(globals())
