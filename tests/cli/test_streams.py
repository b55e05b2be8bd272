"""Output of any encoding, closed, full or no longer read: one line or none, never a traceback, and nothing lost."""

import json
import os
import subprocess
import sys

import pytest

from filmdose.cli.stream import fitted
from filmdose.tripfile import read_trip

TRIP = '[[roll]]\nid = "Łódź-µ"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\nplace = "Æ ─ †"\n'
FILMDOSE = [sys.executable, "-c", "from filmdose.cli import run; run()"]


def call(*words, encoding="utf-8", **options):
    """What a process of its own prints, in bytes."""
    environment = {**os.environ, "PYTHONIOENCODING": encoding, "COLUMNS": "120"}
    options = {"stdout": subprocess.PIPE, "stderr": subprocess.PIPE} | options
    return subprocess.run([*FILMDOSE, *map(str, words)], env=environment, check=False, timeout=120, **options)


@pytest.fixture
def trip(tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text(TRIP, encoding="utf-8")
    return file


@pytest.mark.long
@pytest.mark.parametrize(
    ("encoding", "format"),
    [
        *(("ascii", format) for format in ("text", "csv", "json", "markdown", "html")),
        *((encoding, "text") for encoding in ("cp1252", "latin-1", "utf-16")),
    ],
)
def test_a_trip_is_printed_in_every_encoding(trip, encoding, format):
    done = call("trip", trip, "--format", format, encoding=encoding)
    assert (done.returncode, done.stderr) == (0, b"")
    text = done.stdout.decode(encoding)
    if format == "json":
        assert "Łódź-µ" in json.dumps(json.loads(text), ensure_ascii=False)
    elif encoding == "utf-16":
        assert "Łódź-µ" in text
    else:
        start = "&#321;" if format == "html" else "\\u0141"
        assert start in text.replace("\\\\", "\\").replace("\\_", "_")


@pytest.mark.few(1)
@pytest.mark.parametrize(
    "words",
    [
        ("table", "--speeds", "100,3200"),
        ("roll", "--speed", 400, "--pass", "cabin-ct=2"),
        ("sources",),
        ("shield", "--material", "lead", "--thickness", 0.25),
        ("measure", "--how"),
        ("--help",),
        ("roll", "--speed", "Ł"),
    ],
)
def test_every_verb_prints_in_a_small_encoding(words):
    done = call(*words, encoding="ascii")
    assert b"Traceback" not in done.stderr
    assert done.returncode == (2 if "Ł" in words else 0)
    assert done.stdout if done.returncode == 0 else done.stderr.count(b"\n") == 1


def test_what_is_alike_keeps_columns_and_what_is_not_is_escaped():
    assert fitted("──  125†", "ascii") == "--  125+"
    assert fitted("Łódź ± 😀", "ascii") == "\\u0141\\u00f3d\\u017a +- \\ud83d\\ude00"
    assert fitted("ódź", "cp1252") == "ód\\u017a"
    assert fitted("a \udc80 b", "utf-8") == "a \\udc80 b"
    assert fitted("Łódź", None) == "Łódź"
    assert json.loads(fitted('"Łódź 😀"', "cp1252", "json")) == "Łódź 😀"


@pytest.mark.long
def test_log_in_a_small_encoding_writes_and_says_so(trip):
    done = call("log", trip, "--source", "cabin-xray", "--place", "Ørsted ─", encoding="ascii")
    assert (done.returncode, done.stderr) == (0, b"")
    assert b"Appended to" in done.stdout
    assert read_trip(trip).rolls[0].history.passes[-1].place == "Ørsted ─"


@pytest.mark.long
@pytest.mark.parametrize("words", [("table", "--speeds", 400), ("sources",), ("--help",), ("--version",)])
def test_a_full_output_is_one_line(words):
    with open("/dev/full", "wb") as full:
        done = call(*words, stdout=full)
    assert done.returncode == 2
    assert done.stderr.count(b"\n") == 1
    assert b"No space left" in done.stderr


@pytest.mark.long
@pytest.mark.parametrize("words", [("table", "--speeds", 400), ("roll", "--speed", 400, "--kerma", 10)])
def test_a_closed_output_is_one_line(words):
    done = call(*words, stdout=None, preexec_fn=lambda: os.close(1))
    assert done.returncode == 2
    assert done.stderr == (
        b"error: standard output: cannot be written (it is closed). Nothing was changed; choose another place.\n"
    )


@pytest.mark.long
def test_a_reader_that_stops_is_no_error_worth_words():
    read, write = os.pipe()
    os.close(read)
    try:
        done = call("table", "--speeds", 400, stdout=write)
    finally:
        os.close(write)
    assert (done.returncode, done.stderr) == (1, b"")


@pytest.mark.long
def test_closed_errors_leave_the_output_clean(trip):
    done = call("roll", "--speed", -1, stderr=None, preexec_fn=lambda: os.close(2))
    assert (done.returncode, done.stdout) == (2, b"")


@pytest.mark.long
@pytest.mark.parametrize("output", ["full", "closed"])
def test_log_that_cannot_print_has_written_and_need_not_be_repeated(trip, output):
    with open("/dev/full", "wb") as full:
        options = {"stdout": full} if output == "full" else {"stdout": None, "preexec_fn": lambda: os.close(1)}
        done = call("log", trip, "--source", "cabin-xray", **options)
    assert done.returncode == 0
    assert b"need not be repeated" in done.stderr
    assert len(read_trip(trip).rolls[0].history.passes) == 2
