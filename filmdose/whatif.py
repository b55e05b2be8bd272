"""What if: the answer for one roll and its odds, fast enough to follow a slider, and how to ask for it again."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING

from filmdose.answering import Answer
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_count, check_number
from filmdose.criteria import Criterion
from filmdose.errors import ArgumentError
from filmdose.film.filmfile import film_text, read_film
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, History, HistoryDose, Pass, Storage
from filmdose.names import FilmFormat, Kind
from filmdose.odds import Priors, RollOdds, propagate
from filmdose.odds.scores import Random, random_seed
from filmdose.question import Question
from filmdose.result import Result
from filmdose.standards import SCENE_RANGE
from filmdose.trip import Roll, Shot, Trip, answer_roll, find_roll, with_more
from filmdose.tripfile import read_trip
from filmdose.units import format_speed
from filmdose.words import dose_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["NO_SHIELD", "Setting", "WhatIf", "difference", "what_if"]

NO_SHIELD = "none"

#: What the sentence adds to the index, by status; no index is safe where the shadows are not restored.
_WORDS: dict[str, str] = {
    "ok": " to be safe",
    "partly_restored": ": more light would cost more than it gives back",
    "highlight_limited": " and no lower: more would cost highlights",
    "readings_end": ": the film was not measured further",
}


@dataclass(frozen=True, kw_only=True)
class WhatIf(Result):
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
    def headline(self) -> str:
        """What to do and what the roll is worth then: the line that every output of this roll has."""
        return self.odds.headline

    @property
    def sentence(self) -> str:
        """The answer in words."""
        if self.film.reversal or self.odds.outcome == "exposed":
            return self.answer.message
        if self.odds.ei_recommended is None:
            lost = 100 * self.odds.chance_beyond_rescue
            return f"Do not count on this roll: in {lost:.0f} % of the cases nothing helps."
        typical = self.answer.ei
        words = "" if typical is None else f"; EI {format_speed(typical)} if every pass was typical"
        return f"Set EI {format_speed(self.odds.ei_recommended)}{_WORDS.get(self.odds.status, '')}{words}."

    def to_dataframe(self) -> pd.DataFrame:
        """One row, with the columns of :meth:`filmdose.odds.TripOdds.to_dataframe`."""
        return self.odds.to_dataframe()


@dataclass(frozen=True, kw_only=True)
class Setting(Result):
    """One roll of a what-if: a film, what it went through, and what is asked of it.

    Parameters
    ----------
    film
        A film or a film file; None takes the generic film of ``speed`` and ``kind``, or that of the trip's roll.
    speed, kind
        As of :func:`filmdose.film.generic.generic_film`; ``speed`` None with a film or a trip [ISO].
    trip, roll
        A trip file and the id of the roll to start from: its film, history, state and unevenness. Checkpoints that are
        still ahead of it are not counted.
    counts
        Passes by source, further ones where a trip's roll has its own.
    shield
        Around the film in each of these passes, such as "lead=0.25", or ``NO_SHIELD``.
    flight_h, storage_days
        Time in the air at 36 000 ft [h; at least 0] and on a shelf [days; at least 0], added.
    format
        "35mm", "120" or "sheet"; None takes that of the trip's roll, or "35mm".
    exposed
        True for a roll that is exposed in the camera already.
    shot_ei
        It is exposed already, at this exposure index [ISO].
    peak_to_mean
        Fog of the worst band over the mean, in place of the sources' and of what is drawn on top [1; at least 1].
    question
        What is asked, the usual when None. A scene range of the trip's roll stands before that of the question.

    Raises
    ------
    ArgumentError
        A speed beside a film, a format beside a trip, a trip without the id of a roll, no film at all.

    Examples
    --------
    >>> print(Setting(speed=800, counts={"cabin-ct": 1}, shield="lead=0.25").command())
    filmdose roll --speed 800 --pass cabin-ct=1 --shield lead=0.25 --samples 1024 --seed 0
    """

    film: Film | str | Path | None = None
    speed: float | None = None
    kind: Kind = "bw-negative"
    trip: str | Path | None = None
    roll: str | None = None
    counts: Mapping[str, int] = field(default_factory=dict)
    shield: str = NO_SHIELD
    flight_h: float = 0.0
    storage_days: float = 0.0
    format: FilmFormat | None = None
    exposed: bool = False
    shot_ei: float | None = None
    peak_to_mean: float | None = None
    question: Question | None = None

    _accepts = (("flight_h", "WithUnit"), ("storage_days", "WithUnit"))

    def __post_init__(self) -> None:
        if not isinstance(self.trip, str | Path | None):
            raise ArgumentError("trip", self.trip, "the path of a trip file, or None")
        if not isinstance(self.roll, str | None):
            raise ArgumentError("roll", self.roll, "the id of a roll, or None")
        if self.film is not None and self.speed is not None:
            raise ArgumentError("speed", self.speed, "nothing beside a film", "The film has its own.")
        if (self.trip is None) != (self.roll is None):
            missing = "roll" if self.roll is None else "trip"
            raise ArgumentError(missing, None, "a trip file and the id of one of its rolls, both or neither")
        if self.trip is None and self.film is None and self.speed is None:
            raise ArgumentError("speed", None, "a speed [ISO], a film, or a roll of a trip", "Give one of them.")
        if self.trip is not None and self.format is not None:
            raise ArgumentError("format", self.format, "nothing beside a trip", "Its roll has its own.")
        object.__setattr__(self, "flight_h", check_number("flight_h", self.flight_h, low=0.0, unit="h"))
        object.__setattr__(self, "storage_days", check_number("storage_days", self.storage_days, low=0.0, unit="days"))
        object.__setattr__(
            self, "counts", {name: check_count(f"passes of {name}", count) for name, count in self.counts.items()}
        )

    @property
    def asked(self) -> Question:
        """What is asked."""
        return Question() if self.question is None else self.question

    def _written(self) -> Question:
        """What is asked, where it can be written down."""
        if isinstance(self.asked.criterion, Criterion):
            action = "Code and commands know no function of one's own."
            raise ArgumentError("question", self.asked, "one with a criterion by its name", action)
        return self.asked

    @property
    def _passes(self) -> dict[str, int]:
        """The sources that it went through."""
        return {name: count for name, count in self.counts.items() if count}

    def as_roll(self) -> Roll:
        """The roll, with all that it went through.

        Raises
        ------
        ArgumentError, UnknownNameError, InputFileError
            A value out of range; a source, a shield or a roll that is not known; a file that cannot be read.
        """
        around = None if self.shield == NO_SHIELD else self.shield
        passes = [Pass(source=name, count=number, shield=around) for name, number in self.counts.items()]
        more = History(
            passes=tuple(part for part in passes if part.count),  # one that was not made would only turn the draws
            flights=() if self.flight_h == 0.0 else (Flight(hours=self.flight_h),),
            storage=() if self.storage_days == 0.0 else (Storage(days=self.storage_days),),
            format=self.format or "35mm",
        )
        film = self._own_film()
        if self.trip is None or self.roll is None:
            assert film is not None
            start = Roll(id="roll", film=film, history=more)
        else:
            start = with_more(find_roll(_read_trip(self.trip), self.roll), more)
            start = start if film is None else replace(start, film=film)
        return replace(
            start,
            peak_to_mean=start.peak_to_mean if self.peak_to_mean is None else self.peak_to_mean,
            state="exposed" if self.exposed else start.state,
            shot=start.shot if self.shot_ei is None else Shot(ei=self.shot_ei),
        )

    def _own_film(self) -> Film | None:
        if self.speed is not None:
            return generic_film(self.speed, kind=self.kind)
        return self.film if isinstance(self.film, Film) or self.film is None else read_film(self.film)

    def answer(self, *, priors: Priors | None = None, samples: int = 1024, rng: Random = 0) -> WhatIf:
        """The answer.

        Parameters
        ----------
        priors, samples, rng
            As of :func:`filmdose.odds.propagate`.
        """
        roll = self.as_roll()
        told = answer_roll(roll, self.asked)
        odds = propagate([roll], self.asked, priors=priors, samples=samples, rng=rng)[roll.id]
        return WhatIf(dose=told.dose, answer=told.answer, odds=odds)

    def code(self, *, samples: int = 1024, rng: Random = 0) -> str:
        """Python that gives the same answer, and prints its headline."""
        given = {
            item.name: getattr(self, item.name)
            for item in fields(self)
            if item.name not in ("film", "question", "counts") and getattr(self, item.name) != item.default
        }
        given = {name: str(value) if isinstance(value, Path) else value for name, value in given.items()}
        lines, values = ["from filmdose.whatif import what_if"], {name: repr(value) for name, value in given.items()}
        before: list[str] = []
        if isinstance(self.film, Film):
            lines.insert(0, "from filmdose.film.filmfile import parse_film, write_film")
            text = film_text(self.film).replace("\\", "\\\\").replace("'''", "\\'\\'\\'")
            before.append(f"film = parse_film('''\\\n{text}''')")
            before.append(f"# for the command: write_film(film, {self.film_file!r})")
            values = {"film": "film", **values}
        elif self.film is not None:
            values = {"film": repr(str(self.film)), **values}
        values["counts"] = repr(self._passes)
        question = self._written()
        asked = {
            item.name: getattr(question, item.name)
            for item in fields(Question)
            if getattr(question, item.name) != item.default
        }
        if asked:
            lines.insert(-1, "from filmdose.question import Question")
            values["question"] = f"Question({', '.join(f'{name}={value!r}' for name, value in asked.items())})"
        values |= {"samples": repr(samples), "rng": repr(random_seed(rng))}
        call = [f"    {name}={value}," for name, value in values.items()]
        return "\n".join([*lines, "", *before, "found = what_if(", *call, ")", "print(found.headline)", ""])

    def command(self, *, samples: int = 1024, rng: Random = 0) -> str:
        """A command that gives the same answer; of a :class:`Film` without a file it names ``film_file``.

        Raises
        ------
        ArgumentError
            A question with unevenness of its own, which the command has for the roll alone.
        """
        asked = self._written()
        if asked.peak_to_mean != 1.0:
            raise ArgumentError("question", asked, "one without peak_to_mean", "Give the setting's own peak_to_mean.")
        words: list[str] = []

        def option(name: str, value: object, left_out: object = None) -> None:
            if value != left_out:
                words.extend(
                    [f"--{name}", f"{value:g}" if isinstance(value, float) and value.is_integer() else f"{value}"]
                )

        option("trip", self.trip)
        option("roll", self.roll)
        option("film", self.film_file or None)
        option("speed", self.speed)
        if self.speed is not None:
            option("kind", self.kind, "bw-negative")
        for name, count in self._passes.items():
            option("pass", f"{name}={count}")
        if self._passes:
            option("shield", self.shield, NO_SHIELD)
        option("flight", float(self.flight_h), 0.0)
        option("storage", float(self.storage_days), 0.0)
        option("film-format", self.format or "35mm", "35mm")
        words += ["--exposed"] if self.exposed else []
        option("shot-ei", self.shot_ei)
        option("peak-to-mean", self.peak_to_mean)
        option("criterion", asked.criterion, Question().criterion)
        option("snr-target", asked.snr_target, 1.0)
        option("scene-range", asked.scene_range, SCENE_RANGE)
        option("cost-under", asked.cost_under, 4.0)
        option("cost-over", asked.cost_over, 1.0)
        words += ["--samples", str(samples), "--seed", str(random_seed(rng))]
        return " ".join(["filmdose", "roll", *map(_quoted, words)])

    @property
    def film_file(self) -> str:
        """The film file that the command names; empty for the generic film and that of a trip's roll."""
        if isinstance(self.film, Film):
            return re.sub(r"[^a-z0-9]+", "-", self.film.label.lower()).strip("-") + ".toml"
        return "" if self.film is None else str(self.film)


