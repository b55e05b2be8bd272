"""A table of what cannot be: each is one line that names it, exit 2, no traceback, nothing printed, nothing written."""

import shlex
from pathlib import Path

import numpy as np
import pytest

from filmdose import files
from filmdose.cli import VERBS
from filmdose.film.filmfile import film_text
from filmdose.film.generic import generic_film

TABLE = Path(__file__).with_name("bad_inputs.txt")
#: Lines of the table, but for comments: words and what the message names.
ROWS = [
    tuple(part.strip() for part in line.rsplit("|", 1))
    for line in TABLE.read_text(encoding="utf-8").splitlines()
    if line and not line.startswith("#")
]
#: Where a verb is told to write; log and measure write elsewhere.
OUTPUT = dict.fromkeys(VERBS, "result.json") | {"card": "card.pdf", "report": "report.html", "fit": "new.toml"}

TRIP = """[trip]
title = "Invented"
[[roll]]
id = "A"
speed = 400
[[roll]]
id = "B"
speed = 100
state = "exposed"
[[pass]]
source = "cabin-ct"
rolls = ["A"]
[[flight]]
hours = 3
[[storage]]
days = 30
[[leg]]
source = "cabin-xray"
[[reading]]
roll = "A"
base_plus_fog = 0.4
control = 0.3
# not an entry as log writes it
"""
STEPS = "log_exposure,density\n-3.5,0.10\n-3.0,0.15\n-2.5,0.35\n-2.0,0.65\n-1.5,0.95\n-1.0,1.25\n-0.5,1.5\n"
CGATS = """CGATS.17
KEYWORD "LOG_H"
NUMBER_OF_FIELDS 2
BEGIN_DATA_FORMAT
LOG_H D_VIS
END_DATA_FORMAT
NUMBER_OF_SETS 6
BEGIN_DATA
-3.0 0.1
-2.5 0.2
-2.0 0.4
-1.5 0.6
-1.0 0.9
-0.5 1.2
END_DATA
"""
GOOD = {
    "trip.toml": TRIP,
    "film.toml": film_text(generic_film(400)),
    "steps.csv": STEPS,
    "steps.txt": CGATS,
    "priors.toml": "scanner_class_share = 0.3\n[priors.hit_exponent]\nlow = 0.7\ntypical = 0.8\nhigh = 0.9\n",
    "readings.toml": '[[reading]]\nroll = "A"\nbase_plus_fog = 0.40\ncontrol = 0.30\nerror = 0.02\n',
    "grain.csv": "density,sigma\n0.5,0.008\n1.0,0.011\n1.5,0.013\n",
    "words.toml": files.data_text("card_text.toml"),
}


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    """A folder of good files; no test may change it."""
    from filmdose.film.readings import write_csv_table
    from filmdose.odds import learn, read_readings, save_learned
    from filmdose.scan import get_winding
    from filmdose.scan.simulate import simulate_profile, write_tiff
    from filmdose.tripfile import read_trip

    place = tmp_path_factory.mktemp("good")
    for name, text in GOOD.items():
        (place / name).write_text(text, encoding="utf-8")
    (place / "text.bin").write_bytes(b"\xff\xfe\x00\x80")
    (place / "folder").mkdir()
    rng = np.random.default_rng(5)
    pixels = (6e4 * np.exp(-rng.random((60, 80)))).astype(np.uint16)
    for name in ("scan.tif", "clear.tif"):
        write_tiff(pixels, place / name, pixel_um=10.0)
    write_csv_table(simulate_profile("radiation", get_winding("135-36"), rng=rng).to_dataframe(), place / "profile.csv")
    rolls = read_trip(place / "trip.toml").rolls
    save_learned(
        learn(rolls, read_readings(place / "readings.toml"), samples=2000), place / "learned.json", samples=100
    )
    return place


def everything(place):
    """Names in a folder, and what is in them; locks are no results."""
    found = sorted(path for path in place.rglob("*") if path.suffix != ".lock")
    return {path.relative_to(place): path.read_bytes() if path.is_file() else None for path in found}


