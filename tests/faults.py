"""Processes in trouble: without the right to write, with no room left; and killed ones."""

from __future__ import annotations

import ctypes
import os
import resource
import subprocess
import sys
from pathlib import Path

#: Root writes everywhere; without these two capabilities of Linux (linux/capability.h: CAP_DAC_OVERRIDE,
#: CAP_DAC_READ_SEARCH) modes of files hold for root as for everybody.
_OVERRIDE = (1, 2)
_PR_CAPBSET_DROP = 24


def as_everybody() -> None:
    """In a new process, before its program starts: let modes of files and folders hold, for root as well."""
    if os.geteuid() == 0:
        system = ctypes.CDLL(None, use_errno=True)
        for capability in _OVERRIDE:
            if system.prctl(_PR_CAPBSET_DROP, capability, 0, 0, 0):
                raise OSError(ctypes.get_errno(), "prctl")


def room_for(size: int):
    """In a new process: no file grows over ``size`` bytes, as on a disk with no room for more."""

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

    return limit


def python(code: str, *words: object, before=None, **options) -> subprocess.CompletedProcess[str]:
    """Run code in a process of its own; ``before`` is called in it first. Hanging is a failure: 300 s at most."""
    return subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
        preexec_fn=before,
        **options,
    )


def filmdose(*words: object, before=None, **options) -> subprocess.CompletedProcess[str]:
    """Run the command line in a process of its own."""
    return python("from filmdose.cli import run; run()", *words, before=before, **options)


def assert_one_line(done: subprocess.CompletedProcess[str], *says: str) -> None:
    """Refused as it should be: exit 2, one line, no traceback."""
    assert done.returncode == 2, (done.returncode, done.stdout[-500:], done.stderr[-2000:])
    assert done.stderr.count("\n") == 1, done.stderr
    assert all(text in done.stderr for text in says), done.stderr


def parts(folder: Path) -> list[Path]:
    """Files that were being written when their writer died."""
    return sorted(path for path in folder.rglob(".*") if path.name.endswith(".part"))
