"""A trip on file: rolls, and what each of them went through, in a TOML that a person writes by hand.

A file has an optional table ``[trip]`` (title, invented, note), one ``[[roll]]``
for each roll, and what happened to them: ``[[pass]]``, ``[[flight]]`` and
``[[storage]]``.  What is still ahead is a ``[[leg]]``, what was measured on a
developed roll a ``[[reading]]``.  An event counts for the rolls that it names, or
for all of them.
"""

from __future__ import annotations

import datetime
import tomllib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from typing import Any

import pandas as pd

from filmdose.answer import Answer, answer
from filmdose.arrays import check_count, check_number
from filmdose.errors import FilmdoseError, InputFileError, UnknownNameError
from filmdose.film.filmfile import read_film
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, History, HistoryDose, Pass, Storage, history_dose
from filmdose.question import Question
from filmdose.radiation.shields import ShieldLike, as_shields
from filmdose.radiation.sources import Source, get_source, source_names

__all__ = [
    "INSPECTIONS",
    "STATES",
    "UNKNOWN_SOURCE",
    "Leg",
    "Reading",
    "Roll",
    "RollAnswer",
    "Trip",
    "answer_roll",
    "answer_trip",
    "find_roll",
    "parse_trip",
    "read_trip",
    "read_trip_text",
    "roll_question",
    "trip_table",
]

#: A roll was scanned before or after it was exposed in the camera.
STATES = ("unexposed", "exposed")

#: What is planned at a checkpoint: through the scanner, by hand as agreed, or hand inspection asked for.
INSPECTIONS = ("scan", "hand", "ask")

#: Name of the scanner that a leg meets when nobody knows.
UNKNOWN_SOURCE = "unknown"

MOST_IMPORTANT = 5


@dataclass(frozen=True, kw_only=True)
class Reading:
    """Base plus fog of a developed roll, and what it would be without the scans.

    Parameters
    ----------
    base_plus_fog
        Density of the roll where no light fell [density; 0 to 6].
    control
        Density of an unscanned roll of the same film and development, or the film's known base plus fog [density].
    control_measured
        True when ``control`` was measured on an unscanned roll.
    error
        Standard error of one density reading [density; above 0].
    record
        Record of a colour film; empty for its only one, or the green one.
    date
        When it was read.
    note
        Free text.
    """

    base_plus_fog: float
    control: float
    control_measured: bool = True
    error: float = 0.02
    record: str = ""
    date: datetime.date | None = None
    note: str = ""

    def __post_init__(self) -> None:
        for name in ("base_plus_fog", "control"):
            value = check_number(name, getattr(self, name), low=0.0, high=6.0, unit="density")
            object.__setattr__(self, name, value)
        error = check_number("error", self.error, low=0.0, low_open=True, high=1.0, unit="density")
        object.__setattr__(self, "error", error)

    @property
    def fog_density(self) -> float:
        """Measured fog: base plus fog over the control [density]; may be below 0 within its error."""
        return self.base_plus_fog - self.control

    @property
    def fog_error(self) -> float:
        """Standard error of the fog: of two readings, or of one against a known value [density]."""
        return self.error * (2.0**0.5 if self.control_measured else 1.0)


@dataclass(frozen=True, kw_only=True)
class Roll:
    """One roll of a trip: what film it is and what happened to it.

    Parameters
    ----------
    id
        Its name on the trip.
    film
        What film it is.
    history
        What it went through.
    peak_to_mean
        Fog under the worst band over the mean, in place of the sources' [1; at least 1].
    state
        One of ``STATES``, at the time of the scans.
    importance
        How hard it is to replace, from 1 to 5.
    scene_range
        What it is to record, from shadow point to highlight, in place of the usual [log10 units].
    readings
        What was measured on it.
    note
        Free text.
    """

    id: str
    film: Film
    history: History = field(default_factory=History)
    peak_to_mean: float | None = None
    state: str = "unexposed"
    importance: int = 3
    scene_range: float | None = None
    readings: tuple[Reading, ...] = ()
    note: str = ""

    def __post_init__(self) -> None:
        if self.peak_to_mean is not None:
            check_number("peak_to_mean", self.peak_to_mean, low=1.0, high=1000.0)
        if self.state not in STATES:
            raise UnknownNameError("state", self.state, STATES)
        check_count("importance", self.importance, low=1, high=MOST_IMPORTANT)
        if self.scene_range is not None:
            check_number("scene_range", self.scene_range, low=0.3, high=4.0, unit="log10 units")
        object.__setattr__(self, "readings", tuple(self.readings))


