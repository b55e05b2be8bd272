"""Nothing is asked from a network: with every socket refused, all verbs and the drawing of pages work."""

import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.long

NOTEBOOKS = Path(__file__).parents[2] / "notebooks"

#: Refuses sockets and child processes before anything of the package is imported.
REFUSING = """
import socket, subprocess, sys

class Refused(RuntimeError):
    pass

def refuse(*args, **kwargs):
    raise Refused("a socket or a child process was asked for")

socket.socket.__init__ = refuse
socket.create_connection = socket.getaddrinfo = refuse
subprocess.Popen.__init__ = refuse
from filmdose.cli import main
sys.exit(main(sys.argv[1:]))
"""

VERBS = [
    ("table",),
    ("roll", "--speed", "800", "--pass", "ct=2"),
    ("roll", "--speed", "800", "--pass", "ct=2", "--format", "html"),
    ("odds", "--speed", "800", "--pass", "ct=2", "--samples", "256"),
    ("budget", "--speeds", "400"),
    ("shield", "--material", "lead", "--thickness", "0.25"),
    ("sources",),
    ("trip", str(NOTEBOOKS / "trip_example.toml")),
    ("plan", str(NOTEBOOKS / "trip_ahead.toml"), "--samples", "256"),
    ("learn", str(NOTEBOOKS / "trip_measured.toml"), "--samples", "256"),
    ("report", str(NOTEBOOKS / "trip_measured.toml"), "--roll", "ridge-400", "--samples", "256"),
    ("card", "-o", "card.pdf"),
    ("card", "-o", "card.html"),
]


@pytest.mark.parametrize("words", VERBS, ids=lambda words: " ".join(word for word in words[:2] if "/" not in word))
def test_no_verb_asks_for_a_socket_or_a_program(words, tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", REFUSING, *words], cwd=tmp_path, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr[-2000:]
    assert done.stderr == ""


def test_the_refusal_refuses(tmp_path):
    code = REFUSING.replace("from filmdose.cli import main\nsys.exit(main(sys.argv[1:]))", "socket.socket()")
    done = subprocess.run([sys.executable, "-c", code], cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 1
    assert "Refused" in done.stderr


def test_the_package_runs_as_a_module():
    done = subprocess.run([sys.executable, "-m", "filmdose", "sources"], capture_output=True, text=True, check=True)
    assert "cabin-ct" in done.stdout
