"""Impossible and unreadable input: one clear error each, of the right class."""

import copy
import pickle
import re
from pathlib import Path

import numpy as np
import pytest

import filmdose.radiation.registry as registry
from filmdose.errors import ArgumentError, InputFileError, MissingExtraError, UnknownNameError, ValidityWarning
from filmdose.files import data_text
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.radiation import (
    Beam,
    Layer,
    Shield,
    Source,
    Spectrum,
    archer_transmission,
    background_kerma_ugy,
    dwell_multiplier,
    film_efficiency,
    filtered,
    first_principles_sensitivity,
    flight_dose_rate_usv_h,
    flight_kerma_ugy,
    get_source,
    half_value_layer_mm,
    kerma_per_mas_ugy,
    mass_attenuation,
    mass_energy_absorption,
    mean_oblique_factor,
    mono_spectrum,
    pass_kerma_ugy,
    relative_response,
    spectrum_of,
    transmission,
    transmission_curve,
)
from filmdose.radiation.chain import Bag
from filmdose.radiation.live_spectra import live_tube_spectrum
from filmdose.radiation.materials import get_material
from filmdose.radiation.registry import DATA_KINDS, check_evidence, list_data

PASS = {"tube_current_ma": 0.7, "slit_mm": 3.0, "belt_speed_m_s": 0.2, "distance_m": 1.0}

