"""Processes in trouble: without the right to write, with no room left; and killed ones."""

from __future__ import annotations

import ctypes
import json
import os
import resource
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from typing import NamedTuple

from filmdose.film.filmfile import film_text
from filmdose.film.generic import generic_film

NOTEBOOKS = Path(__file__).parents[1] / "notebooks"
STEPS = (0.20, 0.21, 0.24, 0.31, 0.42, 0.55, 0.69, 0.83, 0.97, 1.11, 1.25, 1.39, 1.52, 1.63, 1.71, 1.76)

#: Quick ones, for every run; all of them in the long studies.
QUICK = ("table csv", "table xlsx", "roll", "card words", "log", "fit", "tone curve")

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


def python(code: str, *words: object, before=None, long=False, **options) -> subprocess.CompletedProcess[str]:
    """Run code in a process of its own; ``before`` is called in it first. Hanging is a failure."""
    return subprocess.run(
        [sys.executable, "-W", "ignore", "-c", code, *map(str, words)],
        capture_output=True,
        text=True,
        timeout=3000 if long else 300,
        check=False,
        preexec_fn=before,
        **options,
    )


# -- every kind of write ---------------------------------------------------------------------------------------------


class Write(NamedTuple):
    """A command line that writes into the folder where it runs; what it writes, and how often a file."""

    words: str
    outputs: tuple[str, ...]
    writes: int = 1
    new: tuple[str, ...] = ()


ROLL = "roll --speed 400 --pass cabin-ct"
WRITES = {
    **{
        f"table {ending}": Write(f"table --speeds 400 -o t.{ending}", (f"t.{ending}",))
        for ending in ("csv", "json", "md", "html", "tex", "xlsx", "pdf")
    },
    "roll": Write(f"{ROLL} -o r.json", ("r.json",)),
    "card pdf": Write("card -o c.pdf", ("c.pdf",)),
    "card page": Write("card -o c.html", ("c.html", "c.webmanifest", "c.worker.js"), 3),
    "card words": Write("card --write-text w.toml", ("w.toml",), new=("w.toml",)),
    "report": Write("report ahead.toml --roll ridge-400 -o d.pdf -o d.html", ("d.pdf", "d.html"), 2),
    "letter": Write("report ahead.toml --roll ridge-400 --letter -o l.md", ("l.md",)),
    "log": Write("log trip.toml --source ct", ("trip.toml",)),
    "fit": Write("fit steps.csv --speed 400 -o f.toml", ("f.toml",)),
    "learn": Write("learn ahead.toml --save l.json", ("l.json",)),
    "preview": Write("preview --speed 400 --pass cabin-ct -o p.png", ("p.png",)),
    "tone curve": Write("print --speed 400 --pass cabin-ct --encoding gamma=2.2 --clear 0.85 -o q.cube", ("q.cube",)),
    "notebooks": Write("notebooks mine", (), 10),
    "corrected scan": Write(
        "print --speed 400 --scan roll.tif --encoding linear --clear-box 100,0,700,30 --rebate 100,62,750,16 "
        "--rebate 100,324,750,30 -o b.tif",
        ("b.tif",),
    ),
    "measured steps": Write("measure wedge.tif --clear clear.tif --steps 21 -o s.csv", ("s.csv",)),
    "measured fog": Write(
        "measure roll.tif --control control.tif --clear clear.tif --roll a --into trip.toml", ("trip.toml",)
    ),
}


def prepared(kind: str, folder: Path) -> list[str]:
    """The command line of a kind of write, in a folder that has all it reads and an older file of each output."""
    write = WRITES[kind]
    (folder / "trip.toml").write_text('[[roll]]\nid = "a"\nspeed = 400\n', encoding="utf-8")
    (folder / "ahead.toml").write_bytes((NOTEBOOKS / "trip_measured.toml").read_bytes())
    steps = "".join(f"{-3.4 + 0.2 * n:.2f},{d}\n" for n, d in enumerate(STEPS))
    (folder / "steps.csv").write_text(f"log_exposure,density\n{steps}", encoding="utf-8")
    for name in write.outputs:
        if name == "f.toml":
            (folder / name).write_text(film_text(generic_film(100)), encoding="utf-8")  # it replaces film files alone
        elif name not in ("trip.toml", *write.new):
            (folder / name).write_bytes(b"an older file\n")
    return shlex.split(write.words)


