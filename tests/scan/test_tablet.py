"""Steps of a wedge in a picture: turned, cut off, partly hidden; and what a calibrated wedge says."""

import json

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scan_cases import CLEAN, EXPOSURES, FILM, STEPS, TRUE, picture

from filmdose.errors import ArgumentError, InputFileError, ValidityWarning
from filmdose.film.fitting import fit_film
from filmdose.film.generic import generic_film
from filmdose.film.readings import read_steps, write_steps
from filmdose.scan import Box, calibrate_with_wedge, find_steps, read_tablet
from filmdose.scan.simulate import grainy, scan_from_pixels, simulate_pixels, write_tiff


def right(found, allowed=0.012):
    assert len(found.numbers) > 2
    error = np.array([area.density[0] for area in found.areas]) - TRUE[np.array(found.numbers) - 1]
    return np.abs(error).max() < allowed


@pytest.mark.few(3)
@pytest.mark.parametrize("angle", [0.0, 3.0, -6.5, 11.0, 88.0])
def test_all_steps_of_a_turned_wedge(angle, rng):
    scan, clear = picture(rng, angle=angle)
    found = read_tablet(scan, STEPS, clear=clear, flare=CLEAN)
    assert found.numbers == tuple(range(1, STEPS + 1))
    assert right(found)


@pytest.mark.long
def test_a_wedge_that_is_cut_off_needs_to_be_told_where(rng):
    scan, clear = picture(rng, crop=(4.3, 21.0))
    with pytest.raises(ArgumentError, match=r"first_step.*16 of 21"):
        read_tablet(scan, STEPS, clear=clear, flare=CLEAN)
    found = read_tablet(scan, STEPS, clear=clear, first_step=6, flare=CLEAN)
    assert found.numbers == tuple(range(6, STEPS + 1))
    assert right(found)


def test_hidden_steps_are_named_and_left_out(rng):
    scan, clear = picture(rng, cover=(9, 11), angle=2.0)
    found = read_tablet(scan, STEPS, clear=clear, flare=CLEAN)
    assert set(found.hidden) == {10, 11}
    assert found.numbers == tuple(n for n in range(1, STEPS + 1) if n not in found.hidden)
    assert right(found)
    assert found.readings(EXPOSURES).unread_steps == 2


def test_reversal_film_runs_the_other_way(rng):
    slide = np.asarray(generic_film(100, kind="bw-reversal").records[0].density(EXPOSURES + 1.2))
    scan, clear = picture(rng, densities=slide, base=slide.max())
    found = read_tablet(scan, STEPS, clear=clear, flare=CLEAN, reversal=True)
    assert_allclose([area.density[0] for area in found.areas], slide, atol=0.02)


def test_no_wedge_no_steps(rng):
    plain = grainy(np.full((200, 500), 0.5), 0.2, pixel_um=10.0, rng=rng)
    scan = scan_from_pixels(simulate_pixels(plain, rng=rng))
    with pytest.raises(InputFileError, match="no regular steps"):
        find_steps(scan, STEPS)


def test_the_step_file_feeds_the_fit(rng, tmp_path):
    scan, clear = picture(rng, angle=2.0)
    found = read_tablet(scan, STEPS, clear=clear, flare=CLEAN)
    path = write_steps(found.readings(EXPOSURES), tmp_path / "steps.csv")
    with pytest.warns(ValidityWarning, match="shoulder"):  # the tablet ends before it
        fit = fit_film(read_steps(path), kind="bw-negative", unexposed_density=float(TRUE[0]))
    # the wedge was exposed absolutely: the fit must find the film that was simulated
    assert_allclose(fit.log_speed_point, np.log10(0.8 / 400), atol=0.06)
    assert_allclose(fit.base_plus_fog, FILM.records[0].minimum_density(), atol=0.02)


def test_the_command_writes_the_step_file_and_a_picture(run, rng, tmp_path):
    scan, clear = picture(rng, flare=0.005)
    paths = [write_tiff(s.pixels[..., 0], tmp_path / f"{n}.tif", pixel_um=10.0) for n, s in (("a", scan), ("b", clear))]
    code, out, err = run(
        "measure", paths[0], "--clear", paths[1], "--steps", STEPS, "--clear-log-exposure", -1,
        "--output", tmp_path / "steps.csv", "--picture", tmp_path / "where.png",
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "21 steps" in out
    read = read_steps(tmp_path / "steps.csv")
    assert_allclose(read.log_exposure, EXPOSURES)
    assert_allclose(read.densities["visual"], TRUE, atol=0.015)
    assert (tmp_path / "where.png").read_bytes()[:4] == b"\x89PNG"


WEDGE = 0.05 + 0.30 * np.arange(8)


@pytest.mark.parametrize("scale", [1.0, 1.12])
@pytest.mark.parametrize("flare", [0.0, 0.02])
def test_a_calibrated_wedge_tells_scale_and_flare(scale, flare, rng):
    scan, clear = picture(rng, densities=scale * WEDGE, base=0.0, flare=flare)
    boxes, _ = find_steps(scan, 8, box=Box(left=60, top=40, width=220, height=160))
    assert len(boxes) == 8
    found = calibrate_with_wedge(scan, boxes, WEDGE, clear=clear)
    assert abs(found.scale - scale) < 4 * found.scale_error + 0.003
    assert abs(found.flare.fraction - flare) < 4 * found.flare.error + 5e-4


def test_a_gamma_shows_on_the_wedge(rng):
    scan, clear = picture(rng, densities=WEDGE, base=0.0, gamma=2.2)
    boxes, _ = find_steps(scan, 8, box=Box(left=60, top=40, width=220, height=160))
    with pytest.raises(InputFileError, match=r"as after a gamma of 2\.[0-4]"):
        calibrate_with_wedge(scan, boxes, WEDGE, clear=clear)


def test_the_command_takes_the_scale_from_a_wedge_in_the_frame(run, rng, tmp_path):
    # the scanner sees 12 % too much density; the film beside the wedge has 0.60
    image = np.zeros((300, 420))
    image[30:150, 40 : 40 + 8 * 40] = np.repeat(1.12 * WEDGE, 40)
    image[180:280, 40:360] = 1.12 * 0.60
    seen = grainy(image, 0.2 * image, pixel_um=10.0, rng=rng)
    scan = write_tiff(simulate_pixels(seen, rng=rng, flare=0.01, blur_px=0.7), tmp_path / "a.tif")
    clear = write_tiff(simulate_pixels(np.zeros(image.shape), rng=rng), tmp_path / "b.tif")
    wedge = tmp_path / "wedge.csv"
    wedge.write_text("density\n" + "\n".join(f"{d:.2f}" for d in WEDGE))
    words = ("measure", scan, "--clear", clear, "--box", "60,190,280,80", "--speed", 400, "--format", "json")
    code, out, err = run(*words, "--wedge", wedge, "--wedge-box", "38,30,324,120")
    assert (code, err) == (0, "")
    scaled, plain = json.loads(out), json.loads(run(*words)[1])
    assert scaled["base_plus_fog"] == pytest.approx(0.60, abs=0.006)
    assert plain["base_plus_fog"] > 0.65
