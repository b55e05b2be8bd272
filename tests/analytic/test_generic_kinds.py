"""Generic films of every kind meet the standard of their speed exactly."""

import numpy as np
import pytest

from filmdose.files import load_data_toml
from filmdose.film.generic import calibrated_hits_per_ugy, generic_film, record_value
from filmdose.film.model import KINDS, RECORD_NAMES
from filmdose.sensitometry import iso2240, iso5800, rise

SPEEDS = {
    "colour-negative": (25, 100, 200, 400, 800, 1600, 3200),
    "colour-reversal": (25, 50, 100, 200, 400, 800),
    "bw-reversal": (25, 100, 200, 400),
}


@pytest.mark.parametrize("speed", SPEEDS["colour-negative"])
def test_colour_negative_meets_iso_5800(speed):
    film = generic_film(speed, kind="colour-negative")
    curves = {name: record.curve() for name, record in film}
    assert iso5800(**curves).speed == pytest.approx(speed, rel=1e-9)
    for name, curve in curves.items():
        point = np.log10(np.sqrt(2) / speed)
        assert curve.density(point) - curve.minimum_density == pytest.approx(0.15, abs=1e-9)
        assert curve.minimum_density == pytest.approx(record_value("colour-negative", name, "minimum_density"))
        assert rise(curve, point) == pytest.approx(record_value("colour-negative", name, "rise_1_30"), abs=1e-9)


def test_orange_mask_minima_are_in_order():
    least = [record.minimum_density() for record in generic_film(400, kind="colour-negative").records]
    assert least[0] < least[1] < least[2]


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
def test_reversal_meets_iso_2240(kind):
    for speed in SPEEDS[kind]:
        for name, record in generic_film(speed, kind=kind):
            curve = record.curve()
            found = iso2240(curve)
            assert found.speed == pytest.approx(speed, rel=1e-9)
            assert found.log_highlight_point - found.log_shadow_point == pytest.approx(
                record_value(kind, name, "log_interval"), abs=1e-9
            )
            assert not curve.rising


@pytest.mark.parametrize("kind", ["colour-reversal", "bw-reversal"])
def test_fog_lowers_the_greatest_density_of_reversal_film(kind):
    for record in generic_film(100, kind=kind).records:
        tops = record.maximum_density(np.array([0.0, 30.0, 300.0]))
        assert np.all(np.diff(tops) < 0)
        assert record.minimum_density(300.0) == pytest.approx(record.minimum_density())
        # every density falls, and shadows most
        x = np.array([-3.0, -1.5, -0.5])
        loss = record.density(x) - record.density(x, 100.0)
        assert np.all(loss >= 0)
        assert loss[0] == max(loss)


def test_kappa_is_one_constant_for_every_film():
    kappa = calibrated_hits_per_ugy()
    for kind in KINDS:
        section = load_data_toml("films.toml")[kind]
        for speed in (section["speed_low"], section["speed_high"]):
            film = generic_film(speed, kind=kind)
            assert film.record_names == RECORD_NAMES[kind]
            assert all(record.hits_per_ugy == kappa for record in film.records)


def test_every_value_of_the_film_data_has_a_source_or_a_mark_and_a_unit():
    from filmdose.files import data_text

    bib = data_text("references.bib")

    def walk(node, place):
        if "value" in node:
            assert node.get("unit"), place
            assert node.get("source") or node.get("mark"), place
            if "source" in node:
                assert f"{{{node['source']}," in bib, f"{place}: {node['source']} is not in references.bib"
            return
        for key, child in node.items():
            if isinstance(child, dict):
                walk(child, f"{place}.{key}")

    walk(load_data_toml("films.toml"), "films")
