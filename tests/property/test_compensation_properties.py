"""What must hold for every film and dose."""

import itertools
import math
import pickle

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given, settings
from hypothesis import strategies as st
from independent import slow_stops
from strategies import grain_records

from filmdose.answering import answer, answer_grid, film_to_dict, given_stops
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Pass, history_dose
from filmdose.question import Question
from filmdose.solution import record_solvers, shadow_points, solve_film
from filmdose.solver import CRITERIA
from filmdose.standards import KINDS
from filmdose.units import STANDARD_SPEEDS, standard_exposure_index

speeds = st.floats(25, 6400)
doses = st.one_of(st.just(0.0), st.floats(1e-3, 1e5))


@given(speed=speeds)
def test_zero_dose_is_identity(speed):
    found = answer(speed, 0.0)
    assert found.fog_density == 0.0
    assert found.stops == dict.fromkeys(CRITERIA, 0.0)
    assert found.ei_exact == speed
    assert found.snr_kept == 1.0
    assert found.contrast["fogged"] == pytest.approx(found.contrast["clean"], abs=1e-12)
    assert (found.status, found.verdict) == ("ok", "good")


@given(speed=speeds, low=doses, factor=st.floats(1.01, 100))
def test_more_dose_never_helps(speed, low, factor):
    grid = answer_grid([speed], [low, low * factor])
    fog, kept = grid["fog_density"].to_numpy()[0], grid["snr_kept"].to_numpy()[0]
    assert fog[1] >= fog[0] >= 0
    assert kept[1] <= kept[0] + 1e-12
    stops = grid["stops"].to_numpy()[0]
    for name, before, after in zip(CRITERIA, stops[0], stops[1], strict=True):
        if np.isnan(before):
            assert np.isnan(after), name
        elif not np.isnan(after):
            assert after >= before - 1e-6, name
    given_before, given_after = grid["given_stops"].to_numpy()[0]
    assert (
        np.isnan(given_after) or given_after >= given_before - 0.011
    )  # the least loss is found to a hundredth of a stop


@given(speed=st.floats(25, 3200), factor=st.floats(1.05, 2), dose=st.floats(1e-3, 1e4))
def test_faster_film_fogs_more_and_wants_more(speed, factor, dose):
    slow, fast = answer(speed, dose), answer(speed * factor, dose)
    assert fast.fog_density > slow.fog_density
    if slow.stops["shadow_snr"] is not None and fast.stops["shadow_snr"] is not None:
        assert fast.stops["shadow_snr"] >= slow.stops["shadow_snr"] - 1e-6


@given(speed=speeds, dose=doses)
def test_ok_never_carries_nan_and_the_index_gives_more_exposure(speed, dose):
    row = answer_grid([speed], [dose]).isel(film=0, kerma_ugy=0)
    status, verdict, given = row["status"].item(), row["verdict"].item(), row["given_stops"].item()
    if status == "ok":
        assert np.isfinite([row["ei"], row["ei_exact"], given, row["room_left_stops"], row["needed_stops"]]).all()
        assert row["snr_given"].item() >= 0.99
    assert np.isnan(row["ei"].item()) == (status == "beyond_rescue") == (verdict == "lost")
    if status != "beyond_rescue":
        # the nearest third stop that is not more than 0.10 stop under the exact answer
        coarse = row["ei_exact"].item() < 4  # the printed scale has gaps below
        assert coarse or -1 / 3 < math.log2(row["ei"].item() / row["ei_exact"].item()) < 0.10 + 1 / 30
        # a roll that needs nothing, or less than a click, keeps the number on its box, whatever it is
        assert row["ei"].item() in ([speed, *STANDARD_SPEEDS] if given > 0 else [speed])
        assert row["ei"].item() <= speed


