"""What a pouch is worth: by its mass, by two rolls of one journey, or not known; and a thickness that has a range."""

import json
import math

import numpy as np
import pytest

from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, history_dose
from filmdose.odds import default_priors, propagate, trip_model
from filmdose.odds.learning import fog_of
from filmdose.odds.pouch import (
    _LOG_HITS,
    TRIED_MM,
    _forward,
    _inverse,
    pouch_from_rolls,
    pouch_from_scale,
    pouch_unknown,
)
from filmdose.radiation.shields import Shield, as_shields
from filmdose.trip import FogReading, Roll

LEAD_G_CM3 = 11.35


def test_a_scale_by_hand():
    # 0.35 g/cm2, 0.8 of it lead of 11.35 g/cm3
    found = pouch_from_scale(168.0, 480.0, mass_error_g=0.0)
    assert found.lead_mm[1] == pytest.approx(10.0 * 0.8 * 0.35 / LEAD_G_CM3, rel=1e-3)
    down, up = (math.hypot(math.log(share / 0.8), 1.645 * 0.05) for share in (0.5, 0.95))
    assert found.lead_mm[0] == pytest.approx(found.lead_mm[1] * math.exp(-down), rel=1e-3)
    assert found.lead_mm[2] == pytest.approx(found.lead_mm[1] * math.exp(up), rel=1e-3)
    coarse = pouch_from_scale(168.0, 480.0, mass_error_g=50.0)
    assert coarse.lead_mm[0] < found.lead_mm[0] < found.lead_mm[2] < coarse.lead_mm[2]
    assert found.shield.thickness_mm == pytest.approx(found.lead_mm[1], rel=1e-2)


def test_nothing_known_has_its_range():
    found = pouch_unknown()
    assert found.lead_mm == (0.125, 0.25, 0.5)
    assert "no source" in found.message
    (word,) = as_shields("pouch")
    assert (word.thickness_mm, word.range_mm) == (0.25, (0.125, 0.5))


@pytest.mark.few(1)
@pytest.mark.parametrize("wall", [0.1, 0.25, 0.5])
def test_two_rolls_without_noise_give_the_wall_back(wall):
    film = generic_film(1600)
    fogs = [
        float(film.records[0].fog_density(history_dose(Pass(source="cabin-ct", shield=shield)).kerma_ugy))
        for shield in (f"lead={wall}", None)
    ]
    inside, outside = (FogReading(base_plus_fog=0.3 + fog, control=0.3, error=0.002) for fog in fogs)
    low, typical, high = pouch_from_rolls(film, inside, outside).lead_mm
    assert low < wall < high
    # beam, scatter and place in the bag are not known: some 0.04 mm
    assert typical == pytest.approx(wall, rel=0.12)


def test_two_rolls_of_reversal_film_lose_density():
    film, wall = generic_film(400, kind="bw-reversal"), 0.25
    dark = float(film.records[0].maximum_density())
    shields = (f"lead={wall}", None)
    lost = [
        float(film.records[0].fog_density(history_dose(Pass(source="hold-ct", shield=s)).kerma_ugy)) for s in shields
    ]
    assert lost[1] < lost[0] < 0.0
    inside, outside = (FogReading(base_plus_fog=dark + change, control=dark, error=0.005) for change in lost)
    low, typical, high = pouch_from_rolls(film, inside, outside, source="hold-ct", samples=64).lead_mm
    assert low < wall < high
    assert typical == pytest.approx(wall, rel=0.25)


@pytest.mark.long
def test_an_error_of_the_control_that_both_readings_share_drops_out():
    film = generic_film(1600)
    fogs = [
        float(film.records[0].fog_density(history_dose(Pass(source="cabin-ct", shield=shield)).kerma_ugy))
        for shield in ("lead=0.25", None)
    ]
    widths = []
    for control in (0.3, 0.3000001):
        inside = FogReading(base_plus_fog=0.3 + fogs[0], control=0.3, error=0.03)
        outside = FogReading(base_plus_fog=0.3 + fogs[1], control=control, error=0.03)
        low, _, high = pouch_from_rolls(film, inside, outside, samples=256).lead_mm
        widths.append(math.log(high / low))
    assert widths[0] < 0.95 * widths[1]


