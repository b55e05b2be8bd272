"""The public face, and one of every result that it can give: what the tests that enumerate it share."""

import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Iterable, Mapping
from functools import cache
from pathlib import Path

import numpy as np

import filmdose

ROOT = Path(__file__).parents[1]

#: What belongs to the inside; a module that is not named here is public from the day it is there.
INSIDE = {
    *(
        "arrays",
        "files",
        "blockstore",
        "lazy",
        "threads",
        "tomlfile",
        "nodes",
        "solver",
        "decision",
        "solution",
        "cli",
        "standards",
        "arguments",
        "quantity",
        "stack",
    ),
    *("film.csvtable", "film.nnls", "film.recordfit", "film.population", "odds.groups", "odds.tally", "odds.scores"),
    *("picture.film_image", "picture.fog_bands", "picture.grain_field", "picture.plan", "picture.profile"),
    *("picture.scanned", "picture.strip", "present.page", "present.pages", "present.html", "present.screen"),
}

#: Classes that are no results: protocols, a widget's view, what a decision keeps for itself.
NO_RESULTS = {"Curve", "Criterion", "Scene", "WhatIfSide", "WhatIfView", "Cases", "Result", "Quantity"}


def modules():
    """Public modules by their name without the package's."""
    names = [module.name for module in pkgutil.walk_packages(filmdose.__path__, "filmdose.")]
    shown = {name.removeprefix("filmdose."): name for name in names}
    inside = tuple(f"{name}." for name in INSIDE)
    return {short: importlib.import_module(name) for short, name in shown.items() if not f"{short}.".startswith(inside)}


@cache
def public():
    """Every public class and function that is written in this package, by its full name."""
    found = {}
    for module in (filmdose, *modules().values()):
        for name in getattr(module, "__all__", ()):
            value = getattr(module, name)
            if (inspect.isclass(value) or inspect.isfunction(value)) and value.__module__.startswith("filmdose"):
                found[f"{value.__module__}.{value.__qualname__}"] = value
    return found


def results():
    """Every public class of results by its name."""
    return {
        value.__name__: value
        for value in public().values()
        if inspect.isclass(value)
        and not issubclass(value, BaseException | Warning)
        and value.__name__ not in NO_RESULTS
    }


def errors():
    """Every error of the package by its name, internal ones too."""
    found, left = {}, [filmdose.FilmdoseError]
    while left:
        kind = left.pop()
        found[kind.__name__] = kind
        left += kind.__subclasses__()
    return found


def functions():
    """Every public function, and the constructors and methods of every public class, by name."""
    found = {}
    for name, value in public().items():
        if inspect.isfunction(value):
            found[name] = value
        elif not issubclass(value, BaseException | Warning):
            found[name] = value
            for each, method in vars(value).items():
                inner = method.__func__ if isinstance(method, classmethod | staticmethod) else method
                if inspect.isfunction(inner) and not each.startswith("_"):
                    found[f"{name}.{each}"] = inner
    return found


def walk(value, seen):
    """Every object of the package that is held by a value."""
    if isinstance(value, str | bytes | np.ndarray) or id(value) in seen:
        return
    seen[id(value)] = value
    if type(value).__module__.startswith("filmdose"):
        yield value
        if dataclasses.is_dataclass(value):
            for field in dataclasses.fields(value):
                yield from walk(getattr(value, field.name), seen)
    elif isinstance(value, Mapping):
        yield from walk(list(value.values()), seen)
    elif isinstance(value, Iterable) and not hasattr(value, "columns") and not hasattr(value, "dims"):
        for item in list(value)[:50]:
            yield from walk(item, seen)


@cache
def samples():
    """One of every result, by the name of its class, from the calls that users make."""
    found = {}
    for value in walk([each() for each in (_trips, _films, _radiation, _documents, _scans, _pictures)], {}):
        found.setdefault(type(value).__name__, value)
    return found


def _trips():
    from filmdose.odds import Prior, SamplePrior, learn, narrowing, trip_model
    from filmdose.odds.priors import MixturePrior
    from filmdose.outlook import trip_outlook
    from filmdose.planning import make_plan
    from filmdose.present.damage import assess_damage
    from filmdose.whatif import what_if

    ahead = filmdose.read_trip(ROOT / "notebooks" / "trip_ahead.toml")
    measured = filmdose.read_trip(ROOT / "notebooks" / "trip_measured.toml")
    read = next(roll for roll in measured.rolls if roll.fog_readings)
    taught = learn(measured, samples=1024)
    model = trip_model(ahead)
    small = Prior(low=1, typical=2, high=3)
    seen = []

    def look(fogged, clean):
        seen.append(fogged)
        return fogged.gradient - clean.gradient[:, :1]

    filmdose.answer(400, 10.0, filmdose.Question(criterion=filmdose.criteria.Criterion("look", look)))
    return [
        ahead,
        measured,
        read.readings,
        make_plan(ahead, samples=128),
        trip_outlook(measured, learned=taught, samples=128),
        taught,
        taught.model,
        model,
        model.inputs,
        model.draws(np.zeros((2, len(model.inputs)))),
        model.priors,
        small,
        MixturePrior.of([(small, 1.0)]),
        SamplePrior.of([1.0, 2.0, 3.0]),
        seen[0],
        assess_damage(measured, read.id, samples=128),
        what_if(speed=800, counts={"cabin-ct": 40}, samples=128),
        narrowing(ahead, ahead.rolls[0].id, samples=4096),
        filmdose.odds.DoseReading(value="63 mrem", quantity="hp10-phantom"),
        filmdose.trip.Shot(ei=400),
        filmdose.answer(filmdose.generic_film(100, kind="colour-reversal"), 100.0, exposed=True),
        filmdose.inverse.kerma_for_loss(400, 1.0),
        filmdose.Flight(hours=8),
        filmdose.Storage(days=100),
        filmdose.odds.Bracket(stops=(0.0, 1.0), expected_loss=0.1, expected_loss_single=0.2),
    ]


