"""The damage report of one roll: what happened, what was measured, what follows, and how sure that is."""

from __future__ import annotations

import datetime
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.answering import Answer, grid_row
from filmdose.arguments import hold_to_annotations
from filmdose.exposed import ExposedLoss
from filmdose.film.emulsion import KERMA_GRID_UGY
from filmdose.film.generic import film_value, is_typical
from filmdose.film.model import Film, film_words
from filmdose.history import HistoryDose, history_dose
from filmdose.plotting import plot_characteristic_curves, plot_shares
from filmdose.present.citations import citation
from filmdose.present.document import Block, Document, Facts, Heading, Paragraph, Plot, Table
from filmdose.present.scan import bands_blocks
from filmdose.question import Question
from filmdose.result import Result
from filmdose.trip import (
    FogReading,
    Roll,
    Trip,
    answer_at,
    find_roll,
    measured_fog,
    read_record,
    roll_question,
    trip_readings,
)
from filmdose.units import format_speed
from filmdose.version import __version__
from filmdose.words import KIND_WORDS, dose_text, figure_text, range_text

if TYPE_CHECKING:
    import pandas as pd

    from filmdose.odds import Priors, RollOdds
    from filmdose.odds.scores import Random
    from filmdose.scan.bands import BandResult

__all__ = [
    "DamageReport",
    "assess_damage",
    "report_data",
    "report_document",
    "report_dose",
    "report_frame",
    "report_references",
    "rests_on_fog",
]

Triple = tuple[float, float, float]

_POINTS = (0.05, 0.5, 0.95)


@dataclass(frozen=True, kw_only=True)
class DamageReport(Result):
    """Every figure of a damage report; triples are 5, 50 and 95 % points.

    Parameters
    ----------
    trip, roll
        The trip, and the roll that it is about.
    logged
        Dose of the logged events.
    before, after
        Odds from the log alone, and with all readings of the trip; the same when nothing was measured.
    from_fog
        Effective kerma that explains each reading of the roll by itself [uGy].
    contradiction
        Why log and readings cannot both be true; empty when they can. ``after`` is then what the log alone says.
    equivalent_kerma_ugy
        Dose that, with the typical calibration, gives the middle fog [uGy]; curves and contrast are at this dose.
    loss
        Answer at the equivalent dose, with the loss of a roll that was exposed before the scan.
    samples, seed
        Draws of what is not known, and the seed that made them.
    date
        Date of the report.
    """

    trip: Trip
    roll: Roll
    logged: HistoryDose
    before: RollOdds
    after: RollOdds
    from_fog: tuple[Triple, ...]
    contradiction: str
    equivalent_kerma_ugy: float
    loss: Answer
    samples: int
    seed: int
    date: datetime.date

    def to_dataframe(self) -> pd.DataFrame:
        """Two rows: the odds from the log alone, and with all readings (column ``from``)."""
        import pandas as pd

        parts = [row.to_dataframe().assign(**{"from": name}) for name, row in self._odds]
        return pd.concat(parts, ignore_index=True)

    @property
    def _odds(self) -> tuple[tuple[str, RollOdds], ...]:
        return ("log", self.before), ("log and readings", self.after)


def assess_damage(
    trip: Trip,
    roll: str,
    question: Question | None = None,
    *,
    priors: Priors | None = None,
    samples: int = 2**14,
    rng: Random = 0,
    date: datetime.date | None = None,
) -> DamageReport:
    """Work out the damage of one roll.

    Parameters
    ----------
    trip, roll
        A trip and the id of one of its rolls. All readings of the trip are used: they say something about its scanners.
    question
        What is asked; the roll's own scene range stands before that of the question.
    priors, samples, rng
        As of :func:`filmdose.odds.propagate`.
    date
        Date of the report; today by default.

    Returns
    -------
    DamageReport

    Raises
    ------
    ArgumentError, UnknownNameError
        No such roll, a reading that no fog can explain, a value out of range.

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("measured")
    >>> assess_damage(trip, trip.rolls[0].id, samples=64).roll.id == trip.rolls[0].id
    True
    """
    from filmdose.odds import ContradictionError, default_priors, learn, propagate
    from filmdose.odds.scores import random_seed

    seed = random_seed(rng)
    chosen = find_roll(trip, roll)
    asked = roll_question(chosen, Question() if question is None else question, 1.0)
    known = default_priors() if priors is None else priors
    drawn = partial(propagate, trip, asked, priors=known, samples=samples, rng=seed)
    before = drawn()[roll]
    after, contradiction = before, ""
    readings = trip_readings(trip)
    if readings:
        try:
            learned = learn(trip, readings, priors=known, rng=seed)
            after = drawn(learned=learned)[roll]
        except ContradictionError as error:
            contradiction = str(error)
    from_fog = tuple(_kerma_from_fog(chosen, reading, known, seed) for reading in chosen.fog_readings)
    if contradiction and chosen.fog_readings:
        equivalent = _kerma_of_reading(chosen.film, chosen.fog_readings[-1])
    else:
        equivalent = _equivalent_kerma(chosen.film, after.fog_density[1])
    return DamageReport(
        trip=trip,
        roll=chosen,
        logged=history_dose(chosen.history),
        before=before,
        after=after,
        from_fog=from_fog,
        contradiction=contradiction,
        equivalent_kerma_ugy=equivalent,
        loss=answer_at(chosen, equivalent, replace(asked, peak_to_mean=1.0)),
        samples=samples,
        seed=seed,
        date=datetime.date.today() if date is None else date,
    )


