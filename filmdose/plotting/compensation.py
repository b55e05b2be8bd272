"""Plots over dose: the compensation in stops, and the exposure index over speed and dose."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arrays import check_array
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, compensation_grid
from filmdose.film.model import Film
from filmdose.plotting.style import DASHES, GUIDE, INK, in_house_style, ordered_colours
from filmdose.units import exposure_index, format_speed
from filmdose.words import CRITERION_WORDS

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_ei_isolines", "plot_stops"]

DOSE_LABEL = "accumulated dose at the film [µGy]"

#: Doses over which the plots run when none are given [uGy].
_DOSES = np.geomspace(1.0, 10_000.0, 161)

#: Full stops of the exposure index, for iso-lines.
_FULL_STOPS = (3, 6, 12, 25, 50, 100, 200, 400, 800, 1600, 3200, 6400)


@in_house_style
def plot_stops(
    films: Sequence[Film | float] = (50, 100, 200, 400, 800, 1600, 3200),
    kerma_ugy: Any = None,
    *,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
    ax: Axes | None = None,
) -> Axes:
    """Compensation in stops against accumulated dose, one line a film.

    A line turns thin where the highlights no longer allow the full compensation,
    and ends in a cross where nothing restores the shadows.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Accumulated effective kerma [uGy; above 0], increasing; 1 to 10 000 by default.
    criterion, snr_target, scene_range
        As of :func:`filmdose.compensation.compensate`.
    ax
        Axes to draw on; a new figure when None.
    """
    assert ax is not None
    doses = _check_doses(kerma_ugy)
    grid = compensation_grid(films, doses, criterion=criterion, snr_target=snr_target, scene_range=scene_range)
    stops = grid["stops"].sel(criterion=grid.attrs["criterion"]).to_numpy()
    status = grid["status"].to_numpy()
    names = _short_names(grid)
    colours = ordered_colours(len(names))[::-1]
    top, ended = 4.0, False
    for number, name in enumerate(names):
        line, limited = stops[number], status[number] == "highlight_limited"
        style = {"color": colours[number], "linestyle": DASHES[number % len(DASHES)]}
        free = np.where(limited, np.nan, line)
        ax.plot(doses, free, **style)
        ax.plot(doses, np.where(limited | _neighbours(limited), line, np.nan), **{**style, "linewidth": 0.8})
        shown = np.flatnonzero(~np.isnan(line) & (line <= top))
        if not shown.size:
            continue
        last = shown[-1]
        if last + 1 < doses.size and np.isnan(line[last + 1]):
            ended = True
            ax.plot(doses[last], line[last], marker="x", color=colours[number], markersize=7, markeredgewidth=2)
        at = min(int(np.searchsorted(line[shown], 0.55 * top)), last)
        ax.text(
            doses[shown[at]] if at < shown.size else doses[last],
            line[shown[at]] if at < shown.size else line[last],
            name,
            ha="center" if at < shown.size - 1 else "right",
            va="center",
            color=colours[number],
            fontsize="small",
            fontweight="bold",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )
    ax.set_xscale("log")
    ax.set_xlim(doses[0], doses[-1])
    ax.set_ylim(0.0, top)
    ax.set_xlabel(DOSE_LABEL)
    ax.set_ylabel("more exposure needed [stops]")
    ax.set_title(f"Compensation by {CRITERION_WORDS[grid.attrs['criterion']]}, for the film speeds at the lines")
    remarks = []
    if (status == "highlight_limited").any():
        remarks.append("thin: more than the highlights allow")
    if ended:
        remarks.append("×: nothing restores the shadows beyond")
    ax.text(
        0.02,
        0.97,
        "\n".join(remarks),
        transform=ax.transAxes,
        va="top",
        color=GUIDE,
        fontsize="small",
    )
    return ax


@in_house_style
def plot_ei_isolines(
    speeds: Any = None,
    kerma_ugy: Any = None,
    *,
    kind: str = "bw-negative",
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
    ax: Axes | None = None,
) -> Axes:
    """Lines of equal exposure index over accumulated dose and marked speed of the generic films of a kind.

    Parameters
    ----------
    speeds
        Speeds [ISO], increasing; 25 to 6400 by default.
    kerma_ugy
        Accumulated effective kerma [uGy; above 0], increasing; 1 to 10 000 by default.
    kind
        Kind of generic film.
    criterion, snr_target, scene_range
        As of :func:`filmdose.compensation.compensate`.
    ax
        Axes to draw on; a new figure when None.
    """
    assert ax is not None
    from filmdose.film.generic import generic_film

    doses = _check_doses(kerma_ugy)
    wanted = np.geomspace(25.0, 6400.0, 49) if speeds is None else speeds
    rows = np.atleast_1d(check_array("speeds", wanted, low=0.0, low_open=True, unit="ISO", nan_allowed=False))
    films = [generic_film(float(speed), kind=kind) for speed in rows]
    grid = compensation_grid(films, doses, criterion=criterion, snr_target=snr_target, scene_range=scene_range)
    exact = exposure_index(rows[:, None], grid["stops_given"].to_numpy())
    status = grid["status"].to_numpy()
    log_ei = np.log2(exact)
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_xlim(doses[0], doses[-1])
    ax.set_ylim(rows[0], rows[-1])
    hopeless = (status == "beyond_rescue").astype(float)
    if hopeless.any():
        ax.contourf(doses, rows, hopeless, levels=[0.5, 1.5], colors=["#efefef"], hatches=["////"])
    levels = [ei for ei in _FULL_STOPS if np.nanmin(log_ei) < np.log2(ei) < np.nanmax(log_ei[:, 0]) - 0.05]
    contours = ax.contour(doses, rows, log_ei, levels=np.log2(levels), colors=[INK], linewidths=1.2)
    named = np.log2([ei for ei in levels if ei != rows[0]])
    ax.clabel(contours, named, fmt=lambda value: f"EI {format_speed(float(2.0**value))}", fontsize=8, inline_spacing=4)
    wanted_stops = grid["stops"].sel(criterion=grid.attrs["criterion"]).to_numpy()
    excess = wanted_stops - (grid["highlight_room_stops"] + grid["stops_given"]).to_numpy()
    if (status == "highlight_limited").any():
        ax.contour(doses, rows, excess, levels=[0.0], colors=[GUIDE], linewidths=1.2, linestyles=[":"])
    marks = [s for s in _FULL_STOPS if rows[0] <= s <= rows[-1]]
    ax.set_yticks(marks, [format_speed(s) for s in marks])
    ax.set_yticks([], minor=True)
    ax.set_xlabel(DOSE_LABEL)
    ax.set_ylabel("speed on the box [ISO]")
    hatched = ", hatched nothing helps" if hopeless.any() else ""
    ax.set_title(f"EI to set; right of the dots the highlights limit it{hatched}")
    return ax


def _check_doses(kerma_ugy: Any) -> Any:
    if kerma_ugy is None:
        return _DOSES
    doses = check_array("kerma_ugy", kerma_ugy, low=0.0, low_open=True, unit="uGy", nan_allowed=False)
    return np.unique(np.atleast_1d(doses))


def _neighbours(mask: Any) -> Any:
    """Elements just before a true one, so that two drawn parts of a line meet."""
    shifted = np.zeros_like(mask)
    shifted[:-1] = mask[1:]
    return shifted


def _short_names(grid: Any) -> list[str]:
    """Speed alone when all films are generic ones of one kind, else the label; lines are named with it."""
    labels, speeds = grid["film"].to_numpy(), grid["speed"].to_numpy()
    kinds = grid["kind"].to_numpy()
    plain = all(label == f"{kind} ISO {speed:g}" for label, kind, speed in zip(labels, kinds, speeds, strict=True))
    if plain and len(set(kinds)) == 1:
        return [format_speed(speed) for speed in speeds]
    return [str(label) for label in labels]
