"""The answers for a trip as a document."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.present.document import Document, Facts, Paragraph, Table
from filmdose.trip import Trip
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, dose_figures

if TYPE_CHECKING:
    from filmdose.outlook import Outlook

__all__ = ["log_document", "trip_document", "trip_title"]


def trip_title(trip: Trip, fallback: str = "") -> str:
    """Title of a trip, marked when it is invented."""
    return (trip.title or fallback or trip.path) + (" [invented]" if trip.invented else "")


def trip_document(trip: Trip, rows: Sequence[Mapping[str, Any]], *, notes: Sequence[str] = ()) -> Document:
    """One line for each roll of a trip.

    Parameters
    ----------
    trip
        The trip.
    rows
        As of :meth:`filmdose.outlook.Outlook.to_rows`.
    notes
        What belongs to the doses or to the figures; each is said once.
    """
    said = list(dict.fromkeys(notes))
    ahead = [row["scans_ahead"] for row in rows]
    columns = {
        "roll": [row["roll"] for row in rows],
        "kind": [row["kind"] for row in rows],
        "ISO": [format_speed(row["speed"]) for row in rows],
        "dose [uGy]": [_dose(row) for row in rows],
        "fog": [f"{row['fog_density']:.3f}" for row in rows],
        **({"scans ahead": ahead} if any(ahead) else {}),
        "set on the meter": [row["headline"] for row in rows],
    }
    return Document(
        kind="trip",
        title=trip_title(trip),
        blocks=(
            Table.of(columns, numeric=("ISO", "dose [uGy]", "fog", "scans ahead")),
            *(Paragraph(note) for note in said),
            Paragraph(TEST_FIRST),
        ),
        data={"title": trip.title, "invented": trip.invented, "rolls": list(rows), "notes": said},
        rows=rows,
    )


def _dose(row: Mapping[str, Any]) -> str:
    return dose_figures(row["kerma_ugy"], row["kerma_low_ugy"], row["kerma_high_ugy"])


def log_document(
    file: str | Path,
    entry: str,
    outlook: Outlook,
    rolls: Sequence[str],
    *,
    notes: Sequence[str] = (),
    taken_back: bool = False,
) -> Document:
    """What was added to a trip file or taken back from it, and what that makes of its rolls.

    Parameters
    ----------
    file, entry
        The trip file; the kind of entry that was added, or the text of the one that was taken back.
    outlook
        Of the trip as it stands then.
    rolls
        Ids of the rolls to tell of.
    notes
        What to say beside it.
    taken_back
        True when it was taken back.
    """
    rows = [row for row in outlook.to_rows() if row["roll"] in rolls]
    said = list(dict.fromkeys([*notes, *outlook.notes]))
    facts = tuple((row["roll"], f"{_dose(row)} uGy so far. {row['headline']}") for row in rows)
    return Document(
        kind="log",
        title=f"{'Taken back from' if taken_back else 'Appended to'} {file}: {' '.join(entry.split())}",
        blocks=(Facts(facts), *map(Paragraph, said), Paragraph(TEST_FIRST)),
        data={
            "file": str(file),
            "entry": entry,
            "taken_back": taken_back,
            "rolls": rows,
            "notes": said,
        },
        rows=rows,
    )


hold_to_annotations(globals())
