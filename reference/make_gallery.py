"""Make the images of the README, all of them from the library itself.

Run from anywhere: ``python reference/make_gallery.py``.  The same versions of the
packages give the same bytes.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import matplotlib

from filmdose.plotting import (
    house_style,
    plot_characteristic_curves,
    plot_ei_isolines,
    plot_signal_to_noise,
    plot_stops,
)

if TYPE_CHECKING:
    from matplotlib.axes import Axes

FOLDER = Path(__file__).parent / "gallery"


def save(name: str, ax: Axes) -> None:
    """Save one plot as a PNG without a date in it."""
    with house_style():
        ax.figure.savefig(FOLDER / f"{name}.png", dpi=110, metadata={"Software": None})
    print(f"{name}.png  {(FOLDER / f'{name}.png').stat().st_size / 1024:.0f} kB")


def main() -> None:
    """Make every image."""
    matplotlib.use("Agg")
    FOLDER.mkdir(exist_ok=True)
    save("curves", plot_characteristic_curves(800, 200.0))
    save("stops", plot_stops())
    save("ei_isolines", plot_ei_isolines())
    save("signal_to_noise", plot_signal_to_noise(800, [30.0, 100.0, 300.0, 1000.0]))


if __name__ == "__main__":
    main()
