"""Reports that the model is held against: the cases of predictions.toml, and the history that each stands for."""

from __future__ import annotations

import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass
from filmdose.odds import propagate, trip_model
from filmdose.odds.tally import ScoreStream
from filmdose.radiation import Source
from filmdose.trip import Roll

#: Why the middle prediction may lie outside the band of a report, by id.
WHY: dict[str, str] = {
    "pass-counts-800": "Just below where we say that a streak shows; the interval covers the band. Units with two "
    "views, or older ones, give more than the typical 1.2 uGy a view.",
    "single-xray": "The machine is not stated. A projection unit would have to give ten times the published doses; one "
    "CT pass does it.",
    "trade-slow": "A quarter of a stop more than the trade says, of black-and-white film, whose shadows the clusters "
    "of radiation fog make coarse; verdict usable. A colour negative film of that speed needs two thirds of a stop.",
}

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


def predicted(prediction: Prediction, *, samples: int = 4096) -> tuple[float, float, float]:
    """What the model says of a case: 5, 50 and 95 % points over all that is not known."""
    film = generic_film(prediction.case["speed"], kind=prediction.case["kind"])
    roll = Roll(id="case", film=film, history=prediction.history)
    if prediction.quantity == "shield_transmission":
        bare = Roll(id="bare", film=film, history=History(passes=_without_shields(roll), format=roll.history.format))
        model = trip_model([roll, bare])
        draws = model.draws(ScoreStream(model, None, 2 ** (samples.bit_length() - 1), np.random.default_rng(0)).next())
        low, middle, high = np.quantile(draws.kerma_ugy[:, 0] / draws.kerma_ugy[:, 1], [0.05, 0.5, 0.95])
        return float(low), float(middle), float(high)
    odds = propagate([roll], samples=samples)["case"]
    if prediction.quantity == "range_kept":
        ranges = [answer(film, kerma, exposed=True).exposed for kerma in odds.kerma_ugy]
        kept = [loss.density_range["fogged"] / loss.density_range["clean"] for loss in ranges if loss is not None]
        return kept[2], kept[1], kept[0]
    return odds.fog_density if prediction.quantity == "fog_density" else odds.stops


def _without_shields(roll: Roll) -> tuple[Pass, ...]:
    return tuple(replace(part, shield=None) for part in roll.history.passes)


def comparison(samples: int = 4096) -> pd.DataFrame:
    """Every report with the model's prediction, its verdict and, where it lies outside, why that may be."""
    rows = []
    for one in read_predictions():
        low, middle, high = predicted(one, samples=samples)
        verdict = one.verdict(middle)
        touches = low <= one.high and high >= one.low
        rows.append(
            {
                "id": one.id,
                "reported": one.reported,
                "source": "common practice, no source" if one.flag == "C" else one.source,
                "quantity": one.quantity,
                "band_low": one.low,
                "band_high": one.high,
                "predicted_low": low,
                "predicted": middle,
                "predicted_high": high,
                "verdict": verdict,
                "interval_meets_band": touches,
                "why": "" if verdict == "inside" else WHY.get(one.id, ""),
            }
        )
    return pd.DataFrame(rows)
