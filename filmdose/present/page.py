"""A printed page: text, rules and boxes in millimetres on a Matplotlib figure, and its files.

Matplotlib is the only engine: PDF and SVG are vector, fonts are embedded, and
the bytes depend on nothing but the content and the date that is given.
"""

from __future__ import annotations

import datetime
import functools
import io
import unicodedata
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Any

from filmdose.errors import ArgumentError
from filmdose.plotting.style import house_style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

__all__ = ["A4_MM", "A5_MM", "Page", "check_ending", "page_png", "page_svg", "pages_pdf"]

A5_MM = (148.0, 210.0)
A4_MM = (210.0, 297.0)
POINTS_PER_MM = 72.0 / 25.4
_LINE_SPACING = 1.28
_HINTING_MM = 0.8  # letters drawn on a grid of dots may come out a little wider than their outlines


@dataclass(kw_only=True)
class Page:
    """One page; y runs down from the top edge, in millimetres, as a writer thinks of it.

    Parameters
    ----------
    size_mm
        Width and height [mm].
    margin_mm
        Left and right margin [mm].
    font
        Name of a font family that Matplotlib knows.
    """

    size_mm: tuple[float, float] = A4_MM
    margin_mm: float = 15.0
    font: str = "DejaVu Sans"
    smallest_size: float = field(default=99.0, init=False)
    figure: Figure = field(init=False)
    canvas_axes: Axes = field(init=False)

    def __post_init__(self) -> None:
        from matplotlib.figure import Figure

        with house_style():
            width, height = self.size_mm
            self.figure = Figure(figsize=(width / 25.4, height / 25.4))
            self.figure.set_layout_engine("none")
            self.canvas_axes = self.figure.add_axes((0.0, 0.0, 1.0, 1.0))
            self.canvas_axes.set_xlim(0.0, width)
            self.canvas_axes.set_ylim(height, 0.0)
            self.canvas_axes.axis("off")

    @property
    def left(self) -> float:
        """Left edge of the text [mm]."""
        return self.margin_mm

    @property
    def right(self) -> float:
        """Right edge of the text [mm]."""
        return self.size_mm[0] - self.margin_mm

    @property
    def width(self) -> float:
        """Width of the text [mm]."""
        return self.right - self.left

    def text(
        self,
        x: float,
        y: float,
        words: str,
        *,
        size: float = 9.0,
        bold: bool = False,
        italic: bool = False,
        align: str = "left",
        colour: str = "#000000",
    ) -> None:
        """Write one line with its baseline at y [mm]; dollar signs and the like are ordinary letters."""
        check_letters(words, self.font)
        self.smallest_size = min(self.smallest_size, size)
        self.canvas_axes.text(
            x,
            y,
            words,
            fontsize=size,
            fontfamily=self.font,
            fontweight="bold" if bold else "normal",
            fontstyle="italic" if italic else "normal",
            ha=align,
            va="baseline",
            color=colour,
            parse_math=False,
        )

    def paragraph(
        self,
        x: float,
        y: float,
        words: str,
        *,
        width: float,
        size: float = 9.0,
        bold: bool = False,
        italic: bool = False,
        colour: str = "#000000",
    ) -> float:
        """Write words wrapped to ``width`` [mm], first baseline at y; the baseline after the last line comes back."""
        for line in self.wrap(words, width=width, size=size, bold=bold):
            self.text(x, y, line, size=size, bold=bold, italic=italic, colour=colour)
            y += line_height(size)
        return y

    def wrap(self, words: str, *, width: float, size: float, bold: bool = False) -> list[str]:
        """Lines of at most ``width`` [mm]; a word longer than that is cut."""
        check_letters(words, self.font)
        lines: list[str] = []
        for block in words.split("\n"):
            line = ""
            for word in filter(None, block.split(" ")):
                for piece in self._pieces(word, width, size, bold):
                    longer = f"{line} {piece}" if line else piece
                    if line and text_width(longer, size, self.font, bold) > width - _HINTING_MM:
                        lines.append(line)
                        line = piece
                    else:
                        line = longer
            lines.append(line)
        return lines

    def _pieces(self, word: str, width: float, size: float, bold: bool) -> Iterable[str]:
        while text_width(word, size, self.font, bold) > width and len(word) > 1:
            cut = len(word) - 1
            while cut > 1 and text_width(word[:cut], size, self.font, bold) > width:
                cut -= 1
            yield word[:cut]
            word = word[cut:]
        yield word

    def measure(self, words: str, *, size: float, bold: bool = False) -> float:
        """Width of one line [mm]."""
        return text_width(words, size, self.font, bold)

    def fits(self, words: str, *, width: float, size: float, bold: bool = False) -> bool:
        """Whether one line of words is no wider than ``width`` [mm]."""
        return text_width(words, size, self.font, bold) <= width

    def rule(self, y: float, *, left: float | None = None, right: float | None = None, weight: float = 0.6) -> None:
        """Draw a horizontal line at y [mm]."""
        start, end = self.left if left is None else left, self.right if right is None else right
        self.canvas_axes.plot([start, end], [y, y], color="#000000", linewidth=weight, linestyle="-")

    def box(
        self,
        x: float,
        y: float,
        width: float,
        height: float,
        *,
        shade: str = "none",
        edge: str = "none",
        hatch: str = "",
    ) -> None:
        """Draw a rectangle from its upper left corner [mm]."""
        from matplotlib.patches import Rectangle

        self.canvas_axes.add_patch(
            Rectangle(
                (x, y), width, height, facecolor=shade, edgecolor=edge, linewidth=0.6, hatch=hatch or None, zorder=0.5
            )
        )

    def axes(self, x: float, y: float, width: float, height: float) -> Axes:
        """Axes for a plot inside a rectangle [mm], labels not counted."""
        page_width, page_height = self.size_mm
        with house_style():
            return self.figure.add_axes(
                (x / page_width, 1.0 - (y + height) / page_height, width / page_width, height / page_height)
            )