def difference(one: WhatIf, other: WhatIf) -> str:
    """What the second answer has over the first, in a line.

    Parameters
    ----------
    one, other
        Two answers, called A and B.

    Returns
    -------
    str

    Examples
    --------
    >>> bare, pouch = (what_if(speed=800, counts={"cabin-ct": 1}, shield=shield) for shield in ("none", "lead=0.5"))
    >>> difference(bare, pouch).partition(",")[0]
    'B against A: EI 400 in place of 160'
    """

    def index(found: WhatIf) -> str:
        if found.odds.outcome == "exposed":
            return "exposed already"
        chosen = found.odds.ei_recommended
        return "no index that helps" if chosen is None else f"EI {format_speed(chosen)}"

    def both(first: str, second: str) -> str:
        return f"{first} for both" if first == second else f"{second} in place of {first.removeprefix('EI ')}"

    parts = [both(index(one), index(other))]
    given = [found.odds.given_stops for found in (one, other) if found.odds.outcome == "compensated"]
    if len(given) == 2 and given[0] is not None and given[1] is not None:
        gap = given[1] - given[0]
        if abs(gap) >= 0.05:
            parts.append(f"{abs(gap):.1f} stop {'more' if gap > 0 else 'less'} over the box speed")
    parts.append(f"verdict {both(one.odds.verdict, other.odds.verdict)}")
    parts.append(f"dose {both(dose_text(one.dose.kerma_ugy), dose_text(other.dose.kerma_ugy))}")
    kept = [f"{100 * found.answer.snr_kept:.0f} %" for found in (one, other)]
    parts.append(f"shadow signal-to-noise kept at the box speed {both(*kept)}")
    return f"B against A: {', '.join(parts)}."


