"""Example trips and notebooks, as a person with an installed package meets them."""

import json

import pytest

from filmdose.errors import OutputFileError, UnknownNameError
from filmdose.examples import copy_notebooks, example_trip, example_trip_path, example_trips
from filmdose.tripfile import read_trip


def test_every_example_trip_reads_and_is_marked_as_invented():
    assert example_trips() == ("ahead", "example", "measured")
    for name in example_trips():
        assert example_trip(name) == read_trip(example_trip_path(name))
        assert example_trip(name).invented
    with pytest.raises(UnknownNameError, match="mesured"):
        example_trip("mesured")


def test_copied_notebooks_need_nothing_beside_them(tmp_path):
    written = copy_notebooks(tmp_path / "mine")
    names = {path.name for path in written}
    assert {"compensation_tables.ipynb", "trip_measured.toml"} <= names
    for path in written:
        if path.suffix == ".ipynb":
            cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
            code = "\n".join("".join(cell["source"]) for cell in cells if cell["cell_type"] == "code")
            assert ".." not in code.replace("...", "")
            for name in ("trip_ahead.toml", "trip_example.toml", "trip_measured.toml"):
                assert name not in code or (path.parent / name).is_file()
    with pytest.raises(OutputFileError, match="there already"):
        copy_notebooks(tmp_path / "mine")


def test_the_command_says_what_it_did_and_replaces_nothing(run, tmp_path):
    code, out, err = run("notebooks", tmp_path / "mine")
    assert (code, err) == (0, "")
    assert "files in" in out
    code, out, err = run("notebooks", tmp_path / "mine")
    assert (code, out, err.count("\n")) == (2, "", 1)
    (tmp_path / "file").write_text("x")
    assert run("notebooks", tmp_path / "file" / "below")[0] == 2
