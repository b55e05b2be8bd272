"""Plots of radiation: spectra before and behind a shield, film response, transmission, shares of a dose."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_array, check_number
from filmdose.errors import ArgumentError
from filmdose.history import HistoryDose
from filmdose.plotting.style import DASHES, FOGGED, GUIDE, INK, in_house_style, ordered_colours, plain
from filmdose.radiation import (
    REFERENCE_BEAM,
    Beam,
    Shield,
    air_kerma_ugy,
    broad_beam_transmission,
    emulsion_to_air,
    film_response,
    filtered,
    spectrum_of,
    transmission,
)
from filmdose.radiation.broad_beam import broad_beam_kvps
from filmdose.radiation.constants import constant_range
from filmdose.radiation.shields import ShieldLike, as_shields

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_film_response", "plot_shares", "plot_spectra", "plot_transmission"]

#: Spectra are drawn down to this fraction of the highest bin: below it nothing reaches the film.
_FLOOR = 1e-5

#: Below this energy a filtered tube sends nothing worth a mark [keV].
_LOWEST_EDGE_KEV = 15.0


@in_house_style
def plot_spectra(
    shields: Sequence[ShieldLike] = (None, "lead=0.25"),
    beam: Beam = REFERENCE_BEAM,
    *,
    ax: Axes | None = None,
    label: str | None = None,
    **line: Any,
) -> Axes:
    """Photons against energy, bare and behind each shield, on a logarithmic scale; K edges are marked.

    Parameters
    ----------
    shields
        What stands before the film, one line each; None is the bare beam.
    beam
        Beam of a tube.
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
    >>> ax = plot_spectra([None, "lead=0.25"])
    >>> ax.get_xlabel()
    'photon energy [keV]'
    """
    assert ax is not None
    bare = spectrum_of(beam)
    if bare.energy_kev.size < 2:
        raise ArgumentError("beam", str(beam), "the beam of a tube, such as '140kVp, al=3'")
    top = float(bare.fluence.max())
    stacks = [as_shields(shield) for shield in shields]
    for number, (stack, colour) in enumerate(zip(stacks, ordered_colours(len(stacks)), strict=True)):
        behind = filtered(bare, tuple(shield.layer for shield in stack))
        seen = behind.fluence > _FLOOR * top
        name = " + ".join(str(shield) for shield in stack) or "no shield"
        share = air_kerma_ugy(behind) / air_kerma_ugy(bare)
        label = f"{name}: {100 * share:.3g} % of the air kerma"
        style: dict[str, Any] = {"color": colour, "linestyle": DASHES[number % len(DASHES)]}
        ax.plot(np.where(seen, behind.energy_kev, np.nan), behind.fluence / top, label=label, **style)
    elements = {name for stack in stacks for shield in stack for name, _ in shield.layer.resolved.mass_fractions}
    for symbol, energy in _k_edges(elements, float(bare.energy_kev[-1])):
        ax.axvline(energy, color=GUIDE, linewidth=0.8, linestyle=":")
        ax.annotate(
            f"{symbol} K edge\n{energy:.1f} keV",
            (energy, 1.0),
            xycoords=("data", "axes fraction"),
            xytext=(3, -2),
            textcoords="offset points",
            va="top",
            fontsize="small",
            color=GUIDE,
        )
    ax.set_yscale("log")
    # Room above the lines for their names.
    ax.set_ylim(_FLOOR, 10.0 ** (0.9 + 0.42 * len(stacks)))
    ax.set_xlim(0.0, float(bare.energy_kev[-1]) + 5.0)
    ax.set_xlabel("photon energy [keV]")
    ax.set_ylabel("photons per bin, bare maximum = 1")
    ax.set_title(f"{beam}: photons before and behind a shield")
    ax.legend(loc="upper left")
    return ax


def _k_edges(elements: Iterable[str], highest_kev: float) -> list[tuple[str, float]]:
    """K edges [keV] of elements that a tube's filtered beam can show."""
    import xraydb  # type: ignore[import-untyped]

    edges = [(symbol, float(xraydb.xray_edge(symbol, "K").energy) / 1e3) for symbol in sorted(elements)]
    return [(symbol, energy) for symbol, energy in edges if _LOWEST_EDGE_KEV < energy < highest_kev]


