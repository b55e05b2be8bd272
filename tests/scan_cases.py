"""Simulated scans of the tests and of the larger study in reference/."""

import runpy
from pathlib import Path

import numpy as np
from skimage.transform import rotate

from filmdose.film.generic import generic_film
from filmdose.film.readings import tablet_log_exposures
from filmdose.scan import Box, Flare, measure_area, measure_flare, measure_fog
from filmdose.scan.simulate import grainy, scan_from_pixels, simulate_pixels

AREA = Box(left=46, top=8, width=76, height=104)
OPAQUE = Box(left=138, top=10, width=18, height=100)
SHAPE = (120, 160)

STEPS = 21
EXPOSURES = tablet_log_exposures(STEPS, 0.15, clear_log_exposure=-1.0)
CLEAN = Flare(fraction=0.0, error=0.0005, measured=True)
FILM = generic_film(400)
TRUE = np.asarray(FILM.records[0].density(EXPOSURES))

_INVENTED = Path(__file__).parents[1] / "notebooks" / "invented_scans.py"
_strip = runpy.run_path(str(_INVENTED))["strip"]

PX = 10.58  # um: 2400 pixels an inch


def strip(base, seed, upright=False):
    """The strip of perforated film of the README's invented scans."""
    density = _strip(base, np.random.default_rng(seed))
    return density.T if upright else density


def scanned(density, rng, **options):
    """A scan of densities, with grain, flare, blur and dust."""
    seen = grainy(density, np.where(density < 4, 0.3 * density, 0.0), pixel_um=PX, rng=rng)
    return scan_from_pixels(simulate_pixels(seen, rng=rng, flare=0.008, blur_px=0.8, dust=15, **options), pixel_um=PX)


def density_case(rng):
    """One simulated scan: (measured, true, standard error)."""
    true = rng.uniform(0.1, 2.0)
    density = np.full(SHAPE, true)
    density[:, :40], density[:, 130:] = 0.0, 6.0
    film = (density > 0) & (density < 6)
    density = grainy(density, np.where(film, rng.uniform(0.1, 0.8) * density, 0.0), pixel_um=10.0, rng=rng)
    flare = np.full(SHAPE, rng.uniform(0.0, 0.02))
    flare[:, 130:] *= 1 + 0.1 * rng.standard_normal()  # it is not the same everywhere
    common = {
        "rng": rng,
        "black_level": 500.0,
        "full_well": rng.uniform(5e3, 5e4),
        "blur_px": rng.choice([0.0, 0.6, 1.2]),
    }
    pixels = simulate_pixels(density, flare=flare, dust=int(rng.integers(0, 8)), **common)
    scan = scan_from_pixels(pixels, black_level=500.0)
    clear = scan_from_pixels(simulate_pixels(np.zeros(SHAPE), **common), black_level=500.0)
    found = measure_area(scan, AREA, clear=clear, flare=measure_flare(scan, OPAQUE))
    return found.density[0], true, found.standard_error[0]


def fog_case(rng):
    """One simulated roll and control: error of the fog over its standard error."""
    base, fog = rng.uniform(0.15, 0.5), rng.uniform(0.0, 0.6)
    flare = Flare(fraction=rng.uniform(0.002, 0.015), error=0.0015, measured=True)
    true = max(0.0, flare.fraction + flare.error * rng.standard_normal())
    scale = 1 + 0.07 * rng.standard_normal()
    shape, box = (90, 120), Box(left=30, top=5, width=60, height=80)
    areas = []
    clear = scan_from_pixels(simulate_pixels(np.zeros(shape), rng=rng))
    for density in (base + fog, base):
        seen = np.full(shape, scale * density)
        seen[:, :20], seen[:, 100:] = 1.5, 0.0
        seen = grainy(seen, 0.4 * density, pixel_um=10.0, rng=rng)
        scan = scan_from_pixels(simulate_pixels(seen, rng=rng, flare=true, blur_px=0.7))
        areas.append(measure_area(scan, box, clear=clear, flare=flare))
    found = measure_fog(*areas)
    return (found.fog_density - fog) / found.fog_error


def picture(rng, *, angle=0.0, densities=TRUE, base=None, cover=None, crop=None, flare=0.0, gamma=1.0):
    """A step wedge on film, and clear light."""
    width = 26
    image = np.full((240, 130 + width * len(densities)), densities.min() if base is None else base)
    image[50:190, 65 : 65 + width * len(densities)] = np.repeat(densities, width)
    if cover is not None:
        image[:, 65 + width * cover[0] : 65 + width * cover[1]] = 3.5
    if crop is not None:
        image = image[:, 65 + round(width * crop[0]) : 65 + round(width * crop[1])]
    if angle:
        image = rotate(image, angle, resize=abs(angle) > 45, mode="edge", preserve_range=True, order=1)
    seen = grainy(image, 0.4 * image, pixel_um=10.0, rng=rng)
    scan = scan_from_pixels(
        simulate_pixels(seen, rng=rng, blur_px=0.8, dust=4, flare=flare, gamma=gamma), pixel_um=10.0
    )
    clear = scan_from_pixels(simulate_pixels(np.zeros(image.shape), rng=rng, gamma=gamma), pixel_um=10.0)
    return scan, clear
