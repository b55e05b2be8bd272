"""Printing and scanning a roll that was exposed before its fog, or with it: settings by exposure zone and as a whole.

Where fog and image lie on one negative, a print of it is given more light, and a harder paper:

    extra exposure of a zone   (D_fogged - D_clean) / log10 2 stops, 2**stops times the seconds
    paper of a zone            range of the clean negative times the gradient kept there (ISO 6846), and its grade

What grain has swallowed no paper brings back: each zone says what is left of its signal-to-noise.  A scan takes the
same from a tone curve (:mod:`filmdose.tonecurve`), or by hand from a black point and a gain.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.answering import Answer
from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError
from filmdose.film.model import Film
from filmdose.result import Result
from filmdose.sensitometry import grade_for_density_range
from filmdose.solution import shadow_points, verdict_of
from filmdose.standards import LOG10_2
from filmdose.tonecurve import GAIN_CEILING, ToneCurve, tone_curve

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["PrintPlan", "print_plan"]

#: What stands with every plan for a print.
CAUTIONS = (
    "Darkroom chemicals: gloves, eye protection, fresh air, labels on every bottle, no food in the room; collect used "
    "baths and hand them in as the local rule says. Follow the maker's safety sheet.",
    "Exposure and grade are those of diffuse light on graded paper; a condenser enlarger wants about a grade softer "
    "(common practice, no source). Begin with a test strip.",
)


@dataclass(frozen=True, kw_only=True, eq=False)
class PrintPlan(Result):
    """How to print and scan a fogged roll that is exposed.

    Parameters
    ----------
    answer
        The answer of the roll, with its ``exposed`` loss.
    zones
        One row a record and exposure zone: stops_above_shadow, density_clean, density_fogged, gradient_kept, snr_kept;
        of negatives extra_stops and seconds_factor (more printing exposure for the tone of the clean print); of
        black-and-white negatives paper_range (ISO 6846 range R that restores the zone's contrast) and grade (NaN where
        no grade does); and ``left``, what the zone is worth: good, usable, poor or lost.
    scan
        For every record: clean and fogged density of the scan's end point (unexposed film), ``black_transmittance``
        (of that film over the clean one; negative: the light that becomes black; reversal: the same tone, raised),
        and ``density_gain``, the factor on density differences that restores the scene's range.
    tone
        The tone curve of the mean fog; None when the film has no tones left.
    """

    answer: Answer
    zones: pd.DataFrame
    scan: dict[str, dict[str, float]]
    tone: ToneCurve | None

    @property
    def film(self) -> Film:
        """The film."""
        return self.answer.film

    @property
    def extra_stops(self) -> dict[str, float] | None:
        """More printing exposure of the whole frame [stops], for the same black and the same middle; None: reversal."""
        assert self.answer.exposed is not None
        return self.answer.exposed.printing_stops

    @property
    def grade(self) -> dict[str, float | None]:
        """Paper grade of the whole frame, clean and fogged; None where none fits or the film takes none."""
        assert self.answer.exposed is not None
        return self.answer.exposed.paper_grade

    @property
    def lost_zones(self) -> list[int]:
        """Zones of which less than half of the clean signal-to-noise, or too little contrast, is left."""
        worst = self.zones[self.zones["left"] == "lost"]["stops_above_shadow"]
        return sorted({int(stop) for stop in worst})

    @property
    def sentence(self) -> str:
        """The plan in one line."""
        if self.film.reversal:
            raised = max(-min(self._lost.fog_density.values()), 0.0) + 0.0
            words = (
                f"Set the scan's black point to the blacks that are left, {raised:.2f} density thinner than clean ones."
            )
        else:
            assert self.extra_stops is not None
            stops = self.extra_stops["same_black"]
            words = (
                f"Print with {stops:.1f} stops more exposure ({2.0**stops:.1f} times the seconds) for the same black"
            )
            fogged, clean = self.grade["fogged"], self.grade["clean"]
            if self.film.kind == "bw-negative":
                harder = "no grade of paper fits" if fogged is None else f"on grade {fogged:.0f}"
                words += f", {harder} (clean: {'none' if clean is None else f'{clean:.0f}'})"
            words += "."
        gone = self.lost_zones
        if not gone:
            return f"{words} Every zone keeps half of its signal-to-noise or more."
        upto = f"up to {gone[-1]:+d} stops from the shadow point" if len(gone) > 1 else f"at {gone[0]:+d} stops"
        return f"{words} Not to be had again: detail {upto}."

    @property
    def _lost(self) -> Any:
        return self.answer.exposed

    def to_dataframe(self) -> pd.DataFrame:
        """The zones."""
        return self.zones.copy()

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values."""
        stops = self.extra_stops
        return {
            "message": self.sentence,
            "film": self.film.label,
            "kind": self.film.kind,
            "kerma_ugy": self.answer.kerma_ugy,
            "peak_to_mean": self.answer.question.peak_to_mean,
            "verdict": self.answer.verdict,
            "fog_density": self._lost.fog_density,
            "extra_stops": stops,
            "seconds_factor": None if stops is None else {name: 2.0**value for name, value in stops.items()},
            "density_range": self._lost.density_range,
            "paper_grade": self.grade,
            "scan": self.scan,
            "tone_curve": None if self.tone is None else self.tone.to_dict(),
            "zones": self.zones.to_dict(orient="records"),
        }

    def __repr__(self) -> str:
        return f"PrintPlan({self.film.label}, {self.answer.kerma_ugy:g} uGy, {len(self.zones)} zones)"

    def _repr_html_(self) -> str:
        import html

        table = self.zones.to_html(index=False, float_format="{:.2f}".format)
        return f"<p><b>{html.escape(self.sentence)}</b></p>{table}"


