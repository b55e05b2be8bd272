"""filmdose print, as it is used."""

import json

import numpy as np
import pytest
import tifffile

from filmdose.film.generic import generic_film
from filmdose.scan.simulate import simulate_frame, simulate_pixels, write_tiff
from filmdose.solution import shadow_points

TRIP = """[trip]
title = "Invented"
[[roll]]
id = "north"
speed = 800
state = "exposed"
shot = { ei = 400 }
[[roll]]
id = "dye"
speed = 400
kind = "colour-negative"
state = "exposed"
[[pass]]
source = "cabin-ct"
count = 2
rolls = ["north", "dye"]
"""


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "trip.toml").write_text(TRIP)
    film, rng = generic_film(400), np.random.default_rng(2)
    x = np.full((160, 200), -np.inf)
    x[30:130, 30:170] = shadow_points(film)[0] + np.linspace(0.0, 2.2, 140)[None, :]
    density = np.zeros((200, 200))
    density[40:] = simulate_frame(film, x, 200.0, pixel_um=20.0, rng=rng)[..., 0]
    write_tiff(simulate_pixels(density, rng=rng), tmp_path / "scan.tif", pixel_um=20.0)
    return tmp_path


def test_a_roll_from_options_and_from_a_trip_say_the_same(run, folder):
    words = ["--speed", 800, "--pass", "cabin-ct=2", "--shot-ei", 400, "--format", "json"]
    code, by_options, _ = run("print", *words)
    assert code == 0
    code, by_trip, _ = run("print", "--trip", "trip.toml", "--roll", "north", "--format", "json")
    assert code == 0
    assert json.loads(by_trip) == json.loads(by_options)


def test_print_and_roll_show_the_same_figures(run, folder):
    """One quantity, one figure: what ``roll --exposed`` says of printing stands in ``print`` too."""
    words = ["--speed", 400, "--kerma", "370", "--format", "json"]
    plan = json.loads(run("print", *words)[1])
    lost = json.loads(run("roll", *words, "--exposed")[1])["exposed"]
    assert plan["extra_stops"] == lost["printing_stops"]
    assert plan["paper_grade"] == lost["paper_grade"]
    assert plan["fog_density"] == lost["fog_density"]
    assert plan["verdict"] == lost["verdict"]


def test_text_says_what_to_do_and_what_to_mind(run, folder):
    code, out, err = run("print", "--trip", "trip.toml", "--roll", "north")
    assert (code, err) == (0, "")
    for words in (
        "Print with",
        "times the seconds",
        "grade",
        "ceiling",
        "gloves",
        "Test on one unimportant roll first.",
    ):
        assert words in out
    code, out, _ = run("print", "--trip", "trip.toml", "--roll", "dye")
    assert "filters to even out" in out
    code, out, _ = run("print", "--speed", 100, "--kind", "colour-reversal", "--kerma", 900)
    assert "blacks that are left" in out
    assert "gloves" not in out  # nothing is printed


def test_curves_as_files(run, folder):
    code, out, err = run(
        *("print", "--speed", 400, "--kerma", 370, "--encoding", "density=4", "-o", "c.cube", "-o", "c.csv")
    )
    assert (code, out, err) == (0, "", "")
    lines = (folder / "c.cube").read_text().splitlines()
    assert any(line.startswith("LUT_1D_SIZE ") for line in lines)
    table = np.genfromtxt("c.csv", delimiter=",", names=True, dtype=None, encoding="utf-8")
    assert {"fogged_density", "corrected_density", "clean_density", "gain"} <= set(table.dtype.names)
    assert table["gain"].max() == 2.0
    assert (np.diff(table["corrected_density"]) >= 0).all()


def test_a_scan_is_corrected_as_its_encoding_says(run, folder):
    job = ["print", "--speed", 400, "--scan", "scan.tif", "--encoding", "linear", "--clear-box", "0,0,200,30"]
    boxes = ["--rebate", "0,44,200,20", "--rebate", "0,172,200,20"]
    code, out, err = run(*job, *boxes, "-o", "out.tif", "-o", "out.json")
    assert (code, out, err) == (0, "", "")
    made = json.loads((folder / "out.json").read_text())
    assert made["kerma_ugy"] == pytest.approx(200.0, rel=0.1)  # read on the scan, no history was given
    assert "Corrected scan written (linear)" in " ".join(made["notes"])
    before, after = tifffile.imread("scan.tif").astype(float), tifffile.imread("out.tif").astype(float)
    assert after.shape == before.shape
    frame = np.s_[75:165, 35:165]
    # the range of the scene grows again
    spread = [np.ptp(np.log10(picture[frame].mean(axis=0))) for picture in (before, after)]
    assert spread[1] > 1.05 * spread[0]


