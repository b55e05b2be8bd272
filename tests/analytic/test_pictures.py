"""The pictures of a preview: densities and grain are the model's, the index is the answer's, files hold the picture."""

import base64
import io
import itertools

import numpy as np
import pytest
from PIL import Image

import filmdose
from filmdose.errors import FilmdoseError
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass
from filmdose.odds import propagate
from filmdose.picture import Area, StillLife, preview, read_photo
from filmdose.picture.film_image import middle_log_exposure, photograph
from filmdose.picture.fog_bands import band_profile
from filmdose.picture.grain_field import field, neighbour_correlation, spot_um
from filmdose.picture.plan import plan_frames
from filmdose.picture.profile import linear_from_srgb
from filmdose.picture.scanned import light_table, positive, scan_points, srgb_from_linear
from filmdose.question import Question
from filmdose.standards import KINDS, LOG10_2
from filmdose.tonecurve import tone_curve
from filmdose.trip import Roll

WHOLE = Area(left=0.0, top=0.0, width=1.0, height=1.0)
SPEED = {"bw-negative": 800, "colour-negative": 400, "colour-reversal": 100, "bw-reversal": 100}
DOSES = {"bw-negative": 200.0, "colour-negative": 400.0, "colour-reversal": 800.0, "bw-reversal": 800.0}


def film_of(kind):
    return generic_film(SPEED[kind], kind=kind)


# -- densities and grain are those of the emulsion ---------------------------------------------------------------------


@pytest.mark.parametrize("peak", [1.0, 4.0])
@pytest.mark.parametrize("kind", KINDS)
def test_densities_are_those_of_the_emulsion(kind, peak):
    film = film_of(kind)
    places = np.random.default_rng(1).uniform(-2.0, 1.5, (24, 40, len(film.records)))
    kerma = DOSES[kind] * band_profile(np.linspace(0.0, 36.0, 40), peak, turn=51.0, middle_mm=8.0)
    for dose in (np.zeros(40), kerma):
        _, smooth = photograph(film, places, 160.0, dose, 75.0, (0,))
        for index, record in enumerate(film.records):
            exact = record.density(middle_log_exposure(160.0) + places[:, :, index], dose[None, :])
            np.testing.assert_allclose(smooth[:, :, index], exact, atol=1e-6)


@pytest.mark.parametrize("pixel_um", [6.0, 12.5, 48.0, 100.0])
@pytest.mark.parametrize("kind", KINDS)
def test_noise_is_sigma_through_the_pixel_within_three_percent(kind, pixel_um):
    film = film_of(kind)
    for seed, (place, dose) in enumerate(itertools.product((-1.0, 0.0, 0.8), (0.0, DOSES[kind]))):
        flat = np.full((150, 150, 1), place)
        grainy, smooth = photograph(film, flat, film.speed, np.full(150, dose), pixel_um, (seed,))
        for index, record in enumerate(film.records):
            x = middle_log_exposure(film.speed) + place
            wanted = record.noise(x, dose, aperture_area_um2=pixel_um**2)
            grain = (grainy - smooth)[:, :, index].astype(float)
            assert grain.std() == pytest.approx(wanted, rel=0.03)
            assert abs(grain.mean()) < 5 * wanted / 150


@pytest.mark.parametrize("kind", KINDS)
def test_noise_of_larger_apertures_falls_as_selwyn_says(kind):
    """Sigma times the root of the area is constant, but for what grains across borders add: at 25 um below 4 %."""
    film = film_of(kind)
    flat = np.zeros((480, 480, 1))
    grainy, smooth = photograph(film, flat, film.speed, np.full(480, DOSES[kind]), 25.0, (7,))
    for index, record in enumerate(film.records):
        grain = (grainy - smooth)[:, :, index].astype(float)
        blocks = grain.reshape(120, 4, 120, 4).mean(axis=(1, 3))
        wanted = record.noise(middle_log_exposure(film.speed), DOSES[kind], aperture_area_um2=100.0**2)
        assert blocks.std() == pytest.approx(wanted, rel=0.05)