def line_height(size: float) -> float:
    """Distance of baselines [mm] for a letter size [pt]."""
    return size * _LINE_SPACING / POINTS_PER_MM


@functools.lru_cache(maxsize=8192)
def text_width(words: str, size: float, font: str, bold: bool) -> float:
    """Width of one line [mm]."""
    from matplotlib.textpath import TextToPath

    width, _, _ = TextToPath().get_text_width_height_descent(words, _properties(size, font, bold), False)
    return float(width) / POINTS_PER_MM


def _properties(size: float, font: str, bold: bool) -> Any:
    from matplotlib.font_manager import FontProperties

    return FontProperties(family=font, size=size, weight="bold" if bold else "normal")


@functools.cache
def _letters(font: str) -> frozenset[int]:
    from matplotlib.font_manager import findfont, get_font

    try:
        path = findfont(_properties(9.0, font, False), fallback_to_default=False)
    except ValueError as error:
        raise ArgumentError(
            "font", font, "the name of an installed font family", "Install it, or leave font out."
        ) from error
    return frozenset(get_font(path).get_charmap())


#: Above it, marks are joined to letters by rules of the script that printed pages do not know.
_LATIN_END = 0x0900


def check_letters(words: str, font: str) -> None:
    """Refuse a text with a letter that the font does not have: it would print as an empty box."""
    if any(unicodedata.bidirectional(letter) in ("R", "AL") for letter in words):
        raise ArgumentError(
            "text",
            words,
            "letters written from left to right on printed pages",
            "Write .html or .md: browsers and word processors set these letters.",
        )
    if any(ord(letter) > _LATIN_END and unicodedata.category(letter) in ("Mn", "Mc", "Me") for letter in words):
        raise ArgumentError(
            "text",
            words,
            "letters that stand beside one another on printed pages",
            "Write .html or .md: browsers and word processors join these letters.",
        )
    known = _letters(font)
    missing = sorted({letter for letter in words if ord(letter) not in known and not letter.isspace()})
    if missing:
        raise ArgumentError(
            "text",
            "".join(missing),
            f"letters that the font {font} has",
            "Name a font that has them (font = ... in a translation).",
        )


def check_ending(path: str | Path, endings: Sequence[str]) -> str:
    """The ending of a file name in small letters, or the error that lists the allowed ones."""
    ending = Path(path).suffix.lower()
    if ending not in endings:
        allowed = f"{', '.join(endings[:-1])} or {endings[-1]}"
        raise ArgumentError("path", str(path), f"a file name that ends in {allowed}")
    return ending


# -- files ---------------------------------------------------------------------------------------------------------


def pages_pdf(
    pages: Sequence[Page] | Sequence[Figure], *, title: str, date: datetime.date | None, keywords: str = ""
) -> bytes:
    """Pages as one PDF: vector, fonts embedded, no time of day, and no date when there is none."""
    from matplotlib.backends.backend_pdf import PdfPages

    moment = None if date is None else datetime.datetime(date.year, date.month, date.day, tzinfo=datetime.UTC)
    information = {"Title": title, "Keywords": keywords, "CreationDate": moment, "ModDate": moment}
    stream = io.BytesIO()
    with house_style(), PdfPages(stream, metadata=information) as pdf:
        for page in pages:
            pdf.savefig(page.figure if isinstance(page, Page) else page)
    return stream.getvalue()


def page_svg(page: Page, *, title: str, description: str, date: datetime.date) -> bytes:
    """A page as SVG, letters as outlines, with a title and a description for screen readers."""
    stream = io.BytesIO()
    with house_style():
        page.figure.savefig(
            stream, format="svg", metadata={"Title": title, "Description": description, "Date": date.isoformat()}
        )
    return stream.getvalue()


def page_png(page: Page, *, dots_per_inch: float = 200.0) -> bytes:
    """A page as PNG."""
    stream = io.BytesIO()
    with house_style():
        page.figure.savefig(stream, format="png", dpi=dots_per_inch, metadata={"Software": None})
    return stream.getvalue()
