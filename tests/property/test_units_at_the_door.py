"""Values with units: converted or refused by every public function, in every way that people write them."""

import importlib
import inspect
import pkgutil
import re

import matplotlib as mpl
import numpy as np
import pandas as pd
import pytest
import xarray as xr

import filmdose
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.film.readings import StepReadings
from filmdose.quantity import in_unit
from filmdose.question import Question
from filmdose.radiation import Beam, get_source
from filmdose.radiation.spectra import spectrum_of

mpl.use("Agg")

FILM, RECORD, ASKED = generic_film(400), generic_film(400).records[0], Question()


class Quantity:
    """What a unit package's quantity is at least: a number and a unit, and nothing that turns it into a float."""

    def __init__(self, magnitude, units):
        self.magnitude, self.units = magnitude, units

    def __array__(self, *_, **__):
        raise TypeError("a quantity is no array")


#: By the end of a name: other unit, how many of its own unit one is, and a unit of something else.
UNITS = {
    "_ugy": ("mGy", 1000.0, "mm"),
    "_h": ("min", 1.0 / 60.0, "mm"),
    "_mm": ("um", 1e-3, "mGy"),
    "_um2": ("mm**2", 1e6, "s"),
    "_um": ("mm", 1000.0, "s"),
    "_s": ("min", 60.0, "mm"),
    "_min": ("s", 1 / 60.0, "mm"),
    "_c": ("K", None, "mm"),
    "_ft": ("m", 1 / 0.3048, "s"),
    "_m": ("cm", 0.01, "s"),
    "_kev": ("eV", 1e-3, "mm"),
    "_kvp": ("V", 1e-3, "mm"),
    "hours": ("min", 1 / 60.0, "mm"),
    "days": ("h", 1 / 24.0, "mm"),
    "_mgy_per_year": ("uGy/day", 365.25 / 1000.0, "mm"),
}
ENDING = re.compile("(" + "|".join(sorted(UNITS, key=len, reverse=True)) + ")$")

#: Results, what is made inside, and rates and speeds, which take numbers in their own unit and refuse others.
NO_DOOR = [
    "development.choice.DevelopmentChoice",
    "development.choice.Trade",
    "development.contrast.DevelopmentFit",
    "development.location.LocationPlan",
    "development.temperature.TemperatureFit",
    "exposed.exposed_worth",
    "scan.correct.CorrectedScan",
    "scan.simulate.simulate_frame",
    "solution.given_contrast",
    "tonecurve.ToneCurve",
    "answering.Answer",
    "development.contrast.DevelopmentCurve",
    "film.calibration.FogCalibration",
    "film.emulsion.Emulsion",
    "history.HistoryDose",
    "inverse.DoseLimit",
    "odds.results.RollOdds",
    "odds.results.rolls_odds",
    "odds.tally.RollTally.count",
    "odds.pouch.PouchEstimate",
    "odds.unknowns.Draws",
    "planning.RollPlan",
    "radiation.badge.BadgeKerma",
    "radiation.sensitivity.FogSensitivity",
    "radiation.sensitivity.XraySensitivity",
    "radiation.spectra.Spectrum",
    "solver.RecordSolver",
    "words.dose_text",
    "exposed.exposed_loss",
    "picture.side_by_side.Frame",
    "picture.side_by_side.Preview",
    "picture.scanned.scan_points",
    "picture.fog_bands.band_profile",
    "picture.film_image.photograph",
    "picture.grain_field.neighbour_correlation",
    "scan.grain.ClusterFactor",
    "film.fitting.fit_film",
    "film.recordfit.fit_emulsion",
    "film.noisefit.GranularityReadings",
    "film.noisefit.read_granularity",
    "scan.image.Scan",
    "scan.image.read_scan",
    "scan.simulate.grainy",
    "scan.simulate.scan_from_pixels",
    "scan.simulate.write_tiff",
    "scan.bands.FogProfile",
    "scan.bands.explain_bands",
    "scan.bands.join_profiles",
    "scan.bands.profile_from_scan",
    "scan.causes.explain_density",
    "scan.spiral.Winding",
    "scan.spiral.wound_fog",
    "scan.grain.grain_beside_film",
    "radiation.live_spectra.live_tube_spectrum",
]

