"""What users bring of their own goes through every path; the examples of the page about it run."""

import copy
import pickle
import re

import face
import matplotlib as mpl
import numpy as np
import pytest

import filmdose as fd
from filmdose.criteria import Criterion, Tones
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film import MeasuredCurve, ToeShoulderCurve, fit_curve
from filmdose.odds import Prior, SamplePrior, default_priors, draw_stops, learn, propagate, trip_model
from filmdose.radiation import Material, Source, get_source, register_material, register_source, sources, transmission
from filmdose.radiation import materials as all_materials
from filmdose.tripfile import parse_trip

PAGE = (face.ROOT / "docs" / "extending.md").read_text("utf-8")


@pytest.fixture(autouse=True)
def nothing_stays(monkeypatch):
    monkeypatch.setattr(sources, "_REGISTERED", {})
    monkeypatch.setattr(all_materials, "_REGISTERED", {})
    mpl.use("Agg")


def test_the_page_runs():
    names = {}
    blocks = re.findall(r"```python\n(.*?)```", PAGE, re.DOTALL)
    assert len(blocks) == len(re.findall(r"^## ", PAGE, re.MULTILINE)) + 2
    for block in blocks:
        exec(compile(block, "extending.md", "exec"), names)
    assert names["fit"].rms_density < 0.005
    assert names["fit"].film.speed == pytest.approx(names["iso6"](names["SoftToe"]()).speed, rel=0.03)
    import matplotlib.pyplot as plt

    plt.close("all")


# -- a criterion -------------------------------------------------------------------------------------------------------


def gradient_again(fogged, clean):
    return fogged.gradient - clean.gradient[:, :1]


def snr_again(fogged, clean):
    return np.log2(fogged.snr) - np.log2(clean.snr[:, :1])


def density_again(fogged, clean):
    return fogged.density - clean.density[:, :1]


AGAIN = {"shadow_gradient": gradient_again, "shadow_snr": snr_again}
FILMS = [fd.generic_film(400), fd.generic_film(800, kind="colour-negative")]


@pytest.mark.parametrize("name", AGAIN)
@pytest.mark.parametrize("film", FILMS, ids=lambda film: film.kind)
def test_a_shipped_criterion_written_again_is_the_same(name, film):
    own = fd.Question(criterion=Criterion("again", AGAIN[name]))
    doses = [0.0, 3.0, 20.0, 60.0]
    found = fd.answer_grid([film], doses, own)["stops"]
    shipped = fd.answer_grid([film], doses, fd.Question(criterion=name))["stops"]
    assert list(found.criterion.values) == [*shipped.criterion.values, "again"]
    np.testing.assert_allclose(found.sel(criterion="again"), shipped.sel(criterion=name), atol=1e-6)
    for dose in doses:
        told = fd.answer(film, dose, own)
        assert told.stops["again"] == pytest.approx(told.stops[name], abs=1e-6)
        assert all("again" in row["stops"] for row in told.by_record.values())


def trip(kind="bw-negative", speed=400):
    passes = fd.Pass(source="cabin-xray", count=5)
    roll = fd.Roll(id="a", film=fd.generic_film(speed, kind=kind), history=fd.History(passes=passes))
    return fd.Trip(rolls=(roll,), title="invented")


@pytest.mark.few(1)
@pytest.mark.parametrize(("kind", "speed"), [("bw-negative", 400), ("colour-negative", 400), ("colour-reversal", 100)])
def test_a_criterion_goes_through_odds_trips_and_plans(kind, speed):
    own, shipped = fd.Question(criterion=Criterion("again", gradient_again)), fd.Question(criterion="shadow_gradient")
    there = trip(kind, speed)
    for call in (
        lambda question: propagate(there, question, samples=256)["a"].stops,
        lambda question: draw_stops(there, question, samples=64)["a"],
        lambda question: fd.make_plan(there, question, samples=128).rolls[0].loss_scanned,
    ):
        np.testing.assert_allclose(call(own), call(shipped), rtol=1e-9, atol=1e-9)
    told, wanted = (fd.answer_trip(there, question)[0].answer for question in (own, shipped))
    assert told.ei == wanted.ei
    assert told.needed_stops == pytest.approx(wanted.needed_stops) or told.needed_stops is wanted.needed_stops is None
    assert "stops_again" in fd.compensation_table([speed], [0, 10], own)
    text = fd.make_card([400], question=fd.Question(criterion=Criterion("again", gradient_again, words="own words")))
    assert "own words" in text.assumes


