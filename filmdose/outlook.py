"""What is told of the rolls of a trip: what they took, what to set, and what to do with those that are exposed.

One place joins the typical answer of every roll (:mod:`filmdose.trip`) with its odds (:mod:`filmdose.odds`), the passes
ahead and what was measured, so that every output says the same of a roll.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.film.generic import box_speed_notes
from filmdose.history import history_dose, pass_sentences
from filmdose.odds import Learned, Priors, RollOdds, TripOdds, propagate, trip_model
from filmdose.odds.draw import DEFAULT_SAMPLES
from filmdose.odds.scores import Random
from filmdose.question import Question
from filmdose.result import Result
from filmdose.trip import (
    Leg,
    Roll,
    RollAnswer,
    Trip,
    after_legs,
    answer_at,
    answer_trip,
    legs_ahead,
    roll_question,
    trip_as_shot,
)
from filmdose.units import THIRD
from filmdose.words import kept_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Outlook", "trip_outlook"]

#: What developing abroad or at home asks for.
CHEMICALS = (
    "Whoever develops it needs gloves, fresh air, labels and proper disposal, and chemicals have rules of their own "
    "for carriage by air; a laboratory that you do not know gets one unimportant roll first."
)


@dataclass(frozen=True, kw_only=True)
class Outlook(Result):
    """What is told of a trip.

    Parameters
    ----------
    trip
        The trip as its file has it.
    answers
        Dose so far and typical answer at it, of every roll.
    odds
        Odds of every roll: of one that is still to be shot with the passes ahead of it.
    ahead
        Number of scans ahead of every roll, by its id.
    choices
        Develop here or carry home, in words, by the id of rolls that are exposed and have scans ahead.
    """

    trip: Trip
    answers: tuple[RollAnswer, ...]
    odds: TripOdds
    ahead: dict[str, int]
    choices: dict[str, str]

    @property
    def counted(self) -> dict[str, int]:
        """Number of scans ahead that the odds of a roll include, by its id: of rolls that are still to be shot."""
        counted = {row.roll.id: self.ahead[row.roll.id] for row in self.odds.rolls if row.roll.state != "exposed"}
        return {name: scans for name, scans in counted.items() if scans}

    @property
    def notes(self) -> tuple[str, ...]:
        """What belongs to the figures, each said once."""
        told = ", ".join(f"{name} {scans}" for name, scans in self.counted.items())
        if self.odds.learned is None:
            said = [f"Scans ahead count in the index to set now: {told}."] if told else []
        else:
            said = [f"Dose, fog and the index to set now include scans ahead: {told}."] if told else []
        notes = [note for item in self.answers for note in item.dose.notes]
        notes += [
            words for row in self.odds.rolls for part in row.roll.history.passes for words in pass_sentences(part)
        ]
        notes += box_speed_notes(roll.film for roll in self.trip.rolls if roll.state != "exposed")
        return tuple(dict.fromkeys([*self.trip.notes, *said, *self.choices.values(), *notes]))

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each roll: :func:`filmdose.trip.trip_table`, with the indices and the verdict of the odds.

        After readings dose, fog and index are what they have taught, as :meth:`filmdose.odds.TripOdds.to_dataframe`
        has them.
        """
        import pandas as pd

        rows = self.to_rows()
        as_it_is = ("verdict", "ei_safe", "ei_typical", "scans_ahead", "headline")
        columns = {name: pd.Series([row[name] for row in rows], dtype=object) for name in as_it_is}
        return pd.DataFrame(rows).assign(**columns)

    def to_rows(self) -> list[dict[str, Any]]:
        """The rows of :meth:`to_dataframe` as plain values."""
        plain = [item.to_row() for item in self.answers] if self.odds.learned is None else self.odds.to_rows()
        return [
            {
                **row,
                "verdict": odds.verdict,
                "ei_safe": odds.ei_recommended,
                "ei_typical": odds.ei_median,
                "scans_ahead": self.ahead[odds.roll.id],
                "headline": odds.headline,
            }
            for row, odds in zip(plain, self.odds.rolls, strict=True)
        ]


