"""Plots over dose and exposure: stops to give, the exposure index over speed and dose, and what an index costs."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.interpolate import CubicSpline

from filmdose.answering import answer_grid, as_film
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_array
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.film.model import Film, film_words
from filmdose.names import Kind
from filmdose.plotting.style import (
    DASHES,
    FOGGED,
    GUIDE,
    INK,
    earlier_plots,
    in_house_style,
    ordered_colours,
    other_colour,
    plain,
)
from filmdose.question import Question
from filmdose.solution import loss_curves
from filmdose.units import exposure_index, format_speed
from filmdose.words import KIND_WORDS, dose_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_ei_isolines", "plot_loss", "plot_stops"]

DOSE_LABEL = "accumulated dose at the film [µGy]"

#: Doses over which the plots run when none are given [uGy].
_DOSES = np.geomspace(1.0, 10_000.0, 161)

#: Full stops of the exposure index, for iso-lines and ticks.
_FULL_STOPS = (3, 6, 12, 25, 50, 100, 200, 400, 800, 1600, 3200, 6400)

#: More exposure than this is not drawn [stops].
_MOST_STOPS = 5.0


@in_house_style
def plot_stops(
    films: Sequence[Film | float] = (50, 100, 200, 400, 800, 1600, 3200),
    kerma_ugy: Any = None,
    question: Question | None = None,
    *,
    ax: Axes | None = None,
    label: str | None = None,
    **line: Any,
) -> Axes:
    """Compensation to give against accumulated dose, one line a film.

    A line turns thin where more light no longer restores the shadows, and ends in a cross where nothing helps.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Accumulated effective kerma [uGy; above 0], increasing; 1 to 10 000 by default.
    question
        What is asked.
    ax
        Axes to draw on; a new figure when None. They may hold a plot already.
    label
        What is drawn, for the legend.
    **line
        Properties of the lines, such as ``linewidth`` or ``color``, in Matplotlib's words.

    Returns
    -------
    Axes

    Raises
    ------
    ArgumentError
        A value out of range, or Axes that cannot hold it.

    Examples
    --------
    >>> ax = plot_stops([400, 800], [1.0, 10.0, 100.0])
    >>> ax.get_ylabel()
    'more exposure to give [stops]'
    """
    assert ax is not None
    doses = _check_doses(kerma_ugy)
    asked = Question() if question is None else question
    grid = answer_grid(films, doses, asked)
    stops, partly = grid["given_stops"].to_numpy(), grid["status"].to_numpy() != "ok"
    names = _short_names(grid)
    colours = ordered_colours(len(names))[::-1]
    top = max(1.0, np.ceil(2.0 * np.nanmax(np.minimum(stops, _MOST_STOPS), initial=0.0) + 0.2) / 2.0)
    for number, name in enumerate(names):
        given, thin = stops[number], partly[number]
        style = {"color": colours[number], "linestyle": DASHES[number % len(DASHES)]}
        ax.plot(doses, np.where(thin, np.nan, given), label=plain(str(grid["film"].to_numpy()[number])), **style)
        ax.plot(doses, np.where(thin | _neighbours(thin), given, np.nan), **{**style, "linewidth": 0.8})
        shown = np.flatnonzero(~np.isnan(given))
        if not shown.size:
            continue
        last = shown[-1]
        if last + 1 < doses.size:
            ax.plot(doses[last], given[last], marker="x", color=colours[number], markersize=7, markeredgewidth=2)
        at = min(int(np.searchsorted(given[shown], 0.45 * top)), shown.size - 1)
        ax.text(
            doses[shown[at]],
            given[shown[at]],
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
    ax.set_ylabel("more exposure to give [stops]")
    ax.set_title(f"Compensation by {asked.criterion_words}, for the film speeds at the lines")
    # Beside a second plot a legend stands there, and its thin lines mean the same.
    remarks = ["thin: the shadows are not wholly restored"] if (partly & ~np.isnan(stops)).any() else []
    if np.isnan(stops).any():
        remarks.append("×: nothing helps beyond")
    if not earlier_plots(ax):
        ax.text(0.02, 0.97, "\n".join(remarks), transform=ax.transAxes, va="top", color=GUIDE, fontsize="small")
    return ax


@in_house_style
def plot_ei_isolines(
    speeds: Any = None,
    kerma_ugy: Any = None,
    question: Question | None = None,
    *,
    kind: Kind = "bw-negative",
    ax: Axes | None = None,
    label: str | None = None,
    **line: Any,
) -> Axes:
    """Lines of equal exposure index over accumulated dose and marked speed of the generic films of a kind.

    Parameters
    ----------
    speeds
        Speeds [ISO], increasing; 25 to 6400 by default.
    kerma_ugy
        Accumulated effective kerma [uGy; above 0], increasing; 1 to 10 000 by default.
    question
        What is asked.
    kind
        Kind of generic film.
    ax
        Axes to draw on; a new figure when None. They may hold a plot already.
    label
        What is drawn, for the legend.
    **line
        Properties of the lines, such as ``linewidth`` or ``color``, in Matplotlib's words.

    Returns
    -------
    Axes

    Raises
    ------
    ArgumentError
        A value out of range, or Axes that cannot hold it.

    Examples
    --------
    >>> ax = plot_ei_isolines([100, 400, 1600], [1.0, 10.0, 100.0])
    >>> ax.get_xlabel()
    'accumulated dose at the film [µGy]'
    """
    assert ax is not None
    doses = _check_doses(kerma_ugy)
    wanted = np.geomspace(25.0, 6400.0, 49) if speeds is None else speeds
    rows = np.atleast_1d(check_array("speeds", wanted, low=0.0, low_open=True, unit="ISO", nan_allowed=False))
    grid = answer_grid([generic_film(float(speed), kind=kind) for speed in rows], doses, question)
    log_ei, verdict = np.log2(grid["ei_exact"].to_numpy()), grid["verdict"].to_numpy()
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_xlim(doses[0], doses[-1])
    ax.set_ylim(rows[0], rows[-1])
    hopeless = (verdict == "lost").astype(float)
    if hopeless.any():
        ax.contourf(doses, rows, hopeless, levels=[0.5, 1.5], colors=["#efefef"], hatches=["////"])
    levels = [ei for ei in _FULL_STOPS if np.nanmin(log_ei) < np.log2(ei) < np.nanmax(log_ei[:, 0]) - 0.05]
    number = earlier_plots(ax)
    colour, dash = other_colour(INK, number), DASHES[number % len(DASHES)]
    contours = ax.contour(doses, rows, log_ei, levels=np.log2(levels), colors=[colour], linewidths=1.2)
    contours.set(linestyle=dash)
    ax.plot([], [], color=colour, linestyle=dash, label=f"equal EI, {KIND_WORDS[kind]}")
    named = np.log2([ei for ei in levels if ei != rows[0]])
    ax.clabel(contours, named, fmt=lambda value: f"EI {format_speed(float(2.0**value))}", fontsize=8, inline_spacing=4)
    if (verdict == "good").any() and (verdict != "good").any():
        good = (verdict == "good").astype(float)
        ax.contour(doses, rows, good, levels=[0.5], colors=[GUIDE], linewidths=1.2, linestyles=[":"])
    marks = [s for s in _FULL_STOPS if rows[0] <= s <= rows[-1]]
    ax.set_yticks(marks, [format_speed(s) for s in marks])
    ax.set_yticks([], minor=True)
    ax.set_xlabel(DOSE_LABEL)
    ax.set_ylabel("speed on the box [ISO]")
    hatched = ", hatched nothing helps" if hopeless.any() else ""
    ax.set_title(f"EI to set; right of the dots less than good{hatched}")
    return ax


@in_house_style
def plot_loss(
    film: Film | float,
    kerma_ugy: Any,
    question: Question | None = None,
    *,
    ax: Axes | None = None,
    label: str | None = None,
    **line: Any,
) -> Axes:
    """What every exposure index costs, and the one that costs least; for a known dose, or for one that is not known.

    loss(s) = cost_under (shadow to win back + highlight lost) + cost_over s, EI = speed / 2**s.  Of several doses,
    equally likely, the mean loss decides; the losses at their 5, 50 and 95 % points are drawn beside it.

    Parameters
    ----------
    film
        A negative film, or a speed [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Effective kerma [uGy; >= 0]; one, or several as equally likely cases.
    question
        What is asked.
    ax
        Axes to draw on; a new figure when None. They may hold a plot already.
    label
        What is drawn, for the legend.
    **line
        Properties of the lines, such as ``linewidth`` or ``color``, in Matplotlib's words.

    Returns
    -------
    Axes

    Raises
    ------
    ArgumentError
        Reversal film, which is exposed as marked; no dose, or one out of range.

    Examples
    --------
    >>> ax = plot_loss(800, 100.0)
    >>> ax.get_ylabel()
    'cost [stops of light]'
    """
    assert ax is not None
    film, asked = as_film(film), Question() if question is None else question
    if film.reversal:
        raise ArgumentError("film", film.label, "negative film", "Reversal film is exposed as marked.")
    doses = np.sort(check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy", nan_allowed=False).ravel())
    if not doses.size:
        raise ArgumentError("kerma_ugy", kerma_ugy, "at least one dose [uGy]")
    nodes, dark, bright = loss_curves(film, doses, asked)
    stops = np.linspace(0.0, min(_MOST_STOPS, nodes[-1]), 1001)
    dark, bright = (CubicSpline(nodes, lost, axis=1)(stops) for lost in (dark, bright))
    shadow, highlight = (asked.cost_under * np.maximum(lost, 0.0) for lost in (dark, bright))
    light = asked.cost_over * stops
    losses = shadow + highlight + light
    mean = losses.mean(axis=0)
    lines: list[tuple[str, Any, Any, Any, float]] = []
    if doses.size == 1:
        lines += [
            ("shadows to win back", shadow[0], INK, DASHES[1], 1.2),
            ("highlights lost", highlight[0], GUIDE, DASHES[2], 1.2),
            ("light given", light, GUIDE, DASHES[3], 1.2),
        ]
    else:
        for share, dash in ((0.05, DASHES[3]), (0.5, DASHES[1]), (0.95, DASHES[2])):
            at = round(share * (doses.size - 1))
            lines.append((f"{100 * share:.0f} % point, {dose_text(doses[at])}", losses[at], INK, dash, 1.2))
    lines.append(("all together" if doses.size == 1 else "mean over all doses", mean, FOGGED, DASHES[0], 2.4))
    index = exposure_index(film.speed, stops)
    for words, losing, colour, dash, width in lines:
        ax.plot(index, losing, color=colour, linestyle=dash, linewidth=width, label=words)
    place = int(np.argmin(mean))
    found = exposure_index(film.speed, stops[place])
    top = min(3.0 * mean[place] + 2.0, 1.05 * mean.max())
    ax.plot(found, mean[place], marker="s", color=FOGGED, linestyle="none", markersize=8, zorder=4)
    below = mean[place] > 0.15 * top
    ax.annotate(
        f"least at EI {format_speed(found)}",
        (found, mean[place]),
        xytext=(0, -10 if below else 10),
        textcoords="offset points",
        ha="center" if place > 0.1 * stops.size else "left",
        va="top" if below else "bottom",
        color=FOGGED,
        fontweight="bold",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.5},
        zorder=3.5,
    )
    ax.set_xscale("log")
    ax.set_xlim(index[0], index[-1])
    marks = [s for s in _FULL_STOPS if index[-1] <= s <= index[0]]
    ax.set_xticks(marks, [format_speed(s) for s in marks])
    ax.set_xticks([], minor=True)
    ax.set_ylim(0.0, float(top))
    ax.set_xlabel("exposure index set on the meter, the box speed at the left [ISO]")
    ax.set_ylabel("cost [stops of light]")
    what = dose_text(doses[0]) if doses.size == 1 else f"{dose_text(doses[0])} to {dose_text(doses[-1])}"
    ax.set_title(plain(f"{film_words(film)}, {what}: what an index costs"))
    ax.legend(loc="best")
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
    generic = all(label == f"{kind} ISO {speed:g}" for label, kind, speed in zip(labels, kinds, speeds, strict=True))
    if generic and len(set(kinds)) == 1:
        return [format_speed(speed) for speed in speeds]
    return [str(label) for label in labels]


hold_to_annotations(globals())
