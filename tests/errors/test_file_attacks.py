"""Every file that the project reads, attacked in the same ways: one line that names the file, never a traceback."""

import multiprocessing
import pickle
import re
from pathlib import Path

import pytest

from filmdose import files
from filmdose.development.restrainers import read_strips
from filmdose.errors import (
    ArgumentError,
    FilmdoseError,
    InputFileError,
    MissingExtraError,
    MissingFileError,
    OutputFileError,
    UnknownNameError,
    shown,
)
from filmdose.film.filmfile import film_text, read_film
from filmdose.film.generic import generic_film
from filmdose.film.readings import read_steps
from filmdose.present.text import CARD_WORDS, read_words
from filmdose.radiation.sensitivity import read_sensitivity
from filmdose.tripfile import read_readings, read_trip


def read_priors(path):
    from filmdose.odds import read_priors

    return read_priors(path)


def read_learned(path):
    from filmdose.odds import read_learned

    return read_learned(path)


def read_card_words(path):
    return read_words(CARD_WORDS, path)


TOML_READERS = (read_trip, read_readings, read_film, read_priors, read_card_words, read_sensitivity)
READERS = (*TOML_READERS, read_learned, read_steps, read_strips)
PIECE = "[[exposure]]\ndose = 0\ndensity = 0.2\n"
GOOD = {
    read_trip: '[[roll]]\nid = "A"\nspeed = 400\n',
    read_readings: '[[reading]]\nroll = "A"\nbase_plus_fog = 0.4\n',
    read_film: film_text(generic_film(400)),
    read_priors: "[priors.hit_exponent]\ntypical = 0.8\n",
    read_card_words: files.data_text(CARD_WORDS),
    read_sensitivity: f'film = "x"\nspeed = 400\nbeam = "140kVp"\n{PIECE}[[exposure]]\ndose = 9\ndensity = 0.3\n',
    read_strips: "restrained,base_plus_fog,log_speed_point\nno,0.4,-2.6\n",
    read_steps: "log_exposure,density\n-3,0.2\n-2.5,0.3\n",
}
#: A number of each kind of file, to put something else in its place.
NUMBER = {read_trip: "speed = 400", read_readings: "base_plus_fog = 0.4", read_priors: "typical = 0.8"}


def refused(reader, path, least=1):
    with pytest.raises(InputFileError) as caught:
        reader(path)
    message = str(caught.value)
    assert str(path.name) in message
    assert "\n" not in message
    assert message.isprintable()
    assert least <= len(message) < 700 + len(str(path))
    return message


@pytest.mark.parametrize("reader", READERS)
def test_what_is_not_there_a_folder_or_too_large(reader, tmp_path, monkeypatch):
    assert "No such file" in refused(reader, tmp_path / "none")
    assert "directory" in refused(reader, tmp_path)
    (tmp_path / "large").write_bytes(b"#" * 1001)
    monkeypatch.setattr(files, "GREATEST_BYTES", 1000)
    assert "million bytes" in refused(reader, tmp_path / "large")


@pytest.mark.parametrize("reader", READERS)
def test_a_name_with_a_null_byte(reader):
    with pytest.raises(InputFileError, match=r"'nul\\x00l': cannot be read \(embedded null byte\)"):
        reader("nul\0l")


@pytest.mark.parametrize("reader", READERS)
@pytest.mark.parametrize("content", [b"\x00", b"a\x00b = 1\n", b"\xff\xfe\xff", b"\x80\x81", b"", b"\n\n"])
def test_bytes_that_are_no_text_of_ours(reader, content, tmp_path):
    path = tmp_path / "file"
    path.write_bytes(content)
    if content.strip() == b"" and reader is read_priors:
        assert len(reader(path)) > 5  # nothing is changed
    else:
        refused(reader, path)


