"""Sensitometry against published and derived values; each row of reference/sensitometry.csv names its source."""

import csv
import math
from pathlib import Path

import numpy as np
import pytest

from filmdose.film.curves import MeasuredCurve, ToeShoulderCurve
from filmdose.sensitometry import (
    contrast_index,
    delta_x,
    delta_x_speed,
    equivalent_grain_area_um2,
    focal_plane_exposure,
    fractional_gradient_point,
    grade_for_density_range,
    iso6,
    iso2240_speed,
    iso5800_speed,
    lens_factor,
    metered_exposure,
    noise_equivalent_quanta,
    nutting_density,
    paper_range,
    selwyn_granularity,
)
from filmdose.sensitometry.granularity import RMS_APERTURE_AREA_UM2
from filmdose.units import degrees_from_speed, round_to_standard

ROWS = {
    row["name"]: row
    for row in csv.DictReader(
        line
        for line in (Path(__file__).parents[2] / "reference" / "sensitometry.csv").read_text().splitlines()
        if not line.startswith("#")
    )
}


def straight_line():
    # D = fog + (8/13)(x + 2.5), fog 0.2
    return MeasuredCurve(log_exposures=(-2.5, 0.1, 2.7), densities=(0.2, 1.8, 3.4))


def softplus_toe():
    # D = 0.20 + 0.13 ln(1 + exp(5 (x + 2.5)))
    return ToeShoulderCurve(unexposed_density=0.20, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)


COMPUTED = {
    "iso6_straight_line_log_hm": lambda: iso6(straight_line()).log_speed_point,
    "iso6_straight_line_speed": lambda: iso6(straight_line()).speed,
    "softplus_log_hm": lambda: iso6(softplus_toe()).log_speed_point,
    "softplus_speed": lambda: iso6(softplus_toe()).speed,
    "softplus_rise_1_30": lambda: iso6(softplus_toe()).rise_1_30,
    "softplus_fractional_point": lambda: fractional_gradient_point(softplus_toe()).log_exposure,
    "softplus_mean_gradient": lambda: fractional_gradient_point(softplus_toe()).mean_gradient,
    "softplus_delta_x": lambda: delta_x_speed(softplus_toe()).delta_x,
    "delta_x_at_iso6_contrast": lambda: delta_x(0.80),
    "iso5800_digitised_400": lambda: iso5800_speed(-2.437, -2.466, -2.638),
    "iso2240_two_points": lambda: iso2240_speed(math.log10(0.50), math.log10(0.02)),
    "lens_factor": lens_factor,
    "focal_plane_exposure": lambda: focal_plane_exposure(4000, 8, 1 / 250),
    "ten_over_focal_plane_exposure": lambda: 10 / focal_plane_exposure(4000, 8, 1 / 250),
    "metered_exposure_times_speed": lambda: metered_exposure(250) * 250,
    "nutting_density": lambda: nutting_density(1e8, 1.0),
    "rms_aperture_area": lambda: RMS_APERTURE_AREA_UM2,
    "selwyn_rms_10": lambda: selwyn_granularity(0.010),
    "grain_area_rms_10": lambda: equivalent_grain_area_um2(0.010),
    "grain_area_rms_17": lambda: equivalent_grain_area_um2(0.017),
    "neq_gamma_062_rms_10": lambda: noise_equivalent_quanta(0.62, 0.010),
    "neq_constant": lambda: noise_equivalent_quanta(1.0, 1.0, 1.0),
}


def test_every_row_is_computed_and_nothing_else():
    assert set(ROWS) == set(COMPUTED)


@pytest.mark.parametrize("name", sorted(COMPUTED))
def test_value_within_its_printed_digits(name):
    row = ROWS[name]
    half_a_unit = 0.5 * 10.0 ** -int(row["decimals"])
    assert COMPUTED[name]() == pytest.approx(float(row["value"]), abs=1.0001 * half_a_unit)


def test_straight_line_is_iso_160_23():
    # derived, ISO 6: straight line at 174 rounds to the printed 160, 23 degrees
    result = iso6(straight_line())
    assert (result.standard_speed, result.degrees, result.contrast_met) == (160, 23.0, True)


