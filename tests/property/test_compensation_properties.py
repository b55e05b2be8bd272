"""What must hold for every film and dose."""

import itertools

import numpy as np
import pandas as pd
import pytest
import xarray as xr
from hypothesis import given
from hypothesis import strategies as st

from filmdose.compensation import compensate, compensation_grid
from filmdose.generic import generic_film
from filmdose.history import Pass, history_dose
from filmdose.solver import CRITERIA
from filmdose.units import STANDARD_SPEEDS, standard_exposure_index

speeds = st.floats(25, 6400)
doses = st.one_of(st.just(0.0), st.floats(1e-3, 1e5))


@given(speed=speeds)
def test_zero_dose_is_identity(speed):
    answer = compensate(speed, 0.0)
    assert answer.fog_density == 0.0
    assert answer.stops == dict.fromkeys(CRITERIA, 0.0)
    assert answer.ei_exact == speed
    assert answer.snr_kept == 1.0
    assert answer.contrast["fogged"] == pytest.approx(answer.contrast["clean"], abs=1e-12)
    assert answer.status == "ok"


@given(speed=speeds, low=doses, factor=st.floats(1.01, 100))
def test_more_dose_never_helps(speed, low, factor):
    grid = compensation_grid([speed], [low, low * factor])
    fog, kept = grid["fog_density"].to_numpy()[0], grid["snr_kept"].to_numpy()[0]
    assert fog[1] >= fog[0] >= 0
    assert kept[1] <= kept[0] + 1e-12
    stops = grid["stops"].to_numpy()[0]
    for name, before, after in zip(CRITERIA, stops[0], stops[1], strict=True):
        if np.isnan(before):
            assert np.isnan(after), name
        elif not np.isnan(after):
            assert after >= before - 1e-6, name


@given(speed=st.floats(25, 3200), factor=st.floats(1.05, 2), dose=st.floats(1e-3, 1e4))
def test_faster_film_fogs_more_and_wants_more(speed, factor, dose):
    slow, fast = compensate(speed, dose), compensate(speed * factor, dose)
    assert fast.fog_density > slow.fog_density
    if slow.stops["shadow_snr"] is not None and fast.stops["shadow_snr"] is not None:
        assert fast.stops["shadow_snr"] >= slow.stops["shadow_snr"] - 1e-6


@given(speed=speeds, dose=doses)
def test_ok_never_carries_nan_and_the_index_gives_more_exposure(speed, dose):
    row = compensation_grid([speed], [dose]).isel(film=0, kerma_ugy=0)
    status = row["status"].item()
    if status == "ok":
        assert np.isfinite([row["ei"], row["ei_exact"], row["stops_given"], row["highlight_room_stops"]]).all()
    assert np.isnan(row["ei"].item()) == (status == "beyond_rescue")
    if status != "beyond_rescue":
        assert row["ei"].item() <= row["ei_exact"].item() * 2 ** (1 / 30)
        # a roll that needs nothing keeps the number on its box, whatever it is
        assert row["ei"].item() in (STANDARD_SPEEDS if row["stops_given"] > 0 else [speed])


@given(speed=speeds, dose=st.floats(0.1, 1e5))
def test_signal_to_noise_asks_for_at_least_as_much_as_gradient(speed, dose):
    # r >= r0 with more noise than the clean film means a gradient of at least the clean one.
    stops = compensate(speed, dose).stops
    if stops["shadow_snr"] is not None:
        assert stops["shadow_gradient"] is not None
        assert stops["shadow_snr"] >= stops["shadow_gradient"] - 1e-6


@given(doses=st.lists(doses, min_size=2, max_size=40))
def test_vectorised_equals_one_by_one_and_follows_the_order(doses):
    together = compensation_grid([400], doses)
    turned = compensation_grid([400], doses[::-1])
    for i, dose in enumerate(doses):
        alone = compensate(400, dose)
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
    grid = compensation_grid([400], [10.0, np.nan])
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
