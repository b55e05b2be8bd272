"""Finished blocks of a long computation in a folder, so that one which was interrupted is gone on with.

A block is named by a digest of all that goes into it: the inputs to the last bit, and what computes them (the code and
the data of this package, its version, those of NumPy, SciPy and xraydb).  So blocks of other inputs, cuts or versions
lie side by side and are never taken for each other.  A file holds arrays of numbers and texts, nothing that could be
executed (NumPy's npz without pickles), and is read only when names, types, shapes and check sums are what they must be.
"""

from __future__ import annotations

import hashlib
import io
import os
import stat
import struct
import sys
import warnings
import zipfile
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import fields
from functools import cache
from importlib import metadata, resources
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from filmdose.errors import ArgumentError, OutputFileError, StoreWarning
from filmdose.files import check_place, write_bytes_atomic
from filmdose.result import Result
from filmdose.version import __version__

__all__ = ["block_key", "check_store", "stored_block"]

#: Grows when the content of a file changes its meaning.
FORMAT = 1

#: What a member's header and the archive's own tables take at most [bytes a member].
_OVERHEAD = 1024


def check_store(folder: str | Path) -> Path:
    """The folder of a store, made where it is not there yet; the folder that holds it must be there.

    Raises
    ------
    OutputFileError
        It is a file, or cannot be made.
    """
    try:
        place = Path(os.path.abspath(folder))
        place.mkdir(exist_ok=True)
    except (OSError, ValueError) as error:  # ValueError: a null byte in the name
        raise OutputFileError(folder, getattr(error, "strerror", None) or str(error)) from error
    return place


def block_key(*content: Any) -> str:
    """Digest of inputs and of all that computes from them.

    Parameters
    ----------
    content
        Numbers, texts, arrays, sequences and mappings of them, and objects of this package that hold such.

    Raises
    ------
    ArgumentError
        Another object, such as a function: what it does cannot be told.
    """
    found = hashlib.sha256()
    for piece in _pieces((_made_with(), content)):
        found.update(piece)
    return found.hexdigest()


def stored_block(
    folder: Path, key: str, wanted: Mapping[str, tuple[Any, Sequence[int]]], compute: Callable[[], dict[str, Any]]
) -> dict[str, Any]:
    """A block from the store; where it is not there, computed and kept.

    Several processes may share a store: a block is written beside and then replaced, and all write the same.

    Parameters
    ----------
    folder
        As of :func:`check_store`.
    key
        As of :func:`block_key`.
    wanted
        Type and shape of every array by its name.
    compute
        Makes the arrays.

    Raises
    ------
    OutputFileError
        The block cannot be kept; told before it is computed where that is known then.

    Warns
    -----
    StoreWarning
        A file of this name is damaged or something else; it is computed again and replaced.
    """
    file = folder / f"{key}.npz"
    types = {name: (np.dtype(dtype), tuple(shape)) for name, (dtype, shape) in wanted.items()}
    try:
        found = _read(file, key, types)
    except OutputFileError:
        raise
    except FileNotFoundError:
        found = None
    except (OSError, ValueError, zipfile.BadZipFile, KeyError, NotImplementedError, EOFError, struct.error) as error:
        warnings.warn(StoreWarning(file, getattr(error, "strerror", None) or str(error)), stacklevel=2)
        found = None
    if found is not None:
        return found
    check_place(file)
    made = {name: np.asarray(array, order="C") for name, array in compute().items()}
    for name, (dtype, shape) in types.items():
        if made[name].dtype != dtype or made[name].shape != shape:
            raise AssertionError(f"{name}: {made[name].dtype} {made[name].shape} in place of {dtype} {shape}")
    stream = io.BytesIO()
    np.savez(stream, allow_pickle=False, key=np.array(key), **made)
    write_bytes_atomic(file, stream.getvalue())
    return made