@pytest.mark.few(1)
@pytest.mark.parametrize(("kind", "speed"), [("bw-negative", 400), ("colour-negative", 400), ("bw-reversal", 100)])
def test_a_criterion_reaches_every_output(kind, speed):
    from filmdose.inverse import judge_claim, speed_to_carry
    from filmdose.present import assess_damage, letter_document, render, report_document
    from filmdose.present.tables import table_document
    from filmdose.whatif import what_if

    question = fd.Question(criterion=Criterion("again", gradient_again, words="own words"))
    film, part = fd.generic_film(speed, kind=kind), fd.Pass(source="cabin-xray")
    for exposed in (False, True):
        told = fd.answer(film, 40.0, question, exposed=exposed)
        assert told.to_dict()["criterion"] == "again"
        assert told.to_dataframe()["stops_again"].shape == (1,)
    assert "again" in what_if(speed=speed, kind=kind, counts={"cabin-xray": 1}, question=question).answer.stops
    assert len(judge_claim(part, [film], question)) == len(speed_to_carry(part, [film], question)) == 1
    text = render(table_document([film], [0, 10], question), "text").decode()
    assert "own words" in text or film.reversal
    grid = fd.sweep.sweep(film=film, kerma_ugy=[1.0, 20.0], criterion=[question.criterion, "shadow_gradient"])
    np.testing.assert_allclose(grid["needed_stops"][:, 0], grid["needed_stops"][:, 1], atol=1e-6)
    measured = fd.read_trip(face.ROOT / "notebooks" / "trip_measured.toml")
    report = assess_damage(measured, "ridge-400", question, samples=64)
    for document in (report_document(report), letter_document(report)):
        assert render(document, "html")


def test_a_criterion_is_its_name_and_can_be_sent():
    own = Criterion("again", gradient_again, words="as it was")
    for twin in (pickle.loads(pickle.dumps(own)), copy.deepcopy(own)):
        assert twin == own == "again"
        assert twin.excess is gradient_again
        assert twin.words == "as it was"
    question = fd.Question(criterion=own)
    assert pickle.loads(pickle.dumps(question)) == question
    assert fd.answer(400, 20.0, pickle.loads(pickle.dumps(question))).needed_stops > 0.0


@pytest.mark.parametrize(
    ("make", "says"),
    [
        (lambda: Criterion("two words", gradient_again), "name: got 'two words'"),
        (lambda: Criterion("again", 3), "excess: got 3"),
        (lambda: fd.Question(criterion=Criterion("shadow_snr", gradient_again)), "another name"),
        (lambda: fd.answer(400, 1.0, fd.Question(criterion=Criterion("again", lambda a, b: 1.0))), "shape"),
        (lambda: fd.answer(400, 1.0, fd.Question(criterion=Criterion("again", lambda a, b: a.stops))), "shape"),
        (lambda: fd.Question(criterion=gradient_again), "criterion"),
    ],
)
def test_what_no_criterion_can_be(make, says):
    with pytest.raises((ArgumentError, UnknownNameError), match=says):
        make()


def test_tones_are_those_of_the_film():
    seen = {}

    def look(fogged, clean):
        seen["fogged"], seen["clean"] = fogged, clean
        return fogged.gradient - 10.0

    record = fd.generic_film(400).records[0]
    fd.answer(400, 80.0, fd.Question(criterion=Criterion("look", look)))
    for name, kerma in (("fogged", 80.0), ("clean", 0.0)):
        tones = seen[name]
        assert isinstance(tones, Tones)
        x = np.log10(0.8 / 400) + tones.stops * np.log10(2.0)
        np.testing.assert_allclose(tones.density[0], record.density(x, kerma) - record.minimum_density(), atol=1e-6)
        np.testing.assert_allclose(tones.gradient[0], record.gradient(x, kerma), atol=1e-6)
        noise = np.asarray(record.noise(x, kerma)) / float(record.noise(x[0]))
        np.testing.assert_allclose(tones.noise[0], noise, rtol=1e-5)


# -- a source and a shield ---------------------------------------------------------------------------------------------


TRIP_FILE = """[trip]
title = "t"
[[roll]]
id = "a"
speed = 400
[[pass]]
source = "parcels"
rolls = ["a"]
[[leg]]
source = "parcels"
"""


def own_source(**changes):
    given = {"name": "parcels", "air_kerma_low_ugy": 20, "air_kerma_typical_ugy": 50, "air_kerma_high_ugy": 200}
    return Source(**{**given, "beam": "160kVp, al=3", "evidence": "measured", **changes})


