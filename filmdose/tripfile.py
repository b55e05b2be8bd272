"""Trip files: what a person writes by hand about rolls, passes and readings; read, appended to, and taken back from.

What is appended goes to the end of the file, written by tomlkit; not a letter of the rest changes.  (Inserting an
entry among its kind was tried: where kinds alternate, tomlkit moves entries and their comments about.)  The whole
file is read, checked and replaced in one step behind a lock, so that an interruption leaves the old file or the new
one and nothing that another program appended is lost.
"""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any

from filmdose.arguments import hold_to_annotations
from filmdose.errors import (
    FilmdoseError,
    InputFileError,
    OutputFileError,
    UnknownNameError,
    each_part,
    name_list,
    shown,
    stop_at_faults,
)
from filmdose.everyday import KINDS_MEANT
from filmdose.files import parse_toml, read_text, write_bytes_atomic
from filmdose.film.filmfile import read_film
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage
from filmdose.radiation.background import ALTITUDE_RANGE_FT
from filmdose.radiation.badge import BADGE_QUANTITIES
from filmdose.radiation.chain import FORMATS, PLACES
from filmdose.radiation.constants import constant, constant_range
from filmdose.radiation.sources import beam_on_share
from filmdose.standards import KINDS
from filmdose.tomlfile import Field, Row, Table, read_rows, reference
from filmdose.trip import FOG_PLACES, INSPECTIONS, STATES, DoseReading, FogReading, Leg, Reading, Roll, Shot, Trip
from filmdose.units import parse_duration

__all__ = [
    "READINGS_FILE",
    "TRIP_FILE",
    "append_entry",
    "parse_trip",
    "read_readings",
    "read_trip",
    "trip_file_reference",
    "undo_entry",
]

_ROLLS = Field(
    name="rolls",
    type="texts",
    help="Rolls that it happened to.",
    allowed="a list of roll ids in quotes",
    default="all rolls of the file",
)
_SHIELD = Field(
    name="shield",
    help="What was around the film, thicknesses in millimetres.",
    allowed="a text such as 'lead=0.25' or 'lead=0.1+tin=0.2'",
    arguments=("shield", "thickness_mm", "material"),
)
_COUNT = Field(name="count", type="whole", low=0, help="How many passes.", default="1")
_DATE = Field(name="date", type="date", help="When it was.")
_PLACE = Field(name="place", help="Where it was, in your words.")
_SCANNER = Field(
    name="scanner", help="Which machine; passes of one machine share its unknown dose.", default="the place"
)
_NOTE = Field(name="note", help="Anything else.")
_PEAK = Field(
    name="peak_to_mean", type="number", low=1, high=1000, help="Fog under the worst band over the mean.",
    default="that of the sources",
)  # fmt: skip
_BAG = Field(
    name="bag", help="What the film lay among: grams of water per square centimetre, millimetres of aluminium.",
    allowed="'typical', 'empty' or a text such as '4, al=1'", default="typical",
)  # fmt: skip
_DENSITY = Field(name="", type="number", low=0, high=6, unit="density")

