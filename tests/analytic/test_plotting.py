"""Plots: they return Axes, draw where they are told, leave Matplotlib as it was, and read without colour."""

import itertools

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb

from filmdose.compensation import compensate, compensation_grid, shadow_points
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.odds import tornado, trip_sobol
from filmdose.plotting import (
    house_style,
    plot_characteristic_curves,
    plot_ei_isolines,
    plot_film_response,
    plot_shares,
    plot_signal_to_noise,
    plot_sobol,
    plot_spectra,
    plot_stops,
    plot_tornado,
    plot_transmission,
)
from filmdose.trip import Roll
from filmdose.units import LOG10_2

mpl.use("Agg")


@pytest.fixture(scope="module")
def tables():
    rolls = [Roll(id="$a$", film=generic_film(400), history=History(passes=(Pass(source="cabin-ct"),)))]
    return tornado(rolls, "$a$"), trip_sobol(rolls, "$a$", samples=64, resamples=20)


@pytest.fixture(scope="module")
def plots(tables):
    dose = history_dose([Pass(source="cabin-ct"), Flight(hours=5), Storage(days=30)])
    return {
        "curves": lambda **o: plot_characteristic_curves(800, 200.0, **o),
        "curves colour": lambda **o: plot_characteristic_curves(generic_film(400, kind="colour-negative"), 200.0, **o),
        "curves reversal": lambda **o: plot_characteristic_curves(
            generic_film(100, kind="colour-reversal"), 200.0, **o
        ),
        "curves exposed": lambda **o: plot_characteristic_curves(800, 200.0, compensated=False, **o),
        "curves lost": lambda **o: plot_characteristic_curves(3200, 20_000.0, **o),
        "snr": lambda **o: plot_signal_to_noise(800, [100.0, 300.0], **o),
        "stops": plot_stops,
        "isolines": plot_ei_isolines,
        "tornado": lambda **o: plot_tornado(tables[0], **o),
        "sobol": lambda **o: plot_sobol(tables[1], **o),
        "shares": lambda **o: plot_shares(dose, **o),
        "spectra": plot_spectra,
        "response": plot_film_response,
        "transmission": plot_transmission,
    }


NAMES = ("curves", "curves colour", "curves reversal", "curves exposed", "curves lost", "snr", "stops", "isolines",
         "tornado", "sobol", "shares", "spectra", "response", "transmission")  # fmt: skip


@pytest.fixture(autouse=True)
def closed():
    yield
    plt.close("all")


@pytest.mark.parametrize("name", NAMES)
def test_axes_come_back_labelled_and_nothing_else_changes(plots, name):
    before = dict(mpl.rcParams)
    figures = plt.get_fignums()
    ax = plots[name]()
    assert isinstance(ax, Axes)
    assert len(plt.get_fignums()) == len(figures) + 1
    assert {key: value for key, value in mpl.rcParams.items() if before[key] != value} == {}
    assert ax.get_xlabel()
    assert ax.get_title("left")
    assert "[" in ax.get_xlabel() + ax.get_ylabel()  # a unit
    FigureCanvasAgg(ax.figure).draw()
    given = plt.figure().add_subplot()
    assert plots[name](ax=given) is given
    assert len(plt.get_fignums()) == len(figures) + 2


@pytest.mark.parametrize("name", NAMES)
def test_what_the_legend_tells_apart_can_be_told_apart_in_grey(plots, name):
    """Lines of a legend differ in dash, width or lightness (Rec. 709 luma), bars in hatch or lightness."""

    def luma(colour):
        return float(np.dot([0.2126, 0.7152, 0.0722], to_rgb(colour)))

    ax = plots[name]()
    handles, _ = ax.get_legend_handles_labels()
    looks = []
    for handle in handles:
        if hasattr(handle, "get_linestyle") and hasattr(handle, "get_color"):
            dash = str(getattr(handle, "_unscaled_dash_pattern", handle.get_linestyle()))
            looks.append((dash, handle.get_linewidth(), luma(handle.get_color())))
        elif hasattr(handle, "patches"):
            looks.append((str(handle.patches[0].get_hatch()), 0.0, luma(handle.patches[0].get_edgecolor())))
    for one, other in itertools.combinations(looks, 2):
        assert one[0] != other[0] or abs(one[1] - other[1]) > 0.5 or abs(one[2] - other[2]) > 0.08, (name, one, other)
    if name in ("curves", "snr", "tornado", "sobol"):
        assert len(looks) >= 2


