"""Print the speed ratios that DEVELOPERS.md records, all measured in one run on one machine.

    .venv/bin/python reference/measure_speed.py

Needs the development extra.  Nothing else should run meanwhile; each figure is the
best of several rounds.
"""

from __future__ import annotations

import math
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1] / "tests" / "bench"))
from speed_paths import bare_products, brentq_loop, doses, exact, find_root_arrays

from filmdose.answering import given_stops
from filmdose.sweep import sweep


def seconds_per_cell(path: Callable[[np.ndarray], object], cells: int, rounds: int) -> float:
    """Best time of a path over ``rounds``, per cell [s]; one small call warms it up."""
    path(doses(10))
    x = doses(cells)
    return best_of(lambda: path(x), rounds) / cells


def best_of(action: Callable[[], object], rounds: int) -> float:
    """Best time of an action over ``rounds`` [s]."""
    best = math.inf
    for _ in range(rounds):
        start = time.perf_counter()
        action()
        best = min(best, time.perf_counter() - start)
    return best


def seconds_of_program(code: str, rounds: int = 5) -> float:
    """Best wall time of a fresh interpreter that runs ``code`` [s]."""
    return best_of(lambda: subprocess.run([sys.executable, "-c", code], check=True, capture_output=True), rounds)


def big_sweep(cells: int, films: int) -> object:
    """A lazy sweep: four criteria and all other answers, reduced so that memory stays flat."""
    kerma = np.geomspace(1, 1000, cells // films)
    lazy = sweep(speed=np.geomspace(800, 6400, films), kerma_ugy=kerma, chunks={"speed": 1, "kerma_ugy": 100_000})
    return lazy["stops"].max().compute(scheduler="synchronous")


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
        "stops"
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
    base = seconds_of_program("import numpy, scipy, pandas, xarray")
    imported = seconds_of_program("import filmdose")
    printed = seconds_of_program("from filmdose.cli import main; main(['table'])")  # its output is captured
    loop = seconds_per_cell(brentq_loop, 200, 3)
    finder = seconds_per_cell(find_root_arrays, 20_000, 3)
    fast = seconds_per_cell(exact, 1_000_000, 5)
    bare = seconds_per_cell(bare_products, 1_000_000, 5)
    decided = best_of(lambda: given_stops(800, np.geomspace(1.0, 6000.0, 100_000)), 3) / 100_000

    sizes = [10_000, 100_000, 1_000_000, 10_000_000]
    added = added_memory_mb(sizes[-1], 10)
    swept = [best_of(lambda size=size: big_sweep(size, 1), 7 if size < 10_000_000 else 1) for size in sizes]
    solved = [best_of(lambda size=size: exact(doses(size)), 5 if size < 10_000_000 else 1) for size in sizes]
    powers = [float(np.polyfit(np.log(sizes), np.log(times), 1)[0]) for times in (solved, swept)]
    one, two = workers_seconds(1), workers_seconds(2)

    rows = [
        ("brentq loop, four criteria", f"{1e6 * loop:.0f} us per cell", ""),
        ("scipy.optimize.elementwise.find_root", f"{1e6 * finder:.0f} us per cell", ""),
        ("array solver", f"{1e6 * fast:.2f} us per cell", f"{loop / fast:.0f} times the brentq loop"),
        ("", "", f"{finder / fast:.0f} times find_root"),
        (
            "bare matrix products",
            f"{1e6 * bare:.2f} us per cell",
            f"the array solver takes {fast / bare:.1f} times as long",
        ),
        ("the whole decision", f"{1e6 * decided:.2f} us per cell", f"{decided / fast:.1f} times the four criteria"),
        ("array solver, 1e4, 1e5, 1e6, 1e7 cells", _list(solved), f"time grows as cells to the power {powers[0]:.3f}"),
        ("lazy sweep of one film, 1e4, 1e5, 1e6, 1e7 cells", _list(swept), f"to the power {powers[1]:.3f}"),
        ("memory added by a lazy sweep of ten films, 1e7 cells", f"{added:.0f} MB", ""),
        ("two dask workers against one", f"{two:.2f} s against {one:.2f} s", f"{one / two:.2f} times"),
        ("import filmdose", f"{imported:.2f} s", f"{imported / base:.2f} times NumPy, SciPy, pandas and xarray"),
        ("filmdose table", f"{printed:.2f} s", f"{printed / base:.2f} times the same"),
    ]
    print("| what | time | ratio |\n|---|---|---|")
    for row in rows:
        print("| " + " | ".join(row) + " |")


if __name__ == "__main__":
    main()
