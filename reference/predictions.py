"""Reports that the model is held against: the cases of predictions.toml, and the history that each stands for."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from filmdose.answering import answer
from filmdose.film.generic import generic_film
from filmdose.history import History, Pass, history_dose
from filmdose.odds import propagate, trip_model
from filmdose.odds.tally import ScoreStream
from filmdose.present.tables import TABLE_KERMA_UGY, compensation_table
from filmdose.radiation import Source
from filmdose.trip import Roll

#: Why a prediction may lie outside the band of a report, by id.
WHY: dict[str, str] = {
    "pass-counts-400": "At the edge of what shows as a streak; units with two views, or older ones, give more than the "
    "typical 1.2 uGy a view, and the interval covers the band.",
    "pass-counts-800": "Below where we say that a streak shows; the interval covers the band. Units with two views, or "
    "older ones, give more than the typical 1.2 uGy a view.",
    "single-xray": "The machine is not stated. A projection unit would have to give twenty times the published doses; "
    "one CT pass does it.",
    "trade-slow": "Black-and-white film: the clusters of radiation fog make its shadows coarse. A third of a stop more "
    "than the trade says, verdict good; the printed table counts the next row, 1000 uGy. Colour negative film of that "
    "speed lies inside (chain.csv).",
    "trade-400": "The answer at the typical dose lies inside. With the dose unknown, and in the next row of the table, "
    "it is just over a tenth of a stop, which the rounding makes a third: the fog itself does not show.",
}

#: The verbs that answer a case; ``table`` is read as the card says: the first printed row that is not below the dose.
VERBS = ("roll", "odds", "table")

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


def by_verb(prediction: Prediction, *, samples: int = 4096) -> dict[str, float]:
    """What every verb says of a case; NaN where it does not tell the quantity or the dose is beyond its rows."""
    film = generic_film(prediction.case["speed"], kind=prediction.case["kind"])
    dose = history_dose(prediction.history)
    if prediction.quantity == "shield_transmission":
        through = float(dose.contributions.iloc[0]["through_shields"])
        return {"roll": through, "odds": math.nan, "table": math.nan}
    if prediction.quantity == "range_kept":
        loss = answer(film, dose.kerma_ugy, exposed=True).exposed
        assert loss is not None
        kept = loss.density_range["fogged"] / loss.density_range["clean"]
        return {"roll": kept, "odds": math.nan, "table": math.nan}
    roll = answer(film, dose.kerma_ugy)
    odds = propagate([Roll(id="case", film=film, history=prediction.history)], samples=samples)["case"]
    row = next((row for row in TABLE_KERMA_UGY if row >= dose.kerma_ugy), math.nan)
    cells = compensation_table([film], [row]).iloc[0]
    if prediction.quantity == "fog_density":
        return {"roll": roll.fog_density, "odds": odds.fog_density[1], "table": float(cells["fog_density"])}
    given = {"roll": roll.given_stops, "odds": odds.given_stops, "table": float(cells["given_stops"])}
    if np.isnan(given["table"]) and not math.isnan(row):
        given["table"] = None  # a printed dash
    return {verb: math.inf if value is None else value for verb, value in given.items()}


def _without_shields(roll: Roll) -> tuple[Pass, ...]:
    return tuple(replace(part, shield=None) for part in roll.history.passes)


def comparison(samples: int = 4096) -> pd.DataFrame:
    """Every report with its prediction and verdict, what the verbs say, and why one may lie outside the band."""
    rows = []
    for one in read_predictions():
        low, middle, high = predicted(one, samples=samples)
        verdict = one.verdict(middle)
        verbs = by_verb(one, samples=samples)
        outside = [verb for verb, value in verbs.items() if not math.isnan(value) and one.verdict(value) != "inside"]
        rows.append(
            {
                "id": one.id,
                "reported": one.reported,
                "source": one.source,
                "quantity": one.quantity,
                "band_low": one.low,
                "band_high": one.high,
                "predicted_low": low,
                "predicted": middle,
                "predicted_high": high,
                "verdict": verdict,
                "interval_meets_band": low <= one.high and high >= one.low,
                **verbs,
                "outside": ", ".join(outside),
                "why": "" if verdict == "inside" and not outside else WHY.get(one.id, ""),
            }
        )
    return pd.DataFrame(rows)