ARGUMENTS = [
    (lambda: spectrum_of(Beam(tube_kvp=59.9)), "tube_kvp"),
    (lambda: spectrum_of(Beam(tube_kvp=320.1)), "tube_kvp"),
    (lambda: transmission("lead=0.2", Beam.parse("350kVp")), "tube_kvp"),
    (lambda: Beam(), "beam"),
    (lambda: Beam(tube_kvp=140, energy_kev=60), "beam"),
    (lambda: Beam(tube_kvp=float("nan")), "tube_kvp"),
    (lambda: Beam.parse("140"), "beam"),
    (lambda: Beam.parse("140 kVpx"), "beam"),
    (lambda: Beam.parse("140kVp, al"), "beam"),
    (lambda: Beam.parse("140kVp, al=-3"), "thickness_mm"),
    (lambda: Beam.parse(140), "beam"),
    (lambda: Shield.parse("lead"), "shield"),
    (lambda: Shield.parse("lead=0.2+tin=0.1"), "shield"),
    (lambda: Shield.parse("lead=-0.2"), "thickness_mm"),
    (lambda: Shield.parse("lead=0.2in"), "shield"),
    (lambda: Shield(material="lead", thickness_mm=float("inf")), "thickness_mm"),
    (lambda: Shield(material="lead", thickness_mm=0.2, oblique=0.5), "oblique"),
    (lambda: Shield(material="lead", thickness_mm=0.2, density_g_cm3=0), "density_g_cm3"),
    (lambda: Layer(material="BaSO4", thickness_mm=1), "density_g_cm3"),
    (lambda: transmission(["lead=0.2"]), "shield"),
    (lambda: transmission(3), "shield"),
    (lambda: transmission("lead=0.2", Beam(energy_kev=900)), "beam"),
    (lambda: transmission("lead=0.2", eta_low=1.5), "eta_low"),
    (lambda: transmission_curve("lead", [0.1, -0.1]), "thickness_mm"),
    (lambda: relative_response(Beam(tube_kvp=100), eta_low=[0.2, 2.0]), "eta_low"),
    (lambda: film_efficiency(0.0), "energy_kev"),
    (lambda: archer_transmission(1.0, 0.0, 5.9, 0.4), "alpha_per_mm"),
    (lambda: archer_transmission(1.0, 2.0, 5.9, 0.0), "gamma"),
    (lambda: archer_transmission(-1.0, 2.0, 5.9, 0.4), "thickness_mm"),
    (lambda: mass_attenuation("lead", 0.5), "energy_kev"),
    (lambda: mass_attenuation("lead", 900.0), "energy_kev"),
    (lambda: mass_energy_absorption("air", 4.0), "energy_kev"),
    (lambda: mono_spectrum(2e4), "energy_kev"),
    (lambda: Spectrum(energy_kev=[20.0, 30.0], fluence=[0.0, 0.0]), "fluence"),
    (lambda: Spectrum(energy_kev=[20.0, 30.0], fluence=[1.0, -1.0]), "fluence"),
    (lambda: Spectrum(energy_kev=[20.0, 30.0], fluence=[1.0, np.nan]), "fluence"),
    (lambda: Spectrum(energy_kev=[20.0, 30.0], fluence=[1e308, 1e308]), "fluence"),
    (lambda: Spectrum(energy_kev=[30.0, 20.0], fluence=[1.0, 1.0]), "energy_kev"),
    (lambda: Spectrum(energy_kev=[20.0, 20.0], fluence=[1.0, 1.0]), "energy_kev"),
    (lambda: Spectrum(energy_kev=[20.0], fluence=[1.0, 1.0]), "energy_kev and fluence"),
    (lambda: Spectrum(energy_kev=[], fluence=[]), "energy_kev and fluence"),
    (lambda: filtered(spectrum_of(Beam(tube_kvp=100)), (Layer(material="lead", thickness_mm=1e5),)), "fluence"),
    (lambda: half_value_layer_mm(mono_spectrum(60.0), order=3), "order"),
    (lambda: half_value_layer_mm(mono_spectrum(1250.0)), "spectrum"),
    (lambda: kerma_per_mas_ugy(mono_spectrum(60.0)), "spectrum"),
    (lambda: kerma_per_mas_ugy(spectrum_of(Beam(tube_kvp=100)), 0.0), "distance_m"),
    (lambda: mean_oblique_factor(80.5), "half_angle_deg"),
    (lambda: pass_kerma_ugy(**{**PASS, "tube_current_ma": 0.0}), "tube_current_ma"),
    (lambda: pass_kerma_ugy(**{**PASS, "slit_mm": -3.0}), "slit_mm"),
    (lambda: pass_kerma_ugy(**{**PASS, "slit_mm": 0.0}), "slit_mm"),
    (lambda: pass_kerma_ugy(**{**PASS, "belt_speed_m_s": 0.0}), "belt_speed_m_s"),
    (lambda: pass_kerma_ugy(**{**PASS, "distance_m": float("nan")}), "distance_m"),
    (lambda: pass_kerma_ugy(**PASS, views=0), "views"),
    (lambda: pass_kerma_ugy(**PASS, beam=Beam(energy_kev=60)), "beam"),
    (lambda: dwell_multiplier(0.010, 0.015), "dwell_s"),
    (lambda: dwell_multiplier(0.010, 0.0), "normal_dwell_s"),
    (lambda: background_kerma_ugy(-1.0), "days"),
    (lambda: background_kerma_ugy(1.0, -1.0), "rate_mgy_per_year"),
    (lambda: flight_kerma_ugy(-1.0, 35000.0), "hours"),
    (lambda: flight_dose_rate_usv_h(50000.0), "altitude_ft"),
    (lambda: flight_dose_rate_usv_h(30000.0, 91.0), "latitude"),
    (lambda: first_principles_sensitivity(silver_g_m2=0.0), "silver_g_m2"),
    (lambda: Source(name="", air_kerma_typical_ugy=1.0), "name"),
    (lambda: Source(name="x", air_kerma_typical_ugy=-1.0), "air_kerma_typical_ugy"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, air_kerma_low_ugy=2.0), "kerma per pass"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, peak_to_mean=0.5), "peak_to_mean"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, beam="hard"), "beam"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, beam="350kVp"), "beam"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, beam=140), "beam"),
    (lambda: Pass(source="cabin-ct", count=-1), "count"),
    (lambda: Pass(source="cabin-ct", count=1.5), "count"),
    (lambda: Pass(source="cabin-ct", multiplier=0.5), "multiplier"),
    (lambda: Pass(source="cabin-ct", multiplier=float("nan")), "multiplier"),
    (lambda: Pass(source="cabin-ct", air_kerma_ugy="0.3 mRx"), "air_kerma_ugy"),
    (lambda: Pass(source="cabin-ct", air_kerma_ugy=-1.0), "air_kerma_ugy"),
    (lambda: Pass(source="cabin-ct", peak_to_mean=0.9), "peak_to_mean"),
    (lambda: Pass(source="cabin-ct", shield=0.25), "shield"),
    (lambda: Pass(source="cabin-ct", views=2), "views"),
    (lambda: Pass(source="cabin-xray", views=0), "views"),
    (lambda: Pass(source="cabin-ct", bag="full"), "bag"),
    (lambda: Pass(source="cabin-ct", bag="-4"), "bag"),
    (lambda: Bag(water_g_cm2=51.0), "water_g_cm2"),
    (lambda: History(bag=3), "bag"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, class_share=1.1), "class_share"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, beam_soft=3), "beam_soft"),
    (lambda: Pass.parse("cabin-ct="), "pass"),
    (lambda: Pass.parse("cabin-ct=two"), "pass"),
    (lambda: Pass.parse(""), "pass"),
    (lambda: Flight(hours=-1), "hours"),
    (lambda: Flight(hours=1, altitude_ft=30000, altitude_m=9000), "altitude"),
    (lambda: Flight(hours=1, altitude_m=20000), "altitude_m"),
    (lambda: Flight(hours=1, latitude=-95), "latitude"),
    (lambda: Storage(days=float("inf")), "days"),
    (lambda: Storage(days=1, rate_mgy_per_year=-0.1), "rate_mgy_per_year"),
    (lambda: History(passes=Flight(hours=1)), "passes"),
    (lambda: History(flights=[Pass(source="cabin-ct")]), "flights"),
    (lambda: history_dose("cabin-ct=2"), "history"),
    (lambda: history_dose([3]), "history"),
    (lambda: history_dose(Pass(source="cabin-ct"), eta_low=-1), "eta_low"),
    (lambda: live_tube_spectrum(-5.0), "tube_kvp"),
    (lambda: live_tube_spectrum(310.0), "tube_kvp"),
    (lambda: live_tube_spectrum(140.0, anode_angle_deg=45.5), "anode_angle_deg"),
    (lambda: live_tube_spectrum(140.0, bin_kev=100.0), "bin_kev"),
    (lambda: live_tube_spectrum(140.0, ("Al",)), "filtration"),
]