def _films():
    from filmdose import development as dev
    from filmdose.development import location, restrainers, states
    from filmdose.film import calibration, cgats, comparison, curves, noisefit, readings
    from filmdose.sensitometry import paper, speed

    film = filmdose.generic_film(400)
    record = film.records[0]
    curve = record.curve()
    x = np.arange(-4.0, 0.2, 0.15)
    clean = readings.StepReadings(log_exposure=x, densities={"visual": np.asarray(record.density(x))})
    fogged = readings.StepReadings(log_exposure=x, densities={"visual": np.asarray(record.density(x, 200.0))})
    steps = calibration.FoggedSteps(readings=fogged, kerma_ugy=200.0)
    grain = noisefit.GranularityReadings(sigma=np.array([0.01, 0.011, 0.012]), density=np.array([0.5, 1.0, 1.5]))
    negative, reversal = (
        filmdose.generic_film(400, kind="colour-negative"),
        filmdose.generic_film(100, kind="colour-reversal"),
    )
    slide = reversal.records[1].curve()
    colours = {name: each.curve() for name, each in negative}
    fit = filmdose.fit_film(clean, kind="bw-negative")
    return [
        film,
        curve,
        clean,
        steps,
        grain,
        fit,
        calibration.calibrate_fog(clean, [steps], kind="bw-negative"),
        cgats.CgatsTable(table=clean.to_dataframe()),
        curves.MeasuredCurve(log_exposures=(-3, -2, -1, 0), densities=(0.2, 0.3, 0.9, 1.5)),
        curves.ToeShoulderCurve(unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2),
        comparison.LightPreflashCurve(emulsion=record, fog_density=0.1),
        comparison.UniformUnionCurve(emulsion=record, fog_density=0.1),
        dev.development_curve(gamma_short=0.5, gamma_long=0.7, time_short_min=5.0),
        dev.fit_development([4, 8, 12, 16], [0.50, 0.75, 0.88, 0.935]),
        dev.fit_temperature([20.0, 22.0, 24.0], [6.5, 5.5, 5.0]),
        states.Growth(),
        dev.WantedRange.for_grade(2),
        dev.development_trade(film, 100.0),
        dev.choose_development(film, 100.0, wanted=dev.WantedRange.for_grade(2)),
        restrainers.RestrainerPair(fog_factor=0.5, speed_factor=0.7),
        dev.restrain(film, 100.0, restrainers.RestrainerPair(fog_factor=0.5, speed_factor=0.7)),
        location.Solution(name="fixer", ml_per_tank=600.0),
        restrainers.StripReading(restrained=True, base_plus_fog=0.3, log_speed_point=-2.0),
        dev.plan_development(
            [filmdose.Roll(id="a", film=film, state="exposed")],
            tank_rolls=2,
            solutions=[location.Solution(name="developer", ml_per_tank=600.0)],
        ),
        speed.iso6(curve),
        speed.iso2240(slide),
        speed.iso5800(red=colours["red"], green=colours["green"], blue=colours["blue"]),
        speed.delta_x_speed(curve),
        speed.fractional_gradient_point(curve),
        filmdose.sensitometry.straight_line(curve, log_exposure_interval=(-1.5, -1.0)),
        paper.paper_range(
            curves.ToeShoulderCurve(
                unexposed_density=0.1, slope=2.0, toe_log_exposure=0.0, toe_width=0.1, shoulder_log_exposure=1.0
            )
        ),
    ]


def _radiation():
    from filmdose.radiation import badge, beams, chain, materials, scatter, sensitivity, shields, sources, spectra

    beam = beams.Beam.parse("140kVp, al=3")
    way = chain.film_chain()
    text = 'film = "x"\nspeed = 400\nbeam = "140kVp, al=3"\n' + "".join(
        f"[[exposure]]\ndose = {dose}\ndensity = {density}\n" for dose, density in ((0, 0.2), (100, 0.28), (300, 0.43))
    )
    return [
        beam,
        badge.badge_air_kerma("63 mrem", "hp10-phantom"),
        way,
        chain.arrival(beam, way, 0.5),
        chain.Bag(),
        materials.get_material("lead"),
        scatter.passage(beam, ()),
        shields.Shield(material="lead", thickness_mm=0.25),
        shields.transmission("lead=0.25"),
        sources.get_source("cabin-ct"),
        spectra.spectrum_of(beam),
        sensitivity.first_principles_sensitivity(),
        sensitivity.parse_sensitivity(text),
    ]


