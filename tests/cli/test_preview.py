"""filmdose preview: pictures to a file, figures to the screen, for one roll and for rolls of a trip."""

import json
from pathlib import Path

import pytest
from PIL import Image

TRIP = Path(__file__).parents[2] / "notebooks" / "trip_example.toml"


def figures(run, *words):
    code, out, err = run("preview", *words, "--width", 120, "--format", "json")
    assert code == 0, err
    return json.loads(out)


def test_a_roll_has_the_headline_and_the_index_of_the_verb_roll(run, tmp_path):
    words = ("--speed", 800, "--pass", "cabin-ct=1", "--pass", "cabin-xray=3")
    target = tmp_path / "out.png"
    got = figures(run, *words, "-o", target)
    with Image.open(target) as picture:
        assert picture.width > 4 * 120
    told = json.loads(run("roll", *words, "--format", "json")[1])
    assert got["headline"] == told["headline"]
    assert got["ei"] == told["ei_safe"]
    assert got["verdict"] == told["verdict_safe"]
    assert got["kerma_ugy"] == pytest.approx(told["kerma_ugy"])
    marked = next(frame for frame in got["frames"] if frame["title"] == "scanned, EI 800")
    assert marked["snr_kept"] == pytest.approx(told["snr_kept"], rel=0.005)


@pytest.mark.long
def test_a_roll_of_a_trip_has_the_headline_of_the_trip(run):
    got = figures(run, "--trip", TRIP, "--roll", "harbour-400")
    rows = json.loads(run("trip", TRIP, "--format", "json")[1])["rolls"]
    (row,) = (row for row in rows if row["roll"] == "harbour-400")
    assert (got["headline"], got["ei"]) == (row["headline"], row["ei_safe"])


@pytest.mark.few(3)
@pytest.mark.parametrize("ending", ["tif", "html", "txt", "csv"])
def test_the_ending_says_what_is_written(run, tmp_path, ending):
    target = tmp_path / f"out.{ending}"
    code, out, err = run("preview", "--speed", 400, "--kerma", 100, "--width", 120, "-o", target)
    assert code == 0, err
    content = target.read_bytes()
    assert (out == "") == (ending != "tif")
    if ending == "html":
        assert b"data:image/jpeg" in content
    if ending == "csv":
        assert content.startswith(b"frame,ei,kerma_ugy,record,stops_from_middle,log_exposure,density,")


@pytest.mark.long
def test_colour_and_reversal_and_exposed_rolls_have_their_pictures(run):
    shift = figures(run, "--speed", 400, "--kind", "colour-negative", "--kerma", 200)
    assert shift["frames"][1]["title"] == "scanned, EI 400: clean roll's settings"
    slide = figures(run, "--speed", 100, "--kind", "colour-reversal", "--kerma", 400)
    assert slide["ei"] is None
    assert slide["headline"].startswith("Expose as marked, at EI 100.")
    shot = figures(run, "--speed", 400, "--kerma", 200, "--exposed", "--shot-ei", 200)
    assert [frame["ei"] for frame in shot["frames"]] == [200.0] * 4
    assert shot["frames"][-1]["corrected"]


def test_the_question_and_the_unevenness_count(run):
    even = figures(run, "--speed", 400, "--kerma", 100)
    banded = figures(run, "--speed", 400, "--kerma", 100, "--peak-to-mean", 3)
    assert banded["peak_to_mean"] == 3.0
    assert banded["ei"] < even["ei"]
    assert "bands, the worst with 3 times the mean" in banded["caption"]
