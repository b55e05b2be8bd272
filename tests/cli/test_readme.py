"""The README does what it says: its Python prints what stands below it, and every command in it runs, in its order.

Commands stand in fences: ``sh`` is for bash and zsh, ``powershell`` and ``bat`` for Windows, ``shell`` for all of them.
What installs packages needs a network: `.ci/run` runs the two marked ones, and here every other is held to pyproject.
"""

import re
import runpy
import shlex
import shutil
import subprocess
import tomllib
import venv
from pathlib import Path

import pytest

from filmdose.cli import VERBS

REPOSITORY = Path(__file__).parents[2]
README = (REPOSITORY / "README.md").read_text(encoding="utf-8")
EXTRAS = tomllib.loads((REPOSITORY / "pyproject.toml").read_text("utf-8"))["project"]["optional-dependencies"]


def fences(language):
    return re.findall(rf"```{language}\n(.*?)```", README, re.DOTALL)


def lines(language):
    return [line for block in fences(language) for line in block.splitlines() if line.strip()]


ACTIVATION = {
    "sh": ".venv/bin/activate",
    "powershell": r".venv\Scripts\Activate.ps1",
    "bat": r".venv\Scripts\activate.bat",
}
SHARED = lines("shell")


def test_python_prints_what_the_readme_says(capsys):
    names = {}
    for code, printed in zip(fences("python"), fences("text"), strict=True):
        exec(compile(code, "README.md", "exec"), names)
        assert capsys.readouterr().out == printed
    assert len([line for line in code.splitlines() if line.strip()]) <= 10


def test_every_fence_is_of_a_language_that_is_tested():
    assert set(re.findall(r"^```(\S+)$", README, re.MULTILINE)) == {
        *("python", "text", "toml", "shell"),
        *ACTIVATION,
    }
    used = {line.split()[1] for line in SHARED if line.startswith("filmdose ")}
    assert used >= VERBS.keys() - {"sources"}
    assert "`filmdose sources`" in README


def test_two_commands_are_marked_for_the_script_that_runs_them():
    for name in ("main-job", "test-suite"):
        assert len(re.findall(rf"<!-- command: {name} -->\n```sh\n.+\n```", README)) == 1


# -- shells --------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("command", SHARED)
def test_every_shell_reads_the_shared_commands_alike(command):
    """No mark that means something else in bash, zsh, PowerShell or cmd; only double quotes, around whole words."""
    assert not set(command) & set("'\\#$&;|<>`^%!*?(){}~"), command
    words = re.findall(r'"[^"]*"|[^\s"]+', command)
    assert " ".join(words) == command
    assert [word.strip('"') for word in words] == shlex.split(command)
    for word in words:
        if not word.startswith('"'):
            # PowerShell makes a list of what has a comma, zsh a pattern of what has brackets, and @ means a variable.
            assert not set(word) & set(",[]@"), command


def test_how_to_activate_is_shown_for_every_shell(tmp_path):
    venv.create(tmp_path / ".venv", with_pip=False, symlinks=True)
    folder = ".venv/bin" if (tmp_path / ".venv" / "bin").is_dir() else ".venv/Scripts"
    for language, script in ACTIVATION.items():
        (line,) = [line for line in lines(language) if script in line and "&&" not in line]
        assert line == (f"source {script}" if language == "sh" else script)
    assert (tmp_path / ACTIVATION["sh"]).is_file() or folder.endswith("Scripts")
    assert (tmp_path / folder / "Activate.ps1").is_file()  # of the same name on Windows, in Scripts
    if shutil.which("bash") and folder.endswith("bin"):
        (line,) = [line for line in lines("sh") if line.startswith("source ")]
        where = subprocess.run(
            ["bash", "-euo", "pipefail", "-c", f"{line} && command -v python"],
            cwd=tmp_path,
            capture_output=True,
            text=True,
            check=True,
        )
        assert where.stdout.strip() == str(tmp_path / ".venv" / "bin" / "python")
    for language in ("powershell", "bat"):
        assert lines(language) == ["py -m venv .venv", ACTIVATION[language], "pip install --quiet ."]


@pytest.mark.parametrize("command", [line for line in SHARED if not line.startswith(("filmdose ", "python "))])
def test_what_needs_a_network_or_does_not_end_is_held_to_the_packages(command):
    """Not run here: an install needs a network, and JupyterLab runs until it is closed."""
    if command.startswith("pip "):
        found = re.fullmatch(r'pip install --quiet "\.\[(\w+)\]"', command)
        assert found, command
        assert found[1] in EXTRAS
        return
    program, verb, folder = command.split()
    assert (program, verb) == ("jupyter", "lab")
    assert any(name.startswith("jupyterlab") for name in EXTRAS["notebooks"])
    assert f"filmdose notebooks {folder}" in README  # makes it


# -- commands, in their order ----------------------------------------------------------------------------------------


def files(folder):
    return {path: path.stat().st_mtime_ns for path in folder.rglob("*")}


@pytest.mark.long
def test_commands_run_in_their_order(run, capsys, tmp_path, monkeypatch):
    """In a folder with the files that a clone has, each where those before it have left off.

    The trip file is the one that the README says to save.
    """
    shutil.copytree(REPOSITORY / "notebooks", tmp_path / "notebooks", ignore=shutil.ignore_patterns("*.ipynb", "__*"))
    (text,) = fences("toml")
    (tmp_path / "trip.toml").write_text(text, encoding="utf-8")
    monkeypatch.chdir(tmp_path)
    ran = [command for command in SHARED if command.startswith(("filmdose ", "python "))]
    assert len(ran) >= 30
    for command in ran:
        program, *words = shlex.split(command)
        before = files(tmp_path)
        if program == "python":
            runpy.run_path(words[0], run_name="__main__")
            out = capsys.readouterr().out
        else:
            code, out, err = run(*words)
            assert code == 0, f"{command}: {err}"
        assert out or files(tmp_path) != before, command


def test_images_and_links_exist():
    for target in re.findall(r"\]\(([^)#:]+)\)", README):
        assert (REPOSITORY / target).exists(), target
    for heading in re.findall(r"\]\(#([^)]+)\)", README):
        titles = [
            re.sub(r"[^\w -]", "", title.lower()).replace(" ", "-") for title in re.findall(r"^#+ (.+)$", README, re.M)
        ]
        assert heading in titles


def test_files_that_the_prose_names_are_there():
    for name in re.findall(r"`((?:notebooks|docs|reference|filmdose|tests)/[\w./-]+)`", README):
        assert (REPOSITORY / name).exists(), name
