"""The answer for one roll, and for a grid of films and doses: made here, once, and shown by many.

An answer has an *outcome*: ``compensated`` (an exposure index to set), ``as_marked`` (reversal film, which more
exposure would only thin further) or ``exposed`` (a roll that is exposed already: what is lost, and what
printing and scanning can still do).  A *verdict* stands beside it.
"""

from __future__ import annotations

import html
import math
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.cf import add_flags, dataset_attributes
from filmdose.errors import ArgumentError
from filmdose.exposed import ExposedLoss, exposed_loss
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.names import Outcome, Status, Verdict, WithUnit
from filmdose.question import Question
from filmdose.result import Result
from filmdose.solution import (
    STATUSES,
    UNSPOKEN,
    VERDICTS,
    FilmSolution,
    least_kept,
    most_kept,
    readings_end,
    shadow_points,
    solve_film,
)
from filmdose.solver import RecordCriteria, ReversalLoss
from filmdose.units import exposure_index, format_speed, standard_exposure_index

if TYPE_CHECKING:
    import xarray as xr

__all__ = [
    "OUTCOMES",
    "Answer",
    "answer",
    "answer_grid",
    "answers_of_solution",
    "as_film",
    "film_to_dict",
    "given_stops",
    "unique_labels",
]

OUTCOMES = ("compensated", "as_marked", "exposed")

#: Which end of the scene set the index, by status.
LIMITED_BY: dict[str, str] = {
    "ok": "shadows",
    "partly_restored": "light",
    "highlight_limited": "highlights",
    "readings_end": "readings",
    "beyond_rescue": "nothing helps",
    "expose_as_marked": "highlights",
    "already_exposed": "nothing helps",
    "unknown": "nothing",
}


@dataclass(frozen=True, kw_only=True)
class Answer(Result):
    """The answer for one roll.

    Parameters
    ----------
    film
        The film it is about.
    question
        What was asked.
    kerma_ugy
        Mean effective kerma [uGy]; every figure here is of the worst band, ``question.peak_to_mean`` times as much.
    outcome
        One of ``OUTCOMES``.
    status
        Key of :data:`filmdose.solution.STATUSES`.
    verdict
        "good", "usable", "poor" or "lost" at the exposure given (:func:`filmdose.solution.verdict_of`).
    record
        The record that loses most and decides.
    fog_density
        Density added where no light fell; negative for reversal film [density].
    stops
        Compensation by criterion [stops]; None where no exposure satisfies it.
    needed_stops
        The same by the criterion that was asked for.
    given_stops
        Compensation of least loss [stops]; None where nothing helps or the roll is exposed already.
    ei_exact, ei
        Exposure index, exact and on the printed third-stop scale; None when ``given_stops`` is. For reversal film the
        marked speed.
    room_marked_stops, room_left_stops
        Highlight room at the marked speed and what is left of it at the exposure given [stops]; None if not known.
    highlight_measured
        False where the film's readings end before the scene's highlight: then it does not limit the index.
    snr_kept, snr_given
        Signal-to-noise of the shadow at the marked speed and at the exposure given, over the clean one [1].
    contrast
        Mean gradient over the 1.30 log units above the shadow point at the marked speed (reversal: from shadow to
        highlight point): clean, fogged [density per log unit].
    by_record
        For every record its fog_density, stops by criterion, snr_kept and contrast.
    spread
        Of uneven fog: fog_density, stops and snr_kept under the worst band and at the mean dose; None when even.
    colour_shift
        Of colour film: what fog adds to the density of the shadow point (negative) or of the greatest density
        (reversal) of every record, and the cyan, magenta and yellow filters [0.01 density] whose light makes up for
        the differences; None for black-and-white film.
    reversal
        Of reversal film: greatest density and range of exposure, clean, fogged and lost; None for negatives.
    exposed
        Of an exposed roll: what is lost by zone, and how to print and scan it; None otherwise.
    limited_by
        Which end set the index: "shadows", "light", "highlights", "readings", "nothing helps" or "nothing".
    message
        The answer in one sentence.
    """

    _told_first = ("film", "kerma_ugy", "ei", "verdict", "given_stops", "outcome", "status")

    film: Film
    question: Question
    kerma_ugy: float
    outcome: Outcome
    status: Status
    verdict: Verdict
    record: str
    fog_density: float
    stops: dict[str, float | None]
    needed_stops: float | None
    given_stops: float | None
    ei_exact: float | None
    ei: float | None
    room_marked_stops: float | None
    room_left_stops: float | None
    highlight_measured: bool
    snr_kept: float
    snr_given: float | None
    contrast: dict[str, float]
    by_record: dict[str, dict[str, Any]]
    spread: dict[str, Any] | None
    colour_shift: dict[str, dict[str, float]] | None
    reversal: dict[str, dict[str, float]] | None
    exposed: ExposedLoss | None
    limited_by: str
    message: str

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain numbers and texts, with the film's grain classes: enough to recompute the answer."""
        skipped = ("film", "question", "exposed")
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__ if name not in skipped}
        asked = {name: getattr(self.question, name) for name in self.question.__dataclass_fields__}
        lost = None if self.exposed is None else self.exposed.to_dict()
        return {**asked, **plain, "exposed": lost, "film": film_to_dict(self.film)}

    def __str__(self) -> str:
        lines = [
            self.message,
            f"  verdict           {self.verdict}",
            f"  fog               {self.fog_density:.3f} density",
            f"  shadow SNR kept   {100 * self.snr_kept:.0f} % at ISO {format_speed(self.film.speed)}",
            f"  contrast          {self.contrast['clean']:.3f} clean, {self.contrast['fogged']:.3f} fogged",
        ]
        if self.outcome == "compensated":
            for name, value in self.stops.items():
                chosen = "  <- asked for" if name == self.question.criterion else ""
                lines.append(f"  {name:<20}{_stops_text(value)}{chosen}")
        if self.outcome == "compensated" and self.room_left_stops is not None:
            lines.append(f"  highlight room    {self.room_left_stops:.1f} stops left")
        if self.exposed is not None:
            lines.append(str(self.exposed))
        return "\n".join(lines)

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{html.escape(name)}{' (asked for)' if name == self.question.criterion else ''}</td>"
            f"<td>{_stops_text(value)}</td></tr>"
            for name, value in self.stops.items()
        )
        table = f"<table><tr><th>criterion</th><th>more exposure</th></tr>{rows}</table>"
        lost = "" if self.exposed is None else self.exposed._repr_html_()
        return (
            f"<p><b>{html.escape(self.message)}</b></p>{table if self.outcome == 'compensated' else ''}"
            f"<p>{self.verdict}; fog {self.fog_density:.3f}, shadow signal-to-noise kept {100 * self.snr_kept:.0f} %, "
            f"contrast {self.contrast['clean']:.3f} clean and {self.contrast['fogged']:.3f} fogged</p>{lost}"
        )


