"""How sure an answer is, what matters most, what to set the meter to, and learning from measured rolls."""

from filmdose.odds.cells import cell_odds
from filmdose.odds.decision import Bracket, weighted_quantile
from filmdose.odds.draw import draw_stops, propagate
from filmdose.odds.learn import ContradictionError, learn
from filmdose.odds.learned import Learned, read_learned, save_learned
from filmdose.odds.pouch import PouchEstimate, pouch_from_rolls, pouch_from_scale, pouch_unknown
from filmdose.odds.priors import Prior, Priors, default_priors, list_priors, read_priors
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
    "Narrowing",
    "PouchEstimate",
    "Prior",
    "Priors",
    "RollOdds",
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
    "save_learned",
    "sobol_table",
    "tornado",
    "trip_model",
    "trip_readings",
    "trip_sobol",
    "weighted_quantile",
]
