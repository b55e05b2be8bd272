"""How sure an answer is: results for one roll and for a trip, as numbers, tables and sentences."""

from __future__ import annotations

import html
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.answering import grid_row
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.decision import LossTally
from filmdose.errors import UnknownNameError
from filmdose.film.model import Film
from filmdose.names import Outcome, Status, Verdict
from filmdose.odds.decision import Bracket, Cases, bracket_plan, frame_count
from filmdose.odds.learned import Learned
from filmdose.odds.priors import Priors
from filmdose.odds.scores import POINTS
from filmdose.odds.tally import Histogram, RollTally
from filmdose.question import Question
from filmdose.result import Result
from filmdose.solution import STATUSES, UNSPOKEN, contrast_kept, readings_end, status_codes, verdict_of
from filmdose.trip import Roll, Trip, answer_at
from filmdose.units import exposure_index, format_speed, standard_exposure_index
from filmdose.words import headline

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["RollOdds", "TripOdds", "Triple", "rolls_odds"]

#: 5, 50 and 95 % points.
Triple = tuple[float, float, float]


@dataclass(frozen=True, kw_only=True)
class RollOdds(Result):
    """How sure the answer for one roll is; all triples are 5, 50 and 95 % points.

    Parameters
    ----------
    roll
        The roll.
    outcome
        "compensated", "as_marked" or "exposed", as of :class:`filmdose.answering.Answer`.
    stops
        Compensation of least loss of single cases [stops]; infinite where nothing helps. Of a roll that is exposed
        already: the compensation that it would have wanted. Of reversal film: usable range lost at the dark end.
    ei
        Exposure index of single cases, exact, from the slowest to the fastest [ISO]: at the 95, 50 and 5 % points of
        ``stops``; 0 where nothing helps. Of an exposed roll the speed that it turns out to have had; of reversal film
        the marked speed.
    fog_density, kerma_ugy, snr_kept
        Fog of the worst band (of reversal film: greatest density lost) [density], mean effective kerma [uGy], shadow
        signal-to-noise at the marked speed [1].
    chance_over_one_stop
        Share of the cases with more than one of those ``stops``, those in which nothing helps among them [1].
    chance_partly_restored
        Share of the cases in which the exposure of least loss restores part of the shadows only [1].
    chance_beyond_rescue
        Share of the cases in which nothing helps (verdict "lost") [1].
    chance_highlights_lost
        Share of the cases in which the recommended exposure costs highlights [1]; NaN without one.
    given_stops
        What is recommended: compensation that makes the mean loss over all cases least [stops]; None without one.
    expected_loss, expected_loss_marked
        Mean loss at it and at the marked speed [stops of light]; NaN without one.
    ei_recommended, ei_recommended_exact
        The index to set, of least loss on average, on the third-stop scale and exact; None without one. Mostly it
        is slower than the middle case's; where more light wins little back it may be faster.
    ei_median
        The answer's index at the middle dose (:func:`filmdose.answer`), the same for every seed; None where nothing
        helps it.
    bracket
        Frames to make of what matters when the interval is wider than a stop, else None.
    settled_stops
        Difference of the two halves of the draws in what is recommended [stops].
    verdict
        "good", "usable", "poor" or "lost": of the middle case, at the recommended exposure.
    harmless
        Of an exposed roll: True when the middle case lost nothing that shows.
    status
        A key of :data:`filmdose.solution.STATUSES`, said of the cases.
    message
        The answer in one sentence.
    """

    _told_first = (
        "roll",
        "ei_recommended",
        "ei_median",
        "verdict",
        "given_stops",
        "stops",
        "kerma_ugy",
    )

    roll: Roll
    outcome: Outcome
    stops: Triple
    ei: Triple
    fog_density: Triple
    kerma_ugy: Triple
    snr_kept: Triple
    chance_over_one_stop: float
    chance_partly_restored: float
    chance_beyond_rescue: float
    chance_highlights_lost: float
    given_stops: float | None
    expected_loss: float
    expected_loss_marked: float
    ei_median: float | None
    ei_recommended: float | None
    ei_recommended_exact: float | None
    bracket: Bracket | None
    settled_stops: float
    verdict: Verdict
    harmless: bool
    status: Status
    message: str

    @property
    def headline(self) -> str:
        """What to do and what the roll is worth then, in one line."""
        shot = self.roll.shot
        return headline(
            self.outcome,
            self.verdict,
            safe=self.ei_recommended,
            typical=self.ei_median,
            shot_ei=None if shot is None else shot.ei,
            harmless=self.harmless,
        )

    @property
    def bracket_ei(self) -> tuple[float, ...]:
        """Exposure indices of the bracketing plan, fastest first; empty without one."""
        if self.bracket is None:
            return ()
        return tuple(standard_exposure_index(self.roll.film.speed, stops) for stops in self.bracket.stops)

    @property
    def bracket_sentence(self) -> str:
        """The bracketing plan in words; empty without one."""
        if self.bracket is None:
            return ""
        frames = ", ".join(format_speed(ei) for ei in self.bracket_ei)
        steps = " and ".join(f"{step:.2g}" for step in self.bracket.steps)
        return (
            f"Of what matters make {len(self.bracket_ei)} frames, at EI {frames} (steps of {steps} stops): the best of "
            f"them costs {self.bracket.expected_loss:.2g} stops of light on average, a single one "
            f"{self.bracket.expected_loss_single:.2g} (lost shadows and highlights counted with their cost)."
        )

    def __str__(self) -> str:
        low, middle, high = self.stops
        what = {"as_marked": "range lost", "exposed": "speed lost"}.get(self.outcome, "stops to give")
        lines = [
            self.message,
            f"  {what:<20}{stops_text(middle)} ({stops_text(low)} to {stops_text(high)} in 9 of 10 cases)",
            f"  {'fog':<20}{self.fog_density[1]:.3f} ({self.fog_density[0]:.3f} to {self.fog_density[2]:.3f})",
            f"  {'more than one stop':<20}{chance_text(self.chance_over_one_stop)}",
            f"  {'nothing helps':<20}{chance_text(self.chance_beyond_rescue)}",
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

        skipped = ("roll", "bracket")
        return {
            "roll": self.roll.id,
            "kind": self.roll.film.kind,
            "speed": self.roll.film.speed,
            **{name: plain(getattr(self, name)) for name in self.__dataclass_fields__ if name not in skipped},
            "bracket": None
            if self.bracket is None
            else {"ei": list(self.bracket_ei), "stops": list(self.bracket.stops), "message": self.bracket_sentence},
        }

    def to_dataframe(self) -> pd.DataFrame:
        """One row, with the columns of :meth:`TripOdds.to_dataframe`."""
        import pandas as pd

        return pd.DataFrame([_row(self)])


@dataclass(frozen=True, kw_only=True)
class TripOdds(Result):
    """How sure the answers for a trip are.

    Parameters
    ----------
    trip
        The trip.
    rolls
        One result for each roll, in the order of the trip.
    priors
        What was taken as uncertain.
    question
        What was asked.
    samples
        Number of draws.
    learned
        What had been learnt before, or None.
    """

    trip: Trip
    rolls: tuple[RollOdds, ...]
    priors: Priors = field(repr=False)
    question: Question
    samples: int
    learned: Learned | None = field(repr=False)

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
            f"recommended.{taught}"
        )

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each roll.

        The columns of the plain trip table, at the middle case and with the recommended index, then the intervals,
        chances and the bracketing plan. ``stops`` and indices are NaN beyond rescue.
        """
        import pandas as pd

        return pd.DataFrame(self.to_rows())

    def to_rows(self) -> list[dict[str, Any]]:
        """The rows of :meth:`to_dataframe` as plain values."""
        return [_row(row) | {"criterion": self.question.criterion} for row in self.rolls]

    def __str__(self) -> str:
        return "\n\n".join(f"{row.roll.id}: {row}" for row in self.rolls) + f"\n\n{self.footnote}"

    def _repr_html_(self) -> str:
        shown = self.to_dataframe()[
            ["roll", "speed", "stops_low", "stops", "stops_high", "ei_median", "ei_recommended"]
        ]
        words = "".join(f"<li>{html.escape(row.roll.id)}: {html.escape(row.message)}</li>" for row in self.rolls)
        table = shown.to_html(index=False, float_format="{:.2f}".format)
        return f"{table}<ul>{words}</ul><p>{html.escape(self.footnote)}</p>"


def _row(row: RollOdds) -> dict[str, Any]:
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
        "needed_stops": number(row.stops[1]),
        "given_stops": number(row.given_stops),
        "ei": number(row.ei_recommended),
        "ei_exact": number(row.ei_recommended_exact),
        "verdict": row.verdict,
        "snr_kept": row.snr_kept[1],
        "status": row.status,
        "message": row.message,
        "stops_low": number(row.stops[0]),
        "stops_high": number(row.stops[2]),
        "stops_recommended": number(row.given_stops),
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
    }


# -- from what was counted to the answer ---------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class _Decided:
    """What was decided for a roll that is to be compensated, and what its middle case has at it and wants itself."""

    cases: Cases
    losses: LossTally
    given: float
    loss: float
    settled: float
    snr_kept: float  # of the middle of the cases kept
    contrast_kept: float
    typical_ei: float  # NaN where nothing helps it


def rolls_odds(
    rolls: Sequence[Roll],
    questions: Sequence[Question],
    middle_kerma_ugy: Sequence[float],
    firsts: Sequence[RollTally],
    seconds: Sequence[RollTally],
) -> tuple[RollOdds, ...]:
    """The odds of rolls from the kermas of their middle cases and the two halves of their draws.

    Middle cases of one film are solved together.
    """
    wait: dict[tuple[Film, Question], list[int]] = {}
    for number, (roll, question) in enumerate(zip(rolls, questions, strict=True)):
        if not roll.film.reversal and roll.state != "exposed":
            wait.setdefault((roll.film, question), []).append(number)
    decided: dict[int, _Decided] = {}
    for (film, question), members in wait.items():
        halves = [(firsts[number], seconds[number]) for number in members]
        kerma = np.array([middle_kerma_ugy[number] for number in members])
        decided |= dict(zip(members, _decided(film, question, kerma, halves), strict=True))
    each_roll = enumerate(zip(rolls, questions, middle_kerma_ugy, firsts, seconds, strict=True))
    return tuple(_roll_odds(*each, decided.get(number)) for number, each in each_roll)


def _decided(
    film: Film, question: Question, kerma_ugy: FloatArray, halves: Sequence[tuple[RollTally, RollTally]]
) -> Iterator[_Decided]:
    """What was decided for the rolls of one film, from their middle cases and the halves of their draws."""
    choices = []
    for first, second in halves:
        assert first.loss is not None
        assert second.loss is not None
        losses = first.loss.joined(second.loss)
        choices.append((losses, *losses.decide(), _settled(first.loss.decide()[0], second.loss.decide()[0])))
    given = np.array([choice[1] for choice in choices])
    contrast = contrast_kept(film, kerma_ugy, given, question).tolist()
    typical = grid_row(film, kerma_ugy, question, ["ei"])["ei"].tolist()  # the answers' own: no output knows another
    for (first, second), (losses, stops, loss, settled), kept, ei in zip(
        halves, choices, contrast, typical, strict=True
    ):
        assert first.cases is not None
        assert second.cases is not None
        yield _Decided(
            cases=first.cases,
            losses=losses,
            given=stops,
            loss=loss,
            settled=settled,
            snr_kept=float(np.median(np.concatenate([first.cases.snr(stops), second.cases.snr(stops)]))),
            contrast_kept=kept,
            typical_ei=ei,
        )


def _roll_odds(
    roll: Roll,
    question: Question,
    middle_kerma_ugy: float,
    first: RollTally,
    second: RollTally,
    decided: _Decided | None,
) -> RollOdds:
    stops = first.stops.joined(second.stops)
    drawn = first.drawn + second.drawn
    speed = roll.film.speed
    triple = _three(stops)
    values: dict[str, Any] = {
        "roll": roll,
        "stops": triple,
        "ei": tuple(_index(speed, value) for value in reversed(triple)),
        "fog_density": _three(first.log_fog.joined(second.log_fog), from_log=True),
        "kerma_ugy": _three(first.log_kerma.joined(second.log_kerma), from_log=True),
        "snr_kept": _three(first.snr_kept.joined(second.snr_kept)),
        "chance_over_one_stop": (first.over_one + second.over_one) / drawn,
        "chance_partly_restored": (first.partly + second.partly) / drawn,
        "chance_beyond_rescue": (first.lost + second.lost) / drawn,
        "chance_highlights_lost": math.nan,
        "given_stops": None,
        "expected_loss": math.nan,
        "expected_loss_marked": math.nan,
        "ei_median": None,
        "ei_recommended": None,
        "ei_recommended_exact": None,
        "bracket": None,
        "settled_stops": _settled(*first.stops.quantiles(0.5), *second.stops.quantiles(0.5)),
        "verdict": "lost" if math.isinf(triple[1]) else "good",
        "harmless": False,
    }
    if roll.film.reversal:
        return _reversal_odds(values, question, middle_kerma_ugy)
    if decided is None:
        values |= _worth(roll, middle_kerma_ugy, question)
        values |= {"outcome": "exposed", "status": "already_exposed"}
        return RollOdds(message=_exposed_sentence(values), **values)
    return _negative_odds(values, decided)


def _reversal_odds(values: dict[str, Any], question: Question, middle_kerma_ugy: float) -> RollOdds:
    """Reversal film is exposed as marked; what it loses is said.

    It is lost when the middle case is, be it the median of the draws or the answer at the middle dose.
    """
    roll: Roll = values["roll"]
    exposed = roll.state == "exposed"
    speed = roll.film.speed
    values["ei"] = tuple(0.0 if math.isinf(value) else speed for value in reversed(values["stops"]))
    worth = _worth(roll, middle_kerma_ugy, question)
    lost = math.isinf(values["stops"][1]) or worth["verdict"] == "lost"
    if exposed or not lost:
        values |= worth
    if lost and not exposed:
        values["verdict"] = "lost"
    elif not exposed:
        values |= {"given_stops": 0.0, "ei_median": speed, "ei_recommended": speed, "ei_recommended_exact": speed}
    status = "already_exposed" if exposed else "beyond_rescue" if lost else "expose_as_marked"
    values |= {"outcome": "exposed" if exposed else "as_marked", "status": status}
    return RollOdds(message=_reversal_sentence(values), **values)


def _negative_odds(values: dict[str, Any], decided: _Decided) -> RollOdds:
    roll: Roll = values["roll"]
    speed = roll.film.speed
    cases, given = decided.cases, decided.given
    values["outcome"] = "compensated"
    values["settled_stops"] = decided.settled
    lost = values["chance_beyond_rescue"] > 0.5
    if not lost:
        kept = decided.snr_kept / cases.question.snr_target, decided.contrast_kept
        values["verdict"] = str(verdict_of(*map(np.asarray, kept)))
        lost = values["verdict"] == "lost"  # an index for a roll that is not worth it would be no answer
    if lost:
        values |= {"verdict": "lost", "status": "beyond_rescue"}
        return RollOdds(message=_negative_sentence(values, cases), **values)
    bright = cases.highlight_lost(given)
    at_end = given >= readings_end(roll.film, cases.question)[0] - UNSPOKEN
    code = status_codes(cases.restored_at(given) >= 0.5, at_end, np.median(bright))
    values["status"] = tuple(STATUSES)[int(code)]
    low, _, high = values["stops"]
    most = high if math.isfinite(high) else max(given, values["stops"][1])
    frames = frame_count(most - low)
    values |= {
        "given_stops": given,
        "expected_loss": decided.loss,
        "expected_loss_marked": decided.losses.at(0.0),
        "ei_median": None if math.isnan(decided.typical_ei) else decided.typical_ei,
        "ei_recommended": standard_exposure_index(speed, given),
        "ei_recommended_exact": float(exposure_index(speed, given)),
        "chance_highlights_lost": float(np.mean(bright > UNSPOKEN)),
        "bracket": bracket_plan(cases, frames) if frames > 1 else None,
    }
    return RollOdds(message=_negative_sentence(values, cases), **values)


def _worth(roll: Roll, kerma_ugy: float, question: Question) -> dict[str, Any]:
    """Verdict of the middle case as the roll is, and whether an exposed one lost nothing that shows."""
    found = answer_at(roll, kerma_ugy, question)
    return {"verdict": found.verdict, "harmless": found.exposed is not None and found.exposed.harmless}


def _settled(first: float, second: float) -> float:
    """Difference of the halves; both infinite agree, one of them alone does not."""
    return 0.0 if first == second else abs(first - second)


def _three(histogram: Histogram, *, from_log: bool = False) -> Triple:
    low, middle, high = histogram.quantiles(*POINTS)
    if from_log:
        low, middle, high = (0.0 if value <= histogram.low else 10.0**value for value in (low, middle, high))
    return low, middle, high


def _index(speed: float, stops: float) -> float:
    return 0.0 if math.isinf(stops) else float(exposure_index(speed, stops))


# -- words -------------------------------------------------------------------------------------------------------------


def stops_text(value: float) -> str:
    """Stops as people read them."""
    return "nothing helps" if math.isinf(value) else f"{value:.2f}"


def chance_text(value: float) -> str:
    """A chance in per cent, without pretending to know its tails."""
    if 0.0 < value < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < value < 1.0 else f"{100.0 * value:.0f} %"


def _negative_sentence(values: dict[str, Any], cases: Cases) -> str:
    """The answer for a roll that is still to be exposed."""
    roll: Roll = values["roll"]
    box = f"ISO {format_speed(roll.film.speed)}"
    lost = values["chance_beyond_rescue"]
    if values["status"] == "beyond_rescue":
        return f"With a chance of {chance_text(lost)} nothing helps this {box} roll: use another one for what matters."
    ei = values["ei_recommended"]
    if values["stops"][2] == 0.0:
        return f"Set EI {format_speed(ei)}: this {box} roll took no dose."
    head = headline("compensated", values["verdict"], safe=ei, typical=values["ei_median"])
    asked = cases.question
    ratio = asked.cost_under / asked.cost_over
    why = f" This {box} roll loses least on average there, when a stop of lost shadow costs {ratio:.3g} stops of light."
    if values["status"] == "highlight_limited":
        why = f" More would cost this {box} roll its highlights."
    rescue = "" if lost < 0.005 else f" With a chance of {chance_text(lost)} nothing helps."
    return head + why + rescue


def _exposed_sentence(values: dict[str, Any]) -> str:
    """The answer for a roll that is exposed already."""
    roll: Roll = values["roll"]
    low, middle, high = values["fog_density"]
    speeds = [format_speed(ei) if ei > 0.0 else "nothing" for ei in values["ei"]]
    return (
        f"This ISO {format_speed(roll.film.speed)} roll is exposed already and cannot be compensated any more: fog "
        f"{middle:.2f} ({low:.2f} to {high:.2f}), shadows as if it had been ISO {speeds[1]} "
        f"({speeds[0]} to {speeds[2]})."
    )


def _reversal_sentence(values: dict[str, Any]) -> str:
    """The answer for a reversal film."""
    roll: Roll = values["roll"]
    low, middle, high = values["fog_density"]
    gone = values["chance_over_one_stop"]
    if values["status"] == "beyond_rescue":
        head = "is lost: nothing helps its"
    elif values["outcome"] == "exposed":
        head = "is exposed already: expect"
    else:
        head = f"is exposed as marked, at EI {format_speed(values['ei_recommended'])}: expect"
    return (
        f"This ISO {format_speed(roll.film.speed)} reversal roll {head} blacks thinner by {middle:.2f} density "
        f"({low:.2f} to {high:.2f}); with a chance of {chance_text(gone)} it loses more than a stop of range at the "
        "dark end."
    )


hold_to_annotations(globals())