_READING = Table(
    name="reading",
    shape="many",
    help="What was measured on a developed roll, or by a dosemeter that travelled with it.",
    fields=(
        Field(name="roll", required=True, help="Id of the roll.", allowed="a roll id in quotes"),
        Field(name="kind", choices=("fog", "badge"), default="fog", help="A density, or the dose of a dosemeter."),
        replace(_DENSITY, name="base_plus_fog", help="Fog: density where no light fell; greatest density of slides."),
        replace(_DENSITY, name="control", help="Fog: the same of an unscanned roll, developed alike."),
        replace(
            _DENSITY,
            name="known_base_plus_fog",
            help="Fog: in place of a control, what the film is known to have.",
            default="that of the film's data, when there is no control",
        ),
        Field(
            name="error", type="number", low=0, low_open=True, high=1, unit="density", default="0.02; 0.10 for darker",
            help="Fog: standard error of one reading.",
        ),
        Field(
            name="darker", type="amount", arguments=("darker_stops",),
            help="Fog: in place of densities, how much darker than its control over a light table, by a light meter "
            "(error 0.10).",
            allowed="a number of stops, or a text such as '1/3 stop' or '2/3 stop lighter'",
        ),
        Field(name="record", help="Fog: record of a colour film.", default="the only one, or green"),
        Field(name="where", choices=FOG_PLACES, default="mean", help="Fog: mean of the roll, or its worst band."),
        Field(
            name="value", type="amount", help="Badge: what it read.", allowed="a number, or a text such as '63 mrem'",
            arguments=("value", "reading"),
        ),
        Field(name="unit", help="Badge: unit of a value that is a number.", default="uGy"),
        Field(
            name="quantity", choices=BADGE_QUANTITIES, help="Badge: what it is a reading of.",
            default="unstated for sievert and rem, else air-kerma",
        ),
        Field(
            name="relative_error", type="number", low=0, low_open=True, high=2, default="0.2",
            help="Badge: standard deviation of the reading over the reading.",
        ),
        _DATE,
        _NOTE,
    ),
)  # fmt: skip

#: A file of readings alone.
READINGS_FILE = (_READING,)

#: Everything that a trip file may hold.
TRIP_FILE = (
    Table(
        name="trip",
        help="The trip itself.",
        fields=(
            Field(name="title", help="Its name."),
            Field(name="invented", type="truth", default="false", help="True for a made-up scenario."),
            _NOTE,
        ),
    ),
    Table(
        name="roll",
        shape="many",
        label="id",
        help="One roll of film; a file has at least one.",
        fields=(
            Field(name="id", required=True, help="Its name on the trip, different for every roll."),
            Field(
                name="speed", type="number", low=0, low_open=True, high=1e6, unit="ISO",
                help="Speed on the box; or else film.",
            ),
            Field(name="kind", choices=tuple(KINDS), words=KINDS_MEANT, default="bw-negative", help="What film it is."),
            Field(
                name="film", help="A film file in place of speed and kind.",
                allowed="the path of a film file in quotes, from where the trip file is",
            ),
            Field(name="name", help="What you call the film."),
            Field(name="format", choices=FORMATS, default="35mm", help="What it comes in."),
            _BAG,
            Field(name="state", choices=STATES, default="unexposed", help="Exposed in the camera already, or not."),
            Field(
                name="importance", type="whole", low=1, high=5, default="3", help="How hard it is to replace."
            ),
            Field(
                name="scene_range", type="number", low=0.3, high=4.0, unit="log10 units",
                help="From shadow point to highlight.", default="that of an average scene",
            ),
            _PEAK,
            Field(name="loaded", type="date", help="Day of loading, for your own record."),
            Field(
                name="shot", type="inline", help="How it was exposed; the roll is judged by it.",
                default="not yet, or at the marked speed if its state is exposed",
                allowed="a table in one line, such as { ei = 200, first = 2026-05-02, last = 2026-05-06 }",
                fields=(
                    Field(
                        name="ei", type="number", low=0, low_open=True, high=1e6, unit="ISO", help="Index of the meter."
                    ),
                    Field(name="first", type="date", help="Day of the first frame."),
                    Field(name="last", type="date", help="Day of the last frame."),
                ),
            ),
            Field(name="developed", type="date", help="Day of development; passes after it do not count."),
            _NOTE,
        ),
    ),
    Table(
        name="pass",
        shape="many",
        help="Film went through a scanner.",
        fields=(
            Field(name="source", required=True, help="Which kind of scanner: a name of `filmdose sources`."),
            _ROLLS,
            _COUNT,
            _SHIELD,
            Field(
                name="multiplier", type="number", low=1, default="1",
                help="Times longer in the beam than usual, where that is known; a belt that stood still is `held`.",
            ),
            Field(
                name="kerma", type="amount", help="Air kerma of one pass where it is known.",
                allowed="a number [uGy] or a text such as '0.3 mR'", default="that of the source",
                arguments=("air_kerma_ugy",),
            ),
            Field(
                name="views", type="whole", low=1, default="1",
                help="Views of a projection unit, each of which gives the dose of the source.",
            ),
            Field(
                name="at", choices=PLACES, default="inside for a kerma, else that of the source",
                help="Where the kerma stands: outside of the bag, inside beside the film, or at the film.",
            ),
            replace(_BAG, default="that of the roll"),
            _PEAK,
            _DATE,
            _PLACE,
            _SCANNER,
            Field(
                name="held", type="amount", arguments=("held_s",), default="the belt did not stop",
                help="How long the belt stood still with the bag in the machine; the dose is that of the stripe in the "
                "beam.", allowed="a number [s] or a text such as '5 min'",
            ),
            Field(
                name="beam_on", choices=tuple(beam_on_share()), default="unknown",
                help="What the tube did while the belt stood still.",
            ),
            _NOTE,
        ),
    ),
    Table(
        name="flight",
        shape="many",
        help="Time in the air.",
        fields=(
            Field(name="hours", type="number", low=0, unit="h", required=True, help="From take-off to landing."),
            _ROLLS,
            Field(
                name="altitude_ft", type="number", low=ALTITUDE_RANGE_FT[0], high=ALTITUDE_RANGE_FT[1], unit="ft",
                help="Cruising altitude.", default=f"{constant('cruising_altitude_ft'):.0f} ft",
            ),
            Field(name="altitude_m", type="number", low=0, unit="m", help="The same in metres."),
            Field(
                name="latitude", type="amount", allowed="'equatorial', 'middle', 'polar' or degrees", default="middle",
                help="Where most of the flight was.",
            ),
            _NOTE,
        ),
    ),
    Table(
        name="storage",
        shape="many",
        help="Time on the shelf.",
        fields=(
            Field(name="days", type="number", low=0, unit="days", required=True, help="How long."),
            _ROLLS,
            Field(
                name="rate_mgy_per_year", type="number", low=0, unit="mGy/year",
                default="{1:g}, from {0:g} to {2:g}".format(*constant_range("background_mgy_per_year")),
                help="Background of the place.",
            ),
            _NOTE,
        ),
    ),
    Table(
        name="leg",
        shape="many",
        help="A checkpoint that is still ahead.",
        fields=(
            Field(name="source", required=True, help="As of a pass; 'unknown' when nobody knows."),
            _ROLLS,
            _COUNT,
            _SHIELD,
            Field(
                name="inspect", choices=INSPECTIONS, default="ask",
                help="Through the scanner, by hand as agreed, or by hand if they are asked.",
            ),
            _DATE,
            _PLACE,
            _SCANNER,
            _NOTE,
        ),
    ),
    _READING,
)  # fmt: skip

