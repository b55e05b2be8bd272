"""What happened to a roll: passes, flights and shelf time, as effective kerma at the film.

Doses add. X-ray exposure of film has neither reciprocity failure nor an
intermittency effect, so the order and the spacing of the parts do not matter.
"""

from __future__ import annotations

import datetime
import html
import math
import re
import warnings
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from filmdose.arrays import check_count, check_number
from filmdose.errors import ArgumentError, ValidityWarning
from filmdose.radiation.background import (
    HARD_BEAM,
    PUBLISHED_ALTITUDE_FT,
    altitude_in_feet,
    background_kerma_ugy,
    flight_kerma_ugy,
    latitude_band,
)
from filmdose.radiation.beams import Beam
from filmdose.radiation.materials import ENERGY_RANGE_KEV
from filmdose.radiation.response import ETA_LOW, emulsion_dose_ratio, relative_response
from filmdose.radiation.shields import Shield, ShieldLike, Transmission, as_shields, transmission
from filmdose.radiation.sources import Source, get_source
from filmdose.units import parse_kerma

__all__ = [
    "CONTRIBUTION_COLUMNS",
    "Flight",
    "History",
    "HistoryDose",
    "Pass",
    "Storage",
    "credited_shields",
    "history_dose",
]

_PASS = re.compile(r"\s*([A-Za-z][\w-]*)\s*(?:=\s*([+-]?\d+))?\s*")

#: Columns of :attr:`HistoryDose.contributions`, one row for each part.
CONTRIBUTION_COLUMNS = (
    "kind",
    "source",
    "detail",
    "count",
    "multiplier",
    "shield",
    "beam",
    "incident_kerma_ugy",
    "transmission",
    "transmission_basis",
    "narrow_kerma",
    "narrow_emulsion",
    "broad_kerma",
    "relative_response",
    "air_kerma_ugy",
    "emulsion_dose_ugy",
    "kerma_ugy",
    "kerma_low_ugy",
    "kerma_high_ugy",
    "share",
    "peak_to_mean",
    "evidence",
)

_SHOWN_COLUMNS = (
    "kind",
    "source",
    "detail",
    "shield",
    "incident_kerma_ugy",
    "transmission",
    "relative_response",
    "kerma_ugy",
    "kerma_low_ugy",
    "kerma_high_ugy",
    "share",
)


@dataclass(frozen=True, kw_only=True)
class Pass:
    """One or more trips of the roll through one source.

    Parameters
    ----------
    source
        Name of a shipped source, or a :class:`Source` of one's own.
    count
        How many passes [whole number; at least 0].
    shield
        What was around the film: a :class:`Shield`, several, a text such as "lead=0.25" or "lead=0.25+tin=0.1", or
        None. Kept as a tuple of shields.
    multiplier
        Dose over that of a normal pass: dwell over normal dwell for a belt that stopped with the beam on [1; at least
        1]; see :func:`filmdose.radiation.dwell_multiplier`.
    kerma_ugy
        Air kerma of one pass [uGy] in place of the source's, as a number or a text such as "0.3 mR"; it then has
        no range.
    peak_to_mean
        Fog under the worst band over the mean [1; at least 1]; None takes the source's.
    scanner
        Which machine it was, in the user's words; passes of one source through one scanner share its unknown dose.
    date, place
        When and where.
    note
        Free text.
    """

    source: str | Source
    count: int = 1
    shield: ShieldLike = None
    multiplier: float = 1.0
    kerma_ugy: float | str | None = None
    peak_to_mean: float | None = None
    scanner: str = ""
    date: datetime.date | None = None
    place: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        if not isinstance(self.source, Source):
            get_source(self.source)
        object.__setattr__(self, "count", check_count("count", self.count))
        object.__setattr__(self, "shield", as_shields(self.shield))
        action = "A stopped belt only adds dose; for a smaller one give the kerma of the pass."
        object.__setattr__(self, "multiplier", check_number("multiplier", self.multiplier, low=1.0, action=action))
        if self.kerma_ugy is not None:
            object.__setattr__(self, "kerma_ugy", parse_kerma("kerma_ugy", self.kerma_ugy))
        if self.peak_to_mean is not None:
            object.__setattr__(self, "peak_to_mean", check_number("peak_to_mean", self.peak_to_mean, low=1.0))

    @classmethod
    def parse(cls, text: str, **options: Any) -> Pass:
        """A pass from text: source or source=count; further fields by keyword.

        Examples
        --------
        >>> Pass.parse("cabin-ct=2").count
        2
        """
        match = _PASS.fullmatch(text) if isinstance(text, str) else None
        if match is None:
            raise ArgumentError("pass", text, "source=count, such as 'cabin-ct=2'", "Names: see filmdose sources.")
        return cls(source=match[1], count=1 if match[2] is None else int(match[2]), **options)

    @property
    def resolved_source(self) -> Source:
        """The source itself, looked up when it was given by name."""
        return self.source if isinstance(self.source, Source) else get_source(self.source)

    @property
    def shields(self) -> tuple[Shield, ...]:
        """The shields around the film, empty when there were none."""
        return as_shields(self.shield)

    @property
    def shield_text(self) -> str:
        """The shields in words, empty when there were none."""
        return " + ".join(str(shield) for shield in self.shields)


