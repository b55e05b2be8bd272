"""A trip on file: rolls, and what each of them went through, in a TOML that a person writes by hand.

A file has an optional table ``[trip]`` (title, invented, note), one ``[[roll]]``
for each roll and one ``[[pass]]`` for each event; a pass counts for the rolls it
names, or for all of them.
"""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Callable
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from filmdose.arrays import check_number
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, Compensation, compensate
from filmdose.errors import FilmdoseError, InputFileError
from filmdose.film import Film
from filmdose.generic import generic_film
from filmdose.history import History, HistoryDose, Pass, history_dose

__all__ = ["Roll", "RollAnswer", "Trip", "answer_trip", "read_trip", "trip_table"]


@dataclass(frozen=True, kw_only=True)
class Roll:
    """One roll of a trip: what film it is and what happened to it."""

    id: str
    film: Film
    history: History = field(default_factory=History)
    peak_to_mean: float | None = None
    note: str = ""


@dataclass(frozen=True, kw_only=True)
class Trip:
    """A trip: its rolls, each with its history."""

    rolls: tuple[Roll, ...]
    title: str = ""
    invented: bool = False
    note: str = ""
    path: str = ""


@dataclass(frozen=True, kw_only=True)
class RollAnswer:
    """One roll with its dose and its exposure index."""

    roll: Roll
    dose: HistoryDose
    compensation: Compensation


def answer_trip(
    trip: Trip,
    *,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
) -> tuple[RollAnswer, ...]:
    """Dose and exposure index of every roll of a trip, in the order of the file."""
    answers = []
    for roll in trip.rolls:
        dose = history_dose(roll.history)
        compensation = compensate(
            roll.film,
            dose.kerma_ugy,
            criterion=criterion,
            snr_target=snr_target,
            scene_range=scene_range,
            peak_to_mean=dose.peak_to_mean if roll.peak_to_mean is None else roll.peak_to_mean,
        )
        answers.append(RollAnswer(roll=roll, dose=dose, compensation=compensation))
    return tuple(answers)


def trip_table(answers: tuple[RollAnswer, ...]) -> pd.DataFrame:
    """One row for each roll: id, film, dose with its range, fog, stops, exposure index, status, sentence."""
    return pd.DataFrame(
        [
            {
                "roll": answer.roll.id,
                "kind": answer.roll.film.kind,
                "speed": answer.roll.film.speed,
                "kerma_ugy": answer.dose.kerma_ugy,
                "kerma_low_ugy": answer.dose.kerma_low_ugy,
                "kerma_high_ugy": answer.dose.kerma_high_ugy,
                "fog_density": answer.compensation.fog_density,
                "stops": answer.compensation.stops[answer.compensation.criterion],
                "ei": answer.compensation.ei,
                "ei_exact": answer.compensation.ei_exact,
                "snr_kept": answer.compensation.snr_kept,
                "highlight_room_stops": answer.compensation.highlight_room_stops,
                "status": answer.compensation.status,
                "message": answer.compensation.message,
            }
            for answer in answers
        ]
    )


# -- reading -------------------------------------------------------------------------------------------------------

_Check = Callable[[Any], bool]


def _is_text(value: Any) -> bool:
    return isinstance(value, str)


def _is_number(value: Any) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _is_whole(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool)


def _is_truth(value: Any) -> bool:
    return isinstance(value, bool)


def _is_texts(value: Any) -> bool:
    return isinstance(value, list) and all(isinstance(item, str) for item in value)


def _is_date(value: Any) -> bool:
    return isinstance(value, datetime.date)


def _is_dose(value: Any) -> bool:
    return _is_number(value) or _is_text(value)


@dataclass(frozen=True)
class _Field:
    accepts: _Check
    what: str
    required: bool = False


_TEXT = _Field(_is_text, "a text in quotes")
_NUMBER = _Field(_is_number, "a number")
_FIELDS: dict[str, dict[str, _Field]] = {
    "trip": {
        "title": _TEXT,
        "invented": _Field(_is_truth, "true or false"),
        "note": _TEXT,
    },
    "roll": {
        "id": _Field(_is_text, "a text in quotes", required=True),
        "speed": _Field(_is_number, "a number", required=True),
        "kind": _TEXT,
        "name": _TEXT,
        "peak_to_mean": _NUMBER,
        "note": _TEXT,
    },
    "pass": {
        "source": _Field(_is_text, "a text in quotes", required=True),
        "rolls": _Field(_is_texts, "a list of roll ids in quotes"),
        "count": _Field(_is_whole, "a whole number"),
        "shield": _Field(_is_text, "a text such as 'lead=0.25'"),
        "multiplier": _NUMBER,
        "kerma": _Field(_is_dose, "a number [uGy] or a text such as '0.3 mR'"),
        "peak_to_mean": _NUMBER,
        "date": _Field(_is_date, "a date such as 2026-05-01, without quotes"),
        "place": _TEXT,
        "scanner": _TEXT,
        "note": _TEXT,
    },
}


