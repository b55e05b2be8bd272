"""Readings that are wrong: file, line, column and value are named, and what to do."""

import numpy as np
import pandas as pd
import pytest

from filmdose.errors import ArgumentError, InputFileError, OutputFileError, UnknownNameError, ValidityWarning
from filmdose.film.cgats import CgatsTable, read_cgats, write_cgats
from filmdose.film.csvtable import read_csv_table, write_csv_table
from filmdose.film.generic import generic_film
from filmdose.film.readings import (
    StepReadings,
    read_steps,
    tablet_log_exposures,
    write_steps,
)
from filmdose.film.recordfit import fit_emulsion

CGATS = """CGATS.17
ORIGINATOR "a densitometer"
# a note
KEYWORD "LOG_H"
KEYWORD "DENSITY_STATUS"
DENSITY_STATUS "M"
NUMBER_OF_FIELDS 5
BEGIN_DATA_FORMAT
SAMPLE_ID LOG_H D_RED D_GREEN D_BLUE
END_DATA_FORMAT
NUMBER_OF_SETS 2
BEGIN_DATA
"1" -3 0.2 0.6 0.9
"2" -2.5 0.3 0.7 1.0
END_DATA
"""


@pytest.fixture
def file(tmp_path):
    def make(content, name="steps.csv"):
        path = tmp_path / name
        path.write_bytes(content if isinstance(content, bytes) else content.encode())
        return path

    return make


@pytest.mark.parametrize(
    "content",
    [
        "log_exposure,density\n-3,0.2\n-2.5,0.3\n",
        "Log H [lx s];Density\n-3,0;0,20\n-2,5;0,30\n",
        "-3,0\t0,20\n-2,5\t0,30\n",
        "-3,0 0,20\n-2,5 0,30\n",
        "log_exposure density\n-3,0 0,20\n-2,5 0,30\n",
        "  -3.0   0.20\n  -2.5   0.30\n",
        '# a note\n\nLOG-H , D_VIS , remark\n-3,.2,a b\n\n-2.5,.3,"x, y"\n',
        b"\xef\xbb\xbflog_exposure,density\r\n-3,0.2\r\n-2.5,0.3\r\n",
        "log_exposure,density\n-3,0.2\n-2.5,0.3\n".encode("utf-16"),
        "log_exposure,density,Pr\u00fcfer\n-3,0.2,M\u00fcller\n-2.5,0.3,x\n".encode("cp1252"),
        "log_exposure,density\n-3,0.2\n-2.7,\n-2.5,0.3\n",
    ],
)
def test_delimiter_decimal_header_and_encoding_are_found(file, content):
    readings = read_steps(file(content))
    assert readings.log_exposure.tolist() == [-3.0, -2.5]
    assert readings.densities["visual"].tolist() == [0.2, 0.3]


def test_a_step_without_a_density_is_left_out_and_counted(file):
    readings = read_steps(file("log_exposure,density\n-3,0.2\n-2.7,\n-2.6,nan\n-2.5,0.3\n"))
    assert readings.unread_steps == 2
    assert readings.log_exposure.tolist() == [-3.0, -2.5]


def test_stated_format_is_used(file):
    path = file("x|y\n1|-3|0,2\n2|-2,5|0,3\n")
    table = read_csv_table(path, delimiter="|", decimal=",", header=True, columns=["n", "log_exposure", "density"])
    assert table.density.tolist() == [0.2, 0.3]
    path = file("-3,0.2\n-2.5,0.3\n")
    assert read_csv_table(path, header=False, columns=["log_h", "d_vis"]).log_h.tolist() == [-3.0, -2.5]


def test_four_columns_without_names_are_three_records(file):
    readings = read_steps(file("-3,0.2,0.6,0.9\n-2.5,0.3,0.7,1.0\n"))
    assert readings.records == ("red", "green", "blue")


