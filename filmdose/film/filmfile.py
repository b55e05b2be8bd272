"""A film on file: small TOML that a person can read, and that gives back the same film to the last bit."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from filmdose.errors import FilmdoseError, InputFileError
from filmdose.files import write_text_atomic
from filmdose.film.emulsion import REFERENCE_LOG_SENSITIVITY, Emulsion
from filmdose.film.generic import film_value, record_value
from filmdose.film.model import KINDS, RECORD_NAMES, Film

__all__ = ["FORMAT", "film_text", "parse_film", "read_film", "write_film"]

#: Value of ``format`` at the top of a film file; the number changes when old readers would misread it.
FORMAT = "filmdose film 1"

_FILM_FIELDS = {"format", "kind", "speed", "name", "origin", "written_by", "measured_range"}
_NUMBERS = (
    "base_density",
    "native_fog",
    "quanta",
    "hit_exponent",
    "hits_per_ugy",
    "reference_log_sensitivity",
    "rms_granularity",
    "area_exponent",
    "dye_saturation",
    "noise_floor",
    "cluster_grains",
)
_ARRAYS = ("log_sensitivity", "weights")
_UNITS = {
    "base_density": "density of the support",
    "native_fog": "probability that a grain develops with no exposure",
    "quanta": "light quanta that make a grain developable",
    "hit_exponent": "hits grow with sensitivity to this power",
    "hits_per_ugy": "mean hits per microgray at reference_log_sensitivity",
    "reference_log_sensitivity": "log10 1/(lx s)",
    "rms_granularity": "1000 times the rms density through a 48 um aperture at net density 1.0",
    "area_exponent": "grain area grows with sensitivity to this power",
    "dye_saturation": "how far the noise of a class falls when all of it develops",
    "noise_floor": "noise without developed grains, in units of a grain at reference_log_sensitivity",
    "cluster_grains": "grains that one quantum of radiation develops together",
}


def read_film(path: str | Path) -> Film:
    """Read a film from a TOML film file.

    Parameters
    ----------
    path
        The file, as :func:`write_film` makes it.

    Returns
    -------
    The film, equal to the one that was written.

    Raises
    ------
    InputFileError
        Not TOML, a field that is missing, unknown or of the wrong type, a value out of range;
        with file, record and field.
    """
    try:
        content = Path(path).read_text(encoding="utf-8")
    except UnicodeDecodeError as error:
        raise InputFileError(path, "", "this is not a text file.", "Give a film file in TOML.") from error
    except OSError as error:
        raise InputFileError(path, "", f"it cannot be read ({error.strerror}).", "Check the name.") from error
    return parse_film(content, path)


def parse_film(text: str, path: str | Path = "film") -> Film:
    """Film from the text of a film file; ``path`` is for messages.  See :func:`read_film`.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> film = generic_film(400)
    >>> parse_film(film_text(film)) == film
    True
    """
    try:
        content = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise InputFileError(path, "", f"this is not TOML: {error}.") from error
    if content.get("format") != FORMAT:
        raise InputFileError(
            path,
            "field 'format'",
            f"got {content.get('format')!r}; a film file has format = {FORMAT!r}.",
            "Make one with: filmdose fit STEPS.csv --output FILM.toml",
        )
    kind = _text(content, "kind", path, "", required=True)
    if kind not in KINDS:
        raise InputFileError(path, "field 'kind'", f"got {kind!r}; allowed is one of {', '.join(KINDS)}.")
    names = RECORD_NAMES[kind]
    records = content.get("record")
    if not isinstance(records, dict):
        raise InputFileError(path, "table 'record'", f"it is missing; a {kind} film has {_tables(names)}.")
    _refuse_unknown(content, _FILM_FIELDS | {"record"}, path, "")
    _refuse_unknown(records, set(names), path, "table 'record'")
    for name in names:
        if not isinstance(records.get(name), dict):
            raise InputFileError(path, f"record {name!r}", f"it is missing; a {kind} film has {_tables(names)}.")
    emulsions = tuple(_emulsion(records[name], kind, name, path) for name in names)
    speed = _number(content, "speed", path, "")
    try:
        return Film(
            kind=kind,
            speed=speed,
            records=emulsions,
            name=_text(content, "name", path, ""),
            origin=_text(content, "origin", path, ""),
            measured_range=_range(content, path),
        )
    except FilmdoseError as error:
        raise InputFileError(path, "", str(error)) from error


def write_film(film: Film, path: str | Path) -> Path:
    """Write a film file; :func:`read_film` gives back an equal film.

    Parameters
    ----------
    film
        What to write.
    path
        Where to; an existing file is replaced in one step.

    Raises
    ------
    OutputFileError
        The place cannot be written to.
    """
    return write_text_atomic(path, film_text(film))


def film_text(film: Film) -> str:
    """Text of a film file; numbers have the digits that give them back exactly."""
    from filmdose.version import __version__  # here, since the package itself reads film files

    lines = [
        "# A film for filmdose: the grain classes of each record.",
        f"format = {_quoted(FORMAT)}",
        f"kind = {_quoted(film.kind)}",
        f"speed = {_float(film.speed)}  # ISO",
        f"name = {_quoted(film.name)}",
        f"origin = {_quoted(film.origin)}",
        f"written_by = {_quoted('filmdose ' + __version__)}",
    ]
    if film.measured_range is not None:
        first, last = (_float(value) for value in film.measured_range)
        lines.append(f"measured_range = [{first}, {last}]  # log10 lx s: first and last exposure that was read")
    for name, record in film:
        lines += ["", f"[record.{name}]"]
        lines += [f"{key} = {_float(getattr(record, key))}  # {_UNITS[key]}" for key in _NUMBERS]
        lines.append("# each class: log10 sensitivity [log10 1/(lx s)], density when all its grains develop")
        for key in _ARRAYS:
            lines += [f"{key} = [", *(f"    {_float(value)}," for value in getattr(record, key).tolist()), "]"]
    return "\n".join(lines) + "\n"


def _defaults(kind: str, record: str) -> dict[str, float]:
    """What a file may leave out: noise that was not measured is that of the kind."""
    return {
        "reference_log_sensitivity": REFERENCE_LOG_SENSITIVITY,
        "area_exponent": record_value(kind, record, "area_exponent"),
        "dye_saturation": record_value(kind, record, "dye_saturation"),
        "noise_floor": 0.0,
        "cluster_grains": film_value("granularity", "cluster_grains"),
    }


def _emulsion(table: dict[str, Any], kind: str, record: str, path: str | Path) -> Emulsion:
    place = f"record {record!r}"
    _refuse_unknown(table, {*_NUMBERS, *_ARRAYS}, path, place)
    optional = _defaults(kind, record)
    values: dict[str, Any] = {key: _number(table, key, path, place, optional.get(key)) for key in _NUMBERS}
    for key in _ARRAYS:
        found = table.get(key)
        if not isinstance(found, list) or not all(_is_number(value) for value in found):
            problem = "it is missing." if found is None else "a list of numbers is wanted."
            raise InputFileError(path, f"{place}, field {key!r}", problem)
        values[key] = [float(value) for value in found]
    try:
        return Emulsion(**values, positive=kind.endswith("reversal"))
    except FilmdoseError as error:
        raise InputFileError(path, place, str(error)) from error


def _number(table: dict[str, Any], key: str, path: str | Path, place: str, default: float | None = None) -> float:
    value: Any = table.get(key, default)
    if not _is_number(value):
        problem = "it is missing." if value is None else f"got {value!r}; a number is wanted."
        raise InputFileError(path, _place(place, key), problem)
    return float(value)


def _range(table: dict[str, Any], path: str | Path) -> tuple[float, float] | None:
    value = table.get("measured_range")
    if value is None:
        return None
    if not isinstance(value, list) or len(value) != 2 or not all(_is_number(item) for item in value):
        raise InputFileError(path, "field 'measured_range'", f"got {value!r}; two log exposures are wanted.")
    return float(value[0]), float(value[1])


def _text(table: dict[str, Any], key: str, path: str | Path, place: str, *, required: bool = False) -> str:
    value = table.get(key, None if required else "")
    if not isinstance(value, str):
        problem = "it is missing." if value is None else f"got {value!r}; text in quotes is wanted."
        raise InputFileError(path, _place(place, key), problem)
    return value


def _refuse_unknown(table: dict[str, Any], known: set[str], path: str | Path, place: str) -> None:
    for key in table:
        if key not in known:
            raise InputFileError(
                path, _place(place, key), f"it is not known; allowed is one of {', '.join(sorted(known))}."
            )


def _place(place: str, key: str) -> str:
    return f"{place}, field {key!r}" if place else f"field {key!r}"


def _is_number(value: object) -> bool:
    return isinstance(value, (int, float)) and not isinstance(value, bool)


def _tables(names: tuple[str, ...]) -> str:
    return ", ".join(f"[record.{name}]" for name in names)


def _float(value: float) -> str:
    return repr(float(value))


def _quoted(text: str) -> str:
    """TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'
