"""Draws of films through the solver: rolls whose films share their light matrices are solved together.

A draw changes a film in its hits (one number for each record and roll) and in its shape (b, toe, contrast, course of
the grain, clusters); the shape is made once for each draw and shared by all rolls of a group.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from filmdose.arrays import FloatArray
from filmdose.decision import least_loss
from filmdose.film.generic import calibrated_hits_per_ugy, film_value, is_typical
from filmdose.film.model import Film
from filmdose.film.population import population_rows, record_value
from filmdose.odds.unknowns import LN10, Draws, TripModel
from filmdose.question import Question
from filmdose.solution import (
    deciding_record,
    film_highlight_lost,
    is_restored,
    least_kept,
    least_of_records,
    most_of_records,
    record_solvers,
    reversal_verdict,
    shadow_lost,
    shadow_points,
    snr_at,
    stops_asked,
)
from filmdose.solver import RecordRows, RecordSolver, Shape, record_criteria, reversal_loss

__all__ = ["FilmGroup", "NegativeCases", "ReversalCases", "film_groups", "record_factor", "record_offsets"]


def record_offsets(film: Film) -> tuple[FloatArray, FloatArray]:
    """For every record: its b less the generic one, and ln of its kappa over the generic one; kept in every draw."""
    generic_b, generic_kappa = film_value("model", "hit_exponent"), calibrated_hits_per_ugy()
    ratios = np.array([record.hits_per_ugy / generic_kappa for record in film.records])
    with np.errstate(divide="ignore"):
        return np.array([record.hit_exponent - generic_b for record in film.records]), np.log(ratios)


def record_factor(film: Film, record: str, draws: Draws) -> FloatArray | float:
    """Hits of a record over those of its film in every draw; a film of known curves has its own."""
    return draws.shapes[film.kind][record]["record_factor"] if is_typical(film) else 1.0


@dataclass(frozen=True, kw_only=True, eq=False)
class NegativeCases:
    """What one roll of negative film answers in every draw.

    Parameters
    ----------
    log2_snr
        log2 of the shadow's signal-to-noise against compensation, of the record that keeps least, (draws, nodes).
    shadow, highlight
        Shadow and highlight lost, as :func:`filmdose.decision.least_loss` takes them.
    needed
        What the criterion asks for (:func:`filmdose.solution.stops_asked`) [stops; NaN where no exposure satisfies it];
        0 of signal-to-noise, whose need is read off ``snr_given``.
    best
        Compensation of least loss [stops].
    snr_given
        Signal-to-noise at it over the clean one [1].
    snr_kept, fog_density
        At the marked speed [1; density].
    restored
        Whether the criterion has all that it asks for at ``best``.
    """

    log2_snr: FloatArray
    shadow: FloatArray
    highlight: FloatArray
    needed: FloatArray
    best: FloatArray
    snr_given: FloatArray
    snr_kept: FloatArray
    fog_density: FloatArray
    restored: NDArray[np.bool_]

    def part(self, rows: slice) -> NegativeCases:
        """Some of the draws."""
        values = {name: getattr(self, name) for name in self.__dataclass_fields__}
        return NegativeCases(**{name: value if len(value) == 1 else value[rows] for name, value in values.items()})


@dataclass(frozen=True, kw_only=True, eq=False)
class ReversalCases:
    """What one roll of reversal film loses in every draw; see :class:`filmdose.solver.ReversalLoss`."""

    range_stops: FloatArray
    span_stops: float
    maximum_density: FloatArray
    snr_kept: FloatArray
    lost: NDArray[np.bool_]


@dataclass(frozen=True, kw_only=True, eq=False)
class FilmGroup:
    """Rolls whose films have one family of curves."""

    rolls: tuple[int, ...]
    film: Film  # one of them
    hit_exponent_offset: FloatArray  # (records,)
    log_kappa: FloatArray  # (rolls, records)
    distance: FloatArray  # log sensitivity of the shadow point less z_ref, (rolls, records)

    @cached_property
    def solvers(self) -> tuple[RecordSolver, ...]:
        """Of every record."""
        return record_solvers(self.film)

    def shapes(self, draws: Draws) -> list[RecordRows]:
        """Every record in the shapes of the draws."""
        typical = is_typical(self.film)
        result = []
        records = zip(self.film, self.solvers, self.hit_exponent_offset, strict=True)
        for (name, record), solver, offset in records:
            drawn = draws.shapes[self.film.kind][name]
            shape: dict[str, FloatArray] = {"hit_exponent": draws.hit_exponent + offset}
            if typical:
                _, weights = population_rows(
                    self.film.kind, name, toe=drawn["toe_width"], contrast=drawn["film_contrast"], quanta=record.quanta
                )
                shape["weights"] = weights[:, record.weights > 0.0]
            else:
                shape["log_contrast"] = np.log(drawn["film_contrast"])
            # a film whose grain was measured has its own
            if typical or record.area_exponent == record_value(self.film.kind, name, "area_exponent"):
                shape |= {field: drawn[field] for field in ("area_exponent", "dye_saturation", "noise_floor")}
            if record.cluster_grains == film_value("granularity", "cluster_grains"):
                shape["cluster_grains"] = drawn["cluster_grains"]
            result.append(solver.rows(Shape(**shape)))
        return result

    def hits(self, draws: Draws, column: int) -> list[FloatArray]:
        """Hits at the shadow point of every record of the group's roll number ``column``, under its worst band."""
        roll = self.rolls[column]
        at_reference = draws.log_hits[:, roll] + np.log(draws.peak[:, roll])
        offsets = zip(
            self.film.record_names, self.hit_exponent_offset, self.log_kappa[column], self.distance[column], strict=True
        )
        return [
            np.exp(at_reference + log_kappa + LN10 * (draws.hit_exponent + offset) * distance)
            * record_factor(self.film, name, draws)
            for name, offset, log_kappa, distance in offsets
        ]

    def highlight(self, rows: list[RecordRows], question: Question) -> FloatArray:
        """Highlight lost against compensation, (draws or 1, nodes) [stops]."""
        bright = least_of_records([row.log2_highlight(question.scene_range) for row in rows])
        return film_highlight_lost(self.film, bright, question)

    def negative(
        self, rows: list[RecordRows], highlight: FloatArray, hits: list[FloatArray], question: Question
    ) -> NegativeCases:
        """One roll of negative film in every draw."""
        light = self.solvers[0].light
        dark, fogs, needs = [], [], []
        for row, dose in zip(rows, hits, strict=True):
            if question.criterion == "shadow_snr":
                view = row.view(dose, question.scene_range)
                fogs.append(view.fog_density)
                needs.append(np.zeros(dose.shape))
            else:
                found, view = record_criteria(row, dose, question.snr_target, question.scene_range, question.criterion)
                fogs.append(found.fog_density)
                needs.append(found.stops[question.criterion])
            dark.append(view.log2_snr)
        log2_snr = least_of_records(dark)
        decides = deciding_record(needs, [array[:, light.margin] for array in dark], question)
        needed = stops_asked(most_of_records(needs), log2_snr, light, question)
        shadow = shadow_lost(needed, log2_snr, light, question)
        choice = least_loss(shadow, highlight, light.step, question)
        nothing = most_of_records(hits) == 0.0
        best = np.where(nothing, 0.0, choice.stops)
        snr_given = np.where(nothing, 1.0, snr_at(log2_snr, best, light))
        return NegativeCases(
            restored=is_restored(needed, best, snr_given, question),
            log2_snr=log2_snr,
            needed=needed,
            shadow=shadow,
            highlight=highlight,
            best=best,
            snr_given=snr_given,
            snr_kept=np.where(nothing, 1.0, np.exp2(log2_snr[:, light.margin])),
            fog_density=np.where(nothing, 0.0, np.choose(decides, fogs) if len(fogs) > 1 else fogs[0]),
        )

    def reversal(self, rows: list[RecordRows], hits: list[FloatArray]) -> ReversalCases:
        """One roll of reversal film in every draw: of the record that loses most."""
        losses = [reversal_loss(row, dose) for row, dose in zip(rows, hits, strict=True)]
        verdict = reversal_verdict(losses, np.argmax([loss.maximum_density for loss in losses], axis=0))
        return ReversalCases(
            lost=verdict == "lost",
            range_stops=np.max([loss.range_stops for loss in losses], axis=0),
            span_stops=max(loss.span_stops for loss in losses),
            maximum_density=np.max([loss.maximum_density for loss in losses], axis=0),
            snr_kept=np.min([loss.snr_kept for loss in losses], axis=0),
        )

    def stops(self, draws: Draws, questions: Sequence[Question]) -> Iterator[tuple[int, FloatArray]]:
        """Every roll with its compensation of least loss, or range lost, in every draw; infinite where lost."""
        rows = self.shapes(draws)
        highlights: dict[float, FloatArray] = {}
        for column, roll in enumerate(self.rolls):
            question, hits = questions[roll], self.hits(draws, column)
            if self.film.reversal:
                gone = self.reversal(rows, hits)
                stops, lost = gone.range_stops, gone.lost
            else:
                if question.scene_range not in highlights:
                    highlights[question.scene_range] = self.highlight(rows, question)
                found = self.negative(rows, highlights[question.scene_range], hits, question)
                stops, lost = found.best, lost_cases(found.snr_given, question)
            yield roll, np.where(lost, np.inf, stops)

    def need(self, draws: Draws, roll: int, question: Question) -> FloatArray:
        """Compensation of least loss of one roll in every draw, or range lost of reversal film [stops]; finite."""
        parts = []
        column = self.rolls.index(roll)
        for start in range(0, draws.hit_exponent.size, _ROWS):
            part = draws.part(slice(start, start + _ROWS))
            rows = self.shapes(part)
            hits = self.hits(part, column)
            if self.film.reversal:
                found = self.reversal(rows, hits)
                parts.append(np.minimum(found.range_stops, found.span_stops))
            else:
                parts.append(self.negative(rows, self.highlight(rows, question), hits, question).best)
        return np.concatenate(parts)


