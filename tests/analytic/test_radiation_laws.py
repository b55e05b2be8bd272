"""Radiation functions against closed forms and limits."""

import math
import subprocess
import sys

import numpy as np
import pandas as pd
import pytest
import xarray as xr
import xraydb
from scipy.integrate import quad

from filmdose.radiation import (
    ETA_LOW,
    REFERENCE_BEAM,
    Beam,
    Layer,
    Material,
    Shield,
    Spectrum,
    air_kerma_ugy,
    archer_transmission,
    background_kerma_ugy,
    dwell_multiplier,
    effective_kerma_ugy,
    film_efficiency,
    filtered,
    first_principles_sensitivity,
    flight_dose_rate_usv_h,
    flight_kerma_ugy,
    half_value_layer_mm,
    kerma_per_mas_ugy,
    layers_transmission,
    mass_attenuation,
    mean_energy_kev,
    mean_oblique_factor,
    mono_spectrum,
    pass_kerma_ugy,
    relative_response,
    spectrum_of,
    transmission,
    transmission_curve,
)
from filmdose.radiation.materials import get_material
from filmdose.radiation.response import beam_moments, response_moments
from filmdose.radiation.sensitivity import CALIBRATION_FOG, NUTTING


def test_one_energy_is_attenuated_by_the_exponential_law():
    depth = mass_attenuation("tin", 80.0) * 7.31 * 0.03  # 0.3 mm
    for value in (
        layers_transmission((Layer(material="tin", thickness_mm=0.3),), 80.0),
        transmission("tin=0.3", Beam(energy_kev=80.0)).narrow_kerma,
        transmission("tin=0.3", Beam(energy_kev=80.0)).narrow_emulsion,
        transmission_curve("tin", 0.3, Beam(energy_kev=80.0)),
    ):
        assert value == pytest.approx(math.exp(-depth), rel=1e-12)


@pytest.mark.parametrize("material", ["aluminium", "copper", "lead"])
def test_half_value_layers_of_one_energy_are_equal_and_ln2_over_mu(material):
    spectrum = mono_spectrum(100.0)
    stuff = get_material(material)
    expected = 10 * math.log(2) / (mass_attenuation(material, 100.0) * stuff.density_g_cm3)
    assert half_value_layer_mm(spectrum, material) == pytest.approx(expected, rel=1e-8)
    assert half_value_layer_mm(spectrum, material, order=2) == pytest.approx(expected, rel=1e-7)


def test_half_value_layer_halves():
    spectrum = spectrum_of(REFERENCE_BEAM)
    half = half_value_layer_mm(spectrum)
    behind = filtered(spectrum, (Layer(material="aluminium", thickness_mm=half),))
    assert air_kerma_ugy(behind) / air_kerma_ugy(spectrum) == pytest.approx(0.5, rel=1e-7)
    assert mean_energy_kev(behind) > mean_energy_kev(spectrum)  # a filter hardens


def test_a_tube_filter_is_a_layer_like_any_other():
    thin = spectrum_of(Beam.parse("120kVp, al=2"))
    thick = spectrum_of(Beam.parse("120kVp, al=2, cu=0.3"))
    by_hand = filtered(thin, (Layer(material="cu", thickness_mm=0.3),))
    np.testing.assert_allclose(by_hand.fluence, thick.fluence, rtol=1e-12)


def test_layers_multiply_and_their_order_does_not_matter():
    lead, tin = Layer(material="lead", thickness_mm=0.1), Layer(material="tin", thickness_mm=0.2)
    energy = np.array([30.0, 87.0, 89.0, 150.0])
    both = layers_transmission((lead, tin), energy)
    apart = layers_transmission((lead,), energy) * layers_transmission((tin,), energy)
    np.testing.assert_allclose(both, apart, rtol=1e-12)
    np.testing.assert_allclose(both, layers_transmission((tin, lead), energy), rtol=1e-12)


def test_the_mixture_rule():
    energy = np.array([30.0, 60.0, 120.0])
    mixed = 0.6 * np.asarray(mass_attenuation(get_material("BaSO4", 4.5), energy))
    mixed = mixed + 0.4 * np.asarray(mass_attenuation("polyethylene", energy))
    np.testing.assert_allclose(mass_attenuation("barium-sulphate-polymer", energy), mixed, rtol=3e-6)  # printed digits


