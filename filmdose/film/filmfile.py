"""A film on file: small TOML that a person can read, and that gives back the same film to the last bit."""

from __future__ import annotations

from pathlib import Path

from filmdose.arguments import hold_to_annotations
from filmdose.errors import InputFileError, OutputFileError, name_list, shown
from filmdose.files import check_place, parse_toml, read_text, write_text_atomic
from filmdose.film.emulsion import NUMBER_RANGES, Emulsion
from filmdose.film.generic import film_value, record_value
from filmdose.film.model import Film
from filmdose.standards import KINDS, RECORD_NAMES
from filmdose.tomlfile import Field, Row, Table, read_rows

__all__ = ["FILM_FILE", "FORMAT", "film_text", "parse_film", "read_film", "write_film"]

#: Value of ``format`` at the top of a film file; the number changes when old readers would misread it.
FORMAT = "filmdose film 1"

#: Numbers of a record, in the order in which they are written; what is not required came later.
_NUMBERS = tuple(
    Field(name=name, type="number", required=not default, default=default, help=said, **NUMBER_RANGES[name])
    for name, default, said in (
        ("base_density", "", "density of the support"),
        ("native_fog", "", "probability that a grain develops with no exposure"),
        ("quanta", "", "light quanta that make a grain developable"),
        ("hit_exponent", "", "hits grow with sensitivity to this power"),
        ("hits_per_ugy", "", "mean hits per microgray at reference_log_sensitivity"),
        ("reference_log_sensitivity", "2.699", "log10 1/(lx s)"),
        ("rms_granularity", "", "1000 times the rms density through a 48 um aperture at net density 1.0"),
        ("area_exponent", "that of the kind", "grain area grows with sensitivity to this power"),
        ("dye_saturation", "that of the kind", "how far the noise of a class falls when all of it develops"),
        ("noise_floor", "0", "noise without developed grains, in units of a grain at reference_log_sensitivity"),
        ("cluster_grains", "5", "grains that one quantum of radiation develops together"),
    )
)
_CLASSES = (
    Field(
        name="log_sensitivity", type="numbers", low=-20, high=20, required=True, help="of each class, log10 1/(lx s)"
    ),
    Field(
        name="weights",
        type="numbers",
        low=0,
        high=100,
        unit="density",
        required=True,
        help="density when all grains of the class develop",
    ),
)

#: Everything that a film file may hold.
FILM_FILE = (
    Table(
        name="",
        fields=(
            Field(name="format", required=True, choices=(FORMAT,), help="What the file is."),
            Field(name="kind", required=True, choices=tuple(KINDS), help="What film it is."),
            Field(name="speed", type="number", required=True, unit="ISO", help="Speed on the box."),
            Field(name="name", help="What you call it."),
            Field(name="origin", help="Where its numbers come from."),
            Field(
                name="measured_range",
                type="numbers",
                help="First and last exposure that was read, log10 lx s.",
                allowed="a list of two log exposures",
            ),
            Field(name="written_by", help="Which program wrote it."),
        ),
    ),
    Table(name="record", shape="named", help="Grains of a record.", fields=(*_NUMBERS, *_CLASSES)),
)


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

    Examples
    --------
    >>> import tempfile
    >>> from filmdose.film.generic import generic_film
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_film(generic_film(100, kind="colour-reversal"), Path(folder) / "film.toml")
    ...     print(read_film(path).kind)
    colour-reversal
    """
    return parse_film(read_text(path), path)


def parse_film(text: str, path: str | Path = "film") -> Film:
    """Film from the text of a film file; ``path`` is for messages.  See :func:`read_film`.

    Parameters
    ----------
    text
        TOML, as :func:`film_text` makes it.
    path
        Name for messages.

    Returns
    -------
    Film

    Raises
    ------
    InputFileError
        As of :func:`read_film`.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> film = generic_film(400)
    >>> parse_film(film_text(film)) == film
    True
    """
    data = parse_toml(text, path)
    if data.get("format") != FORMAT:
        problem = f"got {shown(data.get('format'))}; a film file has format = {FORMAT!r}."
        action = "Make one with: filmdose fit STEPS.csv --output FILM.toml"
        raise InputFileError(path, "field 'format'", problem, action)
    rows = read_rows(FILM_FILE, data, path)
    (top,) = rows[""]
    kind, names = top["kind"], RECORD_NAMES[top["kind"]]
    records = {row.name: row for row in rows["record"]}
    for name, row in records.items():
        if name not in names:
            row.refuse("", f"is not known; a {kind} film has {name_list(f'[record.{name}]' for name in names)}.")
    for name in names:
        if name not in records:
            raise InputFileError(path, f"table [record.{name}]", "is missing.")
    emulsions = tuple(_emulsion(records[name], kind) for name in names)
    if len(top.values.get("measured_range", (0, 1))) != 2:
        top.refuse("measured_range", f"got {shown(top['measured_range'])}; allowed is a list of two log exposures.")
    return top.build(Film, records=emulsions, **top.arguments("format", "written_by"))


def write_film(film: Film, path: str | Path) -> Path:
    """Write a film file; :func:`read_film` gives back an equal film.

    Parameters
    ----------
    film
        What to write.
    path
        Where to; an existing file is replaced in one step.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    OutputFileError
        The place cannot be written to, or holds something else than a film.

    Examples
    --------
    >>> import tempfile
    >>> from filmdose.film.generic import generic_film
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     path = write_film(generic_film(400), Path(folder) / "film.toml")
    ...     print(read_film(path) == generic_film(400))
    True
    """
    target = check_place(path)
    if target.is_file():
        with target.open("rb") as stream:
            start = stream.read(1000)
        if start and b"filmdose film" not in start:
            raise OutputFileError(path, "it is there already, and is not a film file")
    return write_text_atomic(path, film_text(film))


def film_text(film: Film) -> str:
    """Text of a film file; numbers have the digits that give them back exactly.

    Parameters
    ----------
    film
        The film.

    Returns
    -------
    str
        TOML.

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> parse_film(film_text(generic_film(400))) == generic_film(400)
    True
    """
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
        lines += [f"{item.name} = {_float(getattr(record, item.name))}  # {item.help}" for item in _NUMBERS]
        lines.append("# each class: log10 sensitivity [log10 1/(lx s)], density when all its grains develop")
        for item in _CLASSES:
            values = getattr(record, item.name).tolist()
            lines += [f"{item.name} = [", *(f"    {_float(value)}," for value in values), "]"]
    return "\n".join(lines) + "\n"


def _emulsion(row: Row, kind: str) -> Emulsion:
    """A record; noise that was not measured is that of the kind."""
    left_out = {
        "area_exponent": record_value(kind, row.name, "area_exponent"),
        "dye_saturation": record_value(kind, row.name, "dye_saturation"),
        "cluster_grains": film_value("granularity", "cluster_grains"),
    }
    return row.build(Emulsion, positive=kind.endswith("reversal"), **(left_out | row.arguments()))


def _float(value: float) -> str:
    return repr(float(value))


def _quoted(text: str) -> str:
    """TOML basic string."""
    escaped = text.replace("\\", "\\\\").replace('"', '\\"')
    return '"' + "".join(c if c.isprintable() else f"\\U{ord(c):08x}" for c in escaped) + '"'


hold_to_annotations(globals())
