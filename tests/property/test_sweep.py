"""Sweeps: the same numbers whether alone, eager, lazy or on a cluster."""

import pickle
import warnings

import numpy as np
import pytest

from filmdose.compensation import compensate
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.generic import generic_film
from filmdose.history import Pass, history_dose
from filmdose.solver import CRITERIA
from filmdose.sweep import sweep

INPUTS = {
    "speed": [100.0, 800.0],
    "kerma_ugy": np.geomspace(1.0, 3e4, 9),
    "hit_exponent": [0.6, 0.9],
    "calibration_kerma_ugy": [12.0, 25.0],
    "shield_thickness_mm": [0.0, 0.25],
    "snr_target": [0.8, 1.0],
}


@pytest.fixture(scope="module")
def eager():
    return sweep(**INPUTS)


def test_dimensions_units_and_names(eager):
    assert dict(eager["stops"].sizes) == {
        **{name: len(values) for name, values in INPUTS.items()},
        "criterion": len(CRITERIA),
    }
    assert eager["kerma_ugy"].attrs == {"units": "uGy", "long_name": "effective air kerma of the unshielded film"}
    assert all("long_name" in eager[name].attrs for name in eager.data_vars)
    assert eager["quanta"].item() == 4.0


def test_every_cell_is_the_answer_of_one_roll(eager):
    rng = np.random.default_rng(0)
    for _ in range(25):
        place = {name: int(rng.integers(len(values))) for name, values in INPUTS.items()}
        at = {name: float(np.asarray(values)[place[name]]) for name, values in INPUTS.items()}
        film = generic_film(
            at["speed"], hit_exponent=at["hit_exponent"], calibration_kerma_ugy=at["calibration_kerma_ugy"]
        )
        shield = f"lead={at['shield_thickness_mm']}"
        dose = history_dose(Pass(source="cabin-xray", kerma_ugy=at["kerma_ugy"], shield=shield))
        alone = compensate(film, dose.kerma_ugy, snr_target=at["snr_target"])
        cell = eager.isel(place)
        expected = [np.nan if value is None else value for value in alone.stops.values()]
        assert cell["stops"].to_numpy() == pytest.approx(expected, abs=1e-9, nan_ok=True)
        assert cell["fog_density"].item() == pytest.approx(alone.fog_density, abs=1e-12)
        if alone.ei_exact is not None:
            assert cell["ei_exact"].sel(criterion="shadow_snr").item() == pytest.approx(alone.ei_exact)


@pytest.mark.parametrize(
    "chunks", [{"kerma_ugy": 4}, {"kerma_ugy": 3, "speed": 1, "shield_thickness_mm": 1, "snr_target": 1}, 2]
)
@pytest.mark.parametrize("scheduler", ["synchronous", "threads"])
def test_lazy_equals_eager(eager, chunks, scheduler):
    lazy = sweep(**INPUTS, chunks=chunks)
    assert lazy["stops"].chunks is not None
    computed = lazy.compute(scheduler=scheduler)
    for name in eager.data_vars:
        np.testing.assert_allclose(computed[name], eager[name], rtol=0, atol=1e-12)
        assert computed[name].attrs == eager[name].attrs
        assert computed[name].dims == eager[name].dims


def test_two_workers_of_a_cluster_equal_eager(eager):
    from distributed import Client, LocalCluster

    lazy = sweep(**INPUTS, chunks={"kerma_ugy": 2, "speed": 1})
    with warnings.catch_warnings():
        # what the cluster's own packages warn of is not ours to judge
        warnings.simplefilter("ignore")
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
            Client(cluster),
        ):
            computed = lazy.compute()
    for name in eager.data_vars:
        np.testing.assert_allclose(computed[name], eager[name], rtol=0, atol=1e-12)


def test_films_as_a_dimension():
    films = [generic_film(400), generic_film(400, kind="colour-negative"), generic_film(400, kind="colour-reversal")]
    got = sweep(film=films, kerma_ugy=[10.0, 100.0])
    assert got["film"].to_numpy().tolist() == [film.label for film in films]
    for i, film in enumerate(films):
        alone = compensate(film, 100.0)
        expected = [np.nan if value is None else value for value in alone.stops.values()]
        assert got["stops"].to_numpy()[i, 1] == pytest.approx(expected, nan_ok=True)
    lazy = sweep(film=films, kerma_ugy=[10.0, 100.0], chunks={"film": 1}).compute()
    np.testing.assert_allclose(lazy["fog_density"], got["fog_density"], rtol=0, atol=1e-12)


def test_kinds_as_a_dimension_and_only_the_wanted_answers():
    got = sweep(kind=["bw-negative", "colour-negative"], kerma_ugy=100.0, answers=("stops",))
    assert list(got.data_vars) == ["stops"]
    assert dict(got["stops"].sizes) == {"kind": 2, "criterion": 4}


def test_a_sweep_pickles(eager):
    assert pickle.loads(pickle.dumps(eager)).identical(eager)


def test_progress_goes_to_standard_error(capsys):
    sweep(kerma_ugy=[1.0], hit_exponent=[0.7, 0.8], progress=True)
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "sweep" in captured.err


@pytest.mark.parametrize(
    ("changes", "says"),
    [
        ({"kerma": [1.0]}, "Did you mean kerma_ugy"),
        ({"kerma_ugy": [-1.0]}, "kerma_ugy: got -1.0"),
        ({"kerma_ugy": [np.nan]}, "kerma_ugy: got nan"),
        ({"kerma_ugy": []}, "kerma_ugy"),
        ({"kerma_ugy": [[1.0]]}, "kerma_ugy"),
        ({"speed": "fast"}, "speed: got 'fast'"),
        ({"speed": [10.0]}, "speed: got 10.0"),
        ({"kind": ["wet plate"]}, "kind: got 'wet plate'"),
        ({"answers": ("speed",)}, "answers: got 'speed'"),
        ({"chunks": {"film": 1}}, "chunks: got 'film'"),
        ({"chunks": {"kerma_ugy": 0}}, "chunks: got"),
        ({"shield_thickness_mm": 0.1, "shield_material": "led"}, "led"),
        ({"film": generic_film(100), "speed": 100}, "speed: got 100; allowed is nothing when film is given"),
        ({"film": []}, "film: got"),
    ],
)
def test_bad_input(changes, says):
    with pytest.raises((ArgumentError, UnknownNameError), match=says.replace("(", r"\(")):
        sweep(**{"kerma_ugy": [1.0, 2.0], **changes})


def test_kerma_is_required():
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        sweep(speed=[100])