@given(speed=speeds, dose=st.floats(0.1, 1e5))
def test_signal_to_noise_asks_for_at_least_as_much_as_gradient(speed, dose):
    # r >= r0 with more noise than the clean film means a gradient of at least the clean one.
    stops = answer(speed, dose).stops
    if stops["shadow_snr"] is not None:
        assert stops["shadow_gradient"] is not None
        assert stops["shadow_snr"] >= stops["shadow_gradient"] - 1e-6


@given(doses=st.lists(doses, min_size=2, max_size=40))
def test_vectorised_equals_one_by_one_and_follows_the_order(doses):
    together = answer_grid([400], doses)
    turned = answer_grid([400], doses[::-1])
    for i, dose in enumerate(doses):
        alone = answer(400, dose)
        got = together["stops"].isel(film=0, kerma_ugy=i).to_numpy()
        expected = [np.nan if v is None else v for v in alone.stops.values()]
        assert got == pytest.approx(expected, abs=1e-9, nan_ok=True)
        assert turned["stops"].isel(film=0, kerma_ugy=-1 - i).to_numpy() == pytest.approx(got, abs=1e-9, nan_ok=True)


def test_passes_add_in_any_order():
    parts = [Pass.parse("cabin-ct=2"), Pass.parse("cabin-xray=3"), Pass(source="hold-ct", shield="lead=0.25")]
    totals = {history_dose(order).kerma_ugy for order in itertools.permutations(parts)}
    assert len(totals) == 1
    apart = sum(history_dose([part]).kerma_ugy for part in parts)
    assert totals.pop() == pytest.approx(apart, rel=1e-14)


@given(thickness=st.floats(0.0, 5.0), source=st.sampled_from(["cabin-xray", "cabin-ct", "hold-ct"]))
def test_a_shield_never_adds_dose(thickness, source):
    bare = history_dose([Pass(source=source)]).kerma_ugy
    assert history_dose([Pass(source=source, shield=f"lead={thickness}")]).kerma_ugy <= bare


def test_nan_dose_is_unknown_there_and_only_there():
    grid = answer_grid([400], [10.0, np.nan])
    assert grid["status"].to_numpy()[0].tolist() == ["ok", "unknown"]
    assert np.isfinite(grid["stops"].to_numpy()[0, 0]).all()
    assert np.isnan(grid["stops"].to_numpy()[0, 1]).all()


def test_containers_in_are_containers_out():
    film = generic_film(400).records[0]
    x = [-3.0, -2.0]
    assert isinstance(film.density(-3.0), float)
    assert isinstance(film.density(x), np.ndarray)
    series = pd.Series(x, index=["a", "b"], name="log_exposure")
    pd.testing.assert_series_equal(
        film.density(series), pd.Series(film.density(x), index=["a", "b"], name="log_exposure")
    )
    lines = xr.DataArray(x, dims="step", coords={"step": [1, 2]})
    doses = xr.DataArray([0.0, 100.0, 1000.0], dims="dose")
    both = film.density(lines, doses)
    assert both.dims == ("step", "dose")
    assert both.shape == (2, 3)
    assert both.isel(dose=1).to_numpy() == pytest.approx(film.density(x, 100.0))
    frame = pd.DataFrame({"u": x, "v": x})
    assert film.gradient(frame).columns.tolist() == ["u", "v"]
    assert np.isnan(film.density([np.nan, -2.0])).tolist() == [True, False]


@given(speed=st.sampled_from([s for s in STANDARD_SPEEDS if s >= 25]), clicks=st.integers(0, 3))
def test_third_stops_land_on_the_printed_numbers(speed, clicks):
    index = STANDARD_SPEEDS.index(speed)
    assert standard_exposure_index(float(speed), clicks / 3) == STANDARD_SPEEDS[index - clicks]


