"""What was measured on a scan, as a document."""

from __future__ import annotations

from typing import Any, Protocol

import pandas as pd

from filmdose.present.document import Document, Paragraph

__all__ = ["Measured", "scan_document"]


class Measured(Protocol):
    """A result that says itself in lines, as plain data and as a tidy table."""

    def to_dict(self) -> dict[str, Any]:
        """Names and plain values."""
        ...

    def to_frame(self) -> pd.DataFrame:
        """One row a thing."""
        ...


def scan_document(kind: str, result: Measured, *, note: str = "") -> Document:
    """The lines of a result: the first is the title.

    Parameters
    ----------
    kind
        Name of the JSON schema.
    result
        What was measured.
    note
        What was done with it.
    """
    title, *lines = str(result).strip().splitlines()
    blocks = [Paragraph(words) for words in ("\n".join(lines), note) if words]
    return Document(kind=kind, title=title, blocks=tuple(blocks), data=result.to_dict(), frame=result.to_frame())
