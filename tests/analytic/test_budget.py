"""The inverse questions answer the forward one backwards."""

import itertools
import math

import numpy as np
import pytest

from filmdose.answering import answer, given_stops
from filmdose.errors import ArgumentError
from filmdose.film.generic import film_value, generic_film
from filmdose.history import Pass, history_dose
from filmdose.inverse import dose_budget, film_to_carry, kerma_for_loss, speed_to_carry
from filmdose.question import Question
from filmdose.solver import CRITERIA
from filmdose.standards import KINDS


@pytest.mark.few(23)
@pytest.mark.parametrize("criterion", list(CRITERIA))
@pytest.mark.parametrize("loss", [0.05, 0.1, 0.4, 1.0])
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_forward_solve_at_the_limit_gives_the_loss(kind, loss, criterion):
    film, asked = generic_film(400, kind=kind), Question(criterion=criterion, peak_to_mean=1.5)
    lost = kerma_for_loss(film, math.inf, asked).kerma_ugy
    if not given_stops(film, 0.999 * lost, asked) >= loss:
        # some criteria hardly move (a ratio of gradients on film that gets flatter everywhere)
        with pytest.raises(ArgumentError, match="before it is lost"):
            kerma_for_loss(film, loss, asked)
        return
    limit = kerma_for_loss(film, loss, asked)
    below, above = given_stops(film, [limit.kerma_ugy * factor for factor in (0.99999, 1.00001)], asked)
    assert below < loss <= above
    assert above - below < 0.025  # the exposure of least loss is found to about a hundredth of a stop
    assert limit.record in film.record_names


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
@pytest.mark.parametrize("loss", [0.5, 1.0])
def test_reversal_film_counts_the_range_that_it_loses(kind, loss):
    film = generic_film(100, kind=kind)
    found = answer(film, kerma_for_loss(film, loss).kerma_ugy).reversal["range_stops"]["lost"]
    # the record that loses most density is shown; another may lose more range
    assert found <= loss + 1e-6
    assert kind == "colour-reversal" or found == pytest.approx(loss, abs=1e-5)


@pytest.mark.parametrize("kind", list(KINDS))
def test_until_lost_is_where_the_verdict_becomes_lost(kind):
    film = generic_film(200, kind=kind)
    edge = kerma_for_loss(film, math.inf).kerma_ugy
    below, above = (answer(film, edge * factor) for factor in (0.999, 1.001))
    assert (below.verdict, above.verdict) == ("poor", "lost")
    assert below.ei is not None
    assert above.ei is None


def test_calibration_range_is_what_recalibrated_films_give():
    limit = kerma_for_loss(800, 1.0)
    for end, found in (("low", limit.kerma_low_ugy), ("high", limit.kerma_high_ugy)):
        film = generic_film(800, calibration_kerma_ugy=film_value("model", "calibration_kerma", end))
        assert kerma_for_loss(film, 1.0).kerma_ugy == pytest.approx(found, rel=1e-5)


def test_kerma_for_a_loss_scales_as_speed_to_the_minus_b():
    # the same loss means the same hits: K ~ S**-b with b = ln 3 / ln 4, so EI 800 stands a third of EI 200's dose
    ratio = kerma_for_loss(200, 1.0).kerma_ugy / kerma_for_loss(800, 1.0).kerma_ugy
    assert ratio == pytest.approx(3.0, rel=1e-5)


def test_unevenness_divides_the_dose_that_a_film_stands():
    even, uneven = (kerma_for_loss(800, 0.5, Question(peak_to_mean=peak)).kerma_ugy for peak in (1.0, 2.0))
    assert even == pytest.approx(2.0 * uneven, rel=1e-9)


