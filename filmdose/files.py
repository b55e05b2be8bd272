"""Reading files as text, TOML or JSON with one line for whatever is wrong, and writing without ever leaving half."""

from __future__ import annotations

import csv
import glob
import json
import os
import stat
import tempfile
import time
import tomllib
from contextlib import suppress
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from filmdose.errors import InputFileError, MissingFileError, OutputFileError

__all__ = [
    "check_place",
    "data_text",
    "load_data_csv",
    "load_data_toml",
    "parse_json",
    "parse_toml",
    "read_bytes",
    "read_text",
    "write_bytes_atomic",
    "write_text_atomic",
]

#: Larger files are not read; a megabyte of readings is some ten thousand steps.
GREATEST_BYTES = 64_000_000
#: What is written beside and has not changed for so long belongs to a write that was killed [s].
_STALE_S = 3600.0


def data_text(name: str) -> str:
    """Text of a shipped data file, such as "films.toml" or "spectra/tungsten.csv"."""
    return resources.files("filmdose").joinpath("data", *name.split("/")).read_text(encoding="utf-8")


@cache
def load_data_toml(name: str) -> dict[str, Any]:
    """Parsed shipped TOML file; cached, so treat it as read-only."""
    return tomllib.loads(data_text(name))


@cache
def load_data_csv(name: str) -> tuple[dict[str, str], ...]:
    """Rows of a shipped CSV file as dictionaries; lines that begin with # are comments."""
    lines = [line for line in data_text(name).splitlines() if line and not line.startswith("#")]
    return tuple(csv.DictReader(lines))


def read_bytes(path: str | Path) -> bytes:
    """Content of a file, of at most ``GREATEST_BYTES``.

    Raises
    ------
    MissingFileError
        It is not there (an InputFileError and a FileNotFoundError).
    InputFileError
        It is a folder, may not be read, or is too large.
    """
    try:
        with Path(path).open("rb") as stream:
            content = stream.read(GREATEST_BYTES + 1)
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        reason = getattr(error, "strerror", None) or str(error)
        if isinstance(error, FileNotFoundError):
            raise MissingFileError(path, reason) from error
        raise InputFileError(path, "", f"cannot be read ({reason}).", "Check the path.") from error
    if len(content) > GREATEST_BYTES:
        allowed = f"has more than {GREATEST_BYTES // 1_000_000} million bytes."
        raise InputFileError(path, "", allowed, "Give a smaller file.")
    return content


def read_text(path: str | Path) -> str:
    """Text of a UTF-8 file, line ends as they are, without the byte order mark that some editors put in front.

    Raises
    ------
    InputFileError
        The file cannot be read, or is not UTF-8.
    """
    try:
        return read_bytes(path).decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputFileError(path, f"byte {error.start}", "is not UTF-8 text.", "Save it as UTF-8.") from error


def parse_toml(text: str, path: str | Path) -> dict[str, Any]:
    """Content of a TOML text; ``path`` is for messages.

    Raises
    ------
    InputFileError
        Not TOML, nested too deeply, or with a number of thousands of digits.
    """
    try:
        return tomllib.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputFileError(path, "", f"is not valid TOML: {_reason(error)}.") from error


def parse_json(text: str, path: str | Path) -> Any:
    """Content of a JSON text; ``path`` is for messages.

    Raises
    ------
    InputFileError
        Not JSON, nested too deeply, or with a number of thousands of digits.
    """
    try:
        return json.loads(text)
    except (ValueError, RecursionError) as error:
        raise InputFileError(path, "", f"is not valid JSON: {_reason(error)}.") from error


def _reason(error: Exception) -> str:
    """What a parser says, without the piece of the file that it repeats."""
    if isinstance(error, RecursionError):
        return "it is nested too deeply"
    text = str(error)
    if text.startswith("Exceeds the limit"):
        return "it has a number of thousands of digits"
    return text if len(text) <= 160 else f"{text[:120]} ... {text[-30:]}"


def check_place(path: str | Path) -> Path:
    """The file behind the links, where a result may be written; what is refused here is refused before any work.

    Raises
    ------
    OutputFileError
        It is a folder, or its own folder is not there or may not be written to.
    """
    try:
        target = Path(os.path.realpath(path))
        if target.is_dir():
            raise IsADirectoryError(21, "it is a folder")
        folder = target.parent
        if not stat.S_ISDIR(folder.stat().st_mode):
            raise NotADirectoryError(20, "Not a directory")
        if not target.exists() and not os.access(folder, os.W_OK):
            raise PermissionError(13, "Permission denied")
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        raise OutputFileError(path, getattr(error, "strerror", None) or str(error)) from error
    return target


def write_bytes_atomic(path: str | Path, content: bytes) -> Path:
    """Write a result so that a reader sees the old file or the new one, never half.

    A regular file, or a new name, is written beside and then replaced; a symbolic link is followed first, so that the
    file it points to is replaced and the link stays.  Anything else that has a name, such as a device or a named
    pipe, is never replaced: it is written into.  What a killed write of the same file left beside it goes with the
    next write, an hour later or more.

    Raises
    ------
    OutputFileError
        The folder does not exist, or may not be written to.
    """
    target = check_place(path)
    temporary: str | None = None
    try:
        if target.exists() and not target.is_file():
            with target.open("wb") as stream:
                stream.write(content)
            return target
        _clear_killed(target)
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        mode = target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_umask()
        os.chmod(temporary, mode)
        os.replace(temporary, target)
        _settle(target.parent)
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        raise OutputFileError(path, getattr(error, "strerror", None) or str(error)) from error
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
    return target


def write_text_atomic(path: str | Path, content: str) -> Path:
    """Write UTF-8 text beside the target, then replace it; see :func:`write_bytes_atomic`."""
    return write_bytes_atomic(path, content.encode("utf-8"))


def _clear_killed(target: Path) -> None:
    """Remove what writes of this file left beside it when they were killed; those of now are younger and stay."""
    for left in target.parent.glob(f".{glob.escape(target.name)}.????????.part"):
        with suppress(OSError):
            if time.time() - left.stat().st_mtime > _STALE_S:
                left.unlink()


def _settle(folder: Path) -> None:
    """Make a new name in a folder outlast a power cut, where the system can."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current
