"""filmdose fit: from readings on file to a film file, and on to an exposure index."""

import json
import math

import numpy as np
import pandas as pd
import pytest
from digitised import points

from filmdose.film.filmfile import read_film
from filmdose.film.generic import generic_film


def steps(folder, name="steps.csv", shift=0.0, kind="bw-negative", **options):
    x = np.arange(29) * 0.15 - 4.0 + (0.9 if "reversal" in kind else 0.0)
    film = generic_film(400, kind=kind)
    columns = {"log_exposure": x + shift}
    for record, emulsion in film:
        columns["density" if record == "visual" else f"density_{record}"] = emulsion.density(x).round(4)
    pd.DataFrame(columns).to_csv(folder / name, index=False, **options)
    return folder / name


def test_json_has_what_it_promises(run, tmp_path):
    code, out, err = run("fit", steps(tmp_path), "--output", tmp_path / "film.toml", "--format", "json")
    assert (code, err) == (0, "")
    answer = json.loads(out)
    assert {
        *("rms_density", "base_plus_fog", "log_speed_point", "speed", "rise_1_30", "mean_gradient", "contrast_index")
    } <= set(answer)
    assert set(answer["speed"]) == {"iso6", "delta_x"}
    assert answer["rms_density"] < 0.003
    assert answer["speed"]["iso6"] == pytest.approx(400, rel=0.03)
    # ISO 6: the generic film rises by 0.80, and there Delta-X agrees with the fixed density
    assert answer["rise_1_30"] == pytest.approx(0.80, abs=0.01)
    assert answer["speed"]["delta_x"] == pytest.approx(answer["speed"]["iso6"], rel=0.02)
    assert answer["log_speed_point"] == pytest.approx(math.log10(0.8 / answer["speed"]["iso6"]), abs=1e-9)
    assert read_film(tmp_path / "film.toml").speed == pytest.approx(400, rel=0.03)


def test_speed_anchors_a_relative_axis(run, tmp_path):
    code, out, _ = run(
        "fit", steps(tmp_path, shift=4.0), "--speed", "400", "--output", tmp_path / "f.toml", "--format", "json"
    )
    answer = json.loads(out)
    assert code == 0
    assert answer["axis"] == "relative"
    assert answer["speed"]["iso6"] == pytest.approx(400, rel=1e-9)
    assert answer["log_exposure_shift"] == pytest.approx(-4.0, abs=0.02)
    assert any("relative" in message for message in answer["messages"])


def test_decimal_comma_and_cgats_give_the_same_film(run, tmp_path):
    from filmdose.film.readings import read_steps, write_steps

    plain = steps(tmp_path)
    comma = steps(tmp_path, "comma.csv", sep=";", decimal=",")
    cgats = write_steps(read_steps(plain), tmp_path / "steps.txt", format="cgats")
    films = []
    for path in (plain, comma, cgats):
        code, _, _ = run("fit", path, "--output", tmp_path / "f.toml")
        assert code == 0
        films.append(read_film(tmp_path / "f.toml").records)
    assert films[0] == films[1] == films[2]


@pytest.mark.few(2)
@pytest.mark.parametrize(
    ("kind", "criterion"),
    [("colour-negative", "iso5800"), ("colour-reversal", "iso2240"), ("bw-reversal", "iso2240")],
)
def test_other_kinds(run, tmp_path, kind, criterion):
    code, out, _ = run(
        "fit", steps(tmp_path, kind=kind), "--kind", kind, "--output", tmp_path / "f.toml", "--format", "json"
    )
    assert code == 0
    assert json.loads(out)["speed"][criterion] == pytest.approx(400, rel=0.05)
    assert read_film(tmp_path / "f.toml").kind == kind


def test_measured_grain_goes_into_the_film(run, tmp_path):
    read_at = np.array([0.3, 0.5, 0.8, 1.2, 1.6])
    sigma = 0.030 * np.sqrt(read_at - 0.2)  # through pixels of 24 um
    pd.DataFrame({"density": read_at, "sigma": sigma}).to_csv(tmp_path / "grain.csv", index=False)
    path = tmp_path / "film.toml"
    code, out, err = run(
        "fit", steps(tmp_path), "--grain", tmp_path / "grain.csv", "--aperture", "576", "--output", path
    )
    assert (code, err) == (0, "")
    assert "noise of the visual record follows 5 readings" in out
    # sigma**2 A is the same through every aperture: 0.030 sqrt(1.05) sqrt(576 / 1810) = 0.0173 at net density 1
    assert read_film(path).records[0].rms_granularity == pytest.approx(17.3, rel=0.08)