_ROWS = 1024


def lost_cases(snr_given: FloatArray, question: Question) -> NDArray[np.bool_]:
    """Draws in which nothing helps: the verdict is "lost"."""
    return np.asarray(snr_given < least_kept(question) - 1e-9)


def film_groups(model: TripModel) -> list[FilmGroup]:
    """The rolls of a trip, those together whose films are of one family: equal but for their speed."""
    members: dict[object, list[int]] = {}
    families = {film: _family(film) for film in dict.fromkeys(roll.film for roll in model.trip.rolls)}
    for index, roll in enumerate(model.trip.rolls):
        members.setdefault(families[roll.film], []).append(index)
    return [_group(model, indexes) for indexes in members.values()]


def _family(film: Film) -> object:
    """What films must share to be solved together: kind, matrices, weights, noise, b of every record."""
    solvers = record_solvers(film)
    parts = [
        (
            solver.light.z.tobytes(),
            solver.light.step,
            solver.weights.tobytes(),
            *(solver.native_fog, record.quanta, record.hit_exponent, record.area_exponent, record.dye_saturation),
            *(round(solver.noise_floor, 9), record.cluster_grains),
        )
        for solver, record in zip(solvers, film.records, strict=True)
    ]
    measured = None if film.measured_range is None else (film.measured_range[1] - max(shadow_points(film)))
    return film.kind, is_typical(film), measured, tuple(parts)


def _group(model: TripModel, indexes: Sequence[int]) -> FilmGroup:
    films = [model.trip.rolls[index].film for index in indexes]
    offsets = {film: record_offsets(film) for film in dict.fromkeys(films)}
    distance = {
        film: [
            -point - record.reference_log_sensitivity
            for record, point in zip(film.records, shadow_points(film), strict=True)
        ]
        for film in offsets
    }
    return FilmGroup(
        rolls=tuple(indexes),
        film=films[0],
        hit_exponent_offset=offsets[films[0]][0],
        log_kappa=np.array([offsets[film][1] for film in films]),
        distance=np.array([distance[film] for film in films]),
    )