#: Fields of a reading that belong to one of its kinds.
_OF_KIND = {
    "fog": ("base_plus_fog", "darker", "control", "known_base_plus_fog", "error", "record", "where"),
    "badge": ("value", "unit", "quantity", "relative_error"),
}

#: How long an append waits for other programs that append [s].
_PATIENCE_S = 60.0


def trip_file_reference() -> str:
    """Every table and field of a trip file, in Markdown.

    Returns
    -------
    str
        Markdown.

    Examples
    --------
    >>> trip_file_reference().splitlines()[0]
    '### `[trip]`'
    """
    return reference(TRIP_FILE)


# -- reading -----------------------------------------------------------------------------------------------------------


def read_trip(path: str | Path) -> Trip:
    """Read a trip file.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    Trip

    Raises
    ------
    InputFileError
        The file cannot be read or parsed, misses a field, has an unknown one or one of a wrong type or value; the
        text names the file, the roll or pass, and the field.

    Examples
    --------
    >>> from filmdose.examples import example_trip_path
    >>> read_trip(example_trip_path("example")).invented
    True
    """
    return parse_trip(read_text(path), path)


def parse_trip(text: str, path: str | Path = "trip") -> Trip:
    """A trip from the text of its file; ``path`` is named in errors, and film files are looked for from there.

    Parameters
    ----------
    text
        TOML.
    path
        Name for messages; film files are looked for from its folder.

    Returns
    -------
    Trip

    Raises
    ------
    InputFileError
        As of :func:`read_trip`.

    Examples
    --------
    >>> parse_trip('roll = [{id = "a", speed = 400}]').rolls[0].film.speed
    400.0
    """
    rows = read_rows(TRIP_FILE, parse_toml(text, path), path, go_on=True)
    if not rows["roll"]:
        raise InputFileError(path, "", "has no roll.", "Add at least one [[roll]] with id and speed.")
    parts: dict[str, dict[str, list[Any]]] = {}
    notes: list[str] = []
    named = [row for row in rows["roll"] if "id" in row]
    developed = {row["id"]: row.values.get("developed") for row in named}
    for row in named:
        with each_part():
            if row["id"] in parts:
                row.refuse("id", "stands twice.", "Give every roll its own id.")
            parts[row["id"]] = {table: [] for table in (*_EVENTS, "reading")}
    for table, make in _EVENTS.items():
        for row in _whole(rows[table]):
            with each_part():
                event = row.build(make, row)
                for name in _named(row, parts):
                    done, when = developed[name], row.values.get("date")
                    if done is not None and when is not None and when > done:
                        notes.append(f"Roll {name} was developed on {done}: its {table} of {when} does not count.")
                    else:
                        parts[name][table].append(event)
    for row in _whole(rows["reading"]):
        with each_part():
            _check_roll(row, "roll", row["roll"], parts)
            parts[row["roll"]]["reading"].append(_reading(row))
    rolls, legs = [], []
    for row in _whole(rows["roll"]):
        with each_part():
            rolls.append(row.build(_roll, row, parts[row["id"]]))
    for row in _whole(rows["leg"]):
        with each_part():
            legs.append(row.build(Leg, rolls=_named(row, parts), **row.arguments("rolls")))
    stop_at_faults()
    return Trip(
        rolls=tuple(rolls),
        legs=tuple(legs),
        path=str(path),
        notes=tuple(notes),
        **(rows["trip"][0].arguments() if rows["trip"] else {}),
    )


