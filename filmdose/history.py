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
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count, check_number
from filmdose.errors import ArgumentError, UnknownNameError, ValidityWarning
from filmdose.everyday import SOURCES_MEANT, meant
from filmdose.files import load_data_toml
from filmdose.names import BeamOn, FilmFormat, KermaPlace, SourceName, TransportStep
from filmdose.radiation.background import (
    HARD_BEAM,
    PUBLISHED_ALTITUDE_FT,
    altitude_in_feet,
    background_kerma_ugy,
    flight_kerma_ugy,
    latitude_band,
)
from filmdose.radiation.beams import Beam
from filmdose.radiation.chain import (
    PLACES,
    STEPS,
    Bag,
    Chain,
    arrival,
    as_bag,
    check_format,
    check_steps,
    film_chain,
    no_wall_counts,
)
from filmdose.radiation.response import ETA_LOW, check_eta
from filmdose.radiation.shields import Shield, ShieldLike, as_shields, thickness_factors
from filmdose.radiation.sources import Source, get_source, is_shipped
from filmdose.radiation.tube import held_passes
from filmdose.result import Result
from filmdose.units import AirKerma, EffectiveKerma, parse_kerma
from filmdose.words import BOX_SPEEDS

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "CONTRIBUTION_COLUMNS",
    "Flight",
    "History",
    "HistoryDose",
    "Pass",
    "Storage",
    "given_dose",
    "history_dose",
    "history_sums",
    "pass_air_kerma_ugy",
    "pass_chain",
    "pass_sentences",
]

#: Shelf time from which on a note says what age does [days].
OLD_STOCK_DAYS = 300.0

#: b: hits of a grain grow as its sensitivity to this power.
_HIT_EXPONENT = float(load_data_toml("films.toml")["model"]["hit_exponent"]["value"])

_PASS = re.compile(r"\s*([A-Za-z][\w-]*)\s*(?:=\s*([+-]?\d+))?\s*")

#: What is told of each of :attr:`HistoryDose.parts`: columns of its ``contributions``.
CONTRIBUTION_COLUMNS = (
    "kind",
    "source",
    "detail",
    "count",
    "multiplier",
    "shield",
    "beam",
    "at",
    "incident_kerma_ugy",
    "relative_response",
    *(f"through_{step}" for step in STEPS),
    "transmission",
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
    "relative_response",
    *(f"through_{step}" for step in STEPS),
    "kerma_ugy",
    "kerma_low_ugy",
    "kerma_high_ugy",
    "share",
)


