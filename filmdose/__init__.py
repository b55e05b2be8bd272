"""filmdose: which exposure index to set for film that went through X-ray and CT scanners.

The names here are the way in; each module says more:
history -> effective kerma -> emulsion -> compensation -> table, plot, report.
"""

from filmdose.compensation import Compensation, compensate, compensation_grid, needed_stops
from filmdose.errors import FilmdoseError, ValidityWarning
from filmdose.film.emulsion import Emulsion
from filmdose.film.generic import calibrated_hits_per_ugy, generic_film
from filmdose.film.model import Film
from filmdose.history import History, HistoryDose, Pass, history_dose
from filmdose.present.tables import compensation_table
from filmdose.trip import Trip, answer_trip, read_trip, trip_table
from filmdose.version import __version__

__all__ = [
    "Compensation",
    "Emulsion",
    "Film",
    "FilmdoseError",
    "History",
    "HistoryDose",
    "Pass",
    "Trip",
    "ValidityWarning",
    "__version__",
    "answer_trip",
    "calibrated_hits_per_ugy",
    "compensate",
    "compensation_grid",
    "compensation_table",
    "generic_film",
    "history_dose",
    "needed_stops",
    "read_trip",
    "trip_table",
]