def _read(file: Path, key: str, types: Mapping[str, tuple[np.dtype[Any], tuple[int, ...]]]) -> dict[str, NDArray[Any]]:
    """The arrays of a file; an error that says why where it is not exactly what is wanted."""
    told = file.stat()
    if not stat.S_ISREG(told.st_mode):  # nor could it be replaced
        raise OutputFileError(file, "it is no regular file")
    sizes = [dtype.itemsize * int(np.prod(shape)) for dtype, shape in types.values()]
    if told.st_size > sum(sizes) + _OVERHEAD * (len(sizes) + 2):
        raise ValueError("it is too large")
    with zipfile.ZipFile(io.BytesIO(file.read_bytes())) as archive:
        if any(member.compress_type != zipfile.ZIP_STORED for member in archive.infolist()):
            raise ValueError("it is compressed")
        kept = _member(archive, "key", (np.array(key).dtype, ()))
        if str(kept) != key:
            raise ValueError("it is the block of other inputs")
        return {name: _member(archive, name, kind) for name, kind in types.items()}


def _member(archive: zipfile.ZipFile, name: str, kind: tuple[np.dtype[Any], tuple[int, ...]]) -> NDArray[Any]:
    dtype, shape = kind
    head = io.BytesIO()
    header: Any = {"descr": np.lib.format.dtype_to_descr(dtype), "fortran_order": False, "shape": shape}
    np.lib.format.write_array_header_1_0(head, header)
    content = archive.read(f"{name}.npy")  # its check sum is compared
    start, length = len(head.getvalue()), dtype.itemsize * int(np.prod(shape))
    if content[:start] != head.getvalue() or len(content) != start + length:
        raise ValueError(f"{name} is not of the type and shape that it must have")
    return np.frombuffer(content, dtype=dtype, offset=start).reshape(shape).copy()


# -- what a block is named by ----------------------------------------------------------------------------------------


@cache
def _made_with() -> tuple[Any, ...]:
    """What computes: versions, order of bytes, and a digest of this package's code and data."""
    digest = hashlib.sha256()
    for name, content in sorted(_own_files(resources.files("filmdose"), "")):
        digest.update(f"{name}\0{len(content)}\0".encode())
        digest.update(content)
    versions = tuple(metadata.version(name) for name in ("numpy", "scipy", "xraydb"))
    return FORMAT, __version__, versions, sys.byteorder, digest.hexdigest()


def _own_files(folder: Traversable, path: str) -> Iterator[tuple[str, bytes]]:
    for item in folder.iterdir():
        name = f"{path}{item.name}"
        if item.is_dir():
            if item.name not in ("__pycache__", "notebooks"):
                yield from _own_files(item, f"{name}/")
        elif item.name.endswith(".py") or path.startswith("data/"):
            yield name, item.read_bytes()


def _pieces(value: Any) -> Iterator[bytes]:
    """Bytes that tell a value from every other: its type, its length, its content."""
    if isinstance(value, np.ndarray) and value.dtype.kind in "fiubU":
        yield f"array {value.dtype.str} {value.shape}:".encode()
        yield np.ascontiguousarray(value).tobytes()
    elif isinstance(value, np.ndarray) and value.dtype.kind == "O":
        yield f"objects {value.shape}:".encode()
        for item in value.ravel():
            yield from _pieces(item)
    elif isinstance(value, (float, np.floating)):
        yield b"float:" + struct.pack("<d", float(value))
    elif value is None or isinstance(value, (bool, int, np.integer, np.bool_)):
        yield f"{type(value).__name__}:{value};".encode()
    elif type(value) in (str, np.str_):
        text = str(value).encode("utf-8", "surrogatepass")
        yield f"text {len(text)}:".encode() + text
    elif isinstance(value, (tuple, list)):
        yield f"{len(value)} values:".encode()
        for item in value:
            yield from _pieces(item)
    elif isinstance(value, Mapping):
        yield from _pieces(list(value.items()))
    elif isinstance(value, Result) and type(value).__module__.startswith("filmdose."):
        yield f"{type(value).__module__}.{type(value).__qualname__}:".encode()
        for field in fields(value):  # type: ignore[arg-type]
            yield field.name.encode() + b"="
            yield from _pieces(getattr(value, field.name))
    else:
        action = "Leave store out."
        raise ArgumentError(
            "store",
            f"{type(value).__name__} {value}",
            "a sweep of numbers, texts and this package's own objects",
            action,
        )
