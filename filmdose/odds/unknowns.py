"""A trip with its unknowns: from standard normal scores to the hits that each roll took.

One score stands for each thing that is not known, shared by everything it is
shared by in the world: one dose factor for each scanner visited (and a part of it
common to all scanners of its class), one calibration of fog for all films, one
shield thickness for each pouch.  All rolls of a trip are computed from the same
scores, so that what is learnt from one roll is learnt for the others.

Which scanner a pass went through: the pass's own ``scanner``; else its ``place``;
else one scanner for each source and trip.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.polynomial import Chebyshev

from filmdose.arrays import FloatArray
from filmdose.errors import ArgumentError
from filmdose.film.generic import calibrated_hits_per_ugy, film_value
from filmdose.film.model import Film
from filmdose.history import Pass, credited_shields
from filmdose.odds.priors import Prior, Priors, default_priors
from filmdose.radiation.background import HARD_BEAM, background_kerma_ugy, flight_kerma_ugy
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.response import beam_moments, mean_response
from filmdose.radiation.shields import Shield, transmission
from filmdose.trip import Roll, Trip

__all__ = ["SHAPE_SCORE", "Draws", "Input", "TripModel", "scanner_name", "trip_model"]

LN10 = math.log(10.0)

#: Scores of the inputs that change the shape of a film's curves are cut off here, at one draw in 2000 on either side,
#: so that the curves can be tabulated once.
SHAPE_SCORE = 3.5

SHAPE_INPUTS = ("hit_exponent", "grain_area_exponent", "film_contrast")

#: What all shields have in common with lead where no broad-beam value is published:
#: ln T_broad over ln T_narrow of 0.25 mm of lead in the reference beam (an inference).
_LIKE_LEAD = Shield(material="lead", thickness_mm=0.25)


@dataclass(frozen=True, kw_only=True)
class Input:
    """One unknown, moved by one standard normal score.

    Parameters
    ----------
    name
        Unique in a trip: "hit_exponent", "dose[cabin-ct]" (the class), "dose[cabin-ct @ second]" (the machine),
        "film_factor[...]", "unevenness[roll]", "shield_thickness[lead 0.25 mm]".
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
class Draws:
    """Values of a trip's unknowns and what follows from them; first axis draws, second axis rolls.

    Parameters
    ----------
    hit_exponent, grain_area_exponent, log_contrast
        b, exponent of grain area, ln of the contrast factor; shape (n,).
    kerma_ugy, air_kerma_ugy
        Effective kerma and air kerma at the film [uGy], mean over the roll.
    peak
        Worst band over the mean [1].
    log_hits
        ln of the mean hits of a grain of the reference sensitivity z_ref, mean over the roll, for a film whose
        kappa is the generic one; minus infinity without dose.
    """

    hit_exponent: FloatArray
    grain_area_exponent: FloatArray
    log_contrast: FloatArray
    kerma_ugy: FloatArray
    air_kerma_ugy: FloatArray
    peak: FloatArray
    log_hits: FloatArray


def scanner_name(part: Pass) -> str:
    """Which machine a pass went through: its scanner, else its place, else one for each source and trip."""
    return part.scanner.strip() or part.place.strip()


