"""How sure the exposure index of every roll is: draws through the solver itself.

The exposure that is recommended makes the loss of :mod:`filmdose.decision`, averaged over the draws, least.  Draws run
through in blocks and are counted in histograms, so that memory does not grow with their number.  They come in two
halves, each in a thread of its own where there are many; how far the halves differ says how far the figures have
settled.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_count
from filmdose.decision import LossTally, mean_highlight
from filmdose.odds.decision import Cases
from filmdose.odds.groups import FilmGroup, NegativeCases, film_groups, lost_cases
from filmdose.odds.learned import Learned
from filmdose.odds.priors import Priors
from filmdose.odds.results import TripOdds, rolls_odds
from filmdose.odds.scores import POINTS, Random, check_samples, random_generator
from filmdose.odds.tally import RollTally, ScoreStream, case_scores, middle_scores
from filmdose.odds.unknowns import Draws, TripModel, trip_model
from filmdose.question import Question
from filmdose.solution import record_solvers
from filmdose.solver import Light
from filmdose.threads import one_thread
from filmdose.trip import Roll, Trip, roll_question

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DEFAULT_SAMPLES", "draw_stops", "kerma_ends", "middle_kermas", "propagate", "roll_need"]

DEFAULT_SAMPLES = 2**15

_BLOCK = 4096  # of shorter ones two threads wait for each other a third of the time; longer ones leave the caches
_TOGETHER = 2048  # draws of which both halves are solved in one go: their arrays are too short for threads to help


@dataclass(frozen=True, kw_only=True)
class _Plan:
    """What every thread needs to know of a trip."""

    model: TripModel
    groups: list[FilmGroup]
    questions: list[Question]


def _count_block(plan: _Plan, draws: Draws, tallies: Sequence[list[RollTally]]) -> None:
    """Solve a block of draws and count equal parts of it, each in a list of tallies of its own."""
    size = draws.hit_exponent.size // len(tallies)
    parts = [slice(size * place, size * (place + 1)) for place in range(len(tallies))]
    for group in plan.groups:
        rows, light = group.shapes(draws), group.solvers[0].light
        highlights: dict[float, tuple[FloatArray, list[FloatArray]]] = {}
        for column, roll in enumerate(group.rolls):
            question, kerma = plan.questions[roll], draws.kerma_ugy[:, roll]
            hits = group.hits(draws, column)
            if group.film.reversal:
                lost = group.reversal(rows, hits)
                stops = np.where(lost.lost, np.inf, lost.range_stops)
                for tally, part in zip(tallies, parts, strict=True):
                    fog, kept = lost.maximum_density[part], lost.snr_kept[part]
                    tally[roll].count(kerma[part], stops=stops[part], fog=fog, snr_kept=kept)
                continue
            if question.scene_range not in highlights:
                lost_there = group.highlight(rows, question)
                means = [mean_highlight(lost_there[part] if len(lost_there) > 1 else lost_there) for part in parts]
                highlights[question.scene_range] = lost_there, means
            highlight, means = highlights[question.scene_range]
            found = group.negative(rows, highlight, hits, question)
            for tally, part, mean in zip(tallies, parts, means, strict=True):
                _count_cases(tally[roll], kerma[part], found.part(part), mean, light)


def _count_cases(
    tally: RollTally, kerma_ugy: FloatArray, found: NegativeCases, highlight_mean: FloatArray, light: Light
) -> None:
    question = tally.question
    beyond = lost_cases(found.snr_given, question)
    stops = np.where(beyond, np.inf, found.best)
    tally.count(kerma_ugy, stops=stops, fog=found.fog_density, snr_kept=found.snr_kept)
    tally.partly += int((~beyond & ~found.restored).sum())
    if tally.loss is None:
        tally.loss = LossTally(found.shadow, found.highlight, light.step, question)
        tally.cases = Cases(found, light, question)
    tally.loss.add(found.shadow, highlight_mean, found.best)


def middle_kermas(model: TripModel, learned: Learned | None = None) -> list[float]:
    """Kerma that fogs each film as it is like the worst band of the middle case [uGy], by roll.

    Where nothing was learnt everything is typical then, and the dose is that of :func:`filmdose.history.history_dose`
    with the bands of its sources: the case of which every other output tells.  Else it is the median of what was
    learnt.

    Parameters
    ----------
    model
        A trip with its unknowns.
    learned
        What measured rolls have taught.
    """
    if learned is None:
        draws = model.draws(np.zeros((1, len(model.inputs))), even=True)
    else:
        draws = model.draws(middle_scores(model, learned))
    return [float(np.median(records[0])) for records in _kermas_as_it_is(model, draws)]


def kerma_ends(model: TripModel, learned: Learned | None = None) -> list[tuple[float, float]]:
    """The 5 and the 95 % point of what fogs each film as it is like the worst band [uGy], by roll.

    Of colour film that of the geometric mean of its records: how they differ among themselves is not in it.

    Parameters
    ----------
    model, learned
        As of :func:`middle_kermas`.
    """
    ends = (POINTS[0], POINTS[-1])
    drawn = _kermas_as_it_is(model, model.draws(case_scores(model, learned)))
    with np.errstate(divide="ignore"):
        means = [np.exp(np.mean(np.log(records), axis=0)) for records in drawn]
    return [(low, high) for low, high in (np.quantile(mean, ends).tolist() for mean in means)]


def _kermas_as_it_is(model: TripModel, draws: Draws) -> list[list[FloatArray]]:
    """Kerma that fogs each film as it is like the worst band in every draw [uGy], by roll and record."""
    result = {}
    for group in film_groups(model):
        for column, roll in enumerate(group.rolls):
            solvers = record_solvers(model.trip.rolls[roll].film)
            hits = zip(group.hits(draws, column), solvers, strict=True)
            result[roll] = [each / solver.hits_per_ugy for each, solver in hits]
    return [result[roll] for roll in range(len(model.trip.rolls))]


def propagate(
    trip: Trip | TripModel | Sequence[Roll],
    question: Question | None = None,
    *,
    priors: Priors | None = None,
    learned: Learned | None = None,
    samples: int = DEFAULT_SAMPLES,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> TripOdds:
    """Exposure index of every roll with its odds, from draws of everything that is not known.

    Parameters
    ----------
    trip
        A trip, its rolls, or a :func:`filmdose.odds.trip_model`.
    question
        What is asked; a roll's own scene range counts first. Unevenness is drawn, or the roll's own.
    priors
        What is uncertain; the shipped priors when left out.
    learned
        What measured rolls have taught (:func:`filmdose.odds.learn`).
    samples
        Number of draws [at least 64]; rounded up to a power of two.
    rng
        Seed, a NumPy generator, or None for other draws each time; the same seed gives the same answer.
    progress
        Called with the share that is done, 0 to 1.

    Returns
    -------
    TripOdds

    Raises
    ------
    ArgumentError, UnknownNameError
        Too few samples, a value out of range.

    Notes
    -----
    In each draw a roll has its compensation of least loss, as :func:`filmdose.answering.answer` gives it; what is
    recommended makes the mean of the losses least, draws in which nothing helps among them. With everything known the
    two are the same. The middle case is read off draws of its own, the same for every seed, in which a scanner that
    nobody identified gives the median of what it may be.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> from filmdose.trip import Roll
    >>> roll = Roll(id="a", film=generic_film(800), history=History(passes=Pass(source="cabin-ct")))
    >>> odds = propagate([roll], samples=1024)["a"]
    >>> odds.stops[0] < odds.stops[1] < odds.stops[2]
    True
    """
    model = trip_model(trip, priors)
    asked = Question() if question is None else question
    count = check_samples(samples)
    generator = random_generator(rng)
    plan = _Plan(
        model=model,
        groups=film_groups(model),
        questions=[roll_question(roll, asked, 1.0, drawn=True) for roll in model.trip.rolls],
    )
    half = 2 ** math.ceil(math.log2(count / 2))
    block = min(half, _BLOCK)
    streams = [ScoreStream(model, learned, block, child) for child in generator.spawn(2)]
    halves: list[list[RollTally]] = [[RollTally(each) for each in plan.questions] for _ in streams]
    done = [0, 0]

    def one_half(which: int) -> None:
        for number in range(half // block):
            _count_block(plan, model.draws(streams[which].next()), halves[which : which + 1])
            done[which] = number + 1
            if progress is not None and which == 0:
                progress(min(1.0, sum(done) * block / (2 * half)))

    with one_thread():
        if 2 * half <= _TOGETHER:
            _count_block(plan, model.draws(np.concatenate([stream.next() for stream in streams])), halves)
        else:
            with ThreadPoolExecutor(max_workers=2) as pool:
                list(pool.map(one_half, (0, 1)))
    if progress is not None:
        progress(1.0)
    return TripOdds(
        trip=model.trip,
        question=asked,
        rolls=rolls_odds(model.trip.rolls, plan.questions, middle_kermas(model, learned), *halves),
        priors=model.priors,
        samples=2 * half,
        learned=learned,
    )


def draw_stops(
    trip: Trip | TripModel | Sequence[Roll],
    question: Question | None = None,
    *,
    priors: Priors | None = None,
    learned: Learned | None = None,
    samples: int = 4096,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Compensation of least loss of single draws, one column a roll [stops]; infinite where nothing helps.

    Of reversal film: stops of range lost at the dark end.

    Parameters
    ----------
    trip, question, priors, learned, rng, progress
        As of :func:`propagate`.
    samples
        Number of draws, rounded up to a power of two; all are kept, so memory grows with it.

    Returns
    -------
    DataFrame
        Shape (samples, rolls).

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range; priors or what was learnt belong to another trip.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> from filmdose.trip import Roll
    >>> roll = Roll(id="a", film=generic_film(400), history=History(passes=(Pass(source="cabin-ct"),)))
    >>> draw_stops([roll], samples=64).shape
    (64, 1)
    """
    import pandas as pd

    model = trip_model(trip, priors)
    asked = Question() if question is None else question
    count = 2 ** math.ceil(math.log2(check_count("samples", samples, low=2, high=2**22)))
    draws = model.draws(ScoreStream(model, learned, count, random_generator(rng)).next())
    groups = film_groups(model)
    questions = [roll_question(roll, asked, 1.0, drawn=True) for roll in model.trip.rolls]
    result = np.empty((count, len(questions)))
    for start in range(0, count, _BLOCK):
        rows = slice(start, min(start + _BLOCK, count))
        for group in groups:
            for roll, stops in group.stops(draws.part(rows), questions):
                result[rows, roll] = stops
        if progress is not None:
            progress(rows.stop / count)
    return pd.DataFrame(result, columns=[roll.id for roll in model.trip.rolls])


def roll_need(model: TripModel, roll: str, question: Question | None = None) -> Callable[[FloatArray], FloatArray]:
    """Compensation of least loss of one roll as a function of scores [stops].

    Parameters
    ----------
    model
        A trip with its unknowns.
    roll
        Id of the roll.
    question
        What is asked; the default question when left out.

    Returns
    -------
    A function of standard normal scores, shape (draws, inputs of the model); shape (draws,).

    Raises
    ------
    UnknownNameError
        No such roll.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> trip = [Roll(id="a", film=generic_film(800), history=History(passes=Pass(source="cabin-ct")))]
    >>> model = trip_model(trip)
    >>> bool(2.0 < roll_need(model, "a")(np.zeros((1, len(model.inputs))))[0] < 3.0)
    True
    """
    index = model.index(roll)
    group = next(group for group in film_groups(model) if index in group.rolls)
    asked = roll_question(model.trip.rolls[index], Question() if question is None else question, 1.0, drawn=True)

    def need(scores: FloatArray) -> FloatArray:
        return group.need(model.draws(scores), index, asked)

    return need


hold_to_annotations(globals())
