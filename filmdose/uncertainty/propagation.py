"""How sure the exposure index of every roll is: quasi-random draws through the tabulated solver.

Draws run through in blocks and are counted in histograms, so that memory does not
grow with their number.  They come in two halves, each a scrambled Sobol sequence of
its own; how far the halves differ says how far the figures have settled.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd
from scipy.special import ndtri
from scipy.stats import qmc

from filmdose.arrays import FloatArray, check_count, check_number
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, criterion_name, shadow_points
from filmdose.errors import UnknownNameError
from filmdose.film import Film
from filmdose.trip import Roll, Trip
from filmdose.uncertainty.decision import (
    COST_OVER,
    COST_UNDER,
    Bracket,
    Decision,
    bracket_plan,
    decide,
    frame_count,
)
from filmdose.uncertainty.model import LN10, SHAPE_SCORE, Draws, TripModel, film_offsets, trip_model
from filmdose.uncertainty.priors import Priors
from filmdose.uncertainty.surface import Answers, FilmSurface, Shape, film_surface
from filmdose.units import LOG10_2, exposure_index, format_speed, standard_exposure_index

if TYPE_CHECKING:
    from filmdose.uncertainty.learning import Learned

__all__ = ["DEFAULT_SAMPLES", "RollOdds", "TripOdds", "draw_stops", "propagate", "random_generator"]

DEFAULT_SAMPLES = 2**15

#: 5, 50 and 95 % points.
POINTS = (0.05, 0.5, 0.95)

_CELLS = 2**18  # draws times rolls of one block: its arrays take some 100 MB at most
_BINS = 4096

Random = int | np.random.Generator


def random_generator(rng: Random) -> np.random.Generator:
    """A generator from a seed (0 is one) or a generator."""
    if isinstance(rng, np.random.Generator):
        return rng
    return np.random.default_rng(check_count("rng", rng, action="Give a seed, or a numpy Generator."))


# -- draws -------------------------------------------------------------------------------------------------------------


class ScoreStream:
    """Blocks of standard normal scores for all inputs of a trip, what is learnt put in its place."""

    def __init__(self, model: TripModel, learned: Learned | None, block: int, rng: np.random.Generator) -> None:
        self.size = len(model.inputs)
        self.block = block
        self.learned = None if learned is None else learned.matched(model)
        # One dimension more chooses among the learnt draws.
        self.engine = qmc.Sobol(self.size + (self.learned is not None), rng=rng)

    def next(self) -> FloatArray:
        """The next block, shape (block, inputs)."""
        even = self.engine.random(self.block)
        scores = np.asarray(ndtri(np.clip(even[:, : self.size], 1e-12, 1.0 - 1e-12)))
        if self.learned is not None:
            places, draws, cumulative = self.learned
            chosen = np.searchsorted(cumulative, even[:, -1], side="right")
            scores[:, places] = draws[np.minimum(chosen, len(draws) - 1)]
        return scores


# -- rolls of one shape ------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Group:
    """Rolls whose films share their tables, and how their hits follow from those at z_ref."""

    rolls: tuple[int, ...]
    surface: FilmSurface
    hit_exponent_offset: float
    log_kappa: FloatArray  # (rolls,)
    distance: tuple[FloatArray, ...]  # by record: log sensitivity of the speed point less z_ref, (rolls,)

    def answers(self, draws: Draws) -> Answers:
        columns = list(self.rolls)
        b = draws.hit_exponent + self.hit_exponent_offset
        at_reference = draws.log_hits[:, columns] + np.log(draws.peak[:, columns]) + self.log_kappa
        hits = tuple(np.exp(at_reference + LN10 * b[:, None] * distance) for distance in self.distance)
        shapes = np.stack([b, draws.grain_area_exponent, draws.log_contrast], axis=1)
        return self.surface.answers(shapes, hits)


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


def _groups(model: TripModel, criterion: str, snr_target: float) -> list[_Group]:
    found: dict[Any, list[int]] = {}
    films = [roll.film for roll in model.trip.rolls]
    surfaces: dict[Any, FilmSurface] = {}
    for index, film in enumerate(films):
        offset, _ = film_offsets(film)
        surface = film_surface(film, shape_of(model, offset), criterion, snr_target)
        key = (id(surface), offset)
        surfaces[key] = surface
        found.setdefault(key, []).append(index)
    return [
        _Group(
            rolls=tuple(indexes),
            surface=surfaces[key],
            hit_exponent_offset=key[1],
            log_kappa=np.array([film_offsets(films[index])[1] for index in indexes]),
            distance=tuple(np.transpose([_distances(films[index]) for index in indexes])),
        )
        for key, indexes in found.items()
    ]


def _distances(film: Film) -> list[float]:
    points = shadow_points(film)
    return [-point - record.reference_log_sensitivity for record, point in zip(film.records, points, strict=True)]


# -- counting ----------------------------------------------------------------------------------------------------------


class _Histogram:
    """Counts of finite values on even bins, by half and column, with their least and greatest value."""

    def __init__(self, low: float, high: float, columns: int) -> None:
        self.low, self.width = low, (high - low) / _BINS
        self.counts = np.zeros((2, columns, _BINS))
        self.least, self.greatest = np.full(columns, np.inf), np.full(columns, -np.inf)
        self.above = np.zeros((2, columns))  # infinite or unknown

    def add(self, half: int, columns: Sequence[int], values: FloatArray) -> None:
        finite = np.isfinite(values)
        all_finite = bool(finite.all())
        bins = np.clip((np.where(finite, values, 0.0) - self.low) / self.width, 0, _BINS - 1).astype(np.intp)
        flat = bins + _BINS * np.arange(len(columns))
        if not all_finite:
            flat = flat[finite]
            self.above[half, columns] += (~finite).sum(axis=0)
        counted = np.bincount(flat.ravel(), minlength=_BINS * len(columns)).reshape(len(columns), _BINS)
        self.counts[half, columns] += counted
        self.least[columns] = np.minimum(self.least[columns], np.where(finite, values, np.inf).min(axis=0))
        self.greatest[columns] = np.maximum(self.greatest[columns], np.where(finite, values, -np.inf).max(axis=0))

    def values(self, column: int, half: int | None = None) -> tuple[FloatArray, FloatArray]:
        """Middle of every bin in use and its count, with infinity last."""
        counts = self.counts[:, column].sum(axis=0) if half is None else self.counts[half, column]
        above = self.above[:, column].sum() if half is None else self.above[half, column]
        middles = np.clip(self.low + (np.arange(_BINS) + 0.5) * self.width, self.least[column], self.greatest[column])
        used = counts > 0
        return np.append(middles[used], np.inf), np.append(counts[used], above)

    def quantile(self, column: int, probability: float, half: int | None = None, *, finite: bool = False) -> float:
        """Quantile, straight within a bin; infinite when it lies among the infinite ones, unless these do not count."""
        counts = self.counts[:, column].sum(axis=0) if half is None else self.counts[half, column]
        above = self.above[:, column].sum() if half is None else self.above[half, column]
        inside = float(counts.sum())
        wanted = probability * (inside if finite else inside + float(above))
        if inside == 0.0 or wanted > inside * (1.0 + 1e-12):
            return math.inf if not finite else math.nan
        cumulative = np.cumsum(counts)
        place = min(int(np.searchsorted(cumulative, wanted, side="left")), _BINS - 1)
        before = float(cumulative[place] - counts[place])
        share = 0.5 if counts[place] == 0 else (wanted - before) / float(counts[place])
        value = self.low + (place + share) * self.width
        return float(np.clip(value, self.least[column], self.greatest[column]))


class _Tally:
    """All that is counted of the rolls of a trip."""

    def __init__(self, rolls: int) -> None:
        self.stops = _Histogram(-2.0, 14.0, rolls)
        self.room = _Histogram(-10.0, 10.0, rolls)
        self.log_fog = _Histogram(-8.0, 1.0, rolls)
        self.log_kerma = _Histogram(-5.0, 12.0, rolls)
        self.snr = _Histogram(0.0, 1.0 + 1e-9, rolls)
        self.over_one = np.zeros((2, rolls))
        self.drawn = np.zeros(2)

    def add(self, half: int, columns: Sequence[int], draws: Draws, answers: Answers, scene_range: float) -> None:
        columns = list(columns)
        self.stops.add(half, columns, answers.stops)
        self.room.add(half, columns, (answers.room_end - scene_range) / LOG10_2)
        with np.errstate(divide="ignore"):
            self.log_fog.add(half, columns, np.maximum(np.log10(answers.fog_density), -8.0))
            self.log_kerma.add(half, columns, np.maximum(np.log10(draws.kerma_ugy[:, columns]), -5.0))
        self.snr.add(half, columns, answers.snr_kept)
        self.over_one[half, columns] += (answers.stops > 1.0).sum(axis=0)


# -- results -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class RollOdds:
    """How sure the answer for one roll is; all triples are 5, 50 and 95 % points.

    Parameters
    ----------
    roll
        The roll.
    stops
        More exposure needed [stops]; infinite beyond rescue.
    ei
        Exposure index that restores the shadows, exact, from the slowest to the fastest [ISO]: at the 95, 50 and
        5 % points of the need; 0 beyond rescue.
    fog_density, kerma_ugy, snr_kept
        Fog of the worst band [density], mean effective kerma [uGy], shadow signal-to-noise at the marked speed [1].
    chance_over_one_stop
        Share of the cases that need more than one stop, those beyond rescue among them [1].
    chance_beyond_rescue
        Share of the cases in which no exposure restores the shadows [1].
    chance_highlights_lost
        Share of the cases in which the recommended exposure leaves the highlights no room [1].
    room_stops
        What the highlights allow in the middle case [stops]; None when no case has a usable highlight end.
    decision
        The recommended compensation.
    ei_median, ei_recommended, ei_recommended_exact
        Index of the middle case and of the decision, on the third-stop scale towards more exposure, and exact; None
        when there is none.
    bracket
        Frames to make of what matters when the interval is wider than a stop, else None.
    settled_stops
        Difference of the two halves of the draws in the recommended need [stops].
    status
        "ok", "highlight_limited" or "beyond_rescue", of the recommendation.
    message
        The answer in one sentence.
    """

    roll: Roll
    stops: tuple[float, float, float]
    ei: tuple[float, float, float]
    fog_density: tuple[float, float, float]
    kerma_ugy: tuple[float, float, float]
    snr_kept: tuple[float, float, float]
    chance_over_one_stop: float
    chance_beyond_rescue: float
    chance_highlights_lost: float
    room_stops: float | None
    decision: Decision
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
        return tuple(float(standard_exposure_index(self.roll.film.speed, s)) for s in self.bracket.stops)

    def __str__(self) -> str:
        low, middle, high = self.stops
        lines = [
            self.message,
            f"  stops needed        {_stops(middle)} ({_stops(low)} to {_stops(high)} in 9 of 10 cases)",
            f"  fog                 {self.fog_density[1]:.3f} ({self.fog_density[0]:.3f} to {self.fog_density[2]:.3f})",
            f"  more than one stop  {_chance(self.chance_over_one_stop)}",
            f"  beyond rescue       {_chance(self.chance_beyond_rescue)}",
        ]
        if self.bracket is not None:
            frames = ", ".join(format_speed(ei) for ei in self.bracket_ei)
            lines.append(f"  bracket             EI {frames}")
        return "\n".join(lines)


def _stops(value: float) -> str:
    return "not possible" if math.isinf(value) else f"{value:.2f}"


def _chance(value: float) -> str:
    if 0.0 < value < 0.01:
        return "under 1 %"
    return "over 99 %" if 0.99 < value < 1.0 else f"{100.0 * value:.0f} %"


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
    criterion, snr_target, scene_range, cost_under, cost_over
        What was asked.
    learned
        What had been learnt before, or None.
    table_error_stops
        Largest error measured of the tables that stand for the solver [stops].
    """

    trip: Trip
    rolls: tuple[RollOdds, ...]
    priors: Priors = field(repr=False)
    samples: int
    criterion: str
    snr_target: float
    scene_range: float
    cost_under: float
    cost_over: float
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
        differences = [row.settled_stops for row in self.rolls if math.isfinite(row.settled_stops)]
        return max(differences, default=0.0)

    def table(self) -> pd.DataFrame:
        """One row for each roll.

        Columns of the plain trip table at the middle case, then the intervals, chances and the recommendation.
        ``stops_*`` are NaN beyond rescue, ``ei_*`` as well.
        """
        return pd.DataFrame([_row(row, self.criterion) for row in self.rolls])

    def __str__(self) -> str:
        return "\n\n".join(f"{row.roll.id}: {row}" for row in self.rolls)

    def _repr_html_(self) -> str:
        head = f"<p>{self.samples} draws, settled to {self.settled_stops:.3f} stop.</p>"
        words = "".join(f"<li>{html.escape(row.roll.id)}: {html.escape(row.message)}</li>" for row in self.rolls)
        shown = self.table()[["roll", "speed", "stops_low", "stops", "stops_high", "ei_median", "ei_recommended"]]
        return head + shown.to_html(index=False, float_format="{:.2f}".format) + f"<ul>{words}</ul>"


