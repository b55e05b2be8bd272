"""What to do before the trip: which rolls to have inspected by hand, which speed to carry, what a pouch is worth.

The loss of a roll is counted in stops:

- not exposed yet: the stops of light that scanning takes from it, since exposure can make up for them;
- already exposed: the same stops times the cost of a stop of lost shadow, since nothing makes up for them;
- reversal film: likewise, of the range that it loses at its dark end;
- a roll that nothing helps counts as ``LOST_STOPS``.

The expected loss is the mean over draws of everything that is not known, with the same draws for every plan, so that
differences between plans are not noise.
"""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.film.model import film_words
from filmdose.history import History, Pass
from filmdose.inverse import film_to_carry, usable_verdict, with_choice
from filmdose.names import Kind
from filmdose.odds import Priors, RollOdds, draw_stops, propagate
from filmdose.odds.scores import Random, random_generator, random_seed
from filmdose.question import Question
from filmdose.radiation.shields import ShieldLike, as_shields
from filmdose.radiation.sources import get_source
from filmdose.result import Result
from filmdose.trip import Leg, Roll, Trip, after_legs, legs_ahead
from filmdose.units import THIRD, format_speed

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["LOST_STOPS", "PLAN_SPEEDS", "Plan", "RollPlan", "make_plan"]

#: A roll that nothing helps counts as so many stops (a definition; more than any compensation that one would use).
LOST_STOPS = 6.0

#: Speeds to choose from, as far as the kind has them [ISO].
PLAN_SPEEDS: tuple[float, ...] = (100, 200, 400, 800, 1600, 3200)

DEFAULT_POUCH = "lead=0.25"

#: A film that is lost in more of the cases than this is not to be counted on [1].
MOST_LOST = 0.05

_Losses = Mapping[tuple[str, str], float]


@dataclass(frozen=True, kw_only=True)
class RollPlan(Result):
    """One roll, with everything ahead of it.

    Parameters
    ----------
    roll
        The roll.
    rank
        Place in the order of asking for hand inspection, from 1.
    loss_now, loss_scanned, loss_hand
        Expected loss as it is, with every leg through the scanners, and with every leg by hand where it can be asked
        for [stops].
    avoided
        ``loss_scanned`` less ``loss_hand`` [stops].
    kerma_ugy
        Effective kerma with everything scanned, 5, 50 and 95 % points [uGy].
    ei
        Index to set with everything scanned, as recommended under uncertainty; None where there is none, or the roll
        is exposed already.
    chance_lost
        Chance that nothing helps it with everything scanned [1].
    verdict
        What still works if everything is scanned, in one sentence.
    """

    _told_first = ("roll", "rank", "ei", "avoided", "verdict")

    roll: Roll
    rank: int
    loss_now: float
    loss_scanned: float
    loss_hand: float
    avoided: float
    kerma_ugy: tuple[float, float, float]
    ei: float | None
    chance_lost: float
    verdict: str

    def to_dataframe(self) -> pd.DataFrame:
        """One row, with the columns of :meth:`Plan.to_dataframe`."""
        import pandas as pd

        return pd.DataFrame([_roll_row(self)])