@dataclass(frozen=True, kw_only=True)
class Flight:
    """Time in the air. No shield reduces its hard radiation.

    Parameters
    ----------
    hours
        Time at cruising altitude [h; at least 0].
    altitude_ft, altitude_m
        Cruising altitude, in feet or in metres [0 to 45 000 ft]; 37 000 ft when neither is given.
    latitude
        "equatorial", "middle", "polar", or degrees north or south.
    note
        Free text.
    """

    hours: float
    altitude_ft: float | None = None
    altitude_m: float | None = None
    latitude: str | float = "middle"
    note: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "hours", check_number("hours", self.hours, low=0.0, unit="h"))
        altitude_in_feet(self.altitude_ft, self.altitude_m)
        latitude_band(self.latitude)

    @property
    def resolved_altitude_ft(self) -> float:
        """Altitude [ft], however it was given."""
        return altitude_in_feet(self.altitude_ft, self.altitude_m)


@dataclass(frozen=True, kw_only=True)
class Storage:
    """Shelf time on the ground. No lead box and no refrigerator reduces its hard radiation.

    Parameters
    ----------
    days
        How long [days; at least 0].
    rate_mgy_per_year
        Background of the place [mGy/year; at least 0]; None takes the shipped 0.5, 0.9 and 1.5.
    note
        Free text.
    """

    days: float
    rate_mgy_per_year: float | None = None
    note: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "days", check_number("days", self.days, low=0.0, unit="days"))
        if self.rate_mgy_per_year is not None:
            rate = check_number("rate_mgy_per_year", self.rate_mgy_per_year, low=0.0, unit="mGy/year")
            object.__setattr__(self, "rate_mgy_per_year", rate)


@dataclass(frozen=True, kw_only=True)
class History:
    """All that irradiated one roll.

    Parameters
    ----------
    passes, flights, storage
        Its parts, in any order: one object or several of each kind.
    """

    passes: tuple[Pass, ...] = ()
    flights: tuple[Flight, ...] = ()
    storage: tuple[Storage, ...] = ()

    def __post_init__(self) -> None:
        for name, kind in (("passes", Pass), ("flights", Flight), ("storage", Storage)):
            given = getattr(self, name)
            parts = tuple(given) if isinstance(given, Iterable) else (given,)
            for part in parts:
                if not isinstance(part, kind):
                    raise ArgumentError(name, part, f"{kind.__name__} objects")
            object.__setattr__(self, name, parts)


@dataclass(frozen=True, kw_only=True, repr=False)
class HistoryDose:
    """Dose of a history.

    Parameters
    ----------
    kerma_ugy
        Effective kerma [uGy]: air kerma of the reference beam that fogs as much, shields and beam quality included.
    kerma_low_ugy, kerma_high_ugy
        The same with every part at its low or its high point, as if all were low or high together. So the range
        holds more than the 90 % of each part.
    air_kerma_ugy
        Air kerma at the film, behind its shields [uGy].
    emulsion_dose_ugy
        Absorbed dose in the emulsion [uGy], with electron equilibrium.
    peak_to_mean
        Fog under the worst band over the mean, weighted by effective kerma [1].
    contributions
        One row for each part; columns as in ``CONTRIBUTION_COLUMNS``.
    notes
        Sentences that belong to the figures.
    """

    kerma_ugy: float
    kerma_low_ugy: float
    kerma_high_ugy: float
    air_kerma_ugy: float
    emulsion_dose_ugy: float
    peak_to_mean: float
    contributions: pd.DataFrame = field(compare=False)
    notes: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return (
            f"HistoryDose(kerma_ugy={self.kerma_ugy:.6g}, from {self.kerma_low_ugy:.4g} to {self.kerma_high_ugy:.4g}; "
            f"air_kerma_ugy={self.air_kerma_ugy:.6g}, emulsion_dose_ugy={self.emulsion_dose_ugy:.6g}, "
            f"parts={len(self.contributions)})"
        )

    def _repr_html_(self) -> str:
        shown = self.contributions[list(_SHOWN_COLUMNS)]
        notes = "".join(f"<p>{html.escape(note)}</p>" for note in self.notes)
        head = (
            f"<p><b>{self.kerma_ugy:.4g} uGy</b> effective kerma "
            f"({self.kerma_low_ugy:.4g} to {self.kerma_high_ugy:.4g}); air kerma at the film "
            f"{self.air_kerma_ugy:.4g} uGy, absorbed dose in the emulsion {self.emulsion_dose_ugy:.4g} uGy</p>"
        )
        return head + shown.to_html(index=False, float_format="{:.4g}".format) + notes