@pytest.mark.few(4)
@pytest.mark.parametrize(
    ("words", "names"),
    [
        ("--speed 400 -o c.cube", "encoding"),
        ("--speed 400 -o c.cube --encoding linear", "clear"),
        ("--speed 400 -o c.cube --encoding srgb", "encoding"),
        ("--speed 400 -o out.tif --encoding linear", "scan"),
        ("--speed 400 --scan scan.tif -o out.tif", "encoding"),
        ("--speed 400 --scan scan.tif -o out.tif --encoding linear", "clear"),
        ("--speed 400 --scan none.tif -o out.tif --encoding linear --clear 0.8", "none.tif"),
        ("--speed 400 --scan scan.tif -o out.tif --encoding linear --clear 0.8,0.7", "clear"),
        ("--speed 400 --scan scan.tif -o out.tif --encoding linear --clear 0.8 --clear-box 0,0,20,20", "clear_box"),
        ("--speed 400 --scan scan.tif -o out.tif --encoding linear --rebate 0,0", "rebate"),
        ("--speed 400 --rebate 0,0,20,20", "scan"),
        ("--speed 400 --ceiling 0.5", "ceiling"),
        ("--speed 400 --fog -1", "fog"),
        ("--trip trip.toml", "roll"),
        ("--roll north", "trip"),
        ("--trip trip.toml --roll north --speed 400", "speed"),
        ("--trip trip.toml --roll south", "south"),
        ("--kerma 100", "speed"),
        ("--speed 400 -o out.png", "output"),
        ("--speed 400 --kerma 1e9 -o c.cube --encoding density=4", "output"),
    ],
)
def test_what_cannot_be_is_one_line(run, folder, words, names):
    before = sorted(path.name for path in folder.iterdir())
    code, out, err = run("print", *words.split())
    assert (code, out) == (2, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert names in err
    assert sorted(path.name for path in folder.iterdir()) == before


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative", "colour-reversal"])
def test_the_range_of_a_print_is_that_of_the_odds(run, kind):
    from filmdose.film.generic import generic_film
    from filmdose.history import History, Pass
    from filmdose.odds import propagate
    from filmdose.trip import Roll

    words = ("print", "--speed", 100, "--kind", kind, "--pass", "ct=3")
    told = json.loads(run(*words, "--format", "json")[1])
    low, high = told["range"]["low"], told["range"]["high"]
    film, history = generic_film(100, kind=kind), History(passes=(Pass(source="cabin-ct", count=3),))
    # the odds draw the film's shape as well, and tell of the record that each case fogs most
    odds = propagate([Roll(id="roll", film=film, history=history, state="exposed")])["roll"]
    for end, fog in ((low, odds.fog_density[0]), (high, odds.fog_density[2])):
        assert max(map(abs, end["fog_density"].values())) == pytest.approx(
            fog, rel=0.2 if kind == "bw-negative" else 0.55
        )
    assert low["kerma_ugy"] < told["kerma_ugy"] < high["kerma_ugy"]
    if kind != "colour-reversal":
        for name in ("same_black", "same_middle"):
            assert low["extra_stops"][name] < told["extra_stops"][name] < high["extra_stops"][name]
        assert f"{low['extra_stops']['same_black']:+.2f} to " in run(*words)[1]
    assert "in 9 of 10 cases" in run(*words)[1]


def test_a_measured_fog_has_no_range(run):
    words = ("print", "--speed", 400, "--fog", 0.2)
    assert json.loads(run(*words, "--format", "json")[1])["range"] is None
    assert "9 of 10" not in run(*words)[1]


def test_bands_are_told_apart_from_the_mean(run):
    code, told, _ = run("print", "--speed", "400", "--pass", "hold-ct")
    assert code == 0
    words = " ".join(told.split())
    assert "zones are those of the worst band, 1.30 times as much" in words
    assert "worst band" not in run("print", "--speed", "400", "--kerma", "100")[1]
    code, told, _ = run("print", "--speed", "400", "--kerma", "1e9")
    assert "There is no tone curve" in told