@pytest.mark.parametrize(
    ("content", "parts"),
    [
        ("log_exposure,density\n-3,0.2\n-2.5,0.3x\n", ["line 3", "column 2", "'density'", "'0.3x'"]),
        ("log_exposure,density\n-3,0.2\n-2.5,0.3 D\n", ["line 3", "column 2", "'0.3 D'", "unit 'D'"]),
        ("# note\n\nlog_exposure,density\n-3,0.2\n\n-2.5,n/a\n", ["line 6", "column 2", "'n/a'", "empty"]),
        ("log_exposure;density\n-3;0.2\n-2,5;0.3\n", ["line 3", "column 1", "'-2,5'", "decimal comma"]),
        ("log_exposure,density\n-3,0.2\n-2.5\n-2,1\n", ["line 3", "1 values", "2 columns"]),
        ("log_exposure,density\n-3,0.2\n-2.5,1,2\n", ["line 3", "3 values", "2 columns"]),
        ("log_exposure,density\n-3,0,2\n-2,5,0,3\n", ["line 2", "3 values", "decimal comma"]),
        ("log_exposure,density\n,0.2\n-2,1\n", ["line 2", "column 1", "missing"]),
        ("log_exposure,d_red,d_green,d_blue,sigma\n-3,.2,.6,.9,\n-2,.2,.6,.9,.01\n", ["line 2", "'sigma'", "missing"]),
        # columns swapped: by negative densities, and by the even steps of a tablet
        ("density,log_exposure\n-3,0.2\n-2.5,0.3\n-2,.7\n-1.5,1.1\n", ["swapped", "column 1"]),
        ("density,log_exposure\n-3,0.2\n,0.25\n-2.5,0.3\n-2,.7\n-1.5,1.1\n", ["swapped", "column 1"]),
        ("log_exposure,density\n0.2,0\n0.3,.15\n.7,.30\n1.1,.45\n", ["swapped", "column 2"]),
        ("density,log_exposure\n-2,.2\n-1.2,.3\n-.5,.7\n.4,1.1\n", ["swapped", "column 1"]),
        # another unit, or two of them
        ("log_exposure,density\n-3,20\n-2.5,30\n", ["line 2", "20", "hundredths"]),
        ("log_exposure,density\n-3,.20\n-2.5,30\n", ["line 3", "30", "mixes units"]),
        ("log_exposure,density\n0.01,.2\n0.3,.3\n7,1\n90,1.4\n", ["line 5", "90", "lux seconds"]),
        ("log_exposure,density\n0.1,.2\n0.2,.3\n0.4,.6\n0.8,1\n1.6,1.4\n", ["lux seconds"]),
        ("log_exposure,density\n-300,.2\n-200,.3\n", ["line 2", "-300", "-12 and 12"]),
        ("log_exposure,density\n-3,-0.2\n-2.5,.3\n", ["line 2", "-0.2", "zero"]),
        ("log_exposure,density\n-3,\n-2.5,\n", ["no step has a density"]),
        # columns
        ("step,density\n1,.2\n2,1\n", ["log_exposure", "step"]),
        ("log_exposure,reading\n-3,.2\n-2,1\n", ["density", "reading"]),
        ("log_exposure,density,d_vis\n-3,.2,.3\n", ["density and d_vis", "the same"]),
        ("log_exposure,density,density\n-3,.2,.3\n", ["twice"]),
        ("1,2,3\n4,5,6\n", ["3 columns without names"]),
        ("", ["empty"]),
        ("# only a note\n", ["empty"]),
        ("log_exposure,density\n", ["no reading"]),
        (b"\x00\x01\x02\xff", ["not a text file"]),
    ],
)
def test_wrong_csv_is_refused_with_its_place(file, content, parts):
    path = file(content)
    with pytest.raises(InputFileError) as caught:
        read_steps(path)
    text = str(caught.value)
    assert str(path) in text
    for part in parts:
        assert part in text, text


def test_a_late_fault_in_a_large_file_is_found(file):
    lines = [f"{-4 + i / 50_000:.6f},{0.2 + i / 50_000:.6f}" for i in range(20_000)]
    lines[17_654] = "-3.6469,0.55O"
    with pytest.raises(InputFileError, match=r"line 17656, column 2 .*'0\.55O'"):
        read_steps(file("log_exposure,density\n" + "\n".join(lines) + "\n"))


def test_cgats_is_read(file):
    readings = read_steps(file(CGATS, "steps.txt"))
    assert readings.status == "M"
    assert readings.records == ("red", "green", "blue")
    assert readings.log_exposure.tolist() == [-3.0, -2.5]
    assert readings.keywords["ORIGINATOR"] == "a densitometer"


def test_quotes_of_cgats_are_taken_off_whatever_they_hold(file):
    lines = 'EMPTY ""\nONE "x"\nINCHES "a 2"" wedge"\nBARE x'
    keywords = read_cgats(file(CGATS.replace('ORIGINATOR "a densitometer"', lines), "steps.txt")).keywords
    assert [keywords[name] for name in ("EMPTY", "ONE", "INCHES", "BARE")] == ["", "x", 'a 2" wedge', "x"]


