"""filmdose log: appends, and leaves everything else as it is."""

import os
import tomllib
from pathlib import Path

import pytest

from filmdose.errors import OutputFileError
from filmdose.log import append_entry
from filmdose.trip import read_trip

EXAMPLE = Path(__file__).parents[2] / "notebooks" / "trip_example.toml"
MIXED = """# my trip  \t
[[roll]] # one
  id = 'A'   # odd spaces
  speed = 400

[[pass]]
source = "cabin-xray" # first
# between
[[flight]]
hours = 3
[[pass]]
source = "cabin-ct"
# the end, without a line end"""


@pytest.fixture(params=[MIXED, MIXED.replace("\n", "\r\n"), EXAMPLE.read_text(encoding="utf-8")])
def file(request, tmp_path):
    path = tmp_path / "trip.toml"
    path.write_bytes(request.param.encode())
    return path


def test_the_old_text_is_kept_to_the_letter(run, file):
    before = file.read_bytes()
    old = tomllib.loads(before.decode())
    note = 'quote " backslash \\ and = [[pass]] #'
    code, out, err = run(
        "log", file, "--source", "cabin-ct", "--count", 2, "--shield", "lead=0.25", "--multiplier", 1.5,
        "--date", "2026-05-09", "--place", "west gate", "--scanner", "two", "--note", note,
    )  # fmt: skip
    assert (code, err) == (0, "")
    assert file.read_bytes().startswith(before)
    assert (b"\r\n" in before) == (b"\r\n" in file.read_bytes()[len(before) :])
    new = tomllib.loads(file.read_bytes().decode())
    entry = new["pass"].pop()
    assert new == {**old, "pass": old["pass"]}
    assert entry["note"] == note
    assert entry["rolls"] == [row["id"] for row in old["roll"]]
    last = read_trip(file).rolls[0].history.passes[-1]
    assert (last.source, last.count, last.multiplier, last.place, last.scanner) == (
        "cabin-ct",
        2,
        1.5,
        "west gate",
        "two",
    )
    assert str(last.date) == "2026-05-09"
    assert "uGy so far. Set EI" in out


def test_passes_flights_and_storage_add_up(run, tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text('[[roll]]\nid = "A"\nspeed = 400\n[[roll]]\nid = "B"\nspeed = 100\n')
    assert run("log", file, "--source", "cabin-ct", "--roll", "A")[0] == 0
    assert run("log", file, "--source", "cabin-ct", "--roll", "A", "--kerma", "1 mR")[0] == 0
    assert run("log", file, "--flight-hours", 8, "--roll", "B")[0] == 0
    assert run("log", file, "--storage-days", 30)[0] == 0
    first, second = read_trip(file).rolls
    assert [part.air_kerma_ugy for part in first.history.passes] == [None, pytest.approx(8.764, abs=5e-4)]
    assert [len(second.history.passes), len(second.history.flights), len(second.history.storage)] == [0, 1, 1]


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--source", "cabin-cat"], "cabin-ct"),
        (["--source", "cabin-ct", "--roll", "Z"], "roll: got 'Z'"),
        (["--source", "cabin-ct", "--count", "-1"], "'count'"),
        (["--source", "cabin-ct", "--shield", "lead"], "'shield'"),
        (["--source", "cabin-ct", "--kerma", "1 mX"], "'kerma'"),
        (["--source", "cabin-ct", "--date", "9 May"], "date"),
        (["--flight-hours", "3", "--count", "2"], "belongs to a pass"),
        (["--flight-hours", "-3"], "hours"),
        ([], "--source, --flight-hours and --storage-days"),
        (["--source", "cabin-ct", "--flight-hours", "3"], "one of"),
    ],
)
def test_a_faulty_entry_changes_nothing(run, file, words, problem):
    before = file.read_bytes()
    code, out, err = run("log", file, *words)
    assert (code, out) == (2, "")
    assert problem in err
    assert err.count("\n") == 1
    assert file.read_bytes() == before
    assert list(file.parent.iterdir()) == [file]


def test_an_interruption_leaves_the_old_file(file, monkeypatch):
    before = file.read_bytes()

    def stop(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "replace", stop)
    with pytest.raises(OutputFileError):
        append_entry(file, "pass", {"source": "cabin-ct"})
    assert file.read_bytes() == before
    assert list(file.parent.iterdir()) == [file]


def test_a_faulty_file_is_refused_before_it_is_touched(run, tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text('pass = [{source = "cabin-ct"}]\n[[roll]]\nid = "A"\nspeed = 400\n')
    before = file.read_bytes()
    code, _, err = run("log", file, "--source", "cabin-ct")
    assert code == 2
    assert "not valid TOML" in err  # an array in one line cannot be continued by a table
    assert file.read_bytes() == before
