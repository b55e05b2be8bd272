"""The curve back to the clean film's tones, as numbers and as tables for other programs."""

import json
import math

import numpy as np
import pytest
from independent import SlowRecord
from scipy.optimize import brentq

from filmdose.answering import answer
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.generic import generic_film
from filmdose.plotting import plot_noise_gain, plot_tone_curve
from filmdose.printing import print_plan
from filmdose.question import Question
from filmdose.sensitometry import grade_for_density_range
from filmdose.solution import shadow_points
from filmdose.standards import KINDS
from filmdose.tonecurve import restore_tones, tone_curve
from filmdose.tonetable import cube_text, kept_gain, parse_encoding, tone_codes

DOSES = (0.0, 30.0, 370.0, 2500.0)


def film_of(kind):
    return generic_film(200 if kind == "colour-reversal" else 400, kind=kind)


def exposures(record):
    return np.linspace(*record.curve().log_exposure_range, 977)


@pytest.mark.few(14)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("dose", DOSES)
def test_the_curve_returns_the_clean_film(kind, dose):
    curve = tone_curve(film_of(kind), dose, ceiling=None)
    for name, record in curve.film:
        x = exposures(record)
        back = curve.apply(record.density(x, dose), name)
        assert np.abs(back - record.density(x)).max() < 1e-4
        assert np.all(np.diff(curve.records[name].fogged) > 0)
        assert np.all(np.diff(curve.records[name].corrected) >= 0)


@pytest.mark.few(14)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("ceiling", [1.0, 1.3, 2.0, 4.0])
def test_a_ceiling_holds_and_leaves_the_tones_beyond_it_alone(kind, ceiling):
    dose = 1500.0
    curve = tone_curve(film_of(kind), dose, ceiling=ceiling)
    for name, record in curve.film:
        tone = curve.records[name]
        slope = np.diff(tone.corrected) / np.diff(tone.fogged)
        assert slope.max() <= ceiling * (1 + 1e-6)
        assert slope.min() >= 0.0
        x = exposures(record)
        light = np.abs(record.gradient(x)) <= 0.999 * ceiling * np.abs(record.gradient(x, dose))
        assert light.any() == (ceiling > 1.0)
        error = np.abs(np.asarray(curve.apply(record.density(x, dose), name)) - record.density(x))
        assert error[light].max(initial=0.0) < 0.005
        # what is held back stays on the side of the fog, never beyond the clean tone
        missing = (tone.corrected - tone.clean) * (-1 if curve.film.reversal else 1)
        assert missing.min() > -1e-4


def test_the_curve_by_a_second_solver():
    """Densities of the slow solver that shares no code with the package: exposure by brentq, then the clean density."""
    record = generic_film(400).records[0]
    fogged, clean = (SlowRecord(record.to_dict(), dose) for dose in (370.0, 0.0))
    curve = tone_curve(400, 370.0, ceiling=None)
    for density in (0.55, 0.8, 1.2, 1.8):
        x = brentq(lambda x, d=density: fogged.density(x) - d, -6.0, 3.0, xtol=1e-12)
        assert curve.apply(density) == pytest.approx(clean.density(x), abs=1e-4)


@pytest.mark.parametrize("kind", KINDS)
def test_noise_is_amplified_as_a_simulation_says(kind):
    """10 000 readings with the film's own noise: their spread after the curve is gain times that before it."""
    rng = np.random.default_rng(3)
    film = film_of(kind)
    curve = tone_curve(film, 370.0)
    for (_name, record), tone in zip(film, curve.records.values(), strict=True):
        point = shadow_points(film)[0] + np.array([0.6, 1.2, 1.8])
        for x in point:
            sigma = 0.25 * float(record.noise(x, 370.0))  # an aperture of 96 um: small against the curve's bends
            read = float(record.density(x, 370.0)) + sigma * rng.standard_normal(10_000)
            after = np.asarray(tone.apply(read))
            expected = float(tone.gain_at(record.density(x, 370.0))) * sigma
            assert after.std() == pytest.approx(expected, rel=0.03)


def test_outside_the_fogged_film_the_nearest_tone_stands():
    curve = tone_curve(400, 370.0)
    low, high = curve.record().domain
    assert curve.apply([low - 0.2, low]).tolist() == [curve.apply(low)] * 2
    assert curve.apply(high + 1.0) == curve.apply(high)
    assert curve.record().gain_at([low - 0.1, high + 0.1]).tolist() == [0.0, 0.0]
    assert math.isnan(curve.apply(math.nan))


