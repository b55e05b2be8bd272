"""What to do before the trip: which rolls to have inspected by hand, which speed to carry, what a pouch is worth.

The loss of a roll is counted in stops:

- not exposed yet: the stops of speed that scanning takes from it, since exposure can make up for them;
- already exposed: the same stops times the cost of a stop too little, since nothing makes up for them;
- reversal film: likewise, of the range that it loses at its dark end;
- a roll that nothing restores counts as ``LOST_STOPS``.

The expected loss is the mean over draws of everything that is not known (dose of
each scanner, calibration, shields), with the same draws for every plan, so that
differences between plans are not noise.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cache
from typing import TYPE_CHECKING

import numpy as np
import pandas as pd

from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE
from filmdose.errors import ArgumentError
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Pass
from filmdose.radiation.beams import REFERENCE_BEAM
from filmdose.radiation.shields import ShieldLike, as_shields
from filmdose.radiation.sources import Source, get_source
from filmdose.trip import UNKNOWN_SOURCE, Leg, Roll, Trip
from filmdose.units import AirKerma, format_speed
from filmdose.words import film_words

if TYPE_CHECKING:
    from filmdose.odds import Priors, RollOdds

__all__ = ["LOST_STOPS", "PLAN_SPEEDS", "Plan", "RollPlan", "make_plan", "unknown_source"]

#: A roll that nothing restores counts as so many stops (a definition; more than any compensation that one would use).
LOST_STOPS = 6.0

#: What an unknown scanner at a checkpoint may be, and how likely (inference: both kinds are common).
UNKNOWN_MIXTURE: dict[str, float] = {"cabin-xray": 0.5, "cabin-ct": 0.5}

PLAN_SPEEDS: tuple[float, ...] = (100, 200, 400, 800, 1600, 3200)

DEFAULT_POUCH = "lead=0.25"

#: A gain in speed below a third stop is not worth a faster film; a loss below it is not worth asking for.
_THIRD = 1.0 / 3.0


@cache
def unknown_source() -> Source:
    """A scanner of which nothing is known: an even mixture of projection X-ray and CT in the cabin.

    Low, typical and high dose are the 5, 50 and 95 % points of the mixture.

    Examples
    --------
    >>> source = unknown_source()
    >>> get_source("cabin-xray").kerma_typical_ugy < source.kerma_typical_ugy < get_source("cabin-ct").kerma_typical_ugy
    True
    """
    from filmdose.odds.priors import Prior

    share = (np.arange(20_000) + 0.5) / 20_000
    doses, weights = [], []
    for name, weight in UNKNOWN_MIXTURE.items():
        low, typical, high = get_source(name).kerma_points_ugy
        doses.append(Prior(low=low, typical=typical, high=high, unit="uGy").quantile(share))
        weights.append(np.full(share.size, weight / share.size))
    every, mass = np.concatenate(doses), np.concatenate(weights)
    order = np.argsort(every)
    low, typical, high = np.interp((0.05, 0.5, 0.95), np.cumsum(mass[order]), every[order])
    return Source(
        name=UNKNOWN_SOURCE,
        title="unknown scanner",
        kerma_low_ugy=AirKerma(float(low)),
        kerma_typical_ugy=AirKerma(float(typical)),
        kerma_high_ugy=AirKerma(float(high)),
        beam=REFERENCE_BEAM,
        peak_to_mean=1.0,
        evidence="inference",
        caution="An unknown scanner counts as an even mixture of cabin X-ray and cabin CT, an inference.",
    )


@dataclass(frozen=True, kw_only=True)
class RollPlan:
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
        Chance that nothing restores its shadows with everything scanned [1].
    verdict
        What still works if everything is scanned, in one sentence.
    """

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