def _equivalent_kerma(film: Film, fog_density: float) -> float:
    """Dose at which the film's own calibration gives the record that decides a fog [uGy]."""
    fog = np.abs(grid_row(film, KERMA_GRID_UGY, Question(), ("fog_density",))["fog_density"])
    return float(np.interp(abs(fog_density), fog, KERMA_GRID_UGY))


def _kerma_of_reading(film: Film, reading: FogReading) -> float:
    """Dose at which the record that was read has the fog that was read, by the film's own calibration [uGy]."""
    _, record = read_record(film, reading)
    fog, _, _ = measured_fog(film, reading)
    return float(record.kerma_for_fog(fog))


def _kerma_from_fog(roll: Roll, reading: FogReading, priors: Priors, seed: int) -> Triple:
    """Effective kerma that explains one reading without any log: reading error, calibration and film alone [uGy]."""
    from scipy.special import ndtri
    from scipy.stats import qmc

    scores = ndtri(np.clip(qmc.Sobol(4, rng=seed).random(2**14), 1e-12, 1 - 1e-12))
    _, record = read_record(roll.film, reading)
    measured, error, _ = measured_fog(roll.film, reading)
    fog = measured * (-1.0 if roll.film.reversal else 1.0) + error * scores[:, 0]
    table = np.abs(np.asarray(record.fog_density(KERMA_GRID_UGY)))
    at_typical = np.interp(fog, table, KERMA_GRID_UGY)
    calibration = np.asarray(priors["calibration_kerma"].value(scores[:, 1])) / priors["calibration_kerma"].typical
    factor = np.asarray(priors["film_factor"].value(scores[:, 2]))
    if is_typical(roll.film):
        factor = factor * np.asarray(priors["true_speed"].value(scores[:, 3])) ** priors["hit_exponent"].typical
    low, middle, high = np.quantile(at_typical * calibration / factor, _POINTS)
    return float(low), float(middle), float(high)


# -- what it says --------------------------------------------------------------------------------------------------


def rests_on_fog(report: DamageReport) -> bool:
    """Whether the last fog reading of the roll carries the conclusions, as it and the log cannot both be true.

    Parameters
    ----------
    report
        The figures of a roll.

    Returns
    -------
    bool

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("measured")
    >>> rests_on_fog(assess_damage(trip, trip.rolls[0].id, samples=64))
    False
    """
    return bool(report.contradiction and report.from_fog)


def report_dose(report: DamageReport) -> tuple[str, Triple]:
    """The one dose that carries the conclusions, and what it agrees with.

    Parameters
    ----------
    report
        The figures of a roll.

    Returns
    -------
    "log", "both" or "fog", and the 5, 50 and 95 % points of the effective kerma [uGy]: log and readings together; the
    log alone where nothing was read, or where only what was read elsewhere contradicts it; the last fog reading of
    the roll alone where log and readings contradict each other.

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("measured")
    >>> report_dose(assess_damage(trip, trip.rolls[0].id, samples=64))[0] in ("log", "both", "fog")
    True
    """
    if rests_on_fog(report):
        return "fog", report.from_fog[-1]
    if report.after is report.before:
        return "log", report.before.kerma_ugy
    return "both", report.after.kerma_ugy


