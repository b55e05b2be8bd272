"""Does the interval of `odds` hold films that really exist?

    python reference/coverage_study.py

Truth: a maker's digitised sheet, fitted, with a kappa, b, film factor, unevenness and course of the grain drawn from
the priors; its dose is known (30, 100, 300 microgray at the film) or that of one cabin CT pass, drawn.  The user takes
the generic film of that kind and speed.  Printed: how often the 90 % interval of the compensation of least loss holds
the truth's, and how real and generic films differ at known doses with everything else typical.  The widths of the
priors were chosen on the design half of the sheets (reference/curves/sheets.csv); the held-out half is reported as it
comes.
"""

from __future__ import annotations

import sys
import warnings
from dataclasses import replace
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
import digitised

from filmdose.answering import given_stops
from filmdose.errors import ValidityWarning
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.film.model import Film
from filmdose.history import History, Pass
from filmdose.odds import Priors, default_priors, draw_stops, propagate
from filmdose.trip import Roll

DOSES = (30.0, 100.0, 300.0)


def history(kerma_ugy: float | None) -> History:
    """A known dose at the film, or one pass of a cabin CT."""
    known = Pass(source="cabin-ct", air_kerma_ugy=kerma_ugy, at="film")
    return History(passes=Pass(source="cabin-ct") if kerma_ugy is None else known)


@cache
def sheet_films(half: str, kind: str) -> tuple[tuple[str, Film], ...]:
    """Every film of a half with an absolute axis, by sheet and minutes of development, at the speed on its box."""
    rows = digitised.sheets()
    found = []
    for sheet, row in rows[(rows.half == half) & (rows.kind == kind) & (rows.axis == "absolute")].iterrows():
        for minutes in digitised.developments(str(sheet)):
            film = digitised.sheet_film(str(sheet), minutes)
            found.append((f"{sheet} {minutes or ''}".strip(), replace(film, speed=float(row.speed))))
    return tuple(found)


def like(film: Film) -> Film:
    """The generic film that a user would take."""
    low, high = generic_speed_range(film.kind)
    return generic_film(min(max(film.speed, low), high), kind=film.kind)


def interval(speed: float, kind: str, kerma_ugy: float | None, priors: Priors | None = None) -> tuple[float, float]:
    """5 and 95 % points of the compensation of least loss [stops]."""
    roll = Roll(id="a", film=generic_film(speed, kind=kind), history=history(kerma_ugy))
    low, _, high = propagate([roll], priors=priors, samples=4096)["a"].stops
    return low, high


def truths(film: Film, kerma_ugy: float | None, draws: int, seed: int) -> np.ndarray:
    """Compensation of least loss of a real film in some draws [stops]; infinite where nothing helps."""
    roll = Roll(id="a", film=film, history=history(kerma_ugy))
    own = default_priors().replaced(film_contrast=1.0)  # the sheet is as it was developed
    return np.asarray(draw_stops([roll], priors=own, samples=draws, rng=seed)["a"])


def coverage(half: str, kind: str, *, draws: int = 256, priors: Priors | None = None) -> pd.DataFrame:
    """Share of truths inside the interval, below and above it, for every sheet and dose."""
    rows = []
    for number, (name, film) in enumerate(sheet_films(half, kind)):
        for kerma in (*DOSES, None):
            low, high = interval(like(film).speed, kind, kerma, priors)
            true = truths(film, kerma, draws, seed=1000 + number)
            rows.append(
                {
                    "film": name,
                    "dose": "one cabin CT" if kerma is None else f"{kerma:g} uGy",
                    "inside": float(np.mean((true >= low - 1e-9) & (true <= high + 1e-9))),
                    "below": float(np.mean(true < low - 1e-9)),
                    "above": float(np.mean(true > high + 1e-9)),
                }
            )
    return pd.DataFrame(rows)


def real_minus_generic(half: str, kind: str) -> pd.DataFrame:
    """Compensation of real films less that of the generic film, everything typical [stops]."""
    rows = []
    for name, film in sheet_films(half, kind):
        real, generic = (given_stops(one, np.array(DOSES)) for one in (film, like(film)))
        rows.append({"film": name, **{f"{dose:g} uGy": real[i] - generic[i] for i, dose in enumerate(DOSES)}})
    return pd.DataFrame(rows)


def main() -> None:
    """Print both for both halves and both kinds of negative."""
    warnings.simplefilter("ignore", ValidityWarning)
    for kind in ("bw-negative", "colour-negative"):
        for half in ("design", "held-out"):
            found = coverage(half, kind)
            print(f"\n{kind}, {half}: {found.film.nunique()} films")
            print(found.groupby("dose", sort=False)[["inside", "below", "above"]].mean().round(3).to_string())
            print(f"all: {found.inside.mean():.3f}")
            print("real minus generic [stops]: median, half of the spread from 16 to 84 %")
            differences = real_minus_generic(half, kind).drop(columns="film")
            spread = 0.5 * (differences.quantile(0.84) - differences.quantile(0.16))
            print(pd.DataFrame({"median": differences.median(), "spread": spread}).round(2).T.to_string())


if __name__ == "__main__":
    main()
