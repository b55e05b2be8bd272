"""How sure the exposure index of every roll is: quasi-random draws through the tabulated solver.

Draws run through in blocks and are counted in histograms, so that memory does not
grow with their number.  They come in two halves, each a scrambled Sobol sequence of
its own; how far the halves differ says how far the figures have settled.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from filmdose.arrays import FloatArray, check_count, check_number
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, check_options, shadow_points
from filmdose.errors import UnknownNameError
from filmdose.film.model import Film
from filmdose.odds.decision import (
    COST_OVER,
    COST_UNDER,
    REVERSAL_COST_OVER,
    REVERSAL_COST_UNDER,
    bracket_plan,
    decide,
    frame_count,
)
from filmdose.odds.priors import Priors
from filmdose.odds.results import (
    RollOdds,
    Triple,
    TripOdds,
    exposed_sentence,
    negative_sentence,
    reversal_sentence,
    standard_index,
)
from filmdose.odds.reversal import ReversalSurface, reversal_surface
from filmdose.odds.surface import FilmSurface, Shape, film_surface
from filmdose.odds.tally import POINTS, Histogram, Random, ScoreStream, random_generator
from filmdose.odds.unknowns import LN10, SHAPE_SCORE, Draws, TripModel, film_offsets, trip_model
from filmdose.trip import Roll, Trip
from filmdose.units import LOG10_2, exposure_index, round_to_standard

if TYPE_CHECKING:
    from filmdose.odds.learn import Learned

__all__ = ["DEFAULT_SAMPLES", "draw_stops", "propagate", "roll_groups", "roll_index"]

DEFAULT_SAMPLES = 2**15

_CELLS = 2**18  # draws times rolls of one block: its arrays take some 100 MB at most

#: Fog and dose are counted by their logarithms, from far below what matters; anything smaller is nothing.
_LEAST_LOG_FOG, _LEAST_LOG_KERMA = -8.0, -5.0


# -- rolls whose films share their tables ------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RollGroup:
    """Rolls whose films share their tables, and how their hits follow from those at z_ref."""

    rolls: tuple[int, ...]
    surface: FilmSurface | ReversalSurface
    hit_exponent_offset: float
    log_kappa: FloatArray  # (rolls,)
    distance: tuple[FloatArray, ...]  # by record: log sensitivity of the speed point less z_ref, (rolls,)

    def shapes_and_hits(self, draws: Draws) -> tuple[FloatArray, tuple[FloatArray, ...]]:
        """Shape of the film in every draw, and hits at every record's speed point under the worst band."""
        columns = list(self.rolls)
        b = draws.hit_exponent + self.hit_exponent_offset
        at_reference = draws.log_hits[:, columns] + np.log(draws.peak[:, columns]) + self.log_kappa
        hits = tuple(np.exp(at_reference + LN10 * b[:, None] * distance) for distance in self.distance)
        return np.stack([b, draws.grain_area_exponent, draws.log_contrast], axis=1), hits

    def stops(self, draws: Draws, *, capped: bool = False) -> FloatArray:
        """Needed stops, or range lost of reversal film; infinite beyond rescue, or the last finite value if capped."""
        shapes, hits = self.shapes_and_hits(draws)
        if isinstance(self.surface, FilmSurface):
            answers = self.surface.answers(shapes, hits)
            return answers.capped_stops if capped else answers.stops
        losses = self.surface.losses(shapes, hits)
        return np.minimum(losses.range_stops, self.surface.range_stops) if capped else losses.range_stops

    def count(self, tally: Tally, half: int, draws: Draws) -> None:
        """Add a block of draws to what is counted."""
        shapes, hits = self.shapes_and_hits(draws)
        columns = list(self.rolls)
        if isinstance(self.surface, FilmSurface):
            answers = self.surface.answers(shapes, hits)
            room = (answers.room_end - tally.scene_range[columns]) / LOG10_2
            tally.add(half, columns, draws, answers.stops, answers.fog_density, answers.snr_kept, room)
            tally.partly[columns] += answers.partly.sum(axis=0)
        else:
            losses = self.surface.losses(shapes, hits)
            shift = losses.highlight_shift_stops
            tally.add(half, columns, draws, losses.range_stops, losses.maximum_density, losses.snr_kept, shift)


