"""Films, doses or shields side by side: the index that each asks for, and what it is worth then."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError
from filmdose.odds import RollOdds
from filmdose.plotting.style import FOGGED, GUIDE, INK, in_house_style, plain
from filmdose.units import STANDARD_SPEEDS, format_speed
from filmdose.whatif import WhatIf

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_compare"]

#: Indices slower than this many stops under the slowest box are not drawn.
_MOST_STOPS = 6.0


@in_house_style
def plot_compare(cases: Mapping[str, WhatIf | RollOdds], *, ax: Axes | None = None) -> Axes:
    """The exposure index of several cases, one line each: where it lies in nine of ten cases, and the one to set.

    A bar that leaves the frame at the slow end with an arrow holds cases in which nothing helps. Of a roll that is
    exposed already the bar is the speed that it turns out to have had; reversal film is exposed as marked.

    Parameters
    ----------
    cases
        Answers by the words that name them, the first on top: of :func:`filmdose.whatif.what_if`, or rolls of
        :func:`filmdose.odds.propagate`. Films, doses, shields, or whatever differs.
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Raises
    ------
    ArgumentError
        No case, or something else than an answer.

    Examples
    --------
    >>> from filmdose.whatif import what_if
    >>> walls = ("none", "lead=0.5")
    >>> bare, pouch = (what_if(speed=800, counts={"cabin-ct": 1}, shield=wall, samples=64) for wall in walls)
    >>> ax = plot_compare({"bare": bare, "in a pouch": pouch})
    >>> [label.get_text() for label in ax.get_yticklabels()]
    ['bare', 'in a pouch']
    """
    assert ax is not None
    if not cases:
        raise ArgumentError("cases", cases, "at least one answer by its name")
    rows: list[RollOdds] = []
    for name, case in cases.items():
        if not isinstance(case, (WhatIf, RollOdds)):
            raise ArgumentError(f"cases[{name!r}]", case, "an answer of what_if, or a roll of propagate")
        rows.append(case.odds if isinstance(case, WhatIf) else case)
    speeds = [odds.roll.film.speed for odds in rows]
    floor = min(speeds) / 2.0**_MOST_STOPS
    lowest = min((ei for odds in rows for ei in (*odds.ei, odds.ei_recommended) if ei), default=floor)
    left = max(floor, lowest / 1.5)
    for place, odds in enumerate(rows):
        _draw_case(ax, place, odds, left)
    looks: tuple[tuple[str, dict[str, Any]], ...] = (
        ("9 of 10 cases", {"color": INK, "linewidth": 6.0, "alpha": 0.35}),
        ("middle case", {"color": INK, "marker": "o", "linestyle": "none"}),
        ("to set", {"color": FOGGED, "marker": "s", "linestyle": "none", "markersize": 7}),
        ("on the box", {"color": GUIDE, "marker": "|", "linestyle": "none", "markersize": 14}),
    )
    for words, style in looks:
        ax.plot([], [], label=words, **{"linestyle": "-", **style})
    ax.set_yticks(np.arange(len(rows)), [plain(name) for name in cases])
    ax.set_ylim(len(rows) - 0.4, -0.8)
    ax.set_xscale("log")
    ax.set_xlim(left, max(speeds) * 1.25)
    marks = [s for s in STANDARD_SPEEDS if left <= s <= max(speeds) * 1.25][::-3]
    ax.set_xticks(marks, [format_speed(s) for s in marks])
    ax.set_xticks([], minor=True)
    ax.grid(axis="y", visible=False)
    ax.set_xlabel("exposure index [ISO]")
    ax.set_title("Side by side: the index to set, and what the roll is worth then", pad=22.0)
    ax.legend(loc="lower left", bbox_to_anchor=(0.0, 1.0), ncols=4, borderaxespad=0.2)
    return ax


def _draw_case(ax: Axes, place: int, odds: RollOdds, left: float) -> None:
    """One line: the bar, its middle, the index to set, the box speed, and the verdict in words at the right."""
    speed = odds.roll.film.speed
    ax.plot(speed, place, marker="|", color=GUIDE, markersize=14, markeredgewidth=1.5, linestyle="none")
    words: str = odds.verdict
    if odds.outcome == "as_marked":
        words = f"as marked, {words}"
    else:
        slow, middle, fast = odds.ei
        bar: dict[str, Any] = {"color": INK, "linewidth": 6.0, "alpha": 0.35, "solid_capstyle": "butt"}
        if fast > 0.0:
            ax.plot([max(slow, left), max(fast, left)], [place, place], linestyle="-", **bar)
        if slow < left:
            ax.plot(left, place, marker="<", color=INK, linestyle="none", clip_on=False)
        if middle >= left:
            ax.plot(middle, place, marker="o", color=INK, linestyle="none")
    if odds.outcome == "exposed":
        words = f"exposed, {words}"
    elif odds.ei_recommended is not None:
        ax.plot(odds.ei_recommended, place, marker="s", color=FOGGED, linestyle="none", markersize=7)
        words = f"EI {format_speed(odds.ei_recommended)}, {words}" if odds.outcome == "compensated" else words
    ax.annotate(
        words,
        (1.0, place),
        xycoords=("axes fraction", "data"),
        xytext=(6, 0),
        textcoords="offset points",
        va="center",
        color=INK,
        fontsize="small",
        annotation_clip=False,
    )


hold_to_annotations(globals())
