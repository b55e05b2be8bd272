"""Odds of films at one history after another: the cells of a table, each as the odds of one roll would have it."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from filmdose.answering import as_film
from filmdose.arguments import hold_to_annotations
from filmdose.film.model import Film
from filmdose.history import History
from filmdose.odds.draw import DEFAULT_SAMPLES, propagate
from filmdose.odds.priors import Priors
from filmdose.odds.results import RollOdds
from filmdose.odds.scores import Random, random_seed
from filmdose.question import Question
from filmdose.trip import Roll

__all__ = ["cell_odds"]


def cell_odds(
    films: Sequence[Film | float],
    histories: Sequence[History],
    question: Question | None = None,
    *,
    priors: Priors | None = None,
    samples: int = DEFAULT_SAMPLES,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> tuple[tuple[RollOdds, ...], ...]:
    """Odds of every film after every history: one row for each film, one result for each history.

    All histories of a film are one roll's, from the same draws; so every result is that of
    :func:`filmdose.odds.propagate` of one roll with that history, to the last digit.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    histories
        What the film went through. Those of one scanner are to have one dose for each pass; sources of different doses
        need different names.
    question, priors, samples, progress
        As of :func:`filmdose.odds.propagate`.
    rng
        Seed; the same for every film.

    Returns
    -------
    tuple of tuples
        One row for each film, one :class:`RollOdds` for each history.

    Raises
    ------
    ArgumentError
        No films, or a value out of range.

    Examples
    --------
    >>> from filmdose.history import Pass
    >>> one, five = cell_odds([400], [History(passes=Pass(source="ct", count=n)) for n in (1, 5)], samples=512)[0]
    >>> one.ei_recommended > five.ei_recommended
    True
    """
    rows = []
    seed = random_seed(rng)  # the same draws for every film
    for done, film in enumerate(map(as_film, films)):
        # One id for all, so that what is drawn for a roll is drawn once.
        rolls = [Roll(id="roll", film=film, history=history) for history in histories]

        def tell(share: float, done: int = done) -> None:
            if progress is not None:
                progress((done + share) / len(films))

        rows.append(propagate(rolls, question, priors=priors, samples=samples, rng=seed, progress=tell).rolls)
    return tuple(rows)


hold_to_annotations(globals())