@pytest.mark.parametrize("kind", KINDS)
def test_noise_under_bands_follows_the_dose_of_the_column(kind):
    film = film_of(kind)
    dose = DOSES[kind] * band_profile(np.linspace(0.0, 36.0, 30), 3.0, turn=51.0, middle_mm=18.0)
    grainy, smooth = photograph(film, np.full((6000, 30, 1), -0.7), film.speed, dose, 30.0, (3,))
    wanted = film.records[0].noise(middle_log_exposure(film.speed) - 0.7, dose, aperture_area_um2=900.0)
    np.testing.assert_allclose((grainy - smooth)[:, :, 0].astype(float).std(axis=0), wanted, rtol=0.05)


@pytest.mark.parametrize("correlation", [0.0, 0.05, 0.3])
def test_the_field_has_unit_variance_and_the_correlation_that_is_stated(correlation):
    grain = field((900, 900), correlation, np.random.default_rng(5))
    assert grain.std() == pytest.approx(1.0, abs=0.01)
    assert float((grain[:, 1:] * grain[:, :-1]).mean()) == pytest.approx(correlation, abs=0.01)
    assert float((grain[1:] * grain[:-1]).mean()) == pytest.approx(correlation, abs=0.01)


def test_the_correlation_of_neighbours_is_that_of_simulated_spots():
    """Gaussian spots thrown on a line of pixels 4 um wide, the share of each in every pixel summed up."""
    from scipy.special import erf

    rng, pixel, spot, count = np.random.default_rng(8), 4.0, 0.6, 400_000
    at = rng.uniform(0.0, 3000 * pixel, count)
    total = np.zeros(3002)
    first = np.floor(at / pixel).astype(int)
    for step in (-1, 0, 1):
        ends = [(first + step + side) * pixel - at for side in (0, 1)]
        share = 0.5 * (erf(ends[1] / spot / 2**0.5) - erf(ends[0] / spot / 2**0.5))
        np.add.at(total, first + step, share)
    inside = total[5:2995] - total[5:2995].mean()
    measured = float((inside[1:] * inside[:-1]).mean() / (inside**2).mean())
    assert measured == pytest.approx(neighbour_correlation(pixel, spot), abs=0.06)
    assert neighbour_correlation(pixel, spot) > 0.1


def test_spots_have_the_area_of_the_grain():
    record = film_of("bw-negative").records[0]
    assert spot_um(record) == pytest.approx(np.sqrt(record.reference_grain_area_um2 / np.pi) / 2)
    assert neighbour_correlation(75.0, spot_um(record)) < 0.01


# -- the scene ---------------------------------------------------------------------------------------------------------


def test_the_grey_scale_has_its_tones():
    scene = StillLife()
    picture = scene.log_places(WHOLE, 240, 160, 3)
    for place, patch in scene.grey_scale().items():
        rows = slice(int(np.ceil(patch.top * 160)), int((patch.top + patch.height) * 160))
        columns = slice(int(np.ceil(patch.left * 240)), int((patch.left + patch.width) * 240))
        np.testing.assert_allclose(picture[rows, columns], place, atol=1e-9)


def test_the_meter_puts_the_middle_three_and_a_third_stops_above_the_speed_point():
    """log2(8.125 / 0.8) = 3.344 (ISO 2720 and ISO 6)."""
    assert (middle_log_exposure(400.0) - np.log10(0.8 / 400.0)) / LOG10_2 == pytest.approx(3.344, abs=5e-4)


@pytest.mark.long
def test_a_piece_of_the_scene_is_the_same_scene():
    scene, area = StillLife(), StillLife().shadows()
    whole = 10.0 ** scene.log_places(WHOLE, 360, 240, 1)
    piece = 10.0 ** scene.log_places(area, 60, 40, 1)
    left, top = round(area.left * 360), round(area.top * 240)
    assert np.median(np.abs(np.log10(whole[top : top + 40, left : left + 60] / piece))) < 0.05


