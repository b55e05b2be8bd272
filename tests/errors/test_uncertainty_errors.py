"""What cannot be believed, measured or asked, and the line that says so."""

from __future__ import annotations

import datetime
import json
from dataclasses import replace

import numpy as np
import pytest

from filmdose.errors import ArgumentError, InputFileError, OutputFileError, UnknownNameError, ValidityWarning
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass
from filmdose.odds import (
    ContradictionError,
    DoseReading,
    FogReading,
    Learned,
    Prior,
    Priors,
    default_priors,
    learn,
    narrowing,
    propagate,
    read_learned,
    read_priors,
    read_readings,
    save_learned,
    tornado,
    trip_model,
)
from filmdose.question import Question
from filmdose.radiation.sources import Source
from filmdose.trip import Roll


def one(film=None, source="cabin-ct"):
    return [Roll(id="a", film=film or generic_film(400), history=History(passes=Pass(source=source)))]


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"low": 2.0, "typical": 1.0, "high": 3.0}, "low <= typical <= high"),
        ({"low": 1.0, "typical": 4.0, "high": 3.0}, "low <= typical <= high"),
        ({"low": 0.0, "typical": 1.0, "high": 3.0}, "above 0"),
        ({"low": -1.0, "typical": 1.0, "high": 3.0}, "above 0"),
        ({"low": 1.0, "typical": float("nan"), "high": 3.0}, "typical"),
        ({"low": 1.0, "typical": 2.0, "high": float("inf")}, "high"),
        ({"low": 0.1, "typical": 0.5, "high": 1.0, "kind": "logit_normal"}, "high"),
        ({"low": 0.0, "typical": 0.2, "high": 1.0, "kind": "uniform"}, "middle of an even distribution"),
    ],
)
def test_impossible_priors(options, says):
    with pytest.raises(ArgumentError, match=says):
        Prior(**options)


def test_unknown_names_of_priors():
    with pytest.raises(UnknownNameError, match="log_normal"):
        Prior(low=1.0, typical=1.0, high=1.0, kind="gamma")
    with pytest.raises(UnknownNameError, match="calibration_kerma"):
        default_priors().replaced(calibration_kerm=25.0)
    with pytest.raises(ArgumentError, match="missing"):
        Priors({})
    with pytest.raises(ArgumentError, match="hit_exponent"):
        default_priors().replaced(hit_exponent=Prior(low=0.5, typical=0.8, high=2.5, kind="normal"))
    with pytest.raises(ArgumentError, match="calibration_kerma"):
        default_priors().replaced(calibration_kerma=-25.0)
    with pytest.raises(ArgumentError, match="scanner_class_share"):
        Priors(default_priors().entries, 1.5)


@pytest.mark.parametrize(
    ("name", "low", "high"),
    [
        ("hit_exponent", 0.0, 2.0),
        ("bw-negative.area_exponent", -1.0, 2.0),
        ("colour-negative.dye_saturation", 0.0, 1.0),
        ("cluster_grains", 1.0, 1000.0),
        ("shield_scatter", 0.0, 3.0),
        ("eta_low", 0.0, 1.0),
        ("unevenness", 0.0, 1000.0),
    ],
)
def test_what_a_prior_may_reach(name, low, high):
    """Shares and efficiencies end at 1, a quantum develops one grain at least; the other ends are our choice."""
    typical, little = 0.5 * (low + high), 0.01 * (high - low)
    whole = Prior(low=low, typical=typical, high=high, kind="uniform")
    assert default_priors().replaced({name: whole})[name] == whole
    for end, move in (("low", -little), ("high", little)):
        moved = Prior(low=low + move, typical=typical + move, high=high + move, kind="uniform")
        with pytest.raises(ArgumentError, match=f"prior {name}, {end}"):
            default_priors().replaced({name: moved})


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[priors.hit_exponent]\nlow = 0.9\ntypical = 0.8\nhigh = 1.0\n", "low <= typical <= high"),
        ("[priors.hit_exponent]\nlow = 0.9\nhigh = 1.0\n", "field 'typical': is missing"),
        ("[priors.hit_exponent]\ntypical = 0.9\nhigh = 1.0\n", "only one of low and high"),
        ("[priors.hit_exponent]\ntypical = 0.9\nmost = 1.0\n", "field 'most': is not known"),
        ("[priors.hits]\ntypical = 0.9\n", "hit_exponent"),
        ('[priors.hit_exponent]\ntypical = "much"\n', "a finite number"),
        ("scanner_class_share = 1.02\n", "scanner_class_share"),
        ("[prior.hit_exponent]\ntypical = 0.9\n", "table 'prior': is not known.*priors"),
        ("[priors\n", "not valid TOML"),
    ],
)
def test_prior_files(text, says, tmp_path):
    file = tmp_path / "priors.toml"
    file.write_text(text)
    with pytest.raises(InputFileError, match=says) as caught:
        read_priors(file)
    assert "priors.toml" in str(caught.value)


