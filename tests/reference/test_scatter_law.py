"""The one law of what walls let through: against published broad-beam values, and what must hold everywhere."""

import csv
import itertools
import math
from pathlib import Path

import numpy as np
import pytest
import xraydb
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad

from filmdose.radiation import (
    Beam,
    Layer,
    Shield,
    archer_transmission,
    half_value_layer_mm,
    list_materials,
    transmission,
)
from filmdose.radiation.beams import REFERENCE_BEAM
from filmdose.radiation.broad_beam import broad_beam_kvps, broad_beam_transmission
from filmdose.radiation.coefficients import mass_energy_absorption
from filmdose.radiation.materials import Material, mass_attenuation
from filmdose.radiation.scatter import fog_through, passage, scattered_coefficient
from filmdose.radiation.spectra import spectrum_of

FOLDER = Path(__file__).parents[2] / "reference"
MATERIALS = list(list_materials().index)
THICKNESS = [0.1, 0.15, 0.25, 0.3, 0.5, 0.7, 1.0]


def lead(thickness_mm, kvp):
    return transmission(Shield(material="lead", thickness_mm=thickness_mm), Beam(tube_kvp=kvp))


@pytest.mark.parametrize("kvp", [kvp for kvp in broad_beam_kvps("lead") if kvp >= 80])
@pytest.mark.parametrize("thickness", THICKNESS)
def test_lead_meets_the_published_fits(kvp, thickness):
    # NCRP 147 Table A.1
    published = broad_beam_transmission("lead", thickness, kvp)
    assert lead(thickness, kvp).broad_kerma == pytest.approx(published, rel=0.02)


@pytest.mark.parametrize("kvp", [60, 70])
@pytest.mark.parametrize("thickness", THICKNESS)
def test_where_the_published_fit_lies_below_the_narrow_beam_the_narrow_beam_counts(kvp, thickness):
    # NCRP 147's fits of 60 and 70 kVp fall below what our spectra let through with no scatter at all: 8 % at 70 kVp,
    # 14 % at 60. The law takes the greater.
    through, published = lead(thickness, kvp), broad_beam_transmission("lead", thickness, kvp)
    assert through.broad_kerma == pytest.approx(max(published, through.narrow_kerma), rel=0.02)
    assert published > 0.85 * through.narrow_kerma


@pytest.mark.parametrize(("symbol", "energy"), [("Pb", 60.0), ("Pb", 92.0), ("Pb", 140.0), ("Sn", 32.0), ("Sn", 80.0)])
def test_what_a_wall_scatters_and_shines(symbol, energy):
    """mu_coh + mu_incoh E'/E / 2 + mu_photo K / 4, on xraydb, with E'/E from the integrals of Klein and Nishina."""
    coherent, incoherent, photo = (
        xraydb.mu_elam(symbol, 1e3 * energy, kind=kind) for kind in ("coh", "incoh", "photo")
    )

    def left(cosine):  # of the energy of a photon that turns by an angle
        return 1.0 / (1.0 + energy / 510.99895 * (1.0 - cosine))

    def section(cosine, power):
        share = left(cosine)
        return share ** (2 + power) * (share + 1.0 / share - 1.0 + cosine**2)

    kept = quad(section, -1.0, 1.0, 1)[0] / quad(section, -1.0, 1.0, 0)[0]
    lines, edge = xraydb.xray_lines(symbol, "K").values(), xraydb.xray_edge(symbol, "K")
    shines = 0.0
    if 1e3 * energy > edge.energy:
        line = sum(one.energy * one.intensity for one in lines) / sum(one.intensity for one in lines) / 1e3
        air = [mass_energy_absorption("air", each) for each in (line, energy)]
        shines = edge.fyield * (1.0 - 1.0 / edge.jump_ratio) * line * air[0] / (energy * air[1])
        # from all of the wall, or from its last part where it stops its own lines sooner than the beam
        shines *= min(1.0, xraydb.mu_elam(symbol, 1e3 * energy) / xraydb.mu_elam(symbol, 1e3 * line))
    own = Material(name="own", density_g_cm3=10.0, mass_fractions=((symbol, 1.0),))
    wanted = coherent + 0.5 * incoherent * kept + 0.25 * photo * shines
    assert float(scattered_coefficient(own, np.array([energy]))[0]) == pytest.approx(wanted, rel=1e-6)


def test_lead_between_the_shipped_voltages():
    lines = [line for line in (FOLDER / "ncrp147_lead.csv").read_text(encoding="utf-8").splitlines() if line[0] != "#"]
    rows = [row for row in csv.DictReader(lines) if float(row["kvp"]) >= 80]
    assert len(rows) >= 5
    for row, thickness in itertools.product(rows, (0.1, 0.25, 0.5)):
        published = archer_transmission(thickness, *(float(row[k]) for k in ("alpha_per_mm", "beta_per_mm", "gamma")))
        assert lead(thickness, float(row["kvp"])).broad_kerma == pytest.approx(published, rel=0.04), row["kvp"]


