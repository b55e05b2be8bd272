"""The solution of a film at any number of doses: records solved, merged once, and decided about.

Negatives and reversal film come out alike.  Of several records the one that loses most decides.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, reduce
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray
from filmdose.decision import highlight_lost, least_loss, shadow_to_win
from filmdose.errors import ArgumentError
from filmdose.film.model import Film
from filmdose.nodes import cubic_at, first_root
from filmdose.quantity import in_unit
from filmdose.question import Question
from filmdose.solver import (
    Light,
    RecordCriteria,
    RecordRows,
    RecordSolver,
    RecordView,
    ReversalLoss,
    record_criteria,
    record_solver,
    reversal_loss,
)
from filmdose.stack import nodes_of, stack_records
from filmdose.standards import ISO2240_SHADOW, LOG10_2, SPEED_POINT
from filmdose.threads import one_thread

__all__ = [
    "BLACKS_LOST",
    "STATUSES",
    "VERDICTS",
    "FilmSolution",
    "contrast_kept",
    "deciding_record",
    "film_highlight_lost",
    "given_contrast",
    "is_restored",
    "least_kept",
    "least_of_records",
    "loss_curves",
    "most_kept",
    "most_of_records",
    "readings_end",
    "record_solvers",
    "reversal_verdict",
    "shadow_lost",
    "shadow_points",
    "snr_at",
    "solve_film",
    "solve_films",
    "status_codes",
    "stops_asked",
    "verdict_of",
]

#: What a roll is still worth at the exposure given: the least share of its shadows (of their signal-to-noise; of
#: reversal film, of its usable range too) and of its contrast that is left. Our choice: no standard has such limits.
VERDICTS: dict[str, tuple[float, float]] = {
    "good": (0.85, 0.7),
    "usable": (0.65, 0.4),
    "poor": (0.5, 0.2),
    "lost": (0.0, 0.0),
}

#: Greatest density that reversal film may have lost to be still good and usable [density]: its blacks let through twice
#: and eight times the light.  Our choice: no standard has such limits.
BLACKS_LOST: dict[str, float] = {"good": 0.3, "usable": 0.9}

#: Losses below this are not spoken of [stops].
UNSPOKEN = 0.01

#: What an answer can come to, each with a sentence.
STATUSES: dict[str, str] = {
    "ok": "the exposure index restores the shadows",
    "partly_restored": "more light would cost more than it gives back; the index is the best bargain",
    "highlight_limited": "more light would cost highlights; the index balances both ends of the scene",
    "readings_end": "the film was not measured further right; the index stays inside its readings",
    "beyond_rescue": "nothing helps: the exposure of least loss leaves less than half of the shadows' signal-to-noise",
    "expose_as_marked": "reversal film: more exposure would make it worse; expose for the highlights as marked",
    "already_exposed": "exposed already: no index helps any more",
    "unknown": "the dose is not known",
}
_CODE = {name: code for code, name in enumerate(STATUSES)}

#: Highlight room that stands for "not measured" [stops].
ROOM_UNKNOWN = 1.0

_WALL = 100.0  # stops lost for a stop beyond the readings

_BLOCK = 2048  # cells whose curves nearly stay in a core's cache


@dataclass(frozen=True, kw_only=True, eq=False)
class FilmSolution:
    """What a film answers, one element a dose.

    Parameters
    ----------
    fog_density
        Of the record that decides: density added where no light fell; negative for reversal film [density].
    stops
        Compensation by criterion, of the record that needs most [stops]; NaN where no exposure satisfies it.
    needed
        The same by the criterion that was asked for.
    given
        Compensation of least loss [stops]; NaN beyond rescue.
    best
        The same where nothing helps as well [stops].
    ended_by
        What ends the compensation at ``best``, lost or not; index into ``STATUSES``.
    room_marked
        More exposure from the marked speed on until the scene's highlights begin to lose [stops]; NaN where the film's
        readings end before that.
    snr_kept, snr_given
        Signal-to-noise of the shadow at the marked speed and at ``best``, over that of the clean shadow [1].
    contrast_clean, contrast_fogged
        Mean gradient over the 1.30 log units above the shadow point at the marked speed (reversal: from shadow to
        highlight point) [density per log unit].
    verdict
        Key of ``VERDICTS``, at ``best``.
    status
        Index into ``STATUSES``.
    decides
        Index of the record that loses most.
    records
        Answers of every record.
    """

    fog_density: FloatArray
    stops: dict[str, FloatArray]
    needed: FloatArray
    given: FloatArray
    best: FloatArray
    ended_by: NDArray[np.intp]
    room_marked: FloatArray
    snr_kept: FloatArray
    snr_given: FloatArray
    contrast_clean: FloatArray
    contrast_fogged: FloatArray
    verdict: NDArray[np.str_]
    status: NDArray[np.intp]
    decides: NDArray[np.intp]
    records: tuple[RecordCriteria, ...] | tuple[ReversalLoss, ...]

    @property
    def room_left(self) -> FloatArray:
        """Highlight room after the compensation given [stops]."""
        return np.asarray(np.maximum(self.room_marked - np.nan_to_num(self.given), 0.0))

    @property
    def status_names(self) -> NDArray[np.str_]:
        """Keys of ``STATUSES``."""
        return np.asarray(tuple(STATUSES))[self.status]


def verdict_of(shadow_kept: FloatArray, contrast_kept: FloatArray) -> NDArray[np.str_]:
    """What a roll is worth: "good", "usable", "poor" or "lost", by the worse of shadows and contrast.

    Parameters
    ----------
    shadow_kept
        Share of the clean shadow's signal-to-noise (reversal: of the usable range) at the exposure given [1].
    contrast_kept
        Mean gradient at the exposure given over the clean one [1].

    Notes
    -----
    The limits are those of ``VERDICTS``; NaN counts as lost.

    Examples
    --------
    >>> verdict_of(np.array([1.0, 0.7, 0.4]), np.array([1.0, 1.0, 1.0])).tolist()
    ['good', 'usable', 'lost']
    """
    shadow, contrast = np.broadcast_arrays(shadow_kept, contrast_kept)
    result = np.full(shadow.shape, "lost", dtype="<U6")
    for name in ("poor", "usable", "good"):
        least_shadow, least_contrast = VERDICTS[name]
        result[(shadow >= least_shadow - 1e-9) & (contrast >= least_contrast - 1e-9)] = name
    return result


def least_kept(question: Question) -> float:
    """Signal-to-noise of the shadow over the clean one, below which a negative is lost [1]."""
    return VERDICTS["poor"][0] * question.snr_target


@lru_cache(maxsize=2048)
def shadow_points(film: Film) -> tuple[float, ...]:
    """Clean shadow point log10 H_m of every record [log10 lx s].

    Negative film: where the record lies its standard's step above its minimum (ISO 6: 0.10, ISO 5800: 0.15).
    Reversal film: where its image is 2.00 above its minimum (ISO 2240), or at 0.9 of its range if it has less.
    """
    points = []
    for name, record in film:
        low, high = float(record.minimum_density()), float(record.maximum_density())
        step = min(ISO2240_SHADOW, 0.9 * (high - low)) if film.reversal else SPEED_POINT[film.kind]
        point = float(record.curve().inverse(low + step))
        if math.isnan(point):
            raise ArgumentError(
                "film", film.label, f"a film whose {name} record rises by {step} or more above its minimum density"
            )
        points.append(point)
    return tuple(points)


@lru_cache(maxsize=256)
def record_solvers(film: Film) -> tuple[RecordSolver, ...]:
    """The solver of every record of a film, all with the nodes of the one that asks for the finest."""
    density = ISO2240_SHADOW if film.reversal else SPEED_POINT[film.kind]
    records = list(zip(film.records, shadow_points(film), strict=True))
    solvers = [record_solver(record, point, density) for record, point in records]
    finest = min(solver.light.step for solver in solvers)
    if all(solver.light.step == finest for solver in solvers):
        return tuple(solvers)
    return tuple(record_solver(record, point, density, step=finest) for record, point in records)


def solve_film(film: Film, kerma_ugy: FloatArray, question: Question) -> FilmSolution:
    """The solution of a film at every effective kerma of an array [uGy]; NaN in gives NaN and "unknown" there.

    ``question.peak_to_mean`` multiplies the kerma: the answer is for the worst band.
    """
    kerma = np.asarray(in_unit("kerma_ugy", kerma_ugy, "uGy"), dtype=np.float64)
    flat = np.ascontiguousarray(kerma.ravel() * question.peak_to_mean)
    solve = _reversal_block if film.reversal else _negative_block
    with one_thread():
        blocks = [solve(film, flat[start : start + _BLOCK], question) for start in range(0, max(flat.size, 1), _BLOCK)]
    solution = blocks[0] if len(blocks) == 1 else _joined(blocks)
    unknown = np.isnan(flat)
    if unknown.any():
        _forget(solution, unknown)
    return solution if kerma.ndim == 1 else _shaped(solution, kerma.shape)


def _arrays(solution: object) -> dict[str, object]:
    fields: dict[str, object] = getattr(solution, "__dataclass_fields__")  # noqa: B009 - a dataclass of any class
    return {name: getattr(solution, name) for name in fields}


def _mapped(values: Sequence[object], change: Callable[[Sequence[Any]], Any]) -> object:
    """Apply a function to like-placed arrays of solutions, through dictionaries and tuples of records."""
    first = values[0]
    if isinstance(first, np.ndarray):
        return change(values)
    if isinstance(first, dict):
        return {name: _mapped([value[name] for value in values], change) for name in first}  # type: ignore[index]
    if isinstance(first, tuple):
        return tuple(_mapped(list(items), change) for items in zip(*values, strict=True))
    if hasattr(first, "__dataclass_fields__"):
        parts = [_arrays(value) for value in values]
        return type(first)(**{name: _mapped([part[name] for part in parts], change) for name in parts[0]})
    return first


def _joined(blocks: list[FilmSolution]) -> FilmSolution:
    joined = _mapped(blocks, np.concatenate)
    assert isinstance(joined, FilmSolution)
    return joined


def _shaped(solution: FilmSolution, shape: tuple[int, ...]) -> FilmSolution:
    shaped = _mapped([solution], lambda arrays: arrays[0].reshape(shape))
    assert isinstance(shaped, FilmSolution)
    return shaped


def _forget(solution: FilmSolution, unknown: NDArray[np.bool_]) -> None:
    def erase(arrays: Sequence[FloatArray]) -> FloatArray:
        if arrays[0].dtype.kind == "f":
            arrays[0][unknown] = np.nan
        return arrays[0]

    _mapped([solution], erase)
    solution.status[unknown] = _CODE["unknown"]


def solve_films(films: Sequence[Film], kerma_ugy: FloatArray, question: Question) -> FilmSolution:
    """The solution of many films, each at one effective kerma [uGy]: :func:`solve_film` row by row, solved together.

    Rows of one film, and negative films whose nodes lie alike, share their calls; numbers agree with those of single
    films to the rounding of matrix products.  All films are of one kind, so that their records can be merged.

    Parameters
    ----------
    films
        One film a row; at least one.
    kerma_ugy
        Effective kerma of every row [uGy; >= 0 or NaN], shape (rows,).
    question
        What is asked of all of them.
    """
    kerma_ugy = np.asarray(in_unit("kerma_ugy", kerma_ugy, "uGy"), dtype=np.float64)
    places: dict[Film, list[int]] = {}
    for row, film in enumerate(films):
        places.setdefault(film, []).append(row)
    parts: list[tuple[list[int], FilmSolution]] = []
    alike: dict[object, list[tuple[Film, tuple[RecordSolver, ...]]]] = {}
    for film, rows in places.items():
        if film.reversal or len(rows) >= _ALONE:
            parts.append((rows, solve_film(film, kerma_ugy[rows], question)))
        else:
            solvers = record_solvers(film)
            alike.setdefault(tuple(map(nodes_of, solvers)), []).append((film, solvers))
    for members in alike.values():
        for start in range(0, len(members), _STACK):
            stacked = members[start : start + _STACK]
            rows = [row for film, _ in stacked for row in places[film]]
            each = [pair for pair in stacked for _ in places[pair[0]]]
            parts.append((rows, _stack_solution(each, kerma_ugy[rows], question)))
    order = np.argsort(np.concatenate([rows for rows, _ in parts]))
    joined = _mapped([part for _, part in parts], lambda arrays: np.concatenate(arrays)[order])
    assert isinstance(joined, FilmSolution)
    return joined


_ALONE = 8  # rows of one film from which on they are solved by themselves
_STACK = 32  # films whose matrices are stacked at once


def _stack_solution(
    films: Sequence[tuple[Film, tuple[RecordSolver, ...]]], kerma_ugy: FloatArray, question: Question
) -> FilmSolution:
    """Negative films with the solvers of their records, each at one kerma."""
    kerma = kerma_ugy * question.peak_to_mean
    known = np.where(np.isnan(kerma), 0.0, kerma)
    solvers = list(zip(*(solvers for _, solvers in films), strict=True))
    hits = [known * np.array([solver.hits_per_ugy for solver in record]) for record in solvers]
    ends = _Ends(*np.array([readings_end(film, question) for film, _ in films]).T)
    with one_thread():
        records = [stack_records(record) for record in solvers]
        highlights = _highlights(records, ends, question.scene_range)
        solution = _negative_rows(records, hits, kerma, highlights, question)
    unknown = np.isnan(kerma)
    if unknown.any():
        _forget(solution, unknown)
    return solution


# -- negatives -----------------------------------------------------------------------------------------------------


def _negative_block(film: Film, kerma: FloatArray, question: Question) -> FilmSolution:
    solvers = record_solvers(film)
    known = np.where(np.isnan(kerma), 0.0, kerma)
    hits = [known * solver.hits_per_ugy for solver in solvers]
    highlights = _film_highlights(film, question)
    return _negative_rows([solver.rows() for solver in solvers], hits, kerma, highlights, question)


def _negative_rows(
    records: Sequence[RecordRows],
    hits: Sequence[FloatArray],
    kerma: FloatArray,
    highlights: _Highlights,
    question: Question,
) -> FilmSolution:
    """Solution of rows, each a film at a dose: of one film at many, or of many films of one kind at one dose each."""
    criteria: list[RecordCriteria] = []
    dark: list[FloatArray] = []
    kept: list[FloatArray] = []
    for rows, dose in zip(records, hits, strict=True):
        found, view = record_criteria(rows, dose, question.snr_target, question.scene_range, question.criterion)
        criteria.append(found)
        dark.append(view.log2_snr)
        kept.append(view.contrast_kept(rows.solver.light))
    light = records[0].solver.light
    step = light.step
    stops = {name: most_of_records([one.stops[name] for one in criteria]) for name in question.criteria}
    log2_snr = least_of_records(dark)
    needed = stops_asked(stops[question.criterion], log2_snr, light, question)
    choice = least_loss(shadow_lost(needed, log2_snr, light, question), highlights.lost, step, question)
    best = np.where(kerma == 0.0, 0.0, choice.stops)
    place = best * LOG10_2 / step
    snr_given = np.where(kerma == 0.0, 1.0, snr_at(log2_snr, best, light))
    verdict = verdict_of(snr_given / question.snr_target, cubic_at(least_of_records(kept), place))
    lost = verdict == "lost"
    restored = is_restored(needed, best, snr_given, question)
    at_end = best >= highlights.ends.shadow - UNSPOKEN
    ended_by = status_codes(restored, at_end, choice.highlight)
    kept_at_marked = [one.snr_kept for one in criteria]
    decides = deciding_record([one.stops[question.criterion] for one in criteria], kept_at_marked, question)
    return FilmSolution(
        fog_density=_pick([one.fog_density for one in criteria], decides),
        stops=stops,
        needed=stops[question.criterion],
        given=np.where(lost, np.nan, best),
        best=best,
        ended_by=ended_by,
        room_marked=np.broadcast_to(highlights.room, kerma.shape).copy(),
        snr_kept=np.min(kept_at_marked, axis=0),
        snr_given=snr_given,
        contrast_clean=_pick([one.contrast_clean for one in criteria], decides),
        contrast_fogged=_pick([one.contrast_fogged for one in criteria], decides),
        verdict=verdict,
        status=np.where(lost, _CODE["beyond_rescue"], ended_by),
        decides=decides,
        records=tuple(criteria),
    )


def stops_asked(needed: FloatArray, log2_snr: FloatArray, light: Light, question: Question) -> FloatArray:
    """What the criterion asks for at every dose [stops], and never less than what saves the roll.

    A criterion of density or gradient knows nothing of noise: at the exposure that it asks for a roll may be lost that
    a stop more would save.  So it asks for half of the shadows' signal-to-noise at least (the limit of ``VERDICTS``),
    where that can be had.  That is the same for any criterion and grows with the dose, so lost is lost at every
    greater dose.
    """
    if question.criterion == "shadow_snr":
        return needed
    least = math.log2(least_kept(question) * (1.0 + _ABOVE))
    saves = first_root(log2_snr[:, light.margin :] - least) * (light.step / LOG10_2)
    return np.maximum(needed, np.nan_to_num(saves))


_ABOVE = 1e-3  # so far above the limit that no rounding loses a roll that is saved


def shadow_lost(needed: FloatArray, log2_snr: FloatArray, light: Light, question: Question) -> FloatArray:
    """Shadow lost at the nodes [stops]: of signal-to-noise, or what is missing to the need by another criterion."""
    if question.criterion == "shadow_snr":
        return shadow_to_win(math.log2(question.snr_target) - log2_snr, light.margin)
    given = np.arange(log2_snr.shape[1] - light.margin) * (light.step / LOG10_2)
    return np.asarray(np.nan_to_num(needed, nan=given[-1])[:, None] - given)


def readings_end(film: Film, question: Question) -> tuple[float, float]:
    """Most compensation at which a film's readings still reach the shadow point, and the scene's highlight [stops].

    Infinite for a film that was not measured, whose shape is typical and has a shoulder; negative where the readings
    end before.
    """
    if film.measured_range is None:
        return math.inf, math.inf
    end = (film.measured_range[1] - max(shadow_points(film))) / LOG10_2
    return end, end - question.scene_range / LOG10_2


def film_highlight_lost(film: Film, log2_highlight: FloatArray, question: Question) -> FloatArray:
    """Highlight lost at nodes from s = 0 on [stops; negative where there is room], as far as it was measured.

    Beyond the readings the highlights are not known: there they count with what they lose where the readings end, and
    not at all when the readings do not reach the highlight of the marked exposure; no guess limits the index.  The
    shadow point itself stays inside the readings.
    """
    return _highlight_lost(log2_highlight, record_solvers(film)[0].light, _film_ends(film, question))


@dataclass(frozen=True, eq=False)
class _Ends:
    """What :func:`readings_end` says, of every row or of all [stops]."""

    shadow: FloatArray
    highlight: FloatArray


def _film_ends(film: Film, question: Question) -> _Ends:
    return _Ends(*(np.array([end]) for end in readings_end(film, question)))


def _highlight_lost(log2_highlight: FloatArray, light: Light, ends: _Ends) -> FloatArray:
    """See :func:`film_highlight_lost`; the rows of one film, or a row for each film."""
    lost = -log2_highlight
    if np.isinf(ends.shadow).all():
        return highlight_lost(lost, light.margin)
    stops = (np.arange(lost.shape[1]) - light.margin) * (light.step / LOG10_2)
    known = np.searchsorted(stops, ends.highlight, side="right")[:, None] - 1
    last = np.broadcast_to(np.clip(known, 0, lost.shape[1] - 1), (lost.shape[0], 1))
    at_end = np.take_along_axis(lost, last, axis=1)
    lost = np.where(np.arange(lost.shape[1]) >= last, np.minimum(at_end, lost), lost)
    lost = np.where(known < light.margin, -ROOM_UNKNOWN, lost)
    result = highlight_lost(lost, light.margin)
    beyond = np.maximum(stops[light.margin :] - np.maximum(ends.shadow, 0.0)[:, None], 0.0)
    return np.asarray(np.where(beyond > 0.0, np.maximum(result, 0.0), result) + _WALL * beyond)


@dataclass(frozen=True, eq=False)
class _Highlights:
    """The highlights of a film, or of a film in each row, which no dose touches.

    ``lost`` at nodes from s = 0 on [stops; negative where there is room], (films, nodes), and ``room`` at the marked
    speed [stops; NaN where it was not measured], (films,).
    """

    ends: _Ends
    lost: FloatArray
    room: FloatArray


def _highlights(records: Sequence[RecordRows], ends: _Ends, scene_range: float) -> _Highlights:
    light = records[0].solver.light
    lost = _highlight_lost(least_of_records([rows.log2_highlight(scene_range) for rows in records]), light, ends)
    room = first_root(lost)
    room[np.isnan(room)] = lost.shape[1] - 1  # all that was looked at where they never lose
    room *= light.step / LOG10_2
    room[room > ends.highlight] = np.nan
    return _Highlights(ends, lost, room)


@lru_cache(maxsize=64)
def _film_highlights(film: Film, question: Question) -> _Highlights:
    rows = [solver.rows() for solver in record_solvers(film)]
    return _highlights(rows, _film_ends(film, question), question.scene_range)


def is_restored(needed: FloatArray, best: FloatArray, snr_given: FloatArray, question: Question) -> NDArray[np.bool_]:
    """Whether the criterion has all that it asks for at the exposure given."""
    if question.criterion == "shadow_snr":
        return np.asarray(snr_given >= question.snr_target * 2.0**-UNSPOKEN)
    return np.asarray(best >= needed - UNSPOKEN)


def status_codes(restored: Any, at_end: Any, highlight: Any) -> NDArray[np.intp]:
    """What ends the compensation, as indices into ``STATUSES``.

    Parameters
    ----------
    restored, at_end
        Whether the criterion has all that it asks for, the exposure stands at the end of the readings.
    highlight
        Highlight lost at the exposure given [stops; negative where there is room].
    """
    names = ("ok", "readings_end", "highlight_limited")
    return np.select(
        [restored, at_end, highlight >= -UNSPOKEN], [_CODE[name] for name in names], _CODE["partly_restored"]
    )


def contrast_kept(film: Film, kerma_ugy: FloatArray, stops: FloatArray, question: Question) -> FloatArray:
    """Mean gradient above an exposure some stops right of the marked one, over the clean one there, at least [1].

    At effective kermas of the worst band [uGy] with one compensation [stops] each, of the record that keeps least.
    """
    least, clicks = _contrast_curves(film, kerma_ugy, question)
    return cubic_at(least, np.atleast_1d(stops) * clicks)


def given_contrast(film: Film, kerma_ugy: FloatArray, stops: FloatArray, question: Question) -> FloatArray:
    """The same for every effective kerma [uGy] at every compensation [stops], shape (kermas, compensations)."""
    least, clicks = _contrast_curves(film, kerma_ugy, question)
    return np.stack([cubic_at(least, np.full(kerma_ugy.shape, given * clicks)) for given in stops], axis=1)


def _contrast_curves(film: Film, kerma_ugy: FloatArray, question: Question) -> tuple[FloatArray, float]:
    """Contrast kept on the nodes of compensation, (kermas, nodes), and how many nodes make a stop."""
    kept, solvers = [], record_solvers(film)
    kerma = np.atleast_1d(in_unit("kerma_ugy", kerma_ugy, "uGy"))
    for solver in solvers:
        hits = kerma * solver.hits_per_ugy
        _, view = record_criteria(solver.rows(), hits, question.snr_target, question.scene_range)
        kept.append(view.contrast_kept(solver.light))
    return least_of_records(kept), LOG10_2 / solvers[0].light.step


def most_kept(film: Film, kerma_ugy: FloatArray, question: Question) -> FloatArray:
    """Most of the clean shadow's signal-to-noise that any exposure within a negative film's readings leaves [1].

    At effective kermas of the worst band [uGy].
    """
    light = record_solvers(film)[0].light
    kerma = np.atleast_1d(np.asarray(in_unit("kerma_ugy", kerma_ugy, "uGy"), dtype=np.float64))
    right = least_of_records([view.log2_snr for view in _views(film, kerma, question)])[:, light.margin :]
    stops = np.arange(right.shape[1]) * (light.step / LOG10_2)
    reached = stops <= max(readings_end(film, question)[0], 0.0)
    return np.asarray(np.exp2(right[:, reached].max(axis=1)))


def _views(film: Film, kerma_ugy: FloatArray, question: Question) -> list[RecordView]:
    """What every record of a negative film shows at effective kermas of the worst band [uGy]."""
    return [
        solver.rows().view(kerma_ugy * solver.hits_per_ugy, question.scene_range) for solver in record_solvers(film)
    ]


def loss_curves(film: Film, kerma_ugy: FloatArray, question: Question) -> tuple[FloatArray, FloatArray, FloatArray]:
    """What a negative film loses against the compensation given, for every effective kerma of an array [uGy].

    Returns
    -------
    Compensation [stops] at its nodes, shadow lost there, shape (doses, nodes), and highlight lost, shape (1, nodes)
    [stops; negative where there is room], as :func:`filmdose.decision.least_loss` takes them.
    """
    kerma = np.atleast_1d(np.asarray(in_unit("kerma_ugy", kerma_ugy, "uGy"), dtype=np.float64)) * question.peak_to_mean
    views = _views(film, kerma, question)
    log2_snr, log2_highlight = (
        least_of_records([getattr(v, name) for v in views]) for name in ("log2_snr", "log2_highlight")
    )
    light = record_solvers(film)[0].light
    needed = solve_film(film, kerma / question.peak_to_mean, question).needed
    needed = stops_asked(needed, log2_snr, light, question)
    shadow = shadow_lost(needed, log2_snr, light, question)
    stops: FloatArray = np.arange(shadow.shape[1], dtype=np.float64) * (light.step / LOG10_2)
    return stops, shadow, film_highlight_lost(film, log2_highlight, question)


def most_of_records(arrays: Sequence[FloatArray]) -> FloatArray:
    """The most of every record, one element a row; NaN, no solution, is most of all."""
    return reduce(np.maximum, arrays)


def least_of_records(arrays: Sequence[FloatArray]) -> FloatArray:
    """The least of every record, on the nodes that all have."""
    count = min(array.shape[1] for array in arrays)
    return reduce(np.minimum, [array[:, :count] for array in arrays])


def deciding_record(need: Sequence[FloatArray], kept: Sequence[FloatArray], question: Question) -> NDArray[np.intp]:
    """Index of the record that loses most: keeps least signal-to-noise, or needs most by another criterion."""
    if len(kept) == 1:
        return np.zeros(kept[0].shape, dtype=np.intp)
    if question.criterion == "shadow_snr":
        return np.asarray(np.argmin(kept, axis=0))
    needs = np.nan_to_num(np.stack(need), nan=np.inf)
    return np.asarray(np.where(np.isinf(needs).all(axis=0), np.argmin(kept, axis=0), np.argmax(needs, axis=0)))


def _pick(arrays: Sequence[FloatArray], decides: NDArray[np.intp]) -> FloatArray:
    return arrays[0] if len(arrays) == 1 else np.asarray(np.choose(decides, arrays))


def snr_at(log2_snr: FloatArray, stops: FloatArray, light: Light) -> FloatArray:
    """Signal-to-noise over the clean one, some stops right of the shadow point, for each row [1]."""
    return np.asarray(np.exp2(cubic_at(log2_snr, stops * (LOG10_2 / light.step) + light.margin)))


# -- reversal film -------------------------------------------------------------------------------------------------


def reversal_verdict(
    losses: Sequence[ReversalLoss], decides: NDArray[np.intp], shadow_kept: FloatArray | None = None
) -> NDArray[np.str_]:
    """Verdict of reversal film, exposed as marked or exposed already.

    The worst of four: usable range and signal-to-noise of the shadow of the record that keeps least, greatest density
    lost of the record that loses most, and contrast of the record that decides.  Range and shadow have the limits of
    ``VERDICTS``, blacks those of ``BLACKS_LOST``.  Lost is a roll by range or contrast alone: coarse shadows and thin
    blacks leave the picture above them (our choice).

    Parameters
    ----------
    losses
        Of every record.
    decides
        Index of the record that decides.
    shadow_kept
        Signal-to-noise that the scene's shadow keeps as the roll was exposed [1]; of the marked exposure if left out.
    """
    range_kept = np.min([1.0 - one.range_stops / one.span_stops for one in losses], axis=0)
    clean, fogged = (_pick([getattr(one, name) for one in losses], decides) for name in _CONTRASTS)
    shadow = np.min([one.snr_kept for one in losses], axis=0) if shadow_kept is None else shadow_kept
    blacks = np.max([one.maximum_density for one in losses], axis=0)
    verdict = verdict_of(range_kept, fogged / clean)
    for better, worse in (("good", "usable"), ("usable", "poor")):
        fails = (shadow < VERDICTS[better][0] - 1e-9) | (blacks > BLACKS_LOST[better] + 1e-9)
        verdict[(verdict == better) & fails] = worse
    return verdict


_CONTRASTS = ("contrast_clean", "contrast_fogged")


def _reversal_block(film: Film, kerma: FloatArray, question: Question) -> FilmSolution:
    solvers = record_solvers(film)
    known = np.where(np.isnan(kerma), 0.0, kerma)
    losses = [reversal_loss(solver.rows(), known * solver.hits_per_ugy) for solver in solvers]
    return _reversal_rows(losses, kerma, question)


def _reversal_rows(losses: Sequence[ReversalLoss], kerma: FloatArray, question: Question) -> FilmSolution:
    decides = np.argmax([one.maximum_density for one in losses], axis=0)
    nothing = np.full(kerma.shape, np.nan)
    kept = np.min([one.snr_kept for one in losses], axis=0)
    clean, fogged = (_pick([getattr(one, name) for one in losses], decides) for name in _CONTRASTS)
    verdict = reversal_verdict(losses, decides)
    lost = verdict == "lost"
    return FilmSolution(
        fog_density=-_pick([one.maximum_density for one in losses], decides),
        stops={name: nothing.copy() for name in question.criteria},
        needed=nothing.copy(),
        given=np.where(lost, np.nan, 0.0),
        best=np.zeros(kerma.shape),
        ended_by=np.full(kerma.shape, _CODE["expose_as_marked"]),
        room_marked=nothing.copy(),
        snr_kept=kept,
        snr_given=kept.copy(),
        contrast_clean=clean,
        contrast_fogged=fogged,
        verdict=verdict,
        status=np.where(lost, _CODE["beyond_rescue"], _CODE["expose_as_marked"]),
        decides=decides,
        records=tuple(losses),
    )
