"""Adding to a trip file on the road, without touching a letter of what stands there.

The new entry is written by tomlkit and put at the end of the file.  (Inserting it
among its kind was tried: where kinds alternate, tomlkit moves entries and their
comments about.)  The whole file is checked before it is replaced in one step, so
that an interruption leaves the old file or the new one.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from filmdose.errors import UnknownNameError
from filmdose.files import write_bytes_atomic
from filmdose.trip import Trip, parse_trip, read_trip, read_trip_text

__all__ = ["append_entry"]


def append_entry(path: str | Path, table: str, fields: Mapping[str, Any]) -> Trip:
    """Append one ``[[pass]]``, ``[[flight]]``, ``[[storage]]``, ``[[leg]]`` or ``[[reading]]`` to a trip file.

    Parameters
    ----------
    path
        The trip file.
    table
        Which kind of entry.
    fields
        Its fields, in the order in which they are to stand; None leaves one out. Without ``rolls`` the entry names
        all rolls that are in the file now, so that a roll added later does not get it.

    Returns
    -------
    The trip with the new entry.

    Raises
    ------
    InputFileError
        The file or the new entry is faulty; the file is untouched.
    OutputFileError
        The file cannot be replaced.
    UnknownNameError
        A roll that the file does not have.
    """
    import tomlkit

    trip = read_trip(path)
    ids = [roll.id for roll in trip.rolls]
    given = {name: value for name, value in fields.items() if value is not None}
    if table != "reading":
        for name in given.setdefault("rolls", ids):
            if name not in ids:
                raise UnknownNameError("roll", name, ids)
    entry = tomlkit.table()
    for name, value in given.items():
        entry.add(name, list(value) if isinstance(value, tuple) else value)
    entries = tomlkit.aot()
    entries.append(entry)
    document = tomlkit.document()
    document.append(table, entries)
    old = read_trip_text(path)
    end = "\r\n" if "\r\n" in old else "\n"
    block = tomlkit.dumps(document).strip("\n").replace("\n", end)
    gap = "" if old.endswith("\n") else end
    text = f"{old}{gap}{end}{block}{end}"
    changed = parse_trip(text, path)
    write_bytes_atomic(path, text.encode("utf-8"))
    return changed
