"""The way in: the names on the package, what they cost, and the documents behind every verb."""

import ast
import importlib
import json
import os
import pkgutil
import re
import subprocess
import sys
from pathlib import Path

import pytest

import filmdose
import filmdose.plotting
from filmdose.cli import VERBS

REPOSITORY = Path(__file__).parents[2]


def typed_names(package):
    """Names that a package imports for type checkers, with the module that each comes from."""
    tree = ast.parse(Path(package.__file__).read_text(encoding="utf-8"))
    (block,) = [node for node in tree.body if isinstance(node, ast.If)]
    return {alias.name: line.module for line in block.body for alias in line.names}


LAZY = ("film", "odds", "plotting", "present", "radiation", "sensitometry")


@pytest.mark.parametrize("package", [filmdose, *(getattr(filmdose, name) for name in LAZY)])
def test_people_and_type_checkers_see_the_same_names(package):
    typed = typed_names(package)
    assert set(typed) | ({"__version__"} if package is filmdose else set()) == set(package.__all__)
    for name, module in typed.items():
        assert getattr(package, name) is getattr(importlib.import_module(module), name)


def test_about_thirty_names_and_nothing_of_the_inside():
    assert 25 <= len(filmdose.__all__) <= 35
    modules = {module.name for module in pkgutil.iter_modules(filmdose.__path__)}
    shown = set(dir(filmdose))
    assert set(filmdose.__all__) <= shown
    assert shown <= set(filmdose.__all__) | modules
    assert not {"arrays", "files", "lazy", "solver", "standards", "cli", "words", "TYPE_CHECKING"} & shown
    with pytest.raises(AttributeError, match="no attribute 'nonsense'"):
        filmdose.nonsense  # noqa: B018


def fresh(code):
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    return done.stdout


@pytest.mark.long
def test_submodules_are_reachable_after_the_import_alone():
    names = sorted(set(dir(filmdose)) - set(filmdose.__all__))
    assert fresh(f"import filmdose\nprint(*(getattr(filmdose, n).__name__ for n in {names}))").split() == [
        f"filmdose.{name}" for name in names
    ]


HEAVY = ["numpy", "scipy", "pandas", "xarray", "matplotlib", "xraydb", "rich", "jinja2", "tomlkit"]


@pytest.mark.parametrize(
    "code",
    ["import filmdose; dir(filmdose)", "from filmdose.cli import main; main(['--help']); main(['--version'])"],
)
def test_neither_the_import_nor_the_help_imports_what_is_slow(code):
    last = fresh(f"{code}\nimport sys\nprint(*[m for m in {HEAVY} if m in sys.modules], sep=',')").splitlines()[-1]
    assert last == ""


#: What is asked for before a roll is loaded, each quick enough that an import would be felt.
ROLLS = [
    ["roll", "--speed", "800", "--pass", "cabin-ct=2", "--samples", "64"],
    ["roll", "--speed", "400", "--kind", "colour-negative", "--kerma", "100", "--exposed", "--samples", "64"],
    ["roll", "--speed", "100", "--kind", "colour-reversal", "--pass", "hold-ct", "--samples", "64"],
    ["odds", "--speed", "800", "--pass", "cabin-ct=2", "--flight", "11", "--samples", "64"],
    ["odds", "notebooks/trip_example.toml", "--samples", "64"],
    ["trip", "notebooks/trip_example.toml"],
    ["table", "--typical"],
    ["table", "--speeds", "400", "--kerma", "0,100"],
    ["table", "--speeds", "400", "--passes", "x-ray", "--kind", "bw-reversal"],
]


@pytest.mark.long
@pytest.mark.parametrize(
    "formats",
    [("text",), pytest.param(("csv", "json", "markdown", "html"), marks=pytest.mark.long)],
    ids=" ".join,
)
def test_no_verb_of_a_roll_needs_tables_labelled_arrays_statistics_or_plots(formats):
    """Not in any format that is written without a package of its own; only a page needs its templates."""
    code = f"""
import sys
from filmdose.cli import main

for format in {formats}:
    for words in {ROLLS}:
        assert main([*words, "--format", format]) == 0, words
        found = {{name for name in {[*HEAVY, "scipy.stats"]} if name in sys.modules}} - {{"numpy", "scipy"}}
        assert found <= ({{"jinja2"}} if format == "html" else set()), (format, words, found)
print("light")
"""
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, timeout=120, cwd=REPOSITORY)
    assert done.returncode == 0, done.stderr
    assert done.stdout.splitlines()[-1] == "light"


