"""A wrong type for every argument of the face: an error of ours that names argument, value and what is allowed."""

import contextlib
import dataclasses
import inspect
import io
import types
import warnings

import face
import numpy as np
import pytest
from fuzz_examples import examples, odd_calls

import filmdose
from filmdose import arguments
from filmdose.arguments import ANYTHING, check_of, is_held
from filmdose.errors import SHOWN_CHARACTERS, ArgumentError, FilmdoseError, UnknownNameError

with warnings.catch_warnings():
    warnings.simplefilter("ignore")
    FUNCTIONS = {name: function for name, function in face.functions().items() if inspect.isfunction(function)}

#: Modules whose functions make the messages, or stand below them.
BELOW = {"filmdose.errors", "filmdose.arguments", "filmdose.result", "filmdose.words", "filmdose.everyday"}


def something():
    """No type that any function takes."""


class Nothing:
    """Nor this."""


#: What an argument may be given in the place of what it wants.
WRONG = [Nothing(), {"a": 1}, {1, 2}, b"bytes", None, 3.7, "x" * 5000, [Nothing()], something, np.array([None]), True]


@pytest.fixture(scope="module")
def samples():
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", filmdose.ValidityWarning)
        return face.samples()


#: What a function with inputs by keyword misses before it looks at others.
NEEDED = {"filmdose.sweep.sweep": {"kerma_ugy": 1.0}, "filmdose.whatif.what_if": {"speed": 400}}


def ours():
    return {name: function for name, function in FUNCTIONS.items() if function.__module__ not in BELOW}


def test_every_public_function_is_held_to_its_annotations():
    assert len(ours()) > 300
    assert [name for name, function in ours().items() if not is_held(function)] == []


def table():
    """(function, parameter, its check) of every annotated parameter."""
    for name, function in ours().items():
        for parameter in inspect.signature(function).parameters.values():
            if parameter.annotation is parameter.empty or parameter.kind is parameter.VAR_KEYWORD:
                continue
            yield name, function, parameter.name, check_of(parameter.annotation, function.__globals__)


def unclear(error, argument):
    """What a message lacks; None when it has argument, value and what is allowed in one line."""
    text = str(error)
    if not isinstance(error, ArgumentError | UnknownNameError):
        return f"is a {type(error).__name__}: {text}"
    named = error.argument in (argument, argument.removesuffix("s"))  # of several, the one
    if not named and not isinstance(error, UnknownNameError):  # which says what the name is one of
        return f"names {error.argument}"
    parts = (text.startswith(f"{error.argument}: got "), "allowed is " in text, "\n" not in text)
    return None if all(parts) and len(text) < SHOWN_CHARACTERS + 700 else text


@pytest.mark.long
def test_a_wrong_type_for_each_parameter_is_a_clear_error():
    tried, wrong = 0, {}
    for name, function, parameter, check in table():
        if check is ANYTHING:
            continue
        for value in WRONG:
            if check.good(value):
                continue
            tried += 1
            try:
                function(**{**NEEDED.get(name, {}), parameter: value})
            except FilmdoseError as error:
                if (said := unclear(error, parameter)) is not None:
                    wrong[f"{name}({parameter}={value!r:.30})"] = said
            except Exception as error:
                wrong[f"{name}({parameter}={value!r:.30})"] = f"{type(error).__name__}: {error}"
            else:
                wrong[f"{name}({parameter}={value!r:.30})"] = "taken"
    assert wrong == {}
    assert tried > 4000


@pytest.mark.long
def test_few_parameters_take_anything():
    anything = [f"{name}({parameter})" for name, _, parameter, check in table() if check is ANYTHING]
    everything = list(table())
    assert len(anything) < 0.08 * len(everything), anything


#: Fields that take a text or an object each by rules of their own.
def constructors():
    for name, kind in face.results().items():
        if dataclasses.is_dataclass(kind) and "__post_init__" in vars(kind):
            yield name, kind


@pytest.mark.few(1)
@pytest.mark.parametrize(("name", "kind"), list(constructors()))
def test_a_wrong_type_for_each_field_is_a_clear_error(samples, name, kind):
    sample, checks = samples[name], arguments._field_checks(kind)
    for field in dataclasses.fields(kind):
        if not field.init or field.name not in checks:
            continue
        for value in WRONG:
            if checks[field.name].good(value) or (field.name == "name" and isinstance(value, str)):
                continue
            try:
                with warnings.catch_warnings():
                    warnings.simplefilter("ignore")
                    dataclasses.replace(sample, **{field.name: value})
            except FilmdoseError as error:
                text = str(error)
                assert "got " in text, (field.name, value)
                assert "allowed is " in text
                assert len(text) < SHOWN_CHARACTERS + 900
            else:
                pytest.fail(f"{name}({field.name}={value!r:.60}) is taken")


