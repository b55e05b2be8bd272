"""filmdose table: what it prints, writes and refuses."""

import csv
import io
import json

import pytest

from filmdose.answering import answer


def test_text_has_dose_points_above_and_the_caption_below(run):
    code, out, _ = run("table")
    assert code == 0
    assert out.index("cabin-ct") < out.index("Exposure index for the accumulated dose") < out.index("Criterion")
    assert "badge readings at 20 checkpoints" in " ".join(out.split())
    assert "Test on one unimportant roll first" in " ".join(out.split())
    assert "ISO 6400" in out


def test_csv_is_tidy_and_agrees_with_the_library(run):
    code, out, _ = run("table", "--format", "csv", "--speeds", "100,800", "--kerma", "0,100,1 mR")
    assert code == 0
    rows = list(csv.DictReader(io.StringIO(out)))
    assert len(rows) == 6
    assert {"film", "kind", "speed", "kerma_ugy", "fog_density", "given_stops", "ei", "ei_exact", "status"} <= set(
        rows[0]
    )
    for row in rows:
        found = answer(float(row["speed"]), float(row["kerma_ugy"]))
        assert float(row["given_stops"]) == pytest.approx(found.given_stops, abs=1e-9)
        assert float(row["ei"]) == found.ei
        assert row["verdict"] == found.verdict
        assert row["kind"] == "bw-negative"
        assert row["status"] == found.status
    assert sorted({float(row["kerma_ugy"]) for row in rows})[1] == pytest.approx(8.764, abs=5e-4)


def test_json_and_markdown(run):
    code, out, _ = run("table", "--format", "json", "--speeds", "6400", "--kerma", "20000")
    assert code == 0
    (row,) = json.loads(out)["rows"]
    assert row["ei"] is None
    assert row["given_stops"] is None
    assert row["status"] == "beyond_rescue"
    code, out, _ = run("table", "--format", "markdown")
    assert code == 0
    assert "dose [uGy]" in out


def test_criterion_changes_the_answer(run):
    _, snr, _ = run("table", "--format", "csv", "--speeds", "800", "--kerma", "100")
    _, gradient, _ = run(
        "table", "--format", "csv", "--speeds", "800", "--kerma", "100", "--criterion", "shadow-gradient"
    )
    stops = [float(next(csv.DictReader(io.StringIO(text)))["given_stops"]) for text in (snr, gradient)]
    assert stops[0] > stops[1]


def test_output_file(run, tmp_path):
    target = tmp_path / "table.csv"
    code, out, _ = run("table", "--format", "csv", "--output", target)
    assert (code, out) == (0, "")
    assert target.read_text().startswith("film,kind,speed")


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--speeds", "-100"], "speeds: got -100"),
        (["--speeds", "fast"], "speeds: got 'fast'"),
        (["--speeds", "100,,200"], "speeds: got '100,,200'"),
        (["--speeds", "nan"], "speeds: got nan"),
        (["--speeds", "10"], "speed: got 10"),
        (["--kerma", "-1"], "kerma: got '-1'"),
        (["--kerma", "3 mRx"], "kerma: got '3 mRx'"),
        (["--criterion", "fixed"], "criterion: got 'fixed'"),
        (["--format", "xml"], "format: got 'xml'"),
        (["--output", "no/such/folder/x.csv"], "cannot be written"),
        (["--scene-range", "inf"], "scene_range: got inf"),
        (["--nonsense"], "--nonsense"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(run, tmp_path, monkeypatch, words, says):
    monkeypatch.chdir(tmp_path)
    code, out, err = run("table", *words)
    assert code == 2
    assert out == ""
    assert says in err
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


def test_other_kinds_and_film_files(run, tmp_path):
    from filmdose.film.filmfile import write_film
    from filmdose.film.generic import generic_film

    code, out, _ = run("table", "--kind", "colour-negative")
    assert code == 0
    assert "ISO 3200" in out
    code, out, _ = run("table", "--kind", "colour-reversal")
    assert code == 0
    assert "Density lost in the blacks" in out
    assert "expose as marked" in out
    path = write_film(generic_film(800), tmp_path / "film.toml")
    code, out, _ = run("table", "--film", path, "--kerma", "100", "--format", "csv")
    assert code == 0
    (row,) = csv.DictReader(io.StringIO(out))
    assert float(row["ei"]) == answer(800, 100.0).ei
