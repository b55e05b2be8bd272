"""A trip: rolls, what each of them went through, what is still ahead, and what was measured."""

from __future__ import annotations

import datetime
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING, Any

from filmdose.answering import Answer, answer
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count, check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import Film
from filmdose.history import History, HistoryDose, Pass, history_dose
from filmdose.names import BadgeQuantity, FogPlace, Inspection, State
from filmdose.question import Question
from filmdose.radiation.badge import BadgeKerma, badge_air_kerma
from filmdose.radiation.shields import ShieldLike, as_shields
from filmdose.radiation.sources import get_source, is_shipped
from filmdose.result import Result
from filmdose.standards import LOG10_2
from filmdose.units import parse_stops_darker

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "FOG_PLACES",
    "INSPECTIONS",
    "METER_ERROR",
    "STATES",
    "DoseReading",
    "FogReading",
    "Leg",
    "Reading",
    "Roll",
    "RollAnswer",
    "Shot",
    "Trip",
    "after_legs",
    "answer_at",
    "answer_roll",
    "answer_trip",
    "find_roll",
    "legs_ahead",
    "measured_fog",
    "read_record",
    "roll_question",
    "trip_as_shot",
    "trip_readings",
    "trip_table",
    "with_more",
]

#: Where on a roll fog was read: its mean, or the worst band.
FOG_PLACES = ("mean", "worst")

#: Standard error of a density difference that a meter read to a third of a stop.
METER_ERROR = 0.10

#: A roll was scanned before or after it was exposed in the camera.
STATES = ("unexposed", "exposed")

#: What is planned at a checkpoint: through the scanner, by hand as agreed, or hand inspection asked for.
INSPECTIONS = ("scan", "hand", "ask")

MOST_IMPORTANT = 5


@dataclass(frozen=True, kw_only=True)
class FogReading(Result):
    """Base plus fog of a developed roll where no light fell, and what it would be without the scans.

    Parameters
    ----------
    roll
        Id of the roll; a reading that stands in a :class:`Roll` gets that roll's.
    base_plus_fog
        What was read on it [density; 0 to 6]; of reversal film its greatest density.
    control
        The same of an unscanned roll of the same film in the same development [density].
    known_base_plus_fog
        In place of a control, what the film is known to have [density]; with neither, that of the film's data.
    darker_stops
        In place of densities: how much darker the roll is than its control over a light table, by a light or spot meter
        [stops; negative for lighter]; see :meth:`by_meter`.
    error
        Standard error of one density reading [density; above 0].
    record
        Record that was read; the only one, or the green one, when left out.
    where
        One of ``FOG_PLACES``.
    date, note
        When it was read; free text.

    Raises
    ------
    ArgumentError, UnknownNameError
        A density out of range, an error of zero, a control beside a known value, an unknown place.
    """

    roll: str = ""
    base_plus_fog: float | None = None
    control: float | None = None
    known_base_plus_fog: float | None = None
    darker_stops: float | None = None
    error: float = 0.02
    record: str = ""
    where: FogPlace = "mean"
    date: datetime.date | None = None
    note: str = ""

    def __post_init__(self) -> None:
        for name in ("base_plus_fog", "control", "known_base_plus_fog"):
            value = getattr(self, name)
            if value is not None or (name == "base_plus_fog" and self.darker_stops is None):
                object.__setattr__(self, name, check_number(name, value, low=0.0, high=6.0, unit="density"))
        if self.darker_stops is not None:
            object.__setattr__(self, "darker_stops", parse_stops_darker("darker_stops", self.darker_stops))
            for name in ("base_plus_fog", "control", "known_base_plus_fog"):
                if getattr(self, name) is not None:
                    raise ArgumentError(name, getattr(self, name), "no density beside a difference in stops")
        if self.control is not None and self.known_base_plus_fog is not None:
            raise ArgumentError("control", self.control, "a control or a known base plus fog, not both")
        action = "Read the same place several times to find it."
        error = check_number("error", self.error, low=0.0, low_open=True, high=1.0, unit="density", action=action)
        object.__setattr__(self, "error", error)
        if self.where not in FOG_PLACES:
            raise UnknownNameError("where", self.where, FOG_PLACES)

    @classmethod
    def by_meter(cls, darker: float | str, *, error: float = METER_ERROR, **others: Any) -> FogReading:
        """A reading without a densitometer: a meter over a light table, through the roll and through its control.

        net density = EV difference log10 2

        Parameters
        ----------
        darker
            Stops by which the roll is darker than its control, a number or a text such as "1/3 stop".
        error
            Standard error of that density difference; a third of a stop by default.
        others
            As of the class.

        Examples
        --------
        >>> reading = FogReading.by_meter("1/3 stop", roll="a")
        >>> reading.darker_stops, reading.error
        (0.3333333333333333, 0.1)
        """
        return cls(darker_stops=parse_stops_darker("darker", darker), error=error, **others)


