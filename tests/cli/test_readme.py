"""The README does what it says: its Python prints what stands below it, its commands run."""

import re
import shlex
import shutil
from pathlib import Path

import pytest
from scan_cases import write_scans

REPOSITORY = Path(__file__).parents[2]
README = (REPOSITORY / "README.md").read_text(encoding="utf-8")
COMMANDS = [
    line.split("#")[0].strip()
    for block in re.findall(r"```sh\n(.*?)```", README, re.DOTALL)
    for line in block.splitlines()
    if line.startswith("filmdose ")
]


def test_python_prints_what_the_readme_says(capsys):
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    (printed,) = re.findall(r"```text\n(.*?)```", README, re.DOTALL)
    exec(compile(code, "README.md", "exec"), {})
    assert capsys.readouterr().out == printed
    lines = [line for line in code.splitlines() if line.strip()]
    assert len(lines) <= 10


def test_commands_are_found():
    assert len(COMMANDS) >= 12


@pytest.mark.parametrize("command", COMMANDS)
def test_commands_run(run, tmp_path, monkeypatch, command):
    shutil.copytree(REPOSITORY / "notebooks", tmp_path / "notebooks", ignore=shutil.ignore_patterns("*.ipynb"))
    (tmp_path / "trip.toml").write_text('[[roll]]\nid = "a"\nspeed = 400\n', encoding="utf-8")
    if ".tif" in command or "profile.csv" in command:
        write_scans(tmp_path)
    monkeypatch.chdir(tmp_path)
    before = set(tmp_path.rglob("*"))
    code, out, err = run(*shlex.split(command)[1:])
    assert code == 0, err
    assert out or set(tmp_path.rglob("*")) > before


def test_images_and_links_exist():
    for target in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (REPOSITORY / target).exists(), target


def test_two_commands_are_marked_for_the_script_that_runs_them():
    for name in ("main-job", "test-suite"):
        assert len(re.findall(rf"<!-- command: {name} -->\n```sh\n.+\n```", README)) == 1
