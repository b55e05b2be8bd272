"""filmdose shield and filmdose sources."""

import csv
import io
import json

import pytest


def test_shield_json(run):
    code, out, err = run("shield", "--material", "lead", "--thickness", 0.25, "--beam", "140kVp", "--format", "json")
    assert code == 0, err
    answer = json.loads(out)
    assert set(answer["transmission"]) == {"narrow_kerma", "narrow_emulsion", "broad_kerma"}
    # NCRP 147 Table A.1 at 140 kVp; narrow beam from SpekPy, whose two data sources differ by 2 %
    assert answer["transmission"]["broad_kerma"] == pytest.approx(0.2072, rel=0.02)
    assert answer["transmission"]["narrow_kerma"] == pytest.approx(0.153, rel=0.03)
    assert answer["transmission"]["narrow_emulsion"] == pytest.approx(0.127, rel=0.03)
    assert answer["effective"] == answer["broad_film"] < answer["transmission"]["broad_kerma"]
    assert answer["published"] is True


def test_shield_of_one_energy_has_calculated_scatter_only(run):
    _, out, _ = run("shield", "--material", "lead", "--thickness", 0.1, "--beam", "80keV", "--format", "json")
    answer = json.loads(out)
    assert answer["published"] is False
    assert answer["transmission"]["narrow_kerma"] < answer["transmission"]["broad_kerma"] < 1
    assert any("No broad-beam fit is published" in note for note in answer["notes"])


@pytest.mark.parametrize("format", ["text", "csv", "markdown"])
def test_shield_formats(run, format):
    code, out, _ = run("shield", "--material", "tin", "--thickness", 0.25, "--format", format)
    assert code == 0
    assert "tin" in out
    if format == "text":
        assert "This shield lets " in out
        assert "No broad-beam fit is published for tin" in out
        assert "does nothing against background" in out
    if format == "csv":
        (row,) = csv.DictReader(io.StringIO(out))
        assert float(row["narrow_kerma"]) == pytest.approx(0.2613, rel=0.01)  # SpekPy, nist data
        assert float(row["narrow_kerma"]) < float(row["broad_kerma"]) < 1


def test_shield_of_a_formula(run):
    code, out, _ = run("shield", "--material", "Gd2O3", "--density", 7.41, "--thickness", 0.2, "--format", "json")
    assert code == 0
    assert 0 < json.loads(out)["effective"] < 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--material", "leed", "--thickness", 0.25), "Did you mean lead"),
        (("--material", "lead", "--thickness", -1), "thickness_mm"),
        (("--material", "lead", "--thickness", "thin"), "thickness"),
        (("--material", "lead", "--thickness", 0.2, "--beam", "350kVp"), "60 to 320"),
        (("--material", "lead", "--thickness", 0.2, "--beam", "140"), "140kVp"),
        (("--material", "BaSO4", "--thickness", 0.2), "density"),
        (("--material", "lead", "--thickness", 0.2, "--format", "xml"), "json"),
        (("--material", "lead", "--thickness", 0.2, "--oblique", 0.5), "oblique"),
        (("--material", "lead"), "thickness"),
    ],
)
def test_shield_wrong_input_is_one_line_and_two(run, words, said):
    code, out, err = run("shield", *words)
    assert code == 2
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert said in err


def test_sources_text_lists_every_source_and_its_note(run):
    code, out, _ = run("sources")
    assert code == 0
    for name in ("cabin-xray", "cabin-ct", "hold-ct", "hold-ct-slice", "mail-sanitisation"):
        assert name in out
    assert "20 checkpoints of 9 airports of one country" in " ".join(out.split())


def test_sources_json_and_csv_carry_unit_evidence_and_version(run):
    _, out, _ = run("sources", "--kind", "all", "--format", "json")
    rows = json.loads(out)["rows"]
    assert {"kind", "name", "value", "low", "high", "unit", "evidence", "flag", "references", "version"} <= set(rows[0])
    assert {row["kind"] for row in rows} >= {"source", "material", "constant", "coefficient", "broad-beam fit"}
    _, out, _ = run("sources", "--kind", "all", "--format", "csv")
    assert len(list(csv.DictReader(io.StringIO(out)))) == len(rows)


def test_sources_to_a_file(run, tmp_path):
    target = tmp_path / "sources.md"
    code, out, _ = run("sources", "--kind", "material", "--format", "markdown", "--output", target)
    assert (code, out) == (0, "")
    assert "barium-sulphate-polymer" in target.read_text(encoding="utf-8")


def test_sources_unknown_kind(run):
    code, _, err = run("sources", "--kind", "films")
    assert code == 2
    assert "flight dose" in err