@dataclass(frozen=True, kw_only=True)
class Leg:
    """A checkpoint that is still ahead.

    Parameters
    ----------
    source
        Name of a source, or ``UNKNOWN_SOURCE``.
    rolls
        Ids of the rolls that meet it.
    count
        How many passes [whole number; at least 0].
    shield
        What will be around the film.
    inspect
        One of ``INSPECTIONS``.
    place, scanner, date, note
        As of a pass.
    like
        A pass whose other fields (multiplier, known dose, unevenness) it repeats.
    """

    source: str
    rolls: tuple[str, ...]
    count: int = 1
    shield: ShieldLike = None
    inspect: str = "ask"
    place: str = ""
    scanner: str = ""
    date: datetime.date | None = None
    note: str = ""
    like: Pass | None = None

    def __post_init__(self) -> None:
        if self.source != UNKNOWN_SOURCE and self.source not in source_names():
            raise UnknownNameError("source", self.source, (*source_names(), UNKNOWN_SOURCE))
        if self.inspect not in INSPECTIONS:
            raise UnknownNameError("inspect", self.inspect, INSPECTIONS)
        object.__setattr__(self, "count", check_count("count", self.count))
        object.__setattr__(self, "shield", as_shields(self.shield))
        object.__setattr__(self, "rolls", tuple(self.rolls))

    def as_pass(self, source: str | Source, shield: ShieldLike = None) -> Pass:
        """The pass that it would be through a source, behind its own shield or else the given one."""
        own = as_shields(self.shield)
        return replace(
            self.like or Pass(source=source),
            source=source,
            count=self.count,
            shield=own or shield,
            scanner=self.scanner,
            date=self.date,
            place=self.place,
            note=self.note,
        )

    @property
    def title(self) -> str:
        """What it is called: place, or source, and its date."""
        name = self.place or ("unknown scanner" if self.source == UNKNOWN_SOURCE else get_source(self.source).title)
        return name if self.date is None else f"{name}, {self.date.isoformat()}"


@dataclass(frozen=True, kw_only=True)
class Trip:
    """A trip: its rolls, each with its history, and what is still ahead."""

    rolls: tuple[Roll, ...]
    legs: tuple[Leg, ...] = ()
    title: str = ""
    invented: bool = False
    note: str = ""
    path: str = ""


@dataclass(frozen=True, kw_only=True)
class RollAnswer:
    """One roll of a trip with its dose and its answer."""

    roll: Roll
    dose: HistoryDose
    answer: Answer


def answer_trip(trip: Trip, question: Question | None = None) -> tuple[RollAnswer, ...]:
    """Dose and answer of every roll of a trip, in the order of the file.

    A roll's own scene range and unevenness, and the unevenness of its sources, stand before those of the question.
    """
    asked = Question() if question is None else question
    return tuple(answer_roll(roll, asked) for roll in trip.rolls)


def answer_roll(roll: Roll, question: Question) -> RollAnswer:
    """Dose and answer of one roll."""
    dose = history_dose(roll.history)
    asked = roll_question(roll, question, dose.peak_to_mean)
    found = answer(roll.film, dose.kerma_ugy, asked, exposed=roll.state == "exposed")
    return RollAnswer(roll=roll, dose=dose, answer=found)


def roll_question(roll: Roll, question: Question, peak_to_mean: float, *, drawn: bool = False) -> Question:
    """What is asked of one roll: the question with the roll's own scene range and unevenness.

    With ``drawn`` unevenness is among the unknowns and does not stand in the question.
    """
    peak = 1.0 if drawn else max(question.peak_to_mean, roll.peak_to_mean or peak_to_mean)
    span = question.scene_range if roll.scene_range is None else roll.scene_range
    return replace(question, scene_range=span, peak_to_mean=peak)


def find_roll(trip: Trip, name: str) -> Roll:
    """The roll of that id.

    Raises
    ------
    UnknownNameError
        With the near matches.
    """
    for roll in trip.rolls:
        if roll.id == name:
            return roll
    raise UnknownNameError("roll", name, tuple(roll.id for roll in trip.rolls))


def trip_table(answers: tuple[RollAnswer, ...]) -> pd.DataFrame:
    """One row for each roll: film, dose with its range, fog, stops, exposure index, verdict, status, sentence."""
    return pd.DataFrame([_table_row(item) for item in answers])


