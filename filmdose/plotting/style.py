"""The house style, applied while a plot is drawn and nowhere else."""

from __future__ import annotations

import contextlib
import functools
import inspect
from collections.abc import Callable, Iterator
from importlib import resources
from typing import TYPE_CHECKING, Any, TypeVar, cast

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count
from filmdose.errors import ArgumentError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = [
    "FOGGED",
    "GUIDE",
    "INK",
    "earlier_plots",
    "house_style",
    "in_house_style",
    "ordered_colours",
    "other_colour",
    "plain",
    "style_parameters",
]

#: Colours with a fixed meaning: the clean film, the fogged film, what is only there to guide the eye.
INK = "#1b1b3a"
FOGGED = "#d55e00"
GUIDE = "#6e6e6e"

#: Dashes for ordered families of lines, so that neighbours differ without colour.
DASHES: tuple[Any, ...] = ("-", "--", "-.", ":", (0, (6, 1.5, 1, 1.5, 1, 1.5)))

_Function = TypeVar("_Function", bound=Callable[..., Any])


@functools.cache
def style_parameters() -> Any:
    """Matplotlib parameters of the house style sheet."""
    import matplotlib as mpl

    with resources.as_file(resources.files("filmdose").joinpath("data", "filmdose.mplstyle")) as path:
        parameters: Any = mpl.rc_params_from_file(path, use_default_template=False)
    return dict(parameters)


@contextlib.contextmanager
def house_style() -> Iterator[None]:
    """Context in which Matplotlib draws and saves in the house style; the caller's own settings return after it.

    Only the parameters of the style sheet are set and put back: a notebook's own backend may set others
    inside, when the first figure wakes it, and they must stay.

    Yields
    ------
    None
    """
    import matplotlib as mpl

    before = {name: mpl.rcParams[name] for name in style_parameters()}
    mpl.rcParams.update(style_parameters())
    try:
        yield
    finally:
        mpl.rcParams.update(before)


def in_house_style(function: _Function) -> _Function:
    """Let a plot function draw in the house style, on the given Axes or on those of a new figure.

    One rule for all plots, so that none repeats it.  Keywords that the function does not use itself are properties of
    its lines, and ``label`` names what it draws.  Where a plot is drawn on Axes that hold one already, lines take other
    dashes and colours, names stand in the legend, and the frame holds both.  On a dark background what is dark turns
    light.

    Parameters
    ----------
    function
        Draws on the keyword ``ax`` and gives it back.

    Returns
    -------
    function
    """
    parts = inspect.signature(function).parameters
    joins = any(part.kind is part.VAR_KEYWORD for part in parts.values())  # charts of bars have neither lines nor room
    own = {name for name, part in parts.items() if part.kind is not part.VAR_KEYWORD} - {"label"}

    @functools.wraps(function)
    def drawn(*arguments: Any, ax: Axes | None = None, **options: Any) -> Axes:
        line = {name: value for name, value in options.items() if joins and name not in own}
        rest = {name: value for name, value in options.items() if name not in line}
        label = line.pop("label", None)
        if label is not None and not isinstance(label, str):
            raise ArgumentError("label", label, "a text, or None")
        _check_line(line)
        with house_style():
            figure: Any = None
            if ax is None:
                import matplotlib.pyplot as plt

                figure, ax = plt.subplots()
                # Ticks are made when the figure is drawn, long after this context: fix their looks now.
                for axis, which in ((ax.xaxis, "xtick"), (ax.yaxis, "ytick")):
                    parameters = style_parameters()
                    axis.set_tick_params(
                        which="both", color=parameters[f"{which}.color"], labelcolor=parameters[f"{which}.color"]
                    )
                    axis.set_tick_params(which="major", labelsize=parameters[f"{which}.labelsize"])
            elif not hasattr(ax, "get_xlim"):
                raise ArgumentError("ax", ax, "Matplotlib Axes, or None for a new figure")
            if earlier_plots(ax) and not joins:
                raise ArgumentError("ax", ax, "Axes of its own for this chart", "Put them side by side in one figure.")
            before, number = set(ax.get_children()), earlier_plots(ax)
            limits, title = (ax.get_xlim(), ax.get_ylim()), ax.get_title("left")
            try:
                function(*arguments, ax=ax, **rest)
            except BaseException:
                if figure is not None:
                    plt.close(figure)  # nobody has it
                raise
            new = [artist for artist in ax.get_children() if artist not in before]
            _tell_apart(ax, new, number, label)
            if number:
                _hold_both(ax, limits)
                ax.set_title(title)
            for artist in new:
                if line and (_is_data(artist) or _is_isolines(artist)):
                    artist.set(**line)
            _suit_background(ax, new)
            if ax.get_legend() is not None or ((number or label is not None) and ax.get_legend_handles_labels()[0]):
                changed = bool(number or line) or label is not None or _is_dark(ax)
                _renew_legend(ax, rebuilt=changed)
        return ax

    return cast(_Function, drawn)


