"""filmdose plan: what it prints, writes and refuses."""

import json
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "notebooks" / "trip_ahead.toml"
FEW = ["--samples", "256"]


@pytest.fixture
def small(tmp_path):
    path = tmp_path / "trip.toml"
    path.write_text(
        '[trip]\ntitle = "T"\n[[roll]]\nid = "=a"\nspeed = 800\nimportance = 5\n[[roll]]\nid = "b"\nspeed = 100\n'
        '[[leg]]\nsource = "cabin-ct"\nplace = "gate | <b>"\n[[leg]]\nsource = "unknown"\ninspect = "hand"\n',
        encoding="utf-8",
    )
    return path


def test_the_example_is_planned_in_words(run):
    code, out, _ = run("plan", EXAMPLE, *FEW)
    assert code == 0
    words = " ".join(out.split())
    assert "[invented]" in words
    parts = ("Ask for hand inspection", "worth at each checkpoint", "A pouch of lead 0.25 mm", "Which speed to carry",
             "If everything is scanned", "badge readings at 20 checkpoints", "look up that of each country",
             "Tell staff the truth")  # fmt: skip
    places = [words.index(part) for part in parts]
    assert places == sorted(places)
    assert "by hand as agreed" in words
    assert words.index("wedding-400") < words.index("night-3200") < words.index("dawn-100")


def test_json_csv_and_markdown_agree(run, small):
    _, text, _ = run("plan", small, *FEW, "--format", "json")
    made = json.loads(text)
    assert [row["roll"] for row in made["rolls"]] == ["=a", "b"]
    assert [row["inspect"] for row in made["checkpoints"]] == ["ask", "hand"]
    assert made["pouch"]["pouch"] == "lead 0.25 mm"
    assert sum(row["carry"] for row in made["speeds"]) == 1
    _, text, _ = run("plan", small, *FEW, "--format", "csv")
    assert text.splitlines()[0].startswith("rank,roll,kind,speed,state,importance")
    assert text.splitlines()[1].startswith("1,'=a,")
    _, text, _ = run("plan", small, *FEW, "--format", "markdown")
    assert "gate \\| &lt;b&gt;" in text


def test_the_sheet_is_written_and_can_be_translated(run, small, tmp_path):
    words, sheet = tmp_path / "words.toml", tmp_path / "sheet.txt"
    assert run("plan", small, *FEW, "--write-text", words)[0] == 0
    words.write_text(words.read_text(encoding="utf-8").replace("not developed", "(nicht entwickelt)"), encoding="utf-8")
    code, _, err = run("plan", small, *FEW, "--sheet", sheet, "--sheet-text", words, "--date", "2026-05-01")
    assert (code, err) == (0, "")
    text = sheet.read_text(encoding="utf-8")
    assert text.startswith("Photographic film, (nicht entwickelt)")
    assert "2026-05-01" in text
    assert "1 x black-and-white negative film, ISO 800, unexposed" in text


@pytest.mark.parametrize(
    ("words", "problem"),
    [
        (["--pouch", "lead"], "lead=0.25"),
        (["--pouch", "leed=1"], "material"),
        (["--kind", "sepia"], "kind"),
        (["--criterion", "best"], "criterion"),
        (["--samples", "0"], "samples"),
        (["--sheet", "x.doc"], r".pdf, .svg, .png or .txt"),
        (["--date", "today"], "date"),
        (["--format", "yaml"], "format"),
    ],
)
def test_bad_options_are_one_line(run, small, words, problem, monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("plan", small, *FEW, *words)
    assert (code, out) == (2, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert problem in err


def test_nothing_ahead_is_said(run, tmp_path):
    path = tmp_path / "trip.toml"
    path.write_text('[[roll]]\nid = "a"\nspeed = 800\n')
    code, _, err = run("plan", path)
    assert code == 2
    assert "[[leg]]" in err


@pytest.mark.few(1)
@pytest.mark.parametrize(("ending", "begins"), [("svg", b"<?xml"), ("png", b"\x89PNG"), ("pdf", b"%PDF")])
def test_the_sheet_as_a_page(run, small, tmp_path, ending, begins):
    sheet = tmp_path / f"sheet.{ending}"
    code, _, err = run("plan", small, *FEW, "--sheet", sheet, "--date", "2026-05-01")
    assert (code, err.strip().count("\n")) == (0, 0)
    content = sheet.read_bytes()
    assert content.startswith(begins)
    if ending == "svg":
        assert b"<title>" in content
