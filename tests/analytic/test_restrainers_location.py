"""Restrainers by factors of one's own, the test that finds them, and work on location."""

import datetime

import numpy as np
import pandas as pd
import pytest

import filmdose as fd
from filmdose.development import (
    RestrainerPair,
    Solution,
    StripReading,
    evaluate_strips,
    fit_temperature,
    plan_development,
    read_strips,
    restrain,
)
from filmdose.errors import ArgumentError, InputFileError
from filmdose.trip import Leg

MADE_UP = RestrainerPair(fog_factor=0.5, speed_factor=0.7)  # invented: nobody has published a pair


def test_a_restrainer_that_does_nothing_gains_and_loses_nothing():
    found = restrain(400, 100.0, RestrainerPair(fog_factor=1.0, speed_factor=1.0))
    assert found.snr_worst == found.snr_best == found.snr_without
    assert (found.printing_stops_saved, found.speed_stops_lost) == (0.0, 0.0)


def test_gain_and_loss_are_those_of_the_curve():
    record = fd.generic_film(400).records[0]
    found = restrain(400, 100.0, MADE_UP)
    fog = record.fog_density(100.0)
    assert found.fog_restrained == pytest.approx(0.5 * fog)
    assert found.printing_stops_saved == pytest.approx(0.5 * fog / np.log10(2.0))
    assert found.speed_stops_lost == pytest.approx(np.log2(1.0 / 0.7))
    # worst: as if the roll had been shot at the faster index on the same fogged curve
    point = np.log10(0.8 / 400)
    worst = record.signal_to_noise(point + np.log10(0.7), 100.0) / record.signal_to_noise(point)
    assert found.snr_worst == pytest.approx(worst, rel=1e-6)
    assert found.snr_worst < found.snr_best < 1.0
    assert any("cannot tell it from the image" in note for note in found.notes)


def test_strips_give_back_the_pair_and_errors_that_hold():
    """Simulated readings with known scatter: two standard errors hold the truth in about 95 % of cases."""
    rng, held, runs = np.random.default_rng(3), np.zeros(2), 300
    for _ in range(runs):
        base = 0.20 + 0.02 * rng.standard_normal()
        rows = []
        for restrained, density, point in ((False, 0.60, -2.60), (True, 0.44, -2.45)):
            for _ in range(3):
                read = (density + 0.02 * rng.standard_normal(), point + 0.05 * rng.standard_normal())
                rows.append(StripReading(restrained=restrained, base_plus_fog=read[0], log_speed_point=read[1]))
        pair, _ = evaluate_strips(rows, base)
        held += (
            abs(pair.fog_factor - 0.6) < 2.0 * pair.fog_error,
            abs(pair.speed_factor - 10**-0.15) < 2.0 * pair.speed_error,
        )
    assert np.all((held / runs > 0.92) & (held / runs < 0.995))


def test_strips_from_a_table_and_a_file(tmp_path):
    rows = [("no", 0.42, -2.60, 0.60), ("yes", 0.34, -2.46, 0.50)]
    path = tmp_path / "strips.csv"
    lines = ["restrained,base_plus_fog,log_speed_point,contrast", *(",".join(map(str, row)) for row in rows)]
    path.write_text("\n".join(lines), encoding="utf-8")
    pair, notes = evaluate_strips(read_strips(path), 0.20)
    frame = pd.DataFrame(rows, columns=["restrained", "base_plus_fog", "log_speed_point", "contrast"])
    frame["restrained"] = frame["restrained"] == "yes"
    assert evaluate_strips(frame, 0.20)[0] == pair
    assert pair.fog_factor == pytest.approx(0.14 / 0.22)
    assert any("part of what it did is shorter development" in note for note in notes)
    path.write_text(path.read_text("utf-8").replace("yes", "maybe"), encoding="utf-8")
    with pytest.raises(InputFileError, match="line 3: has 'maybe'"):
        read_strips(path)
    path.write_text("a,b\n1,2\n", encoding="utf-8")
    with pytest.raises(InputFileError, match="no column restrained"):
        read_strips(path)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: RestrainerPair(fog_factor=0.0, speed_factor=1.0), "fog_factor: got 0.0"),
        (lambda: RestrainerPair(fog_factor=0.5, speed_factor=1.5), "speed_factor: got 1.5"),
        (lambda: restrain(fd.generic_film(100, kind="colour-negative"), 10.0, MADE_UP), "Colour processes"),
        (
            lambda: evaluate_strips([StripReading(restrained=True, base_plus_fog=0.4, log_speed_point=-2.5)], 0.2),
            "none without",
        ),
        (
            lambda: evaluate_strips(
                [StripReading(restrained=r, base_plus_fog=0.22, log_speed_point=-2.5) for r in (True, False)], 0.2
            ),
            "Take a roll that is fogged",
        ),
        (lambda: Solution.parse("developer"), "solution: got 'developer'"),
        (lambda: Solution.parse("fixer=-5"), "ml_per_tank: got -5"),
        (lambda: plan_development([fd.Roll(id="a", film=fd.generic_film(400))], tank_rolls=2), "Not exposed yet: a"),
    ],
)
def test_bad_input(call, says):
    with pytest.raises(ArgumentError, match=says):
        call()


