"""Everyday words and ways of writing for what the rest of the package has exact names for."""

from __future__ import annotations

import re
from collections.abc import Mapping

__all__ = ["KINDS_MEANT", "POUCH", "SHIELDS_MEANT", "SOURCES_MEANT", "known_kind", "meant", "with_points"]

#: What a pouch is taken for when nothing is known of it: 0.25 mm of lead, half to twice as much (common practice, no
#: source). `filmdose pouch` narrows it.
POUCH = "lead=0.125..0.5"

#: In small letters: sources, kinds of film, shields.
SOURCES_MEANT: dict[str, str] = {
    **dict.fromkeys(("ct", "cabin ct", "ct scanner", "cat scan"), "cabin-ct"),
    **dict.fromkeys(("x-ray", "xray", "x ray", "x-rays", "cabin x-ray", "cabin xray"), "cabin-xray"),
    **dict.fromkeys(("hold", "hold baggage", "checked", "checked bag", "checked baggage", "hold ct"), "hold-ct"),
    **dict.fromkeys(("?", "scanner", "not known", "no idea", "unidentified"), "unknown"),
}
KINDS_MEANT: dict[str, str] = {
    **dict.fromkeys(("b&w", "bw", "b/w", "black and white", "black-and-white"), "bw-negative"),
    **dict.fromkeys(("colour", "color", "c-41", "print", "color-negative", "negative"), "colour-negative"),
    **dict.fromkeys(("slide", "slides", "e-6", "reversal", "transparency", "color-reversal"), "colour-reversal"),
    **dict.fromkeys(("b&w slide", "bw slide", "bw-slide"), "bw-reversal"),
}
SHIELDS_MEANT: dict[str, str] = dict.fromkeys(("pouch", "lead pouch", "lead bag"), POUCH)


def meant(text: str, words: Mapping[str, str]) -> str:
    """The exact name for an everyday word; any other text as it is.

    Examples
    --------
    >>> meant("Slide", KINDS_MEANT), meant("CT", SOURCES_MEANT), meant("cabin-tc", SOURCES_MEANT)
    ('colour-reversal', 'cabin-ct', 'cabin-tc')
    """
    return words.get(" ".join(text.lower().split()), text)


def known_kind(kind: str) -> str:
    """The exact name of a kind of film for an everyday word; anything else as it is.

    Examples
    --------
    >>> known_kind("slides"), known_kind("colour-negative")
    ('colour-reversal', 'colour-negative')
    """
    return meant(kind, KINDS_MEANT) if isinstance(kind, str) else kind


def with_points(text: str) -> str:
    """A text with points in the place of decimal commas: of every comma between two digits.

    Examples
    --------
    >>> with_points("0,25 mm"), with_points("lead=0,1+tin=0,2")
    ('0.25 mm', 'lead=0.1+tin=0.2')
    """
    return re.sub(r"(?<=\d),(?=\d)", ".", text)
