"""How sure an answer is, what matters most, what to set the meter to, and learning from measured rolls."""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names

if TYPE_CHECKING:
    from filmdose.odds.cells import cell_odds
    from filmdose.odds.decision import Bracket, weighted_quantile
    from filmdose.odds.draw import draw_stops, propagate, roll_need
    from filmdose.odds.learned import Learned, read_learned, save_learned
    from filmdose.odds.learning import ContradictionError, learn, roll_fog
    from filmdose.odds.pouch import PouchEstimate, pouch_from_rolls, pouch_from_scale, pouch_unknown
    from filmdose.odds.priors import MixturePrior, Prior, Priors, SamplePrior, default_priors, list_priors, read_priors
    from filmdose.odds.results import RollOdds, TripOdds
    from filmdose.odds.sensitivity import Narrowing, narrowing, sobol_table, tornado, trip_sobol
    from filmdose.odds.unknowns import TripModel, trip_model
    from filmdose.trip import DoseReading, FogReading, trip_readings
    from filmdose.tripfile import read_readings

__all__ = [
    "Bracket",
    "ContradictionError",
    "DoseReading",
    "FogReading",
    "Learned",
    "MixturePrior",
    "Narrowing",
    "PouchEstimate",
    "Prior",
    "Priors",
    "RollOdds",
    "SamplePrior",
    "TripModel",
    "TripOdds",
    "cell_odds",
    "default_priors",
    "draw_stops",
    "learn",
    "list_priors",
    "narrowing",
    "pouch_from_rolls",
    "pouch_from_scale",
    "pouch_unknown",
    "propagate",
    "read_learned",
    "read_priors",
    "read_readings",
    "roll_fog",
    "roll_need",
    "save_learned",
    "sobol_table",
    "tornado",
    "trip_model",
    "trip_readings",
    "trip_sobol",
    "weighted_quantile",
]

_HOME = {
    "cells": ("cell_odds",),
    "decision": ("Bracket", "weighted_quantile"),
    "draw": ("draw_stops", "propagate", "roll_need"),
    "learning": ("ContradictionError", "learn", "roll_fog"),
    "learned": ("Learned", "read_learned", "save_learned"),
    "pouch": ("PouchEstimate", "pouch_from_rolls", "pouch_from_scale", "pouch_unknown"),
    "priors": ("MixturePrior", "Prior", "Priors", "SamplePrior", "default_priors", "list_priors", "read_priors"),
    "results": ("RollOdds", "TripOdds"),
    "sensitivity": ("Narrowing", "narrowing", "sobol_table", "tornado", "trip_sobol"),
    "unknowns": ("TripModel", "trip_model"),
    ".trip": ("DoseReading", "FogReading", "trip_readings"),
    ".tripfile": ("read_readings",),
}

_SUBMODULES = (
    "cells",
    "decision",
    "draw",
    "groups",
    "learned",
    "learning",
    "pouch",
    "priors",
    "results",
    "scores",
    "sensitivity",
    "tables",
    "tally",
    "unknowns",
)

__getattr__, __dir__ = lazy_names(__name__, _HOME, _SUBMODULES)