def test_bands_have_their_mean_and_their_peak():
    along = np.linspace(0.0, 51.0, 2001)[:-1]
    for ratio in (1.0, 1.5, 4.0, 12.0):
        wave = band_profile(along, ratio, turn=51.0, middle_mm=10.0)
        assert wave.mean() == pytest.approx(1.0, rel=1e-6)
        assert wave.max() == pytest.approx(ratio, rel=1e-3)


# -- the scan ----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", KINDS)
def test_black_middle_and_white_come_out_as_set(kind):
    film = film_of(kind)
    points = scan_points(film, film.speed, DOSES[kind], (-1.5, 1.2))
    for density, wanted in ((points.black, 0.0), (points.middle, 0.4614), (points.white, 1.0)):
        code = positive(np.broadcast_to(np.asarray(density), (8, 8, len(film.records))), points)
        np.testing.assert_allclose(code, wanted, atol=2e-3)


def test_light_table_shows_the_light_that_comes_through():
    code = light_table(np.full((8, 8, 1), 0.3))
    np.testing.assert_allclose(linear_from_srgb(code), 10.0**-0.3, rtol=1e-4)
    every = np.linspace(0.0, 1.0, 50)
    np.testing.assert_allclose(srgb_from_linear(linear_from_srgb(every)), every, atol=1e-6)


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", KINDS)
def test_the_correction_is_the_tone_curve_of_the_library(kind):
    found = preview(film_of(kind), DOSES[kind], exposed=True, width=160)
    straight, corrected = found.frames[1], found.frames[3]
    tone = tone_curve(film_of(kind), DOSES[kind])
    for place, name in enumerate(tone.records):
        wanted = tone.apply(corrected.density[..., place], name)
        np.testing.assert_allclose(corrected.scanned_density[..., place], wanted, atol=1e-5)
    np.testing.assert_array_equal(straight.scanned_density, straight.density)  # nothing is taken out of it


@pytest.mark.few(2)
@pytest.mark.parametrize("kind", KINDS)
def test_the_corrected_scan_is_nearer_to_the_clean_one_than_the_straight_one(kind):
    found = preview(film_of(kind), DOSES[kind], exposed=True, width=160)
    clean, straight, _, corrected = found.frames
    picture = [positive(frame.scanned_density, frame.points) for frame in (clean, straight, corrected)]
    for stops, patch in enumerate(found.scene.grey_scale().values()):
        rows = slice(int(patch.top * 107) + 1, 105)
        columns = slice(int(patch.left * 160) + 1, int((patch.left + patch.width) * 160))
        tones = [part[rows, columns].mean(axis=(0, 1)) for part in picture]
        off = [np.abs(tone - tones[0]).max() for tone in tones[1:]]
        assert off[1] < off[0] + 0.01, stops
        if stops in (2, 3):  # dark tones with detail: fog shows most, and most of it can be taken out
            assert off[1] < 0.7 * off[0]


# -- what stands side by side ------------------------------------------------------------------------------------------


def test_the_index_is_that_of_the_one_answer():
    for kind in ("bw-negative", "colour-negative"):
        found, answer = preview(film_of(kind), 150.0, width=120), filmdose.answer(film_of(kind), 150.0)
        chosen = [frame.setting.ei for frame in found.frames if frame.setting.recommended]
        assert chosen == [answer.ei] == [found.recommended]
        assert f"EI {answer.ei:g}" in found.headline
        marked = next(frame for frame in found.frames if frame.setting.title == f"scanned, EI {SPEED[kind]}")
        assert marked.shadow_kept == pytest.approx(answer.snr_kept, rel=0.002)


