"""Reports that the model is held against: the cases of predictions.toml, and the history that each stands for."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filmdose.history import History, Pass
from filmdose.radiation import Source

QUANTITIES = ("fog_density", "given_stops", "range_kept", "shield_transmission")
_CASE = {"kind", "speed", "format", "passes", "shield", "multiplier", "air_kerma_ugy", "beam"}


@dataclass(frozen=True, kw_only=True)
class Prediction:
    """One report: its case, the quantity and the band in which it lies."""

    id: str
    reported: str
    source: str
    flag: str
    independent: bool
    case: dict[str, Any]
    quantity: str
    low: float
    high: float
    band: str

    def __post_init__(self) -> None:
        if self.quantity not in QUANTITIES or self.flag not in ("S", "C") or not self.low < self.high:
            raise ValueError(f"{self.id}: quantity, flag or band is not possible")
        if not set(self.case) <= _CASE or not {"kind", "speed"} <= set(self.case):
            raise ValueError(f"{self.id}: the case has fields {sorted(self.case)}; allowed are {sorted(_CASE)}")

    @property
    def history(self) -> History:
        """What the film of the case went through."""
        options = {key: self.case[key] for key in ("shield", "multiplier") if key in self.case}
        passes = [Pass.parse(text, **options) for text in self.case.get("passes", ())]
        if "air_kerma_ugy" in self.case:
            given = Source(
                name="stated dose", air_kerma_typical_ugy=self.case["air_kerma_ugy"], beam=self.case["beam"], at="film"
            )
            passes.append(Pass(source=given))
        return History(passes=tuple(passes), format=self.case.get("format", "35mm"))

    def verdict(self, value: float) -> str:
        """Whether a predicted value lies "inside", "above" or "below" the band."""
        if value < self.low:
            return "below"
        return "above" if value > self.high else "inside"


def read_predictions(path: Path | None = None) -> tuple[Prediction, ...]:
    """All reports of predictions.toml."""
    path = path or Path(__file__).with_name("predictions.toml")
    rows = tomllib.loads(path.read_text(encoding="utf-8"))["prediction"]
    return tuple(Prediction(**row) for row in rows)
