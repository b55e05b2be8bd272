"""Badge readings as air kerma, against published conversion coefficients."""

import math

import pytest

from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.radiation.badge import BADGE_QUANTITIES, badge_air_kerma
from filmdose.units import UGY_PER_MILLIROENTGEN, parse_kerma


def test_exposure_is_air_kerma_by_the_energy_of_an_ion_pair():
    # 2.58e-4 C/kg per roentgen times 33.97 J/C (derived)
    found = badge_air_kerma("5 mR")
    assert found.air_kerma_ugy == pytest.approx(5 * 2.58e-7 * 33.97e6, rel=1e-12)
    assert found.air_kerma_low_ugy == found.air_kerma_ugy == found.air_kerma_high_ugy
    assert found.log_sigma == 0.0


@pytest.mark.parametrize(("energy", "coefficient"), [(60, 1.74), (70, 1.75), (80, 1.72), (100, 1.65)])
def test_ambient_dose_equivalent_holds_the_published_coefficients(energy, coefficient):
    # JIS Z 4335:2001 after ICRP 74
    found = badge_air_kerma("1 mSv", "hstar10")
    assert found.air_kerma_low_ugy <= 1000 / coefficient * (1 + 1e-12)
    assert 1000 / coefficient * (1 - 1e-12) <= found.air_kerma_high_ugy
    assert found.air_kerma_ugy == pytest.approx(1000 / coefficient, rel=0.045)


@pytest.mark.parametrize(("energy", "coefficient"), [(60, 1.892), (80, 1.903), (100, 1.811)])
def test_personal_dose_equivalent_on_a_phantom(energy, coefficient):
    # ISO 4037-3, ICRU slab, normal incidence: from memory
    found = badge_air_kerma("1 mSv", "hp10-phantom")
    assert found.air_kerma_low_ugy < 1000 / coefficient < found.air_kerma_high_ugy
    assert found.air_kerma_ugy == pytest.approx(1000 / coefficient, rel=0.04)


@pytest.mark.parametrize("quantity", ["hp10-phantom", "hp10-free", "hstar10", "unstated"])
def test_how_sure_a_badge_is_does_not_hang_on_what_it_reads(quantity):
    small, large = (badge_air_kerma(reading, quantity, relative_error=0.1) for reading in ("0.02 uSv", "2 mSv"))
    assert small.air_kerma_ugy * 1e5 == pytest.approx(large.air_kerma_ugy, rel=1e-12)
    assert small.log_sigma == pytest.approx(large.log_sigma, rel=1e-12)
    assert large.log_sigma > 0.1 * 0.99  # at least its own error


def test_the_reading_that_the_cabin_ct_source_rests_on():
    # 63.2 mrem over 1.3 to 1.9 Sv/Gy is 333 to 486 uGy
    found = badge_air_kerma("63.2 mrem")
    assert found.air_kerma_low_ugy == pytest.approx(333, abs=0.5)
    assert found.air_kerma_high_ugy == pytest.approx(486, abs=0.5)
    assert found.air_kerma_ugy == pytest.approx(math.sqrt(333 * 486), rel=2e-3)
    assert parse_kerma("dose", "63.2 mrem") == pytest.approx(found.air_kerma_ugy, rel=1e-12)


def test_the_readings_own_error_widens_the_range_in_quadrature():
    bare, wide = badge_air_kerma("0.6 mSv", "hp10-free"), badge_air_kerma("0.6 mSv", "hp10-free", relative_error=0.2)
    assert wide.air_kerma_ugy == bare.air_kerma_ugy
    own = math.sqrt(math.log(1.04))
    expected = math.hypot(math.log(wide.air_kerma_ugy / bare.air_kerma_low_ugy), 1.6448536 * own)
    assert math.log(wide.air_kerma_ugy / wide.air_kerma_low_ugy) == pytest.approx(expected, rel=1e-6)


@pytest.mark.parametrize("quantity", BADGE_QUANTITIES)
def test_every_quantity_is_proportional_and_speaks(quantity):
    unit = "mR" if quantity == "air-kerma" else "mrem"
    one, ten = (badge_air_kerma(f"{n} {unit}", quantity) for n in (1, 10))
    assert ten.air_kerma_ugy == pytest.approx(10 * one.air_kerma_ugy, rel=1e-12)
    assert "uGy" in str(one)
    assert badge_air_kerma(f"0 {unit}", quantity).air_kerma_ugy == 0.0


def test_units():
    assert parse_kerma("dose", "1 mR") == pytest.approx(UGY_PER_MILLIROENTGEN)
    assert badge_air_kerma("0.6 mSv").air_kerma_ugy == badge_air_kerma("60 mrem").air_kerma_ugy
    assert badge_air_kerma(30).air_kerma_ugy == 30.0


@pytest.mark.parametrize(
    ("call", "error"),
    [
        (lambda: badge_air_kerma("5 mR", "hstar10"), ArgumentError),
        (lambda: badge_air_kerma("5 mSv", "air-kerma"), ArgumentError),
        (lambda: badge_air_kerma("-5 mSv"), ArgumentError),
        (lambda: badge_air_kerma("5 mSw"), ArgumentError),
        (lambda: badge_air_kerma("nan mSv"), ArgumentError),
        (lambda: badge_air_kerma("5 mSv", relative_error=-0.1), ArgumentError),
        (lambda: badge_air_kerma("5 mSv", "hp7"), UnknownNameError),
    ],
)
def test_what_is_not_a_reading(call, error):
    with pytest.raises(error):
        call()
