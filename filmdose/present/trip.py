"""The answers for a trip as a document."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import pandas as pd

from filmdose.present.document import Document, Facts, Paragraph, Table
from filmdose.present.roll import headline
from filmdose.trip import RollAnswer, Trip, trip_table
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, dose_figures, figure_text

__all__ = ["log_document", "trip_document", "trip_title"]


def trip_title(trip: Trip, fallback: str = "") -> str:
    """Title of a trip, marked when it is invented."""
    return (trip.title or fallback or trip.path) + (" [invented]" if trip.invented else "")


def trip_document(trip: Trip, rows: pd.DataFrame, *, notes: Sequence[str] = ()) -> Document:
    """One line for each roll of a trip.

    Parameters
    ----------
    trip
        The trip.
    rows
        As of :func:`filmdose.trip.trip_table`, or of :meth:`filmdose.odds.TripOdds.table`.
    notes
        What belongs to the doses or to the figures; each is said once.
    """
    said = list(dict.fromkeys(notes))
    doses = zip(rows["kerma_ugy"], rows["kerma_low_ugy"], rows["kerma_high_ugy"], strict=True)
    columns = {
        "roll": rows["roll"],
        "kind": rows["kind"],
        "ISO": [format_speed(v) for v in rows["speed"]],
        "dose [uGy]": [dose_figures(*triple) for triple in doses],
        "fog": [f"{v:.3f}" for v in rows["fog_density"]],
        "stops": ["-" if pd.isna(v) else f"{v:.2f}" for v in rows["given_stops"]],
        "EI": ["-" if pd.isna(v) else format_speed(v) for v in rows["ei"]],
        "verdict": rows["verdict"],
        "status": rows["status"].str.replace("_", " "),
    }
    return Document(
        kind="trip",
        title=trip_title(trip),
        blocks=(
            Table.of(columns, numeric=("ISO", "dose [uGy]", "fog", "stops", "EI")),
            *(Paragraph(note) for note in said),
            Paragraph(TEST_FIRST),
        ),
        data={"title": trip.title, "invented": trip.invented, "rolls": rows.to_dict(orient="records"), "notes": said},
        frame=rows,
    )


def log_document(
    file: str | Path, entry: str, answers: tuple[RollAnswer, ...], *, taken_back: bool = False
) -> Document:
    """What was added to a trip file or taken back from it, and what that makes of its rolls.

    Parameters
    ----------
    file, entry
        The trip file; the kind of entry that was added, or the text of the one that was taken back.
    taken_back
        True when it was taken back.
    answers
        Of the rolls that it happened to.
    """
    rows = trip_table(answers)
    facts = tuple(
        (item.roll.id, f"{figure_text(item.dose.kerma_ugy, 4)} uGy so far. {headline(item.answer)}.")
        for item in answers
    )
    return Document(
        kind="log",
        title=f"{'Taken back from' if taken_back else 'Appended to'} {file}: {' '.join(entry.split())}",
        blocks=(Facts(facts),),
        data={"file": str(file), "entry": entry, "taken_back": taken_back, "rolls": rows.to_dict(orient="records")},
        frame=rows,
    )