@pytest.mark.parametrize("reader", GOOD)
def test_a_byte_order_mark_is_read_over(reader, tmp_path):
    path, marked = tmp_path / "plain", tmp_path / "marked"
    path.write_text(GOOD[reader], encoding="utf-8")
    marked.write_text(GOOD[reader], encoding="utf-8-sig")
    assert marked.read_bytes().startswith(b"\xef\xbb\xbf")
    reader(path)
    reader(marked)


@pytest.mark.parametrize("reader", TOML_READERS)
@pytest.mark.parametrize("deep", ["a = " + "[" * 5000, "a = " + "[" * 5000 + "]" * 5000, "a = " + "{a=" * 5000])
def test_deep_nesting(reader, deep, tmp_path):
    path = tmp_path / "file"
    path.write_text(deep)
    assert "nested too deeply" in refused(reader, path)


@pytest.mark.parametrize("deep", ["[" * 100_000, '{"a":' * 100_000])
def test_deep_nesting_of_json(deep, tmp_path):
    path = tmp_path / "file"
    path.write_text(deep)
    assert "nested too deeply" in refused(read_learned, path)


@pytest.mark.parametrize("reader", NUMBER)
@pytest.mark.parametrize(
    ("value", "says"),
    [
        ("1" + "0" * 400, "got a whole number of 401 digits"),
        ("1" + "0" * 5000, "thousands of digits"),
        ("-1" + "0" * 400, "digits"),
        ("1e999", "got inf"),
        ("inf", "got inf"),
        ("-inf", "got -inf"),
        ("nan", "got nan"),
        ("true", "got True"),
        ('"' + "x" * 100_000 + '"', "got 'xxx"),
        ("[" + "1, " * 50_000 + "]", r"got \[1, 1"),
        ("[" + "1" + "0" * 400 + "]", "got "),
        ("{ a = 1 }", "got {'a': 1}"),
        ("2026-05-01", "got datetime"),
        ("\u0664\u0660\u0660", "not valid TOML"),
    ],
)
def test_what_stands_in_place_of_a_number(reader, value, says, tmp_path):
    path = tmp_path / "file"
    path.write_text(GOOD[reader].replace(NUMBER[reader], NUMBER[reader].split("=")[0] + "= " + value), encoding="utf-8")
    assert re.search(says, refused(reader, path))


@pytest.mark.parametrize("reader", TOML_READERS)
@pytest.mark.parametrize("name", ["x" * 100_000, '"' + "\\u0000" * 100 + '"', '"' + "y \\n" * 10_000 + '"'])
def test_names_that_are_long_or_strange(reader, name, tmp_path):
    path = tmp_path / "file"
    for text in (f"{name} = 1\n", f"[{name}]\n", f"[[{name}]]\n", f"[{name}\n"):
        path.write_text(text + GOOD[reader])
        refused(reader, path)
    path.write_text(GOOD[reader] + f"{name} = 1\n")
    refused(reader, path)