def test_the_second_table_of_a_cgats_file(file):
    two = CGATS + CGATS.split("\n", 1)[1].replace("-2.5", "-2.0")
    assert read_cgats(file(two), table=2).table.LOG_H.tolist() == [-3.0, -2.0]
    with pytest.raises(InputFileError, match="table 3 is not there; the file has 2"):
        read_cgats(file(two), table=3)


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("0.7", "0.7x", ["line 14", "column 4", "'D_GREEN'", "'0.7x'"]),
        ("0.3 0.7 1.0", "0.3 1.0", ["line 14", "4 values", "5 columns"]),
        ("0.3 0.7 1.0", "0.3 0.7 1.0 2", ["line 14", "6 values", "5 columns"]),
        ("SETS 2", "SETS 3", ["NUMBER_OF_SETS", "3", "2"]),
        ("FIELDS 5", "FIELDS 4", ["NUMBER_OF_FIELDS", "4", "5"]),
        ("END_DATA\n", "", ["line 12", "BEGIN_DATA without END_DATA"]),
        ('STATUS "M"', 'STATUS "Q"', ["DENSITY_STATUS", "'Q'", "visual"]),
        ('"a densitometer"', '"a densitometer', ["line 2", "quote"]),
        ("BEGIN_DATA_FORMAT\nSAMPLE_ID LOG_H D_RED D_GREEN D_BLUE\nEND_DATA_FORMAT\n", "", ["no fields"]),
    ],
)
def test_wrong_cgats_is_refused_with_its_place(file, old, new, parts):
    content = CGATS.replace(old, new) if old != "END_DATA\n" else CGATS[: CGATS.rindex("END_DATA")]
    with pytest.raises(InputFileError) as caught:
        read_steps(file(content, "steps.txt"))
    for part in parts:
        assert part in str(caught.value), str(caught.value)


def test_names_of_samples_are_texts_and_densities_are_not(file):
    assert read_cgats(file(CGATS.replace('"1"', '"a 1"'), "steps.txt")).table.SAMPLE_ID.tolist()[0] == "a 1"
    with pytest.raises(InputFileError, match="line 14, column 4"):
        read_cgats(file(CGATS.replace("0.7", "0.7x"), "steps.txt"))


def test_private_field_must_be_declared(file):
    with pytest.warns(ValidityWarning, match='KEYWORD "LOG_H"'):
        read_steps(file(CGATS.replace('KEYWORD "LOG_H"\n', ""), "steps.txt"))


def test_written_cgats_declares_what_is_private(tmp_path):
    readings = StepReadings(
        log_exposure=[-3, -2.5], densities={"visual": [0.2, 0.3]}, sigma=[0.01, 0.02], status="visual"
    )
    text = write_steps(readings, tmp_path / "s.txt", format="cgats").read_text()
    for line in ('KEYWORD "LOG_H"', 'KEYWORD "D_SIGMA"', 'KEYWORD "DENSITY_STATUS"', "NUMBER_OF_SETS 2"):
        assert line in text.splitlines()
    assert text.index('KEYWORD "DENSITY_STATUS"') < text.index('DENSITY_STATUS "visual"')


def test_keywords_of_ones_own_are_declared_and_the_standards_are_not(tmp_path):
    keywords = {"ORIGINATOR": "a densitometer", "DEVELOPER": "one of ours"}
    path = write_cgats(CgatsTable(table=pd.DataFrame({"D_VIS": [0.2]}), keywords=keywords), tmp_path / "t.txt")
    lines = path.read_text().splitlines()
    assert [line for line in lines if line.startswith("KEYWORD")] == ['KEYWORD "DEVELOPER"']
    assert read_cgats(path).keywords == keywords
    assert read_cgats(path).signature == "CGATS.17"
    with pytest.raises(ArgumentError, match="text of one line"):
        write_cgats(CgatsTable(table=pd.DataFrame({"D_VIS": [0.2]}), keywords={"ORIGINATOR": "a\nb"}), path)
    assert read_cgats(path).keywords == keywords


def test_the_xml_form_is_named(file):
    with pytest.raises(InputFileError, match="XML form"):
        read_cgats(file("<?xml version='1.0'?><cgats/>"))


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputFileError, match="No such file"):
        read_steps(tmp_path / "nothing.csv")