@dataclass(frozen=True, kw_only=True)
class DoseReading(Result):
    """What a dosemeter beside a roll collected: among the same contents of the bag, before cartridge and shields.

    Parameters
    ----------
    roll
        Id of the roll that it travelled with; a reading that stands in a :class:`Roll` gets that roll's.
    value
        What it read: a number [uGy] or a text such as "12 mR", "63 mrem".
    quantity
        What it is a reading of; see :func:`filmdose.radiation.badge.badge_air_kerma`.
    relative_error
        Standard deviation of the reading over the reading [1; above 0 to 2].
    date, note
        When it was read; free text.

    Examples
    --------
    >>> reading = DoseReading(roll="a", value="63 mrem", quantity="hp10-phantom", relative_error=0.1)
    >>> round(reading.kerma.air_kerma_ugy)
    335
    """

    roll: str = ""
    value: float | str
    quantity: BadgeQuantity | None = None
    relative_error: float = 0.2
    date: datetime.date | None = None
    note: str = ""

    def __post_init__(self) -> None:
        error = check_number("relative_error", self.relative_error, low=0.0, low_open=True, high=2.0)
        object.__setattr__(self, "relative_error", error)
        if not self.kerma.air_kerma_ugy > 0.0:
            action = "Leave a reading below the dosemeter's threshold out."
            raise ArgumentError("value", self.value, "a dose above 0", action)

    @property
    def kerma(self) -> BadgeKerma:
        """Air kerma at the dosemeter, with its spread."""
        return badge_air_kerma(self.value, self.quantity, relative_error=self.relative_error)


#: What can be measured of a roll.
Reading = FogReading | DoseReading


def read_record(film: Film, reading: FogReading) -> tuple[str, Emulsion]:
    """Name and grains of the record that was read: the only one, or the green one, when the reading does not say.

    Parameters
    ----------
    film
        Film of the roll.
    reading
        Its reading.

    Returns
    -------
    tuple
        Name and record.

    Raises
    ------
    UnknownNameError
        The film has no such record.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> reading = FogReading(roll="a", base_plus_fog=0.4, control=0.3)
    >>> read_record(generic_film(400), reading)[0]
    'visual'
    """
    names = film.record_names
    wanted = reading.record or ("green" if "green" in names else names[0])
    if wanted not in names:
        raise UnknownNameError("record", reading.record, names)
    return wanted, film.records[names.index(wanted)]