def test_a_roll_has_the_index_and_the_headline_of_its_odds():
    roll = Roll(id="a", film=generic_film(800), history=History(passes=(Pass(source="cabin-ct"),)))
    found, odds = preview(roll, width=120), propagate([roll])["a"]
    assert (found.headline, found.recommended, found.verdict) == (odds.headline, odds.ei_recommended, odds.verdict)


def test_a_lost_roll_has_no_index():
    found = preview(3200, 3000.0, width=120)
    assert found.recommended is None
    assert not any(frame.setting.recommended for frame in found.frames)
    assert found.headline == "Lost: no exposure index helps."


def test_reversal_film_is_exposed_as_marked_and_loses_its_blacks():
    found = preview(film_of("colour-reversal"), 800.0, width=120)
    assert {frame.setting.ei for frame in found.frames} == {100.0}
    clean, straight = (positive(frame.scanned_density, frame.points) for frame in found.frames[:2])
    assert straight[-5:, 2:10].mean() > clean[-5:, 2:10].mean() + 0.02  # the blackest patch
    assert found.frames[1].density.max() < found.frames[0].density.max()


def test_an_exposed_roll_is_shown_at_its_own_index():
    found = preview(400, 200.0, exposed=True, shot_ei=200.0, width=120)
    assert {frame.setting.ei for frame in found.frames} == {200.0}
    assert found.headline.startswith("Shot at EI 200.")


def test_no_picture_stands_twice():
    film = generic_film(400)
    for recommended in (400.0, 320.0, 250.0, 200.0, 100.0, None):
        titles = [one.title for one in plan_frames(film, "compensated", recommended, 400.0)]
        assert len(titles) == len(set(titles)) >= 4


# -- the result --------------------------------------------------------------------------------------------------------


@pytest.mark.long
def test_the_same_seed_makes_the_same_picture():
    one, two, other = (preview(400, 100.0, width=120, rng=seed) for seed in (3, 3, 4))
    assert one._repr_png_() == two._repr_png_()
    assert one._repr_png_() != other._repr_png_()


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", KINDS)
def test_the_figures_are_those_of_the_picture_and_of_the_model(kind):
    found = preview(film_of(kind), DOSES[kind], Question(peak_to_mean=2.0), width=240)
    rows = found.statistics
    assert len(rows) == len(found.frames) * len(found.film.records) * 10
    slack = 4.0 * rows["sigma"] / np.sqrt(90) + 1e-4
    assert ((rows["density"] - rows["density_in_picture"]).abs() < slack).all()
    ratio = rows["sigma_in_picture"] / rows["sigma"]
    assert ratio.mean() == pytest.approx(1.0, abs=0.03)
    assert ((ratio - 1.0).abs() < 0.4).all()


def test_png_and_tiff_hold_the_picture(tmp_path):
    import tifffile

    found = preview(400, 100.0, width=120)
    with Image.open(io.BytesIO(found._repr_png_())) as seen:
        assert (seen.height, seen.width, seen.mode) == (*found.image.shape[:2], "RGB")
    deep = tifffile.imread(found.save(tmp_path / "a.tif"))
    assert deep.dtype == np.uint16
    np.testing.assert_array_equal(deep, found.image)
    flat = np.asarray(Image.open(found.save(tmp_path / "a.png")))
    assert np.abs(flat.astype(float) - deep / 257.0).max() <= 0.51
    with pytest.raises(FilmdoseError, match=r"\.png"):
        found.save(tmp_path / "a.gif")


def test_labelled_arrays_and_short_repr():
    found = preview(film_of("colour-negative"), 100.0, width=120)
    data = found.to_xarray()
    assert dict(data["density"].sizes) == {"frame": len(found.frames), "y": 80, "x": 120, "record": 3}
    assert data.attrs["headline"] == found.headline
    np.testing.assert_array_equal(data["density"][1], found.frames[1].density)
    assert len(repr(found)) < 160
    for words in ("Modelled", "Not modelled", "µm of film", "simulation"):
        assert words in found.caption


