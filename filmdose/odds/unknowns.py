"""A trip with its unknowns: from standard normal scores to the hits that each roll took.

One score stands for each thing that is not known, shared by everything it is
shared by in the world: one dose factor for each scanner visited (and a part of it
common to all scanners of its class), one calibration of fog for all films, one
shield thickness for each pouch.  All rolls of a trip are computed from the same
scores, so that what is learnt from one roll is learnt for the others.

Which scanner a pass went through: the pass's own ``scanner``; else its ``place``;
else, of a scanner that nobody identified, its date; else one scanner for each source
and trip.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.polynomial import Chebyshev

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.errors import ArgumentError, UnknownNameError, did_you_mean
from filmdose.film.generic import calibrated_hits_per_ugy, is_typical
from filmdose.history import History, Pass, pass_air_kerma_ugy, pass_chain
from filmdose.nodes import product
from filmdose.odds.priors import MixturePrior, Prior, Priors, default_priors, source_prior
from filmdose.radiation.background import HARD_BEAM, background_kerma_ugy, flight_kerma_ugy
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.chain import Chain, no_wall_counts
from filmdose.radiation.response import mean_response
from filmdose.radiation.scatter import passage
from filmdose.radiation.shields import thickness_factors
from filmdose.radiation.sources import Source, source_names
from filmdose.result import Result
from filmdose.standards import RECORD_NAMES
from filmdose.trip import Roll, Trip

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["SHAPE_SCORE", "Draws", "Input", "TripModel", "scanner_name", "trip_model"]

LN10 = math.log(10.0)

#: Scores of the inputs that change the shape of a film's curves are cut off here, at one draw in 2000 on either side,
#: so that no draw is a film that nobody makes.
SHAPE_SCORE = 3.5

#: Inputs of the shape of a kind of film (``NAME[KIND]``); the contrast is that of this trip alone.
SHAPE_INPUTS = (
    *("toe_width", "film_contrast", "area_exponent", "dye_saturation", "noise_floor", "cluster_grains"),
    "record_factor",
)

#: Those of them that the records of a colour film have each of its own (``NAME[KIND, RECORD]``).
RECORD_INPUTS = ("toe_width", "area_exponent", "dye_saturation", "noise_floor", "record_factor")

#: Those that a film of known curve has of its own.
GENERIC_INPUTS = ("toe_width", "record_factor")

#: How far beyond its soft and its hard end a beam may be drawn: the law is not known there.
_HARDNESS_LIMIT = 1.5


@dataclass(frozen=True, kw_only=True)
class Input(Result):
    """One unknown, moved by one standard normal score.

    Parameters
    ----------
    name
        Unique in a trip: "hit_exponent", "dose[cabin-ct]" (the class), "dose[cabin-ct @ second]" (the machine),
        "film_factor[...]", "true_speed[...]", "unevenness[roll]", "shield_thickness[lead 0.25 mm]".
    label
        In words.
    prior
        What the score is turned into; of a dose, the prior of the whole dose per pass.
    trip_only
        True when it means nothing on another trip.
    """

    name: str
    label: str
    prior: Prior
    trip_only: bool = False


@dataclass(frozen=True, kw_only=True)
class Draws(Result):
    """Values of a trip's unknowns and what follows from them; first axis draws, second axis rolls.

    Parameters
    ----------
    hit_exponent
        b, shape (n,).
    shapes
        By kind of film, record and name of ``SHAPE_INPUTS``: its values, shape (n,).
    kerma_ugy
        Effective kerma at the emulsion [uGy], mean over the roll.
    air_kerma_ugy
        Air kerma beside the film, where a badge in the bag lies: behind the bag's contents, before cartridge, shields
        and roll [uGy].
    peak
        Worst band over the mean [1].
    log_hits
        ln of the mean hits of a grain of the reference sensitivity z_ref, mean over the roll, for a film whose
        kappa is the generic one; minus infinity without dose.
    """

    hit_exponent: FloatArray
    shapes: dict[str, dict[str, dict[str, FloatArray]]]
    kerma_ugy: FloatArray
    air_kerma_ugy: FloatArray
    peak: FloatArray
    log_hits: FloatArray

    def part(self, rows: slice) -> Draws:
        """Some of the draws."""
        return Draws(
            hit_exponent=self.hit_exponent[rows],
            shapes={
                kind: {
                    record: {name: value[rows] for name, value in drawn.items()} for record, drawn in records.items()
                }
                for kind, records in self.shapes.items()
            },
            kerma_ugy=self.kerma_ugy[rows],
            air_kerma_ugy=self.air_kerma_ugy[rows],
            peak=self.peak[rows],
            log_hits=self.log_hits[rows],
        )


def shape_input(name: str, kind: str, record: str) -> str:
    """Name of an input of a film's shape: one for each record of a colour film, or one for the kind."""
    if name in RECORD_INPUTS and len(RECORD_NAMES[kind]) > 1:
        return f"{name}[{kind}, {record}]"
    return f"{name}[{kind}]"


