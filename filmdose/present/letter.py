"""A letter about a damaged roll, with its annex: what was measured, what was logged and what is inferred, kept apart.

It stands on the figures of one damage report, says one dose, and has blanks where only the owner knows what to write.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from filmdose.arguments import hold_to_annotations
from filmdose.errors import UnknownNameError
from filmdose.film.generic import film_value
from filmdose.present.damage import (
    DamageReport,
    report_data,
    report_dose,
    report_frame,
    report_references,
    rests_on_fog,
)
from filmdose.present.document import Block, Document, Facts, Heading, Paragraph, Picture, Table
from filmdose.present.text import Words, read_words
from filmdose.trip import DoseReading, FogReading, measured_fog, read_record
from filmdose.units import format_speed
from filmdose.version import __version__
from filmdose.words import dose_text, figure_text

__all__ = ["BLANKS", "LETTER_WORDS", "letter_document"]

#: Name of the shipped words of the letter.
LETTER_WORDS = "letter_text.toml"

#: What only the owner can fill in.
BLANKS = ("sender", "addressee", "journey", "request", "signature")

Triple = tuple[float, float, float]

#: Less than this is no loss that can be told [stops].
_NOTHING = 0.1


def letter_document(
    report: DamageReport,
    *,
    filled: Mapping[str, str] | None = None,
    pictures: Sequence[Picture] = (),
    words: Words | None = None,
) -> Document:
    """The letter with its pictures, annex and references.

    Parameters
    ----------
    report
        The figures; see :func:`filmdose.present.damage.assess_damage`.
    filled
        What to write in place of blanks, by the names of ``BLANKS``; the others stay blank.
    pictures
        Photographs and scans with their captions; see :func:`filmdose.present.photos.read_picture`.
    words
        A translation; the shipped English words when left out.

    Returns
    -------
    Document

    Raises
    ------
    UnknownNameError
        Another name than those of ``BLANKS``.

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> from filmdose.present.damage import assess_damage
    >>> trip = example_trip("measured")
    >>> letter = letter_document(assess_damage(trip, trip.rolls[0].id, samples=64))
    >>> len(letter.blocks) > 5
    True
    """
    text = read_words(LETTER_WORDS) if words is None else words
    known = dict(filled or {})
    for name in known:
        if name not in BLANKS:
            raise UnknownNameError("filled", name, BLANKS)
    numbered = [
        Picture(one.jpeg, text("picture", number=number, words=one.words), one.width, one.height)
        for number, one in enumerate(pictures, 1)
    ]
    blocks: list[Block] = list(_letter(report, known, text, len(numbered)))
    if numbered:
        blocks += [Heading(text["pictures"]), *numbered, Paragraph(text["pictures_note"], small=True)]
    blocks += [*_measured(report, text), *_logged(report, text), *_inferred(report, text), Heading(text["references"])]
    blocks += [Paragraph(reference, small=True) for reference in report_references(report)]
    basis, kerma = report_dose(report)
    date = report.date.isoformat()
    return Document(
        kind="letter",
        title=text("title", roll=report.roll.id),
        blocks=tuple(blocks),
        data={
            **report_data(report),
            "basis": basis,
            "dose_ugy": list(kerma),
            "pictures": [one.words for one in numbered],
        },
        rows=report_frame(report),
        foot=text("foot", version=__version__, date=date, roll=report.roll.id),
        date=report.date,
        font=text["font"],
        language=text["language"],
    )


def _letter(report: DamageReport, filled: Mapping[str, str], text: Words, pictures: int) -> Iterator[Block]:
    roll = report.roll
    if report.trip.invented:
        yield Paragraph(text["invented"], bold=True)
    film = text(f"kind.{roll.film.kind}", speed=format_speed(roll.film.speed))
    film = f"{roll.film.name} ({film})" if roll.film.name else film
    yield Facts(
        (
            (text["from"], filled.get("sender", text["blank_sender"])),
            (text["to"], filled.get("addressee", text["blank_addressee"])),
            (text["date"], report.date.isoformat()),
            (text["journey"], filled.get("journey", text["blank_journey"])),
            (text["about"], text("subject", film=film, roll=roll.id, state=text[roll.state])),
        )
    )
    passes = sum(event.count for event in roll.history.passes)
    yield Paragraph(text("opening", passes=passes) if passes else text["opening_none"])
    yield Paragraph(_reading(report, text))
    if report.contradiction:
        yield Paragraph(text["contradiction" if rests_on_fog(report) else "contradiction_left_out"])
    basis, (low, middle, high) = report_dose(report)
    dose = {"low": dose_text(low), "middle": dose_text(middle), "high": dose_text(high)}
    yield Paragraph(text("dose", basis=text[f"basis_{basis}"], **dose))
    yield Paragraph(_lost(report, text))
    yield Paragraph(text["chance"])
    yield Paragraph(text["limits"])
    yield Paragraph(filled.get("request", text["blank_request"]))
    count = text("enclosed_pictures", count=pictures) if pictures else ""
    yield Paragraph(text("enclosed", pictures=count))
    yield Paragraph(filled.get("signature", text["signature"]))
    yield Paragraph(text["law"], small=True)


def _reading(report: DamageReport, text: Words) -> str:
    readings = report.roll.fog_readings
    if not readings:
        return text["not_measured" if report.after is report.before else "not_measured_others"]
    fog, error, _ = measured_fog(report.roll.film, readings[-1])
    return text(
        "measured",
        quantity=text["greatest_density" if report.roll.film.reversal else "base_plus_fog"],
        control=text[_control(readings[-1])],
        fog=_signed(fog),
        error=f"{error:.3f}",
    )


def _control(reading: FogReading) -> str:
    if reading.darker_stops is not None or reading.control is not None:
        return "control_given"
    return "control_typical" if reading.known_base_plus_fog is None else "control_known"


def _lost(report: DamageReport, text: Words) -> str:
    loss, odds = report.loss, report.after
    verdict = text["lost_verdict" if loss.verdict == "lost" else loss.verdict]
    shares = {
        "snr": f"{100 * loss.snr_kept:.0f}",
        "contrast": f"{100 * loss.contrast['fogged'] / loss.contrast['clean']:.0f}",
        "verdict": verdict,
    }
    if rests_on_fog(report):
        return text("lost_at_dose", **shares)
    low, middle, high = odds.stops
    if high < _NOTHING:
        return text["nothing_lost"]
    stops = {"loss": _stops(middle, text), "low": _stops(low, text), "high": _stops(high, text)}
    return text("lost_reversal" if report.roll.film.reversal else "lost", **stops, **shares)


def _stops(value: float, text: Words) -> str:
    return text["beyond"] if math.isinf(value) else text("stops", number=f"{value:.1f}")


def _signed(value: float) -> str:
    return f"{value:+.3f}".replace("-", "−")


# -- the annex -----------------------------------------------------------------------------------------------------


def _measured(report: DamageReport, text: Words) -> Iterator[Block]:
    yield Heading(text["annex_a"])
    film = report.roll.film
    rows = []
    for reading in report.roll.fog_readings:
        fog, error, _ = measured_fog(film, reading)
        read = reading.base_plus_fog
        rows.append(
            (
                _day(reading),
                read_record(film, reading)[0],
                "" if read is None else f"{read:.3f}",
                "" if read is None else f"{read - fog:.3f}",
                text[_control(reading)],
                f"{_signed(fog)} ± {error:.3f}",
                reading.note,
            )
        )
    names = ("date", "record", "read", "control", "against", "fog", "note")
    if rows:
        yield Table(tuple(text[f"head_{name}"] for name in names), tuple(rows), numeric=frozenset({2, 3, 5}))
    badges = [one for one in report.roll.readings if isinstance(one, DoseReading)]
    if badges:
        yield Table(
            (text["head_date"], text["badge"], text["head_note"]),
            tuple((_day(one), f"{one.value} ± {100 * one.relative_error:.0f} %", one.note) for one in badges),
        )
    yield Paragraph(text["measured_note" if rows or badges else "nothing_measured"], small=bool(rows or badges))


def _day(item: Any) -> str:
    return item.date.isoformat() if item.date else ""


def _logged(report: DamageReport, text: Words) -> Iterator[Block]:
    yield Heading(text["annex_b"])
    history = report.roll.history
    rows = []
    for event in history.passes:
        source = event.resolved_source
        rows.append(
            (
                _day(event),
                text.named("source", source.name) if f"source.{source.name}" in text.texts else source.title,
                ", ".join(words for words in (event.place, event.scanner) if words),
                f"{event.count}",
                " + ".join(str(shield) for shield in event.shields) or text["none"],
                text["none"] if event.held_s is None else text("seconds", number=f"{event.held_s:g}"),
                event.note,
            )
        )
    rows.sort(key=lambda row: row[0] or "9999")
    for flight in history.flights:
        rows.append(("", text("flight", hours=f"{flight.hours:g}"), "", "", "", "", flight.note))
    for stay in history.storage:
        rows.append(("", text("storage", days=f"{stay.days:g}"), "", "", "", "", stay.note))
    names = ("date", "event", "place", "count", "shield", "held", "note")
    if rows:
        yield Table(tuple(text[f"head_{name}"] for name in names), tuple(rows), numeric=frozenset({3}))
    yield Paragraph(text["logged_note" if rows else "nothing_logged"], small=bool(rows))


def _inferred(report: DamageReport, text: Words) -> Iterator[Block]:
    yield Heading(text["annex_c"])
    basis, _ = report_dose(report)
    odds = report.after
    doses: list[tuple[str, str, Triple]] = [("log", text["row_log"], report.before.kerma_ugy)]
    for number, triple in enumerate(report.from_fog, 1):
        last = "fog" if number == len(report.from_fog) else ""
        doses.append((last, text("row_reading", number=number), triple))
    if report.after is not report.before:
        doses.append(("both", text["row_both"], odds.kerma_ugy))
    rows = [
        (
            text("row_emphasis", row=name, used=text["used"]) if which == basis else name,
            *(dose_text(value) for value in triple),
        )
        for which, name, triple in doses
    ]
    if not rests_on_fog(report):  # else these would be those of the log, which the letter does not rest on
        reversal = report.roll.film.reversal
        name = text["row_density" if reversal else "row_fog"]
        sign = -1.0 if reversal else 1.0
        rows.append((name, *(_signed(sign * value) for value in odds.fog_density)))
        rows.append((text["row_range" if reversal else "row_stops"], *(_number(value, text) for value in odds.stops)))
        rows.append((text["row_snr"], *(f"{100 * value:.0f}" for value in sorted(odds.snr_kept, reverse=True))))
    names = ("quantity", "low", "middle", "high")
    yield Table(tuple(text[f"head_{name}"] for name in names), tuple(rows), numeric=frozenset({1, 2, 3}))
    typical, low, high = (film_value("model", "calibration_kerma", side) for side in ("value", "low", "high"))
    yield Paragraph(
        text(
            "inferred_note",
            version=__version__,
            origin=report.roll.film.origin or text["none"],
            typical=figure_text(typical),
            range_low=figure_text(low),
            range_high=figure_text(high),
            samples=report.samples,
            seed=report.seed,
        ),
        small=True,
    )


def _number(value: float, text: Words) -> str:
    return text["beyond"] if math.isinf(value) else f"{value:.2f}"


hold_to_annotations(globals())
