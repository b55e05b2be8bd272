"""Change the package in small ways, one at a time, and see whether a test notices.

    COVERAGE_FILE=FILE pytest -n auto --cov --cov-context=test --cov-report= --junitxml=TIMES
    python reference/mutation.py code FILE TIMES RESULTS [--count 600] [--seed 1] [--first 150]
    python reference/mutation.py data FILE TIMES RESULTS [--count 60]

``code`` draws changes of the code behind the numbers (``ROOMS``): comparisons, arithmetic, constants moved by 5 % or
by one, and / or, min / max, minus signs, what is returned, slices, default values, errors no longer raised.  ``data``
moves values of the data files by 5 %.  RESULTS gains one line of JSON a change, so that a run may be stopped and go on.

Which tests run a changed line is read from the coverage data, how long they take from the times.  First all tests are
collected once; a fork of that process gives the changed function its new code and runs those tests, as many as take
``--seconds`` together, the quickest of every file first, until one fails.  What survives that, and what lies outside
functions, is tried again on a changed copy of the package in a process of its own.  A test that fails in a fork without
any change kills nothing.  Survivors that were read and found to change nothing that matters stand with the reason in
``mutants_read.txt``; a change is written there as ``module::function: before -> after``.  Needs a system that can fork.
"""

from __future__ import annotations

import argparse
import ast
import functools
import gc
import json
import math
import os
import random
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import types
import xml.etree.ElementTree as ElementTree
from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parents[1]
READ = Path(__file__).with_name("mutants_read.txt")
ROOMS = (
    *("film/*.py", "sensitometry/*.py", "radiation/*.py", "odds/*.py"),
    *("solver.py", "solution.py", "stack.py", "answering.py", "exposed.py", "decision.py"),
)
CPU_S, WALL_S = 60.0, 900.0  # what takes more processor time than this does not end; other work may slow the clock
SWAPS: dict[type, tuple[type, ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Add: (ast.Sub,),
    ast.Sub: (ast.Add,),
    ast.Mult: (ast.Div,),
    ast.Div: (ast.Mult,),
    ast.Pow: (ast.Mult,),
    ast.BitAnd: (ast.BitOr,),
    ast.BitOr: (ast.BitAnd,),
    ast.And: (ast.Or,),
    ast.Or: (ast.And,),
}
OTHER = {"min": "max", "minimum": "maximum", "fmin": "fmax", "nanmin": "nanmax", "argmin": "argmax", "any": "all"}
OTHER |= {other: one for one, other in OTHER.items()}


@dataclass(frozen=True)
class Mutant:
    """One change of one file."""

    file: str  # below the package
    name: str
    line: int
    text: Callable[[], str]  # the whole changed file
    function: str = ""  # outermost function or method that holds it, "" outside
    first: int = 0
    last: int = 0


# -- changes of code --------------------------------------------------------------------------------------------------


def _left_out(node: ast.AST) -> Iterator[ast.AST]:
    """Children in which nothing is changed: annotations, texts of messages, what the door reads."""
    for field in ("annotation", "returns"):
        if getattr(node, field, None) is not None:
            yield getattr(node, field)
    if isinstance(node, ast.JoinedStr):
        yield from node.values
    if isinstance(node, ast.Raise):
        yield from ast.iter_child_nodes(node)
    if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test):
        yield from ast.iter_child_nodes(node)
    if isinstance(node, ast.Assign) and any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets):
        yield node.value
    if isinstance(node, ast.TypeAlias if hasattr(ast, "TypeAlias") else ()):
        yield from ast.iter_child_nodes(node)