def scanner_name(part: Pass) -> str:
    """Which machine a pass went through: its scanner, else its place, else one for each source and trip.

    Of a scanner that nobody identified its date tells it as well: another day is taken for another machine.
    """
    told = part.scanner.strip() or part.place.strip()
    if told or part.date is None or not part.resolved_source.mixture:
        return told
    return part.date.isoformat()


class _Arrivals:
    """Fog at the emulsion and air kerma beside the film of one pass, for any hardness, thickness, scatter and eta.

    Five logarithms are kept of every beam (soft, typical, hard) as polynomials in the thickness factor: the two
    response moments of fog, what scatter adds to it, air kerma, and what scatter adds to that.  All are per microgray
    where the kerma stands, and exact at the nodes; the typical beam at the stated thickness is what the history gives.
    """

    _NODES, _WIDE_NODES = 9, 33  # for a thickness as it is stated; for one that spans a factor of more than six

    def __init__(
        self, beams: Sequence[Beam], chain: Callable[[float], Chain], thickness: Prior | None, eta: float
    ) -> None:
        self._curves: list[list[Callable[[FloatArray], Any]]] = []
        factors, domain = np.empty(0), [1.0, 1.0]
        if thickness is not None:
            low, high = (float(thickness.value(score)) for score in (-5.0, 5.0))
            # For a known thickness a point is enough; the fit needs an interval.
            domain = [low, high] if high > low else [0.9 * low, 1.1 * high]
            nodes = self._NODES if high <= 6.0 * low else self._WIDE_NODES
            angles = np.pi * (np.arange(nodes) + 0.5) / nodes
            factors = 0.5 * sum(domain) + 0.5 * (domain[1] - domain[0]) * np.cos(angles)
        for beam in beams:
            stated = _logs_of(beam, chain(1.0), eta)
            if thickness is None:
                self._curves.append([_constant(value) for value in stated])
            else:
                columns = np.transpose([_logs_of(beam, chain(float(factor)), eta) for factor in factors])
                fits = [Chebyshev.fit(factors, column, len(factors) - 1, domain=domain) for column in columns]
                # Exact at the stated thickness, so that what is known gives the history's own figure.
                self._curves.append([fit + (at - float(fit(1.0))) for fit, at in zip(fits, stated, strict=True)])

    def logs(
        self, hardness: FloatArray | None, factor: FloatArray | None, scatter: FloatArray, eta: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """ln of the fog (times the reference beam's response) and of the air kerma per microgray."""
        at = np.ones(1) if factor is None else factor
        values = [np.asarray(curve(at)) for curve in self._curves[-1 if hardness is None else 1]]
        if hardness is not None:
            for end, toward in ((0, np.maximum(-hardness, 0.0)), (2, np.maximum(hardness, 0.0))):
                for place, curve in enumerate(self._curves[end]):
                    values[place] = values[place] + toward * (
                        np.asarray(curve(at)) - np.asarray(self._curves[1][place](at))
                    )
        moments: Any = (np.exp(values[0]), np.exp(values[1]))
        fog = np.log(mean_response(moments, eta)) + (scatter - 1.0) * values[2]
        return np.asarray(fog), np.asarray(values[3] + (scatter - 1.0) * values[4])


def _constant(value: float) -> Callable[[FloatArray], Any]:
    return lambda at: np.full(np.shape(at), value)


def _logs_of(beam: Beam, chain: Chain, eta: float) -> tuple[float, float, float, float, float]:
    """ln of: both response moments, scatter's part of fog, air kerma, scatter's part of it; per microgray."""
    bare = no_wall_counts(beam)
    start, end = (passage(beam, () if bare else layers) for layers in (chain.before, chain.layers))

    def gain(narrow: tuple[float, float], broad: tuple[float, float]) -> float:
        return _log(mean_response(broad, eta)) - _log(mean_response(narrow, eta))

    fog = gain(end.narrow_moments, end.broad_moments) - gain(start.narrow_moments, start.broad_moments)
    # A badge lies in the bag beside the film: cartridge, pouch and roll are not before it.
    beside = passage(beam, () if bare else dict(chain.steps).get("bag", ()))
    air = _log(beside.broad_kerma / start.broad_kerma)
    return (
        _log(end.broad_moments[0] / start.broad_kerma),
        _log(end.broad_moments[1] / start.broad_kerma),
        fog,
        air,
        air - _log(beside.narrow_kerma / start.narrow_kerma),
    )


def _log(value: float) -> float:
    return math.log(max(value, 1e-300))


@dataclass(frozen=True, kw_only=True)
class _Column:
    """Everything that reaches the film from one scanner through the same walls: a typical dose and what moves it."""

    names: tuple[str, ...]  # of the inputs whose factors multiply it
    arrivals: _Arrivals
    thickness: str  # name of the thickness input, "" without shield
    hardness: str  # name of the hardness input, "" for a known beam
    walls: bool


class TripModel:
    """A trip's unknowns and the map from their scores to hits; made by :func:`trip_model`.

    Parameters
    ----------
    trip
        The trip.
    priors
        Its priors.
    alternatives
        As of :func:`trip_model`.

    Notes
    -----
    ``inputs`` are what is unknown and matters to this trip, in a fixed order.
    """

    def __init__(self, trip: Trip, priors: Priors, *, alternatives: bool = False) -> None:
        if not trip.rolls:
            raise ArgumentError("trip", trip.title, "a trip with at least one roll")
        _refuse_misspelt_doses(trip, priors)
        self.trip = trip
        self.priors = priors
        self.alternatives = alternatives
        self._inputs: dict[str, Input] = {}
        self._known: dict[str, float] = {}
        self._doses: dict[str, tuple[Prior, float, str, str]] = {}
        self._points: dict[str, tuple[float, float, float]] = {}
        self._shares: dict[str, float] = {}
        self._columns: list[_Column] = []
        self._places: dict[Any, int] = {}
        entries: dict[tuple[int, int], float] = {}
        peaks: dict[tuple[int, int], float] = {}
        parts: dict[int, list[tuple[int, float, float]]] = {}

        for name in ("calibration_kerma", "hit_exponent"):
            self._add(name, priors[name])
        self.kinds = tuple(dict.fromkeys(roll.film.kind for roll in trip.rolls))
        for kind in self.kinds:
            typical = any(roll.film.kind == kind and is_typical(roll.film) for roll in trip.rolls)
            for name in SHAPE_INPUTS:
                if name in GENERIC_INPUTS and not typical:
                    continue  # a film of known curve has its own
                if name == "record_factor" and len(RECORD_NAMES[kind]) == 1:
                    continue
                prior = kind_prior(priors, kind, name)
                for record in RECORD_NAMES[kind]:
                    key = shape_input(name, kind, record)
                    of_record = f", {record} record" if record in key else ""
                    self._add(key, prior, prior.label + of_record, trip_only=name == "film_contrast")
        for index, roll in enumerate(trip.rolls):
            # rolls that share a history, as the cells of a table do, share what is read off it
            if id(roll.history) not in parts:
                parts[id(roll.history)] = self._parts(roll.history)
            for place, kerma, peak in parts[id(roll.history)]:
                entries[place, index] = entries.get((place, index), 0.0) + kerma
                weighted = kerma * (peak if roll.peak_to_mean is None else roll.peak_to_mean)
                peaks[place, index] = peaks.get((place, index), 0.0) + weighted
        films = ["any film" if alternatives else roll.film.label for roll in trip.rolls]
        self.film_names = tuple(f"film_factor[{film}]" for film in films)
        self.speed_names = tuple(
            f"true_speed[{film}]" if is_typical(roll.film) else "" for film, roll in zip(films, trip.rolls, strict=True)
        )
        for film, factor in zip(films, self.film_names, strict=True):
            self._add(factor, priors["film_factor"], f"fog of {film} over that of its speed")
        for film, speed in zip(films, self.speed_names, strict=True):
            if speed:
                self._add(speed, priors["true_speed"], f"speed of {film} over that on its box")
        self.uneven_names = tuple(f"unevenness[{roll.id}]" if roll.peak_to_mean is None else "" for roll in trip.rolls)
        for roll, name in zip(trip.rolls, self.uneven_names, strict=True):
            if name:
                self._add(name, priors["unevenness"], f"uneven fog of roll {roll.id}", trip_only=True)

        shape = (len(self._columns), len(trip.rolls))
        self._kerma, self._peak_kerma = np.zeros(shape), np.zeros(shape)
        for where, kerma in entries.items():
            self._kerma[where], self._peak_kerma[where] = kerma, peaks[where]
        self.inputs: tuple[Input, ...] = tuple(self._inputs.values())
        self.position = {item.name: place for place, item in enumerate(self.inputs)}
        low, high = (float(priors["hit_exponent"].value(side * SHAPE_SCORE)) for side in (-1.0, 1.0))
        self._log_calibrated = _log_calibration((max(low, 0.0), min(high, 2.0)))

    def __reduce__(self) -> tuple[Callable[..., TripModel], tuple[Trip, Priors]]:
        return partial(TripModel, alternatives=self.alternatives), (self.trip, self.priors)

    def __eq__(self, other: object) -> bool:
        if not isinstance(other, TripModel):
            return NotImplemented
        same = self.trip == other.trip and self.priors == other.priors
        return same and self.alternatives == other.alternatives

    __hash__ = None  # type: ignore[assignment]  # like the priors, which are a mapping

    def __repr__(self) -> str:
        return f"TripModel({len(self.trip.rolls)} rolls, {len(self.inputs)} unknowns)"

    def _repr_html_(self) -> str:
        return self.to_dataframe().to_html(index=False, float_format="{:.4g}".format)

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each unknown: name, label, low, typical, high, unit, trip_only."""
        import pandas as pd

        return pd.DataFrame(
            [
                {
                    "name": item.name,
                    "label": item.label,
                    **{name: getattr(item.prior, name) for name in ("low", "typical", "high", "unit")},
                    "trip_only": item.trip_only,
                }
                for item in self.inputs
            ]
        )

    # -- setting up ---------------------------------------------------------------------------------------------

    def index(self, roll: str) -> int:
        """Place of a roll in its trip."""
        ids = [item.id for item in self.trip.rolls]
        if roll not in ids:
            raise UnknownNameError("roll", roll, ids)
        return ids.index(roll)

    def _add(self, name: str, prior: Prior, label: str = "", *, trip_only: bool = False) -> str:
        if prior.is_known:
            self._known[name] = prior.typical
        elif name not in self._inputs:
            self._inputs[name] = Input(name=name, label=label or prior.label or name, prior=prior, trip_only=trip_only)
        return name

    def _parts(self, history: History) -> list[tuple[int, float, float]]:
        """(place of the column, typical air kerma where it stands, peak to mean) of everything in a history."""
        parts: list[tuple[int, float, float]] = []
        for part in history.passes:
            peak = part.resolved_source.peak_to_mean if part.peak_to_mean is None else part.peak_to_mean
            names = () if part.air_kerma_ugy is not None else self._dose_names(part)
            names += self._held_names(part)
            parts.append((self._add_pass(names, part, history), pass_air_kerma_ugy(part)[1], peak))
        for flight in history.flights:
            names = ("flight_gray_per_sievert", "flight_solar_range")
            for name in names:
                self._add(name, self.priors[name], trip_only=name == "flight_solar_range")
            kerma = flight_kerma_ugy(flight.hours, flight.resolved_altitude_ft, flight.latitude)[1]
            parts.append((self._add_hard(names), kerma, 1.0))
        for shelf in history.storage:
            names = () if shelf.rate_mgy_per_year is not None else ("background",)
            for name in names:
                self._add(name, self.priors[name], trip_only=True)
            kerma = background_kerma_ugy(shelf.days, shelf.rate_mgy_per_year)[1]
            parts.append((self._add_hard(names), kerma, 1.0))
        return parts

    def _dose_names(self, part: Pass) -> tuple[str, ...]:
        """The input of a pass's dose factor; one for its class and one for its machine stand behind it."""
        source, scanner = part.resolved_source, scanner_name(part)
        name = f"dose[{source.name} @ {scanner}]" if scanner else f"dose[{source.name} @ this trip]"
        if name not in self._doses:
            typical = source.air_kerma_typical_ugy
            if typical == 0.0:
                return ()
            prior = source_prior(source, lambda name: self.priors.dose(name, scanner))
            self._doses[name] = (prior, typical, f"dose[{source.name}]", scanner)
            self._points[name] = source.air_kerma_points_ugy
            self._shares[name] = self._share(source)
            if not prior.is_known:
                share = self._share(source)
                machine = scanner or "the one scanner"
                if share > 0.0:
                    self._add(f"dose[{source.name}]", prior, f"dose per pass of the class {source.name}")
                if share < 1.0:
                    label = f"dose per pass of {source.name}, {machine} against its class"
                    self._add(name, prior, label, trip_only=True)
        elif self._points[name] != source.air_kerma_points_ugy:
            raise ArgumentError(
                f"source {source.name}",
                source.air_kerma_points_ugy,
                f"one dose for each scanner, here {self._points[name]} [uGy]",
                "Give another source another name.",
            )
        return (name,)

    def _held_names(self, part: Pass) -> tuple[str, ...]:
        """The input of how much a stopped belt adds: one for each stop that is told."""
        if not part.held_s:
            return ()
        low, typical, high = (part.normal_passes + held for held in part.held_passes)
        where = scanner_name(part) or part.resolved_source.name
        name = f"held[{where}, {part.held_s:g} s, {part.beam_on}, {part.normal_passes:g}]"
        label = f"dose of {part.held_s:g} s held at {where}"
        prior = Prior(low=low / typical, typical=1.0, high=high / typical)
        return (self._add(name, prior, label, trip_only=True),)

    def _add_column(self, key: Any, column: _Column) -> int:
        self._places[key] = len(self._columns)
        self._columns.append(column)
        return self._places[key]

    def _add_pass(self, names: tuple[str, ...], part: Pass, history: History) -> int:
        """Place of the column of a pass; the column is made when it is new."""
        source = part.resolved_source
        ends = (source.beam_soft, source.beam, source.beam_hard)
        key = (names, ends, pass_chain(part, history))
        if (place := self._places.get(key)) is not None:
            return place
        walls = bool(key[2].layers) and not no_wall_counts(source.beam)
        thickness = hardness = ""
        walled = self.priors["shield_thickness"]
        if part.shields and walls:
            text, factors = part.shield_text, thickness_factors(part.shields)
            if factors is not None:
                walled = replace(walled, low=factors[0], typical=1.0, high=factors[1], note="as the shield has it")
            thickness = self._add(f"shield_thickness[{text}]", walled, f"thickness of the shield {text}")
        if walls:
            self._add("shield_scatter", self.priors["shield_scatter"])
        if source.beam_soft is not None and source.beam_hard is not None:
            label = f"beam hardness of {source.name}"
            hardness = self._add(f"beam_hardness[{source.name}]", self.priors["beam_hardness"], label)
        if walls or hardness or source.beam != REFERENCE_BEAM:
            self._add("eta_low", self.priors["eta_low"])
        column = _Column(
            names=names,
            arrivals=_Arrivals(
                [beam for beam in ends if beam is not None] if hardness else [source.beam],
                lambda factor: pass_chain(part, history, thicker=factor),
                walled if thickness else None,
                self.priors["eta_low"].typical,
            ),
            thickness=thickness,
            hardness=hardness,
            walls=walls,
        )
        return self._add_column(key, column)

    def _add_hard(self, names: tuple[str, ...]) -> int:
        """Place of the column of background or flight."""
        key = (names, HARD_BEAM)
        if (place := self._places.get(key)) is not None:
            return place
        self._add("eta_low", self.priors["eta_low"])
        nothing = Chain(before=(), steps=())
        arrivals = _Arrivals([HARD_BEAM], lambda factor: nothing, None, self.priors["eta_low"].typical)
        return self._add_column(key, _Column(names=names, arrivals=arrivals, thickness="", hardness="", walls=False))

    # -- from scores to hits ------------------------------------------------------------------------------------

    def _value(self, scores: FloatArray, name: str) -> FloatArray:
        """Value of an input for every draw; its known value when it is not an unknown."""
        place = self.position.get(name)
        if place is None:
            known = self._known.get(name)
            known = self.priors[name].typical if known is None else known
            return np.full(len(scores), known)
        score = scores[:, place]
        if name == "hit_exponent" or name.partition("[")[0] in SHAPE_INPUTS:
            score = np.clip(score, -SHAPE_SCORE, SHAPE_SCORE)
        return self.inputs[place].prior.values(score)

    def _shape_value(self, scores: FloatArray, kind: str, record: str, name: str) -> FloatArray:
        """Values of what shapes a record of the films of a kind, within what a film can have."""
        key = shape_input(name, kind, record)
        known = key in self.position or key in self._known
        values = (
            self._value(scores, key) if known else np.full(len(scores), kind_prior(self.priors, kind, name).typical)
        )
        return np.clip(values, *SHAPE_LIMITS.get(name, (-math.inf, math.inf)))

    def _share(self, source: Source) -> float:
        """Share of the variance of ln(dose) that the scanners of a class have in common."""
        share = self.priors.scanner_class_share
        return source.class_share if share is None else share

    def dose_score(self, scores: FloatArray, name: str) -> FloatArray:
        """Score of a scanner's whole dose: its class's and its own, added so that it is standard normal again."""
        _, _, family, _ = self._doses[name]
        share = self._shares[name]
        total = np.zeros(len(scores))
        for part, weight in ((family, share), (name, 1.0 - share)):
            if weight > 0.0:
                total = total + math.sqrt(weight) * scores[:, self.position[part]]
        return np.asarray(total)

    def dose_per_pass_ugy(self, scores: FloatArray, name: str) -> FloatArray:
        """Air kerma per pass of a scanner [uGy], by the name of its dose."""
        prior = self._doses[name][0]
        if prior.is_known:
            return np.full(len(scores), prior.typical)
        return prior.values(self.dose_score(scores, name))

    @property
    def scanners(self) -> tuple[str, ...]:
        """Names of the doses of the trip, one for each scanner visited."""
        return tuple(self._doses)

    def _log_factor(self, scores: FloatArray, name: str) -> FloatArray:
        """ln of a dose factor over its typical value."""
        if name in self._doses:
            return np.asarray(np.log(self.dose_per_pass_ugy(scores, name) / self._doses[name][1]))
        typical = 1.0 if name.startswith("held[") else self.priors[name].typical
        return np.asarray(np.log(self._value(scores, name) / typical))

    def draws(self, scores: FloatArray, *, even: bool = False) -> Draws:
        """What the scores of all inputs mean for every roll.

        Parameters
        ----------
        scores
            Standard normal scores, shape (draws, inputs).
        even
            Whether to leave out the unevenness that is drawn on top of the bands of the sources.
        """
        scores = np.atleast_2d(np.asarray(scores, dtype=np.float64))
        if scores.shape[1] != len(self.inputs):
            raise ArgumentError("scores", scores.shape, f"{len(self.inputs)} columns, one for each input")
        n = len(scores)
        b = self._value(scores, "hit_exponent")
        eta = self._value(scores, "eta_low") if "eta_low" in self.position else np.full(n, self._eta())
        reference = np.log(mean_response(passage(REFERENCE_BEAM, ()).broad_moments, eta))
        one = np.ones(1)
        # column by column in memory, as they are made here and read roll by roll
        fog = np.zeros((n, len(self._columns)), order="F")
        air = np.zeros((n, len(self._columns)), order="F")
        for place, column in enumerate(self._columns):
            common = np.zeros(n)
            for name in column.names:
                common = common + self._log_factor(scores, name)
            for_fog, for_air = column.arrivals.logs(
                self._hardness(scores, column.hardness) if column.hardness else None,
                self._value(scores, column.thickness) if column.thickness else None,
                self._value(scores, "shield_scatter") if column.walls else one,
                eta,
            )
            fog[:, place], air[:, place] = np.exp(common + for_fog - reference), np.exp(common + for_air)
        kerma = product(fog, self._kerma)
        with np.errstate(divide="ignore", invalid="ignore"):
            peak = np.where(kerma > 0.0, product(fog, self._peak_kerma) / kerma, 1.0)
            log_kappa = self._log_calibrated(b) - np.log(self._value(scores, "calibration_kerma"))
            log_hits = np.log(kerma) + log_kappa[:, None]
        names = zip(self.film_names, self.speed_names, self.uneven_names, strict=True)
        for index, (film_name, speed_name, uneven) in enumerate(names):
            log_hits[:, index] += np.log(self._value(scores, film_name))
            if speed_name:  # a faster film has grains of more sensitivity
                log_hits[:, index] += b * np.log(self._value(scores, speed_name))
            if uneven and not even:
                peak[:, index] *= 1.0 + self._value(scores, uneven)
        return Draws(
            hit_exponent=b,
            shapes={
                kind: {
                    record: {name: self._shape_value(scores, kind, record, name) for name in SHAPE_INPUTS}
                    for record in RECORD_NAMES[kind]
                }
                for kind in self.kinds
            },
            kerma_ugy=kerma,
            air_kerma_ugy=product(air, self._kerma),
            peak=peak,
            log_hits=log_hits,
        )

    def _hardness(self, scores: FloatArray, name: str) -> FloatArray:
        """Where a beam lies between its soft end (-1), the typical one (0) and its hard end (1)."""
        return np.clip(self._value(scores, name), -_HARDNESS_LIMIT, _HARDNESS_LIMIT)

    def _eta(self) -> float:
        return self._known.get("eta_low", self.priors["eta_low"].typical)

    def log_kappa(self, scores: FloatArray) -> FloatArray:
        """ln of kappa [1/uGy] of the generic film at z_ref, for every draw."""
        b = self._value(scores, "hit_exponent")
        return np.asarray(self._log_calibrated(b) - np.log(self._value(scores, "calibration_kerma")))

    def at_mixture_middles(self, scores: FloatArray, known: Sequence[int] = ()) -> FloatArray:
        """Scores with the doses of scanners that nobody identified at the middle of what they may be.

        Such a dose has two humps and next to nothing between them, where the middle of other draws would wander from
        seed to seed; the median of the mixture is stated (``typical`` of the source).

        Parameters
        ----------
        scores
            Standard normal scores, shape (draws, inputs).
        known
            Inputs of which something was learnt, by their place: they stay as they are.
        """
        middle = scores.copy()
        mixed = [
            (name, family) for name, (prior, _, family, _) in self._doses.items() if isinstance(prior, MixturePrior)
        ]
        places = {self.position[part] for pair in mixed for part in pair if part in self.position}
        middle[:, sorted(places.difference(known))] = 0.0
        return middle

    # -- axes of what is unknown -------------------------------------------------------------------------------

    def axes(self) -> dict[str, FloatArray]:
        """Independent standard normal axes that say the same as the inputs, by label: unit vectors in score space.

        Where a class has one scanner only, class and machine are one axis: nothing tells them apart.
        """
        size = len(self.inputs)
        members: dict[str, list[str]] = {}
        for name, (_, _, family, _) in self._doses.items():
            members.setdefault(family, []).append(name)
        merged = {
            part: names[0]
            for family, names in members.items()
            if len(names) == 1
            for part in (family, names[0])
            if part in self.position
        }
        result: dict[str, FloatArray] = {}
        for place, item in enumerate(self.inputs):
            vector = np.zeros(size)
            if item.name in merged:
                name = merged[item.name]
                _, _, family, scanner = self._doses[name]
                share = self._shares[name]
                for part, weight in ((family, share), (name, 1.0 - share)):
                    if part in self.position:
                        vector[self.position[part]] = math.sqrt(weight)
                source = family.removeprefix("dose[").removesuffix("]")
                result[f"dose per pass of {source}" + (f", {scanner}" if scanner else "")] = vector
            else:
                vector[place] = 1.0
                result[item.label] = vector
        return result


def _refuse_misspelt_doses(trip: Trip, priors: Priors) -> None:
    """A dose among the priors belongs to a shipped source or one of the trip; of its scanners one may be elsewhere."""
    passes = [part for roll in trip.rolls for part in roll.history.passes]
    sources = dict.fromkeys((*source_names(), *(part.resolved_source.name for part in passes)))
    for entry in priors:
        source, _, scanner = entry.removeprefix("dose:").partition("@")
        if not entry.startswith("dose:"):
            continue
        if source not in sources:
            raise UnknownNameError("prior", entry, [f"dose:{name}" for name in sources])
        here = {scanner_name(part) for part in passes if part.resolved_source.name == source}
        if scanner and scanner not in here and did_you_mean(scanner, here):
            raise UnknownNameError("prior", entry, [f"dose:{source}@{name}" for name in sorted(here)])


def _log_calibration(bounds: tuple[float, float]) -> Callable[[FloatArray], FloatArray]:
    """ln of kappa times the calibration kerma as a function of b [error below 1e-9]."""
    low, high = bounds

    def exact(b: FloatArray) -> FloatArray:
        kappas = [calibrated_hits_per_ugy(hit_exponent=float(value), calibration_kerma_ugy=1.0) for value in b]
        return np.asarray(np.log(np.array(kappas)))

    if high - low < 1e-9:
        (only,) = exact(np.array([low]))
        return lambda b: np.full(np.shape(b), only)
    curve = Chebyshev.interpolate(exact, 20, domain=[low, high])
    return lambda b: np.asarray(curve(b))


def trip_model(
    trip: Trip | TripModel | Sequence[Roll], priors: Priors | None = None, *, alternatives: bool = False
) -> TripModel:
    """The unknowns of a trip.

    Parameters
    ----------
    trip
        A :class:`filmdose.trip.Trip`, or rolls.
    priors
        Shipped ones when left out.
    alternatives
        True where the rolls' films stand for each other and are not used together: what is not known of a single
        film is drawn once for all.

    Returns
    -------
    TripModel

    Raises
    ------
    ArgumentError, UnknownNameError
        Not a trip; a prior that nothing uses.

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> len(trip_model(example_trip("ahead")).inputs) > 5
    True
    """
    if isinstance(trip, TripModel):
        if priors is not None and priors != trip.priors:
            raise ArgumentError("priors", "other priors than the model's", "priors together with a trip, not a model")
        if alternatives and not trip.alternatives:
            raise ArgumentError("alternatives", alternatives, "True together with a trip, not a model")
        return trip
    if not isinstance(trip, Trip):
        trip = Trip(rolls=tuple(trip))
    return TripModel(trip, default_priors() if priors is None else priors, alternatives=alternatives)


#: What an emulsion can have at all.
SHAPE_LIMITS: dict[str, tuple[float, float]] = {
    "area_exponent": (-1.0, 2.0),
    "dye_saturation": (0.0, 1.0),
    "noise_floor": (0.0, math.inf),
    "cluster_grains": (1.0, 1000.0),
}


def kind_prior(priors: Priors, kind: str, name: str) -> Prior:
    """The prior of a kind of film, or the one for all kinds."""
    own = f"{kind}.{name}"
    return priors[own] if own in priors else priors[name]


hold_to_annotations(globals())