def _stops_text(stops: float | None) -> str:
    return "not possible" if stops is None else f"{stops:.2f} stops"


def as_film(film: Film | float) -> Film:
    """The film itself, or the generic black-and-white negative film of a speed [ISO].

    Parameters
    ----------
    film
        A film, or a speed [ISO].

    Returns
    -------
    Film

    Raises
    ------
    ArgumentError
        Neither; a speed out of range.

    Examples
    --------
    >>> as_film(400).speed
    400.0
    """
    return film if isinstance(film, Film) else generic_film(film)


def answer(
    film: Film | float,
    kerma_ugy: WithUnit,
    question: Question | None = None,
    *,
    exposed: bool = False,
    shot_ei: float | None = None,
) -> Answer:
    """What a roll that took a dose needs: the exposure index of least loss, or what is left of an exposed roll.

    Makes ``cost_under (shadow lost + highlight lost) + cost_over s`` least over s stops more exposure
    (:mod:`filmdose.decision`); EI = speed / 2**s.

    Parameters
    ----------
    film
        A :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    kerma_ugy
        Mean effective air kerma at the film [uGy; >= 0]; texts with a unit ("5 mR") and quantities are converted.
    question
        What is asked; :class:`Question` with its defaults when left out.
    exposed
        True for a roll that is exposed already, before the scans or after them.
    shot_ei
        Exposure index that an exposed roll was shot at [ISO]; the marked speed when left out.

    Returns
    -------
    Answer

    Raises
    ------
    ArgumentError
        A value out of range.

    Notes
    -----
    The shadow point is the speed point of the film's standard on the clean curve; compensation is counted from it to
    the right only. Highlights count as lost where the mean gradient over the scene's top stop falls below that of
    the clean shadow point.

    Examples
    --------
    >>> found = answer(800, 0.0)
    >>> found.ei, found.status, found.verdict
    (800.0, 'ok', 'good')
    """
    film, asked = as_film(film), Question() if question is None else question
    kerma = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")
    uneven = asked.peak_to_mean > 1.0
    solution = solve_film(film, np.array([kerma, kerma / asked.peak_to_mean][: 1 + uneven]), asked)
    worst = kerma * asked.peak_to_mean
    decides = int(solution.decides[0])
    status = str(solution.status_names[0])
    given = None if exposed or math.isnan(solution.given[0]) else float(solution.given[0])
    outcome = "exposed" if exposed else "as_marked" if film.reversal else "compensated"
    lost = exposed_loss(film, worst, asked, solution, shot_ei) if exposed else None
    values: dict[str, Any] = {
        "film": film,
        "question": asked,
        "kerma_ugy": kerma,
        "outcome": outcome,
        "status": "already_exposed" if exposed else status,
        "verdict": str(solution.verdict[0]) if lost is None else lost.verdict,
        "record": film.record_names[decides],
        "fog_density": float(solution.fog_density[0]) + 0.0,
        "stops": {key: _or_none(array[0]) for key, array in solution.stops.items()},
        "needed_stops": _or_none(solution.needed[0]),
        "given_stops": given,
        "ei_exact": None if given is None else float(exposure_index(film.speed, given)),
        "ei": None if given is None else standard_exposure_index(film.speed, given),
        "room_marked_stops": _or_none(solution.room_marked[0]),
        "room_left_stops": _or_none(solution.room_left[0]),
        "highlight_measured": (given or 0.0) <= readings_end(film, asked)[1],
        "snr_kept": float(solution.snr_kept[0]),
        "snr_given": None if given is None else float(solution.snr_given[0]),
        "contrast": {"clean": float(solution.contrast_clean[0]), "fogged": float(solution.contrast_fogged[0])},
        "by_record": _by_record(film, solution),
        "spread": _spread(solution, asked.criterion) if uneven else None,
        "colour_shift": _colour_shift(film, worst) if len(film.records) > 1 else None,
        "reversal": _reversal_values(film, solution, worst) if film.reversal else None,
        "exposed": lost,
        "limited_by": "nothing" if kerma == 0.0 and not film.reversal else LIMITED_BY[status],
    }
    message = _sentence(values, solution)
    return Answer(message=message + _not_measured(values), **values)


