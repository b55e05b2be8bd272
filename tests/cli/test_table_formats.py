"""filmdose table: the written formats."""

import pandas as pd
import pytest

from filmdose.compensation import compensate


@pytest.mark.parametrize(("ending", "start"), [("html", "<table"), ("tex", "\\begin{table}"), ("md", "###")])
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
    assert rows["ei"].tolist() == [800, compensate(800, 100.0).ei]
    assert "inference of this project" in pd.read_excel(path, sheet_name="about").iloc[0, 0]


def test_a_spreadsheet_needs_a_file(run):
    code, out, err = run("table", "--format", "xlsx")
    assert (code, out) == (2, "")
    assert err.startswith("error: output")
    assert err.count("\n") == 1
