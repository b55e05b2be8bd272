"""From fog to the exposure index: the answer for one roll, and for a grid of films and doses.

Compensation [stops] = log2 of how much more exposure the fogged film needs so
that its shadow point is again as good as on the clean film; EI = speed / 2**stops.
Four meanings of "as good" are computed side by side (``CRITERIA``).  Then the
other end is looked at: the scene spans 2.2 log units above the shadow point, and
the exposure index is capped where its highlights would leave the curve.

Every record of a colour film is solved; the one that needs most decides.  Reversal
film cannot be helped by exposure: fog lowers its greatest density, and more
exposure lowers it further, so it is exposed as marked and the loss is reported.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from filmdose.arrays import FloatArray, Numeric, check_array, check_number, elementwise
from filmdose.emulator import emulator
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.solver import CRITERIA, DENSITY_STEP, RecordProblem, RecordSolution, record_problem
from filmdose.units import LOG10_2, exposure_index, format_speed, standard_exposure_index
from filmdose.words import stops_text

__all__ = [
    "DEFAULT_CRITERION",
    "SCENE_RANGE",
    "STATUS_SENTENCES",
    "Compensation",
    "check_options",
    "compensate",
    "compensation_grid",
    "criterion_name",
    "needed_stops",
    "scene_range_from_readings",
]

DEFAULT_CRITERION = "shadow_snr"

#: Mean luminance range of outdoor scenes, 160:1 [log units] (Jones & Condit 1941).
SCENE_RANGE = 2.2

#: ISO 2240: image densities above the minimum that define a reversal film's speed.
REVERSAL_SHADOW, REVERSAL_HIGHLIGHT = 2.00, 0.20

STATUS_SENTENCES: dict[str, str] = {
    "ok": "the exposure index restores the shadows",
    "partly_restored": "the last of the shadows cannot be had, or costs too much; the index gives 0.90 of the best",
    "highlight_limited": "full restoration would lose the highlights; the exposure index stops at their limit",
    "beyond_rescue": "no exposure restores the shadows, or not half of them by signal-to-noise",
    "expose_as_marked": "reversal film: more exposure would make it worse; expose for the highlights as marked",
}
_STATUS = tuple(STATUS_SENTENCES)

#: Which end of the scene set the exposure index, by status.
LIMITED_BY: dict[str, str] = {
    "ok": "shadows",
    "partly_restored": "shadows",
    "highlight_limited": "highlights",
    "beyond_rescue": "nothing helps",
    "expose_as_marked": "highlights",
}


def criterion_name(criterion: str) -> str:
    """Check the name of a criterion; hyphens may stand for underscores."""
    name = criterion.replace("-", "_") if isinstance(criterion, str) else criterion
    if name not in CRITERIA:
        raise UnknownNameError("criterion", criterion, CRITERIA)
    return name


def scene_range_from_readings(shadow_ev: float, highlight_ev: float) -> float:
    """Scene range [log10 units] from two meter readings [EV]: (highlight - shadow) log10 2.

    Raises
    ------
    ArgumentError
        The highlight does not read at least one stop above the shadow, or more than 13 stops.

    Examples
    --------
    >>> round(scene_range_from_readings(7.0, 14.3), 3)
    2.198
    """
    shadow = check_number("shadow_ev", shadow_ev, unit="EV")
    highlight = check_number(
        "highlight_ev",
        highlight_ev,
        low=shadow + 1.0,
        high=shadow + 13.0,
        unit="EV",
        action="The highlight must read 1 to 13 stops above the shadow.",
    )
    return (highlight - shadow) * LOG10_2


@dataclass(frozen=True, kw_only=True)
class Compensation:
    """The answer for one roll.

    Parameters
    ----------
    film
        The film it is about.
    kerma_ugy
        Mean effective kerma [uGy].
    peak_to_mean
        Fog of the worst band over the mean; every figure here is of the worst band [1].
    criterion
        What ``ei`` restores, a key of ``CRITERIA``.
    snr_target
        Fraction of the clean signal-to-noise that counts as restored [1].
    scene_range
        Scene, from shadow point to highlight [log10 units].
    record
        The record that needs most and decides.
    fog_density
        Density added where no light fell [density].
    stops
        Compensation by criterion [stops]; None where no exposure satisfies it.
    ei_exact, ei
        Exposure index, exact and on the printed third-stop scale, rounded towards more exposure; None when
        nothing restores the shadows.  By signal-to-noise it goes for 0.90 of the best that the fogged film can give
        where that is less than the target.
    highlight_room_stops
        Stops between the scene's highlight, at ``ei_exact``, and the end of the useful curve; None if none.
    snr_kept
        Signal-to-noise of the shadow point at the marked speed over that of the clean film [1].
    snr_restored
        The same at ``ei_exact`` [1]; None when nothing restores the shadows.
    snr_best, ei_best
        Best shadow signal-to-noise that any exposure within the highlight room gives, over the clean one, and
        the exact index that gives it.
    contrast
        Mean gradient over the 1.30 log units above the shadow point at the marked speed: clean, fogged.
    by_record
        For every record its fog_density, stops by criterion, snr_kept and contrast.
    spread
        Of uneven fog: fog_density, stops and snr_kept under the worst band and at the mean dose; None when even.
    colour_shift
        Of colour film: what fog adds to the density of the shadow point (colour negative) or to the greatest density
        (reversal) of every record, and the cyan, magenta and yellow filters [0.01 density] whose light makes up
        for the differences; None for black-and-white film.
    reversal
        Of reversal film: greatest density and range of exposure, clean and fogged; None for negatives.
    limited_by
        Which end of the scene set the index.
    status
        Key of ``STATUS_SENTENCES``.
    message
        The answer in one sentence.
    """

    film: Film
    kerma_ugy: float
    peak_to_mean: float
    criterion: str
    snr_target: float
    scene_range: float
    record: str
    fog_density: float
    stops: dict[str, float | None]
    ei_exact: float | None
    ei: float | None
    highlight_room_stops: float | None
    snr_kept: float
    snr_restored: float | None
    snr_best: float
    ei_best: float
    contrast: dict[str, float]
    by_record: dict[str, dict[str, Any]]
    spread: dict[str, Any] | None
    colour_shift: dict[str, dict[str, float]] | None
    reversal: dict[str, dict[str, float]] | None
    limited_by: str
    status: str
    message: str

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers and texts, with the film's grain classes: enough to recompute the answer."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "film"}
        return {**plain, "film": film_to_dict(self.film)}

    def __str__(self) -> str:
        lines = [
            self.message,
            f"  fog               {self.fog_density:.3f} density",
            f"  shadow SNR kept   {100 * self.snr_kept:.0f} % at ISO {format_speed(self.film.speed)}",
            f"  contrast          {self.contrast['clean']:.3f} clean, {self.contrast['fogged']:.3f} fogged",
        ]
        for name, value in self.stops.items():
            chosen = "  <- used" if name == self.criterion and value is not None else ""
            lines.append(f"  {name:<20}{stops_text(value)}{chosen}")
        if self.highlight_room_stops is not None:
            lines.append(f"  highlight room    {self.highlight_room_stops:.1f} stops")
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{html.escape(name)}{' (used)' if name == self.criterion else ''}</td>"
            f"<td>{stops_text(value)}</td></tr>"
            for name, value in self.stops.items()
        )
        return (
            f"<p><b>{html.escape(self.message)}</b></p>"
            f"<table><tr><th>criterion</th><th>more exposure</th></tr>{rows}</table>"
            f"<p>fog {self.fog_density:.3f}, shadow signal-to-noise kept {100 * self.snr_kept:.0f} %, "
            f"contrast {self.contrast['clean']:.3f} clean and {self.contrast['fogged']:.3f} fogged</p>"
        )


def film_to_dict(film: Film) -> dict[str, Any]:
    """A film as plain numbers; the grain classes of a single record stand at the top level."""
    head = {"kind": film.kind, "speed": film.speed, "name": film.name, "origin": film.origin}
    records = {
        name: {
            "base_density": record.base_density,
            "native_fog": record.native_fog,
            "quanta": record.quanta,
            "hit_exponent": record.hit_exponent,
            "hits_per_ugy": record.hits_per_ugy,
            "reference_log_sensitivity": record.reference_log_sensitivity,
            "rms_granularity": record.rms_granularity,
            "log_sensitivity": record.log_sensitivity.tolist(),
            "weights": record.weights.tolist(),
        }
        for name, record in film
    }
    if len(records) == 1:
        return {**head, **next(iter(records.values()))}
    return {**head, "records": records}


# -- the solver, record by record --------------------------------------------------------------------------------


@lru_cache(maxsize=256)
def shadow_points(film: Film) -> tuple[float, ...]:
    """Clean shadow point log10 H_m of every record.

    Negative film: where the record lies its standard's step above its minimum (ISO 6: 0.10, ISO 5800: 0.15).
    Reversal film: where its image is 2.00 above its minimum (ISO 2240), or at 0.9 of its range if it has less.
    """
    points = []
    for name, record in film:
        low, high = float(record.minimum_density()), float(record.maximum_density())
        step = min(REVERSAL_SHADOW, 0.9 * (high - low)) if film.reversal else DENSITY_STEP[film.kind]
        point = float(record.curve().inverse(low + step))
        if math.isnan(point):
            raise ArgumentError(
                "film", film.label, f"a film whose {name} record rises by {step} or more above its minimum density"
            )
        points.append(point)
    return tuple(points)


def record_problems(film: Film) -> tuple[RecordProblem, ...]:
    """The solver's problem for every record of a negative film."""
    if film.reversal:
        raise ArgumentError("film", film.label, "a negative film", "Reversal film cannot be compensated by exposure.")
    step = DENSITY_STEP[film.kind]
    return tuple(
        record_problem(record, point, step) for record, point in zip(film.records, shadow_points(film), strict=True)
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class _FilmSolution(RecordSolution):
    """Records merged: at each dose the record that needs most decides."""

    records: tuple[RecordSolution, ...]
    contrast_by_record: tuple[float, ...]  # clean
    decides: NDArray[np.intp]  # index of the record
    contrast_clean: FloatArray


def record_solutions(
    film: Film, kerma_ugy: FloatArray, snr_target: float
) -> tuple[tuple[RecordSolution, ...], tuple[float, ...]]:
    """What the solver found for every record of a film of any kind, and each record's clean contrast."""
    if film.reversal:
        points = zip(film.records, shadow_points(film), strict=True)
        lost = [_reversal_record(record, point, kerma_ugy) for record, point in points]
        return tuple(solution for solution, _ in lost), tuple(clean for _, clean in lost)
    problems = record_problems(film)
    solutions = tuple(problem.solve(problem.hits(kerma_ugy), snr_target=snr_target) for problem in problems)
    return solutions, tuple(problem.clean_contrast for problem in problems)


def _solve_film(film: Film, kerma_ugy: FloatArray, criterion: str, snr_target: float) -> _FilmSolution:
    return _merge(*record_solutions(film, kerma_ugy, snr_target), criterion)


def _reversal_record(record: Emulsion, shadow: float, kerma_ugy: FloatArray) -> tuple[RecordSolution, float]:
    """What a reversal record loses at each dose, and its clean contrast; it has no compensation."""
    high = float(record.curve().inverse(record.minimum_density() + REVERSAL_HIGHLIGHT))
    span = high - shadow

    def contrast(kerma: FloatArray) -> FloatArray:
        return np.asarray((record.density(shadow, kerma) - record.density(high, kerma)) / span)

    nothing = np.full(kerma_ugy.shape, np.nan)
    kept = _in_parts(lambda k: record.signal_to_noise(shadow, k) / record.signal_to_noise(shadow), kerma_ugy)
    return RecordSolution(
        fog_density=_in_parts(record.fog_density, kerma_ugy),
        stops=dict.fromkeys(CRITERIA, nothing),
        snr_kept=kept,
        contrast_fogged=_in_parts(contrast, kerma_ugy),
        highlight_end=nothing,
        usable_stops=nothing,
        restorable_snr=nothing,
    ), float(contrast(np.asarray(0.0)))


def _in_parts(function: Callable[[FloatArray], Any], values: FloatArray, size: int = 65536) -> FloatArray:
    """Apply a function that needs a row of classes for each element, without all rows in memory at once."""
    flat = values.ravel()
    parts = [np.asarray(function(flat[start : start + size])) for start in range(0, flat.size, size)]
    return (np.concatenate(parts) if parts else np.empty(0)).reshape(values.shape)


def _merge(solutions: Sequence[RecordSolution], clean: Sequence[float], criterion: str) -> _FilmSolution:
    """One answer for the film: the record that needs most by the criterion, or keeps least, decides."""
    if len(solutions) == 1:
        only, shape = solutions[0], solutions[0].fog_density.shape
        return _FilmSolution(
            records=(only,),
            contrast_by_record=tuple(clean),
            decides=np.zeros(shape, dtype=np.intp),
            contrast_clean=np.full(shape, clean[0]),
            **{name: getattr(only, name) for name in only.__dataclass_fields__},
        )
    need = np.stack([np.where(np.isnan(s.stops[criterion]), np.inf, s.stops[criterion]) for s in solutions])
    kept = np.stack([s.snr_kept for s in solutions])
    decides = np.where(np.isinf(need).all(axis=0), np.argmin(kept, axis=0), np.argmax(need, axis=0))

    def pick(arrays: Sequence[FloatArray]) -> FloatArray:
        return np.asarray(np.take_along_axis(np.stack(arrays), decides[None], axis=0)[0])

    def worst(arrays: Sequence[FloatArray]) -> FloatArray:
        stacked = np.stack(arrays)
        return np.asarray(np.where(np.isnan(stacked).any(axis=0), np.nan, stacked.max(axis=0)))

    return _FilmSolution(
        records=tuple(solutions),
        contrast_by_record=tuple(clean),
        decides=decides,
        fog_density=pick([s.fog_density for s in solutions]),
        stops={name: worst([s.stops[name] for s in solutions]) for name in CRITERIA},
        snr_kept=np.min(kept, axis=0),
        contrast_clean=np.asarray(clean)[decides],
        contrast_fogged=pick([s.contrast_fogged for s in solutions]),
        highlight_end=np.min([s.highlight_end for s in solutions], axis=0),
        usable_stops=worst([s.usable_stops for s in solutions]),
        restorable_snr=np.min([s.restorable_snr for s in solutions], axis=0),
    )


def _highlight_limit(room_stops: FloatArray) -> FloatArray:
    """Most compensation that the highlights allow; without a limit where no gradient is enough to speak of room."""
    return np.where(np.isnan(room_stops), np.inf, np.maximum(room_stops, 0.0))


def exposure_index_from(speed: float, stops: FloatArray, room_stops: FloatArray) -> FloatArray:
    """Exact exposure index for needed stops, capped by the highlight room at the marked speed; NaN stays."""
    return np.asarray(exposure_index(speed, np.minimum(stops, _highlight_limit(room_stops))))


def _recommend(
    film: Film, solution: _FilmSolution, criterion: str, snr_target: float, scene_range: float
) -> tuple[FloatArray, FloatArray, NDArray[np.intp]]:
    """Stops to give, highlight room left after them [stops], and the index of the status, elementwise."""
    raw = solution.stops[criterion]
    if film.reversal:
        known = ~np.isnan(solution.fog_density)
        as_marked = np.where(known, 0.0, np.nan)
        return as_marked, np.full(raw.shape, np.nan), np.full(raw.shape, _STATUS.index("expose_as_marked"))
    wanted = solution.wanted(criterion, snr_target)
    room = (solution.highlight_end - scene_range) / LOG10_2
    limit = _highlight_limit(room)
    status = np.select(
        [np.isnan(wanted), wanted > limit, ~(wanted >= raw)],
        [_STATUS.index(name) for name in ("beyond_rescue", "highlight_limited", "partly_restored")],
        _STATUS.index("ok"),
    )
    given = np.minimum(wanted, limit)
    return given, room - np.nan_to_num(given), status


# -- one roll ------------------------------------------------------------------------------------------------------


def compensate(
    film: Film | float,
    kerma_ugy: float,
    *,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
    peak_to_mean: float = 1.0,
) -> Compensation:
    """Exposure index for an unexposed roll that took a dose.

    stops = log2(H_fogged / H_clean) of the shadow point by the criterion;
    EI = speed / 2**stops, at most so much that the scene's highlight stays on the curve.

    Parameters
    ----------
    film
        A :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    kerma_ugy
        Mean effective air kerma at the film [uGy; >= 0].
    criterion
        "fixed_density", "fractional_gradient", "shadow_gradient" or "shadow_snr".
    snr_target
        Fraction of the clean signal-to-noise to restore [above 0, to 1].
    scene_range
        From shadow point to highlight [log10 units; 0.3 to 4].
    peak_to_mean
        Fog under the worst band over the mean [1; >= 1]; the worst band decides.

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range, an unknown criterion.

    Notes
    -----
    The highlight end of the useful curve is where the gradient has fallen back to
    what the clean film has at its shadow point: both ends of the scene are held to
    the same least gradient.

    Examples
    --------
    >>> answer = compensate(800, 100.0)
    >>> answer.status, answer.ei  # regression value
    ('ok', 400.0)
    """
    if not isinstance(film, Film):
        film = generic_film(film)
    name, target, span = check_options(criterion, snr_target, scene_range)
    kerma = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")
    peak = check_number("peak_to_mean", peak_to_mean, low=1.0, high=1000.0)
    solution = _solve_film(film, np.array([kerma * peak, kerma]), name, target)
    given, room, status_index = _recommend(film, solution, name, target, span)
    status = _STATUS[int(status_index[0])]
    used = _or_none(given[0])
    decides = int(solution.decides[0])
    snr_ratio = _shadow_snr_ratio(film, decides, kerma * peak)
    best_stops = 0.0 if film.reversal else _best_stops(snr_ratio, _or_none(room[0]), used)
    values: dict[str, Any] = {
        "film": film,
        "kerma_ugy": kerma,
        "peak_to_mean": peak,
        "criterion": name,
        "snr_target": target,
        "scene_range": span,
        "record": film.record_names[decides],
        "fog_density": float(solution.fog_density[0]),
        "stops": {key: _or_none(array[0]) for key, array in solution.stops.items()},
        "ei_exact": None if used is None else float(exposure_index(film.speed, used)),
        "ei": None if used is None else _marked_index(film, used),
        "highlight_room_stops": _or_none(room[0]),
        "snr_kept": float(solution.snr_kept[0]),
        "snr_restored": None if used is None else float(snr_ratio(np.asarray(used))),
        "snr_best": float(snr_ratio(np.asarray(best_stops))),
        "ei_best": float(exposure_index(film.speed, best_stops)),
        "contrast": {"clean": float(solution.contrast_clean[0]), "fogged": float(solution.contrast_fogged[0])},
        "by_record": _by_record(film, solution),
        "spread": _spread(solution, name) if peak > 1.0 else None,
        "colour_shift": _colour_shift(film, kerma * peak) if len(film.records) > 1 else None,
        "reversal": _reversal_loss(film, kerma * peak) if film.reversal else None,
        "limited_by": "nothing" if kerma == 0.0 and not film.reversal else LIMITED_BY[status],
        "status": status,
    }
    return Compensation(message=_sentence(values, used), **values)


def check_options(criterion: str, snr_target: float, scene_range: float) -> tuple[str, float, float]:
    """Check what an exposure index is asked to do: criterion, fraction of signal-to-noise, scene range."""
    return (
        criterion_name(criterion),
        check_number("snr_target", snr_target, low=0.0, low_open=True, high=1.0),
        check_number("scene_range", scene_range, low=0.3, high=4.0, unit="log10 units"),
    )


def _or_none(value: Any) -> float | None:
    number = float(value)
    return None if math.isnan(number) else number


def _marked_index(film: Film, stops: float) -> float:
    """The index on the printed scale; a film that needs nothing keeps the number on its box."""
    return film.speed if stops == 0.0 else float(standard_exposure_index(film.speed, stops))


def _by_record(film: Film, solution: _FilmSolution) -> dict[str, dict[str, Any]]:
    records = zip(film.record_names, solution.records, solution.contrast_by_record, strict=True)
    return {
        name: {
            "fog_density": float(record.fog_density[0]),
            "stops": {key: _or_none(array[0]) for key, array in record.stops.items()},
            "snr_kept": float(record.snr_kept[0]),
            "contrast": {"clean": clean, "fogged": float(record.contrast_fogged[0])},
        }
        for name, record, clean in records
    }


def _spread(solution: _FilmSolution, criterion: str) -> dict[str, Any]:
    """Fog and stops under the worst band and at the mean dose."""
    return {
        name: {
            "fog_density": float(solution.fog_density[i]),
            "stops": _or_none(solution.stops[criterion][i]),
            "snr_kept": float(solution.snr_kept[i]),
        }
        for i, name in enumerate(("worst_band", "mean"))
    }


def _colour_shift(film: Film, kerma_ugy: float) -> dict[str, dict[str, float]]:
    """Density that fog adds to every record, and the filters that make up for the differences.

    The red record is seen in red light, which a cyan filter holds back; so the record with the least added
    density gets the most filter of its complementary colour.  Filter values are in 0.01 density.
    """
    added = {}
    for (name, record), point in zip(film, shadow_points(film), strict=True):
        if film.reversal:
            added[name] = float(record.fog_density(kerma_ugy))
        else:
            added[name] = float(record.density(point, kerma_ugy) - record.density(point))
    most = max(added.values())
    complement = {"red": "cyan", "green": "magenta", "blue": "yellow"}
    return {
        "density": added,
        "filters": {complement[name]: 100.0 * (most - value) for name, value in added.items()},
    }


def _reversal_loss(film: Film, kerma_ugy: float) -> dict[str, dict[str, float]]:
    """Greatest density and usable range of a reversal film, clean and fogged, of the record that loses most.

    The range runs from the highlight point (0.20 above minimum density, ISO 2240) down to where the
    signal-to-noise is that of the clean film's shadow point (2.00 above minimum).
    """
    losses = []
    for record, shadow in zip(film.records, shadow_points(film), strict=True):
        highlight = float(record.curve().inverse(record.minimum_density() + REVERSAL_HIGHLIGHT))
        dark_end = _dark_end(record, shadow, highlight, kerma_ugy)
        clean, fogged = float(record.maximum_density()), float(record.maximum_density(kerma_ugy))
        losses.append(
            {
                "maximum_density": {"clean": clean, "fogged": fogged, "lost": clean - fogged},
                "range_stops": {
                    "clean": (highlight - shadow) / LOG10_2,
                    "fogged": (highlight - dark_end) / LOG10_2,
                    "lost": (dark_end - shadow) / LOG10_2,
                },
            }
        )
    return max(losses, key=lambda loss: loss["maximum_density"]["lost"])


def _dark_end(record: Emulsion, shadow: float, highlight: float, kerma_ugy: float) -> float:
    """First log exposure right of the shadow point where the clean shadow's signal-to-noise is reached again."""
    exposures = np.linspace(shadow, highlight, 1 + math.ceil((highlight - shadow) / 0.01))
    excess = record.signal_to_noise(exposures, kerma_ugy) / record.signal_to_noise(shadow) - 1.0
    enough = excess >= -1e-12
    first = int(np.argmax(enough))
    if not enough[first]:
        return highlight
    if first == 0:
        return shadow
    return float(np.interp(0.0, excess[first - 1 : first + 1], exposures[first - 1 : first + 1]))


def _shadow_snr_ratio(film: Film, index: int, kerma_ugy: float) -> Callable[[FloatArray], FloatArray]:
    """Shadow signal-to-noise of the fogged record over the clean one, as a function of stops more exposure."""
    record, point = film.records[index], shadow_points(film)[index]
    clean = record.signal_to_noise(point)

    def ratio(stops: FloatArray) -> FloatArray:
        return np.asarray(record.signal_to_noise(point + stops * LOG10_2, kerma_ugy) / clean)

    return ratio


def _best_stops(ratio: Callable[[FloatArray], FloatArray], room: float | None, used: float | None) -> float:
    """Stops from 0 to the highlight limit at which the shadow signal-to-noise is greatest [to 1/50 stop]."""
    limit = 0.0 if room is None else max(room + (used or 0.0), 0.0)
    candidates = np.linspace(0.0, limit, 1 + math.ceil(50.0 * limit))
    return float(candidates[np.argmax(ratio(candidates))])


def _sentence(values: dict[str, Any], used: float | None) -> str:
    film: Film = values["film"]
    box = f"ISO {format_speed(film.speed)}"
    kept = f"{100 * values['snr_kept']:.0f} %"
    if values["status"] == "expose_as_marked":
        density, span = values["reversal"]["maximum_density"], values["reversal"]["range_stops"]
        return (
            f"Expose this {box} reversal roll for the highlights as marked and expect thin blacks: greatest density "
            f"{density['fogged']:.2f} instead of {density['clean']:.2f}, {span['lost']:.1f} of "
            f"{span['clean']:.1f} stops lost at the dark end. More exposure would make it worse."
        )
    if values["status"] == "beyond_rescue":
        return (
            f"No exposure restores the shadows of this {box} roll by {values['criterion']}: "
            f"the best that the highlights allow, at EI {format_speed(values['ei_best'])}, is "
            f"{100 * values['snr_best']:.2g} % of their clean signal-to-noise. Use another roll if it matters."
        )
    ei = format_speed(values["ei"])
    if values["status"] == "highlight_limited":
        needed = values["stops"][values["criterion"]]
        much = "more than any exposure gives" if needed is None else f"{needed:.1f} stops more"
        return (
            f"Set EI {ei} for this {box} roll and no lower: the shadows would need {much}, "
            f"but the highlights allow {used:.1f} stops."
        )
    if values["status"] == "partly_restored" and values["ei"] == film.speed:
        return (
            f"Set EI {ei}: this {box} roll keeps {kept} of its shadow signal-to-noise at its marked speed, "
            f"and no exposure gives more than {100 * values['snr_best']:.0f} %."
        )
    if values["status"] == "partly_restored":
        whole = values["stops"][values["criterion"]]
        rest = "no exposure restores all of it" if whole is None else f"all of it would take {whole:.1f} stops"
        return (
            f"Set EI {ei} for this {box} roll: {used:.2f} stops more exposure brings "
            f"{100 * values['snr_restored']:.0f} % of its shadow signal-to-noise (at the marked speed {kept}); {rest}."
        )
    if values["ei"] == film.speed:
        return f"Set EI {ei}: this {box} roll needs no compensation (shadow signal-to-noise kept: {kept})."
    return (
        f"Set EI {ei} for this {box} roll: {used:.2f} stops more exposure restores its shadows, "
        f"which at the marked speed would keep {kept} of their signal-to-noise."
    )


def needed_stops(
    film: Film | float,
    kerma_ugy: Numeric,
    *,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    emulated: bool = False,
) -> Any:
    """Compensation to aim at for one film and any number of doses; the caller's container.

    Parameters
    ----------
    film
        A negative :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    kerma_ugy
        Effective kerma [uGy; >= 0]: a number, array, Series, DataFrame or DataArray.
    criterion, snr_target
        As of :func:`compensate`.
    emulated
        Answer from the emulator, within 0.002 stop of the solver and some ten times faster once it is made; outside
        its box the solver answers.

    Returns
    -------
    Stops, not capped by highlight room; NaN where the film is beyond rescue.

    Raises
    ------
    ArgumentError
        A dose is negative, or the film is reversal film, which no exposure helps.

    Examples
    --------
    >>> needed_stops(800, [0.0, 100.0]).round(2).tolist()  # regression value
    [0.0, 0.7]
    """
    if not isinstance(film, Film):
        film = generic_film(film)
    name, target, _ = check_options(criterion, snr_target, SCENE_RANGE)
    problems = record_problems(film)

    def kernel(kerma: FloatArray) -> FloatArray:
        checked = check_array("kerma_ugy", kerma, low=0.0, unit="uGy")
        if emulated:
            found = [emulator(problem, snr_target=target).solve(problem.hits(checked)) for problem in problems]
        else:
            found = [problem.solve(problem.hits(checked), snr_target=target) for problem in problems]
        return np.asarray(np.max([one.wanted(name, target) for one in found], axis=0))

    return elementwise(kernel, kerma_ugy)


# -- a grid of speeds and doses ------------------------------------------------------------------------------------


def compensation_grid(
    films: Sequence[Film | float],
    kerma_ugy: Any,
    *,
    criterion: str = DEFAULT_CRITERION,
    snr_target: float = 1.0,
    scene_range: float = SCENE_RANGE,
) -> xr.Dataset:
    """The answers for every film at every dose.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Effective kerma [uGy; >= 0], one-dimensional; NaN gives NaN there.
    criterion, snr_target, scene_range
        As of :func:`compensate`.

    Returns
    -------
    Dataset with dimensions ``film`` and ``kerma_ugy`` (and ``criterion`` for ``stops``), units in the
    attributes.  ``ei`` is NaN where nothing restores the shadows (status "beyond_rescue") or the dose is NaN
    (status "unknown").
    """
    name, target, span = check_options(criterion, snr_target, scene_range)
    kerma = np.atleast_1d(check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy"))
    if kerma.ndim != 1:
        raise ArgumentError("kerma_ugy", kerma.shape, "a one-dimensional sequence [uGy]")
    resolved = [film if isinstance(film, Film) else generic_film(film) for film in films]
    if not resolved:
        raise ArgumentError("films", films, "at least one film or speed")
    rows: dict[str, list[FloatArray]] = {}
    statuses = []
    stops = []
    for film in resolved:
        solution = _solve_film(film, kerma, name, target)
        given, room, status = _recommend(film, solution, name, target, span)
        for key, array in {
            "fog_density": solution.fog_density,
            "stops_given": given,
            "ei_exact": exposure_index(film.speed, given),
            "ei": np.where(given == 0.0, film.speed, standard_exposure_index(film.speed, given)),
            "highlight_room_stops": room,
            "snr_kept": solution.snr_kept,
            "contrast_fogged": solution.contrast_fogged,
        }.items():
            rows.setdefault(key, []).append(np.asarray(array))
        statuses.append(np.where(np.isnan(kerma), "unknown", np.asarray(_STATUS)[status]))
        stops.append(np.stack([solution.stops[key] for key in CRITERIA], axis=-1))
    dims = ("film", "kerma_ugy")
    data: dict[str, tuple[tuple[str, ...], Any, dict[str, str]]] = {
        key: (dims, np.stack(arrays), _GRID_ATTRIBUTES[key]) for key, arrays in rows.items()
    }
    data["stops"] = ((*dims, "criterion"), np.stack(stops), _GRID_ATTRIBUTES["stops"])
    data["status"] = (dims, np.stack(statuses), {"long_name": "status"})
    return xr.Dataset(
        data,
        coords={
            "film": [film.label for film in resolved],
            "kind": ("film", [film.kind for film in resolved]),
            "speed": ("film", [film.speed for film in resolved], {"units": "ISO", "long_name": "marked speed"}),
            "kerma_ugy": ("kerma_ugy", kerma, {"units": "uGy", "long_name": "effective air kerma at the film"}),
            "criterion": list(CRITERIA),
        },
        attrs={"criterion": name, "snr_target": target, "scene_range": span},
    )


_GRID_ATTRIBUTES: dict[str, dict[str, str]] = {
    "fog_density": {"units": "density", "long_name": "fog density"},
    "stops": {"units": "stops", "long_name": "compensation by criterion"},
    "stops_given": {"units": "stops", "long_name": "compensation given, capped by highlight room"},
    "ei_exact": {"units": "1", "long_name": "exposure index"},
    "ei": {"units": "1", "long_name": "exposure index on the third-stop scale"},
    "highlight_room_stops": {"units": "stops", "long_name": "highlight room left"},
    "snr_kept": {"units": "1", "long_name": "shadow signal-to-noise kept at the marked speed"},
    "contrast_fogged": {"units": "density per log unit", "long_name": "mean gradient at the marked speed"},
}
