"""What the model and the verbs say beside what was reported (reference/predictions.toml, reference/chain.csv).

Nothing there sets a prior (tests/reference/test_evidence.py). The bands are what a report means, as we read it; those
that lie outside are written here, so that one more or one less is news.
"""

import json
import math
import re
import sys
from pathlib import Path

import numpy as np
import pytest

from filmdose.answering import answer
from filmdose.files import data_text
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, history_dose
from filmdose.present.tables import TABLE_KERMA_UGY, dose_points

sys.path.insert(0, str(Path(__file__).parents[2] / "reference"))
import chain
import predictions

REFERENCE = Path(__file__).parents[2] / "reference"


@pytest.fixture(scope="module")
def table():
    return predictions.comparison(samples=1024)


@pytest.fixture(scope="module")
def links():
    return chain.scored().set_index("id")


# -- predictions beside reports ------------------------------------------------------------------------------------


@pytest.mark.long
def test_every_report_has_a_prediction(table):
    assert len(table) == len(predictions.read_predictions()) >= 19
    assert np.all(np.isfinite(table.predicted))
    assert np.all(table.predicted_low <= table.predicted)
    assert np.all(table.predicted <= table.predicted_high)


@pytest.mark.long
def test_which_lie_outside_the_band(table):
    assert set(table.id[table.verdict != "inside"]) == {"pass-counts-800", "single-xray", "trade-slow"}
    assert set(table.id[~table.interval_meets_band]) == {"single-xray"}


@pytest.mark.long
def test_where_verbs_answer_all_lie_in_the_band_or_the_page_says_why(table):
    outside = {row.id: row.outside for row in table.itertuples() if row.outside}
    assert outside == {
        "pass-counts-400": "roll",
        "pass-counts-800": "roll, odds",
        "single-xray": "roll, odds, table",
        "trade-slow": "roll, odds, table",
        "trade-400": "odds, table",
    }
    missed = table[(table.verdict != "inside") | (table.outside != "")]
    assert all(missed.why)
    assert set(missed.id) == set(predictions.WHY)


@pytest.mark.long
def test_what_the_reasons_say(table):
    found = table.set_index("id")
    slow = found.loc["trade-slow"]
    assert (slow.roll, slow.odds) == (pytest.approx(4 / 3, abs=0.1), pytest.approx(4 / 3, abs=0.1))  # a third too much
    assert answer(50, history_dose(case("trade-slow").history).kerma_ugy).verdict == "good"
    assert found.loc["trade-400", "roll"] < 0.1 < found.loc["trade-400", "odds"] < 0.15
    one = found.loc["single-xray"]
    assert one.band_low / one.predicted == pytest.approx(20, rel=0.15)  # twenty times the published doses
    assert (
        case("single-xray").verdict(answer(generic_film(500, kind="colour-negative"), one_ct()).fog_density) != "below"
    )


def case(name):
    return next(one for one in predictions.read_predictions() if one.id == name)


def told(value):
    """Stops as the predictions hold them: JSON says null where nothing restores the film."""
    return math.inf if value is None else value


def one_ct():
    return history_dose(Pass(source="cabin-ct")).kerma_ugy


@pytest.mark.few(1)
@pytest.mark.parametrize("name", ["trade-slow", "trade-400", "trade-800", "trade-3200"])
def test_the_page_tells_what_the_command_line_says(run, name):
    one = case(name)
    verbs = predictions.by_verb(one, samples=1024)
    film = ("--speed", one.case["speed"], "--kind", one.case["kind"])
    passes = [word for text in one.case["passes"] for word in ("--pass", text)]

    code, out, _ = run("roll", *film, *passes, "-f", "json")
    assert code == 0
    roll = json.loads(out)
    assert told(roll["given_stops"]) == pytest.approx(verbs["roll"], abs=1e-6)

    code, out, _ = run("odds", *film, *passes, "--samples", 1024, "-f", "json")
    assert code == 0
    odds = json.loads(out)["rolls"][0]
    assert told(odds["given_stops"]) == pytest.approx(verbs["odds"], abs=0.1)  # other draws

    code, out, _ = run("table", "--speeds", one.case["speed"], "--kind", one.case["kind"], "-f", "json")
    assert code == 0
    row = next(row for row in json.loads(out)["rows"] if row["kerma_ugy"] >= roll["kerma_ugy"])
    assert told(row["given_stops"]) == pytest.approx(verbs["table"], abs=1e-6)


@pytest.mark.parametrize(
    "passes", [{"cabin-xray": 2}, {"cabin-ct": 1}, {"cabin-ct": 2, "cabin-xray": 7}, {"hold-ct": 1}]
)
@pytest.mark.parametrize("speed", [50, 400, 1600])
def test_dose_points_above_the_table_add_up_to_what_roll_says(passes, speed):
    points = dose_points().set_index("pass")["typical"]
    total = sum(count * points[source] for source, count in passes.items())
    dose = history_dose([Pass(source=source, count=count) for source, count in passes.items()]).worst_band_ugy[1]
    assert total == pytest.approx(dose, rel=1e-9)
    # and the first printed row that is not below them is never faster than the answer, nor a stop slower
    row = next(row for row in TABLE_KERMA_UGY if row >= total)
    for film in (generic_film(speed), generic_film(speed, kind="colour-negative")):
        exact, printed = answer(film, dose).given_stops, answer(film, row).given_stops
        if printed is not None:
            assert exact <= printed <= exact + 0.8


