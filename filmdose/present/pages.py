"""A document laid out on A4 pages, and its plots as pictures."""

from __future__ import annotations

import io
from collections.abc import Sequence
from itertools import zip_longest

from filmdose.arguments import hold_to_annotations
from filmdose.plotting.style import house_style
from filmdose.present.document import Document, Facts, Heading, Paragraph, Picture, Plot, Table, ceiling
from filmdose.present.page import A4_MM, Page, line_height, pages_pdf

__all__ = ["document_pages", "document_pdf", "plot_svg"]

_SIZE, _SMALL, _HEAD, _TITLE = 9.5, 8.0, 12.0, 17.0
_TOP_MM, _BOTTOM_MM = 18.0, 18.0
_CELL_GAP_MM = 2.0
_PICTURE_MM = 110.0


def plot_svg(plot: Plot) -> bytes:
    """A plot by itself, as SVG."""
    from matplotlib.figure import Figure

    stream = io.BytesIO()
    with house_style():
        figure = Figure(figsize=(6.8, plot.height_mm / 25.4), layout="constrained")
        plot.draw(figure.add_subplot())
        figure.savefig(stream, format="svg", metadata={"Date": None, "Creator": None})
    return stream.getvalue()


def document_pdf(document: Document) -> bytes:
    """The report as A4 pages in one PDF: vector, fonts embedded."""
    return pages_pdf(document_pages(document), title=document.title, date=document.date)


def document_pages(document: Document) -> list[Page]:
    """The report laid out on A4 pages."""
    flow = _Flow(document.font)
    flow.write(document.title, size=_TITLE, bold=True)
    flow.y += 3.0
    for block, following in zip_longest(document.blocks, document.blocks[1:]):
        if isinstance(block, Heading):
            flow.need(30.0 + (flow.picture_mm(following)[1] if isinstance(following, Picture) else 0.0))
            flow.y += 4.0
            flow.write(block.words, size=_HEAD, bold=True)
            flow.y += 1.5
        elif isinstance(block, Paragraph):
            flow.write(block.words, size=_SMALL if block.small else _SIZE, bold=block.bold)
            flow.y += 1.5
        elif isinstance(block, Table):
            flow.table(block)
        elif isinstance(block, Facts):
            flow.table(Table(("", ""), block.rows, title=block.title))
        elif isinstance(block, Picture):
            flow.picture(block)
        else:
            flow.plot(block)
    for number, page in enumerate(flow.pages, 1):
        y = A4_MM[1] - 9.0
        page.text(page.left, y, document.foot if page.fits(document.foot, width=150.0, size=7.5) else "", size=7.5)
        page.text(page.right, y, f"{number} / {len(flow.pages)}", size=7.5, align="right")
    return flow.pages


class _Flow:
    """Blocks down the page, and over to the next."""

    def __init__(self, font: str) -> None:
        self.font = font or "DejaVu Sans"
        self.pages: list[Page] = []
        self.y = 0.0
        self.turn()

    @property
    def page(self) -> Page:
        return self.pages[-1]

    @property
    def room(self) -> float:
        return A4_MM[1] - _BOTTOM_MM - self.y

    def turn(self) -> None:
        self.pages.append(Page(size_mm=A4_MM, margin_mm=20.0, font=self.font))
        self.y = _TOP_MM

    def need(self, height: float) -> None:
        if self.room < height:
            self.turn()

    def write(self, words: str, *, size: float, bold: bool = False) -> None:
        for line in self.page.wrap(words, width=self.page.width, size=size, bold=bold):
            self.need(line_height(size))
            self.y += line_height(size)
            self.page.text(self.page.left, self.y, line, size=size, bold=bold)

    def table(self, table: Table) -> None:
        widths = self._widths(table)
        if table.title:
            self.need(30.0)
            self.y += 2.0
            self.write(table.title, size=_SIZE, bold=True)
        self.y += 1.0
        header = [self._cell(words, width, bold=True) for words, width in zip(table.header, widths, strict=True)]
        titled = any(table.header)
        first = titled
        for row in table.rows:
            lines = [self._cell(words, width) for words, width in zip(row, widths, strict=True)]
            height = max(map(len, lines)) * line_height(_SMALL) + 1.6
            if first or self.room < height:
                self.need(height + max(map(len, header)) * line_height(_SMALL) + 3.0)
                if titled:
                    self._row(header, widths, table.numeric, bold=True)
                first = False
            self._row(lines, widths, table.numeric)
        self.y += 2.0
        if table.caption:
            self.write(table.caption, size=_SMALL)
            self.y += 2.0

    def _widths(self, table: Table) -> list[float]:
        """Column widths [mm]: what the cells want, and less of the widest where that is too much."""
        wanted = []
        for column in zip(table.header, *table.rows, strict=True):
            longest = 0.0
            for words in column:
                for piece in self.page.wrap(words, width=90.0, size=_SMALL, bold=True):
                    longest = max(longest, self.page.measure(piece, size=_SMALL, bold=True))
            wanted.append(longest + 1.2 + _CELL_GAP_MM)
        spare = self.page.width - sum(wanted)
        if spare >= 0:
            return wanted
        most = ceiling(wanted, self.page.width)
        return [min(width, most) for width in wanted]

    def _cell(self, words: str, width: float, *, bold: bool = False) -> list[str]:
        return self.page.wrap(words, width=width - _CELL_GAP_MM, size=_SMALL, bold=bold)

    def _row(
        self, lines: Sequence[Sequence[str]], widths: Sequence[float], numeric: frozenset[int], *, bold: bool = False
    ) -> None:
        x = self.page.left
        top = self.y
        for place, (cell, width) in enumerate(zip(lines, widths, strict=True)):
            right = place in numeric
            for number, line in enumerate(cell, 1):
                at = x + width - _CELL_GAP_MM if right else x
                y = top + number * line_height(_SMALL)
                self.page.text(at, y, line, size=_SMALL, bold=bold, align="right" if right else "left")
            x += width
        self.y = top + max(map(len, lines)) * line_height(_SMALL) + 0.8
        self.page.rule(self.y, weight=0.8 if bold else 0.3, right=min(x, self.page.right))
        self.y += 0.6

    def picture_mm(self, picture: Picture) -> tuple[float, float]:
        """Width and height of a picture on the page [mm]."""
        scale = min(self.page.width / picture.width, _PICTURE_MM / picture.height)
        return picture.width * scale, picture.height * scale

    def picture(self, picture: Picture) -> None:
        from PIL import Image

        lines = self.page.wrap(picture.words, width=self.page.width, size=_SMALL)
        width, height = self.picture_mm(picture)
        self.need(height + 6.0 + len(lines) * line_height(_SMALL))
        self.y += 2.0
        axes = self.page.axes(self.page.left, self.y, width, height)
        axes.imshow(Image.open(io.BytesIO(picture.jpeg)), aspect="auto")
        axes.set_axis_off()
        self.y += height
        self.write(picture.words, size=_SMALL)
        self.y += 2.0

    def plot(self, plot: Plot) -> None:
        lines = self.page.wrap(plot.words, width=self.page.width, size=_SMALL)
        self.need(plot.height_mm + 4.0 + len(lines) * line_height(_SMALL))
        # Labels hang outside of the frame that is asked for here.
        left, width = self.page.left + plot.labels_mm, self.page.width - plot.labels_mm - 4.0
        axes = self.page.axes(left, self.y + 7.0, width, plot.height_mm - 20.0)
        with house_style():
            plot.draw(axes)
        self.y += plot.height_mm
        self.write(plot.words, size=_SMALL)
        self.y += 2.0


hold_to_annotations(globals())
