"""The inverse questions: how much dose until a given loss, how many passes that is, which speed to carry."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from filmdose.answering import answer_grid, as_film, unique_labels
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import ArgumentError
from filmdose.film.generic import film_value
from filmdose.film.model import Film
from filmdose.history import History, HistoryDose, Pass, history_dose
from filmdose.question import Question
from filmdose.radiation.sources import list_sources
from filmdose.result import Result
from filmdose.solution import FilmSolution, solve_film
from filmdose.solver import ReversalLoss
from filmdose.units import THIRD

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CLAIMS",
    "LOSSES",
    "DoseLimit",
    "dose_budget",
    "film_to_carry",
    "judge_claim",
    "kerma_for_loss",
    "speed_to_carry",
]

#: Losses of the printed budget [stops]; infinity stands for "lost".
LOSSES: tuple[float, ...] = (0.5, 1.0, math.inf)

#: Doses between which a loss is looked for [log10 uGy]: nothing fogs below, nothing is left above.
_DECADES = (-6.0, 12.0)


@dataclass(frozen=True, kw_only=True)
class DoseLimit(Result):
    """Dose at which a film has a given loss.

    Parameters
    ----------
    film
        The film.
    loss_stops
        The loss [stops]; infinity for "lost".
    kerma_ugy
        Effective kerma at which the film has it [uGy].
    kerma_low_ugy, kerma_high_ugy
        The same if the calibration of fog is at its low and high end [uGy].
    record
        The record that decides there.
    """

    film: Film
    loss_stops: float
    kerma_ugy: float
    kerma_low_ugy: float
    kerma_high_ugy: float
    record: str


def _stops_lost(solution: FilmSolution) -> FloatArray:
    """Compensation to give, or usable range that reversal film loses [stops]; infinite where the roll is lost."""
    ranges = [record.range_stops for record in solution.records if isinstance(record, ReversalLoss)]
    lost = np.max(ranges, axis=0) if ranges else solution.best
    return np.where(solution.verdict == "lost", np.inf, lost)


def kerma_for_loss(film: Film | float, loss_stops: float, question: Question | None = None) -> DoseLimit:
    """Least effective kerma at which a film has a given loss.

    Solves loss(K) = ``loss_stops``: the compensation that :func:`filmdose.answering.answer` gives, of reversal film the
    usable range lost at the dark end; for infinity the least K at which the verdict is "lost".

    Parameters
    ----------
    film
        A :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    loss_stops
        Loss [stops; above 0, or infinity].
    question
        What is asked.

    Returns
    -------
    DoseLimit

    Raises
    ------
    ArgumentError
        The loss is not above 0, or the film is lost before it has that loss.

    Notes
    -----
    The range comes from the calibration of fog alone; the kerma of a pass has its own.

    Examples
    --------
    >>> limit = kerma_for_loss(800, 1.0)
    >>> 15 < limit.kerma_ugy < 60  # regression value
    True
    """
    film, asked = as_film(film), Question() if question is None else question
    if isinstance(loss_stops, float) and loss_stops == math.inf:
        loss = math.inf
    else:
        loss = check_number("loss_stops", loss_stops, low=0.0, low_open=True, unit="stops", action="Or infinity.")
    found = _kerma_at(film, loss, asked)
    if found is None:
        raise ArgumentError(
            "loss_stops",
            loss_stops,
            f"a loss that {film.label} can have by {asked.criterion} before it is lost [stops]",
        )
    kerma, decides = found
    low, middle, high = (film_value("model", "calibration_kerma", point) for point in ("low", "value", "high"))
    return DoseLimit(
        film=film,
        loss_stops=loss,
        kerma_ugy=kerma,
        kerma_low_ugy=kerma * low / middle,
        kerma_high_ugy=kerma * high / middle,
        record=film.record_names[decides],
    )


def _kerma_at(film: Film, loss: float, question: Question) -> tuple[float, int] | None:
    """Least dose [uGy] with that loss and the record that decides there, by repeated subdivision; None without one."""
    low, high = _DECADES
    for _ in range(6):
        trial = np.linspace(low, high, 65)
        solution = solve_film(film, 10.0**trial, question)
        lost = _stops_lost(solution)
        if not (lost >= loss).any():
            return None
        first = int(np.argmax(lost >= loss))
        low, high = trial[max(first - 1, 0)], trial[first]
    # a finite loss is not reached where the film is lost before it
    if math.isinf(lost[first]) and not math.isinf(loss):
        return None
    return float(10.0**high), int(solution.decides[first])


def dose_budget(
    films: Sequence[Film | float], losses: Sequence[float] = LOSSES, question: Question | None = None
) -> pd.DataFrame:
    """Kerma until each loss, and how many passes of each shipped source that is.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    losses
        As of :func:`kerma_for_loss`.
    question
        What is asked.

    Returns
    -------
    DataFrame with one row for each film and loss: film, kind, speed [ISO], loss_stops (infinity: lost), kerma_ugy and
    its range, and for every source the number of whole passes that stay below it at the source's typical dose
    (``passes_<source>``) and at its high dose (``passes_<source>_sure``); NaN kerma where the film is lost before it
    has that loss.

    Raises
    ------
    ArgumentError
        A loss that is not above 0.

    Examples
    --------
    >>> dose_budget([400], losses=[1.0])[["kerma_ugy", "passes_cabin-ct"]].round(0).values.tolist()
    [[48.0, 0.0]]
    """
    import pandas as pd

    doses = {name: history_dose(Pass(source=name)) for name in list_sources().index}
    resolved = [as_film(film) for film in films]
    rows = []
    for label, film in zip(unique_labels([film.label for film in resolved]), resolved, strict=True):
        for loss in losses:
            row: dict[str, Any] = {"film": label, "kind": film.kind, "speed": film.speed, "loss_stops": float(loss)}
            try:
                limit = kerma_for_loss(film, float(loss), question)
            except ArgumentError as error:
                if error.argument != "loss_stops" or not loss > 0:
                    raise
                row.update(kerma_ugy=math.nan, kerma_low_ugy=math.nan, kerma_high_ugy=math.nan)
            else:
                row.update({name: getattr(limit, name) for name in ("kerma_ugy", "kerma_low_ugy", "kerma_high_ugy")})
            for source, dose in doses.items():
                _, typical, high = dose.worst_band_ugy
                for suffix, per_pass in (("", typical), ("_sure", high)):
                    row[f"passes_{source}{suffix}"] = float(np.floor(row["kerma_ugy"] / per_pass))
            rows.append(row)
    return pd.DataFrame(rows)


# -- claims -----------------------------------------------------------------------------------------------------------

#: What a claim of no harm comes to: by the loss at the typical and at the high dose.
CLAIMS = ("holds", "holds if typical", "does not hold")


def judge_claim(
    history: History | Pass | Sequence[Pass], films: Sequence[Film | float], question: Question | None = None
) -> pd.DataFrame:
    """What films lose in the passes for which they are said to be safe.

    A claim holds when the film loses less than a third of a stop at the high dose too, and holds if typical when it
    does at the typical dose only (our choice: a third of a stop is a click of a meter).

    Parameters
    ----------
    history
        The passes of the claim, such as ``Pass(source="cabin-xray", count=5)``.
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    question
        What is asked.

    Returns
    -------
    DataFrame with one row for each film: film, kind, speed, kerma_ugy, stops lost and verdict at the low, typical and
    high dose (``_low``, no suffix, ``_high``; infinity: lost), and claim, one of ``CLAIMS``.

    Raises
    ------
    ArgumentError, UnknownNameError
        No films; a source that is not known.

    Examples
    --------
    >>> judge_claim(Pass(source="cabin-ct", count=5), [100, 1600])["claim"].tolist()
    ['does not hold', 'does not hold']
    """
    import pandas as pd

    dose, asked = history_dose(history), Question() if question is None else question
    kerma = np.array([dose.kerma_low_ugy, dose.kerma_ugy, dose.kerma_high_ugy])
    asked = asked.for_bands(dose.peak_to_mean)
    resolved = [as_film(film) for film in films]
    rows = []
    for label, film in zip(unique_labels([film.label for film in resolved]), resolved, strict=True):
        solution = solve_film(film, kerma, asked)
        lost = _stops_lost(solution)
        row: dict[str, Any] = {"film": label, "kind": film.kind, "speed": film.speed, "kerma_ugy": dose.kerma_ugy}
        for place, suffix in enumerate(("_low", "", "_high")):
            row[f"stops_lost{suffix}"], row[f"verdict{suffix}"] = float(lost[place]), str(solution.verdict[place])
        row["claim"] = CLAIMS[0 if lost[2] < THIRD else 1 if lost[1] < THIRD else 2]
        rows.append(row)
    return pd.DataFrame(rows)


# -- which speed to carry ---------------------------------------------------------------------------------------------


def film_to_carry(
    speed: ArrayLike, ei_exact: ArrayLike, usable: ArrayLike, needed_ei: float | None = None
) -> int | None:
    """Place of the slowest usable film that still gives the index needed; None where none does.

    Parameters
    ----------
    speed, ei_exact
        Marked speed of every film and the index that is left of it [ISO].
    usable
        Whether a film may be counted on.
    needed_ei
        Index that is needed [ISO], to a third of a stop. When left out, the films are walked from the slowest to
        the fastest, and the walk ends before the first film that leaves less than a third of a stop more index for
        each stop more speed on its box: there speed buys risk and little else.

    Returns
    -------
    int or None
        Place in the arrays.

    Raises
    ------
    ArgumentError
        An index that is not above 0.

    Examples
    --------
    >>> film_to_carry([100, 400, 800, 3200], [95, 250, 280, 300], [True] * 4)
    1
    >>> film_to_carry([100, 400, 800, 3200], [95, 250, 280, 300], [True] * 4, needed_ei=320)
    2
    """
    box, left = check_array("speed", speed, low=0.0, unit="ISO"), check_array("ei_exact", ei_exact, unit="ISO")
    good = np.asarray(usable, dtype=object).astype(bool)
    if not box.shape == left.shape == good.shape or box.ndim != 1:
        shapes = (box.shape, left.shape, good.shape)
        raise ArgumentError("speed, ei_exact and usable", shapes, "three sequences of one length")
    good = good & np.isfinite(left)
    order: list[int] = [int(i) for i in np.lexsort((-left, box)) if good[i]]
    if needed_ei is not None:
        needed = check_number("needed_ei", needed_ei, low=0.0, low_open=True, high=1e6, unit="ISO")
        return next((i for i in order if left[i] >= needed * 2.0**-THIRD * (1.0 - 1e-9)), None)
    carried = order[0] if order else None
    for i in order[1:]:
        assert carried is not None
        if math.log2(left[i] / left[carried]) < THIRD * math.log2(box[i] / box[carried]):
            break
        carried = i
    return carried


def usable_verdict(typical: Any, bad: Any) -> NDArray[np.bool_]:
    """Whether rolls may be counted on: good or usable in the middle case, and not lost in a bad one."""
    return np.asarray(np.isin(typical, ("good", "usable")) & (np.asarray(bad) != "lost"))


def speed_to_carry(
    history: History | HistoryDose | Pass | Sequence[Pass],
    films: Sequence[Film | float] = (100, 200, 400, 800, 1600, 3200),
    question: Question | None = None,
    *,
    needed_ei: float | None = None,
) -> pd.DataFrame:
    """Exposure index that each film still has after a history, and the slowest that gives the index needed.

    Parameters
    ----------
    history
        What the rolls will go through.
    films
        Films to choose from, or speeds [ISO] of the generic black-and-white negative film.
    question
        What is asked.
    needed_ei
        Index that is needed there [ISO]; as of :func:`film_to_carry` when left out.

    Returns
    -------
    DataFrame with one row for each film: film, kind, speed, kerma_ugy, given_stops, ei, ei_exact, verdict and status
    at the low, typical and high dose of the history (``_low``, no suffix, ``_high``), gain_stops (its index over
    that of the film to carry [stops]), and carry [bool]. Films that are poor at the typical dose or lost at the
    high one are not carried.

    Raises
    ------
    ArgumentError, UnknownNameError
        No films; an index that is not above 0; a source that is not known.

    Examples
    --------
    >>> table = speed_to_carry(Pass(source="cabin-ct", count=2), needed_ei=100)
    >>> table.loc[table["carry"], "film"].tolist()
    ['bw-negative ISO 400']
    """
    import pandas as pd

    dose = history if isinstance(history, HistoryDose) else history_dose(history)
    asked = (Question() if question is None else question).for_bands(dose.peak_to_mean)
    grid = answer_grid(films, [dose.kerma_low_ugy, dose.kerma_ugy, dose.kerma_high_ugy], asked)
    table = pd.DataFrame({name: grid[name].to_numpy() for name in ("film", "kind", "speed")})
    table["kerma_ugy"] = dose.kerma_ugy
    for position, suffix in enumerate(("_low", "", "_high")):
        at = grid.isel(kerma_ugy=position)
        for name in ("given_stops", "ei", "ei_exact", "verdict", "status"):
            table[f"{name}{suffix}"] = at[name].to_numpy()
    usable = usable_verdict(table["verdict"], table["verdict_high"])
    return with_choice(table, film_to_carry(table["speed"], table["ei_exact"], usable, needed_ei))


def with_choice(table: pd.DataFrame, carried: int | None) -> pd.DataFrame:
    """The table with ``gain_stops``, each index over that of the film to carry, and ``carry``."""
    reference = math.nan if carried is None else table["ei_exact"].iloc[carried]
    return table.assign(gain_stops=np.log2(table["ei_exact"] / reference), carry=np.arange(len(table)) == carried)


hold_to_annotations(globals())
