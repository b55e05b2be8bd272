"""Written tables: every format read back by an independent reader, hostile texts harmless."""

import csv
import io
import json

import numpy as np
import openpyxl
import pandas as pd
import pytest
from page_reader import PageReader

from filmdose.errors import ArgumentError, MissingExtraError, OutputFileError, UnknownNameError
from filmdose.present.tables import caption, compensation_table, ei_matrix
from filmdose.present.writers import (
    TABLE_FORMATS,
    neutral_cell,
    table_csv,
    table_html,
    table_latex,
    table_markdown,
    table_xlsx,
    write_table,
)

# first characters that spreadsheets take as a formula (OWASP, "CSV Injection"; from memory)
HOSTILE = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x","y")', "＝1"]
MARKUP = "<script>alert(1)</script>|`x`*b*[a](javascript:1) & \\ $x_1$ % # ~ ^ {}"


@pytest.mark.parametrize("text", HOSTILE)
def test_no_spreadsheet_cell_starts_a_formula(text):
    frame = pd.DataFrame({"note": [text], text: ["x"], "value": [-1.5]})
    header, row = list(csv.reader(io.StringIO(table_csv(frame))))
    assert row[0] == header[1] == "'" + text.replace("\r", "\n")
    assert float(row[2]) == -1.5  # numbers are not texts, and stay
    sheet = openpyxl.load_workbook(io.BytesIO(table_xlsx(frame, caption=text)))
    for cell in (sheet["table"]["A2"], sheet["table"]["B1"], sheet["about"]["A2"]):
        assert cell.data_type == "s"
        assert cell.value.startswith("'")
    assert sheet["table"]["C2"].value == -1.5


def test_plain_texts_stay_as_they_are():
    for value in ("-", "a=b", "", "007", None, 3, -2.5):
        assert neutral_cell(value) is value


def test_markup_is_text_in_html():
    read = PageReader(table_html(pd.DataFrame({MARKUP: [MARKUP]}), caption=MARKUP))
    assert "script" not in read.tags
    assert read.texts.count(MARKUP) == 3


def test_markup_is_text_in_markdown_and_latex():
    frame = pd.DataFrame({"a": [MARKUP], "b": ["two\nlines"]})
    text = table_markdown(frame, caption=MARKUP)
    assert "<script" not in text
    assert "](" not in text
    assert len(text.strip().splitlines()) == 5  # header, rule, one row, blank, caption
    assert text.splitlines()[2].replace("\\|", "").count("|") == 3
    latex = table_latex(frame, caption=MARKUP)
    for special in "&%$#_{}":
        rest = latex.replace("\\" + special, "")
        inside = "".join(line for line in rest.splitlines() if "script" in line)
        allowed = {"&": 1, "{": 1, "}": 1}.get(special, 0)  # column separator; braces of \caption{...} alone
        assert inside.count(special) <= allowed + (1 if special in "{}" else 0), special


def test_csv_keeps_full_precision_and_texts_that_look_like_numbers():
    frame = pd.DataFrame({"roll": ["007", "1e5"], "x": [1 / 3, np.nan]})
    back = pd.read_csv(io.StringIO(table_csv(frame, caption="two\nlines")), comment="#", dtype={"roll": str})
    pd.testing.assert_frame_equal(back, frame, check_exact=True)
    assert "| 007" in table_markdown(frame)
    assert "nan" not in table_markdown(frame) + table_html(frame) + table_latex(frame)


def test_every_format_holds_the_same_table(tmp_path):
    matrix = ei_matrix(compensation_table([100, 800], [0, 100, 1000])).reset_index()
    words = caption("shadow_snr")
    for name, endings in TABLE_FORMATS.items():
        path = write_table(matrix, tmp_path / f"t{endings[0]}", caption=words)
        if name == "xlsx":
            back = pd.read_excel(path)
            assert words in pd.read_excel(path, sheet_name="about").iloc[0, 0]
            assert back["ISO 800"].astype(str).tolist() == matrix["ISO 800"].tolist()
            continue
        text = path.read_text(encoding="utf-8")
        for value in matrix["ISO 800"]:
            assert value in text
        if name == "json":
            assert [row["ISO 800"] for row in json.loads(text)] == matrix["ISO 800"].tolist()
        elif name == "csv":
            assert pd.read_csv(path)["ISO 800"].astype(str).tolist() == matrix["ISO 800"].tolist()
        else:
            assert "inference of this project" in text  # the caption says how sure it is


def test_errors_name_what_is_allowed(tmp_path, monkeypatch):
    frame = pd.DataFrame({"a": [1]})
    with pytest.raises(ArgumentError, match=r"\.xlsx"):
        write_table(frame, tmp_path / "t.pdf")
    with pytest.raises(UnknownNameError, match="latex"):
        write_table(frame, tmp_path / "t.csv", format="late")
    with pytest.raises(OutputFileError):
        write_table(frame, tmp_path / "no" / "t.csv")
    monkeypatch.setitem(__import__("sys").modules, "openpyxl.styles", None)
    with pytest.raises(MissingExtraError, match=r"filmdose\[tables\]"):
        table_xlsx(frame)
    assert list(tmp_path.iterdir()) == []