def report_document(report: DamageReport, bands: BandResult | None = None) -> Document:
    """The report as a document, with a page about bands along the film where they were measured.

    Parameters
    ----------
    report
        The figures of a roll.
    bands
        What :func:`filmdose.scan.bands.explain_bands` found.

    Returns
    -------
    Document

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("measured")
    >>> len(report_document(assess_damage(trip, trip.rolls[0].id, samples=64)).blocks) > 5
    True
    """
    blocks = (
        *_opening(report),
        *_what_happened(report),
        *_what_was_measured(report),
        *_estimated_dose(report),
        *_what_was_lost(report),
        *_how(report),
        *_measured_and_inferred(report),
        *(() if bands is None else bands_blocks(bands, "7  Bands along the film")),
        *_references(report),
    )
    return Document(
        kind="report",
        data=report_data(report),
        rows=report_frame(report),
        title=f"Damage report, roll {report.roll.id}",
        foot=f"filmdose {__version__}, {report.date.isoformat()}. Roll {report.roll.id}.",
        date=report.date,
        blocks=blocks,
    )


def report_frame(report: DamageReport) -> pd.DataFrame:
    """The figures that carry the report, one row each: 5, 50 and 95 % points; none of the log where it carries none.

    Parameters
    ----------
    report
        The figures of a roll.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("measured")
    >>> len(report_frame(assess_damage(trip, trip.rolls[0].id, samples=64))) > 3
    True
    """
    import pandas as pd

    odds = report.after
    lost: list[tuple[str, Triple, str]] = [
        ("fog_density", odds.fog_density, "1"),
        ("stops_lost", odds.stops, "stops"),
        ("snr_kept", odds.snr_kept, "1"),
    ]
    figures: list[tuple[str, Triple, str]] = [
        ("dose_from_log", report.before.kerma_ugy, "uGy"),
        *(("dose_from_reading", triple, "uGy") for triple in report.from_fog),
        ("dose", report_dose(report)[1], "uGy"),
        *(() if rests_on_fog(report) else lost),
    ]
    rows = [(name, *triple, unit) for name, triple, unit in figures]
    return pd.DataFrame(rows, columns=["quantity", "low", "middle", "high", "unit"])


def report_data(report: DamageReport) -> dict[str, Any]:
    """The figures for programs, by name.

    Parameters
    ----------
    report
        The figures of a roll.

    Returns
    -------
    dict

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("measured")
    >>> sorted(report_data(assess_damage(trip, trip.rolls[0].id, samples=64)))[:2]
    ['contradiction', 'contrast']
    """
    roll = report.roll
    return {
        "title": report.trip.title,
        "invented": report.trip.invented,
        "roll": roll.id,
        "kind": roll.film.kind,
        "speed": roll.film.speed,
        "state": roll.state,
        "date": report.date,
        "criterion": report.loss.question.criterion,
        "scene_range": report.loss.question.scene_range,
        "samples": report.samples,
        "seed": report.seed,
        "readings": [
            {"record": read_record(roll.film, reading)[0], "fog_density": fog, "fog_error": error}
            for reading, (fog, error, _) in ((one, measured_fog(roll.film, one)) for one in roll.fog_readings)
        ],
        "figures": report_frame(report).to_dict(orient="records"),
        "contradiction": report.contradiction,
        "equivalent_kerma_ugy": report.equivalent_kerma_ugy,
        "contrast": report.loss.contrast,
        "exposed": None if report.loss.exposed is None else report.loss.exposed.to_dict(),
    }


def _opening(report: DamageReport) -> Iterator[Block]:
    roll = report.roll
    if report.trip.invented:
        yield Paragraph("Invented scenario: roll, places and scanners do not exist.", bold=True)
    yield Paragraph(_summary(report))
    rows = [
        ("roll", roll.id),
        ("film", film_words(roll.film)),
        ("kind", f"{KIND_WORDS[roll.film.kind]} (speed by {roll.film.standard})"),
        ("film data", roll.film.origin or "not stated"),
        ("when scanned", "exposed in the camera" if roll.state == "exposed" else "not yet exposed"),
        ("trip", report.trip.title or "not named"),
    ]
    if roll.note:
        rows.append(("note of the owner", roll.note))
    yield Facts(tuple(rows))