@pytest.mark.parametrize("share", [0.0, 0.01, 1.0])
def test_scanners_may_be_independent_or_all_alike(share, tmp_path):
    file = tmp_path / "priors.toml"
    file.write_text(f"scanner_class_share = {share}\n")
    assert read_priors(file).scanner_class_share == share


def test_a_prior_file_replaces_what_it_names(tmp_path):
    file = tmp_path / "priors.toml"
    file.write_text(
        'scanner_class_share = 0.2\n[priors.hit_exponent]\ntypical = 0.9\n[priors."dose:cabin-ct"]\n'
        "low = 50\ntypical = 80\nhigh = 120\n"
    )
    priors = read_priors(file)
    assert priors["hit_exponent"].is_known
    assert priors.scanner_class_share == 0.2
    assert priors["calibration_kerma"] == default_priors()["calibration_kerma"]
    model = trip_model(one(), priors)
    dose = model.dose_per_pass_ugy(np.zeros((1, len(model.inputs))), model.scanners[0])
    assert dose[0] == pytest.approx(80.0)
    assert model.draws(np.zeros((1, len(model.inputs)))).air_kerma_ugy[0, 0] == pytest.approx(80.0)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"samples": 10}, "samples"),
        ({"samples": 100.5}, "samples"),
        ({"rng": -1}, "rng"),
        ({"rng": "zero"}, "rng"),
    ],
)
def test_impossible_draws(options, says):
    with pytest.raises(ArgumentError, match=says):
        propagate(one(), **options)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"criterion": "none"}, "criterion"),
        ({"criterion": None}, "criterion"),
        ({"snr_target": 0.0}, "snr_target"),
        ({"scene_range": float("nan")}, "scene_range"),
        ({"peak_to_mean": 0.9}, "peak_to_mean"),
        ({"cost_under": 0.0}, "cost_under"),
        ({"cost_over": float("inf")}, "cost_over"),
    ],
)
def test_impossible_questions(options, says):
    with pytest.raises((ArgumentError, UnknownNameError), match=says):
        Question(**options)


def test_a_trip_without_rolls_and_a_roll_that_is_not_there():
    with pytest.raises(ArgumentError, match="at least one roll"):
        propagate([])
    with pytest.raises(UnknownNameError, match="roll"):
        propagate(one(), samples=64)["b"]
    with pytest.raises(UnknownNameError, match="roll"):
        learn(one(), FogReading(roll="b", base_plus_fog=0.3, control=0.2))


def test_a_source_without_a_range_to_draw_from():
    zero = Source(name="odd", air_kerma_low_ugy=0.0, air_kerma_typical_ugy=1.0, air_kerma_high_ugy=2.0)
    with pytest.raises(ArgumentError, match="above 0"):
        propagate(one(source=zero), samples=64)
    other = Source(name="odd", air_kerma_typical_ugy=3.0)
    passes = tuple(Pass(source=s) for s in (Source(name="odd", air_kerma_typical_ugy=1.0), other))
    with pytest.raises(ArgumentError, match="one dose for each scanner"):
        propagate([Roll(id="a", film=generic_film(400), history=History(passes=passes))], samples=64)


@pytest.mark.parametrize(
    ("options", "says"),
    [
        ({"base_plus_fog": -0.1}, "base_plus_fog"),
        ({"base_plus_fog": float("nan")}, "base_plus_fog"),
        ({"base_plus_fog": 40.0}, "base_plus_fog"),
        ({"base_plus_fog": 0.3, "error": 0.0}, "Read the same place several times"),
        ({"base_plus_fog": 0.3, "error": -0.1}, "error"),
        ({"base_plus_fog": 0.3, "control": float("inf")}, "control"),
        ({"base_plus_fog": 0.3, "control": 0.2, "known_base_plus_fog": 0.2}, "not both"),
        ({"base_plus_fog": 0.3, "where": "edge"}, "where"),
    ],
)
def test_impossible_readings(options, says):
    with pytest.raises((ArgumentError, UnknownNameError), match=says):
        FogReading(roll="a", **options)


