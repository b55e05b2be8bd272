"""The chain from scanner to exposure index, held to figures from outside (chain.csv) and scored in factors.

Run:  python reference/chain.py

A factor of 1 means inside the band; above 1 the model says more than the band's upper end, below 1 less than its lower
end.  Of stops the factor is that in exposure; of an exposure index below 1 is slower.  Nothing here sets a prior.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pandas as pd

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.history import Pass, Storage, history_dose
from filmdose.radiation import badge_air_kerma, get_source

STEPS = ("source", "fog", "stops", "index")
_TRIP = ("cabin-xray=7", "cabin-ct=3")

#: Why the model may lie outside the band of a row, by id.
WHY: dict[str, str] = {
    "xray-one-machine": "One machine; our typical value is the middle of several.",
    "xray-factory": "One unit, in the factory; ours is the middle of several.",
    "xray-tube": "Current, slit, belt and distance are our inference; readings count here, and they lie below.",
    "xray-national-limit": "A limit of one country of 2018; older units are among ours.",
    "light-box-1000-high": "Every pass at our 95 % point is not what 300 films met; yet it says that our upper end is "
    "wide for the units of that test.",
    "slope-800-400": "b of 0.79 gives 1.73; the pass counts alone want a b of 0.85 at least, 1.3 in the middle; two "
    "other figures want 0.79.",
    "trade-100-bw": "Clusters of radiation fog make shadows of black-and-white film coarse; verdict usable.",
}


@dataclass(frozen=True, kw_only=True)
class Row:
    """One figure from outside and the band that it means."""

    id: str
    step: str
    what: str
    low: float
    high: float
    unit: str
    flag: str
    source: str
    independent: bool
    note: str

    def __post_init__(self) -> None:
        if self.step not in STEPS or self.flag not in ("S", "D", "C") or not 0.0 <= self.low <= self.high:
            raise ValueError(f"{self.id}: step, flag or band is not possible")

    def factor(self, value: float) -> float:
        """How far a value lies outside the band, as a factor; 1 inside."""
        nearest = min(max(value, self.low), self.high)
        return 2.0 ** (value - nearest) if self.unit == "stops" else value / nearest if value != nearest else 1.0


def read_chain(path: Path | None = None) -> tuple[Row, ...]:
    """All rows of chain.csv."""
    text = (path or Path(__file__).with_name("chain.csv")).read_text(encoding="utf-8")
    rows = csv.DictReader(line for line in text.splitlines() if not line.startswith("#"))
    return tuple(
        Row(
            **{name: row[name] for name in ("id", "step", "what", "unit", "flag", "source", "note")},
            low=float(row["low"]),
            high=float(row["high"]),
            independent={"yes": True, "no": False}[row["independent"]],
        )
        for row in rows
    )


def _badge_msv(source: str) -> float:
    """What a badge of unstated quantity shows for the typical dose of a source [mSv]."""
    return get_source(source).air_kerma_typical_ugy / badge_air_kerma("1 mSv").air_kerma_ugy


def _kerma(*passes: str) -> float:
    return history_dose([Pass.parse(text) for text in passes]).kerma_ugy


def _fog(kind: str, speed: float, kerma_ugy: float) -> float:
    return answer(generic_film(speed, kind=kind), kerma_ugy).fog_density


def _stops(kind: str, speed: float, *passes: str) -> float:
    given = answer(generic_film(speed, kind=kind), _kerma(*passes)).given_stops
    return math.inf if given is None else given


def _index(kind: str, speed: float, *passes: str) -> float:
    return answer(generic_film(speed, kind=kind), _kerma(*passes)).ei or 0.0


def _slope(kind: str, fast: float, slow: float) -> float:
    """Fog of a fast film over that of a slow one, at a dose small enough for a straight line."""
    return _fog(kind, fast, 0.5) / _fog(kind, slow, 0.5)


BW, COLOUR = "bw-negative", "colour-negative"

#: What the model says of every row, in the row's unit.
MODEL: dict[str, Callable[[], float]] = {
    "xray-reviewed": lambda: 1000.0 * _badge_msv("cabin-xray"),
    "xray-one-machine": lambda: 1000.0 * _badge_msv("cabin-xray"),
    "xray-factory": lambda: get_source("cabin-xray").air_kerma_typical_ugy,
    "xray-tube": lambda: get_source("cabin-xray").air_kerma_typical_ugy,
    "xray-film-safe": lambda: get_source("cabin-xray").air_kerma_high_ugy,
    "xray-national-limit": lambda: get_source("cabin-xray").air_kerma_high_ugy,
    "ct-badges": lambda: _badge_msv("cabin-ct"),
    "hold-ct-beam": lambda: get_source("hold-ct").air_kerma_typical_ugy,
    "hold-ct-badges": lambda: _badge_msv("hold-ct"),
    "hold-ct-direct": lambda: _badge_msv("hold-ct-slice"),
    "storage": lambda: _fog(BW, 400, history_dose(Storage(days=182.5)).kerma_ugy),
    "slope-500-125": lambda: _slope(COLOUR, 500, 125),
    "slope-800-200": lambda: _slope(COLOUR, 800, 200),
    "slope-800-400": lambda: _slope(COLOUR, 800, 400),
    "light-box-1000-high": lambda: _fog(COLOUR, 1000, history_dose(Pass(source="cabin-xray", count=32)).kerma_high_ugy),
    "trade-400-colour": lambda: _stops(COLOUR, 400, "cabin-xray=6"),
    "trade-50-colour": lambda: _stops(COLOUR, 50, *_TRIP),
    "trade-100-colour": lambda: _stops(COLOUR, 100, *_TRIP),
    "trade-100-bw": lambda: _stops(BW, 100, *_TRIP),
    "index-800-colour": lambda: _index(COLOUR, 800, "cabin-ct=1"),
    "index-800-bw": lambda: _index(BW, 800, "cabin-ct=1"),
    "index-400-bw": lambda: _index(BW, 400, "cabin-xray=6"),
}


def scored() -> pd.DataFrame:
    """Every row with what the model says, the factor by which it lies outside the band, and why that may be."""
    rows = []
    for row in read_chain():
        value = MODEL[row.id]()
        factor = row.factor(value)
        rows.append(
            {
                "id": row.id,
                "step": row.step,
                "what": row.what,
                "low": row.low,
                "high": row.high,
                "predicted": value,
                "unit": row.unit,
                "factor": factor,
                "independent": row.independent,
                "source": row.source,
                "why": "" if factor == 1.0 else WHY.get(row.id, ""),
            }
        )
    return pd.DataFrame(rows)


def summary(table: pd.DataFrame) -> pd.DataFrame:
    """By step and independence: rows, how many lie in their band, and the largest factor outside it, either way."""
    away = table.assign(away=[max(factor, 1.0 / factor) for factor in table["factor"]])
    column = away.groupby(["step", "independent"], sort=False)["away"]
    return column.agg(rows="size", inside=lambda found: int((found == 1.0).sum()), largest="max").reset_index()


if __name__ == "__main__":
    found = scored()
    print(found.drop(columns=["source", "why"]).to_string(index=False, float_format="{:.3g}".format))
    print(summary(found).to_string(index=False, float_format="{:.3g}".format))
