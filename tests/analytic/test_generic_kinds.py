"""Generic films of every kind meet the standard of their speed exactly."""

import numpy as np
import pytest
from scipy.special import gammainc

from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import load_data_toml
from filmdose.film.generic import calibrated_hits_per_ugy, generic_film, record_value
from filmdose.film.population import CONTRAST_RANGE, TOE_RANGE, population_rows
from filmdose.sensitometry import iso6, iso2240, iso5800, rise
from filmdose.standards import KINDS, RECORD_NAMES

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
        point = np.log10(np.sqrt(2) / speed) + record_value("colour-negative", name, "speed_point_offset")
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


ROWS = [(kind, record) for kind in KINDS for record in RECORD_NAMES[kind]]


@pytest.mark.parametrize(("kind", "record"), ROWS)
def test_every_toe_and_contrast_keeps_the_clean_shadow_point(kind, record):
    # What the standard fixes holds for every row: the film's own curve, from its definition, at the shadow point.
    rng = np.random.default_rng(1)
    reversal = kind.endswith("reversal")
    toe, contrast = (rng.uniform(*limits[reversal], 200) for limits in (TOE_RANGE, CONTRAST_RANGE))
    z, weights = population_rows(kind, record, toe=toe, contrast=contrast)
    assert weights.shape == (200, z.size)
    assert np.all(weights >= 0)
    net = weights * (1 - record_value(kind, record, "native_fog"))
    first = gammainc(4, 10.0**z)
    if reversal:
        second = gammainc(4, 10.0 ** (record_value(kind, record, "log_interval") / contrast[:, None] + z))
        assert net @ (1 - first) == pytest.approx(np.full(200, 2.00), abs=1e-9)
        assert np.sum(net * (1 - second), axis=1) == pytest.approx(np.full(200, 0.20), abs=1e-9)
        assert net.sum(axis=1) == pytest.approx(np.full(200, record_value(kind, record, "net_maximum")), abs=1e-3)
    else:
        step = 0.10 if kind == "bw-negative" else 0.15
        nominal = 0.80 if kind == "bw-negative" else record_value(kind, record, "rise_1_30")
        second = gammainc(4, 10.0 ** (1.30 + z))
        assert net @ first == pytest.approx(np.full(200, step), abs=1e-9)
        assert net @ second - net @ first == pytest.approx(contrast * nominal, abs=1e-9)


@pytest.mark.parametrize(("kind", "record"), ROWS)
def test_one_row_is_the_generic_film(kind, record):
    reversal = kind.endswith("reversal")
    toe, contrast = 0.2, 1.1
    film = generic_film(100, kind=kind, toe=toe, contrast=contrast)
    emulsion = film.records[RECORD_NAMES[kind].index(record)]
    z, weights = population_rows(kind, record, toe=np.full(3, toe), contrast=np.full(3, contrast))
    np.testing.assert_allclose(emulsion.weights, weights[1], rtol=1e-12)
    shadow = float(
        emulsion.curve().inverse(emulsion.minimum_density() + (2.0 if reversal else 0.10 + 0.05 * (kind[0] == "c")))
    )
    np.testing.assert_allclose(emulsion.log_sensitivity + shadow, z, atol=1e-9)


@pytest.mark.parametrize(("kind", "record"), ROWS)
def test_populations_change_smoothly_with_toe_and_contrast(kind, record):
    # 0.1 % of a change of the edges moves no density by more than 0.1 % of the film's: no kink in the table
    limits = [limits[kind.endswith("reversal")] for limits in (TOE_RANGE, CONTRAST_RANGE)]
    steps = np.linspace(0, 1, 1001)
    for axis in (0, 1):
        ends = [np.full(1001, 0.5 * sum(pair)) for pair in limits]
        ends[axis] = limits[axis][0] + steps * (limits[axis][1] - limits[axis][0])
        z, weights = population_rows(kind, record, toe=ends[0], contrast=ends[1])
        density = weights @ gammainc(4, 10.0 ** (z[:, None] + np.linspace(-0.6, 2.0, 14)))
        assert np.max(np.abs(np.diff(density, axis=0))) < 2e-3 * density.max()
        assert np.max(np.abs(np.diff(density, 2, axis=0))) < 2e-5 * density.max()


def test_a_longer_toe_lies_higher_left_of_the_speed_point():
    z, weights = population_rows("bw-negative", "visual", toe=np.array([0.1, 0.2, 0.3, 0.4]), contrast=np.ones(4))
    toe = weights @ gammainc(4, 10.0 ** (z - 0.4))
    assert np.all(np.diff(toe) > 0)


def test_values_beyond_the_ranges_are_their_ends():
    low, high = TOE_RANGE[False]
    _, weights = population_rows("bw-negative", "visual", toe=np.array([0.001, low, high, 9.0]), contrast=np.ones(4))
    np.testing.assert_array_equal(weights[0], weights[1])
    np.testing.assert_array_equal(weights[2], weights[3])
    with pytest.raises(ArgumentError, match="toe"):
        generic_film(400, toe=0.001)
    with pytest.raises(ArgumentError, match="contrast"):
        generic_film(400, contrast=3.0)
    with pytest.raises(UnknownNameError, match="green"):
        population_rows("bw-negative", "green", toe=np.ones(1), contrast=np.ones(1))
    with pytest.raises(UnknownNameError, match="paper"):
        population_rows("paper", "green", toe=np.ones(1), contrast=np.ones(1))


@pytest.mark.few(11)
@pytest.mark.parametrize("kind", sorted(KINDS))
@pytest.mark.parametrize("quanta", [2, 4, 8, 16])
def test_other_quanta_meet_the_standard_too(kind, quanta):
    film = generic_film(100, kind=kind, quanta=quanta)
    curves = dict(zip(film.record_names, (record.curve() for record in film.records), strict=True))
    if kind == "bw-negative":
        assert iso6(curves["visual"]).speed == pytest.approx(100, rel=1e-9)
    elif kind == "colour-negative":
        assert iso5800(**curves).speed == pytest.approx(100, rel=1e-9)
    else:
        assert iso2240(curves.get("green", curves.get("visual"))).speed == pytest.approx(100, rel=1e-9)


@pytest.mark.parametrize("kind", sorted(KINDS))
def test_noise_of_a_kind_is_the_same_at_every_speed_but_for_its_height(kind):
    # alpha, s and v say how noise goes with exposure from the shadow point on; rms granularity how much it is.
    slow, fast = (generic_film(speed, kind=kind).records[0] for speed in (50, 400))
    x = np.linspace(-2.5, 0.5, 13)
    ratio = slow.noise(x) / fast.noise(x - np.log10(8.0))
    np.testing.assert_allclose(ratio, slow.rms_granularity / fast.rms_granularity, rtol=1e-6)


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
