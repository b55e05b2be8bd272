"""Plots over exposure: the characteristic curve and the signal-to-noise ratio, clean and fogged."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arrays import check_array, check_number
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, compensate, shadow_points
from filmdose.emulsion import Emulsion
from filmdose.film import Film
from filmdose.generic import generic_film
from filmdose.plotting.style import DASHES, FOGGED, GUIDE, INK, in_house_style, ordered_colours, plain
from filmdose.units import LOG10_2, format_speed
from filmdose.words import dose_text, film_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_characteristic_curves", "plot_signal_to_noise"]

EXPOSURE_LABEL = "log10 exposure [lx s]"
_POINTS = 400


@in_house_style
def plot_characteristic_curves(
    film: Film | float,
    kerma_ugy: float,
    *,
    criterion: str = DEFAULT_CRITERION,
    scene_range: float = SCENE_RANGE,
    peak_to_mean: float = 1.0,
    compensated: bool = True,
    ax: Axes | None = None,
) -> Axes:
    """Density against log10 exposure, clean and fogged, with the scene laid on both.

    The scene starts at the shadow point and is as wide as ``scene_range``: on the
    clean curve as metered at the marked speed, on the fogged curve as metered at
    the exposure index that :func:`filmdose.compensation.compensate` recommends.

    Parameters
    ----------
    film
        A film, or a speed [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Effective kerma at the film [uGy; >= 0].
    criterion, scene_range, peak_to_mean
        As of :func:`filmdose.compensation.compensate`; the curve is that of the worst band.
    compensated
        False for a roll that was exposed already: the scene lies on the fogged curve as it was metered.
    ax
        Axes to draw on; a new figure when None.
    """
    assert ax is not None
    film = film if isinstance(film, Film) else generic_film(film)
    dose = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")
    peak = check_number("peak_to_mean", peak_to_mean, low=1.0)
    low, high = _exposure_window(film)
    high = max(high, max(shadow_points(film)) + scene_range + 0.1)
    for number, (name, record) in enumerate(film):
        x = np.linspace(low, high, _POINTS)
        letter = name[0].upper() if len(film.records) > 1 else ""
        dash = DASHES[1] if len(film.records) == 1 else DASHES[1 + number]
        clean, fogged = record.density(x), record.density(x, dose * peak)
        for values, colour, label in ((clean, INK, "clean"), (fogged, FOGGED, f"after {dose_text(dose)}")):
            line: dict[str, Any] = {"color": colour, "linestyle": dash if colour == INK else "-"}
            ax.plot(x, values, label=label if number == 0 else None, **line)
            if letter and colour == INK:
                # At the dense end, where the records lie apart.
                at, side = (0, "left") if film.reversal else (-1, "right")
                ax.annotate(
                    letter,
                    (x[at], values[at]),
                    xytext=(-4 if side == "right" else 4 + 10 * number, 4),
                    textcoords="offset points",
                    ha=side,
                    color=colour,
                    fontweight="bold",
                )
    ax.set_xlim(low, high)
    ax.set_xlabel(EXPOSURE_LABEL)
    ax.set_ylabel("density")
    _draw_scenes(ax, film, dose * peak, _metered(film, dose, criterion, scene_range, peak, compensated), scene_range)
    ax.set_title(plain(f"{film_words(film)}: clean and after {dose_text(dose)}"))
    ax.legend(loc="upper right" if film.reversal else "upper left")
    return ax


@dataclass(frozen=True)
class _Metered:
    """How the scene was metered for the fogged film, in which record it is shown, and in words."""

    record: int
    stops: float
    words: str


def _metered(
    film: Film, dose: float, criterion: str, scene_range: float, peak_to_mean: float, compensated: bool
) -> _Metered:
    answer = compensate(film, dose, criterion=criterion, scene_range=scene_range, peak_to_mean=peak_to_mean)
    record = film.record_names.index(answer.record)
    if not compensated or film.reversal:
        return _Metered(record, 0.0, f"the same, metered at ISO {format_speed(film.speed)}")
    if answer.ei is None:
        words = f"best that can be had, EI {format_speed(answer.ei_best)}"
        return _Metered(record, math.log2(film.speed / answer.ei_best), words)
    return _Metered(record, math.log2(film.speed / answer.ei), f"metered at EI {format_speed(answer.ei)}")


def _draw_scenes(ax: Axes, film: Film, kerma_ugy: float, metered: _Metered, scene_range: float) -> None:
    """Lay the scene on the clean and the fogged curve, and name both exposures below them."""
    record, shadow = film.records[metered.record], shadow_points(film)[metered.record]
    placed = (
        (f"metered at ISO {format_speed(film.speed)}", 0.0, 0.0, INK),
        (metered.words, metered.stops, kerma_ugy, FOGGED),
    )
    floor = min(r.minimum_density() for r in film.records)
    top = max(r.maximum_density() for r in film.records)
    for level, (text, stops, kerma, colour) in enumerate(placed):
        start = shadow + stops * LOG10_2
        x = np.linspace(start, start + scene_range, 60)
        density = record.density(x, kerma)
        ax.plot(x, density, color=colour, linewidth=5.0, alpha=0.30, solid_capstyle="butt", linestyle="-", zorder=1.5)
        ax.plot(x[[0, -1]], density[[0, -1]], color=colour, linestyle="none", marker="os"[level], zorder=3)
        y = floor - (0.09 + 0.085 * level) * (top - floor)
        ax.annotate(
            "",
            (x[0], y),
            xytext=(x[-1], y),
            arrowprops={"arrowstyle": "|-|,widthA=0.25,widthB=0.25", "color": colour, "shrinkA": 0, "shrinkB": 0},
        )
        ax.plot(x[[0, 0]], [y, density[0]], color=colour, linewidth=0.7, linestyle=":")
        ax.plot(x[[-1, -1]], [y, density[-1]], color=colour, linewidth=0.7, linestyle=":")
        room = x[0] - ax.get_xlim()[0] > 0.35 * (ax.get_xlim()[1] - ax.get_xlim()[0])
        at, side = (x[0] - 0.05, "right") if room else (x[0] + 0.05, "left")
        ax.text(at, y if room else y + 0.02 * (top - floor), text, color=colour, ha=side,
                va="center" if room else "bottom", fontsize="small")  # fmt: skip
    low = floor - 0.25 * (top - floor)
    ax.set_ylim(low, top + 0.06 * (top - floor))
    ax.set_yticks([tick for tick in ax.get_yticks() if 0.0 <= tick <= top + 0.06 * (top - floor)])


@in_house_style
def plot_signal_to_noise(
    film: Film | float,
    kerma_ugy: float | Sequence[float],
    *,
    snr_target: float = 1.0,
    ax: Axes | None = None,
) -> Axes:
    """Local signal-to-noise against log10 exposure, relative to the clean shadow point, for several doses.

    r(H) = |dD/dlog10 H| / sqrt(sigma_D**2 A), over its value at the clean speed point.

    Parameters
    ----------
    film
        A negative film, or a speed [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Effective kerma at the film [uGy; >= 0], one or several; the clean film is always drawn.
    snr_target
        Fraction of the clean signal-to-noise that counts as restored [above 0, to 1]; drawn as a line.
    ax
        Axes to draw on; a new figure when None.
    """
    assert ax is not None
    film = film if isinstance(film, Film) else generic_film(film)
    target = check_number("snr_target", snr_target, low=0.0, low_open=True, high=1.0)
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


def _exposure_window(film: Film) -> tuple[float, float]:
    """Log10 exposure interval in which the clean records do what is worth seeing."""

    def ends(record: Emulsion) -> tuple[float, float]:
        curve = record.curve()
        floor, top = curve.minimum_density, curve.maximum_density
        first, last = (float(curve.inverse(floor + share * (top - floor))) for share in (0.004, 0.985))
        return min(first, last), max(first, last)

    pairs = [ends(record) for record in film.records]
    return min(p[0] for p in pairs) - 0.3, max(p[1] for p in pairs) + 0.1
