"""Answers as tables: tidy DataFrames, one row a cell, and the texts that go with them."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd

from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, compensation_grid
from filmdose.film.generic import film_value
from filmdose.film.model import Film
from filmdose.radiation.sources import list_sources
from filmdose.solver import CRITERIA
from filmdose.units import format_speed

__all__ = [
    "TABLE_KERMA_UGY",
    "TABLE_SPEEDS",
    "caption",
    "compensation_table",
    "dose_points",
    "ei_matrix",
    "loss_matrix",
]

#: Speeds of the printed table: full stops over the range of the generic film.
TABLE_SPEEDS: tuple[float, ...] = (25, 50, 100, 200, 400, 800, 1600, 3200, 6400)

#: Accumulated kerma of the printed table [uGy].
TABLE_KERMA_UGY: tuple[float, ...] = (0, 1, 2, 5, 10, 20, 50, 100, 200, 500, 1000, 2000)


def compensation_table(
    films: Sequence[Film | float] = TABLE_SPEEDS,
    kerma_ugy: Any = TABLE_KERMA_UGY,
    *,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
) -> pd.DataFrame:
    """Exposure index for films and accumulated doses, one row a cell.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Accumulated effective kerma [uGy].
    criterion, snr_target, scene_range
        As of :func:`filmdose.compensation.compensate`.

    Returns
    -------
    DataFrame with columns film, kind, speed [ISO], kerma_ugy, fog_density, stops (by the chosen criterion, NaN
    where none helps), stops_<criterion> for all four, ei (third-stop scale; NaN where nothing helps), ei_exact,
    highlight_room_stops, snr_kept, contrast_fogged, status, criterion.

    Examples
    --------
    >>> table = compensation_table([800], [0, 100])
    >>> table[["speed", "kerma_ugy", "ei", "status"]].values.tolist()  # regression value
    [[800.0, 0.0, 800.0, 'ok'], [800.0, 100.0, 400.0, 'ok']]
    """
    grid = compensation_grid(films, kerma_ugy, criterion=criterion, snr_target=snr_target, scene_range=scene_range)
    chosen = grid.attrs["criterion"]
    cells = grid.drop_vars(["stops", "criterion"]).to_dataframe().reset_index()
    for name in CRITERIA:
        cells[f"stops_{name}"] = grid["stops"].sel(criterion=name).to_numpy().ravel()
    cells["stops"] = cells[f"stops_{chosen}"]
    cells["criterion"] = chosen
    first = ["film", "kind", "speed", "kerma_ugy", "fog_density", "stops", "ei", "status", "ei_exact"]
    rest = ["highlight_room_stops", "snr_kept", "contrast_fogged", *(f"stops_{name}" for name in CRITERIA), "criterion"]
    return cells[[*first, *rest]]


def ei_matrix(table: pd.DataFrame) -> pd.DataFrame:
    """Exposure index as text, accumulated kerma down and films across.

    A star marks an index that stops at the highlights' limit, a tilde one that restores most of the shadows only, a
    dash a film that nothing restores.
    """
    marks = {"highlight_limited": "*", "partly_restored": "~"}

    def cell(row: pd.Series) -> str:
        if np.isnan(row["ei"]):
            return "-"
        return format_speed(row["ei"]) + marks.get(row["status"], "")

    return _matrix(table, [cell(row) for _, row in table.iterrows()])


def loss_matrix(table: pd.DataFrame) -> pd.DataFrame:
    """Density that reversal film loses in its blacks, as text, accumulated kerma down and films across."""
    return _matrix(table, [f"{-loss + 0.0:.2f}" for loss in table["fog_density"]])


def _matrix(table: pd.DataFrame, cells: list[str]) -> pd.DataFrame:
    text = table.assign(cell=cells)
    order = list(dict.fromkeys(table["film"]))
    matrix = text.pivot_table(index="kerma_ugy", columns="film", values="cell", aggfunc="first")[order]
    speeds = dict(zip(table["film"], table["speed"], strict=True))
    kinds = table["kind"].unique()
    plain = all(film == f"{kind} ISO {speeds[film]:g}" for film, kind in zip(table["film"], table["kind"], strict=True))
    if plain and len(kinds) == 1:
        matrix = matrix.rename(columns={film: f"ISO {format_speed(speeds[film])}" for film in order})
    return matrix.rename_axis(index="dose [uGy]", columns=None)


def dose_points() -> pd.DataFrame:
    """Dose of one pass of every shipped source [uGy]: what to add up before reading the table."""
    sources = list_sources().reset_index()
    return pd.DataFrame(
        {
            "pass": sources["name"],
            "what": sources["title"],
            "low": sources["kerma_low_ugy"],
            "typical": sources["kerma_typical_ugy"],
            "high": sources["kerma_high_ugy"],
            "evidence": sources["evidence"],
            "note": sources["note"],
        }
    )


def caption(
    criterion: str, *, snr_target: float = 1.0, scene_range: float = SCENE_RANGE, reversal: bool = False
) -> str:
    """What a table of exposure indices (of reversal film: of losses) assumes and how sure it is, in one paragraph."""
    target = "" if snr_target == 1.0 else f" to {100 * snr_target:.0f} %"
    low, high = (film_value("model", "calibration_kerma", side) for side in ("low", "high"))
    if reversal:
        what = (
            "Fog lowers the greatest density of reversal film and more exposure lowers it further: expose for the "
            "highlights as marked and expect thin blacks."
        )
    else:
        what = (
            f"Criterion {criterion}{target}: {CRITERIA[criterion]}. Rounded to third stops towards more exposure; "
            f"* stops at the highlights' limit (scene {scene_range:g} log units); ~ gives 0.90 of the best that the "
            "shadows can still have; - nothing restores half of them."
        )
    return (
        f"{what} Generic films are typical values. Fog is calibrated at "
        f"{film_value('model', 'calibration_kerma'):g} uGy "
        f"(range {low:g} to {high:g}) for a net fog of 0.02 at ISO 400, an inference of this project; "
        "read a row at half and at twice your dose to see how much that matters. Test one unimportant roll first."
    )
