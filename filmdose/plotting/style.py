"""The house style, applied while a plot is drawn and nowhere else."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Callable, Iterator
from importlib import resources
from typing import TYPE_CHECKING, Any, TypeVar, cast

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count
from filmdose.errors import ArgumentError

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["FOGGED", "GUIDE", "INK", "house_style", "in_house_style", "ordered_colours", "plain", "style_parameters"]

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
    """
    import matplotlib as mpl

    before = {name: mpl.rcParams[name] for name in style_parameters()}
    mpl.rcParams.update(style_parameters())
    try:
        yield
    finally:
        mpl.rcParams.update(before)


def in_house_style(function: _Function) -> _Function:
    """Let a plot function draw in the house style, on the given Axes or on those of a new figure."""

    @functools.wraps(function)
    def drawn(*arguments: Any, ax: Axes | None = None, **options: Any) -> Axes:
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
            try:
                function(*arguments, ax=ax, **options)
            except BaseException:
                if figure is not None:
                    plt.close(figure)  # nobody has it
                raise
        return ax

    return cast(_Function, drawn)


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
