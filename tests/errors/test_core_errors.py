"""Bad input to the core: a clear error that names the argument, the value, what is allowed."""

import os
import pickle
import stat
import threading
import time

import numpy as np
import pytest

from filmdose.answering import answer, answer_grid, unique_labels
from filmdose.errors import ArgumentError, FilmdoseError, OutputFileError, UnknownNameError
from filmdose.files import write_text_atomic
from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.question import Question
from filmdose.units import parse_kerma


@pytest.mark.parametrize("speed", [-1, 0, float("nan"), float("inf"), "fast", None, True, 10, 12800])
def test_bad_speed(speed):
    with pytest.raises(ArgumentError, match=r"speed: got .*25 .*6400"):
        generic_film(speed)


@pytest.mark.parametrize("kerma", [-1.0, float("nan"), float("inf"), "much", None])
def test_bad_kerma(kerma):
    with pytest.raises(ArgumentError, match="kerma_ugy: got"):
        answer(400, kerma)


def test_bad_kerma_in_an_array_is_named():
    with pytest.raises(ArgumentError, match=r"kerma_ugy: got -3\.0"):
        answer_grid([400], [1.0, -3.0])


@pytest.mark.parametrize("labels", ["ISO 400", b"ISO 400", [400], ["a", None]])
def test_labels_are_a_row_of_texts(labels):
    with pytest.raises(ArgumentError, match=r"labels: got .*a sequence of texts"):
        unique_labels(labels)


def test_unknown_criterion_lists_near_matches():
    with pytest.raises(UnknownNameError, match="Did you mean fixed_density"):
        Question(criterion="fixed_densty")


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("snr_target", 0.0),
        ("snr_target", 1.2),
        ("scene_range", 0.0),
        ("scene_range", 9.0),
        ("peak_to_mean", 0.5),
        ("cost_under", 0.0),
    ],
)
def test_bad_options(name, value):
    with pytest.raises(ArgumentError, match=name):
        Question(**{name: value})


def test_bad_emulsions():
    good = generic_film(100).records[0]
    values = {name: getattr(good, name) for name in good.__dataclass_fields__}
    for name, bad in [
        ("weights", -good.weights),
        ("weights", good.weights[:-1]),
        ("weights", 0.0 * good.weights),
        ("log_sensitivity", good.log_sensitivity[::-1]),
        ("native_fog", 1.0),
        ("quanta", 0.5),
        ("rms_granularity", 0.0),
        ("hits_per_ugy", float("nan")),
    ]:
        with pytest.raises(ArgumentError, match=name):
            Emulsion(**{**values, name: bad})


def test_film_needs_its_records():
    record = generic_film(100).records[0]
    with pytest.raises(ArgumentError, match="1 for a bw-negative film"):
        Film(kind="bw-negative", speed=100, records=(record, record))
    with pytest.raises(UnknownNameError, match="kind"):
        Film(kind="wet plate", speed=100, records=(record,))


@pytest.mark.parametrize("text", ["0.3 mRx", "mR", "-1 mR", "1 2", "", "nan", "1e999 mR"])
def test_doses_that_do_not_parse(text):
    with pytest.raises(ArgumentError, match="dose: got"):
        parse_kerma("dose", text)


def test_errors_are_a_family_and_pickle():
    for error in (ArgumentError("speed", -1, "a number"), UnknownNameError("kind", "x", ["a", "b"])):
        assert isinstance(error, FilmdoseError)
    again = pickle.loads(pickle.dumps(UnknownNameError("kind", "x", ["a", "b"])))
    assert str(again) == "kind: got 'x'; allowed is one of a, b."


def test_writing_fails_whole(tmp_path):
    with pytest.raises(OutputFileError, match="cannot be written"):
        write_text_atomic(tmp_path / "missing" / "x.csv", "text")
    with pytest.raises(OutputFileError):
        write_text_atomic(tmp_path, "text")
    target = write_text_atomic(tmp_path / "x.csv", "old")
    write_text_atomic(target, "new")
    assert target.read_text() == "new"
    assert [p.name for p in tmp_path.iterdir()] == ["x.csv"]


def test_what_a_killed_write_left_goes_with_the_next_write_of_the_file(tmp_path):
    now = time.time()
    for name, age in (
        (".x[1].csv.abcd1234.part", 7200.0),
        (".x[1].csv.of_now__.part", 60.0),
        (".y.csv.abcd1234.part", 7200.0),
    ):
        left = tmp_path / name
        left.write_text("half")
        os.utime(left, (now - age, now - age))
    target = write_text_atomic(tmp_path / "x[1].csv", "whole")
    assert target.read_text() == "whole"
    assert {p.name for p in tmp_path.iterdir()} == {"x[1].csv", ".x[1].csv.of_now__.part", ".y.csv.abcd1234.part"}


def test_emulsions_compare_by_value_and_pickle():
    film = generic_film(100)
    again = pickle.loads(pickle.dumps(film))
    assert again == film
    assert hash(again.records[0]) == hash(film.records[0])
    assert film != generic_film(125)
    with pytest.raises(ValueError, match="read-only"):
        film.records[0].weights[0] = 1.0
    assert np.shares_memory(film.records[0].weights, film.records[0].weights)


def test_output_is_written_into_what_is_not_a_regular_file(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    read = []
    reader = threading.Thread(target=lambda: read.append(pipe.read_bytes()))
    reader.start()
    write_text_atomic(pipe, "into the pipe")
    reader.join(timeout=10)
    assert read == [b"into the pipe"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_output_through_a_link_replaces_the_file_and_keeps_the_link(tmp_path):
    target, link = tmp_path / "folder" / "x.csv", tmp_path / "link.csv"
    target.parent.mkdir()
    target.write_text("old")
    link.symlink_to(target)
    write_text_atomic(link, "new")
    assert link.is_symlink()
    assert target.read_text() == "new"
