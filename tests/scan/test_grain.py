"""Grain: discs against Nutting and Selwyn, spectra of known noise, slanted edges, and the cluster factor."""

import math
from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scipy.signal import fftconvolve

from filmdose.errors import ArgumentError, InputFileError
from filmdose.film.emulsion import APERTURE_AREA_UM2
from filmdose.film.generic import generic_film
from filmdose.scan import (
    Box,
    Transfer,
    cluster_factor,
    grain_beside_film,
    grain_frame,
    measure_area,
    measure_grain,
    measure_transfer,
)
from filmdose.scan.density import Flare
from filmdose.scan.grain import DARK
from filmdose.scan.simulate import grainy, scan_from_pixels, simulate_pixels
from filmdose.sensitometry import equivalent_grain_area_um2, nutting_density, selwyn_granularity

PX = 6.35  # um: 4000 pixels an inch
SHAPE = (384, 384)
NO_FLARE = Flare(fraction=0.0, error=0.0, measured=True)
FREQUENCY = np.linspace(0.0, 160.0, 800)


def gaussian_transfer(blur_px, pixel_um=PX):
    # exact transfer of a Gaussian point spread: exp(-2 (pi f s)**2)
    value = np.exp(-2 * (math.pi * FREQUENCY * blur_px * pixel_um / 1000) ** 2)
    return Transfer(frequency=FREQUENCY, value=value, relative_error=0.0)


def scanned(density, rng, blur=1.0, full_well=30_000.0, pixel_um=PX):
    options = {"rng": rng, "blur_px": blur, "full_well": full_well}
    scan = scan_from_pixels(simulate_pixels(density, **options), pixel_um=pixel_um)
    return scan, scan_from_pixels(simulate_pixels(np.zeros(density.shape), **options), pixel_um=pixel_um)


def measured(mean, noise_um2, rng, blur=1.0, full_well=30_000.0):
    scan, clear = scanned(grainy(np.full(SHAPE, mean), noise_um2, pixel_um=PX, rng=rng), rng, blur, full_well)
    area = measure_area(scan, scan.frame, clear=clear, flare=NO_FLARE)
    return measure_grain(scan, scan.frame, transfer=gaussian_transfer(blur), clear=clear, area=area)


@pytest.mark.long
def test_known_noise_comes_back_through_blur_and_scanner_noise():
    z = []
    rng = np.random.default_rng(4)
    for rms in (3.0, 5.0, 8.0, 12.0) * 2:
        noise = (rms / 1000) ** 2 * APERTURE_AREA_UM2
        found = measured(0.6, noise, rng, blur=float(rng.uniform(0.5, 1.2)), full_well=10_000.0)
        z.append((found.sigma_48 - rms / 1000) / found.sigma_error)
        assert_allclose(found.rms_granularity, rms, rtol=0.08)
    assert np.mean(np.abs(z) < 1.645) > 0.7
    assert abs(np.mean(z)) < 0.8


def test_the_scanners_own_noise_is_no_grain(rng):
    found = measured(0.6, 1e-9, rng, full_well=3000.0)
    raw = measured(0.6, 1e-9, rng, full_well=3000.0)
    assert raw.measured.mean() > 0.008
    assert found.noise_um2 < 0.1 * raw.measured.mean()


