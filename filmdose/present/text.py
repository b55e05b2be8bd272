"""The words of printed things, shipped in English and replaceable by a user's translation."""

from __future__ import annotations

import string
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path
from typing import Any

from filmdose.errors import InputFileError, OutputFileError, each_part, go_on_or_raise, shown, stop_at_faults
from filmdose.files import check_place, data_text, load_data_toml, parse_toml, read_text, write_text_atomic

__all__ = ["CARD_WORDS", "Words", "read_words", "shipped_names", "write_words"]

#: Name of the shipped words of the card.
CARD_WORDS = "card_text.toml"


@dataclass(frozen=True)
class Words:
    """Texts by name; a name in a table is written "table.name"."""

    texts: Mapping[str, str] = field(repr=False)

    def __getitem__(self, name: str) -> str:
        return self.texts[name]

    def __call__(self, name: str, /, **values: object) -> str:
        """The text with its placeholders filled."""
        return self.texts[name].format(**values)

    def named(self, table: str, name: str) -> str:
        """The text for a source or material; its own name when the table does not have it."""
        return self.texts.get(f"{table}.{name}", name)


def read_words(shipped: str, path: str | Path | None = None) -> Words:
    """The shipped English texts (such as data/card_text.toml), or those of a translation file.

    A translation has exactly the names of the shipped file, and in every text the
    same placeholders; the tables ``[source]`` and ``[material]`` may name more.

    Raises
    ------
    InputFileError
        The file cannot be read or parsed; a name is missing, unknown or no text; a placeholder is missing or unknown.
    """
    if path is None:
        return Words(_shipped(shipped))
    texts = _flat(path, parse_toml(read_text(path), path))
    wanted = _shipped(shipped)
    for name in wanted:
        if name not in texts:
            go_on_or_raise(InputFileError(path, f"text {name!r}", "is missing.", f"English: {wanted[name]!r}"))
    for name, text in texts.items():
        if name not in wanted:
            if name.startswith(("source.", "material.")):
                continue
            action = f"Start from the shipped {shipped}."
            go_on_or_raise(InputFileError(path, f"text {shown(name)}", "is not known.", action))
            continue
        with each_part():
            found, allowed = _placeholders(path, name, text), _placeholders(shipped, name, wanted[name])
            if found != allowed:
                problem = f"has the placeholders {_braces(found)}; it must have {_braces(allowed)}."
                raise InputFileError(path, f"text {shown(name)}", problem)
    stop_at_faults()
    return Words(texts)


def shipped_names(shipped: str) -> tuple[str, ...]:
    """Names at the top of the shipped words."""
    return tuple(load_data_toml(shipped))


def write_words(shipped: str, path: str | Path) -> Path:
    """Write the shipped English texts, to be translated; a file that is there already is left alone."""
    if check_place(path).exists():
        raise OutputFileError(path, "it is there already, and may be a translation")
    return write_text_atomic(path, data_text(shipped))


def _braces(names: frozenset[str]) -> str:
    return ", ".join("{" + name + "}" for name in sorted(names)) or "none"


def _placeholders(path: object, name: str, text: str) -> frozenset[str]:
    try:
        parts = list(string.Formatter().parse(text))
    except ValueError as error:
        raise InputFileError(path, f"text {shown(name)}", f"has braces that do not match ({error}).") from error
    if any(spec or conversion for _, _, spec, conversion in parts):
        raise InputFileError(path, f"text {shown(name)}", "has a placeholder with more than a name in it.")
    return frozenset(found for _, found, _, _ in parts if found is not None)


def _flat(path: object, data: Mapping[str, Any], above: str = "") -> dict[str, str]:
    texts: dict[str, str] = {}
    for name, value in data.items():
        if isinstance(value, dict) and not above:
            texts.update(_flat(path, value, f"{name}."))
        elif isinstance(value, str):
            texts[above + name] = value
        else:
            raise InputFileError(
                path, f"text {shown(above + name)}", f"is {shown(value)}; allowed is a text in quotes."
            )
    return texts


@cache
def _shipped(name: str) -> dict[str, str]:
    return _flat(name, load_data_toml(name))
