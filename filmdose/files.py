"""Reading shipped data and writing results without ever leaving half a file."""

from __future__ import annotations

import csv
import os
import tempfile
import tomllib
from functools import cache
from importlib import resources
from pathlib import Path
from typing import Any

from filmdose.errors import OutputFileError

__all__ = ["data_text", "load_data_csv", "load_data_toml", "write_bytes_atomic", "write_text_atomic"]


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


def write_bytes_atomic(path: str | Path, content: bytes) -> Path:
    """Write a result so that a reader sees the old file or the new one, never half.

    A regular file, or a new name, is written beside and then replaced; a symbolic link is followed first, so that the
    file it points to is replaced and the link stays.  Anything else that has a name, such as a device or a named
    pipe, is never replaced: it is written into.

    Raises
    ------
    OutputFileError
        The folder does not exist, or may not be written to.
    """
    target = Path(path)
    temporary: str | None = None
    try:
        if target.is_dir():
            raise IsADirectoryError(21, "it is a folder")
        target = Path(os.path.realpath(target))
        if target.exists() and not target.is_file():
            with target.open("wb") as stream:
                stream.write(content)
            return target
        handle, temporary = tempfile.mkstemp(prefix=f".{target.name}.", suffix=".part", dir=target.parent)
        with os.fdopen(handle, "wb") as stream:
            stream.write(content)
            stream.flush()
            os.fsync(stream.fileno())
        mode = target.stat().st_mode & 0o777 if target.exists() else 0o666 & ~_umask()
        os.chmod(temporary, mode)
        os.replace(temporary, target)
    except OSError as error:
        raise OutputFileError(path, error.strerror or str(error)) from error
    finally:
        if temporary is not None and os.path.exists(temporary):
            os.unlink(temporary)
    return target


def write_text_atomic(path: str | Path, content: str) -> Path:
    """Write UTF-8 text beside the target, then replace it; see :func:`write_bytes_atomic`."""
    return write_bytes_atomic(path, content.encode("utf-8"))


def _umask() -> int:
    current = os.umask(0)
    os.umask(current)
    return current
