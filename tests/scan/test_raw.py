"""A raw file written as an open DNG comes back channel by channel, less its black level."""

import numpy as np
import pytest
import tifffile
from numpy.testing import assert_allclose

from filmdose.picture import Area, read_photo
from filmdose.scan import Box, measure_area, read_scan
from filmdose.scan.density import Flare

LEVELS = {"red": 9000, "green": 12_000, "blue": 6000}


def write_dng(path, transmittance, rng, black=512, white=16_383):
    rows, columns = transmittance.shape
    mosaic = np.empty((rows, columns))
    for (r, c), name in {(0, 0): "red", (0, 1): "green", (1, 0): "green", (1, 1): "blue"}.items():
        mosaic[r::2, c::2] = LEVELS[name] * transmittance[r::2, c::2]
    mosaic = black + mosaic + np.sqrt(mosaic) * rng.standard_normal(mosaic.shape)
    tags = [
        (33_421, "H", 2, (2, 2), True),
        (33_422, "B", 4, (0, 1, 1, 2), True),
        (50_706, "B", 4, (1, 4, 0, 0), True),
        (50_708, "s", 0, "invented camera", True),
        (50_714, "H", 1, black, True),
        (50_717, "H", 1, white, True),
        (50_721, "2i", 9, (1, 1, 0, 1, 0, 1, 0, 1, 1, 1, 0, 1, 0, 1, 0, 1, 1, 1), True),
        (50_728, "2I", 3, (1, 1, 1, 1, 1, 1), True),
    ]
    pixels = np.clip(np.round(mosaic), 0, white).astype(np.uint16)
    tifffile.imwrite(path, pixels, photometric=32_803, extratags=tags, software=False)


def test_a_raw_file_is_linear_light_by_channel(tmp_path, rng):
    light = np.ones((240, 320))
    light[:, 160:] = 10**-0.6
    path = tmp_path / "film.dng"
    write_dng(path, light, rng)
    scan = read_scan(path)
    assert scan.channels == ("red", "green", "blue")
    assert (scan.width, scan.height) == (160, 120)
    assert scan.full_scale == 16_383
    assert_allclose(scan.black_level, 512, atol=0.5)
    clear = scan.light(Box(left=4, top=4, width=70, height=110)).mean(axis=(0, 1))
    assert_allclose(clear, list(LEVELS.values()), rtol=2e-3)
    found = measure_area(
        scan,
        Box(left=86, top=4, width=70, height=110),
        clear=Box(left=4, top=4, width=70, height=110),
        flare=Flare(fraction=0.0, error=0.0, measured=True),
    )
    assert_allclose(found.density, 0.6, atol=0.003)


def test_a_raw_photograph_is_a_scene_with_its_ratios_of_light_and_balanced_channels(tmp_path, rng):
    light = np.ones((240, 320))
    light[:, 160:] = 10**-0.6
    path = tmp_path / "photo.dng"
    write_dng(path, light, rng)
    photo = read_photo(path)
    assert photo.size == (160, 120)
    places = photo.log_places(Area(left=0.0, top=0.0, width=1.0, height=1.0), 40, 30, 3)
    assert_allclose(places[:, :18].mean(axis=(0, 1)) - places[:, 22:].mean(axis=(0, 1)), 0.6, atol=0.01)
    assert_allclose(places.mean(axis=(0, 1)), places.mean(), atol=0.01)
    assert any("balanced" in note for note in photo.notes)


def test_a_monochrome_or_broken_raw_file_is_one_line(tmp_path):
    path = tmp_path / "film.nef"
    path.write_bytes(b"MM\0*" + bytes(2000))
    with pytest.raises(ValueError, match="raw file"):
        read_scan(path)