def test_a_fog_below_nothing_or_above_the_film():
    with pytest.raises(ArgumentError, match="swapped"):
        learn(one(), FogReading(roll="a", base_plus_fog=0.20, control=0.30, error=0.01))
    with pytest.raises(ArgumentError, match="range of this film"):
        learn(one(), FogReading(roll="a", base_plus_fog=3.40, control=0.30, error=0.01))
    with pytest.raises(UnknownNameError, match="record"):
        learn(one(), FogReading(roll="a", base_plus_fog=0.3, control=0.2, record="green"))


def test_a_reading_of_nothing_within_its_error_is_fine_and_informative():
    model = trip_model(one(source="cabin-ct"))
    reading = FogReading(roll="a", base_plus_fog=0.32, control=0.30, error=0.02)
    learned = learn(model, reading)
    before, after = propagate(model, samples=4096)["a"], propagate(model, learned=learned, samples=4096)["a"]
    assert after.stops[2] < 0.8 * before.stops[2]


def test_reversal_film_loses_density():
    film = generic_film(100, kind="bw-reversal")
    dark = float(film.records[0].maximum_density())
    rolls = one(film)
    learned = learn(rolls, FogReading(roll="a", base_plus_fog=dark - 0.15, control=dark, error=0.02))
    assert learned.effective_draws > 200
    with pytest.raises(ArgumentError, match="swapped"):
        learn(rolls, FogReading(roll="a", base_plus_fog=dark + 0.15, control=dark, error=0.02))


def test_readings_that_contradict_the_prior_or_each_other():
    with pytest.raises(ContradictionError, match="contradict by far"):
        learn(one(generic_film(100), "cabin-xray"), FogReading(roll="a", base_plus_fog=1.5, control=0.3, error=0.01))
    history = History(passes=Pass(source="cabin-ct", scanner="x"))
    twins = [Roll(id=name, film=generic_film(400), history=history) for name in "ab"]
    readings = [
        FogReading(roll=r, base_plus_fog=0.3 + f, control=0.3, error=0.005) for r, f in (("a", 0.02), ("b", 0.5))
    ]
    with pytest.raises(ContradictionError, match="contradict each other"):
        learn(twins, readings)
    # the one that stays farthest off is named
    triplets = [*twins, replace(twins[0], id="c")]
    one_off = [
        replace(readings[0], roll=roll, base_plus_fog=0.3 + f) for roll, f in (("a", 0.1), ("b", 0.1), ("c", 0.6))
    ]
    with pytest.raises(ContradictionError, match=r"The fog of roll c.* stays"):
        learn(triplets, one_off)
    # one reading alone contradicts no other, however far off it stays
    with pytest.raises(ContradictionError, match=r"stays \d+\.\d standard errors off whatever is assumed") as caught:
        learn(one(generic_film(100), "cabin-xray"), FogReading(roll="a", base_plus_fog=1.5, control=0.3, error=0.01))
    assert "each other" not in str(caught.value)
    with pytest.warns(ValidityWarning, match="hardly agree"):
        learn(one(), FogReading(roll="a", base_plus_fog=1.0, control=0.3, error=0.01))


def test_a_dose_reading_of_a_roll_that_took_none():
    rolls = [Roll(id="a", film=generic_film(400))]
    with pytest.raises(ArgumentError, match="took a dose"):
        learn(rolls, DoseReading(roll="a", value=10.0))
    for bad in ({"value": 0.0}, {"value": "3 mRx"}, {"value": 1.0, "relative_error": 0.0}):
        with pytest.raises(ArgumentError):
            DoseReading(roll="a", **bad)


def test_nothing_to_learn_and_nothing_that_matters():
    roll = Roll(
        id="a",
        film=generic_film(400),
        history=History(passes=Pass(source="cabin-ct", air_kerma_ugy=50.0)),
        peak_to_mean=1.0,
    )
    model = trip_model([roll], default_priors().all_known())
    assert model.inputs == ()
    assert len(set(propagate(model, samples=64)["a"].stops)) == 1
    with pytest.raises(ArgumentError, match="to learn about"):
        learn(model, FogReading(roll="a", base_plus_fog=0.4, control=0.3))
    with pytest.raises(ArgumentError, match="uncertain"):
        tornado(model, "a")


