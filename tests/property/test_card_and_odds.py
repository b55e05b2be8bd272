"""The printed card and the odds of a roll are one answer: safe index, typical index, verdict.

A roll's passes are added up in points as on the card; what the card then shows is compared with ``propagate``.
"""

import math
import pickle
from dataclasses import replace

import numpy as np
import pytest
from digitised import sheet_film

from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, Storage, history_dose
from filmdose.odds import propagate, trip_model
from filmdose.odds.cells import CELL_SAMPLES, cell_odds, total_odds
from filmdose.present.card import make_card
from filmdose.solution import VERDICTS
from filmdose.trip import Roll
from filmdose.units import format_speed

FILMS = {
    "bw": generic_film(400),
    "fast": generic_film(1600),
    "slow": generic_film(50),
    "colour": generic_film(400, kind="colour-negative"),
    "slide": generic_film(100, kind="colour-reversal"),
    "bw slide": generic_film(100, kind="bw-reversal"),
    "sheet": sheet_film("bw-negative-400", 7.0),
}
MARKS = {"good": "", "usable": "†", "poor": "‡"}
THIRD = 0.36  # steps of the printed scale are not quite even


def odds_of(film, history, **options):
    return propagate([Roll(id="roll", film=film, history=history)], **options)["roll"]


def shown(card, row):
    """Index, typical index and verdict of the first film in a row, as a reader takes them."""
    cell, typical, verdict = card.cells[row][0], card.typical[row][0], card.verdicts[row][0]
    if cell == "none":
        return None, None, verdict
    index = float(cell.rstrip("†‡"))
    assert cell.endswith(MARKS[verdict]), cell
    assert not cell[: -len(MARKS[verdict]) or None].endswith(tuple("†‡"))
    return index, (None if typical == "none" else float(typical)) if typical else index, verdict


def stops_between(one, other):
    return math.log2(one / other)


def points_of(history):
    return history_dose(history).worst_band_ugy[1]


@pytest.mark.few(1)
@pytest.mark.parametrize("name", FILMS)
def test_a_cell_is_what_odds_say_of_passes_that_make_its_total(name):
    film = FILMS[name]
    histories = [History(passes=(Pass(source="cabin-ct", count=count),)) for count in (1, 2, 5, 400)]
    card = make_card([film], kerma_ugy=[points_of(history) for history in histories])
    for row, history in enumerate(histories):
        found = odds_of(film, history, samples=CELL_SAMPLES)
        assert card.verdicts[row][0] == found.verdict
        if found.verdict == "lost":
            assert (card.cells[row][0], card.typical[row][0]) == ("none", "")
        elif film.reversal:
            assert card.cells[row][0].endswith(MARKS[found.verdict])
            assert found.outcome == "as_marked"
        else:
            assert shown(card, row) == (found.ei_recommended, found.ei_median, found.verdict)
            assert format_speed(found.ei_recommended) == card.cells[row][0].rstrip("†‡")
    assert card.verdicts[-1][0] == "lost"


@pytest.mark.few(2)
@pytest.mark.parametrize("name", ["bw", "colour", "fast"])
def test_more_draws_change_a_cell_by_a_hundredth_of_a_stop(name):
    film = FILMS[name]
    history = History(passes=(Pass(source="cabin-ct"),))
    (few,) = total_odds([film], [points_of(history)])[0]
    many = odds_of(film, history)
    assert abs(few.given_stops - many.given_stops) < 0.02
    assert few.ei_median == many.ei_median


@pytest.mark.few(2)
@pytest.mark.parametrize("name", ["bw", "colour", "fast", "slow"])
def test_other_known_sources_differ_by_a_third_of_a_stop_at_most(name):
    film = FILMS[name]
    one_shelf = points_of(History(storage=(Storage(days=30),)))
    histories = [
        History(passes=(Pass(source="cabin-xray", count=2),)),
        History(passes=(Pass(source="cabin-xray", count=12),)),
        History(passes=(Pass(source="cabin-xray", count=60),)),
        History(passes=(Pass(source="cabin-ct", count=2, shield="lead=0.25"),)),
        History(passes=(Pass(source="cabin-ct"), Pass(source="cabin-xray", count=4))),
        History(passes=(Pass(source="hold-ct"),)),
        History(storage=(Storage(days=30 * 60 / one_shelf),)),
    ]
    histories.sort(key=points_of)
    card = make_card([film], kerma_ugy=[points_of(history) for history in histories])
    for row, history in enumerate(histories):
        found = odds_of(film, history, samples=CELL_SAMPLES)
        index, typical, verdict = shown(card, row)
        if "lost" in (verdict, found.verdict):
            assert {verdict, found.verdict} <= {"lost", "poor"}
            continue
        assert abs(stops_between(index, found.ei_recommended)) < THIRD
        assert abs(stops_between(typical, found.ei_median)) < THIRD