def test_an_alloy_of_which_one_element_is_shipped():
    hard_lead = Material(name="own hard lead", density_g_cm3=11.0, mass_fractions=(("Pb", 0.94), ("Sb", 0.06)))
    energy = spectrum_of(Beam(tube_kvp=140)).energy_kev  # where coefficients are shipped
    mixed = sum(
        share * xraydb.mu_elam(symbol, 1e3 * energy, kind="total") for symbol, share in hard_lead.mass_fractions
    )
    np.testing.assert_allclose(mass_attenuation(hard_lead, energy), mixed, rtol=1e-9)


@pytest.mark.parametrize(
    ("name", "parts"), [("barium-sulphate-polymer", (4.5, 1.0)), ("tungsten-polymer", (19.3, 0.97))]
)
def test_densities_of_filled_polymers_follow_from_volumes(name, parts):
    # densities of BaSO4 (4.50), W (19.3) and polyethylene (0.95); loads are ours, 3 % voids in the tungsten one
    filler, packing = parts
    load = {"barium-sulphate-polymer": 0.60, "tungsten-polymer": 0.85}[name]
    expected = packing / (load / filler + (1 - load) / 0.95)
    assert get_material(name).density_g_cm3 == pytest.approx(expected, rel=0.01)


def test_mass_fractions_of_a_compound():
    # AgBr from standard atomic weights 107.868 and 79.904
    fractions = dict(get_material("AgBr", density_g_cm3=6.47).mass_fractions)
    assert fractions["Ag"] == pytest.approx(107.868 / (107.868 + 79.904), rel=1e-4)
    assert sum(fractions.values()) == pytest.approx(1.0, rel=1e-12)


def test_kerma_of_a_known_fluence():
    # 1 photon of 100 keV per cm2: 100 keV x 0.02325 cm2/g x 1.602e-13 J per MeV/g ... in uGy
    expected = 100.0 * 0.02325 * 1.602176634e-16 * 1e3 * 1e6
    assert air_kerma_ugy(mono_spectrum(100.0)) == pytest.approx(expected, rel=1e-9)


def test_inverse_square_and_proportions_of_a_pass():
    whole = {"tube_current_ma": 0.7, "slit_mm": 3.0, "belt_speed_m_s": 0.2, "distance_m": 1.0}
    kerma = pass_kerma_ugy(**whole)
    # 0.7 mA for 3 mm / 0.2 m/s = 15 ms
    assert kerma == pytest.approx(0.7 * 0.015 * kerma_per_mas_ugy(spectrum_of(REFERENCE_BEAM)), rel=1e-12)
    for change, factor in (
        ({"tube_current_ma": 1.4}, 2.0),
        ({"slit_mm": 6.0}, 2.0),
        ({"belt_speed_m_s": 0.4}, 0.5),
        ({"distance_m": 2.0}, 0.25),
        ({"views": 3}, 3.0),
        ({"slit_mm": 0.03}, 0.01),
        ({"tube_current_ma": 0.007}, 0.01),
        ({"belt_speed_m_s": 0.002}, 100.0),
    ):
        assert pass_kerma_ugy(**{**whole, **change}) == pytest.approx(factor * kerma, rel=1e-12)


@pytest.mark.parametrize("kvp", [60.0, 62.5, 140.0, 205.0, 315.0, 320.0])
def test_photons_reach_to_the_voltage_and_no_further(kvp):
    spectrum = spectrum_of(Beam(tube_kvp=kvp, filtration="al=3, cu=1"))
    photons = spectrum.energy_kev[spectrum.fluence > 0.0]
    assert kvp - 1.0 < photons.max() < kvp


def test_dwell():
    assert dwell_multiplier(0.015, 0.015) == 1.0
    assert dwell_multiplier(120.0, 0.015) == pytest.approx(8000.0)


def test_archer_limits():
    # gamma -> 0 of the formula: B = exp(-alpha x) / ((1 + r) - r exp(-alpha gamma x))^(1/gamma); thick: slope -alpha
    thick = np.log(archer_transmission([20.0, 21.0], 2.009, 5.916, 0.4018))
    assert thick[1] - thick[0] == pytest.approx(-2.009, rel=1e-4)
    # thin: slope -(alpha + beta)
    thin = archer_transmission(1e-7, 2.009, 5.916, 0.4018)
    assert (1 - thin) / 1e-7 == pytest.approx(2.009 + 5.916, rel=1e-5)
    assert archer_transmission(0.0, 2.009, 5.916, 0.4018) == 1.0
    assert archer_transmission(1e4, 2.009, 5.916, 0.4018) == 0.0  # no overflow


