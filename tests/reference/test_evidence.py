"""The four lines behind the fog calibration, and the reports that nothing is set by."""

import importlib.util
import math
from pathlib import Path

import pytest

from filmdose.errors import InputFileError
from filmdose.files import load_data_toml
from filmdose.history import history_dose
from filmdose.radiation import Beam, relative_response
from filmdose.radiation.sensitivity import calibrated_fog_kerma_ugy, parse_sensitivity, read_sensitivity

ROOT = Path(__file__).parents[2]


def script(name):
    spec = importlib.util.spec_from_file_location(f"reference_{name}", ROOT / "reference" / f"{name}.py")
    module = importlib.util.module_from_spec(spec)
    __import__("sys").modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def evidence():
    return script("evidence")


@pytest.fixture(scope="module")
def predictions():
    return script("predictions").read_predictions()


def test_every_line_overlaps_the_range_and_most_hold_the_value(evidence):
    low, typical, high = calibrated_fog_kerma_ugy()
    assert (low, typical, high) == (14.0, 25.0, 45.0)
    lines = evidence.lines()
    assert len(lines) == 4
    for line in lines:
        assert line.points[0] < high, line.title
        assert line.points[2] > low, line.title
    holding = [line.title for line in lines if line.points[0] <= typical <= line.points[2]]
    assert len(holding) >= 2, holding
    assert low < evidence.combined() < high


def test_arithmetic_of_a_line(evidence):
    line = evidence.Line(
        title="t",
        factors=(
            evidence.Factor(what="a", low=1.0, middle=2.0, high=4.0, source="D"),
            evidence.Factor(what="b", low=2.0, middle=4.0, high=8.0, power=-1.0, source="D"),
        ),
    )
    spread = math.exp(math.hypot(math.log(2), math.log(2)))
    assert line.points == pytest.approx((0.5 / spread, 0.5, 0.5 * spread))


def test_storage_limit_by_hand(evidence):
    # half a year of 0.52 to 0.96 mGy a year, hard rays fogging about 1/21.5 as much: 12 to 23 uGy
    low, middle, high = evidence.storage_limit().points
    assert middle == pytest.approx(350.0 * relative_response(Beam(energy_kev=662.0)))
    assert (low, high) == pytest.approx((12.0, 23.0), abs=1.0)


def test_dental_film_by_hand(evidence):
    # 505 uGy x 0.018 x (9.5 / 5) x 1.7 = 29.4 uGy at 70 kVp
    middle = evidence.dental_film().points[1]
    assert middle == pytest.approx(29.4 * relative_response(Beam.parse("70kVp, al=2")), rel=2e-3)


def test_the_table_names_all_lines_and_their_sources(evidence):
    text = evidence.table()
    for words in ("storage limit", "pass counts", "dental", "first principles", "ISO 3665", "25 (14 to 45)"):
        assert words in text
    for line in evidence.lines():
        assert all(factor.source for factor in line.factors)
        assert all(factor.low <= factor.middle <= factor.high for factor in line.factors)


# -- predictions ---------------------------------------------------------------------------------------------------


def test_every_report_stands_for_a_history_that_has_a_dose(predictions):
    assert len({entry.id for entry in predictions}) == len(predictions) >= 15
    for entry in predictions:
        assert history_dose(entry.history).kerma_ugy > 0.0, entry.id
        assert entry.reported
        assert entry.source
        assert entry.band


def test_a_report_behind_the_calibration_is_not_called_independent(predictions):
    for entry in predictions:
        assert entry.independent is not ("I3A" in entry.source), entry.id


def test_no_prior_depends_on_a_report(predictions):
    data = ROOT / "filmdose" / "data"
    code = [
        path for path in (ROOT / "filmdose").rglob("*.py") if "predictions.toml" in path.read_text(encoding="utf-8")
    ]
    assert code == []
    for path in data.glob("*.toml"):
        assert "predictions" not in path.read_text(encoding="utf-8"), path.name
    # no report's source is cited by a prior, nor by the entry that a prior takes its points from
    for name, row in load_data_toml("priors.toml")["priors"].items():
        words = " ".join([row.get("note", ""), *row["references"]])
        for entry in predictions:
            assert entry.independent is False or entry.source.split(",")[0] not in words, (name, entry.id)


