"""Refusals that seldom come up: each names its argument and says what is allowed; and rare paths beside them."""

import dataclasses
import math

import pandas as pd
import pytest

import filmdose as fd
from filmdose.answering import answer
from filmdose.errors import ArgumentError, InputFileError
from filmdose.film.comparison import UniformUnionCurve
from filmdose.film.generic import generic_film
from filmdose.history import Pass
from filmdose.odds import propagate, tornado, trip_sobol
from filmdose.radiation import Beam, Layer, layers_transmission, mass_attenuation, transmission_curve
from filmdose.radiation.sensitivity import parse_sensitivity
from filmdose.radiation.sources import Source
from filmdose.trip import FogReading, Roll
from filmdose.units import exposure_index, parse_kerma

EXPOSURES = '[[exposure]]\ndose = 0\ndensity = 0.2\n[[exposure]]\ndose = "5 mR"\ndensity = 0.3\n'
TOP = 'film = "invented"\nspeed = 400\nbeam = "140kVp, al=3"\n'


def known_roll():
    return Roll(id="a", film=generic_film(400), history=fd.History())


@pytest.mark.parametrize(
    ("call", "argument"),
    [
        (lambda: generic_film(400, hits_per_ugy=1e-3, calibration_kerma_ugy=25.0), "hits_per_ugy"),
        (
            lambda: UniformUnionCurve(emulsion=generic_film(100, kind="bw-reversal").records[0], fog_density=0.1),
            "emulsion",
        ),
        (
            lambda: Source(name="own", air_kerma_low_ugy=2.0, air_kerma_typical_ugy=1.0, air_kerma_high_ugy=3.0),
            "kerma per pass",
        ),
        (lambda: transmission_curve("lead", 0.1, Beam(energy_kev=1250.0)), "beam"),
        (lambda: FogReading(roll="a", darker_stops=1.0, control=0.2), "control"),
        (lambda: FogReading(roll="a", base_plus_fog=0.4, control=0.2, known_base_plus_fog=0.2), "control"),
        (lambda: trip_sobol([known_roll()], "a"), "roll"),
        (lambda: Layer(material="Gd2O3", thickness_mm=1.0).resolved, "density_g_cm3"),
        (
            lambda: exposure_index(pd.DataFrame([[400.0]], index=["a"]), pd.DataFrame([[1.0]], index=["b"])),
            "same|rows|label|index",
        ),
    ],
)
def test_what_contradicts_itself_is_refused(call, argument):
    with pytest.raises(ArgumentError, match=argument):
        call()


@pytest.mark.parametrize(
    ("text", "words"),
    [
        (TOP + "exposure = [1]\n", "is not a table"),
        (TOP + EXPOSURES.replace("0.3", "-0.3"), "exposure 2.*density"),
        (TOP + EXPOSURES.replace('"5 mR"', "0"), "two different doses"),
        (TOP + EXPOSURES.replace("0.3", "0.1"), "do not rise"),
        (TOP.replace("400", "0") + EXPOSURES, "speed"),
        (TOP.replace("140kVp", "14kVq") + EXPOSURES, "beam"),
        (TOP + 'colour = "x"\n' + EXPOSURES, "'colour' is not known"),
        (TOP.replace("400", '"fast"') + EXPOSURES, "'speed' has a value of the wrong type"),
        (EXPOSURES, "'film' is missing"),
    ],
)
def test_a_sheet_of_x_ray_sensitivity_says_what_is_wrong_with_it(text, words):
    with pytest.raises(InputFileError, match=words):
        parse_sensitivity(text)


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("budget", "--claim", "cabin-xray=5", "--loss", "1"), "together with --claim"),
        (("budget", "--shield", "lead=0.25"), "together with --claim"),
    ],
)
def test_options_that_exclude_each_other(run, words, says):
    code, _, told = run(*words)
    assert code == 2
    assert says in told
    assert len(told.splitlines()) == 1


def test_a_density_in_place_of_the_tabulated_one():
    # half the density, half the optical depth; gadolinium has 7.90 g/cm3 (handbook value, from memory)
    full, half = (Layer(material="lead", thickness_mm=0.1, density_g_cm3=d) for d in (None, 11.35 / 2.0))
    deep, shallow = (-math.log(layers_transmission((layer,), 60.0)) for layer in (full, half))
    assert shallow == pytest.approx(0.5 * deep, rel=1e-3)
    depth = -math.log(layers_transmission((Layer(material="Gd", thickness_mm=0.1),), 60.0))
    assert depth == pytest.approx(7.90 * 0.01 * float(mass_attenuation("Gd", 60.0)), rel=5e-3)


def test_sieverts_are_divided_by_what_a_badge_reads_more_than_air():
    # Hp(10) over air kerma: 1.3 free in air, about 1.9 on a phantom at 60 to 80 keV (from memory)
    assert 1000.0 / 1.9 <= parse_kerma("dose", "1 mSv") <= 1000.0 / 1.3
    assert parse_kerma("dose", "100 mrem") == pytest.approx(parse_kerma("dose", "1 mSv"))


def test_filtration_in_words_is_that_in_layers():
    written = Beam(tube_kvp=140.0, filtration="al=3, cu=0.5")
    layers = (Layer(material="al", thickness_mm=3.0), Layer(material="cu", thickness_mm=0.5))
    assert written == Beam(tube_kvp=140.0, filtration=layers)


