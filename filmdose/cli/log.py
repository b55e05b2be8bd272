"""filmdose log: append to a trip file what just happened."""

from __future__ import annotations

import datetime
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from filmdose.cli.card import parse_date
from filmdose.cli.output import FormatOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError, FilmdoseError
from filmdose.radiation.sources import get_source
from filmdose.units import parse_days, parse_hours

if TYPE_CHECKING:
    from filmdose.odds import Learned
    from filmdose.trip import Trip


def log(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML.", metavar="TRIP.toml")],
    source: Annotated[
        str | None, typer.Option("--source", help="Source of a pass, such as cabin-ct.", metavar="SOURCE")
    ] = None,
    roll: Annotated[
        list[str] | None,
        typer.Option("--roll", help="A roll that it happened to; may be repeated. All, by default.", metavar="ROLL"),
    ] = None,
    count: Annotated[int | None, typer.Option("--count", help="How many passes.", metavar="N")] = None,
    shield: Annotated[
        str | None, typer.Option("--shield", help="What was around the film.", metavar="MATERIAL=MM")
    ] = None,
    kerma: Annotated[
        str | None,
        typer.Option("--kerma", help="Dose of one pass where it is known; microgray, or with a unit.", metavar="DOSE"),
    ] = None,
    flight_hours: Annotated[
        str | None,
        typer.Option("--flight-hours", help="A flight of so many hours, in place of a pass.", metavar="HOURS"),
    ] = None,
    storage_days: Annotated[
        str | None,
        typer.Option("--storage-days", help="Days on the shelf, in place of a pass; or '2 years'.", metavar="DAYS"),
    ] = None,
    darker: Annotated[
        str | None,
        typer.Option(
            "--darker",
            help="A reading: so much darker than an unscanned roll over a light table, by a meter, such as '1/3 stop'.",
            metavar="STOPS",
        ),
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="When a pass was; today by default.", metavar="YYYY-MM-DD")
    ] = None,
    place: Annotated[str | None, typer.Option("--place", help="Where a pass was.", metavar="WHERE")] = None,
    scanner: Annotated[
        str | None, typer.Option("--scanner", help="Which machine, if you can tell them apart.", metavar="NAME")
    ] = None,
    held: Annotated[
        str | None, typer.Option("--held", help="How long the belt stood still, such as 5min.", metavar="TIME")
    ] = None,
    beam_on: Annotated[
        str | None, typer.Option("--beam-on", help="What the tube did: running, pulsed or unknown.", metavar="WORD")
    ] = None,
    note: Annotated[str | None, typer.Option("--note", help="Anything else.", metavar="TEXT")] = None,
    undo: Annotated[bool, typer.Option("--undo", help="Take back the last entry, nothing else.")] = False,
    format: FormatOption = None,
) -> None:
    """Append a pass, a flight or shelf time to a trip file; everything in the file stays as it is.

    With nothing but the file: a pass of all rolls through a scanner that nobody identified, today.
    """
    from filmdose.outlook import Outlook, trip_outlook
    from filmdose.present.trip import log_document
    from filmdose.tripfile import append_entry, undo_entry

    check_output(format, None)
    notes: list[str] = []
    told: list[Outlook] = []

    def answer(trip: Trip) -> None:
        # Before the file is written, so that nothing can go wrong after it but the printing itself.
        with progress("drawing") as advance:
            told.append(trip_outlook(trip, learned=_learnt(trip, file, notes), progress=advance))

    def rolls() -> list[str]:
        return roll or [item.id for item in told[0].trip.rolls]

    if undo:
        others = [
            source,
            roll,
            count,
            shield,
            kerma,
            flight_hours,
            storage_days,
            date,
            place,
            scanner,
            darker,
        ]
        if any(value for value in (*others, held, beam_on, note)):
            raise ArgumentError("undo", "--undo with other options", "--undo alone")
        taken, _ = undo_entry(file, before_writing=answer)
        with nothing_left_to_repeat(f"taken back from {file}: {' '.join(taken.split())}"):
            deliver(log_document(file, taken, told[0], rolls(), notes=notes, taken_back=True), format)
        return
    table, fields = _entry(source, flight_hours, storage_days, darker)
    only_pass: dict[str, Any] = {
        "count": count,
        "shield": shield,
        "kerma": kerma,
        "date": None if date is None else parse_date(date),
        "place": place,
        "scanner": scanner,
        "held": held,
        "beam_on": beam_on,
    }
    given = [name for name, value in only_pass.items() if value is not None]
    if table != "pass" and given:
        raise ArgumentError(given[0], only_pass[given[0]], f"nothing for a {table}", "It belongs to a pass.")
    if table == "reading":
        if roll is None or len(roll) != 1:
            raise ArgumentError("roll", roll, "the one roll that was read", "Add --roll ID.")
        fields["roll"] = roll[0]
    else:
        fields["rolls"] = roll or None
    if table == "pass":
        fields |= only_pass
        fields["date"] = fields["date"] or datetime.date.today()
        if fields["date"] > datetime.date.today():
            action = "What is still ahead is a [[leg]] of the file, or is logged when it has happened."
            raise ArgumentError("date", fields["date"].isoformat(), "today or earlier", action)
    fields["note"] = note
    append_entry(file, table, fields, before_writing=answer)
    with nothing_left_to_repeat(f"appended to {file}: {table}"):
        deliver(log_document(file, _done(table, fields), told[0], rolls(), notes=notes), format)


