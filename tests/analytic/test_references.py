"""Every source that a docstring or a data file names stands in the bibliography."""

import ast
import re
from pathlib import Path

import pytest

import filmdose
from filmdose.files import data_text

BIBLIOGRAPHY = re.findall(r"^@\w+\{([^,]+),", data_text("references.bib"), re.MULTILINE)
SOURCES = sorted(Path(filmdose.__file__).parent.rglob("*.py"))
REPOSITORY = Path(__file__).parents[2]


def named_keys(text):
    section = re.search(r"References\n *-+\n(.*?)(?:\n *\n|\Z)", text, re.DOTALL)
    return re.split(r"[,\s]+", section[1].strip()) if section else []


@pytest.mark.few(130)
@pytest.mark.parametrize("path", SOURCES, ids=lambda path: path.stem)
def test_docstrings_name_known_keys(path):
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        if isinstance(node, (ast.Module, ast.ClassDef, ast.FunctionDef)):
            for key in named_keys(ast.get_docstring(node) or ""):
                assert key in BIBLIOGRAPHY, (getattr(node, "name", "module"), key)


def test_keys_are_unique_and_enough_docstrings_name_them():
    assert len(set(BIBLIOGRAPHY)) == len(BIBLIOGRAPHY)
    named = [key for path in SOURCES for key in named_keys(path.read_text(encoding="utf-8"))]
    assert len(named) > 30


def test_versions_agree():
    citation = (REPOSITORY / "CITATION.cff").read_text(encoding="utf-8")
    assert f"version: {filmdose.__version__}\n" in citation
    assert f"version {filmdose.__version__}" in (REPOSITORY / "README.md").read_text(encoding="utf-8")


def test_top_level_holds_only_what_the_guide_says():
    tracked = {path.name for path in REPOSITORY.iterdir() if not path.name.startswith(".")}
    known = {"README.md", "DEVELOPERS.md", "LICENSE", "CITATION.cff", "pyproject.toml"}
    folders = {"filmdose", "notebooks", "tests", "reference"}
    assert known | folders <= tracked
