"""filmdose roll: the answer of one roll, recomputable from its own output."""

import json
import math

import numpy as np
import pytest
from independent import slow_stops

from filmdose.examples import example_trip_path
from filmdose.history import Pass, history_dose


def answer(run, *words):
    code, out, err = run("roll", *words, "--format", "json")
    assert code == 0, err
    return json.loads(out)


def test_text_gives_the_reasons(run):
    code, out, _ = run(
        "roll", "--speed", 800, "--pass", "cabin-ct=2", "--pass", "cabin-xray=3", "--shield", "lead=0.25"
    )
    assert code == 0
    assert out.startswith("EI ")
    assert "if typical. " in out.splitlines()[0] or "(safe and typical). " in out.splitlines()[0]
    for words in ("cabin-ct", "lead 0.25 mm", "shadow_snr", "(asked for)", "highlight room", "verdict"):
        assert words in out


def test_json_has_all_that_is_needed_to_recompute_the_answer(run):
    got = answer(run, "--speed", 800, "--pass", "cabin-ct=1", "--pass", "cabin-xray=3")
    passes = [Pass(source="cabin-ct"), Pass(source="cabin-xray", count=3)]
    assert got["kerma_ugy"] == pytest.approx(history_dose(passes).kerma_ugy)
    film = got["film"]
    z, c = np.array(film["log_sensitivity"]), np.array(film["weights"])
    hits = (
        film["hits_per_ugy"] * got["kerma_ugy"] * 10 ** (film["hit_exponent"] * (z - film["reference_log_sensitivity"]))
    )
    fog = float(np.sum(c * (1 - film["native_fog"]) * (1 - np.exp(-hits))))
    assert got["fog_density"] == pytest.approx(fog, abs=1e-9)
    expected = slow_stops(film, got["kerma_ugy"])
    assert set(got["stops"]) == {"fixed_density", "fractional_gradient", "shadow_gradient", "shadow_snr"}
    for name, stops in got["stops"].items():
        if stops is None:
            assert math.isnan(expected[name])
        else:
            assert stops == pytest.approx(expected[name], abs=1e-3)
    assert got["ei_exact"] == pytest.approx(800 / 2 ** got["given_stops"])
    # nearest third of a stop that is not more than a tenth of a stop under the exact answer
    assert -0.10 <= math.log2(got["ei_exact"] / got["ei"]) <= 1 / 3
    assert got["contrast"]["fogged"] < got["contrast"]["clean"]
    assert 0 < got["snr_kept"] < 1
    assert got["room_marked_stops"] > got["room_left_stops"] > 0
    assert got["status"] in ("ok", "partly_restored")
    assert got["verdict"] in ("good", "usable", "poor")
    assert got["message"]
    assert got["kerma_low_ugy"] < got["kerma_ugy"] < got["kerma_high_ugy"]
    assert got["notes"]


def test_lead_shield_lets_through_what_the_scatter_law_says(run):
    # 140 to 180 kVp behind 0.5 to 2 mm of copper: 26 to 36 % of the fog in the narrow beam, more with scatter
    bare = answer(run, "--speed", 400, "--pass", "cabin-ct=1")["kerma_ugy"]
    behind = answer(run, "--speed", 400, "--pass", "cabin-ct=1", "--shield", "lead=0.25")["kerma_ugy"]
    assert 0.26 < behind / bare < 0.45


@pytest.mark.long
def test_format_and_bag_change_what_arrives(run):
    doses = [
        answer(run, "--speed", 400, "--pass", "cabin-xray=5", *more)["kerma_ugy"]
        for more in (
            (),
            ("--film-format", "120"),
            ("--film-format", "sheet"),
            ("--film-format", "sheet", "--bag", "empty"),
        )
    ]
    assert doses == sorted(doses)
    assert doses[-1] == pytest.approx(5 * 1.2)
    code, _, err = run("roll", "--speed", 400, "--pass", "cabin-ct", "--film-format", "110")
    assert code == 2
    assert "format: got '110'; allowed is one of 35mm, 120, sheet." in " ".join(err.split())


