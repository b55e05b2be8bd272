"""What a roll of film meets: each source with its dose per pass, its beam and its evidence."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import pandas as pd

from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import load_data_toml
from filmdose.radiation.beams import REFERENCE_BEAM, Beam
from filmdose.radiation.spectra import KVP_RANGE
from filmdose.units import parse_kerma

__all__ = ["EVIDENCE_GRADES", "Source", "get_source", "list_sources", "source_names"]

#: How well a dose is known, best first.
EVIDENCE_GRADES = ("measured", "reported", "informal", "memory", "inference")


@dataclass(frozen=True, kw_only=True)
class Source:
    """One class of radiation source and its air kerma per pass.

    Parameters
    ----------
    name
        Short name, as used in a pass ("cabin-xray").
    title
        Name in words.
    kerma_low_ugy, kerma_typical_ugy, kerma_high_ugy
        Air kerma per pass [uGy]: the 5, 50 and 95 % points of a log-normal. Numbers or texts such as "0.1 mR".
    beam
        Beam quality; a :class:`Beam` of 60 to 200 kVp or one energy, or a text such as "140kVp, al=3".
    peak_to_mean
        Fog under the worst band over the mean [1; at least 1].
    evidence
        One of ``EVIDENCE_GRADES``.
    references
        Keys of the bibliography.
    unpublished
        True when no dose per pass has been published.
    note
        What a reader must know about the figure.
    """

    name: str
    kerma_typical_ugy: float
    kerma_low_ugy: float | None = None
    kerma_high_ugy: float | None = None
    title: str = ""
    beam: Beam = REFERENCE_BEAM
    peak_to_mean: float = 1.0
    evidence: str = "measured"
    references: tuple[str, ...] = ()
    unpublished: bool = False
    note: str = ""

    def __post_init__(self) -> None:
        if not isinstance(self.name, str) or not self.name.strip():
            raise ArgumentError("name", self.name, "a name of at least one character")
        typical = parse_kerma("kerma_typical_ugy", self.kerma_typical_ugy)
        low = typical if self.kerma_low_ugy is None else parse_kerma("kerma_low_ugy", self.kerma_low_ugy)
        high = typical if self.kerma_high_ugy is None else parse_kerma("kerma_high_ugy", self.kerma_high_ugy)
        if not low <= typical <= high:
            raise ArgumentError("kerma per pass", (low, typical, high), "low <= typical <= high [uGy]")
        if self.evidence not in EVIDENCE_GRADES:
            raise UnknownNameError("evidence", self.evidence, EVIDENCE_GRADES)
        object.__setattr__(self, "kerma_typical_ugy", typical)
        object.__setattr__(self, "kerma_low_ugy", low)
        object.__setattr__(self, "kerma_high_ugy", high)
        object.__setattr__(self, "title", self.title or self.name)
        beam = Beam.parse(self.beam) if isinstance(self.beam, str) else self.beam
        if not isinstance(beam, Beam):
            raise ArgumentError("beam", beam, "a Beam, or a text such as '140kVp, al=3'")
        if beam.tube_kvp is not None:
            low_kvp, high_kvp = KVP_RANGE
            check_number("beam", beam.tube_kvp, low=low_kvp, high=high_kvp, unit="kVp")
        object.__setattr__(self, "beam", beam)
        object.__setattr__(self, "peak_to_mean", check_number("peak_to_mean", self.peak_to_mean, low=1.0))
        object.__setattr__(self, "references", tuple(self.references))

    @property
    def kerma_points_ugy(self) -> tuple[float, float, float]:
        """Air kerma per pass [uGy], low, typical and high."""
        low = self.kerma_typical_ugy if self.kerma_low_ugy is None else self.kerma_low_ugy
        high = self.kerma_typical_ugy if self.kerma_high_ugy is None else self.kerma_high_ugy
        return low, self.kerma_typical_ugy, high


@cache
def _shipped() -> dict[str, Source]:
    known = {field for field in Source.__dataclass_fields__ if field != "name"}
    return {
        name: Source(name=name, **{key: value for key, value in row.items() if key in known})
        for name, row in load_data_toml("sources.toml")["sources"].items()
    }


def source_names() -> tuple[str, ...]:
    """Names of the shipped sources, in the order of the data file."""
    return tuple(_shipped())


def get_source(name: str) -> Source:
    """The shipped source of that name.

    Raises
    ------
    UnknownNameError
        With the near matches.

    Examples
    --------
    >>> get_source("cabin-xray").kerma_typical_ugy
    1.0
    """
    try:
        return _shipped()[name]
    except (KeyError, TypeError):
        raise UnknownNameError("source", name, source_names()) from None


def list_sources() -> pd.DataFrame:
    """All shipped sources as a table, one row each, index ``name``; unit, flag and references included.

    Examples
    --------
    >>> bool(list_sources().loc["cabin-ct", "unpublished"])
    True
    """
    data = load_data_toml("sources.toml")
    rows = [
        {
            "name": source.name,
            "title": source.title,
            "kerma_low_ugy": source.kerma_low_ugy,
            "kerma_typical_ugy": source.kerma_typical_ugy,
            "kerma_high_ugy": source.kerma_high_ugy,
            "unit": data["unit"],
            "beam": str(source.beam),
            "peak_to_mean": source.peak_to_mean,
            "evidence": source.evidence,
            "flag": data["sources"][source.name]["flag"],
            "unpublished": source.unpublished,
            "references": ", ".join(source.references),
            "note": source.note,
            "version": data["version"],
        }
        for source in _shipped().values()
    ]
    return pd.DataFrame(rows).set_index("name")