@pytest.fixture(scope="module")
def discs():
    """Opaque discs at random places on a grid of 0.25 um, and what pixels of 4 um see of them."""
    rng = np.random.default_rng(9)
    sub, side, pixel = 0.25, 2560, 16
    y, x = np.mgrid[-2:3, -2:3]
    disc = (x**2 + y**2 <= 4).astype(float)
    area = disc.sum() * sub**2
    number = 0.35 / area  # discs per um2: mean cover 0.35
    centres = rng.poisson(number * sub**2, (side, side))
    covered = fftconvolve(centres, disc, mode="same") > 0.5
    light = 1.0 - covered.reshape(side // pixel, pixel, side // pixel, pixel).mean(axis=(1, 3))
    overlap = fftconvolve(disc, disc[::-1, ::-1]) * sub**2
    # Boolean model: covariance of bare ground is exp(-n (2a - overlap)) - exp(-2 n a)
    power = (np.exp(-number * (2 * area - overlap)) - math.exp(-2 * number * area)).sum() * sub**2
    noise = (math.log10(math.e) / math.exp(-number * area)) ** 2 * power
    return light, number, area, noise


@pytest.mark.long
def test_discs_have_nuttings_density_and_selwyns_noise(discs):
    light, number, area, noise = discs
    rng = np.random.default_rng(1)
    # pixels of 4 um average the discs themselves: their transfer is a sinc, and its aliases fold back
    density = -np.log10(np.maximum(light, 1e-3))
    scan, clear = scanned(density, rng, blur=0.0, full_well=100_000.0, pixel_um=4.0)
    found_area = measure_area(scan, scan.frame, clear=clear, flare=NO_FLARE)
    assert_allclose(found_area.density[0], nutting_density(number * 1e8, area), rtol=0.02)
    frequency = np.linspace(0.0, 250.0, 1000)
    transfer = Transfer(frequency=frequency, value=np.abs(np.sinc(frequency * 0.004)), relative_error=0.0)
    grain = measure_grain(scan, scan.frame, transfer=transfer, clear=clear, area=found_area)
    assert_allclose(grain.noise_um2, noise, rtol=0.06)
    # the small-density law, and Selwyn's number of it
    assert_allclose(grain.noise_um2, math.log10(math.e) * area * found_area.density[0], rtol=0.3)
    assert_allclose(selwyn_granularity(grain.sigma_48), math.sqrt(2 * noise), rtol=0.03)
    assert_allclose(equivalent_grain_area_um2(grain.sigma_48, found_area.density[0]), area, rtol=0.3)


def test_the_spectrum_of_coloured_noise(rng):
    # white noise through a Gaussian of 3 pixels: W(f) = W(0) exp(-4 (pi f s)**2)
    from scipy.ndimage import gaussian_filter

    w0, s = 0.05, 3 * PX / 1000
    field = gaussian_filter(rng.standard_normal((640, 640)), 3.0, mode="wrap") * math.sqrt(w0) / PX
    scan, clear = scanned(0.5 + field, rng, blur=0.0, full_well=1e6)
    flat = Transfer(frequency=FREQUENCY, value=1.0 * (FREQUENCY < 500 / PX), relative_error=0.0)
    found = measure_grain(scan, scan.frame, transfer=flat, clear=clear)
    low = found.frequency < 18
    expected = w0 * np.exp(-4 * (math.pi * found.frequency * s) ** 2)
    assert low.sum() >= 4
    assert_allclose(found.film[low], expected[low], rtol=0.2, atol=0.001)


@pytest.mark.parametrize("blur", [0.6, 1.0, 1.5])
@pytest.mark.parametrize("upright", [True, False])
def test_a_slanted_edge_tells_the_transfer(blur, upright, rng):
    y, x = np.mgrid[:800, :800] / 4.0
    light = np.where(x - 100 - 0.09 * (y - 100) > 0, 1.0, 0.001).reshape(200, 4, 200, 4).mean(axis=(1, 3))
    light = light if upright else light.T
    scan = scan_from_pixels(simulate_pixels(-np.log10(light), rng=rng, blur_px=blur), pixel_um=PX)
    found = measure_transfer(scan, Box(left=20, top=20, width=160, height=160))
    frequency = np.array([5.0, 15.0, 25.0, 35.0])
    true = np.exp(-2 * (math.pi * frequency * blur * PX / 1000) ** 2) * np.sinc(frequency * PX / 1000)
    assert_allclose(found(frequency), true, atol=0.03)


def test_no_edge_no_transfer(rng):
    scan = scan_from_pixels(simulate_pixels(np.full((100, 100), 0.3), rng=rng), pixel_um=PX)
    with pytest.raises(InputFileError, match="no straight dark edge"):
        measure_transfer(scan, scan.frame)


def film_noise(emulsion, kerma):
    return APERTURE_AREA_UM2 * float(emulsion.noise(DARK, kerma)) ** 2


@pytest.mark.few(2)
@pytest.mark.parametrize("true", [1.0, 5.0, 12.0])
def test_clusters_come_back_from_fogged_and_clean_rebate(true):
    rng = np.random.default_rng(int(true))
    emulsion = replace(generic_film(400).records[0], cluster_grains=true)
    kerma = 400.0
    fogged, clean = (measured(float(emulsion.density(DARK, k)), film_noise(emulsion, k), rng) for k in (kerma, 0.0))
    found = cluster_factor(fogged, clean, replace(emulsion, cluster_grains=5.0))
    assert_allclose(found.kerma_ugy, kerma, rtol=0.05)
    assert abs(found.cluster_grains - true) < 2.5 * found.error
    assert found.error < 0.4 * true + 0.6
    with pytest.raises(ArgumentError, match="fogged"):
        cluster_factor(clean, fogged, emulsion)


def test_measured_grain_beside_the_films_own(rng):
    emulsion = generic_film(400).records[0]
    found = []
    for x in (-2.4, -1.8, -1.2):
        noise = APERTURE_AREA_UM2 * float(emulsion.noise(x)) ** 2
        found.append(measured(float(emulsion.density(x)), noise, rng))
    table = grain_beside_film(found, emulsion)
    assert_allclose(table["measured_over_predicted"], 1.0, atol=0.08)
    assert list(grain_frame(found).columns) == ["density", "sigma", "sigma_error"]


def test_bad_input(rng):
    scan = scan_from_pixels(simulate_pixels(np.full((300, 300), 0.3), rng=rng))
    with pytest.raises(ArgumentError, match="pixel_um"):
        measure_grain(scan, scan.frame, transfer=Transfer.gaussian(30.0))
    known = scan_from_pixels(scan.pixels[..., 0], pixel_um=PX)
    with pytest.raises(ArgumentError, match="larger box"):
        measure_grain(known, Box(left=0, top=0, width=60, height=200), transfer=Transfer.gaussian(30.0))
    for bad in (0.0, -1.0, float("nan")):
        with pytest.raises(ArgumentError, match="half_at"):
            Transfer.gaussian(bad)


def test_the_command_prints_grain_beside_the_film(run, rng, tmp_path):
    import json

    from filmdose.scan.simulate import write_tiff

    noise = (14 / 1000) ** 2 * APERTURE_AREA_UM2
    scan, clear = scanned(grainy(np.full(SHAPE, 0.9), noise, pixel_um=PX, rng=rng), rng)
    paths = [write_tiff(s.pixels[..., 0], tmp_path / f"{n}.tif", pixel_um=PX) for n, s in (("a", scan), ("b", clear))]
    half = math.sqrt(math.log(2) / 2) / (math.pi * PX / 1000)  # of a Gaussian of one pixel
    words = ("measure", paths[0], "--clear", paths[1], "--grain", "--box", "0,0,384,384", "--transfer", half)
    code, out, err = run(*words, "--speed", 400)
    assert (code, err) == (0, "")
    assert "rms granularity" in out
    assert "predicted" in out
    code, out, err = run(*words, "--format", "json")
    assert json.loads(out)["areas"][0]["rms_granularity"] == pytest.approx(14, rel=0.1)
    assert run(*words[:-2])[0] == 2


@pytest.mark.long
def test_grain_of_the_steps_of_a_wedge_goes_to_the_fit(run, rng, tmp_path):
    from filmdose.film.csvtable import read_csv_table
    from filmdose.film.noisefit import read_granularity
    from filmdose.scan.simulate import write_tiff

    emulsion = generic_film(400).records[0]
    exposures = np.array([-2.6, -2.0, -1.5, -1.0])
    image = np.full((460, 1560), float(emulsion.density(exposures[0])))
    power = np.zeros(image.shape)
    for k, x in enumerate(exposures):
        place = np.s_[20:440, 60 + 360 * k : 60 + 360 * (k + 1)]
        image[place], power[place] = emulsion.density(x), APERTURE_AREA_UM2 * emulsion.noise(x) ** 2
    scan, clear = scanned(grainy(image, power, pixel_um=PX, rng=rng), rng)
    paths = [write_tiff(s.pixels[..., 0], tmp_path / f"{n}.tif", pixel_um=PX) for n, s in (("a", scan), ("b", clear))]
    half = math.sqrt(math.log(2) / 2) / (math.pi * PX / 1000)
    code, _, err = run(
        "measure", paths[0], "--clear", paths[1], "--grain", "--steps", 4, "--box", "55,20,1450,420",
        "--transfer", half, "--speed", 400, "--output", tmp_path / "grain.csv",
    )  # fmt: skip
    assert (code, err) == (0, "")
    table = read_csv_table(tmp_path / "grain.csv")
    assert_allclose(table["sigma"], emulsion.noise(exposures), rtol=0.12)
    assert read_granularity(tmp_path / "grain.csv", aperture_area_um2=APERTURE_AREA_UM2, records=("visual",))


def test_the_command_prints_the_cluster_factor(run, tmp_path):
    from filmdose.scan.simulate import write_tiff

    rng = np.random.default_rng(12)
    emulsion = generic_film(400).records[0]
    paths = []
    for name, kerma in (("fogged", 400.0), ("clean", 0.0)):
        density = grainy(
            np.full(SHAPE, float(emulsion.density(DARK, kerma))), film_noise(emulsion, kerma), pixel_um=PX, rng=rng
        )
        scan, clear = scanned(density, rng)
        paths.append(write_tiff(scan.pixels[..., 0], tmp_path / f"{name}.tif", pixel_um=PX))
    paths.append(write_tiff(clear.pixels[..., 0], tmp_path / "clear.tif", pixel_um=PX))
    half = math.sqrt(math.log(2) / 2) / (math.pi * PX / 1000)
    words = ("measure", paths[0], "--control", paths[1], "--clear", paths[2], "--grain", "--box", "0,0,384,384")
    code, out, err = run(*words, "--transfer", half, "--speed", 400)
    assert (code, err) == (0, "")
    assert "cluster factor" in out
    code, _, err = run(*words, "--transfer", half)
    assert code == 2
    assert "film" in err
