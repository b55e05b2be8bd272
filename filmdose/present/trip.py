"""The answers for a trip as a document."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from filmdose.arguments import hold_to_annotations
from filmdose.present.document import Document, Facts, Paragraph, Table
from filmdose.trip import Trip
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, dose_figures

if TYPE_CHECKING:
    import pandas as pd

    from filmdose.outlook import Outlook

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
        As of :meth:`filmdose.outlook.Outlook.table`.
    notes
        What belongs to the doses or to the figures; each is said once.
    """
    said = list(dict.fromkeys(notes))
    doses = zip(rows["kerma_ugy"], rows["kerma_low_ugy"], rows["kerma_high_ugy"], strict=True)
    ahead = {"scans ahead": rows["scans_ahead"]} if rows["scans_ahead"].any() else {}
    columns = {
        "roll": rows["roll"],
        "kind": rows["kind"],
        "ISO": [format_speed(v) for v in rows["speed"]],
        "dose [uGy]": [dose_figures(*triple) for triple in doses],
        "fog": [f"{v:.3f}" for v in rows["fog_density"]],
        **ahead,
        "set on the meter": rows["headline"],
    }
    return Document(
        kind="trip",
        title=trip_title(trip),
        blocks=(
            Table.of(columns, numeric=("ISO", "dose [uGy]", "fog", "scans ahead")),
            *(Paragraph(note) for note in said),
            Paragraph(TEST_FIRST),
        ),
        data={"title": trip.title, "invented": trip.invented, "rolls": rows.to_dict(orient="records"), "notes": said},
        rows=rows,
    )


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
    table = outlook.to_dataframe()
    rows = table[table["roll"].isin(list(rolls))].reset_index(drop=True)
    said = list(dict.fromkeys([*notes, *outlook.notes]))
    doses = zip(rows["kerma_ugy"], rows["kerma_low_ugy"], rows["kerma_high_ugy"], strict=True)
    facts = tuple(
        (name, f"{dose_figures(*dose)} uGy so far. {words}")
        for name, dose, words in zip(rows["roll"], doses, rows["headline"], strict=True)
    )
    return Document(
        kind="log",
        title=f"{'Taken back from' if taken_back else 'Appended to'} {file}: {' '.join(entry.split())}",
        blocks=(Facts(facts), *map(Paragraph, said), Paragraph(TEST_FIRST)),
        data={
            "file": str(file),
            "entry": entry,
            "taken_back": taken_back,
            "rolls": rows.to_dict(orient="records"),
            "notes": said,
        },
        rows=rows,
    )


hold_to_annotations(globals())