def _changes(node: ast.AST) -> Iterator[ast.AST]:
    """What the node may become."""
    match node:
        case ast.Compare(left, ops, comparators):
            for place, op in enumerate(ops):
                for other in SWAPS.get(type(op), ()):
                    yield ast.Compare(left, [*ops[:place], other(), *ops[place + 1 :]], comparators)
        case ast.BinOp(left, op, right) if not any(
            isinstance(side, ast.JoinedStr | ast.Tuple | ast.List)
            or (isinstance(side, ast.Constant) and isinstance(side.value, str | None))
            for side in (left, right)
        ):
            for other in SWAPS.get(type(op), ()):
                yield ast.BinOp(left, other(), right)
        case ast.AugAssign(target, op, value):
            for other in SWAPS.get(type(op), ()):
                yield ast.AugAssign(target, other(), value)
        case ast.BoolOp(op, values):
            yield ast.BoolOp(SWAPS[type(op)][0](), values)
        case ast.UnaryOp(ast.Not() | ast.USub(), operand):
            yield operand
        case ast.Constant(bool() as value):
            yield ast.Constant(not value)
        case ast.Constant(int() as value):
            yield ast.Constant(value + 1)
        case ast.Constant(float() as value):
            yield ast.Constant(1.05 * value or 0.05)
        case ast.Name(name) if name in OTHER:
            yield ast.Name(OTHER[name], ast.Load())
        case ast.Attribute(value, name) if name in OTHER:
            yield ast.Attribute(value, OTHER[name], ast.Load())
        case ast.Return(value) if value is not None and not isinstance(value, ast.Constant):
            yield ast.Return(ast.Constant(None))
        case ast.Slice(lower, upper, step):
            if lower is not None:
                yield ast.Slice(None, upper, step)
            if upper is not None:
                yield ast.Slice(lower, None, step)
        case ast.Raise():
            yield ast.Pass()


def _sites(
    node: ast.AST, names: tuple[str, ...] = (), outer: ast.AST | None = None
) -> Iterator[tuple[ast.AST, str, int | None, ast.AST, tuple[str, ...], ast.AST | None]]:
    """Every (parent, field, place in a list, node, names around it, outermost function around it)."""
    leave = {id(child) for child in _left_out(node)}
    inside = isinstance(node, ast.FunctionDef)
    for field, value in ast.iter_fields(node):
        for place, child in enumerate(value) if isinstance(value, list) else ((None, value),):
            if not isinstance(child, ast.AST) or id(child) in leave:
                continue
            # default values and decorators are run where the function is defined
            within = outer if outer is not None or not inside or field != "body" else node
            yield node, field, place, child, names, within
            below = (*names, child.name) if isinstance(child, ast.FunctionDef | ast.ClassDef) else names
            yield from _sites(child, below, within)


def _said(parent: ast.AST, node: ast.AST) -> str:
    """A change's surroundings in one line: what is changed, of a number or a slice the expression that holds it."""
    shown = (
        parent if isinstance(node, ast.Constant | ast.Slice) and isinstance(parent, ast.expr | ast.keyword) else node
    )
    if isinstance(node, ast.Constant) and isinstance(parent, ast.stmt) and not hasattr(parent, "body"):
        shown = parent
    return re.sub(r"\s+", " ", ast.unparse(shown))[:150]


def code_mutants(path: Path) -> list[Mutant]:
    """All changes of one module."""
    tree = ast.parse(path.read_text(encoding="utf-8"))
    file = path.relative_to(ROOT / "filmdose").as_posix()
    found, count = [], Counter[str]()
    for parent, field, place, node, names, outer in _sites(tree):

        def put(what: ast.AST, parent=parent, field=field, place=place) -> None:
            if place is None:
                setattr(parent, field, what)
            else:
                getattr(parent, field)[place] = what

        for other in _changes(node):
            ast.copy_location(other, node)

            def text(put=put, node=node, other=other) -> str:
                put(other)
                changed = ast.unparse(ast.fix_missing_locations(tree))
                put(node)
                return changed

            before = _said(parent, node)
            put(other)
            after = _said(parent, other)
            put(node)
            name = f"{file}::{'.'.join(names)}: {before} -> {after}"
            count[name] += 1
            if count[name] > 1:
                name += f" ({count[name]})"
            first, last, function = 0, 0, ""
            if isinstance(outer, ast.FunctionDef):
                first, last = outer.lineno, outer.end_lineno or 0
                function = ".".join(names[: names.index(outer.name) + 1])
            line = getattr(node, "lineno", 0) or getattr(parent, "lineno", first)
            found.append(Mutant(file, name, line, text, function, first, last))
    return found


def sample(files: list[Path], count: int, seed: int) -> list[Mutant]:
    """A seeded sample, each module with its share; the first of it are a sample too."""
    rng = random.Random(seed)
    every = []
    for path in files:
        mutants = code_mutants(path)
        rng.shuffle(mutants)
        every += mutants
    chosen = [every[int((n + rng.random()) * len(every) / count)] for n in range(min(count, len(every)))]
    rng.shuffle(chosen)
    print(f"{len(chosen)} of {len(every)} possible changes in {len(files)} modules", flush=True)
    return chosen


# -- changes of data --------------------------------------------------------------------------------------------------

