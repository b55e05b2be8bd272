"""Plots: they return Axes, draw where they are told, leave Matplotlib as it was, and read without colour."""

import itertools

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pandas as pd
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb

from filmdose.answering import answer, answer_grid
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, Pass, Storage, history_dose
from filmdose.plotting import (
    house_style,
    plot_characteristic_curves,
    plot_compare,
    plot_ei_isolines,
    plot_film_response,
    plot_loss,
    plot_shares,
    plot_signal_to_noise,
    plot_sobol,
    plot_spectra,
    plot_stops,
    plot_tornado,
    plot_transmission,
)
from filmdose.plotting.style import GUIDE
from filmdose.question import Question
from filmdose.solution import shadow_points
from filmdose.standards import LOG10_2
from filmdose.whatif import what_if

mpl.use("Agg")


@pytest.fixture(scope="module")
def tables():
    """A tornado and a table of Sobol indices as their makers give them, with a name full of dollars; invented."""
    names = pd.Index(["$a$", "dose per pass", "calibration"])
    bars = pd.DataFrame({"low": [0.3, 0.1, 0.45], "typical": 0.5, "high": [1.4, 1.1, 0.6]}, index=names)
    shares = pd.DataFrame({"first": [0.6, 0.2, 0.01], "total": [0.7, 0.3, 0.02]}, index=names)
    for name in ("first", "total"):
        shares[f"{name}_low"], shares[f"{name}_high"] = shares[name] - 0.01, shares[name] + 0.02
    return bars, shares


@pytest.fixture(scope="module")
def plots(tables):
    case = what_if(speed=400, counts={"cabin-ct": 1}, samples=64)
    dose = history_dose([Pass(source="cabin-ct"), Flight(hours=5), Storage(days=30)])
    return {
        "curves": lambda **o: plot_characteristic_curves(800, 200.0, **o),
        "curves colour": lambda **o: plot_characteristic_curves(generic_film(400, kind="colour-negative"), 200.0, **o),
        "curves reversal": lambda **o: plot_characteristic_curves(
            generic_film(100, kind="colour-reversal"), 200.0, **o
        ),
        "curves exposed": lambda **o: plot_characteristic_curves(800, 200.0, exposed=True, **o),
        "curves lost": lambda **o: plot_characteristic_curves(3200, 20_000.0, **o),
        "snr": lambda **o: plot_signal_to_noise(800, [100.0, 300.0], **o),
        "stops": plot_stops,
        "loss": lambda **o: plot_loss(800, 200.0, **o),
        "loss unknown": lambda **o: plot_loss(800, np.geomspace(30.0, 900.0, 41), **o),
        "isolines": plot_ei_isolines,
        "tornado": lambda **o: plot_tornado(tables[0], **o),
        "sobol": lambda **o: plot_sobol(tables[1], **o),
        "shares": lambda **o: plot_shares(dose, **o),
        "spectra": plot_spectra,
        "response": plot_film_response,
        "transmission": plot_transmission,
        "compare": lambda **o: plot_compare({"one": case}, **o),
    }


NAMES = ("curves", "curves colour", "curves reversal", "curves exposed", "curves lost", "snr", "stops", "loss",
         "loss unknown", "isolines", "tornado", "sobol", "shares", "spectra", "response", "transmission",
         "compare")  # fmt: skip


@pytest.fixture(autouse=True)
def closed():
    yield
    plt.close("all")


@pytest.mark.few(4)
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
            dash = str(getattr(handle, "_unscaled_dash_pattern", handle.get_linestyle())) + str(handle.get_marker())
            looks.append((dash, handle.get_linewidth(), luma(handle.get_color())))
        elif hasattr(handle, "patches"):
            looks.append((str(handle.patches[0].get_hatch()), 0.0, luma(handle.patches[0].get_edgecolor())))
    for one, other in itertools.combinations(looks, 2):
        assert one[0] != other[0] or abs(one[1] - other[1]) > 0.5 or abs(one[2] - other[2]) > 0.08, (name, one, other)
    if name in ("curves", "snr", "tornado", "sobol"):
        assert len(looks) >= 2