def test_budget_counts_whole_passes_below_the_limit():
    table = dose_budget([400, 400], [0.5])
    assert table["film"].is_unique
    row = table.iloc[0]
    per_pass = history_dose(Pass(source="cabin-ct")).kerma_ugy
    assert row["passes_cabin-ct"] == math.floor(row["kerma_ugy"] / per_pass)
    assert row["passes_cabin-ct_sure"] <= row["passes_cabin-ct"]
    assert row["passes_cabin-xray"] > row["passes_cabin-ct"]


def test_a_loss_that_no_dose_gives_is_said():
    with pytest.raises(ArgumentError, match="loss_stops: got 40"):
        kerma_for_loss(100, 40.0)
    assert np.isnan(dose_budget([100], [40.0])["kerma_ugy"]).all()


@pytest.mark.parametrize("loss", [0.0, -1.0, math.nan, "much"])
def test_bad_losses(loss):
    with pytest.raises(ArgumentError, match="loss_stops: got"):
        kerma_for_loss(100, loss)


# -- which speed to carry ---------------------------------------------------------------------------------------------


def test_a_film_that_is_restored_in_part_and_works_is_carried():
    """By signal-to-noise it never needs a finite number of stops; it still gives an index."""
    seen = 0
    for kerma in np.geomspace(10.0, 500.0, 12):
        part = Pass(source="cabin-ct", air_kerma_ugy=float(kerma))
        table = speed_to_carry(history_dose(part), [400])
        found = answer(400, history_dose(part).kerma_ugy)
        if found.needed_stops is None and found.verdict in ("good", "usable") and table["verdict_high"][0] != "lost":
            assert table["carry"].all()
            seen += 1
    assert seen


@pytest.mark.parametrize("kerma", [0.0, 3.0, 30.0, 100.0, 300.0])
def test_the_film_to_carry_is_the_slowest_that_gives_the_index_needed(kerma):
    part = Pass(source="cabin-ct", air_kerma_ugy=kerma)
    for needed in (25, 100, 400):
        table = speed_to_carry(part, needed_ei=needed)
        good = table[table["verdict"].isin(["good", "usable"]) & (table["verdict_high"] != "lost")]
        enough = good[good["ei_exact"] >= needed * 2 ** (-1 / 3)]
        chosen = table[table["carry"]]
        assert list(chosen["speed"]) == list(enough["speed"][:1])
        if len(chosen):
            assert table["gain_stops"][table["carry"]].item() == 0.0
            expected = np.log2(table["ei"] / chosen["ei"].item())
            assert np.nanmax(np.abs(table["gain_stops"] - expected)) < 2 * (1 / 3)


def test_without_an_index_the_walk_ends_where_speed_buys_little():
    speeds = np.array([100, 200, 400, 800, 1600])
    for left in ([100, 200, 400, 800, 1600], [90, 170, 250, 300, 310], [50, 55, 60, 65, 70]):
        place = film_to_carry(speeds, left, [True] * 5)
        gains = np.diff(np.log2(left))
        assert (gains[:place] >= 1 / 3).all()
        assert place == 4 or gains[place] < 1 / 3
    assert film_to_carry(speeds, [90, 170, 250, 300, 310], [True, True, False, False, False]) == 1
    assert film_to_carry(speeds, [np.nan] * 5, [True] * 5) is None


def test_order_of_the_films_does_not_matter():
    speeds, left = [100, 400, 800, 1600], [90.0, 250.0, 300.0, 310.0]
    for order in itertools.permutations(range(4)):
        place = film_to_carry([speeds[i] for i in order], [left[i] for i in order], [True] * 4)
        assert speeds[order[place]] == 400


def test_nothing_to_carry_is_possible():
    table = speed_to_carry(Pass(source="mail-sanitisation"), [100, 400])
    assert not table["carry"].any()
    assert table["gain_stops"].isna().all()


@pytest.mark.parametrize("needed", [0.0, -5.0, math.nan, "fast"])
def test_bad_index(needed):
    with pytest.raises(ArgumentError, match="needed_ei: got"):
        speed_to_carry(Pass(source="cabin-ct"), [100, 400], needed_ei=needed)
