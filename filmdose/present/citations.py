"""Entries of the package's bibliography, as a reader meets them at the end of a report."""

from __future__ import annotations

import re
from functools import cache

from filmdose.arguments import hold_to_annotations
from filmdose.errors import UnknownNameError
from filmdose.files import data_text

__all__ = ["citation"]

_ENTRY = re.compile(r"^@\w+\{([^,]+),\n(.*?)^\}", re.MULTILINE | re.DOTALL)
_FIELD = re.compile(r"^\s*(\w+) = \{(.*)\},?$", re.MULTILINE)
_ORDER = ("author", "title", "journal", "publisher", "institution", "howpublished", "number", "year", "doi", "note")


def citation(key: str) -> str:
    """One entry in words.

    Examples
    --------
    >>> citation("ncrp147")[:56]
    'National Council on Radiation Protection and Measurement'
    """
    entries = _entries()
    if key not in entries:
        raise UnknownNameError("reference", key, entries)
    raw = entries[key]
    fields = {name: value.replace("{", "").replace("}", "").replace("--", "–") for name, value in raw.items()}
    if "author" in fields and not raw["author"].startswith("{"):  # braces around the whole: the name of a body
        fields["author"] = fields["author"].replace(" and ", ", ")
    if "volume" in fields:
        pages = f" ({fields['pages']})" if "pages" in fields else ""
        fields["journal"] = f"{fields['journal']} {fields['volume']}{pages}"
    return ". ".join(fields[name].rstrip(".") for name in _ORDER if name in fields) + "."


@cache
def _entries() -> dict[str, dict[str, str]]:
    return {key: dict(_FIELD.findall(body)) for key, body in _ENTRY.findall(data_text("references.bib"))}


hold_to_annotations(globals())