def test_a_badge_stands_in_for_the_passes(run):
    got = answer(run, "--speed", 400, "--badge", "63.2 mrem", "--film-format", "sheet")
    (part,) = got["contributions"]
    assert part["incident_kerma_ugy"] == pytest.approx(632 / 1.57)
    assert got["kerma_low_ugy"] < got["kerma_ugy"] < got["kerma_high_ugy"]
    free = answer(run, "--speed", 400, "--badge", "63.2 mrem@hp10-free", "--film-format", "sheet")
    assert free["kerma_ugy"] > got["kerma_ugy"]
    for words, said in (
        (("--badge", "5 mSv@air-kerma"), "reading: got '5 mSv'"),
        (("--badge", "5 mR", "--pass", "cabin-ct"), "badge: got '5 mR'"),
    ):
        code, out, err = run("roll", "--speed", 400, *words)
        assert (code, out) == (2, "")
        assert said in " ".join(err.split())


def test_a_pass_may_have_its_own_shield(run):
    mixed = answer(
        run, "--speed", 400, "--pass", "cabin-ct=1@lead=0.5", "--pass", "cabin-ct=1", "--shield", "lead=0.25"
    )
    assert [row["shield"] for row in mixed["contributions"]] == ["lead 0.5 mm", "lead 0.25 mm"]


def test_kerma_can_be_given_with_a_unit(run):
    assert answer(run, "--speed", 400, "--kerma", "2 mR")["kerma_ugy"] == pytest.approx(2 * 8.764, abs=1e-3)


def test_no_pass_is_no_compensation(run):
    got = answer(run, "--speed", 400)
    assert got["ei"] == 400
    assert "no compensation" in got["message"]


def test_uneven_fog_is_judged_by_the_worst_band(run):
    even = answer(run, "--speed", 400, "--pass", "cabin-ct=1")
    uneven = answer(run, "--speed", 400, "--pass", "cabin-ct=1", "--peak-to-mean", 2.0)
    twice = answer(run, "--speed", 400, "--pass", "cabin-ct=2")
    assert uneven["stops"] == pytest.approx(twice["stops"])
    assert uneven["kerma_ugy"] == even["kerma_ugy"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["--speed", "-5"], "speed: got -5"),
        (["--speed", "nan"], "speed: got nan"),
        (["--speed", "400", "--pass", "cabin-tc=1"], "Did you mean cabin-ct"),
        (["--speed", "400", "--pass", "cabin-ct=x"], "pass: got"),
        (["--speed", "400", "--pass", "cabin-ct=-1"], "count: got -1"),
        (["--speed", "400", "--pass", "cabin-ct=1.5"], "pass: got"),
        (["--speed", "400", "--pass", ""], "pass: got"),
        (["--speed", "400", "--pass", "cabin-ct=1", "--shield", "lead=-1"], "thickness_mm: got -1"),
        (["--speed", "400", "--pass", "cabin-ct=1", "--shield", "led=1"], "led"),
        (["--speed", "400", "--pass", "cabin-ct=1", "--shield", "lead"], "shield: got 'lead'"),
        (["--speed", "400", "--shield", "lead=1"], "at least one --pass"),
        (["--speed", "400", "--kerma", "-1"], "kerma: got '-1'"),
        (["--speed", "400", "--peak-to-mean", "0.5"], "peak_to_mean: got 0.5"),
    ],
)
def test_bad_input_is_one_line_and_exit_2(run, words, says):
    code, out, err = run("roll", *words)
    assert code == 2
    assert out == ""
    assert says in err
    assert err.startswith("error: ")
    assert err.count("\n") == 1


def test_flights_and_storage_join_the_dose_and_take_no_shield(run):
    got = answer(
        run,
        *("--speed", 400, "--pass", "cabin-ct=1", "--shield", "lead=0.25"),
        *("--flight", "11@36000", "--storage", 180),
    )
    kinds = [row["kind"] for row in got["contributions"]]
    assert kinds == ["pass", "flight", "storage"]
    parts = [row["kerma_ugy"] for row in got["contributions"]]
    assert got["kerma_ugy"] == pytest.approx(sum(parts))
    assert got["contributions"][1]["transmission"] == got["contributions"][2]["transmission"] == 1.0
    assert got["emulsion_dose_ugy"] > got["air_kerma_ugy"] > 0