def test_hits_that_give_a_fog_give_it_back():
    curves = np.stack([1.0 - np.exp(-np.exp(_LOG_HITS)), 0.3 * (1.0 - np.exp(-2.0 * np.exp(_LOG_HITS)))])
    fog = np.array([0.137, 0.071])
    np.testing.assert_allclose(_forward(curves, _inverse(curves, fog)[:, None])[:, 0], fog, rtol=1e-12)
    np.testing.assert_allclose(
        _inverse(curves, fog), np.log([-np.log(0.863), -0.5 * np.log(1.0 - 0.071 / 0.3)]), atol=1e-3
    )


def test_a_roll_fogged_beyond_its_film_is_refused():
    film = generic_film(400)
    record = film.records[0]
    range_of_film = float(record.maximum_density() - record.minimum_density())
    inside, outside = (FogReading(base_plus_fog=0.3 + fog, control=0.3) for fog in (0.2, range_of_film + 0.05))
    with pytest.raises(ArgumentError, match="outside"):
        pouch_from_rolls(film, inside, outside, samples=64)


@pytest.mark.long
def test_the_interval_holds_the_wall_as_often_as_it_says():
    """Rolls of drawn films, beams, doses and walls, read with errors: 90 % within the sampling error."""
    generator = np.random.default_rng(3)
    film = generic_film(800)
    priors = default_priors().replaced({"shield_thickness": 1.0})
    held = []
    walls = np.exp(generator.uniform(math.log(0.06), math.log(0.6), 40))
    for wall in walls:
        shields = (Shield(material="lead", thickness_mm=float(wall)), None)
        rolls = [
            Roll(id=str(n), film=film, history=History(passes=(Pass(source="cabin-ct", shield=shield),)))
            for n, shield in enumerate(shields)
        ]
        model = trip_model(rolls, priors)
        draws = model.draws(generator.standard_normal((4, len(model.inputs))))
        fogs = [fog_of(film.records[0], roll, n, draws, "mean") for n, roll in enumerate(rolls)]
        for pair in np.transpose(fogs):
            control = 0.30 + 0.02 * generator.standard_normal()
            read = 0.30 + pair + 0.02 * generator.standard_normal(2)
            inside, outside = (FogReading(base_plus_fog=float(r), control=control, error=0.02) for r in read)
            try:
                low, _, high = pouch_from_rolls(film, inside, outside, samples=256).lead_mm
            except ArgumentError:  # the dose was too small to tell anything
                continue
            held.append(low <= wall <= high)
    assert len(held) > 120
    # three standard deviations of a binomial of 0.9
    assert abs(np.mean(held) - 0.9) < 3.0 * math.sqrt(0.09 / len(held))


@pytest.mark.long
def test_a_meter_over_a_light_table_will_do():
    inside, outside = FogReading.by_meter("1/3 stop"), FogReading.by_meter("2 stops")
    found = pouch_from_rolls(generic_film(3200), inside, outside)
    assert TRIED_MM[0] < found.lead_mm[0] < found.lead_mm[1] < found.lead_mm[2] < TRIED_MM[1]


@pytest.mark.parametrize(
    ("inside", "outside", "argument"),
    [(0.33, 0.33, "outside"), (0.60, 0.40, "inside"), (0.35, 5.0, "outside")],
)
def test_readings_that_tell_nothing_are_refused(inside, outside, argument):
    readings = [FogReading(base_plus_fog=read, control=0.30) for read in (inside, outside)]
    with pytest.raises(ArgumentError) as caught:
        pouch_from_rolls(generic_film(400), *readings)
    assert caught.value.argument == argument


@pytest.mark.parametrize(("mass", "area"), [(0, 100), (100, 0), (-1, 100), (1e4, 10), (math.nan, 10)])
def test_a_scale_refuses_what_cannot_be(mass, area):
    with pytest.raises(ArgumentError):
        pouch_from_scale(mass, area)