NUMBER = re.compile(r"(?<![\w.+-])-?\d+(?:\.\d+)?(?:[eE][+-]?\d+)?(?![\w.-])")


def _with_part(text: str, first: int, last: int, part: str) -> str:
    """A text with another part from one place to another."""
    return text[:first] + part + text[last:]


def data_mutants(count: int, seed: int) -> list[Mutant]:
    """Values of the data files moved by 5 %, the share of a file as the logarithm of its size."""
    rng = random.Random(seed)
    places: dict[str, list[tuple[str, int, Callable[[], str]]]] = {}
    for path in sorted((ROOT / "filmdose/data").rglob("*.*")):
        if path.suffix not in (".toml", ".csv"):
            continue
        text = path.read_text(encoding="utf-8")
        start, table = 0, ""
        for number, line in enumerate(text.splitlines(keepends=True), 1):
            table = line.strip() if line.startswith("[") else table
            key, equals, _ = line.partition("=")
            # of TOML only what is a number or a list of numbers; of CSV every number
            numeric = path.suffix == ".csv" or (equals and not re.search(r"[\"'#]", line.split("=", 1)[1]))
            offset = len(key) + 1 if path.suffix == ".toml" else 0
            for hit in NUMBER.finditer(line, offset) if numeric and not line.startswith(("#", "[")) else ():
                if float(hit[0]) == 0.0 or "version" in key or "date" in key:
                    continue
                moved = f"{1.05 * float(hit[0]):.10g}"
                changed = functools.partial(_with_part, text, start + hit.start(), start + hit.end(), moved)
                where = f"{table} {key.strip()}" if path.suffix == ".toml" else f"line {number}: {line.strip()[:40]}"
                file = path.relative_to(ROOT / "filmdose").as_posix()
                name = f"{file}::{where}: {hit[0]} -> {moved}"
                places.setdefault(file, []).append((name, number, changed))
            start += len(line)
    weights = {file: math.log2(1 + len(found)) for file, found in places.items()}
    whole = sum(weights.values())
    chosen = []
    for file, found in places.items():
        share = min(len(found), max(1, round(count * weights[file] / whole)))
        chosen += [Mutant(file, name, line, changed) for name, line, changed in rng.sample(found, share)]
    rng.shuffle(chosen)
    return chosen


# -- which tests ------------------------------------------------------------------------------------------------------


class Tests:
    """Which tests run which lines, and how long they take."""

    def __init__(self, coverage_file: str, times: str) -> None:
        from coverage import CoverageData

        self._data = CoverageData(coverage_file)
        self._data.read()
        self._files = {
            name.rpartition("/filmdose/")[2]: name for name in self._data.measured_files() if "/filmdose/" in name
        }
        self._times: dict[str, float] = {}
        for case in ElementTree.parse(times).getroot().iter("testcase"):
            path = (case.get("classname") or "").replace(".", "/") + ".py"
            self._times[f"{path}::{case.get('name')}"] = float(case.get("time") or 0.0)

    @functools.lru_cache(maxsize=8)  # noqa: B019
    def _contexts(self, file: str) -> dict[int, list[str]]:
        found = self._data.contexts_by_lineno(self._files[file]) if file in self._files else {}
        return {line: [sys.intern(name.partition("|")[0]) for name in names if name] for line, names in found.items()}

    def on_lines(self, file: str, first: int, last: int) -> set[str]:
        """Names of the tests that run one of some lines."""
        found = self._contexts(file)
        return {name for line in range(first, last + 1) for name in found.get(line, ())}

    def of(self, mutant: Mutant) -> list[str]:
        """Tests that run the change, quickest first."""
        if mutant.file.startswith("data/"):
            word = mutant.file.rpartition("/")[2]
            found = {name for name in self._times if name.startswith("tests/reference/")}
            aside = {name for name in self._times if name.startswith("tests/reference/test_data_files.py")}
            for path in sorted((ROOT / "filmdose").rglob("*.py")):
                source = path.read_text(encoding="utf-8")
                if f'{word}"' in source or f'"{word.partition(".")[0]}"' in source:
                    found |= self.on_lines(path.relative_to(ROOT / "filmdose").as_posix(), 1, 10**6)
            found -= aside  # fingerprints see every change: asked is what else does
        elif mutant.function:
            # the smallest statement around the change is what coverage counts
            source = ast.parse((ROOT / "filmdose" / mutant.file).read_text(encoding="utf-8"))
            around = [
                node
                for node in ast.walk(source)
                if isinstance(node, ast.stmt) and node.lineno <= mutant.line <= (node.end_lineno or 0)
            ]
            inner = min(around, key=lambda node: (node.end_lineno or 0) - node.lineno)
            found = self.on_lines(mutant.file, mutant.line, mutant.line) | self.on_lines(
                mutant.file, inner.lineno, inner.lineno
            )
        else:
            found = self.on_lines(mutant.file, 1, 10**6)
            # how classes are made is looked at without making one
            found |= {name for name in self._times if name.startswith("tests/analytic/test_signatures.py")}
        return sorted(found & set(self._times), key=lambda name: (self._times[name], name))

    def within(self, names: list[str], seconds: float) -> list[str]:
        """The quickest; a third of the time is kept for tests drawn from all of the others."""
        kept, spent = [], 0.0
        rest = iter(names)
        for name in rest:
            if spent + self._times[name] > 2.0 / 3.0 * seconds:
                break
            kept.append(name)
            spent += self._times[name]
        others = [name for name in names if name not in set(kept) and self._times[name] < seconds / 4.0]
        random.Random(0).shuffle(others)
        for name in others:
            if spent + self._times[name] <= seconds:
                kept.append(name)
                spent += self._times[name]
        # the quickest of every file before the second of any: tests of one file mostly see the same
        turns, ranked = Counter[str](), []
        for name in kept:
            file = name.partition("::")[0]
            ranked.append((turns[file], self._times[name], name))
            turns[file] += 1
        return [name for *_, name in sorted(ranked)]