def _or_none(value: Any) -> float | None:
    number = float(value)
    return None if math.isnan(number) else number


def _by_record(film: Film, solution: FilmSolution) -> dict[str, dict[str, Any]]:
    result = {}
    for name, record in zip(film.record_names, solution.records, strict=True):
        if isinstance(record, ReversalLoss):
            fog, stops = -record.maximum_density[0], dict.fromkeys(solution.stops)
        else:
            assert isinstance(record, RecordCriteria)
            fog, stops = record.fog_density[0], {key: _or_none(array[0]) for key, array in record.stops.items()}
        result[name] = {
            "fog_density": float(fog) + 0.0,
            "stops": stops,
            "snr_kept": float(record.snr_kept[0]),
            "contrast": {"clean": float(record.contrast_clean[0]), "fogged": float(record.contrast_fogged[0])},
        }
    return result


def _spread(solution: FilmSolution, criterion: str) -> dict[str, Any]:
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


def _reversal_values(film: Film, solution: FilmSolution, kerma_ugy: float) -> dict[str, dict[str, float]]:
    """Greatest density and usable range of a reversal film, each of the record that loses most of it.

    The range runs from the highlight point (0.20 above minimum density, ISO 2240) down to where the
    signal-to-noise is that of the clean film's shadow point (2.00 above minimum).
    """
    decides = int(solution.decides[0])
    record, loss = film.records[decides], solution.records[decides]
    assert isinstance(loss, ReversalLoss)
    clean, gone = float(record.maximum_density()), float(loss.maximum_density[0])
    losses = [one for one in solution.records if isinstance(one, ReversalLoss)]
    worst = max(losses, key=lambda one: float(one.range_stops[0]))
    lost = min(float(worst.range_stops[0]), worst.span_stops)
    return {
        "maximum_density": {"clean": clean, "fogged": clean - gone, "lost": gone},
        "range_stops": {"clean": worst.span_stops, "fogged": worst.span_stops - lost, "lost": lost},
    }


# -- the answer in words ---------------------------------------------------------------------------------------------


