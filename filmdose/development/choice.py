"""What other development trades on a scanned roll, and which one is best together with the exposure index.

The loss is that of the exposure index (:mod:`filmdose.decision`), with one term more: how far the density range R of
the negative lies outside of the range that paper or scanner wants, |log2(R / end)| [stops of contrast]. Shadows are
held against those of the clean film in normal development. Of a roll that is not exposed yet index and development are
free together; of an exposed one development alone.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.answering import as_film
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_number
from filmdose.decision import least_loss, lost_together, total_loss
from filmdose.development.contrast import DevelopmentFit
from filmdose.development.states import FACTOR_RANGE, Growth, developed_film, growth_ends, process_words
from filmdose.errors import ArgumentError
from filmdose.film.model import Film
from filmdose.question import Question
from filmdose.result import Result
from filmdose.sensitometry import density_range_for_grade, grade_for_density_range, negative_density_range, rise
from filmdose.solution import film_highlight_lost, record_solvers, shadow_lost, shadow_points, verdict_of
from filmdose.solver import record_solver
from filmdose.standards import CONTRAST_INTERVAL, LOG10_2, SPEED_POINT
from filmdose.units import exposure_index, format_speed, standard_exposure_index

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DevelopmentChoice", "Trade", "WantedRange", "choose_development", "development_trade"]

#: A change of development that wins less than this is not worth it [stops of light; our choice].
LEAST_GAIN = 0.05

_PLACES = (31, 11)  # factors that are tried; for each end of what is not known


@dataclass(frozen=True, kw_only=True)
class WantedRange(Result):
    """Density range that a negative is to have over the scene.

    Parameters
    ----------
    low, high
        Its ends [density; 0 <= low <= high <= 4].
    words
        What wants it.

    Examples
    --------
    >>> WantedRange.for_grade(2)
    WantedRange(low=0.95, high=1.15, words='paper of grade 2 (ISO 6846)')
    """

    low: float
    high: float
    words: str = "as asked for"

    def __post_init__(self) -> None:
        low = check_number("low", self.low, low=0.0, high=4.0, unit="density")
        object.__setattr__(self, "low", low)
        object.__setattr__(self, "high", check_number("high", self.high, low=max(low, 0.05), high=4.0, unit="density"))

    @classmethod
    def for_grade(cls, grade: float) -> WantedRange:
        """What a paper grade takes by ISO 6846."""
        low, high = density_range_for_grade(grade)
        return cls(low=low, high=high, words=f"paper of grade {grade:g} (ISO 6846)")

    @classmethod
    def for_scanner(cls, greatest: float) -> WantedRange:
        """What a scanner reads at most above the film's base plus fog [density]; less costs it nothing."""
        return cls(low=0.0, high=greatest, words=f"a scanner that reads {greatest:g} density above base plus fog")

    def outside(self, density_range: FloatArray) -> FloatArray:
        """How far ranges lie outside [stops of contrast; negative inside]."""
        found = np.log2(np.maximum(density_range, 1e-6))
        below = np.full_like(found, -np.inf) if self.low == 0.0 else math.log2(self.low) - found
        return np.maximum(below, found - math.log2(self.high))


@dataclass(frozen=True, kw_only=True, eq=False)
class Trade(Result):
    """What shorter and longer development trades on a scanned roll.

    Parameters
    ----------
    film, kerma_ugy
        The roll and the effective kerma of its worst band [uGy].
    table
        One row a development and record: factor, time_min, contrast and density_range of the fogged film, speed at the
        standard's density [ISO], fog_density, base_plus_fog, grain (1000 sigma of the shadow through 48 um), snr_kept
        (over the clean shadow in normal development) with its low and high over what is not known, grade. Empty for
        reversal film.
    notes
        What belongs to the figures.
    """

    film: Film
    kerma_ugy: float
    table: pd.DataFrame
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        return f"Trade({self.film.label}, {self.kerma_ugy:.4g} uGy, {len(self.table)} rows)"

    def _repr_html_(self) -> str:
        return str(self.table.to_html(index=False, float_format="{:.3f}".format))

    def to_dataframe(self) -> pd.DataFrame:
        """The table."""
        return self.table.copy()


_BORROWED = "These laws are borrowed from black-and-white film; for dyes nobody has shown them to hold."