@pytest.mark.long
@pytest.mark.parametrize(
    ("before", "threads"),
    [
        ("", 1),
        ("import os; os.environ['OPENBLAS_NUM_THREADS'] = '2'", 2),  # whoever asks for more gets it
        ("import numpy", None),  # a program that has the library already keeps its threads, and its environment
    ],
)
def test_the_command_line_alone_keeps_matrix_products_from_making_threads(before, threads):
    code = f"""
import os
os.environ.pop("OPENBLAS_NUM_THREADS", None)
{before}
from filmdose.cli import main
assert main(["roll", "--speed", "400", "--kerma", "10", "--samples", "64"]) == 0
from threadpoolctl import threadpool_info
print(os.environ.get("OPENBLAS_NUM_THREADS"), {{one["num_threads"] for one in threadpool_info()}})
"""
    asked, found = fresh(code).splitlines()[-1].split(maxsplit=1)
    assert asked == str(threads)
    if threads is not None:
        assert found == str({min(threads, os.cpu_count() or 1)})


@pytest.mark.long
def test_it_is_seen_when_a_verb_does_need_one():
    code = "from filmdose.cli import main; main(['sources']); import sys; print('pandas' in sys.modules)"
    assert fresh(code).splitlines()[-1] == "True"


@pytest.mark.parametrize("verb", VERBS)
def test_the_line_of_a_verb_is_the_first_of_its_help(verb):
    function = getattr(importlib.import_module(f"filmdose.cli.{verb}"), verb)
    assert function.__doc__.splitlines()[0] == VERBS[verb]


def documented():
    """Names of the JSON of every verb, as the guide says."""
    text = (REPOSITORY / "DEVELOPERS.md").read_text(encoding="utf-8")
    section = text.split("## JSON\n")[1].split("\n## ")[0]
    rows = re.findall(r"^\| `filmdose/(\w+)` \| (.*) \|$", section, re.MULTILINE)
    return {kind: set(re.findall(r"`(\w+)`", names)) for kind, names in rows}


JOBS = {
    "table": ["table", "--speeds", "400", "--kerma", "0,100"],
    "roll": ["roll", "--speed", "400", "--pass", "cabin-ct"],
    "trip": ["trip", "notebooks/trip_example.toml"],
    "develop": ["develop", "contrast", "--contrast", "4=0.5,8=0.75,12=0.88"],
    "budget": ["budget", "--speeds", "400"],
    "shield": ["shield", "--material", "lead", "--thickness", "0.25"],
    "sources": ["sources"],
    "print": ["print", "--speed", "400", "--kerma", "370"],
    "preview": ["preview", "--speed", "400", "--pass", "cabin-ct", "--width", "120"],
}
SLOW = {
    "odds": ["odds", "notebooks/trip_example.toml", "--samples", "256"],
    "plan": ["plan", "notebooks/trip_ahead.toml", "--samples", "256"],
    "learn": ["learn", "notebooks/trip_measured.toml", "--samples", "1024"],
}


@pytest.mark.few(3)
@pytest.mark.parametrize("kind", [*JOBS, *SLOW])
def test_json_has_the_names_that_are_documented(run, monkeypatch, kind):
    monkeypatch.chdir(REPOSITORY)
    code, out, err = run(*(JOBS | SLOW)[kind], "--format", "json")
    assert code == 0, err
    made = json.loads(out)
    assert (made.pop("schema"), made.pop("schema_version")) == (f"filmdose/{kind}", 1)
    assert set(made) == documented()[kind]


@pytest.mark.few(2)
@pytest.mark.parametrize("kind", JOBS)
@pytest.mark.parametrize(
    ("ending", "start"),
    [
        ("txt", b""),
        ("csv", b""),
        ("json", b"{"),
        ("md", b"# "),
        ("html", b"<!DOCTYPE html>"),
        ("tex", rb"\section*{"),
        ("xlsx", b"PK"),
        ("pdf", b"%PDF"),
    ],
)
def test_every_verb_writes_every_format_after_the_ending(run, monkeypatch, tmp_path, kind, ending, start):
    monkeypatch.chdir(REPOSITORY)
    target = tmp_path / f"out.{ending}"
    code, out, err = run(*JOBS[kind], "--output", target)
    assert (code, out, err) == (0, "", "")
    content = target.read_bytes()
    assert len(content) > 20
    assert content.startswith(start)
    if ending == "csv":
        header, *rows = content.decode().splitlines()
        assert "," in header
        assert rows


@pytest.mark.parametrize(
    ("kind", "words"),
    [
        (kind, words)
        for kind in JOBS
        for words in (["-o", "x.png"], ["-o", "x.csv", "-f", "text"], ["-f", "pdf"])
        if (kind, words[1]) != ("preview", "x.png")  # the one verb that makes pictures
    ],
)
def test_no_verb_writes_what_the_ending_does_not_say(run, monkeypatch, tmp_path, kind, words):
    job = [str(REPOSITORY / word) if word.endswith(".toml") else word for word in JOBS[kind]]
    monkeypatch.chdir(tmp_path)
    code, out, err = run(*job, *words)
    assert (code, out) == (2, "")
    assert err.startswith("error: output: got ")
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []
