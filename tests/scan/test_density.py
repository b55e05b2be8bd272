"""Densities of simulated scans: closed forms, and truth inside the stated error as often as it says."""

import math

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scan_cases import AREA, OPAQUE, SHAPE, density_case

from filmdose.errors import InputFileError
from filmdose.scan.density import Flare, area_statistics, correlation_sum, measure_area, measure_flare
from filmdose.scan.image import Box
from filmdose.scan.simulate import grainy, scan_from_pixels, simulate_pixels

NO_FLARE = Flare(fraction=0.0, error=0.0, measured=True)


def counts(values):
    return scan_from_pixels(np.asarray(values, dtype=np.uint16))


def halves(left, right):
    return counts(np.concatenate([np.full((40, 40), left), np.full((40, 40), right)], axis=1))


LEFT, RIGHT = Box(left=4, top=4, width=32, height=32), Box(left=44, top=4, width=32, height=32)


def test_density_is_minus_log10_of_the_ratio():
    clear = counts(np.full((40, 80), 40_000))
    found = measure_area(halves(4_000, 40_000), LEFT, clear=clear, flare=NO_FLARE)
    assert_allclose(found.density, 1.0, rtol=1e-12)
    assert found.standard_error == (0.0,)


@pytest.mark.parametrize("fraction", [0.0, 0.01, 0.05])
def test_flare_is_taken_out_exactly(fraction):
    # closed form: every pixel gets (1 - f) of its own light and f of the mean
    light = np.concatenate([np.full((40, 40), 0.01), np.full((40, 40), 1.0)], axis=1)
    seen = counts(np.round(50_000 * ((1 - fraction) * light + fraction * light.mean())))
    clear = counts(np.full((40, 80), 50_000))
    flare = Flare(fraction=fraction, error=0.0, measured=True)
    assert_allclose(measure_area(seen, LEFT, clear=clear, flare=flare).density, 2.0, atol=2e-3)
    assert_allclose(measure_area(seen, LEFT, clear=RIGHT, flare=flare).density, 2.0, atol=2e-3)


def test_an_opaque_patch_tells_the_flare(rng):
    density = np.full(SHAPE, 0.4)
    density[:, 130:] = 6.0
    scan = scan_from_pixels(simulate_pixels(density, rng=rng, flare=0.03))
    flare = measure_flare(scan, OPAQUE)
    assert flare.measured
    assert abs(flare.fraction - 0.03) < 2 * flare.error
    with pytest.raises(InputFileError, match="opaque patch has"):
        measure_flare(scan, AREA)


@pytest.mark.parametrize("blur", [0.8, 1.5, 3.0])
def test_independent_pixels_of_blurred_noise(blur, rng):
    # white noise under a Gaussian of standard deviation s: the correlation sums to 4 pi s**2
    from scipy.ndimage import gaussian_filter

    noise = gaussian_filter(rng.standard_normal((600, 600)), blur)
    total = correlation_sum(noise - noise.mean(), np.ones(noise.shape, dtype=bool))
    assert_allclose(total, 4 * math.pi * blur**2, rtol=0.12)


def test_white_noise_counts_every_pixel(rng):
    found = area_statistics(1000 + 10 * rng.standard_normal((200, 200)))
    assert_allclose(found.independent_pixels, 40_000, rtol=0.1)
    assert_allclose(found.sigma, 10.0, rtol=0.02)


def test_a_slope_is_no_noise(rng):
    tilted = 1000 + 10 * rng.standard_normal((100, 100)) + np.linspace(-50, 50, 100)
    found = area_statistics(tilted)
    assert_allclose(found.sigma, 10.0, rtol=0.04)
    assert_allclose(found.slope, 0.1, rtol=0.1)


def test_dust_is_left_out(rng):
    density = grainy(np.full(SHAPE, 0.5), 0.2, pixel_um=10.0, rng=rng)
    clear = scan_from_pixels(simulate_pixels(np.zeros(SHAPE), rng=rng))
    clean, dirty = (
        measure_area(
            scan_from_pixels(simulate_pixels(density, rng=np.random.default_rng(1), blur_px=0.8, dust=dust)),
            AREA, clear=clear, flare=NO_FLARE,
        )
        for dust in (0, 25)
    )  # fmt: skip
    assert dirty.dust_share > 0.005
    assert abs(dirty.density[0] - clean.density[0]) < 0.002
    assert any(fault.name == "some-dust" for fault in dirty.faults)


@pytest.mark.long
def test_nine_in_ten_intervals_hold_the_truth():
    rng = np.random.default_rng(14)
    measured, true, error = np.array([density_case(rng) for _ in range(300)]).T
    held = np.mean(np.abs(measured - true) < 1.645 * error)
    assert 0.85 <= held <= 0.95
    assert abs(np.mean((measured - true) / error)) < 0.25


@pytest.mark.parametrize(
    ("levels", "reason"),
    [
        ((65_535, 40_000), "saturated"),
        ((0, 40_000), "are 0"),
        ((50_000, 40_000), "brighter than clear light"),
    ],
)
def test_clipped_and_inverted_areas_are_refused(levels, reason):
    clear = counts(np.full((40, 80), 40_000))
    with pytest.raises(InputFileError, match=reason):
        measure_area(halves(*levels), LEFT, clear=clear, flare=NO_FLARE)


def test_a_saturated_clear_scan_is_refused():
    with pytest.raises(InputFileError, match=r"saturated.*Lower the exposure"):
        measure_area(halves(4000, 4000), LEFT, clear=counts(np.full((40, 80), 65_535)), flare=NO_FLARE)


def test_an_image_is_no_even_area(rng):
    density = np.where(rng.random((10, 13)) > 0.5, 0.4, 1.6).repeat(12, 0).repeat(12, 1)
    clear = scan_from_pixels(simulate_pixels(np.zeros(density.shape), rng=rng))
    scan = scan_from_pixels(simulate_pixels(density, rng=rng))
    with pytest.raises(InputFileError, match="specks or edges"):
        measure_area(scan, scan.frame, clear=clear, flare=NO_FLARE)