def earlier_plots(ax: Axes) -> int:
    """How many plots of this package the Axes hold already."""
    return len(getattr(ax, "_filmdose_names", ()))


def other_colour(colour: str, number: int) -> str:
    """What stands for a colour of fixed meaning in the plot of that number on its Axes, the first being 0."""
    return colour if number == 0 else _OTHERS[colour][(number - 1) % len(_OTHERS[colour])]


def _check_line(line: dict[str, Any]) -> None:
    """Refuse a keyword that no line takes."""
    if line:
        from matplotlib.lines import Line2D

        known = Line2D([], [])
        for name in line:
            if not hasattr(known, f"set_{name}"):
                allowed = "an option of the plot, or a property of a line such as linewidth, alpha or color"
                raise ArgumentError(name, line[name], allowed)


def _is_data(artist: Any) -> bool:
    """True for a line of data: neither a guide nor single marks."""
    from matplotlib.lines import Line2D

    if not isinstance(artist, Line2D) or artist.get_linestyle() == "None":
        return False
    return len(artist.get_xdata()) > 2 and artist.get_color() != GUIDE  # type: ignore[arg-type]


def _is_isolines(artist: Any) -> bool:
    """True for several lines of equal value; not for areas, nor for a single bound."""
    return hasattr(artist, "levels") and not artist.filled and len(artist.levels) > 1


#: Colours that a second and a third plot take where the first has those of a fixed meaning.
_OTHERS: dict[str, tuple[str, ...]] = {
    INK: ("#0072b2", "#6a4fb3"),
    FOGGED: ("#b8860b", "#a0326e"),
    GUIDE: ("#7fa8bf", "#a99fc4"),
}


def _tell_apart(ax: Axes, new: list[Any], number: int, label: str | None) -> None:
    """Other dashes and colours than those of earlier plots, and names in the legend of which is which."""
    from matplotlib.lines import Line2D
    from matplotlib.text import Text

    names: list[str] = getattr(ax, "_filmdose_names", [])
    title = ax.get_title("left")
    name = label if label is not None else title.partition(":")[0] if ":" in title else ""
    # the same name twice tells nothing apart
    name = f"{name} ({number + 1})".strip() if name and name in names else name
    if number == 1:
        for artist in ax.get_lines():
            if artist not in new:
                _prefix(artist, names[0])
    for artist in new:
        if not isinstance(artist, Line2D):
            words = artist.get_color() if isinstance(artist, Text) else None
            if number and isinstance(words, str) and words in _OTHERS:
                artist.set_color(other_colour(words, number))
            continue
        if number:
            colour = artist.get_color()
            if isinstance(colour, str) and colour in _OTHERS:
                artist.set_color(other_colour(colour, number))
            if _is_data(artist) or (colour == GUIDE and len(artist.get_xdata()) > 2):  # type: ignore[arg-type]
                artist.set_linestyle(DASHES[(_dash_number(artist) + 2 * number) % len(DASHES)])
        if number or label is not None:
            _prefix(artist, name)
            taken = {str(other.get_label()) for other in ax.get_lines() if other not in new}
            if artist.get_label() in taken and not str(artist.get_label()).startswith("_"):
                artist.set_label(f"{artist.get_label()} ({number + 1})")
    ax._filmdose_names = [*names, name]  # type: ignore[attr-defined]


def _dash_number(line: Any) -> int:
    looks = [_pattern(dash) for dash in DASHES]
    found = line._unscaled_dash_pattern
    return looks.index(found) if found in looks else 0


