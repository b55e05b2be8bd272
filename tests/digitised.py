"""Points of makers' published curves (reference/curves), shared by several rooms."""

from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd

from filmdose.film.curves import MeasuredCurve

FOLDER = Path(__file__).parent.parent / "reference" / "curves"


@cache
def table() -> pd.DataFrame:
    return pd.read_csv(FOLDER / "digitised_curves.csv", comment="#")


def points(film: str, record: str = "visual", development_min: float | None = None):
    """Log exposures and densities, in order of exposure, as digitised."""
    rows = table().query("film == @film and record == @record")
    if development_min is not None:
        rows = rows[rows.development_min == development_min]
    return rows.log_exposure.to_numpy(), rows.density.to_numpy()


def curve(film: str, record: str = "visual", development_min: float | None = None) -> MeasuredCurve:
    """Monotone curve through the points; wiggles of the digitising, up to 0.01, are levelled."""
    x, d = points(film, record, development_min)
    level = np.maximum.accumulate if d[-1] > d[0] else np.minimum.accumulate
    assert np.max(np.abs(level(d) - d)) < 0.011
    return MeasuredCurve(log_exposures=x, densities=level(d))


def all_curves():
    """(film, development, record) of everything that is there."""
    keys = table().fillna({"development_min": -1.0}).groupby(["film", "development_min", "record"]).groups
    return [(film, None if minutes < 0 else minutes, record) for film, minutes, record in keys]