def test_the_pouch_lies_in_its_band(predictions):
    entry = next(entry for entry in predictions if entry.id == "trade-pouch")
    through = history_dose(entry.history).contributions.iloc[0]["through_shields"]
    assert entry.verdict(through) == "inside"
    assert (entry.verdict(0.01), entry.verdict(0.6)) == ("below", "above")


# -- the coefficient of ASTM F947 ----------------------------------------------------------------------------------

READINGS = """
film = "invented film"
speed = 400
beam = "140kVp, al=3"
[[exposure]]
dose = 0
density = 0.250
[[exposure]]
dose = "{dose}"
density = 0.285
"""


def test_the_coefficient_as_the_standard_states_it():
    # 0.02 at 25 uGy is 0.0008 per uGy and, with 8.764 uGy per mR, 0.0070 per mR
    found = parse_sensitivity(READINGS.format(dose="43.75 uGy"))
    assert found.density_per_ugy == pytest.approx(0.0008, rel=1e-9)
    assert found.density_per_mr == pytest.approx(0.0070, abs=5e-5)
    assert found.calibration_kerma_ugy(0.79) == pytest.approx(25.0, rel=1e-9)
    assert math.isnan(found.standard_error)
    assert found.dose_log_sigma == 0.0


def test_a_slope_scales_with_speed_and_beam():
    text = READINGS.format(dose="43.75 uGy").replace("400", "800").replace("140kVp, al=3", "80keV")
    found = parse_sensitivity(text)
    expected = 25.0 * relative_response(Beam(energy_kev=80.0)) * 2**0.79
    assert found.calibration_kerma_ugy(0.79) == pytest.approx(expected, rel=1e-9)


def test_standard_error_of_the_slope_is_that_of_least_squares():
    from scipy.stats import linregress

    pairs = [(0, 0.25), (10, 0.259), (20, 0.265), (40, 0.284)]
    rows = "".join(f"[[exposure]]\ndose = {dose}\ndensity = {density}\n" for dose, density in pairs)
    found = parse_sensitivity(f'film = "x"\nspeed = 100\nbeam = "140kVp"\n{rows}')
    line = linregress(*zip(*pairs, strict=True))
    assert found.density_per_ugy == pytest.approx(line.slope)
    assert found.standard_error == pytest.approx(line.stderr)
    assert found.density_unexposed == pytest.approx(line.intercept)


def test_badges_bring_their_spread(tmp_path):
    path = tmp_path / "film.toml"
    path.write_text("\ufeff" + READINGS.format(dose="63 mrem"), encoding="utf-8")
    found = read_sensitivity(path)
    assert 0.05 < found.dose_log_sigma < 0.2


@pytest.mark.parametrize(
    ("broken", "says"),
    [
        ("film = ", "not valid TOML"),
        (READINGS.format(dose="5 mR").replace("speed = 400", ""), "'speed' is missing"),
        (READINGS.format(dose="5 mR").replace("speed = 400", "speed = -4"), "speed"),
        (READINGS.format(dose="5 mR").replace("speed = 400", "speed = true"), "wrong type"),
        (READINGS.format(dose="5 mR").replace("speed", "sped"), "'sped' is not known"),
        (READINGS.format(dose="5 mQ"), "exposure 2"),
        (READINGS.format(dose="0 mR"), "two different doses"),
        (READINGS.format(dose="5 mR").replace("0.285", "0.245"), "do not rise"),
        (READINGS.format(dose="5 mR").replace("140kVp, al=3", "hard"), "beam"),
        ('film = "x"\nspeed = 1\nbeam = "80keV"\nexposure = [3]', "not a table"),
    ],
)
def test_what_is_wrong_with_a_file_is_said_in_one_line(broken, says):
    with pytest.raises(InputFileError, match=says):
        parse_sensitivity(broken, name="film.toml")


def test_a_file_that_is_not_there(tmp_path):
    with pytest.raises(InputFileError, match="cannot be read"):
        read_sensitivity(tmp_path / "none.toml")