def data_lines(ax):
    """Lines that show data: not single marks, guides or brackets; and how they look."""
    return [line for line in ax.lines if len(line.get_xdata()) > 50 and line.get_linestyle() != "None"]


def look(line):
    return to_rgb(line.get_color()), str(line._unscaled_dash_pattern)


JOINED = ("curves", "curves colour", "snr", "stops", "loss", "isolines", "spectra", "transmission")
ALONE = ("tornado", "sobol", "shares", "response", "compare")


@pytest.mark.few(7)
@pytest.mark.parametrize("name", JOINED)
def test_keywords_reach_the_lines_and_the_label_the_legend(plots, name):
    ax = plots[name](linewidth=3.25, alpha=0.5, label="mine")
    lines = [line for line in data_lines(ax) if line.get_color() != GUIDE]
    contours = [c for c in ax.collections if hasattr(c, "levels") and len(c.levels) > 3]
    assert lines or contours
    assert all(line.get_linewidth() == 3.25 and line.get_alpha() == 0.5 for line in lines)
    assert all(np.all(c.get_linewidth() == 3.25) for c in contours)
    if name != "transmission":  # its lines are named where they end
        words = [text.get_text() for text in ax.get_legend().get_texts()]
        assert words
        assert all(text.startswith("mine") for text in words)
    with pytest.raises(ArgumentError, match="linewidht"):
        plots[name](linewidht=2)


SECOND = {
    "curves": lambda ax: plot_characteristic_curves(400, 200.0, ax=ax),
    "curves colour": lambda ax: plot_characteristic_curves(generic_film(800, kind="colour-negative"), 50.0, ax=ax),
    "snr": lambda ax: plot_signal_to_noise(100, [100.0], ax=ax),
    "stops": lambda ax: plot_stops([generic_film(400, kind="colour-negative")], ax=ax),
    "loss": lambda ax: plot_loss(400, 200.0, ax=ax),
    "isolines": lambda ax: plot_ei_isolines([50, 200, 800, 1600], kind="colour-negative", ax=ax),
    "spectra": lambda ax: plot_spectra(["tin=0.5"], ax=ax, label="tin"),
    "transmission": lambda ax: plot_transmission(["tin"], ax=ax, thickness_mm=2.0),
}


@pytest.mark.few(2)
@pytest.mark.parametrize("name", JOINED)
def test_a_second_plot_adds_and_does_not_hide(plots, name):
    ax = plots[name]()
    first = data_lines(ax)
    data = [line.get_xydata().copy() for line in first]
    looks, contours = {look(line) for line in first}, len(ax.collections)
    frame = np.sort(ax.get_xlim()), np.sort(ax.get_ylim())
    assert SECOND[name](ax) is ax
    both = data_lines(ax)
    second = [line for line in both if line not in first]
    assert both[: len(first)] == first
    for line, points in zip(first, data, strict=True):
        np.testing.assert_array_equal(line.get_xydata(), points)
    assert second or len(ax.collections) > contours
    if name == "curves colour":  # all fogged records share one line, told apart by their letters
        assert not {look(line)[0] for line in second} & {colour for colour, _ in looks}
    else:
        assert not {look(line) for line in second} & looks
    for (low, high), now in zip(frame, (np.sort(ax.get_xlim()), np.sort(ax.get_ylim())), strict=True):
        assert now[0] <= low
        assert now[1] >= high
    if name != "transmission":
        words = [text.get_text() for text in ax.get_legend().get_texts()]
        assert len(words) == len(set(words)) >= 2
    FigureCanvasAgg(ax.figure).draw()


@pytest.mark.parametrize("name", ALONE)
def test_a_chart_that_has_no_room_for_a_second_says_so(plots, name):
    ax = plots[name]()
    with pytest.raises(ArgumentError, match="Axes of its own"):
        plots[name](ax=ax)


