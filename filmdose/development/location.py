"""Developing on location: the order of the rolls, the solutions, the time at the temperature at hand, what to mind.

Developed film is past every scanner. So the rolls that another scan would cost most are developed first, after one that
matters least, as the test. Capacities, volumes and times are the user's; none is supplied.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count, check_number
from filmdose.development.temperature import SHORTEST_MIN, TemperatureFit
from filmdose.errors import ArgumentError
from filmdose.film.model import film_words
from filmdose.history import Pass, history_dose
from filmdose.result import Result
from filmdose.trip import Leg, Roll, Trip, after_legs, legs_ahead

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CARRY", "CHECKS", "Batch", "LocationPlan", "Solution", "plan_development"]

#: What to take along, beside the solutions.
CARRY: tuple[str, ...] = (
    "tank with reels, one spare reel; thermometer; timer; measuring cylinder of the tank's volume; funnel",
    "gloves, goggles, apron, cloths; water to rinse eyes and hands",
    "bottles with tight caps and labels: name, dilution, date, hazard sign; a tray that catches what is spilt",
    "changing bag or tape for a dark room; scissors; opener for cartridges; clips; sleeves for dry film",
    "the safety data sheet of every substance; a sealed can for what must be taken to a collecting point",
)

#: Check list, in the order in which it is needed.
CHECKS: tuple[str, ...] = (
    "Before packing: look up the carrier's rules and those of each country on carrying chemicals; many may not fly at "
    "all, powder looks suspicious in a bag. Buy on arrival where you can. Say truthfully what a container holds.",
    "Darkness: wait ten minutes in the closed room; lay a strip of the fastest film half under a coin for five minutes "
    "and develop it first: where the coin shows, the room is not dark.",
    "Air and skin: open window or fan, gloves and goggles; no food or drink in the room, nothing in drinking bottles; "
    "keep children and animals out.",
    "Water and heat: bring all solutions and the wash to one temperature, within a degree; in hot weather cool them in "
    "a bath of ice in a bag, work early in the day, and mind that gelatine softens in a warm wash.",
    "Test roll first, alone. Look at it, wet, before the others go in.",
    "One batch one film: kinds and speeds with other times never share a tank. Tick off each roll.",
    "Wash, dry away from dust, sleeve, label with the roll's name; keep one unexposed piece beside it.",
    "Disposal: nothing with silver or developer into rivers, soil or a septic tank; take it to a collecting point by "
    "the local rules. Rinse the tank; lock away what is left.",
)


@dataclass(frozen=True, kw_only=True)
class Solution(Result):
    """One bath, by the user's data.

    Parameters
    ----------
    name
        What it is called.
    ml_per_tank
        Volume that one tank takes [ml; above 0].
    rolls_per_litre
        Rolls that a litre serves before it is exhausted [above 0]; None for a bath that is poured away after each tank.
    """

    name: str
    ml_per_tank: float
    rolls_per_litre: float | None = None

    def __post_init__(self) -> None:
        for name, unit in (("ml_per_tank", "ml"), ("rolls_per_litre", "rolls per litre")):
            value = getattr(self, name)
            if value is not None or name == "ml_per_tank":
                object.__setattr__(self, name, check_number(name, value, low=0.0, low_open=True, unit=unit))

    @classmethod
    def parse(cls, text: str) -> Solution:
        """A bath from "name=ml" or "name=ml@rolls per litre".

        Examples
        --------
        >>> Solution.parse("fixer=600@20")
        Solution(name='fixer', ml_per_tank=600, rolls_per_litre=20)
        """
        name, _, rest = text.partition("=")
        volume, at, capacity = rest.partition("@")
        try:
            return cls(name=name.strip(), ml_per_tank=float(volume), rolls_per_litre=float(capacity) if at else None)
        except ValueError as error:
            if isinstance(error, ArgumentError):
                raise
            allowed = "a name and millilitres for a tank, such as developer=600, or fixer=600@20 for 20 rolls a litre"
            raise ArgumentError("solution", text, allowed) from error

    def needed_ml(self, tanks: int, rolls: int) -> float:
        """Volume for so many tanks and rolls [ml]: for each tank, or as often as the capacity asks for."""
        if self.rolls_per_litre is None:
            return tanks * self.ml_per_tank
        return max(self.ml_per_tank, 1000.0 * rolls / self.rolls_per_litre)


@dataclass(frozen=True, kw_only=True)
class Batch(Result):
    """Rolls that go into the tank together.

    Parameters
    ----------
    rolls
        Their names.
    film
        What film they are.
    risk
        Greatest risk among them: importance times the fog that what lies ahead would add [density].
    test
        True for the roll that goes first, alone.
    """

    rolls: tuple[str, ...]
    film: str
    risk: float
    test: bool = False


@dataclass(frozen=True, kw_only=True)
class LocationPlan(Result):
    """A batch of rolls to be developed on location.

    Parameters
    ----------
    title, invented
        Of the trip.
    batches
        In the order of work.
    volumes
        Name and volume of every bath [ml].
    temperature_c
        The temperature at hand [degrees C]; None when not given.
    time_min, time_error_min
        Time at it and its standard error [min], of pairs and of thermometer together; None without pairs.
    notes
        Rolls that are left out and why, and what belongs to the figures.
    """

    title: str
    invented: bool
    batches: tuple[Batch, ...]
    volumes: tuple[tuple[str, float], ...]
    temperature_c: float | None
    time_min: float | None
    time_error_min: float | None
    notes: tuple[str, ...]

    @property
    def roll_count(self) -> int:
        """Rolls in all batches."""
        return sum(len(batch.rolls) for batch in self.batches)

    def to_dataframe(self) -> pd.DataFrame:
        """One row a roll in the order of work: batch, roll, film, risk, test."""
        import pandas as pd

        return pd.DataFrame(
            [
                {"batch": number, "roll": roll, "film": batch.film, "risk": batch.risk, "test": batch.test}
                for number, batch in enumerate(self.batches, 1)
                for roll in batch.rolls
            ],
            columns=["batch", "roll", "film", "risk", "test"],
        )


def plan_development(
    rolls: Trip | Iterable[Roll],
    *,
    tank_rolls: int,
    solutions: Sequence[Solution] = (),
    temperature_c: float | None = None,
    temperature_error_c: float = 0.5,
    times: TemperatureFit | None = None,
) -> LocationPlan:
    """Plan the development of the exposed black-and-white negative rolls of a trip, on location.

    Parameters
    ----------
    rolls
        A trip, or rolls.
    tank_rolls
        Rolls that the tank takes [whole number, at least 1].
    solutions
        Baths with their volumes.
    temperature_c, temperature_error_c
        Temperature at hand and how well the thermometer knows it [degrees C].
    times
        Time against temperature, from pairs of one's own.

    Returns
    -------
    LocationPlan

    Raises
    ------
    ArgumentError
        No roll to develop; a temperature further from the pairs than their reach.

    Notes
    -----
    Risk of a roll: importance times the fog added, of either sign, by what lies ahead of it, the legs of the trip or
    else one more pass of cabin CT (our choice). Rolls of one film share a tank.
    """
    legs, every = (legs_ahead(rolls), rolls.rolls) if isinstance(rolls, Trip) else ((), tuple(rolls))
    most = check_count("tank_rolls", tank_rolls, low=1, high=100)
    if temperature_c is not None:
        temperature_c = check_number("temperature_c", temperature_c, low=0.0, high=60.0, unit="degrees C")
    taken, notes = _taken(every)
    if not taken:
        raise ArgumentError("rolls", len(every), "at least one exposed black-and-white negative roll", " ".join(notes))
    risks = {roll.id: _risk(roll, legs) for roll in taken}
    batches = _batches(taken, risks, most)
    time, error = _time(times, temperature_c, temperature_error_c)
    if time is not None and time < SHORTEST_MIN:
        notes.append(f"Under {SHORTEST_MIN:g} minutes development by hand is uneven (common practice, no source).")
    films = {film_words(roll.film) for roll in taken}
    if time is not None and len(films) > 1:
        notes.append("The time holds for the film and developer of its pairs; other films have times of their own.")
    if len(taken) == 1:
        notes.append("There is one roll and none to test on: develop a strip of other film first.")
    if not legs:
        notes.append("No checkpoint is named ahead: risk is that of one more pass through a cabin CT.")
    return LocationPlan(
        title=rolls.title if isinstance(rolls, Trip) else "",
        invented=isinstance(rolls, Trip) and rolls.invented,
        batches=batches,
        volumes=tuple((one.name, one.needed_ml(len(batches), len(taken))) for one in solutions),
        temperature_c=temperature_c,
        time_min=time,
        time_error_min=error,
        notes=tuple(notes),
    )


def _taken(rolls: Sequence[Roll]) -> tuple[list[Roll], list[str]]:
    """Rolls to develop, and a note for each that is left out."""
    taken, notes = [], []
    waiting = [roll.id for roll in rolls if roll.state != "exposed"]
    if waiting:
        notes.append(f"Not exposed yet: {', '.join(waiting)}.")
    for roll in rolls:
        if roll.developed is not None:
            notes.append(f"{roll.id} is developed already.")
        elif roll.state != "exposed":
            continue
        elif roll.film.kind != "bw-negative":
            notes.append(f"{roll.id} is {film_words(roll.film)}: it wants its standard process, in a laboratory.")
        else:
            taken.append(roll)
    return taken, notes


def _risk(roll: Roll, legs: Sequence[Leg]) -> float:
    ahead = [leg for leg in legs if roll.id in leg.rolls]
    later = after_legs(roll, ahead).history
    if not legs:
        later = replace(later, passes=(*later.passes, Pass(source="cabin-ct")))
    now, then = (history_dose(history).kerma_ugy for history in (roll.history, later))
    record = roll.film.records[0]
    return roll.importance * abs(float(record.fog_density(then)) - float(record.fog_density(now)))


def _batches(rolls: Sequence[Roll], risks: dict[str, float], most: int) -> tuple[Batch, ...]:
    """The test roll alone, then tanks of one film each, in the order of the greatest risk in them."""
    ordered = sorted(rolls, key=lambda roll: -risks[roll.id])
    batches = []
    if len(rolls) > 1:
        test = min(rolls, key=lambda roll: (roll.importance, risks[roll.id]))
        ordered.remove(test)
        batches.append(Batch(rolls=(test.id,), film=film_words(test.film), risk=risks[test.id], test=True))
    films: dict[str, list[Roll]] = {}
    for roll in ordered:
        films.setdefault(film_words(roll.film), []).append(roll)
    tanks = [
        Batch(rolls=tuple(r.id for r in part), film=film, risk=max(risks[r.id] for r in part))
        for film, alike in films.items()
        for part in (alike[start : start + most] for start in range(0, len(alike), most))
    ]
    return (*batches, *sorted(tanks, key=lambda batch: -batch.risk))


def _time(
    times: TemperatureFit | None, temperature_c: float | None, temperature_error_c: float
) -> tuple[float | None, float | None]:
    if temperature_c is None or times is None:
        return None, None
    time, error = times.time_at(temperature_c)
    spread = check_number("temperature_error_c", temperature_error_c, low=0.0, high=10.0, unit="degrees C")
    by_thermometer = time * math.log(times.q10) * spread / 10.0
    return time, math.hypot(0.0 if math.isnan(error) else error, by_thermometer)


hold_to_annotations(globals())
