"""Learning against a conjugate log-normal case in closed form, and against quadrature on a grid."""

from __future__ import annotations

import json
import math

import numpy as np
import pytest
from scipy.stats import norm

from filmdose.errors import ArgumentError, ValidityWarning
from filmdose.film.generic import calibrated_hits_per_ugy, generic_film
from filmdose.history import History, Pass
from filmdose.odds import (
    DoseReading,
    FogReading,
    Prior,
    default_priors,
    learn,
    propagate,
    read_learned,
    save_learned,
    trip_model,
    weighted_quantile,
)
from filmdose.odds.learning import _mixture
from filmdose.radiation.sources import Source
from filmdose.trip import Roll, Trip

#: Everything known but kappa and the doses, these with symmetric log-normals.
SYMMETRIC = default_priors().all_known().replaced(calibration_kerma=Prior(low=12.5, typical=25.0, high=50.0))
#: A film whose speed is that on its box.
TRUE_TO_BOX = default_priors().replaced(true_speed=1.0)
S_KAPPA = math.log(2.0) / norm.ppf(0.95)
S_DOSE = math.log(5.0) / norm.ppf(0.95)


#: A class of scanners of which little is known, with its kerma at the film; the shipped ones have walls before them.
SCANNER = Source(
    name="cabin-ct",
    air_kerma_low_ugy=20.0,
    air_kerma_typical_ugy=100.0,
    air_kerma_high_ugy=1000.0,
    at="film",
    class_share=0.5,
)


def machine(typical=100.0):
    return Source(
        name="test machine",
        air_kerma_low_ugy=typical / 5,
        air_kerma_typical_ugy=typical,
        air_kerma_high_ugy=typical * 5,
        at="film",
    )


def one_roll(speed=400.0, typical=100.0, name="a"):
    return Roll(id=name, film=generic_film(speed), history=History(passes=Pass(source=machine(typical))))


def moments(learned, *columns):
    values = np.stack(columns)
    mean = values @ learned.weights
    centred = values - mean[:, None]
    return mean, (centred * learned.weights) @ centred.T


def test_a_dose_reading_is_the_conjugate_log_normal():
    """ln dose ~ N(ln 100, s**2), ln reading ~ N(ln dose, r**2): precisions add, kappa stays as it was."""
    model = trip_model([one_roll()], SYMMETRIC)
    learned = learn(model, DoseReading(roll="a", value=220.0, relative_error=math.sqrt(math.expm1(0.09))))
    log_dose = np.log(model.dose_per_pass_ugy(learned.scores, model.scanners[0]))
    mean, covariance = moments(learned, log_dose, model.log_kappa(learned.scores))
    precision = 1.0 / S_DOSE**2 + 1.0 / 0.3**2
    expected = (math.log(100.0) / S_DOSE**2 + math.log(220.0) / 0.3**2) / precision
    assert mean[0] == pytest.approx(expected, abs=0.01)
    assert covariance[0, 0] == pytest.approx(1.0 / precision, rel=0.03)
    assert covariance[1, 1] == pytest.approx(S_KAPPA**2, rel=0.03)
    assert mean[1] == pytest.approx(math.log(calibrated_hits_per_ugy()), abs=0.02)
    assert learned.correlation() == pytest.approx(0.0, abs=0.03)
    surprise = (math.log(220.0) - math.log(100.0)) ** 2 / (S_DOSE**2 + 0.3**2)
    assert learned.probability == pytest.approx(2.0 * norm.sf(math.sqrt(surprise)), rel=1e-3)


