"""Regression: the numbers of the data files are those that were last changed on purpose.

Bounds of priors and the values of tables have no second source that a test could ask, so every number has its place in
a fingerprint.  A change that is meant is said in the README under "Results changed", with its reason, and then
``python tests/reference/test_data_files.py`` writes the fingerprints anew.  Words, notes and line ends do not count.
"""

import hashlib
import tomllib
from importlib.resources import files
from pathlib import Path

import pytest

LIST = Path(__file__).parents[2] / "reference" / "data_fingerprints.txt"

#: Fields whose text holds numbers that are counted with: layers and beams.
TEXTS_OF_NUMBERS = {"beam", "beam_soft", "beam_hard", "cartridge", "roll"}


def numbers(name, text):
    """Every number of a data file, and where it stands, one a line."""
    if name.endswith(".csv"):
        rows = [line.strip() for line in text.splitlines() if line.strip() and not line.startswith("#")]
        yield from rows
        return

    def walk(value, place):
        if isinstance(value, dict):
            for key in sorted(value):
                yield from walk(value[key], (*place, key))
        elif isinstance(value, list):
            for number, item in enumerate(value):
                yield from walk(item, (*place, str(number)))
        elif isinstance(value, int | float):
            yield f"{'.'.join(place)} {value!r}"
        elif isinstance(value, str) and any(sign.isdigit() for sign in value) and place[-1] in TEXTS_OF_NUMBERS:
            yield f"{'.'.join(place)} {value}"

    yield from walk(tomllib.loads(text), ())


def fingerprints():
    """SHA-256 of the numbers of every data file that has some."""
    found = {}
    pending = [("", files("filmdose") / "data")]
    while pending:
        above, folder = pending.pop()
        for entry in folder.iterdir():
            name = f"{above}{entry.name}"
            if entry.is_dir():
                pending.append((f"{name}/", entry))
            elif name.endswith((".toml", ".csv")):
                lines = list(numbers(name, entry.read_text(encoding="utf-8")))
                if lines:
                    found[name] = hashlib.sha256("\n".join(lines).encode()).hexdigest()
    return found


def kept():
    lines = LIST.read_text(encoding="utf-8").splitlines()
    return dict(reversed(line.split()) for line in lines if line and not line.startswith("#"))


def test_regression_no_number_of_a_data_file_changed_unseen():
    now, then = fingerprints(), kept()
    changed = sorted(name for name in now.keys() | then.keys() if now.get(name) != then.get(name))
    assert not changed, f"{changed}: changed deliberately? Say so in Results changed; then run {Path(__file__).name}"


@pytest.mark.parametrize(("before", "after"), [("0.25", "0.26"), ("al=3", "al=4"), ("3\n", "4\n")])
def test_a_fingerprint_sees_a_number_and_no_words_and_no_line_ends(before, after):
    text = '# note\n[a]\nvalue = 0.25\nbeam = "140 kVp, al=3"\nnote = "3 of 4"\ncount = 3\n'
    seen = list(numbers("x.toml", text))
    assert list(numbers("x.toml", text.replace("\n", "\r\n").replace("3 of 4", "4 of 5"))) == seen
    assert list(numbers("x.toml", text.replace(before, after))) != seen
    table = "# 1\na,b\n1,2\n"
    assert list(numbers("x.csv", table)) == list(numbers("x.csv", table.replace("\n", "\r\n").replace("# 1", "# 2")))


if __name__ == "__main__":
    head = "# SHA-256 of the numbers of each data file: regression values, see tests/reference/test_data_files.py\n"
    LIST.write_text(
        head + "".join(f"{value}  {name}\n" for name, value in sorted(fingerprints().items())), encoding="utf-8"
    )