BELT = get_source("cabin-xray")
#: Every other function with such arguments: the arguments that have a unit, and those that it needs beside them.
DOORS = {
    "answering.answer": ({"kerma_ugy": 30.0}, {"film": FILM}),
    "answering.answer_grid": ({"kerma_ugy": 30.0}, {"films": [FILM]}),
    "answering.given_stops": ({"kerma_ugy": 30.0}, {"film": FILM}),
    "development.contrast.development_curve": ({"time_short_min": 4.0}, {"gamma_short": 0.5, "gamma_long": 0.75}),
    "development.temperature.temperature_coefficient": ({"temperatures_c": [20.0, 24.0], "times_min": [6.0, 5.0]}, {}),
    "development.temperature.time_at_temperature": ({"time_min": 6.0, "from_c": 20.0, "to_c": 24.0}, {"q10": 2.0}),
    "development.choice.choose_development": (
        {"kerma_ugy": 30.0},
        {"film": FILM, "wanted": filmdose.development.WantedRange.for_grade(2)},
    ),
    "development.choice.development_trade": ({"kerma_ugy": 30.0}, {"film": FILM}),
    "development.contrast.fit_development": ({"times_min": [4.0, 8.0, 12.0]}, {"gammas": [0.5, 0.75, 0.88]}),
    "development.location.plan_development": (
        {"temperature_c": 21.0},
        {
            "rolls": [filmdose.Roll(id="a", film=FILM, state="exposed")],
            "tank_rolls": 2,
            "times": filmdose.development.fit_temperature([20.0, 24.0], [6.0, 5.0]),
        },
    ),
    "development.restrainers.restrain": (
        {"kerma_ugy": 30.0},
        {"film": FILM, "pair": filmdose.development.RestrainerPair(fog_factor=0.5, speed_factor=0.7)},
    ),
    "development.temperature.fit_temperature": (
        {"temperatures_c": [20.0, 24.0], "times_min": [6.0, 5.0], "rounded_to_min": 0.5},
        {},
    ),
    "film.calibration.FoggedSteps": (
        {"kerma_ugy": 30.0},
        {
            "readings": StepReadings(
                log_exposure=np.array([0.0, 1.0, 2.0]), densities={"visual": np.array([0.1, 0.2, 0.9])}
            )
        },
    ),
    "film.emulsion.PopulationCurve": ({"kerma_ugy": 30.0}, {"emulsion": RECORD}),
    "film.generic.calibrated_hits_per_ugy": ({"calibration_kerma_ugy": 20.0}, {}),
    "film.generic.generic_film": ({"calibration_kerma_ugy": 20.0}, {"speed": 400}),
    "history.given_dose": ({"kerma_ugy": 30.0}, {}),
    "history.Flight": ({"hours": 7.0, "altitude_ft": 36000.0}, {}),
    "history.Pass": ({"air_kerma_ugy": 30.0, "held_s": 90.0}, {"source": "cabin-xray"}),
    "history.Storage": ({"days": 30.0, "rate_mgy_per_year": 0.9}, {}),
    "plotting.compensation.plot_ei_isolines": ({"kerma_ugy": [1.0, 30.0]}, {}),
    "plotting.compensation.plot_loss": ({"kerma_ugy": 30.0}, {"film": FILM}),
    "plotting.compensation.plot_stops": ({"kerma_ugy": [1.0, 30.0]}, {"films": [FILM]}),
    "plotting.curves.plot_characteristic_curves": ({"kerma_ugy": 30.0}, {"film": FILM}),
    "plotting.curves.plot_signal_to_noise": ({"kerma_ugy": [0.0, 30.0]}, {"film": FILM}),
    "plotting.radiation.plot_transmission": ({"thickness_mm": 0.5}, {"materials": ["lead"]}),
    "radiation.background.background_kerma_ugy": ({"days": 30.0, "rate_mgy_per_year": 0.9}, {}),
    "radiation.background.flight_dose_rate_usv_h": ({"altitude_ft": 36000.0}, {}),
    "radiation.background.flight_kerma_ugy": ({"hours": 7.0, "altitude_ft": 36000.0}, {}),
    "radiation.beams.Beam": ({"energy_kev": 60.0}, {}),
    "radiation.broad_beam.archer_transmission": (
        {"thickness_mm": 0.25},
        {"alpha_per_mm": 2.0, "beta_per_mm": 15.0, "gamma": 0.5},
    ),
    "radiation.broad_beam.broad_beam_transmission": ({"thickness_mm": 0.25, "tube_kvp": 140.0}, {"material": "lead"}),
    "radiation.coefficients.mass_energy_absorption": ({"energy_kev": 60.0}, {"material": "air"}),
    "radiation.materials.Layer": ({"thickness_mm": 0.25}, {"material": "lead"}),
    "radiation.materials.layers_transmission": ({"energy_kev": 60.0}, {"layers": ()}),
    "radiation.materials.mass_attenuation": ({"energy_kev": 60.0}, {"material": "lead"}),
    "radiation.response.effective_kerma_ugy": ({"air_kerma_ugy": 30.0}, {"beam": Beam(energy_kev=60.0)}),
    "radiation.response.emulsion_to_air": ({"energy_kev": 60.0}, {}),
    "radiation.response.film_efficiency": ({"energy_kev": 60.0}, {}),
    "radiation.response.film_response": ({"energy_kev": 60.0}, {}),
    "radiation.shields.Shield": ({"thickness_mm": 0.25}, {"material": "lead"}),
    "radiation.shields.transmission_curve": ({"thickness_mm": 0.25}, {"material": "lead"}),
    "radiation.sources.Source": ({"air_kerma_typical_ugy": 30.0}, {"name": "own"}),
    "radiation.spectra.kerma_per_mas_ugy": ({"distance_m": 0.5}, {"spectrum": spectrum_of(Beam(tube_kvp=100.0))}),
    "radiation.spectra.mono_spectrum": ({"energy_kev": 60.0}, {}),
    "radiation.spectra.tube_spectrum": ({"tube_kvp": 100.0}, {"filtration": ()}),
    "plotting.radiation.plot_film_response": ({"energy_range_kev": [10.0, 200.0]}, {}),
    "radiation.tube.dwell_multiplier": ({"dwell_s": 30.0, "normal_dwell_s": 0.5}, {}),
    "radiation.tube.held_passes": ({"held_s": 30.0}, {"source": BELT}),
    "radiation.tube.pass_kerma_ugy": (
        {"slit_mm": 3.0, "distance_m": 1.0},
        {"tube_current_ma": 0.7, "belt_speed_m_s": 0.2},
    ),
    "sensitometry.exposure.focal_plane_exposure": ({"time_s": 0.5}, {"luminance_cd_m2": 100.0, "f_number": 8.0}),
    "sensitometry.granularity.covered_fraction": ({"grain_area_um2": 0.5}, {"grains_per_cm2": 1e7}),
    "sensitometry.granularity.equivalent_grain_area_um2": ({"aperture_area_um2": 2000.0}, {"sigma_density": 0.01}),
    "sensitometry.granularity.noise_equivalent_quanta": (
        {"aperture_area_um2": 2000.0},
        {"gradient": 0.6, "sigma_density": 0.01},
    ),
    "sensitometry.granularity.nutting_density": ({"grain_area_um2": 0.5}, {"grains_per_cm2": 1e7}),
    "sensitometry.granularity.rms_granularity": ({"aperture_area_um2": 2000.0}, {"sigma_density": 0.01}),
    "sensitometry.granularity.selwyn_granularity": ({"aperture_area_um2": 2000.0}, {"sigma_density": 0.01}),
    "sensitometry.granularity.sigma_from_selwyn": (
        {"selwyn_granularity_um": 0.6, "aperture_area_um2": 2000.0},
        {},
    ),
    "solution.contrast_kept": ({"kerma_ugy": 30.0}, {"film": FILM, "stops": 1.0, "question": ASKED}),
    "solution.loss_curves": ({"kerma_ugy": 30.0}, {"film": FILM, "question": ASKED}),
    "solution.most_kept": ({"kerma_ugy": 30.0}, {"film": FILM, "question": ASKED}),
    "solution.solve_film": ({"kerma_ugy": [30.0]}, {"film": FILM, "question": ASKED}),
    "solution.solve_films": ({"kerma_ugy": [30.0]}, {"films": [FILM], "question": ASKED}),
    "tonecurve.restore_tones": ({"kerma_ugy": 30.0}, {"film": FILM, "density": [0.4, 0.8]}),
    "tonecurve.tone_curve": ({"kerma_ugy": 30.0}, {"film": FILM}),
    "picture.side_by_side.preview": ({"kerma_ugy": 30.0, "frame_mm": 24.0}, {"film": FILM, "width": 120}),
    "whatif.Setting": ({"flight_h": 7.0, "storage_days": 30.0}, {"speed": 400.0}),
    "whatif.what_if": ({"flight_h": 7.0, "storage_days": 30.0}, {"speed": 400.0, "samples": 64}),
    "odds.cells.total_odds": ({"totals_ugy": [30.0, 60.0]}, {"films": [FILM], "samples": 64}),
    "trip.answer_at": (
        {"kerma_ugy": 30.0},
        {"roll": filmdose.Roll(id="a", film=FILM), "question": ASKED},
    ),
    **{
        f"film.emulsion.Emulsion.{name}": ({"kerma_ugy": 30.0}, {"self": RECORD, **dict(more)})
        for name, more in {
            **dict.fromkeys(("density", "gradient", "signal_to_noise"), (("log_exposure", -2.0),)),
            **dict.fromkeys(("minimum_density", "maximum_density", "fog_density", "curve"), ()),
            **dict.fromkeys(("hits", "surviving_weights"), ()),
        }.items()
    },
    "film.emulsion.Emulsion.noise": (
        {"kerma_ugy": 30.0, "aperture_area_um2": 2000.0},
        {"self": RECORD, "log_exposure": -2.0},
    ),
    "development.contrast.DevelopmentCurve.gamma": (
        {"time_min": 6.0},
        {"self": filmdose.development.DevelopmentCurve(gamma_infinity=1.0, rate_per_min=0.2)},
    ),
    "radiation.chain.Bag": ({"aluminium_mm": 1.0}, {}),
    "radiation.sensitivity.first_principles_sensitivity": ({"grain_area_um2": 0.5}, {}),
}


