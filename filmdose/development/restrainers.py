"""Restrainers: what a pair of factors that you have measured gains and loses, and how to measure it.

Benzotriazole and potassium bromide hold back the grains that are slowest to start, so fog falls and speed with it. No
pair of dose and loss was found published, so both factors are the user's and have no default. To the developer
radiation fog is image silver: a factor that was read on film with chemical fog alone says nothing of it.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy.optimize import brentq

from filmdose.answering import as_film
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, InputFileError, shown
from filmdose.files import read_text
from filmdose.film.model import Film
from filmdose.question import Question
from filmdose.result import Result
from filmdose.solution import shadow_points
from filmdose.standards import LOG10_2

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TEST_STRIPS", "Restrained", "RestrainerPair", "StripReading", "evaluate_strips", "read_strips", "restrain"]

#: The plan of the test, a sentence a step.
TEST_STRIPS: tuple[str, ...] = (
    "Take one unimportant roll that went through the same scans. Do not fog film on purpose in a scanner.",
    "Expose it to a step tablet, or to an even grey surface in steps of a third of a stop from five stops under the "
    "meter to one over, several times along its length; leave a blank piece beside every series.",
    "In the dark cut it into strips, each with one series and one blank piece: at least two to develop without and two "
    "with the restrainer; one blank piece is fixed without development and tells the density of the base.",
    "Develop all at one temperature, with one agitation; the strips with the restrainer for the time that gives the "
    "same contrast, else the two are not to be compared. Label every strip and every bottle with substance and "
    "grams per litre; gloves, fresh air, no skin or mouth contact; dispose of the rest by the local rules.",
    "Read of every strip: density of the blank piece, and the log exposure at which it lies 0.10 above the blank piece "
    "(a stop is 0.30), and its contrast.",
    "The ratio of the fogs, base taken away, is the fog factor; ten to the shift of log exposure the speed factor.",
)


@dataclass(frozen=True, kw_only=True)
class RestrainerPair(Result):
    """What a restrainer in one developer did to one film, both at equal contrast.

    Parameters
    ----------
    fog_factor
        Fog above the base with it, over that without [above 0 to 1.2]. Of *radiation-fogged* film.
    speed_factor
        Speed with it, over that without [above 0 to 1.2].
    fog_error, speed_error
        Their standard errors [1; >= 0], NaN when not known.
    words
        Which restrainer, how much.
    """

    fog_factor: float
    speed_factor: float
    fog_error: float = math.nan
    speed_error: float = math.nan
    words: str = ""

    __hash__ = Result.__hash__  # in which NaN is NaN

    def __post_init__(self) -> None:
        for name in ("fog_factor", "speed_factor"):
            object.__setattr__(self, name, check_number(name, getattr(self, name), low=0.0, low_open=True, high=1.2))
        for name in ("fog_error", "speed_error"):
            if not math.isnan(getattr(self, name)):
                check_number(name, getattr(self, name), low=0.0)

    @property
    def stops_lost(self) -> tuple[float, float]:
        """Speed that it costs, and its standard error [stops]."""
        error = self.speed_error / self.speed_factor / math.log(2.0)
        return max(-math.log2(self.speed_factor), 0.0) + 0.0, error


@dataclass(frozen=True, kw_only=True)
class Restrained(Result):
    """What a restrainer gains and loses on one scanned roll.

    Parameters
    ----------
    fog_density, fog_restrained
        Fog by radiation without and with it [density].
    printing_stops_saved
        Printing exposure that the thinner fog saves [stops].
    speed_stops_lost
        Speed that it costs [stops].
    snr_without
        Signal-to-noise of the shadow over that of the clean film, without it [1].
    snr_worst, snr_best
        The same with it: when it holds back image grains as it does those of the fog, and when it took nothing but
        fog, as a smaller dose would have.
    notes
        What belongs to the figures.
    """

    fog_density: float
    fog_restrained: float
    printing_stops_saved: float
    speed_stops_lost: float
    snr_without: float
    snr_worst: float
    snr_best: float
    notes: tuple[str, ...]


def restrain(
    film: Film | float,
    kerma_ugy: float,
    pair: RestrainerPair,
    question: Question | None = None,
    *,
    shot_ei: float | None = None,
) -> Restrained:
    """What a measured restrainer gains and loses on a scanned black-and-white negative roll.

    Worst: the shadow lies log10(speed factor) further left on the fogged curve. Best: likewise, on the curve of the
    smaller dose K' whose fog D(0, K') is the restrained one.

    Parameters
    ----------
    film
        A black-and-white negative film, or a speed [ISO] for the generic one.
    kerma_ugy
        Mean effective kerma [uGy; >= 0].
    pair
        The factors, measured on one's own film.
    question
        Its unevenness counts.
    shot_ei
        Index that it was, or will be, shot at; the marked speed when left out [ISO].

    Returns
    -------
    Restrained

    Raises
    ------
    ArgumentError
        Film of another kind.

    Examples
    --------
    >>> made_up = RestrainerPair(fog_factor=0.6, speed_factor=0.7)
    >>> found = restrain(400, 100.0, made_up)
    >>> found.snr_worst < found.snr_without
    True
    """
    film, asked = as_film(film), Question() if question is None else question
    if film.kind != "bw-negative":
        raise ArgumentError(
            "film", film.label, "a black-and-white negative film", "Colour processes take no additions."
        )
    kerma = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy") * asked.peak_to_mean
    ei = film.speed if shot_ei is None else check_number("shot_ei", shot_ei, low=0.0, low_open=True)
    (record,), (point,) = film.records, shadow_points(film)
    x = point + math.log10(film.speed / ei)
    clean = float(min(record.signal_to_noise(point), record.signal_to_noise(x)))
    fog = float(record.fog_density(kerma))
    left = min(pair.fog_factor, 1.0) * fog
    smaller = (
        0.0
        if left == 0.0
        else float(brentq(lambda k: record.fog_density(k) - left, 0.0, kerma, maxiter=2000))
        if left < fog
        else kerma
    )
    shifted = x + math.log10(pair.speed_factor)
    lost = pair.stops_lost
    best = float(record.signal_to_noise(shifted, smaller)) / clean
    without = float(record.signal_to_noise(x, kerma)) / clean
    verdict = (
        "Even at its best it loses more in the shadows than it gains: leave it out."
        if best <= without
        else "Whether shadows gain depends on what it takes: fog alone, or faint image too; printing gets shorter."
    )
    return Restrained(
        fog_density=fog,
        fog_restrained=left,
        printing_stops_saved=(fog - left) / LOG10_2,
        speed_stops_lost=lost[0],
        snr_without=without,
        snr_worst=float(record.signal_to_noise(shifted, kerma)) / clean,
        snr_best=best,
        notes=(
            "Radiation fog is image silver to the developer: a restrainer cannot tell it from the image. A fog factor "
            "read on film that was never scanned is that of chemical fog and does not hold here.",
            verdict,
            f"Of a roll not yet exposed, give {lost[0]:.1f} stops more for what it costs in speed.",
            "Both factors are yours; none has been published. Test on one unimportant roll first.",
        ),
    )


@dataclass(frozen=True, kw_only=True)
class StripReading(Result):
    """What was read of one strip of the test.

    Parameters
    ----------
    restrained
        Whether it was developed with the restrainer.
    base_plus_fog
        Density of its blank piece [0 to 6].
    log_speed_point
        log10 exposure at which it lies 0.10 above it [log10 units; any zero, the same for all strips].
    contrast
        Its contrast [density per log unit]; None when not read.
    """

    restrained: bool
    base_plus_fog: float
    log_speed_point: float
    contrast: float | None = None

    def __post_init__(self) -> None:
        check_number("base_plus_fog", self.base_plus_fog, low=0.0, high=6.0, unit="density")
        check_number("log_speed_point", self.log_speed_point, unit="log10 units")
        if self.contrast is not None:
            check_number("contrast", self.contrast, low=0.0, low_open=True)


def evaluate_strips(
    strips: Sequence[StripReading] | pd.DataFrame,
    base_density: float,
    *,
    density_error: float = 0.02,
    log_exposure_error: float = 0.05,
    words: str = "",
) -> tuple[RestrainerPair, tuple[str, ...]]:
    """The pair of factors from the strips of the test, with standard errors.

    Parameters
    ----------
    strips
        The readings, some with and some without; or a DataFrame with the columns of :class:`StripReading`.
    base_density
        Density of a piece that was fixed without development [0 to 6].
    density_error, log_exposure_error
        Standard errors of one reading [density; log10 units]; the scatter of strips counts where it is greater.
    words
        Which restrainer, how much.

    Returns
    -------
    The pair, and notes on what it is worth.

    Raises
    ------
    ArgumentError
        No strip with or none without the restrainer, or no fog to speak of: less than twice its error.

    Examples
    --------
    >>> rows = [(False, 0.42, -2.60), (False, 0.44, -2.62), (True, 0.35, -2.48), (True, 0.34, -2.46)]
    >>> strips = [StripReading(restrained=r, base_plus_fog=d, log_speed_point=x) for r, d, x in rows]
    >>> pair, notes = evaluate_strips(strips, 0.20)
    >>> round(pair.fog_factor, 2), round(pair.fog_error, 2), round(pair.speed_factor, 2)
    (0.63, 0.08, 0.72)
    """
    readings = _strips(strips)
    base = check_number("base_density", base_density, low=0.0, high=6.0, unit="density")
    errors = {
        name: check_number(name, value, low=0.0, low_open=True)
        for name, value in (("density_error", density_error), ("log_exposure_error", log_exposure_error))
    }
    means: dict[bool, list[tuple[float, float]]] = {}
    for state in (False, True):
        part = [one for one in readings if one.restrained is state]
        if not part:
            allowed = "strips with the restrainer and strips without it"
            raise ArgumentError("strips", f"none {'with' if state else 'without'}", allowed)
        means[state] = [
            _mean([one.base_plus_fog - base for one in part], errors["density_error"]),
            _mean([one.log_speed_point for one in part], errors["log_exposure_error"]),
        ]
    # the base is read once and stands in both fogs
    (plain, plain_error), (held, held_error) = means[False][0], means[True][0]
    if plain < 2.0 * math.hypot(plain_error, errors["density_error"]):
        action = "Take a roll that is fogged, or read more strips."
        raise ArgumentError(
            "strips", f"fog {plain:.3f}", "fog of at least twice its error without the restrainer", action
        )
    fog = held / plain
    if fog <= 0.0:
        raise ArgumentError("base_density", base, "a density below those of the blank pieces")
    base_part = errors["density_error"] * abs(held - plain) / plain**2
    fog_error = math.sqrt((held_error / plain) ** 2 + (held * plain_error / plain**2) ** 2 + base_part**2)
    shift = means[False][1][0] - means[True][1][0]
    speed = 10.0**shift
    speed_error = speed * math.log(10.0) * math.hypot(means[False][1][1], means[True][1][1])
    pair = RestrainerPair(fog_factor=fog, speed_factor=speed, fog_error=fog_error, speed_error=speed_error, words=words)
    return pair, _strip_notes(pair, readings)


def read_strips(path: str | Path) -> list[StripReading]:
    """Strips from a CSV file with the columns restrained (yes or no), base_plus_fog, log_speed_point and contrast.

    Contrast may be left out or empty.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    list of StripReading

    Raises
    ------
    InputFileError, ArgumentError
    """
    reader = csv.DictReader(io.StringIO(read_text(path)))
    try:
        columns = reader.fieldnames or ()
    except csv.Error as error:
        raise InputFileError(path, "line 1", f"is no line of a CSV file: {error}.") from error
    missing = [name for name in ("restrained", "base_plus_fog", "log_speed_point") if name not in columns]
    if missing:
        raise InputFileError(path, "line 1", f"has no column {missing[0]}.")
    strips = []
    try:
        rows = list(reader)
    except csv.Error as error:
        raise InputFileError(path, f"line {reader.line_num}", f"is no line of a CSV file: {error}.") from error
    for number, row in enumerate(rows, 2):
        word = (row["restrained"] or "").strip().lower()
        if word not in ("yes", "no"):
            raise InputFileError(path, f"line {number}", f"has {shown(word)} for restrained; allowed is yes or no.")
        try:
            density, point = float(row["base_plus_fog"]), float(row["log_speed_point"])
            contrast = float(row["contrast"]) if (row.get("contrast") or "").strip() else None
        except (TypeError, ValueError) as error:
            raise InputFileError(path, f"line {number}", "has something else than numbers in its columns.") from error
        strips.append(
            StripReading(restrained=word == "yes", base_plus_fog=density, log_speed_point=point, contrast=contrast)
        )
    return strips


def _strips(strips: Sequence[StripReading] | pd.DataFrame) -> list[StripReading]:
    if not hasattr(strips, "to_dict"):
        return list(strips)
    names = ("restrained", "base_plus_fog", "log_speed_point")
    missing = [name for name in names if name not in strips]
    if missing:
        raise ArgumentError("strips", list(strips), f"a table with the columns {', '.join(names)}")
    rows = strips.to_dict(orient="records")
    found = []
    for row in rows:
        contrast = row.get("contrast")
        found.append(
            StripReading(
                restrained=bool(row["restrained"]),
                base_plus_fog=row["base_plus_fog"],
                log_speed_point=row["log_speed_point"],
                contrast=None if contrast is None or contrast != contrast else contrast,
            )
        )
    return found


def _mean(values: list[float], one: float) -> tuple[float, float]:
    """Mean and its standard error: from the scatter, or from the error of one reading where that is greater."""
    scatter = float(np.std(values, ddof=1)) if len(values) > 1 else 0.0
    return float(np.mean(values)), max(scatter, one) / math.sqrt(len(values))


def _strip_notes(pair: RestrainerPair, readings: list[StripReading]) -> tuple[str, ...]:
    notes = [
        f"Fog {pair.fog_factor:.2f} +- {pair.fog_error:.2f} of what it was; speed {pair.speed_factor:.2f} +- "
        f"{pair.speed_error:.2f}, {pair.stops_lost[0]:.2f} +- {pair.stops_lost[1]:.2f} stops lost (standard errors).",
        "It holds for this film, fogged by these scans, in this developer at this temperature.",
    ]
    if abs(pair.fog_factor - 1.0) < 2.0 * pair.fog_error:
        notes.append("The fog factor does not differ from 1 by twice its error: no gain is shown.")
    by_state = [[r.contrast for r in readings if r.restrained is s and r.contrast is not None] for s in (False, True)]
    if all(by_state):
        ratio = float(np.mean(by_state[1]) / np.mean(by_state[0]))
        if abs(ratio - 1.0) > 0.05:
            notes.append(
                f"Contrast with it is {ratio:.2f} of that without: part of what it did is shorter development."
            )
    else:
        notes.append("Contrasts were not read: whether part of it is only shorter development is not known.")
    return tuple(notes)


hold_to_annotations(globals())