UNKNOWN = [
    (lambda: get_source("cabin-cat"), "cabin-ct"),
    (lambda: Pass.parse("hold-st=1"), "hold-ct"),
    (lambda: Pass(source=None), "cabin-xray"),
    (lambda: Shield.parse("leed=0.2"), "lead"),
    (lambda: Shield(material="unobtainium", thickness_mm=1), "lead"),
    (lambda: Shield(material="", thickness_mm=1), "lead"),
    (lambda: Shield(material=None, thickness_mm=1), "lead"),
    (lambda: get_material("Xx2O3", density_g_cm3=5), "formula"),
    (lambda: get_material("Ba(SO4", density_g_cm3=5), "formula"),
    (lambda: get_material("12", density_g_cm3=5), "formula"),
    (lambda: get_material("()", density_g_cm3=5), "formula"),
    (lambda: get_material("AgBr0", density_g_cm3=5), "formula"),
    (lambda: Beam.parse("140kVp, unobtainium=3"), "lead"),
    (lambda: mass_attenuation("lead", 60.0, interaction="nuclear"), "photo"),
    (lambda: mass_energy_absorption("water", 60.0), "emulsion"),
    (lambda: transmission_curve("lead", 0.1, weight="dose"), "emulsion"),
    (lambda: flight_dose_rate_usv_h(30000.0, "tropical"), "equatorial"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, evidence="hearsay"), "inference"),
    (lambda: live_tube_spectrum(140.0, mu_data_source="cern"), "pene"),
    (lambda: list_data("film"), "constant"),
    (lambda: Pass(source="cabin-ct", at="belt"), "inside"),
    (lambda: Source(name="x", air_kerma_typical_ugy=1.0, at="belt"), "inside"),
    (lambda: History(format="110"), "35mm"),
    (lambda: history_dose(Pass(source="cabin-ct"), steps=("bag", "box")), "cartridge"),
]


@pytest.mark.parametrize(("call", "argument"), ARGUMENTS)
def test_impossible_values(call, argument):
    with pytest.raises(ArgumentError) as caught:
        call()
    assert caught.value.argument == argument
    assert "allowed is" in str(caught.value)


@pytest.mark.parametrize(("call", "hint"), UNKNOWN)
def test_unknown_names_list_what_is_known(call, hint):
    with pytest.raises(UnknownNameError) as caught:
        call()
    assert hint in str(caught.value)


def test_near_matches():
    with pytest.raises(UnknownNameError, match="Did you mean cabin-xray"):
        get_source("cabin-xrays")


def test_above_the_published_altitudes_a_warning_says_so():
    with pytest.warns(ValidityWarning, match="above 39000 ft"):
        rate = flight_dose_rate_usv_h(43000.0)
    assert rate == pytest.approx(8.0 * (8.0 / 6.0), rel=1e-9)  # the last slope, 6 to 8 in 4 000 ft, once more


