"""Exceptions and warnings of filmdose.

Every error text has the same four parts: the argument, the value it got, what
is allowed, and what to do.  All errors derive from :class:`FilmdoseError`, so
that a caller can catch the family, and from the built-in class that fits.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable

__all__ = [
    "ArgumentError",
    "FilmdoseError",
    "InputFileError",
    "MissingExtraError",
    "OutputFileError",
    "UnknownNameError",
    "ValidityWarning",
]


class FilmdoseError(Exception):
    """Base class of every error that filmdose raises on purpose."""


class ArgumentError(FilmdoseError, ValueError):
    """An argument has an impossible value.

    Parameters
    ----------
    argument
        Name of the argument, as the caller wrote it.
    value
        What was passed.
    allowed
        What is allowed, as a phrase ("a finite number above 0 [ISO]").
    action
        What to do, as a sentence; optional.
    """

    def __init__(self, argument: str, value: object, allowed: str, action: str = "") -> None:
        self.argument = argument
        self.value = value
        self.allowed = allowed
        self.action = action
        text = f"{argument}: got {_short(value)}; allowed is {allowed}."
        super().__init__(f"{text} {action}".rstrip())


class UnknownNameError(FilmdoseError, KeyError):
    """A name is not in a registry; the text lists near matches and all names."""

    def __init__(self, argument: str, value: object, known: Iterable[str], action: str = "") -> None:
        self.argument = argument
        self.value = value
        self.known = tuple(known)
        near = difflib.get_close_matches(str(value), self.known, n=3, cutoff=0.5)
        hint = f" Did you mean {' or '.join(near)}?" if near else ""
        text = f"{argument}: got {_short(value)}; allowed is one of {', '.join(self.known)}.{hint}"
        self.text = f"{text} {action}".rstrip()
        super().__init__(self.text)

    def __str__(self) -> str:
        # KeyError prints the repr of its argument; a sentence must not be quoted.
        return self.text

    def __reduce__(self) -> tuple[type, tuple[object, ...]]:
        return type(self), (self.argument, self.value, self.known)


class InputFileError(FilmdoseError, ValueError):
    """A file cannot be read as what it should be.

    ``place`` says where in the file: "line 7, column 2", "roll 'A1', field 'speed'".
    """

    def __init__(self, path: object, place: str, problem: str, action: str = "") -> None:
        self.path = str(path)
        self.place = place
        self.problem = problem
        where = f"{self.path}, {place}" if place else self.path
        super().__init__(f"{where}: {problem} {action}".rstrip())


class OutputFileError(FilmdoseError, OSError):
    """A file cannot be written; whatever stood there before is untouched."""

    def __init__(self, path: object, problem: str) -> None:
        self.path = str(path)
        super().__init__(f"{self.path}: cannot be written ({problem}). Nothing was changed; choose another place.")


class MissingExtraError(FilmdoseError, ImportError):
    """An optional package is needed; the text names the extra that brings it."""

    def __init__(self, package: str, extra: str, purpose: str) -> None:
        super().__init__(f"{purpose} needs the package {package}. Install it with: pip install 'filmdose[{extra}]'")


class ValidityWarning(UserWarning):
    """A model is used outside the range for which it was made or checked."""


def _short(value: object, limit: int = 80) -> str:
    text = repr(value)
    return text if len(text) <= limit else text[: limit - 3] + "..."