def _summary(report: DamageReport) -> str:
    fog = report.after.fog_density
    if report.roll.fog_readings:
        measured, error, _ = measured_fog(report.roll.film, report.roll.fog_readings[-1])
        first = f"Measured fog {_signed(measured)} ± {error:.3f} density (one standard error)."
    else:
        first = (
            f"Nothing was measured on this roll; the log leads to a fog of {fog[1]:.2f} ({fog[0]:.2f} to {fog[2]:.2f})."
        )
    if report.contradiction:
        _, (low, middle, high) = report_dose(report)
        said = (
            "It cannot be explained by what was logged. The conclusions rest on the reading alone"
            if rests_on_fog(report)
            else "Readings of this trip cannot be explained by what was logged. They are left out; the conclusions "
            "rest on the log alone"
        )
        return f"{first} {said}: dose {dose_text(middle)} ({range_text(low, high)})."
    low, middle, high = report.after.stops
    if report.roll.film.reversal:
        lost = f"{_stops(middle)} of range lost at the dark end ({_stops(low)} to {_stops(high)})"
    else:
        lost = f"the shadows lost {_stops(middle)} of speed ({_stops(low)} to {_stops(high)})"
    kerma = report.after.kerma_ugy
    return (
        f"{first} Estimated dose {dose_text(kerma[1])} ({range_text(kerma[0], kerma[2])}); {lost}. "
        "Figures in brackets hold the truth in 9 of 10 cases, if the assumptions of section 5 do."
    )


def _what_happened(report: DamageReport) -> Iterator[Block]:
    yield Heading("1  What happened, as the owner logged it")
    passes = report.roll.history.passes
    rows = []
    for number, part in enumerate(report.logged.parts):
        event = passes[number] if number < len(passes) else None
        rows.append(
            (
                event.date.isoformat() if event is not None and event.date else "",
                str(part["detail"]) if event is not None else f"{part['kind']}: {part['detail']}",
                " / ".join(words for words in (event.place, event.scanner) if words) if event is not None else "",
                str(part["shield"]) or ("none" if event is not None else ""),
                f"{part['count']}" if event is not None else "",
                f"{part['multiplier']:g}" if event is not None else "",
                f"{figure_text(part['kerma_ugy'])} ({figure_text(part['kerma_low_ugy'], 2)} to "
                f"{figure_text(part['kerma_high_ugy'], 2)})",
                event.note if event is not None else "",
            )
        )
    if rows:
        rows.sort(key=lambda row: row[0] or "9999")
        yield Table(
            ("date", "event", "place / scanner", "shield", "passes", "times longer", "expected dose [µGy]", "note"),
            tuple(rows),
            numeric=frozenset({4, 5, 6}),
        )
        yield Paragraph(
            "Expected dose: effective air kerma at the film, typical (low to high), from published figures for the "
            "kind of scanner where there are any, not from a measurement of these scanners.",
            small=True,
        )
    else:
        yield Paragraph("No event was logged for this roll.")
    for note in report.logged.notes:
        yield Paragraph(note, small=True)


def _what_was_measured(report: DamageReport) -> Iterator[Block]:
    yield Heading("2  What was measured")
    readings = report.roll.fog_readings
    if not readings:
        others = "" if report.after is report.before else " and from readings of other rolls of the trip"
        yield Paragraph(f"Nothing was measured on this roll. Everything below is inferred from the log{others}.")
        return
    film = report.roll.film
    rows = []
    for reading in readings:
        fog, error, against = measured_fog(film, reading)
        rows.append(
            (
                reading.date.isoformat() if reading.date else "",
                read_record(film, reading)[0],
                *(
                    ("", "")
                    if reading.base_plus_fog is None
                    else (f"{reading.base_plus_fog:.3f}", f"{reading.base_plus_fog - fog:.3f}")
                ),
                against,
                f"{_signed(fog)} ± {error:.3f}",
                reading.note,
            )
        )
    head = "greatest density" if report.roll.film.reversal else "base plus fog"
    yield Table(
        ("date", "record", head, "control", "control is", "fog", "note"), tuple(rows), numeric=frozenset({2, 3, 5})
    )
    yield Paragraph(
        "Densities as read by the owner. Fog is the difference from the control; its error is the standard error of "
        "that difference. A control that was stored and developed alike takes age and processing out of it.",
        small=True,
    )


