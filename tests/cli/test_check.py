"""All faults of a file at once: of every kind of file, and the same faults as its reader has."""

import json
from pathlib import Path

import pytest

from filmdose.errors import FilmdoseError, InputFileError, all_faults, each_part, go_on_or_raise, stop_at_faults
from filmdose.film.filmfile import film_text
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass
from filmdose.odds import FogReading, learn, save_learned
from filmdose.present.check import check_file
from filmdose.present.letter import LETTER_WORDS
from filmdose.present.sheet import SHEET_WORDS
from filmdose.present.text import CARD_WORDS, write_words
from filmdose.trip import Roll
from filmdose.tripfile import read_trip

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"

GOOD = {
    "step readings": ("steps.csv", "log_exposure,density\n-3,0.1\n-2,0.5\n-1,1.0\n"),
    "grain": ("grain.csv", "density,sigma\n0.3,0.008\n0.5,0.01\n1.0,0.02\n"),
    "density along a film": ("profile.csv", "position_mm,density\n" + "".join(f"{n},0.3\n" for n in range(40))),
    "readings": ("r.toml", '[[reading]]\nroll = "a"\nbase_plus_fog = 0.4\n'),
    "priors": ("p.toml", "[priors.unevenness]\ntypical = 0.1\n"),
    "film file": ("f.toml", film_text(generic_film(400))),
    "trip file": ("t.toml", '[[roll]]\nid = "a"\nspeed = 400\n'),
    "X-ray sensitivity": (
        "x.toml",
        'film = "invented"\nspeed = 400\nbeam = "140kVp, al=3"\n'
        + "".join(
            f'[[exposure]]\ndose = "{dose} mR"\ndensity = {density}\n' for dose, density in ((0, 0.25), (5, 0.285))
        ),
    ),
}


@pytest.mark.parametrize("kind", GOOD)
def test_every_kind_of_file_is_known_by_what_is_in_it(kind, tmp_path):
    name, text = GOOD[kind]
    path = tmp_path / name
    path.write_text(text, encoding="utf-8-sig")
    found = check_file(path)
    assert (found.kind, found.faults) == (kind, ())


def test_words_and_what_was_learnt(tmp_path):
    for kind, shipped in (
        ("words of the card", CARD_WORDS),
        ("words of the sheet", SHEET_WORDS),
        ("words of the letter", LETTER_WORDS),
    ):
        found = check_file(write_words(shipped, tmp_path / shipped))
        assert (found.kind, found.faults) == (kind, ())
    roll = Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="cabin-ct")))
    taught = learn([roll], FogReading(roll="a", base_plus_fog=0.4, control=0.3), samples=512)
    save_learned(taught, tmp_path / "learnt.json")
    found = check_file(tmp_path / "learnt.json")
    assert (found.kind, found.faults) == ("what measured rolls have taught", ())


BAD_TRIP = """
[trip]
titel = "x"
[[roll]]
id = "a"
speed = 400
kind = "slidez"
[[roll]]
id = "b"
speed = 1e9
format = "110"
[[roll]]
id = "b"
speed = 100
[[roll]]
speed = 100
shot = { ei = -1 }
[[pass]]
source = "cabin-tc"
[[pass]]
source = "cabin-ct"
rolls = ["zz"]
[[pass]]
source = "cabin-ct"
count = -1
held = 3
multiplier = 2
[[flight]]
hours = "x"
[[leg]]
source = "cabin-ct"
inspect = "perhaps"
[[reading]]
roll = "q"
base_plus_fog = 0.3
[[nonsense]]
a = 1
"""