class _Through:
    """Fog behind a stack of shields over fog without it, and air kerma alike, for any thickness and eta."""

    def __init__(self, shields: tuple[Shield, ...], beam: Beam, thickness: Prior) -> None:
        self.beam = beam
        self.open = beam_moments(beam)
        low, high = (float(thickness.value(score)) for score in (-5.0, 5.0))
        # For a known thickness a point is enough; the fit needs an interval.
        domain = [low, high] if high > low else [0.9 * low, 1.1 * high]
        nodes = 0.5 * sum(domain) + 0.5 * (domain[1] - domain[0]) * np.cos(np.pi * (np.arange(9) + 0.5) / 9)
        rows = [self._at(shields, beam, factor) for factor in nodes]
        self.curves = [Chebyshev.fit(nodes, column, 8, domain=domain) for column in np.transpose(rows)]

    @staticmethod
    def _at(shields: tuple[Shield, ...], beam: Beam, factor: float) -> tuple[float, float, float, float]:
        """ln of: narrow-beam kerma, its two response moments, and the broad-beam kerma, at a multiple of thickness."""
        scaled = tuple(
            Shield(
                material=shield.material,
                thickness_mm=shield.thickness_mm * factor,
                density_g_cm3=shield.density_g_cm3,
                oblique=shield.oblique,
            )
            for shield in shields
        )
        through = transmission(scaled, beam)
        if through.narrow_kerma <= 0.0:
            return (-700.0, 0.0, 0.0, -700.0)
        moments = beam_moments(beam, tuple(shield.layer for shield in scaled))
        broad = through.broad_kerma
        if broad is None:
            like = transmission(_LIKE_LEAD)
            power = math.log(like.broad_kerma or 1.0) / math.log(like.narrow_film)
            broad = through.narrow_film**power
        return (
            _log(through.narrow_kerma),
            _log(moments[0]),
            _log(moments[1]),
            _log(broad),
        )

    def logs(self, factor: FloatArray, scatter: FloatArray, eta: FloatArray) -> tuple[FloatArray, FloatArray]:
        """ln of the transmission of fog and of air kerma."""
        kerma, first, second, broad = (np.asarray(curve(factor)) for curve in self.curves)
        moments: Any = (np.exp(first), np.exp(second))
        behind = mean_response(moments, eta)
        narrow = kerma + np.log(behind / mean_response(self.open, eta))
        # In a beam hardened far the published kerma fit lies below; a film's scatter cannot take fog away.
        wide = np.maximum(broad, narrow)
        return narrow + scatter * (wide - narrow), kerma + scatter * np.maximum(broad - kerma, 0.0)


def _log(value: float) -> float:
    return math.log(max(value, 1e-300))


@dataclass(frozen=True, kw_only=True)
class _Column:
    """Everything that reaches the film from one scanner through one shield: a typical dose and what moves it."""

    names: tuple[str, ...]  # of the inputs whose factors multiply it
    beam: Beam
    through: _Through | None
    thickness: str  # name of the thickness input, "" without shield


