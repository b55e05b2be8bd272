"""filmdose report: files and refusals."""

import re
from pathlib import Path

import pytest
from PIL import Image

EXAMPLE = Path(__file__).parents[2] / "notebooks" / "trip_measured.toml"
FEW = ["--samples", "256", "--date", "2026-05-03"]


@pytest.mark.long
def test_both_files_are_written_after_the_roll(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("report", EXAMPLE, "--roll", "ridge-400", *FEW)
    assert (code, err) == (0, "")
    assert sorted(path.name for path in tmp_path.iterdir()) == [
        f"damage_trip_measured_ridge-400{ending}" for ending in (".html", ".pdf")
    ]
    assert out.count("written: ") == 2
    assert (tmp_path / "damage_trip_measured_ridge-400.pdf").read_bytes().startswith(b"%PDF")


@pytest.mark.long
def test_another_trip_keeps_its_report_and_a_second_one_is_said_to_replace(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    for name in ("one", "two"):
        (tmp_path / f"{name}.toml").write_text('[[roll]]\nid = "a"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\n')
        assert run("report", f"{name}.toml", "--roll", "a", "-o", f"{name}.md", *FEW)[0] == 0
        assert run("report", f"{name}.toml", "--roll", "a", *FEW)[1].count("written: ") == 2
    assert len(list(tmp_path.glob("damage_*.html"))) == 2
    assert run("report", "one.toml", "--roll", "a", *FEW)[1].count("replaced: ") == 2


@pytest.mark.long
def test_a_roll_of_any_name_gets_a_harmless_file_name(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    file = tmp_path / "t.toml"
    file.write_text('[[roll]]\nid = "../../a b/<x>"\nspeed = 400\n[[roll]]\nid = "///"\nspeed = 400\n')
    assert run("report", file, "--roll", "../../a b/<x>", *FEW)[0] == 0
    (written,) = tmp_path.glob("damage_t_*.pdf")
    assert re.fullmatch(r"damage_t_______a_b__x__[0-9a-f]{8}\.pdf", written.name)
    code, _, err = run("report", file, "--roll", "///", *FEW)
    assert code == 2
    assert "--output" in err


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--roll", "ridge"], "ridge-400"),
        (["--roll", "ridge-400", "--output", "x.doc"], ".html"),
        (["--roll", "ridge-400", "--output", "no/x.pdf"], "cannot be written"),
        (["--roll", "ridge-400", "--date", "3.5.2026"], "date"),
        (["--roll", "ridge-400", "--criterion", "best"], "criterion"),
        ([], "--roll"),
    ],
)
def test_faults_are_one_line_and_write_nothing(run, words, problem, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("report", EXAMPLE, "--samples", "256", *words)
    assert (code, out) == (2, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert problem in err
    assert list(tmp_path.iterdir()) == []


@pytest.mark.long
def test_rolls_whose_names_differ_in_a_sign_keep_their_own_reports(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Path("t.toml").write_text('[[roll]]\nid = "a/b"\nspeed = 400\n[[roll]]\nid = "a_b"\nspeed = 400\n')
    for roll in ("a/b", "a_b"):
        assert run("report", "t.toml", "--roll", roll, *FEW)[1].count("written: ") == 2
    assert len(list(tmp_path.glob("damage_t_*.html"))) == 2


@pytest.mark.long
def test_a_letter_with_pictures_and_blanks(run, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    Image.new("RGB", (30, 20)).save("frame.png")
    letter = ("report", EXAMPLE, "--roll", "ridge-400", *FEW, "--letter")
    code, out, err = run(*letter, "--photo", "frame.png=Frame 12", "--fill", "sender=A. N. Other (invented)")
    assert (code, err) == (0, "")
    assert out.count("written: ") == 2
    page = Path("letter_trip_measured_ridge-400.html").read_text(encoding="utf-8")
    assert "A. N. Other (invented)" in page
    assert "Picture 1. Frame 12" in page
    assert run(*letter, "-o", "l.md", "--photo", "frame.png=x")[0] == 0
    assert Path("l_1.jpg").is_file()
    twice = ("--photo", "frame.png=first", "--photo", "frame.png=second")
    assert run(*letter, "--roll", "valley-400", *twice)[1].count("written: ") == 2  # ridge-400 is replaced
    page = Path("letter_trip_measured_valley-400.html").read_text(encoding="utf-8")
    assert "Picture 1. first" in page
    assert "Picture 2. second" in page
    assert run(*letter, "-o", "l.html", "--write-text", "words.toml")[0] == 0
    assert run(*letter, "-o", "l.html", "--text", "words.toml")[0] == 0


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--letter", "--fill", "sendr=x"], "sender"),
        (["--letter", "--fill", "sender"], "BLANK=TEXT"),
        (["--letter", "--fill", "sender=a", "--fill", "sender=b"], "one text for sender"),
        (["--letter", "--roll", "valley-400", "-o", "l.html"], "one --roll"),
        (["--roll", "valley-400", "--bands", "p.csv"], "one --roll"),
        (["--letter", "--photo", "frame.png"], "FILE=CAPTION"),
        (["--letter", "--photo", "none.png=x"], "none.png"),
        (["--letter", "--text", "none.toml"], "none.toml"),
        (["--fill", "sender=x"], "--letter"),
        (["--letter", "--bands", "p.csv"], "bands"),
    ],
)
def test_a_letter_that_cannot_be_is_one_line(run, tmp_path, monkeypatch, words, problem):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("report", EXAMPLE, "--roll", "ridge-400", *FEW, *words)
    assert (code, out) == (2, "")
    assert err.count("\n") == 1
    assert problem in err
    assert not list(tmp_path.iterdir())
