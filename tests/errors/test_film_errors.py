"""Curves, fits and film files that are wrong: what, where, what is allowed, what to do."""

import dataclasses
import warnings

import numpy as np
import pytest

from filmdose.errors import ArgumentError, InputFileError, OutputFileError, UnknownNameError, ValidityWarning
from filmdose.film.curves import MeasuredCurve, ToeShoulderCurve
from filmdose.film.filmfile import film_text, parse_film, read_film, write_film
from filmdose.film.fitting import fit_emulsion, fit_film
from filmdose.film.generic import generic_film, generic_granularity
from filmdose.film.model import Film
from filmdose.film.readings import StepReadings
from filmdose.sensitometry import (
    contrast_index,
    covered_fraction,
    delta_x,
    delta_x_speed,
    focal_plane_exposure,
    fractional_gradient_point,
    grade_for_density_range,
    iso6,
    iso2240,
    iso5800,
    lens_factor,
    mean_gradient,
    metered_exposure,
    noise_equivalent_quanta,
    paper_range,
    rms_granularity,
    straight_line,
)

RISING = ToeShoulderCurve(unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)
FALLING = MeasuredCurve(log_exposures=(-3, -2, -1), densities=(3.0, 1.0, 0.2))
STEPS = np.arange(21) * 0.15 - 3.8
DENSITY = generic_film(400).records[0].density(STEPS)


@pytest.mark.parametrize(
    ("x", "d", "match"),
    [
        ((0, 1), (0.2, 0.3), "three points"),
        ((0, 1, 2), (0.2, 0.3), "three points"),
        ((0, 1, 1), (0.2, 0.3, 0.4), "strictly increasing"),
        ((0, 2, 1), (0.2, 0.3, 0.4), "strictly increasing"),
        ((0, 1, 2), (0.2, 0.4, 0.3), "only rise or only fall"),
        ((0, 1, 2), (0.2, 0.2, 0.2), "only rise or only fall"),
        ((0, 1, np.nan), (0.2, 0.3, 0.4), "log_exposures"),
        ((0, 1, 2), (0.2, np.inf, 0.4), "densities"),
    ],
)
def test_impossible_measured_curves(x, d, match):
    with pytest.raises(ArgumentError, match=match):
        MeasuredCurve(log_exposures=x, densities=d)


def test_unknown_outside_policy():
    with pytest.raises(UnknownNameError, match="hold"):
        MeasuredCurve(log_exposures=(0, 1, 2), densities=(0.2, 0.3, 0.4), outside="guess")


@pytest.mark.parametrize(
    "change",
    [
        {"slope": 0.0},
        {"toe_width": 0.0},
        {"toe_width": -0.1},
        {"shoulder_log_exposure": -2.5},
        {"shoulder_width": 0.2},
        {"shoulder_log_exposure": 0.0, "shoulder_width": 0.0},
        {"slope": "steep"},
        {"unexposed_density": float("nan")},
    ],
)
def test_impossible_toe_shoulder_curves(change):
    good = {"unexposed_density": 0.2, "slope": 0.65, "toe_log_exposure": -2.5, "toe_width": 0.2}
    with pytest.raises(ArgumentError):
        ToeShoulderCurve(**{**good, **change})


@pytest.mark.parametrize(
    "function",
    [iso6, delta_x_speed, fractional_gradient_point, contrast_index, paper_range],
)
def test_negative_measures_refuse_reversal_curves(function):
    with pytest.raises(ArgumentError, match="falling"):
        function(FALLING)


def test_reversal_measure_refuses_negative_curves():
    with pytest.raises(ArgumentError, match="rising"):
        iso2240(RISING)
    with pytest.raises(ArgumentError, match="falling"):
        iso5800(red=RISING, green=FALLING, blue=RISING)