def _pattern(dash: Any) -> Any:
    from matplotlib.lines import Line2D

    return Line2D([], [], linestyle=dash)._unscaled_dash_pattern  # type: ignore[attr-defined]


def _prefix(artist: Any, name: str) -> None:
    words = str(artist.get_label())
    if name and not words.startswith("_") and not words.startswith(name):
        artist.set_label(f"{name}: {words}")


def _hold_both(ax: Axes, before: tuple[tuple[float, float], tuple[float, float]]) -> None:
    """A frame that holds what was there and what came, in the direction that it had."""
    joined = []
    for (first, last), now in zip(before, (ax.get_xlim(), ax.get_ylim()), strict=True):
        low, high = min(first, last, *now), max(first, last, *now)
        joined.append((low, high) if first <= last else (high, low))
    ax.set_xlim(joined[0])
    ax.set_ylim(joined[1])


def _renew_legend(ax: Axes, *, rebuilt: bool) -> None:
    """A legend of all that is there, readable on its background."""
    old = ax.get_legend()
    if rebuilt:
        heading = "" if old is None else old.get_title().get_text()
        apart = {"bbox_to_anchor": (0.0, 1.0), "ncols": 4} if old is not None and old._ncols > 1 else {}  # type: ignore[attr-defined]
        old = ax.legend(loc="lower left" if apart else "best", title=heading or None, **apart)
    if old is not None and _is_dark(ax):
        for text in (*old.get_texts(), old.get_title()):
            text.set_color(_lighter(text.get_color()))


def _is_dark(ax: Axes) -> bool:
    return _luma(ax.get_facecolor()) < 0.4


def _luma(colour: Any) -> float:
    from matplotlib.colors import to_rgb

    red, green, blue = to_rgb(colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue


def _lighter(colour: Any) -> Any:
    """The colour, light enough for a dark background, its hue kept: the darker, the more white is added."""
    from matplotlib.colors import to_rgba

    luma = _luma(colour)
    if luma >= 0.45:
        return colour
    red, green, blue, alpha = to_rgba(colour)
    share = (0.85 - 0.75 * luma - luma) / (1.0 - luma)  # the darkest become the lightest: what differed still does
    return (*(part + share * (1.0 - part) for part in (red, green, blue)), alpha)


def _suit_background(ax: Axes, new: list[Any]) -> None:
    """Turn light what is dark, where the background is dark."""
    from matplotlib.collections import LineCollection
    from matplotlib.colors import to_rgba
    from matplotlib.patches import Patch

    face = ax.get_facecolor()
    if not _is_dark(ax):
        return
    for artist in (*new, ax.title, ax._left_title, ax.xaxis.label, ax.yaxis.label):  # type: ignore[attr-defined]
        if hasattr(artist, "set_color") and hasattr(artist, "get_color") and not hasattr(artist, "get_segments"):
            artist.set_color(_lighter(artist.get_color()))
        if isinstance(artist, Patch) and artist is not ax.patch:
            artist.set_edgecolor(_lighter(artist.get_edgecolor()))
            if to_rgba(artist.get_facecolor())[3] > 0.0:
                artist.set_facecolor(_lighter(artist.get_facecolor()))
        if isinstance(artist, LineCollection):
            artist.set_edgecolor([_lighter(colour) for colour in artist.get_edgecolor()])
        if hasattr(artist, "get_bbox_patch") and artist.get_bbox_patch() is not None:
            artist.get_bbox_patch().set_facecolor(face)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_tick_params(which="both", color="#cfcfcf", labelcolor="#cfcfcf")
    for spine in ax.spines.values():
        spine.set_edgecolor("#cfcfcf")


def plain(words: str) -> str:
    """Words in which a dollar sign is a dollar sign, and does not begin a formula."""
    return words.replace("$", r"\$")


def ordered_colours(count: int) -> list[tuple[float, float, float, float]]:
    """Colours for ``count`` ordered lines, from dark to light, even in lightness."""
    import matplotlib as mpl
    import numpy as np

    palette = mpl.colormaps["cividis"]
    return [palette(position) for position in np.linspace(0.0, 0.74, max(check_count("count", count), 1))]


hold_to_annotations(globals())
