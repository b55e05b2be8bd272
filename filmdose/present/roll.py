"""The answer for one roll as a document: the index with its reasons, or what an exposed roll has lost."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from filmdose.answering import Answer
from filmdose.arguments import hold_to_annotations
from filmdose.exposed import ExposedLoss
from filmdose.film.generic import box_speed_notes
from filmdose.film.model import film_words
from filmdose.history import HistoryDose
from filmdose.present.document import Block, Document, Facts, Paragraph, Table
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, dose_figures, figure_text, stops_text

if TYPE_CHECKING:
    from filmdose.odds import RollOdds

__all__ = ["roll_document"]


def roll_document(answer: Answer, dose: HistoryDose, odds: RollOdds) -> Document:
    """The answer for one roll.

    Parameters
    ----------
    answer, dose
        The answer of the typical case, and the dose that it is for.
    odds
        The same with everything that is not known.
    """
    notes = tuple(dict.fromkeys([*dose.notes, *box_speed_notes([answer.film])]))
    data = {
        **answer.to_dict(),
        "headline": odds.headline,
        "ei_safe": odds.ei_recommended,
        "ei_typical": odds.ei_median,
        "ei_range": [value or None for value in odds.ei] if odds.outcome == "compensated" else None,
        "verdict_safe": odds.verdict,
        "kerma_low_ugy": dose.kerma_low_ugy,
        "kerma_high_ugy": dose.kerma_high_ugy,
        "air_kerma_ugy": dose.air_kerma_ugy,
        "emulsion_dose_ugy": dose.emulsion_dose_ugy,
        "contributions": [dict(part) for part in dose.parts],
        "notes": list(notes),
    }
    return Document(
        kind="roll",
        title=f"{odds.headline} [{film_words(answer.film)}]",
        blocks=(
            *_range(odds),
            Paragraph(answer.message if answer.exposed else f"Typical case: {answer.message}"),
            *_doses(dose),
            *(_reasons(answer, dose) if answer.exposed is None else _loss(answer, answer.exposed, dose)),
            *map(Paragraph, notes),
            Paragraph(f"{TEST_FIRST} Film data: {answer.film.origin or 'not stated'}."),
        ),
        data=data,
        rows=[_row(answer)] if answer.exposed is None else answer.exposed.zone_rows,
    )


def _range(odds: RollOdds) -> list[Block]:
    """The indices at the ends of what is not known."""
    from filmdose.odds.results import chance_text

    if odds.outcome != "compensated" or odds.stops[2] == 0.0:
        return []
    slow, _, fast = (format_speed(ei) if ei > 0.0 else "none that helps" for ei in odds.ei)
    return [
        Paragraph(
            f"In 9 of 10 cases of dose, fog and film the index would lie between {slow} and {fast}; in "
            f"{chance_text(odds.chance_beyond_rescue)} of them nothing helps."
        )
    ]


def _row(answer: Answer) -> dict[str, Any]:
    """The answer as one tidy row, with the columns of the table of exposure indices."""
    names = ("needed_stops", "given_stops", "ei", "verdict", "status", "ei_exact", "room_marked_stops")
    more = ("room_left_stops", "snr_kept", "snr_given")
    return {
        "film": answer.film.label,
        "kind": answer.film.kind,
        "speed": answer.film.speed,
        "kerma_ugy": answer.kerma_ugy,
        "fog_density": answer.fog_density,
        **{name: getattr(answer, name) for name in (*names, *more)},
        "contrast_fogged": answer.contrast["fogged"],
        **{f"stops_{name}": value for name, value in answer.stops.items()},
        "criterion": answer.question.criterion,
        "message": answer.message,
    }


def _doses(dose: HistoryDose) -> list[Block]:
    """The parts of a dose; nothing when there are none."""
    if not dose.parts:
        return []
    columns = {
        "part": [part["source"] for part in dose.parts],
        "count": [f"{part['count']:g}" for part in dose.parts],
        "shield": [part["shield"] or "none" for part in dose.parts],
        "lets through": [f"{100 * part['transmission']:.0f} %" for part in dose.parts],
        "low": [figure_text(part["kerma_low_ugy"]) for part in dose.parts],
        "typical": [figure_text(part["kerma_ugy"], 4) for part in dose.parts],
        "high": [figure_text(part["kerma_high_ugy"]) for part in dose.parts],
        "share": [f"{100 * part['share']:.0f} %" for part in dose.parts],
    }
    right = ("count", "lets through", "low", "typical", "high", "share")
    return [Table.of(columns, numeric=right, title="Effective dose at the film [uGy]")]


def _dose_facts(dose: HistoryDose, peak_to_mean: float) -> list[tuple[str, str]]:
    facts = [
        ("effective dose", f"{dose_figures(dose.kerma_ugy, dose.kerma_low_ugy, dose.kerma_high_ugy)} uGy"),
        (
            "air kerma, emulsion dose",
            f"{figure_text(dose.air_kerma_ugy, 4)} uGy, {figure_text(dose.emulsion_dose_ugy, 4)} uGy",
        ),
    ]
    if peak_to_mean > 1.0:
        facts.append(("worst band", f"{peak_to_mean:.2f} times the mean fog; all figures are of it"))
    return facts


def _reasons(answer: Answer, dose: HistoryDose) -> list[Block]:
    speed = format_speed(answer.film.speed)
    marked, left = answer.room_marked_stops, answer.room_left_stops
    facts = [
        *_dose_facts(dose, answer.question.peak_to_mean),
        ("verdict of the typical case", answer.verdict),
        ("fog", f"{answer.fog_density:.3f} density"),
        ("shadow signal-to-noise kept", f"{100 * answer.snr_kept:.0f} % at ISO {speed}"),
        ("contrast", f"{answer.contrast['clean']:.3f} clean, {answer.contrast['fogged']:.3f} fogged"),
    ]
    if answer.outcome == "compensated":
        if answer.snr_given is not None and answer.given_stops is not None:
            facts.insert(-1, ("and at the exposure given", f"{100 * answer.snr_given:.0f} %"))
            facts.append(("more exposure given", stops_text(answer.given_stops)))
        if marked is not None and left is not None:
            facts.append(("highlight room", f"{marked:.1f} stops at ISO {speed}, {left:.1f} left"))
        facts.append(("exact exposure index", "none" if answer.ei_exact is None else f"{answer.ei_exact:.1f}"))
        facts.append(("limited by", answer.limited_by))
    if answer.spread is not None:
        mean = answer.spread["mean"]
        facts.append(("at the mean fog", f"fog {mean['fog_density']:.3f}, {stops_text(mean['stops'])}"))
    if answer.colour_shift is not None:
        shift, filters = answer.colour_shift["density"], answer.colour_shift["filters"]
        facts.append(("record that decides", answer.record))
        facts.append(("added density", ", ".join(f"{name} {value:.3f}" for name, value in shift.items())))
        facts.append(("filters to even it out", ", ".join(f"{value:.0f} {name}" for name, value in filters.items())))
    if answer.outcome == "as_marked":
        return [Facts(tuple(facts))]
    criteria = tuple(
        (name, stops_text(value) + ("  (asked for)" if name == answer.question.criterion else ""))
        for name, value in answer.stops.items()
    )
    return [Facts(tuple(facts)), Facts(criteria, title="More exposure needed, by criterion")]


def _loss(answer: Answer, loss: ExposedLoss, dose: HistoryDose) -> list[Block]:
    zones = loss.zone_rows
    columns = {
        name.replace("_", " "): [
            text if place < 2 else f"{text:.3f}" if place < 4 else f"{100 * text:.0f} %"
            for text in (row[name] for row in zones)
        ]
        for place, name in enumerate(zones[0])
    }
    facts = [*_dose_facts(dose, answer.question.peak_to_mean), ("verdict", answer.verdict)]
    facts += [
        (f"effective speed, {name}", "none" if v is None else f"ISO {v:.0f}")
        for name, v in loss.effective_speed.items()
    ]
    if loss.printing_stops is not None:
        black, middle = loss.printing_stops["same_black"], loss.printing_stops["same_middle"]
        facts.append(("extra printing exposure", f"{black:.2f} stops for the same black, {middle:.2f} for the middle"))
    facts.append(("density range", "{clean:.2f} clean, {fogged:.2f} fogged".format(**loss.density_range)))
    if answer.film.kind == "bw-negative":
        grades = {state: "none fits" if v is None else f"{v:.0f}" for state, v in loss.paper_grade.items()}
        facts.append(("paper grade", "{clean} clean, {fogged} fogged".format(**grades)))
    for name, black_point in loss.scan_black.items():
        relative = 100 * black_point["relative_transmittance"]
        facts.append((f"scan black point, {name}", f"{relative:.0f} % of the transmittance of unscanned film"))
    table = Table.of(columns, numeric=list(columns)[1:], title="By exposure zone")
    return [table, Facts(tuple(facts)), Paragraph(loss.development)]


hold_to_annotations(globals())
