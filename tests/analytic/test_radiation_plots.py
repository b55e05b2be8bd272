"""Plots of radiation show what the functions say, and nothing of the caller's settings changes."""

import matplotlib as mpl
import matplotlib.pyplot as plt
import numpy as np
import pytest

from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.history import Flight, Pass, Storage, history_dose
from filmdose.plotting.radiation import plot_film_response, plot_shares, plot_spectra, plot_transmission
from filmdose.radiation import Beam, broad_beam_transmission, film_response, transmission, transmission_curve


@pytest.fixture(autouse=True)
def headless():
    before = mpl.get_backend()
    plt.switch_backend("Agg")
    yield
    plt.close("all")
    plt.switch_backend(before)


def lines(ax):
    return [line for line in ax.get_lines() if len(line.get_xdata()) > 2]


def test_spectra_show_the_k_edge():
    ax = plot_spectra([None, "lead=0.25"])
    bare, behind = lines(ax)
    energy, value = behind.get_xdata(), behind.get_ydata()
    below, above = (float(value[np.nanargmin(np.abs(energy - at))]) for at in (87.25, 88.75))
    assert above < 0.3 * below  # the step at 88 keV
    assert np.nanmax(bare.get_ydata()) == 1.0
    assert [text.get_text().split()[0] for text in plot_spectra(["barium-sulphate-polymer=1"]).texts] == ["Ba"]
    assert any("88.0 keV" in text.get_text() for text in ax.texts)
    assert any("15 % of the air kerma" in text.get_text() for text in ax.get_legend().get_texts())


def test_film_response_is_the_functions_own():
    ax = plot_film_response()
    _, response = lines(ax)
    np.testing.assert_allclose(response.get_ydata(), film_response(response.get_xdata()) / film_response(662.0))


def test_transmission_with_scatter_and_published():
    ax = plot_transmission(["lead", "tin"], thickness_mm=0.5)
    ours, broad, tin = lines(ax)
    for line, name in ((ours, "lead"), (tin, "tin")):
        expected = [transmission(f"{name}={x:.17g}").effective for x in line.get_xdata()]
        np.testing.assert_allclose(line.get_ydata(), expected)
        assert np.all(
            line.get_ydata()[1:] > transmission_curve(name, line.get_xdata()[1:])
        )  # more than the narrow beam
    assert broad.get_ydata()[-1] == broad_beam_transmission("lead", 0.5, 140.0)
    assert {text.get_text() for text in ax.texts} == {"lead", "lead, broad beam (NCRP 147)", "tin"}
    # no fit at 160 kVp: no broad line
    assert len(lines(plot_transmission(["lead"], Beam(tube_kvp=160)))) == 1


def test_shares_are_in_order_and_named():
    dose = history_dose([Pass(source="cabin-ct", shield="lead=0.25"), Flight(hours=9), Storage(days=90)])
    _, own = plt.subplots()
    ax = plot_shares(dose, names={"storage": "drawer"}, ax=own)
    assert ax is own
    labels = [label.get_text() for label in ax.get_yticklabels()]
    assert labels[-1] == "1 x cabin-ct, lead 0.25 mm"
    assert "drawer: 90 days" in labels
    assert any("%" in text.get_text() for text in ax.texts)


def test_settings_stay_as_they_were():
    before = dict(mpl.rcParams)
    plot_transmission()
    plot_spectra()
    assert dict(mpl.rcParams) == before


@pytest.mark.parametrize(
    ("call", "error"),
    [
        (lambda: plot_shares(history_dose([])), ArgumentError),
        (lambda: plot_spectra(beam=Beam(energy_kev=60)), ArgumentError),
        (lambda: plot_transmission(["leed"]), UnknownNameError),
        (lambda: plot_spectra(ax="here"), ArgumentError),
    ],
)
def test_wrong_input(call, error):
    with pytest.raises(error):
        call()
