"""Plots of a fit: readings on the fitted curve, and what is left over."""

from __future__ import annotations

import io
import math
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.errors import UnknownNameError
from filmdose.files import write_bytes_atomic
from filmdose.film.fitresult import FilmFit
from filmdose.film.model import film_words
from filmdose.plotting.curves import EXPOSURE_LABEL
from filmdose.plotting.style import DASHES, GUIDE, house_style, in_house_style, ordered_colours, plain

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_fit", "plot_fit_residuals", "write_fit_plot"]

_MARKERS = ("o", "s", "^")
_BEYOND = 0.3  # log units that the curve is drawn beyond the readings


@in_house_style
def plot_fit(fit: FilmFit, *, ax: Axes | None = None, label: str | None = None, **line: Any) -> Axes:
    """Draw readings and fitted curve of every record, with the speed point marked.

    Parameters
    ----------
    fit
        Result of :func:`filmdose.film.fitting.fit_film`.
    ax
        Axes to draw on; a new figure when None. They may hold a plot already.
    label
        What is drawn, for the legend.
    **line
        Properties of the lines, such as ``linewidth`` or ``color``, in Matplotlib's words.

    Returns
    -------
    Axes

    Examples
    --------
    >>> from filmdose.film import StepReadings, fit_film, generic_film
    >>> steps = [-4.5 + 0.15 * number for number in range(34)]
    >>> densities = generic_film(400).records[0].density(steps)
    >>> fit = fit_film(StepReadings(log_exposure=steps, densities={"visual": densities}), kind="bw-negative")
    >>> plot_fit(fit).get_ylabel()
    'density'
    """
    assert ax is not None
    for record, colour, dash, marker in zip(
        fit.records, ordered_colours(len(fit.records)), DASHES, _MARKERS, strict=False
    ):
        x = np.linspace(record.log_exposure[0] - _BEYOND, record.log_exposure[-1] + _BEYOND, 400)
        label = "" if len(fit.records) == 1 else f"{record.record}, "
        ax.plot(x, record.emulsion.density(x), color=colour, linestyle=dash, label=f"{label}fitted")
        ax.plot(
            record.log_exposure,
            record.density,
            color=colour,
            linestyle="none",
            marker=marker,
            markerfacecolor="none",
            label=f"{label}read",
        )
    if not math.isnan(fit.log_speed_point):
        ax.axvline(fit.log_speed_point, color=GUIDE, linewidth=0.8, linestyle=":")
        ax.text(fit.log_speed_point, 0.98, " speed point", transform=ax.get_xaxis_transform(), va="top", color=GUIDE)
    ax.set_xlabel(EXPOSURE_LABEL)
    ax.set_ylabel("density")
    ax.set_title(plain(film_words(fit.film)))
    ax.legend(loc="center right" if fit.film.reversal else "lower right")
    return ax


@in_house_style
def plot_fit_residuals(fit: FilmFit, *, ax: Axes | None = None, label: str | None = None, **line: Any) -> Axes:
    """Draw reading minus fit against log10 exposure, with the band of one standard deviation of a reading.

    Parameters
    ----------
    fit
        Result of :func:`filmdose.film.fitting.fit_film`.
    ax
        Axes to draw on; a new figure when None. They may hold a plot already.
    label
        What is drawn, for the legend.
    **line
        Properties of the lines, such as ``linewidth`` or ``color``, in Matplotlib's words.

    Returns
    -------
    Axes

    Examples
    --------
    >>> from filmdose.film import StepReadings, fit_film, generic_film
    >>> steps = [-4.5 + 0.15 * number for number in range(34)]
    >>> densities = generic_film(400).records[0].density(steps)
    >>> fit = fit_film(StepReadings(log_exposure=steps, densities={"visual": densities}), kind="bw-negative")
    >>> plot_fit_residuals(fit).get_ylabel()
    'read less fitted'
    """
    assert ax is not None
    for record, colour, marker in zip(fit.records, ordered_colours(len(fit.records)), _MARKERS, strict=False):
        ax.plot(
            record.log_exposure,
            record.residuals,
            color=colour,
            linestyle="none",
            marker=marker,
            markerfacecolor="none",
            label=record.record,
        )
    ax.axhline(0.0, color=GUIDE, linewidth=0.8, linestyle="-")
    ax.set_xlabel(EXPOSURE_LABEL)
    ax.set_ylabel("read less fitted")
    return ax


def write_fit_plot(fit: FilmFit, path: str | Path) -> Path:
    """Write both plots, one above the other, as PNG, PDF or SVG by the ending of the name.

    Raises
    ------
    UnknownNameError
        Another ending.
    OutputFileError
        The place cannot be written to.
    """
    ending = Path(path).suffix.lower()
    if ending not in (".png", ".pdf", ".svg"):
        raise UnknownNameError("path", str(path), ("*.png", "*.pdf", "*.svg"), "The ending says what is written.")
    from matplotlib.figure import Figure

    stream = io.BytesIO()
    with house_style():
        figure = Figure(figsize=(6.4, 5.6))
        above, below = figure.subplots(2, 1, sharex=True, height_ratios=(3, 1))
        plot_fit(fit, ax=above)
        plot_fit_residuals(fit, ax=below)
        above.set_xlabel("")
        figure.savefig(stream, format=ending[1:])
    return write_bytes_atomic(path, stream.getvalue())


hold_to_annotations(globals())