_TRADE_NOTES = (
    "Light and radiation make the same developed grains: contrast, image and fog grow by one factor (Hurter and "
    "Driffield's constant density ratios, from memory). How fast speed, native fog and grain follow is our inference "
    "from two published families of curves; the low and high figures are over its range.",
    "Speed at a fixed density rises with development because all densities do; what the shadows tell (snr_kept) rises "
    "less, and how much is the least certain of these figures. Developing longer does not undo fog.",
    "Nobody has published such a trade for radiation-fogged film.",
)


def development_trade(
    film: Film | float,
    kerma_ugy: float,
    question: Question | None = None,
    *,
    factors: Sequence[float] = (0.7, 0.8, 0.9, 1.0, 1.1, 1.25, 1.4),
    fit: DevelopmentFit | None = None,
    normal_min: float | None = None,
    shot_ei: float | None = None,
    growth: Growth | None = None,
) -> Trade:
    """What shorter and longer development does to contrast, speed, fog and grain of a scanned roll.

    Parameters
    ----------
    film
        A film, or a speed [ISO] for the generic black-and-white negative film; in its normal development.
    kerma_ugy
        Mean effective kerma [uGy; >= 0].
    question
        Its scene range and unevenness count.
    factors
        Contrast over the normal one [1; 0.65 to 1.7].
    fit, normal_min
        Contrast against time, and the normal time [min], for the times; without them the factors alone.
    shot_ei
        Index that it was, or will be, shot at; the marked speed when left out [ISO].
    growth
        How speed, native fog and grain grow; our inferences with their ranges when left out.

    Returns
    -------
    Trade

    Raises
    ------
    ArgumentError
        Not a negative film, a factor out of range, or a fit without a normal time.

    Examples
    --------
    >>> table = development_trade(400, 100.0).table
    >>> bool(table.fog_density.is_monotonic_increasing)
    True
    """
    import pandas as pd

    film, asked = as_film(film), Question() if question is None else question
    worst = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy") * asked.peak_to_mean
    notes = process_words(film.kind)
    if film.reversal:
        return Trade(film=film, kerma_ugy=worst, table=pd.DataFrame(), notes=notes)
    shift = (
        0.0 if shot_ei is None else math.log10(film.speed / check_number("shot_ei", shot_ei, low=0.0, low_open=True))
    )
    rows = []
    for factor in factors:
        time = None if fit is None or normal_min is None else fit.time_for_factor(factor, normal_min)[0]
        variants = [developed_film(film, factor, law) for law in growth_ends(growth)]
        for place, (name, normal) in enumerate(film):
            point = shadow_points(film)[place]
            kept = [_snr_kept(normal, one.records[place], point, shift, worst) for one in variants]
            rows.append(
                {"factor": float(factor), "time_min": time, "record": name}
                | _trade_row(film, variants[0].records[place], point, shift, worst, asked.scene_range)
                | {"snr_kept": kept[0], "snr_low": min(kept), "snr_high": max(kept)}
            )
    borrowed = () if film.kind == "bw-negative" else (_BORROWED,)
    return Trade(film=film, kerma_ugy=worst, table=pd.DataFrame(rows), notes=(*notes, *borrowed, *_TRADE_NOTES))


def _snr_kept(normal: Any, developed: Any, point: float, shift: float, kerma: float) -> float:
    """Signal-to-noise of the shadow over that of the clean film in normal development, as of an exposed roll."""
    clean = min(normal.signal_to_noise(point), normal.signal_to_noise(point + shift))
    return float(developed.signal_to_noise(point + shift, kerma) / clean)


def _trade_row(film: Film, record: Any, point: float, shift: float, kerma: float, span: float) -> dict[str, Any]:
    curve = record.curve(kerma)
    least = float(record.minimum_density(kerma))
    density_range = float(negative_density_range(curve, point + shift, span))
    grade = float(grade_for_density_range(density_range)) if film.kind == "bw-negative" else math.nan
    return {
        "contrast": float(rise(curve, point, CONTRAST_INTERVAL)) / CONTRAST_INTERVAL,
        "density_range": density_range,
        "grade": grade,
        "speed": film.speed * 10.0 ** (point - float(curve.inverse(least + SPEED_POINT[film.kind]))),
        "fog_density": float(record.fog_density(kerma)),
        "base_plus_fog": least,
        "grain": 1000.0 * float(record.noise(point + shift, kerma)),
    }