def _table_row(item: RollAnswer) -> dict[str, Any]:
    roll, dose, found = item.roll, item.dose, item.answer
    return {
        "roll": roll.id,
        "kind": roll.film.kind,
        "speed": roll.film.speed,
        "state": roll.state,
        "kerma_ugy": dose.kerma_ugy,
        "kerma_low_ugy": dose.kerma_low_ugy,
        "kerma_high_ugy": dose.kerma_high_ugy,
        "fog_density": found.fog_density,
        "needed_stops": found.needed_stops,
        "given_stops": found.given_stops,
        "ei": found.ei,
        "ei_exact": found.ei_exact,
        "verdict": found.verdict,
        "snr_kept": found.snr_kept,
        "room_left_stops": found.room_left_stops,
        "status": found.status,
        "message": found.message,
    }


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
_ROLLS = _Field(_is_texts, "a list of roll ids in quotes")
_DATE = _Field(_is_date, "a date such as 2026-05-01, without quotes")
_FIELDS: dict[str, dict[str, _Field]] = {
    "trip": {
        "title": _TEXT,
        "invented": _Field(_is_truth, "true or false"),
        "note": _TEXT,
    },
    "roll": {
        "id": _Field(_is_text, "a text in quotes", required=True),
        "speed": _NUMBER,
        "kind": _TEXT,
        "film": _Field(_is_text, "the path of a film file in quotes, from where the trip file is"),
        "name": _TEXT,
        "state": _Field(_is_text, "'unexposed' or 'exposed'"),
        "importance": _Field(_is_whole, "a whole number from 1 to 5"),
        "scene_range": _NUMBER,
        "peak_to_mean": _NUMBER,
        "note": _TEXT,
    },
    "pass": {
        "source": _Field(_is_text, "a text in quotes", required=True),
        "rolls": _ROLLS,
        "count": _Field(_is_whole, "a whole number"),
        "shield": _Field(_is_text, "a text such as 'lead=0.25'"),
        "multiplier": _NUMBER,
        "kerma": _Field(_is_dose, "a number [uGy] or a text such as '0.3 mR'"),
        "peak_to_mean": _NUMBER,
        "date": _DATE,
        "place": _TEXT,
        "scanner": _TEXT,
        "note": _TEXT,
    },
    "flight": {
        "hours": _Field(_is_number, "a number [h]", required=True),
        "rolls": _ROLLS,
        "altitude_ft": _NUMBER,
        "altitude_m": _NUMBER,
        "latitude": _Field(_is_dose, "'equatorial', 'middle', 'polar' or degrees"),
        "note": _TEXT,
    },
    "storage": {
        "days": _Field(_is_number, "a number [days]", required=True),
        "rolls": _ROLLS,
        "rate_mgy_per_year": _NUMBER,
        "note": _TEXT,
    },
    "leg": {
        "source": _Field(_is_text, "a source in quotes, or 'unknown'", required=True),
        "rolls": _ROLLS,
        "count": _Field(_is_whole, "a whole number"),
        "shield": _Field(_is_text, "a text such as 'lead=0.25'"),
        "inspect": _Field(_is_text, "'scan', 'hand' or 'ask'"),
        "date": _DATE,
        "place": _TEXT,
        "scanner": _TEXT,
        "note": _TEXT,
    },
    "reading": {
        "roll": _Field(_is_text, "a roll id in quotes", required=True),
        "base_plus_fog": _Field(_is_number, "a number [density]", required=True),
        "control": _NUMBER,
        "known_base_plus_fog": _NUMBER,
        "error": _NUMBER,
        "record": _TEXT,
        "date": _DATE,
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
    return parse_trip(read_trip_text(path), path)


def read_trip_text(path: str | Path) -> str:
    """Text of a trip file, line ends as they are.

    Raises
    ------
    InputFileError
        The file cannot be read, or is not UTF-8.
    """
    try:
        return Path(path).read_bytes().decode("utf-8")
    except OSError as error:
        raise InputFileError(path, "", f"cannot be read ({error.strerror}).", "Check the path.") from error
    except UnicodeDecodeError as error:
        raise InputFileError(path, f"byte {error.start}", "is not UTF-8 text.", "Save it as UTF-8.") from error


def parse_trip(text: str, path: str | Path = "trip") -> Trip:
    """A trip from the text of its file; ``path`` is named in errors, and film files are looked for from there."""
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
    events: dict[str, dict[str, list[Any]]] = {name: {table: [] for table in _EVENTS} for name in ids}
    for table, make in _EVENTS.items():
        for place, row, named in _events(path, data, table, ids):
            part = _build(path, place, partial(make, row))
            for name in named:
                events[name][table].append(part)
    legs = [_build(path, place, partial(_leg, row, named)) for place, row, named in _events(path, data, "leg", ids)]
    readings: dict[str, list[Reading]] = {name: [] for name in ids}
    for number, row in enumerate(_tables(path, data, "reading"), 1):
        place = f"reading number {number}"
        _check_fields(path, "reading", place, row)
        _check_named(path, f"{place}, field 'roll'", row["roll"], ids)
        readings[row["roll"]].append(_build(path, place, partial(_reading, path, place, row)))
    rolls = []
    for row in rows:
        mine = events[row["id"]]
        history = History(passes=tuple(mine["pass"]), flights=tuple(mine["flight"]), storage=tuple(mine["storage"]))
        make_roll = partial(_roll, path, row, history, tuple(readings[row["id"]]))
        rolls.append(_build(path, f"roll {row['id']!r}", make_roll))
    return Trip(
        rolls=tuple(rolls),
        legs=tuple(legs),
        title=head.get("title", ""),
        invented=head.get("invented", False),
        note=head.get("note", ""),
        path=str(path),
    )


def _events(
    path: str | Path, data: dict[str, Any], table: str, ids: list[str]
) -> Iterator[tuple[str, dict[str, Any], list[str]]]:
    """Place in the file, fields and rolls of every event of a kind."""
    for number, row in enumerate(_tables(path, data, table), 1):
        place = f"{table} number {number}"
        _check_fields(path, table, place, row)
        named = row.get("rolls", ids)
        for name in named:
            _check_named(path, f"{place}, field 'rolls'", name, ids)
        yield place, row, list(dict.fromkeys(named))


def _check_named(path: str | Path, place: str, name: str, ids: list[str]) -> None:
    if name not in ids:
        raise InputFileError(path, place, f"names {name!r}, which is no roll; rolls are {', '.join(ids)}.")


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


_FIELD_OF = {"air_kerma_ugy": "kerma", "thickness_mm": "shield", "material": "shield"}


def _pass(row: dict[str, Any]) -> Pass:
    return Pass(
        source=row["source"],
        count=row.get("count", 1),
        shield=row.get("shield"),
        multiplier=row.get("multiplier", 1.0),
        air_kerma_ugy=row.get("kerma"),
        peak_to_mean=row.get("peak_to_mean"),
        scanner=row.get("scanner", ""),
        date=row.get("date"),
        place=row.get("place", ""),
        note=row.get("note", ""),
    )


def _flight(row: dict[str, Any]) -> Flight:
    return Flight(
        hours=row["hours"],
        altitude_ft=row.get("altitude_ft"),
        altitude_m=row.get("altitude_m"),
        latitude=row.get("latitude", "middle"),
        note=row.get("note", ""),
    )


def _storage(row: dict[str, Any]) -> Storage:
    return Storage(days=row["days"], rate_mgy_per_year=row.get("rate_mgy_per_year"), note=row.get("note", ""))


_EVENTS: dict[str, Callable[[dict[str, Any]], Any]] = {"pass": _pass, "flight": _flight, "storage": _storage}


def _leg(row: dict[str, Any], rolls: list[str]) -> Leg:
    known = {name: value for name, value in row.items() if name != "rolls"}
    return Leg(rolls=tuple(rolls), **known)


def _reading(path: str | Path, place: str, row: dict[str, Any]) -> Reading:
    given = [name for name in ("control", "known_base_plus_fog") if name in row]
    if len(given) != 1:
        raise InputFileError(
            path,
            f"{place}, field 'control'",
            "is missing." if not given else "stands beside known_base_plus_fog.",
            "Give control (base plus fog of an unscanned roll, developed alike) or known_base_plus_fog, one of them.",
        )
    return Reading(
        base_plus_fog=row["base_plus_fog"],
        control=row[given[0]],
        control_measured=given[0] == "control",
        **{name: row[name] for name in ("error", "record", "date", "note") if name in row},
    )


def _roll(path: str | Path, row: dict[str, Any], history: History, readings: tuple[Reading, ...]) -> Roll:
    return Roll(
        film=_film(path, row),
        history=history,
        readings=readings,
        **{
            name: row[name]
            for name in ("id", "peak_to_mean", "state", "importance", "scene_range", "note")
            if name in row
        },
    )


def _film(path: str | Path, row: dict[str, Any]) -> Film:
    place = f"roll {row['id']!r}"
    if "film" not in row:
        if "speed" not in row:
            raise InputFileError(
                path, f"{place}, field 'speed'", "is missing.", "Write speed = ...: a number; or film = ..."
            )
        film = generic_film(row["speed"], kind=row.get("kind", "bw-negative"))
    else:
        for name in ("speed", "kind"):
            if name in row:
                raise InputFileError(path, f"{place}, field {name!r}", "stands beside film.", "The film file has it.")
        try:
            film = read_film(Path(path).parent / row["film"])
        except FilmdoseError as error:
            raise InputFileError(path, f"{place}, field 'film'", str(error)) from error
    return replace(film, name=row["name"]) if "name" in row else film