@pytest.mark.parametrize("angle", [1.0, 30.0, 60.0, 80.0])
def test_mean_oblique_factor_is_the_mean_of_the_secant(angle):
    a = math.radians(angle)
    assert mean_oblique_factor(angle) == pytest.approx(quad(lambda t: 1 / math.cos(t), 0, a)[0] / a, rel=1e-9)


def test_oblique_shield_is_a_thicker_shield():
    slant = transmission(Shield(material="lead", thickness_mm=0.2, oblique=1.5))
    assert slant == transmission("lead=0.3") or slant.effective == pytest.approx(transmission("lead=0.3").effective)


def test_eta_ends_and_middle():
    low, middle, high = film_efficiency([60.0, math.sqrt(60 * 200), 200.0])
    assert low == ETA_LOW
    assert middle == pytest.approx((1 + ETA_LOW) / 2, rel=1e-12)
    assert high == 1.0
    assert np.all(film_efficiency([10.0, 50.0, 3000.0], eta_low=1.0) == 1.0)
    # linear in ln E between 60 and 200 keV, from whatever it is below
    for low in (0.0, 0.02, 0.45):
        middle = low + (1.0 - low) * math.log(100.0 / 60.0) / math.log(200.0 / 60.0)
        found = film_efficiency([10.0, 60.0, 100.0, 200.0], eta_low=low)
        np.testing.assert_allclose(found, [low, low, middle, 1.0], rtol=1e-9, atol=1e-12)


def test_reference_beam_is_counted_as_it_is():
    assert relative_response(REFERENCE_BEAM) == 1.0
    assert relative_response(spectrum_of(REFERENCE_BEAM)) == pytest.approx(1.0, rel=1e-12)
    assert effective_kerma_ugy(7.0, REFERENCE_BEAM) == 7.0


@pytest.mark.parametrize("eta", [0.0, 0.3, 0.65, 1.0])
def test_response_of_a_spectrum_is_the_kerma_weighted_mean(eta):
    # straight sum over bins against the two moments that make the response linear in eta_low
    from filmdose.radiation import film_response
    from filmdose.radiation.spectra import kerma_weights

    spectrum, reference = spectrum_of(Beam(tube_kvp=80)), spectrum_of(REFERENCE_BEAM)
    means = [
        np.average(film_response(s.energy_kev, eta_low=eta), weights=kerma_weights(s)) for s in (spectrum, reference)
    ]
    assert relative_response(spectrum, eta_low=eta) == pytest.approx(means[0] / means[1], rel=1e-12)


def test_response_takes_arrays_of_eta():
    beam = Beam(energy_kev=662.0)
    etas = np.array([0.3, 0.45, 0.65])
    together = relative_response(beam, eta_low=etas)
    np.testing.assert_allclose(together, [relative_response(beam, eta_low=float(e)) for e in etas], rtol=1e-14)
    assert np.all(np.diff(1 / together) > 0)  # less loss below 60 keV: scanners count more against hard rays


def test_moments_of_one_energy():
    assert beam_moments(Beam(energy_kev=40.0))[1] == 0.0
    ratio, rise = response_moments(mono_spectrum(500.0))
    assert ratio == rise


def test_a_narrow_user_spectrum_is_its_energy():
    own = Spectrum(energy_kev=[79.9, 80.0, 80.1], fluence=[1.0, 2.0, 1.0])
    assert relative_response(own) == pytest.approx(relative_response(Beam(energy_kev=80.0)), rel=1e-4)
    assert mean_energy_kev(own) == pytest.approx(80.0)


def test_background_and_flight_grow_with_time():
    year = background_kerma_ugy(365.25)
    assert year == pytest.approx((500.0, 900.0, 1500.0))
    assert background_kerma_ugy(10.0, 0.6) == pytest.approx((600 * 10 / 365.25,) * 3)
    ten, twenty = flight_kerma_ugy(10.0, 35000.0), flight_kerma_ugy(20.0, 35000.0)
    assert np.subtract(twenty, ten) == pytest.approx(np.multiply(ten, 10 / (10 - 0.8)), rel=1e-5)
    # 6 uSv/h (FAA AC 120-52), half a gray for each sievert and 0.8 h of climb and descent (from memory)
    assert ten[1] == pytest.approx((10 - 0.8) * 6 * 0.5, rel=1e-5)
    assert flight_kerma_ugy(0.01, 35000.0)[1] < 0.01 * 0.01 * 6 * 0.5  # never leaves the ground
    assert flight_kerma_ugy(0.0, 35000.0) == (0.0, 0.0, 0.0)
    assert ten[0] < ten[1] < ten[2]


