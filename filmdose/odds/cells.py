"""Odds of films at one history after another: the cells of a table, each as the odds of one roll would have it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace

from filmdose.answering import as_film
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_array
from filmdose.film.generic import is_typical
from filmdose.film.model import Film
from filmdose.history import History, Pass, history_dose
from filmdose.odds.draw import DEFAULT_SAMPLES, propagate
from filmdose.odds.priors import Priors
from filmdose.odds.results import RollOdds
from filmdose.odds.scores import Random, random_seed
from filmdose.odds.unknowns import trip_model
from filmdose.question import Question
from filmdose.radiation.sources import get_source
from filmdose.trip import Roll
from filmdose.units import AirKerma

__all__ = ["CELL_SAMPLES", "cell_odds", "total_odds"]

#: Draws of a cell of a printed table: its index lies within 0.04 stop of that of many draws.
CELL_SAMPLES = 2**10

#: The scanner whose spread stands for that of scanners which are known by their kind.
_KNOWN_SCANNER = "cabin-ct"


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
    >>> one.stops < five.stops
    True
    """
    resolved = [as_film(film) for film in films]
    alike: dict[object, list[int]] = {}  # films of one kind have the same unknowns: they are drawn and solved together
    for number, film in enumerate(resolved):
        alike.setdefault((film.kind, is_typical(film)), []).append(number)
    seed = random_seed(rng)  # the same draws for every film
    rows: dict[int, tuple[RollOdds, ...]] = {}
    for members in alike.values():
        # One id for all, so that what is drawn for a roll is drawn once.
        rolls = [Roll(id="roll", film=resolved[number], history=history) for number in members for history in histories]

        def tell(share: float, done: int = len(rows), now: int = len(members)) -> None:
            if progress is not None:
                progress((done + share * now) / len(resolved))

        model = trip_model(rolls, priors, alternatives=True)
        cells = propagate(model, question, samples=samples, rng=seed, progress=tell).rolls
        for place, number in enumerate(members):
            rows[number] = cells[place * len(histories) : (place + 1) * len(histories)]
    return tuple(rows[number] for number in range(len(resolved)))


def total_odds(
    films: Sequence[Film | float],
    totals_ugy: Sequence[float],
    question: Question | None = None,
    *,
    samples: int = CELL_SAMPLES,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> tuple[tuple[RollOdds, ...], ...]:
    """Odds of every film at sums of typical doses: one row for each film, one result for each sum.

    What made a sum is not told, so the dose is taken to be known as well as that of cabin CT, bare at 35 mm film,
    through one machine: the result is that of :func:`filmdose.odds.propagate` of a roll with as many such passes, whole
    or not, as make the sum.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    totals_ugy
        Sums of the typical effective kerma at the film [uGy; >= 0].
    question, rng, progress
        As of :func:`cell_odds`; ``peak_to_mean`` multiplies the sums.
    samples
        Number of draws.

    Examples
    --------
    >>> from filmdose.history import Pass, history_dose
    >>> two = Pass(source="cabin-ct", count=2)
    >>> (here,) = total_odds([400], [history_dose(two).kerma_ugy], samples=512)[0]
    >>> (there,) = cell_odds([400], [History(passes=two)], samples=512)[0]
    >>> here.headline == there.headline
    True
    """
    asked = Question() if question is None else question
    totals = check_array("totals_ugy", totals_ugy, low=0.0, unit="uGy", nan_allowed=False)
    worst = [total * asked.peak_to_mean for total in totals.ravel().tolist()]
    histories = [_history_of(total, min(filter(None, worst), default=0.0)) for total in worst]
    asked = replace(asked, peak_to_mean=1.0)
    return cell_odds(films, histories, asked, samples=samples, rng=rng, progress=progress)


def _history_of(total_ugy: float, unit_ugy: float) -> History:
    """So many passes of a machine like the known one that gives ``unit_ugy`` at the film."""
    if total_ugy == 0.0:
        return History()
    source = get_source(_KNOWN_SCANNER)
    factor = unit_ugy / history_dose(Pass(source=source)).kerma_ugy
    low, typical, high = (AirKerma(factor * point) for point in source.air_kerma_points_ugy)
    unit = replace(source, air_kerma_low_ugy=low, air_kerma_typical_ugy=typical, air_kerma_high_ugy=high)
    return History(passes=(Pass(source=unit, multiplier=total_ugy / unit_ugy),))


hold_to_annotations(globals())
