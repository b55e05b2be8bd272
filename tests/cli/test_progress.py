"""What a person sees while they wait: on a terminal only, after a while only, and in every verb that may take long."""

import ast
import os
import subprocess
import sys
import time
from pathlib import Path

import pytest

from filmdose.cli import VERBS
from filmdose.cli import progress as module

REPOSITORY = Path(__file__).parents[2]
CODE = """
import sys, filmdose.cli.progress as progress
progress.SHOWN_AFTER_S = float(sys.argv.pop(1))
from filmdose.cli import main
sys.exit(main(sys.argv[1:]))
"""


def planned(after_s: float, *, terminal: bool) -> tuple[bytes, bytes]:
    """Standard output and standard error of a plan, the latter a terminal or a pipe."""
    words = [sys.executable, "-c", CODE, str(after_s), "plan", "notebooks/trip_ahead.toml"]
    if not terminal:
        done = subprocess.run(words, cwd=REPOSITORY, capture_output=True, check=True)
        return done.stdout, done.stderr
    pty = pytest.importorskip("pty", reason="no pseudo-terminals on this system")
    seen, shown = pty.openpty()
    with subprocess.Popen(words, cwd=REPOSITORY, stdout=subprocess.PIPE, stderr=shown) as process:
        os.close(shown)
        told = b""
        while True:
            try:
                part = os.read(seen, 4096)
            except OSError:  # its last user has closed it
                break
            if not part:
                break
            told += part
        out = process.stdout.read()
    os.close(seen)
    assert process.returncode == 0
    return out, told


@pytest.mark.long
def test_plan_shows_progress_on_a_terminal_and_none_in_a_pipe():
    out, told = planned(0.0, terminal=True)
    assert b"planning" in told
    assert b"%" in told
    assert b"planning" not in out
    piped, nothing = planned(0.0, terminal=False)
    assert (piped, nothing) == (out, b"")


@pytest.mark.long
def test_a_short_wait_shows_nothing():
    assert planned(600.0, terminal=True)[1] == b""


class Terminal:
    """A standard error that says it is a terminal."""

    encoding = "utf-8"

    def __init__(self):
        self.text = ""

    def isatty(self):
        return True

    def write(self, text):
        self.text += text

    def flush(self):
        pass


@pytest.fixture
def terminal(monkeypatch):
    """Makes standard error a terminal; when the test asks, since pytest puts its own in place before that."""
    monkeypatch.setattr(module, "SHOWN_AFTER_S", 0.0)
    monkeypatch.setenv("TERM", "xterm")

    def made():
        found = Terminal()
        monkeypatch.setattr(sys, "stderr", found)
        return found

    return made


def waited(terminal, words):
    for _ in range(200):
        if words in terminal.text:
            return True
        time.sleep(0.02)
    return False


def test_shares_that_were_told_before_the_bar_came_count(terminal):
    terminal = terminal()
    with module.progress("drawing") as advance:
        advance(0.25)
        assert waited(terminal, "25%")
        advance(0.5)
        assert waited(terminal, "50%")


def test_it_ends_with_an_error_too(terminal):
    terminal = terminal()

    def fails():
        with module.progress("drawing"):
            assert waited(terminal, "drawing")
            raise KeyError("it failed")

    with pytest.raises(KeyError):
        fails()
    before = terminal.text
    time.sleep(0.3)
    assert terminal.text == before


@pytest.mark.parametrize("closed", [None, "closed"])
def test_no_standard_error_is_no_terminal(monkeypatch, closed):
    if closed:
        stream = open(os.devnull, "w")  # noqa: SIM115
        stream.close()
    else:
        stream = None
    monkeypatch.setattr(sys, "stderr", stream)
    with module.progress("drawing") as advance:
        assert advance is None


#: Verbs that answer at once: they draw nothing and search for nothing.
AT_ONCE = {"shield", "sources", "budget", "notebooks"}


@pytest.mark.parametrize("verb", sorted(VERBS.keys() - AT_ONCE))
def test_verbs_that_may_take_long_show_progress(verb):
    source = (Path(module.__file__).parent / f"{verb}.py").read_text("utf-8")
    calls = [node.func for node in ast.walk(ast.parse(source)) if isinstance(node, ast.Call)]
    assert any(isinstance(call, ast.Name) and call.id == "progress" for call in calls)