def test_all_faults_of_a_trip_file_at_once(run, tmp_path):
    path = tmp_path / "bad.toml"
    path.write_text(BAD_TRIP)
    found = check_file(path)
    places = [fault.place for fault in found.faults]
    assert sorted(places) == sorted(
        [
            "table 'nonsense'",
            "table 'trip', field 'titel'",
            "roll 'a', field 'kind'",
            "roll 'b', field 'speed'",
            "roll 'b', field 'format'",
            "roll 'b', field 'id'",
            "roll number 4, field 'id'",
            "roll number 4, field 'shot', field 'ei'",
            "pass number 1, field 'source'",
            "pass number 2, field 'rolls'",
            "pass number 3, field 'count'",
            "flight number 1, field 'hours'",
            "leg number 1, field 'inspect'",
            "reading number 1, field 'roll'",
        ]
    )
    code, out, err = run("check", path)
    assert (code, err) == (2, "")
    assert out.startswith("14 faults\n")
    assert out.count("\n- ") == 14
    told = json.loads(run("check", path, "--format", "json")[1])
    assert [row["place"] for row in told["faults"]] == places
    assert told["files"] == [{"file": str(path), "kind": "trip file", "faults": 14}]
    # read alone, the file is refused for the first of them, as ever
    with pytest.raises(InputFileError) as caught:
        read_trip(path)
    assert str(caught.value) in {str(fault) for fault in found.faults}


@pytest.mark.parametrize("line", [line for line in BAD_TRIP.splitlines() if "=" in line])
def test_each_fault_alone_is_the_only_one(line, tmp_path):
    """One line at a time in a good file: `check` has just what the reader says."""
    table = next(head for head in reversed(BAD_TRIP.split(line)[0].splitlines()) if head.startswith("["))
    more = {"[[pass]]": 'source = "x-ray"', "[[leg]]": 'source = "x-ray"', "[[roll]]": 'id = "n"\nspeed = 100'}
    kept = [part for part in more.get(table, "").splitlines() if part.split(" =")[0] != line.split(" =")[0]]
    path = tmp_path / "one.toml"
    path.write_text("\n".join(['[[roll]]\nid = "a"\nspeed = 400', table, line, *kept]))
    found = check_file(path)
    told = []
    try:
        read_trip(path)
    except FilmdoseError as error:
        told.append(str(error))
    assert [str(fault) for fault in found.faults] == told


@pytest.mark.parametrize(
    ("name", "text", "count"),
    [
        ("s.csv", "log_exposure,density\n-3,0.1\n-2.5,x\n-2,y\n-1,0.4\n", 2),
        ("s.csv", "log_exposure,density\n-3,0.1\n-2.5\n-2,1,2\n-1,0.4\n", 2),
        ("s.csv", "", 1),
        ("f.toml", film_text(generic_film(400)).replace("quanta", "quants").replace('kind = "bw-', 'kind = "xw-'), 3),
        ("r.toml", '[[reading]]\nroll = "a"\n[[reading]]\nroll = "b"\nbase_plus_fog = 7\n[[reading]]\nvalue = 3\n', 2),
        ("r.toml", '[[reading]]\nroll = "a"\n[[reading]]\nroll = "b"\nkind = "badge"\n', 2),
        ("p.toml", "[priors.unevenness]\nlow = 0.1\ntypical = 0.2\n[priors.nothing]\ntypical = 1\n", 2),
        ("t.toml", "[[roll]\n", 1),
        ("t.toml", "a = 1\n", 1),
        ("l.json", "{}", 1),
        ("none.toml", None, 1),
    ],
)
def test_faults_of_other_files_are_counted(run, tmp_path, name, text, count):
    path = tmp_path / name
    if text is not None:
        path.write_text(text)
    assert len(check_file(path).faults) == count
    assert run("check", path)[0] == 2


def test_words_with_several_faults(tmp_path):
    path = write_words(CARD_WORDS, tmp_path / "w.toml")
    text = path.read_text("utf-8").replace('good = "{ei}"', 'good = "{ie}"').replace("\ntally = ", "\ntalli = ")
    path.write_text(text, encoding="utf-8")
    assert len(check_file(path).faults) == 3


def test_several_files_and_none_at_fault(run):
    files = sorted(NOTEBOOKS.glob("*.toml"))
    code, out, err = run("check", *files)
    assert (code, err) == (0, "")
    assert out.startswith("No fault was found.\n")
    assert out.count("(trip file): no fault.") == len(files)


def test_collecting_ends_with_its_block():
    error = InputFileError("f", "line 1", "is wrong.")
    with all_faults() as found:
        go_on_or_raise(error)
        with each_part():
            raise error
        with pytest.raises(InputFileError):
            stop_at_faults()
    assert len(found) == 1
    with pytest.raises(InputFileError), each_part():
        raise error
    with pytest.raises(InputFileError):
        go_on_or_raise(error)
    stop_at_faults()