@pytest.mark.few(11)
@pytest.mark.parametrize("name", [*JOINED, *ALONE])
def test_what_is_drawn_can_be_read_on_a_dark_style(plots, name):
    def luma(colour):
        return float(np.dot([0.2126, 0.7152, 0.0722], to_rgb(colour)))

    with plt.style.context("dark_background"):
        ax = plots[name](ax=plt.figure().add_subplot())
        handles = [] if ax.get_legend() is None else ax.get_legend().legend_handles
        lines = [line for line in (*ax.lines, *handles) if hasattr(line, "get_marker")]
        texts = [text for text in (*ax.texts, ax.xaxis.label, ax.yaxis.label) if text.get_text()]
        texts += [] if ax.get_legend() is None else ax.get_legend().get_texts()
    assert lines or ax.collections or ax.patches
    for artist in (*lines, *texts):
        assert luma(artist.get_color()) > 0.3, artist
    new = plots[name]()  # a figure of its own is light whatever the style
    assert luma(new.get_facecolor()) == pytest.approx(1.0)
    assert luma(new.xaxis.label.get_color()) < 0.3


def test_cases_stand_side_by_side_as_they_are_answered():
    cases = {
        "bare": what_if(speed=800, counts={"cabin-ct": 1}, samples=64),
        "pouch": what_if(speed=800, counts={"cabin-ct": 1}, shield="lead=0.5", samples=64),
        "slides": what_if(speed=100, kind="colour-reversal", counts={"cabin-ct": 1}, samples=64),
        "shot": what_if(speed=400, counts={"cabin-ct": 1}, exposed=True, samples=64),
        "lost": what_if(speed=3200, counts={"cabin-ct": 12}, samples=64).odds,
    }
    ax = plot_compare(cases)
    assert [text.get_text() for text in ax.get_yticklabels()] == list(cases)
    set_to = {
        line.get_ydata()[0]: line.get_xdata()[0]
        for line in ax.lines
        if line.get_marker() == "s" and len(line.get_xdata())
    }
    boxes = {
        line.get_ydata()[0]: line.get_xdata()[0]
        for line in ax.lines
        if line.get_marker() == "|" and len(line.get_xdata())
    }
    words = {text.xy[1]: text.get_text() for text in ax.texts}
    for place, case in enumerate(cases.values()):
        odds = getattr(case, "odds", case)
        assert boxes[place] == odds.roll.film.speed
        assert set_to.get(place) == (None if odds.outcome == "exposed" else odds.ei_recommended)
        assert odds.verdict in words[place]
    bars = {line.get_ydata()[0]: line.get_xdata() for line in ax.lines if len(line.get_xdata()) == 2}
    assert list(bars[1]) == pytest.approx([cases["pouch"].odds.ei[0], cases["pouch"].odds.ei[2]])
    with pytest.raises(ArgumentError, match="at least one"):
        plot_compare({})
    with pytest.raises(ArgumentError, match="WhatIf"):
        plot_compare({"one": 3})


def test_curves_show_the_scene_where_the_library_puts_it():
    ax = plot_characteristic_curves(800, 200.0)
    film, found = generic_film(800), answer(800, 200.0)
    (shadow,) = shadow_points(film)
    ends = [line.get_xydata() for line in ax.lines if line.get_marker() in ("o", "s")]
    stops = np.log2(800 / found.ei)
    record = film.records[0]
    for points, start, kerma in zip(ends, (shadow, shadow + stops * LOG10_2), (0.0, 200.0), strict=True):
        assert points[:, 0] == pytest.approx([start, start + 2.2])
        assert points[:, 1] == pytest.approx(record.density(points[:, 0], kerma))
    texts = [text.get_text() for text in ax.texts]
    assert "metered at ISO 800" in texts
    assert f"metered at EI {found.ei:.0f}" in texts
    exposed = [text.get_text() for text in plot_characteristic_curves(800, 200.0, exposed=True).texts]
    assert "the same, metered at ISO 800" in exposed


