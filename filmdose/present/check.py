"""What a file of the project is, and everything that is wrong with it."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from filmdose.arguments import hold_to_annotations
from filmdose.errors import FilmdoseError, InputFileError, all_faults
from filmdose.files import parse_toml, read_text
from filmdose.film.cgats import is_cgats
from filmdose.film.csvtable import read_any_text
from filmdose.film.filmfile import FILM_FILE, read_film
from filmdose.film.noisefit import read_granularity
from filmdose.film.readings import read_steps
from filmdose.odds import read_learned, read_priors, read_readings
from filmdose.present.document import Document, Paragraph
from filmdose.present.letter import LETTER_WORDS
from filmdose.present.sheet import SHEET_WORDS
from filmdose.present.text import CARD_WORDS, read_words, shipped_names
from filmdose.radiation.sensitivity import read_sensitivity
from filmdose.result import Result
from filmdose.scan.bands import read_profile
from filmdose.tripfile import TRIP_FILE, read_trip

__all__ = ["FileCheck", "check_document", "check_file"]

#: Names at the top of a TOML file that tell its kind.
_TOP: dict[str, tuple[str, ...]] = {
    "trip file": tuple(table.name for table in TRIP_FILE if table.name not in ("reading", "")),
    "film file": ("format", "record", "measured_range", *(table.name for table in FILM_FILE if table.name)),
    "readings": ("reading",),
    "priors": ("priors", "scanner_class_share"),
    "X-ray sensitivity": ("exposure", "film", "beam"),
    "words of the card": shipped_names(CARD_WORDS),
    "words of the sheet": shipped_names(SHEET_WORDS),
    "words of the letter": shipped_names(LETTER_WORDS),
}

_READERS: dict[str, Callable[[Path], Any]] = {
    "trip file": read_trip,
    "film file": read_film,
    "readings": read_readings,
    "priors": read_priors,
    "X-ray sensitivity": read_sensitivity,
    "words of the card": lambda path: read_words(CARD_WORDS, path),
    "words of the sheet": lambda path: read_words(SHEET_WORDS, path),
    "words of the letter": lambda path: read_words(LETTER_WORDS, path),
    "what measured rolls have taught": read_learned,
    "density along a film": read_profile,
    "grain": read_granularity,
    "step readings": read_steps,
}


@dataclass(frozen=True, kw_only=True)
class FileCheck(Result):
    """What a file is taken for, and what is wrong with it.

    Parameters
    ----------
    path
        The file.
    kind
        In words; empty when nothing tells it.
    faults
        Everything that its reader refuses, in the order of the file as far as the reader can go on.
    """

    path: str
    kind: str
    faults: tuple[FilmdoseError, ...]


def check_file(path: str | Path) -> FileCheck:
    """Read a file of the project as the program would, and go on after every fault after which that is possible.

    A trip, film, readings, priors or words file, step readings, grain or a profile as CSV or CGATS, or a file of
    ``filmdose learn``; the content tells which.

    Examples
    --------
    >>> from filmdose.files import write_text_atomic
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     file = write_text_atomic(Path(folder) / "t.toml", '[[roll]]\\nid = "a"\\nsped = 400\\nformat = "110"\\n')
    ...     found = check_file(file)
    >>> found.kind, len(found.faults)
    ('trip file', 2)
    """
    place, kind = Path(path), ""
    with all_faults() as found:
        try:
            kind = _kind(place)
            _READERS[kind](place)
        except FilmdoseError as error:
            found.append(error)
    faults = {str(error): error for error in found}  # a part that two others name is refused once
    return FileCheck(path=str(path), kind=kind, faults=tuple(faults.values()))


def _kind(path: Path) -> str:
    """Which of the project's files it is."""
    if path.suffix.lower() == ".json":
        return "what measured rolls have taught"
    if path.suffix.lower() == ".toml":
        return _toml_kind(path, parse_toml(read_text(path), path))
    text = read_any_text(path)
    if text.lstrip().startswith("{"):
        return "what measured rolls have taught"
    head = next((line for line in text.splitlines() if line.strip() and not line.startswith("#")), "").lower()
    if is_cgats(text) or "log" in head:
        return "step readings"
    if "position" in head:
        return "density along a film"
    return "grain" if "sigma" in head else "step readings"


def _toml_kind(path: Path, data: Mapping[str, Any]) -> str:
    shared = {kind: sum(name in data for name in names) for kind, names in _TOP.items()}
    best = max(shared, key=lambda kind: shared[kind])
    if not shared[best]:
        problem = "has nothing at its top that tells what it is."
        action = "A trip file has [[roll]], a film file format = ..., readings [[reading]], priors [priors.NAME]."
        raise InputFileError(path, "", problem, action)
    return best


def check_document(checks: Sequence[FileCheck]) -> Document:
    """What files are, and every fault of each.

    Parameters
    ----------
    checks
        As of :func:`check_file`.
    """
    import pandas as pd

    rows = [
        {"file": check.path, "kind": check.kind, "place": getattr(fault, "place", ""), "fault": _said(check, fault)}
        for check in checks
        for fault in check.faults
    ]
    count = len(rows)
    return Document(
        kind="check",
        title="No fault was found." if not count else "1 fault" if count == 1 else f"{count} faults",
        blocks=tuple(Paragraph(words) for check in checks for words in _paragraphs(check)),
        data={
            "files": [{"file": check.path, "kind": check.kind, "faults": len(check.faults)} for check in checks],
            "faults": rows,
        },
        rows=pd.DataFrame(rows, columns=["file", "kind", "place", "fault"]),
    )


def _paragraphs(check: FileCheck) -> list[str]:
    kind = f"{check.path} ({check.kind})" if check.kind else check.path
    if not check.faults:
        return [f"{kind}: no fault."]
    return [f"{kind}:", *(f"- {_said(check, fault)}" for fault in check.faults)]


def _said(check: FileCheck, fault: FilmdoseError) -> str:
    """What is wrong, without the path that stands above it."""
    return str(fault).removeprefix(check.path).lstrip(":, ")


hold_to_annotations(globals())
