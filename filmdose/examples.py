"""The invented example trips, and the notebooks, from an installed package as from a clone."""

from __future__ import annotations

from pathlib import Path

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError, OutputFileError, UnknownNameError
from filmdose.files import write_bytes_atomic
from filmdose.trip import Trip
from filmdose.tripfile import read_trip

__all__ = ["copy_notebooks", "example_trip", "example_trip_path", "example_trips"]

_HERE = Path(__file__).parent
_COPIED = (".ipynb", ".py", ".toml")


def _folder() -> Path:
    """Where the notebooks and the trips beside them are: in the package, or above it in a clone."""
    for folder in (_HERE / "notebooks", _HERE.parent / "notebooks"):
        if (folder / "trip_example.toml").is_file():
            return folder
    raise ArgumentError("examples", None, "a package with its notebooks", "Install filmdose from a wheel or a clone.")


def example_trips() -> tuple[str, ...]:
    """Names of the example trips; nothing in them exists.

    Returns
    -------
    tuple of str

    Examples
    --------
    >>> example_trips()
    ('ahead', 'example', 'measured')
    """
    return tuple(sorted(path.stem.removeprefix("trip_") for path in _folder().glob("trip_*.toml")))


def example_trip_path(name: str) -> Path:
    """The trip file of an example.

    Parameters
    ----------
    name
        One of :func:`example_trips`.

    Returns
    -------
    Path

    Raises
    ------
    UnknownNameError
        Another name.

    Examples
    --------
    >>> example_trip_path("ahead").suffix
    '.toml'
    """
    if name not in example_trips():
        raise UnknownNameError("name", name, example_trips())
    return _folder() / f"trip_{name}.toml"


def example_trip(name: str) -> Trip:
    """An example trip; nothing in it exists.

    Parameters
    ----------
    name
        One of :func:`example_trips`.

    Returns
    -------
    Trip

    Raises
    ------
    UnknownNameError
        Another name.

    Examples
    --------
    >>> example_trip("measured").invented
    True
    """
    return read_trip(example_trip_path(name))


def copy_notebooks(folder: str | Path) -> list[Path]:
    """Copy the notebooks and the example trips that they read into a folder, to run and to change.

    Parameters
    ----------
    folder
        A folder that is made, or is there; a file in it is never replaced.

    Returns
    -------
    list of Path
        The files that were written. Notebooks that compare with the project's reference data, which stays in a
        clone of the project, are left out.

    Raises
    ------
    OutputFileError
        A file is there already, or the folder cannot be written to; then nothing was copied.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(len(copy_notebooks(folder)) > 10)
    True
    """
    target = Path(folder)
    files = [path for path in sorted(_folder().iterdir()) if path.suffix in _COPIED and _stands(path)]
    for path in files:
        if (target / path.name).exists():
            raise OutputFileError(target / path.name, "it is there already")
    written: list[Path] = []
    try:
        target.mkdir(parents=True, exist_ok=True)
        for path in files:
            written.append(write_bytes_atomic(target / path.name, path.read_bytes()))
    except OSError as error:
        for path in written:
            path.unlink(missing_ok=True)
        if isinstance(error, OutputFileError):
            raise
        raise OutputFileError(target, error.strerror or str(error)) from error
    return [target / path.name for path in files]


def _stands(path: Path) -> bool:
    """Whether a notebook needs nothing but the package and what is copied with it."""
    return path.suffix != ".ipynb" or "../reference" not in path.read_text(encoding="utf-8")


hold_to_annotations(globals())
