"""Documents written: every format read back by an independent reader, hostile texts harmless."""

import csv
import io
import json
import math
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pypdf
import pytest
from page_reader import PageReader

from filmdose.errors import ArgumentError, MissingExtraError, OutputFileError, UnknownNameError
from filmdose.present.document import Document, Facts, Heading, Paragraph, Plot, Table
from filmdose.present.radiation import sources_document
from filmdose.present.screen import document_text
from filmdose.present.tables import table_document
from filmdose.present.writers import (
    FORMATS,
    document_latex,
    document_markdown,
    format_for,
    frame_csv,
    frame_xlsx,
    json_text,
    neutral_cell,
    render,
    write_document,
)
from filmdose.radiation import source_names

# first characters that spreadsheets take as a formula (OWASP, "CSV Injection"; from memory)
HOSTILE = ["=1+1", "+1+1", "-1+1", "@SUM(A1)", "\t=1", "\r=1", '=HYPERLINK("http://x","y")', "＝1"]
MARKUP = "<script>alert(1)</script>|`x`*b*[a](javascript:1) & \\ $x_1$ % # ~ ^ {}"
EVERYWHERE = (
    Heading(MARKUP),
    Paragraph(MARKUP),
    Table((MARKUP, "b"), ((MARKUP, "two\nlines"),), title=MARKUP, caption=MARKUP),
    Facts(((MARKUP, MARKUP),), title=MARKUP),
    Plot(lambda ax: ax.plot([0, 1]), MARKUP, height_mm=40),
)


def document(*blocks, **more):
    return Document(**{"kind": "test", "title": "T", "blocks": blocks, **more})


@pytest.mark.parametrize("text", HOSTILE)
def test_no_spreadsheet_cell_starts_a_formula(text):
    frame = pd.DataFrame({"note": [text], text: ["x"], "value": [-1.5]})
    header, row = list(csv.reader(io.StringIO(frame_csv(frame))))
    assert row[0] == header[1] == "'" + text.replace("\r", "\n")
    assert float(row[2]) == -1.5  # numbers are not texts, and stay
    sheet = openpyxl.load_workbook(io.BytesIO(frame_xlsx(frame, about=(text,))))
    for cell in (sheet["table"]["A2"], sheet["table"]["B1"], sheet["about"]["A2"]):
        assert cell.data_type == "s"
        assert cell.value.startswith("'")
    assert sheet["table"]["C2"].value == -1.5


@pytest.mark.parametrize("text", [" =1+1", "\u00a0@a", "\u200b-x", "\ufeff+1"])
def test_a_formula_behind_what_nobody_sees_is_text(text):
    assert neutral_cell(text) == "'" + text


def test_control_characters_are_shown_and_do_not_stop_a_spreadsheet():
    frame = pd.DataFrame({"note": ["bell\x07, escape\x1b[31m, null\x00"]})
    shown = "bell\ufffd, escape\ufffd[31m, null\ufffd"
    assert frame_csv(frame).splitlines()[1] == f'"{shown}"'
    assert openpyxl.load_workbook(io.BytesIO(frame_xlsx(frame)))["table"]["A2"].value == shown


def test_plain_texts_stay_as_they_are():
    for value in ("-", "a=b", "", "007", None, 3, -2.5):
        assert neutral_cell(value) is value


def test_markup_is_text_in_html():
    read = PageReader(render(document(*EVERYWHERE, title=MARKUP, foot=MARKUP), "html").decode())
    assert "script" not in read.tags
    assert "a" not in read.tags
    # title twice, heading, paragraph, five in the table and its words, three facts, plot, foot
    assert read.texts.count(MARKUP) == 13
    assert ("alt", MARKUP) in read.attributes


def test_markup_is_text_in_markdown_and_latex():
    made = document(*EVERYWHERE, title=MARKUP)
    text = document_markdown(made)
    assert "<script" not in text
    assert "](" not in text
    row = next(line for line in text.splitlines() if line.endswith("| two lines |"))
    assert row.replace("\\|", "").count("|") == 3
    for line in document_latex(made).splitlines():
        # Commands of the writer itself are known; every other special sign must have its backslash.
        for command in (
            r"\textbackslash{}",
            r"\textasciitilde{}",
            r"\textasciicircum{}",
            r"\section*",
            r"\subsection*",
        ):
            line = line.replace(command, "")
        for special in "%$#_~^":
            assert special not in line.replace("\\" + special, ""), line


def test_a_row_that_starts_with_a_bracket_is_no_argument_of_the_line_end():
    assert "\n[" not in document_latex(document(Table(("a",), (("[invented]",), ("[x]",)))))


def test_csv_keeps_full_precision_and_texts_that_look_like_numbers():
    frame = pd.DataFrame({"roll": ["007", "1e5"], "x": [1 / 3, np.nan]})
    made = document(Table.of(frame, numeric=["x"]), rows=frame)
    back = pd.read_csv(io.StringIO(render(made, "csv").decode()), dtype={"roll": str})
    pd.testing.assert_frame_equal(back, frame, check_exact=True)
    for name in ("markdown", "html", "latex", "text"):
        text = render(made, name).decode()
        assert "007" in text
        assert "nan" not in text


