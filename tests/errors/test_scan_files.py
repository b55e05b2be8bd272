"""Scans that cannot be measured: one clear line each, with what to do."""

import struct
import subprocess
import sys

import imageio.v3 as iio
import numpy as np
import pytest
import tifffile

from filmdose.errors import ArgumentError, InputFileError, UnknownNameError
from filmdose.scan import Box, parse_box, read_scan
from filmdose.scan.faults import FAULTS, profile_gamma
from filmdose.scan.simulate import simulate_pixels, write_tiff


@pytest.fixture
def rng():
    return np.random.default_rng(3)


@pytest.fixture
def good(rng):
    return simulate_pixels(np.linspace(0.0, 2.0, 300)[None, :].repeat(200, 0), rng=rng)


def refused(path, **options):
    with pytest.raises(InputFileError) as caught:
        read_scan(path, **options)
    text = str(caught.value)
    assert str(path) in text
    assert "\n" not in text
    return text


def test_a_good_scan_is_read_as_it_is(tmp_path, good):
    scan = read_scan(write_tiff(good, tmp_path / "a.tif", pixel_um=10.0))
    assert scan.channels == ("visual",)
    assert scan.faults == ()
    assert scan.pixel_um == pytest.approx(10.0)
    np.testing.assert_array_equal(scan.stored(scan.frame)[..., 0], good)


@pytest.mark.parametrize(
    "options", [{"compression": "zlib"}, {"compression": "lzw"}, {"tile": (64, 64)}, {"bigtiff": True}]
)
def test_ways_of_storing(tmp_path, good, options):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, good, photometric="minisblack", **options)
    np.testing.assert_array_equal(read_scan(path).stored(Box(left=0, top=0, width=300, height=200))[..., 0], good)


