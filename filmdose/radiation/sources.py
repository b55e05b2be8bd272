"""What a roll of film meets: each source with its dose per pass, its beam and its evidence."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.everyday import SOURCES_MEANT, meant
from filmdose.files import load_data_toml
from filmdose.names import EvidenceGrade, KermaPlace
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.chain import PLACES
from filmdose.radiation.spectra import KVP_RANGE
from filmdose.result import Result
from filmdose.units import AirKerma, parse_kerma

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "EVIDENCE_GRADES",
    "Source",
    "beam_on_share",
    "get_source",
    "is_shipped",
    "list_sources",
    "register_source",
    "source_names",
]

#: How well a dose is known, best first.
EVIDENCE_GRADES = ("measured", "reported", "informal", "memory", "inference")


@dataclass(frozen=True, kw_only=True)
class Source(Result):
    """One class of radiation source and its air kerma per pass.

    Parameters
    ----------
    name
        Short name, as used in a pass ("cabin-xray").
    title
        Name in words.
    air_kerma_low_ugy, air_kerma_typical_ugy, air_kerma_high_ugy
        Air kerma per pass [uGy]: the 5, 50 and 95 % points of a log-normal. Numbers or texts such as "0.1 mR".
    at
        Where that kerma stands: "bag" (outside of it), "inside" (in a bag of typical contents, as a badge travels) or
        "film".
    per_view
        True when the kerma is that of one view.
    beam
        Beam quality; a :class:`Beam` of 60 to 320 kVp or one energy, or a text such as "140kVp, al=3".
    beam_soft, beam_hard
        The 5 and 95 % ends of what the beam may be; None when the beam is known.
    class_share
        Share of the variance of ln(dose per pass) that all scanners of the class have in common [1; 0 to 1].
    peak_to_mean
        Fog under the worst band over the mean [1; at least 1]; 1 where the kerma is that of the band itself.
    belt_speed_m_s, beam_width_mm
        Low, typical and high speed of the belt [m/s] and width of the beam along it at the bag [mm]; None where no belt
        carries film through a beam.
    mixture
        Of a scanner that nobody identified: names of the sources that it may be, each with its probability.
    evidence
        One of ``EVIDENCE_GRADES``.
    references
        Keys of the bibliography.
    country, date, reviewed
        Of the readings; reviewed when they stand in a reviewed publication.
    caution
        A sentence that is printed wherever the dose is used; empty when none is needed.
    warning
        A sentence that is printed wherever the source appears, also where its dose was measured; empty when none is
        needed.
    note
        What a reader must know about the figure.
    """

    name: str
    air_kerma_typical_ugy: AirKerma
    air_kerma_low_ugy: AirKerma | None = None
    air_kerma_high_ugy: AirKerma | None = None
    title: str = ""
    at: KermaPlace = "inside"
    per_view: bool = False
    beam: Beam = REFERENCE_BEAM
    beam_soft: Beam | None = None
    beam_hard: Beam | None = None
    class_share: float = 0.3
    peak_to_mean: float = 1.0
    belt_speed_m_s: tuple[float, float, float] | None = None
    beam_width_mm: tuple[float, float, float] | None = None
    mixture: tuple[tuple[str, float], ...] = ()
    evidence: EvidenceGrade = "measured"
    references: tuple[str, ...] = ()
    country: str = ""
    date: str = ""
    reviewed: bool = False
    caution: str = ""
    warning: str = ""
    note: str = ""

    if TYPE_CHECKING:  # what it takes is more than what it keeps

        def __init__(
            self,
            *,
            name: str,
            air_kerma_typical_ugy: float | str,
            air_kerma_low_ugy: float | str | None = None,
            air_kerma_high_ugy: float | str | None = None,
            title: str = "",
            at: KermaPlace = "inside",
            per_view: bool = False,
            beam: Beam | str = REFERENCE_BEAM,
            beam_soft: Beam | str | None = None,
            beam_hard: Beam | str | None = None,
            class_share: float = 0.3,
            peak_to_mean: float = 1.0,
            belt_speed_m_s: tuple[float, float, float] | None = None,
            beam_width_mm: tuple[float, float, float] | None = None,
            mixture: Mapping[str, float] | Iterable[tuple[str, float]] = (),
            evidence: EvidenceGrade = "measured",
            references: Iterable[str] = (),
            country: str = "",
            date: str = "",
            reviewed: bool = False,
            caution: str = "",
            note: str = "",
        ) -> None: ...

    _accepts = (
        dict.fromkeys(("beam", "beam_soft", "beam_hard"), "Beam | str | None")
        | dict.fromkeys(("air_kerma_typical_ugy", "air_kerma_low_ugy", "air_kerma_high_ugy"), "WithUnit | None")
        | {"mixture": "Any"}
    )

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise ArgumentError("name", self.name, "a name of at least one character")
        typical = parse_kerma("air_kerma_typical_ugy", self.air_kerma_typical_ugy)
        low, high = (
            typical if getattr(self, field) is None else parse_kerma(field, getattr(self, field))
            for field in ("air_kerma_low_ugy", "air_kerma_high_ugy")
        )
        if not low <= typical <= high:
            raise ArgumentError("kerma per pass", (low, typical, high), "low <= typical <= high [uGy]")
        if self.evidence not in EVIDENCE_GRADES:
            raise UnknownNameError("evidence", self.evidence, EVIDENCE_GRADES)
        object.__setattr__(self, "air_kerma_typical_ugy", typical)
        object.__setattr__(self, "air_kerma_low_ugy", low)
        object.__setattr__(self, "air_kerma_high_ugy", high)
        object.__setattr__(self, "title", self.title or self.name)
        if self.at not in PLACES:
            raise UnknownNameError("at", self.at, PLACES)
        for field in ("beam", "beam_soft", "beam_hard"):
            object.__setattr__(self, field, _as_beam(field, getattr(self, field)))
        object.__setattr__(self, "class_share", check_number("class_share", self.class_share, low=0.0, high=1.0))
        object.__setattr__(self, "peak_to_mean", check_number("peak_to_mean", self.peak_to_mean, low=1.0))
        for field, unit in (("belt_speed_m_s", "m/s"), ("beam_width_mm", "mm")):
            if getattr(self, field) is not None:
                object.__setattr__(self, field, _points_above_zero(field, getattr(self, field), unit))
        object.__setattr__(self, "mixture", tuple(dict(self.mixture).items()))
        object.__setattr__(self, "references", tuple(self.references))

    @property
    def air_kerma_points_ugy(self) -> tuple[AirKerma, AirKerma, AirKerma]:
        """Air kerma per pass [uGy], low, typical and high."""
        low = self.air_kerma_typical_ugy if self.air_kerma_low_ugy is None else self.air_kerma_low_ugy
        high = self.air_kerma_typical_ugy if self.air_kerma_high_ugy is None else self.air_kerma_high_ugy
        return low, self.air_kerma_typical_ugy, high

    @property
    def _brief(self) -> str:
        return repr(self.name)

    def sentences(self, *, own_dose: bool = False) -> tuple[str, ...]:
        """What must be said wherever the source appears; ``own_dose`` when the dose was measured."""
        return tuple(words for words in (self.warning, "" if own_dose else self.caution) if words)


def _points_above_zero(field: str, points: Sequence[float], unit: str) -> tuple[float, float, float]:
    """Low, typical and high, in this order."""
    low, typical, high = (check_number(field, point, low=0.0, low_open=True, unit=unit) for point in points)
    if not low <= typical <= high:
        raise ArgumentError(field, tuple(points), f"low <= typical <= high [{unit}]")
    return low, typical, high


def _as_beam(field: str, given: Beam | str | None) -> Beam | None:
    if given is None and field != "beam":
        return None
    beam = Beam.parse(given) if isinstance(given, str) else given
    if not isinstance(beam, Beam):
        raise ArgumentError(field, beam, "a Beam, or a text such as '140kVp, al=3'")
    if beam.tube_kvp is not None:
        low_kvp, high_kvp = KVP_RANGE
        check_number(field, beam.tube_kvp, low=low_kvp, high=high_kvp, unit="kVp")
    return beam


@cache
def _shipped() -> dict[str, Source]:
    known = {field for field in Source.__dataclass_fields__ if field != "name"}
    return {
        name: Source(name=name, **{key: value for key, value in row.items() if key in known})
        for name, row in load_data_toml("sources.toml")["sources"].items()
    }


@cache
def beam_on_share() -> dict[str, tuple[float, float, float]]:
    """Share of a stop with the beam on [1], low, typical, high: "running", "pulsed" or "unknown" (an inference)."""
    data = load_data_toml("sources.toml")["beam_on_share"]
    return {name: _points_above_zero(name, data[name], "1") for name in ("running", "pulsed", "unknown")}


#: Sources of the user's own, by name; of this process alone.
_REGISTERED: dict[str, Source] = {}


def register_source(source: Source) -> Source:
    """Let a source of one's own be known by its name: to passes, legs, trip files, the card and dose priors.

    It is known in this process only; a pass that was made from it carries it along to others.

    Parameters
    ----------
    source
        The source. One of the same name that was registered before is replaced; a shipped one never is.

    Returns
    -------
    The source.

    Raises
    ------
    ArgumentError
        Its name is that of a shipped source, or a word for one.

    Examples
    --------
    >>> studio = register_source(Source(name="parcel-x-ray", air_kerma_typical_ugy="0.5 mR", evidence="measured"))
    >>> get_source("parcel-x-ray") is studio
    True
    """
    if meant(source.name, SOURCES_MEANT) in _shipped():
        taken = ", ".join(_shipped())
        raise ArgumentError("source", source.name, f"a name that is not taken (taken are {taken})", "Rename it.")
    _REGISTERED[source.name] = source
    return source


def is_shipped(source: Source) -> bool:
    """Whether a source came with the package, so that its name is enough anywhere."""
    return _shipped().get(source.name) is source


def source_names() -> tuple[str, ...]:
    """Names of the shipped sources, in the order of the data file, and of those that were registered.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> source_names()[:2]
    ('cabin-xray', 'cabin-ct')
    """
    return (*_shipped(), *_REGISTERED)


def get_source(name: str) -> Source:
    """The source of that name, shipped or registered, or of an everyday word for it (:mod:`filmdose.everyday`).

    Parameters
    ----------
    name
        A name, or an everyday word.

    Returns
    -------
    Source

    Raises
    ------
    UnknownNameError
        With the near matches.

    Examples
    --------
    >>> get_source("cabin-xray").air_kerma_typical_ugy
    1.2
    """
    if isinstance(name, str) and name in _REGISTERED:
        return _REGISTERED[name]
    try:
        return _shipped()[meant(name, SOURCES_MEANT)]
    except (KeyError, TypeError, AttributeError):
        action = "A source of your own: register_source(Source(...))."
        raise UnknownNameError("source", name, source_names(), action) from None


def list_sources() -> pd.DataFrame:
    """All sources as a table, one row each, index ``name``; unit, flag and references included.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> bool(list_sources().loc["cabin-ct", "reviewed"])
    False
    """
    import pandas as pd

    data = load_data_toml("sources.toml")
    rows = [
        {
            "name": source.name,
            "title": source.title,
            "air_kerma_low_ugy": source.air_kerma_low_ugy,
            "air_kerma_typical_ugy": source.air_kerma_typical_ugy,
            "air_kerma_high_ugy": source.air_kerma_high_ugy,
            "unit": data["unit"],
            "at": source.at,
            "beam": str(source.beam),
            "beam_soft": "" if source.beam_soft is None else str(source.beam_soft),
            "beam_hard": "" if source.beam_hard is None else str(source.beam_hard),
            "peak_to_mean": source.peak_to_mean,
            "belt_speed_m_s": None if source.belt_speed_m_s is None else source.belt_speed_m_s[1],
            "beam_width_mm": None if source.beam_width_mm is None else source.beam_width_mm[1],
            "evidence": source.evidence,
            "flag": data["sources"][source.name]["flag"] if source.name in data["sources"] else "user",
            "country": source.country,
            "date": source.date,
            "reviewed": source.reviewed,
            "caution": source.caution,
            "warning": source.warning,
            "references": ", ".join(source.references),
            "note": source.note,
            "version": data["version"],
        }
        for source in map(get_source, source_names())
    ]
    return pd.DataFrame(rows).set_index("name")


hold_to_annotations(globals())
