"""filmdose odds, learn, and trip --measured."""

import json
from pathlib import Path

import pytest

EXAMPLE = Path(__file__).parents[2] / "notebooks" / "trip_example.toml"
READING = '[[reading]]\nroll = "harbour-400"\nbase_plus_fog = 0.45\ncontrol = 0.28\nerror = 0.01\n'
DOSE = '[[reading]]\nroll = "harbour-400"\nkind = "badge"\nvalue = "22 mR"\nrelative_error = 0.15\n'
FEW = ("--samples", 1024)


@pytest.fixture
def readings(tmp_path):
    file = tmp_path / "readings.toml"
    file.write_text(READING + DOSE)
    return file


def test_odds_of_a_trip(run):
    code, out, err = run("odds", EXAMPLE, *FEW)
    assert (code, err) == (0, "")
    assert "[invented]" in out
    assert "(safe and typical)" in out or "if typical" in out
    assert "badge readings at 20 checkpoints" in " ".join(out.split())
    assert "Test on one unimportant roll first" in out


def test_odds_of_one_roll_as_json(run):
    words = ("odds", "--speed", 800, "--pass", "cabin-ct=2", "--shield", "lead=0.25", "--format", "json", *FEW)
    code, out, _ = run(*words)
    assert code == 0
    data = json.loads(out)
    (row,) = data["rolls"]
    assert row["stops"]["low"] < row["stops"]["typical"] < row["given_stops"]
    assert row["ei"]["low"] < row["ei"]["typical"] < row["ei"]["high"]
    assert 0.0 <= row["chance_beyond_rescue"] <= row["chance_over_one_stop"] <= 1.0
    assert data["samples"] == 1024
    assert run(*words)[1] == out
    assert run(*words, "--seed", 5)[1] != out


def test_odds_as_csv_and_markdown(run):
    code, out, _ = run("odds", EXAMPLE, "--format", "csv", *FEW)
    assert code == 0
    header = out.splitlines()[0].split(",")
    for column in ("roll", "speed", "fog_density", "stops", "ei", "status", "stops_low", "stops_high", "ei_median"):
        assert column in header
    code, out, _ = run("odds", EXAMPLE, "--format", "markdown", *FEW)
    assert code == 0
    assert "| roll |" in out


@pytest.mark.long
def test_why(run):
    code, out, _ = run("odds", EXAMPLE, "--why", "night-800", *FEW)
    assert code == 0
    assert "What matters most for roll night-800" in out
    assert "What would narrow that most: measure the fog" in out
    code, out, _ = run("odds", EXAMPLE, "--why", "night-800", "--format", "json", *FEW)
    assert json.loads(out)["why"]["tornado"][0]["input"] == "dose per pass of cabin-ct, second"


@pytest.mark.long
def test_learning_and_using_it(run, readings, tmp_path):
    kept = tmp_path / "kept.json"
    code, out, _ = run("learn", EXAMPLE, readings, "--save", kept, "--samples", 8192, "--details")
    assert code == 0
    assert "kappa" in out
    assert "Kept in" in out
    before = rows(run("trip", EXAMPLE, "--format", "json"))
    for measured in (kept, readings):
        after = rows(run("trip", EXAMPLE, "--measured", measured, "--format", "json"))
        assert set(before["night-800"]) - {"room_left_stops"} <= set(after["night-800"])
        width = {name: after[name]["kerma_high_ugy"] / after[name]["kerma_low_ugy"] for name in after}
        assert (
            width["harbour-100"]
            < 0.4 * before["harbour-100"]["kerma_high_ugy"] / before["harbour-100"]["kerma_low_ugy"]
        )
        assert after["harbour-400"]["fog_density"] == pytest.approx(0.45 - 0.28, abs=0.02)  # as it was read
    code, out, _ = run("trip", EXAMPLE, "--measured", kept)
    assert code == 0
    assert "2 readings of Three weeks along a coast" in " ".join(out.split())


def rows(result):
    code, out, err = result
    assert (code, err) == (0, "")
    return {row["roll"]: row for row in json.loads(out)["rolls"]}


@pytest.mark.long
def test_learn_in_every_format(run, readings):
    code, out, _ = run("learn", EXAMPLE, readings, "--format", "json", "--samples", 4096)
    assert code == 0
    names = [row["quantity"] for row in json.loads(out)["quantities"]]
    assert names[:2] == ["kappa", "hit_exponent"]
    for form, start in (("csv", "quantity,"), ("markdown", "# Three weeks")):
        code, out, _ = run("learn", EXAMPLE, readings, "--format", form, "--samples", 4096)
        assert code == 0
        assert out.startswith(start)