def test_a_small_fog_is_the_conjugate_log_normal_of_kappa_times_dose():
    """At few hits fog = c kappa dose; a reading with a small relative error r is log-normal in the product.

    With s**2 = s_kappa**2 + s_dose**2 + r**2 the posterior mean of ln kappa moves by s_kappa**2 / s**2 of the
    surprise, its variance is s_kappa**2 (1 - s_kappa**2 / s**2), and so on: a plane in ln kappa and ln dose.
    """
    roll = one_roll(speed=50.0, typical=0.05)
    model = trip_model([roll], SYMMETRIC)
    record = roll.film.records[0]
    typical = float(record.fog_density(0.05))
    measured, error = 1.8 * typical, 0.06 * 1.8 * typical
    base = float(record.minimum_density())
    # The two readings of fog and control share the error.
    reading = FogReading(roll="a", base_plus_fog=base + measured, control=base, error=error / math.sqrt(2.0))
    learned = learn(model, reading, samples=2**17)
    log_kappa = model.log_kappa(learned.scores)
    log_dose = np.log(model.dose_per_pass_ugy(learned.scores, model.scanners[0]))
    mean, covariance = moments(learned, log_kappa, log_dose)
    r = 0.06
    total = S_KAPPA**2 + S_DOSE**2 + r**2
    # A normal error about the fog is log-normal to second order in r; its mean lies r**2 / 2 ... r**2 off.
    surprise = math.log(1.8)
    assert mean[0] - math.log(calibrated_hits_per_ugy()) == pytest.approx(S_KAPPA**2 / total * surprise, abs=0.02)
    assert mean[1] - math.log(0.05) == pytest.approx(S_DOSE**2 / total * surprise, abs=0.02)
    assert covariance[0, 0] == pytest.approx(S_KAPPA**2 * (1.0 - S_KAPPA**2 / total), rel=0.04)
    assert covariance[1, 1] == pytest.approx(S_DOSE**2 * (1.0 - S_DOSE**2 / total), rel=0.04)
    assert covariance[0, 1] == pytest.approx(-(S_KAPPA**2) * S_DOSE**2 / total, rel=0.04)
    product = log_kappa + log_dose
    spread = moments(learned, product)[1][0, 0]
    assert spread == pytest.approx((S_KAPPA**2 + S_DOSE**2) * r**2 / total, rel=0.06)
    # Width of the product: known to r, while kappa alone has hardly narrowed.
    summary = learned.to_dataframe()
    assert summary.loc[f"kappa * {model.scanners[0]}", "narrowed"] > 0.9
    assert summary.loc["kappa", "narrowed"] < 0.15


@pytest.mark.few(3)
@pytest.mark.filterwarnings("ignore:The readings .* hardly agree")  # a fog of nothing after a CT is unlikely indeed
@pytest.mark.parametrize("fog", [-0.01, 0.0, 0.15, 0.8])
def test_a_fog_reading_against_quadrature(fog):
    """Two-piece priors and the curved fog of a fast film: the posterior by sums over a fine grid of both scores."""
    priors = default_priors()
    known = priors.all_known().replaced(calibration_kerma=priors["calibration_kerma"])
    film = generic_film(1600)
    roll = Roll(id="a", film=film, history=History(passes=Pass(source=SCANNER)))
    model = trip_model([roll], known)
    error = 0.02
    z = np.linspace(-5.0, 5.0, 401)
    mass = np.exp(-0.5 * z**2)
    kerma = known["calibration_kerma"].value(z)[:, None]
    dose = Prior(low=20.0, typical=100.0, high=1000.0).value(z)[None, :]
    predicted = np.asarray(film.records[0].fog_density(dose * 25.0 / kerma))
    posterior = mass[:, None] * mass[None, :] * np.exp(-0.5 * ((fog - predicted) / error) ** 2)
    posterior /= posterior.sum()
    reading = FogReading(roll="a", base_plus_fog=0.5 + fog, control=0.5, error=error / math.sqrt(2.0))
    learned = learn(model, reading, samples=2**16)
    log_dose = np.log(model.dose_per_pass_ugy(learned.scores, model.scanners[0]))
    log_kerma = np.log(known["calibration_kerma"].value(learned.scores[:, model.position["calibration_kerma"]]))
    mean, covariance = moments(learned, log_dose, log_kerma)
    for place, grid in enumerate((np.broadcast_to(np.log(dose), posterior.shape), np.log(kerma) + 0.0 * dose)):
        expected = float(np.sum(posterior * grid))
        spread = math.sqrt(float(np.sum(posterior * (grid - expected) ** 2)))
        assert mean[place] == pytest.approx(expected, abs=0.03 * spread + 0.005)
        assert math.sqrt(covariance[place, place]) == pytest.approx(spread, rel=0.03)
    assert learned.effective_draws > 1000