@in_house_style
def plot_film_response(energy_range_kev: tuple[float, float] = (10.0, 3000.0), *, ax: Axes | None = None) -> Axes:
    """Fog per unit air kerma against photon energy, relative to Cs-137 gamma rays, with the range of eta.

    Parameters
    ----------
    energy_range_kev
        Energies to show [keV; 5 to 10 000].
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Raises
    ------
    ArgumentError
        A value out of range, or Axes that hold another chart.

    Examples
    --------
    >>> ax = plot_film_response((20.0, 200.0))
    >>> ax.get_xlabel()
    'photon energy [keV]'
    """
    assert ax is not None
    ends = check_array("energy_range_kev", energy_range_kev, low=0.0, low_open=True, unit="keV", nan_allowed=False)
    energy_range_kev = float(ends[0]), float(ends[1])
    energy = np.geomspace(*energy_range_kev, 600)
    low, typical, high = constant_range("eta_low")
    hard = 662.0
    ratio = emulsion_to_air(energy) / emulsion_to_air(hard)
    ax.plot(energy, ratio, color=GUIDE, linestyle=DASHES[1], label="absorbed dose in the emulsion (NIST)")
    response = film_response(energy, eta_low=typical) / film_response(hard, eta_low=typical)
    ax.plot(energy, response, color=INK, linestyle=DASHES[0], label="fog per air kerma")
    below, above = (film_response(energy, eta_low=eta) / film_response(hard, eta_low=eta) for eta in (low, high))
    label = f"its range, efficiency {low:g} to {high:g} below 60 keV (inference)"
    ax.fill_between(energy, below, above, color=FOGGED, alpha=0.25, linewidth=0, label=label)
    spectrum = spectrum_of(REFERENCE_BEAM)
    shape = spectrum.fluence / spectrum.fluence.max()
    inside = spectrum.energy_kev >= energy_range_kev[0]
    base = 0.55
    ax.fill_between(
        spectrum.energy_kev[inside],
        base,
        base * (1 + 1.2 * shape[inside]),
        color=GUIDE,
        alpha=0.4,
        linewidth=0,
        label=f"photons of the reference beam ({REFERENCE_BEAM})",
    )
    ax.set_xscale("log")
    ax.set_yscale("log")
    ax.set_ylim(base, 200.0)
    ax.set_xlim(*energy_range_kev)
    for axis in (ax.xaxis, ax.yaxis):
        axis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_xlabel("photon energy [keV]")
    ax.set_ylabel("response per air kerma, 662 keV = 1")
    ax.set_title("How strongly film answers to radiation")
    ax.legend(loc="upper right")
    return ax


