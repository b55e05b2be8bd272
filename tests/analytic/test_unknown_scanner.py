"""A scanner that nobody identified: a mixture, drawn as one, and the words people use for what they know."""

import datetime

import numpy as np
import pytest
from scipy.optimize import brentq
from scipy.stats import kstest, norm

from filmdose.everyday import KINDS_MEANT, POUCH, SHIELDS_MEANT, meant
from filmdose.film.generic import generic_film
from filmdose.film.model import KINDS
from filmdose.history import History, Pass, history_dose
from filmdose.odds import Prior, default_priors, propagate, trip_model
from filmdose.odds.priors import MixturePrior
from filmdose.radiation.shields import Shield, as_shields
from filmdose.radiation.sources import get_source
from filmdose.trip import Roll

PARTS = [(get_source(name), share) for name, share in get_source("unknown").mixture]


def below(dose):
    """Share of the mixture below a dose, from two halves of a log-normal for each part."""
    result = 0.0
    for source, share in PARTS:
        low, typical, high = source.air_kerma_points_ugy
        side = np.where(dose > typical, np.log(high / typical), np.log(typical / low))
        result = result + share * norm.cdf(np.log(dose / typical) / (side / norm.ppf(0.95)))
    return result


def test_shipped_points_are_those_of_the_mixture():
    assert sum(share for _, share in PARTS) == 1.0
    for found, probability in zip(get_source("unknown").air_kerma_points_ugy, (0.05, 0.5, 0.95), strict=True):
        exact = brentq(lambda dose, p=probability: below(dose) - p, 1e-3, 1e5)
        assert found == pytest.approx(exact, rel=1e-3)


def test_it_is_drawn_as_a_mixture():
    roll = Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="unknown")))
    model = trip_model([roll])
    scores = np.random.default_rng(1).standard_normal((4000, len(model.inputs)))
    (name,) = model.scanners
    doses = model.dose_per_pass_ugy(scores, name)
    assert kstest(doses, below).pvalue > 0.01
    # two humps with a gap between them, which no single log-normal through the same points has
    assert np.mean((doses > 12.0) & (doses < 100.0)) < 0.06


def test_the_middle_case_has_the_middle_of_what_nobody_identified():
    passes = (Pass(source="unknown"), Pass(source="cabin-ct"))
    model = trip_model([Roll(id="a", film=generic_film(400), history=History(passes=passes))])
    middle = model.at_mixture_middles(np.ones((1, len(model.inputs))))[0]
    names = {item.name for item, score in zip(model.inputs, middle, strict=True) if score == 0.0}
    assert names == {"dose[unknown]", "dose[unknown @ this trip]"}
    learnt = model.position["dose[unknown]"]
    assert model.at_mixture_middles(np.ones((1, len(model.inputs))), [learnt])[0, learnt] == 1.0


def test_a_known_part_keeps_its_share():
    mixture = MixturePrior.of([(Prior.known(2.0, kind="log_normal"), 0.5), (Prior(low=50, typical=100, high=200), 0.5)])
    doses = mixture.quantile(np.linspace(0.01, 0.99, 99))
    assert np.mean(np.abs(doses - 2.0) < 1e-3) == pytest.approx(0.5, abs=0.02)


def test_priors_of_the_parts_are_those_of_the_mixture():
    priors = default_priors().replaced({"dose:cabin-ct": 1000.0})
    roll = Roll(id="a", film=generic_film(400), history=History(passes=Pass(source="unknown")))
    model = trip_model([roll], priors)
    scores = np.random.default_rng(1).standard_normal((2000, len(model.inputs)))
    doses = model.dose_per_pass_ugy(scores, model.scanners[0])
    assert np.mean(np.abs(doses / 1000.0 - 1.0) < 1e-3) == pytest.approx(0.5, abs=0.04)


@pytest.mark.parametrize(
    ("text", "source", "count"),
    [("CT", "cabin-ct", 1), ("x-ray=3", "cabin-xray", 3), ("Hold Baggage = 2", "hold-ct", 2), ("?", "unknown", 1)],
)
def test_everyday_words_for_sources(text, source, count):
    part = Pass.parse(text)
    assert (part.source, part.count) == (source, count)


@pytest.mark.parametrize(
    ("word", "kind"), [("slide", "colour-reversal"), ("Color", "colour-negative"), ("B&W", "bw-negative")]
)
def test_everyday_words_for_kinds(word, kind):
    assert meant(word, KINDS_MEANT) == kind
    assert set(KINDS_MEANT.values()) <= set(KINDS)
    assert not set(KINDS_MEANT) & set(KINDS)


def test_shields_as_people_write_them():
    assert as_shields("lead=0.25") == as_shields("lead=0,25")
    assert as_shields("pouch") == as_shields("lead=0.125..0.25..0.5")
    assert Shield.parse("lead=0,1mm").thickness_mm == 0.1
    # 0.25 mm of lead of 11.35 g/cm3 weighs 0.28 g a square centimetre
    assert Shield.parse("lead=0.28 g/cm2").thickness_mm == pytest.approx(2.8 / 11.35, rel=2e-3)
    assert SHIELDS_MEANT["pouch"] == POUCH


def test_passes_on_different_days_are_different_machines():
    """Two of them are less often both strong or both weak than one machine twice."""
    film, days = generic_film(100), [datetime.date(2026, 5, 1), datetime.date(2026, 5, 9)]

    def spread(*passes):
        told = propagate([Roll(id="a", film=film, history=History(passes=passes))], samples=4096)["a"]
        return told.kerma_ugy[2] / told.kerma_ugy[0], history_dose(History(passes=passes)).notes

    twice, said = spread(Pass(source="unknown", count=2))
    apart, nothing = spread(*(Pass(source="unknown", date=day) for day in days))
    places, _ = spread(*(Pass(source="unknown", place=where) for where in ("north", "south")))
    assert apart < 0.7 * twice
    assert apart == pytest.approx(places, rel=0.05)
    note = "2 passes through a scanner not known count as through one and the same machine"
    assert any(words.startswith(note) for words in said)
    assert not any("one and the same machine" in words for words in nothing)
    same_day, _ = spread(*(Pass(source="unknown", date=days[0], note=note) for note in "ab"))
    assert same_day == pytest.approx(twice, rel=0.05)
    # a known kind stays one scanner for each trip
    known = [
        trip_model([Roll(id="a", film=film, history=History(passes=tuple(passes)))]).scanners
        for passes in ([Pass(source="cabin-ct", date=day) for day in days], [Pass(source="cabin-ct", count=2)])
    ]
    assert known[0] == known[1]