@pytest.mark.parametrize("readings", [[], ["fog"], [3]])
def test_no_readings(readings):
    with pytest.raises(ArgumentError, match="FogReading"):
        learn(one(), readings)
    with pytest.raises(ArgumentError, match="at least one"):
        learn(one())


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "has no reading"),
        ('[[reading]]\nroll = "a"\n', "field 'base_plus_fog': is missing"),
        ("[[reading]]\nbase_plus_fog = 0.3\n", "field 'roll': is missing"),
        ("[[reading]]\nroll = 3\nbase_plus_fog = 0.3\n", "a roll id in quotes"),
        ('[[reading]]\nroll = "a"\nbase_plus_fog = 0.3\nfogg = 0.1\n', "field 'fogg': is not known"),
        ('[[reading]]\nroll = "a"\nbase_plus_fog = 0.3\nerror = 0\n', "reading number 1"),
        (
            '[[reading]]\nroll = "a"\nkind = "badge"\nvalue = "3 bananas"\n',
            "reading number 1, field 'value': .*bananas",
        ),
        ('[[reading]]\nroll = "a"\nkind = "badge"\nvalue = "3 mrem"\nquantity = "hp10"\n', "Did you mean hp10-"),
        (
            '[[reading]]\nroll = "a"\nkind = "badge"\nvalue = "3 mrem"\nquantity = "air-kerma"\n',
            "gray, rad or roentgen",
        ),
        ('[[reading]]\nroll = "a"\nkind = "badge"\nvalue = "3 mR"\nunit = "mR"\n', "field 'unit': stands beside"),
        ('[[reading]]\nroll = "a"\nkind = "badge"\nvalue = 0\n', "field 'value': .*above 0"),
        ('[[reading]]\nroll = "a"\nkind = "badge"\n', "field 'value': is missing"),
        (
            '[[reading]]\nroll = "a"\nkind = "badge"\nvalue = 1\nerror = 0.1\n',
            "'error': belongs to a reading of kind 'fog'",
        ),
        (
            '[[reading]]\nroll = "a"\nbase_plus_fog = 0.3\nquantity = "hstar10"\n',
            "belongs to a reading of kind 'badge'",
        ),
        ('[reading]\nroll = "a"\n', "once for each reading"),
        ('[[fog]]\nroll = "a"\n', "allowed are reading"),
        ("reading = [", "not valid TOML"),
    ],
)
def test_reading_files(text, says, tmp_path):
    file = tmp_path / "readings.toml"
    file.write_text(text)
    with pytest.raises(InputFileError, match=says):
        read_readings(file)


def test_a_good_reading_file(tmp_path):
    file = tmp_path / "readings.toml"
    file.write_text(
        '[[reading]]\nroll = "a"\nbase_plus_fog = 0.4\ncontrol = 0.3\nerror = 0.01\nwhere = "worst"\n'
        'date = 2026-05-01\nnote = "clip"\n[[reading]]\nroll = "a"\nkind = "badge"\nvalue = "1 mR"\n'
        '[[reading]]\nroll = "a"\nkind = "badge"\nvalue = 63\nunit = "mrem"\nquantity = "hp10-phantom"\n'
    )
    fog, dose, badge = read_readings(file)
    day = datetime.date(2026, 5, 1)
    assert fog == FogReading(roll="a", base_plus_fog=0.4, control=0.3, error=0.01, where="worst", date=day, note="clip")
    assert isinstance(dose, DoseReading)
    # 1 mR is 8.764 uGy; 1 mrem is 10 uSv, and Hp(10) on a phantom is about 1.9 Sv/Gy (check values, sections 4 and 5)
    assert dose.kerma.air_kerma_ugy == pytest.approx(8.764, abs=0.001)
    assert badge.kerma.air_kerma_ugy == pytest.approx(630 / 1.9, rel=0.02)  # "about"


@pytest.mark.few(5)
@pytest.mark.parametrize(
    ("change", "says"),
    [
        (lambda data: data.update(format="other"), "does not hold"),
        (lambda data: data.update(version=99), "version"),
        (lambda data: data["inputs"][0].pop("scores"), "field 'scores': is missing"),
        (lambda data: data["inputs"][0].update(scores=[]), "has inputs of"),
        (lambda data: data["inputs"][0].update(scores=["x"] * 100), "'scores': got"),
        (lambda data: data.pop("title"), "field 'title': is missing"),
        (lambda data: [row.update(scores=[0.1]) for row in data["inputs"]], "at least 100"),
        (lambda data: data.update(inputs=[]), "must be written"),
        (lambda data: data.pop("inputs"), "has inputs of no scores"),
        (lambda data: data["inputs"][0].update(scores=[41.0] * 100), "beyond 40"),
        (lambda data: data["inputs"][0].update(scores=[float("nan")] * 100), "'scores'"),
        (lambda data: data["inputs"][0].update(prior=["normal", 3, 2, 1]), "low <= typical <= high"),
        (lambda data: data["inputs"][0].update(prior=["normal"]), "a list of kind"),
        (lambda data: data["inputs"][0].update(prior=[[], "a", None, {}]), "'prior'|kind"),
        (lambda data: data.update(draws=float("inf")), "field 'draws'"),
        (lambda data: data.update(draws=-5), "field 'draws'"),
        (lambda data: data.update(effective_draws=float("nan")), "field 'effective_draws'"),
        (lambda data: data.update(probability=-0.5), "field 'probability'"),
        (lambda data: data.update(probability=1.5), "field 'probability'"),
        (lambda data: data.update(probability=10**400), "field 'probability'"),
        (lambda data: data.update(readings="none"), "field 'readings'"),
        (lambda data: data.update(surprise=1), "'surprise' is not known|'surprise': is not known"),
    ],
)
def test_damaged_files_of_what_was_learnt(change, says, tmp_path):
    learned = learn(one(), FogReading(roll="a", base_plus_fog=0.4, control=0.3))
    file = save_learned(learned, tmp_path / "learned.json", samples=100)
    data = json.loads(file.read_text())
    change(data)
    file.write_text(json.dumps(data))
    with pytest.raises(InputFileError, match=says):
        read_learned(file)


