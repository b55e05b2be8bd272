"""Score a field trial: which bracketed frame of a scanned roll equals the clean one, and what filmdose says of it.

    python reference/score_field_trial.py TRIP.toml KEY.toml SCORES.toml

docs/field_trial.md has the protocol.  The key says what each coded frame is; whoever judges sees only the codes.  With
s the stops that a frame had more than at the marked speed, s0 those at which it equals the clean frame, w the scatter
of a judgement and c the least difference that a judge speaks of [stops],

    P(worse) = Phi((s0 - s - c) / w),   P(better) = Phi((s - s0 - c) / w),   P(same) = the rest:

an ordered probit.  s0 is uniform from one stop below the bracket to one above it, w log-uniform from 0.05 to 1.5, c
uniform from 0 to 0.67 (our choices).  The posterior is summed on a grid, so that judges who all agree still give a
finite interval, where a maximum of the likelihood would give none.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
from scipy.special import ndtr

from filmdose.errors import FilmdoseError, InputFileError
from filmdose.files import parse_toml, read_text
from filmdose.odds import learn, propagate
from filmdose.question import Question
from filmdose.solver import CRITERIA
from filmdose.tomlfile import Field, Table, read_rows
from filmdose.trip import Trip, find_roll, trip_readings
from filmdose.tripfile import read_trip
from filmdose.words import CRITERION_WORDS

GRADES = ("worse", "same", "better")

KEY = (
    Table(
        name="trial",
        help="What was done. Kept from the judges, as is all of the key.",
        fields=(
            Field(name="roll", required=True, help="Id of the scanned roll in the trip file."),
            Field(name="invented", type="truth", default="false", help="True of a made-up example."),
            Field(name="note", help="Scene, light, developer, who coded the frames."),
        ),
    ),
    Table(
        name="frame",
        shape="many",
        label="code",
        help="One coded frame.",
        fields=(
            Field(name="code", required=True, help="What is written on its print or scan; random, no order in it."),
            Field(name="roll", choices=("scanned", "clean"), default="scanned", help="The roll that it is from."),
            Field(
                name="stops",
                type="number",
                unit="stops",
                low=-5.0,
                high=10.0,
                required=True,
                help="Exposure more than at the marked speed.",
            ),
        ),
    ),
)

SCORES = (
    Table(
        name="score",
        shape="many",
        help="One judgement of the shadows of a coded frame, beside the clean frame at the marked speed.",
        fields=(
            Field(name="judge", required=True, help="A letter, no name."),
            Field(name="frame", required=True, help="Code of the frame."),
            Field(name="shadows", choices=GRADES, required=True, help="Beside those of the clean frame."),
        ),
    ),
)


@dataclass(frozen=True, kw_only=True)
class Trial:
    """Judgements of a trial: counts [worse, same, better] by stops, of the scanned roll and of hidden clean frames."""

    roll: str
    invented: bool
    counts: dict[float, tuple[int, int, int]]
    hidden: tuple[int, int, int]
    judges: int


@dataclass(frozen=True, kw_only=True)
class Equal:
    """Stops at which the scanned roll equals the clean one: 5, 50 and 95 % points, and whether the bracket held it."""

    low: float
    middle: float
    high: float
    below: float
    above: float

    @property
    def status(self) -> str:
        """In words."""
        if self.above > 0.05:
            return "not bracketed: it may need more than the last frame had"
        if self.below > 0.05:
            return "not bracketed: it may need less than the first frame had"
        return "bracketed"


def read_trial(key: str | Path, scores: str | Path) -> Trial:
    """The key and the judgements of a trial.

    Raises
    ------
    InputFileError
        A file that cannot be read, a code that stands twice or in no key, a frame that one judge scored twice, or fewer
        than two exposures of the scanned roll with a score.
    """
    about = read_rows(KEY, parse_toml(read_text(key), key), key)
    given = read_rows(SCORES, parse_toml(read_text(scores), scores), scores)
    if not about["trial"]:
        raise InputFileError(key, "[trial]", "is missing.", "Say there which roll was scanned.")
    frames: dict[str, tuple[str, float]] = {}
    for row in about["frame"]:
        if row["code"] in frames:
            row.refuse("code", "stands twice.", "Give every frame a code of its own.")
        clean = "roll" in row and row["roll"] == "clean"
        frames[row["code"]] = ("clean" if clean else "scanned", float(row["stops"]))
    counts: dict[float, list[int]] = {}
    hidden = [0, 0, 0]
    seen: set[tuple[str, str]] = set()
    for row in given["score"]:
        if row["frame"] not in frames:
            row.refuse("frame", "is no code of the key.", "Check the code.")
        if (row["judge"], row["frame"]) in seen:
            row.refuse("frame", "was scored by this judge before.", "Code a frame that is shown again anew.")
        seen.add((row["judge"], row["frame"]))
        roll, stops = frames[row["frame"]]
        if roll == "clean" and stops != 0.0:
            row.refuse("frame", "is a clean frame away from the marked speed.", "Hide only frames at 0 stops.")
        tally = hidden if roll == "clean" else counts.setdefault(stops, [0, 0, 0])
        tally[GRADES.index(row["shadows"])] += 1
    if len(counts) < 2:
        raise InputFileError(scores, "", "has scores of fewer than two exposures of the scanned roll.", "Score more.")
    trial = about["trial"][0]
    return Trial(
        roll=trial["roll"],
        invented="invented" in trial and bool(trial["invented"]),
        counts={stops: (tally[0], tally[1], tally[2]) for stops, tally in sorted(counts.items())},
        hidden=(hidden[0], hidden[1], hidden[2]),
        judges=len({judge for judge, _ in seen}),
    )


_WIDTHS = np.geomspace(0.05, 1.5, 24)
_LEAST = np.linspace(0.0, 0.67, 12)


@cache
def _chances(exposures: tuple[float, ...]) -> tuple[np.ndarray, np.ndarray]:
    """Grid of s0, and log chance of each grade at each exposure; shape (exposures, 3, s0, w, c)."""
    equal = np.arange(min(exposures) - 1.0, max(exposures) + 1.0 + 1e-9, 0.02)
    away = (np.asarray(exposures)[:, None, None, None] - equal[:, None, None]) / _WIDTHS[:, None]
    least = _LEAST / _WIDTHS[:, None]
    worse, better = ndtr(-away - least), ndtr(away - least)
    chances = np.stack([worse, 1.0 - worse - better, better], axis=1)
    return equal, np.log(np.maximum(chances, 1e-12))


def equal_exposure(counts: dict[float, tuple[int, int, int]]) -> Equal:
    """Where the scanned roll equals the clean one, by the ordered probit above [stops more than marked]."""
    exposures = tuple(sorted(counts))
    equal, chances = _chances(exposures)
    tallies = np.array([counts[stops] for stops in exposures], dtype=float)
    score = np.einsum("eg,eg...->...", tallies, chances)
    weight = np.exp(score - score.max()).sum(axis=(1, 2))
    below = np.concatenate([[0.0], np.cumsum(weight) / weight.sum()])
    edges = np.concatenate([equal - 0.01, equal[-1:] + 0.01])
    low, middle, high = np.interp((0.05, 0.5, 0.95), below, edges)
    under, over = np.interp((exposures[0], exposures[-1]), edges, below)
    return Equal(low=float(low), middle=float(middle), high=float(high), below=float(under), above=float(1.0 - over))


def compare(trip: Trip, trial: Trial, *, samples: int = 2**13) -> str:
    """The trial's answer beside what filmdose says of the roll by each criterion, and the index that it gives."""
    roll = find_roll(trip, trial.roll)
    if roll.film.reversal or roll.state == "exposed":
        raise InputFileError(trip.path, f"roll {roll.id}", "is reversal film or was shot before the scan: no trial.")
    found = equal_exposure(trial.counts)
    learned = learn(trip) if trip_readings(trip) else None
    judged = sum(map(sum, trial.counts.values()))
    lines = ["Invented: roll and scores do not exist."] if trial.invented else []
    lines += [
        f"Scores {judged}, judges {trial.judges}: equal to the clean roll at {found.middle:+.2f} stops "
        f"({found.low:+.2f} to {found.high:+.2f}, 90 %), {found.status}.",
    ]
    if sum(trial.hidden):
        lines.append(
            f"Hidden clean frames: {trial.hidden[1]} of {sum(trial.hidden)} were called the same as the clean frame."
        )
    else:
        lines.append("No clean frame was hidden among the others: nothing shows whether the judges see what is there.")
    for criterion in CRITERIA:
        row = propagate(trip, Question(criterion=criterion), learned=learned, samples=samples)[roll.id]
        low, middle, high = row.stops
        said = "overlap" if low <= found.high and found.low <= high else "are apart"
        lines.append(
            f"{CRITERION_WORDS[criterion]}: {_stops(middle)} ({_stops(low)} to {_stops(high)}); intervals {said}."
        )
    row = propagate(trip, learned=learned, samples=samples)[roll.id]
    lines += [
        f"filmdose on this roll, from log{' and readings' if learned else ' alone'}: {row.headline}",
        "The index weighs shadow against light given and may ask for less than equality. The criteria ask for it "
        f"(signal-to-noise: {100 * Question().snr_target:.0f} % of the clean); nobody knows by which eyes judge.",
        "One trial with one roll tests dose, film and criterion together.",
    ]
    return "\n".join(lines)


def _stops(value: float) -> str:
    return "more than any exposure restores" if np.isinf(value) else f"{value:+.2f}"


def main() -> int:
    """Print the comparison; 2 and one line for a file that cannot be used."""
    parser = argparse.ArgumentParser(description="Score a field trial; docs/field_trial.md has the protocol.")
    for name in ("trip", "key", "scores"):
        parser.add_argument(name, type=Path, metavar=f"{name.upper()}.toml")
    given = parser.parse_args()
    try:
        print(compare(read_trip(given.trip), read_trial(given.key, given.scores)))
    except FilmdoseError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