def _sentence(values: dict[str, Any], solution: FilmSolution) -> str:
    film: Film = values["film"]
    box = f"ISO {format_speed(film.speed)}"
    if values["exposed"] is not None:
        return str(values["exposed"].message)
    kept = f"{100 * values['snr_kept']:.0f} %"
    if film.reversal:
        density, span = values["reversal"]["maximum_density"], values["reversal"]["range_stops"]
        if values["status"] == "beyond_rescue":
            return (
                f"Nothing helps this {box} reversal roll: its blacks are down to {density['fogged']:.2f} from "
                f"{density['clean']:.2f} and its usable range is gone. Use another roll if it matters."
            )
        return (
            f"Expose this {box} reversal roll for the highlights as marked and expect thin blacks: greatest density "
            f"{density['fogged']:.2f} instead of {density['clean']:.2f}, {span['lost']:.1f} of "
            f"{span['clean']:.1f} stops lost at the dark end. More exposure would make it worse."
        )
    if values["status"] == "beyond_rescue":
        return _lost_sentence(box, values, solution)
    ei = format_speed(values["ei"])
    given = values["given_stops"]
    brought = f"{100 * values['snr_given']:.0f} %"
    if values["ei"] == film.speed and values["status"] == "highlight_limited":
        return (
            f"Set EI {ei}, the marked speed of this {box} roll: its shadows keep {kept} of their signal-to-noise, and "
            f"{_ENDED_BY['highlight_limited']}."
        )
    if values["ei"] == film.speed:
        return f"Set EI {ei}: this {box} roll needs no compensation (shadow signal-to-noise kept: {kept})."
    if values["status"] == "highlight_limited":
        return (
            f"Set EI {ei} for this {box} roll and no lower: {given:.2f} stops more exposure bring back {brought} of "
            f"its shadows' signal-to-noise (at the marked speed {kept}); {_ENDED_BY['highlight_limited']}."
        )
    if values["status"] in ("partly_restored", "readings_end"):
        return (
            f"Set EI {ei} for this {box} roll: {given:.2f} stops more exposure bring back {brought} of its shadows' "
            f"signal-to-noise (at the marked speed {kept}); {_ENDED_BY[values['status']]}."
        )
    needed = values["needed_stops"]
    if needed is not None and values["question"].criterion != "shadow_snr" and given > needed + UNSPOKEN:
        return (
            f"Set EI {ei} for this {box} roll: {given:.2f} stops more exposure leave its shadows {brought} of their "
            f"signal-to-noise; the {needed:.2f} stops that the criterion asks for would lose it."
        )
    return (
        f"Set EI {ei} for this {box} roll: {given:.2f} stops more exposure restores its shadows, "
        f"which at the marked speed would keep {kept} of their signal-to-noise."
    )


#: What ends the compensation, by status; a roll may be lost though its shadows are restored.
_ENDED_BY: dict[str, str] = {
    "ok": "its contrast is gone",
    "highlight_limited": "more would cost highlights",
    "readings_end": "the film was not measured further",
    "partly_restored": "more is not worth its light",
}


def _lost_sentence(box: str, values: dict[str, Any], solution: FilmSolution) -> str:
    """Of a negative that is lost at the exposure of least loss: whether at any other as well, and why not there."""
    question: Question = values["question"]
    worst = np.array([values["kerma_ugy"] * question.peak_to_mean])
    best = float(solution.best[0])
    more = f"{best:.1f} stops more exposure would leave its shadows"
    left = f"{_share(float(solution.snr_given[0]))} of their signal-to-noise"
    scene, end = f"a scene of {question.scene_range:g} log units", "Use another roll if it matters."
    if most_kept(values["film"], worst, question)[0] < least_kept(question):
        return f"Nothing helps this {box} roll: even {more} {left}. {end}"
    why = _ENDED_BY[tuple(STATUSES)[int(solution.ended_by[0])]]
    there = "at its marked speed its shadows keep" if best < 0.05 else more  # printed as 0.0
    return f"This {box} roll is lost for {scene}: {there} {left}, and {why}. {end}"


def _not_measured(values: dict[str, Any]) -> str:
    if values["highlight_measured"] or values["outcome"] != "compensated" or values["ei"] is None:
        return ""
    return " The highlight end of this film was not measured: what more exposure does to the highlights is not known."


def _share(value: float) -> str:
    return "less than 1 %" if value < 0.01 else f"{100 * value:.0f} %"


