"""What happened to a roll: every pass, as effective kerma at the film.

Doses add. X-ray exposure of film has neither reciprocity failure nor an
intermittency effect, so the order and the spacing of the parts do not matter.
"""

from __future__ import annotations

import datetime
import html
import math
import re
from collections.abc import Iterable
from dataclasses import dataclass, field
from typing import Any

import pandas as pd

from filmdose.arrays import check_count, check_number
from filmdose.errors import ArgumentError
from filmdose.radiation.shields import Shield, transmission
from filmdose.radiation.sources import Source, get_source
from filmdose.units import parse_kerma

__all__ = ["History", "HistoryDose", "Pass", "history_dose"]

_PASS = re.compile(r"\s*([A-Za-z][\w-]*)\s*(?:=\s*([+-]?\d+))?\s*")


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
        What was around the film: a :class:`Shield`, a text such as "lead=0.25", or None.
    multiplier
        Dose over that of a normal pass: dwell time over normal dwell time for a belt that stopped [1; at least 0].
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
    shield: Shield | str | None = None
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
        if isinstance(self.shield, str):
            object.__setattr__(self, "shield", Shield.parse(self.shield))
        elif not (self.shield is None or isinstance(self.shield, Shield)):
            raise ArgumentError("shield", self.shield, "a Shield, a text such as 'lead=0.25', or None")
        object.__setattr__(self, "multiplier", check_number("multiplier", self.multiplier, low=0.0))
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


@dataclass(frozen=True, kw_only=True)
class History:
    """All that irradiated one roll."""

    passes: tuple[Pass, ...] = ()

    def __post_init__(self) -> None:
        passes = (self.passes,) if isinstance(self.passes, Pass) else tuple(self.passes)
        for part in passes:
            if not isinstance(part, Pass):
                raise ArgumentError("passes", part, "Pass objects")
        object.__setattr__(self, "passes", passes)


@dataclass(frozen=True, kw_only=True)
class HistoryDose:
    """Dose of a history.

    Parameters
    ----------
    kerma_ugy
        Effective kerma [uGy]: air kerma of the reference beam that fogs as much, shields included.
    kerma_low_ugy, kerma_high_ugy
        The same with every part at its low or its high point, as if all were low or high together.
    air_kerma_ugy
        Air kerma at the film, behind its shields [uGy].
    peak_to_mean
        Fog under the worst band over the mean, weighted by effective kerma [1].
    contributions
        One row for each part.
    notes
        Sentences that belong to the figures.
    """

    kerma_ugy: float
    kerma_low_ugy: float
    kerma_high_ugy: float
    air_kerma_ugy: float
    peak_to_mean: float
    contributions: pd.DataFrame = field(repr=False, compare=False)
    notes: tuple[str, ...] = ()

    def _repr_html_(self) -> str:
        notes = "".join(f"<p>{html.escape(note)}</p>" for note in self.notes)
        head = (
            f"<p><b>{self.kerma_ugy:.4g} uGy</b> effective kerma "
            f"({self.kerma_low_ugy:.4g} to {self.kerma_high_ugy:.4g})</p>"
        )
        return head + self.contributions.to_html(index=False, float_format="{:.4g}".format) + notes


def history_dose(history: History | Pass | Iterable[Pass]) -> HistoryDose:
    """Effective kerma of a history: the sum over its parts, in any order.

    Examples
    --------
    >>> history_dose([Pass.parse("cabin-ct=2"), Pass.parse("cabin-xray=3")]).kerma_ugy
    203.0
    """
    if not isinstance(history, History):
        history = History(passes=history)  # type: ignore[arg-type]
    rows = [_pass_row(part) for part in history.passes]
    columns = [*_pass_row(Pass(source="cabin-xray")), "share"]
    total = math.fsum(row["kerma_ugy"] for row in rows)
    for row in rows:
        row["share"] = row["kerma_ugy"] / total if total > 0 else 0.0
    peak = math.fsum(row["kerma_ugy"] * row["peak_to_mean"] for row in rows) / total if total > 0 else 1.0
    notes = dict.fromkeys(p.resolved_source.note for p in history.passes if p.resolved_source.unpublished)
    return HistoryDose(
        kerma_ugy=total,
        kerma_low_ugy=math.fsum(row["kerma_low_ugy"] for row in rows),
        kerma_high_ugy=math.fsum(row["kerma_high_ugy"] for row in rows),
        air_kerma_ugy=math.fsum(row["air_kerma_ugy"] for row in rows),
        peak_to_mean=peak,
        contributions=pd.DataFrame(rows, columns=columns),
        notes=tuple(notes),
    )


def _pass_row(part: Pass) -> dict[str, Any]:
    source = part.resolved_source
    per_pass = source.kerma_points_ugy if part.kerma_ugy is None else (float(part.kerma_ugy),) * 3
    shield = part.shield if isinstance(part.shield, Shield) else None
    through = transmission(shield, source.beam).effective
    low, typical, high = (part.count * part.multiplier * kerma for kerma in per_pass)
    return {
        "kind": "pass",
        "source": source.name,
        "count": part.count,
        "shield": "" if shield is None else str(shield),
        "multiplier": part.multiplier,
        "incident_kerma_ugy": typical,
        "transmission": through,
        "air_kerma_ugy": typical * through,
        "relative_response": 1.0,
        "kerma_ugy": typical * through,
        "kerma_low_ugy": low * through,
        "kerma_high_ugy": high * through,
        "peak_to_mean": source.peak_to_mean if part.peak_to_mean is None else part.peak_to_mean,
    }
