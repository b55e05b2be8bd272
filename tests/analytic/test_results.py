"""What every result and every error of the public face can do; a new one that lacks it fails here."""

import copy
import dataclasses
import html.parser
import multiprocessing
import pickle
import warnings

import face
import numpy as np
import pandas as pd
import pytest

import filmdose
from filmdose.errors import (
    ArgumentError,
    FilmdoseError,
    InputFileError,
    MissingExtraError,
    MissingFileError,
    OutputFileError,
    UnknownNameError,
)
from filmdose.odds import ContradictionError
from filmdose.result import REPR_CHARACTERS, Result, same

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    NAMES = sorted(face.results())


@pytest.fixture(scope="module")
def samples():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", filmdose.ValidityWarning)
        return face.samples()


@pytest.mark.long
def test_every_public_result_is_looked_at(samples):
    assert len(NAMES) > 80
    assert [name for name in NAMES if name not in samples] == []


@pytest.mark.parametrize("name", NAMES)
def test_reprs_are_short(samples, name):
    text = repr(samples[name])
    assert len(text) <= REPR_CHARACTERS
    assert text.startswith(f"{name}(")
    assert "\n" not in text
    assert " object at 0x" not in text


class Tags(html.parser.HTMLParser):
    """Tags that are open, each closed in its turn."""

    def __init__(self):
        super().__init__()
        self.open, self.seen = [], []

    def handle_starttag(self, tag, attrs):
        self.seen.append(tag)
        if tag not in ("br", "img", "input"):
            self.open.append(tag)

    def handle_endtag(self, tag):
        assert self.open.pop() == tag


@pytest.mark.parametrize("name", NAMES)
def test_html_is_whole(samples, name):
    parser = Tags()
    parser.feed(samples[name]._repr_html_())
    parser.close()
    assert parser.seen
    assert parser.open == []


def test_html_is_escaped():
    nasty = "<script>alert(1)</script>"
    roll = filmdose.Roll(id=nasty, film=dataclasses.replace(filmdose.generic_film(400), name=nasty), note=nasty)
    trip = filmdose.Trip(rolls=(roll,), title=nasty)
    odds = filmdose.propagate(trip, samples=64)
    shown = [roll, roll.film, trip, odds, odds[nasty], *filmdose.answer_trip(trip), filmdose.odds.trip_model(trip)]
    for value in shown:
        assert "<script" not in value._repr_html_()
        assert "&lt;script" in value._repr_html_() or nasty not in str(value)


@pytest.mark.parametrize("name", NAMES)
def test_copies_and_pickles_are_equal_and_no_more(samples, name):
    value = samples[name]
    twins = [copy.copy(value), copy.deepcopy(value), pickle.loads(pickle.dumps(value))]
    for twin in twins:
        assert twin is not value
        assert twin == value
        assert repr(twin) == repr(value)
    assert value != "something else"
    try:
        hash(value)
    except TypeError:
        return  # it holds arrays or dictionaries
    assert {hash(twin) for twin in twins} == {hash(value)}


@pytest.mark.parametrize("name", NAMES)
def test_a_result_with_another_value_is_another(samples, name):
    value = samples[name]
    if not dataclasses.is_dataclass(value):
        return
    for field in dataclasses.fields(value):
        if not field.compare or not field.init:
            continue
        other = copy.copy(value)
        now = getattr(value, field.name)
        changed = now + 1e-3 if isinstance(now, (float, np.ndarray)) and np.all(np.isfinite(now)) else object()
        object.__setattr__(other, field.name, changed)
        vars(other).pop("_identity", None)
        assert other != value, field.name


def arrays(value, depth=4):
    if isinstance(value, np.ndarray):
        yield value
    elif depth and isinstance(value, dict):
        for item in value.values():
            yield from arrays(item, depth - 1)
    elif depth and isinstance(value, tuple):
        for item in value:
            yield from arrays(item, depth - 1)


@pytest.mark.parametrize("name", NAMES)
def test_results_cannot_be_changed(samples, name):
    value = samples[name]
    if not dataclasses.is_dataclass(value):
        return
    for one in (value, copy.deepcopy(value), pickle.loads(pickle.dumps(value))):
        for field in dataclasses.fields(one):
            with pytest.raises(dataclasses.FrozenInstanceError):
                setattr(one, field.name, None)
            for array in arrays(getattr(one, field.name)):
                assert not array.flags.writeable, field.name


@pytest.mark.parametrize("name", NAMES)
def test_every_result_is_a_table(samples, name):
    table = samples[name].to_dataframe()
    assert isinstance(table, pd.DataFrame)
    assert table.columns.is_unique
    before = table.copy()
    table["another"] = 1
    for column in before:
        table[column] = "x"
    assert samples[name].to_dataframe().equals(before)  # nobody can write into a result through its table