def test_live_spectra_without_the_extra(monkeypatch):
    monkeypatch.setitem(__import__("sys").modules, "spekpy", None)
    with pytest.raises(MissingExtraError, match=r"filmdose\[spectra\]"):
        live_tube_spectrum(140.0)


def test_spectra_and_results_cannot_be_changed_by_accident():
    spectrum = spectrum_of(Beam(tube_kvp=100))
    with pytest.raises(ValueError, match="read-only"):
        spectrum.fluence[0] = 1.0
    source = np.array([20.0, 30.0])
    own = Spectrum(energy_kev=source, fluence=[1.0, 1.0])
    source[0] = 25.0
    assert own.energy_kev[0] == 20.0


def test_dataclasses_travel():
    dose = history_dose([Pass(source="cabin-ct", shield="lead=0.2"), Flight(hours=2), Storage(days=3)])
    again = pickle.loads(pickle.dumps(dose))
    assert again.kerma_ugy == dose.kerma_ugy
    assert copy.deepcopy(Pass(source="cabin-ct", shield="lead=0.2+tin=0.1")).shield_text == "lead 0.2 mm + tin 0.1 mm"


# -- data ---------------------------------------------------------------------------------------------------------


def test_every_shipped_value_says_where_it_comes_from():
    frame = list_data()
    assert set(frame["kind"]) == set(DATA_KINDS)
    assert not frame.duplicated(["kind", "name", "value"]).any()
    assert (frame["unit"].str.len() > 0).all()
    assert (frame["version"].str.len() > 0).all()
    assert frame["flag"].isin(list(registry.FLAGS)).all()
    assert ((frame["references"] != "") | (frame["note"] != "")).all()
    bounded = frame.dropna(subset=["low", "high"])
    assert len(bounded) >= 12
    assert ((bounded["low"] <= bounded["value"]) & (bounded["value"] <= bounded["high"])).all()


def test_every_source_key_stands_in_the_bibliography():
    keys = set(re.findall(r"^@\w+\{([^,]+),", data_text("references.bib"), flags=re.MULTILINE))
    used = {key for cell in list_data()["references"] for key in cell.split(", ") if key}
    assert used
    assert used <= keys
    package = Path(registry.__file__).parents[1]
    for path in [*package.glob("radiation/*.py"), package / "history.py"]:
        text = path.read_text(encoding="utf-8")
        for block in re.findall(r'References\n    -+\n    (.*?)\n(?:\n|    """)', text, flags=re.DOTALL):
            cited = {key.strip() for key in block.split(",")}
            assert cited <= keys, (path.name, cited - keys)


@pytest.mark.parametrize(
    "broken",
    [
        {"evidence": "reported", "flag": "S", "references": []},
        {"evidence": "reported", "flag": "P", "note": "text"},
        {"evidence": "inference", "flag": "I", "references": []},
        {"evidence": "reported", "references": ["ncrp147"]},
        {"evidence": "reported", "flag": "X", "references": ["ncrp147"]},
        {"evidence": "hearsay", "flag": "S", "references": ["ncrp147"]},
    ],
)
def test_a_value_without_source_is_refused(broken):
    with pytest.raises(InputFileError, match=r"sources\.toml, entry 'bad'"):
        check_evidence("sources.toml", "bad", broken)


def test_the_registry_itself_refuses_a_value_without_source(monkeypatch):
    data = copy.deepcopy(registry.load_data_toml("sources.toml"))
    data["sources"]["cabin-xray"]["references"] = []
    original = registry.load_data_toml
    monkeypatch.setattr(registry, "load_data_toml", lambda name: data if name == "sources.toml" else original(name))
    with pytest.raises(InputFileError, match="names no source"):
        list_data()


def test_cabin_ct_says_what_was_read_and_that_nobody_reviewed_it():
    source = get_source("cabin-ct")
    assert source.evidence == "reported"
    assert not source.reviewed
    assert "20 checkpoints of 9 airports of one country" in source.caution
    assert "not reviewed" in source.caution
    assert (source.at, source.class_share) == ("inside", 0.3)
    # 632 uSv over 1.3 to 1.9 Sv/Gy: the typical value lies between
    assert 632 / 1.9 < source.air_kerma_typical_ugy < 632 / 1.3
