"""The inverse questions answer the forward one backwards."""

import math

import numpy as np
import pytest

from filmdose.compensation import compensate
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.history import Pass, history_dose
from filmdose.inverse import dose_budget, kerma_for_loss, speed_to_carry
from filmdose.solver import CRITERIA


@pytest.mark.parametrize("criterion", list(CRITERIA))
@pytest.mark.parametrize("loss", [0.1, 0.5, 1.0, 2.0])
@pytest.mark.parametrize("kind", ["bw-negative", "colour-negative"])
def test_forward_solve_at_the_limit_gives_the_loss(kind, loss, criterion):
    film = generic_film(800, kind=kind)
    limit = kerma_for_loss(film, loss, criterion=criterion)
    assert compensate(film, limit.kerma_ugy).stops[criterion] == pytest.approx(loss, abs=1e-6)
    assert limit.kerma_low_ugy / limit.kerma_ugy == pytest.approx(12 / 25)
    assert limit.kerma_high_ugy / limit.kerma_ugy == pytest.approx(50 / 25)


def test_calibration_range_is_what_recalibrated_films_give():
    film = generic_film(800, calibration_kerma_ugy=50.0)
    assert kerma_for_loss(film, 1.0).kerma_ugy == pytest.approx(kerma_for_loss(800, 1.0).kerma_high_ugy, rel=1e-6)


def test_beyond_rescue_is_the_edge_of_solutions():
    edge = kerma_for_loss(1600, math.inf).kerma_ugy
    assert compensate(1600, edge * 0.999).status != "beyond_rescue"
    assert compensate(1600, edge * 1.001).status == "beyond_rescue"
    by_density = kerma_for_loss(1600, math.inf, criterion="fixed_density").kerma_ugy
    assert compensate(1600, by_density * 0.999).stops["fixed_density"] is not None
    assert compensate(1600, by_density * 1.001).stops["fixed_density"] is None


def test_kerma_for_a_loss_scales_as_speed_to_the_minus_b():
    # the same loss means the same hits: K ~ S**-b with b = ln 3 / ln 4, so EI 800 stands a third of EI 200's dose
    ratio = kerma_for_loss(200, 1.0).kerma_ugy / kerma_for_loss(800, 1.0).kerma_ugy
    assert ratio == pytest.approx(3.0, rel=1e-6)


def test_budget_counts_whole_passes_below_the_limit():
    table = dose_budget([400], [0.5])
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


def test_reversal_film_has_no_budget():
    with pytest.raises(ArgumentError, match="negative film"):
        kerma_for_loss(generic_film(100, kind="colour-reversal"), 1.0)


def test_speed_to_carry_is_the_fastest_index_within_the_limit():
    table = speed_to_carry([Pass(source="cabin-ct", count=2)], [100, 400, 800, 3200])
    chosen = table[table["recommended"]]
    assert len(chosen) == 1
    within = table[(table["stops"] <= 1.0) & (table["status_high"] != "beyond_rescue")]
    assert chosen["ei"].item() == within["ei"].max()
    assert (table["ei_low"] >= table["ei"]).all()
    assert (table["ei"] >= table["ei_high"]).all()


def test_nothing_to_carry_is_possible():
    table = speed_to_carry(Pass(source="mail-sanitisation"), [100, 400])
    assert not table["recommended"].any()