def _estimated_dose(report: DamageReport) -> Iterator[Block]:
    yield Heading("3  Estimated dose")
    rows = [_kerma_row("the log alone, before any measurement", report.before.kerma_ugy)]
    for number, triple in enumerate(report.from_fog, 1):
        which = f" {number}" if len(report.from_fog) > 1 else ""
        rows.append(_kerma_row(f"the measured fog{which} alone, without the log", triple))
    if report.after is not report.before:
        rows.append(_kerma_row("log and all readings of the trip together", report.after.kerma_ugy))
    yield Table(("from", "low (5 %)", "middle", "high (95 %)"), tuple(rows), numeric=frozenset({1, 2, 3}))
    yield Paragraph(
        "Effective air kerma at the film: of a beam of 140 kVp with 3 mm Al that fogs as much. Fog fixes the product "
        "of dose and sensitivity much better than the dose itself; the dose is uncertain by the calibration of fog.",
        small=True,
    )
    if report.contradiction:
        yield Paragraph(f"Log and readings do not agree: {report.contradiction}", bold=True)
    if len(report.logged.parts) > 1 and report.logged.kerma_ugy > 0:
        yield Plot(
            partial(_draw_shares, report.logged),
            "Share of each logged event in the expected dose, with each at its typical value.",
            height_mm=25.0 + 9.0 * min(len(report.logged.parts), 12),
            labels_mm=45.0,
        )


def _draw_shares(dose: HistoryDose, ax: object) -> None:
    plot_shares(dose, ax=ax)  # type: ignore[arg-type]


def _kerma_row(name: str, kerma: Triple) -> tuple[str, str, str, str]:
    return (name, dose_text(kerma[0]), dose_text(kerma[1]), dose_text(kerma[2]))


def _what_was_lost(report: DamageReport) -> Iterator[Block]:
    yield Heading("4  What was lost")
    odds, loss = report.after, report.loss
    reversal = report.roll.film.reversal
    name = "range lost at the dark end [stops]" if reversal else "speed lost in the shadows [stops]"
    fog_name = "greatest density lost" if reversal else "fog, under the worst band [density]"
    rows = [
        (fog_name, *(f"{value:.3f}" for value in odds.fog_density)),
        (name, *(_number(value) for value in odds.stops)),
        (
            "signal-to-noise kept in the shadows [%]",
            *(f"{100 * value:.0f}" for value in sorted(odds.snr_kept, reverse=True)),
        ),
    ]
    if rests_on_fog(report):
        rows = []
    elif not reversal and report.roll.state != "exposed":
        rows.append(("exposure index of least loss", *(_index(value) for value in reversed(odds.ei))))
    words = " (from the log alone)" if report.contradiction else ""
    if rows:
        yield Table(("", f"least{words}", "middle", "most"), tuple(rows), numeric=frozenset({1, 2, 3}))
    else:
        yield Paragraph(
            f"Log and reading contradict each other. What follows is at {dose_text(report.equivalent_kerma_ugy)}, the "
            "dose that gives the fog that was read with the typical calibration; the log alone would say otherwise."
        )
    speed = format_speed(report.roll.film.speed)
    yield Paragraph(
        f"Mean contrast over the 1.30 log units above the shadow point, at ISO {speed}: {loss.contrast['clean']:.3f} "
        f"clean, {loss.contrast['fogged']:.3f} fogged ({_percent(loss.contrast['fogged'] / loss.contrast['clean'])})."
        if not reversal
        else f"Contrast between shadow and highlight point: {loss.contrast['clean']:.3f} clean, "
        f"{loss.contrast['fogged']:.3f} fogged."
    )
    yield Paragraph(loss.message)
    if rows and odds.chance_beyond_rescue >= 0.01:
        chance = _percent(odds.chance_beyond_rescue)
        yield Paragraph(f"Chance that the roll would be lost at its best exposure too: {chance}.")
    if loss.exposed is not None:
        yield from _zones(loss.exposed)
    fog = "the middle fog of the table" if rows else "the fog that was read"
    yield Plot(
        partial(_draw_curves, report),
        f"Characteristic curves computed for the film, clean and with {fog}; the scene as metered "
        + (
            "for the marked speed"
            if report.roll.state == "exposed" or reversal
            else "for the marked and the needed speed"
        )
        + ".",
        height_mm=95.0,
    )


def _draw_curves(report: DamageReport, ax: object) -> None:
    plot_characteristic_curves(
        report.roll.film,
        report.equivalent_kerma_ugy,
        report.loss.question,
        exposed=report.loss.exposed is not None,
        ax=ax,  # type: ignore[arg-type]
    )


