"""Fog of a roll beside a control, found along the rebate, into a trip file, and on to learning and report."""

import json
import math
import tomllib
from pathlib import Path

import numpy as np
import pytest
from numpy.testing import assert_allclose
from scan_cases import PX, fog_case, scanned, strip

from filmdose.errors import ArgumentError, InputFileError
from filmdose.film.generic import generic_film
from filmdose.scan import Flare, find_rebate, measure_area, measure_fog
from filmdose.scan.simulate import scan_from_pixels, simulate_pixels, write_tiff
from filmdose.trip import measured_fog
from filmdose.tripfile import read_trip

TRIP = Path(__file__).parents[2] / "notebooks" / "trip_measured.toml"


@pytest.mark.parametrize("upright", [False, True])
@pytest.mark.parametrize("base", [0.15, 0.46, 1.1])
def test_the_rebate_is_found_along_the_edge(base, upright, rng):
    scan = scanned(strip(base, 1, upright), rng)
    box = find_rebate(scan)
    clear = scan_from_pixels(simulate_pixels(np.zeros(scan.pixels.shape[:2]), rng=rng), pixel_um=PX)
    flare = Flare(fraction=0.008, error=0.001, measured=True)
    found = measure_area(scan, box, clear=clear, flare=flare)
    assert abs(found.density[0] - base) < 4 * found.standard_error[0]


def test_the_rebate_of_reversal_film_is_the_densest(rng):
    density = np.zeros((400, 900))
    density[40:360] = 2.6
    density[80:320, 50:850] = 0.3 + 1.5 * rng.random((8, 20)).repeat(30, 0).repeat(40, 1)
    box = find_rebate(scanned(density, rng), reversal=True)
    inside = density[box.top : box.top + box.height, box.left : box.left + box.width]
    assert np.all(inside == 2.6)


def test_no_rebate_is_said(rng):
    image = rng.uniform(0.2, 1.5, (40, 60)).repeat(10, 0).repeat(10, 1)
    with pytest.raises(InputFileError, match="Give its box by hand"):
        find_rebate(scanned(image, rng))


@pytest.mark.long
def test_the_error_of_the_fog_holds_the_truth():
    rng = np.random.default_rng(31)
    z = np.array([fog_case(rng) for _ in range(200)])
    assert 0.85 <= np.mean(np.abs(z) < 1.645) <= 0.97  # the least error of 0.002 is generous where fog is small


@pytest.fixture
def files(tmp_path, rng):
    paths = {}
    for name, base, seed in (("roll", 0.46, 1), ("control", 0.30, 2)):
        paths[name] = write_tiff(scanned(strip(base, seed), rng).pixels[..., 0], tmp_path / f"{name}.tif", pixel_um=PX)
    paths["clear"] = write_tiff(simulate_pixels(np.zeros((400, 900)), rng=rng), tmp_path / "clear.tif", pixel_um=PX)
    paths["trip"] = tmp_path / "trip.toml"
    paths["trip"].write_bytes(TRIP.read_bytes())
    return paths