def shape_of(model: TripModel, hit_exponent_offset: float) -> Shape:
    """Ranges of what changes the shape of a film in a trip's draws."""

    def ends(name: str) -> tuple[float, float]:
        prior = model.priors[name]
        return float(prior.value(-SHAPE_SCORE)), float(prior.value(SHAPE_SCORE))

    low, high = ends("hit_exponent")
    contrast = ends("film_contrast")
    return Shape(
        hit_exponent=(max(low + hit_exponent_offset, 0.0), min(high + hit_exponent_offset, 2.0)),
        grain_area_exponent=ends("grain_area_exponent"),
        log_contrast=(math.log(contrast[0]), math.log(contrast[1])),
    )


def roll_groups(model: TripModel, criterion: str, snr_target: float) -> list[RollGroup]:
    """The rolls of a trip, those together whose films share their tables."""
    films = [roll.film for roll in model.trip.rolls]
    members: dict[Any, list[int]] = {}
    surfaces: dict[Any, FilmSurface | ReversalSurface] = {}
    for index, film in enumerate(films):
        offset, _ = film_offsets(film)
        shape = shape_of(model, offset)
        surface: FilmSurface | ReversalSurface = (
            reversal_surface(film, shape.hit_exponent)
            if film.reversal
            else film_surface(film, shape, criterion, snr_target)
        )
        key = (id(surface), offset)
        surfaces[key] = surface
        members.setdefault(key, []).append(index)
    return [
        RollGroup(
            rolls=tuple(indexes),
            surface=surfaces[key],
            hit_exponent_offset=key[1],
            log_kappa=np.array([film_offsets(films[index])[1] for index in indexes]),
            distance=tuple(np.transpose([_distances(films[index]) for index in indexes])),
        )
        for key, indexes in members.items()
    ]


def _distances(film: Film) -> list[float]:
    points = shadow_points(film)
    return [-point - record.reference_log_sensitivity for record, point in zip(film.records, points, strict=True)]


class Tally:
    """All that is counted of the rolls of a trip."""

    def __init__(self, scene_range: FloatArray) -> None:
        rolls = scene_range.size
        self.scene_range = scene_range
        self.stops = Histogram(-2.0, 14.0, rolls)
        self.room = Histogram(-10.0, 10.0, rolls)  # of reversal film: change of exposure that keeps the highlights
        self.log_fog = Histogram(_LEAST_LOG_FOG, 1.0, rolls)
        self.log_kerma = Histogram(_LEAST_LOG_KERMA, 12.0, rolls)
        self.snr = Histogram(0.0, 1.0 + 1e-9, rolls)
        self.over_one = np.zeros(rolls)
        self.partly = np.zeros(rolls)
        self.drawn = 0

    def add(
        self,
        half: int,
        columns: list[int],
        draws: Draws,
        stops: FloatArray,
        fog_density: FloatArray,
        snr_kept: FloatArray,
        room: FloatArray,
    ) -> None:
        """Count one block of draws of some rolls."""
        self.stops.add(half, columns, stops)
        self.room.add(half, columns, room)
        with np.errstate(divide="ignore"):
            self.log_fog.add(half, columns, np.maximum(np.log10(fog_density), _LEAST_LOG_FOG))
            self.log_kerma.add(half, columns, np.maximum(np.log10(draws.kerma_ugy[:, columns]), _LEAST_LOG_KERMA))
        self.snr.add(half, columns, snr_kept)
        self.over_one[columns] += (stops > 1.0).sum(axis=0)


# -- the whole ---------------------------------------------------------------------------------------------------------