def _whole(rows: list[Row]) -> list[Row]:
    """The rows without a fault: all of them, but when all faults of a file are collected."""
    return [row for row in rows if not row.faulty]


def read_readings(path: str | Path) -> tuple[Reading, ...]:
    """Read measured rolls from a TOML file of ``[[reading]]`` tables, as a trip file has them.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    tuple
        Readings in the order of the file.

    Raises
    ------
    InputFileError
        The file cannot be read or parsed, or an entry is not possible; the text names the entry and the field.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "readings.toml"
    ...     _ = path.write_text('reading = [{roll = "a", base_plus_fog = 0.4, control = 0.3}]')
    ...     print(len(read_readings(path)))
    1
    """
    rows = read_rows(READINGS_FILE, parse_toml(read_text(path), path), path)["reading"]
    if not rows:
        raise InputFileError(path, "", "has no reading.", "Add at least one [[reading]] with roll and base_plus_fog.")
    readings = []
    for row in rows:
        with each_part():
            readings.append(_reading(row))
    stop_at_faults()
    return tuple(readings)


def _named(row: Row, rolls: Mapping[str, Any]) -> tuple[str, ...]:
    """Rolls of an event: those that it names, once each, or all."""
    if "rolls" not in row:
        return tuple(rolls)
    for name in row["rolls"]:
        _check_roll(row, "rolls", name, rolls)
    return tuple(dict.fromkeys(row["rolls"]))


def _check_roll(row: Row, key: str, name: str, rolls: Mapping[str, Any]) -> None:
    if name not in rolls:
        row.refuse(key, f"names {shown(name)}, which is no roll; rolls are {name_list(rolls)}.")


def _pass(row: Row) -> Pass:
    values = row.arguments("rolls", "held")
    return Pass(**values, held_s=parse_duration("held", row["held"]) if "held" in row else None)


_EVENTS: dict[str, Callable[[Row], Any]] = {
    "pass": _pass,
    "flight": lambda row: Flight(**row.arguments("rolls")),
    "storage": lambda row: Storage(**row.arguments("rolls")),
}


