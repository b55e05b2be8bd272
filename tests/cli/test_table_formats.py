"""filmdose table: the written formats."""

import pandas as pd
import pytest

from filmdose.answering import answer


@pytest.mark.long
@pytest.mark.parametrize(
    ("ending", "start"), [("html", "<!DOCTYPE html>"), ("tex", "\\section*"), ("md", "# Exposure index")]
)
def test_the_ending_of_the_file_chooses_the_format(run, tmp_path, ending, start):
    path = tmp_path / f"table.{ending}"
    code, out, err = run("table", "--output", path)
    assert (code, out, err) == (0, "", "")
    text = path.read_text(encoding="utf-8")
    assert text.startswith(start)
    assert "Fog is calibrated at 25 uGy" in text


def test_spreadsheet_agrees_with_the_library(run, tmp_path):
    path = tmp_path / "table.xlsx"
    code, _, _ = run("table", "--speeds", "800", "--kerma", "0,100", "--output", path)
    assert code == 0
    rows = pd.read_excel(path, sheet_name="table")
    assert rows["ei"].tolist() == [800, answer(800, 100.0).ei]
    about = " ".join(pd.read_excel(path, sheet_name="about")["about this table"])
    assert "inference of this project" in about


def test_a_spreadsheet_needs_a_file(run):
    code, out, err = run("table", "--format", "xlsx")
    assert (code, out) == (2, "")
    assert err.startswith("error: output")
    assert err.count("\n") == 1


@pytest.mark.long
def test_a_hostile_trip_is_harmless_in_every_written_table(run, tmp_path):
    hostile = '=HYPERLINK("http://x.invalid")<script>alert(1)</script>'
    trip = tmp_path / "trip.toml"
    trip.write_text(f"[[roll]]\nid = '{hostile}'\nspeed = 400\n[[pass]]\nsource = 'cabin-ct'\n", encoding="utf-8")
    for ending in ("csv", "xlsx", "html", "md", "tex"):
        path = tmp_path / f"rolls.{ending}"
        assert run("trip", trip, "--output", path)[0] == 0
        if ending == "csv":
            assert pd.read_csv(path)["roll"].tolist() == ["'" + hostile]
        elif ending == "xlsx":
            assert pd.read_excel(path)["roll"].tolist() == ["'" + hostile]
            about = " ".join(pd.read_excel(path, sheet_name="about")["about this table"])
            assert "badge readings at 20 checkpoints" in about
        else:
            text = path.read_text(encoding="utf-8")
            assert ("<script" in text) is (ending == "tex")  # LaTeX has no such markup
            assert "badge readings at 20 checkpoints" in text