def propagate(
    trip: Trip | TripModel | Sequence[Roll],
    *,
    priors: Priors | None = None,
    learned: Learned | None = None,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
    cost_under: float | None = None,
    cost_over: float | None = None,
    samples: int = DEFAULT_SAMPLES,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> TripOdds:
    """Exposure index of every roll with its odds, from draws of everything that is not known.

    Parameters
    ----------
    trip
        A trip, its rolls, or a :func:`filmdose.odds.trip_model`.
    priors
        What is uncertain; the shipped priors when left out.
    learned
        What measured rolls have taught (:func:`filmdose.odds.learn`).
    criterion, snr_target, scene_range
        As of :func:`filmdose.compensation.compensate`; a roll's own scene range counts first.
    cost_under, cost_over
        Cost of a stop too little and of a stop too much exposure [above 0]: 4 and 1 for negative film, 1 and 4 for
        reversal film when left out.
    samples
        Number of draws [at least 64]; rounded up to a power of two, half of them in each of two sequences.
    rng
        Seed, or a NumPy generator; the same seed gives the same answer.
    progress
        Called with the share that is done, 0 to 1.

    Returns
    -------
    TripOdds

    Raises
    ------
    ArgumentError, UnknownNameError
        Too few samples, an unknown criterion, a value out of range.

    Notes
    -----
    The need is what the plain answer aims at (:func:`filmdose.compensation.needed_stops`).
    Shadows count as losing more than a stop when the film needs more than one stop
    by the criterion. The recommended compensation is capped by the highlight room of
    the middle case. Draws beyond rescue are larger than any number of stops.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> from filmdose.trip import Roll
    >>> roll = Roll(id="a", film=generic_film(800), history=History(passes=Pass(source="cabin-ct")))
    >>> odds = propagate([roll], samples=4096)["a"]
    >>> odds.stops[0] < odds.stops[1] < odds.decision.needed_stops < odds.stops[2]
    True
    """
    model = trip_model(trip, priors)
    name, target, span = check_options(criterion, snr_target, scene_range)
    count = check_count("samples", samples, low=64, high=2**26)
    costs = [
        None if cost is None else check_number(label, cost, low=0.0, low_open=True)
        for label, cost in (("cost_under", cost_under), ("cost_over", cost_over))
    ]
    generator = random_generator(rng)
    groups = roll_groups(model, name, target)
    half = 2 ** math.ceil(math.log2(count / 2))
    block = min(half, 2 ** max(6, int(math.log2(_CELLS / len(model.trip.rolls)))))
    tally = Tally(np.array([span if r.scene_range is None else r.scene_range for r in model.trip.rolls]))
    for which, child in enumerate(generator.spawn(2)):
        stream = ScoreStream(model, learned, block, child)
        for number in range(half // block):
            draws = model.draws(stream.next())
            for group in groups:
                group.count(tally, which, draws)
            tally.drawn += block
            if progress is not None:
                progress((which * half + (number + 1) * block) / (2 * half))
    return TripOdds(
        trip=model.trip,
        rolls=tuple(_roll_odds(tally, index, roll, *costs) for index, roll in enumerate(model.trip.rolls)),
        priors=model.priors,
        samples=tally.drawn,
        criterion=name,
        snr_target=target,
        learned=learned,
        table_error_stops=max(group.surface.error_stops for group in groups),
    )


def _roll_odds(tally: Tally, index: int, roll: Roll, cost_under: float | None, cost_over: float | None) -> RollOdds:
    stops = _three(tally.stops, index)
    room = tally.room.quantile(index, 0.5, finite=True)
    common: dict[str, Any] = {
        "roll": roll,
        "stops": stops,
        "ei": tuple(_index(roll.film.speed, value) for value in reversed(stops)),
        "fog_density": _three(tally.log_fog, index, from_log=True),
        "kerma_ugy": _three(tally.log_kerma, index, from_log=True),
        "snr_kept": _three(tally.snr, index),
        "chance_over_one_stop": float(tally.over_one[index]) / tally.drawn,
        "chance_partly_restored": float(tally.partly[index]) / tally.drawn,
        "chance_beyond_rescue": float(tally.stops.above[:, index].sum()) / tally.drawn,
        "chance_highlights_lost": math.nan,
        "room_stops": None if math.isnan(room) else room,
        "decision": None,
        "ei_median": None,
        "ei_recommended": None,
        "ei_recommended_exact": None,
        "bracket": None,
        "settled_stops": _settled(tally.stops, index, 0.5),
        "status": "already_exposed",
    }
    if roll.film.reversal:
        return _reversal_odds(tally, index, common, cost_under, cost_over)
    if roll.state == "exposed":
        return RollOdds(message=exposed_sentence(common), **common)
    return _negative_odds(tally, index, common, cost_under, cost_over)


def _negative_odds(
    tally: Tally, index: int, common: dict[str, Any], cost_under: float | None, cost_over: float | None
) -> RollOdds:
    roll, stops = common["roll"], common["stops"]
    room = math.inf if common["room_stops"] is None else common["room_stops"]
    options: dict[str, Any] = {
        "cost_under": COST_UNDER if cost_under is None else cost_under,
        "cost_over": COST_OVER if cost_over is None else cost_over,
        "room_stops": room,
    }
    needed, counts = tally.stops.values(index)
    decision = decide(needed, weights=counts, **options)
    # Within a bin the tally knows the quantile better than the middles of its bins do.
    wanted = tally.stops.quantile(index, decision.quantile)
    given = min(wanted, max(room, 0.0))
    decision = replace(decision, needed_stops=wanted, given_stops=given, limited=given < wanted)
    most = stops[2] if math.isfinite(stops[2]) else max(given, stops[0])
    frames = frame_count(most - stops[0]) if math.isfinite(most) else 1
    bracket = bracket_plan(needed, weights=counts, frames=frames, **options) if frames > 1 else None
    rooms, room_counts = (array[:-1] for array in tally.room.values(index))
    speed = roll.film.speed
    values = {
        **common,
        "chance_highlights_lost": float(room_counts[rooms < given].sum()) / max(float(room_counts.sum()), 1.0),
        "decision": decision,
        "ei_median": None if math.isinf(stops[1]) else standard_index(speed, stops[1]),
        "ei_recommended": None if math.isinf(given) else standard_index(speed, given),
        "ei_recommended_exact": None if math.isinf(given) else float(exposure_index(speed, given)),
        "bracket": bracket if bracket is not None and len(bracket.stops) > 1 else None,
        "settled_stops": _settled(tally.stops, index, decision.quantile),
        "status": "beyond_rescue" if math.isinf(wanted) else "highlight_limited" if decision.limited else "ok",
    }
    return RollOdds(message=negative_sentence(values, options["cost_under"] / options["cost_over"]), **values)


def _reversal_odds(
    tally: Tally, index: int, common: dict[str, Any], cost_under: float | None, cost_over: float | None
) -> RollOdds:
    """Reversal film needs no more exposure; the index keeps the highlight point where it was.

    There too much exposure is the greater loss, so the costs are the other way round.
    """
    speed = common["roll"].film.speed
    shifts, counts = tally.room.values(index)
    decision = decide(
        shifts[:-1],
        weights=counts[:-1],
        cost_under=REVERSAL_COST_UNDER if cost_under is None else cost_under,
        cost_over=REVERSAL_COST_OVER if cost_over is None else cost_over,
    )
    triple = _three(tally.room, index)
    values = {**common, "ei": tuple(_index(speed, value) for value in reversed(triple)), "room_stops": None}
    if common["roll"].state != "exposed":
        exact = float(exposure_index(speed, decision.given_stops))
        values |= {
            "decision": decision,
            "ei_median": _nearest(speed, triple[1]),
            "ei_recommended": _nearest(speed, decision.given_stops),
            "ei_recommended_exact": exact,
            "status": "expose_as_marked",
        }
    return RollOdds(message=reversal_sentence(values), **values)


def _nearest(speed: float, stops: float) -> float:
    """Nearest number of the printed scale; the one on the box when less than half a third of a stop away from it."""
    return speed if abs(stops) < 1.0 / 6.0 else float(round_to_standard(float(exposure_index(speed, stops))))


def _settled(histogram: Histogram, index: int, probability: float) -> float:
    """Difference of a quantile between the halves; both beyond rescue agree, one of them alone does not."""
    first, second = (histogram.quantile(index, probability, which) for which in (0, 1))
    return 0.0 if first == second else abs(first - second)


def _three(histogram: Histogram, index: int, *, from_log: bool = False) -> Triple:
    low, middle, high = (histogram.quantile(index, p) for p in POINTS)
    if from_log:
        low, middle, high = (0.0 if value <= histogram.low else 10.0**value for value in (low, middle, high))
    return low, middle, high


def _index(speed: float, stops: float) -> float:
    return 0.0 if math.isinf(stops) else float(exposure_index(speed, stops))


def draw_stops(
    trip: Trip | TripModel | Sequence[Roll],
    *,
    priors: Priors | None = None,
    learned: Learned | None = None,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    samples: int = 4096,
    rng: Random = 0,
) -> pd.DataFrame:
    """Needed stops of single draws, one column a roll; infinite beyond rescue.

    Of reversal film: stops of range lost at the dark end.

    Parameters
    ----------
    trip, priors, learned, criterion, snr_target, rng
        As of :func:`propagate`.
    samples
        Number of draws, rounded up to a power of two; all are kept, so memory grows with it.
    """
    model = trip_model(trip, priors)
    name, target, _ = check_options(criterion, snr_target, SCENE_RANGE)
    count = 2 ** math.ceil(math.log2(check_count("samples", samples, low=2, high=2**22)))
    draws = model.draws(ScoreStream(model, learned, count, random_generator(rng)).next())
    result = np.empty((count, len(model.trip.rolls)))
    for group in roll_groups(model, name, target):
        result[:, list(group.rolls)] = group.stops(draws)
    return pd.DataFrame(result, columns=[roll.id for roll in model.trip.rolls])


def roll_index(model: TripModel, roll: str) -> int:
    """Place of a roll in its trip."""
    ids = [item.id for item in model.trip.rolls]
    if roll not in ids:
        raise UnknownNameError("roll", roll, ids)
    return ids.index(roll)
