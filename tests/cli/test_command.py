"""The command as a program of its own: exit codes, version, help."""

import subprocess
import sys

import filmdose


def program(*words):
    code = "from filmdose.cli import run; run()"
    return subprocess.run([sys.executable, "-c", code, *words], capture_output=True, text=True, timeout=120)


def test_version_and_help():
    assert program("--version").stdout == f"filmdose {filmdose.__version__}\n"
    assert "table" in program().stdout


def test_wrong_input_exits_with_2_and_no_traceback():
    done = program("roll", "--speed", "400", "--pass", "nothing=1")
    assert done.returncode == 2
    assert done.stdout == ""
    assert "Traceback" not in done.stderr
    assert done.stderr.count("\n") == 1