def test_a_scan_goes_straight_into_the_trip(run, files, tmp_path):
    before = files["trip"].read_bytes()
    code, out, err = run(
        "measure", files["roll"], "--control", files["control"], "--clear", files["clear"],
        "--opaque-box", "2,50,12,300", "--roll", "valley-400", "--into", files["trip"], "--date", "2026-05-03",
        "--picture", tmp_path / "where.svg",
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert "Fog +0.1" in out
    assert files["trip"].read_bytes().startswith(before)
    entry = tomllib.loads(files["trip"].read_text())["reading"][-1]
    assert entry["roll"] == "valley-400"
    roll = next(roll for roll in read_trip(files["trip"]).rolls if roll.id == "valley-400")
    fog, error, _ = measured_fog(roll.film, roll.fog_readings[-1])
    assert abs(fog - 0.16) < 3 * error
    assert 0.001 < error < 0.03
    assert b"svg" in (tmp_path / "where.svg").read_bytes()


@pytest.mark.long
def test_a_roll_measured_on_a_scan_teaches(run, files):
    words = ("--control", files["control"], "--clear", files["clear"], "--roll", "valley-400", "--into", files["trip"])
    assert run("measure", files["roll"], *words)[0] == 0
    code, out, err = run("learn", files["trip"])
    assert (code, err) == (0, "")
    assert "valley-400" in out


def test_without_a_control_the_film_stands_in_with_a_wider_error(run, files):
    words = ("measure", files["roll"], "--clear", files["clear"])
    code, out, _ = run(*words, "--speed", 400, "--format", "json")
    known = json.loads(out)
    code_b, out_b, _ = run(*words, "--control", files["control"], "--format", "json")
    measured = json.loads(out_b)
    assert code == code_b == 0
    assert not known["control_measured"]
    assert measured["control_measured"]
    assert known["fog_error"] > 2 * measured["fog_error"]
    assert known["control"] == pytest.approx(generic_film(400).records[0].minimum_density())
    code, out, _ = run(*words, "--roll", "ridge-400", "--into", files["trip"])
    assert code == 0
    reading = read_trip(files["trip"]).rolls[0].fog_readings[-1]
    assert reading.control is None
    assert_allclose(reading.error, known["fog_error"], atol=1e-4)


def test_colour_scans_go_in_by_record(run, files, tmp_path, rng):
    colours = [scanned(strip(base, 1), rng).pixels[..., 0] for base in (0.3, 0.7, 1.0)]
    path = write_tiff(np.stack(colours, axis=-1), tmp_path / "colour.tif", pixel_um=PX)
    clear = write_tiff(np.full((400, 900, 3), 50_000, np.uint16), tmp_path / "clear3.tif", pixel_um=PX)
    words = ("measure", path, "--clear", clear, "--box", "90,322,700,30", "--speed", 400, "--kind", "colour-negative")
    for channel, base in (("red", 0.3), ("green", 0.7), ("blue", 1.0)):
        code, out, err = run(*words, "--channel", channel, "--format", "json")
        assert (code, err) == (0, "")
        assert json.loads(out)["base_plus_fog"] == pytest.approx(base, abs=0.01)
    assert run(*words, "--channel", "infrared")[0] == 2


@pytest.mark.few(9)
@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("--speed", 400), "clear light"),
        (("--clear", "CLEAR"), "control"),
        (("--clear", "CLEAR", "--into", "TRIP"), "roll"),
        (("--clear", "CLEAR", "--into", "TRIP", "--roll", "nobody"), "nobody"),
        (("--clear", "CLEAR", "--speed", 400, "--dpi", 0), "dpi"),
        (("--clear", "CLEAR", "--speed", 400, "--box", "1,2"), "box"),
        (("--clear", "CLEAR", "--speed", 400, "--box", "0,0,5000,50"), "900 by 400"),
        (("--clear", "CLEAR", "--speed", 400, "--wedge-box", "0,0,50,50"), "wedge"),
        (("--clear", "CLEAR", "--steps", 2), "steps"),
        (("--clear", "CLEAR", "--speed", 400, "--picture", "a.gif"), "ending"),
    ],
)
def test_wrong_words_are_one_line_and_change_nothing(run, files, words, says):
    names = {"CLEAR": files["clear"], "TRIP": files["trip"]}
    before = files["trip"].read_bytes()
    code, _, err = run("measure", files["roll"], *(names.get(word, word) for word in words))
    assert code == 2
    assert err.count("\n") == 1
    assert says in err
    assert files["trip"].read_bytes() == before


def test_the_page_on_scanning_is_printed(run):
    code, out, err = run("measure", "--how")
    assert (code, err) == (0, "")
    assert out.startswith("# How to scan")
    assert "linear, gamma 1.0" in out


def test_channels_must_agree(rng):
    grey = scan_from_pixels(simulate_pixels(np.full((60, 60), 0.3), rng=rng))
    clear = scan_from_pixels(simulate_pixels(np.zeros((60, 60)), rng=rng))
    three = scan_from_pixels(np.repeat(grey.pixels, 3, axis=2))
    clear_three = scan_from_pixels(np.repeat(clear.pixels, 3, axis=2))
    one = measure_area(grey, grey.frame, clear=clear)
    other = measure_area(three, three.frame, clear=clear_three)
    with pytest.raises(ArgumentError, match="channels of the roll"):
        measure_fog(other, one)
    with pytest.raises(InputFileError, match="Scan both alike"):
        measure_area(grey, grey.frame, clear=clear_three)
    assert math.isclose(other.density[1], one.density[0])
