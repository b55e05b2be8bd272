"""filmdose log: appends, and leaves everything else as it is."""

import os
import subprocess
import sys
import tomllib
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import pytest

from filmdose.errors import InputFileError, OutputFileError
from filmdose.tripfile import append_entry, read_trip, undo_entry

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


@pytest.mark.few(2)
def test_the_old_text_is_kept_to_the_letter(run, file):
    before = file.read_bytes()
    old = tomllib.loads(before.decode())
    note = 'quote " backslash \\ and = [[pass]] #'
    code, out, err = run(
        "log", file, "--source", "cabin-ct", "--count", 2, "--shield", "lead=0.25", "--held", "2 s",
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
    assert (last.source, last.count, last.held_s, last.place, last.scanner) == (
        "cabin-ct",
        2,
        2.0,
        "west gate",
        "two",
    )
    assert str(last.date) == "2026-05-09"
    assert "uGy so far. EI " in out


@pytest.mark.long
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


@pytest.mark.long
def test_fifty_at_once_all_stay(file):
    count = len(read_trip(file).rolls[0].history.passes)

    def append(number):
        append_entry(file, "pass", {"source": "cabin-ct", "note": f"number {number}"})

    with ThreadPoolExecutor(50) as pool:
        list(pool.map(append, range(50)))
    passes = read_trip(file).rolls[0].history.passes
    assert len(passes) == count + 50
    assert {part.note for part in passes[count:]} == {f"number {number}" for number in range(50)}
    assert list(file.parent.iterdir()) == [file]  # no lock is left behind


@pytest.mark.long
def test_processes_at_once_all_stay(tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text('[[roll]]\nid = "A"\nspeed = 400\n')
    program = (
        "import sys; from filmdose.tripfile import append_entry\n"
        "for _ in range(8): append_entry(sys.argv[1], 'pass', {'source': 'cabin-ct', 'place': sys.argv[2]})\n"
    )
    started = [subprocess.Popen([sys.executable, "-c", program, str(file), name]) for name in "abc"]
    assert [process.wait(60) for process in started] == [0, 0, 0]
    places = [part.place for part in read_trip(file).rolls[0].history.passes]
    assert sorted(places) == list("a" * 8 + "b" * 8 + "c" * 8)


def test_a_file_that_another_program_holds_is_said_to_be_held(file, monkeypatch):
    from filelock import FileLock

    monkeypatch.setattr("filmdose.tripfile._PATIENCE_S", 0.1)
    before = file.read_bytes()
    with FileLock(file.with_name(".trip.toml.lock")), pytest.raises(OutputFileError, match="another program has held"):
        append_entry(file, "pass", {"source": "cabin-ct"})
    assert file.read_bytes() == before


@pytest.mark.few(1)
def test_a_link_is_followed(run, file, tmp_path):
    (tmp_path / "elsewhere").mkdir()
    link = tmp_path / "elsewhere" / "link.toml"
    link.symlink_to(file)
    before = file.read_bytes()
    assert run("log", link, "--source", "cabin-ct")[0] == 0
    assert link.is_symlink()
    assert file.read_bytes().startswith(before)
    assert len(file.read_bytes()) > len(before)
    assert run("log", link, "--undo")[0] == 0
    assert link.is_symlink()


def test_a_read_only_file_stays_as_it_is(run, file):
    file.chmod(0o444)
    before = file.read_bytes()
    for words in (["--source", "cabin-ct"], ["--undo"]):
        code, out, err = run("log", file, *words)
        assert (code, out) == (2, "")
        assert "read-only" in err
        assert file.read_bytes() == before


@pytest.mark.parametrize("place", ["none.toml", "no/such/folder.toml", ".", "nul\0l"])
def test_what_is_no_file_is_said_in_one_line(run, tmp_path, monkeypatch, place):
    monkeypatch.chdir(tmp_path)
    for words in (["--source", "cabin-ct"], ["--undo"]):
        code, out, err = run("log", place, *words)
        assert (code, out) == (2, "")
        assert err.count("\n") == 1
        assert list(tmp_path.iterdir()) == []


@pytest.mark.few(1)
def test_a_byte_order_mark_stays_and_is_no_fault(run, file):
    before = b"\xef\xbb\xbf" + file.read_bytes()
    file.write_bytes(before)
    assert run("log", file, "--source", "cabin-ct")[0] == 0
    assert file.read_bytes().startswith(before)
    assert file.read_bytes().count(b"\xef\xbb\xbf") == 1
    assert run("log", file, "--undo")[0] == 0
    assert file.read_bytes().startswith(before)


class Broken:
    """A standard output that is full."""

    def write(self, text):
        raise OSError(28, "No space left on device")

    def flush(self):
        raise OSError(28, "No space left on device")


@pytest.mark.few(1)
def test_output_that_fails_does_not_make_anybody_append_twice(run, file, monkeypatch):
    count = len(read_trip(file).rolls[0].history.passes)
    for broken in (Broken(), None):
        monkeypatch.setattr(sys, "stdout", broken)
        from filmdose.cli import main

        assert main(["log", str(file), "--source", "cabin-ct"]) == 0
        sys.stdout.close()
    assert len(read_trip(file).rolls[0].history.passes) == count + 2


def test_what_cannot_be_answered_is_not_appended(file):
    before = file.read_bytes()

    def refuse(trip):
        assert len(trip.rolls[0].history.passes) > 0
        raise InputFileError(file, "", "no answer.")

    with pytest.raises(InputFileError):
        append_entry(file, "pass", {"source": "cabin-ct"}, before_writing=refuse)
    assert file.read_bytes() == before


@pytest.mark.long
def test_entries_are_taken_back_one_by_one(run, file):
    before = file.read_bytes()
    ended = before if before.endswith(b"\n") else before + (b"\r\n" if b"\r\n" in before else b"\n")
    note = 'two\nlines, a quote " and [[pass]]\n[[pass]]\n'
    assert run("log", file, "--source", "cabin-ct", "--count", 2, "--shield", "lead=0.25", "--note", note)[0] == 0
    one = file.read_bytes()
    assert run("log", file, "--flight-hours", 3.5)[0] == 0
    assert run("log", file, "--storage-days", 3)[0] == 0
    assert run("log", file, "--undo")[0] == 0
    code, out, err = run("log", file, "--undo")
    assert (code, err) == (0, "")
    assert "[[flight]] hours = 3.5" in " ".join(out.split())
    assert file.read_bytes() == one
    assert run("log", file, "--undo")[0] == 0
    assert file.read_bytes() == ended
    # What follows was written by a person.
    code, out, err = run("log", file, "--undo")
    assert (code, out) == (2, "")
    assert "with an editor" in err
    assert file.read_bytes() == ended


@pytest.mark.parametrize("more", ["# mine\n", 'note = "mine"  # by hand\n', "\n", '[[roll]]\nid = "Z"\nspeed = 50\n'])
def test_what_a_person_touched_is_not_taken_back(file, more):
    append_entry(file, "flight", {"hours": 3.0})
    text = file.read_text(encoding="utf-8") + more
    file.write_text(text, encoding="utf-8")
    before = file.read_bytes()
    with pytest.raises(InputFileError, match="editor"):
        undo_entry(file)
    assert file.read_bytes() == before


def test_undo_stands_alone(run, file):
    before = file.read_bytes()
    code, _, err = run("log", file, "--undo", "--count", 2)
    assert code == 2
    assert "--undo alone" in err
    assert file.read_bytes() == before


def test_a_reading_is_appended_like_anything_else(file):
    name = read_trip(file).rolls[0].id
    trip = append_entry(file, "reading", {"roll": name, "base_plus_fog": 0.4, "where": "worst", "control": None})
    (reading,) = trip.rolls[0].readings
    assert (reading.roll, reading.base_plus_fog, reading.where) == (name, 0.4, "worst")
