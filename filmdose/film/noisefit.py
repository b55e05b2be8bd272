"""From measured granularity to the noise of a record: alpha, s, v and the rms granularity.

sigma_D**2 A = 0.4343 a_ref [v + sum_j a_j c_j F_j (1 - s F_j)] of an unfogged film is fitted to readings of sigma at
several densities or exposures.  What the readings do not tell stays near the typical values of the kind, whose
ranges weigh like readings.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import least_squares
from scipy.special import ndtri

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import ArgumentError, InputFileError, UnknownNameError
from filmdose.film.csvtable import read_csv_table
from filmdose.film.emulsion import APERTURE_AREA_UM2, Emulsion
from filmdose.film.generic import film_value, record_value, reference_noise_floor
from filmdose.result import Result
from filmdose.standards import RECORD_NAMES

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["GranularityReadings", "fit_noise", "read_granularity", "typical_noise"]

#: Scatter of ln(sigma) of one reading: the standard deviation of some 80 patches is known to 8 % (1 / sqrt(2 n)).
SCATTER = 0.08

_AXES = ("density", "log_exposure")
_SCORE_95 = float(ndtri(0.95))


@dataclass(frozen=True, kw_only=True, eq=False)
class GranularityReadings(Result):
    """Standard deviation of density of one record at several densities, or exposures.

    Parameters
    ----------
    sigma
        Standard deviation of density through the aperture [density; above 0], shape (n,), at least three.
    density, log_exposure
        Where it was read: mean density, or log10 exposure on the axis of the step readings; one of the two.
    aperture_area_um2
        Area of the aperture [um2; above 0]: 1810 for a circle of 48 um, the square of the pixel for a scan that is
        sharper than its pixels.

    Raises
    ------
    ArgumentError
        Lengths that differ, values out of range, both or none of the axes.
    """

    sigma: FloatArray
    density: FloatArray | None = None
    log_exposure: FloatArray | None = None
    aperture_area_um2: float = APERTURE_AREA_UM2

    def __post_init__(self) -> None:
        sigma = check_array("sigma", self.sigma, low=0.0, low_open=True, unit="density", nan_allowed=False)
        if (self.density is None) == (self.log_exposure is None):
            raise ArgumentError("density", self.density, "either density or log_exposure of every reading")
        for name in _AXES:
            value = getattr(self, name)
            if value is not None:
                checked = check_array(name, value, nan_allowed=False)
                if checked.shape != sigma.shape or checked.ndim != 1 or checked.size < 3:
                    raise ArgumentError(
                        name, checked.shape, f"at least three values, as many as of sigma {sigma.shape}"
                    )
                object.__setattr__(self, name, checked)
        object.__setattr__(self, "sigma", sigma)
        area = check_number("aperture_area_um2", self.aperture_area_um2, low=0.0, low_open=True, unit="um2")
        object.__setattr__(self, "aperture_area_um2", area)
        super().__post_init__()

    def to_dataframe(self) -> pd.DataFrame:
        """Density or log exposure of every reading, and its sigma."""
        import pandas as pd

        columns = {name: getattr(self, name) for name in (*_AXES, "sigma")}
        return pd.DataFrame({name: values for name, values in columns.items() if values is not None})


def read_granularity(
    path: str | Path, *, aperture_area_um2: float = APERTURE_AREA_UM2, records: tuple[str, ...] = ("visual",)
) -> dict[str, GranularityReadings]:
    """Granularity readings by record, from a CSV file.

    Parameters
    ----------
    path
        Columns ``density`` or ``log_exposure``, ``sigma``, and ``record`` where there are several.
    aperture_area_um2
        Area of the aperture [um2].
    records
        Names of the film's records; the first is taken where the file has no column ``record``.

    Returns
    -------
    dict
        :class:`GranularityReadings` by record.

    Raises
    ------
    InputFileError
        The file cannot be read, a column is missing or a record is not known.
    """
    table = read_csv_table(path)
    table.columns = [str(name).strip().lower() for name in table.columns]
    axis = next((name for name in _AXES if name in table), None)
    if axis is None or "sigma" not in table:
        raise InputFileError(
            path,
            f"columns {', '.join(table.columns)}",
            "granularity needs the columns density (or log_exposure) and sigma.",
            "Name them in the first line.",
        )
    if "record" not in table:
        table["record"] = next((name for name in records if name == "green"), records[0])
    unknown = sorted(set(table.record) - set(records))
    if unknown:
        raise InputFileError(path, "column 'record'", f"got {unknown[0]!r}; allowed is one of {', '.join(records)}.")
    return {
        str(record): GranularityReadings(
            sigma=rows.sigma.to_numpy(), aperture_area_um2=aperture_area_um2, **{axis: rows[axis].to_numpy()}
        )
        for record, rows in table.groupby("record")
    }


def typical_noise(emulsion: Emulsion, kind: str, record: str, log_shadow_exposure: float) -> Emulsion:
    """The record with the typical noise of its kind, for a film whose granularity was not measured.

    Parameters
    ----------
    emulsion
        The record.
    kind
        Kind of film.
    record
        Name of the record.
    log_shadow_exposure
        log10 H_m of its clean shadow point [log10 lx s].

    Returns
    -------
    Emulsion

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> record = generic_film(400).records[0]
    >>> typical_noise(record, "bw-negative", "visual", -2.7).cluster_grains == record.cluster_grains
    True
    """
    alpha = record_value(kind, record, "area_exponent")
    floor = record_value(kind, record, "noise_floor")
    return replace(
        emulsion,
        area_exponent=alpha,
        dye_saturation=record_value(kind, record, "dye_saturation"),
        noise_floor=reference_noise_floor(floor, alpha, log_shadow_exposure, emulsion.reference_log_sensitivity),
        cluster_grains=film_value("granularity", "cluster_grains"),
    )


def fit_noise(
    emulsion: Emulsion, readings: GranularityReadings, *, kind: str, record: str, log_shadow_exposure: float
) -> tuple[Emulsion, float]:
    """Fit alpha, s, v and the rms granularity of a record to readings of its granularity.

    Parameters
    ----------
    emulsion
        The unfogged record; its grain classes stay.
    readings
        Standard deviations of density.
    kind, record
        Kind of film and name of the record: whose typical values hold where the readings tell nothing.
    log_shadow_exposure
        log10 H_m of its clean shadow point [log10 lx s].

    Returns
    -------
    The record with its noise, and the scatter of the readings about it: rms of ln(sigma) [1].

    Raises
    ------
    UnknownNameError
        The record is not one of the kind.
    ArgumentError
        Fewer than three readings lie within the film's densities.
    """
    if record not in RECORD_NAMES[kind]:
        raise UnknownNameError("record", record, RECORD_NAMES[kind])
    exposure, sigma = _within(emulsion, readings)
    z = emulsion.log_sensitivity + log_shadow_exposure
    undeveloped = (1.0 - emulsion.native_fog) * (1.0 - emulsion.light_probability(exposure))
    image = undeveloped if emulsion.positive else 1.0 - undeveloped

    def log_variance(alpha: float, saturation: float, floor: float) -> FloatArray:
        grains = (10.0 ** (alpha * z) * emulsion.weights * image * (1.0 - saturation * image)).sum(axis=1)
        return np.asarray(np.log(floor + grains))

    values, spread, bounds, from_unknowns = _unknowns(kind, record)
    target = 2.0 * np.log(sigma)

    def residuals(u: FloatArray) -> FloatArray:
        misfit = (u[0] + log_variance(*from_unknowns(u[1:])) - target) / (2.0 * SCATTER)
        return np.concatenate([misfit, (u[1:] - values) / spread])

    start = np.concatenate([[float(np.mean(target - log_variance(*from_unknowns(values))))], values])
    lowest, highest = (np.concatenate([[value], side]) for value, side in zip((-np.inf, np.inf), bounds, strict=True))
    found = least_squares(residuals, np.clip(start, lowest, highest), bounds=(lowest, highest), x_scale="jac").x
    alpha, saturation, floor = from_unknowns(found[1:])
    scatter = float(np.sqrt(np.mean((residuals(found)[: sigma.size] * SCATTER) ** 2)))
    fitted = replace(
        emulsion,
        area_exponent=alpha,
        dye_saturation=saturation,
        noise_floor=reference_noise_floor(floor, alpha, log_shadow_exposure, emulsion.reference_log_sensitivity),
        cluster_grains=film_value("granularity", "cluster_grains"),
    )
    # The height of the curve: by how much the readings differ from what the present rms granularity gives.
    now = np.log(np.asarray(fitted.noise(exposure, aperture_area_um2=readings.aperture_area_um2)))
    ratio = math.exp(float(np.mean(np.log(sigma) - now)))
    return replace(fitted, rms_granularity=fitted.rms_granularity * ratio), scatter


def _within(emulsion: Emulsion, readings: GranularityReadings) -> tuple[FloatArray, FloatArray]:
    """Exposures and sigmas of the readings that lie on the film's curve; below its least density means no light."""
    if readings.log_exposure is not None:
        return readings.log_exposure, readings.sigma
    assert readings.density is not None
    curve = emulsion.curve()
    low, high = curve.log_exposure_range
    least, most = sorted((float(curve.density(low)), float(curve.density(high))))
    x = np.asarray(curve.inverse(np.clip(readings.density, least + 1e-9, most - 1e-9)))
    beyond = 0.03 * (most - least)
    inside = (readings.density > least - beyond - 0.05) & (readings.density < most + beyond)
    if np.count_nonzero(inside) < 3:
        raise ArgumentError(
            "density",
            readings.density,
            f"at least three readings within the film's densities, {least:.2f} to {most:.2f}",
            "Are they of the same film and record?",
        )
    return x[inside], readings.sigma[inside]


def _unknowns(
    kind: str, record: str
) -> tuple[
    FloatArray,
    FloatArray,
    tuple[FloatArray, FloatArray],
    Callable[[FloatArray], tuple[float, float, float]],
]:
    """Typical alpha, s and ln v, their standard deviations and bounds, and the way back from the unknowns."""

    def sides(name: str) -> tuple[float, float, float]:
        low, typical, high = (record_value(kind, record, name, side) for side in ("low", "value", "high"))
        return low, typical, high

    low_a, alpha, high_a = sides("area_exponent")
    low_s, saturation, high_s = sides("dye_saturation")
    low_v, floor, high_v = sides("noise_floor")
    values = np.array([alpha, saturation, math.log(floor)])
    spread = np.array([high_a - low_a, max(high_s - low_s, 0.02), math.log(high_v / low_v)]) / (2.0 * _SCORE_95)
    bounds = (np.array([-1.0, 0.0, -12.0]), np.array([2.0, 1.0, 3.0]))
    return values, spread, bounds, lambda u: (float(u[0]), float(u[1]), math.exp(float(u[2])))


hold_to_annotations(globals())