def _documents():
    from filmdose.odds import narrowing, tornado
    from filmdose.odds.tables import film_tables
    from filmdose.present.check import check_file
    from filmdose.present.document import Heading
    from filmdose.present.odds import Reasons
    from filmdose.present.plan import plan_document
    from filmdose.present.roll import roll_document
    from filmdose.present.text import read_words
    from filmdose.printing import print_plan
    from filmdose.tonetable import parse_encoding

    ahead = filmdose.read_trip(ROOT / "notebooks" / "trip_ahead.toml")
    roll = ahead.rolls[0]
    moved = tornado(ahead, roll.id)
    reasons = Reasons(roll=roll.id, tornado=moved, sobol=moved, narrowing=narrowing(ahead, roll.id, samples=4096))
    dose = filmdose.history_dose(roll.history)
    answer = filmdose.answer(roll.film, dose.kerma_ugy)
    plan = filmdose.make_plan(ahead, samples=128)
    plot = filmdose.present.document.Plot(draw=print, words="a plot")
    return [
        reasons,
        plan_document(plan),
        roll_document(answer, dose, filmdose.propagate([roll], samples=128)[roll.id]),
        filmdose.make_card([400]),
        read_words("card_text.toml"),
        Heading("x"),
        filmdose.odds.pouch_unknown(),
        check_file(ROOT / "notebooks" / "trip_ahead.toml"),
        filmdose.present.document.Picture(jpeg=b"", words="a picture", width=1, height=1),
        plot,
        print_plan(filmdose.answer(roll.film, 100.0, exposed=True)),
        parse_encoding("gamma=2.2"),
        *film_tables([roll.film], samples=64),
    ]


def _pictures():
    import tempfile

    from PIL import Image

    from filmdose.picture import preview, read_photo
    from filmdose.whatif import Setting

    made = preview(800, 300.0, width=120)
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "wedge.png"
        Image.fromarray(np.tile(np.linspace(0, 255, 48, dtype=np.uint8), (32, 1))).save(path)
        photo = read_photo(path)
    return [made, *made.frames, made.scene, made.area, photo, Setting(speed=400)]


def _scans():
    from scan_cases import AREA, CLEAN, OPAQUE, SHAPE, STEPS, picture

    from filmdose.scan import bands, causes, density, grain, tablet, wedge
    from filmdose.scan.simulate import grainy, scan_from_pixels, simulate_pixels, simulate_profile
    from filmdose.scan.spiral import get_winding
    from filmdose.tonecurve import tone_curve
    from filmdose.tonetable import parse_encoding

    rng = np.random.default_rng(1)
    image = np.full(SHAPE, 0.5)
    image[:, :40], image[:, 130:] = 0.0, 6.0
    scan = scan_from_pixels(simulate_pixels(grainy(image, 0.2, pixel_um=10.0, rng=rng), rng=rng), pixel_um=10.0)
    clear = scan_from_pixels(simulate_pixels(np.zeros(SHAPE), rng=rng), pixel_um=10.0)
    area = density.measure_area(scan, AREA, clear=clear, flare=density.measure_flare(scan, OPAQUE))
    winding = get_winding("135-36")
    profile = simulate_profile("radiation", winding, rng=rng)
    seen, light = picture(rng)
    even = np.full((140, 140), 0.5)
    large = scan_from_pixels(simulate_pixels(grainy(even, 0.2, pixel_um=10.0, rng=rng), rng=rng), pixel_um=10.0)
    bright = scan_from_pixels(simulate_pixels(np.zeros((140, 140)), rng=rng), pixel_um=10.0)
    transfer = grain.Transfer.gaussian(60.0)
    film = filmdose.generic_film(400)
    edges = [filmdose.scan.Box(left=0, top=top, width=140, height=20) for top in (0, 120)]
    return [
        scan,
        area,
        density.area_statistics(scan.light(AREA)[..., 0]),
        filmdose.scan.measure_fog(area, area),
        bands.explain_bands(profile, winding),
        causes.explain_density(profile.position_mm, profile.density, winding, None),
        winding,
        filmdose.scan.faults.Fault(name="gamma", reason="so"),
        tablet.read_tablet(seen, clear=light, steps=STEPS, flare=CLEAN),
        wedge.WedgeCalibration(scale=1.0, scale_error=0.1, flare=CLEAN, residual=0.01),
        transfer,
        grain.measure_grain(large, large.frame, clear=bright, transfer=transfer),
        grain.ClusterFactor(cluster_grains=5.0, error=1.0, kerma_ugy=100.0),
        filmdose.scan.correct_scan(large, tone_curve(film, 100.0), parse_encoding("linear"), clear=0.9, boxes=edges),
    ]