# -- running them -----------------------------------------------------------------------------------------------------


def _limit() -> None:
    """In a child: a process group of its own, and no more processor time than is allowed."""
    os.setpgid(0, 0)
    resource.setrlimit(resource.RLIMIT_CPU, (int(CPU_S), int(CPU_S) + 5))


def _wait(child: int) -> int | None:
    """Exit code of a child, or None when the time was up."""
    end = time.monotonic() + WALL_S
    while time.monotonic() < end:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            code = os.waitstatus_to_exitcode(status)
            return None if code in (-signal.SIGXCPU, -signal.SIGKILL) else code
        time.sleep(0.02)
    os.killpg(child, signal.SIGKILL)
    os.waitpid(child, 0)
    return None


class Forks:
    """A pytest plugin: all tests collected once, the changes tried in forks."""

    def __init__(self, mutants: list[Mutant], tests: Tests, results: Path, seconds: float, quick: bool) -> None:
        self.mutants, self.tests, self.results = mutants, tests, results
        self.seconds, self.quick = seconds, quick
        self.sound: dict[str, bool] = {}

    def pytest_runtestloop(self, session) -> bool:
        """In place of running the tests: try every change."""
        self.session, self.items = session, {item.nodeid: item for item in session.items}
        self.functions: dict[tuple[str, str], list[types.FunctionType]] = {}
        self.caches: list[functools._lru_cache_wrapper] = []
        for thing in gc.get_objects():  # none of them is found here any more once it is frozen
            if isinstance(thing, functools._lru_cache_wrapper) and thing.__module__.startswith("filmdose"):
                self.caches.append(thing)
            if isinstance(thing, types.FunctionType) and "/filmdose/" in thing.__code__.co_filename:
                place = thing.__code__.co_filename.rpartition("/filmdose/")[2]
                self.functions.setdefault((place, thing.__code__.co_qualname), []).append(thing)
        gc.freeze()
        self.all()
        return True

    def all(self) -> None:
        """Try every change, and write down what became of it."""
        for number, mutant in enumerate(self.mutants, 1):
            start = time.monotonic()
            names = self.tests.of(mutant)
            verdict = self.judge(mutant, self.tests.within(names, self.seconds))
            record = {"name": mutant.name, "line": mutant.line, "tests": len(names), **verdict}
            record["seconds"] = round(time.monotonic() - start, 1)
            with self.results.open("a", encoding="utf-8") as stream:
                stream.write(json.dumps(record) + "\n")
            print(f"{number}/{len(self.mutants)} {record['verdict']} {record['seconds']} s {mutant.name}", flush=True)

    def judge(self, mutant: Mutant, names: list[str]) -> dict[str, str]:
        """What became of a change."""
        if not names:
            return {"verdict": "survived", "by": "no test runs it"}
        if mutant.function and (swapped := self.in_fork(mutant, names)):
            return swapped
        if mutant.function and self.quick:
            return {"verdict": "survived", "by": f"{len(names)} tests passed in a fork"}
        return apart(mutant, names)

    def in_fork(self, mutant: Mutant, names: list[str]) -> dict[str, str] | None:
        """The same in forks; None when it survives there."""
        code = _code(compile(mutant.text(), str(ROOT / "filmdose" / mutant.file), "exec"), mutant.function)
        functions = self.functions.get((mutant.file, mutant.function), [])
        if code is None or not functions:
            return None
        wanted = [self.items[name] for name in names if name in self.items]
        while wanted:
            failed = self.fork(wanted, functions, code)
            if failed is None:
                return None
            if failed == "time":
                return {"verdict": "killed", "by": "it does not end"}
            if failed not in self.sound:
                self.sound[failed] = self.fork([self.items[failed]], [], code) is None
            if self.sound[failed]:
                return {"verdict": "killed", "by": failed}
            wanted = [item for item in wanted if self.sound.get(item.nodeid, True)]
        return None

    def fork(self, items: list, functions: list[types.FunctionType], code: types.CodeType) -> str | None:
        """Name of the first test that fails; None when all pass."""
        with tempfile.NamedTemporaryFile() as told:
            child = os.fork()
            if not child:
                _limit()
                null = os.open(os.devnull, os.O_WRONLY)
                os.dup2(null, 1)
                os.dup2(null, 2)
                for function in functions:
                    function.__code__ = code
                for cache in self.caches:
                    cache.cache_clear()
                for item, following in zip(items, [*items[1:], None], strict=True):
                    Path(told.name).write_text(item.nodeid, encoding="utf-8")
                    item.config.hook.pytest_runtest_protocol(item=item, nextitem=following)
                    if self.session.testsfailed:
                        os._exit(1)
                os._exit(0)
            ended = _wait(child)
            if ended is None:
                return "time"
            return Path(told.name).read_text(encoding="utf-8") if ended else None