def public():
    """All public functions and methods with arguments whose names end in a unit."""
    found = {}
    for module in pkgutil.walk_packages(filmdose.__path__, "filmdose."):
        if re.search(r"\.(cli|present|__main__)\b", module.name):
            continue
        loaded = importlib.import_module(module.name)
        for name in getattr(loaded, "__all__", ()):
            item = getattr(loaded, name)
            if not callable(item) or getattr(item, "__module__", None) != module.name:
                continue
            path = f"{module.name.removeprefix('filmdose.')}.{name}"
            own = {path: item}
            if inspect.isclass(item):
                methods = inspect.getmembers(item, inspect.isfunction)
                own |= {f"{path}.{key}": method for key, method in methods if not key.startswith("_")}
            for key, function in own.items():
                try:
                    names = inspect.signature(function).parameters
                except ValueError:  # an enumeration
                    continue
                if any(ENDING.search(each) and "_per_" not in each.replace("_per_year", "") for each in names):
                    found[key] = function
    return found


PUBLIC = public()


def test_every_public_function_with_a_unit_in_a_name_is_looked_at():
    shut = {
        name
        for name in PUBLIC
        if name in NO_DOOR or name.rpartition(".")[0] in set(NO_DOOR) - {"film.emulsion.Emulsion"}
    }
    open_ones = set(PUBLIC) - shut
    left_out = {"radiation.scatter.scattered_coefficient"} & open_ones  # takes arrays of its own making
    assert open_ones - left_out - set(DOORS) == set()
    assert set(DOORS) - set(PUBLIC) - {"development.contrast.DevelopmentCurve.gamma"} == set()


