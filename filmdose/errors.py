"""Exceptions and warnings of filmdose.

Every error text has the same four parts: the argument, the value it got, what
is allowed, and what to do.  All errors derive from :class:`FilmdoseError`, so
that a caller can catch the family, and from the built-in class that fits.
"""

from __future__ import annotations

import difflib
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from typing import Any

__all__ = [
    "ArgumentError",
    "FilmdoseError",
    "InputFileError",
    "MissingExtraError",
    "MissingFileError",
    "OutputFileError",
    "StoreWarning",
    "UnknownNameError",
    "ValidityWarning",
    "all_faults",
    "did_you_mean",
    "each_part",
    "go_on_or_raise",
    "name_list",
    "printable",
    "shown",
    "shown_path",
    "stop_at_faults",
]

#: A value, or a piece of a file, takes no more characters than this in a message.
SHOWN_CHARACTERS = 80

#: A path takes no more characters than this in a message.
SHOWN_PATH_CHARACTERS = 300

#: More names than this are not listed in a message.
SHOWN_NAMES = 40


def shown(value: object, limit: int = SHOWN_CHARACTERS) -> str:
    """A value as messages show it: its repr, cut to ``limit`` characters.

    Parameters
    ----------
    value
        Anything.
    limit
        Most characters [at least 8].

    Returns
    -------
    str
        In one line.

    Examples
    --------
    >>> shown("x" * 1000, 12)
    "'xxxxxxxx..."
    >>> shown(10**5000)
    'a whole number of 5001 digits'
    """
    if isinstance(value, int) and value.bit_length() > 400:
        return f"a whole number of {int(value.bit_length() * 0.30103) + 1} digits"
    if isinstance(value, (str, bytes)):
        value = value[: limit + 1]
    elif isinstance(value, (list, tuple)) and len(value) > limit:
        value = value[:limit]
    try:
        text = repr(value)
    except (ValueError, RecursionError):
        return f"a {type(value).__name__} that is too long or too deep to show"
    return text if len(text) <= limit else text[: limit - 3] + "..."


def did_you_mean(value: object, known: Iterable[str]) -> str:
    """The sentence that proposes names like the one that was given; empty when none is alike.

    Parameters
    ----------
    value
        What was given.
    known
        All names.

    Returns
    -------
    str
        "Did you mean cabin-ct?", or nothing.

    Examples
    --------
    >>> did_you_mean("cabin-cat", ["cabin-ct", "hold-ct"])
    'Did you mean cabin-ct?'
    """
    text, names = str(value)[:SHOWN_CHARACTERS], list(known)
    near = difflib.get_close_matches(text, names, n=3, cutoff=0.5)
    near = near or [name for name in names if len(text) > 1 and name.startswith(text)][:3]
    return f"Did you mean {' or '.join(near)}?" if near else ""


def name_list(names: Iterable[str]) -> str:
    """Names in a row, the first forty at most.

    Parameters
    ----------
    names
        Any number of names.

    Returns
    -------
    str
        Comma-separated.

    Examples
    --------
    >>> name_list(["lead", "tin"])
    'lead, tin'
    """
    texts = [name if len(name) <= SHOWN_CHARACTERS else shown(name) for name in names]
    more = f" and {len(texts) - SHOWN_NAMES} more" if len(texts) > SHOWN_NAMES else ""
    return ", ".join(texts[:SHOWN_NAMES]) + more


def printable(text: str) -> str:
    """A text with every character that a terminal would act on, or cannot show, as an escape.

    Parameters
    ----------
    text
        Any text.

    Returns
    -------
    str
        The same where it can be printed.

    Examples
    --------
    >>> print(printable("a\\tb"))
    a\\tb
    """
    return text if text.isprintable() else "".join(c if c.isprintable() else repr(c)[1:-1] for c in text)


def shown_path(path: object) -> str:
    """A path as messages show it: quoted where it cannot be printed, a very long one without its middle.

    Parameters
    ----------
    path
        A path, or what was given for one.

    Returns
    -------
    str
        In one line.

    Examples
    --------
    >>> shown_path("rolls.toml")
    'rolls.toml'
    """
    text = str(path)
    if len(text) > SHOWN_PATH_CHARACTERS:
        half = SHOWN_PATH_CHARACTERS // 2
        text = f"{text[:half]} ... {text[-half:]}"
    return text if text.isprintable() else f"'{printable(text)}'"


class FilmdoseError(Exception):
    """Base class of every error that filmdose raises on purpose; it can be sent from one process to another."""

    def __reduce__(self) -> tuple[Any, ...]:
        plain = (str, int, float, bool, type(None))
        state = {
            name: value
            if isinstance(value, plain) or (isinstance(value, tuple) and all(isinstance(v, plain) for v in value))
            else shown(value)
            for name, value in self.__dict__.items()
        }
        return _rebuilt, (type(self), self.args, state)


def _rebuilt(kind: type[FilmdoseError], texts: tuple[Any, ...], state: dict[str, Any]) -> FilmdoseError:
    # of several built-in bases the one whose objects hold most makes them
    error = OSError.__new__(kind, *texts) if issubclass(kind, OSError) else kind.__new__(kind, *texts)
    error.args = texts
    error.__dict__.update(state)
    return error


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
        text = f"{argument}: got {shown(value)}; allowed is {allowed}."
        super().__init__(f"{text} {action}".rstrip())