@dataclass(frozen=True, kw_only=True, eq=False)
class DevelopmentChoice(Result):
    """Development of least loss, together with the exposure index where that is free.

    Parameters
    ----------
    film, question, kerma_ugy, wanted
        What was asked; the kerma is the mean one [uGy].
    exposed
        True when development alone was free.
    factor
        Contrast over that of normal development [1].
    factor_low, factor_high
        The same over what is not known of how speed, fog and grain grow.
    time_min, time_error_min
        Time that gives it [min]; None without readings of contrast against time.
    given_stops, ei_exact, ei
        Compensation [stops] and index; of an exposed roll those that it was shot at.
    normal_ei
        Index of least loss in normal development, by the same loss; of an exposed roll as ``ei``.
    density_range, normal_range
        Of the negative over the scene, so developed and in normal development [density].
    snr_kept
        Signal-to-noise of the shadow over that of the clean shadow in normal development [1].
    loss, normal_loss
        Least loss, and that of normal development with its best index [stops of light].
    verdict
        As of an answer.
    table
        One row for each factor that was tried: factor, given_stops, density_range, outside_stops, shadow_lost, loss.
    message, notes
        The answer in one sentence, and what belongs to it.
    """

    film: Film
    question: Question
    kerma_ugy: float
    wanted: WantedRange
    exposed: bool
    factor: float
    factor_low: float
    factor_high: float
    time_min: float | None
    time_error_min: float | None
    given_stops: float
    ei_exact: float
    ei: float
    normal_ei: float
    density_range: float
    normal_range: float
    snr_kept: float
    loss: float
    normal_loss: float
    verdict: str
    table: pd.DataFrame
    message: str
    notes: tuple[str, ...]

    def __repr__(self) -> str:
        found = f"factor {self.factor:.2f}, EI {self.ei:g}, range {self.density_range:.2f}, {self.verdict}"
        return f"DevelopmentChoice({found})"

    def _repr_html_(self) -> str:
        import html

        return f"<p><b>{html.escape(self.message)}</b></p>"

    def to_dataframe(self) -> pd.DataFrame:
        """What was tried, a row a factor."""
        return self.table.copy()


class _Roll:
    """One negative at one dose, asked about any development."""

    def __init__(self, film: Film, kerma: float, question: Question, wanted: WantedRange, shift: float | None):
        self.film, self.kerma, self.question, self.wanted, self.shift = film, kerma, question, wanted, shift
        (self.point,) = shadow_points(film)
        (self.solver,) = record_solvers(film)

    @cached_property
    def clean_snr(self) -> float:
        return float(self.film.records[0].signal_to_noise(self.point))

    def ranges(self, developed: Film, shift: FloatArray) -> FloatArray:
        """Density range of the fogged negative over the scene, some log units right of the marked exposure."""
        curve = developed.records[0].curve(self.kerma)
        return np.asarray(negative_density_range(curve, self.point + shift, self.question.scene_range))

    def outside(self, ranges: FloatArray) -> FloatArray:
        return np.maximum(self.wanted.outside(ranges), -10.0)

    def at(self, factor: float, growth: Growth) -> dict[str, float]:
        """Best compensation in a development, and what is lost then."""
        developed = developed_film(self.film, factor, growth)
        given, shadow, loss = self._fixed(developed) if self.shift is not None else self._free(developed)
        found = self.ranges(developed, np.array([given * LOG10_2]))
        return {
            "factor": factor,
            "given_stops": given,
            "density_range": float(found[0]),
            "outside_stops": max(float(self.outside(found)[0]), 0.0),
            "shadow_lost": max(shadow, 0.0),
            "loss": loss,
        }

    def _fixed(self, developed: Film) -> tuple[float, float, float]:
        """An exposed roll: no light can be given, and its highlights lie where they lie in every development."""
        assert self.shift is not None
        kept = _snr_kept(self.film.records[0], developed.records[0], self.point, self.shift, self.kerma)
        shadow = np.array([math.log2(self.question.snr_target) - math.log2(max(kept, 1e-12))])
        outside = self.outside(self.ranges(developed, np.array([self.shift])))
        loss = total_loss(np.zeros(1), shadow, outside, self.question)
        return self.shift / LOG10_2, float(shadow[0]), float(loss[0])

    def _free(self, developed: Film) -> tuple[float, float, float]:
        """A roll to be exposed: the index answers to the development."""
        (record,) = developed.records
        light = self.solver.light
        solver = record_solver(record, self.point, SPEED_POINT[self.film.kind], step=light.step)
        view = solver.rows().view(np.array([self.kerma * solver.hits_per_ugy]), self.question.scene_range)
        log2_snr = view.log2_snr + math.log2(float(record.signal_to_noise(self.point)) / self.clean_snr)
        shadow = shadow_lost(np.array([math.nan]), log2_snr, solver.light, self.question)
        highlight = film_highlight_lost(self.film, view.log2_highlight, self.question)
        count = min(shadow.shape[1], highlight.shape[1])
        ranges = self.ranges(developed, np.arange(count) * light.step)
        bright = lost_together(highlight[:, :count], self.outside(ranges)[None, :])
        found = least_loss(shadow[:, :count], bright, light.step, self.question)
        return float(found.stops[0]), float(found.shadow[0]), float(found.loss[0])


