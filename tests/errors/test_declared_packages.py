"""Everything that the package imports is declared: as a dependency, or in an extra that a user can ask for."""

import ast
import re
import sys
import tomllib
from importlib.metadata import packages_distributions
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]


def plain(name):
    return re.sub(r"[-_.]+", "-", re.match(r"[\w.-]+", name)[0]).lower()


#: Extras that bring what runs, unlike those of people who work on the package.
EXTRAS = set(PROJECT["optional-dependencies"]) - {"test", "dev", "docs"}
NEEDED = {plain(name) for name in PROJECT["dependencies"]}
OPTIONAL = {plain(name) for extra in EXTRAS for name in PROJECT["optional-dependencies"][extra]}


def imported():
    found = {}
    for path in sorted((ROOT / "filmdose").rglob("*.py")):
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            names = []
            if isinstance(node, ast.Import):
                names = [alias.name for alias in node.names]
            elif isinstance(node, ast.ImportFrom) and node.level == 0:
                names = [node.module or ""]
            for name in names:
                top = name.split(".")[0]
                if top not in sys.stdlib_module_names and top != "filmdose":
                    found.setdefault(top, path.relative_to(ROOT))
    return found


@pytest.mark.few(1)
@pytest.mark.parametrize("package", sorted(imported()))
def test_an_imported_package_is_declared(package):
    names = {plain(name) for name in packages_distributions().get(package, [package])}
    assert names & (NEEDED | OPTIONAL), f"{imported()[package]} imports {package}: add one of {names} to pyproject.toml"


def test_what_the_command_line_cannot_do_without_is_no_extra():
    assert {"numpy", "pandas", "typer", "tomlkit", "filelock"} <= NEEDED
