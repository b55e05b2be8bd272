"""filmdose: which exposure index to set for film that went through X-ray and CT scanners.

The names here are the way in, about thirty; each submodule says more and is reachable after ``import filmdose``:
history -> effective kerma -> film -> answer -> document.  All are imported when they are first used.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names
from filmdose.version import __version__

if TYPE_CHECKING:
    from filmdose.answering import Answer, answer, answer_grid, given_stops
    from filmdose.errors import FilmdoseError, ValidityWarning
    from filmdose.film.filmfile import read_film, write_film
    from filmdose.film.fitting import fit_film
    from filmdose.film.generic import generic_film
    from filmdose.film.model import Film
    from filmdose.film.readings import read_steps
    from filmdose.history import Flight, History, HistoryDose, Pass, Storage, history_dose
    from filmdose.odds import learn, propagate
    from filmdose.picture import preview
    from filmdose.planning import make_plan
    from filmdose.present.card import make_card, write_card
    from filmdose.present.tables import compensation_table
    from filmdose.present.writers import write_document
    from filmdose.question import Question
    from filmdose.radiation.shields import Shield
    from filmdose.rolls import answers
    from filmdose.trip import Roll, Trip, answer_trip, trip_table
    from filmdose.tripfile import read_trip

_HOME: dict[str, tuple[str, ...]] = {
    "answering": ("Answer", "answer", "answer_grid", "given_stops"),
    "errors": ("FilmdoseError", "ValidityWarning"),
    "film.filmfile": ("read_film", "write_film"),
    "film.fitting": ("fit_film",),
    "film.generic": ("generic_film",),
    "film.model": ("Film",),
    "film.readings": ("read_steps",),
    "history": ("Flight", "History", "HistoryDose", "Pass", "Storage", "history_dose"),
    "odds": ("learn", "propagate"),
    "picture": ("preview",),
    "planning": ("make_plan",),
    "present.card": ("make_card", "write_card"),
    "present.tables": ("compensation_table",),
    "present.writers": ("write_document",),
    "question": ("Question",),
    "radiation.shields": ("Shield",),
    "rolls": ("answers",),
    "trip": ("Roll", "Trip", "answer_trip", "trip_table"),
    "tripfile": ("read_trip",),
}

#: Submodules with more names for those who want them.
_SUBMODULES = (
    *("answering", "criteria", "development", "errors", "examples", "film", "history", "inverse", "odds"),
    *("outlook", "picture", "planning", "plotting", "present", "printing", "question", "radiation", "rolls"),
    *("scan", "sensitometry", "sweep", "tonecurve", "tonetable", "trip", "tripfile", "units", "whatif"),
)

__all__ = [
    "Answer",
    "Film",
    "FilmdoseError",
    "Flight",
    "History",
    "HistoryDose",
    "Pass",
    "Question",
    "Roll",
    "Shield",
    "Storage",
    "Trip",
    "ValidityWarning",
    "__version__",
    "answer",
    "answer_grid",
    "answer_trip",
    "answers",
    "compensation_table",
    "fit_film",
    "generic_film",
    "given_stops",
    "history_dose",
    "learn",
    "make_card",
    "make_plan",
    "preview",
    "propagate",
    "read_film",
    "read_steps",
    "read_trip",
    "trip_table",
    "write_card",
    "write_document",
    "write_film",
]

__getattr__, __dir__ = lazy_names(__name__, {"version": ("__version__",), **_HOME}, _SUBMODULES)
