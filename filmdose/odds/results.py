"""What comes out: one roll's odds, a trip's odds, as objects, tables and sentences."""

from __future__ import annotations

import html
import math
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import pandas as pd

from filmdose.errors import UnknownNameError
from filmdose.odds.decision import Bracket, Decision
from filmdose.odds.priors import Priors
from filmdose.trip import Roll, Trip
from filmdose.units import format_speed, standard_exposure_index

if TYPE_CHECKING:
    from filmdose.odds.learn import Learned

__all__ = ["ODDS_STATUS", "RollOdds", "TripOdds", "Triple"]

#: 5, 50 and 95 % points.
Triple = tuple[float, float, float]

ODDS_STATUS: dict[str, str] = {
    "ok": "the recommended index restores the shadows in as many cases as asked for",
    "highlight_limited": "the highlights stop the recommended index before that",
    "beyond_rescue": "in too many cases no exposure restores the shadows",
    "expose_as_marked": "reversal film: it needs no more exposure, and loses at its dark end",
    "already_exposed": "exposed before the scans: no index helps any more",
}


@dataclass(frozen=True, kw_only=True)
class RollOdds:
    """How sure the answer for one roll is; all triples are 5, 50 and 95 % points.

    Parameters
    ----------
    roll
        The roll.
    stops
        More exposure needed [stops]; infinite beyond rescue. Of a roll exposed before the scans: what it would have
        needed, so the speed that it lost. Of reversal film: usable range lost at the dark end, infinite when all is.
    ei
        Exposure index that restores the shadows, exact, from the slowest to the fastest [ISO]: at the 95, 50 and
        5 % points of the need; 0 beyond rescue. Of an exposed roll the speed that it turns out to have had; of
        reversal film the one that keeps the highlights.
    fog_density, kerma_ugy, snr_kept
        Fog of the worst band (of reversal film: greatest density lost) [density], mean effective kerma [uGy], shadow
        signal-to-noise at the marked speed [1].
    chance_over_one_stop
        Share of the cases with more than one of those ``stops``, those beyond rescue among them [1].
    chance_partly_restored
        Share of the cases in which the needed exposure restores part of the shadows only [1].
    chance_beyond_rescue
        Share of the cases in which no exposure restores the shadows, not even half of them by signal-to-noise, or of
        reversal film in which nothing is left of the range [1].
    chance_highlights_lost
        Share of the cases in which the recommended exposure leaves the highlights no room [1]; NaN without one.
    room_stops
        What the highlights allow in the middle case [stops]; None when no case has a usable highlight end.
    decision
        The recommended compensation; None for a roll that is exposed already.
    ei_median, ei_recommended, ei_recommended_exact
        Index of the middle case and of the decision, on the third-stop scale towards more exposure, and exact; None
        when there is none.
    bracket
        Frames to make of what matters when the interval is wider than a stop, else None.
    settled_stops
        Difference of the two halves of the draws in the recommended need [stops].
    status
        A key of ``ODDS_STATUS``.
    message
        The answer in one sentence.
    """

    roll: Roll
    stops: Triple
    ei: Triple
    fog_density: Triple
    kerma_ugy: Triple
    snr_kept: Triple
    chance_over_one_stop: float
    chance_partly_restored: float
    chance_beyond_rescue: float
    chance_highlights_lost: float
    room_stops: float | None
    decision: Decision | None
    ei_median: float | None
    ei_recommended: float | None
    ei_recommended_exact: float | None
    bracket: Bracket | None
    settled_stops: float
    status: str
    message: str

    @property
    def bracket_ei(self) -> tuple[float, ...]:
        """Exposure indices of the bracketing plan, fastest first; empty without one."""
        if self.bracket is None:
            return ()
        return tuple(standard_index(self.roll.film.speed, stops) for stops in self.bracket.stops)

    @property
    def bracket_sentence(self) -> str:
        """The bracketing plan in words; empty without one."""
        if self.bracket is None:
            return ""
        frames = ", ".join(format_speed(ei) for ei in self.bracket_ei)
        steps = " and ".join(f"{step:.2g}" for step in self.bracket.steps)
        return (
            f"Of what matters make {len(self.bracket_ei)} frames, at EI {frames} (steps of {steps} stops): "
            f"the best of them misses by {self.bracket.expected_loss:.2g} on average, a single one by "
            f"{self.bracket.expected_loss_single:.2g} (stops, those too little counted with their cost)."
        )

    def __str__(self) -> str:
        low, middle, high = self.stops
        what = {"expose_as_marked": "range lost", "already_exposed": "speed lost"}.get(self.status, "stops needed")
        lines = [
            self.message,
            f"  {what:<20}{stops_text(middle)} ({stops_text(low)} to {stops_text(high)} in 9 of 10 cases)",
            f"  {'fog':<20}{self.fog_density[1]:.3f} ({self.fog_density[0]:.3f} to {self.fog_density[2]:.3f})",
            f"  {'more than one stop':<20}{chance_text(self.chance_over_one_stop)}",
            f"  {'beyond rescue':<20}{chance_text(self.chance_beyond_rescue)}",
        ]
        if self.bracket is not None:
            lines.append(f"  {self.bracket_sentence}")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        return f"<pre>{html.escape(str(self))}</pre>"

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers and texts, infinities as None; triples as objects of low, typical, high."""

        def plain(value: Any) -> Any:
            if isinstance(value, tuple) and len(value) == 3:
                return {name: plain(item) for name, item in zip(("low", "typical", "high"), value, strict=True)}
            return None if isinstance(value, float) and not math.isfinite(value) else value

        triples = ("stops", "ei", "fog_density", "kerma_ugy", "snr_kept")
        skipped = ("roll", "decision", "bracket", *triples)
        return {
            "roll": self.roll.id,
            "kind": self.roll.film.kind,
            "speed": self.roll.film.speed,
            **{name: plain(getattr(self, name)) for name in triples},
            **{name: plain(getattr(self, name)) for name in self.__dataclass_fields__ if name not in skipped},
            "decision": None
            if self.decision is None
            else {name: plain(getattr(self.decision, name)) for name in self.decision.__dataclass_fields__},
            "bracket": None
            if self.bracket is None
            else {"ei": list(self.bracket_ei), "stops": list(self.bracket.stops), "message": self.bracket_sentence},
        }


@dataclass(frozen=True, kw_only=True)
class TripOdds:
    """How sure the answers for a trip are.

    Parameters
    ----------
    trip
        The trip.
    rolls
        One result for each roll, in the order of the trip.
    priors
        What was taken as uncertain.
    samples
        Number of draws.
    criterion, snr_target
        What was asked.
    learned
        What had been learnt before, or None.
    table_error_stops
        Mean error of the tables that stand for the solver, of the worst film [stops].
    """

    trip: Trip
    rolls: tuple[RollOdds, ...]
    priors: Priors = field(repr=False)
    samples: int
    criterion: str
    snr_target: float
    learned: Learned | None = field(repr=False)
    table_error_stops: float

    def __getitem__(self, roll: str) -> RollOdds:
        for row in self.rolls:
            if row.roll.id == roll:
                return row
        raise UnknownNameError("roll", roll, [row.roll.id for row in self.rolls])

    @property
    def settled_stops(self) -> float:
        """Largest difference of the two halves of the draws in a recommended need [stops]."""
        return max(row.settled_stops for row in self.rolls)

    @property
    def footnote(self) -> str:
        """How the figures were made, in a sentence or two."""
        taught = "" if self.learned is None else f" After what was {self.learned}."
        return (
            f"{self.samples} draws; their halves differ by {self.settled_stops:.3f} stop at most in what is "
            f"recommended; tables stand for the solver to {self.table_error_stops:.3f} stop on average.{taught}"
        )

    def table(self) -> pd.DataFrame:
        """One row for each roll.

        The columns of the plain trip table, at the middle case and with the recommended index, then the intervals,
        chances and the bracketing plan. ``stops`` and indices are NaN beyond rescue.
        """
        return pd.DataFrame([_row(row, self.criterion) for row in self.rolls])

    def __str__(self) -> str:
        return "\n\n".join(f"{row.roll.id}: {row}" for row in self.rolls) + f"\n\n{self.footnote}"

    def _repr_html_(self) -> str:
        shown = self.table()[["roll", "speed", "stops_low", "stops", "stops_high", "ei_median", "ei_recommended"]]
        words = "".join(f"<li>{html.escape(row.roll.id)}: {html.escape(row.message)}</li>" for row in self.rolls)
        table = shown.to_html(index=False, float_format="{:.2f}".format)
        return f"{table}<ul>{words}</ul><p>{html.escape(self.footnote)}</p>"


def _row(row: RollOdds, criterion: str) -> dict[str, Any]:
    def number(value: float | None) -> float:
        return math.nan if value is None or math.isinf(value) else float(value)

    film = row.roll.film
    return {
        "roll": row.roll.id,
        "kind": film.kind,
        "speed": film.speed,
        "state": row.roll.state,
        "kerma_ugy": row.kerma_ugy[1],
        "kerma_low_ugy": row.kerma_ugy[0],
        "kerma_high_ugy": row.kerma_ugy[2],
        "fog_density": row.fog_density[1],
        "stops": number(row.stops[1]),
        "ei": number(row.ei_recommended),
        "ei_exact": number(row.ei_recommended_exact),
        "snr_kept": row.snr_kept[1],
        "highlight_room_stops": number(row.room_stops),
        "status": row.status,
        "message": row.message,
        "stops_low": number(row.stops[0]),
        "stops_high": number(row.stops[2]),
        "stops_recommended": math.nan if row.decision is None else number(row.decision.given_stops),
        "ei_median": number(row.ei_median),
        "ei_recommended": number(row.ei_recommended),
        "ei_slowest": row.ei[0] or math.nan,
        "ei_fastest": row.ei[2] or math.nan,
        "fog_low": row.fog_density[0],
        "fog_high": row.fog_density[2],
        "chance_over_one_stop": row.chance_over_one_stop,
        "chance_partly_restored": row.chance_partly_restored,
        "chance_beyond_rescue": row.chance_beyond_rescue,
        "chance_highlights_lost": row.chance_highlights_lost,
        "bracket_ei": " ".join(format_speed(ei) for ei in row.bracket_ei),
        "settled_stops": row.settled_stops,
        "criterion": criterion,
    }


# -- words -------------------------------------------------------------------------------------------------------------


def stops_text(value: float) -> str:
    """Stops as people read them."""
    return "not possible" if math.isinf(value) else f"{value:.2f}"


def chance_text(value: float) -> str:
    """A chance in per cent, without pretending to know its tails."""
    if 0.0 < value < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < value < 1.0 else f"{100.0 * value:.0f} %"


def standard_index(speed: float, stops: float) -> float:
    """Index on the printed scale, towards more exposure; a film that needs nothing keeps the number on its box."""
    return speed if stops == 0.0 else float(standard_exposure_index(speed, stops))


def negative_sentence(values: dict[str, Any], cost_ratio: float) -> str:
    """The answer for a roll that is still to be exposed."""
    roll: Roll = values["roll"]
    decision: Decision = values["decision"]
    box = f"ISO {format_speed(roll.film.speed)}"
    lost, ei = values["chance_beyond_rescue"], values["ei_recommended"]
    if values["status"] == "beyond_rescue":
        best = "" if ei is None else f", and EI {format_speed(ei)} is the most that the highlights allow"
        return (
            f"With a chance of {chance_text(lost)} no exposure restores the shadows of this {box} roll{best}: "
            "use another roll for what matters."
        )
    if values["stops"][2] == 0.0:
        return f"Set EI {format_speed(ei)}: this {box} roll took no dose."
    partly = values["chance_partly_restored"]
    rescue = "" if partly < 0.05 else f" In {chance_text(partly)} of the cases the last of its shadows cannot be had."
    rescue += "" if lost < 0.005 else f" In {chance_text(lost)} of them nothing helps."
    if values["status"] == "highlight_limited":
        return (
            f"Set EI {format_speed(ei)} for this {box} roll, the most that its highlights allow: its shadows would "
            f"want {decision.needed_stops:.1f} stops more to be safe in {chance_text(decision.quantile)} of the cases."
            f"{rescue}"
        )
    cost = f"costs {cost_ratio:.3g} times as much as" if cost_ratio != 1.0 else "costs as much as"
    middle = values["ei_median"]
    beside = "" if middle is None or middle == ei else f"; the middle case asks for EI {format_speed(middle)}"
    return (
        f"Set EI {format_speed(ei)} for this {box} roll: that is enough in {chance_text(decision.quantile)} of the "
        f"cases, as it should be when a stop too little {cost} a stop too much{beside}.{rescue}"
    )


def exposed_sentence(values: dict[str, Any]) -> str:
    """The answer for a roll that was exposed before the scans."""
    roll: Roll = values["roll"]
    low, middle, high = values["fog_density"]
    speeds = [format_speed(ei) if ei > 0.0 else "nothing" for ei in values["ei"]]
    return (
        f"This ISO {format_speed(roll.film.speed)} roll was exposed before the scans and cannot be compensated: fog "
        f"{middle:.2f} ({low:.2f} to {high:.2f}), shadows as if it had been ISO {speeds[1]} "
        f"({speeds[0]} to {speeds[2]})."
    )


def reversal_sentence(values: dict[str, Any]) -> str:
    """The answer for a reversal film."""
    roll: Roll = values["roll"]
    low, middle, high = values["fog_density"]
    gone = values["chance_over_one_stop"]
    head = (
        "was exposed before the scans: expect"
        if roll.state == "exposed"
        else f"wants EI {format_speed(values['ei_recommended'])}, for its highlights: expect"
    )
    return (
        f"This ISO {format_speed(roll.film.speed)} reversal roll {head} blacks thinner by {middle:.2f} density "
        f"({low:.2f} to {high:.2f}); with a chance of {chance_text(gone)} it loses more than a stop of range at the "
        "dark end."
    )