def plain(value):
    """Numbers of any result, in their order."""
    if value is None or isinstance(value, (str, bool)):
        return []
    if hasattr(value, "get_lines"):
        drawn = [line.get_xydata() for line in value.get_lines()]
        drawn += [path.vertices for part in value.collections for path in part.get_paths()]
        return [part for points in drawn for part in np.asarray(points, dtype=float).ravel().tolist()]
    if isinstance(value, (xr.Dataset,)):
        return [part for name in value.data_vars if value[name].dtype.kind == "f" for part in plain(value[name])]
    if hasattr(value, "__dataclass_fields__"):
        return [part for name in value.__dataclass_fields__ for part in plain(getattr(value, name))]
    if isinstance(value, dict):
        return [part for each in value.values() for part in plain(each)]
    if isinstance(value, (list, tuple)):
        return [part for each in value for part in plain(each)]
    try:
        return np.asarray(value, dtype=float).ravel().tolist()
    except (TypeError, ValueError):
        return []


def written(argument, value):
    """The value in another unit, in all ways that people write it."""
    unit, factor, wrong = UNITS[ENDING.search(argument)[1] if ENDING.search(argument) else "_c"]
    numbers = np.asarray(value, dtype=float)
    other = numbers + 273.15 if factor is None else numbers / factor
    many = other.ndim > 0
    text = [f"{x!r} {unit}" for x in other.tolist()] if many else f"{other.item()!r} {unit}"
    array = xr.DataArray(other, dims=["x"] if many else [], attrs={"units": unit})
    return {"text": text, "quantity": Quantity(other if many else other.item(), unit), "array": array}, wrong


