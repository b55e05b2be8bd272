"""A program that is killed while it writes leaves the old file or the new one, and nobody locked out."""

import subprocess
import sys

import pytest

from filmdose.film.filmfile import read_film, write_film
from filmdose.film.generic import generic_film
from filmdose.tripfile import append_entry, read_trip

#: Writes again and again in a child, kills it after a few milliseconds, and says what the file holds then.
SCRIPT = """
import os, random, signal, sys, time
from filmdose.film.filmfile import film_text, read_film, write_film
from filmdose.film.generic import generic_film
from filmdose.tripfile import append_entry, read_trip

kind, path, kills = sys.argv[1], sys.argv[2], int(sys.argv[3])
films = [generic_film(100), generic_film(400, kind="colour-negative")]
texts = [film_text(film) for film in films]
delays = random.Random(1)
held = 0
if kind == "trip":  # what is imported late is imported here, so that a child does nothing but write
    append_entry(path, "pass", {"source": "cabin-xray"})
for _ in range(kills):
    child = os.fork()
    if child == 0:
        while True:
            if kind == "trip":
                append_entry(path, "pass", {"source": "cabin-xray", "note": "n" * 5000})
            else:
                for film in films:
                    write_film(film, path)
    time.sleep(delays.uniform(0.0, 0.04))
    os.kill(child, signal.SIGKILL)
    os.waitpid(child, 0)
    if kind == "trip":
        now = len(read_trip(path).rolls[0].history.passes)
        assert now >= held, (now, held)
        held = now
    else:
        assert open(path, encoding="utf-8").read() in texts
print(held)
"""


def killed(kind, path, kills):
    words = [sys.executable, "-W", "ignore", "-c", SCRIPT, kind, str(path), str(kills)]
    done = subprocess.run(words, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr
    return int(done.stdout)


@pytest.mark.long
def test_a_trip_file_outlasts_kills(tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text('[[roll]]\nid = "A"\nspeed = 400\n')
    held = killed("trip", file, 60)
    assert held > 5  # the child had time to write
    append_entry(file, "flight", {"hours": 1.0})  # and nobody is locked out
    history = read_trip(file).rolls[0].history
    assert (len(history.passes), len(history.flights)) == (held, 1)


@pytest.mark.long
def test_a_film_file_outlasts_kills(tmp_path):
    file = tmp_path / "film.toml"
    write_film(generic_film(100), file)
    before = file.stat().st_ino
    killed("film", file, 60)
    assert file.stat().st_ino != before  # it was replaced, not rewritten
    read_film(file)
