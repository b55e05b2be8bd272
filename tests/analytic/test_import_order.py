"""Imports point one way: from lower in the order to higher, lazy ones and those for types alone included."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import filmdose

ROOT = Path(filmdose.__file__).parent

#: From what knows nothing of the rest to what knows all of it.  A name stands for a module or for a whole package;
#: the most particular one counts.  Within a package any order will do that has no circle.
ORDER = (
    *("version", "names", "errors", "arguments", "result", "everyday", "standards", "lazy", "threads"),
    *("files", "blockstore", "quantity", "arrays", "units", "tomlfile", "words"),
    *("film.curves", "sensitometry", "film", "radiation", "history"),
    *("criteria", "nodes", "solver", "stack", "question", "decision", "solution", "cf", "exposed", "answering"),
    *("tonecurve", "tonetable", "printing"),
    *(
        "inverse",
        "sweep",
        "trip",
        "tripfile",
        "odds",
        "examples",
        "rolls",
        "outlook",
        "planning",
        "development",
        "whatif",
        "scan",
        "plotting",
        "picture",
        "present",
        "cli",
        "__main__",
    ),
)


def modules(root: Path) -> dict[str, Path]:
    """Every module below a package's folder, by its name without the package's own."""
    found = {}
    for path in root.rglob("*.py"):
        parts = path.relative_to(root).with_suffix("").parts
        if parts[0] == "notebooks":  # a wheel carries the notebooks and the script beside them
            continue
        found[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path
    return found


def imports(source: str, known: set[str], package: str) -> set[str]:
    """Modules of the package that a source imports anywhere: at its top, in functions, for types alone."""
    found = set()
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.ImportFrom):
            assert node.level == 0, "relative imports are not looked at"
            names = [f"{node.module}.{alias.name}" for alias in node.names]
            names = [name if name.removeprefix(package + ".") in known else str(node.module) for name in names]
        elif isinstance(node, ast.Import):
            names = [alias.name for alias in node.names]
        else:
            continue
        found |= {
            name.removeprefix(package).removeprefix(".") for name in names if f"{name}.".startswith(f"{package}.")
        }
    return found


def graph(root: Path, package: str = "filmdose") -> dict[str, set[str]]:
    found = modules(root)
    return {name: imports(path.read_text("utf-8"), set(found), package) - {name} for name, path in found.items()}


def place(module: str, order: tuple[str, ...] = ORDER) -> int:
    """Place of a module in the order: that of the longest name that holds it."""
    holding = [name for name in order if f"{module}.".startswith(f"{name}.")]
    assert holding, f"{module} has no place in the order"
    return order.index(max(holding, key=len))


def circle(edges: dict[str, set[str]]) -> list[str]:
    """Modules that import one another in a circle; empty if none do."""
    left = dict(edges)
    while True:
        free = [name for name, targets in left.items() if not targets & left.keys()]
        if not free:
            return sorted(left)
        for name in free:
            del left[name]


@pytest.fixture(scope="module")
def edges():
    found = graph(ROOT)
    assert len(found) > 100
    return {name: targets for name, targets in found.items() if name}  # the face imports whatever it shows


@pytest.mark.long
def test_no_module_imports_what_stands_above_it(edges):
    wrong = [(name, target) for name, targets in edges.items() for target in targets if place(target) > place(name)]
    assert wrong == []


@pytest.mark.long
def test_nothing_imports_the_face(edges):
    assert [name for name, targets in edges.items() if "" in targets] == []


@pytest.mark.long
def test_no_circles(edges):
    assert circle(edges) == []


def test_every_name_of_the_order_is_there(edges):
    assert [name for name in ORDER if not any(f"{module}.".startswith(f"{name}.") for module in edges)] == []


def test_lazy_imports_and_imports_for_types_are_seen(tmp_path):
    package = tmp_path / "house"
    package.mkdir()
    (package / "__init__.py").write_text("")
    (package / "low.py").write_text("def f():\n    from house.high import g\n    return g\n")
    types = "from typing import TYPE_CHECKING\nif TYPE_CHECKING:\n    from house import low\n"
    (package / "high.py").write_text(types + "g = 1\n")
    found = graph(package, "house")
    assert found == {"": set(), "low": {"high"}, "high": {"low"}}
    assert circle(found) == ["high", "low"]
    assert place("high", ("low", "high")) > place("low", ("low", "high"))


@pytest.mark.long
def test_numbers_of_standards_stand_once():
    """No other module gives a name of its own to a number of a standard."""
    from filmdose import standards

    names = {name for name in standards.__all__ if name.startswith("ISO")}
    for name, path in modules(ROOT).items():
        if name == "standards":
            continue
        assigned = {
            target.id
            for node in ast.walk(ast.parse(path.read_text("utf-8")))
            if isinstance(node, ast.Assign | ast.AnnAssign)
            for group in (node.targets if isinstance(node, ast.Assign) else [node.target])
            for target in (group.elts if isinstance(group, ast.Tuple) else [group])
            if isinstance(target, ast.Name)
        }
        again = {each for each in assigned if each in names or each.startswith(("ISO6_", "ISO2240_", "ISO5800_"))}
        assert not again, f"{name} states {sorted(again)}"


@pytest.mark.long
def test_no_function_is_longer_than_a_reader_can_hold():
    """At most 120 lines of statements, and at most 40 of them that branch; docstring and options aside."""
    branching = (ast.If, ast.For, ast.While, ast.ExceptHandler, ast.IfExp, ast.BoolOp, ast.comprehension)
    for path in ROOT.rglob("*.py"):
        for node in ast.walk(ast.parse(path.read_text("utf-8"))):
            if isinstance(node, ast.FunctionDef):
                body = node.body[1:] if ast.get_docstring(node) is not None else node.body
                lines = body[-1].end_lineno - body[0].lineno + 1 if body else 0
                branches = sum(isinstance(part, branching) for part in ast.walk(node))
                assert lines <= 120, f"{path.name}: {node.name} has {lines} lines"
                assert branches <= 40, f"{path.name}: {node.name} has {branches} branches"


# -- the map of the house ----------------------------------------------------------------------------------------------

GUIDE = Path(__file__).parents[2] / "DEVELOPERS.md"


def map_rows() -> list[tuple[list[str], str]]:
    """Rows of the guide's table of modules: the names in the first column, and the whole row."""
    table = GUIDE.read_text("utf-8").split("| module | knows |\n|---|---|\n")[1].split("\n\n")[0]
    return [(re.findall("`([^`]+)`", row.split("|")[1]), row) for row in table.splitlines()]


def test_every_module_has_its_row_and_every_row_its_modules(edges):
    rows = [(names, row) for names, row in map_rows() if names != ["data/"]]
    named = [name for names, _ in rows for name in names]
    assert sorted(named) == sorted(set(named)), "a row stands twice"
    assert [name for name in named if name not in edges] == []
    for module in edges:
        room, _, leaf = module.rpartition(".")
        if not room or room == "film":
            assert module in named or module == "film", f"{module} has no row"
        elif room in ("odds", "radiation", "sensitometry"):
            (row,) = (row for names, row in rows if room in names)
            assert f"`{leaf}`" in row, f"{module} is not in the row of {room}"


def test_the_map_stands_in_the_order_of_imports():
    places = [place(name) for names, _ in map_rows() for name in names if name != "data/"]
    assert places == sorted(places)