def test_csv_of_rows_is_that_of_their_frame_and_as_pandas_writes_it():
    """pandas has a writer of its own, which takes what no spreadsheet would run."""
    rows = [
        {"text": 'he said "no", twice', "x": 1 / 3, "n": 3, "yes": True, "missing": None, "mixed": "a"},
        {"text": "two\nlines", "x": math.nan, "n": -4, "yes": False, "missing": None, "mixed": 1.5},
        {"text": "", "x": math.inf, "n": 10**12, "yes": True, "missing": None, "mixed": 7},
        {"text": "µ, –", "x": 1e-300, "n": 0, "yes": True, "missing": None, "mixed": None},
    ]
    frame = pd.DataFrame(rows)
    assert frame_csv(rows) == frame_csv(frame) == frame.to_csv(index=False, lineterminator="\n")
    assert frame_csv([{"a": None}]) == pd.DataFrame([{"a": None}]).to_csv(index=False, lineterminator="\n")
    odd = pd.DataFrame(
        {
            "short": np.array([0.1, np.nan], dtype="float32"),
            "whole": pd.array([1, None], dtype="Int64"),
            "sort": pd.Categorical(["a", None]),
        }
    )
    assert frame_csv(odd) == odd.to_csv(index=False, lineterminator="\n")


def test_json_has_a_schema_and_neither_nan_nor_numpy():
    value = {"a": np.float64("nan"), "b": [np.int64(3)], "c": {"d": np.inf}, "e": pd.Timestamp("2026-05-01")}
    made = json.loads(render(document(data=value), "json"))
    assert made == {
        "schema": "filmdose/test",
        "schema_version": 1,
        "a": None,
        "b": [3],
        "c": {"d": None},
        "e": "2026-05-01T00:00:00",
    }
    assert list(made)[:2] == ["schema", "schema_version"]
    assert json_text({}) == "{}"


def words_of(content: bytes, name: str) -> str:
    """What an independent reader finds in a file, without blanks."""
    if name == "xlsx":
        book = openpyxl.load_workbook(io.BytesIO(content))
        text = " ".join(str(cell) for sheet in book for row in sheet.iter_rows(values_only=True) for cell in row)
    elif name == "pdf":
        text = " ".join(page.extract_text() for page in pypdf.PdfReader(io.BytesIO(content)).pages)
    elif name == "html":
        text = PageReader(content.decode()).words
    else:
        text = content.decode()
    return "".join(text.split())


@pytest.mark.long
def test_every_format_holds_the_same_table():
    made = table_document([100, 800], [0, 100, 1000])
    shown = next(block for block in made.blocks if "ISO 800" in block.header)
    indices = [row[shown.header.index("ISO 800")] for row in shown.rows]
    for name in FORMATS:
        found = words_of(render(made, name), name)
        if name in ("csv", "json", "xlsx"):
            for value in made.frame["ei"].dropna():
                assert f"{value:g}" in found
            assert "snr_kept" in found
        else:
            for index in indices:
                assert index.replace("~", r"\textasciitilde{}" if name == "latex" else "~") in found
        if name not in ("csv", "json"):
            assert "inferenceofthisproject" in found  # the caption says how sure it is


@pytest.mark.parametrize("width", [80, 100, 160])
def test_no_line_of_text_is_longer_than_the_screen(width):
    for line in document_text(table_document(), width).splitlines():
        assert len(line) <= width


def test_no_text_steers_the_terminal():
    made = document_text(document(Paragraph("a\x1b[31mb\x07"), Table(("x",), (("\x1b]0;t\x07",),)), title="\x1b[2J"))
    assert all(letter.isprintable() or letter == "\n" for letter in made)


def test_names_to_type_stay_whole_on_a_narrow_screen():
    names = source_names()
    lines = document_text(sources_document(), 80).splitlines()
    assert all(len(line) <= 80 for line in lines)
    assert {line.partition(" ")[0] for line in lines} >= set(names)


def test_narrow_tables_wrap_and_keep_every_word():
    table = Table(("name", "note"), (("first", "one two three four five six " * 3), ("second", "x")), frozenset({1}))
    lines = document_text(document(table), 30).splitlines()
    assert max(map(len, lines)) <= 30
    assert " ".join(lines).split().count("three") == 3


@pytest.mark.parametrize(
    ("path", "asked", "found"),
    [
        (None, None, "text"),
        (None, "csv", "csv"),
        ("t.csv", None, "csv"),
        ("T.HTM", None, "html"),
        ("a.b/t.pdf", "pdf", "pdf"),
        ("/dev/stdout", "json", "json"),
        ("pipe", None, "text"),
        (Path("notes.txt"), None, "text"),
    ],
)
def test_the_ending_says_what_is_written(path, asked, found):
    assert format_for(path, asked) == found


@pytest.mark.parametrize(
    ("path", "asked"),
    [("t.png", None), ("t.doc", "text"), ("t.csv", "text"), ("t.pdf", "html"), ("t.xls", "xlsx")],
)
def test_an_ending_that_promises_something_else_is_refused(path, asked):
    with pytest.raises(ArgumentError, match="output: got"):
        format_for(path, asked)


def test_errors_name_what_is_allowed(tmp_path, monkeypatch):
    made = document(rows=pd.DataFrame({"a": [1]}))
    with pytest.raises(ArgumentError, match=r"\.xlsx"):
        write_document(made, tmp_path / "t.odt")
    with pytest.raises(UnknownNameError, match="latex"):
        render(made, "late")
    with pytest.raises(ArgumentError, match="markdown"):
        write_document(document(), tmp_path / "t.csv")
    with pytest.raises(OutputFileError):
        write_document(made, tmp_path / "no" / "t.csv")
    monkeypatch.setitem(__import__("sys").modules, "openpyxl.styles", None)
    with pytest.raises(MissingExtraError, match=r"filmdose\[tables\]"):
        frame_xlsx(made.frame)
    assert list(tmp_path.iterdir()) == []