# Standard pairs of arithmetic speed and degrees (from memory; all obey 1 + 10 log10 S)
PAIRS = "12/12 16/13 20/14 25/15 32/16 40/17 50/18 64/19 80/20 100/21 125/22 160/23 200/24 250/25 320/26 400/27 \
500/28 640/29 800/30 1000/31 1250/32 1600/33 2000/34 2500/35 3200/36 4000/37 5000/38 6400/39"


@pytest.mark.parametrize("pair", PAIRS.split())
def test_standard_pairs(pair):
    speed, degrees = map(int, pair.split("/"))
    assert degrees_from_speed(speed) == degrees
    assert round_to_standard(10.0 ** ((degrees - 1) / 10)) == speed


@pytest.mark.parametrize(
    ("low", "high", "grade"),
    # Density range of the negative by paper grade: ISO 6846 ranges as seen in secondary pages
    [(1.40, 1.70, 0), (1.15, 1.40, 1), (0.95, 1.15, 2), (0.80, 0.95, 3), (0.65, 0.80, 4), (0.50, 0.65, 5)],
)
def test_paper_grades(low, high, grade):
    inside = np.linspace(low, high, 7)[:-1]
    assert set(grade_for_density_range(inside).tolist()) == {float(grade)}


def test_outside_all_paper_grades():
    assert np.isnan(grade_for_density_range([0.49, 1.71, np.nan])).all()
    assert grade_for_density_range(1.70) == 0.0


def test_paper_range_ends_are_those_of_iso_6846():
    # least density + 0.04 and 0.90 of the greatest net density, on a curve that is not straight
    paper = ToeShoulderCurve(
        unexposed_density=0.06, slope=2.4, toe_log_exposure=0.0, toe_width=0.1, shoulder_log_exposure=0.85
    )
    found = paper_range(paper)
    assert paper.density(found.log_highlight_point) == pytest.approx(0.10, abs=1e-9)
    assert paper.density(found.log_shadow_point) == pytest.approx(0.06 + 0.9 * 2.4 * 0.85, abs=1e-9)
    assert found.iso_range == pytest.approx(100 * (found.log_shadow_point - found.log_highlight_point))


@pytest.mark.parametrize("gamma", [0.4, 0.6, 0.8, 1.2])
def test_contrast_index_of_a_straight_line_is_its_gamma(gamma):
    # Kodak F-14 geometry; derived: line that starts on the base-plus-fog line
    line = MeasuredCurve(log_exposures=(-2.5, -1.0, 1.5), densities=(0.2, 0.2 + 1.5 * gamma, 0.2 + 4 * gamma))
    assert contrast_index(line) == pytest.approx(gamma, abs=1e-9)


def test_contrast_index_geometry_on_a_curve():
    # Kodak F-14: arcs of radius 0.2 and 2.2 about one centre on the base-plus-fog line, the three points in line
    toe = softplus_toe()
    slope = contrast_index(toe)
    angle = math.atan(slope)
    near = toe.inverse(0.20 + 0.2 * math.sin(angle))
    far = toe.inverse(0.20 + 2.2 * math.sin(angle))
    centre = near - 0.2 * math.cos(angle)
    assert math.hypot(far - centre, toe.density(far) - 0.20) == pytest.approx(2.2, abs=1e-9)
    assert math.hypot(near - centre, toe.density(near) - 0.20) == pytest.approx(0.2, abs=1e-9)


def test_delta_x_approximates_the_fractional_gradient():
    # Nelson & Simonds 1956: Delta-X stands in for the 0.3-gradient point.  For toes of the usual roundness
    # and the contrast of ISO 6 it lies within a third of a stop (0.1 log unit) of it.
    for width in (0.15, 0.2, 0.25):
        toe = ToeShoulderCurve(unexposed_density=0.2, slope=0.68, toe_log_exposure=-2.5, toe_width=width)
        assert abs(delta_x_speed(toe).log_speed_point - fractional_gradient_point(toe).log_exposure) < 0.1


def test_every_source_is_in_a_bibliography():
    root = Path(__file__).parents[2]
    known = (root / "filmdose/data/references.bib").read_text() + (root / "reference/sources.bib").read_text()
    for path in (
        "reference/sensitometry.csv",
        "reference/curves/sheets.csv",
        "filmdose/data/paper_grades.csv",
    ):
        lines = [line for line in (root / path).read_text().splitlines() if not line.startswith("#")]
        for row in csv.DictReader(lines):
            assert f"{{{row['source']}," in known, (path, row)
