"""What if: the answer for one roll and its odds, fast enough to follow a slider."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from filmdose.answering import Answer
from filmdose.arrays import check_count
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import History, HistoryDose, Pass
from filmdose.odds import Priors, RollOdds, propagate
from filmdose.question import Question
from filmdose.trip import Roll, answer_roll
from filmdose.units import format_speed

__all__ = ["NO_SHIELD", "WhatIf", "what_if"]

NO_SHIELD = "none"

#: What the sentence adds to the index, by status; no index is safe where the shadows are not restored.
_WORDS: dict[str, str] = {
    "ok": " to be safe",
    "partly_restored": ": more light would cost more than it gives back",
    "highlight_limited": " and no lower: more would cost highlights",
    "readings_end": ": the film was not measured further",
}


@dataclass(frozen=True, kw_only=True)
class WhatIf:
    """One answer.

    Parameters
    ----------
    dose
        Dose of the history, with its range.
    answer
        The answer at the typical dose.
    odds
        The same with everything that is not known.
    """

    dose: HistoryDose
    answer: Answer
    odds: RollOdds

    @property
    def film(self) -> Film:
        """The film."""
        return self.answer.film

    @property
    def stops(self) -> tuple[float, float, float] | None:
        """Compensation, 5, 50 and 95 % points [stops]; infinite where nothing helps; None for reversal film."""
        return None if self.film.reversal else self.odds.stops

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if self.film.reversal:
            return self.answer.message
        if self.odds.ei_recommended is None:
            lost = 100 * self.odds.chance_beyond_rescue
            return f"Do not count on this roll: in {lost:.0f} % of the cases nothing helps."
        typical = self.answer.ei
        words = "" if typical is None else f"; EI {format_speed(typical)} if every pass was typical"
        return f"Set EI {format_speed(self.odds.ei_recommended)}{_WORDS.get(self.odds.status, '')}{words}."


def what_if(
    *,
    speed: float,
    counts: Mapping[str, int],
    kind: str = "bw-negative",
    shield: str = NO_SHIELD,
    peak_to_mean: float | None = None,
    question: Question | None = None,
    priors: Priors | None = None,
    samples: int = 1024,
    seed: int = 0,
) -> WhatIf:
    """The answer for a generic film and so many passes of each source.

    Parameters
    ----------
    speed, kind
        As of :func:`filmdose.film.generic.generic_film`.
    counts
        Passes by source.
    shield
        Around the film in every pass, such as "lead=0.25", or ``NO_SHIELD``.
    peak_to_mean
        Fog of the worst band over the mean, in place of the sources' and of what is drawn on top [1; at least 1].
    question
        What is asked.
    priors, samples, seed
        As of :func:`filmdose.odds.propagate`.

    Raises
    ------
    ArgumentError, UnknownNameError
        A value out of range; a source or a shield that is not known.
    """
    around = None if shield == NO_SHIELD else shield
    passes = [
        Pass(source=source, count=check_count(f"passes of {source}", number), shield=around)
        for source, number in counts.items()
    ]
    film, history = generic_film(speed, kind=kind), History(passes=tuple(passes))
    roll = Roll(id="roll", film=film, history=history, peak_to_mean=peak_to_mean)
    told = answer_roll(roll, Question() if question is None else question)
    odds = propagate([roll], question, priors=priors, samples=samples, rng=seed)["roll"]
    return WhatIf(dose=told.dose, answer=told.answer, odds=odds)
