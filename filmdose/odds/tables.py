"""The rule of decision tabulated, for what has to answer without the solver (the page for a phone).

What is not known of a *film* does not depend on what is not known of its *dose*.  So the mean loss over the films
that a film may be is tabulated against effective kerma and compensation, and whoever has draws of the kerma averages
the table over them: the exposure of least mean loss is that of :func:`filmdose.odds.propagate`, but for the grid.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray
from filmdose.decision import mean_highlight
from filmdose.exposed import exposed_worth
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import History, Pass
from filmdose.odds.groups import FilmGroup, film_groups, lost_cases
from filmdose.odds.scores import normal_points
from filmdose.odds.unknowns import TripModel, trip_model
from filmdose.question import Question
from filmdose.solution import VERDICTS, given_contrast, record_solvers, solve_film, verdict_of
from filmdose.solver import RecordRows
from filmdose.standards import LOG10_2
from filmdose.threads import one_thread
from filmdose.trip import Roll, roll_question

__all__ = ["SHOT_STOPS", "TABLE_KERMA_UGY", "FilmTable", "dose_draws", "film_tables"]

#: Nodes of the effective kerma in every table [uGy].
TABLE_KERMA_UGY = np.geomspace(0.3, 300_000.0, 49)

#: Compensation that an exposed roll may have had: log2 of its speed over the index it was shot at [stops].
SHOT_STOPS = np.arange(-9, 13) / 3.0

_FINE_KERMA_UGY = np.geomspace(0.1, 1e6, 300)

#: Of the shadows every second node of the compensation is kept.
_EVERY = 2

#: What a roll is worth, from best to worst; "lost" is what is left.
_WORTH = ("good", "usable", "poor")


@dataclass(frozen=True, kw_only=True)
class FilmTable:
    """One film, everything that is not known of it averaged.

    Parameters
    ----------
    film
        The film.
    factor
        Draws of the kerma that fogs the film as it is like the worst band of a roll of it, over the roll's mean [1].
    stops
        Nodes of the compensation [stops].
    loss
        Mean loss, shape (kerma nodes, stops) [stops of light]; empty for reversal film.
    lost
        Share of the films that nothing helps, at the kerma nodes [1]; empty for reversal film.
    shadow_chance
        Share of the films whose shadows are good, usable or better, poor or better, at the kerma nodes and at every
        second node of ``stops``, shape (3, kerma nodes, nodes) [1]; empty for reversal film.
    contrast_ends
        Largest kerma at which the contrast of the film as it is is still good, usable and poor, at those nodes, shape
        (nodes, 3) [uGy]; of reversal film, at the marked speed, at which all of it is.
    shot_ends
        Largest kerma at which an exposed roll has lost nothing that shows, and is still good, usable and poor, by
        ``SHOT_STOPS``, shape (22, 4) [uGy].
    """

    film: Film
    factor: FloatArray
    stops: FloatArray
    loss: FloatArray
    lost: FloatArray
    shadow_chance: FloatArray
    contrast_ends: FloatArray
    shot_ends: FloatArray


def dose_draws(histories: Sequence[History], *, samples: int = 256, rng: int = 0) -> FloatArray:
    """Draws of the effective kerma of several histories of one trip [uGy], shape (samples, histories).

    Machines, beams and shields that the histories share are drawn once for all.
    """
    film = generic_film(400)
    rolls = [Roll(id=str(number), film=film, history=each) for number, each in enumerate(histories)]
    model = trip_model(rolls)
    return model.draws(_even_scores(model, samples, rng)).kerma_ugy


def film_tables(
    films: Sequence[Film], question: Question | None = None, *, samples: int = 256, rng: int = 0
) -> tuple[FilmTable, ...]:
    """The tables of several films; those of one kind share their draws.

    Parameters
    ----------
    films
        The films.
    question
        What is asked.
    samples
        Number of draws.
    rng
        Seed.
    """
    asked = Question() if question is None else question
    history = History(passes=(Pass(source="cabin-ct"),))
    rolls = [Roll(id=str(number), film=film, history=history) for number, film in enumerate(films)]
    model = trip_model(rolls)
    drawn = [roll_question(roll, asked, 1.0, drawn=True) for roll in rolls]
    draws = model.draws(_even_scores(model, samples, rng))
    tables: dict[int, FilmTable] = {}
    with one_thread():
        for group in film_groups(model):
            rows = group.shapes(draws)
            for column, roll in enumerate(group.rolls):
                hits = [each / draws.kerma_ugy[:, roll] for each in group.hits(draws, column)]
                tables[roll] = _film_table(group, rows, films[roll], hits, drawn[roll])
    return tuple(tables[number] for number in range(len(films)))


def _even_scores(model: TripModel, samples: int, rng: int) -> FloatArray:
    """Scores of every input, each with its mirror image, so that few of them have the middle where it belongs."""
    half = normal_points(len(model.inputs), samples // 2, np.random.default_rng(rng))
    return np.concatenate([half, -half])


def _film_table(
    group: FilmGroup, rows: list[RecordRows], film: Film, hits: list[FloatArray], question: Question
) -> FilmTable:
    """``hits`` are those of one microgray, by record."""
    losses, lost, shadows = [], [], []
    light = group.solvers[0].light
    step = light.step / LOG10_2
    if not film.reversal:
        highlight = group.highlight(rows, question)
        bright = mean_highlight(highlight)
        limits = np.log2([VERDICTS[name][0] * question.snr_target for name in _WORTH])
        for kerma in TABLE_KERMA_UGY:
            found = group.negative(rows, highlight, [each * kerma for each in hits], question)
            mean = np.maximum(found.shadow, 0.0).mean(axis=0) + bright
            losses.append(question.cost_under * mean + question.cost_over * step * np.arange(mean.size))
            lost.append(float(lost_cases(found.snr_given, question).mean()))
            kept = found.log2_snr[:, light.margin :: _EVERY]
            shadows.append((kept >= limits[:, None, None] - 1e-9).mean(axis=1))
    loss = np.array(losses)
    stops = np.arange(loss.shape[1] if losses else 1, dtype=np.float64) * step
    if film.reversal:
        ends = _ends(solve_film(film, _FINE_KERMA_UGY, question).verdict)[None, :]
    else:
        contrast = given_contrast(film, _FINE_KERMA_UGY, stops[::_EVERY], question)
        ends = np.stack([_ends(verdict_of(np.ones(1), column)) for column in contrast.T])
    return FilmTable(
        film=film,
        factor=hits[0] / record_solvers(film)[0].hits_per_ugy,
        stops=stops,
        loss=loss,
        lost=np.array(lost),
        shadow_chance=np.array(shadows).swapaxes(0, 1) if shadows else np.empty((3, 0, 0)),
        contrast_ends=ends,
        shot_ends=np.stack([_shot_ends(film, float(shift)) for shift in SHOT_STOPS]),
    )


def _ends(verdicts: NDArray[np.str_]) -> FloatArray:
    """Largest kerma up to which a column of verdicts is at least good, usable and poor [uGy]."""
    worth = np.array([_WORTH.index(each) if each in _WORTH else len(_WORTH) for each in verdicts])
    return np.array([_last(worth <= number) for number in range(len(_WORTH))])


def _last(holds: NDArray[np.bool_]) -> float:
    """Middle between the last kerma for which it holds and the next; 0 when it never does."""
    worse = np.flatnonzero(~holds)
    if not worse.size:
        return float(_FINE_KERMA_UGY[-1])
    first = int(worse[0])
    return 0.0 if first == 0 else float(np.sqrt(_FINE_KERMA_UGY[first - 1] * _FINE_KERMA_UGY[first]))


def _shot_ends(film: Film, stops: float) -> FloatArray:
    verdicts, _, harmless = exposed_worth(film, _FINE_KERMA_UGY, stops * LOG10_2)
    return np.concatenate([[_last(harmless)], _ends(verdicts)])