def history_dose(
    history: History | Pass | Flight | Storage | Iterable[Pass | Flight | Storage], *, eta_low: float = ETA_LOW
) -> HistoryDose:
    """Effective kerma of a history: the sum over its parts, in any order.

    K = sum over passes of count multiplier K_pass T R  +  sum over flights and storage of K R

    with T the transmission of the pass's own shield (published broad beam where
    it exists, else narrow beam weighted by the film's response) and R the fog of
    the beam per air kerma, relative to the reference beam.

    Parameters
    ----------
    history
        A :class:`History`, one part, or several parts.
    eta_low
        Efficiency of the film below 60 keV [1; 0 to 1], an inference.

    Returns
    -------
    HistoryDose

    Notes
    -----
    Shields act on the passes they were given for, and on nothing else: lead
    does not reduce background or in-flight radiation, so flights and storage
    take no benefit from any. A beam above 800 keV is credited with no shield.

    Examples
    --------
    >>> dose = history_dose([Pass.parse("cabin-ct=2"), Pass.parse("cabin-xray=3")])
    >>> dose.kerma_ugy
    203.0
    >>> dose.notes[0][:44]
    'No dose per bag has been published for cabin'

    References
    ----------
    ncrp147, nist_srd126
    """
    parts = _as_history(history)
    rows = [
        *(_pass_row(part, eta_low) for part in parts.passes),
        *(_flight_row(flight, eta_low) for flight in parts.flights),
        *(_storage_row(shelf, eta_low) for shelf in parts.storage),
    ]
    total = math.fsum(row["kerma_ugy"] for row in rows)
    for row in rows:
        row["share"] = row["kerma_ugy"] / total if total > 0 else 0.0
    peak = math.fsum(row["share"] * row["peak_to_mean"] for row in rows) if total > 0 else 1.0
    return HistoryDose(
        kerma_ugy=total,
        kerma_low_ugy=math.fsum(row["kerma_low_ugy"] for row in rows),
        kerma_high_ugy=math.fsum(row["kerma_high_ugy"] for row in rows),
        air_kerma_ugy=math.fsum(row["air_kerma_ugy"] for row in rows),
        emulsion_dose_ugy=math.fsum(row["emulsion_dose_ugy"] for row in rows),
        peak_to_mean=max(1.0, peak),
        contributions=pd.DataFrame(rows, columns=list(CONTRIBUTION_COLUMNS)),
        notes=tuple(dict.fromkeys(_notes(parts, rows))),
    )


def _as_history(history: Any) -> History:
    if isinstance(history, History):
        return history
    parts = tuple(history) if isinstance(history, Iterable) and not isinstance(history, str) else (history,)
    known: dict[type, list[Any]] = {Pass: [], Flight: [], Storage: []}
    for part in parts:
        if type(part) not in known:
            raise ArgumentError("history", part, "a History, or Pass, Flight and Storage objects")
        known[type(part)].append(part)
    return History(passes=tuple(known[Pass]), flights=tuple(known[Flight]), storage=tuple(known[Storage]))


def _no_shield_counts(beam: Beam) -> bool:
    """Above the tables of cross sections no shield is credited."""
    return beam.energy_kev is not None and beam.energy_kev > ENERGY_RANGE_KEV[1]


def credited_shields(part: Pass) -> tuple[Shield, ...]:
    """The shields of a pass that count against its beam: none of them when it is too hard."""
    return () if _no_shield_counts(part.resolved_source.beam) else part.shields