def measured_fog(film: Film, reading: FogReading) -> tuple[float, float, str]:
    """Density over what the roll would have without the scans, its standard error, and what it was compared with.

    fog = base_plus_fog - control, error = sqrt(2) times that of one reading; against a known value that of one.

    Parameters
    ----------
    film
        Film of the roll.
    reading
        Its reading.

    Returns
    -------
    Fog [density; below 0 within its error, and for reversal film], error [density], and the comparison in words.

    Raises
    ------
    UnknownNameError
        The film has no such record.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> fog, error, against = measured_fog(generic_film(400), FogReading(roll="a", base_plus_fog=0.4, control=0.3))
    >>> round(fog, 3)
    0.1
    """
    if reading.darker_stops is not None:
        return reading.darker_stops * LOG10_2, reading.error, "unscanned roll beside it, by a meter"
    assert reading.base_plus_fog is not None
    if reading.control is not None:
        fog = reading.base_plus_fog - reading.control
        return fog, 2.0**0.5 * reading.error, "unscanned roll, developed alike"
    if reading.known_base_plus_fog is not None:
        return reading.base_plus_fog - reading.known_base_plus_fog, reading.error, "known value of the film"
    _, record = read_record(film, reading)
    known = float(record.maximum_density() if record.positive else record.minimum_density())
    return reading.base_plus_fog - known, reading.error, "the film's data"


@dataclass(frozen=True, kw_only=True)
class Shot(Result):
    """How a roll was exposed in the camera.

    Parameters
    ----------
    ei
        Exposure index that the meter was set to [ISO; above 0]; None when not known.
    first, last
        Days of the first and the last frame.
    """

    ei: float | None = None
    first: datetime.date | None = None
    last: datetime.date | None = None

    def __post_init__(self) -> None:
        if self.ei is not None:
            object.__setattr__(self, "ei", check_number("ei", self.ei, low=0.0, low_open=True, high=1e6, unit="ISO"))
        if self.first and self.last and self.last < self.first:
            raise ArgumentError("last", self.last.isoformat(), f"a date not before {self.first.isoformat()}")