@pytest.mark.parametrize(
    ("wrong", "named"),
    [
        ({"width": 10}, "width"),
        ({"width": 3000}, "width"),
        ({"width": 2000}, "width"),
        ({"rng": -1}, "rng"),
        ({"frame_mm": 1.0}, "frame_mm"),
    ],
)
def test_wrong_numbers_are_named(wrong, named):
    with pytest.raises(FilmdoseError, match=named):
        preview(400, 100.0, **wrong)
    with pytest.raises(FilmdoseError, match="kerma_ugy"):
        preview(400)


# -- a user's photograph -----------------------------------------------------------------------------------------------


def picture(light, size=(120, 90)):
    """Two halves, one with a given share of the other's light."""
    values = np.ones((size[1], size[0], 3))
    values[:, : size[0] // 2] = light
    return values * np.random.default_rng(2).uniform(0.95, 1.05, values.shape)


@pytest.mark.parametrize("ending", ["png", "tif"])
def test_a_photograph_keeps_its_ratios_of_light(tmp_path, ending):
    import tifffile

    path = tmp_path / f"own.{ending}"
    linear = picture(0.125) * 0.8
    if ending == "tif":
        tifffile.imwrite(path, np.rint(linear * 65535).astype(np.uint16), photometric="rgb")
    else:
        Image.fromarray(np.rint(srgb_from_linear(linear) * 255).astype(np.uint8)).save(path)
    photo = read_photo(path)
    places = photo.log_places(WHOLE, 60, 45, 3)
    assert places[:, 35:, 1].mean() - places[:, :25, 1].mean() == pytest.approx(3 * LOG10_2, abs=0.01)
    assert np.log10(np.mean(10.0 ** photo.log_places(WHOLE, 60, 45, 1))) == pytest.approx(0.0, abs=0.01)
    fine = photo.log_places(Area(left=0.6, top=0.1, width=0.1, height=0.1), 60, 45, 1)
    assert np.ptp(fine) < 0.06
    found = preview(400, 100.0, photo=path, width=120)
    assert found.frames[0].density.shape == (90, 120, 1)
    assert path.name in found.caption
    assert found.statistics["density_in_picture"].isna().all()


def test_a_large_linear_file_is_read_a_few_rows_at_a_time(tmp_path, monkeypatch):
    import tifffile

    from filmdose.scan.image import Scan

    path = tmp_path / "large.tif"
    tifffile.imwrite(path, np.full((3000, 2000, 3), 20_000, np.uint16), photometric="rgb")
    asked = []
    light = Scan.light
    monkeypatch.setattr(Scan, "light", lambda self, box: asked.append(box.width * box.height) or light(self, box))
    preview(400, 100.0, photo=path, width=240)
    assert max(asked) < 200_000


@pytest.mark.parametrize("content", ["black", "none", "words", "large", "tiny"])
def test_what_is_no_photograph_is_said(tmp_path, monkeypatch, content):
    path = tmp_path / "own.png"
    if content == "words":
        path.write_text("no picture")
    elif content != "none":
        side = 8 if content == "tiny" else 64
        Image.fromarray(np.full((side, side, 3), 0 if content == "black" else 90, np.uint8)).save(path)
    if content == "large":
        monkeypatch.setattr("filmdose.picture.photo.MOST_PIXELS", 1000)
    with pytest.raises(FilmdoseError, match=r"own\.png"):
        read_photo(path)


def test_a_notebook_shows_the_picture_itself(monkeypatch):
    display = pytest.importorskip("IPython.display")
    shown = []
    monkeypatch.setattr(display, "display", lambda bundle, raw: shown.append((bundle, raw)))
    found = preview(400, 100.0, width=120)
    found._ipython_display_()
    ((bundle, raw),) = shown
    assert raw
    assert base64.b64decode(bundle["image/png"]) == found._repr_png_()
    assert bundle["text/plain"] == repr(found)
