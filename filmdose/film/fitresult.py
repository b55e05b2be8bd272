"""What a fit of a film found: per record, for the whole film, and in words."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import Film, film_words
from filmdose.result import Result
from filmdose.units import LOG10_2

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FilmFit", "RecordFit", "StandardErrors"]

#: Standard errors below these need no further reading: a sixth of a stop, 5 % of contrast, 0.02 density (our choice).
ENOUGH = {"speed point": LOG10_2 / 6.0, "contrast": 0.05, "base plus fog": 0.02}


@dataclass(frozen=True, kw_only=True)
class StandardErrors(Result):
    """Standard errors of what a fit of one record says, from the scatter of its readings.

    Parameters
    ----------
    base_plus_fog
        Of the least density [density].
    log_speed_point
        Of log10 exposure of the speed point [log units]; of the mean of both points of a reversal film.  NaN, as is
        that of the contrast, where the curve does not reach the densities that fix it.
    contrast
        Of the logarithm of the mean gradient above the speed point (over 1.30 log units; between both points of a
        reversal film) [1].
    next_log_exposure
        Log10 exposure at which one more reading narrows the widest of the three most.
    next_for, next_error
        Which of the three that is, and its standard error with that reading.
    """

    base_plus_fog: float
    log_speed_point: float
    contrast: float
    next_log_exposure: float
    next_for: str
    next_error: float

    def to_dict(self) -> dict[str, float]:
        """The three errors."""
        return {name: getattr(self, name) for name in ("base_plus_fog", "log_speed_point", "contrast")}

    def sentence(self, record: str) -> str:
        """How sure the fit is, and what to read next."""
        now = {
            "speed point": (self.log_speed_point, f"{self.log_speed_point / LOG10_2:.2f} stop"),
            "contrast": (self.contrast, f"{100 * self.contrast:.0f} %"),
            "base plus fog": (self.base_plus_fog, f"{self.base_plus_fog:.3f} density"),
        }
        known = ", ".join(f"{name} +- {text}" for name, (value, text) in now.items() if not math.isnan(value))
        untold = " and the ".join(name for name, (value, _) in now.items() if math.isnan(value))
        if untold:
            untold = f" None is known of the {untold}: the curve does not reach the densities that fix them."
        if all(not value > ENOUGH[name] for name, (value, _) in now.items()):
            return f"Standard errors of the {record} record: {known}; nothing needs to be read again.{untold}"
        unit = {"speed point": " stop", "contrast": " %", "base plus fog": " density"}[self.next_for]
        scale = {"speed point": 1.0 / LOG10_2, "contrast": 100.0, "base plus fog": 1.0}[self.next_for]
        return (
            f"Standard errors of the {record} record: {known}. To narrow the {self.next_for}, read a step near "
            f"log exposure {self.next_log_exposure:.1f} next: that makes it {scale * self.next_error:.2g}{unit}."
            f"{untold}"
        )


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordFit(Result):
    """Fit of one record.

    Parameters
    ----------
    record
        Its name.
    emulsion
        The grain population.
    log_exposure, density, sigma
        What was fitted, in order of exposure: log exposure after anchoring, readings, their standard deviations.
    residuals
        Reading minus fit [density].
    smoothing, gcv
        The lambda that was used, and its generalised cross-validation score.
    parameters
        Effective number of fitted parameters: trace of the influence matrix.
    effective_classes
        Effective number of grain classes: (sum w)**2 / sum w**2.
    falls
        Readings below an earlier one, taken as noise.
    levelled
        Greatest density by which readings that ran against the curve were levelled; 0 where none needed it.
    toe_reached, shoulder_reached
        Whether the readings show both ends of the curve.
    errors
        Standard errors.
    """

    record: str
    emulsion: Emulsion
    log_exposure: FloatArray
    density: FloatArray
    sigma: FloatArray
    residuals: FloatArray
    smoothing: float
    gcv: float
    parameters: float
    effective_classes: float
    falls: int
    levelled: float
    toe_reached: bool
    shoulder_reached: bool
    errors: StandardErrors

    @property
    def rms_density(self) -> float:
        """Root mean square residual [density]."""
        return float(np.sqrt(np.mean(self.residuals**2)))

    @property
    def base_plus_fog(self) -> float:
        """Density without exposure of a negative, least density of a reversal film."""
        return float(self.emulsion.minimum_density())

    def to_dict(self) -> dict[str, Any]:
        """The result in plain numbers."""
        return {
            "steps": int(self.density.size),
            "rms_density": self.rms_density,
            "base_plus_fog": self.base_plus_fog,
            "base_density": self.emulsion.base_density,
            "native_fog": self.emulsion.native_fog,
            "maximum_density": float(self.emulsion.maximum_density()),
            "effective_classes": self.effective_classes,
            "parameters": self.parameters,
            "smoothing": self.smoothing,
            "toe_reached": self.toe_reached,
            "shoulder_reached": self.shoulder_reached,
            "standard_errors": self.errors.to_dict(),
            **{name: getattr(self.emulsion, name) for name in ("rms_granularity", "area_exponent")},
            **{name: getattr(self.emulsion, name) for name in ("dye_saturation", "noise_floor")},
        }

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each step: log_exposure [log10 lx s], density, fitted, residual."""
        import pandas as pd

        columns = {"log_exposure": self.log_exposure, "density": self.density}
        fitted = self.density - self.residuals
        return pd.DataFrame({**columns, "fitted": fitted, "residual": self.residuals})