def _code(code: types.CodeType, name: str) -> types.CodeType | None:
    for constant in reversed(code.co_consts):  # of overloads the last one is the function itself
        if isinstance(constant, types.CodeType):
            if constant.co_qualname == name:
                return constant
            if name.startswith(constant.co_qualname + ".") and (found := _code(constant, name)):
                return found
    return None


COPY: dict[str, Path] = {}


def _copy() -> Path:
    """The copy of the package, made when it is first wanted."""
    if "copy" not in COPY:
        COPY["copy"] = Path(tempfile.mkdtemp(prefix="filmdose-mutants-"))
        shutil.copytree(ROOT / "filmdose", COPY["copy"] / "filmdose")
        for entry in ROOT.iterdir():  # all else as in a clone
            if entry.name not in ("filmdose", ".git", ".venv"):
                (COPY["copy"] / entry.name).symlink_to(entry)
        # otherwise an installed package might be what is tested
        where = [sys.executable, "-P", "-c", "import filmdose; print(filmdose.__file__)"]
        seen = subprocess.check_output(where, cwd=COPY["copy"], env=_environment(), text=True)
        assert seen.startswith(str(COPY["copy"])), f"the tests would see {seen}"
    return COPY["copy"]


def _environment() -> dict[str, str]:
    return os.environ | {"PYTHONPATH": str(COPY["copy"]), "PYTHONDONTWRITEBYTECODE": "1"}


def _tests_on_copy(names: list[str]) -> tuple[str | None, str]:
    """The first test that fails, or None; and what pytest said."""
    options = ["-q", "-x", "-p", "no:cacheprovider", "-p", "no:xdist", "--no-header", "--tb=no"]
    process = subprocess.Popen(
        [sys.executable, "-P", "-m", "pytest", *options, *names],
        cwd=COPY["copy"],
        env=_environment(),
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        preexec_fn=_limit,
        text=True,
    )
    try:
        said, _ = process.communicate(timeout=WALL_S)
    except subprocess.TimeoutExpired:
        os.killpg(process.pid, signal.SIGKILL)
        process.communicate()
        return "it does not end", ""
    if process.returncode in (-signal.SIGXCPU, -signal.SIGKILL):
        return "it does not end", ""
    if process.returncode == 0:
        return None, said
    if broken := re.search(r"^ERROR (tests/\S+) - ", said, re.M):
        return f"{broken[1]} cannot be imported", said
    if process.returncode == pytest.ExitCode.USAGE_ERROR:
        raise SystemExit(f"The tests are no longer those of the coverage data; measure it again.\n{said[-500:]}")
    failed = re.search(r"^(?:FAILED|ERROR) (.+?)(?: - |$)", said, re.M)
    return (failed[1] if failed else said.strip()[-200:]), said