def test_flight_dose_rates_at_published_points():
    # FAA report AM-92/2, Table 1: 8 at 39 000 ft, 0.04 at 1 200 ft; equator 4 to 5, polar region 9 at 39 000 ft
    np.testing.assert_allclose(flight_dose_rate_usv_h([1200.0, 35000.0, 39000.0]), [0.04, 6.0, 8.0], rtol=1e-12)
    assert 4.0 <= flight_dose_rate_usv_h(39000.0, "equatorial") <= 5.0
    assert flight_dose_rate_usv_h(39000.0, "polar") == pytest.approx(9.0)
    # polar regions about twice the equator (same report)
    assert flight_dose_rate_usv_h(30000.0, -75) / flight_dose_rate_usv_h(30000.0, 3) == pytest.approx(2.0, rel=0.05)


def test_first_principles_is_nuttings_law():
    estimate = first_principles_sensitivity(silver_g_m2=5.0, grain_area_um2=0.5, grains_per_quantum=3.0)
    grains_per_um2 = 3.0 * estimate.quanta_per_cm2_ugy * 1e-8
    assert pytest.approx(0.4343, abs=5e-5) == NUTTING
    assert estimate.density_per_ugy == pytest.approx(NUTTING * grains_per_um2 * 0.5, rel=1e-12)
    assert estimate.kerma_ugy * estimate.density_per_ugy == pytest.approx(CALIBRATION_FOG)
    double = first_principles_sensitivity(silver_g_m2=10.0, grain_area_um2=0.5, grains_per_quantum=3.0)
    assert double.density_per_ugy == pytest.approx(2 * estimate.density_per_ugy, rel=1e-12)


@pytest.mark.parametrize(
    ("function", "values"),
    [
        (lambda x: mass_attenuation("lead", x), [30.0, 90.0]),
        (film_efficiency, [30.0, 90.0]),
        (lambda x: transmission_curve("lead", x), [0.1, 0.4]),
        (lambda x: archer_transmission(x, 2.0, 5.0, 0.5), [0.1, 0.4]),
        (lambda x: effective_kerma_ugy(x, Beam(tube_kvp=80)), [1.0, 2.0]),
        (flight_dose_rate_usv_h, [10000.0, 30000.0]),
    ],
)
def test_container_in_container_out(function, values):
    array = function(np.array(values))
    assert isinstance(array, np.ndarray)
    assert isinstance(function(values[0]), float)
    series = function(pd.Series(values, index=["a", "b"], name="x"))
    assert list(series.index) == ["a", "b"]
    np.testing.assert_allclose(series, array)
    data = function(xr.DataArray(values, dims="x", coords={"x": [1, 2]}))
    assert isinstance(data, xr.DataArray)
    np.testing.assert_allclose(data, array)
    with_nan = function(np.array([values[0], np.nan]))
    assert not np.isnan(with_nan[0])
    assert np.isnan(with_nan[1])


def test_a_hundred_thousand_thicknesses_equal_a_few():
    thickness = np.linspace(0.0, 2.0, 100_001)
    many = transmission_curve("lead", thickness)
    np.testing.assert_allclose(many[::20_000], transmission_curve("lead", thickness[::20_000]), rtol=1e-12)
    assert np.all(np.diff(many) < 0)
    assert transmission_curve("lead", thickness[:6].reshape(2, 3)).shape == (2, 3)


@pytest.mark.long
def test_importing_the_radiation_room_stays_light():
    heavy = "('xraydb', 'spekpy', 'matplotlib')"
    code = f"import sys, filmdose.history, filmdose.radiation; print([m for m in {heavy} if m in sys.modules])"
    result = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert result.stdout.strip() == "[]"


def test_the_slope_of_a_sheet_and_its_error_are_those_of_least_squares():
    from scipy.stats import linregress

    from filmdose.radiation.sensitivity import parse_sensitivity

    doses, densities = [0.0, 10.0, 20.0, 40.0, 80.0], [0.200, 0.213, 0.214, 0.236, 0.262]  # invented
    rows = "".join(
        f'[[exposure]]\ndose = "{dose} uGy"\ndensity = {density}\n'
        for dose, density in zip(doses, densities, strict=True)
    )
    found = parse_sensitivity('film = "invented"\nspeed = 400\nbeam = "140kVp, al=3"\n' + rows)
    line = linregress(doses, densities)
    assert found.density_per_ugy == pytest.approx(line.slope, rel=1e-9)
    assert found.standard_error == pytest.approx(line.stderr, rel=1e-9)
    assert found.density_unexposed == pytest.approx(line.intercept, rel=1e-9)
