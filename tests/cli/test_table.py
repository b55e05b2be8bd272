"""filmdose table: what it prints, writes and refuses."""

import csv
import io
import json

import pytest

from filmdose.answering import answer


@pytest.mark.long
def test_text_has_dose_points_above_and_the_caption_below(run):
    code, out, _ = run("table")
    assert code == 0
    first, then = out.index("Exposure index, safe / typical, for the accumulated dose"), out.index("Criterion")
    assert out.index("cabin-ct") < first < then
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


@pytest.mark.long
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


@pytest.mark.long
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


@pytest.mark.long
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


@pytest.mark.long
def test_the_pair_of_a_cell_is_that_of_a_roll(run):
    """For the same film, dose and passes table, library and roll say the same, in every kind that is compensated."""
    for kind, speed, words in (("bw-negative", 400, ("--kerma", 100)), ("colour-negative", 800, ("--kerma", 20))):
        told = json.loads(run("table", "--safe", "--speeds", speed, "--kind", kind, *words, "--format", "json")[1])
        (row,) = told["rows"]
        roll = json.loads(run("roll", "--speed", speed, "--kind", kind, *words, "--format", "json")[1])
        for name in ("ei_safe", "ei_typical", "verdict_safe", "headline"):
            assert row[name] == roll[name]


@pytest.mark.long
@pytest.mark.parametrize("source", ["ct", "hold-ct", "unknown"])
def test_a_row_of_passes_is_that_of_a_roll(run, source):
    from filmdose.history import History, Pass
    from filmdose.present.tables import ei_matrix, passes_table

    told = json.loads(run("table", "--passes", source, "--speeds", "100,400", "--format", "json")[1])["rows"]
    assert len(told) == 10
    (row,) = [row for row in told if row["speed"] == 100 and row["went_through"].startswith("2 x ")]
    roll = json.loads(run("roll", "--speed", 100, "--pass", f"{source}=2", "--format", "json")[1])
    same = ("headline", "ei_safe", "ei_typical", "verdict_safe")
    assert [row[name] for name in same] == [roll[name] for name in same]
    assert row["fog_density"] == pytest.approx(roll["fog_density"], rel=1e-9)
    assert row["ei"] == roll["ei"]
    table = passes_table([100], [History(passes=Pass(source=source, count=2))])
    assert table["headline"].tolist() == [roll["headline"]]
    (cell,) = ei_matrix(table).to_numpy().ravel()
    both = [format(value, "g") for value in dict.fromkeys((roll["ei_safe"], roll["ei_typical"]))]
    assert cell.rstrip("†‡") == " / ".join(both)


@pytest.mark.long
def test_reversal_film_has_no_pair_and_no_index(run):
    code, out, _ = run("table", "--passes", "ct", "--kind", "slide", "--speeds", "100")
    assert code == 0
    assert "Density lost in the blacks; expose as marked, typical case" in out
    assert " / " not in out.split("Density lost")[1].split("Fog lowers")[0]


@pytest.mark.long
def test_the_table_says_which_of_the_two_it_has(run):
    said = {
        option: " ".join(run("table", "--speeds", "100,800", *filter(None, [option]))[1].split())
        for option in ("", "--safe", "--typical")
    }
    assert said[""] == said["--safe"]
    assert "of least loss over all that is not known of film and fog" in said[""]
    assert "640 / 500" in said[""]
    assert "Indices are those of the typical case alone (`--typical`" in said["--typical"]
    assert " / " not in said["--typical"].split("Exposure index for the")[1]
    for words in (("--passes", "ct", "--kerma", "10"), ("--shield", "pouch"), ("--film-format", "120")):
        assert run("table", *words)[0] == 2


def test_the_columns_of_the_typical_case_are_the_same_with_and_without_the_safe_index(run):
    rows = {}
    for option in ("--safe", "--typical"):
        out = run("table", "--speeds", "100,3200", "--kerma", "5,200", "--format", "csv", option)[1]
        rows[option] = list(csv.DictReader(io.StringIO(out)))
    added = ["ei_safe", "ei_typical", "verdict_safe", "headline"]
    assert list(rows["--safe"][0]) == [*rows["--typical"][0], *added]
    for both, plain in zip(rows["--safe"], rows["--typical"], strict=True):
        assert {name: both[name] for name in plain} == plain


def test_slides_carry_their_verdict_in_the_table(run):
    out = run("table", "--kind", "slide", "--speeds", "100", "--kerma", "100,300,1000,9000")[1]
    cells = [line.split()[-1] for line in out.split("Density lost")[1].splitlines() if line.strip()[:1].isdigit()]
    assert cells == ["0.08", "0.24†", "0.69‡", "-"]
    assert "blacks thinner by 0.3 at most" in " ".join(out.split())
