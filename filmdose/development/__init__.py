"""Development: what time, temperature and restrainers do to clean and to fogged film.

====================  ==============================================================================
module                holds
====================  ==============================================================================
:mod:`.contrast`      contrast against time, by two contrasts or by least squares
:mod:`.temperature`   time against temperature, by Q10 or Arrhenius
:mod:`.states`        a film in another development, and the laws by which it changes
:mod:`.choice`        what other development trades; development and exposure index together
:mod:`.restrainers`   what a restrainer gains and loses by factors of one's own, and how to measure them
:mod:`.location`      a batch of rolls developed on location
====================  ==============================================================================

Handle developers with gloves and fresh air, keep them labelled and away from food, dispose of them by the local rules;
and test on one unimportant roll first.
"""

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names

if TYPE_CHECKING:
    from filmdose.development.choice import (
        DevelopmentChoice,
        Trade,
        WantedRange,
        choose_development,
        development_trade,
    )
    from filmdose.development.contrast import DevelopmentCurve, DevelopmentFit, development_curve, fit_development
    from filmdose.development.location import LocationPlan, Solution, plan_development
    from filmdose.development.restrainers import (
        TEST_STRIPS,
        Restrained,
        RestrainerPair,
        StripReading,
        evaluate_strips,
        read_strips,
        restrain,
    )
    from filmdose.development.states import Growth, developed_film, process_words
    from filmdose.development.temperature import (
        TemperatureFit,
        fit_temperature,
        temperature_coefficient,
        time_at_temperature,
    )

_HOME: dict[str, tuple[str, ...]] = {
    "choice": ("DevelopmentChoice", "Trade", "WantedRange", "choose_development", "development_trade"),
    "contrast": ("DevelopmentCurve", "DevelopmentFit", "development_curve", "fit_development"),
    "location": ("LocationPlan", "Solution", "plan_development"),
    "restrainers": (
        "TEST_STRIPS",
        "Restrained",
        "RestrainerPair",
        "StripReading",
        "evaluate_strips",
        "read_strips",
        "restrain",
    ),
    "states": ("Growth", "developed_film", "process_words"),
    "temperature": ("TemperatureFit", "fit_temperature", "temperature_coefficient", "time_at_temperature"),
}

__all__ = [
    "TEST_STRIPS",
    "DevelopmentChoice",
    "DevelopmentCurve",
    "DevelopmentFit",
    "Growth",
    "LocationPlan",
    "Restrained",
    "RestrainerPair",
    "Solution",
    "StripReading",
    "TemperatureFit",
    "Trade",
    "WantedRange",
    "choose_development",
    "developed_film",
    "development_curve",
    "development_trade",
    "evaluate_strips",
    "fit_development",
    "fit_temperature",
    "plan_development",
    "process_words",
    "read_strips",
    "restrain",
    "temperature_coefficient",
    "time_at_temperature",
]

__getattr__, __dir__ = lazy_names(__name__, _HOME, tuple(_HOME))