def choose_development(
    film: Film | float,
    kerma_ugy: float,
    question: Question | None = None,
    *,
    wanted: WantedRange,
    exposed: bool = False,
    shot_ei: float | None = None,
    fit: DevelopmentFit | None = None,
    normal_min: float | None = None,
    growth: Growth | None = None,
) -> DevelopmentChoice:
    """The development, with the exposure index where it is free, that loses least.

    cost_under (shadow + highlight + range lost) + cost_over s is least over development and s.

    Parameters
    ----------
    film
        A black-and-white negative film, or the speed [ISO] of the generic one; in its normal development.
    kerma_ugy
        Mean effective kerma [uGy; >= 0].
    question
        What is asked; by the criterion ``shadow_snr`` alone.
    wanted
        Range that the negative is to have. Without one nothing but inferences would speak for a development.
    exposed, shot_ei
        The roll is exposed already, at this index (the marked speed when left out).
    fit, normal_min
        Contrast against time and the normal time [min]: development stays inside of the times that were read.
    growth
        How speed, native fog and grain grow; our inferences with their ranges when left out.

    Returns
    -------
    DevelopmentChoice
        Of developments that differ by less than 0.05 stops of loss the one nearest to normal; and the normal one
        unless all that is not known of speed, fog and grain agrees on more, or on less.

    Raises
    ------
    ArgumentError
        Film of another kind (with what is known of it), another criterion, one of ``fit`` and ``normal_min`` alone.

    Examples
    --------
    >>> found = choose_development(400, 100.0, wanted=WantedRange.for_grade(3))
    >>> found.factor < 1.0 and found.ei < 400
    True

    References
    ----------
    iso_6846
    """
    import pandas as pd

    film, asked = as_film(film), Question() if question is None else question
    if film.kind != "bw-negative":
        raise ArgumentError("film", film.label, "a black-and-white negative film", " ".join(process_words(film.kind)))
    if asked.criterion != "shadow_snr":
        action = "The other criteria do not say what a stop in another development is worth."
        raise ArgumentError("criterion", asked.criterion, "shadow_snr", action)
    if (fit is None) != (normal_min is None):
        raise ArgumentError("normal_min", normal_min, "a normal time [min] together with readings of contrast")
    kerma = check_number("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")
    shift = None
    if exposed or shot_ei is not None:
        ei = film.speed if shot_ei is None else check_number("shot_ei", shot_ei, low=0.0, low_open=True, high=1e6)
        shift = math.log10(film.speed / ei)
    roll = _Roll(film, kerma * asked.peak_to_mean, asked, wanted, shift)
    low, high = FACTOR_RANGE
    if fit is not None and normal_min is not None:
        ends = fit.factors(normal_min)
        low, high = max(low, ends[0]), min(high, ends[1])
        if not low <= 1.0 <= high:
            raise ArgumentError("normal_min", normal_min, "a time within the times of development that were read [min]")
    chosen = [_best(roll, low, high, law, _PLACES[n > 0]) for n, law in enumerate(growth_ends(growth))]
    best, normal, table = chosen[0]
    found = [one["factor"] for one, _, _ in chosen]
    agree = all(factor > 1.0 for factor in found) or all(factor < 1.0 for factor in found)
    best = best if agree else normal
    time = None if fit is None or normal_min is None else fit.time_for_factor(best["factor"], normal_min)
    developed = developed_film(film, best["factor"], growth)
    x = roll.point + best["given_stops"] * LOG10_2
    kept = _snr_kept(film.records[0], developed.records[0], roll.point, x - roll.point, roll.kerma)
    if shift is None:
        kept = float(developed.records[0].signal_to_noise(x, roll.kerma)) / roll.clean_snr
    clean_rise = float(rise(film.records[0].curve(), roll.point, CONTRAST_INTERVAL))
    contrast = float(rise(developed.records[0].curve(roll.kerma), x, CONTRAST_INTERVAL)) / clean_rise
    values: dict[str, Any] = {
        "factor": best["factor"],
        "factor_low": min(found),
        "factor_high": max(found),
        "time_min": None if time is None else time[0],
        "time_error_min": None if time is None or math.isnan(time[1]) else time[1],
        "given_stops": best["given_stops"],
        "ei_exact": float(exposure_index(film.speed, best["given_stops"])),
        "ei": _index(film, best, shift),
        "normal_ei": _index(film, normal, shift),
        "density_range": best["density_range"],
        "normal_range": normal["density_range"],
        "snr_kept": kept,
        "loss": best["loss"],
        "normal_loss": normal["loss"],
        "verdict": str(verdict_of(np.array(kept / asked.snr_target), np.array(contrast))),
    }
    return DevelopmentChoice(
        film=film,
        question=asked,
        kerma_ugy=kerma,
        wanted=wanted,
        exposed=shift is not None,
        table=pd.DataFrame(table),
        message=_sentence(values, wanted, shift is not None),
        notes=_notes(values, shift is not None),
        **values,
    )