@pytest.mark.parametrize(
    ("content", "part"),
    [
        ("density,noise\n0.3,0.01\n", "sigma"),
        ("density,sigma,record\n0.3,0.01,green\n0.5,0.02,green\n0.9,0.02,green\n", "'green'"),
        ("density,sigma\n0.3,0.01\n", "at least three"),
    ],
)
def test_grain_that_cannot_be_used_is_one_line(run, tmp_path, content, part):
    (tmp_path / "grain.csv").write_text(content)
    code, out, err = run("fit", steps(tmp_path), "--grain", tmp_path / "grain.csv")
    assert (code, out) == (2, "")
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert part in err


def test_text_says_what_is_assumed_and_where_it_went(run, tmp_path):
    code, out, _ = run("fit", steps(tmp_path), "--output", tmp_path / "film.toml", "--name", "shelf film")
    assert code == 0
    for part in ("shelf film", "iso6", "density rms", "granularity", "native fog", "film.toml"):
        assert part in out


def test_csv_is_one_row_and_markdown_a_page(run, tmp_path):
    _, out, _ = run("fit", steps(tmp_path), "--format", "csv")
    (tmp_path / "row.csv").write_text(out)
    assert len(pd.read_csv(tmp_path / "row.csv")) == 1
    _, out, _ = run("fit", steps(tmp_path), "--format", "markdown")
    assert "| contrast index | " in out


@pytest.mark.few(1)
@pytest.mark.parametrize(("ending", "magic"), [("png", b"\x89PNG"), ("pdf", b"%PDF"), ("svg", b"<?xml")])
def test_plot(run, tmp_path, ending, magic):
    code, _, _ = run("fit", steps(tmp_path), "--plot", tmp_path / f"fit.{ending}")
    assert code == 0
    assert (tmp_path / f"fit.{ending}").read_bytes().startswith(magic)


def test_real_readings_go_through_to_an_exposure_index(run, tmp_path):
    from filmdose.answering import answer

    x, d = points("bw-negative-400", development_min=7)
    pd.DataFrame({"log_exposure": x, "density": d}).to_csv(tmp_path / "s.csv", index=False)
    code, out, _ = run("fit", tmp_path / "s.csv", "--speed", "400", "--output", tmp_path / "f.toml")
    assert code == 0
    assert "do not reach the shoulder" in out
    film = read_film(tmp_path / "f.toml")
    assert answer(film, 0.0).ei == 400
    assert answer(film, 100.0).ei < 400


@pytest.mark.parametrize(
    ("options", "part"),
    [
        (["--kind", "polaroid"], "bw-negative"),
        (["--format", "yaml"], "json"),
        (["--axis", "relative"], "rated speed"),
        (["--axis", "log"], "absolute"),
        (["--speed", "-3"], "speed"),
        (["--base", "2"], "least density"),
        (["--plot", "fit.docx"], ".png"),
        (["--kind", "colour-negative"], "density_red"),
        (["--granularity", "-1"], "granularity"),
    ],
)
def test_wrong_options_are_one_line_and_leave_nothing_behind(run, tmp_path, options, part):
    path = steps(tmp_path)
    code, out, err = run("fit", path, "--output", tmp_path / "film.toml", *options)
    assert code == 2
    assert out == ""
    assert err.startswith("error: ")
    assert err.count("\n") == 1
    assert part in err
    assert sorted(p.name for p in tmp_path.iterdir()) == ["steps.csv"]


def test_wrong_readings_name_file_line_and_column(run, tmp_path):
    (tmp_path / "bad.csv").write_text("log_exposure,density\n-3,0.2\n-2.5,O.3\n")
    code, _, err = run("fit", tmp_path / "bad.csv", "--output", tmp_path / "f.toml")
    assert code == 2
    for part in ("bad.csv", "line 3", "column 2", "'O.3'"):
        assert part in err
    assert not (tmp_path / "f.toml").exists()


def test_an_output_that_cannot_be_written(run, tmp_path):
    code, _, err = run("fit", steps(tmp_path), "--output", tmp_path / "no" / "film.toml")
    assert code == 2
    assert "cannot be written" in err