def test_a_thickness_with_a_range():
    assert str(Shield.parse("lead=0.1..0.4")) == "lead 0.2 mm (0.1 to 0.4)"
    assert Shield.parse("lead=0,1..0,2..0,4").range_mm == (0.1, 0.4)
    weighed = Shield.parse("lead=0.1135..0.454g/cm2")
    assert (weighed.thickness_mm, *weighed.range_mm) == pytest.approx((0.2, 0.1, 0.4))
    for wrong in ("lead=0.4..0.1", "lead=0..1", "lead=a..b", "lead=1..2..3..4", "lead=0.1...", "lead=..0.2"):
        with pytest.raises(ArgumentError):
            Shield.parse(wrong)
    with pytest.raises(ArgumentError):
        Shield(material="lead", thickness_mm=1.0, range_mm=(0.1, 0.4))


def test_the_range_of_a_wall_is_in_the_dose_and_in_the_draws():
    known, wide = (history_dose(Pass(source="cabin-ct", shield=shield)) for shield in ("lead=0.2", "lead=0.1..0.4"))
    assert wide.kerma_ugy == pytest.approx(known.kerma_ugy)
    thin, thick = (history_dose(Pass(source="cabin-ct", shield=f"lead={wall}")) for wall in (0.1, 0.4))
    assert wide.kerma_low_ugy == pytest.approx(thick.kerma_low_ugy)
    assert wide.kerma_high_ugy == pytest.approx(thin.kerma_high_ugy)
    roll = Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="cabin-ct", shield="lead=0.05..1")))
    model = trip_model([roll])
    (place,) = (n for n, item in enumerate(model.inputs) if item.name.startswith("shield_thickness["))
    assert (model.inputs[place].prior.low, model.inputs[place].prior.high) == pytest.approx((20**-0.5, 20**0.5))
    scores = np.zeros((15, len(model.inputs)))
    scores[:, place] = np.linspace(-3.5, 3.5, 15)
    walls = math.sqrt(0.05) * model.inputs[place].prior.values(scores[:, place])
    exact = [history_dose(Pass(source="cabin-ct", shield=f"lead={wall}")).kerma_ugy for wall in walls]
    assert model.draws(scores).kerma_ugy[:, 0] == pytest.approx(exact, rel=0.02)


def test_not_knowing_the_pouch_widens_the_answer():
    def width(shield):
        roll = Roll(id="a", film=generic_film(800), history=History(passes=Pass(source="ct", shield=shield)))
        low, _, high = propagate([roll], samples=4096)["a"].kerma_ugy
        return math.log(high / low)

    assert width("pouch") > 1.15 * width("lead=0.25")


@pytest.mark.long
def test_the_verb_tells_by_all_three_ways_and_writes_what_to_type(run):
    for words, how in (
        ((), "unknown"),
        (("--mass", 170, "--area", 480), "scale"),
        (("--inside", "0,36", "--outside", 0.45, "--control", 0.30, "--speed", 400), "rolls"),
        (("--inside", "1/3 stop", "--outside", "2 stops", "--speed", 3200), "rolls"),
    ):
        code, out, err = run("pouch", *words, "--format", "json")
        assert code == 0, err
        found = json.loads(out)
        assert found["how"] == how
        assert found["lead_mm"]["low"] < found["lead_mm"]["typical"] < found["lead_mm"]["high"]
        code, out, err = run("roll", "--speed", 400, "--pass", "ct", "--shield", found["shield"])
        assert code == 0, err
        shares = {row["source"]: row["through"] for row in found["through"]}
        part = history_dose(Pass(source="cabin-ct", shield=found["shield"])).kerma_ugy
        assert shares["cabin-ct"] == pytest.approx(part / history_dose(Pass(source="cabin-ct")).kerma_ugy, rel=0.02)
    for words in (("--mass", 3), ("--inside", 1), ("--mass", 1, "--area", 9, "--inside", 1, "--outside", 2),
                  ("--speed", 400), ("--inside", 1, "--outside", 2, "--speed", 400),
                  ("--inside", "much", "--outside", 2, "--speed", 400)):  # fmt: skip
        code, out, err = run("pouch", *words)
        assert (code, out) == (2, "")
        assert err.count("\n") == 1