@dataclass(frozen=True, kw_only=True)
class Pass(Result):
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
    views
        How many views a projection unit has, each of which gives the source's dose [at least 1].
    air_kerma_ugy
        Air kerma of one pass [uGy] in place of the source's, as a number or a text such as "0.3 mR"; it then has
        no range.
    at
        Where the kerma stands: "bag" (outside of it), "inside" (beside the film, as a badge lies) or "film"; None takes
        "inside" for a kerma of one's own and the source's place else.
    bag
        Contents of the bag, in place of the roll's: a :class:`~filmdose.radiation.chain.Bag`, "typical", "empty" or a
        text such as "4, al=1" [g/cm2 of water, mm].
    peak_to_mean
        Fog under the worst band over the mean [1; at least 1]; None takes the source's.
    scanner
        Which machine it was, in the user's words; passes of one source through one scanner share its unknown dose.
    date, place
        When and where.
    held_s
        How long the belt stood still with the bag in the machine, in all passes together [s; at least 0]; counted by
        :func:`filmdose.radiation.held_passes`.
    beam_on
        What the tube did meanwhile: "running", "pulsed" or "unknown".
    note
        Free text.
    """

    source: SourceName | str | Source
    count: int = 1
    shield: ShieldLike = None
    multiplier: float = 1.0
    views: int = 1
    air_kerma_ugy: AirKerma | float | str | None = None
    at: KermaPlace | None = None
    bag: Bag | str | None = None
    peak_to_mean: float | None = None
    scanner: str = ""
    date: datetime.date | None = None
    place: str = ""
    held_s: float | None = None
    beam_on: BeamOn = "unknown"
    note: str = ""

    _accepts = (("air_kerma_ugy", "WithUnit | None"), ("held_s", "WithUnit | None"))

    def __post_init__(self) -> None:
        if not isinstance(self.source, Source):
            found = get_source(self.source)
            object.__setattr__(self, "source", found.name if is_shipped(found) else found)
        object.__setattr__(self, "count", check_count("count", self.count))
        object.__setattr__(self, "shield", as_shields(self.shield))
        action = "A stopped belt only adds dose; for a smaller one give the kerma of the pass."
        object.__setattr__(self, "multiplier", check_number("multiplier", self.multiplier, low=1.0, action=action))
        object.__setattr__(self, "views", check_count("views", self.views, low=1))
        if self.views > 1 and not self.resolved_source.per_view:
            action = "Its dose is that of a whole pass."
            raise ArgumentError("views", self.views, f"1 for {self.resolved_source.name}", action)
        if self.held_s is not None:
            if self.multiplier > 1.0:
                raise ArgumentError("multiplier", self.multiplier, "1 beside the time held", "Give one of them.")
            held = check_number("held_s", self.held_s, low=0.0, unit="s")
            held_passes(self.resolved_source, held, self.beam_on)
            object.__setattr__(self, "held_s", held)
        if self.air_kerma_ugy is not None:
            object.__setattr__(self, "air_kerma_ugy", parse_kerma("air_kerma_ugy", self.air_kerma_ugy))
        if self.at is not None and self.at not in PLACES:
            raise UnknownNameError("at", self.at, PLACES)
        if self.bag is not None:
            object.__setattr__(self, "bag", as_bag(self.bag))
        if self.peak_to_mean is not None:
            object.__setattr__(
                self, "peak_to_mean", check_number("peak_to_mean", self.peak_to_mean, low=1.0, high=1000.0)
            )

    @classmethod
    def parse(cls, text: str, **options: Any) -> Pass:
        """A pass from text: source or source=count; further fields by keyword.

        Examples
        --------
        >>> Pass.parse("cabin-ct=2").count
        2
        """
        if isinstance(text, str):
            name, equals, count = text.rpartition("=")
            text = f"{meant(name, SOURCES_MEANT)}={count}" if equals else meant(text, SOURCES_MEANT)
        match = _PASS.fullmatch(text) if isinstance(text, str) else None
        if match is None:
            raise ArgumentError("pass", text, "source=count, such as 'cabin-ct=2'", "Names: see filmdose sources.")
        return cls(source=match[1], count=1 if match[2] is None else int(match[2]), **options)

    @property
    def held_passes(self) -> tuple[float, float, float]:
        """Dose of its stop in doses of a normal pass, low, typical and high; nothing without one."""
        if not self.held_s:
            return 0.0, 0.0, 0.0
        return held_passes(self.resolved_source, self.held_s, self.beam_on)

    @property
    def normal_passes(self) -> float:
        """Its dose, without a stop, in doses of a normal pass (of one view)."""
        return self.count * self.multiplier * (self.views if self.air_kerma_ugy is None else 1)

    @property
    def resolved_source(self) -> Source:
        """The source itself, looked up when it was given by name."""
        return self.source if isinstance(self.source, Source) else get_source(self.source)

    @property
    def stands_at(self) -> KermaPlace:
        """Where its kerma stands: one of ``PLACES``."""
        return self.at or (self.resolved_source.at if self.air_kerma_ugy is None else "inside")

    @property
    def shields(self) -> tuple[Shield, ...]:
        """The shields around the film, empty when there were none."""
        return as_shields(self.shield)

    @property
    def shield_text(self) -> str:
        """The shields in words, empty when there were none."""
        return " + ".join(str(shield) for shield in self.shields)


@dataclass(frozen=True, kw_only=True)
class Flight(Result):
    """Time in the air. No shield reduces its hard radiation.

    Parameters
    ----------
    hours
        Time from take-off to landing [h; at least 0].
    altitude_ft, altitude_m
        Cruising altitude, in feet or in metres [0 to 45 000 ft]; 36 000 ft when neither is given.
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

    _accepts = (("hours", "WithUnit"), ("altitude_ft", "WithUnit | None"), ("altitude_m", "WithUnit | None"))

    def __post_init__(self) -> None:
        object.__setattr__(self, "hours", check_number("hours", self.hours, low=0.0, unit="h"))
        altitude_in_feet(self.altitude_ft, self.altitude_m)
        for name, unit in (("altitude_ft", "ft"), ("altitude_m", "m")):
            if getattr(self, name) is not None:
                object.__setattr__(self, name, check_number(name, getattr(self, name), unit=unit))
        latitude_band(self.latitude)

    @property
    def resolved_altitude_ft(self) -> float:
        """Altitude [ft], however it was given."""
        return altitude_in_feet(self.altitude_ft, self.altitude_m)