def test_what_was_nearly_known_narrows_by_the_same_rule():
    """Normal in the logarithm: a reading with error r leaves r / sqrt(s**2 + r**2) of a spread s, however small."""
    known = Source(
        name="known", air_kerma_low_ugy=98.0, air_kerma_typical_ugy=100.0, air_kerma_high_ugy=1e4 / 98.0, at="film"
    )
    rolls = [Roll(id="a", film=generic_film(400), history=History(passes=Pass(source=known)))]
    spread = math.log(100.0 / 98.0) / norm.ppf(0.95)
    reading = DoseReading(roll="a", value=100.0, relative_error=spread)
    learned = learn(trip_model(rolls, SYMMETRIC), reading, samples=2**15)
    narrowed = learned.to_dataframe().loc["dose[known @ this trip]", "narrowed"]
    assert narrowed == pytest.approx(1.0 - math.sqrt(0.5), abs=0.02)


def test_a_reading_of_next_to_no_dose_is_a_reading():
    weak = Source(name="weak", air_kerma_low_ugy=0.01, air_kerma_typical_ugy=0.02, air_kerma_high_ugy=0.04, at="film")
    rolls = [Roll(id="a", film=generic_film(400), history=History(passes=Pass(source=weak)))]
    reading = DoseReading(roll="a", value=0.03, relative_error=0.1)
    learned = learn(trip_model(rolls, SYMMETRIC), reading, samples=1024)
    assert learned.to_dataframe().loc["dose[weak @ this trip]", "narrowed"] > 0.5


def rolls_of(*pairs):
    return [Roll(id=name, film=generic_film(speed), history=history) for name, speed, history in pairs]


def fog_reading(roll, fog, error=0.01):
    return FogReading(roll=roll, base_plus_fog=0.3 + fog, control=0.3, error=error)


def test_the_other_rolls_need_the_product_only():
    """The interval of a second roll narrows although neither kappa nor the dose is known."""
    history = History(passes=Pass(source=SCANNER, scanner="x"))
    model = trip_model(rolls_of(("a", 400, history), ("b", 400, history)), TRUE_TO_BOX)
    learned = learn(model, fog_reading("a", 0.12))
    before, after = propagate(model, samples=2**14)["b"], propagate(model, learned=learned, samples=2**14)["b"]
    assert after.stops[2] - after.stops[0] < 0.25 * (before.stops[2] - before.stops[0])
    assert learned.correlation() < -0.75
    assert learned.to_dataframe().loc["kappa", "narrowed"] < 0.15


@pytest.mark.long
def test_rolls_of_different_speed_inform_b():
    history = History(passes=Pass(source=SCANNER, scanner="x"))
    priors = default_priors().replaced(film_factor=1.0, true_speed=1.0)
    model = trip_model(rolls_of(("slow", 100, history), ("fast", 3200, history)), priors)
    truth = [float(generic_film(s, hit_exponent=0.95).records[0].fog_density(300.0)) for s in (100, 3200)]
    one = learn(model, fog_reading("slow", truth[0]))
    both = learn(model, [fog_reading("slow", truth[0]), fog_reading("fast", truth[1])])
    sharp = learn(model, [fog_reading("slow", truth[0], 0.003), fog_reading("fast", truth[1], 0.003)])
    narrowed = [item.to_dataframe().loc["hit_exponent", "narrowed"] for item in (one, both, sharp)]
    assert narrowed[0] < 0.05
    assert narrowed[1] > 0.3
    assert narrowed[2] > 0.6
    b = sharp.to_dataframe().loc["hit_exponent"]
    assert b["low"] < 0.95 < b["high"]


def test_rolls_with_different_passes_separate_the_scanners():
    first, second = Pass(source=SCANNER, scanner="x"), Pass(source=SCANNER, scanner="y")
    model = trip_model(rolls_of(("one", 400, History(passes=first)), ("two", 400, History(passes=(first, second)))))
    together = learn(model, fog_reading("two", 0.15))
    apart = learn(model, [fog_reading("two", 0.15), fog_reading("one", 0.05)])
    names = [f"kappa * dose[cabin-ct @ {scanner}]" for scanner in ("x", "y")]
    before, after = (item.to_dataframe().loc[names] for item in (together, apart))
    assert before["typical"].iloc[0] == pytest.approx(before["typical"].iloc[1], rel=0.05)
    assert after["typical"].iloc[0] < 0.6 * after["typical"].iloc[1]
    assert (after["narrowed"] > before["narrowed"] + 0.15).all()