def _reading(row: Row) -> Reading:
    kind = row.values.get("kind", "fog")
    for other in (name for name in _OF_KIND if name != kind):
        for key in _OF_KIND[other]:
            if key in row:
                row.refuse(key, f"belongs to a reading of kind {other!r}; this one is of kind {kind!r}.")
    needed = _OF_KIND[kind][0]
    if "darker" in row:
        return row.build(FogReading.by_meter, row["darker"], **row.arguments("kind", "darker"))
    if needed not in row:
        what = next(item.what for item in row.fields if item.name == needed)
        row.refuse(needed, "is missing.", f"Write {needed} = ...: {what}.")
    if kind == "fog":
        if "control" in row and "known_base_plus_fog" in row:
            row.refuse("control", "stands beside known_base_plus_fog.", "Give one of them.")
        return row.build(FogReading, **row.arguments("kind"))
    value = row["value"]
    if "unit" in row:
        if isinstance(value, str):
            row.refuse("unit", "stands beside a value that is a text.", "Write the unit once.")
        value = f"{value!r} {row['unit']}"
    return row.build(DoseReading, value=value, **row.arguments("kind", "value", "unit"))


def _roll(row: Row, parts: Mapping[str, list[Any]]) -> Roll:
    return Roll(
        film=_film(row),
        history=row.build(
            History,
            passes=tuple(parts["pass"]),
            flights=tuple(parts["flight"]),
            storage=tuple(parts["storage"]),
            **{key: row[key] for key in ("format", "bag") if key in row},
        ),
        readings=tuple(parts["reading"]),
        shot=row["shot"].build(Shot, **row["shot"].arguments()) if "shot" in row else None,
        **row.arguments("film", "speed", "kind", "name", "format", "bag", "shot"),
    )


def _film(row: Row) -> Film:
    if "film" not in row:
        if "speed" not in row:
            row.refuse("speed", "is missing.", "Write speed = ...: a number; or film = ...")
        film = generic_film(row["speed"], kind=row.values.get("kind", "bw-negative"))
    else:
        for name in ("speed", "kind"):
            if name in row:
                row.refuse(name, "stands beside film.", "The film file has it.")
        try:
            # A link to the trip file does not move the film files that lie beside it.
            film = read_film(Path(os.path.realpath(row.path)).parent / row["film"])
        except FilmdoseError as error:
            row.refuse("film", str(error))
    return replace(film, name=row["name"]) if "name" in row else film


# -- appending ---------------------------------------------------------------------------------------------------------


def append_entry(
    path: str | Path, table: str, fields: Mapping[str, Any], *, before_writing: Callable[[Trip], None] | None = None
) -> Trip:
    """Append one ``[[pass]]``, ``[[flight]]``, ``[[storage]]``, ``[[leg]]`` or ``[[reading]]`` to a trip file.

    Parameters
    ----------
    path
        The trip file, or a link to it.
    table
        Which kind of entry.
    fields
        Its fields, in the order in which they are to stand; None leaves one out. Without ``rolls`` the entry names
        all rolls that are in the file now, so that a roll added later does not get it.
    before_writing
        Called with the trip that the file will hold; what it raises leaves the file as it is.

    Returns
    -------
    The trip with the new entry.

    Raises
    ------
    InputFileError
        The file or the new entry is faulty; the file is untouched.
    OutputFileError
        The file is read-only, cannot be replaced, or another program does not let go of it.
    UnknownNameError
        A roll that the file does not have.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "trip.toml"
    ...     _ = path.write_text('roll = [{id = "a", speed = 400}]')
    ...     print(len(append_entry(path, "pass", {"source": "cabin-ct"}).rolls[0].history.passes))
    1
    """
    with _alone(path) as target:
        old, trip = _current(target, path)
        ids = [roll.id for roll in trip.rolls]
        given = {name: value for name, value in fields.items() if value is not None}
        if table != "reading":
            for name in given.setdefault("rolls", ids):
                if name not in ids:
                    raise UnknownNameError("roll", name, ids)
        end = _line_end(old)
        text = f"{old}{'' if old.endswith(end) else end}{end}{_block(table, given, end)}"
        return _replaced(target, path, text, before_writing)