@dataclass(frozen=True, kw_only=True)
class Storage(Result):
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

    _accepts = (("days", "WithUnit"), ("rate_mgy_per_year", "WithUnit | None"))

    def __post_init__(self) -> None:
        object.__setattr__(self, "days", check_number("days", self.days, low=0.0, unit="days"))
        if self.rate_mgy_per_year is not None:
            rate = check_number("rate_mgy_per_year", self.rate_mgy_per_year, low=0.0, unit="mGy/year")
            object.__setattr__(self, "rate_mgy_per_year", rate)


@dataclass(frozen=True, kw_only=True)
class History(Result):
    """All that irradiated one roll.

    Parameters
    ----------
    passes, flights, storage
        Its parts, in any order: one object or several of each kind.
    format
        "35mm" (in its steel cartridge), "120" or "sheet": what stands around the emulsion.
    bag
        Contents of the bag at every pass that does not say otherwise; None takes the typical ones.
    """

    passes: tuple[Pass, ...] = ()
    flights: tuple[Flight, ...] = ()
    storage: tuple[Storage, ...] = ()
    format: FilmFormat = "35mm"
    bag: Bag | str | None = None

    if TYPE_CHECKING:  # what it takes is more than what it keeps

        def __init__(
            self,
            *,
            passes: Pass | Iterable[Pass] = (),
            flights: Flight | Iterable[Flight] = (),
            storage: Storage | Iterable[Storage] = (),
            format: FilmFormat = "35mm",
            bag: Bag | str | None = None,
        ) -> None: ...

    _accepts = (
        ("passes", "Pass | Iterable[Pass]"),
        ("flights", "Flight | Iterable[Flight]"),
        ("storage", "Storage | Iterable[Storage]"),
    )

    def __post_init__(self) -> None:
        check_format(self.format)
        object.__setattr__(self, "bag", as_bag(self.bag))
        for name, kind in (("passes", Pass), ("flights", Flight), ("storage", Storage)):
            given = getattr(self, name)
            parts = tuple(given) if isinstance(given, Iterable) else (given,)
            for part in parts:
                if not isinstance(part, kind):
                    raise ArgumentError(name, part, f"{kind.__name__} objects")
            object.__setattr__(self, name, parts)

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each part, as of :func:`history_dose`."""
        return history_dose(self).to_dataframe()


@dataclass(frozen=True, kw_only=True, repr=False)
class HistoryDose(Result):
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
    parts
        What each part contributes, by the names of ``CONTRIBUTION_COLUMNS``.
    notes
        Sentences that belong to the figures.
    """

    kerma_ugy: EffectiveKerma
    kerma_low_ugy: EffectiveKerma
    kerma_high_ugy: EffectiveKerma
    air_kerma_ugy: AirKerma
    emulsion_dose_ugy: float
    peak_to_mean: float
    parts: tuple[Mapping[str, Any], ...]
    notes: tuple[str, ...] = ()

    @cached_property
    def contributions(self) -> pd.DataFrame:
        """One row for each part; columns as in ``CONTRIBUTION_COLUMNS``."""
        import pandas as pd

        return pd.DataFrame(list(self.parts), columns=list(CONTRIBUTION_COLUMNS))

    @property
    def worst_band_ugy(self) -> tuple[EffectiveKerma, EffectiveKerma, EffectiveKerma]:
        """Effective kerma under the worst band [uGy], low, typical, high: ``peak_to_mean`` times that of the roll."""
        low, typical, high = (
            EffectiveKerma(self.peak_to_mean * kerma)
            for kerma in (self.kerma_low_ugy, self.kerma_ugy, self.kerma_high_ugy)
        )
        return low, typical, high

    def __repr__(self) -> str:
        return (
            f"HistoryDose(kerma_ugy={self.kerma_ugy:.6g}, from {self.kerma_low_ugy:.4g} to {self.kerma_high_ugy:.4g}; "
            f"air_kerma_ugy={self.air_kerma_ugy:.6g}, emulsion_dose_ugy={self.emulsion_dose_ugy:.6g}, "
            f"parts={len(self.parts)})"
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

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each part; a copy of ``contributions``."""
        return self.contributions.copy()


def history_dose(
    history: History | Pass | Flight | Storage | Iterable[Pass | Flight | Storage],
    *,
    eta_low: float = ETA_LOW,
    steps: TransportStep | Iterable[TransportStep] = STEPS,
) -> HistoryDose:
    """Effective kerma of a history: the sum over its parts, in any order.

    K = sum over passes of count views multiplier K_pass R T  +  sum over flights and storage of K R

    with R the fog per air kerma of the beam where K_pass stands, relative to the reference beam, and T the fog that
    bag, cartridge, shields and the roll's own outer layers let through, all in one spectrum.

    Parameters
    ----------
    history
        A :class:`History`, one part, or several parts.
    eta_low
        Efficiency of the film below 60 keV [1; 0 to 1], an inference.
    steps
        Which of "bag", "cartridge", "shields", "roll" to count.

    Returns
    -------
    HistoryDose

    Raises
    ------
    ArgumentError
        A part that is none, an efficiency out of range, a step that is not known.

    Notes
    -----
    Shields act on the passes they were given for, and on nothing else: lead
    does not reduce background or in-flight radiation, so flights and storage
    take no benefit from any. A beam above 800 keV is credited with no wall.

    References
    ----------
    ncrp147, nist_srd126

    Examples
    --------
    >>> one = history_dose(Pass(source="cabin-ct"))
    >>> roll = one.contributions.iloc[0]
    >>> bool(roll["through_cartridge"] < 1.0 == roll["through_shields"])
    True
    >>> one.notes[0][:28]
    'Cabin CT: badge readings at '
    """
    parts = _as_history(history)
    rows, sums = _rows_and_sums(parts, eta_low, steps)
    return HistoryDose(
        kerma_ugy=EffectiveKerma(sums["kerma_ugy"]),
        kerma_low_ugy=EffectiveKerma(sums["kerma_low_ugy"]),
        kerma_high_ugy=EffectiveKerma(sums["kerma_high_ugy"]),
        air_kerma_ugy=AirKerma(sums["air_kerma_ugy"]),
        emulsion_dose_ugy=sums["emulsion_dose_ugy"],
        peak_to_mean=sums["peak_to_mean"],
        parts=tuple({name: row[name] for name in CONTRIBUTION_COLUMNS} for row in rows),
        notes=tuple(dict.fromkeys(_notes(parts, rows))),
    )


def history_sums(history: History) -> dict[str, float]:
    """The figures of :func:`history_dose` without its table of parts, for hundreds of rolls: by their names there.

    Parameters
    ----------
    history
        What the roll went through.

    Returns
    -------
    dict
        ``kerma_ugy``, ``kerma_low_ugy``, ``kerma_high_ugy`` [uGy] and what else :class:`HistoryDose` has, without its
        parts.

    Examples
    --------
    >>> sums = history_sums(History(passes=(Pass(source="cabin-ct", count=2),)))
    >>> sums["kerma_ugy"] == history_dose(Pass(source="cabin-ct", count=2)).kerma_ugy
    True
    """
    return _rows_and_sums(history, ETA_LOW, STEPS)[1]


_SUMS = ("kerma_ugy", "kerma_low_ugy", "kerma_high_ugy", "air_kerma_ugy", "emulsion_dose_ugy")


def _rows_and_sums(
    parts: History, eta_low: float, steps: Iterable[str]
) -> tuple[list[dict[str, Any]], dict[str, float]]:
    check_eta(eta_low)
    counted = check_steps(steps)
    rows = [
        *(_pass_row(part, parts, eta_low, counted) for part in parts.passes),
        *(_flight_row(flight, eta_low) for flight in parts.flights),
        *(_storage_row(shelf, eta_low) for shelf in parts.storage),
    ]
    total = math.fsum(row["kerma_ugy"] for row in rows)
    for row in rows:
        row["share"] = row["kerma_ugy"] / total if total > 0 else 0.0
    peak = math.fsum(row["share"] * row["peak_to_mean"] for row in rows) if total > 0 else 1.0
    sums = {name: math.fsum(row[name] for row in rows) for name in _SUMS}
    return rows, {**sums, "peak_to_mean": max(1.0, peak)}


def given_dose(kerma_ugy: float | str, name: str = "given dose") -> Pass:
    """A dose at the film that is known, as a pass through a source of its own name.

    Parameters
    ----------
    kerma_ugy
        Effective kerma [uGy; at least 0], a number or a text such as "0.3 mR".
    name
        Different for different doses of one trip.

    Returns
    -------
    Pass

    Raises
    ------
    ArgumentError
        Negative, not finite, or a unit that is not known.

    Examples
    --------
    >>> given_dose("1 mR").resolved_source.air_kerma_typical_ugy
    8.76426
    """
    kerma = parse_kerma("kerma_ugy", kerma_ugy)
    return Pass(source=Source(name=name, title="dose as given", air_kerma_typical_ugy=kerma, at="film"))


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


def pass_air_kerma_ugy(part: Pass) -> tuple[AirKerma, AirKerma, AirKerma]:
    """Air kerma of all passes of a part where it stands [uGy]: low, typical, high.

    Parameters
    ----------
    part
        Passes of one source.

    Returns
    -------
    tuple of float
        Low, typical and high [uGy]: kerma of one view, times its views, times the count.

    Examples
    --------
    >>> [round(float(kerma), 1) for kerma in pass_air_kerma_ugy(Pass(source="cabin-xray", count=5))]
    [2.0, 6.0, 30.0]
    """
    source = part.resolved_source
    per_pass = source.air_kerma_points_ugy if part.air_kerma_ugy is None else (float(part.air_kerma_ugy),) * 3
    low, typical, high = (
        AirKerma((part.normal_passes + held) * kerma) for held, kerma in zip(part.held_passes, per_pass, strict=True)
    )
    return low, typical, high


def pass_sentences(part: Pass) -> tuple[str, ...]:
    """What must be said wherever a pass appears: its source's warning, and the caution where the dose is its.

    Parameters
    ----------
    part
        Passes of one source.

    Returns
    -------
    tuple of str
        None, one or two sentences.

    Examples
    --------
    >>> [len(pass_sentences(Pass(source=name))) for name in ("cabin-ct", "hold-ct")]
    [1, 1]
    """
    return part.resolved_source.sentences(own_dose=part.air_kerma_ugy is not None)


def pass_chain(part: Pass, history: History, *, steps: str | Iterable[str] = STEPS, thicker: float = 1.0) -> Chain:
    """What stands between the source of a pass and the emulsion; ``thicker`` multiplies its shields' thickness.

    Parameters
    ----------
    part
        Passes of one source, with its shields.
    history
        The roll's history, which knows its format and its bag.
    steps
        Which of "bag", "cartridge", "shields", "roll" to count.
    thicker
        Factor on the thickness of the shields [1; at least 0].

    Returns
    -------
    Chain
        Layers from the source to the emulsion.

    Raises
    ------
    ArgumentError
        A step that is not known.
    """
    bag = history.bag if part.bag is None else part.bag
    return film_chain(
        at=part.stands_at, format=history.format, bag=bag, shields=part.shields, steps=steps, thicker=thicker
    )


def _row(kerma: tuple[float, float, float], beam: Beam, chain: Chain, eta_low: float) -> dict[str, Any]:
    """What a part of any kind contributes: ``kerma`` is the air kerma where it stands, low to high."""
    low, typical, high = kerma
    found = arrival(beam, chain, eta_low)
    return {
        "beam": str(beam),
        "incident_kerma_ugy": typical,
        "relative_response": found.response,
        **{f"through_{step}": 1.0 for step in STEPS},
        **{f"through_{step}": share for step, share in found.through},
        "transmission": found.transmission,
        "air_kerma_ugy": typical * found.air,
        "emulsion_dose_ugy": typical * found.emulsion,
        "kerma_ugy": typical * found.effective,
        "kerma_low_ugy": low * found.effective,
        "kerma_high_ugy": high * found.effective,
    }


def _pass_row(part: Pass, history: History, eta_low: float, steps: tuple[str, ...]) -> dict[str, Any]:
    source = part.resolved_source
    kerma = pass_air_kerma_ugy(part)
    row = _row(kerma, source.beam, pass_chain(part, history, steps=steps), eta_low)
    factors = thickness_factors(part.shields)
    if factors is not None and "shields" in steps:
        thin, thick = (
            arrival(source.beam, pass_chain(part, history, steps=steps, thicker=factor), eta_low).effective
            for factor in factors
        )
        row |= {"kerma_low_ugy": kerma[0] * thick, "kerma_high_ugy": kerma[2] * thin}
    return {
        "kind": "pass",
        "source": source.name,
        "detail": source.title,
        "count": part.count,
        "multiplier": part.multiplier * part.views + part.held_passes[1] / max(part.count, 1),
        "shield": part.shield_text,
        "at": part.stands_at,
        **row,
        "peak_to_mean": source.peak_to_mean if part.peak_to_mean is None else part.peak_to_mean,
        "evidence": source.evidence if part.air_kerma_ugy is None else "measured",
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
        "at": "film",
        **_row(kerma, HARD_BEAM, Chain(before=(), steps=()), eta_low),
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


def _held_note(part: Pass) -> str:
    """What a stopped belt does, and how little of it is known."""
    source = part.resolved_source
    assert source.beam_width_mm is not None
    low, typical, high = (_rounded(held) for held in part.held_passes)
    narrow, width, wide = source.beam_width_mm
    beam = {
        "running": "the beam running",
        "pulsed": "the beam on from time to time",
        "unknown": "the beam on or off, which is not known",
    }[part.beam_on]
    return (
        f"Held {part.held_s:g} s at {part.place or source.title}, {beam}: a stripe about {width:g} mm wide ({narrow:g} "
        f"to {wide:g}) that stood in the beam took as much as {typical} more passes ({low} to {high}). The "
        "figures are of that stripe; film beside it took a usual pass only. Belt speed and beam width are from memory, "
        "the share of the time with the beam on is an inference. Ask what the machine did, develop one unimportant "
        "roll first, and look for a band that repeats."
    )


def _untold(part: Pass) -> bool:
    """True when nothing tells the machine of a pass from another, or when several passes went through it."""
    return part.air_kerma_ugy is None and not (part.scanner.strip() or part.place.strip() or part.date)


def _rounded(passes: float) -> str:
    """A number of passes to two digits."""
    return f"{passes:.2g}" if passes < 1.0 else f"{float(f'{passes:.2g}'):.0f}"


def _old_stock_note(parts: History, rows: list[dict[str, Any]]) -> str:
    """What a year or more on a shelf does, why fast film minds it, and from when it counts."""
    shelf = [row for row in rows if row["kind"] == "storage"]
    given, fogs = (math.fsum(row[name] for row in shelf) for name in ("incident_kerma_ugy", "kerma_ugy"))
    one = _pass_row(Pass(source="cabin-ct"), History(format=parts.format), ETA_LOW, STEPS)["kerma_ugy"]
    fast, slow = 3200.0, 400.0
    more = (fast / slow) ** _HIT_EXPONENT
    days = math.fsum(part.days for part in parts.storage)
    return (
        f"Old stock: the ground gives film about {given / 1000.0:.2g} mGy in {days:.0f} days, in a drawer, a "
        f"refrigerator or a lead box alike. That fogs as {fogs:.2g} uGy of a scanner's beam, {fogs / one:.2g} of a "
        "cabin CT pass. A grain is struck the more the larger it is, and fast film has large ones: "
        f"ISO {fast:g} takes about {more:.0f} times the hits of ISO {slow:g} (an inference). It counts from the day of "
        "manufacture, not of purchase, since the speed on the box is that of fresh film: a box may have lain for a "
        "year or more before it was sold (count back from its expiry date; from memory, two to three years). Age and "
        "heat fog film as well and are not in the figures."
    )


def _notes(parts: History, rows: list[dict[str, Any]]) -> Iterable[str]:
    for part in parts.passes:
        source = part.resolved_source
        yield from pass_sentences(part)
        if part.held_s:
            yield _held_note(part)
        if part.shields and no_wall_counts(source.beam):
            yield f"No shield is credited against {source.title} ({source.beam})."
        if part.shields and not no_wall_counts(source.beam):
            yield (
                f"What the shield {part.shield_text} lets through counts what it scatters into the film: published for "
                "lead from 60 to 150 kVp, an inference for other metals and harder beams."
            )
    alike = sum(part.count for part in parts.passes if part.resolved_source.mixture and _untold(part))
    if alike > 1:
        yield (
            f"{alike} passes through a scanner not known count as through one and the same machine, which gives the "
            "widest range. In a trip file passes with dates, places or scanners of their own count as different ones."
        )
    for flight in parts.flights:
        if flight.resolved_altitude_ft > PUBLISHED_ALTITUDE_FT:
            yield f"Dose rates in flight above {PUBLISHED_ALTITUDE_FT:.0f} ft continue the slope below it."
    if sum(shelf.days for shelf in parts.storage) >= OLD_STOCK_DAYS:
        yield _old_stock_note(parts, rows)
        yield BOX_SPEEDS
    if parts.flights or parts.storage:
        yield (
            "Background and in-flight radiation are hard: film answers to them about twenty times less per dose "
            "than to a scanner's beam (an inference), and no shield reduces them."
        )


hold_to_annotations(globals())