def trip_outlook(
    trip: Trip,
    question: Question | None = None,
    *,
    learned: Learned | None = None,
    priors: Priors | None = None,
    samples: int = DEFAULT_SAMPLES,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> Outlook:
    """Everything that is told of the rolls of a trip.

    Parameters
    ----------
    trip
        The trip; its legs that were not logged yet count for rolls that are still to be shot.
    question
        What is asked.
    learned
        What measured rolls have taught.
    priors, samples, rng, progress
        As of :func:`filmdose.odds.propagate`.

    Returns
    -------
    Outlook

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range; a reading that no fog can explain.

    Notes
    -----
    An exposed roll is better developed here when the passes ahead would make its verdict worse or take more than a
    third of a stop of its shadows (our choice).

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("ahead")
    >>> len(trip_outlook(trip, samples=64).to_dataframe()) == len(trip.rolls)
    True
    """
    asked = Question() if question is None else question
    legs = {roll.id: [leg for leg in legs_ahead(trip) if roll.id in leg.rolls] for roll in trip.rolls}
    shot = trip_as_shot(trip)
    carried = {
        roll.id: replace(after_legs(roll, legs[roll.id]), id=f"{roll.id}, carried home", readings=())
        for roll in trip.rolls
        if roll.state == "exposed" and roll.developed is None and _scans(legs[roll.id])
    }
    model = trip_model(replace(shot, rolls=(*shot.rolls, *carried.values())), priors)
    odds = propagate(model, asked, learned=learned, samples=samples, rng=rng, progress=progress)
    now, later = odds.rolls[: len(trip.rolls)], dict(zip(carried, odds.rolls[len(trip.rolls) :], strict=True))
    by_id = {row.roll.id: row for row in now}
    return Outlook(
        trip=trip,
        answers=answer_trip(trip, asked),
        odds=replace(odds, rolls=now, trip=shot),
        ahead={name: _scans(mine) for name, mine in legs.items()},
        choices={
            name: _choice(by_id[name], row, _kept(by_id[name].roll, asked), _kept(row.roll, asked), _scans(legs[name]))
            for name, row in later.items()
        },
    )


def _scans(legs: list[Leg]) -> int:
    return sum(leg.count for leg in legs if leg.inspect != "hand")


def _kept(roll: Roll, question: Question) -> float:
    """Share of its shadows' signal-to-noise that an exposed roll keeps at its typical dose [1]."""
    dose = history_dose(roll.history)
    found = answer_at(roll, dose.kerma_ugy, roll_question(roll, question, dose.peak_to_mean))
    return math.nan if found.exposed is None else found.exposed.snr_kept


_ORDER = ("good", "usable", "poor", "lost")


def _choice(now: RollOdds, later: RollOdds, kept_now: float, kept_later: float, scans: int) -> str:
    def state(row: RollOdds, kept: float) -> str:
        low, middle, high = (abs(value) for value in row.fog_density)
        return f"fog {middle:.2f} ({low:.2f} to {high:.2f}), shadows keep {kept_text(kept)}, {row.verdict}"

    worse = _ORDER.index(later.verdict) > _ORDER.index(now.verdict) or kept_later < kept_now * 2.0**-THIRD
    what = "1 more scan" if scans == 1 else f"{scans} more scans"
    advice = (
        "Develop it before them if you can, or have it inspected by hand."
        if worse
        else "Carry it home: what they take is less than a third of a stop; ask for inspection by hand all the same."
    )
    return (
        f"{now.roll.id}: develop here or carry home? Now: {state(now, kept_now)}. After {what}: "
        f"{state(later, kept_later)}. {advice} {CHEMICALS}"
    )


hold_to_annotations(globals())