def print_plan(answer: Answer, *, ceiling: float | None = GAIN_CEILING) -> PrintPlan:
    """Printing exposure, paper, scan settings and tone curve of a roll that is exposed.

    Parameters
    ----------
    answer
        Of :func:`filmdose.answering.answer` with ``exposed=True``. Zones are those of its worst band, the tone curve
        that of its mean fog.
    ceiling
        Greatest gain of the tone curve [1 to 1000]; None holds nothing back.

    Returns
    -------
    PrintPlan

    Raises
    ------
    ArgumentError
        The roll is not exposed, or the ceiling is out of range.

    References
    ----------
    iso_6846

    Examples
    --------
    >>> from filmdose.answering import answer
    >>> plan = print_plan(answer(400, 1000.0, exposed=True))
    >>> stops = plan.extra_stops or {}  # None: reversal film
    >>> round(stops["same_black"], 2), plan.grade["clean"], plan.grade["fogged"]
    (1.37, 1.0, 2.0)
    """
    loss = answer.exposed
    if loss is None:
        action = "Ask answer(..., exposed=True); an unexposed roll has an exposure index to set instead."
        raise ArgumentError("answer", answer.outcome, "the answer of an exposed roll", action)
    film, zones = answer.film, loss.zones.copy()
    if not film.reversal:
        zones["extra_stops"] = (zones["density_fogged"] - zones["density_clean"]) / LOG10_2
        zones["seconds_factor"] = 2.0 ** zones["extra_stops"]
    if film.kind == "bw-negative":
        needed = loss.density_range["clean"] * zones["gradient_kept"]
        zones["paper_range"] = 100.0 * needed
        zones["grade"] = grade_for_density_range(needed)
    zones["left"] = verdict_of(zones["snr_kept"].to_numpy(), zones["gradient_kept"].to_numpy())
    return PrintPlan(answer=answer, zones=zones, scan=_scan_settings(answer), tone=_tone(answer, ceiling))


def _tone(answer: Answer, ceiling: float | None) -> ToneCurve | None:
    try:
        return tone_curve(answer.film, answer.kerma_ugy, ceiling=ceiling)
    except ArgumentError as error:
        if error.argument != "kerma_ugy":
            raise
        return None


def _scan_settings(answer: Answer) -> dict[str, dict[str, float]]:
    """End point and density gain of every record: the scene's range of the clean record over that of the fogged."""
    loss = answer.exposed
    assert loss is not None
    found = {}
    shift = math.log10(answer.film.speed / loss.shot_ei)
    worst = answer.kerma_ugy * answer.question.peak_to_mean
    ends = np.array([0.0, answer.question.scene_range]) + shift
    for (name, record), point in zip(answer.film, shadow_points(answer.film), strict=True):
        clean, fogged = (abs(float(np.ptp(record.density(point + ends, k)))) for k in (0.0, worst))
        black = loss.scan_black[name]
        found[name] = {
            "clean_density": black["clean_density"],
            "fogged_density": black["fogged_density"],
            "black_transmittance": black["relative_transmittance"],
            "density_gain": clean / fogged if fogged > 1e-6 else math.nan,
        }
    return found


hold_to_annotations(globals())