def undo_entry(path: str | Path, *, before_writing: Callable[[Trip], None] | None = None) -> tuple[str, Trip]:
    """Take back the last entry of a trip file, if it is as :func:`append_entry` writes it.

    Parameters
    ----------
    path
        The trip file, or a link to it.
    before_writing
        Called with the trip that the file will hold; what it raises leaves the file as it is.

    Returns
    -------
    What was taken back, as it stood in the file, and the trip without it.

    Raises
    ------
    InputFileError
        The file does not end with such an entry: a person wrote or changed it, so a person must take it out.
    OutputFileError
        The file is read-only, cannot be replaced, or another program does not let go of it.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = Path(folder) / "trip.toml"
    ...     _ = path.write_text('roll = [{id = "a", speed = 400}]')
    ...     _ = append_entry(path, "pass", {"source": "cabin-ct"})
    ...     print(len(undo_entry(path)[1].rolls[0].history.passes))
    0
    """
    with _alone(path) as target:
        old, _ = _current(target, path)
        end = _line_end(old)
        headings = list(re.finditer(r"^\[\[(pass|flight|storage|leg|reading)\]\]\r?$", old, re.MULTILINE))
        if headings:
            table = headings[-1][1]
            block = end + _block(table, parse_toml(old.removeprefix("\ufeff"), path)[table][-1], end)
            if old.endswith(end + block):
                trip = _replaced(target, path, old.removesuffix(block), before_writing)
                return block.strip(), trip
        raise InputFileError(
            path, "", "does not end with an entry as filmdose log writes it.", "Take it out with an editor."
        )


@contextmanager
def _alone(path: str | Path) -> Iterator[Path]:
    """The file behind the links, while nobody else appends to it."""
    from filelock import FileLock, Timeout

    try:
        target = Path(os.path.realpath(path))
        if not target.exists():
            read_text(path)  # says what is wrong with it
        if not target.is_file():
            raise OutputFileError(path, "it is not a regular file")
        if not (target.stat().st_mode & 0o222 and os.access(target, os.W_OK)):
            raise OutputFileError(path, "it is read-only")
        beside = target.with_name(f".{target.name}.lock")
        lock = FileLock(beside, timeout=_PATIENCE_S)
        lock.acquire()
    except Timeout as error:
        raise OutputFileError(path, f"another program has held {beside.name} for {_PATIENCE_S:.0f} s") from error
    except FilmdoseError:
        raise
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        raise OutputFileError(path, getattr(error, "strerror", None) or str(error)) from error
    try:
        yield target
    finally:
        # Taken away while it is still held: who waits for it sees that it is gone, and makes a new one.
        with suppress(OSError):
            beside.unlink()
        lock.release()


def _current(target: Path, path: str | Path) -> tuple[str, Trip]:
    """Text of the file as it stands, a byte order mark included, and its trip."""
    text = read_text(target)
    mark = "\ufeff" if target.read_bytes()[:3] == b"\xef\xbb\xbf" else ""
    return mark + text, parse_trip(text, path)


def _replaced(target: Path, path: str | Path, text: str, before_writing: Callable[[Trip], None] | None) -> Trip:
    trip = parse_trip(text.removeprefix("\ufeff"), path)
    if before_writing is not None:
        before_writing(trip)
    write_bytes_atomic(target, text.encode("utf-8"))
    return trip


def _line_end(text: str) -> str:
    return "\r\n" if "\r\n" in text else "\n"


def _block(table: str, fields: Mapping[str, Any], end: str) -> str:
    """An entry as it stands in the file."""
    import tomlkit

    entry = tomlkit.table()
    for name, value in fields.items():
        entry.add(name, list(value) if isinstance(value, tuple) else value)
    entries = tomlkit.aot()
    entries.append(entry)
    document = tomlkit.document()
    document.append(table, entries)
    return tomlkit.dumps(document).strip("\n").replace("\n", end) + end


hold_to_annotations(globals())