# -- what reports say of directions --------------------------------------------------------------------------------


def after(kind, speed, *passes, film_format="35mm"):
    history = History(passes=tuple(Pass.parse(text) for text in passes), format=film_format)
    return answer(generic_film(speed, kind=kind), history_dose(history).kerma_ugy)


def test_fog_rises_every_pass_and_contrast_falls():
    # I3A with TSA, reported by photoscala.de, 13 Jan 2005: more fog at every pass, more grain, less contrast
    rolls = [after("colour-negative", 800, f"cabin-xray={count}") for count in (0, 1, 5, 10, 25)]
    assert np.all(np.diff([roll.fog_density for roll in rolls]) > 0)
    assert np.all(np.diff([roll.contrast["fogged"] / roll.contrast["clean"] for roll in rolls]) < 0)
    assert np.all(np.diff([roll.snr_kept for roll in rolls]) < 0)


def test_underexposed_pictures_suffer_most():
    # same source: worst when underexposed. Of a roll exposed before the scan less is lost in every brighter zone.
    zones = answer(generic_film(800, kind="colour-negative"), one_ct(), exposed=True).exposed.zones
    for _, record in zones.groupby("record"):
        assert np.all(np.diff(record.snr_kept) > 0)
        assert record.snr_kept.iloc[0] < 0.4
        assert record.snr_kept.iloc[-1] > 0.95


def test_slower_films_of_a_mission_show_less():
    # NASA report quoted second hand: at 0.3 to 0.4 rad it was film above ISO 400 that suffered
    dose = history_dose(case("shuttle").history).kerma_ugy
    fog = {
        speed: answer(generic_film(speed, kind="colour-negative"), dose).fog_density for speed in (100, 400, 800, 1600)
    }
    assert fog[100] < 0.05 < fog[800] < fog[1600]


# -- the chain, scored in factors ----------------------------------------------------------------------------------


def test_rows_name_their_source_and_the_model_answers_all(links):
    rows = chain.read_chain()
    assert {row.id for row in rows} == set(chain.MODEL)
    assert len(rows) == len(chain.MODEL)
    keys = (REFERENCE / "sources.bib").read_text(encoding="utf-8") + data_text("references.bib")
    for row in rows:
        if row.flag == "C":
            assert row.source == "common practice, no source"
        else:
            assert re.search(rf"^@\w+\{{{row.source},", keys, flags=re.MULTILINE), row.id
    assert {row.step for row in rows} == set(chain.STEPS)
    assert np.all(np.isfinite(links.predicted))


def test_a_factor_is_one_inside_and_counts_from_the_nearest_end():
    row = next(row for row in chain.read_chain() if row.id == "storage")
    assert [row.factor(value) for value in (0.01, 0.02, 0.04)] == [1.0, 1.0, 1.0]
    assert row.factor(0.08) == pytest.approx(2.0)
    assert row.factor(0.005) == pytest.approx(0.5)
    stops = next(row for row in chain.read_chain() if row.id == "trade-100-bw")
    assert stops.factor(3.0) == pytest.approx(4.0)


def test_which_rows_disagree_and_by_how_much(links):
    away = links.factor[links.factor != 1.0]
    # regression values of the factors: a smaller disagreement or a larger one is news
    assert away.to_dict() == pytest.approx(
        {
            "xray-one-machine": 1.35,
            "xray-factory": 1.37,
            "xray-tube": 0.625,
            "xray-national-limit": 1.2,
            "slope-800-400": 0.96,
            "light-box-1000-high": 2.73,
            "trade-100-bw": 1.52,
        },
        rel=0.1,
    )
    assert set(away.index) == set(chain.WHY)
    assert all(links.why[away.index])


def test_of_what_nothing_was_set_by_no_row_is_off_by_a_factor_of_three(links):
    free = links[links.independent]
    assert len(free) >= 10
    assert (free.factor == 1.0).sum() >= 0.6 * len(free)
    assert np.all((free.factor > 1 / 3) & (free.factor < 3))


@pytest.mark.parametrize(("sensitivity", "at_least"), [(4.0, 9), (0.25, 4)])
def test_the_outside_would_notice_another_calibration(monkeypatch, sensitivity, at_least):
    # hits are sensitivity times dose: the same as film that is four times, or a quarter, as sensitive to radiation
    def other(film, kerma_ugy, *rest, **options):
        return answer(film, sensitivity * kerma_ugy, *rest, **options)

    monkeypatch.setattr(chain, "answer", other)
    found = chain.scored().set_index("id")
    steps = found[found.step != "source"]
    assert (steps.factor != 1.0).sum() >= at_least


@pytest.mark.parametrize("change", [-0.5, 0.5])
def test_the_outside_would_notice_another_exponent(monkeypatch, change):
    # fog that scales with speed**0.3 or speed**1.3 misses the published slopes
    def other(film, kerma_ugy, *rest, **options):
        return answer(film, kerma_ugy * (film.speed / 400.0) ** change, *rest, **options)

    monkeypatch.setattr(chain, "answer", other)
    factors = chain.scored().set_index("id").factor
    assert factors["slope-500-125"] != 1.0
    assert factors["slope-800-200"] != 1.0
