"""Sweeps: the same numbers whether alone, in a grid, eager, lazy or on a cluster."""

import os
import pickle
import signal
import warnings

import numpy as np
import pytest

from filmdose.answering import answer, answer_grid
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.generic import generic_film
from filmdose.question import Question
from filmdose.solver import CRITERIA
from filmdose.standards import KINDS
from filmdose.sweep import SWEEP_ANSWERS, SWEEP_INPUTS, sweep

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
    return sweep(**INPUTS, answers=SWEEP_ANSWERS)


def test_dimensions_units_and_names(eager):
    assert dict(eager["given_stops"].sizes) == {name: len(values) for name, values in INPUTS.items()}
    assert eager["kerma_ugy"].attrs == {"units": "uGy", "long_name": "effective air kerma of the unshielded film"}
    assert all("long_name" in eager[name].attrs for name in eager.data_vars)
    assert eager["quanta"].item() == 4.0
    assert set(SWEEP_INPUTS) - set(eager.coords) == {"film", "toe", "source", "passes", "format"}
    assert not {"verdict", "status"} & set(sweep(kerma_ugy=1.0).data_vars)


def test_every_cell_is_the_answer_of_one_roll(eager):
    rng = np.random.default_rng(0)
    for _ in range(25):
        place = {name: int(rng.integers(len(values))) for name, values in INPUTS.items()}
        at = {name: float(np.asarray(values)[place[name]]) for name, values in INPUTS.items()}
        film = generic_film(
            at["speed"], hit_exponent=at["hit_exponent"], calibration_kerma_ugy=at["calibration_kerma_ugy"]
        )
        through = eager_transmission(at["shield_thickness_mm"])
        alone = answer(film, at["kerma_ugy"] * through, Question(snr_target=at["snr_target"]))
        cell = eager.isel(place)
        for name in ("needed_stops", "given_stops", "ei", "ei_exact"):
            expected = getattr(alone, name)
            assert cell[name].item() == pytest.approx(np.nan if expected is None else expected, abs=1e-9, nan_ok=True)
        assert cell["fog_density"].item() == pytest.approx(alone.fog_density, abs=1e-12)
        assert (cell["verdict"].item(), cell["status"].item()) == (alone.verdict, alone.status)


def eager_transmission(thickness_mm):
    from filmdose.radiation import Shield, transmission

    return transmission(Shield(material="lead", thickness_mm=thickness_mm)).effective if thickness_mm else 1.0


@pytest.mark.few(12)
@pytest.mark.parametrize("kind", list(KINDS))
@pytest.mark.parametrize("criterion", list(CRITERIA))
def test_a_sweep_over_speeds_and_doses_is_the_grid_exactly(kind, criterion):
    speeds, doses = [50.0, 200.0, 400.0], [0.0, 3.0, 100.0, 3000.0, 4e10]
    grid = answer_grid(
        [generic_film(speed, kind=kind) for speed in speeds], doses, Question(criterion=criterion, peak_to_mean=1.3)
    )
    got = sweep(speed=speeds, kind=kind, kerma_ugy=doses, criterion=criterion, peak_to_mean=1.3, answers=SWEEP_ANSWERS)
    for name in SWEEP_ANSWERS:
        np.testing.assert_array_equal(got[name].to_numpy(), grid[name].to_numpy())
        assert got[name].attrs == grid[name].attrs


def test_every_question_can_be_a_dimension():
    questions = {
        "criterion": ["shadow-snr", "fixed_density"],
        "scene_range": [1.8, 2.6],
        "peak_to_mean": [1.0, 2.0],
        "cost_under": [2.0, 4.0],
        "cost_over": [1.0, 2.0],
    }
    got = sweep(kerma_ugy=100.0, toe=[0.2, 0.4], contrast=[0.8, 1.2], **questions)
    assert got["criterion"].to_numpy().tolist() == ["shadow_snr", "fixed_density"]
    film = generic_film(400, toe=0.4, contrast=0.8)
    for place in np.ndindex(2, 2, 2, 2, 2):
        at = dict(zip(questions, place, strict=True))
        question = Question(**{name: questions[name][i] for name, i in at.items()})
        alone = answer(film, 100.0, question)
        cell = got.isel(toe=1, contrast=0, **at)
        expected = np.nan if alone.given_stops is None else alone.given_stops
        np.testing.assert_allclose(cell["given_stops"].item(), expected, rtol=0, atol=1e-11)


def assert_same(got, expected):
    """To the rounding of matrix products, which depends on how many rows are multiplied at once."""
    for name in got.data_vars:
        if expected[name].dtype.kind == "f":
            np.testing.assert_allclose(got[name], expected[name], rtol=1e-11, atol=1e-11)
        else:
            np.testing.assert_array_equal(got[name], expected[name])


@pytest.mark.few(1)
@pytest.mark.parametrize(
    "chunks", [{"kerma_ugy": 4}, {"kerma_ugy": 3, "speed": 1, "shield_thickness_mm": 1, "snr_target": 1}, 2]
)
@pytest.mark.parametrize("scheduler", ["synchronous", "threads"])
def test_lazy_equals_eager(eager, chunks, scheduler):
    lazy = sweep(**INPUTS, answers=SWEEP_ANSWERS, chunks=chunks)
    assert lazy["given_stops"].chunks is not None
    computed = lazy.compute(scheduler=scheduler)
    assert_same(computed, eager)
    for name in eager.variables:
        assert repr(computed[name].attrs) == repr(eager[name].attrs)  # flag values are arrays
        assert computed[name].dims == eager[name].dims