@lru_cache(maxsize=8)
def _trip_at(path: str, changed: int, size: int) -> Trip:
    return read_trip(path)


def _read_trip(path: str | Path) -> Trip:
    """A trip file, read again when it changed."""
    try:
        found = Path(path).stat()
    except OSError:
        return read_trip(path)  # which says what is wrong
    return _trip_at(str(path), found.st_mtime_ns, found.st_size)


def _quoted(word: str) -> str:
    """A word as every shell reads it: as it is, or in double quotes."""
    return word if re.fullmatch(r"[\w./\\:=@+-]+", word) else f'"{word}"'


def what_if(
    *,
    film: Film | str | Path | None = None,
    speed: float | None = None,
    counts: Mapping[str, int] | None = None,
    kind: Kind = "bw-negative",
    trip: str | Path | None = None,
    roll: str | None = None,
    shield: str = NO_SHIELD,
    flight_h: float = 0.0,
    storage_days: float = 0.0,
    format: FilmFormat | None = None,
    exposed: bool = False,
    shot_ei: float | None = None,
    peak_to_mean: float | None = None,
    question: Question | None = None,
    priors: Priors | None = None,
    samples: int = 1024,
    rng: Random = 0,
) -> WhatIf:
    """The answer for a film, or a roll of a trip, and so many passes of each source.

    Parameters
    ----------
    film, speed, counts, kind, trip, roll, shield, flight_h, storage_days, format
        As of :class:`Setting`.
    exposed, shot_ei, peak_to_mean, question
        As of :class:`Setting`.
    priors, samples, rng
        As of :func:`filmdose.odds.propagate`.

    Returns
    -------
    WhatIf

    Raises
    ------
    ArgumentError, UnknownNameError, InputFileError
        A value out of range; a source or a shield that is not known; a file that cannot be read.

    Examples
    --------
    >>> what_if(speed=400, counts={"cabin-xray": 1}).headline
    'EI 400 (safe and typical). Good.'
    """
    setting = Setting(
        film=film,
        speed=speed,
        kind=kind,
        trip=trip,
        roll=roll,
        counts={} if counts is None else counts,
        shield=shield,
        flight_h=flight_h,
        storage_days=storage_days,
        format=format,
        exposed=exposed,
        shot_ei=shot_ei,
        peak_to_mean=peak_to_mean,
        question=question,
    )
    return setting.answer(priors=priors, samples=samples, rng=rng)


hold_to_annotations(globals())