def refused(run, place, words, says):
    before = everything(place)
    code, out, err = run(*words)
    assert code == 2, (code, out, err)
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert err[:-1].isprintable()
    assert len(err) < 1500
    assert says.lower() in err.lower()
    assert everything(place) == before


@pytest.mark.few(21)
@pytest.mark.parametrize(("words", "says"), ROWS, ids=[words for words, _ in ROWS])
def test_words_that_cannot_be(run, folder, monkeypatch, words, says):
    monkeypatch.chdir(folder)
    given = shlex.split(words)
    if given[0] in VERBS and given[0] not in ("log", "measure", "notebooks") and not {"-o", "--format"} & set(given):
        given += ["-o", OUTPUT[given[0]]] if given != ["card"] else []
    refused(run, folder, given, says)


# -- files -------------------------------------------------------------------------------------------------------------

#: File, piece of it, what stands there instead, and what the message names.
CHANGES = [
    ("trip.toml", TRIP, "", "roll"),
    ("trip.toml", "[[roll]]", "[roll]", "TOML"),
    ("trip.toml", "[[roll]]", "[[rolls]]", "rolls"),
    ("trip.toml", "[trip]", "[trip", "TOML"),
    ("trip.toml", "[trip]", "[[trip]]", "trip"),
    ("trip.toml", 'title = "Invented"', "title = 3", "title"),
    ("trip.toml", 'title = "Invented"', "invented = 1", "true or false"),
    ("trip.toml", 'title = "Invented"', 'titel = "x"', "Did you mean title"),
    ("trip.toml", 'id = "B"', 'id = "A"', "twice"),
    ("trip.toml", 'id = "B"', "", "id"),
    ("trip.toml", 'id = "B"', 'id = ""', "id"),
    ("trip.toml", 'id = "B"', "id = 7", "id"),
    ("trip.toml", 'id = "B"', 'id = ["B"]', "id"),
    ("trip.toml", "speed = 400", "", "speed"),
    ("trip.toml", "speed = 400", "speed = 0", "speed"),
    ("trip.toml", "speed = 400", "speed = -400", "speed"),
    ("trip.toml", "speed = 400", "speed = nan", "speed"),
    ("trip.toml", "speed = 400", "speed = inf", "speed"),
    ("trip.toml", "speed = 400", "speed = true", "speed"),
    ("trip.toml", "speed = 400", 'speed = "400"', "speed"),
    ("trip.toml", "speed = 400", "speed = 1e7", "speed"),
    ("trip.toml", "speed = 400", "speed = 1" + "0" * 400, "digits"),
    ("trip.toml", "speed = 400", "speed = 400\nspeed = 400", "TOML"),
    ("trip.toml", "speed = 400", 'speed = 400\nfilm = "film.toml"', "beside film"),
    ("trip.toml", "speed = 400", 'film = "none.toml"', "none.toml"),
    ("trip.toml", "speed = 400", 'film = "trip.toml"', "format"),
    ("trip.toml", "speed = 400", 'film = ""', "film"),
    ("trip.toml", "speed = 400", "film = 3", "film"),
    ("trip.toml", "speed = 400", 'speed = 400\nkind = "sepia"', "kind"),
    ("trip.toml", "speed = 400", 'speed = 400\nformat = "110"', "format"),
    ("trip.toml", "speed = 400", 'speed = 400\nbag = "full"', "bag"),
    ("trip.toml", "speed = 400", 'speed = 400\nbag = "-2"', "bag"),
    ("trip.toml", "speed = 400", "speed = 400\nimportance = 9", "importance"),
    ("trip.toml", "speed = 400", "speed = 400\nimportance = 2.5", "importance"),
    ("trip.toml", "speed = 400", "speed = 400\nscene_range = 0", "scene_range"),
    ("trip.toml", "speed = 400", "speed = 400\npeak_to_mean = 0.9", "peak_to_mean"),
    ("trip.toml", "speed = 400", 'speed = 400\nloaded = "May"', "loaded"),
    ("trip.toml", "speed = 400", "speed = 400\nloaded = 2026-05-01T10:00:00", "loaded"),
    ("trip.toml", "speed = 400", "speed = 400\nshot = 200", "shot"),
    ("trip.toml", "speed = 400", "speed = 400\nshot = { ei = 0 }", "ei"),
    ("trip.toml", "speed = 400", "speed = 400\nshot = { iso = 200 }", "iso"),
    ("trip.toml", "speed = 400", "speed = 400\nshot = { first = 2026-05-09, last = 2026-05-01 }", "last"),
    ("trip.toml", 'state = "exposed"', 'state = "dead"', "state"),
    ("trip.toml", 'state = "exposed"', "state = true", "state"),
    ("trip.toml", 'source = "cabin-ct"', "", "source"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-cat"', "Did you mean"),
    ("trip.toml", 'source = "cabin-ct"', "source = 3", "source"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\ncount = -1', "count"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\ncount = 1.0', "count"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\ncount = "two"', "count"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nmultiplier = 0.5', "multiplier"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nmultiplier = inf', "multiplier"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nkerma = -1', "kerma"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nkerma = "1 stone"', "kerma"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nkerma = [1]', "kerma"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nshield = "lead"', "shield"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nshield = "lead=-1"', "shield"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nshield = "lead=1+"', "shield"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nshield = 0.25', "shield"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nviews = 0', "views"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nat = "outside"', "at"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nheld = "long"', "held"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\nheld = -1', "held"),
    ("trip.toml", 'source = "cabin-ct"', 'source = "cabin-ct"\ndate = "2026-05-01"', "date"),
    ("trip.toml", 'rolls = ["A"]', 'rolls = ["C"]', "rolls are A, B"),
    ("trip.toml", 'rolls = ["A"]', 'rolls = "A"', "rolls"),
    ("trip.toml", 'rolls = ["A"]', "rolls = [1]", "rolls"),
    ("trip.toml", 'rolls = ["A"]', "rolls = [", "TOML"),
    ("trip.toml", "hours = 3", "hours = -3", "hours"),
    ("trip.toml", "hours = 3", "", "hours"),
    ("trip.toml", "hours = 3", "hours = 3\naltitude_ft = 1e6", "altitude_ft"),
    ("trip.toml", "hours = 3", "hours = 3\naltitude_m = -1", "altitude_m"),
    ("trip.toml", "hours = 3", "hours = 3\naltitude_ft = 30000\naltitude_m = 9000", "altitude"),
    ("trip.toml", "hours = 3", 'hours = 3\nlatitude = "north"', "latitude"),
    ("trip.toml", "hours = 3", "hours = 3\nlatitude = 91", "latitude"),
    ("trip.toml", "days = 30", "days = nan", "days"),
    ("trip.toml", "days = 30", "days = 30\nrate_mgy_per_year = -1", "rate_mgy_per_year"),
    ("trip.toml", 'source = "cabin-xray"', 'source = "cabin-xray"\ninspect = "never"', "inspect"),
    ("trip.toml", 'source = "cabin-xray"', 'source = "cabin"', "source"),
    ("trip.toml", "control = 0.3", "control = 7", "control"),
    ("trip.toml", "control = 0.3", "control = 0.3\nknown_base_plus_fog = 0.3", "known_base_plus_fog"),
    ("trip.toml", "control = 0.3", 'control = 0.3\nkind = "dust"', "kind"),
    ("trip.toml", "control = 0.3", "control = 0.3\nerror = 0", "error"),
    ("trip.toml", "control = 0.3", "control = 0.3\nvalue = 3", "belongs to a reading of kind"),
    ("trip.toml", "base_plus_fog = 0.4", "base_plus_fog = -0.1", "base_plus_fog"),
    ("trip.toml", "base_plus_fog = 0.4", "", "base_plus_fog"),
    ("film.toml", 'format = "filmdose film 1"', 'format = "filmdose film 9"', "format"),
    ("film.toml", 'kind = "bw-negative"', 'kind = "bw"', "Did you mean bw-negative"),
    ("film.toml", "speed = 400.0", "speed = 0", "speed"),
    ("film.toml", "speed = 400.0", "speed = nan", "speed"),
    ("film.toml", "[record.visual]", "[record.red]", "red"),
    ("film.toml", "[record.visual]", "[records.visual]", "records"),
    ("film.toml", "weights = [", 'weights = [ "a",', "numbers"),
    ("film.toml", "weights = [", "weights = [ 0.1,", "weights"),
    ("film.toml", "weights = [", "weights = [ -0.1,", "weights"),
    ("film.toml", "log_sensitivity = [", "log_sensitivity = [ inf,", "log_sensitivity"),
    ("film.toml", "quanta = 4.0", "quanta = 0", "quanta"),
    ("film.toml", "native_fog = ", "native_fog = 2 #", "native_fog"),
    ("film.toml", "hits_per_ugy = ", "hits_per_ugy = -1 #", "hits_per_ugy"),
    ("film.toml", "rms_granularity = ", "rms_granularity = 0 #", "rms_granularity"),
    ("film.toml", "base_density = ", "base_density = 99 #", "base_density"),
    ("film.toml", "speed = 400.0", "speed = 400.0\nmeasured_range = [0, -1]", "measured_range"),
    ("steps.csv", STEPS, "", "steps.csv"),
    ("steps.csv", STEPS, "log_exposure,density\n", "steps.csv"),
    ("steps.csv", "log_exposure", "log_exposure2", "log_exposure"),
    ("steps.csv", "density", "colour", "density"),
    ("steps.csv", "0.35", "O.35", "O.35"),
    ("steps.csv", "0.35", "-0.35", "-0.35"),
    ("steps.csv", "0.35", "1e999", "steps.csv"),
    ("steps.csv", "0.35", "35", "35"),
    ("steps.csv", "-2.5,0.35", "-2.5,0.35,1", "line 4"),
    ("steps.csv", "-2.5,0.35", '-2.5,"0.35', "steps.csv"),
    ("steps.csv", "-2.5", "", "line 4"),
    ("steps.csv", "density", "log_exposure", "steps.csv"),
    ("steps.csv", STEPS, "log_exposure,density\n-3,0.2\n", "at least"),
    ("steps.csv", STEPS, "density,log_exposure\n" + "".join(f"{-n},{n}\n" for n in range(8)), "density"),
    ("steps.txt", "END_DATA\n", "", "END_DATA"),
    ("steps.txt", "NUMBER_OF_SETS 6", "NUMBER_OF_SETS 7", "NUMBER_OF_SETS"),
    ("steps.txt", "NUMBER_OF_FIELDS 2", "NUMBER_OF_FIELDS two", "NUMBER_OF_FIELDS"),
    ("steps.txt", "LOG_H D_VIS", "LOG_H LOG_H", "twice"),
    ("steps.txt", "LOG_H D_VIS", "LOG_H", "steps.txt"),
    ("steps.txt", "-2.0 0.4", "-2.0 O.4", "O.4"),
    ("steps.txt", "BEGIN_DATA\n", "", "BEGIN_DATA"),
    ("priors.toml", "hit_exponent", "hit_exponents", "Did you mean hit_exponent"),
    ("priors.toml", "low = 0.7", "low = 0.85", "low"),
    ("priors.toml", "low = 0.7", "", "low"),
    ("priors.toml", "typical = 0.8", 'typical = "0.8"', "typical"),
    ("priors.toml", "typical = 0.8", "", "typical"),
    ("priors.toml", "high = 0.9", "high = 3", "hit_exponent"),
    ("priors.toml", "high = 0.9", 'high = 0.9\nkind = "square"', "kind"),
    ("priors.toml", "scanner_class_share = 0.3", "scanner_class_share = 1.1", "scanner_class_share"),
    ("priors.toml", "priors.hit_exponent", 'priors."dose:cabin-cat"', "cabin-cat"),
    ("readings.toml", "[[reading]]", "[reading]", "reading"),
    ("readings.toml", 'roll = "A"', 'roll = "C"', "roll"),
    ("readings.toml", "base_plus_fog = 0.40", "base_plus_fog = 5.9", "base_plus_fog"),
    ("readings.toml", "base_plus_fog = 0.40", "base_plus_fog = 0.1", "swapped"),
    ("readings.toml", "error = 0.02", "error = -1", "error"),
    ("readings.toml", "error = 0.02", 'record = "green"', "record"),
    ("readings.toml", "error = 0.02", 'where = "edge"', "where"),
    ("words.toml", 'title = "', 'titel = "', "title"),
    ("words.toml", "{version}", "{v}", "version"),
    ("words.toml", "{version}", "{version", "braces"),
    ("words.toml", "{version}", "{version!r}", "placeholder"),
    ("words.toml", "{version}", "", "version"),
    ("words.toml", 'title = "', 'title = 3 # "', "title"),
]
#: How each file is read.
READ = {
    "trip.toml": ("trip", "trip.toml", "-o", "result.json"),
    "film.toml": ("roll", "--film", "film.toml", "-o", "result.json"),
    "steps.csv": ("fit", "steps.csv", "-o", "new.toml"),
    "steps.txt": ("fit", "steps.txt", "-o", "new.toml"),
    "priors.toml": ("odds", "--speed", "400", "--priors", "priors.toml", "-o", "result.json"),
    "readings.toml": ("learn", "trip.toml", "readings.toml", "--samples", "2000", "--save", "new.json"),
    "words.toml": ("card", "--text", "words.toml", "-o", "card.pdf"),
}


@pytest.mark.few(1)
@pytest.mark.parametrize("name", READ)
def test_the_good_files_are_good(run, tmp_path, monkeypatch, name):
    """Else what is refused below might be refused for another reason."""
    monkeypatch.chdir(tmp_path)
    for file, text in GOOD.items():
        (tmp_path / file).write_text(text, encoding="utf-8")
    code, _, err = run(*READ[name])
    assert (code, err) == (0, "")


@pytest.mark.few(79)
@pytest.mark.parametrize(
    ("name", "old", "new", "says"), CHANGES, ids=[f"{name}-{number}" for number, (name, *_) in enumerate(CHANGES)]
)
def test_files_that_cannot_be(run, tmp_path, monkeypatch, name, old, new, says):
    monkeypatch.chdir(tmp_path)
    for file in {name, *READ[name]} & set(GOOD):
        (tmp_path / file).write_text(GOOD[file], encoding="utf-8")
    assert old in GOOD[name]
    (tmp_path / name).write_text(GOOD[name].replace(old, new, 1), encoding="utf-8")
    refused(run, tmp_path, READ[name], says)


@pytest.mark.parametrize(
    ("place", "says"),
    [
        ("none/result.json", "No such file"),
        ("folder", "folder"),
        ("trip.toml/result.json", "Not a directory"),
        ("nul\0l.json", "null byte"),
        ("x" * 300 + ".json", "name too long"),
        ("a\nb/result.json", "No such file"),
    ],
)
def test_places_that_cannot_be_written(run, folder, monkeypatch, place, says):
    monkeypatch.chdir(folder)
    refused(run, folder, ["roll", "--speed", "400", "-o", place], says)


def test_there_are_hundreds_and_every_verb_is_among_them():
    assert len(set(ROWS)) == len(ROWS)
    assert len(set(CHANGES)) == len(CHANGES)
    assert len(ROWS) + len(CHANGES) >= 300
    assert set(VERBS) <= {words.split()[0] for words, _ in ROWS}