@pytest.mark.parametrize(("kvp", "tenth_value_mm"), [(150, 0.99), (200, 1.7), (250, 2.9), (300, 4.8)])
def test_tenth_value_layers_of_lead_above_the_published_fits(kvp, tenth_value_mm):
    # NCRP 49: approximate tenth-value layers of heavily attenuated broad beams of lead, from memory; printed to two
    # digits and for constant-potential or pulsed tubes alike, so within a fifth
    beam = Beam(tube_kvp=kvp)
    first, second = (passage(beam, (Layer(material="lead", thickness_mm=n * tenth_value_mm),)) for n in (2, 3))
    assert -math.log10(second.broad_kerma / first.broad_kerma) == pytest.approx(1.0, abs=0.2)


KEV = {"lead": 100.0, "tungsten": 90.0, "tin": 60.0, "copper": 60.0, "aluminium": 60.0, "water": 60.0}


@pytest.mark.parametrize(("material", "energy"), KEV.items())
def test_build_up_of_one_energy_is_linear_and_less_than_what_scatter_takes(material, energy):
    layer = Layer(material=material, thickness_mm=1.0)
    passed = passage(Beam(energy_kev=energy), (layer,))
    depth = layer.mass_thickness_g_cm2 * float(mass_attenuation(material, energy))
    build_up = passed.broad_kerma / passed.narrow_kerma
    assert passed.narrow_kerma == pytest.approx(math.exp(-depth), rel=1e-12)
    assert 1.0 < build_up < 1.0 + depth
    tripled = passage(Beam(energy_kev=energy), (Layer(material=material, thickness_mm=3.0),))
    assert tripled.broad_kerma / tripled.narrow_kerma - 1 == pytest.approx(3 * (build_up - 1), rel=1e-9)


def test_scatter_of_water_is_nearly_all_of_it_and_of_lead_little():
    # 60 keV, shares of interactions that are no absorption: water 0.86 (incoherent) + 0.08, lead 0.11 (xraydb)
    share = {}
    for material in ("water", "lead"):
        layer = Layer(material=material, thickness_mm=0.01)
        passed = passage(Beam(energy_kev=60.0), (layer,))
        depth = layer.mass_thickness_g_cm2 * float(mass_attenuation(material, 60.0))
        share[material] = (passed.broad_kerma / passed.narrow_kerma - 1) / depth
    assert 0.4 < share["water"] < 0.55
    assert 0.05 < share["lead"] < 0.15


def test_no_metal_looks_better_for_want_of_a_published_fit():
    # the same mass per area of the neighbours of lead: 82 and 83 must agree, 74 comes close
    mass = 0.25 * 11.35
    through = {
        name: transmission(Shield(material=name, thickness_mm=mass / density)).broad_kerma
        for name, density in (("lead", 11.35), ("bismuth", 9.747), ("tungsten", 19.3))
    }
    assert through["bismuth"] == pytest.approx(through["lead"], rel=0.03)
    assert through["tungsten"] == pytest.approx(through["lead"], rel=0.15)
    # a hundredth of a millimetre of aluminium more takes nothing worth speaking of
    assert transmission("lead=0.25+aluminium=0.01").broad_kerma == pytest.approx(through["lead"], rel=0.005)


stacks = st.lists(st.tuples(st.sampled_from(MATERIALS), st.floats(0.0, 2.0)), min_size=1, max_size=4)
beams = st.builds(
    lambda kvp, copper: Beam(tube_kvp=kvp, filtration=f"al=3, cu={copper}"), st.floats(60, 320), st.floats(0, 2)
)


def layers(stack, factor=1.0):
    return tuple(Layer(material=material, thickness_mm=factor * thickness) for material, thickness in stack)


@given(stack=stacks, beam=beams)
def test_never_below_the_narrow_beam_and_never_above_one(stack, beam):
    passed = passage(beam, layers(stack))
    assert passed.narrow_kerma <= passed.broad_kerma <= 1.0 + 1e-12
    for eta in (0.3, 0.45, 1.0):
        assert fog_through(passed, beam, eta, narrow=True) <= fog_through(passed, beam, eta) <= 1.0 + 1e-12


@given(stack=stacks, beam=beams, order=st.randoms(use_true_random=False))
def test_one_sheet_equals_its_halves_in_any_order(stack, beam, order):
    halves = [*layers(stack, 0.5), *layers(stack, 0.5)]
    order.shuffle(halves)
    assert passage(beam, tuple(halves)).broad_kerma == pytest.approx(passage(beam, layers(stack)).broad_kerma, rel=1e-9)


