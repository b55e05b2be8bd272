"""Standard output as it is found: of any encoding, closed, or full."""

from __future__ import annotations

import json
import os
import sys
from contextlib import suppress

from filmdose.errors import OutputFileError

__all__ = ["discard_output", "fitted", "flush_output", "print_text"]

#: What stands in for a letter that an encoding does not have; other letters become escapes.
_ALIKE = str.maketrans(
    {"─": "-", "−": "-", "–": "-", "•": "*", "×": "x", "±": "+-", "µ": "u", "μ": "u", "†": "+", "‡": "++"}
)


def fitted(text: str, encoding: str | None, format: str = "text") -> str:
    """The text with nothing that an encoding cannot say; a page or JSON keeps its meaning.

    Parameters
    ----------
    text
        What is to be printed.
    encoding
        Name of an encoding; None is UTF-8.
    format
        "html" and "json" have escapes of their own.

    Examples
    --------
    >>> fitted("5 µGy, Łódź", "ascii"), fitted("5 µGy", "utf-8")
    ('5 uGy, \\\\u0141\\\\u00f3d\\\\u017a', '5 µGy')
    >>> fitted("5 µGy", "ascii", "html")
    '5 &#181;Gy'
    """
    encoding = encoding or "utf-8"
    if _has(encoding, text):
        return text
    if format == "html":
        return text.encode("ascii", "xmlcharrefreplace").decode("ascii")
    if format == "json":
        return "".join(letter if letter.isascii() else json.dumps(letter)[1:-1] for letter in text)
    letters = {letter: letter for letter in set(text)}
    for letter in letters:
        if not _has(encoding, letter):
            alike = letter.translate(_ALIKE)
            letters[letter] = alike if alike.isascii() else json.dumps(letter)[1:-1]
    return "".join(map(letters.__getitem__, text))


def _has(encoding: str, text: str) -> bool:
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def print_text(text: str, format: str = "text") -> None:
    """Write to standard output at once.

    Raises
    ------
    OutputFileError
        It is closed or full; what else goes there is thrown away.
    BrokenPipeError
        Who read it has stopped.
    """
    try:
        sys.stdout.write(fitted(text, sys.stdout.encoding, format))
        sys.stdout.flush()
    except BrokenPipeError:
        discard_output()
        raise
    except (OSError, ValueError, AttributeError) as error:  # ValueError: closed; AttributeError: never open
        discard_output()
        reason = getattr(error, "strerror", None) or "it is closed"
        raise OutputFileError("standard output", reason) from error


def flush_output() -> bool:
    """Write what still waits, before the interpreter ends; False when it cannot be written."""
    try:
        if sys.stdout is not None:
            sys.stdout.flush()
    except (OSError, ValueError):
        discard_output()
        return False
    return True


def discard_output() -> None:
    """Throw away what is printed from now on: a full output would fail once more when the interpreter ends."""
    with suppress(OSError):
        sys.stdout = open(os.devnull, "w", encoding="utf-8")  # noqa: SIM115