def test_colour_planes_and_further_channels(tmp_path, good):
    four = np.stack([good, good // 2, good // 3, good // 4])
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, four, photometric="rgb", planarconfig="separate", extrasamples=["unspecified"])
    scan = read_scan(path)
    assert scan.channels == ("red", "green", "blue")
    np.testing.assert_array_equal(scan.stored(scan.frame)[..., 2], good // 3)


def test_white_stored_as_zero_is_turned_round(tmp_path, good):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, 65_535 - good, photometric="miniswhite")
    scan = read_scan(path)
    np.testing.assert_array_equal(scan.stored(scan.frame)[..., 0], good)
    assert [fault.name for fault in scan.faults] == ["white-is-zero"]


def test_files_that_are_no_scans(tmp_path, good):
    path = tmp_path / "a.tif"
    assert "No such file" in refused(path)
    path.write_bytes(b"")
    assert "empty" in refused(path)
    path.write_text("dear diary")
    assert "not a picture" in refused(path)
    path.write_bytes(np.random.default_rng(0).bytes(5000))
    assert "not a picture" in refused(path)
    iio.imwrite(tmp_path / "a.png", (good // 256).astype(np.uint8))
    assert "8-bit picture for looking at" in refused(tmp_path / "a.png")
    iio.imwrite(tmp_path / "a.jpg", (good // 256).astype(np.uint8))
    assert "linear 16-bit TIFF" in refused(tmp_path / "a.jpg")
    assert "no such file" in refused(tmp_path)
    (tmp_path / "a.dng").write_bytes(b"II*\0" + bytes(500))
    assert "raw file" in refused(tmp_path / "a.dng")


@pytest.mark.long
@pytest.mark.parametrize("options", [{}, {"compression": "zlib"}])
@pytest.mark.parametrize("share", [0.002, 0.3, 0.9, 0.999])
def test_files_that_are_cut_off(tmp_path, good, options, share):
    whole = tmp_path / "a.tif"
    tifffile.imwrite(whole, good, photometric="minisblack", **options)
    cut = tmp_path / "cut.tif"
    cut.write_bytes(whole.read_bytes()[: int(share * whole.stat().st_size)])
    assert "broken or cut off" in refused(cut)
    words = [sys.executable, "-c", "from filmdose.cli import run; run()", "measure", str(cut), "--clear", str(whole)]
    if share == 0.3:
        done = subprocess.run([*words, "--speed", "400"], capture_output=True, text=True, check=False)
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("kind", [np.uint8, np.float32, np.uint32])
def test_wrong_depth(tmp_path, good, kind):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, good.astype(kind), photometric="minisblack")
    assert f"{8 * np.dtype(kind).itemsize} bits a channel" in refused(path)
    assert "densities need 16 bits" in refused(path)


def test_no_pixels_and_few_pixels(tmp_path):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, np.full((4, 300), 5, np.uint16), photometric="minisblack")
    assert "too few to measure" in refused(path)
    tifffile.imwrite(path, np.zeros((2, 30, 30, 30), np.uint16), photometric="minisblack", volumetric=True)
    assert "not those of one picture" in refused(path)
    # a width of 0 in the file's own table
    tifffile.imwrite(path, np.full((40, 40), 5, np.uint16), photometric="minisblack")
    with tifffile.TiffFile(path, mode="r+b") as tiff:
        tiff.pages[0].tags["ImageWidth"].overwrite(0)
    assert "no pixels" in refused(path) or "broken" in refused(path)


#: Gamma, a, b, c, d of IEC 61966-2-1 (S).
PARA = (2.4, 1 / 1.055, 0.055 / 1.055, 1 / 12.92, 0.04045)


def tone_curve(kind):
    curve = {
        "linear": b"curv" + bytes(4) + struct.pack(">I", 0),
        "2.2": b"curv" + bytes(4) + struct.pack(">IH", 1, round(2.2 * 256)),
        "table": b"curv" + bytes(4) + struct.pack(">I", 3) + struct.pack(">3H", 0, round(65_535 * 0.5**1.8), 65_535),
        "para": b"para" + bytes(4) + struct.pack(">HH5i", 3, 0, *(round(65_536 * v) for v in PARA)),
    }[kind]  # fmt: skip
    return bytes(128) + struct.pack(">I4sII", 1, b"gTRC", 144, len(curve)) + curve


@pytest.mark.parametrize(("kind", "gamma"), [("linear", 1.0), ("2.2", 2.2), ("table", 1.8), ("para", 2.22)])
def test_gamma_of_a_profile(kind, gamma):
    # ICC.1: curv with no, one or many points; para 3 with the constants of IEC 61966-2-1, 0.5 -> 0.2140
    assert profile_gamma(tone_curve(kind)) == pytest.approx(gamma, abs=0.01)


@pytest.mark.parametrize("cut", range(0, 150, 7))
def test_broken_profiles_say_nothing(cut):
    assert profile_gamma(tone_curve("2.2")[:cut]) is None


def test_a_profile_with_a_gamma_is_refused_unless_accepted(tmp_path, good):
    path = tmp_path / "a.tif"
    tifffile.imwrite(path, good, photometric="minisblack", iccprofile=tone_curve("2.2"))
    assert "gamma of about 2.2" in refused(path)
    assert [fault.name for fault in read_scan(path, accept=["gamma"]).faults] == ["gamma"]
    tifffile.imwrite(path, good, photometric="minisblack", iccprofile=tone_curve("linear"))
    assert read_scan(path).faults == ()
    with pytest.raises(UnknownNameError, match="gamma"):
        read_scan(path, accept=["gama"])


def wide(rng, **options):
    """A picture with every tone and enough pixels for its histogram to speak."""
    return simulate_pixels(np.linspace(0.0, 2.0, 1000)[None, :].repeat(1200, 0), rng=rng, **options)


def test_gamma_in_the_histogram(tmp_path, rng):
    assert read_scan(write_tiff(wide(rng), tmp_path / "a.tif")).faults == ()
    assert read_scan(write_tiff(wide(rng, bits=12), tmp_path / "b.tif")).faults == ()
    for gamma in (1.8, 2.2):
        path = write_tiff(wide(rng, gamma=gamma, bits=16, read_noise=3.0), tmp_path / "c.tif")
        assert "as a gamma makes them" in refused(path)


def test_eight_bits_in_sixteen(tmp_path, rng):
    assert "8 bits spread over 16" in refused(write_tiff(wide(rng, bits=8), tmp_path / "a.tif"))
    spread = (wide(rng) // 256 * 257).astype(np.uint16)
    assert "8 bits spread over 16" in refused(write_tiff(spread, tmp_path / "b.tif"))


def test_automatic_levels(tmp_path, good):
    low, high = np.quantile(good, (0.01, 0.99))
    levelled = np.clip((good - low) / (high - low) * 65_535, 0, 65_535).astype(np.uint16)
    assert "cut off at black" in refused(write_tiff(levelled, tmp_path / "a.tif"))


def test_black_level_and_pixel_size_are_checked(tmp_path, good):
    path = write_tiff(good, tmp_path / "a.tif")
    for name, value in [
        ("black_level", -1.0),
        ("black_level", 60_000.0),
        ("pixel_um", 0.0),
        ("pixel_um", float("nan")),
    ]:
        with pytest.raises(ArgumentError, match=name):
            read_scan(path, **{name: value})
    assert read_scan(path, black_level=100.0).black_level == (100.0,)


@pytest.mark.parametrize("text", ["", "1,2,3", "a,b,c,d", "1,2,3,4", "-1,2,30,40", "1.5,2,30,40"])
def test_boxes_that_are_none(text):
    with pytest.raises(ArgumentError, match="box"):
        parse_box(text)


def test_a_box_outside_the_picture(tmp_path, good):
    scan = read_scan(write_tiff(good, tmp_path / "a.tif"))
    with pytest.raises(ArgumentError, match="300 by 200"):
        scan.stored(Box(left=290, top=0, width=20, height=20))


def test_every_fault_says_what_to_do():
    assert all(action.endswith(".") and len(action) > 10 for _, action in FAULTS.values())


CHILD = """
import resource, sys
from filmdose.scan import Box, measure_area, read_scan
before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
scan = read_scan(sys.argv[1])
place = Box(left=100, top=100, width=scan.width // 4 * 3, height=scan.height // 4 * 3)
found = measure_area(scan, place, clear=scan)
print(scan.width * scan.height, found.density[0], (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024)
"""


def megabytes_for(path, side):
    """Peak memory that reading and measuring adds, in a fresh interpreter."""
    pixels = tifffile.memmap(path, shape=(side, side), dtype=np.uint16, photometric="minisblack")
    middle = 100 + side * 3 // 8
    pixels[middle - 600 : middle + 600] = 1000  # the rest stays a hole in the file
    pixels[middle - 600 : middle + 600 : 8, ::16] = 1001
    pixels.flush()
    del pixels
    words = subprocess.run([sys.executable, "-c", CHILD, str(path)], capture_output=True, text=True, check=True).stdout
    count, density, grown = (float(word) for word in words.split())
    path.unlink()
    assert count == side**2
    assert density == pytest.approx(0.0, abs=0.01)
    return grown


@pytest.mark.long
def test_four_hundred_megapixels_in_flat_memory(tmp_path):
    small, huge = megabytes_for(tmp_path / "small.tif", 6_000), megabytes_for(tmp_path / "huge.tif", 20_000)
    # 11 times the pixels, 763 MB of them; what grows is pages of the file that were looked at, which may be given back
    assert huge < small + 250, (small, huge)