def read_trip(path: str | Path) -> Trip:
    """Read a trip file.

    Raises
    ------
    InputFileError
        The file cannot be read or parsed, misses a field, has an unknown one or one of a wrong type or value; the
        text names the file, the roll or pass, and the field.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
    except OSError as error:
        raise InputFileError(path, "", f"cannot be read ({error.strerror}).", "Check the path.") from error
    except UnicodeDecodeError as error:
        raise InputFileError(path, f"byte {error.start}", "is not UTF-8 text.", "Save it as UTF-8.") from error
    try:
        data = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputFileError(path, "", f"is not valid TOML: {error}.", "See the example trip.") from error
    return _trip_from_data(path, data)


def _trip_from_data(path: str | Path, data: dict[str, Any]) -> Trip:
    unknown = [key for key in data if key not in _FIELDS]
    if unknown:
        raise InputFileError(path, f"table '{unknown[0]}'", f"is not known; allowed are {', '.join(_FIELDS)}.")
    head = data.get("trip", {})
    if not isinstance(head, dict):
        raise InputFileError(path, "table 'trip'", "must be written [trip], once.")
    _check_fields(path, "trip", "table 'trip'", head)
    rows = _tables(path, data, "roll")
    if not rows:
        raise InputFileError(path, "", "has no roll.", "Add at least one [[roll]] with id and speed.")
    ids: list[str] = []
    for number, row in enumerate(rows, 1):
        place = f"roll {row['id']!r}" if isinstance(row.get("id"), str) else f"roll number {number}"
        _check_fields(path, "roll", place, row)
        if row["id"] in ids:
            raise InputFileError(path, f"{place}, field 'id'", "stands twice.", "Give every roll its own id.")
        ids.append(row["id"])
    passes: dict[str, list[Pass]] = {name: [] for name in ids}
    for number, row in enumerate(_tables(path, data, "pass"), 1):
        place = f"pass number {number}"
        _check_fields(path, "pass", place, row)
        named = row.get("rolls", ids)
        for name in named:
            if name not in passes:
                raise InputFileError(
                    path, f"{place}, field 'rolls'", f"names {name!r}, which is no roll; rolls are {', '.join(ids)}."
                )
        part = _build(path, place, partial(_pass, row))
        for name in dict.fromkeys(named):
            passes[name].append(part)
    rolls = []
    for row in rows:
        history = History(passes=tuple(passes[row["id"]]))
        rolls.append(_build(path, f"roll {row['id']!r}", partial(_roll, row, history)))
    return Trip(
        rolls=tuple(rolls),
        title=head.get("title", ""),
        invented=head.get("invented", False),
        note=head.get("note", ""),
        path=str(path),
    )


def _tables(path: str | Path, data: dict[str, Any], name: str) -> list[dict[str, Any]]:
    rows = data.get(name, [])
    if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
        raise InputFileError(path, f"table '{name}'", f"must be written [[{name}]], once for each {name}.")
    return rows


def _check_fields(path: str | Path, table: str, place: str, row: dict[str, Any]) -> None:
    fields = _FIELDS[table]
    for key, value in row.items():
        if key not in fields:
            raise InputFileError(path, f"{place}, field {key!r}", f"is not known; allowed are {', '.join(fields)}.")
        if not fields[key].accepts(value):
            raise InputFileError(path, f"{place}, field {key!r}", f"is {value!r}; allowed is {fields[key].what}.")
    for key, wanted in fields.items():
        if wanted.required and key not in row:
            raise InputFileError(path, f"{place}, field {key!r}", "is missing.", f"Write {key} = ...: {wanted.what}.")


def _build(path: str | Path, place: str, make: Callable[[], Any]) -> Any:
    """Make an object from checked fields; what it refuses is said with the place in the file."""
    try:
        return make()
    except InputFileError:
        raise
    except FilmdoseError as error:
        argument = getattr(error, "argument", "")
        where = f"{place}, field {_FIELD_OF.get(argument, argument)!r}" if argument else place
        raise InputFileError(path, where, str(error)) from error


_FIELD_OF = {"kerma_ugy": "kerma", "thickness_mm": "shield", "material": "shield"}


def _pass(row: dict[str, Any]) -> Pass:
    return Pass(
        source=row["source"],
        count=row.get("count", 1),
        shield=row.get("shield"),
        multiplier=row.get("multiplier", 1.0),
        kerma_ugy=row.get("kerma"),
        peak_to_mean=row.get("peak_to_mean"),
        scanner=row.get("scanner", ""),
        date=row.get("date"),
        place=row.get("place", ""),
        note=row.get("note", ""),
    )


def _roll(row: dict[str, Any], history: History) -> Roll:
    film = generic_film(row["speed"], kind=row.get("kind", "bw-negative"))
    peak = row.get("peak_to_mean")
    if peak is not None:
        check_number("peak_to_mean", peak, low=1.0, high=1000.0)
    return Roll(id=row["id"], film=film, history=history, peak_to_mean=peak, note=row.get("note", ""))