@given(record=grain_records(), dose=st.floats(0.1, 3000.0))
@settings(max_examples=60)
def test_random_films_agree_with_an_independent_brentq_solve(record, dose):
    film = Film(kind="bw-negative", speed=400, records=(record,))
    shadow = shadow_points(film)[0]
    found = answer(film, dose)
    expected = slow_stops(film_to_dict(film), dose)
    # the slow solve walks to 6 log units, the solver to where the film is saturated, and for signal-to-noise as far as
    # compensation is looked for; compare where both look
    light = record_solvers(film)[0].light
    farthest = dict.fromkeys(found.stops, light.top / math.log10(2))
    farthest["shadow_snr"] = (light.reach - 1) * light.step / math.log10(2)
    for name, stops in found.stops.items():
        slow = expected[name]
        if stops is not None and math.isnan(slow):
            # the walk of the slow solve steps over a touch; then the solver's point must satisfy the criterion itself
            assert name in ("shadow_gradient", "shadow_snr")
            x = shadow + stops * math.log10(2)
            measure = record.gradient if name == "shadow_gradient" else record.signal_to_noise
            assert measure(x, dose) == pytest.approx(measure(shadow), rel=1e-4)
        elif stops is None:
            assert math.isnan(slow) or slow > farthest[name] - 0.5 or only_touches(film, dose, name, shadow, slow), name
        else:
            # where one is hardly passed, the solver may stop at it and the walk step over it, or the other way round
            touched = (only_touches(film, dose, name, shadow, place) for place in (slow, stops))
            assert stops == pytest.approx(slow, abs=1e-3) or any(touched), name


def only_touches(film, dose, name, shadow, stops):
    """Whether the criterion is hardly passed near a point: 0.2 % above what is asked, or lost with 2 % more dose.

    There a root is not well defined to 0.001 stop, and a grid may step over it.
    """
    around = [answer(film, dose * factor).stops[name] for factor in (0.98, 1.02)]
    if (around[0] is None) != (around[1] is None):
        return True
    record = film.records[0]
    measure = {"shadow_gradient": record.gradient, "shadow_snr": record.signal_to_noise}[name]
    x = shadow + stops * math.log10(2) + np.linspace(-0.1, 0.1, 81)
    return float(np.max(measure(x, dose))) < 1.002 * measure(shadow)


def test_given_stops_gives_back_the_container():
    doses = pd.Series([0.0, 50.0, np.nan, 500.0], index=list("abcd"), name="kerma")
    got = given_stops(800, doses)
    assert got.index.tolist() == list("abcd")
    assert got.isna().tolist() == [False, False, True, False]
    assert got["d"] == pytest.approx(answer(800, 500.0).given_stops)
    lines = xr.DataArray([[0.0, 50.0], [5.0, 500.0]], dims=("trip", "roll"))
    assert given_stops(800, lines).dims == ("trip", "roll")
    assert isinstance(given_stops(800, 50.0), float)


@pytest.mark.parametrize("kind", list(KINDS))
def test_a_solution_has_the_shape_of_its_doses(kind):
    film, doses = generic_film(200, kind=kind), np.array([[0.0, 50.0, np.nan], [5.0, 500.0, 4e10]])
    whole, flat = solve_film(film, doses, Question()), solve_film(film, doses.ravel(), Question())
    for name in ("fog_density", "given", "best", "snr_kept", "verdict", "status", "decides"):
        np.testing.assert_array_equal(getattr(whole, name), getattr(flat, name).reshape(2, 3))


def test_a_roll_of_the_worst_band_is_a_roll_of_that_dose():
    for kerma, peak in ((30.0, 2.0), (100.0, 1.7)):
        uneven, even = answer(400, kerma, Question(peak_to_mean=peak)), answer(400, kerma * peak)
        assert uneven.given_stops == pytest.approx(even.given_stops, abs=1e-12)
        assert uneven.message == even.message


def test_answers_pickle():
    found = answer(800, 100.0)
    assert pickle.loads(pickle.dumps(found)) == found
    grid = answer_grid([100, 400], [1.0, 10.0])
    assert pickle.loads(pickle.dumps(grid)).identical(grid)