def test_a_dead_film_has_no_curve_and_its_plan_says_so():
    with pytest.raises(ArgumentError, match="no tones left"):
        tone_curve(400, 1e9)
    plan = print_plan(answer(400, 1e9, exposed=True))
    assert plan.tone is None
    assert plan.grade["fogged"] is None
    assert set(plan.zones["left"]) == {"lost"}


@pytest.mark.parametrize(
    ("ceiling", "dose"), [(0.5, 1.0), (math.nan, 1.0), (2.0, -1.0), (2.0, math.nan), ("much", 1.0)]
)
def test_bad_arguments(ceiling, dose):
    with pytest.raises(ArgumentError):
        tone_curve(400, dose, ceiling=ceiling)


def test_bad_shapes_and_names():
    curve = tone_curve(generic_film(400, kind="colour-negative"), 100.0)
    with pytest.raises(ArgumentError, match="last axis"):
        curve.apply(np.zeros((4, 2)))
    with pytest.raises(UnknownNameError, match="record"):
        curve.apply(0.5, "violet")
    assert curve.apply(np.full((4, 3), 0.9)).shape == (4, 3)


def test_uneven_fog_gets_the_curve_of_its_place():
    film = generic_film(400)
    record = film.records[0]
    dose = np.linspace(50.0, 600.0, 40)
    x = np.full(40, -1.6)
    back = restore_tones(film, record.density(x, dose), dose, ceiling=None)
    assert np.abs(back - record.density(-1.6)).max() < 1e-3
    assert restore_tones(film, [0.7], [0.0]).tolist() == pytest.approx([0.7], abs=1e-5)


# -- tables for other programs -----------------------------------------------------------------------------------------


@pytest.mark.parametrize("words", ["linear", "gamma=2.2", "density=4"])
def test_encodings_there_and_back(words):
    encoding = parse_encoding(words)
    density = np.linspace(0.05, 3.0, 50)
    assert encoding.density(encoding.value(density, 0.8), 0.8) == pytest.approx(density)


def test_encodings_mean_what_they_say():
    assert float(parse_encoding("linear").density(np.array(0.08), 0.8)) == pytest.approx(1.0)
    assert float(parse_encoding("gamma=2").density(np.array(0.08), 0.8)) == pytest.approx(2.0)  # T = (v / v0)**2
    assert float(parse_encoding("density=4").density(np.array(0.25), 0.8)) == pytest.approx(1.0)


@pytest.mark.parametrize("words", ["", "srgb", "gamma", "gamma=x", "gamma=0.2", "density=0", "linear=2", "gamma=nan"])
def test_an_encoding_is_never_guessed(words):
    with pytest.raises(ArgumentError, match="encoding"):
        parse_encoding(words)


def test_clear_light_is_never_guessed():
    curve = tone_curve(400, 100.0)
    with pytest.raises(ArgumentError, match="clear"):
        cube_text(curve, parse_encoding("linear"))
    with pytest.raises(ArgumentError, match="clear"):
        cube_text(curve, parse_encoding("linear"), clear=[0.8, 0.7])


@pytest.mark.few(4)
@pytest.mark.parametrize("kind", KINDS)
@pytest.mark.parametrize("words", ["linear", "gamma=2.2", "density=4"])
def test_the_table_puts_back_the_clean_tones(kind, words):
    """Read by hand, with straight lines between entries: within 0.005 density wherever the scan has the tone."""
    curve, encoding, dose = tone_curve(film_of(kind), 200.0, ceiling=None), parse_encoding(words), 200.0
    lines = cube_text(curve, encoding, clear=0.8).splitlines()
    table = np.array([line.split() for line in lines if line[0].isdigit()], dtype=float)
    assert f"LUT_1D_SIZE {len(table)}" in lines
    assert np.all(np.diff(table, axis=0) >= 0)
    for column, (name, record) in zip(table.T, curve.film, strict=False):
        x = exposures(record)
        value = encoding.value(np.asarray(record.density(x, dose)), 0.8)
        read = np.interp(value, np.linspace(0, 1, len(table)), column)
        back = encoding.density(read, 0.8 * kept_gain(curve.records[name], encoding))
        assert np.abs(back - record.density(x)).max() < 0.005


