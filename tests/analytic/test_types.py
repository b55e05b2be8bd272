"""Types that users see: names that are what the package knows, and documented calls that a type checker passes."""

import re
import subprocess
import sys
from typing import get_args

import face
import pytest
import typed_documents

from filmdose import names
from filmdose.answering import OUTCOMES
from filmdose.odds.priors import PRIOR_KINDS
from filmdose.radiation import materials, sources
from filmdose.radiation.badge import BADGE_QUANTITIES
from filmdose.radiation.chain import FORMATS, PLACES, STEPS
from filmdose.solution import STATUSES, VERDICTS
from filmdose.solver import CRITERIA
from filmdose.standards import KINDS
from filmdose.trip import FOG_PLACES, INSPECTIONS, STATES

KNOWN = {
    "BadgeQuantity": BADGE_QUANTITIES,
    "BeamOn": sources.beam_on_share(),
    "CriterionAsked": (*CRITERIA, *(name.replace("_", "-") for name in CRITERIA)),
    "CriterionName": CRITERIA,
    "EvidenceGrade": sources.EVIDENCE_GRADES,
    "FilmFormat": FORMATS,
    "FogPlace": FOG_PLACES,
    "Inspection": INSPECTIONS,
    "KermaPlace": PLACES,
    "Kind": KINDS,
    "MaterialName": materials.material_names(),
    "Outcome": OUTCOMES,
    "PriorKind": PRIOR_KINDS,
    "SourceName": sources._shipped(),
    "State": STATES,
    "Status": STATUSES,
    "TransportStep": STEPS,
    "Verdict": VERDICTS,
}


def test_types_of_names_are_the_names_that_the_package_knows():
    assert set(KNOWN) == set(names.__all__) - {"Quantity", "WithUnit"}
    for name, known in KNOWN.items():
        assert get_args(getattr(names, name)) == tuple(known), name


def test_the_typed_examples_are_part_of_the_types_that_are_checked():
    text = (face.ROOT / "pyproject.toml").read_text("utf-8")
    assert '\nfiles = ["filmdose", "tests/typed"]\n' in text
    assert "\nstrict = true\n" in text


def test_the_typed_examples_find_slips():
    text = (face.ROOT / "tests" / "typed" / "calls.py").read_text("utf-8")
    assert len(re.findall(r"# type: ignore\[", text)) > 12
    assert len(re.findall(r"assert_type\(", text)) > 25


#: Of notebooks only what concerns filmdose's own calls is held: cells reuse names, take what may be None at its word,
#: and pass dictionaries of options.
NOTEBOOK_CODES = ("operator", "assignment", "attr-defined", "list-item", "union-attr", "misc", "call-overload")


@pytest.mark.outside
def test_documented_calls_pass_the_type_checker(tmp_path):
    """README, pages and the examples of all docstrings; the notebooks as far as they call filmdose."""
    for name, source in typed_documents.modules():
        kept = "\n".join(line for line in source.splitlines() if not line.lstrip().startswith(("%", "!")))
        (tmp_path / f"{name}.py").write_text(kept, encoding="utf-8")
    notebooks = sorted(path for path in tmp_path.glob("notebook_*.py"))
    others = sorted(set(tmp_path.glob("*.py")) - set(notebooks))
    assert len(others) > 40
    assert checked(others) == []
    found = checked(notebooks, *(word for code in NOTEBOOK_CODES for word in ("--disable-error-code", code)))
    studies = tuple(
        f"notebook_{name.removesuffix('.ipynb')}" for name in ("predicted_and_reported", "real_and_generic")
    )
    foreign = ('"**dict', "StylerRenderer", 'to "round"')  # options in a dictionary, pandas' own, what may be None
    assert [line for line in found if not line.startswith(studies) and not any(word in line for word in foreign)] == []


def checked(paths, *words):
    """Errors that mypy --strict finds; functions of examples need no annotations of their own."""
    options = ["--strict", "--allow-untyped-defs", "--allow-untyped-calls", "--check-untyped-defs"]
    names = [path.name for path in paths]
    done = subprocess.run(
        [sys.executable, "-m", "mypy", *options, *words, "--follow-imports", "silent", "--config-file", "", *names],
        cwd=paths[0].parent,
        env={"MYPYPATH": str(face.ROOT), "PATH": ""},
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode in (0, 1), done.stderr
    return [line for line in done.stdout.splitlines() if ": error: " in line]
