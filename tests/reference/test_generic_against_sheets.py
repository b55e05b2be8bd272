"""Generic films and their noise beside makers' sheets: chosen on the design half, held to the other half.

The points are flag P (spectral_film_lut, MIT); reference/build_curves.py states the rule of the halves.  A test that
takes the design half says how well the choice was made, one that takes the held-out half whether it holds.
"""

import digitised
import numpy as np
import pytest

from filmdose.film.generic import generic_film, record_value
from filmdose.film.noisefit import GranularityReadings, fit_noise, typical_noise
from filmdose.film.recordfit import fit_emulsion
from filmdose.sensitometry import contrast_index, delta_x_speed, fractional_gradient_point, iso6
from filmdose.standards import ISO2240_SHADOW, RECORD_NAMES, SPEED_POINT

BESIDE = np.array([-0.45, -0.3, -0.15, 0.15, 0.3, 0.65, 1.0, 1.6, 2.0])  # log units from the speed point


def test_halves_are_what_the_rule_says():
    # The rule needs nothing but the hash: within a kind (colour negatives: and a medium) the order decides.
    rows = digitised.sheets().reset_index()
    rows["stratum"] = np.where(rows.kind == "colour-negative", rows.medium, "")
    every = digitised.pd.read_csv(digitised.FOLDER / "sheets.csv", comment="#")
    every["stratum"] = np.where(every.kind == "colour-negative", every.medium, "")
    for _, part in every.drop_duplicates("module").groupby(["kind", "stratum"]):
        ordered = part.sort_values("module").half.tolist()
        assert ordered == ["design" if place % 2 == 0 else "held-out" for place in range(len(ordered))]


def differences(kind, half):
    """Net density of every sheet less that of the generic film of the same rise over 1.30, right and left of it."""
    found = []
    for film, minutes, record in digitised.all_curves(None):
        sheet = digitised.sheets().loc[film]
        if sheet.kind != kind or sheet.half != half:
            continue
        curve = digitised.curve(film, record, minutes)
        step = SPEED_POINT[kind]
        point = curve.inverse(curve.minimum_density + step)
        rise = curve.density(point + 1.30) - curve.minimum_density - step
        nominal = 0.80 if kind == "bw-negative" else record_value(kind, record, "rise_1_30")
        place = RECORD_NAMES[kind].index(record)
        like = generic_film(400, kind=kind, contrast=float(rise / nominal)).records[place].curve()
        start = like.inverse(like.minimum_density + step)
        found.append(
            curve.density(point + BESIDE) - curve.minimum_density - like.density(start + BESIDE) + like.minimum_density
        )
    return np.array(found)


@pytest.mark.parametrize("half", ["design", "held-out"])
@pytest.mark.parametrize(("kind", "count"), [("bw-negative", 4), ("colour-negative", 33)])
def test_a_generic_film_of_the_same_contrast_has_the_shape_of_the_sheets(kind, count, half):
    off = differences(kind, half)
    assert len(off) >= count
    # median of all sheets: 0.015 density from the toe to the straight line; two log units up their shoulders differ
    assert np.all(np.abs(np.nanmedian(off[:, :-1], axis=0)) < 0.015)
    # (black-and-white: the one design sheet, of a motion-picture film, bends earlier than the generic film is given)
    assert abs(np.nanmedian(off[:, -1])) < (0.075 if kind == "bw-negative" else 0.05)
    # and each of them: 0.036 rms at most, 0.016 in the toe
    assert np.all(np.sqrt(np.nanmean(off[:, :-1] ** 2, axis=0)) < 0.037)
    assert np.all(np.sqrt(np.nanmean(off[:, :4] ** 2, axis=0)) < 0.017)


