"""The film: characteristic curves, grain populations, films of records, and films from readings and files."""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names

if TYPE_CHECKING:
    from filmdose.film.calibration import FogCalibration, FoggedSteps, calibrate_fog
    from filmdose.film.cgats import CgatsTable, read_cgats, write_cgats
    from filmdose.film.comparison import LightPreflashCurve, UniformUnionCurve
    from filmdose.film.curves import Curve, MeasuredCurve, ToeShoulderCurve
    from filmdose.film.emulsion import APERTURE_AREA_UM2, Emulsion, PopulationCurve
    from filmdose.film.filmfile import parse_film, read_film, write_film
    from filmdose.film.fitresult import FilmFit, RecordFit, StandardErrors
    from filmdose.film.fitting import fit_curve, fit_film
    from filmdose.film.generic import generic_film, generic_speed_range
    from filmdose.film.model import Film, film_words
    from filmdose.film.noisefit import GranularityReadings, read_granularity
    from filmdose.film.readings import StepReadings, read_steps, tablet_log_exposures, write_steps
    from filmdose.film.recordfit import fit_emulsion

__all__ = [
    "APERTURE_AREA_UM2",
    "CgatsTable",
    "Curve",
    "Emulsion",
    "Film",
    "FilmFit",
    "FogCalibration",
    "FoggedSteps",
    "GranularityReadings",
    "LightPreflashCurve",
    "MeasuredCurve",
    "PopulationCurve",
    "RecordFit",
    "StandardErrors",
    "StepReadings",
    "ToeShoulderCurve",
    "UniformUnionCurve",
    "calibrate_fog",
    "film_words",
    "fit_curve",
    "fit_emulsion",
    "fit_film",
    "generic_film",
    "generic_speed_range",
    "parse_film",
    "read_cgats",
    "read_film",
    "read_granularity",
    "read_steps",
    "tablet_log_exposures",
    "write_cgats",
    "write_film",
    "write_steps",
]

_HOME = {
    "calibration": (
        "FogCalibration",
        "FoggedSteps",
        "calibrate_fog",
    ),
    "cgats": (
        "CgatsTable",
        "read_cgats",
        "write_cgats",
    ),
    "comparison": (
        "LightPreflashCurve",
        "UniformUnionCurve",
    ),
    "curves": (
        "Curve",
        "MeasuredCurve",
        "ToeShoulderCurve",
    ),
    "emulsion": (
        "APERTURE_AREA_UM2",
        "Emulsion",
        "PopulationCurve",
    ),
    "filmfile": (
        "parse_film",
        "read_film",
        "write_film",
    ),
    "fitresult": (
        "FilmFit",
        "RecordFit",
        "StandardErrors",
    ),
    "fitting": ("fit_curve", "fit_film"),
    "generic": (
        "generic_film",
        "generic_speed_range",
    ),
    "model": (
        "Film",
        "film_words",
    ),
    "noisefit": (
        "GranularityReadings",
        "read_granularity",
    ),
    "readings": (
        "StepReadings",
        "read_steps",
        "tablet_log_exposures",
        "write_steps",
    ),
    "recordfit": ("fit_emulsion",),
}

_SUBMODULES = (
    "calibration",
    "cgats",
    "comparison",
    "curves",
    "emulsion",
    "filmfile",
    "fitresult",
    "fitting",
    "generic",
    "model",
    "noisefit",
    "readings",
)

__getattr__, __dir__ = lazy_names(__name__, _HOME, _SUBMODULES)