def test_the_shipped_priors_cannot_be_written_into():
    with pytest.raises(TypeError):
        filmdose.odds.default_priors().entries["hit_exponent"] = None
    with pytest.raises(TypeError):
        pickle.loads(pickle.dumps(filmdose.odds.default_priors())).entries["hit_exponent"] = None


def test_there_is_one_way_to_a_table():
    spellings = {"to_frame", "to_pandas", "as_dataframe", "as_frame", "table", "summary", "dataframe", "roll_table"}
    for name, value in face.results().items():
        methods = {each for each, inner in vars(value).items() if callable(inner) or isinstance(inner, property)}
        assert not spellings & methods, name


def test_dataclasses_of_the_face_are_results():
    for name, value in face.results().items():
        if dataclasses.is_dataclass(value) and name != "Priors":
            assert issubclass(value, Result), name
            assert value.__eq__ is not object.__eq__


# -- from process to process -------------------------------------------------------------------------------------------


ERRORS = [
    ArgumentError("speed", [1] * 1000, "a number", "Give one."),
    UnknownNameError("kind", "x", ("a", "b")),
    InputFileError("a.toml", "line 1", "is wrong.", "Mend it."),
    MissingFileError("a.toml"),
    OutputFileError("a.toml", "full"),
    MissingExtraError("spekpy", "spectra", "This"),
    ContradictionError("both cannot be"),
    FilmdoseError("just so"),
]


def test_every_error_is_looked_at():
    assert set(face.errors()) == {type(error).__name__ for error in ERRORS}


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
def test_errors_can_be_copied_and_sent(error):
    for twin in (copy.copy(error), copy.deepcopy(error), pickle.loads(pickle.dumps(error))):
        assert type(twin) is type(error)
        assert str(twin) == str(error)
        assert set(vars(twin)) == set(vars(error))


def sent_back(value):
    """What another process makes of it."""
    if isinstance(value, Exception):
        raise value
    return value, repr(value)


def test_results_and_errors_cross_to_another_process(samples, monkeypatch):
    monkeypatch.syspath_prepend(face.ROOT)  # so that the worker finds this file
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        kept = [samples[name] for name in NAMES]
        for value, (twin, text) in zip(kept, pool.map_async(sent_back, kept).get(timeout=120), strict=True):
            assert twin == value
            assert text == repr(value)
        for error in ERRORS:
            with pytest.raises(type(error)) as caught:
                pool.apply_async(sent_back, (error,)).get(timeout=60)
            assert str(caught.value) == str(error)


@pytest.mark.long
def test_results_and_errors_cross_to_a_cluster(samples):
    distributed = pytest.importorskip("distributed")
    with (
        distributed.LocalCluster(n_workers=1, processes=True, dashboard_address=None, threads_per_worker=1) as cluster,
        distributed.Client(cluster) as client,
    ):
        for name in ("Learned", "TripModel", "TripOdds", "Plan", "Answer", "Scan"):
            found, _ = client.submit(pickle.loads, pickle.dumps((samples[name], 0))).result()
            assert found == samples[name]
        future = client.submit(filmdose.answer, -1.0, 10.0)
        with pytest.raises(ArgumentError, match="speed"):
            future.result()


# -- equality ----------------------------------------------------------------------------------------------------------


def test_same_compares_by_value():
    nan = float("nan")
    assert same(np.array([1.0, nan]), np.array([1.0, nan]))
    assert not same(np.array([1.0, 2.0]), np.array([1.0, nan]))
    assert not same(np.array([1.0]), 1.0)
    assert not same(np.array([1.0]), np.array([1.0, 1.0]))
    assert same(pd.DataFrame({"a": [nan]}), pd.DataFrame({"a": [nan]}))
    assert not same(pd.DataFrame({"a": [1]}), "a")
    assert not same({"a": 1}, {"b": 1})
    assert not same((1,), [1])
    assert not same((1,), (1, 2))
    assert same(nan, nan)


def test_a_plan_prints_in_a_line():
    trip = filmdose.read_trip(face.ROOT / "notebooks" / "trip_ahead.toml")
    assert len(repr(filmdose.make_plan(trip, samples=64))) <= REPR_CHARACTERS


def test_a_missing_file_is_a_file_not_found(tmp_path):
    gone = tmp_path / "gone.toml"
    readers = [
        filmdose.read_trip,
        filmdose.read_film,
        filmdose.read_steps,
        filmdose.odds.read_priors,
        filmdose.odds.read_learned,
        filmdose.odds.read_readings,
        filmdose.scan.read_scan,
        filmdose.scan.read_profile,
        filmdose.film.cgats.read_cgats,
        filmdose.film.noisefit.read_granularity,
        filmdose.radiation.sensitivity.read_sensitivity,
    ]
    for read in readers:
        with pytest.raises(FileNotFoundError) as caught:
            read(gone)
        assert isinstance(caught.value, InputFileError)
        assert str(gone) in str(caught.value)