@pytest.mark.few(1)
@pytest.mark.parametrize("kind", ["colour-negative", "colour-reversal", "bw-reversal"])
def test_other_kinds(run, kind):
    got = answer(run, "--speed", 100, "--kind", kind, "--kerma", 100)
    assert got["film"]["kind"] == kind
    assert ("records" in got["film"]) == kind.startswith("colour")
    assert (got["status"] == "expose_as_marked") == kind.endswith("reversal")
    code, out, _ = run("roll", "--speed", 100, "--kind", kind, "--kerma", 100)
    assert code == 0
    assert got["message"] in " ".join(out.split())


def test_an_exposed_roll_gets_no_index(run):
    got = answer(run, "--speed", 400, "--kerma", 500, "--exposed")
    assert got["ei"] is None
    assert got["ei_exact"] is None
    assert got["status"] == "already_exposed"
    assert got["exposed"]["printing_stops"]["same_black"] > 0
    code, out, _ = run("roll", "--speed", 400, "--kerma", 500, "--exposed")
    assert code == 0
    assert "Set EI" not in out
    for words in ("By exposure zone", "paper grade", "scan black point", "Development cannot undo fog"):
        assert words in out


def test_scene_from_two_meter_readings(run):
    by_readings = answer(
        run, *("--speed", 400, "--kerma", 100, "--shadow-reading", 7, "--highlight-reading", 7 + 2.2 / math.log10(2))
    )
    assert by_readings["scene_range"] == pytest.approx(2.2)


def test_film_file_in_place_of_a_speed(run, tmp_path):
    from filmdose.film.filmfile import write_film
    from filmdose.film.generic import generic_film

    path = write_film(generic_film(800), tmp_path / "film.toml")
    by_file = answer(run, "--film", path, "--pass", "cabin-ct=1")
    by_speed = answer(run, "--speed", 800, "--pass", "cabin-ct=1")
    assert by_file["stops"] == by_speed["stops"]
    assert by_file["ei"] == by_speed["ei"]


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ([], "speed: got None"),
        (["--speed", "400", "--kind", "wet-plate"], "kind: got 'wet-plate'"),
        (["--speed", "400", "--film", "x.toml"], "speed: got 400"),
        (["--film", "missing.toml"], "missing.toml"),
        (["--speed", "400", "--flight", "long"], "flight: got 'long'"),
        (["--speed", "400", "--flight", "-2"], "flight: got '-2'"),
        (["--speed", "400", "--storage", "-2"], "storage: got -2"),
        (["--speed", "400", "--shadow-reading", "7"], "highlight_reading: got None"),
        (["--speed", "400", "--shadow-reading", "7", "--highlight-reading", "7"], "highlight_ev: got 7"),
    ],
)
def test_more_bad_input(run, words, says):
    code, out, err = run("roll", *words)
    assert code == 2
    assert out == ""
    assert says in err
    assert err.count("\n") == 1


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--trip", "TRIP"), "roll: got None"),
        (("--roll", "night-800"), "trip: got None"),
        (("--trip", "TRIP", "--roll", "night-80"), "Did you mean night-800"),
        (("--trip", "TRIP", "--roll", "night-800", "--film-format", "120"), "film_format: got '120'"),
        (("--trip", "TRIP", "--roll", "night-800", "--bag", "empty"), "bag: got 'empty'"),
        (("--trip", "TRIP", "--roll", "night-800", "--kind", "colour-negative"), "speed: got None"),
        (("--speed", "400", "--samples", "1"), "samples"),
    ],
)
def test_a_roll_to_start_from_is_refused_in_one_line(run, words, said):
    path = str(example_trip_path("example"))
    code, out, err = run("roll", *(path if word == "TRIP" else word for word in words))
    assert (code, out) == (2, "")
    assert said in err
    assert len(err.strip().splitlines()) == 1