def test_a_curve_that_ends_too_early_gives_nan_and_no_speed():
    short = MeasuredCurve(log_exposures=(-3, -2.5, -2), densities=(0.2, 0.22, 0.28))
    found = iso6(short)
    assert np.isnan(found.speed)
    assert found.standard_speed is None
    assert not found.contrast_met
    assert np.isnan(delta_x_speed(short).speed)
    assert np.isnan(contrast_index(short))
    assert np.isnan(fractional_gradient_point(short).log_exposure)
    ends = MeasuredCurve(log_exposures=(-3, -2.5, -2), densities=(0.2, 0.25, 0.5))
    assert np.isfinite(iso6(ends).speed)
    assert np.isnan(iso6(ends).rise_1_30)
    assert not iso6(ends).contrast_met


def test_delta_x_warns_beyond_its_range():
    with pytest.warns(ValidityWarning, match="1.5"):
        delta_x(1.6)
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        delta_x([0.5, 1.5, np.nan])


@pytest.mark.parametrize(
    "call",
    [
        lambda: delta_x(0.0),
        lambda: delta_x(-0.5),
        lambda: iso6(RISING, tolerance=-1),
        lambda: fractional_gradient_point(RISING, fraction=0),
        lambda: fractional_gradient_point(RISING, interval=-1),
        lambda: mean_gradient(RISING, -2.0, 0.0),
        lambda: straight_line(FALLING, log_exposure_interval=(-4.0, -2.0)),
        lambda: straight_line(RISING, log_exposure_interval=(-1.0, -2.0)),
        lambda: straight_line(RISING, fraction=2.0),
        lambda: contrast_index(RISING, small_radius=2.0, large_radius=1.0),
        lambda: generic_granularity("bw-negative", 0.0),
        lambda: lens_factor(transmittance=1.02),
        lambda: lens_factor(vignetting=1.02),
        lambda: lens_factor(field_angle_degrees=100),
        lambda: focal_plane_exposure(-1, 8, 0.01),
        lambda: focal_plane_exposure(4000, 0, 0.01),
        lambda: metered_exposure(0),
        lambda: metered_exposure(100, meter_constant=0),
        lambda: grade_for_density_range(-1),
        lambda: rms_granularity(-0.01),
        lambda: noise_equivalent_quanta(0.6, 0.0),
        lambda: noise_equivalent_quanta(0.6, 0.01, 0.0),
        lambda: dataclasses.replace(generic_film(400), measured_range=(-1.0, -1.0)),
        lambda: covered_fraction(1e8, -1),
    ],
)
def test_values_out_of_the_possible(call):
    with pytest.raises(ArgumentError, match="allowed is"):
        call()


# -- fits ----------------------------------------------------------------------------------------------------


def test_too_few_steps():
    with pytest.raises(ArgumentError, match=r"5 different exposures.*at least 6"):
        fit_emulsion(STEPS[:5], DENSITY[:5])
    # repeats of the same exposures are no further steps
    with pytest.raises(ArgumentError, match="5 different exposures"):
        fit_emulsion(np.repeat(STEPS[8:13], 3), np.repeat(DENSITY[8:13], 3))