CASES = [(name, argument) for name, (units, _) in DOORS.items() for argument in units]


@pytest.mark.few(8)
@pytest.mark.parametrize(("name", "argument"), CASES)
@pytest.mark.filterwarnings("ignore::filmdose.ValidityWarning")
def test_every_way_of_writing_a_value_gives_the_same_answer(name, argument):
    import matplotlib.pyplot as plt

    units, more = DOORS[name]
    function = PUBLIC[name]
    if "self" in more:
        function, more = getattr(more["self"], name.rpartition(".")[2]), {k: v for k, v in more.items() if k != "self"}

    def call(value):
        try:
            return plain(function(**{**more, **units, argument: value}))
        finally:
            plt.close("all")

    expected = call(units[argument])
    ways, wrong = written(argument, units[argument])
    for way, value in ways.items():
        got = call(value)
        assert got == pytest.approx(expected, rel=1e-9, abs=1e-12, nan_ok=True), way
    assert expected, "a result without a number proves nothing"
    for value in (f"1 {wrong}", Quantity(1.0, wrong), xr.DataArray(1.0, attrs={"units": wrong})):
        with pytest.raises(ArgumentError):
            call(value)


@pytest.mark.parametrize(
    ("text", "unit", "expected"),
    [
        ("5 mR", "uGy", 43.8213),  # 2.58e-7 C/kg times 33.97 J/C
        ("0.4 mGy", "uGy", 400.0),
        ("350 µGy", "uGy", 350.0),
        ("350 uGy", "uGy", 350.0),
        ("1 rad", "uGy", 1e4),  # 0.01 Gy, by definition
        ("0,5 mGy", "uGy", 500.0),
        ("1e-3 Gy", "uGy", 1000.0),
        ("0.01 in", "mm", 0.254),  # 25.4 mm, by definition
        ("68 F", "degrees C", 20.0),
        ("293.15 K", "degrees C", 20.0),
        ("2 h", "min", 120.0),
        ("11 km", "m", 11000.0),
        ("30000 ft", "m", 9144.0),  # 0.3048 m, by definition
        ("0.06 MeV", "kev", 60.0),
    ],
)
def test_units_have_their_defined_sizes(text, unit, expected):
    assert in_unit("value", text, unit) == pytest.approx(expected, rel=1e-12)