def test_stops_are_those_of_the_solver():
    doses = np.geomspace(1, 10_000, 60)
    asked = Question(criterion="shadow_gradient", peak_to_mean=1.5)
    grid = answer_grid([100, 800], doses, asked)
    ax = plot_stops([100, 800], doses, asked)
    curves = [line for line in ax.lines if line.get_marker() in ("", "None", None)]
    for number in range(2):
        thick, thin = (line.get_ydata() for line in curves[2 * number : 2 * number + 2])
        expected, status = grid["given_stops"].to_numpy()[number], grid["status"].to_numpy()[number]
        drawn = np.where(np.isnan(thick), thin, thick)
        np.testing.assert_array_equal(drawn, expected)
        np.testing.assert_array_equal(~np.isnan(thick), status == "ok")
        assert {"ok", "beyond_rescue"} <= set(status)
    crosses = [line.get_xydata()[0] for line in ax.lines if line.get_marker() == "x"]
    for cross, row in zip(crosses, grid["given_stops"].to_numpy(), strict=True):
        last = np.flatnonzero(~np.isnan(row))[-1]
        assert cross == pytest.approx((doses[last], row[last]))


@pytest.mark.parametrize("asked", [Question(), Question(criterion="fixed_density"), Question(cost_under=1.5)])
@pytest.mark.parametrize("kerma", [0.0, 10.0, 60.0])
def test_the_least_loss_of_a_known_dose_is_at_the_index_of_the_answer(kerma, asked):
    ax = plot_loss(800, kerma, asked)
    (mark,) = [line.get_xydata()[0] for line in ax.lines if line.get_marker() == "s"]
    # the loss is flat at its least: the two searches may differ by a hundredth of a stop
    assert np.log2(answer(800, kerma, asked).ei_exact / mark[0]) == pytest.approx(0.0, abs=0.012)
    lines = {line.get_label(): line.get_xydata() for line in ax.lines}
    parts = sum(lines[name][:, 1] for name in ("shadows to win back", "highlights lost", "light given"))
    assert lines["all together"][:, 1] == pytest.approx(parts)
    assert lines["light given"][:, 1] == pytest.approx(asked.cost_over * np.log2(800 / lines["light given"][:, 0]))


def test_the_loss_of_an_unknown_dose_is_the_mean_of_those_of_known_ones():
    doses = [20.0, 60.0, 200.0, 500.0]

    def total(kerma, name):
        return next(line.get_ydata() for line in plot_loss(800, kerma).lines if line.get_label() == name)

    expected = np.mean([total(dose, "all together") for dose in doses], axis=0)
    assert total(doses, "mean over all doses") == pytest.approx(expected)


def test_isolines_run_through_the_index_that_they_name():
    ax = plot_ei_isolines()
    contours = next(c for c in ax.collections if hasattr(c, "levels") and len(c.levels) > 3)
    for level, path in zip(contours.levels, contours.get_paths(), strict=True):
        for dose, speed in path.vertices[:: max(1, len(path.vertices) // 5)]:
            found = answer(float(np.clip(speed, 25, 6400)), float(dose))
            if found.verdict == "good":
                assert np.log2(found.ei_exact) == pytest.approx(level, abs=0.05)


def test_signal_to_noise_crosses_the_line_where_the_solver_says():
    ax = plot_signal_to_noise(800, [10.0])
    (shadow,) = shadow_points(generic_film(800))
    dots = [line.get_xydata()[0] for line in ax.lines if line.get_marker() == "o"]
    stops = answer(800, 10.0).stops["shadow_snr"]
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
    with pytest.raises(ArgumentError, match="negative film"):
        plot_loss(generic_film(100, kind="colour-reversal"), 100.0)
    with pytest.raises(ArgumentError, match="at least one dose"):
        plot_loss(100, [])
    with pytest.raises(ArgumentError, match="kerma_ugy: got nan"):
        plot_loss(100, [np.nan, 1.0])
    with pytest.raises(ArgumentError, match="table"):
        plot_tornado(tables[1])
    with pytest.raises(ArgumentError, match="table"):
        plot_sobol(tables[1].iloc[:0])