@pytest.mark.long
def test_readings_inside_the_trip_file_are_used_unless_told_not_to(run, tmp_path):
    file = tmp_path / "trip.toml"
    file.write_text(EXAMPLE.read_text() + READING)
    told = json.loads(run("odds", file, "--format", "json", *FEW)[1])
    untold = json.loads(run("odds", file, "--format", "json", "--ignore-readings", *FEW)[1])
    assert "1 reading" in told["learned"]
    assert untold["learned"] is None
    code, out, _ = run("learn", file, "--samples", 4096)
    assert code == 0
    assert "fog of roll harbour-400" in out


@pytest.mark.long
def test_earlier_trips_are_passed_on(run, readings, tmp_path):
    first, second = tmp_path / "first.json", tmp_path / "second.json"
    assert run("learn", EXAMPLE, readings, "--save", first, "--samples", 8192)[0] == 0
    later = tmp_path / "later.toml"
    later.write_text(
        '[trip]\ntitle = "later"\n[[roll]]\nid = "x"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\n'
        '[[reading]]\nroll = "x"\nbase_plus_fog = 0.40\ncontrol = 0.28\n'
    )
    code, out, _ = run("learn", later, "--before", first, "--save", second, "--samples", 8192, "--format", "json")
    assert code == 0
    kappa = json.loads(out)["quantities"][0]
    assert kappa["narrowed"] > 0.25
    assert second.exists()


def test_priors_of_a_file(run, tmp_path):
    file = tmp_path / "priors.toml"
    file.write_text('[priors."dose:cabin-ct"]\ntypical = 100\n[priors.calibration_kerma]\ntypical = 25\n')
    words = ("odds", "--speed", 800, "--pass", "cabin-ct", "--format", "json", *FEW)
    wide, narrow = (json.loads(run(*words, *more)[1])["rolls"][0]["fog_density"] for more in ((), ("--priors", file)))
    assert narrow["high"] - narrow["low"] < 0.5 * (wide["high"] - wide["low"])


def test_reversal_and_exposed(run):
    code, out, _ = run("odds", "--speed", 100, "--kind", "colour-reversal", "--pass", "cabin-ct", *FEW)
    assert code == 0
    assert "thinner" in out
    code, out, _ = run("odds", "--speed", 400, "--exposed", "--pass", "cabin-ct", *FEW)
    assert code == 0
    assert "cannot be compensated" in out


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("odds",), "speed"),
        (("odds", EXAMPLE, "--speed", 400), "either a trip file"),
        (("odds", "none.toml"), "cannot be read"),
        (("odds", EXAMPLE, "--why", "nobody"), "night-800"),
        (("odds", EXAMPLE, "--samples", 3), "at least 64"),
        (("odds", EXAMPLE, "--seed", -1), "rng"),
        (("odds", EXAMPLE, "--cost-under", 0), "cost_under"),
        (("odds", EXAMPLE, "--format", "yaml"), "format"),
        (("odds", EXAMPLE, "--measured", "none.toml"), "cannot be read"),
        (("odds", EXAMPLE, "--priors", "none.toml"), "cannot be read"),
        (("odds", EXAMPLE, "--criterion", "best"), "criterion"),
        (("learn", EXAMPLE), "at least one FogReading"),
        (("learn", EXAMPLE, "none.toml"), "cannot be read"),
        (("trip", EXAMPLE, "--measured", "none.json"), "cannot be read"),
        (("trip", EXAMPLE, "--priors", "none.toml"), "cannot be read"),
    ],
)
def test_wrong_input_is_one_line(run, words, says):
    code, out, err = run(*words)
    assert code == 2
    assert out == ""
    assert err.startswith("error: ")
    assert len(err.splitlines()) == 1
    assert says in err


def test_a_contradiction_is_one_line(run, tmp_path):
    file = tmp_path / "readings.toml"
    file.write_text('[[reading]]\nroll = "harbour-100"\nbase_plus_fog = 1.9\ncontrol = 0.25\nerror = 0.01\n')
    code, _, err = run("trip", EXAMPLE, "--measured", file)
    assert code == 2
    assert "contradict by far" in err