@in_house_style
def plot_transmission(
    materials: Sequence[str] = ("lead", "tungsten", "tin", "barium-sulphate-polymer"),
    beam: Beam = REFERENCE_BEAM,
    *,
    thickness_mm: float = 1.0,
    ax: Axes | None = None,
    label: str | None = None,
    **line: Any,
) -> Axes:
    """Share of the fog that comes through against thickness, with scatter; published broad-beam values beside it.

    Parameters
    ----------
    materials
        Materials, one line each.
    beam
        Beam that meets them.
    thickness_mm
        Greatest thickness [mm; above 0].
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
    ArgumentError, UnknownNameError
        A value out of range; a material that is not known.

    Examples
    --------
    >>> ax = plot_transmission(["lead"], thickness_mm=0.5)
    >>> ax.get_xlabel()
    'thickness of one wall [mm]'
    """
    assert ax is not None
    thickness_mm = check_number("thickness_mm", thickness_mm, low=0.0, low_open=True, unit="mm")
    thickness = np.linspace(0.0, thickness_mm, 200)
    for number, (material, colour) in enumerate(zip(materials, ordered_colours(len(materials)), strict=True)):
        name = str(Shield(material=material, thickness_mm=1.0).material)
        through = np.array(
            [transmission(Shield(material=name, thickness_mm=float(x)), beam).effective for x in thickness]
        )
        ax.plot(thickness, through, color=colour, linestyle=DASHES[number % len(DASHES)])
        _name_line(ax, name, through, colour)
        if broad_beam_kvps(name) and beam.tube_kvp is not None:
            values = [broad_beam_transmission(name, float(t), beam.tube_kvp) for t in thickness]
            published = np.array([np.nan if value is None else value for value in values])
            if np.isfinite(published[0]):
                ax.plot(thickness, published, color=FOGGED, linestyle=DASHES[0], linewidth=2.4)
                _name_line(ax, f"{name}, broad beam (NCRP 147)", published, FOGGED)
    ax.set_yscale("log")
    ax.set_ylim(1e-3, 1.2)
    ax.set_xlim(0.0, thickness_mm)
    ax.yaxis.set_major_formatter(lambda value, _: f"{100 * value:g} %")
    ax.set_xlabel("thickness of one wall [mm]")
    ax.set_ylabel("share of the dose that comes through")
    ax.set_title(f"Shields in a beam of {beam}")
    return ax


def _name_line(ax: Axes, name: str, values: Any, colour: Any) -> None:
    """Name a line at its right end, outside the frame."""
    ax.annotate(
        name,
        (1.0, max(float(values[-1]), 1.05e-3)),
        xycoords=("axes fraction", "data"),
        xytext=(4, 0),
        textcoords="offset points",
        va="center",
        fontsize="small",
        color=colour,
        annotation_clip=False,
    )


@in_house_style
def plot_shares(dose: HistoryDose, *, names: Mapping[str, str] | None = None, ax: Axes | None = None) -> Axes:
    """Effective kerma of each part of a history, low to high, largest on top.

    Parameters
    ----------
    dose
        Result of :func:`filmdose.history.history_dose`.
    names
        Words for sources, in place of their names.
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Examples
    --------
    >>> from filmdose.history import Pass, history_dose
    >>> ax = plot_shares(history_dose([Pass(source="cabin-ct"), Pass(source="cabin-xray", count=3)]))
    >>> ax.get_xlabel()
    'effective kerma [µGy], low to high'
    """
    assert ax is not None
    rows = dose.contributions[dose.contributions["kerma_ugy"] > 0].sort_values("kerma_ugy", kind="stable")
    if not len(rows):
        raise ArgumentError("dose", dose.kerma_ugy, "a history with some dose")
    labels = []
    for row in rows.to_dict("records"):
        name = (names or {}).get(row["source"], row["source"])
        if row["kind"] == "pass":
            text = f"{row['count']} x {name}"
            labels.append(f"{text}, {row['shield']}" if row["shield"] else text)
        else:
            labels.append(f"{name}: {row['detail']}")
    places = np.arange(len(rows))
    low, typical, high = (rows[f"kerma_{point}ugy"].to_numpy() for point in ("low_", "", "high_"))
    ax.hlines(places, low, high, color=GUIDE, linewidth=3.5, alpha=0.5, linestyle="-")
    ax.plot(typical, places, color=INK, marker="o", linestyle="none")
    for place, value, share in zip(places, typical, rows["share"], strict=True):
        ax.annotate(
            f"{value:.3g} µGy, {100 * share:.2g} %",
            (value, place),
            xytext=(0, 6),
            textcoords="offset points",
            ha="center",
            fontsize="small",
            color=INK,
        )
    ax.set_yticks(places, [plain(label) for label in labels])
    ax.set_ylim(-0.6, len(rows) - 0.3)
    ax.set_xscale("log")
    ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.set_xlabel("effective kerma [µGy], low to high")
    ax.set_title(f"Shares of {dose.kerma_ugy:.3g} µGy")
    ax.grid(axis="y", visible=False)
    return ax


hold_to_annotations(globals())
