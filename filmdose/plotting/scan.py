"""Pictures that show where a scan was measured, the spectrum of its grain, and the bands along a film."""

from __future__ import annotations

import io
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.errors import UnknownNameError
from filmdose.files import write_bytes_atomic
from filmdose.plotting.style import FOGGED, GUIDE, INK, house_style, in_house_style, plain
from filmdose.scan.bands import CAUSES, BandResult
from filmdose.scan.grain import GrainMeasurement
from filmdose.scan.image import Box, Scan

if TYPE_CHECKING:
    from matplotlib.axes import Axes

__all__ = ["plot_bands", "plot_boxes", "plot_grain_spectrum", "write_picture"]


@in_house_style
def plot_boxes(scan: Scan, boxes: Mapping[str, Box], *, ax: Axes | None = None) -> Axes:
    """Draw a scan, thinned out, with the boxes in which it was measured.

    Parameters
    ----------
    scan
        The scan.
    boxes
        Boxes by what they are called.
    ax
        Axes to draw on; a new figure when None.

    Returns
    -------
    Axes

    Examples
    --------
    >>> import numpy as np
    >>> from filmdose.scan import Box
    >>> from filmdose.scan.simulate import scan_from_pixels
    >>> scan = scan_from_pixels(np.full((40, 60), 30000, dtype=np.uint16))
    >>> ax = plot_boxes(scan, {"clear": Box(left=5, top=5, width=20, height=20)})
    >>> [text.get_text() for text in ax.texts]
    ['clear']
    """
    assert ax is not None
    light = scan.overview(200_000).mean(axis=2)
    top = float(np.quantile(light, 0.995)) or 1.0
    ax.imshow(
        np.sqrt(np.clip(light / top, 0.0, 1.0)),
        cmap="gray",
        vmin=0.0,
        vmax=1.0,
        extent=(0.0, scan.width, scan.height, 0.0),
        interpolation="nearest",
    )
    for name, box in boxes.items():
        x, y = [box.left, box.left + box.width], [box.top, box.top + box.height]
        ax.plot(
            [x[0], x[1], x[1], x[0], x[0]], [y[0], y[0], y[1], y[1], y[0]], color="white", linewidth=2.6, linestyle="-"
        )
        ax.plot(
            [x[0], x[1], x[1], x[0], x[0]], [y[0], y[0], y[1], y[1], y[0]], color=FOGGED, linewidth=1.2, linestyle="-"
        )
        ax.text(
            *(0.5 * sum(x), 0.5 * sum(y), plain(name)),
            ha="center",
            va="center",
            color=INK,
            fontsize="small",
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0, "alpha": 0.8},
        )
    ax.set_xlim(0, scan.width)
    ax.set_ylim(scan.height, 0)
    ax.set_xlabel("column [pixels]")
    ax.set_ylabel("row [pixels]")
    ax.grid(False)
    return ax


@in_house_style
def plot_bands(result: BandResult, *, ax: Axes | None = None, label: str | None = None, **line: Any) -> Axes:
    """Draw density along the film with the best model of the most likely cause.

    Parameters
    ----------
    result
        Result of :func:`filmdose.scan.bands.explain_bands`.
    ax
        Axes to draw on; a new figure when None. They may hold a plot already.
    label
        What is drawn, for the legend.
    **line
        Properties of the lines, such as ``linewidth`` or ``color``, in Matplotlib's words.

    Returns
    -------
    Axes
    """
    assert ax is not None
    profile = result.profile
    ax.plot(profile.position_mm, profile.density, color=GUIDE, linestyle="none", marker=".", markersize=3, label="read")
    ax.plot(profile.position_mm, result.fitted, color=FOGGED, label=CAUSES[result.cause].partition(",")[0])
    if profile.control_density is not None:
        ax.axhline(profile.control_density, color=INK, linestyle="--", linewidth=0.9, label="without fog")
    ax.set_xlabel("position along the film [mm]")
    ax.set_ylabel("density")
    ax.legend(loc="best")
    return ax


@in_house_style
def plot_grain_spectrum(
    grain: GrainMeasurement, *, ax: Axes | None = None, label: str | None = None, **line: Any
) -> Axes:
    """Draw the noise power as scanned, the scanner's own part, and the film's with the transfer removed.

    Parameters
    ----------
    grain
        Result of :func:`filmdose.scan.grain.measure_grain`.
    ax
        Axes to draw on; a new figure when None. They may hold a plot already.
    label
        What is drawn, for the legend.
    **line
        Properties of the lines, such as ``linewidth`` or ``color``, in Matplotlib's words.

    Returns
    -------
    Axes
    """
    assert ax is not None
    ax.plot(grain.frequency, grain.measured, color=GUIDE, linestyle="--", label="as scanned")
    if np.any(grain.scanner > 0.0):
        ax.plot(grain.frequency, grain.scanner, color=INK, linestyle=":", label="the scanner's own")
    ax.plot(grain.frequency, grain.film, color=FOGGED, linestyle="-", label="film")
    ax.axhline(grain.noise_um2, color=GUIDE, linewidth=0.8, linestyle="-.", label="through 48 um")
    ax.set_ylim(bottom=0.0)
    ax.set_xlabel("spatial frequency [cycles/mm]")
    ax.set_ylabel("noise power [um²]")
    ax.legend(loc="best")
    return ax


def write_picture(draw: Callable[[Axes], object], path: str | Path) -> Path:
    """Write one plot as PNG, PDF or SVG by the ending of the name.

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
        figure = Figure(figsize=(6.8, 4.2), layout="constrained")
        draw(figure.add_subplot())
        figure.savefig(stream, format=ending[1:], dpi=150)
    return write_bytes_atomic(path, stream.getvalue())


hold_to_annotations(globals())
