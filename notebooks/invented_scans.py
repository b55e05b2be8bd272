"""Writes invented scans of an invented roll into this folder, to try what `filmdose measure` and `filmdose bands` do.

Run it where the files are to be: python notebooks/invented_scans.py
"""

from pathlib import Path

import numpy as np

from filmdose.film.generic import generic_film
from filmdose.film.readings import tablet_log_exposures, write_csv_table
from filmdose.scan import get_winding
from filmdose.scan.simulate import grainy, simulate_pixels, simulate_profile, write_tiff

PIXEL_UM = 10.58  # 2400 pixels an inch


def strip(base: float, rng: np.random.Generator) -> np.ndarray:
    """Densities of a strip of perforated film with an image, clear light above and below, the holder at its left."""
    density = np.zeros((400, 900))
    density[40:360] = base
    density[80:320, 50:850] += 0.3 + 0.5 * rng.random((8, 20)).repeat(30, 0).repeat(40, 1)
    for left in range(60, 900, 70):
        density[48:60, left : left + 30] = 0.0
    density[:, :16] = 5.0
    return density


def wedge() -> np.ndarray:
    """Densities of a strip of ISO 400 film that was exposed through a tablet of 21 steps."""
    exposures = tablet_log_exposures(21, 0.15, clear_log_exposure=-1.0)
    steps = np.asarray(generic_film(400).records[0].density(exposures))
    density = np.full((240, 130 + 26 * len(steps)), steps.min())
    density[50:190, 65 : 65 + 26 * len(steps)] = np.repeat(steps, 26)
    return density


def scanned(density: np.ndarray, rng: np.random.Generator, flare: float) -> np.ndarray:
    """Numbers of a linear scan, with grain, flare, blur and dust."""
    seen = grainy(density, np.where(density < 4.0, 0.35 * density, 0.0), pixel_um=PIXEL_UM, rng=rng)
    return simulate_pixels(seen, rng=rng, flare=flare, blur_px=0.8, dust=6)


def write_scans(folder: Path) -> None:
    """Write roll.tif, control.tif, wedge.tif, clear.tif and profile.csv."""
    rng = np.random.default_rng(5)
    for name, density, flare in (
        ("roll", strip(0.46, rng), 0.008),
        ("control", strip(0.30, rng), 0.008),
        ("wedge", wedge(), 0.005),
    ):
        write_tiff(scanned(density, rng, flare), folder / f"{name}.tif", pixel_um=PIXEL_UM)
    write_tiff(simulate_pixels(np.zeros((400, 900)), rng=rng), folder / "clear.tif", pixel_um=PIXEL_UM)
    profile = simulate_profile("radiation", get_winding("135-36"), rng=rng, strength=4.0)
    write_csv_table(profile.to_frame(), folder / "profile.csv")


if __name__ == "__main__":
    write_scans(Path())
    print("written: roll.tif, control.tif, wedge.tif, clear.tif, profile.csv (all invented)")