@dataclass(frozen=True, kw_only=True)
class Plan(Result):
    """What to do before and on a trip.

    Parameters
    ----------
    trip
        The trip.
    question
        What was asked.
    rolls
        Rolls in the order in which to ask for hand inspection.
    checkpoints
        One row for each leg: what hand inspection there alone avoids, in all and for the roll that gains most [stops].
    pouch
        One row: what a pouch around every roll on every leg without its own shield avoids [stops].
    speeds
        One row for each speed to carry: index that remains after everything is scanned, what is lost, ``gain_stops``
        of index over the film to carry, and ``carry``: the slowest that still gives the index needed.
    carry_words
        Which speed to carry, and what a faster one would give and lose.
    notes
        Sentences that belong to the figures.
    """

    trip: Trip
    question: Question
    rolls: tuple[RollPlan, ...]
    checkpoints: pd.DataFrame
    pouch: pd.DataFrame
    speeds: pd.DataFrame
    carry_words: str
    notes: tuple[str, ...]

    @property
    def criterion(self) -> str:
        """What the stops restore."""
        return self.question.criterion

    def _repr_html_(self) -> str:
        columns = ["rank", "roll", "speed", "state", "loss_now", "loss_scanned", "loss_hand", "avoided", "ei"]
        table = self.to_dataframe()[columns].to_html(index=False, float_format="{:.4g}".format)
        words = "".join(f"<li>{html.escape(row.verdict)}</li>" for row in self.rolls)
        return f"{table}<ul>{words}</ul><p>{html.escape(self.carry_words)}</p>"

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each roll, in the order of asking."""
        import pandas as pd

        return pd.DataFrame([_roll_row(row) for row in self.rolls])

    @property
    def worth_asking(self) -> tuple[RollPlan, ...]:
        """Rolls for which hand inspection avoids a third stop or more."""
        return tuple(row for row in self.rolls if row.avoided >= THIRD)


def _roll_row(row: RollPlan) -> dict[str, object]:
    return {
        "rank": row.rank,
        "roll": row.roll.id,
        "kind": row.roll.film.kind,
        "speed": row.roll.film.speed,
        "state": row.roll.state,
        "importance": row.roll.importance,
        "loss_now": row.loss_now,
        "loss_scanned": row.loss_scanned,
        "loss_hand": row.loss_hand,
        "avoided": row.avoided,
        "kerma_low_ugy": row.kerma_ugy[0],
        "kerma_ugy": row.kerma_ugy[1],
        "kerma_high_ugy": row.kerma_ugy[2],
        "ei": np.nan if row.ei is None else row.ei,
        "chance_lost": row.chance_lost,
        "verdict": row.verdict,
    }


def make_plan(
    trip: Trip,
    question: Question | None = None,
    *,
    pouch: ShieldLike = DEFAULT_POUCH,
    speeds: Sequence[float] | None = None,
    kind: Kind = "bw-negative",
    needed_ei: float | None = None,
    priors: Priors | None = None,
    samples: int = 2048,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> Plan:
    """Work out a plan for the legs ahead.

    Parameters
    ----------
    trip
        A trip with legs; a trip without any is planned as if its passes were ahead.
    question
        What is asked.
    pouch
        Shield whose value is worked out.
    speeds, kind
        Generic films to choose from [ISO]; ``PLAN_SPEEDS`` of the kind when left out.
    needed_ei
        Index that is needed there [ISO]; as of :func:`filmdose.inverse.film_to_carry` when left out.
    priors, samples, rng, progress
        As of :func:`filmdose.odds.propagate`.

    Returns
    -------
    Plan

    Raises
    ------
    ArgumentError, UnknownNameError
        Nothing is ahead, or a value is out of range.

    Notes
    -----
    Rolls are ordered by the expected loss that hand inspection avoids, to a tenth of a stop; where that is equal, by
    importance.  A film may be carried when it is good or usable in the middle case and lost in at most 5 % of all.

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> plan = make_plan(example_trip("ahead"), samples=64)
    >>> len(plan.rolls) == len(example_trip("ahead").rolls)
    True
    """
    asked = Question() if question is None else question
    if needed_ei is not None:
        needed_ei = check_number("needed_ei", needed_ei, low=0.0, low_open=True, high=1e6, unit="EI")
    notes: list[str] = []
    if any(roll.readings for roll in trip.rolls):
        count = sum(len(roll.readings) for roll in trip.rolls)
        which = "1 reading is" if count == 1 else f"{count} readings are"
        trip = replace(trip, rolls=tuple(replace(roll, readings=()) for roll in trip.rolls))
        notes.append(f"{which} not used in a plan: run `filmdose trip` for what they teach.")
    if not trip.legs:
        trip = _passes_as_legs(trip)
        notes.append("The file has no [[leg]]; its passes are planned as if they were still ahead.")
    else:
        trip = replace(trip, legs=legs_ahead(trip))
    walls = as_shields(pouch)
    if not walls:
        raise ArgumentError("pouch", pouch, "a shield such as 'lead=0.25'")
    if not any(leg.count and leg.inspect != "hand" for leg in trip.legs):
        allowed = "at least one leg that may be scanned and was not logged yet"
        raise ArgumentError("legs", "all by hand, or logged", allowed, "Nothing to plan.")
    low, high = generic_speed_range(kind)
    chosen = [speed for speed in PLAN_SPEEDS if low <= speed <= high] if speeds is None else speeds
    films = [generic_film(speed, kind=kind) for speed in chosen]
    carried = {film.speed: after_legs(Roll(id=f"speed {film.speed:g}", film=film), trip.legs) for film in films}

    plans = {key: roll for roll in trip.rolls for key, roll in _plans_of(roll, trip, walls).items()}
    plans |= {(roll.id, "carry"): roll for roll in carried.values()}
    seed = random_seed(random_generator(rng))  # one seed, so that all plans meet the same draws
    tell = progress or (lambda share: None)
    losses = _expected_losses(
        plans, asked, priors=priors, samples=samples, seed=seed, progress=lambda share: tell(0.5 * share)
    )
    scanned = [replace(plans[roll.id, "scan"], id=f"roll {roll.id}") for roll in trip.rolls]
    outlook = propagate(
        [*scanned, *carried.values()],
        asked,
        priors=priors,
        samples=samples,
        rng=seed,
        progress=lambda share: tell(0.5 + 0.5 * share),
    )
    rows = [_roll_plan(roll, losses, outlook[f"roll {roll.id}"], asked) for roll in trip.rolls]
    rows.sort(key=lambda row: (-round(row.avoided, 1), -row.roll.importance, -row.avoided))
    table = _speeds([(outlook[roll.id], losses[roll.id, "carry"]) for roll in carried.values()], needed_ei)
    return Plan(
        trip=trip,
        question=asked,
        rolls=tuple(replace(row, rank=number) for number, row in enumerate(rows, 1)),
        checkpoints=_checkpoints(trip, losses),
        pouch=_pouch(trip, losses, " + ".join(map(str, walls))),
        speeds=table,
        carry_words=_carry_words(table),
        notes=(*notes, *_notes(trip, asked)),
    )


def _passes_as_legs(trip: Trip) -> Trip:
    """The passes that rolls share, as legs, and the rolls without them."""
    met: dict[Pass, list[str]] = {}
    for roll in trip.rolls:
        for part in roll.history.passes:
            met.setdefault(part, []).append(roll.id)
    legs = [
        Leg(
            source=part.resolved_source.name,
            rolls=tuple(ids),
            count=part.count,
            shield=part.shield,
            place=part.place,
            scanner=part.scanner,
            date=part.date,
            note=part.note,
            like=part,
        )
        for part, ids in met.items()
    ]
    if not legs:
        raise ArgumentError("legs", "none", "a trip file with at least one [[leg]]", "Add what is ahead.")
    rolls = tuple(replace(roll, history=replace(roll.history, passes=())) for roll in trip.rolls)
    return replace(trip, rolls=rolls, legs=tuple(legs))


def _plans_of(roll: Roll, trip: Trip, pouch: ShieldLike) -> dict[tuple[str, str], Roll]:
    """A roll after every plan that is compared."""
    mine = [(number, leg) for number, leg in enumerate(trip.legs) if roll.id in leg.rolls]
    legs, asked = [leg for _, leg in mine], [(number, leg) for number, leg in mine if leg.inspect == "ask"]
    plans = {
        "now": roll,
        "scan": after_legs(roll, legs),
        "hand": after_legs(roll, legs, by_hand=[leg for _, leg in asked]),
        "pouch": after_legs(roll, legs, pouch=pouch),
        **{f"leg {number}": after_legs(roll, legs, by_hand=[leg]) for number, leg in asked},
    }
    return {(roll.id, name): after for name, after in plans.items()}


def _expected_losses(
    plans: Mapping[tuple[str, str], Roll],
    question: Question,
    *,
    priors: Priors | None,
    samples: int,
    seed: int,
    progress: Callable[[float], None],
) -> dict[tuple[str, str], float]:
    """Expected loss of every roll under every plan [stops], from one set of draws; like histories are drawn once."""
    drawn: dict[tuple[str, History], Roll] = {}
    for (name, plan), roll in plans.items():
        # What is lost is counted as of a roll that is still to be exposed, and then weighed.
        drawn.setdefault((name, roll.history), replace(roll, id=f"{name}\n{plan}", state="unexposed"))
    stops = draw_stops(list(drawn.values()), question, priors=priors, samples=samples, rng=seed, progress=progress)
    means = {
        key: float(np.minimum(column, LOST_STOPS).mean()) for key, column in zip(drawn, stops.to_numpy().T, strict=True)
    }

    def weight(roll: Roll) -> float:
        """No exposure makes up for what an exposed roll loses, nor for the dark end of reversal film."""
        return question.cost_under if roll.state == "exposed" or roll.film.reversal else 1.0

    return {key: weight(roll) * means[key[0], roll.history] for key, roll in plans.items()}


def _roll_plan(roll: Roll, losses: _Losses, after: RollOdds, question: Question) -> RollPlan:
    scanned, hand = losses[roll.id, "scan"], losses[roll.id, "hand"]
    ei = None if roll.state == "exposed" else after.ei_recommended
    lost = after.chance_beyond_rescue
    return RollPlan(
        roll=roll,
        rank=0,
        loss_now=losses[roll.id, "now"],
        loss_scanned=scanned,
        loss_hand=hand,
        avoided=max(scanned - hand, 0.0),
        kerma_ugy=after.kerma_ugy,
        ei=ei,
        chance_lost=lost,
        verdict=_verdict(roll, scanned, after, question.cost_under),
    )


# -- tables --------------------------------------------------------------------------------------------------------


def _checkpoints(trip: Trip, losses: _Losses) -> pd.DataFrame:
    import pandas as pd

    rows = []
    for number, leg in enumerate(trip.legs):
        gains = {
            roll: losses[roll, "scan"] - losses[roll, f"leg {number}"]
            for roll in leg.rolls
            if (roll, f"leg {number}") in losses
        }
        best = max(gains, key=lambda roll: gains[roll]) if gains else ""
        rows.append(
            {
                "leg": number + 1,
                "where": leg.title,
                "source": leg.source,
                "inspect": leg.inspect,
                "rolls": len(leg.rolls),
                "avoided": sum(gains.values()) if gains else 0.0,
                "most_for": best,
                "avoided_for_it": gains[best] if gains else 0.0,
            }
        )
    return pd.DataFrame(rows)


def _pouch(trip: Trip, losses: _Losses, name: str) -> pd.DataFrame:
    import pandas as pd

    bare = sum(losses[roll.id, "scan"] for roll in trip.rolls)
    inside = sum(losses[roll.id, "pouch"] for roll in trip.rolls)
    gains = {roll.id: losses[roll.id, "scan"] - losses[roll.id, "pouch"] for roll in trip.rolls}
    best = max(gains, key=lambda roll: gains[roll])
    return pd.DataFrame(
        [
            {
                "pouch": name,
                "loss_without": bare,
                "loss_with": inside,
                "avoided": bare - inside,
                "most_for": best,
                "avoided_for_it": gains[best],
            }
        ]
    )


def _speeds(outlook: Iterable[tuple[RollOdds, float]], needed_ei: float | None) -> pd.DataFrame:
    import pandas as pd

    rows = [
        {
            "kind": row.roll.film.kind,
            "speed": row.roll.film.speed,
            "ei": np.nan if row.ei_recommended is None else row.ei_recommended,
            "ei_exact": np.nan if row.ei_recommended_exact is None else row.ei_recommended_exact,
            "stops": row.stops[1],
            "loss": loss,
            "chance_over_one_stop": row.chance_over_one_stop,
            "chance_lost": row.chance_beyond_rescue,
            "verdict": row.verdict,
            "status": row.status,
        }
        for row, loss in outlook
    ]
    if not rows:
        raise ArgumentError("speeds", (), "at least one speed [ISO] to choose from")
    table = pd.DataFrame(rows)
    bad = np.where(table["chance_lost"] > MOST_LOST, "lost", "good")
    usable = usable_verdict(table["verdict"], bad)
    return with_choice(table, film_to_carry(table["speed"], table["ei_exact"], usable, needed_ei))


# -- words ---------------------------------------------------------------------------------------------------------


def _carry_words(table: pd.DataFrame) -> str:
    """Which speed to carry, and what the next faster one would give and lose."""
    if not table["carry"].any():
        return "After all of it none of these films can be counted on for the index needed: ask for inspection by hand."
    chosen = table[table["carry"]].iloc[0]
    words = f"Carry ISO {format_speed(chosen['speed'])}: it still gives EI {format_speed(chosen['ei'])}."
    faster = table[table["speed"] > chosen["speed"]].sort_values("speed")
    if not len(faster):
        return words
    other = faster.iloc[0]
    lost = _per_cent(other["chance_lost"])
    if np.isnan(other["ei"]):
        return f"{words} ISO {format_speed(other['speed'])} is not to be counted on: in {lost} of the cases it is lost."
    return (
        f"{words} ISO {format_speed(other['speed'])} would give EI {format_speed(other['ei'])}, "
        f"{other['gain_stops']:.1f} stop more; it loses {other['loss']:.1f} stops on average instead of "
        f"{chosen['loss']:.1f}, and is lost in {lost} of the cases instead of {_per_cent(chosen['chance_lost'])}."
    )


def _per_cent(chance: float) -> str:
    return f"{100 * chance:.0f} %"


def _verdict(roll: Roll, scanned: float, after: RollOdds, cost: float) -> str:
    name = f"{roll.id} ({film_words(roll.film)})"
    lost = after.chance_beyond_rescue
    risk = f" In {_per_cent(lost)} of the cases nothing helps it." if lost >= 0.01 else ""
    if roll.film.reversal:
        stops = scanned / cost
        if after.status == "beyond_rescue":
            return f"{name}: do not count on it.{risk}"
        return f"{name}: expose as marked and expect thinner blacks, by about {stops:.1f} stops at the dark end.{risk}"
    if roll.state == "exposed":
        stops = scanned / cost
        if stops < THIRD:
            return f"{name}: exposed already; its shadows lose less than a third stop.{risk}"
        return f"{name}: exposed already; its shadows lose about {stops:.1f} stops that nothing brings back.{risk}"
    slower = "" if after.ei_recommended is None else f" About {scanned:.1f} stops slower on average."
    return f"{name}: {after.headline}{slower}{risk}"


def _notes(trip: Trip, question: Question) -> list[str]:
    sources = sorted({leg.source for leg in trip.legs if leg.inspect != "hand"})
    found = [words for name in sources for words in get_source(name).sentences()]
    found.append(
        "Losses are mean stops over the unknown doses and the uncertain calibration of fog; an exposed roll counts "
        f"each stop {question.cost_under:g} times, since nothing makes up for it, and a lost roll counts "
        f"{LOST_STOPS:g} stops."
    )
    return found


hold_to_annotations(globals())
