"""The inverse questions: how much dose until a given loss, how many passes that is, which speed to carry."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from filmdose.arrays import FloatArray, check_number
from filmdose.compensation import (
    DEFAULT_CRITERION,
    SCENE_RANGE,
    check_options,
    compensation_grid,
    record_problems,
)
from filmdose.errors import ArgumentError
from filmdose.film.generic import film_value, generic_film
from filmdose.film.model import Film
from filmdose.history import History, HistoryDose, Pass, history_dose
from filmdose.radiation.sources import list_sources
from filmdose.solver import RecordProblem

__all__ = ["LOSSES", "DoseLimit", "dose_budget", "kerma_for_loss", "speed_to_carry"]

#: Losses of the printed budget [stops]; infinity stands for "beyond rescue".
LOSSES: tuple[float, ...] = (0.5, 1.0, math.inf)

_HITS_HIGH = 1e4  # no film has a solution there: at 10 hits the shadow point's grains are gone
_DECADES_LOW = -9.0


@dataclass(frozen=True, kw_only=True)
class DoseLimit:
    """Kerma at which a film has a given loss.

    Parameters
    ----------
    film
        The film.
    loss_stops
        The loss [stops]; infinity for "beyond rescue".
    kerma_ugy
        Effective kerma at which that much is needed [uGy].
    kerma_low_ugy, kerma_high_ugy
        The same if the calibration of fog is at its low and high end [uGy].
    record
        The record that reaches the loss first.
    """

    film: Film
    loss_stops: float
    kerma_ugy: float
    kerma_low_ugy: float
    kerma_high_ugy: float
    record: str


def kerma_for_loss(
    film: Film | float, loss_stops: float, *, criterion: str = DEFAULT_CRITERION, snr_target: float = 1.0
) -> DoseLimit:
    """Effective kerma at which a film needs a given compensation.

    Solves stops(K) = loss for the least K, stops being what :func:`filmdose.compensation.compensate` aims at; for
    ``loss_stops = inf`` the least K at which the film is beyond rescue.

    Parameters
    ----------
    film
        A negative :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    loss_stops
        Loss [stops; above 0, or infinity].
    criterion, snr_target
        As of :func:`filmdose.compensation.compensate`.

    Raises
    ------
    ArgumentError
        The loss is not above 0, the film is reversal film, or it has no such loss before it is beyond rescue.

    Notes
    -----
    The range comes from the calibration of fog alone (25 uGy, 12 to 50); the kerma of a pass has its own.

    Examples
    --------
    >>> limit = kerma_for_loss(800, 1.0)
    >>> 100 < limit.kerma_ugy < 200  # regression value
    True
    """
    if not isinstance(film, Film):
        film = generic_film(film)
    name, target, _ = check_options(criterion, snr_target, SCENE_RANGE)
    if isinstance(loss_stops, float) and loss_stops == math.inf:
        loss = math.inf
    else:
        loss = check_number("loss_stops", loss_stops, low=0.0, low_open=True, unit="stops", action="Or infinity.")
    found = []
    for record, problem in zip(film.record_names, record_problems(film), strict=True):
        found.append((_hits_for_loss(problem, loss, name, target) / problem.hits_per_ugy, record))
    kerma, record = min(found)
    if math.isinf(kerma):
        raise ArgumentError(
            "loss_stops", loss_stops, f"a loss that {film.label} can have by {name} before it is beyond rescue [stops]"
        )
    middle = film_value("model", "calibration_kerma", "value")
    return DoseLimit(
        film=film,
        loss_stops=loss,
        kerma_ugy=kerma,
        kerma_low_ugy=kerma * film_value("model", "calibration_kerma", "low") / middle,
        kerma_high_ugy=kerma * film_value("model", "calibration_kerma", "high") / middle,
        record=record,
    )


def _hits_for_loss(problem: RecordProblem, loss: float, criterion: str, snr_target: float) -> float:
    """Least dose x at which the record needs ``loss`` or more, by repeated subdivision on the exact path."""

    def wanted(x: FloatArray) -> FloatArray:
        found = problem.solve(x, snr_target=snr_target)
        return found.wanted(criterion, snr_target)

    def reached(x: FloatArray) -> NDArray[np.bool_]:
        stops = wanted(x)
        return np.asarray(np.isnan(stops) | (stops >= loss))

    low, high = _DECADES_LOW, math.log10(_HITS_HIGH)
    for _ in range(7):
        trial = np.linspace(low, high, 65)
        hit = reached(10.0**trial)
        if not hit.any():
            return math.inf
        first = int(np.argmax(hit))
        low, high = trial[max(first - 1, 0)], trial[first]
    x = 10.0**high
    # a finite loss is not reached where the film is beyond rescue before it
    return math.inf if not math.isinf(loss) and np.isnan(wanted(np.array([x]))[0]) else float(x)


def dose_budget(
    films: Sequence[Film | float],
    losses: Sequence[float] = LOSSES,
    *,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
) -> pd.DataFrame:
    """Kerma until each loss, and how many passes of each shipped source that is.

    Returns
    -------
    DataFrame with one row for each film and loss: film, kind, speed [ISO], loss_stops (infinity: beyond rescue),
    kerma_ugy and its range, and for every source the number of whole passes that stay below it at the source's
    typical dose (``passes_<source>``) and at its high dose (``passes_<source>_sure``); NaN kerma where the film is
    beyond rescue before it has that loss.
    """
    sources = list_sources()
    rows = []
    for film in films:
        resolved = film if isinstance(film, Film) else generic_film(film)
        for loss in losses:
            row: dict[str, Any] = {
                "film": resolved.label,
                "kind": resolved.kind,
                "speed": resolved.speed,
                "loss_stops": float(loss),
            }
            try:
                limit = kerma_for_loss(resolved, float(loss), criterion=criterion, snr_target=snr_target)
            except ArgumentError as error:
                if error.argument != "loss_stops" or not loss > 0:
                    raise
                row.update(kerma_ugy=math.nan, kerma_low_ugy=math.nan, kerma_high_ugy=math.nan)
            else:
                row.update(
                    kerma_ugy=limit.kerma_ugy, kerma_low_ugy=limit.kerma_low_ugy, kerma_high_ugy=limit.kerma_high_ugy
                )
            for source in sources.index:
                dose = history_dose(Pass(source=source))
                for suffix, per_pass in (("", dose.kerma_ugy), ("_sure", dose.kerma_high_ugy)):
                    count = row["kerma_ugy"] / per_pass
                    row[f"passes_{source}{suffix}"] = math.nan if math.isnan(count) else float(math.floor(count))
            rows.append(row)
    return pd.DataFrame(rows)


def speed_to_carry(
    itinerary: History | HistoryDose,
    films: Sequence[Film | float] = (100, 200, 400, 800, 1600, 3200),
    *,
    criterion: str = DEFAULT_CRITERION,
    loss_limit_stops: float = 1.0,
    scene_range: float = SCENE_RANGE,
) -> pd.DataFrame:
    """Exposure index that each film still has after an itinerary, and which to carry.

    The recommended film is the one with the highest exposure index at the typical dose among those that
    stay within ``loss_limit_stops`` there and are not beyond rescue at the high dose; among equals the slowest,
    which loses least.

    Parameters
    ----------
    itinerary
        What the rolls will go through.
    films
        Films to choose from, or speeds [ISO] of the generic black-and-white negative film.
    criterion, scene_range
        As of :func:`filmdose.compensation.compensate`.
    loss_limit_stops
        Greatest loss that is acceptable at the typical dose [stops; above 0].

    Returns
    -------
    DataFrame with one row for each film: film, kind, speed, kerma_ugy, stops, ei and status at the low, typical and
    high dose of the itinerary (``_low``, no suffix, ``_high``), and recommended [bool].
    """
    dose = itinerary if isinstance(itinerary, HistoryDose) else history_dose(itinerary)
    limit = check_number("loss_limit_stops", loss_limit_stops, low=0.0, low_open=True, unit="stops")
    doses = [dose.kerma_low_ugy, dose.kerma_ugy, dose.kerma_high_ugy]
    grid = compensation_grid(films, doses, criterion=criterion, scene_range=scene_range)
    table = pd.DataFrame({name: grid[name].to_numpy() for name in ("film", "kind", "speed")})
    table["kerma_ugy"] = dose.kerma_ugy
    for position, suffix in enumerate(("_low", "", "_high")):
        at = grid.isel(kerma_ugy=position)
        table[f"stops{suffix}"] = at["stops"].sel(criterion=grid.attrs["criterion"]).to_numpy()
        table[f"ei{suffix}"] = at["ei"].to_numpy()
        table[f"status{suffix}"] = at["status"].to_numpy()
    usable = (table["stops"] <= limit) & (table["status_high"] != "beyond_rescue")
    table["recommended"] = False
    if usable.any():
        best = table[usable].sort_values(["ei", "speed"], ascending=[False, True]).index[0]
        table.loc[best, "recommended"] = True
    return table