@dataclass(frozen=True, kw_only=True)
class Plan:
    """What to do before and on a trip.

    Parameters
    ----------
    trip
        The trip.
    rolls
        Rolls in the order in which to ask for hand inspection.
    checkpoints
        One row for each leg: what hand inspection there alone avoids, in all and for the roll that gains most [stops].
    pouch
        One row: what a pouch around every roll on every leg without its own shield avoids [stops].
    speeds
        One row for each speed to carry: index that remains after everything is scanned, and ``carry``.
    criterion
        What the stops restore.
    notes
        Sentences that belong to the figures.
    """

    trip: Trip
    rolls: tuple[RollPlan, ...]
    checkpoints: pd.DataFrame
    pouch: pd.DataFrame
    speeds: pd.DataFrame
    criterion: str
    notes: tuple[str, ...]

    def roll_table(self) -> pd.DataFrame:
        """One row for each roll, in the order of asking."""
        return pd.DataFrame(
            [
                {
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
                for row in self.rolls
            ]
        )

    @property
    def worth_asking(self) -> tuple[RollPlan, ...]:
        """Rolls for which hand inspection avoids a third stop or more."""
        return tuple(row for row in self.rolls if row.avoided >= _THIRD)


def make_plan(
    trip: Trip,
    *,
    pouch: ShieldLike = DEFAULT_POUCH,
    speeds: Sequence[float] = PLAN_SPEEDS,
    kind: str = "bw-negative",
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
    priors: Priors | None = None,
    samples: int = 4096,
    rng: int | np.random.Generator = 0,
    progress: Callable[[float], None] | None = None,
) -> Plan:
    """Work out a plan for the legs ahead.

    Parameters
    ----------
    trip
        A trip with legs; a trip without any is planned as if its passes were ahead.
    pouch
        Shield whose value is worked out.
    speeds, kind
        Generic films to choose from [ISO].
    criterion, snr_target, scene_range
        As of :func:`filmdose.compensation.compensate`.
    priors, samples, rng, progress
        As of :func:`filmdose.odds.propagate`.

    Raises
    ------
    ArgumentError, UnknownNameError
        Nothing is ahead, or a value is out of range.

    Notes
    -----
    Rolls are ordered by the expected loss that hand inspection avoids, to a tenth of a
    stop; where that is equal, by importance.
    """
    from filmdose.odds import propagate
    from filmdose.odds.decision import COST_UNDER

    notes: list[str] = []
    if not trip.legs:
        trip = _passes_as_legs(trip)
        notes.append("The file has no [[leg]]; its passes are planned as if they were still ahead.")
    walls = as_shields(pouch)
    if not walls:
        raise ArgumentError("pouch", pouch, "a shield such as 'lead=0.25'")
    if not any(leg.count and leg.inspect != "hand" for leg in trip.legs):
        raise ArgumentError("legs", "all by hand", "at least one leg that may be scanned", "Nothing to plan.")

    plans: dict[tuple[str, str], Roll] = {}
    for roll in trip.rolls:
        mine = [leg for leg in trip.legs if roll.id in leg.rolls]
        plans[roll.id, "now"] = roll
        plans[roll.id, "scan"] = _after(roll, mine)
        plans[roll.id, "hand"] = _after(roll, mine, by_hand=[leg for leg in mine if leg.inspect == "ask"])
        plans[roll.id, "pouch"] = _after(roll, mine, pouch=walls)
        for number, leg in enumerate(trip.legs):
            if leg in mine and leg.inspect == "ask":
                plans[roll.id, f"leg {number}"] = _after(roll, mine, by_hand=[leg])
    seed = int(np.random.default_rng(rng).integers(2**31))  # one seed, so that all plans meet the same draws
    losses = _losses(plans, criterion=criterion, snr_target=snr_target, priors=priors, samples=samples, seed=seed)
    if progress is not None:
        progress(0.5)

    films = [generic_film(speed, kind=kind) for speed in speeds]
    carried = [_after(Roll(id=f"speed {film.speed:g}", film=film), trip.legs) for film in films]
    scanned_rolls = [replace(plans[roll.id, "scan"], id=f"roll {roll.id}") for roll in trip.rolls]
    outlook = propagate(
        [*scanned_rolls, *carried],
        criterion=criterion,
        snr_target=snr_target,
        scene_range=scene_range,
        priors=priors,
        samples=samples,
        rng=seed,
    )
    if progress is not None:
        progress(1.0)

    odds = {row.roll.id: row for row in outlook.rolls}
    rows = []
    for roll in trip.rolls:
        scanned, hand = losses[roll.id, "scan"], losses[roll.id, "hand"]
        after = odds[f"roll {roll.id}"]
        ei = None if roll.state == "exposed" else after.ei_recommended
        rows.append(
            RollPlan(
                roll=roll,
                rank=0,
                loss_now=losses[roll.id, "now"],
                loss_scanned=scanned,
                loss_hand=hand,
                avoided=max(scanned - hand, 0.0),
                kerma_ugy=after.kerma_ugy,
                ei=ei,
                chance_lost=after.chance_beyond_rescue,
                verdict=_verdict(roll, scanned, ei, after.chance_beyond_rescue, after.status, COST_UNDER),
            )
        )
    rows.sort(key=lambda row: (-round(row.avoided, 1), -row.roll.importance, -row.avoided))
    ranked = tuple(replace(row, rank=number) for number, row in enumerate(rows, 1))
    notes += _notes(trip)
    return Plan(
        trip=trip,
        rolls=ranked,
        checkpoints=_checkpoints(trip, losses),
        pouch=_pouch(trip, losses, " + ".join(map(str, walls))),
        speeds=_speeds(films, odds),
        criterion=criterion,
        notes=tuple(notes),
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


def _after(roll: Roll, legs: Sequence[Leg], *, by_hand: Sequence[Leg] = (), pouch: ShieldLike = None) -> Roll:
    """The roll after its legs."""
    ahead = [
        leg.as_pass(unknown_source() if leg.source == UNKNOWN_SOURCE else leg.source, pouch)
        for leg in legs
        if leg.inspect != "hand" and leg not in by_hand
    ]
    history = replace(roll.history, passes=(*roll.history.passes, *ahead))
    return replace(roll, history=history)


# -- expected losses -----------------------------------------------------------------------------------------------


def _losses(
    plans: Mapping[tuple[str, str], Roll],
    *,
    criterion: str,
    snr_target: float,
    priors: Priors | None,
    samples: int,
    seed: int,
) -> dict[tuple[str, str], float]:
    """Expected loss of every roll under every plan [stops], from one set of draws."""
    from filmdose.odds import draw_stops
    from filmdose.odds.decision import COST_UNDER

    named = [replace(roll, id=f"{roll.id}\n{plan}") for (_, plan), roll in plans.items()]
    stops = draw_stops(named, priors=priors, criterion=criterion, snr_target=snr_target, samples=samples, rng=seed)
    losses = {}
    for (key, roll), column in zip(plans.items(), stops.to_numpy().T, strict=True):
        # No exposure makes up for what an exposed roll loses, nor for the dark end of reversal film.
        weight = COST_UNDER if roll.state == "exposed" or roll.film.reversal else 1.0
        losses[key] = weight * float(np.minimum(column, LOST_STOPS).mean())
    return losses


# -- tables --------------------------------------------------------------------------------------------------------


def _checkpoints(trip: Trip, losses: Mapping[tuple[str, str], float]) -> pd.DataFrame:
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


def _pouch(trip: Trip, losses: Mapping[tuple[str, str], float], name: str) -> pd.DataFrame:
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


def _speeds(films: Sequence[Film], odds: Mapping[str, RollOdds]) -> pd.DataFrame:
    rows = []
    for film in films:
        row = odds.get(f"speed {film.speed:g}")
        if row is not None:
            rows.append(
                {
                    "kind": film.kind,
                    "speed": film.speed,
                    "ei": np.nan if row.ei_recommended is None else row.ei_recommended,
                    "ei_exact": np.nan if row.ei_recommended_exact is None else row.ei_recommended_exact,
                    "stops": row.stops[1],
                    "chance_over_one_stop": row.chance_over_one_stop,
                    "chance_lost": row.chance_beyond_rescue,
                    "status": row.status,
                }
            )
    table = pd.DataFrame(rows)
    table["carry"] = False
    # An index that the highlights hold up does not restore the shadows, and is no speed to count on.
    if not len(table):
        return table
    usable = table["status"] == "ok"
    if usable.any():
        # The slowest within a third stop of the fastest: more speed on the box buys nothing more.
        enough = usable & (table["ei_exact"] >= table.loc[usable, "ei_exact"].max() * 2.0**-_THIRD)
        table.loc[table.loc[enough, "speed"].idxmin(), "carry"] = True
    return table


def _verdict(roll: Roll, scanned: float, ei: float | None, lost: float, status: str, cost: float) -> str:
    name = f"{roll.id} ({film_words(roll.film)})"
    risk = f" In {100 * lost:.0f} % of the cases nothing restores its shadows." if lost >= 0.01 else ""
    if roll.film.reversal:
        return (
            f"{name}: expose as marked and expect thinner blacks, by about {scanned / cost:.1f} stops at the dark end."
        )
    if roll.state == "exposed":
        stops = scanned / cost
        if stops < _THIRD:
            return f"{name}: exposed already; its shadows lose less than a third stop.{risk}"
        return f"{name}: exposed already; its shadows lose about {stops:.1f} stops that nothing brings back.{risk}"
    if ei is None or status == "beyond_rescue":
        return f"{name}: do not count on it.{risk}"
    if status == "highlight_limited":
        return (
            f"{name}: EI {format_speed(ei)} is the most that its highlights allow, and its shadows may want more; "
            f"about {scanned:.1f} stops slower on average.{risk}"
        )
    if scanned < _THIRD:
        return f"{name}: still works as it is, at EI {format_speed(ei)} to be safe.{risk}"
    return f"{name}: works at EI {format_speed(ei)} to be safe, about {scanned:.1f} stops slower on average.{risk}"


def _notes(trip: Trip) -> list[str]:
    from filmdose.odds.decision import COST_UNDER

    sources = {leg.source for leg in trip.legs if leg.inspect != "hand"}
    found = [unknown_source().caution] if UNKNOWN_SOURCE in sources else []
    found += [get_source(name).caution for name in sorted(sources - {UNKNOWN_SOURCE}) if get_source(name).caution]
    found.append(
        "Losses are mean stops over the unknown doses and the uncertain calibration of fog; an exposed roll counts "
        f"each stop {COST_UNDER:g} times, since nothing makes up for it, and a lost roll counts {LOST_STOPS:g} stops."
    )
    return found