def test_only_a_dose_reading_tells_kappa_and_later_trips_gain_from_it():
    here = Trip(
        title="first",
        rolls=tuple(rolls_of(("a", 400, History(passes=Pass(source=SCANNER, scanner="x", count=2))))),
    )
    known = Source(name="known", air_kerma_typical_ugy=300.0, at="film")
    later = Trip(
        title="second",
        rolls=tuple(rolls_of(("later", 100, History(passes=Pass(source=known))))),
    )
    here, model = (trip_model(trip, TRUE_TO_BOX) for trip in (here, later))
    fog = fog_reading("a", 0.20)
    without = learn(here, fog)
    having = learn(here, [fog, DoseReading(roll="a", value=250.0, relative_error=0.1)])
    assert without.to_dataframe().loc["kappa", "narrowed"] < 0.15
    assert having.to_dataframe().loc["kappa", "narrowed"] > 0.4
    assert having.correlation() > without.correlation() + 0.3
    widths = []
    for taught in (None, without, having):
        stops = propagate(model, learned=taught, samples=2**14)["later"].stops
        widths.append(stops[2] - stops[0])
    assert widths[1] > 0.88 * widths[0]
    assert widths[2] < 0.9 * widths[0]


def test_a_later_trip_through_the_same_class_gains_by_what_scanners_of_a_class_have_in_common():
    from dataclasses import replace

    history = History(passes=Pass(source=SCANNER, scanner="x"))
    here = Trip(title="first", rolls=tuple(rolls_of(("a", 400, history))))
    later = Trip(title="second", rolls=tuple(rolls_of(("b", 100, history))))
    ratio = {}
    for share in (0.0, 0.5):
        priors = replace(default_priors(), scanner_class_share=share)
        learned = learn(here, fog_reading("a", 0.10), priors=priors)
        before = propagate(later, priors=priors, samples=2**14)["b"].stops
        after = propagate(later, priors=priors, learned=learned, samples=2**14)["b"].stops
        ratio[share] = (after[2] - after[0]) / (before[2] - before[0])
    assert ratio[0.0] > 0.9
    assert ratio[0.5] < ratio[0.0] - 0.05


def test_what_belongs_to_a_trip_stays_there():
    history = History(passes=Pass(source=SCANNER, scanner="x"))
    here = Trip(title="first", rolls=tuple(rolls_of(("a", 400, history))))
    learned = learn(here, fog_reading("a", 0.10))
    same, other, nameless = (trip_model(Trip(title=title, rolls=here.rolls)) for title in ("first", "second", ""))
    carried = [learned.matched(model) for model in (same, other, nameless)]
    assert all(item is not None for item in carried)
    counts = [len(item[0]) for item in carried if item is not None]
    assert counts[0] == len(learned.names)
    assert counts[1] == counts[2] == sum(not only for only in learned.trip_only)


def test_scanners_bands_and_development_belong_to_a_trip():
    history = History(passes=Pass(source="cabin-ct", scanner="x", shield="lead=0.2"))
    model = trip_model([Roll(id="a", film=generic_film(400), history=history)])
    stays = {item.name for item in model.inputs if item.trip_only}
    assert stays == {"film_contrast[bw-negative]", "dose[cabin-ct @ x]", "unevenness[a]"}
    goes_on = {"calibration_kerma", "hit_exponent", "film_factor[bw-negative ISO 400]", "dose[cabin-ct]", "eta_low"}
    assert goes_on <= set(model.position) - stays


def test_draws_read_from_a_file_weigh_alike(tmp_path):
    learned = learn(rolls_of(("a", 400, History(passes=Pass(source=SCANNER)))), fog_reading("a", 0.10), samples=1024)
    kept = read_learned(save_learned(learned, tmp_path / "learned.json", samples=128))
    np.testing.assert_allclose(kept.weights, 1.0 / 128.0, rtol=1e-12)


@pytest.mark.filterwarnings("ignore:Only .* draws count")
def test_no_fog_is_darker_than_the_film_can_be():
    (roll,) = rolls_of(("a", 400, History(passes=Pass(source=SCANNER, count=40))))
    (record,) = roll.film.records
    darkest = float(record.maximum_density() - record.minimum_density()) + 0.03  # three of its errors
    assert learn([roll], fog_reading("a", darkest - 0.05), samples=256).effective_draws > 1.0
    with pytest.raises(ArgumentError, match="the range of this film"):
        learn([roll], fog_reading("a", darkest + 0.05), samples=256)