#: Runs command lines one after another, each in its folder and in trouble, and prints what became of each: "killed"
#: forks a child whenever a file is about to be written, lets it write and kills it after a moment of chance, again and
#: again; "full" lets no file grow; "read-only" is for a process started with ``as_everybody``.
SCRIPT = """
import contextlib, io, json, os, random, resource, signal, sys, time
from pathlib import Path
from filmdose import files
from filmdose.cli import main

how, kills, jobs = sys.argv[1], int(sys.argv[2]), json.loads(sys.argv[3])
right, delays, told = files.write_bytes_atomic, random.Random(1), {}

def killed(path, content):
    target = Path(os.path.realpath(path))
    old = target.read_bytes() if target.exists() else None
    told["writes"] += 1
    begin = time.perf_counter()
    right(path, content)
    lasts = time.perf_counter() - begin
    for _ in range(kills):
        target.unlink(missing_ok=True) if old is None else right(path, old)
        begun, begins = os.pipe()
        child = os.fork()
        if child == 0:
            os.write(begins, b"x")
            try:
                right(path, content)
            finally:
                os._exit(0)
        os.read(begun, 1)
        time.sleep(delays.uniform(0.0, 1.2 * lasts))
        os.kill(child, signal.SIGKILL)
        os.waitpid(child, 0)
        os.close(begun), os.close(begins)
        now = target.read_bytes() if target.exists() else None
        told["old" if now == old else "new" if now == content else "wrong"] += 1
    return right(path, content)

def put(function):
    for name, module in list(sys.modules.items()):
        if name.startswith("filmdose") and vars(module).get("write_bytes_atomic") in (right, killed):
            module.write_bytes_atomic = function

def call(words):
    out, err = io.StringIO(), io.StringIO()
    with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
        code = main(words)
    return code, err.getvalue()

def content():
    return {str(path): path.read_bytes() for path in Path().rglob("*") if path.is_file()}

for kind, folder, words in jobs:
    os.chdir(folder)
    before = content()
    told = {"old": 0, "new": 0, "wrong": 0, "writes": 0}
    if how == "killed":
        import filmdose.present.card, filmdose.present.sheet, filmdose.present.writers, filmdose.tripfile
        import filmdose.odds.learned, filmdose.film.filmfile, filmdose.scan.simulate, filmdose.picture.strip
        import filmdose.film.csvtable, filmdose.cli.print, filmdose.examples, filmdose.present.text
        put(killed)
        told["code"], told["said"] = call(words)
        put(right)
        told["parts"] = len([name for name in before.keys() ^ content().keys() if name.endswith(".part")])
        told["again"] = call(words)
        told["parts again"] = len([name for name in before.keys() ^ content().keys() if name.endswith(".part")])
    else:
        if how == "full":
            resource.setrlimit(resource.RLIMIT_FSIZE, (8, resource.RLIM_INFINITY))
        else:
            os.chmod(folder, 0o555)
            assert not os.access(folder, os.W_OK)
        try:
            told["code"], told["said"] = call(words)
        finally:
            resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
            os.chmod(folder, 0o755)
        told["same"] = content() == before
    print(json.dumps([kind, told]), flush=True)
"""


def in_trouble(kinds, folder: Path, how: str, kills: int = 0):
    """(kind of write, what became of it) for each of them."""
    jobs = []
    if any(".tif" in WRITES[kind].words for kind in kinds):
        (folder / "scans").mkdir()
        scans = NOTEBOOKS / "invented_scans.py"
        python(scans.read_text(encoding="utf-8"), cwd=folder / "scans").check_returncode()
    for kind in kinds:
        place = folder / kind.replace(" ", "_")
        place.mkdir()
        words = prepared(kind, place)
        if ".tif" in WRITES[kind].words:
            shutil.copytree(folder / "scans", place, dirs_exist_ok=True)
        jobs.append((kind, str(place), words))
    done = python(SCRIPT, how, kills, json.dumps(jobs), before=as_everybody if how == "read-only" else None, long=True)
    assert done.returncode == 0, done.stderr[-3000:]
    return [json.loads(line) for line in done.stdout.splitlines()]