def _row(
    kerma: tuple[float, float, float], beam: Beam, through: Transmission, shields: tuple[Shield, ...], eta_low: float
) -> dict[str, Any]:
    """What a part of any kind contributes: ``kerma`` is the air kerma in front of the shields, low to high."""
    low, typical, high = kerma
    response = float(relative_response(beam, eta_low=eta_low))
    factor = through.effective * response
    at_film = typical * (through.narrow_kerma if through.broad_kerma is None else through.broad_kerma)
    layers = tuple(shield.layer for shield in shields)
    return {
        "beam": str(beam),
        "incident_kerma_ugy": typical,
        "transmission": through.effective,
        "narrow_kerma": through.narrow_kerma,
        "narrow_emulsion": through.narrow_emulsion,
        "broad_kerma": through.broad_kerma,
        "relative_response": response,
        "air_kerma_ugy": at_film,
        # Behind a wall that lets nothing through there is no spectrum to weight with, and no dose.
        "emulsion_dose_ugy": at_film * emulsion_dose_ratio(beam, layers) if through.narrow_kerma > 0 else 0.0,
        "kerma_ugy": typical * factor,
        "kerma_low_ugy": low * factor,
        "kerma_high_ugy": high * factor,
    }


def _pass_row(part: Pass, eta_low: float) -> dict[str, Any]:
    source = part.resolved_source
    per_pass = source.kerma_points_ugy if part.kerma_ugy is None else (float(part.kerma_ugy),) * 3
    low, typical, high = (part.count * part.multiplier * kerma for kerma in per_pass)
    shields = credited_shields(part)
    through = transmission(shields, source.beam, eta_low=eta_low)
    return {
        "kind": "pass",
        "source": source.name,
        "detail": source.title,
        "count": part.count,
        "multiplier": part.multiplier,
        "shield": part.shield_text,
        "transmission_basis": through.basis if shields else "no shield",
        **_row((low, typical, high), source.beam, through, shields, eta_low),
        "peak_to_mean": source.peak_to_mean if part.peak_to_mean is None else part.peak_to_mean,
        "evidence": source.evidence if part.kerma_ugy is None else "measured",
    }


def _hard_row(
    kind: str, detail: str, kerma: tuple[float, float, float], evidence: str, eta_low: float
) -> dict[str, Any]:
    return {
        "kind": kind,
        "source": kind,
        "detail": detail,
        "count": 1,
        "multiplier": 1.0,
        "shield": "",
        "transmission_basis": "no shield",
        **_row(kerma, HARD_BEAM, transmission(None), (), eta_low),
        "peak_to_mean": 1.0,
        "evidence": evidence,
    }


def _flight_row(flight: Flight, eta_low: float) -> dict[str, Any]:
    altitude = flight.resolved_altitude_ft
    band = latitude_band(flight.latitude)
    with warnings.catch_warnings():
        # Above the published altitudes the answer carries a note instead of a warning.
        warnings.simplefilter("ignore", ValidityWarning)
        kerma = flight_kerma_ugy(flight.hours, altitude, band)
    return _hard_row("flight", f"{flight.hours:g} h at {altitude:.0f} ft, {band}", kerma, "reported", eta_low)


def _storage_row(shelf: Storage, eta_low: float) -> dict[str, Any]:
    kerma = background_kerma_ugy(shelf.days, shelf.rate_mgy_per_year)
    evidence = "reported" if shelf.rate_mgy_per_year is None else "measured"
    return _hard_row("storage", f"{shelf.days:g} days", kerma, evidence, eta_low)


def _notes(parts: History, rows: list[dict[str, Any]]) -> Iterable[str]:
    for part in parts.passes:
        source = part.resolved_source
        if source.unpublished and part.kerma_ugy is None:
            yield source.note
        if part.shields and _no_shield_counts(source.beam):
            yield f"No shield is credited against {source.title} ({source.beam})."
    for row in rows:
        if row["shield"] and row["transmission_basis"] == "narrow_film":
            yield (
                f"The shield {row['shield']} is credited by a narrow-beam calculation: no broad-beam value is "
                f"published for it at {row['beam']}, and scatter makes the true transmission larger."
            )
    for flight in parts.flights:
        if flight.resolved_altitude_ft > PUBLISHED_ALTITUDE_FT:
            yield f"Dose rates in flight above {PUBLISHED_ALTITUDE_FT:.0f} ft continue the slope below it."
    if parts.flights or parts.storage:
        yield (
            "Background and in-flight radiation are hard: film answers to them about twenty times less per dose "
            "than to a scanner's beam (an inference), and no shield reduces them."
        )