def _learnt(trip: Trip, file: Path, notes: list[str]) -> Learned | None:
    """What the readings of the file teach; what does not fit must not keep anybody from writing down what happened."""
    from filmdose.cli.measured import learned_from
    from filmdose.odds import trip_model, trip_readings

    try:
        return learned_from(None, trip_model(trip), 0, notes)
    except FilmdoseError as error:
        count = len(trip_readings(trip))
        which = "1 reading is" if count == 1 else f"{count} readings are"
        notes.append(f"{which} not used: {error} Run `filmdose learn {file}`.")
        return None


def _done(table: str, fields: dict[str, Any]) -> str:
    """What was appended, in words."""
    if table == "reading":
        return f"reading of roll {fields['roll']}: {fields['darker']} darker than its control"
    if table != "pass":
        return f"{table} {fields.get('hours', fields.get('days')):g} {'h' if table == 'flight' else 'days'}"
    stop = f", held {fields['held']}" if fields["held"] else ""
    place = f", {fields['place']}" if fields["place"] else ""
    return f"pass through {get_source(fields['source']).title}, {fields['date'].isoformat()}{place}{stop}"


@contextmanager
def nothing_left_to_repeat(done: str) -> Iterator[None]:
    """Print what was done; since it *is* done, output that fails is no failure, and must not make anybody try again."""
    try:
        yield
    except OSError:
        with suppress(OSError, ValueError, AttributeError):
            sys.stderr.write(f"{done}. It could not be printed, and need not be repeated.\n")


def _entry(
    source: str | None, flight_hours: str | None, storage_days: str | None, darker: str | None
) -> tuple[str, dict[str, Any]]:
    """Which table, and its first field."""
    choices: dict[str, tuple[str, Any]] = {
        "pass": ("source", source),
        "flight": ("hours", None if flight_hours is None else parse_hours("flight_hours", flight_hours)),
        "storage": ("days", None if storage_days is None else parse_days("storage_days", storage_days)),
        "reading": ("darker", darker),
    }
    given = {table: field for table, field in choices.items() if field[1] is not None} or {
        "pass": ("source", "unknown")
    }
    if len(given) != 1:
        raise ArgumentError(
            "what happened",
            list(given),
            "one of --source, --flight-hours, --storage-days and --darker",
            "Say what happened.",
        )
    ((table, (name, value)),) = given.items()
    return table, {name: value}