@given(stack=stacks, beam=beams, more=st.sampled_from(MATERIALS), thickness=st.floats(0.001, 1.0))
def test_a_further_wall_never_adds(stack, beam, more, thickness):
    before, after = (passage(beam, layers(walls)) for walls in (stack, [*stack, (more, thickness)]))
    assert after.broad_kerma <= before.broad_kerma * (1 + 1e-9)
    assert fog_through(after, beam, 0.45) <= fog_through(before, beam, 0.45) * (1 + 1e-9)


thin_stacks = st.lists(st.tuples(st.sampled_from(MATERIALS), st.floats(0.0, 0.5)), min_size=1, max_size=3)


@given(stack=thin_stacks, kvp=st.floats(60, 319.9))
def test_continuous_in_voltage(stack, kvp):
    first, second = (passage(Beam(tube_kvp=v), layers(stack)).broad_kerma for v in (kvp, kvp + 0.1))
    assert math.log(second / first) == pytest.approx(0.0, abs=0.01 - 0.01 * math.log(first))


@pytest.mark.parametrize("material", MATERIALS)
def test_no_cliff_at_150_kvp(material):
    wall = Shield(material=material, thickness_mm=0.25)
    at = [transmission(wall, Beam(tube_kvp=kvp)).broad_kerma for kvp in (149.5, 150.0, 150.5)]
    assert np.diff(np.log(at)) == pytest.approx([0.0, 0.0], abs=0.01)


def test_ct_beams_let_a_quarter_to_a_half_of_the_fog_through_a_quarter_millimetre_of_lead():
    # narrow beam: 26 to 36 % of the fog (calculated outside the package for 140 to 180 kVp behind 0.5 to 2 mm Cu)
    for text, narrow in (("140kVp, al=3, cu=0.5", 0.26), ("180kVp, al=3, cu=2", 0.36)):
        through = transmission("lead=0.25", Beam.parse(text))
        assert through.narrow_film == pytest.approx(narrow, abs=0.01)
        assert narrow < through.broad_film < 0.5


# -- spectra against lists of qualities ----------------------------------------------------------------------------

#: ISO 4037 narrow series, from memory: filters beside 4 mm Al, mean energy [keV], first HVL [mm Cu].
NARROW = {
    60: ("cu=0.6", 47.9, 0.24),
    80: ("cu=2", 65.2, 0.58),
    100: ("cu=5", 83.3, 1.11),
    120: ("cu=5, sn=1", 100.0, 1.71),
    150: ("sn=2.5", 118.0, 2.36),
}


@pytest.mark.parametrize("kvp", NARROW)
def test_narrow_series(kvp):
    filters, mean, half = NARROW[kvp]
    spectrum = spectrum_of(Beam.parse(f"{kvp}kVp, al=4, {filters}"))
    assert np.average(spectrum.energy_kev, weights=spectrum.fluence) == pytest.approx(mean, rel=0.015)
    assert half_value_layer_mm(spectrum, "copper") == pytest.approx(half, rel=0.03)


@pytest.mark.parametrize(("kvp", "first", "added", "behind"), [(70, 2.58, 21.0, 6.8), (120, 5.0, 40.0, 11.6)])
def test_radiation_qualities_behind_a_phantom(kvp, first, added, behind):
    # IEC 61267 (from memory): filtration is chosen so that the open beam has its HVL; the added aluminium then gives
    # the HVL of the quality behind a phantom
    low, high = 0.5, 8.0
    for _ in range(30):
        middle = 0.5 * (low + high)
        half = half_value_layer_mm(spectrum_of(Beam(tube_kvp=kvp, filtration=f"al={middle}")))
        low, high = (middle, high) if half < first else (low, middle)
    assert 1.5 < middle < 5.0  # a filtration that tubes have
    hardened = spectrum_of(Beam(tube_kvp=kvp, filtration=f"al={middle + added}"))
    assert half_value_layer_mm(hardened) == pytest.approx(behind, rel=0.03)


def test_the_reference_beam_behind_nothing_is_itself():
    passed = passage(REFERENCE_BEAM, ())
    assert passed.broad_kerma == 1.0
    assert passage(REFERENCE_BEAM, (Layer(material="lead", thickness_mm=0.0),)) == passed
    thin = passage(REFERENCE_BEAM, (Layer(material="lead", thickness_mm=1e-7),))
    assert thin.broad_kerma == pytest.approx(1.0, abs=1e-4)
    np.testing.assert_allclose(thin.broad_moments, passed.broad_moments, rtol=1e-4)
