"""Blocks of options that verbs take whole: each option stands once, and the parser sees all of them in their place."""

import inspect
from dataclasses import fields

import pytest
import typer
from typer.testing import CliRunner

from filmdose.cli.odds import odds
from filmdose.cli.options import FilmOptions, HistoryOptions, MeteredOptions, QuestionOptions, with_blocks
from filmdose.cli.roll import roll
from filmdose.errors import ArgumentError
from filmdose.standards import SCENE_RANGE


def test_a_block_stands_in_its_place():
    names = list(inspect.signature(odds).parameters)
    film, history, question = (
        [one.name for one in fields(block)] for block in (FilmOptions, HistoryOptions, QuestionOptions)
    )
    assert names[: 1 + len(film) + len(history)] == ["file", *film, *history]
    assert names[-2 - len(question) : -2] == question
    assert "history" not in names


def test_a_verb_gets_its_blocks_and_its_own_options():
    got = {}

    def verb(word: str = "none", *, film: FilmOptions, last: int = 3) -> None:
        """Do nothing."""
        got.update(word=word, film=film, last=last)

    app = typer.Typer()
    app.command()(with_blocks(verb))
    result = CliRunner().invoke(app, ["--word", "a", "--speed", "400", "--last", "5"])
    assert result.exit_code == 0, result.output
    assert got == {"word": "a", "film": FilmOptions(speed=400.0), "last": 5}
    assert CliRunner().invoke(app, ["--film.speed", "400"]).exit_code == 2


@pytest.mark.parametrize(
    ("options", "given"),
    [
        ({}, False),
        ({"film_format": "120", "beam_on": "pulsed"}, False),  # these have a usual value
        ({"shield": "lead=0.25"}, True),
        ({"flight": ["11"]}, True),
        ({"storage": "365"}, True),
    ],
)
def test_given(options, given):
    assert HistoryOptions(**options).given is given


def test_readings_of_a_meter_tell_the_scene():
    assert MeteredOptions().made().scene_range == SCENE_RANGE
    assert MeteredOptions(shadow_reading=8.0, highlight_reading=13.0).made().scene_range == pytest.approx(5 * 0.30103)
    with pytest.raises(ArgumentError, match="shadow_reading"):
        MeteredOptions(highlight_reading=13.0).made()


def test_a_decimal_comma_reaches_options_of_blocks():
    """The command line finds the options that take one number in the verb's signature."""
    from filmdose.cli import _numbers_of

    assert {"--speed", "--scene-range", "--cost-under", "--shadow-reading"} <= _numbers_of("roll")
    assert "--pass" not in _numbers_of("roll")
    assert roll.__doc__ is not None