class UnknownNameError(FilmdoseError, KeyError):
    """A name is not in a registry; the text lists near matches and all names.

    Parameters
    ----------
    argument
        Name of the argument.
    value
        What was given.
    known
        Names of the registry.
    action
        What to do.
    """

    def __init__(self, argument: str, value: object, known: Iterable[str], action: str = "") -> None:
        self.argument = argument
        self.value = value
        self.known = tuple(known)
        hint = did_you_mean(value, self.known)
        text = f"{argument}: got {shown(value)}; allowed is one of {name_list(self.known)}."
        self.text = " ".join(part for part in (text, hint, action) if part)
        super().__init__(self.text)

    def __str__(self) -> str:
        # KeyError prints the repr of its argument; a sentence must not be quoted.
        return self.text


class InputFileError(FilmdoseError, ValueError):
    """A file cannot be read as what it should be.

    ``place`` says where in the file: "line 7, column 2", "roll 'A1', field 'speed'".

    Parameters
    ----------
    path
        The file.
    place
        Where in it: "line 7, column 2", "roll 'A1', field 'speed'"; empty for the whole file.
    problem
        What is wrong.
    action
        What to do.
    """

    def __init__(self, path: object, place: str, problem: str, action: str = "") -> None:
        self.path = str(path)
        self.place = place
        self.problem = problem
        where = f"{shown_path(path)}, {place}" if place else shown_path(path)
        super().__init__(printable(f"{where}: {problem} {action}".rstrip()))


class MissingFileError(InputFileError, FileNotFoundError):
    """A file that is to be read is not there.

    Parameters
    ----------
    path
        The file.
    reason
        What the system said.
    """

    def __init__(self, path: object, reason: str = "No such file or directory") -> None:
        InputFileError.__init__(self, path, "", f"cannot be read ({reason}).", "Check the path.")

    def __str__(self) -> str:
        # OSError prints a number of its own; the sentence is enough.
        return str(self.args[0])


class OutputFileError(FilmdoseError, OSError):
    """A file cannot be written; whatever stood there before is untouched.

    Parameters
    ----------
    path
        The place.
    problem
        What is wrong.
    """

    def __init__(self, path: object, problem: str) -> None:
        self.path = str(path)
        reason = printable(problem)
        super().__init__(
            f"{shown_path(path)}: cannot be written ({reason}). Nothing was changed; choose another place."
        )


class MissingExtraError(FilmdoseError, ImportError):
    """An optional package is needed; the text names the extra that brings it.

    Parameters
    ----------
    package
        What is missing.
    purpose
        What it is needed for.
    extra
        Extra of this package that brings it.
    """

    def __init__(self, package: str, extra: str, purpose: str) -> None:
        super().__init__(f'{purpose} needs the package {package}. Install it with: pip install "filmdose[{extra}]"')


class ValidityWarning(UserWarning):
    """A model is used outside the range for which it was made or checked."""


class StoreWarning(UserWarning):
    """A stored block of a sweep is damaged or something else; it was computed again.

    Parameters
    ----------
    path
        The block.
    problem
        What is wrong with it.
    """

    def __init__(self, path: object, problem: str = "") -> None:
        super().__init__(
            printable(f"{shown_path(path)}: cannot be used ({problem}); its block is computed again.")
            if problem
            else str(path)
        )


# -- all faults of a file at once ------------------------------------------------------------------------------------

_FAULTS: ContextVar[list[FilmdoseError] | None] = ContextVar("_FAULTS", default=None)


@contextmanager
def all_faults() -> Iterator[list[FilmdoseError]]:
    """Collect what readers of files refuse, where they can go on; elsewhere they raise as ever.

    Yields
    ------
    list of FilmdoseError
        Filled while the context lasts.

    Examples
    --------
    >>> with all_faults() as faults:
    ...     go_on_or_raise(ArgumentError("speed", -1, "a number above 0"))
    >>> len(faults)
    1
    """
    found: list[FilmdoseError] = []
    token = _FAULTS.set(found)
    try:
        yield found
    finally:
        _FAULTS.reset(token)


def go_on_or_raise(error: FilmdoseError) -> None:
    """Raise a fault after which a reader could go on; when all faults are collected, note it instead.

    Parameters
    ----------
    error
        The fault.

    Raises
    ------
    FilmdoseError
        The fault, unless all are collected.

    Examples
    --------
    >>> with all_faults() as faults:
    ...     go_on_or_raise(ArgumentError("speed", -1, "a number above 0"))
    >>> str(faults[0])
    'speed: got -1; allowed is a number above 0.'
    """
    found = _FAULTS.get()
    if found is None:
        raise error
    found.append(error)


@contextmanager
def each_part() -> Iterator[None]:
    """Around one part of a file, after which the others can be read: its fault is raised, or noted with all others.

    Yields
    ------
    None

    Examples
    --------
    >>> with all_faults() as faults:
    ...     with each_part():
    ...         raise ArgumentError("speed", -1, "a number above 0")
    >>> len(faults)
    1
    """
    try:
        yield
    except FilmdoseError as error:
        go_on_or_raise(error)


def stop_at_faults() -> None:
    """End reading where what follows rests on what was refused: raises the last fault that was noted, if any.

    Raises
    ------
    FilmdoseError
        The last fault that was noted.
    """
    found = _FAULTS.get()
    if found:
        raise found.pop()