@dataclass(frozen=True, kw_only=True, eq=False)
class FilmFit(Result):
    """A film from measured steps, with what the readings say about it.

    Parameters
    ----------
    film
        The film, ready for every other calculation.
    records
        Fit of each record, in the order of the film's records.
    axis
        "absolute" when log exposure was taken as it stands, "relative" when a rated speed anchored it.
    log_exposure_shift
        Added to every log exposure to anchor it [log10 units]; 0 for an absolute axis.
    speed
        Measured speeds [ISO] by criterion: "iso6" and "delta_x", "iso5800", or "iso2240".
    log_speed_point
        log10 exposure of the speed point [log10 lx s]; of the slowest record of a colour negative,
        the mean of both points of a reversal film.
    rise_1_30, mean_gradient, contrast_index
        Contrast of a negative above its speed point: over 1.30 log units, per log unit over 1.5, and
        by Kodak F-14; of the green record of a colour film.  NaN where not defined or not reached.
    contrast_met
        Contrast condition of ISO 6; None for other kinds.
    messages
        What was assumed, and what the readings do not show.
    """

    film: Film
    records: tuple[RecordFit, ...]
    axis: Literal["absolute", "relative"]
    log_exposure_shift: float
    speed: Mapping[str, float]
    log_speed_point: float
    rise_1_30: float
    mean_gradient: float
    contrast_index: float
    contrast_met: bool | None
    messages: tuple[str, ...]

    @property
    def rms_density(self) -> float:
        """Root mean square residual over all records [density]."""
        return float(np.sqrt(np.mean(np.concatenate([fit.residuals for fit in self.records]) ** 2)))

    @property
    def base_plus_fog(self) -> float:
        """Least density, of the green record of a colour film."""
        return self.main_record.base_plus_fog

    @property
    def main_record(self) -> RecordFit:
        """The only record, or the green one."""
        return next((fit for fit in self.records if fit.record == "green"), self.records[0])

    def to_dict(self) -> dict[str, Any]:
        """The result in plain numbers, as the command line prints it."""
        return {
            "kind": self.film.kind,
            "name": self.film.name,
            "axis": self.axis,
            "log_exposure_shift": self.log_exposure_shift,
            "rms_density": self.rms_density,
            "base_plus_fog": self.base_plus_fog,
            "log_speed_point": self.log_speed_point,
            "speed": dict(self.speed),
            "rise_1_30": self.rise_1_30,
            "mean_gradient": self.mean_gradient,
            "contrast_index": self.contrast_index,
            "contrast_met": self.contrast_met,
            "standard_errors": self.main_record.errors.to_dict(),
            "measured_range": None if self.film.measured_range is None else list(self.film.measured_range),
            "records": {fit.record: fit.to_dict() for fit in self.records},
            "messages": list(self.messages),
        }

    @property
    def facts(self) -> tuple[tuple[str, str], ...]:
        """The figures in words: name and value."""
        errors = self.main_record.errors
        speeds = [
            (f"speed by {criterion}", "not reached" if math.isnan(value) else f"{value:.0f}")
            for criterion, value in self.speed.items()
        ]
        fits = [
            (
                f"{fit.record} record",
                f"base plus fog {fit.base_plus_fog:.3f} +- {fit.errors.base_plus_fog:.3f}, "
                f"{fit.density.size} readings fitted to {fit.rms_density:.4f} density rms, "
                f"{fit.effective_classes:.0f} effective classes",
            )
            for fit in self.records
        ]
        met = {True: " (meets ISO 6)", False: " (outside ISO 6: no ISO speed)", None: ""}[self.contrast_met]
        contrast = (
            ("rise over 1.30", self.rise_1_30, f" +- {self.rise_1_30 * errors.contrast:.3f}{met}"),
            ("mean gradient over 1.5", self.mean_gradient, ""),
            ("contrast index", self.contrast_index, ""),
        )
        point = "(error not known)" if math.isnan(errors.log_speed_point) else f"+- {errors.log_speed_point:.3f}"
        return (
            *speeds,
            ("log10 speed point", f"{self.log_speed_point:.3f} {point}"),
            *fits,
            *((name, f"{value:.3f}{words}") for name, value, words in contrast if not math.isnan(value)),
        )

    def __str__(self) -> str:
        lines = [f"{film_words(self.film)}, by {self.film.standard}"]
        lines += [f"  {name:<26} {value}" for name, value in self.facts]
        return "\n".join([*lines, *(f"  - {message}" for message in self.messages)])

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each step and record: record, log_exposure [log10 lx s], density, fitted, residual."""
        import pandas as pd

        parts = [fit.to_dataframe().assign(record=fit.record) for fit in self.records]
        table = pd.concat(parts, ignore_index=True)
        return table[["record", *(name for name in table.columns if name != "record")]]


hold_to_annotations(globals())