CALLS = [
    lambda: filmdose.propagate(filmdose.Roll(id="a", film=filmdose.generic_film(400))),
    lambda: filmdose.propagate([], priors={}),
    lambda: filmdose.propagate([filmdose.Roll(id="a", film=filmdose.generic_film(400))], rng="x"),
    lambda: filmdose.plotting.plot_stops(400),
    lambda: filmdose.odds.learn(TRIP, filmdose.Shield(material="lead", thickness_mm=0.1)),
    lambda: filmdose.sweep.sweep(kerma_ugy=[1.0, 2.0], chunks="auto"),
    lambda: filmdose.answer(filmdose.read_trip, 1.0),
    lambda: filmdose.answer(400, 1.0, {"criterion": "fixed_density"}),
    lambda: filmdose.answer_trip(400),
    lambda: filmdose.make_plan([1, 2]),
    lambda: filmdose.Trip(rolls=[1]),
    lambda: filmdose.Trip(rolls=400),
    lambda: filmdose.generic_film([400, 800]),
    lambda: filmdose.history_dose(3),
    lambda: filmdose.answer_grid(400, [1.0]),
    lambda: filmdose.answer_grid([400], "many"),
    lambda: filmdose.make_card(400),
    lambda: filmdose.write_document("x", "out.txt"),
    lambda: filmdose.inverse.kerma_for_loss(400, "much"),
    lambda: filmdose.plotting.plot_stops([400], ax="here"),
    lambda: filmdose.odds.tornado(TRIP, 4),
    lambda: filmdose.radiation.transmission(0.25),
    lambda: filmdose.radiation.first_principles_sensitivity(400),
    lambda: filmdose.fit_film("steps.csv"),
    lambda: filmdose.sensitometry.iso6(400),
]

TRIP = filmdose.Trip(rolls=[filmdose.Roll(id="a", film=filmdose.generic_film(400))])


@pytest.mark.parametrize("call", CALLS, ids=range(len(CALLS)))
def test_slips_of_users_are_clear_errors(call):
    with pytest.raises(FilmdoseError) as caught:
        call()
    assert "got " in str(caught.value)
    assert "allowed is " in str(caught.value)


def test_what_users_may_give_is_taken():
    film, roll = filmdose.generic_film(400), TRIP.rolls[0]
    assert filmdose.propagate((roll,), samples=64, rng=None).samples == 64
    reading = filmdose.odds.FogReading(roll="a", base_plus_fog=0.4, control=0.3)
    passed = dataclasses.replace(roll, history=filmdose.History(passes=filmdose.Pass(source="cabin-ct")))
    assert filmdose.learn([passed], reading, samples=1024).readings
    assert filmdose.answer(np.float32(400), np.int64(10)).ei is not None
    assert filmdose.given_stops(film, np.array([1.0, 2.0])).shape == (2,)
    assert filmdose.answer_grid(np.array([400.0, 800.0]), range(3))["ei"].shape == (2, 3)


def test_errors_of_a_users_own_function_stay_what_they_are():
    def progress(share):
        raise KeyError("mine")

    with pytest.raises(KeyError, match="mine") as caught:
        filmdose.propagate(TRIP, samples=64, progress=progress)
    assert not isinstance(caught.value, FilmdoseError)


def test_python_says_itself_which_argument_is_missing_or_unknown():
    with pytest.raises(TypeError, match="missing"):
        filmdose.answer(400)
    with pytest.raises(TypeError, match="unexpected"):
        filmdose.answer(400, 1.0, nothing=1)


def test_held_functions_say_what_they_are():
    assert inspect.signature(filmdose.answer).parameters["film"].annotation == "Film | float"
    assert filmdose.answer.__name__ == "answer"
    assert filmdose.answer.__doc__
    assert isinstance(filmdose.answer, types.FunctionType)
    assert filmdose.answer.__globals__ is vars(filmdose.answering)


# -- the examples of the docstrings with odd values --------------------------------------------------------------------


@pytest.mark.long
def test_odd_values_in_the_documented_calls_are_answered_or_refused(monkeypatch, tmp_path):
    monkeypatch.chdir(tmp_path)  # some examples write
    raw, tried = {}, 0
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        for function, given, named in list(examples()):
            for what, call in odd_calls(function, given, named):
                tried += 1
                try:
                    with contextlib.redirect_stdout(io.StringIO()):
                        call()
                except FilmdoseError as error:
                    if len(str(error)) > 1200:
                        raw[what] = f"a message of {len(str(error))} characters"
                except Exception as error:
                    raw[what] = f"{type(error).__name__}: {error}"
    assert raw == {}
    assert tried > 8000