def test_a_registered_source_is_known_by_its_name_everywhere():
    with pytest.raises(UnknownNameError, match="register_source"):
        fd.Pass(source="parcels")
    register_source(own_source())
    by_name, itself = fd.Pass(source="parcels"), fd.Pass(source=own_source())
    assert fd.history_dose(by_name).kerma_ugy == fd.history_dose(itself).kerma_ugy > 0.0
    read = parse_trip(TRIP_FILE)
    odds = propagate(read, samples=256)["a"]
    assert odds.kerma_ugy[0] < fd.history_dose(by_name).kerma_ugy < odds.kerma_ugy[2]
    assert fd.make_plan(read, samples=128).rolls[0].loss_scanned > 0.0
    assert "parcels" in fd.radiation.list_sources().index
    known = default_priors().replaced({"dose:parcels": 50.0})
    assert "dose[parcels]" not in trip_model(read, known).position
    assert fd.make_card([400], sources=["cabin-ct", "parcels"]).rows[1].title == "parcels"


def test_a_pass_carries_its_source_to_where_nobody_registered_it(monkeypatch):
    register_source(own_source())
    sent = pickle.dumps(fd.Pass(source="parcels", count=2))
    monkeypatch.setattr(sources, "_REGISTERED", {})
    assert fd.history_dose(pickle.loads(sent)).kerma_ugy > 0.0


def test_names_that_are_taken_stay_what_they_are():
    before = get_source("cabin-ct")
    for name in ("cabin-ct", "x-ray"):
        with pytest.raises(ArgumentError, match="not taken"):
            register_source(own_source(name=name))
    assert get_source("cabin-ct") is before
    register_source(own_source())
    again = register_source(own_source(air_kerma_high_ugy=300))
    assert get_source("parcels") is again


FOIL = Material(name="foil", density_g_cm3=19.25, mass_fractions=(("W", 1.0),))


def test_a_material_of_ones_own_is_a_shield_on_every_path(monkeypatch):
    tungsten = fd.Shield(material="tungsten", thickness_mm=0.2)
    foil = fd.Shield(material=FOIL, thickness_mm=0.2)
    register_material(FOIL)
    density = all_materials.get_material("tungsten").density_g_cm3
    assert density == pytest.approx(19.25, rel=0.01)
    for shield in (foil, "foil=0.2", (foil,)):
        assert transmission(shield).effective == pytest.approx(transmission(tungsten).effective, rel=0.01)
        sent = pickle.dumps(fd.Pass(source="cabin-ct", shield=shield))
        with monkeypatch.context() as patch:
            patch.setattr(all_materials, "_REGISTERED", {})
            there = pickle.loads(sent)
            assert fd.history_dose(there).kerma_ugy == pytest.approx(
                fd.history_dose(fd.Pass(source="cabin-ct", shield=tungsten)).kerma_ugy, rel=0.01
            )
            roll = fd.Roll(id="a", film=fd.generic_film(400), history=fd.History(passes=there))
            assert propagate([roll], samples=64)["a"].kerma_ugy[1] > 0.0
    assert str(foil) == "foil 0.2 mm"


@pytest.mark.parametrize(
    "changes",
    [
        {"density_g_cm3": 0.0},
        {"mass_fractions": (("W", 0.5),)},
        {"mass_fractions": (("Xx", 1.0),)},
        {"name": "a=b"},
        {"name": "Lead"},
    ],
)
def test_what_no_material_can_be(changes):
    with pytest.raises(ArgumentError):
        register_material(
            Material(**{"name": "foil", "density_g_cm3": 5.0, "mass_fractions": (("W", 1.0),), **changes})
        )


# -- a curve -----------------------------------------------------------------------------------------------------------

LINE = ToeShoulderCurve(
    unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2, shoulder_log_exposure=0.3
)


def test_a_curve_is_met_by_its_grains_and_goes_through_every_path():
    fit = fit_curve(LINE, name="line")
    x = np.linspace(-3.0, 0.5, 40)
    np.testing.assert_allclose(fit.film.records[0].density(x), LINE.density(x), atol=0.01)
    roll = fd.Roll(id="a", film=fit.film, history=fd.History(passes=fd.Pass(source="cabin-ct")))
    assert propagate([roll], samples=128)["a"].ei_recommended is not None
    assert fd.answer(fit.film, 100.0).given_stops > 0.0
    # a curve is told as far as its density changes: by a five-hundredth of all at 0.6 from its first exposure
    first = fit.records[0].log_exposure[0]
    assert LINE.density(first + 0.6) - LINE.minimum_density >= 0.0019 * (LINE.maximum_density - LINE.minimum_density)
    rated = fit_curve(LINE, speed=400).film
    assert rated.speed == 400
    assert rated.records == fit_curve(LINE).film.records


