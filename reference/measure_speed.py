"""Print the speed ratios that DEVELOPERS.md records, all measured in one run on one machine.

    .venv/bin/python reference/measure_speed.py

Needs the development extra.  Nothing else should run meanwhile; each figure is the best of several rounds.  Times for
a cell are processor time of one thread, those of a program processor time of all its threads; all others are by the
clock on the wall.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "bench"))
from speed_paths import bare_products, brentq_loop, doses, exact, find_root_arrays, whole_answer

from filmdose.film.generic import generic_film
from filmdose.history import Flight, History, Pass, Storage
from filmdose.odds import propagate, trip_model
from filmdose.sweep import sweep
from filmdose.trip import Roll

ROOT = Path(__file__).parents[1]
AHEAD, MEASURED = (str(ROOT / "notebooks" / f"trip_{name}.toml") for name in ("ahead", "measured"))

#: Command lines, and how long each may take next to the bare import of the four libraries it stands on.
COMMANDS = {
    "--help": (["--help"], 0.5),
    "table --typical": (["table", "--typical"], 1.6),
    "table": (["table"], 1.6),
    "roll": (["roll", "--speed", "800", "--pass", "cabin-ct=2"], 1.6),
    "odds, one roll": (["odds", "--speed", "800", "--pass", "cabin-ct=2"], 2.2),
    "odds, one roll of colour negative film": (
        ["odds", "--speed", "800", "--kind", "colour-negative", "--pass", "cabin-ct=2"],
        2.5,
    ),
    "plan, the shipped trip": (["plan", AHEAD], 4.0),
    "report, the shipped trip": (["report", MEASURED, "--roll", "ridge-400", "--output", "REPORT"], 5.0),
}


def seconds_per_cell(path: Callable[[np.ndarray], object], cells: int, rounds: int) -> float:
    """Best processor time of a path over ``rounds``, per cell [s]; one small call warms it up."""
    path(doses(10))
    x = doses(cells)
    return best_of(lambda: path(x), rounds, time.process_time) / cells


def best_of(action: Callable[[], object], rounds: int, clock: Callable[[], float] = time.perf_counter) -> float:
    """Best time of an action over ``rounds`` [s]."""
    best = math.inf
    for _ in range(rounds):
        start = clock()
        action()
        best = min(best, clock() - start)
    return best


def time_of_programs() -> float:
    """Processor time of all programs that this one has started and seen end [s]."""
    times = os.times()
    return times.children_user + times.children_system


def seconds_of_program(code: str, rounds: int = 7) -> float:
    """Best processor time of a fresh interpreter that runs ``code`` [s]."""
    program = [sys.executable, "-c", code]
    return best_of(lambda: subprocess.run(program, check=True, capture_output=True), rounds, time_of_programs)


def seconds_of_command(arguments: list[str], folder: str) -> float:
    """Best processor time of a fresh interpreter that runs a command of filmdose [s]; its output is caught."""
    words = [f"{folder}/report.html" if word == "REPORT" else word for word in arguments]
    return seconds_of_program(f"import sys; from filmdose.cli import main; sys.exit(main({words!r}))")


def rolls_of_a_trip(rolls: int, speeds: tuple[float, ...]) -> list[Roll]:
    """Rolls that went through different scanners, some behind lead; every number with its own speed."""
    return [
        Roll(
            id=f"{number}",
            film=generic_film(speeds[number % len(speeds)]),
            history=History(
                passes=(
                    Pass(source="cabin-ct", scanner="abc"[number % 3], shield="lead=0.25" if number % 2 else None),
                    Pass(source="cabin-xray", scanner="ab"[number % 2], count=1 + number % 4),
                ),
                flights=Flight(hours=1 + number % 12),
                storage=Storage(days=30 * (number % 12)),
            ),
        )
        for number in range(rolls)
    ]


def seconds_of_draws(rolls: int, samples: int, rounds: int) -> float:
    """Best time of the odds of some rolls of seven speeds [s]."""
    model = trip_model(rolls_of_a_trip(rolls, (50, 100, 200, 400, 800, 1600, 3200)))
    propagate(model, samples=64)
    return best_of(lambda: propagate(model, samples=samples), rounds)


def big_sweep(cells: int, films: int) -> object:
    """a lazy sweep of all its answers, one of them reduced so that memory stays flat."""
    kerma = np.geomspace(1, 1000, cells // films)
    lazy = sweep(speed=np.geomspace(800, 6400, films), kerma_ugy=kerma, chunks={"speed": 1, "kerma_ugy": 100_000})
    return lazy["given_stops"].max().compute(scheduler="synchronous")


def added_memory_mb(cells: int, films: int) -> float:
    """Peak resident memory that a big sweep adds to a fresh interpreter that has made a small one [MB]."""
    # Linux counts the peak of a program anew in VmHWM; that of getrusage would hold the parent's
    code = (
        "import re, sys; sys.path.insert(0, sys.argv[1]); from measure_speed import big_sweep\n"
        "def peak(): return int(re.search(r'VmHWM:\\s+(\\d+)', open('/proc/self/status').read())[1]) / 1024\n"
        f"big_sweep(1000, {films}); before = peak(); big_sweep({cells}, {films}); print(peak() - before)"
    )
    folder = str(Path(__file__).parent)
    done = subprocess.run([sys.executable, "-c", code, folder], check=True, capture_output=True, text=True)
    return float(done.stdout)


def workers_seconds(workers: int) -> float:
    """Best time of a lazy sweep of four million cells on a local cluster of so many workers [s]."""
    from distributed import Client, LocalCluster

    lazy = sweep(speed=np.geomspace(25, 6400, 20), kerma_ugy=np.geomspace(1, 1000, 200_000), chunks={"speed": 1})[
        "given_stops"
    ].max()
    with (
        LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None) as cluster,
        Client(cluster),
    ):
        return best_of(lazy.compute, 3)


def _list(times: list[float]) -> str:
    return ", ".join(f"{t:.3g}" for t in times) + " s"


def main() -> None:
    """Measure everything and print it as a Markdown table."""
    base = seconds_of_program("import numpy, scipy.optimize, pandas, xarray")
    imported = seconds_of_program("import filmdose")
    with tempfile.TemporaryDirectory() as folder:
        commands = {name: seconds_of_command(words, folder) for name, (words, _) in COMMANDS.items()}
    draws, many_draws = seconds_of_draws(12, 2**15, 3), seconds_of_draws(84, 2**17, 1)
    loop = seconds_per_cell(brentq_loop, 200, 3)
    finder = seconds_per_cell(find_root_arrays, 20_000, 3)
    fast = seconds_per_cell(exact, 1_000_000, 5)
    bare = seconds_per_cell(bare_products, 1_000_000, 5)
    whole = seconds_per_cell(whole_answer, 1_000_000, 3)

    sizes = [10_000, 100_000, 1_000_000, 10_000_000]
    added = added_memory_mb(sizes[-1], 10)
    swept = [best_of(lambda size=size: big_sweep(size, 1), 3 if size < 10_000_000 else 1) for size in sizes]
    solved = [best_of(lambda size=size: whole_answer(doses(size)), 3 if size < 10_000_000 else 1) for size in sizes]
    powers = [float(np.polyfit(np.log(sizes), np.log(times), 1)[0]) for times in (solved, swept)]
    one, two = workers_seconds(1), workers_seconds(2)

    rows = [
        ("brentq loop, four criteria", f"{1e6 * loop:.0f} us per cell", ""),
        ("scipy.optimize.elementwise.find_root", f"{1e6 * finder:.0f} us per cell", ""),
        ("exact path, four criteria", f"{1e6 * fast:.2f} us per cell", f"{loop / fast:.0f} times the brentq loop"),
        ("", "", f"{finder / fast:.0f} times find_root"),
        (
            "bare matrix products",
            f"{1e6 * bare:.2f} us per cell",
            f"the exact path takes {fast / bare:.1f} times as long",
        ),
        (
            "whole answer: criteria, least loss, verdict",
            f"{1e6 * whole:.2f} us per cell",
            f"{whole / fast:.2f} times the criteria",
        ),
        ("whole answer, 1e4, 1e5, 1e6, 1e7 cells", _list(solved), f"time grows as cells to the power {powers[0]:.3f}"),
        ("lazy sweep of one film, 1e4, 1e5, 1e6, 1e7 cells", _list(swept), f"to the power {powers[1]:.3f}"),
        ("memory added by a lazy sweep of ten films, 1e7 cells", f"{added:.0f} MB", ""),
        ("two dask workers against one", f"{two:.2f} s against {one:.2f} s", f"{one / two:.2f} times"),
        ("import numpy, scipy.optimize, pandas, xarray", f"{base:.2f} s", ""),
        ("import filmdose", f"{imported:.2f} s", f"{imported / base:.2f} times these; at most 1.0"),
        *(
            (f"filmdose {name}", f"{commands[name]:.2f} s", f"{commands[name] / base:.2f} times these; at most {most}")
            for name, (_, most) in COMMANDS.items()
        ),
        ("odds of 12 rolls of 7 speeds, 32768 draws", f"{draws:.2f} s", "at most 1.2 s"),
        ("odds of 84 rolls of 7 speeds, 131072 draws", f"{many_draws:.1f} s", "at most 15 s"),
    ]
    print("| what | time | ratio |\n|---|---|---|")
    for row in rows:
        print("| " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()