# -- on location -------------------------------------------------------------------------------------------------------


def roll(name, speed, *, kind="bw-negative", **others):
    return fd.Roll(id=name, film=fd.generic_film(speed, kind=kind), state=others.pop("state", "exposed"), **others)


ROLLS = (
    roll("slow", 100),
    roll("fast", 1600),
    roll("dear", 400, importance=5),
    roll("plain", 400, importance=2),
    roll("more", 400),
    roll("trial", 400, importance=1),
    roll("colour", 400, kind="colour-negative"),
    roll("slide", 100, kind="colour-reversal"),
    roll("blank", 400, state="unexposed"),
    roll("done", 400, developed=datetime.date(2026, 5, 1)),
)


def test_the_test_roll_goes_first_and_then_what_a_scan_would_cost_most():
    plan = plan_development(ROLLS, tank_rolls=2, solutions=[Solution(name="developer", ml_per_tank=500)])
    assert plan.batches[0].rolls == ("trial",)
    assert plan.batches[0].test
    assert [batch.rolls for batch in plan.batches[1:]] == [("fast",), ("dear", "more"), ("plain",), ("slow",)]
    assert plan.roll_count == 6
    assert plan.volumes == (("developer", 2500.0),)
    said = " ".join(plan.notes)
    for name in ("colour is colour negative", "slide is", "Not exposed yet: blank", "done is developed already"):
        assert name in said
    frame = plan.to_dataframe()
    assert frame.roll.tolist() == ["trial", "fast", "dear", "more", "plain", "slow"]
    assert frame.batch.tolist() == [1, 2, 3, 3, 4, 5]


def test_rolls_that_nothing_awaits_wait():
    leg = Leg(source="cabin-ct", rolls=("slow",))
    plan = plan_development(fd.Trip(rolls=ROLLS[:2], legs=(leg,)), tank_rolls=1)
    assert [batch.rolls for batch in plan.batches] == [("fast",), ("slow",)]  # the one without risk is the test
    assert plan.batches[0].risk == 0.0


def test_volumes_go_by_tank_or_by_capacity():
    fixer = Solution.parse("fixer=600@8")
    assert fixer.needed_ml(3, 6) == 750.0
    assert fixer.needed_ml(3, 2) == 600.0
    assert Solution.parse("developer=600").needed_ml(3, 6) == 1800.0


def test_time_has_the_error_of_pairs_and_thermometer():
    times = fit_temperature([20.0, 22.0, 24.0], [8.0, 6.9, 6.0])
    plan = plan_development(ROLLS, tank_rolls=2, temperature_c=23.0, temperature_error_c=1.0, times=times)
    time, error = times.time_at(23.0)
    by_degree = (times.time_at(22.5)[0] - times.time_at(23.5)[0]) / 1.0
    assert plan.time_min == time
    assert plan.time_error_min == pytest.approx(np.hypot(error, by_degree), rel=0.01)
    with pytest.raises(ArgumentError, match="temperature_c: got 35"):
        plan_development(ROLLS, tank_rolls=2, temperature_c=35.0, times=times)
