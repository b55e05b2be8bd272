"""The command as a program of its own: exit codes, version, help."""

import re
import subprocess
import sys

import pytest

import filmdose
from filmdose.cli import VERBS


def program(*words):
    code = "from filmdose.cli import run; run()"
    return subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, timeout=120)


def test_version_and_help():
    assert program("--version").stdout == f"filmdose {filmdose.__version__}\n"
    assert "table" in program().stdout


@pytest.mark.long
def test_wrong_input_exits_with_2_and_no_traceback():
    done = program("roll", "--speed", "400", "--pass", "nothing=1")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1


@pytest.mark.parametrize("verb", list(VERBS))
def test_help_says_what_to_type_and_not_what_python_makes_of_it(run, verb):
    """Every option that takes a value, and every argument, has a word for it, such as TRIP.toml or MM."""
    code, out, _ = run(verb, "--help")
    assert code == 0
    assert not re.findall(r"<[\w\[\]. ]+>", out)
    assert not re.findall(r"\d\.\d{6}", out)
    words = re.findall(r"^  (?:-\w, )?--[\w-]+ (\S+)", out, re.MULTILINE)
    for word in words:
        assert re.fullmatch(r"[A-Z0-9][\w=,./-]*|/", word), word


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("roll --speed abc --pass cabin-ct", "--speed: got 'abc'; allowed is a number. See filmdose roll --help."),
        ("roll --speed=1e --pass cabin-ct", "--speed: got '1e'; allowed is a number. See filmdose roll --help."),
        ("odds --speed 400 --seed 1.5", "--seed: got '1.5'; allowed is a whole number. See filmdose odds --help."),
        ("roll --spede 400", "See filmdose roll --help."),
        ("plan", "Missing argument 'TRIP.toml'. See filmdose plan --help."),
        ("wash", "See filmdose --help."),
    ],
)
def test_what_the_parser_refuses_says_value_what_is_allowed_and_where_to_look(run, words, said):
    code, out, err = run(*words.split())
    assert code == 2
    assert not out
    assert err.startswith("error: ")
    assert err.endswith(f"{said}\n")