class TripModel:
    """A trip's unknowns and the map from their scores to hits; made by :func:`trip_model`.

    Attributes
    ----------
    trip
        The trip.
    priors
        Its priors.
    inputs
        What is unknown and matters to this trip, in a fixed order.
    """

    def __init__(self, trip: Trip, priors: Priors) -> None:
        if not trip.rolls:
            raise ArgumentError("trip", trip.title, "a trip with at least one roll")
        self.trip = trip
        self.priors = priors
        self._inputs: dict[str, Input] = {}
        self._known: dict[str, float] = {}
        self._doses: dict[str, tuple[Prior, float, str, str]] = {}
        self._points: dict[str, tuple[float, float, float]] = {}
        self._columns: dict[Any, _Column] = {}
        entries: dict[tuple[Any, int], float] = {}
        peaks: dict[tuple[Any, int], float] = {}

        for name in ("calibration_kerma", "hit_exponent"):
            self._add(name, priors[name])
        self._add("film_contrast", priors["film_contrast"], trip_only=True)
        self._add("grain_area_exponent", priors["grain_area_exponent"])
        for index, roll in enumerate(trip.rolls):
            for key, kerma, peak in self._parts(roll):
                entries[key, index] = entries.get((key, index), 0.0) + kerma
                weighted = kerma * (peak if roll.peak_to_mean is None else roll.peak_to_mean)
                peaks[key, index] = peaks.get((key, index), 0.0) + weighted
        self.film_names = tuple(f"film_factor[{roll.film.label}]" for roll in trip.rolls)
        for roll, film_name in zip(trip.rolls, self.film_names, strict=True):
            self._add(film_name, priors["film_factor"], f"fog of {roll.film.label} over that of its speed")
        self.uneven_names = tuple(f"unevenness[{roll.id}]" if roll.peak_to_mean is None else "" for roll in trip.rolls)
        for roll, name in zip(trip.rolls, self.uneven_names, strict=True):
            if name:
                self._add(name, priors["unevenness"], f"uneven fog of roll {roll.id}", trip_only=True)

        order = list(self._columns)
        shape = (len(order), len(trip.rolls))
        self._kerma, self._peak_kerma = np.zeros(shape), np.zeros(shape)
        for (key, index), kerma in entries.items():
            self._kerma[order.index(key), index] = kerma
            self._peak_kerma[order.index(key), index] = peaks[key, index]
        self.inputs: tuple[Input, ...] = tuple(self._inputs.values())
        self.position = {item.name: place for place, item in enumerate(self.inputs)}
        low, high = (float(priors["hit_exponent"].value(side * SHAPE_SCORE)) for side in (-1.0, 1.0))
        self.hit_exponent_range = (max(low, 0.0), min(high, 2.0))
        self._log_calibrated = _log_calibration(self.hit_exponent_range)

    # -- setting up ---------------------------------------------------------------------------------------------

    def _add(self, name: str, prior: Prior, label: str = "", *, trip_only: bool = False) -> str:
        if prior.is_known:
            self._known[name] = prior.typical
        elif name not in self._inputs:
            self._inputs[name] = Input(name=name, label=label or prior.label or name, prior=prior, trip_only=trip_only)
        return name

    def _parts(self, roll: Roll) -> list[tuple[Any, float, float]]:
        """(column key, typical air kerma before the shield, peak to mean) of everything that a roll met."""
        parts: list[tuple[Any, float, float]] = []
        for part in roll.history.passes:
            source = part.resolved_source
            peak = source.peak_to_mean if part.peak_to_mean is None else part.peak_to_mean
            per_pass = source.kerma_typical_ugy if part.kerma_ugy is None else float(part.kerma_ugy)
            names = () if part.kerma_ugy is not None else self._dose_names(part)
            shields = credited_shields(part)
            key = (names, shields, source.beam)
            self._add_column(key, names, source.beam, shields)
            parts.append((key, part.count * part.multiplier * per_pass, peak))
        for flight in roll.history.flights:
            names = ("flight_gray_per_sievert", "flight_solar_range")
            for name in names:
                self._add(name, self.priors[name], trip_only=name == "flight_solar_range")
            self._add_column(names, names, HARD_BEAM, ())
            kerma = flight_kerma_ugy(flight.hours, flight.resolved_altitude_ft, flight.latitude)[1]
            parts.append((names, kerma, 1.0))
        for shelf in roll.history.storage:
            names = () if shelf.rate_mgy_per_year is not None else ("background",)
            for name in names:
                self._add(name, self.priors[name], trip_only=True)
            self._add_column((names, HARD_BEAM), names, HARD_BEAM, ())
            parts.append(((names, HARD_BEAM), background_kerma_ugy(shelf.days, shelf.rate_mgy_per_year)[1], 1.0))
        return parts

    def _dose_names(self, part: Pass) -> tuple[str, ...]:
        """The input of a pass's dose factor; one for its class and one for its machine stand behind it."""
        source, scanner = part.resolved_source, scanner_name(part)
        name = f"dose[{source.name} @ {scanner}]" if scanner else f"dose[{source.name} @ this trip]"
        if name not in self._doses:
            low, typical, high = source.kerma_points_ugy
            if typical == 0.0:
                return ()
            prior = self.priors.dose(source.name, scanner)
            if prior is None:
                if low <= 0.0:
                    raise ArgumentError(
                        f"low dose of {source.name}", low, "a number above 0 [uGy]", "A log-normal has no zero in it."
                    )
                prior = Prior(low=low, typical=typical, high=high, unit="uGy", evidence=source.evidence)
            self._doses[name] = (prior, typical, f"dose[{source.name}]", scanner)
            self._points[name] = source.kerma_points_ugy
            if not prior.is_known:
                share = self.priors.scanner_class_share
                machine = scanner or "the one scanner"
                if share > 0.0:
                    self._add(f"dose[{source.name}]", prior, f"dose per pass of the class {source.name}")
                if share < 1.0:
                    label = f"dose per pass of {source.name}, {machine} against its class"
                    self._add(name, prior, label, trip_only=True)
        elif self._points[name] != source.kerma_points_ugy:
            raise ArgumentError(
                f"source {source.name}",
                source.kerma_points_ugy,
                f"one dose for each scanner, here {self._points[name]} [uGy]",
                "Give another source another name.",
            )
        return (name,)

    def _add_column(self, key: Any, names: tuple[str, ...], beam: Beam, shields: tuple[Shield, ...]) -> None:
        if key in self._columns:
            return
        through, thickness = None, ""
        if shields:
            text = " + ".join(str(shield) for shield in shields)
            thickness = self._add(
                f"shield_thickness[{text}]", self.priors["shield_thickness"], f"thickness of the shield {text}"
            )
            self._add("shield_scatter", self.priors["shield_scatter"], trip_only=True)
            through = _Through(shields, beam, self.priors["shield_thickness"])
        if shields or beam != REFERENCE_BEAM:
            self._add("eta_low", self.priors["eta_low"])
        self._columns[key] = _Column(names=names, beam=beam, through=through, thickness=thickness)

    # -- from scores to hits ------------------------------------------------------------------------------------

    def _value(self, scores: FloatArray, name: str) -> FloatArray:
        """Value of an input for every draw; its known value when it is not an unknown."""
        place = self.position.get(name)
        if place is None:
            known = self._known.get(name)
            return np.full(len(scores), self.priors[name].typical if known is None else known)
        score = scores[:, place]
        if name in SHAPE_INPUTS:
            score = np.clip(score, -SHAPE_SCORE, SHAPE_SCORE)
        return self.inputs[place].prior.values(score)

    def dose_score(self, scores: FloatArray, name: str) -> FloatArray:
        """Score of a scanner's whole dose: its class's and its own, added so that it is standard normal again."""
        _, _, family, _ = self._doses[name]
        share = self.priors.scanner_class_share
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
        return np.asarray(np.log(self._value(scores, name) / self.priors[name].typical))

    def draws(self, scores: FloatArray) -> Draws:
        """What the scores of all inputs mean for every roll.

        Parameters
        ----------
        scores
            Standard normal scores, shape (draws, inputs).
        """
        scores = np.atleast_2d(np.asarray(scores, dtype=np.float64))
        if scores.shape[1] != len(self.inputs):
            raise ArgumentError("scores", scores.shape, f"{len(self.inputs)} columns, one for each input")
        n = len(scores)
        b = self._value(scores, "hit_exponent")
        eta = self._value(scores, "eta_low") if "eta_low" in self.position else np.full(n, self._eta())
        reference = mean_response(beam_moments(REFERENCE_BEAM), eta)
        fog = np.zeros((n, len(self._columns)))
        air = np.zeros((n, len(self._columns)))
        for place, column in enumerate(self._columns.values()):
            common = np.zeros(n)
            for name in column.names:
                common = common + self._log_factor(scores, name)
            log_air = common
            if column.beam != REFERENCE_BEAM:
                common = common + np.log(mean_response(beam_moments(column.beam), eta) / reference)
            if column.through is not None:
                factor = self._value(scores, column.thickness)
                scatter = self._value(scores, "shield_scatter")
                for_fog, for_air = column.through.logs(factor, scatter, eta)
                common, log_air = common + for_fog, log_air + for_air
            fog[:, place], air[:, place] = np.exp(common), np.exp(log_air)
        kerma = fog @ self._kerma
        with np.errstate(divide="ignore", invalid="ignore"):
            peak = np.where(kerma > 0.0, (fog @ self._peak_kerma) / kerma, 1.0)
            log_kappa = self._log_calibrated(b) - np.log(self._value(scores, "calibration_kerma"))
            log_hits = np.log(kerma) + log_kappa[:, None]
        for index, (film_name, uneven) in enumerate(zip(self.film_names, self.uneven_names, strict=True)):
            log_hits[:, index] += np.log(self._value(scores, film_name))
            if uneven:
                peak[:, index] *= 1.0 + self._value(scores, uneven)
        return Draws(
            hit_exponent=b,
            grain_area_exponent=self._value(scores, "grain_area_exponent"),
            log_contrast=np.log(self._value(scores, "film_contrast")),
            kerma_ugy=kerma,
            air_kerma_ugy=air @ self._kerma,
            peak=peak,
            log_hits=log_hits,
        )

    def _eta(self) -> float:
        return self._known.get("eta_low", self.priors["eta_low"].typical)

    def log_kappa(self, scores: FloatArray) -> FloatArray:
        """ln of kappa [1/uGy] of the generic film at z_ref, for every draw."""
        b = self._value(scores, "hit_exponent")
        return np.asarray(self._log_calibrated(b) - np.log(self._value(scores, "calibration_kerma")))

    # -- axes of what is unknown -------------------------------------------------------------------------------

    def axes(self) -> dict[str, FloatArray]:
        """Independent standard normal axes that say the same as the inputs, by label: unit vectors in score space.

        Where a class has one scanner only, class and machine are one axis: nothing tells them apart.
        """
        size = len(self.inputs)
        share = self.priors.scanner_class_share
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
                for part, weight in ((family, share), (name, 1.0 - share)):
                    if part in self.position:
                        vector[self.position[part]] = math.sqrt(weight)
                source = family.removeprefix("dose[").removesuffix("]")
                result[f"dose per pass of {source}" + (f", {scanner}" if scanner else "")] = vector
            else:
                vector[place] = 1.0
                result[item.label] = vector
        return result


