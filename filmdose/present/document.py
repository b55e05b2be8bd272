"""A document: what an answer says, as blocks of words, figures and tables, before any format.

One document becomes text, CSV, JSON, Markdown, HTML, LaTeX, a spreadsheet or PDF pages
(:mod:`filmdose.present.writers`), so that no format says more, less or anything else than another.
"""

from __future__ import annotations

import datetime
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError
from filmdose.result import Result
from filmdose.version import __version__

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

__all__ = [
    "SCHEMA_VERSION",
    "Block",
    "Document",
    "Facts",
    "Heading",
    "Paragraph",
    "Picture",
    "Plot",
    "Table",
    "ceiling",
]

#: Version of the names in the JSON of all documents; it grows when a name goes or changes its meaning.
SCHEMA_VERSION = 1


@dataclass(frozen=True)
class Heading(Result):
    """A heading.

    Parameters
    ----------
    words
        What it says.
    """

    words: str


@dataclass(frozen=True)
class Paragraph(Result):
    """A paragraph; small print when ``small``.

    Parameters
    ----------
    words
        What it says.
    small
        Small print.
    bold
        In bold.
    """

    words: str
    small: bool = False
    bold: bool = False


@dataclass(frozen=True)
class Table(Result):
    """A table of texts; columns that ``numeric`` counts are set to the right; the title above, the caption below.

    Parameters
    ----------
    header
        Titles of the columns.
    rows
        Texts, one a column.
    numeric
        Places of the columns that are set to the right.
    title
        Above it.
    caption
        Below it.
    """

    header: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    numeric: frozenset[int] = frozenset()
    title: str = ""
    caption: str = ""

    @classmethod
    def of(
        cls,
        columns: Mapping[str, Any] | pd.DataFrame,
        *,
        numeric: Iterable[str] = (),
        title: str = "",
        caption: str = "",
    ) -> Table:
        """A table from columns by name; what is missing is empty.

        Examples
        --------
        >>> Table.of({"roll": ["a"], "ISO": [400]}, numeric=["ISO"])
        Table(header=('roll', 'ISO'), rows=(('a', '400'),), numeric=(1,))
        """
        for name in columns:
            if not isinstance(columns[name], Iterable):  # type: ignore[index]
                raise ArgumentError("columns", columns[name], "a sequence of cells for each name")  # type: ignore[index]
        texts = {str(name): map(_cell, columns[name]) for name in columns}  # type: ignore[index]
        right = set(numeric)
        return cls(
            header=tuple(texts),
            rows=tuple(zip(*texts.values(), strict=True)),
            numeric=frozenset(place for place, name in enumerate(texts) if name in right),
            title=title,
            caption=caption,
        )

    def to_dataframe(self) -> pd.DataFrame:
        """The texts of the table."""
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=list(self.header))


@dataclass(frozen=True)
class Facts(Result):
    """Pairs of a name and its value with the unit.

    Parameters
    ----------
    rows
        Pairs.
    title
        Above them.
    """

    rows: tuple[tuple[str, str], ...]
    title: str = ""

    def to_dataframe(self) -> pd.DataFrame:
        """Names and values."""
        import pandas as pd

        return pd.DataFrame(list(self.rows), columns=["name", "value"])


@dataclass(frozen=True)
class Plot(Result):
    """A plot: a function that draws on the Axes it is given, what it shows in words, and the room for its y labels.

    Parameters
    ----------
    draw
        Draws on the Axes that it is given.
    words
        What it shows.
    height_mm
        Of the plot on a page [mm].
    labels_mm
        Room for the labels at its left [mm].
    """

    draw: Callable[[Axes], object]
    words: str
    height_mm: float = 85.0
    labels_mm: float = 14.0


@dataclass(frozen=True)
class Picture(Result):
    """A photograph or scan, and what it shows in words; made by :func:`filmdose.present.photos.read_picture`.

    Parameters
    ----------
    jpeg
        The picture.
    words
        What it shows.
    width, height
        [pixels].
    """

    jpeg: bytes = field(repr=False)
    words: str
    width: int
    height: int


Block = Heading | Paragraph | Table | Facts | Plot | Picture


@dataclass(frozen=True, kw_only=True)
class Document(Result):
    """What is said, and the same as data.

    Parameters
    ----------
    kind
        Name of the JSON schema, "roll" for "filmdose/roll".
    title
        What it is, or the answer itself, in one line.
    blocks
        The content, in the order in which it is read.
    data
        The answer for programs: names and plain values.
    rows
        The answer as a tidy table, one row a thing, each with the same names and every name with values of one type;
        or a DataFrame. What CSV and spreadsheets hold. None where there is none.
    foot
        What stands at the foot of every page.
    date
        Date in the metadata of pages; None where nothing depends on a day.
    font
        Font family of printed pages; empty takes the one that comes with Matplotlib.
    language
        Language of the words, as pages on the web name it.
    """

    kind: str
    title: str
    blocks: tuple[Block, ...]
    data: Mapping[str, Any] = field(default_factory=dict, repr=False)
    rows: Sequence[Mapping[str, Any]] | pd.DataFrame | None = field(default=None, repr=False)
    foot: str = f"filmdose {__version__}"
    date: datetime.date | None = None
    font: str = ""
    language: str = "en"

    @cached_property
    def frame(self) -> pd.DataFrame | None:
        """``rows`` as a DataFrame."""
        import pandas as pd

        rows = self.rows
        return rows if rows is None or isinstance(rows, pd.DataFrame) else pd.DataFrame(list(rows))

    @property
    def schema(self) -> dict[str, Any]:
        """The data with the name and the version of its schema in front."""
        return {"schema": f"filmdose/{self.kind}", "schema_version": SCHEMA_VERSION, **self.data}

    @property
    def about(self) -> tuple[str, ...]:
        """Everything that is said in sentences: what goes with a bare table."""
        found = [self.title]
        for block in self.blocks:
            if isinstance(block, (Heading, Paragraph)):
                found.append(block.words)
            elif isinstance(block, Table):
                found += [words for words in (block.title, block.caption) if words]
            elif isinstance(block, Picture):
                found.append(block.words)
            elif isinstance(block, Facts):
                found += [f"{name}: {value}" for name, value in block.rows]
        return tuple(found)

    def to_dataframe(self) -> pd.DataFrame:
        """The answer as a tidy table; empty where there is none."""
        import pandas as pd

        return pd.DataFrame() if self.frame is None else self.frame.copy()


def _cell(value: object) -> str:
    """A cell as text; NaN, the only value that differs from itself, and None are empty."""
    return "" if value is None or value != value else str(value)


def ceiling(wanted: Sequence[float], total: float) -> float:
    """Width at which the widest columns of a table are cut so that all together have ``total``.

    Parameters
    ----------
    wanted
        Widths that the columns want.
    total
        Width of all.

    Returns
    -------
    float
        In the unit of ``total``.

    Examples
    --------
    >>> round(ceiling([10.0, 30.0, 50.0], 60.0), 6)
    25.0
    """
    low, high = 0.0, max(map(float, wanted), default=0.0)
    for _ in range(60):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if sum(min(width, middle) for width in wanted) > total else (middle, high)
    return low


hold_to_annotations(globals())