def _row(row: RollOdds, criterion: str) -> dict[str, Any]:
    def number(value: float | None) -> float:
        return math.nan if value is None or math.isinf(value) else float(value)

    film = row.roll.film
    return {
        "roll": row.roll.id,
        "kind": film.kind,
        "speed": film.speed,
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
        "stops_recommended": number(row.decision.given_stops),
        "ei_median": number(row.ei_median),
        "ei_recommended": number(row.ei_recommended),
        "ei_slowest": row.ei[0] or math.nan,
        "ei_fastest": row.ei[2] or math.nan,
        "fog_low": row.fog_density[0],
        "fog_high": row.fog_density[2],
        "chance_over_one_stop": row.chance_over_one_stop,
        "chance_beyond_rescue": row.chance_beyond_rescue,
        "chance_highlights_lost": row.chance_highlights_lost,
        "bracket_ei": " ".join(format_speed(ei) for ei in row.bracket_ei),
        "settled_stops": row.settled_stops,
        "criterion": criterion,
    }


# -- the whole ---------------------------------------------------------------------------------------------------------


def propagate(
    trip: Trip | TripModel | Sequence[Roll],
    *,
    priors: Priors | None = None,
    learned: Learned | None = None,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
    cost_under: float = COST_UNDER,
    cost_over: float = COST_OVER,
    samples: int = DEFAULT_SAMPLES,
    rng: Random = 0,
    progress: Callable[[float], None] | None = None,
) -> TripOdds:
    """Exposure index of every roll with its odds, from draws of everything that is not known.

    Parameters
    ----------
    trip
        A trip, its rolls, or a :func:`filmdose.uncertainty.trip_model`.
    priors
        What is uncertain; the shipped priors when left out.
    learned
        What measured rolls have taught (:func:`filmdose.uncertainty.learn`).
    criterion, snr_target, scene_range
        As of :func:`filmdose.compensation.compensate`.
    cost_under, cost_over
        Cost of a stop too little and of a stop too much exposure [above 0].
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
        Too few samples, an unknown criterion, a value out of range, a film that cannot be compensated.

    Notes
    -----
    Shadows count as losing more than a stop when the film needs more than one stop
    by the criterion. The recommended compensation is capped by the highlight room of
    the middle case. Draws beyond rescue are larger than any number of stops.

    Examples
    --------
    >>> from filmdose.generic import generic_film
    >>> from filmdose.history import History, Pass
    >>> from filmdose.trip import Roll
    >>> roll = Roll(id="a", film=generic_film(800), history=History(passes=Pass(source="cabin-ct")))
    >>> odds = propagate([roll], samples=4096)["a"]
    >>> odds.stops[0] < odds.stops[1] < odds.decision.needed_stops < odds.stops[2]
    True
    """
    model = trip_model(trip, priors)
    name = criterion_name(criterion)
    target = check_number("snr_target", snr_target, low=0.0, low_open=True, high=1.0)
    span = check_number("scene_range", scene_range, low=0.3, high=4.0, unit="log10 units")
    count = check_count("samples", samples, low=64, high=2**26)
    under = check_number("cost_under", cost_under, low=0.0, low_open=True)
    over = check_number("cost_over", cost_over, low=0.0, low_open=True)
    generator = random_generator(rng)
    groups = _groups(model, name, target)
    half = 2 ** max(5, math.ceil(math.log2(count / 2)))
    block = min(half, 2 ** max(6, int(math.log2(_CELLS / len(model.trip.rolls)))))
    tally = _Tally(len(model.trip.rolls))
    for which, child in enumerate(generator.spawn(2)):
        stream = ScoreStream(model, learned, block, child)
        for number in range(half // block):
            draws = model.draws(stream.next())
            for group in groups:
                tally.add(which, group.rolls, draws, group.answers(draws), span)
            tally.drawn[which] += block
            if progress is not None:
                progress((which * half + (number + 1) * block) / (2 * half))
    return TripOdds(
        trip=model.trip,
        rolls=tuple(_roll_odds(tally, index, roll, under, over) for index, roll in enumerate(model.trip.rolls)),
        priors=model.priors,
        samples=2 * half,
        criterion=name,
        snr_target=target,
        scene_range=span,
        cost_under=under,
        cost_over=over,
        learned=learned,
        table_error_stops=max(group.surface.error_stops for group in groups),
    )


def _roll_odds(tally: _Tally, index: int, roll: Roll, under: float, over: float) -> RollOdds:
    drawn = float(tally.drawn.sum())
    room = tally.room.quantile(index, 0.5, finite=True)
    known_room = not math.isnan(room)
    needed, counts = tally.stops.values(index)
    decision = decide(
        needed, weights=counts, cost_under=under, cost_over=over, room_stops=room if known_room else math.inf
    )
    # Within a bin the tally knows the quantile better than the middles of its bins do.
    wanted = tally.stops.quantile(index, decision.quantile)
    given = min(wanted, max(room, 0.0)) if known_room else wanted
    decision = Decision(
        quantile=decision.quantile,
        needed_stops=wanted,
        given_stops=given,
        limited=given < wanted,
        expected_loss=decision.expected_loss,
    )
    halves = [tally.stops.quantile(index, decision.quantile, which) for which in (0, 1)]
    stops = _three(tally.stops, index)
    reached = stops[2] if math.isfinite(stops[2]) else max(given if math.isfinite(given) else 0.0, stops[0])
    frames = frame_count(reached - stops[0]) if math.isfinite(stops[0]) else 1
    bracket = None
    if frames > 1:
        bracket = bracket_plan(
            needed,
            weights=counts,
            frames=frames,
            cost_under=under,
            cost_over=over,
            room_stops=room if known_room else math.inf,
        )
    speed = roll.film.speed
    room_values, room_counts = tally.room.values(index)
    lost = float(room_counts[:-1][room_values[:-1] < given].sum()) / max(float(room_counts[:-1].sum()), 1.0)
    values: dict[str, Any] = {
        "roll": roll,
        "stops": stops,
        "ei": tuple(_index(speed, value) for value in reversed(stops)),
        "fog_density": _three(tally.log_fog, index, from_log=True),
        "kerma_ugy": _three(tally.log_kerma, index, from_log=True),
        "snr_kept": _three(tally.snr, index),
        "chance_over_one_stop": float(tally.over_one[:, index].sum()) / drawn,
        "chance_beyond_rescue": float(tally.stops.above[:, index].sum()) / drawn,
        "chance_highlights_lost": lost,
        "room_stops": room if known_room else None,
        "decision": decision,
        "ei_median": _standard(speed, stops[1]),
        "ei_recommended": _standard(speed, given),
        "ei_recommended_exact": _index(speed, given) or None,
        "bracket": bracket if bracket is not None and len(bracket.stops) > 1 else None,
        "settled_stops": abs(halves[0] - halves[1]) if all(map(math.isfinite, halves)) else _unsettled(halves),
        "status": "beyond_rescue" if math.isinf(wanted) else "highlight_limited" if decision.limited else "ok",
    }
    return RollOdds(message=_sentence(values, under, over), **values)


def _unsettled(halves: list[float]) -> float:
    """Both halves beyond rescue agree; one of them alone does not."""
    return 0.0 if all(math.isinf(value) for value in halves) else math.inf


def _three(histogram: _Histogram, index: int, *, from_log: bool = False) -> tuple[float, float, float]:
    low, middle, high = (histogram.quantile(index, p) for p in POINTS)
    if from_log:
        floor = histogram.low + 1e-6
        low, middle, high = (0.0 if value <= floor else 10.0**value for value in (low, middle, high))
    return low, middle, high


def _index(speed: float, stops: float) -> float:
    return 0.0 if math.isinf(stops) else float(exposure_index(speed, stops))


def _standard(speed: float, stops: float) -> float | None:
    """Index on the printed scale; a film that needs nothing keeps the number on its box."""
    if math.isinf(stops):
        return None
    return speed if stops == 0.0 else float(standard_exposure_index(speed, stops))


def _sentence(values: dict[str, Any], under: float, over: float) -> str:
    roll: Roll = values["roll"]
    decision: Decision = values["decision"]
    box = f"ISO {format_speed(roll.film.speed)}"
    lost, ei = values["chance_beyond_rescue"], values["ei_recommended"]
    if values["status"] == "beyond_rescue":
        best = "" if ei is None else f", and EI {format_speed(ei)} is the most that the highlights allow"
        return (
            f"With a chance of {_chance(lost)} no exposure restores the shadows of this {box} roll{best}: "
            "use another roll for what matters."
        )
    if values["stops"][2] == 0.0:
        return f"Set EI {format_speed(ei)}: this {box} roll took no dose."
    rescue = "" if lost < 0.005 else f" In {_chance(lost)} of the cases nothing restores its shadows."
    if values["status"] == "highlight_limited":
        return (
            f"Set EI {format_speed(ei)} for this {box} roll, the most that its highlights allow: its shadows would "
            f"want {decision.needed_stops:.1f} stops more to be safe in {_chance(decision.quantile)} of the cases."
            f"{rescue}"
        )
    ratio = under / over
    cost = f"costs {ratio:.3g} times as much as" if ratio != 1.0 else "costs as much as"
    middle = values["ei_median"]
    beside = "" if middle is None or middle == ei else f"; the middle case asks for EI {format_speed(middle)}"
    return (
        f"Set EI {format_speed(ei)} for this {box} roll: that is enough in {_chance(decision.quantile)} of the cases, "
        f"as it should be when a stop too little {cost} a stop too much{beside}.{rescue}"
    )


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

    Parameters
    ----------
    trip, priors, learned, criterion, snr_target, rng
        As of :func:`propagate`.
    samples
        Number of draws, rounded up to a power of two; all are kept, so memory grows with it.
    """
    model = trip_model(trip, priors)
    groups = _groups(model, criterion_name(criterion), snr_target)
    count = 2 ** math.ceil(math.log2(check_count("samples", samples, low=2, high=2**22)))
    stream = ScoreStream(model, learned, count, random_generator(rng))
    draws = model.draws(stream.next())
    result = np.empty((count, len(model.trip.rolls)))
    for group in groups:
        result[:, list(group.rolls)] = group.answers(draws).stops
    return pd.DataFrame(result, columns=[roll.id for roll in model.trip.rolls])


def roll_index(model: TripModel, roll: str) -> int:
    """Place of a roll in its trip."""
    ids = [item.id for item in model.trip.rolls]
    if roll not in ids:
        raise UnknownNameError("roll", roll, ids)
    return ids.index(roll)