@pytest.mark.few(1)
@pytest.mark.parametrize("name", ["bw", "colour", "fast", "slow"])
def test_an_unknown_scanner_counted_as_the_card_counts_it_has_the_safe_index_of_the_odds(name):
    film = FILMS[name]
    rows = {row.name: row for row in make_card([film], kerma_ugy=[1.0]).rows}
    histories = {
        "one": (1, History(passes=(Pass(source="unknown"),))),
        "two": (2, History(passes=(Pass(source="unknown", count=2),))),
        "three": (3, History(passes=(Pass(source="unknown", count=3),))),
        "with X-rays": (1, History(passes=(Pass(source="unknown"), Pass(source="cabin-xray", count=10)))),
        "with a CT": (1, History(passes=(Pass(source="unknown"), Pass(source="cabin-ct")))),
    }
    order = tuple(VERDICTS)
    for count, history in histories.values():
        known = replace(history, passes=history.passes[1:])
        total = count * rows["unknown"].points[0] + (points_of(known) if known.passes else 0.0)
        card = make_card([film], kerma_ugy=[total])
        found = odds_of(film, history, samples=CELL_SAMPLES)
        index, _, verdict = shown(card, 0)
        assert order.index(verdict) >= order.index(found.verdict)  # never more hopeful
        if verdict != "lost":
            assert abs(stops_between(index, found.ei_recommended)) < THIRD


def test_an_unknown_scanner_behind_lead_and_without_a_cartridge_too():
    film = FILMS["bw"]
    row = next(row for row in make_card([film], kerma_ugy=[1.0], shields=["lead=0.25"]).rows if row.mixture)
    _, sheet, behind = row.points
    for points, history in (
        (sheet, History(passes=(Pass(source="unknown"),), format="sheet")),
        (behind, History(passes=(Pass(source="unknown", shield="lead=0.25"),))),
    ):
        index, _, _ = shown(make_card([film], kerma_ugy=[points]), 0)
        assert abs(stops_between(index, odds_of(film, history, samples=CELL_SAMPLES).ei_recommended)) < THIRD


@pytest.mark.few(1)
@pytest.mark.parametrize("film", ["bw", "fast", "colour"])
def test_the_typical_index_is_the_same_for_every_seed_and_the_safe_one_within_a_third(film):
    history = History(passes=(Pass(source="unknown"),))
    found = [odds_of(FILMS[film], history, samples=CELL_SAMPLES, rng=seed) for seed in (0, 1, 2, 3, None)]
    assert len({one.ei_median for one in found}) == 1
    given = [one.given_stops for one in found]
    assert np.ptp(given) < 0.08
    assert len({odds_of(FILMS[film], history, samples=n).ei_median for n in (64, 2**14)} | {found[0].ei_median}) == 1


@pytest.mark.parametrize("samples", [512, 4096])
def test_cells_of_several_kinds_are_the_odds_of_single_rolls_to_the_last_digit(samples):
    histories = [History(passes=Pass(source="cabin-ct", count=count)) for count in (1, 3)]
    kinds = ((100, "bw-negative"), (400, "colour-negative"), (800, "bw-negative"), (100, "colour-reversal"))
    films = [generic_film(speed, kind=kind) for speed, kind in kinds]
    for film, row in zip(films, cell_odds(films, histories, samples=samples), strict=True):
        for history, cell in zip(histories, row, strict=True):
            assert cell == propagate([Roll(id="roll", film=film, history=history)], samples=samples)["roll"]


def test_films_that_stand_for_each_other_are_drawn_once_for_all():
    history = History(passes=Pass(source="cabin-ct"))
    rolls = [Roll(id="a", film=generic_film(speed), history=history) for speed in (100, 400)]
    together, apart = trip_model(rolls, alternatives=True), trip_model(rolls)
    assert len(apart.inputs) - len(together.inputs) == 2  # fog and true speed of the second film
    assert pickle.loads(pickle.dumps(together)) == together
    assert together != apart
    with pytest.raises(ArgumentError, match="alternatives: got True"):
        trip_model(apart, alternatives=True)