@pytest.mark.parametrize("text", ["4 MGy", "4 kg", "x", "4 m Gy", "4 mGy mGy", "", "mGy"])
def test_what_is_no_dose_is_refused(text):
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        filmdose.answer(400, text)


@pytest.mark.parametrize("name", ["speed", "q10"])
def test_text_is_refused_where_there_is_no_unit_to_have(name):
    call = {
        "speed": lambda: filmdose.generic_film("400"),
        "q10": lambda: filmdose.development.time_at_temperature(5, 20, 24, "2"),
    }
    with pytest.raises(ArgumentError, match=name):
        call[name]()


def test_containers_keep_what_they_are_and_results_have_names_of_their_own():
    array = xr.DataArray([0.0, 0.4], dims="x", coords={"x": [3, 4]}, attrs={"units": "mGy"}, name="dose")
    found = filmdose.given_stops(400, array)
    assert found.name == "given_stops"
    assert found.attrs["units"] == "1"
    np.testing.assert_array_equal(found, filmdose.given_stops(400, [0.0, 400.0]))
    assert found["x"].to_numpy().tolist() == [3, 4]
    series = pd.Series(["5 mR", "0.4 mGy"], index=["a", "b"], name="dose")
    got = filmdose.given_stops(400, series)
    assert (got.name, list(got.index)) == ("given_stops", ["a", "b"])
    assert filmdose.units.standard_exposure_index(400, pd.Series([0.0, 1.0], name="dose")).name == "ei"


def test_a_lazy_array_is_converted_and_stays_lazy():
    array = xr.DataArray([0.0, 0.4], dims="x", attrs={"units": "mGy"}).chunk({"x": 1})
    found = filmdose.given_stops(400, array)
    assert found.chunks is not None
    np.testing.assert_allclose(found.compute(), filmdose.given_stops(400, [0.0, 400.0]), rtol=1e-12)


def test_quantities_of_a_unit_package():
    pint = pytest.importorskip("pint", reason="pint is in the test extra")
    registry = pint.UnitRegistry(force_ndarray_like=True)
    assert filmdose.answer(400, registry.Quantity(0.4, "mGy")).kerma_ugy == pytest.approx(400.0)
    assert filmdose.Pass(source="cabin-ct", air_kerma_ugy=registry.Quantity(5, "milliroentgen")).air_kerma_ugy == (
        pytest.approx(43.8213)
    )
    assert in_unit("thickness_mm", registry.Quantity(250, "micrometer"), "mm") == 0.25
    assert in_unit("to_c", registry.Quantity(68, "degF"), "degrees C") == pytest.approx(20.0)
    inside = xr.DataArray(registry.Quantity(np.array([0.0, 0.4]), "mGy"), dims="x")
    np.testing.assert_array_equal(filmdose.given_stops(400, inside), filmdose.given_stops(400, [0.0, 400.0]))
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        filmdose.answer(400, registry.Quantity(1, "meter"))