def _log_calibration(bounds: tuple[float, float]) -> Callable[[FloatArray], FloatArray]:
    """ln of kappa times the calibration kerma as a function of b [error below 1e-9]."""
    low, high = bounds

    def exact(b: FloatArray) -> FloatArray:
        kappas = [calibrated_hits_per_ugy(hit_exponent=float(value), calibration_kerma_ugy=1.0) for value in b]
        return np.asarray(np.log(np.array(kappas)))

    if high - low < 1e-9:
        (only,) = exact(np.array([low]))
        return lambda b: np.full(np.shape(b), only)
    curve = Chebyshev.interpolate(exact, 14, domain=[low, high])
    return lambda b: np.asarray(curve(b))


def trip_model(trip: Trip | TripModel | Sequence[Roll], priors: Priors | None = None) -> TripModel:
    """The unknowns of a trip.

    Parameters
    ----------
    trip
        A :class:`filmdose.trip.Trip`, or rolls.
    priors
        Shipped ones when left out.
    """
    if isinstance(trip, TripModel):
        if priors is not None and priors is not trip.priors:
            raise ArgumentError("priors", "other priors than the model's", "priors together with a trip, not a model")
        return trip
    if not isinstance(trip, Trip):
        trip = Trip(rolls=tuple(trip))
    return TripModel(trip, default_priors() if priors is None else priors)


def film_offsets(film: Film) -> tuple[float, float]:
    """A film's own b less the generic one, and ln of its kappa over the generic one; kept for every draw."""
    record = film.records[0]
    offset = record.hit_exponent - film_value("model", "hit_exponent")
    ratio = record.hits_per_ugy / calibrated_hits_per_ugy()
    return offset, math.log(ratio) if ratio > 0.0 else -math.inf