def test_points_are_a_curve():
    x = np.arange(-3.6, 1.5, 0.3)
    points = MeasuredCurve(log_exposures=tuple(x), densities=tuple(LINE.density(x)))
    assert fit_curve(points).film.speed == pytest.approx(fit_curve(LINE).film.speed, rel=0.03)


def test_records_that_are_known_over_different_exposures_are_met_where_all_are():
    def part(first, last):
        x = np.arange(first, last, 0.3)
        return MeasuredCurve(log_exposures=tuple(x), densities=tuple(LINE.density(x)))

    parts = {"red": part(-3.6, 1.5), "green": part(-3.6, 0.6), "blue": part(-3.3, 1.5)}
    fit = fit_curve(parts, kind="colour-negative")
    for record in fit.records:
        assert record.log_exposure[0] >= -3.3 - 1e-9
        assert record.log_exposure[-1] <= 0.6
    x = np.linspace(-3.0, 0.2, 20)
    for record in fit.film.records:
        np.testing.assert_allclose(record.density(x), LINE.density(x), atol=0.02)


@pytest.mark.long
def test_colour_and_reversal_curves():
    colours = {name: record.curve() for name, record in fd.generic_film(400, kind="colour-negative")}
    assert fit_curve(colours, kind="colour-negative").film.speed == pytest.approx(400, rel=0.03)
    falling = fd.generic_film(100, kind="bw-reversal").records[0].curve()
    assert fit_curve(falling, kind="bw-reversal").film.speed == pytest.approx(100, rel=0.05)


@pytest.mark.parametrize(
    "call",
    [
        lambda: fd.answer(LINE, 100.0),
        lambda: fd.answer_grid([LINE], [1.0]),
        lambda: fd.Roll(id="a", film=LINE),
        lambda: fd.Film(kind="bw-negative", speed=400, records=(LINE,)),
        lambda: fd.write_film(LINE, "x.toml"),
    ],
)
def test_where_grains_are_needed_a_bare_curve_is_refused_with_what_to_do(call):
    with pytest.raises(ArgumentError, match=r"fit_curve\(curve\)\.film"):
        call()


def test_what_no_curve_can_be():
    class Half:
        rising = True

    for wrong in (3, "x", Half(), [1, 2]):
        with pytest.raises(ArgumentError, match="curve"):
            fit_curve(wrong)
    with pytest.raises(ArgumentError, match="falling density for"):
        fit_curve(LINE, kind="bw-reversal")


# -- a prior -----------------------------------------------------------------------------------------------------------


def test_measured_values_are_a_prior_on_every_path():
    rng = np.random.default_rng(1)
    values = np.exp(rng.normal(np.log(300.0), 0.5, 4001))
    sampled = SamplePrior.of(values, unit="uGy")
    smooth = Prior(low=sampled.low, typical=sampled.typical, high=sampled.high, unit="uGy")
    roll = fd.Roll(id="a", film=fd.generic_film(400), history=fd.History(passes=fd.Pass(source="cabin-ct")))
    found, wanted = (
        propagate([roll], priors=default_priors().replaced({"dose:cabin-ct": prior}), samples=8192)["a"]
        for prior in (sampled, smooth)
    )
    np.testing.assert_allclose(found.stops, wanted.stops, atol=0.06)
    reading = fd.odds.FogReading(roll="a", base_plus_fog=0.42, control=0.30)
    priors = default_priors().replaced({"dose:cabin-ct": sampled})
    taught = learn([roll], reading, priors=priors, samples=1024)
    assert propagate([roll], priors=priors, learned=taught, samples=256)["a"].stops[1] > 0.0
    assert priors.all_known()["dose:cabin-ct"].is_known


class Fixed(Prior):
    """A distribution of one value, whatever the score."""

    def values(self, scores):
        return np.full(np.shape(scores), 0.8)


def test_a_distribution_of_ones_own_is_what_is_drawn():
    roll = fd.Roll(id="a", film=fd.generic_film(400), history=fd.History(passes=fd.Pass(source="cabin-ct")))
    priors = default_priors().replaced({"hit_exponent": Fixed(low=0.6, typical=0.8, high=1.0, kind="normal")})
    model = trip_model([roll], priors)
    scores = np.random.default_rng(0).standard_normal((50, len(model.inputs)))
    assert set(model.draws(scores).hit_exponent) == {0.8}
    assert propagate(model, samples=64)["a"].stops[1] > 0.0


def test_what_no_sample_can_be():
    for wrong in ([1.0, 2.0], [3.0, 3.0, 3.0], [1.0, float("nan"), 2.0]):
        with pytest.raises(ArgumentError, match="values"):
            SamplePrior.of(wrong)