@pytest.mark.long
def test_a_file_gives_back_what_was_learnt(tmp_path):
    history = History(passes=Pass(source=SCANNER, scanner="x"))
    trip = Trip(title="first", rolls=tuple(rolls_of(("a", 400, history), ("b", 1600, history))))
    learned = learn(trip, fog_reading("a", 0.10))
    path = save_learned(learned, tmp_path / "learned.json")
    kept = read_learned(path)
    assert (kept.names, kept.title, kept.readings) == (learned.names, learned.title, learned.readings)
    assert kept.effective_draws == pytest.approx(learned.effective_draws)
    for column in range(len(kept.names)):
        for p in (0.05, 0.5, 0.95):
            ours = weighted_quantile(learned.scores[:, column], p, learned.weights)
            assert weighted_quantile(kept.scores[:, column], p) == pytest.approx(ours, abs=0.1)
    pair = [propagate(trip, learned=item, samples=2**14)["b"].stops for item in (learned, kept)]
    np.testing.assert_allclose(*pair, rtol=0.05)
    assert json.loads(path.read_text(encoding="utf-8"))["format"] == "filmdose learned"


def test_readings_of_the_trip_itself_are_used():
    history = History(passes=Pass(source=SCANNER, scanner="x"))
    known = FogReading(base_plus_fog=0.40, known_base_plus_fog=0.30, error=0.01)
    roll = Roll(id="a", film=generic_film(400), history=history, readings=(known,))
    learned = learn([roll], samples=4096)
    same = learn([roll], FogReading(roll="a", base_plus_fog=0.40, known_base_plus_fog=0.30, error=0.01), samples=4096)
    np.testing.assert_array_equal(learned.weights, same.weights)
    # A known value in place of a control is less sure, so it teaches less.
    control = learn([roll], FogReading(roll="a", base_plus_fog=0.40, control=0.30, error=0.01))
    name = "kappa * dose[cabin-ct @ x]"
    assert control.to_dataframe().loc[name, "narrowed"] > learned.to_dataframe().loc[name, "narrowed"]


@pytest.mark.long
def test_later_readings_on_top_of_earlier_ones():
    history = History(passes=Pass(source=SCANNER, scanner="x"))
    trip = Trip(title="first", rolls=tuple(rolls_of(("a", 400, history), ("b", 400, history))))
    readings = [fog_reading("a", 0.10, error=0.02), fog_reading("b", 0.12, error=0.02)]
    at_once = learn(trip, readings)
    step = learn(trip, readings[1], learned=learn(trip, readings[0], samples=2**17), samples=2**17)
    name = "kappa * dose[cabin-ct @ x]"
    for column in ("low", "typical", "high"):
        assert step.to_dataframe().loc[name, column] == pytest.approx(
            at_once.to_dataframe().loc[name, column], rel=0.04
        )


def test_sharp_readings_warn_that_few_draws_count():
    history = History(passes=tuple(Pass(source=SCANNER, scanner=name) for name in "uvwxyz"))
    rolls = rolls_of(*((str(speed), speed, history) for speed in (100, 400, 1600)))
    readings = [fog_reading(str(speed), fog, error=0.002) for speed, fog in ((100, 0.1), (400, 0.27), (1600, 0.65))]
    with pytest.warns(ValidityWarning, match="draws count"):
        learn(rolls, readings, samples=256)


@pytest.mark.parametrize("distance", [0.0, 2.0, 8.0])
def test_the_weights_of_proposed_draws_have_the_prior_as_their_mean(distance):
    """The mean of prior over proposal is the prior's whole mass, 1, wherever the readings point."""
    rng = np.random.default_rng(5)
    scores, log_weights = _mixture(np.array([distance, 0.0]), 0.2 * np.eye(2), 8192, rng)
    weights = np.exp(log_weights)
    assert weights.mean() == pytest.approx(1.0, abs=0.01)
    np.testing.assert_allclose(weights @ scores / weights.size, 0.0, atol=0.03)  # and its mean, 0