def film_to_dict(film: Film) -> dict[str, Any]:
    """A film as plain numbers; the grain classes of a single record stand at the top level.

    Parameters
    ----------
    film
        The film.

    Returns
    -------
    dict

    Examples
    --------
    >>> film_to_dict(as_film(400))["kind"]
    'bw-negative'
    """
    head = {"kind": film.kind, "speed": film.speed, "name": film.name, "origin": film.origin}
    records = {name: record.to_dict() for name, record in film}
    if len(records) == 1:
        return {**head, **next(iter(records.values()))}
    return {**head, "records": records}


# -- many at once ----------------------------------------------------------------------------------------------------


@overload
def given_stops(film: Film | float, kerma_ugy: Labelled, question: Question | None = ...) -> Labelled: ...
@overload
def given_stops(film: Film | float, kerma_ugy: Numbers, question: Question | None = ...) -> FloatArray: ...
def given_stops(film: Film | float, kerma_ugy: Numeric, question: Question | None = None) -> Any:
    """Compensation to give, for one film and any number of doses; the caller's container.

    Parameters
    ----------
    film
        A :class:`Film`, or a speed [ISO] for the generic black-and-white negative film.
    kerma_ugy
        Effective kerma [uGy; >= 0]: a number, array, Series, DataFrame or DataArray.
    question
        What is asked.

    Returns
    -------
    Stops of least loss; NaN where nothing helps; 0 for reversal film.

    Raises
    ------
    ArgumentError
        A dose is negative.

    Examples
    --------
    >>> bool(given_stops(800, [0.0, 100.0])[1] > 0.5)
    True
    """
    resolved, asked = as_film(film), Question() if question is None else question

    def kernel(kerma: FloatArray) -> FloatArray:
        return solve_film(resolved, check_array("kerma_ugy", kerma, low=0.0, unit="uGy"), asked).given

    said = GRID_ATTRIBUTES["given_stops"]
    return elementwise(kernel, kerma_ugy, units=[("kerma_ugy", "uGy")], name="given_stops", attrs=said)


def answer_grid(films: Sequence[Film | float], kerma_ugy: Any, question: Question | None = None) -> xr.Dataset:
    """The answers for every film at every dose.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Effective kerma [uGy; >= 0], one-dimensional; NaN gives NaN there.
    question
        What is asked.

    Returns
    -------
    Dataset with dimensions ``film`` and ``kerma_ugy`` (and ``criterion`` for ``stops``), units in the
    attributes.  ``ei`` is NaN where nothing helps (status "beyond_rescue") or the dose is NaN (status "unknown").
    The labels along ``film`` are unique.

    Raises
    ------
    ArgumentError
        No films, doses that are not one-dimensional or are below 0.

    Examples
    --------
    >>> grid = answer_grid([100, 800], [0.0, 100.0])
    >>> grid["ei"].sel(kerma_ugy=0.0).values.tolist()
    [100.0, 800.0]
    """
    import xarray as xr

    asked = Question() if question is None else question
    resolved, kerma, rows = grid_rows(films, kerma_ugy, asked)
    dims = ("film", "kerma_ugy")
    data: dict[str, tuple[tuple[str, ...], Any, dict[str, str]]] = {
        key: ((*dims, "criterion") if key == "stops" else dims, np.stack([row[key] for row in rows]), attributes)
        for key, attributes in GRID_ATTRIBUTES.items()
    }
    made = xr.Dataset(
        data,
        coords={
            "film": ("film", unique_labels([film.label for film in resolved]), {"long_name": "film"}),
            "kind": ("film", [film.kind for film in resolved], {"long_name": "kind of film"}),
            "speed": ("film", [film.speed for film in resolved], {"units": "1", "long_name": "marked speed, ISO"}),
            "kerma_ugy": ("kerma_ugy", kerma, {"units": "uGy", "long_name": "effective air kerma at the film"}),
            "criterion": ("criterion", [str(name) for name in asked.criteria], {"long_name": "criterion"}),
        },
        attrs={name: _attribute(getattr(asked, name)) for name in asked.__dataclass_fields__},
    )
    origins = sorted({f"{film.label} ({film.origin or 'origin not given'})" for film in resolved})
    said = {"film": ", ".join(origins), "beam": "a kerma is effective, of 140 kVp behind 3 mm of aluminium"}
    return add_flags(made).assign_attrs(dataset_attributes("filmdose.answer_grid", said))


def _attribute(value: Any) -> Any:
    """A value as files of arrays take it: the name of a criterion that carries a function is a plain text there."""
    return str(value) if isinstance(value, str) else value


