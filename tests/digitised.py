"""Points of makers' published curves (reference/curves), shared by several rooms.

Films are coded. ``halves`` says which sheets the data of generic films and the widths of priors were chosen on
("design") and which they are reported on ("held-out"); reference/build_curves.py states the rule.
"""

import warnings
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from filmdose.errors import ValidityWarning
from filmdose.film.curves import MeasuredCurve
from filmdose.film.fitting import fit_film
from filmdose.film.model import Film
from filmdose.film.readings import StepReadings

FOLDER = Path(__file__).parent.parent / "reference" / "curves"


@cache
def table() -> pd.DataFrame:
    return pd.read_csv(FOLDER / "digitised_curves.csv", comment="#")


@cache
def sheets() -> pd.DataFrame:
    """One row a sheet whose points are kept: film, kind, medium, speed, half, axis, rms_granularity, module."""
    rows = pd.read_csv(FOLDER / "sheets.csv", comment="#")
    return rows[rows.left_out.isna()].set_index("film")


@cache
def granularity() -> pd.DataFrame:
    """Granularity curves: film, record, log_exposure (its zero is not known), density, sigma through 48 um."""
    return pd.read_csv(FOLDER / "granularity_curves.csv", comment="#")


def points(film: str, record: str = "visual", development_min: float | None = None):
    """Log exposures and densities, in order of exposure, as digitised."""
    rows = table().query("film == @film and record == @record")
    if development_min is not None:
        rows = rows[rows.development_min == development_min]
    return rows.log_exposure.to_numpy(), rows.density.to_numpy()


def curve(film: str, record: str = "visual", development_min: float | None = None) -> MeasuredCurve:
    """Monotone curve through the points; wiggles of the digitising, up to 0.03 on the oldest sheets, are levelled."""
    x, d = points(film, record, development_min)
    level = np.maximum.accumulate if d[-1] > d[0] else np.minimum.accumulate
    assert np.max(np.abs(level(d) - d)) < 0.03
    return MeasuredCurve(log_exposures=x, densities=level(d))


def developments(film: str) -> list[float | None]:
    """Minutes of development on a sheet; [None] where the process is fixed."""
    minutes = table().query("film == @film").development_min.dropna().unique()
    return sorted(minutes.tolist()) or [None]


def all_curves(axis: str | None = "absolute"):
    """(film, development, record) of every curve; of sheets with that axis only, unless None."""
    keys = table().fillna({"development_min": -1.0}).groupby(["film", "development_min", "record"]).groups
    return [
        (film, None if minutes < 0 else minutes, record)
        for film, minutes, record in keys
        if axis is None or sheets().axis[film] == axis
    ]


@cache
def sheet_film(sheet: str, minutes: float | None, shift: float = 0.0) -> Film:
    """The film fitted to one digitised sheet, its log exposures shifted; the records' readings are interpolated."""
    development = minutes or None
    names = [record for film, at, record in all_curves(None) if film == sheet and at == development]
    read = {name: points(sheet, name, development) for name in names}
    low, high = max(x[0] for x, _ in read.values()), min(x[-1] for x, _ in read.values())
    first = read[names[0]][0]
    steps = first[(first >= low - 1e-9) & (first <= high + 1e-9)]
    densities = {name: np.interp(steps, x, d) for name, (x, d) in read.items()}
    kind = "bw-negative" if "visual" in names else "colour-negative"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", ValidityWarning)  # sheets that end in the straight line say so
        return fit_film(StepReadings(log_exposure=steps + shift, densities=densities), kind=kind).film
