"""Bars of what matters most: one unknown at a time, and shares of the variance."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count
from filmdose.errors import ArgumentError
from filmdose.plotting.style import FOGGED, GUIDE, INK, in_house_style, plain

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = ["plot_sobol", "plot_tornado"]


@in_house_style
def plot_tornado(table: pd.DataFrame, *, most: int = 10, ax: Axes | None = None) -> Axes:
    """Compensation with one unknown at a time at its low and its high point, the widest on top.

    Parameters
    ----------
    table
        As :func:`filmdose.odds.tornado` makes it: index the unknowns; columns low, typical, high [stops].
    most
        Bars at most [at least 1].
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> from filmdose.odds import tornado
    >>> trip = example_trip("ahead")
    >>> ax = plot_tornado(tornado(trip, trip.rolls[0].id), most=5)
    >>> len(ax.get_yticklabels())
    5
    """
    assert ax is not None
    _check(table, ("low", "typical", "high"))
    shown = table.iloc[: check_count("most", most, low=1)][::-1]
    places = np.arange(len(shown))
    typical = float(shown["typical"].iloc[0])
    for side, colour, hatch, words in (
        ("low", INK, "", "unknown at its low point (5 %)"),
        ("high", FOGGED, "////", "unknown at its high point (95 %)"),
    ):
        ax.barh(
            places,
            shown[side].to_numpy() - typical,
            left=typical,
            height=0.62,
            color=colour if not hatch else "none",
            edgecolor=colour,
            hatch=hatch,
            label=words,
        )
    for place, (low, high) in enumerate(zip(shown["low"], shown["high"], strict=True)):
        far, near = sorted((low, high), key=lambda end: -abs(end - typical))
        right = far >= typical
        # where both ends lie on one side, the nearer one is written on the other, outside of the bars
        across = (near > typical) != right and near != typical
        for value, at, to_right in ((far, far, right), (near, near if across else typical, not right)):
            ax.annotate(
                f"{value:.2f}",
                (at, place),
                xytext=(3 if to_right else -3, 0),
                textcoords="offset points",
                ha="left" if to_right else "right",
                va="center",
                fontsize="small",
            )
    ax.axvline(typical, color=GUIDE, linewidth=1.0, linestyle="-")
    _name_bars(ax, shown)
    ax.margins(x=0.12)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("compensation of least loss [stops]")
    ax.set_title(f"One unknown at a time; all typical: {typical:.2f} stops")
    ax.legend(loc="lower right")
    return ax


@in_house_style
def plot_sobol(table: pd.DataFrame, *, most: int = 10, ax: Axes | None = None) -> Axes:
    """First and total Sobol indices with their confidence, the largest total on top.

    Parameters
    ----------
    table
        As :func:`filmdose.odds.sobol_table` makes it: index the unknowns; columns first, first_low, first_high,
        total, total_low, total_high [1].
    most
        Pairs of bars at most [at least 1].
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Examples
    --------
    >>> from filmdose.odds import Prior, sobol_table
    >>> narrow, wide = (Prior(low=-end, typical=0, high=end, kind="normal") for end in (1, 2))
    >>> table = sobol_table(lambda x: x[:, 0] + x[:, 1], {"a": narrow, "b": wide}, samples=64, resamples=10)
    >>> ax = plot_sobol(table)
    >>> [label.get_text() for label in ax.get_yticklabels()]
    ['a', 'b']
    """
    assert ax is not None
    _check(table, [f"{name}{end}" for name in ("first", "total") for end in ("", "_low", "_high")])
    shown = table.iloc[: check_count("most", most, low=1)][::-1]
    places = np.arange(len(shown), dtype=np.float64)
    for name, shift, colour, hatch, words in (
        ("total", -0.19, FOGGED, "////", "total: with all it does together with others"),
        ("first", 0.19, INK, "", "first: alone"),
    ):
        values = shown[name].to_numpy()
        error = np.abs([values - shown[f"{name}_low"].to_numpy(), shown[f"{name}_high"].to_numpy() - values])
        ax.barh(
            places + shift,
            values,
            height=0.36,
            color=colour if not hatch else "none",
            edgecolor=colour,
            hatch=hatch,
            xerr=error,
            ecolor=GUIDE,
            capsize=2.0,
            label=words,
        )
    _name_bars(ax, shown)
    ax.set_xlim(0.0, 1.0)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("share of the variance of the stops [1]")
    ax.set_title("Which unknown makes the answer uncertain")
    ax.legend(loc="lower right")
    return ax


def _name_bars(ax: Axes, shown: pd.DataFrame) -> None:
    """Name the bars at their left, in lines that leave room for them, and leave room below for the legend."""
    names = [plain("\n".join(textwrap.wrap(str(name), 42, max_lines=2))) for name in shown.index]
    ax.set_yticks(np.arange(len(names)), names, fontsize="small")
    ax.set_ylim(-0.6 - 0.16 * max(len(names), 4), len(names) - 0.4)


def _check(table: pd.DataFrame, columns: list[str] | tuple[str, ...]) -> None:
    missing = [name for name in columns if name not in getattr(table, "columns", ())]
    if missing or not len(table):
        raise ArgumentError("table", missing or "no rows", f"a table with at least one row and {', '.join(columns)}")


hold_to_annotations(globals())
