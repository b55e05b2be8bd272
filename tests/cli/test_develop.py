"""filmdose develop: each thing it tells, in text, data and files."""

import json

import pytest

import filmdose as fd
from filmdose.development import WantedRange, choose_development, fit_development

READINGS = "4=0.47,5=0.52,6=0.61,9=0.77,12=0.97"
LOCATION = ["location", "notebooks/trip_ahead.toml", "--tank", "2", "--solution", "developer=600"]


@pytest.fixture(autouse=True)
def at_home(monkeypatch, pytestconfig):
    monkeypatch.chdir(pytestconfig.rootpath)


def made(run, *words):
    code, out, err = run("develop", *words, "--format", "json")
    assert code == 0, err
    return json.loads(out)


def test_contrast_is_the_fit(run):
    found = made(run, "contrast", "--contrast", READINGS, "--at", "0.7")
    fit = fit_development([4, 5, 6, 9, 12], [0.47, 0.52, 0.61, 0.77, 0.97])
    assert found["result"]["gamma_infinity"] == fit.curve.gamma_infinity
    assert found["result"]["times"][0]["time_min"] == fit.time_for(0.7)[0]
    assert len(found["rows"]) == 5


def test_temperature_tells_both_laws(run):
    code, out, err = run("develop", "temperature", "--pairs", "20=6.5,21.1=6,22.2=5.5", "--at", "23.9")
    assert code == 0, err
    assert "by arrhenius" in out


def test_roll_is_the_choice_of_the_library(run):
    found = made(run, "roll", "--speed", "400", "--kerma", "100", "--grade", "3")["result"]["choice"]
    choice = choose_development(400, 100.0, wanted=WantedRange.for_grade(3))
    assert (found["factor"], found["ei"], found["message"]) == (choice.factor, choice.ei, choice.message)


def test_roll_of_a_trip_file_has_its_dose_and_state(run):
    found = made(run, "roll", "notebooks/trip_measured.toml", "--roll", "valley-400", "--grade", "2")
    answers = {one.roll.id: one for one in fd.answer_trip(fd.read_trip("notebooks/trip_measured.toml"))}
    dose = answers["valley-400"].dose
    assert found["result"]["kerma_ugy"] == pytest.approx(dose.kerma_ugy * dose.peak_to_mean)
    assert found["result"]["choice"]["exposed"] is True


@pytest.mark.parametrize("kind", ["colour-negative", "colour-reversal", "bw-reversal"])
def test_other_kinds_are_told_of_their_process(run, kind):
    code, out, err = run("develop", "roll", "--speed", "100", "--kind", kind, "--kerma", "100")
    assert code == 0, err
    assert "standard process" in out


def test_restrainer_is_a_test_without_factors_and_a_balance_with_them(run, tmp_path):
    assert "no default" in run("develop", "restrainer")[1]
    found = made(run, "restrainer", "--speed", "400", "--kerma", "100", "--fog-factor", "0.6", "--speed-factor", "0.7")
    assert found["result"]["speed_stops_lost"] == pytest.approx(0.515, abs=1e-3)
    path = tmp_path / "strips.csv"
    path.write_text("restrained,base_plus_fog,log_speed_point\nno,0.5,-2.6\nyes,0.4,-2.5\n", encoding="utf-8")
    assert made(run, "restrainer", path, "--base", "0.2")["result"]["pair"]["fog_factor"] == pytest.approx(2 / 3)


@pytest.mark.few(3)
@pytest.mark.parametrize("ending", ["pdf", "html", "json", "csv", "md", "txt"])
def test_location_is_a_page_in_every_format(run, tmp_path, ending):
    target = tmp_path / f"location.{ending}"
    code, out, err = run("develop", *LOCATION, "--output", target)
    assert (code, out, err) == (0, "", "")
    assert target.stat().st_size > 50


def test_location_has_its_cautions_and_one_page():
    from filmdose.development import Solution, plan_development
    from filmdose.present.develop import location_document
    from filmdose.present.pages import document_pages

    rolls = [fd.Roll(id=f"roll {n}", film=fd.generic_film(100 * 2 ** (n % 4)), state="exposed") for n in range(24)]
    plan = plan_development(rolls, tank_rolls=4, solutions=[Solution(name="developer", ml_per_tank=1000)])
    document = location_document(plan)
    said = " ".join(document.about).lower()
    for word in ("gloves", "fresh air", "label", "disposal", "hot weather", "darkness", "carrier's", "truthfully"):
        assert word in said, word
    assert len(document_pages(document)) == 1


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["nonsense"], "what: got 'nonsense'"),
        (["contrast"], "contrast: got None"),
        (["contrast", "--contrast", "4:0.5"], "contrast: got '4:0.5'"),
        (["temperature", "--pairs", "20=6,24=5", "--at", "40"], "temperature_c: got 40.0"),
        (["roll", "--speed", "400", "--grade", "9"], "grade: got 9.0"),
        (["roll", "--speed", "400", "--grade", "2", "--scanner", "3"], "one of --grade"),
        (["roll", "--speed", "400", "--density-range", "1"], "density_range: got '1'"),
        (["roll", "notebooks/trip_ahead.toml"], "roll: got None"),
        (["roll", "notebooks/trip_ahead.toml", "--roll", "x"], "roll: got 'x'"),
        (["roll", "--speed", "400", "--normal", "8"], "normal: got 8.0"),
        (["roll", "--speed", "400", "--kind", "colour-negative", "--grade", "2"], "film: got"),
        (["restrainer", "--speed", "400", "--fog-factor", "0.5"], "speed_factor: got None"),
        (["location"], "file: got None"),
    ],
)
def test_bad_input_is_one_line(run, words, says):
    code, out, err = run("develop", *words)
    assert (code, out) == (2, "")
    assert err.startswith(f"error: {says}") or says in err
    assert err.count("\n") == 1