def _zones(loss: ExposedLoss) -> Iterator[Block]:
    several = len(set(loss.zones["record"])) > 1
    zones: list[dict[str, Any]] = loss.zones.to_dict(orient="records")  # type: ignore[assignment]
    rows = tuple(
        (
            *((str(zone["record"]),) if several else ()),
            f"{zone['stops_above_shadow']:+d}",
            f"{zone['density_clean']:.2f}",
            f"{zone['density_fogged']:.2f}",
            f"{100 * zone['gradient_kept']:.0f}",
            f"{100 * zone['snr_kept']:.0f}",
        )
        for zone in zones
    )
    header = ("stops above shadow", "density clean", "fogged", "contrast kept [%]", "signal-to-noise kept [%]")
    shift = 1 if several else 0
    yield Table((*(("record",) if several else ()), *header), rows, numeric=frozenset(range(shift, shift + 5)))
    yield Paragraph(loss.development, small=True)


def _how(report: DamageReport) -> Iterator[Block]:
    low, high = (film_value("model", "calibration_kerma", side) for side in ("low", "high"))
    typical = film_value("model", "calibration_kerma")
    asked = report.loss.question
    yield Heading("5  How it was computed")
    yield Paragraph(
        f"By filmdose {__version__}. The film is a population of grains of different sensitivity: light develops a "
        "grain that catches several quanta, radiation one that it hits once. Fast grains are hit first, and those "
        "record the shadows; so fog takes density range, contrast and signal-to-noise from the shadows. The film data "
        f"are {report.roll.film.origin or 'not stated'}."
    )
    yield Paragraph(
        f"Calibration of fog: {typical:g} µGy (range {low:g} to {high:g}) for a fog of 0.02 on ISO 400 film, an "
        "inference of the project and no published value. Doses of scanners: see section 1; each is a log-normal "
        f"through its low, typical and high point. Criterion: {asked.criterion_words}; scene "
        f"{asked.scene_range:g} log units from shadow to highlight. {report.samples} draws of everything that is not "
        f"known, seed {report.seed}; readings are taken in by Bayes' rule."
    )


def _measured_and_inferred(report: DamageReport) -> Iterator[Block]:
    yield Heading("6  What is measured and what is inferred")
    measured = "the densities in section 2" if report.roll.fog_readings else "nothing"
    yield Paragraph(f"Measured: {measured}. Stated by the owner: the log in section 1 and what film it is.")
    yield Paragraph(
        "Inferred: the dose, the loss of speed and contrast, and which event gave how much. Fog shows that and how "
        "much the film was fogged; by itself it does not show by which machine, nor that it was radiation at all: "
        "heat, age, light and development fog film too, and only a control roll that shared them rules them out."
    )
    yield Paragraph(
        "This is no measurement of a scanner and no statement about the safety of people. It is no legal advice."
    )


def _references(report: DamageReport) -> Iterator[Block]:
    yield Heading("References")
    for reference in report_references(report):
        yield Paragraph(reference, small=True)


def report_references(report: DamageReport) -> list[str]:
    """The standards and sources that the figures rest on, in words.

    Parameters
    ----------
    report
        The figures of a roll.

    Returns
    -------
    list of str

    Examples
    --------
    >>> from filmdose.examples import example_trip
    >>> trip = example_trip("measured")
    >>> len(report_references(assess_damage(trip, trip.rolls[0].id, samples=64))) > 3
    True
    """
    roll = report.roll
    keys = {"bw-negative": "iso_6", "colour-negative": "iso_5800"}
    wanted = [keys.get(roll.film.kind, "iso_2240"), "kodak_h1_storage", "nist_srd126"]
    if any(part.shields for part in roll.history.passes):
        wanted.append("ncrp147")
    if roll.history.flights:
        wanted.append("faa_ac_120_52")
    if roll.history.storage:
        wanted.append("unscear1993")
    if roll.state == "exposed" and roll.film.kind == "bw-negative":
        wanted.append("iso_6846")
    for part in roll.history.passes:
        wanted += part.resolved_source.references
    return [citation(key) for key in dict.fromkeys(wanted)]


def _signed(value: float) -> str:
    return f"{value:+.3f}".replace("-", "−")


def _number(value: float) -> str:
    return "more than any exposure restores" if np.isinf(value) else f"{value:.2f}"


def _stops(value: float) -> str:
    return "more than any exposure restores" if np.isinf(value) else f"{value:.1f} stops"


def _index(value: float) -> str:
    return "none" if value == 0 else format_speed(value)


def _percent(share: float) -> str:
    return f"{100 * share:.0f} %"


hold_to_annotations(globals())