def test_the_lightest_tone_keeps_its_number():
    for kind in KINDS:
        curve = tone_curve(film_of(kind), 300.0)
        tone = curve.record()
        for words in ("linear", "gamma=1.8"):
            encoding = parse_encoding(words)
            value = encoding.value(np.array(tone.fogged[0]), 0.8)
            assert tone_codes(tone, value, encoding, 0.8) == pytest.approx(value)


@pytest.mark.outside
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_a_general_library_reads_the_cube_file(tmp_path, kind):
    """colour-science reads the .cube file, and its interpolation agrees with the curve."""
    import warnings

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        from colour.io import read_LUT_IridasCube

    curve, encoding = tone_curve(film_of(kind), 370.0), parse_encoding("density=4")
    path = tmp_path / "curve.cube"
    path.write_text(cube_text(curve, encoding))
    table = read_LUT_IridasCube(str(path))
    assert table.domain.tolist() == [[0.0] * 3, [1.0] * 3]
    tones = list(curve.records.values()) * (3 // len(curve.records))
    low, high = max(t.fogged[0] for t in tones), min(t.fogged[-1] for t in tones)
    density = np.linspace(low, high, 101)
    read = table.apply(np.repeat(encoding.value(density, 1.0)[:, None], 3, axis=1)) * 4.0
    for k, tone in enumerate(tones):
        assert read[:, k] == pytest.approx(tone.apply(density), abs=0.005)


# -- printing ----------------------------------------------------------------------------------------------------------


def test_extra_exposure_is_the_density_that_fog_adds():
    plan = print_plan(answer(400, 370.0, exposed=True))
    record = plan.film.records[0]
    (point,) = shadow_points(plan.film)
    for row in plan.zones.itertuples():
        x = point + row.stops_above_shadow * math.log10(2.0)
        # the light that a print gets through the negative: T times exposure, the same as through the clean one
        through = row.seconds_factor * 10.0 ** -float(record.density(x, 370.0))
        assert through == pytest.approx(10.0 ** -float(record.density(x)), rel=1e-9)
    black = plan.zones[plan.zones["stops_above_shadow"] == 0].iloc[0]
    assert plan.extra_stops["same_black"] == pytest.approx(black["extra_stops"])


def test_grades_are_those_of_the_standard():
    """ISO 6846 ranges by grade: the zone's range is that of the clean frame times the gradient kept."""
    plan = print_plan(answer(400, 900.0, exposed=True))
    clean = plan.answer.exposed.density_range["clean"]
    for row in plan.zones.itertuples():
        assert row.paper_range == pytest.approx(100.0 * clean * row.gradient_kept)
        assert np.array_equal(row.grade, grade_for_density_range(row.paper_range / 100.0), equal_nan=True)
    assert plan.zones["grade"].dropna().is_monotonic_decreasing  # shadows want the harder paper
    # borders as printed: 1.00 is grade 2, 0.75 grade 4
    assert grade_for_density_range([1.0, 0.75]).tolist() == [2.0, 4.0]


@pytest.mark.parametrize("kind", KINDS)
def test_a_plan_for_every_kind(kind):
    film = film_of(kind)
    plan = print_plan(answer(film, 370.0, Question(peak_to_mean=1.5), exposed=True, shot_ei=film.speed / 2))
    assert json.dumps(plan.to_dict(), default=float)
    assert (plan.extra_stops is None) == film.reversal
    assert ("grade" in plan.zones) == (kind == "bw-negative")
    assert all(one["density_gain"] > 1.0 for one in plan.scan.values())
    assert len(repr(plan)) < 300
    assert len(repr(plan.tone)) < 200
    assert plan.tone.kerma_ugy == 370.0
    name = film.record_names[0]
    loss = plan.answer.exposed.scan_black[name]
    assert plan.scan[name]["black_transmittance"] == loss["relative_transmittance"]  # one quantity, one figure


def test_an_unexposed_roll_has_no_plan():
    with pytest.raises(ArgumentError, match="exposed"):
        print_plan(answer(400, 10.0))


@pytest.mark.parametrize("kind", KINDS)
def test_plots_return_their_axes(kind):
    import matplotlib.pyplot as plt

    curve = tone_curve(film_of(kind), 900.0)
    for draw in (plot_tone_curve, plot_noise_gain):
        ax = draw(curve)
        assert ax.get_xlabel()
        assert ax.get_legend() is not None
        plt.close(ax.figure)
