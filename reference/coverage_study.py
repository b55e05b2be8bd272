"""Does the interval of `odds` hold films that really exist?

    python reference/coverage_study.py

Truth: a maker's digitised sheet, fitted, with a kappa, b, film factor, unevenness and course of the grain drawn from
the priors; its dose is known (30, 100, 300 microgray at the film) or that of one cabin CT pass, drawn.  The user takes
the generic film of that kind and of the speed on the box.  Printed: how often the 90 % interval of the compensation of
least loss holds the truth's, and how real and generic films differ at known doses with everything else typical.  The
widths of the priors were chosen on the design half of the sheets (reference/curves/sheets.csv); the held-out half is
reported as it comes.

A sheet with an absolute axis keeps its own speed, which is up to half a stop off the box; of a sheet with a relative
axis the shape alone is known, so it is put at the speed on its box.  ``at_box_speed`` puts all colour sheets there:
what is left then is shape.

kappa and b are the same for all films, and not knowing them hides how films differ.  The same is therefore printed with
both known, which is the sharper question.
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

from filmdose.answering import answer_grid, given_stops
from filmdose.errors import ValidityWarning
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.film.model import Film
from filmdose.history import History, Pass
from filmdose.odds import Prior, Priors, default_priors, draw_stops, propagate
from filmdose.trip import Roll

DOSES = (30.0, 100.0, 300.0)


def history(kerma_ugy: float | None) -> History:
    """A known dose at the film, or one pass of a cabin CT."""
    known = Pass(source="cabin-ct", air_kerma_ugy=kerma_ugy, at="film")
    return History(passes=Pass(source="cabin-ct") if kerma_ugy is None else known)


@cache
def sheet_films(half: str, kind: str, *, at_box_speed: bool = False) -> tuple[tuple[str, str, Film], ...]:
    """Every film of a half: sheet and minutes of development, axis, the film at the speed on its box."""
    rows = digitised.sheets()
    found = []
    for sheet, row in rows[(rows.half == half) & (rows.kind == kind)].iterrows():
        # a development moves the speed of black-and-white film, so its sheets stay where they are
        moves = row.axis == "relative" or (at_box_speed and kind == "colour-negative")
        shift = float(np.log10(row.speed_found / row.speed)) if moves else 0.0
        for minutes in digitised.developments(str(sheet)):
            film = digitised.sheet_film(str(sheet), minutes, shift)
            found.append((f"{sheet} {minutes or ''}".strip(), str(row.axis), replace(film, speed=float(row.speed))))
    return tuple(found)


def like(film: Film) -> Film:
    """The generic film that a user would take."""
    low, high = generic_speed_range(film.kind)
    return generic_film(min(max(film.speed, low), high), kind=film.kind)


def intervals(speeds: set[float], kind: str, priors: Priors) -> dict[tuple[float, float | None], tuple[float, float]]:
    """5 and 95 % points of the compensation of least loss [stops], by speed and dose."""
    keys = [(speed, kerma) for speed in sorted(speeds) for kerma in (*DOSES, None)]
    rolls = [
        Roll(id=str(place), film=generic_film(speed, kind=kind), history=history(kerma))
        for place, (speed, kerma) in enumerate(keys)
    ]
    odds = propagate(rolls, priors=priors, samples=4096)
    return {key: (odds[str(place)].stops[0], odds[str(place)].stops[2]) for place, key in enumerate(keys)}


def truths(film: Film, axis: str, draws: int, seed: int, priors: Priors) -> dict[float | None, np.ndarray]:
    """Compensation of least loss of a real film in some draws [stops], by dose; infinite where nothing helps."""
    rolls = [Roll(id=str(kerma), film=film, history=history(kerma)) for kerma in (*DOSES, None)]
    own = priors.replaced(film_contrast=1.0)  # the sheet is as it was developed
    if axis == "relative":  # its speed is known no better than the generic film's, and moves its hits alone
        ends = np.log(own["film_factor"].high), own["hit_exponent"].typical * np.log(own["true_speed"].high)
        high = float(np.exp(np.hypot(*ends)))
        own = own.replaced(film_factor=Prior(low=1.0 / high, typical=1.0, high=high))
    stops = draw_stops(rolls, priors=own, samples=draws, rng=seed)
    return {kerma: stops[str(kerma)].to_numpy() for kerma in (*DOSES, None)}


def fog_known() -> Priors:
    """What is not known when kappa and b are: they are the same for all films and hide what differs between films."""
    shipped = default_priors()
    return shipped.replaced(**{name: shipped[name].typical for name in ("calibration_kerma", "hit_exponent")})


def coverage(
    half: str, kind: str, *, draws: int = 256, truth: Priors | None = None, believed: Priors | None = None
) -> pd.DataFrame:
    """Share of truths inside the interval, below and above it, for every sheet and dose.

    ``truth`` is what kappa, b, film factor, unevenness and grain of the sheets are drawn from [shipped], ``believed``
    what the user's interval is drawn from [as ``truth``].
    """
    rows = []
    truth = truth or default_priors()
    films = sheet_films(half, kind)
    between = intervals({like(film).speed for _, _, film in films}, kind, believed or truth)
    for number, (name, axis, film) in enumerate(films):
        for kerma, true in truths(film, axis, draws, 1000 + number, truth).items():
            low, high = between[like(film).speed, kerma]
            rows.append(
                {
                    "film": name,
                    "axis": axis,
                    "dose": "one cabin CT" if kerma is None else f"{kerma:g} uGy",
                    "inside": float(np.mean((true >= low - 1e-9) & (true <= high + 1e-9))),
                    "below": float(np.mean(true < low - 1e-9)),
                    "above": float(np.mean(true > high + 1e-9)),
                }
            )
    return pd.DataFrame(rows)


def real_minus_generic(half: str, kind: str, *, at_box_speed: bool, needed: bool = False) -> pd.DataFrame:
    """Compensation of real films less that of the generic film, everything typical [stops].

    ``needed`` compares what the shadow needs for its 0.90 instead of what is given; NaN where nothing brings it back.
    """
    rows = []
    for name, _, film in sheet_films(half, kind, at_box_speed=at_box_speed):
        real, generic = (_compensation(one, needed) for one in (film, like(film)))
        rows.append({"film": name, **{f"{dose:g} uGy": real[i] - generic[i] for i, dose in enumerate(DOSES)}})
    return pd.DataFrame(rows)


def _compensation(film: Film, needed: bool) -> np.ndarray:
    """Stops needed or given at the known doses; NaN where there are none."""
    doses = np.array(DOSES)
    if not needed:
        return np.asarray(given_stops(film, doses))
    stops = np.asarray(answer_grid([film], doses)["needed_stops"], dtype=float).ravel()
    return np.where(np.isfinite(stops), stops, np.nan)


def middle_and_spread(differences: pd.DataFrame) -> pd.DataFrame:
    """Median, half of the distance from the 16 to the 84 % point, and how many films count."""
    stops = differences.drop(columns="film")
    spread = 0.5 * (stops.quantile(0.84) - stops.quantile(0.16))
    return pd.DataFrame({"median": stops.median(), "spread": spread, "films": stops.count()})


def main() -> None:
    """Print both for both halves and both kinds of negative."""
    warnings.simplefilter("ignore", ValidityWarning)
    for kind in ("bw-negative", "colour-negative"):
        for half in ("design", "held-out"):
            print(f"\n{kind}, {half}: {len(sheet_films(half, kind))} films")
            for words, truth in (("all drawn", None), ("kappa and b known", fog_known())):
                found = coverage(half, kind, truth=truth)
                print(words)
                print(found.groupby("dose", sort=False)[["inside", "below", "above"]].mean().round(3).to_string())
                print(f"all: {found.inside.mean():.3f};", found.groupby("axis").inside.mean().round(3).to_dict())
                print("worst film:", *found.groupby("film").inside.mean().round(3).nsmallest(1).items())
            for at_box_speed in (False, True) if kind == "colour-negative" else (False,):
                for needed in (False, True):
                    off = real_minus_generic(half, kind, at_box_speed=at_box_speed, needed=needed)
                    word, where = "needed" if needed else "given", "all at box speed" if at_box_speed else "as they are"
                    print(f"real minus generic, stops {word}, {where}")
                    print(middle_and_spread(off).round(2).T.to_string())


if __name__ == "__main__":
    main()