@pytest.mark.parametrize(("half", "worst"), [("design", 0.075), ("held-out", 0.21)])
def test_generic_reversal_film_has_the_shape_of_the_sheets(half, worst):
    # The only held-out sheet is of a film with a greatest density of 3.7 against 3.3: its blacks are 0.2 denser.
    beside = np.array([-0.4, -0.2, 0.2, 0.5, 0.8, 1.1, 1.4])
    off = []
    for film, _, record in digitised.all_curves(None):
        sheet = digitised.sheets().loc[film]
        if sheet.kind != "colour-reversal" or sheet.half != half:
            continue
        curves = (
            digitised.curve(film, record),
            generic_film(100, kind="colour-reversal").records[RECORD_NAMES["colour-reversal"].index(record)].curve(),
        )
        net = [
            curve.density(curve.inverse(curve.minimum_density + ISO2240_SHADOW) + beside) - curve.minimum_density
            for curve in curves
        ]
        off.append(net[0] - net[1])
    assert len(off) >= 3
    assert np.max(np.sqrt(np.mean(np.square(off), axis=0))) < worst
    # from the shadow point to the highlights
    assert np.max(np.abs(np.median(off, axis=0)[2:])) < 0.09


@pytest.mark.parametrize("toe", [0.10, 0.24, 0.40])
def test_generic_black_and_white_film_has_delta_x_and_contrast_index_of_real_films(toe):
    curve = generic_film(400, toe=toe).records[0].curve()
    speed = iso6(curve)
    assert speed.contrast_met
    # Nelson & Simonds 1956: 0.296 log units at a rise of 0.80; sheets 0.25 to 0.32 (P)
    before = speed.log_speed_point - fractional_gradient_point(curve).log_exposure
    assert 0.235 < before < 0.30
    # sheets of the same rise: 0.60 to 0.62 (N), issue of the contrast index: 0.58 to 0.66
    assert 0.58 < contrast_index(curve) < 0.66
    assert delta_x_speed(curve).speed == pytest.approx(speed.speed, rel=1e-6)


def granularity_fits(half):
    for (film, record), rows in digitised.granularity().groupby(["film", "record"]):
        sheet = digitised.sheets().loc[film]
        if sheet.half != half:
            continue
        rows = rows.sort_values("log_exposure")
        x, density, sigma = rows.log_exposure.to_numpy(), rows.density.to_numpy(), rows.sigma.to_numpy()
        positive = "reversal" in sheet.kind
        fit = fit_emulsion(
            x,
            density,
            positive=positive,
            record=record,
            assumed_native_fog=record_value(sheet.kind, record, "native_fog"),
        ).emulsion
        step = ISO2240_SHADOW if positive else SPEED_POINT[sheet.kind]
        shadow = float(fit.curve().inverse(fit.minimum_density() + step))
        yield film, record, sheet.kind, fit, shadow, x, sigma


@pytest.mark.few(1)
@pytest.mark.parametrize(("half", "count"), [("design", 13), ("held-out", 12)])
def test_the_noise_of_the_kind_has_the_course_of_published_granularity(half, count):
    scatter = {}
    for film, record, kind, fit, shadow, x, sigma in granularity_fits(half):
        typical = typical_noise(fit, kind, record, shadow)
        scatter[film, record] = float(np.std(np.log(np.asarray(typical.noise(x)) / sigma)))
        if kind == "colour-negative":
            # sigma falls: three stops up it is less than at the speed point, on the sheets by 1.04 to 1.9
            read = np.interp(shadow, x, sigma) / np.interp(shadow + 0.903, x, sigma)
            ours = typical.noise(shadow) / typical.noise(shadow + 0.903)
            assert read > 1.0
            assert 0.7 < read / ours < 1.45
    assert len(scatter) == count
    # ln(sigma) from the clear film to the shoulder, over which sigma changes by a factor of two to twenty
    assert np.median(list(scatter.values())) < 0.15
    assert max(scatter.values()) < 0.33


@pytest.mark.long
@pytest.mark.parametrize("half", ["design", "held-out"])
def test_the_noise_law_fits_published_granularity(half):
    scatters = []
    for _, record, kind, fit, shadow, x, sigma in granularity_fits(half):
        readings = GranularityReadings(sigma=sigma, log_exposure=x)
        found, scatter = fit_noise(fit, readings, kind=kind, record=record, log_shadow_exposure=shadow)
        scatters.append(scatter)
        assert np.std(np.log(np.asarray(found.noise(x)) / sigma)) == pytest.approx(scatter, abs=0.03)
    assert np.median(scatters) < 0.10
    assert max(scatters) < 0.22