def test_densities_above_the_base_and_relative_exposures_are_not_swapped(tmp_path):
    # a wedge of uneven steps, read with a densitometer that was set to zero on the base
    (tmp_path / "steps.csv").write_text(
        "log_exposure,density\n0,0.01\n0.2,.05\n.3,.11\n.6,.45\n.8,.7\n", encoding="utf-8"
    )
    found = read_steps(tmp_path / "steps.csv")
    assert found.log_exposure.tolist() == [0.0, 0.2, 0.3, 0.6, 0.8]
    assert found.densities["visual"].tolist() == [0.01, 0.05, 0.11, 0.45, 0.7]


def test_a_value_that_is_missing_among_spaces_is_missed(tmp_path):
    (tmp_path / "steps.txt").write_text("log_exposure density sigma\n-3 0.2 0.01\n-2.5  0.3\n", encoding="utf-8")
    with pytest.raises(InputFileError, match=r"line 3.*2 values where 3 columns"):
        read_csv_table(tmp_path / "steps.txt")


def test_one_character_is_not_both_point_and_delimiter(tmp_path):
    (tmp_path / "steps.csv").write_text("log_exposure,density\n-3,0.2\n", encoding="utf-8")
    with pytest.raises(ArgumentError, match=r"decimal.*another character than the delimiter"):
        read_csv_table(tmp_path / "steps.csv", delimiter=",", decimal=",")


def test_a_place_that_cannot_be_written(tmp_path):
    readings = StepReadings(log_exposure=[-3.0], densities={"visual": [0.2]})
    with pytest.raises(OutputFileError):
        write_steps(readings, tmp_path / "no" / "such" / "folder.csv")
    with pytest.raises(UnknownNameError):
        write_steps(readings, tmp_path / "x", format="xml")
    with pytest.raises(ArgumentError, match="delimiter"):
        write_csv_table(pd.DataFrame({"a": [1.5]}), tmp_path / "x.csv", decimal=",")
    with pytest.raises(ArgumentError, match="blanks"):
        write_cgats(CgatsTable(table=pd.DataFrame({"two words": [1.0]})), tmp_path / "x.txt")
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize(
    "more",
    [
        {"densities": {}},
        {"densities": {"cyan": [0.2, 0.3]}},
        {"densities": {"visual": [0.2]}},
        {"densities": {"visual": [0.2, np.nan]}},
        {"densities": {"visual": ["a", "b"]}},
        {"log_exposure": [[-3.0, -2.5]]},
        {"log_exposure": [-3.0, np.inf]},
        {"sigma": [0.01, 0.0]},
        {"sigma": [0.01]},
        {"status": "T"},
    ],
)
def test_impossible_readings(more):
    good = {"log_exposure": [-3.0, -2.5], "densities": {"visual": [0.2, 0.3]}}
    StepReadings(**good)
    with pytest.raises((ArgumentError, UnknownNameError)):
        StepReadings(**{**good, **more})


@pytest.mark.parametrize("arguments", [(1, 0.15), (21, 0.0), (2.5, 0.1), (21, float("nan"))])
def test_impossible_tablets(arguments):
    with pytest.raises(ArgumentError):
        tablet_log_exposures(*arguments)


@pytest.mark.parametrize("content", ["\n-3.0,200\n\f\f\f", "1 21\r\f  \r"])
def test_a_form_feed_is_a_blank(content, file):
    """Found by reference/fuzz.py: such a line was taken for a row of text and ended in a bare ValueError."""
    with pytest.raises(InputFileError, match="hundredths"):
        read_steps(file(content))
    assert read_steps(file("-3,0.2\n-2,0.4\n\f\n")).unread_steps <= 1


@pytest.mark.parametrize("kind", ["bw-negative", "bw-reversal"])
def test_an_unexposed_edge_that_contradicts_the_readings_is_refused(kind):
    x = np.arange(-4.5, 0.6, 0.15)
    d = generic_film(100, kind=kind).records[0].density(x)
    lightest, darkest = float(d.min()), float(d.max())
    wrong, right = (darkest - 1.0, darkest) if kind == "bw-reversal" else (lightest + 0.5, lightest)
    positive = kind == "bw-reversal"
    with pytest.raises(ArgumentError, match=r"unexposed_density: got .* same film, in the same development"):
        fit_emulsion(x, d, positive=positive, unexposed_density=wrong)
    assert fit_emulsion(x, d, positive=positive, unexposed_density=right)