SOUND: dict[str, bool] = {}


def apart(mutant: Mutant, names: list[str]) -> dict[str, str]:
    """Try a change on a copy of the package, in a process of its own."""
    while True:
        failed = _changed(mutant, names)
        if failed is None:
            return {"verdict": "survived", "by": f"{len(names)} tests passed"}
        blamed = [name for name in names if name == failed]
        for name in blamed:
            if name not in SOUND:
                SOUND[name] = _tests_on_copy([name])[0] is None
        if all(SOUND[name] for name in blamed):
            return {"verdict": "killed", "by": failed}
        names = [name for name in names if SOUND.get(name, True)]


def _changed(mutant: Mutant, names: list[str]) -> str | None:
    """The first test that fails on the changed copy."""
    file = _copy() / "filmdose" / mutant.file
    kept, stood = file.read_text(encoding="utf-8"), file.stat()
    compiled = list((file.parent / "__pycache__").glob(f"{file.stem}.*.pyc"))
    hidden = [path.rename(path.with_suffix(".kept")) for path in compiled]
    file.write_text(mutant.text(), encoding="utf-8")
    try:
        return _tests_on_copy(names)[0]
    finally:
        file.write_text(kept, encoding="utf-8")
        os.utime(file, ns=(stood.st_atime_ns, stood.st_mtime_ns))
        for path in hidden:
            path.rename(path.with_suffix(".pyc"))


def read(results: Path) -> dict[str, dict[str, Any]]:
    """What became of every change; the last line of it counts."""
    records = (json.loads(line) for line in results.read_text(encoding="utf-8").splitlines())
    return {record["name"]: record for record in records}


def report(results: Path) -> None:
    """Count, and list what survived and was not read."""
    listed = READ.read_text(encoding="utf-8") if READ.exists() else ""
    records = list(read(results).values())
    killed = sum(record["verdict"] == "killed" for record in records)
    left = [record for record in records if record["verdict"] != "killed"]
    known = [record for record in left if record["name"] + "\n" in listed]
    print(
        f"{killed} of {len(records)} killed ({killed / len(records):.1%}), {len(known)} of {len(left)} survivors read"
    )
    if len(known) < len(records):
        print(f"{killed / (len(records) - len(known)):.1%} of those that change something that matters")
    for record in left:
        if record not in known:
            print(f"  line {record['line']}, {record['tests']} tests: {record['name']}")


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("what", choices=("code", "data", "report"))
    parser.add_argument("coverage")
    parser.add_argument("times")
    parser.add_argument("results", type=Path)
    parser.add_argument("--count", type=int, default=600)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--first", type=int, help="only so many of the sample")
    parser.add_argument("--seconds", type=float, default=60.0, help="as many tests a change as take this long together")
    parser.add_argument("--quick", action="store_true", help="what survives in a fork is not tried again")
    parser.add_argument("--part", default="1/1", help="2/3: the second of three workers")
    parser.add_argument("--again", type=Path, help="only what survived in these earlier results")
    parser.add_argument("--forks-only", action="store_true", help="leave what survives in forks to a later run")
    given = parser.parse_args()
    if given.what == "report":
        return report(given.results)
    files = sorted({path for pattern in ROOMS for path in (ROOT / "filmdose").glob(pattern)})
    files = [path for path in files if path.name != "__init__.py"]
    make = sample(files, given.count, given.seed) if given.what == "code" else data_mutants(given.count, given.seed)
    make = make[: given.first]
    if given.again:
        names = {name for name, record in read(given.again).items() if record["verdict"] != "killed"}
        make = [mutant for mutant in make if mutant.name in names]
    done = set()
    if given.results.exists():
        done = set(read(given.results))
    number, parts = map(int, given.part.split("/"))
    make = [mutant for mutant in make[number - 1 :: parts] if mutant.name not in done]
    os.chdir(ROOT)
    forks = Forks(make, Tests(given.coverage, given.times), given.results, given.seconds, given.quick)
    if given.what == "data":  # read when modules are imported, so that forks would not see them
        forks.all()
    else:
        pytest.main(["-q", "-s", "-p", "no:cacheprovider", "tests"], plugins=[forks])
    report(given.results)


if __name__ == "__main__":
    main()
