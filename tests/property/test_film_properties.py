"""What holds for any curve, any readings and any film."""

import warnings

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from hypothesis.extra import numpy as hnp
from strategies import strange_films

from filmdose.errors import ValidityWarning
from filmdose.film.curves import MeasuredCurve, ToeShoulderCurve
from filmdose.film.filmfile import film_text, parse_film
from filmdose.film.fitting import fit_emulsion
from filmdose.film.generic import generic_film
from filmdose.film.readings import StepReadings, read_steps, write_steps
from filmdose.sensitometry import iso6
from filmdose.standards import KINDS

finite = st.floats(-1e6, 1e6, allow_nan=False)


@st.composite
def measured_curves(draw):
    count = draw(st.integers(3, 12))
    steps = draw(st.lists(st.floats(0.01, 1.0), min_size=count, max_size=count))
    rises = draw(st.lists(st.sampled_from([0.0, 0.01, 0.1, 0.5]), min_size=count, max_size=count))
    assume(sum(rises[1:]) > 0)
    density = 0.2 + np.cumsum(rises)
    if draw(st.booleans()):
        density = density[::-1].copy()
    return MeasuredCurve(log_exposures=-4 + np.cumsum(steps), densities=density)


@given(measured_curves(), st.floats(0, 1))
def test_measured_curve_is_monotone_within_its_readings(curve, share):
    x = np.linspace(*curve.log_exposure_range, 200)
    d = curve.density(x)
    assert np.all(np.diff(d) * (1 if curve.rising else -1) >= -1e-12)
    assert d.min() >= curve.minimum_density
    assert d.max() <= curve.maximum_density
    np.testing.assert_allclose(curve.density(np.array(curve.log_exposures)), curve.densities, atol=1e-12)
    # rounding may give a little more than the greatest density, which no exposure gives
    wanted = min(curve.minimum_density + share * (curve.maximum_density - curve.minimum_density), curve.maximum_density)
    assert curve.density(curve.inverse(wanted)) == pytest.approx(wanted, abs=1e-12)


@given(
    slope=st.floats(0.2, 3.0),
    toe=st.floats(-5, 0),
    length=st.floats(0.3, 4.0),
    width=st.floats(0.02, 0.5),
    ratio=st.sampled_from([1.0, 0.5, 1.7]),
    share=st.floats(0.02, 0.98),
)
def test_toe_shoulder_inverse_undoes_density(slope, toe, length, width, ratio, share):
    curve = ToeShoulderCurve(
        unexposed_density=0.2,
        slope=slope,
        toe_log_exposure=toe,
        toe_width=width,
        shoulder_log_exposure=toe + length,
        shoulder_width=ratio * width,
    )
    wanted = curve.minimum_density + share * (curve.maximum_density - curve.minimum_density)
    assert curve.density(curve.inverse(wanted)) == pytest.approx(wanted, abs=1e-9)


@st.composite
def step_readings(draw):
    count = draw(st.integers(1, 30))
    records = draw(st.sampled_from([("visual",), ("red", "green", "blue")]))

    def column(low, high):
        return draw(hnp.arrays(np.float64, count, elements=st.floats(low, high, width=64)))

    # an irregular first column, so that the pair does not look swapped
    x = column(-11.0, -0.5)
    return StepReadings(
        log_exposure=x,
        densities={record: column(0.0, 5.9) for record in records},
        sigma=draw(st.none() | st.just(np.full(count, 1e-3) + np.arange(count) / 977)),
        status=draw(st.sampled_from(["", "A", "M", "visual"])),
        keywords=draw(
            st.dictionaries(
                st.sampled_from(["ORIGINATOR", "CREATED", "MY_NOTE"]),
                st.text(st.characters(codec="utf-8", categories=["L", "N", "P", "Zs"]), max_size=20).map(str.strip),
                max_size=2,
            )
        ),
    )


@given(readings=step_readings(), format=st.sampled_from(["csv", "cgats"]))
def test_readings_survive_the_file_without_losing_a_bit(readings, format, tmp_path_factory):
    path = tmp_path_factory.getbasetemp() / "readings.txt"
    write_steps(readings, path, format=format)
    back = read_steps(path)
    assert np.array_equal(back.log_exposure, readings.log_exposure)
    assert back.records == readings.records
    for record in readings.records:
        assert np.array_equal(back.densities[record], readings.densities[record])
    assert (back.sigma is None) == (readings.sigma is None)
    if readings.sigma is not None:
        assert np.array_equal(back.sigma, readings.sigma)
    if format == "cgats":
        assert back.status == readings.status
        assert {k: v for k, v in back.keywords.items() if k != "DENSITY_STATUS"} == readings.keywords


@given(strange_films())
def test_film_files_give_back_an_equal_film(film):
    assert parse_film(film_text(film)) == film


@given(st.sampled_from(sorted(KINDS)), st.floats(25, 400))
def test_generic_films_survive_too(kind, speed):
    film = generic_film(speed, kind=kind)
    assert parse_film(film_text(film)) == film


@pytest.mark.long
@given(shift=st.floats(-2, 2), seed=st.integers(0, 50))
def test_a_fit_moves_with_its_axis(shift, seed):
    rng = np.random.default_rng(seed)
    x = np.arange(21) * 0.15 - 3.6
    d = generic_film(400).records[0].density(x) + rng.normal(0, 0.003, x.size)
    here, there = fit_emulsion(x, np.maximum(d, 0)), fit_emulsion(x + shift, np.maximum(d, 0))
    assert iso6(there.emulsion.curve()).log_speed_point - iso6(here.emulsion.curve()).log_speed_point == pytest.approx(
        shift, abs=2e-3
    )


@pytest.mark.long
@given(st.permutations(list(range(21))))
def test_the_order_of_the_steps_does_not_matter(order):
    x = np.arange(21) * 0.15 - 3.6
    d = generic_film(400).records[0].density(x)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)
        assert np.array_equal(fit_emulsion(x, d).emulsion.weights, fit_emulsion(x[order], d[order]).emulsion.weights)
