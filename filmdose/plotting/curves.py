"""Plots over exposure: the characteristic curve and the signal-to-noise ratio, clean and fogged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.answering import as_film
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import Film, film_words
from filmdose.plotting.style import DASHES, FOGGED, GUIDE, INK, earlier_plots, in_house_style, ordered_colours, plain
from filmdose.question import Question
from filmdose.solution import shadow_points, solve_film
from filmdose.standards import LOG10_2
from filmdose.units import exposure_index, format_speed, standard_exposure_index
from filmdose.words import dose_text

if TYPE_CHECKING:
    from matplotlib.artist import Artist
    from matplotlib.axes import Axes

__all__ = ["plot_characteristic_curves", "plot_signal_to_noise"]

EXPOSURE_LABEL = "log10 exposure [lx s]"
_POINTS = 400


@in_house_style
def plot_characteristic_curves(
    film: Film | float,
    kerma_ugy: float,
    question: Question | None = None,
    *,
    exposed: bool = False,
    ax: Axes | None = None,
    label: str | None = None,
    **line: Any,
) -> Axes:
    """Density against log10 exposure, clean and fogged, with the scene laid on both.

    The scene starts at the shadow point and is as wide as the question's ``scene_range``: on the clean curve as
    metered at the marked speed, on the fogged curve as metered at the index of :func:`filmdose.answering.answer`.

    Parameters
    ----------
    film
        A film, or a speed [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Effective kerma at the film [uGy; >= 0].
    question
        What is asked; the curve is that of the worst band.
    exposed
        True for a roll that was exposed already: the scene lies on the fogged curve as it was metered.
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
    >>> ax = plot_characteristic_curves(800, 100.0)
    >>> ax.get_xlabel(), ax.get_ylabel()
    ('log10 exposure [lx s]', 'density')
    """
    assert ax is not None
    film, asked = as_film(film), Question() if question is None else question
    dose = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")
    draw_clean(ax, film, asked.scene_range)
    metered = meter(film, dose, asked, exposed=exposed)
    draw_fogged(ax, film, dose, metered, asked, label=f"after {dose_text(dose)}")
    ax.set_title(plain(f"{film_words(film)}: clean and after {dose_text(dose)}"))
    ax.legend(loc="upper right" if film.reversal else "upper left")
    return ax


def draw_clean(ax: Axes, film: Film, scene_range: float) -> None:
    """Everything of the plot that no dose changes: the clean curves, and the frame around all of it."""
    low, high = _exposure_window(film)
    high = max(high, max(shadow_points(film)) + scene_range + 0.1)
    x = np.linspace(low, high, _POINTS)
    for number, (name, record) in enumerate(film):
        density = record.density(x)
        label = "clean" if number == 0 else None
        ax.plot(x, density, color=INK, linestyle=DASHES[1 + number], label=label)
        if len(film.records) > 1:
            # At the dense end, where the records lie apart.
            at, side = (0, "left") if film.reversal else (-1, "right")
            ax.annotate(
                name[0].upper(),
                (x[at], density[at]),
                xytext=(-4 if side == "right" else 4 + 10 * number, 4),
                textcoords="offset points",
                ha=side,
                color=INK,
                fontweight="bold",
            )
    floor, top = _density_window(film)
    ax.set_xlim(low, high)
    # Room below for the scenes, those of earlier plots on these Axes among them.
    ax.set_ylim(floor - (0.25 + 0.17 * earlier_plots(ax)) * (top - floor), top + 0.06 * (top - floor))
    ax.set_yticks([tick for tick in ax.get_yticks() if 0.0 <= tick <= top + 0.06 * (top - floor)])
    ax.set_xlabel(EXPOSURE_LABEL)
    ax.set_ylabel("density")


@dataclass(frozen=True)
class Metered:
    """How the scene was metered for the fogged film [stops more], in which record it is shown, and in words."""

    record: int
    stops: float
    words: str


def meter(film: Film, kerma_ugy: float, question: Question, *, exposed: bool = False) -> Metered:
    """Meter for a dose [uGy] as :func:`filmdose.answering.answer` recommends, or for the best where nothing helps."""
    found = solve_film(film, np.array([kerma_ugy]), question)
    record, given = int(found.decides[0]), float(found.given[0])
    if exposed or film.reversal:
        return Metered(record, 0.0, f"the same, metered at ISO {format_speed(film.speed)}")
    if math.isnan(given):
        best = float(found.best[0])
        return Metered(record, best, f"best that can be had, EI {format_speed(exposure_index(film.speed, best))}")
    index = standard_exposure_index(film.speed, given)
    return Metered(record, math.log2(film.speed / index), f"metered at EI {format_speed(index)}")


def draw_fogged(
    ax: Axes, film: Film, kerma_ugy: float, metered: Metered, question: Question, *, label: str
) -> list[Artist]:
    """Everything that a dose changes: the fogged curves, and the scene on the clean and the fogged curve."""
    worst, scene_range = kerma_ugy * question.peak_to_mean, question.scene_range
    x = np.linspace(*ax.get_xlim(), _POINTS)
    drawn: list[Artist] = []
    for number, (_, record) in enumerate(film):
        words = label if number == 0 else None
        drawn += ax.plot(x, record.density(x, worst), color=FOGGED, linestyle="-", label=words)
    placed = (
        (f"metered at ISO {format_speed(film.speed)}", 0.0, 0.0, INK),
        (metered.words, metered.stops, worst, FOGGED),
    )
    for level, (words, stops, kerma, colour) in enumerate(placed):
        start = shadow_points(film)[metered.record] + stops * LOG10_2
        at = np.linspace(start, start + scene_range, 60)
        density = film.records[metered.record].density(at, kerma)
        drawn += _draw_scene(ax, film, at, density, level + 2 * earlier_plots(ax), words, colour)
    return drawn


def _draw_scene(
    ax: Axes, film: Film, x: FloatArray, density: FloatArray, level: int, words: str, colour: str
) -> list[Artist]:
    """One scene: on its curve, and as a bracket with its name below the curves."""
    floor, top = _density_window(film)
    left, right = ax.get_xlim()
    y = floor - (0.09 + 0.085 * level) * (top - floor)
    drawn: list[Artist] = []
    drawn += ax.plot(
        x, density, color=colour, linewidth=5.0, alpha=0.30, solid_capstyle="butt", linestyle="-", zorder=1.5
    )
    drawn += ax.plot(x[[0, -1]], density[[0, -1]], color=colour, linestyle="none", marker="os"[level % 2], zorder=3)
    drawn += ax.plot(x[[0, -1]], [y, y], color=colour, linewidth=1.3, linestyle="-", marker="|", markersize=7)
    for end in (0, -1):
        drawn += ax.plot(x[[end, end]], [y, density[end]], color=colour, linewidth=0.7, linestyle=":")
    beside = x[0] - left > 0.35 * (right - left)
    place = (x[0] - 0.05, y) if beside else (x[0] + 0.05, y + 0.02 * (top - floor))
    side, height = ("right", "center") if beside else ("left", "bottom")
    drawn.append(ax.text(*place, words, color=colour, ha=side, va=height, fontsize="small"))
    return drawn


@in_house_style
def plot_signal_to_noise(
    film: Film | float,
    kerma_ugy: float | Sequence[float],
    question: Question | None = None,
    *,
    ax: Axes | None = None,
    label: str | None = None,
    **line: Any,
) -> Axes:
    """Local signal-to-noise against log10 exposure, relative to the clean shadow point, for several doses.

    ``r(H) = |dD/dlog10 H| / sqrt(sigma_D**2 A)``, over its value at the clean speed point.

    Parameters
    ----------
    film
        A negative film, or a speed [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Effective kerma at the film [uGy; >= 0], one or several; the clean film is always drawn.
    question
        Its fraction of the clean signal-to-noise that counts as restored is drawn as a line.
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
    >>> ax = plot_signal_to_noise(800, [0.0, 100.0])
    >>> ax.get_xlabel()
    'log10 exposure [lx s]'
    """
    assert ax is not None
    film, target = as_film(film), (Question() if question is None else question).snr_target
    doses = np.atleast_1d(check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy", nan_allowed=False))
    doses = np.unique(np.append(doses, 0.0))
    points = shadow_points(film)
    index = len(points) // 2
    record, shadow = film.records[index], points[index]
    low, high = _exposure_window(film)
    x = np.linspace(low, high, _POINTS)
    clean = record.signal_to_noise(shadow)
    colours = ordered_colours(doses.size)
    for number, dose in enumerate(doses):
        values = np.asarray(record.signal_to_noise(x, float(dose))) / clean
        name = "clean" if dose == 0 else dose_text(float(dose))
        ax.plot(x, values, color=colours[number], linestyle=DASHES[number % len(DASHES)], label=name)
        crossing = np.flatnonzero((values[1:] >= target) & (values[:-1] < target))
        if crossing.size:
            left = int(crossing[0])
            share = (target - values[left]) / (values[left + 1] - values[left])
            ax.plot(x[left] + share * (x[1] - x[0]), target, marker="o", color=colours[number], zorder=3)
    words = "clean shadow point" if target == 1.0 else f"{100 * target:.0f} % of the clean shadow point"
    ax.axhline(target, color=GUIDE, linewidth=1.0, linestyle="-", zorder=1, label=words)
    ax.set_xlim(low, high)
    ax.set_ylim(bottom=0.0)
    ax.set_xlabel(EXPOSURE_LABEL)
    ax.set_ylabel("signal-to-noise over that of the clean shadow point")
    ax.set_title(plain(f"{film_words(film)}: where the shadows must lie"))
    ax.legend(title="dose at the film")
    return ax


def _density_window(film: Film) -> tuple[float, float]:
    """Least and greatest density of the clean records."""
    return min(r.minimum_density() for r in film.records), max(r.maximum_density() for r in film.records)


@lru_cache(maxsize=64)
def _exposure_window(film: Film) -> tuple[float, float]:
    """Log10 exposure interval in which the clean records do what is worth seeing."""

    def ends(record: Emulsion) -> tuple[float, float]:
        curve = record.curve()
        floor, top = curve.minimum_density, curve.maximum_density
        first, last = (float(curve.inverse(floor + share * (top - floor))) for share in (0.004, 0.985))
        return min(first, last), max(first, last)

    pairs = [ends(record) for record in film.records]
    return min(p[0] for p in pairs) - 0.3, max(p[1] for p in pairs) + 0.1


hold_to_annotations(globals())
