"""How to print and scan an exposed roll, as a document."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from typing import Any

import numpy as np

from filmdose.answering import Answer
from filmdose.arguments import hold_to_annotations
from filmdose.film.model import film_words
from filmdose.plotting import plot_noise_gain, plot_tone_curve
from filmdose.present.document import Block, Document, Facts, Paragraph, Plot, Table
from filmdose.printing import CAUTIONS, PrintPlan
from filmdose.tonecurve import ToneCurve
from filmdose.words import TEST_FIRST, figure_text

__all__ = ["print_document"]

_NOT_IN_IT = (
    "The curve assumes the film's data and the dose; densities are those of the film's records, and the dyes of one "
    "record in the light of another are not taken apart. Sharpness and the pattern of grain are not in it. What is "
    "lower or higher than any density of the fogged film gets the nearest tone."
)


def print_document(
    plan: PrintPlan, *, notes: Sequence[str] = (), ends: tuple[Answer, Answer] | None = None
) -> Document:
    """Print exposure, paper, scan settings and tone curve of an exposed roll.

    Parameters
    ----------
    plan
        Of :func:`filmdose.printing.print_plan`.
    notes
        Further sentences, such as what was written where.
    ends
        The answers between which 9 of 10 cases of dose, fog and film lie; None where the fog was measured.
    """
    found = None if ends is None else dict(zip(("low", "high"), map(_end, ends), strict=True))
    return Document(
        kind="print",
        title=f"{plan.sentence} [{film_words(plan.film)}]",
        blocks=tuple(_blocks(plan, notes, found)),
        data={**plan.to_dict(), "range": found, "notes": list(notes)},
        rows=plan.zones if plan.tone is None else plan.tone.to_dataframe(),
    )


def _end(answer: Answer) -> dict[str, Any]:
    """What is told of an end of the range."""
    lost = answer.exposed
    assert lost is not None
    return {
        "kerma_ugy": answer.kerma_ugy,
        "verdict": answer.verdict,
        "fog_density": lost.fog_density,
        "extra_stops": lost.printing_stops,
        "paper_grade": lost.paper_grade["fogged"],
    }


def _blocks(plan: PrintPlan, notes: Sequence[str], ends: dict[str, dict[str, Any]] | None) -> Iterator[Block]:
    yield _frame_facts(plan, ends)
    if ends is not None and ends["low"]["kerma_ugy"] < ends["high"]["kerma_ugy"]:
        yield Paragraph("Cases: of what is not known of the dose, of fog and of the film's true speed.", small=True)
    yield _zone_table(plan)
    if plan.tone is None:
        yield Paragraph("There is no tone curve: at this dose no exposure makes a difference on the film any more.")
    else:
        yield Paragraph(f"{plan.tone.sentence} {_ceiling_words(plan.tone)}")
        yield _tone_table(plan.tone)
        curve = plan.tone
        yield Plot(draw=lambda ax: plot_tone_curve(curve, ax=ax), words="Density before and after the tone curve.")
        yield Plot(
            draw=lambda ax: plot_noise_gain(curve, ax=ax),
            words="Granularity of the clean film, of the fogged film and after the tone curve.",
        )
        yield Paragraph(_NOT_IN_IT, small=True)
    for words in (*notes, *(() if plan.film.reversal else CAUTIONS), TEST_FIRST):
        yield Paragraph(words)


def _ceiling_words(curve: ToneCurve) -> str:
    if math.isinf(curve.ceiling):
        return "No ceiling was set."
    return f"Ceiling {curve.ceiling:g} (our choice, common practice without a source; --ceiling sets it)."


def _frame_facts(plan: PrintPlan, ends: dict[str, dict[str, Any]] | None) -> Facts:
    answer, lost = plan.answer, plan.answer.exposed
    assert lost is not None
    peak = answer.question.peak_to_mean
    dose = f"{figure_text(answer.kerma_ugy)} uGy"
    if peak > 1.0:
        dose += f"; zones are those of the worst band, {peak:.2f} times as much, the curve that of the mean"
    rows = [("effective dose", dose), ("verdict", answer.verdict + _between(ends, "verdict", str))]
    if plan.extra_stops is not None:
        for name, words in (("same_black", "same black"), ("same_middle", "same middle tone")):
            stops = plan.extra_stops[name]
            range_ = _between(ends, "extra_stops", _stops_told(name))
            rows.append((f"print exposure, {words}", f"{stops:+.2f} stops, {2.0**stops:.2f} times the seconds{range_}"))
    ranges = lost.density_range
    rows.append(("density range of the scene", f"{ranges['clean']:.2f} clean, {ranges['fogged']:.2f} fogged"))
    if plan.film.kind == "bw-negative":
        clean, fogged = ("none fits" if plan.grade[key] is None else f"{plan.grade[key]:.0f}" for key in _STATES)
        range_ = _between(ends, "paper_grade", lambda end: "none fits" if end is None else f"{end:.0f}")
        rows.append(("paper grade (ISO 6846 range)", f"{clean} clean, {fogged} fogged{range_}"))
    for name, one in plan.scan.items():
        gain = "none" if math.isnan(one["density_gain"]) else f"{one['density_gain']:.2f}"
        what = "blacks" if plan.film.reversal else "black point"
        rows.append(
            (
                f"scan, {name}",
                f"{what} at {100 * one['black_transmittance']:.0f} % of the clean film's light "
                f"(density {one['fogged_density']:.2f}, clean {one['clean_density']:.2f}), density gain {gain}",
            )
        )
    if answer.colour_shift is not None and not plan.film.reversal:
        filters = ", ".join(f"{value:.0f} {name}" for name, value in answer.colour_shift["filters"].items())
        rows.append(("filters to even out the records", f"{filters} [0.01 density], in the shadows"))
    return Facts(tuple(rows))


def _stops_told(name: str) -> Callable[[Any], str]:
    return lambda end: f"{end[name]:+.2f}"


def _between(ends: dict[str, dict[str, Any]] | None, name: str, told: Callable[[Any], str]) -> str:
    """Where 9 of 10 cases lie, in words; nothing where that is one."""
    if ends is None:
        return ""
    low, high = (told(end[name]) for end in ends.values())
    return "" if low == high else f" ({low} to {high} in 9 of 10 cases)"


_STATES = ("clean", "fogged")


def _zone_table(plan: PrintPlan) -> Table:
    zones = plan.zones
    columns: dict[str, list[str]] = {}
    if zones["record"].nunique() > 1:
        columns["record"] = list(zones["record"])
    columns["stops above shadow"] = [f"{v:+d}" for v in zones["stops_above_shadow"]]
    columns["clean"] = [f"{v:.2f}" for v in zones["density_clean"]]
    columns["fogged"] = [f"{v:.2f}" for v in zones["density_fogged"]]
    if "extra_stops" in zones:
        columns["print stops"] = [f"{v:+.2f}" for v in zones["extra_stops"]]
        columns["seconds x"] = [f"{v:.2f}" for v in zones["seconds_factor"]]
    if "grade" in zones:
        columns["ISO range"] = [f"{v:.0f}" for v in zones["paper_range"]]
        columns["grade"] = ["none" if math.isnan(v) else f"{v:.0f}" for v in zones["grade"]]
    columns["signal-to-noise"] = [f"{100 * v:.0f} %" for v in zones["snr_kept"]]
    columns["left"] = list(zones["left"])
    caption = "Print stops and grade bring back a zone's tone and contrast, not its grain: signal-to-noise stays lost."
    numeric = [name for name in columns if name not in ("record", "left")]
    return Table.of(columns, numeric=numeric, title="By exposure zone", caption=caption)


def _tone_table(curve: ToneCurve) -> Table:
    """The curve at ten densities of the record that stands for the film."""
    tone = curve.record()
    at = np.linspace(*tone.domain, 10)
    columns = {
        "fogged": [f"{v:.3f}" for v in at],
        "corrected": [f"{v:.3f}" for v in tone.apply(at)],
        "clean": [f"{v:.3f}" for v in np.interp(at, tone.fogged, tone.clean)],
        "noise x": [f"{v:.2f}" for v in tone.gain_at(at)],
        "of clean noise": [f"{v:.2f}" for v in np.interp(at, tone.fogged, tone.noise_corrected / tone.noise_clean)],
    }
    of = "" if len(curve.records) == 1 else ", record green"
    return Table.of(columns, numeric=list(columns), title=f"Tone curve (densities{of})")


hold_to_annotations(globals())
