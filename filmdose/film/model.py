"""A film: its kind, its speed and the grain population of each of its records."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import as_float_tuple, check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.film.emulsion import Emulsion
from filmdose.names import Kind
from filmdose.result import Result
from filmdose.standards import KINDS, RECORD_NAMES
from filmdose.units import format_speed
from filmdose.words import KIND_WORDS

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["Film", "film_words"]


@dataclass(frozen=True, kw_only=True)
class Film(Result):
    """One film in one state of development.

    Parameters
    ----------
    kind
        One of :data:`filmdose.standards.KINDS`.
    speed
        ISO arithmetic speed, the number on the box [> 0].
    records
        One :class:`Emulsion` for each record, in the order of ``RECORD_NAMES[kind]``.
    name
        What the user calls it.
    origin
        Where its numbers come from: "generic: inference, typical values", "measured: steps.csv".
    measured_range
        First and last log10 exposure that was read [log10 lx s]; beyond, the curve is a guess.  None where nothing was
        measured.

    Raises
    ------
    UnknownNameError
        The kind is not known.
    ArgumentError
        Speed out of range, wrong number of records, or a record of the wrong polarity.
    """

    kind: Kind
    speed: float
    records: tuple[Emulsion, ...]
    name: str = ""
    origin: str = ""
    measured_range: tuple[float, float] | None = None

    def __post_init__(self) -> None:
        if self.kind not in KINDS:
            raise UnknownNameError("kind", self.kind, KINDS)
        speed = check_number("speed", self.speed, low=0.0, low_open=True, high=1e6, unit="ISO")
        object.__setattr__(self, "speed", speed)
        object.__setattr__(self, "records", tuple(self.records))
        wanted = len(RECORD_NAMES[self.kind])
        if len(self.records) != wanted:
            raise ArgumentError("records", f"{len(self.records)} records", f"{wanted} for a {self.kind} film")
        if self.measured_range is not None:
            first, last = as_float_tuple("measured_range", self.measured_range)
            if not first < last:
                raise ArgumentError("measured_range", self.measured_range, "a first exposure below the last")
            object.__setattr__(self, "measured_range", (first, last))
        for record in self.records:
            if record.positive != self.reversal:
                raise ArgumentError(
                    "records",
                    f"positive={record.positive}",
                    f"positive={self.reversal} in every record of a {self.kind} film",
                )

    @property
    def reversal(self) -> bool:
        """True for reversal film."""
        return self.kind.endswith("reversal")

    @property
    def record_names(self) -> tuple[str, ...]:
        """Names of the records, by the light that they record."""
        return RECORD_NAMES[self.kind]

    @property
    def standard(self) -> str:
        """Standard that defines its speed."""
        return KINDS[self.kind]

    @property
    def label(self) -> str:
        """Name for people: the given one, or kind and speed."""
        return self.name or f"{self.kind} ISO {self.speed:g}"

    def __iter__(self) -> Iterator[tuple[str, Emulsion]]:
        return iter(zip(self.record_names, self.records, strict=True))

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each record: its name and the numbers of its :class:`Emulsion`."""
        import pandas as pd

        head = {"kind": self.kind, "speed": self.speed, "name": self.name, "origin": self.origin}
        rows = [{**head, "record": name, **record.to_dataframe().iloc[0].to_dict()} for name, record in self]
        return pd.DataFrame(rows)

    @property
    def _brief(self) -> str:
        return repr(self.label)


def film_words(film: Film) -> str:
    """What a film is: its own name, or its kind in words, and its speed.

    Parameters
    ----------
    film
        The film.

    Returns
    -------
    str
        Such as "black-and-white negative film, ISO 400".

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> film_words(generic_film(400))
    'black-and-white negative, ISO 400'
    """
    return f"{film.name or KIND_WORDS[film.kind]}, ISO {format_speed(film.speed)}"


hold_to_annotations(globals())