_GRID: dict[str, Callable[[float | FloatArray, FilmSolution], Any]] = {
    "fog_density": lambda _, found: found.fog_density,
    "stops": lambda _, found: np.stack(list(found.stops.values()), axis=-1),
    "needed_stops": lambda _, found: found.needed,
    "given_stops": lambda _, found: found.given,
    "ei_exact": lambda speed, found: exposure_index(speed, found.given),
    "ei": lambda speed, found: standard_exposure_index(speed, found.given),
    "room_marked_stops": lambda _, found: found.room_marked,
    "room_left_stops": lambda _, found: found.room_left,
    "snr_kept": lambda _, found: found.snr_kept,
    "snr_given": lambda _, found: found.snr_given,
    "contrast_fogged": lambda _, found: found.contrast_fogged,
    "verdict": lambda _, found: found.verdict,
    "status": lambda _, found: found.status_names,
}


def grid_row(film: Film, kerma_ugy: FloatArray, question: Question, names: Iterable[str]) -> dict[str, Any]:
    """Answers of one film at an array of doses [uGy], by the names of ``GRID_ATTRIBUTES``."""
    return answers_of_solution(film.speed, solve_film(film, kerma_ugy, question), names)


def answers_of_solution(speed: float | FloatArray, found: FilmSolution, names: Iterable[str]) -> dict[str, Any]:
    """Answers of a solution by the names of ``GRID_ATTRIBUTES``; ``speed`` [ISO] of the film, or of every row.

    Parameters
    ----------
    speed
        Of the film, or of every row [ISO].
    found
        The solution of its doses.
    names
        Which of ``GRID_ATTRIBUTES``.

    Returns
    -------
    dict
        Arrays by name.
    """
    return {name: _GRID[name](speed, found) for name in names}


def grid_rows(
    films: Sequence[Film | float], kerma_ugy: Any, question: Question
) -> tuple[list[Film], FloatArray, list[dict[str, Any]]]:
    """The films, the doses [uGy] and one row of answers a film, checked: what :func:`answer_grid` is made of."""
    kerma = np.atleast_1d(check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy"))
    if kerma.ndim != 1:
        raise ArgumentError("kerma_ugy", kerma.shape, "a one-dimensional sequence [uGy]")
    resolved = [as_film(film) for film in films]
    if not resolved:
        raise ArgumentError("films", films, "at least one film or speed")
    return resolved, kerma, [grid_row(film, kerma, question, GRID_ATTRIBUTES) for film in resolved]


def unique_labels(labels: Sequence[str]) -> list[str]:
    """The labels, those that stand twice with a number behind them: no two films share a column.

    Parameters
    ----------
    labels
        Names of films.

    Returns
    -------
    list of str
        As many.

    Examples
    --------
    >>> unique_labels(["ISO 400", "ISO 400", "ISO 800"])
    ['ISO 400 (1)', 'ISO 400 (2)', 'ISO 800']
    """
    if isinstance(labels, (str, bytes)) or not all(isinstance(label, str) for label in labels):
        raise ArgumentError("labels", labels, "a sequence of texts")
    seen: dict[str, int] = {}
    result = []
    for label in labels:
        seen[label] = seen.get(label, 0) + 1
        result.append(label if labels.count(label) == 1 else f"{label} ({seen[label]})")
    return result if len(set(result)) == len(result) else unique_labels(result)


GRID_ATTRIBUTES: dict[str, dict[str, str]] = {
    "fog_density": {"units": "1", "long_name": "fog density"},
    "stops": {"units": "1", "long_name": "compensation by criterion, stops"},
    "needed_stops": {"units": "1", "long_name": "compensation needed, stops"},
    "given_stops": {"units": "1", "long_name": "compensation given, stops"},
    "ei_exact": {"units": "1", "long_name": "exposure index"},
    "ei": {"units": "1", "long_name": "exposure index on the third-stop scale"},
    "room_marked_stops": {"units": "1", "long_name": "highlight room at the marked speed, stops"},
    "room_left_stops": {"units": "1", "long_name": "highlight room left, stops"},
    "snr_kept": {"units": "1", "long_name": "shadow signal-to-noise kept at the marked speed"},
    "snr_given": {"units": "1", "long_name": "shadow signal-to-noise at the exposure given"},
    "contrast_fogged": {"units": "1", "long_name": "mean gradient at the marked speed, density per log unit"},
    "verdict": {"long_name": f"verdict: {', '.join(VERDICTS)}"},
    "status": {"long_name": f"status: {', '.join(STATUSES)}"},
}


hold_to_annotations(globals())