@pytest.mark.parametrize("error", ["fog_error", "dose_error"])
def test_a_reading_without_error_narrows_nothing_that_could_be_told(error):
    with pytest.raises(ArgumentError, match=error):
        narrowing(one(), "a", **{error: 0.0})


def test_a_small_error_of_the_dose_is_taken_and_leaves_less_open():
    small, usual = (narrowing(one(), "a", dose_error=error, samples=4096).table for error in (0.01, 0.2))
    (scanner,) = (action for action in usual.index if "type of scanner" in action)
    assert small.loc[scanner, "width_stops"] < usual.loc[scanner, "width_stops"]


def test_every_field_of_what_was_learnt_is_asked_for(tmp_path):
    learned = learn(one(), FogReading(roll="a", base_plus_fog=0.4, control=0.3), samples=512)
    file = save_learned(learned, tmp_path / "learned.json", samples=100)
    whole = json.loads(file.read_text())
    top = [name for name in whole if name not in ("inputs", "scanner_class_share")]
    assert len(top) == 7
    for place, names in (("", top), ("inputs", list(whole["inputs"][0]))):
        for name in names:
            data = json.loads(json.dumps(whole))
            (data["inputs"][0] if place else data).pop(name)
            file.write_text(json.dumps(data))
            with pytest.raises(InputFileError, match=f"'{name}'|does not hold"):
                read_learned(file)


def test_what_was_learnt_under_other_priors_is_not_mixed_in(tmp_path):
    rolls = one()
    learned = read_learned(
        save_learned(learn(rolls, FogReading(roll="a", base_plus_fog=0.4, control=0.3)), tmp_path / "l")
    )
    changed = default_priors().replaced(calibration_kerma=Prior(low=5.0, typical=25.0, high=100.0))
    with pytest.raises(ArgumentError, match=r"prior of calibration_kerma.*Learn again"):
        propagate(rolls, priors=changed, learned=learned, samples=64)
    # The class of scanners goes on to other trips, so its share must be the one that was learnt with.
    with pytest.raises(ArgumentError, match="scanner_class_share"):
        propagate(rolls, priors=Priors(default_priors().entries, 0.9), learned=learned, samples=64)


def test_files_that_cannot_be_read_or_written(tmp_path):
    for reader in (read_learned, read_readings, read_priors):
        with pytest.raises(InputFileError, match="cannot be read"):
            reader(tmp_path / "none")
    learned = learn(one(), FogReading(roll="a", base_plus_fog=0.4, control=0.3))
    with pytest.raises(OutputFileError):
        save_learned(learned, tmp_path / "nowhere" / "learned.json")
    (tmp_path / "text.json").write_text("{")
    with pytest.raises(InputFileError, match="not valid JSON"):
        read_learned(tmp_path / "text.json")


@pytest.mark.parametrize(
    ("scores", "weights"),
    [
        (np.zeros((3, 2)), np.ones(3)),
        (np.zeros((3, 1)), np.ones(2)),
        (np.zeros((3, 1)), np.zeros(3)),
        (np.full((3, 1), np.nan), np.ones(3)),
        (np.zeros((0, 1)), np.ones(0)),
    ],
)
def test_draws_that_do_not_fit(scores, weights):
    with pytest.raises(ArgumentError):
        Learned(
            names=("hit_exponent",),
            trip_only=(False,),
            scores=scores,
            weights=weights,
            points=(("normal", 0.6, 0.8, 1.0),),
            scanner_class_share=0.5,
            title="",
            readings=(),
            probability=1.0,
        )