def _index(film: Film, row: dict[str, float], shift: float | None) -> float:
    return standard_exposure_index(film.speed, row["given_stops"]) if shift is None else film.speed / 10.0**shift


def _best(
    roll: _Roll, low: float, high: float, growth: Growth, places: int
) -> tuple[dict[str, float], dict[str, float], list[dict[str, float]]]:
    """The row of least loss (nearest to normal among equals), that of normal development, and all that were tried."""
    tried = np.unique(np.append(np.geomspace(low, high, places), 1.0))
    rows = [roll.at(float(factor), growth) for factor in tried]
    normal = next(row for row in rows if row["factor"] == 1.0)
    losses = np.array([row["loss"] for row in rows])
    place = int(losses.argmin())
    best = rows[place]
    if places == _PLACES[0] and 0 < place < len(rows) - 1:  # between the factors that were tried
        from scipy.optimize import fminbound

        low_end, high_end = float(tried[place - 1]), float(tried[place + 1])
        factor = float(fminbound(lambda f: roll.at(float(f), growth)["loss"], low_end, high_end, xtol=0.003))
        between = roll.at(factor, growth)
        best = min(best, between, key=lambda row: row["loss"])
    near = [row for row in (*rows, best) if row["loss"] <= best["loss"] + LEAST_GAIN]
    return min(near, key=lambda row: abs(math.log(row["factor"]))), normal, rows


def _sentence(values: dict[str, Any], wanted: WantedRange, exposed: bool) -> str:
    factor, time = values["factor"], values["time_min"]
    if values["verdict"] == "lost":
        head = (
            "Nothing helps: in any development less than half of the shadows is left at the exposure of least loss. "
            "If at all, develop"
        )
    elif exposed:
        head = "Develop"
    else:
        head = f"Set EI {format_speed(values['ei'])} and develop"
    how = "normally" if abs(factor - 1.0) < 0.005 else f"to {factor:.2f} times the normal contrast"
    if time is not None:
        error = values["time_error_min"]
        how += f", {time:.1f} min" + ("" if error is None else f" (standard error {error:.1f})")
    text = f"{head} {how}: density range {values['density_range']:.2f}"
    want = f"{wanted.low:.2f} to {wanted.high:.2f}" if wanted.low else f"at most {wanted.high:.2f}"
    text += f" (normally {values['normal_range']:.2f}) where {wanted.words} wants {want}"
    return f"{text}; shadows keep {100 * values['snr_kept']:.0f} % of their signal-to-noise."


def _notes(values: dict[str, Any], exposed: bool) -> tuple[str, ...]:
    saved = values["normal_loss"] - values["loss"]
    notes = [
        f"It saves {saved:.2f} stops of light against normal development{'' if exposed else ' at its own best index'}."
        if saved > LEAST_GAIN
        else "No other development is sure to save a twentieth of a stop of light: stay with the normal one.",
        f"Over what nobody has measured (how speed, native fog and grain grow) the factor runs from "
        f"{values['factor_low']:.2f} to {values['factor_high']:.2f}.",
        *process_words("bw-negative"),
    ]
    if values["factor"] > 1.005:
        notes.append("What longer development seems to bring back in the shadows rests on these inferences.")
    if values["time_min"] is None:
        notes.append("For a time, give contrasts of your own after several times; nobody's table knows your developer.")
    notes.append("Test on one unimportant roll first.")
    return tuple(notes)


hold_to_annotations(globals())