@pytest.mark.filterwarnings("ignore::filmdose.errors.ValidityWarning")
def test_six_steps_are_enough():
    few = slice(None, None, len(STEPS) // 6 + (len(STEPS) % 6 > 0))
    x, d = STEPS[few][:6], DENSITY[few][:6]
    assert len(x) == 6
    np.testing.assert_allclose(fit_emulsion(x, d).emulsion.density(x), d, atol=0.05)


@pytest.mark.parametrize("name", ["log_sensitivity", "weights"])
def test_grains_are_numbers(name):
    record = generic_film(400).records[0]
    wrong = getattr(record, name).copy()
    wrong[3] = np.nan
    with pytest.raises(ArgumentError, match=name):
        dataclasses.replace(record, **{name: wrong})


@pytest.mark.parametrize("kind", ["bw-negative", "bw-reversal"])
def test_no_dose_is_no_fog_and_not_less_than_none(kind):
    fog = generic_film(100, kind=kind).records[0].fog_density([0.0, 0.0])
    assert not np.signbit(fog).any()


def test_small_falls_are_noise_and_are_counted():
    d = DENSITY.copy()
    d[2] = d[1] - 0.02
    fit = fit_emulsion(STEPS, d)
    assert fit.falls == 1
    assert np.all(np.diff(fit.emulsion.density(STEPS)) >= 0)


def test_large_falls_are_refused_with_their_place():
    d = DENSITY.copy()
    d[12] = d[11] - 0.07
    with pytest.raises(ArgumentError) as caught:
        fit_emulsion(STEPS, d)
    for part in (f"{d[12]:.3f}", f"log exposure {STEPS[12]:g}", "0.057", "assumed", "0.070", "sigma"):
        assert part in str(caught.value)
    assert fit_emulsion(STEPS, d, sigma=np.full(21, 0.02)).falls == 1  # said to be noise, taken as noise


def test_the_wrong_direction_is_named():
    with pytest.raises(ArgumentError, match="reversal film, or does the axis hold the density of the tablet"):
        fit_emulsion(-STEPS, DENSITY)
    with pytest.raises(ArgumentError, match="Is it negative film"):
        fit_emulsion(STEPS, DENSITY, positive=True)


@pytest.mark.parametrize(
    ("change", "match"),
    [
        ({"density": DENSITY - 0.5}, "at least 0"),
        ({"density": np.where(STEPS < -3.7, np.nan, DENSITY)}, "density"),
        ({"density": np.full(21, 0.3)}, "no image"),
        ({"sigma": np.zeros(21)}, "sigma"),
        ({"base_density": 1.0}, "at most the least density"),
        ({"base_density": -0.1}, "base_density"),
        ({"quanta": 0.5}, "quanta"),
        ({"smoothing": -1.0}, "smoothing"),
        ({"unexposed_density": float("nan")}, "unexposed_density"),
    ],
)
def test_impossible_fits(change, match):
    with pytest.raises(ArgumentError, match=match):
        fit_emulsion(**{"log_exposure": STEPS, "density": DENSITY, **change})


def readings(**more):
    return StepReadings(**{"log_exposure": STEPS, "densities": {"visual": DENSITY}, **more})


@pytest.mark.parametrize(
    ("options", "error", "match"),
    [
        ({"kind": "polaroid"}, UnknownNameError, "bw-negative"),
        ({"kind": "colour-negative"}, ArgumentError, "density_red"),
        ({"axis": "log"}, UnknownNameError, "relative"),
        ({"axis": "relative"}, ArgumentError, "rated speed"),
        ({"speed": -400}, ArgumentError, "speed"),
        ({"speed": "fast"}, ArgumentError, "speed"),
        ({"rms_granularity": 0}, ArgumentError, "rms_granularity"),
    ],
)
def test_impossible_films(options, error, match):
    with pytest.raises(error, match=match):
        fit_film(readings(), **options)


def test_an_axis_that_looks_relative_is_said():
    x = np.arange(31) * 0.15 - 3.8
    moved = StepReadings(log_exposure=x + 3.8, densities={"visual": generic_film(400).records[0].density(x)})
    with pytest.warns(ValidityWarning, match="looks relative"):
        found = fit_film(moved)
    assert any("looks relative" in message for message in found.messages)


# -- film files ----------------------------------------------------------------------------------------------

TEXT = film_text(generic_film(400))


@pytest.mark.parametrize(
    ("old", "new", "parts"),
    [
        ("format = ", "format == ", ["not valid TOML", "line 2"]),
        ('format = "filmdose film 1"\n', "", ["'format'", "filmdose fit"]),
        ("film 1", "film 9", ["'format'", "filmdose film 9"]),
        ("bw-negative", "bw-positive", ["'kind'", "bw-positive", "colour-negative"]),
        ('kind = "bw-negative"\n', "", ["'kind'", "missing"]),
        ("speed = 400.0", 'speed = "400"', ["'speed'", "'400'", "number"]),
        ("speed = 400.0", "speed = -400", ["speed", "-400"]),
        ("speed = 400.0", "speed = true", ["'speed'", "True", "number"]),
        ("speed = 400.0", "speed = 400.0\nisoo = 1", ["'isoo'", "not known", "speed"]),
        ("[record.visual]", "[record.green]", ["green", "visual"]),
        ("[record.visual]", "[recordings]", ["table 'recordings'", "not known", "Did you mean record"]),
        ("quanta = 4.0", "", ["record 'visual'", "'quanta'", "missing"]),
        ("quanta = 4.0", "quanta = 0.2", ["record 'visual'", "quanta", "0.2"]),
        ("quanta = 4.0", "quanta = nan", ["record 'visual'", "quanta", "nan"]),
        ("native_fog = 0.015", "native_fog = 1.5", ["native_fog", "1.5"]),
        ("native_fog", "native_frog", ["record 'visual'", "native_frog", "not known"]),
        ("weights = [", 'weights = [ "a",', ["record 'visual'", "'weights'", "number"]),
        ("weights = [", "weights = [ 0.1,", ["record 'visual'", "weights"]),
        ('name = ""', "name = 3", ["'name'", "3", "quotes"]),
    ],
)
def test_wrong_film_files_are_refused_with_their_place(old, new, parts):
    assert old in TEXT
    with pytest.raises(InputFileError) as caught:
        parse_film(TEXT.replace(old, new, 1), "my film.toml")
    text = str(caught.value)
    assert text.startswith("my film.toml")
    for part in parts:
        assert part in text, text


def test_film_files_that_cannot_be_opened(tmp_path):
    with pytest.raises(InputFileError, match="cannot be read"):
        read_film(tmp_path / "nothing.toml")
    (tmp_path / "binary.toml").write_bytes(b"\xff\xfe\x00\x80")
    with pytest.raises(InputFileError, match="not UTF-8 text"):
        read_film(tmp_path / "binary.toml")
    with pytest.raises(OutputFileError):
        write_film(generic_film(400), tmp_path / "no" / "folder.toml")


# Of each number of a record, beside an end that its docstring states: what is allowed and what is not.
ENDS = [
    ("base_density", 0.0, -1e-3),
    ("native_fog", 0.0, -1e-3),
    ("native_fog", 0.999, 1.0),
    ("quanta", 1.0, 0.99),
    ("hit_exponent", 0.0, -1e-3),
    ("hit_exponent", 2.0, 2.02),
    ("hits_per_ugy", 0.0, -1e-9),
    ("rms_granularity", 0.02, 0.0),
    ("area_exponent", -1.0, -1.02),
    ("area_exponent", 2.0, 2.02),
    ("dye_saturation", 0.0, -1e-3),
    ("dye_saturation", 1.0, 1.02),
    ("noise_floor", 0.0, -1e-3),
    ("cluster_grains", 1.0, 0.99),
]


@pytest.mark.parametrize(
    ("kind", "name", "inside", "outside"),
    [
        ("bw-negative", "contrast", 0.55, 0.54),
        ("colour-negative", "contrast", 1.80, 1.81),
        ("bw-negative", "toe", 0.10, 0.098),
        ("bw-negative", "toe", 0.60, 0.61),
        ("colour-reversal", "contrast", 0.80, 0.79),
        ("bw-reversal", "contrast", 1.25, 1.26),
        ("bw-reversal", "toe", 0.08, 0.078),
        ("bw-reversal", "toe", 0.40, 0.41),
    ],
)
def test_the_shapes_of_generic_films_end_where_their_standard_cannot_be_met(kind, name, inside, outside):
    assert generic_film(400, kind=kind, **{name: inside}).speed == 400.0
    with pytest.raises(ArgumentError, match=name):
        generic_film(400, kind=kind, **{name: outside})


@pytest.mark.parametrize(("name", "inside", "outside"), ENDS)
def test_the_numbers_of_a_record_end_where_they_are_said_to(name, inside, outside):
    record = generic_film(400).records[0]
    assert getattr(dataclasses.replace(record, **{name: inside}), name) == inside
    with pytest.raises(ArgumentError, match=name):
        dataclasses.replace(record, **{name: outside})


def test_records_of_one_film_all_fall_or_all_rise():
    slide = generic_film(100, kind="bw-reversal")
    with pytest.raises(
        ArgumentError, match=r"records.*positive=True.*positive=False in every record of a bw-negative film"
    ):
        Film(kind="bw-negative", speed=100.0, records=slide.records)