def test_curves_show_the_scene_where_the_library_puts_it():
    ax = plot_characteristic_curves(800, 200.0)
    film, answer = generic_film(800), compensate(800, 200.0)
    (shadow,) = shadow_points(film)
    ends = [line.get_xydata() for line in ax.lines if line.get_marker() in ("o", "s")]
    stops = np.log2(800 / answer.ei)
    record = film.records[0]
    for points, start, kerma in zip(ends, (shadow, shadow + stops * LOG10_2), (0.0, 200.0), strict=True):
        assert points[:, 0] == pytest.approx([start, start + 2.2])
        assert points[:, 1] == pytest.approx(record.density(points[:, 0], kerma))
    texts = [text.get_text() for text in ax.texts]
    assert "metered at ISO 800" in texts
    assert f"metered at EI {answer.ei:.0f}" in texts
    exposed = [text.get_text() for text in plot_characteristic_curves(800, 200.0, compensated=False).texts]
    assert "the same, metered at ISO 800" in exposed


def test_stops_are_those_of_the_solver():
    doses = np.geomspace(1, 1000, 40)
    ax = plot_stops([100, 800], doses)
    for line, stops in zip(
        [line for line in ax.lines if line.get_linewidth() > 1.0],
        compensation_grid([100, 800], doses)["stops"].sel(criterion="shadow_snr").to_numpy(),
        strict=True,
    ):
        drawn = line.get_ydata()
        shown = ~np.isnan(drawn)
        assert shown.any()
        assert drawn[shown] == pytest.approx(stops[shown])


def test_isolines_run_through_the_index_that_they_name():
    ax = plot_ei_isolines()
    contours = next(c for c in ax.collections if hasattr(c, "levels") and len(c.levels) > 3)
    for level, path in zip(contours.levels, contours.get_paths(), strict=True):
        for dose, speed in path.vertices[:: max(1, len(path.vertices) // 5)]:
            answer = compensate(float(np.clip(speed, 25, 6400)), float(dose))
            if answer.status == "ok":
                assert np.log2(answer.ei_exact) == pytest.approx(level, abs=0.05)


def test_signal_to_noise_crosses_the_line_where_the_solver_says():
    ax = plot_signal_to_noise(800, [100.0])
    (shadow,) = shadow_points(generic_film(800))
    dots = [line.get_xydata()[0] for line in ax.lines if line.get_marker() == "o"]
    stops = compensate(800, 100.0).stops["shadow_snr"]
    assert [dot[0] for dot in dots] == pytest.approx([shadow, shadow + stops * LOG10_2], abs=2e-3)


def test_dollar_signs_in_names_are_dollar_signs():
    film = generic_film(400)
    ax = plot_characteristic_curves(Film(kind=film.kind, speed=400, records=film.records, name="$\\frac{1}$"), 100.0)
    FigureCanvasAgg(ax.figure).draw()  # would raise if it were taken for a formula


def test_the_style_holds_inside_and_not_after():
    before = mpl.rcParams["axes.spines.top"], mpl.rcParams["interactive"]
    with house_style():
        assert mpl.rcParams["axes.spines.top"] is False
        mpl.rcParams["interactive"] = not before[1]  # as a notebook's backend does when it wakes up
    assert mpl.rcParams["axes.spines.top"] == before[0]
    assert mpl.rcParams["interactive"] is not before[1]
    mpl.rcParams["interactive"] = before[1]


def test_wrong_arguments_are_refused(tables):
    with pytest.raises(ArgumentError, match="Matplotlib Axes"):
        plot_stops([100], ax=3)
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        plot_stops([100], [-1.0])
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        plot_characteristic_curves(100, -1.0)
    with pytest.raises(ArgumentError, match="table"):
        plot_tornado(tables[1])
    with pytest.raises(ArgumentError, match="table"):
        plot_sobol(tables[1].iloc[:0])