@pytest.mark.parametrize("quanta", [1.5, 3.5])
def test_a_threshold_that_is_no_whole_number_of_quanta(quanta):
    """The solver's matrices against the sums of the model, which take another way to the incomplete gamma function."""
    film = generic_film(400)
    (record,) = film.records
    film = dataclasses.replace(film, records=(dataclasses.replace(record, quanta=quanta),))
    (record,) = film.records
    point = record.curve().inverse(record.minimum_density() + 0.10)
    found = answer(film, 60.0)
    kept = record.signal_to_noise(point, 60.0) / record.signal_to_noise(point)
    assert found.snr_kept == pytest.approx(float(kept), rel=1e-4)
    mean = (record.density(point + 1.3, 60.0) - record.density(point, 60.0)) / 1.3
    assert found.contrast["fogged"] == pytest.approx(float(mean), rel=1e-4)


def test_what_moves_the_range_of_reversal_film_most_is_its_dose():
    item = Roll(id="a", film=generic_film(100, kind="bw-reversal"), history=fd.History(passes=Pass(source="cabin-ct")))
    table = tornado([item], "a")
    assert table.index[0] == "dose per pass of cabin-ct"
    first = table.iloc[0]
    assert first["low"] < first["typical"] < first["high"]  # more dose, more of the range lost
    lost = answer(item.film, fd.history_dose(item.history).kerma_ugy).reversal["range_stops"]
    assert first["typical"] == pytest.approx(lost["lost"], rel=0.05)
    assert table["high"].max() <= lost["clean"]
    told = propagate([item], samples=256)
    assert "a: " in str(told)
    assert told.footnote in str(told)


CT = fd.History(passes=Pass(source="cabin-ct"))
STRIPS = "restrained,base_plus_fog,log_speed_point\nno,0.42,-2.60\nyes,0.34,-2.46\n"


def trip_text(rolls):
    parts = [f'[[roll]]\nid = "{name}"\nspeed = 400\n' for name in rolls]
    return "".join(parts) + '[[leg]]\nsource = "cabin-ct"\n'


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (("preview", "--trip", "TWO"), "one of a, b"),
        (
            ("print", "--speed", "400", "--kerma", "100", "-o", "x.md", "-o", "y.md", "--format", "csv"),
            "beside --format",
        ),
        (("develop", "restrainer", "STRIPS"), "fixed undeveloped"),
    ],
)
def test_what_a_command_needs_is_asked_for(run, tmp_path, monkeypatch, words, says):
    monkeypatch.chdir(tmp_path)
    for name, text in (("TWO", trip_text("ab")), ("STRIPS", STRIPS)):
        (tmp_path / name).write_text(text, encoding="utf-8")
    code, _, told = run(*words)
    assert code == 2
    assert says in told
    assert len(told.splitlines()) == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["STRIPS", "TWO"]


def test_a_table_of_rolls_from_a_trip_and_columns_that_stand_twice():
    trip = fd.Trip(rolls=(Roll(id="a", film=generic_film(400), history=CT), Roll(id="b", film=generic_film(800))))
    assert repr(fd.answers(trip)) == repr(fd.answers(list(trip.rolls)))  # NaN among them
    twice = pd.DataFrame([[400.0, 1.0, 2.0]], columns=["speed", "kerma_ugy", "kerma_ugy"])
    with pytest.raises(ArgumentError, match=r"kerma_ugy.*once"):
        fd.answers(twice)


def test_strips_of_a_base_above_them_or_with_columns_missing():
    from filmdose.development import evaluate_strips

    table = pd.DataFrame({"restrained": [False, True], "base_plus_fog": [0.42, 0.15], "log_speed_point": [-2.6, -2.5]})
    with pytest.raises(ArgumentError, match="below those of the blank pieces"):
        evaluate_strips(table, 0.20)
    with pytest.raises(ArgumentError, match="log_speed_point"):
        evaluate_strips(table.drop(columns="log_speed_point"), 0.10)
    alike = table.assign(base_plus_fog=[0.42, 0.41])
    pair, notes = evaluate_strips(alike, 0.20)
    assert abs(pair.fog_factor - 1.0) < 2.0 * pair.fog_error
    assert any("no gain is shown" in note for note in notes)


def test_what_a_file_has_learnt_keeps_draws_only(tmp_path):
    from filmdose.odds import learn, read_learned, save_learned

    item = Roll(id="a", film=generic_film(400), history=CT)
    found = learn([item], FogReading(roll="a", base_plus_fog=0.35, control=0.30, error=0.03), samples=1024)
    with pytest.raises(fd.errors.UnknownNameError, match="scanner"):
        found.correlation("nowhere")
    assert -1.0 <= found.correlation() < 0.0  # a reading fixes the product of dose and sensitivity best
    path = tmp_path / "learnt.json"
    save_learned(found, path)
    with pytest.raises(ArgumentError, match="keeps draws only"):
        read_learned(path).correlation()


def test_a_picture_of_a_roll_takes_nothing_beside_it():
    item = Roll(id="a", film=generic_film(400), history=CT)
    with pytest.raises(ArgumentError, match="nothing beside a roll"):
        fd.preview(item, exposed=True)


def test_a_setting_says_its_bands_itself():
    from filmdose.whatif import Setting

    setting = Setting(speed=400.0, counts={"cabin-ct": 1}, question=fd.Question(peak_to_mean=2.0))
    with pytest.raises(ArgumentError, match="without peak_to_mean"):
        setting.command()
