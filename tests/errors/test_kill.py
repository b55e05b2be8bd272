"""A program that is killed, finds no room or may not write leaves the old file or the new one, and locks nobody out."""

import random
import re
import subprocess
import sys
import time
from pathlib import Path

import pytest
from faults import QUICK, WRITES, in_trouble

import filmdose
from filmdose.tripfile import append_entry, read_trip


def assert_old_or_new(kinds, folder, kills):
    found = in_trouble(kinds, folder, "killed", kills)
    assert [kind for kind, _ in found] == list(kinds)
    for kind, told in found:
        print(f"{kind}: {told}")
        assert (told["code"], told["wrong"]) == (0, 0), (kind, told)
        least = WRITES[kind].writes
        assert told["writes"] >= least if kind == "notebooks" else told["writes"] == least, (kind, told)
        assert told["old"] + told["new"] == kills * told["writes"], (kind, told)
        # what was left does no harm, and a run that is not killed leaves nothing more
        code, said = told["again"]
        if "there already" in said:  # the notebooks and words that nobody replaces
            assert (code, WRITES[kind].new or kind == "notebooks") != (0, ())
        else:
            assert code == 0, (kind, said)
        assert told["parts again"] == told["parts"], (kind, told)
    return found


@pytest.mark.long
def test_writes_outlast_kills(tmp_path):
    assert_old_or_new(QUICK, tmp_path, 4)


@pytest.mark.long
def test_every_kind_of_write_outlasts_a_hundred_kills(tmp_path):
    found = assert_old_or_new(tuple(WRITES), tmp_path, 100)
    assert all(told["old"] > 0 and told["new"] > 0 for _, told in found)  # killed before the end, and after it


def assert_refused(kinds, folder, how):
    found = in_trouble(kinds, folder, how)
    assert [kind for kind, _ in found] == list(kinds)
    for kind, told in found:
        assert told["code"] == 2, (kind, told)
        assert told["said"].count("\n") == 1, (kind, told)
        assert told["said"].startswith("error: "), (kind, told)
        assert told["same"], kind  # old files as they were, and nothing left beside them


@pytest.mark.long
@pytest.mark.parametrize("how", ["full", "read-only"])
def test_a_full_disk_and_a_read_only_folder_are_one_line(how, tmp_path):
    assert_refused(QUICK, tmp_path, how)


@pytest.mark.long
@pytest.mark.parametrize("how", ["full", "read-only"])
def test_every_kind_of_write_on_a_full_disk_and_in_a_read_only_folder(how, tmp_path):
    assert_refused(tuple(WRITES), tmp_path, how)


LOG = """
import sys
from filmdose.tripfile import append_entry
while True:
    append_entry(sys.argv[1], "pass", {"source": "cabin-xray", "note": "n" * 5000})
"""


@pytest.mark.long
def test_a_trip_file_outlasts_kills_and_its_lock_does_too(tmp_path):
    """The whole of an append, its lock included, in a process that starts and is killed again."""
    file, held, delays = tmp_path / "trip.toml", 0, random.Random(1)
    file.write_text('[[roll]]\nid = "A"\nspeed = 400\n')
    for _ in range(25):
        before = file.read_bytes()
        child = subprocess.Popen([sys.executable, "-W", "ignore", "-c", LOG, str(file)])
        while file.read_bytes() == before:
            assert child.poll() is None
            time.sleep(0.005)
        time.sleep(delays.uniform(0.0, 0.05))
        child.kill()
        child.wait()
        now = len(read_trip(file).rolls[0].history.passes)
        assert now > held
        held = now
    append_entry(file, "flight", {"hours": 1.0})
    history = read_trip(file).rolls[0].history
    assert (len(history.passes), len(history.flights)) == (held, 1)


def test_there_is_one_writer():
    """Whoever writes a file calls it; otherwise it would have to be killed here as well."""
    root = Path(filmdose.__file__).parent
    other = re.compile(r"shutil\.(copy|move)|\.write_(text|bytes)\(|open\([^)]*[\"'][wxa]b?[\"']|os\.replace|mkstemp")
    example = re.compile(r"^\s*(>>>|\.\.\.).*$", re.MULTILINE)  # of a docstring, in a folder of its own
    texts = {path: example.sub("", path.read_text("utf-8")) for path in root.rglob("*.py")}
    found = {str(path.relative_to(root)) for path, text in texts.items() if other.search(text)}
    assert found - {"files.py"} == {"cli/stream.py"}  # into the null device, when standard output is gone
