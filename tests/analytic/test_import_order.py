"""Imports point one way: from lower in the list to higher, wherever in a module they stand."""

import ast
import graphlib
from pathlib import Path

import pytest

import filmdose

ROOT = Path(filmdose.__file__).parent

#: Layers from the bottom up; a module belongs to the longest name that fits.  DEVELOPERS.md has the same order.
LAYERS = (
    ("version", "lazy", "errors"),
    ("arrays", "files", "standards", "threads"),
    ("units", "tomlfile", "development", "film.curves"),
    ("film.emulsion", "film.model", "film.nnls", "words"),
    ("film.csvtable", "film.cgats", "film.readings", "sensitometry"),
    ("film", "radiation"),
    ("everyday", "history", "solver"),
    ("question",),
    ("decision",),
    ("solution",),
    ("exposed",),
    ("answering",),
    ("outlook", "inverse", "sweep", "trip"),
    ("tripfile",),
    ("scan", "odds"),
    ("planning", "whatif"),
    ("plotting",),
    ("present",),
    ("cli",),
)


def modules():
    for path in sorted(ROOT.rglob("*.py")):
        parts = path.relative_to(ROOT).with_suffix("").parts
        name = ".".join(parts[:-1] if parts[-1] == "__init__" else parts)
        if name:
            yield name, ast.parse(path.read_text(encoding="utf-8"))


NAMES = {name for name, _ in modules()}


def imported(tree, *, inner):
    """Modules of the package that a module imports; ``inner``: also inside functions.  Types alone do not count."""
    stack = list(tree.body)
    while stack:
        node = stack.pop()
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.dump(node.test):
            continue
        if isinstance(node, ast.ImportFrom) and (node.module or "").split(".")[0] == "filmdose":
            for alias in node.names:
                full = f"{node.module}.{alias.name}"[len("filmdose.") :]
                base = node.module[len("filmdose.") :]
                yield full if full in NAMES else base
        elif isinstance(node, ast.FunctionDef | ast.ClassDef | ast.If | ast.With | ast.Try) and (
            inner or not isinstance(node, ast.FunctionDef)
        ):
            stack.extend(node.body)


def layer(name):
    fits = [
        (len(prefix), number)
        for number, prefixes in enumerate(LAYERS)
        for prefix in prefixes
        if name == prefix or name.startswith(prefix + ".")
    ]
    assert fits, f"{name} belongs to no layer: give it one here and in DEVELOPERS.md"
    return max(fits)[1]


@pytest.mark.parametrize("name", sorted(NAMES))
def test_imports_point_to_lower_layers(name):
    tree = dict(modules())[name]
    above = {"film.model": {"film.generic"}}.get(name, set())  # Film.from_speed makes what is built on Film
    higher = {other for other in imported(tree, inner=True) if other and layer(other) > layer(name)} - above
    assert not higher, f"{name} imports what lies above it: {sorted(higher)}"


def test_no_module_imports_itself_through_others():
    graph = {name: set(imported(tree, inner=False)) - {name, ""} for name, tree in modules()}
    order = list(graphlib.TopologicalSorter(graph).static_order())  # raises CycleError, which names the circle
    assert set(order) >= NAMES


def test_an_import_upwards_would_be_found():
    tree = ast.parse("def f():\n    from filmdose.cli.options import x\n")
    assert [layer(name) for name in imported(tree, inner=True)] == [len(LAYERS) - 1]
    assert not list(imported(tree, inner=False))