@pytest.mark.parametrize(
    "text",
    [
        '[[roll]]\nid = "{long}"\nspeed = -1\n',
        '[[roll]]\nid = "{long}"\n',
        '[[roll]]\nid = "{long}"\nspeed = 1\n[[roll]]\nid = "{long}"\nspeed = 1\n',
        '[[roll]]\nid = "{long}"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\nrolls = ["z"]\n',
        '[[roll]]\nid = "A"\nspeed = 400\n[[pass]]\nsource = "{long}"\n',
        '[[roll]]\nid = "A"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\nrolls = ["{long}"]\n',
        '[[roll]]\nid = "A"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\nshield = "{long}"\n',
        '[[roll]]\nid = "A"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\nkerma = "{long}"\n',
        '[[roll]]\nid = "A"\nspeed = 400\n[[pass]]\nsource = "cabin-ct"\nheld = "{long}"\n',
        '[[roll]]\nid = "A"\nspeed = 400\nkind = "{long}"\n',
        '[[roll]]\nid = "A"\nspeed = 400\nstate = "{long}"\n',
        '[[roll]]\nid = "A"\nspeed = 400\nbag = "{long}"\n',
        '[[roll]]\nid = "A"\nfilm = "{long}"\n',
        '[[roll]]\nid = "A"\nfilm = "a\\u0000b"\n',
        '[[roll]]\nid = ""\nspeed = 400\n',
        "".join(f'[[roll]]\nid = "r{n}"\nspeed = 400\n' for n in range(500)) + '[[reading]]\nroll = "q"\n',
    ],
)
def test_long_values_are_cut_in_messages(text, tmp_path):
    path = tmp_path / "trip.toml"
    path.write_text(text.replace("{long}", "w" * 100_000))
    refused(read_trip, path)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        (r"rms_granularity = [\d.]+", "rms_granularity = 1e9", "rms_granularity.*up to 1000"),
        (r"hits_per_ugy = [\d.e-]+", "hits_per_ugy = 1e300", "hits_per_ugy"),
        (r"log_sensitivity = \[\n +[-\d.]+", "log_sensitivity = [\n -1e308", "log_sensitivity"),
        (r"log_sensitivity = \[\n +[-\d.]+", "log_sensitivity = [\n 1" + "0" * 400, "log_sensitivity.*401 digits"),
        (r"weights = \[\n", 'weights = [\n "a",', "weights"),
        (r"base_density = [\d.]+", "base_density = 1e5", "base_density"),
        (r"\[record.visual\]", "[record.green]", "green.*a bw-negative film has"),
        (r"\[record.visual\]", "[[record]]", "must be written"),
        (r"speed = [\d.]+", "speed = 400\nmeasured_range = [1]", "two log exposures"),
        (r"speed = [\d.]+", "speed = 400\nmeasured_range = [2, 1]", "measured_range"),
        (r"speed = [\d.]+", "", "field 'speed': is missing"),
        (r"kind = .*", 'kind = "bw"', "Did you mean bw-"),
    ],
)
def test_film_files_that_cannot_be(old, new, says, tmp_path):
    path = tmp_path / "film.toml"
    text, count = re.subn(old, new, GOOD[read_film], count=1)
    assert count == 1
    path.write_text(text)
    assert re.search(says, refused(read_film, path))


@pytest.mark.parametrize(
    "content",
    [
        "log_exposure,density\n-3,0.2\n-2.5," + "9" * 200_000 + "\n",
        "log_exposure,density\n-3,0.2\n-2.5," + "x" * 200_000 + "\n",
        "x" * 200_000 + ",density\n-3,0.2\n",
        '"' + "x" * 200_000 + "\n-3,0.2\n",
        "log_exposure,density\n-3,1e999\n-2,0.3\n",
        "log_exposure,density\n\u0663,\u0662\n-2,0.3\n",
        "CGATS.17\nBEGIN_DATA_FORMAT\nLOG_H LOG_H\nEND_DATA_FORMAT\nBEGIN_DATA\n1 2\nEND_DATA\n",
        'CGATS.17\nKEYWORD "LOG_H"\nBEGIN_DATA_FORMAT\nLOG_H D_VIS\nEND_DATA_FORMAT\nBEGIN_DATA\n1 2 3 4\nEND_DATA\n',
        'CGATS.17\nKEYWORD "LOG_H"\nBEGIN_DATA_FORMAT\nLOG_H D_VIS\nEND_DATA_FORMAT\nBEGIN_DATA\nEND_DATA\n',
        'CGATS.17\nKEYWORD "LOG_H"\nNOTE "' + "x" * 100_000 + "\n",
        "CGATS.17\nNUMBER_OF_SETS " + "9" * 6000 + '\nKEYWORD "LOG_H"\nBEGIN_DATA_FORMAT\nLOG_H D_VIS\n'
        "END_DATA_FORMAT\nBEGIN_DATA\n1 2\nEND_DATA\n",
    ],
)
def test_readings_that_cannot_be(content, tmp_path):
    path = tmp_path / "steps"
    path.write_text(content, encoding="utf-8")
    refused(read_steps, path)