@pytest.mark.long
def test_two_workers_of_a_cluster_equal_eager_however_it_is_cut(eager):
    """Two cuts of one sweep on one cluster: their blocks must not be taken for each other."""
    from distributed import Client, LocalCluster

    with warnings.catch_warnings():
        # what the cluster's own packages warn of is not ours to judge
        warnings.simplefilter("ignore")
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
            Client(cluster),
        ):
            cuts = ({"kerma_ugy": 2, "speed": 1}, {"kerma_ugy": 5, "speed": 1}, {"speed": 1, "kerma_ugy": 2})
            kept = [sweep(**INPUTS, chunks=chunks).persist() for chunks in cuts]
            for one in kept:
                assert_same(one.compute(), eager)


@pytest.mark.long
def test_a_worker_of_a_cluster_that_is_killed_changes_nothing():
    from distributed import Client, LocalCluster, as_completed, futures_of

    inputs = {"speed": [100.0, 800.0], "kerma_ugy": np.geomspace(1.0, 3e4, 100_000), "hit_exponent": [0.6, 0.9]}
    whole = sweep(**inputs)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        with (
            LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as cluster,
            Client(cluster) as client,
        ):
            before = client.run(os.getpid)
            kept = sweep(**inputs, chunks={"kerma_ugy": 5_000, "speed": 1, "hit_exponent": 1}).persist()
            blocks = futures_of(kept)
            finished = as_completed(blocks)
            for _ in range(10):
                next(finished)
            assert sum(block.done() for block in blocks) < len(blocks)
            os.kill(next(iter(before.values())), signal.SIGKILL)
            assert_same(kept.compute(), whole)
            assert set(client.run(os.getpid).values()) != set(before.values())


def test_blocks_are_named_by_what_goes_into_them():
    def names(**inputs):
        lazy = sweep(**{"kerma_ugy": [1.0, 2.0, 3.0, 4.0], "chunks": 2, **inputs})
        return {str(key) for key in dict(lazy["fog_density"].data.__dask_graph__()) if "_solve" in str(key)}

    assert names() == names()
    assert len(names()) == 2
    for other in (
        {"chunks": 1},
        {"chunks": 3},
        {"speed": 800},
        {"shield_thickness_mm": 0.1},
        {"kerma_ugy": [9.0, 8.0]},
    ):
        assert names(**other)
        assert not names() & names(**other)


def test_films_as_a_dimension():
    films = [generic_film(400), generic_film(400, kind="colour-negative"), generic_film(400, kind="colour-reversal")]
    films.append(generic_film(400, hit_exponent=0.6))
    got = sweep(film=films, kerma_ugy=[10.0, 100.0], answers=SWEEP_ANSWERS)
    grid = answer_grid(films, [10.0, 100.0])
    assert got["film"].to_numpy().tolist() == grid["film"].to_numpy().tolist()
    assert len(set(got["film"].to_numpy())) == 4
    for name in SWEEP_ANSWERS:
        np.testing.assert_array_equal(got[name].to_numpy(), grid[name].to_numpy())
    lazy = sweep(film=films, kerma_ugy=[10.0, 100.0], chunks={"film": 1}).compute()
    np.testing.assert_array_equal(lazy["fog_density"], got["fog_density"])
    assert lazy["film"].to_numpy().tolist() == got["film"].to_numpy().tolist()


def test_kinds_as_a_dimension_and_only_the_wanted_answers():
    got = sweep(kind=["bw-negative", "colour-negative"], kerma_ugy=100.0, answers=("given_stops",))
    assert list(got.data_vars) == ["given_stops"]
    assert dict(got["given_stops"].sizes) == {"kind": 2}


def test_single_values_give_no_dimension():
    got, lazy = sweep(kerma_ugy=100.0), sweep(kerma_ugy=100.0, chunks=1).compute()
    assert got.identical(lazy)
    assert got["given_stops"].item() == answer(400, 100.0).given_stops


def test_a_sweep_pickles(eager):
    assert pickle.loads(pickle.dumps(eager)).identical(eager)


def test_progress_is_told_to_the_end(capsys):
    told = []
    sweep(kerma_ugy=[1.0], hit_exponent=[0.7, 0.8], progress=told.append)
    assert told == [0.5, 1.0]
    assert capsys.readouterr().out == ""


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
        ({"kind": []}, "kind: got"),
        ({"kind": 3}, "kind: got 3"),
        ({"toe": 5.0}, "toe: got 5.0"),
        ({"answers": ("speed",)}, "answers: got 'speed'"),
        ({"chunks": {"film": 1}}, "chunks: got 'film'"),
        ({"chunks": {"kerma_ugy": 0}}, "chunks: got"),
        ({"shield_thickness_mm": 0.1, "shield_material": "led"}, "led"),
        ({"shield_thickness_mm": -0.1}, "shield_thickness_mm: got -0.1"),
        ({"film": generic_film(100), "speed": 100}, "speed: got 100; allowed is nothing when film is given"),
        ({"film": []}, "film: got"),
        ({"criterion": ["best"]}, "criterion: got 'best'"),
        ({"scene_range": [2.0, 9.0]}, "scene_range: got 9"),
        ({"snr_target": 0.0}, "snr_target: got 0"),
        ({"peak_to_mean": [0.5]}, "peak_to_mean: got 0.5"),
        ({"cost_under": -1.0}, "cost_under: got -1"),
    ],
)
def test_bad_input(changes, says):
    with pytest.raises((ArgumentError, UnknownNameError), match=says.replace("(", r"\(")):
        sweep(**{"kerma_ugy": [1.0, 2.0], **changes})


def test_kerma_is_required():
    with pytest.raises(ArgumentError, match="kerma_ugy"):
        sweep(speed=[100])