@dataclass(frozen=True, kw_only=True)
class Roll(Result):
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
        One of ``STATES``; a roll with ``shot`` or ``developed`` is exposed.  Whether fog came before the image or after
        it makes no difference to either.
    importance
        How hard it is to replace, from 1 to 5.
    scene_range
        What it is to record, from shadow point to highlight, in place of the usual [log10 units].
    readings
        What was measured on it, and by dosemeters beside it.
    loaded, shot, developed
        Its own story: day of loading, index and days of exposure (what it was shot at is what it is judged by), day of
        development (after which nothing harms it).
    note
        Free text.
    """

    id: str
    film: Film
    history: History = field(default_factory=History)
    peak_to_mean: float | None = None
    state: State = "unexposed"
    importance: int = 3
    scene_range: float | None = None
    readings: tuple[Reading, ...] = ()
    loaded: datetime.date | None = None
    shot: Shot | None = None
    developed: datetime.date | None = None
    note: str = ""

    def __post_init__(self) -> None:
        if not self.id:
            raise ArgumentError("id", self.id, "a name of at least one character")
        if self.peak_to_mean is not None:
            check_number("peak_to_mean", self.peak_to_mean, low=1.0, high=1000.0)
        if self.state not in STATES:
            raise UnknownNameError("state", self.state, STATES)
        if self.shot is not None or self.developed is not None:
            object.__setattr__(self, "state", "exposed")
        check_count("importance", self.importance, low=1, high=MOST_IMPORTANT)
        if self.scene_range is not None:
            check_number("scene_range", self.scene_range, low=0.3, high=4.0, unit="log10 units")
        for reading in self.readings:
            if reading.roll not in ("", self.id):
                raise ArgumentError("readings", reading.roll, f"readings of the roll {self.id!r} itself")
        object.__setattr__(self, "readings", tuple(replace(reading, roll=self.id) for reading in self.readings))

    @property
    def fog_readings(self) -> tuple[FogReading, ...]:
        """Those of its readings that are densities."""
        return tuple(reading for reading in self.readings if isinstance(reading, FogReading))

    def to_dataframe(self) -> pd.DataFrame:
        """One row: id, film, kind, speed, state, passes, importance and what its history gave it."""
        return _rolls_table((self,))

    @property
    def _brief(self) -> str:
        return repr(self.id)


@dataclass(frozen=True, kw_only=True)
class Leg(Result):
    """A checkpoint that is still ahead.

    Parameters
    ----------
    source
        Name of a source, shipped or registered; "unknown" when nobody knows.
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
    inspect: Inspection = "ask"
    place: str = ""
    scanner: str = ""
    date: datetime.date | None = None
    note: str = ""
    like: Pass | None = None

    def __post_init__(self) -> None:
        found = get_source(self.source)
        object.__setattr__(self, "source", found.name)
        if not is_shipped(found) and self.like is None:
            object.__setattr__(self, "like", Pass(source=found))
        if self.inspect not in INSPECTIONS:
            raise UnknownNameError("inspect", self.inspect, INSPECTIONS)
        object.__setattr__(self, "count", check_count("count", self.count))
        object.__setattr__(self, "shield", as_shields(self.shield))
        object.__setattr__(self, "rolls", tuple(self.rolls))

    def as_pass(self, shield: ShieldLike = None) -> Pass:
        """The pass that it will be, behind its own shield or else the given one."""
        own = as_shields(self.shield)
        return replace(
            self.like or Pass(source=self.source),
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
        name = self.place or self.as_pass().resolved_source.title
        return name if self.date is None else f"{name}, {self.date.isoformat()}"


@dataclass(frozen=True, kw_only=True)
class Trip(Result):
    """A trip: its rolls, each with its history, what is still ahead, and notes on what does not count.

    Parameters
    ----------
    rolls
        The rolls, each with an id of its own.
    legs
        What is still ahead, in order.
    title
        Of the trip.
    invented
        True for an example in which nothing is real.
    note
        Free text.
    path
        File that it was read from; empty else.
    notes
        What was found on reading: entries that do not count.
    """

    rolls: tuple[Roll, ...]
    legs: tuple[Leg, ...] = ()
    title: str = ""
    invented: bool = False
    note: str = ""
    path: str = ""
    notes: tuple[str, ...] = ()

    if TYPE_CHECKING:  # what it takes is more than what it keeps

        def __init__(
            self,
            *,
            rolls: Iterable[Roll],
            legs: Iterable[Leg] = (),
            title: str = "",
            invented: bool = False,
            note: str = "",
            path: str = "",
            notes: Iterable[str] = (),
        ) -> None: ...

    def __post_init__(self) -> None:
        for name in ("rolls", "legs", "notes"):
            object.__setattr__(self, name, tuple(getattr(self, name)))

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each roll, with the columns of :meth:`Roll.to_dataframe`."""
        return _rolls_table(self.rolls)

    @property
    def _brief(self) -> str:
        return repr(self.title) if self.title else f"{len(self.rolls)} rolls"


def _rolls_table(rolls: Iterable[Roll]) -> pd.DataFrame:
    import pandas as pd

    rows = [
        {
            "roll": roll.id,
            "film": roll.film.label,
            "kind": roll.film.kind,
            "speed": roll.film.speed,
            "state": roll.state,
            "importance": roll.importance,
            "passes": sum(part.count for part in roll.history.passes),
            "kerma_ugy": history_dose(roll.history).kerma_ugy,
            "readings": len(roll.readings),
        }
        for roll in rolls
    ]
    return pd.DataFrame(rows)


@dataclass(frozen=True, kw_only=True)
class RollAnswer(Result):
    """One roll of a trip with its dose and its answer.

    Parameters
    ----------
    roll
        The roll.
    dose
        Dose of its history, with its range.
    answer
        The answer at the typical dose.
    """

    roll: Roll
    dose: HistoryDose
    answer: Answer

    def to_dataframe(self) -> pd.DataFrame:
        """One row, with the columns of :func:`trip_table`."""
        return trip_table((self,))

    def to_row(self) -> dict[str, Any]:
        """The row of :func:`trip_table` as plain values."""
        roll, dose, found = self.roll, self.dose, self.answer
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


def answer_trip(trip: Trip, question: Question | None = None) -> tuple[RollAnswer, ...]:
    """Dose and answer of every roll of a trip, in the order of the file.

    A roll's own scene range and unevenness, and the unevenness of its sources, stand before those of the question.

    Parameters
    ----------
    trip
        The trip.
    question
        What is asked; :class:`Question` with its defaults when left out.

    Returns
    -------
    tuple of RollAnswer

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> [found.roll.id for found in answer_trip(example_trip("example"))][:2]
    ['harbour-100', 'harbour-400']
    """
    asked = Question() if question is None else question
    return tuple(answer_roll(roll, asked) for roll in trip.rolls)


def answer_roll(roll: Roll, question: Question) -> RollAnswer:
    """Dose and answer of one roll.

    Parameters
    ----------
    roll
        The roll.
    question
        What is asked.

    Returns
    -------
    RollAnswer

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.question import Question
    >>> answer_roll(Roll(id="a", film=generic_film(400)), Question()).answer.verdict
    'good'
    """
    dose = history_dose(roll.history)
    asked = roll_question(roll, question, dose.peak_to_mean)
    return RollAnswer(roll=roll, dose=dose, answer=answer_at(roll, dose.kerma_ugy, asked))


def answer_at(roll: Roll, kerma_ugy: float, question: Question) -> Answer:
    """Answer of one roll as it is, exposed or not, at a dose [uGy].

    Parameters
    ----------
    roll
        The roll.
    kerma_ugy
        Effective kerma [uGy; at least 0].
    question
        What is asked.

    Returns
    -------
    Answer

    Raises
    ------
    ArgumentError
        A dose out of range.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.question import Question
    >>> answer_at(Roll(id="a", film=generic_film(400)), 0.0, Question()).ei
    400.0
    """
    shot = None if roll.shot is None else roll.shot.ei
    return answer(roll.film, kerma_ugy, question, exposed=roll.state == "exposed", shot_ei=shot)


def roll_question(roll: Roll, question: Question, peak_to_mean: float, *, drawn: bool = False) -> Question:
    """What is asked of one roll: the question with the roll's own scene range and unevenness.

    With ``drawn`` unevenness is among the unknowns and does not stand in the question.

    Parameters
    ----------
    roll
        The roll.
    question
        What is asked of all rolls.
    peak_to_mean
        Fog of the worst band over the mean that its sources make [1; at least 1].
    drawn
        Whether unevenness is among the unknowns.

    Returns
    -------
    Question

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.question import Question
    >>> roll_question(Roll(id="a", film=generic_film(400), scene_range=1.8), Question(), 1.3).scene_range
    1.8
    """
    span = question.scene_range if roll.scene_range is None else roll.scene_range
    asked = replace(question, scene_range=span)
    return replace(asked, peak_to_mean=1.0) if drawn else asked.for_bands(peak_to_mean, roll.peak_to_mean)


def legs_ahead(trip: Trip) -> tuple[Leg, ...]:
    """The legs that have not been logged as passes yet, each for the rolls that still have it before them.

    A pass is that of a leg when they share a place or a date and contradict each other in neither, nor in the source
    (unless one of them is unknown).  A pass that was logged for a leg takes one from its count.

    Parameters
    ----------
    trip
        The trip.

    Returns
    -------
    tuple of Leg

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> len(legs_ahead(example_trip("ahead"))) > 0
    True
    """
    logged = {roll.id: roll.history.passes for roll in trip.rolls}
    free = {name: [part.count for part in passes] for name, passes in logged.items()}
    result = []
    for leg in trip.legs:
        remaining: dict[int, list[str]] = {}
        for name in leg.rolls:
            count = leg.count
            for place, part in enumerate(logged.get(name, ())):
                if _is_leg(leg, part):
                    taken = min(count, free[name][place])
                    count, free[name][place] = count - taken, free[name][place] - taken
            remaining.setdefault(count, []).append(name)
        result += [replace(leg, count=count, rolls=tuple(names)) for count, names in remaining.items() if count]
    return tuple(result)


def _is_leg(leg: Leg, part: Pass) -> bool:
    sources = {leg.source, part.resolved_source.name} - {"unknown"}
    places = {leg.place.strip().casefold(), part.place.strip().casefold()}
    dates = {leg.date, part.date}
    shared = (len(places) == 1 and places != {""}) or (len(dates) == 1 and dates != {None})
    return shared and len(sources) < 2 and len(places - {""}) < 2 and len(dates - {None}) < 2


def after_legs(roll: Roll, legs: Iterable[Leg], *, by_hand: Sequence[Leg] = (), pouch: ShieldLike = None) -> Roll:
    """A roll after some legs, but for those by hand; behind a pouch where a leg has no shield.

    Parameters
    ----------
    roll
        The roll.
    legs
        What it goes through.
    by_hand
        Legs at which it is inspected by hand.
    pouch
        Shield where a leg has none.

    Returns
    -------
    Roll

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> roll = Roll(id="a", film=generic_film(400))
    >>> leg = Leg(source="cabin-ct", rolls=("a",))
    >>> len(after_legs(roll, [leg, leg]).history.passes)
    2
    """
    ahead = [leg.as_pass(pouch) for leg in legs if leg.inspect != "hand" and leg not in by_hand]
    return replace(roll, history=replace(roll.history, passes=(*roll.history.passes, *ahead)))


def with_more(roll: Roll, more: History) -> Roll:
    """A roll that went through the parts of a further history as well, in its own format and bag.

    Parameters
    ----------
    roll
        The roll.
    more
        What it went through besides; its format and bag do not count.

    Returns
    -------
    Roll

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> roll = with_more(Roll(id="a", film=generic_film(400)), History(passes=(Pass(source="cabin-ct"),)))
    >>> len(roll.history.passes)
    1
    """
    own = roll.history
    history = replace(
        own,
        passes=(*own.passes, *more.passes),
        flights=(*own.flights, *more.flights),
        storage=(*own.storage, *more.storage),
    )
    return replace(roll, history=history)


def trip_as_shot(trip: Trip) -> Trip:
    """The trip as its rolls will be when they are developed, as far as exposure can still answer to it.

    Passes ahead fog a roll that is still to be shot just as those behind it, so its index answers to both; a roll that
    is exposed already stands as it is now.

    Parameters
    ----------
    trip
        The trip.

    Returns
    -------
    Trip

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("ahead")
    >>> len(trip_as_shot(trip).rolls) == len(trip.rolls)
    True
    """
    legs = legs_ahead(trip)

    def as_shot(roll: Roll) -> Roll:
        return roll if roll.state == "exposed" else after_legs(roll, (leg for leg in legs if roll.id in leg.rolls))

    return replace(trip, rolls=tuple(map(as_shot, trip.rolls)))


def find_roll(trip: Trip, name: str) -> Roll:
    """The roll of that id.

    Parameters
    ----------
    trip
        The trip.
    name
        Its id.

    Returns
    -------
    Roll

    Raises
    ------
    UnknownNameError
        With the near matches.

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("example")
    >>> find_roll(trip, trip.rolls[0].id) is trip.rolls[0]
    True
    """
    for roll in trip.rolls:
        if roll.id == name:
            return roll
    raise UnknownNameError("roll", name, tuple(roll.id for roll in trip.rolls))


def trip_readings(trip: Trip) -> tuple[Reading, ...]:
    """All readings that stand in a trip, in the order of its rolls.

    Parameters
    ----------
    trip
        The trip.

    Returns
    -------
    tuple

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> len(trip_readings(example_trip("measured"))) > 0
    True
    """
    return tuple(reading for roll in trip.rolls for reading in roll.readings)


def trip_table(answers: tuple[RollAnswer, ...]) -> pd.DataFrame:
    """One row for each roll: film, dose with its range, fog, stops, exposure index, verdict, status, sentence.

    Parameters
    ----------
    answers
        Of :func:`answer_trip`.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip_table(answer_trip(example_trip("example"))).columns[:2].tolist()
    ['roll', 'kind']
    """
    import pandas as pd

    return pd.DataFrame([item.to_row() for item in answers])


hold_to_annotations(globals())