# -- what is said can be sent on ---------------------------------------------------------------------------------------


def every_error(kind=FilmdoseError):
    return {kind} | {found for child in kind.__subclasses__() for found in every_error(child)}


ERRORS = [
    ArgumentError("kerma_ugy", -1.0, "a number of at least 0", "Give another."),
    ArgumentError("history", lambda: None, "a History"),
    ArgumentError("points", (1.0, 2, "x"), "in order"),
    UnknownNameError("source", "cabin-cat", ("cabin-ct", "cabin-xray"), "Look."),
    UnknownNameError("roll", object(), ("a",)),
    InputFileError("trip.toml", "roll 'A'", "is faulty.", "Mend it."),
    MissingFileError("trip.toml"),
    OutputFileError("out.csv", "No space left on device"),
    MissingExtraError("spekpy", "spectra", "Live spectra"),
]


@pytest.mark.parametrize("error", ERRORS, ids=lambda error: type(error).__name__)
def test_an_error_comes_back_from_pickling_as_it_was(error):
    back = pickle.loads(pickle.dumps(error))
    assert type(back) is type(error)
    assert str(back) == str(error)
    assert set(vars(back)) == set(vars(error))
    for name, value in vars(error).items():
        assert vars(back)[name] == (value if isinstance(value, (str, int, float, tuple)) else shown(value))
    again = pickle.loads(pickle.dumps(back))
    assert (type(again), str(again)) == (type(error), str(error))


def test_every_kind_of_error_is_among_them():
    told = {type(error) for error in ERRORS}
    own = {kind for kind in every_error() if kind.__init__ is not Exception.__init__ and "__init__" in vars(kind)}
    assert own <= told


def fail(number):
    raise ERRORS[number]


@pytest.mark.long
def test_an_error_in_a_worker_reaches_the_caller(monkeypatch):
    """A pool hangs or breaks on an exception that cannot be unpickled."""
    monkeypatch.syspath_prepend(Path(__file__).parents[2])  # so that the worker finds this file
    with multiprocessing.get_context("spawn").Pool(1) as pool:
        for number, error in enumerate(ERRORS):
            with pytest.raises(type(error)) as caught:
                pool.apply_async(fail, (number,)).get(timeout=60)
            assert str(caught.value).split(" at 0x")[0] == str(error).split(" at 0x")[0]


def test_values_are_cut_to_eighty_characters():
    endless: list = []
    endless.append(endless)
    deep = 1
    for _ in range(100_000):
        deep = [deep]
    for value in ("x" * 10**6, b"y" * 10**6, list(range(10**5)), {n: n for n in range(1000)}, 10**5000, -(10**5000)):
        assert len(shown(value)) <= 80
    assert shown([10**5000]) == "a list that is too long or too deep to show"
    assert "too deep" in shown(deep)
    assert shown(endless) == "[[...]]"
    assert shown(3.5) == "3.5"
    while isinstance(deep, list):  # so that taking it apart does not go as deep
        deep = deep.pop()


@pytest.mark.parametrize("dose", ["1" * 5000, "1e200", "1e308", "-1"])
def test_doses_of_an_experiment_that_cannot_be(dose, tmp_path):
    path = tmp_path / "experiment.toml"
    path.write_text(
        f'film = "x"\nspeed = 400\nbeam = "140kVp"\n{PIECE}{PIECE}'.replace("dose = 0", f"dose = {dose}", 1)
    )
    refused(read_sensitivity, path)


@pytest.mark.parametrize("line", ["no,0.4,-2.6,\r,-1", f"no,0.4,{'9' * 200_000}", '"restrained'])
def test_strips_that_are_no_csv(line, tmp_path):
    path = tmp_path / "strips.csv"
    path.write_bytes(f"restrained,base_plus_fog,log_speed_point,contrast\n{line}\n".encode())
    refused(read_strips, path)
    path.write_bytes(f"restrained,{line}\n".encode())
    refused(read_strips, path)
