"""A document as plain text for a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence

from filmdose.present.document import Document, Facts, Heading, Paragraph, Picture, Plot, Table

__all__ = ["TEXT_WIDTH", "document_text"]

#: Letters in a line of a text file.
TEXT_WIDTH = 100

_GAP = "  "
_NARROWEST = 6


def document_text(document: Document, width: int = TEXT_WIDTH) -> str:
    """The document as lines of at most ``width`` letters; columns of a table never fall below six."""
    parts = [_lines(document.title, width)]
    for block in document.blocks:
        if isinstance(block, (Heading, Paragraph)):
            parts.append(_lines(block.words, width))
        elif isinstance(block, Table):
            parts.append("\n".join(_table(block, width)))
        elif isinstance(block, Facts):
            parts.append("\n".join(_facts(block, width)))
        elif isinstance(block, Plot):
            parts.append(_lines(f"(Plot, in HTML and PDF: {block.words})", width))
        elif isinstance(block, Picture):
            parts.append(_lines(f"(Picture, in HTML and PDF: {block.words})", width))
    return "\n\n".join(parts) + "\n"


def _lines(words: str, width: int) -> str:
    return "\n".join(line for part in words.split("\n") for line in _wrap(part, width))


def _wrap(words: str, width: int) -> list[str]:
    # Names such as cabin-ct stay whole; a user's text cannot steer the terminal.
    safe = "".join(letter if letter.isprintable() else " " for letter in words)
    return textwrap.wrap(safe, width, break_on_hyphens=False) or [""]


def _facts(facts: Facts, width: int) -> list[str]:
    lines = [facts.title] if facts.title else []
    first = min(max(len(name) for name, _ in facts.rows), width // 2)
    for name, value in facts.rows:
        lines += _row([_wrap(name, first), _wrap(value, width - first - len(_GAP))], [first, 0], frozenset())
    return lines


def _table(table: Table, width: int) -> list[str]:
    lines = _wrap(table.title, width) if table.title else []
    widths = _widths(table, width - len(_GAP) * (len(table.header) - 1))

    def cells(row: Sequence[str]) -> list[str]:
        return _row([_wrap(cell, size or 1) for cell, size in zip(row, widths, strict=True)], widths, table.numeric)

    lines += cells(table.header)
    lines.append(_GAP.join("─" * size for size in widths))
    for row in table.rows:
        lines += cells(row)
    return lines + (["", *_wrap(table.caption, width)] if table.caption else [])


def _widths(table: Table, room: int) -> list[int]:
    """Letters for every column: where room is short, headings are wrapped first, then texts at their words, then words
    are broken, those in the first column and figures last.
    """
    columns = list(zip(*table.rows, strict=True)) or [()] * len(table.header)
    figures = [max(map(len, column), default=0) for column in columns]
    widths = [max(len(name), size) for name, size in zip(table.header, figures, strict=True)]
    if sum(widths) > room:
        words = [max(map(len, name.split()), default=0) for name in table.header]
        widths = [max(pair) for pair in zip(words, figures, strict=True)]
    words = [max((len(word) for cell in column for word in cell.split()), default=0) for column in columns]
    texts = [n not in table.numeric for n in range(len(widths))]
    for floors in (
        [word if text else size for word, text, size in zip(words, texts, widths, strict=True)],
        # what a row is called is often what one types: it is broken last
        [words[0], *(_NARROWEST if text else size for text, size in zip(texts[1:], widths[1:], strict=True))],
        [_NARROWEST if text else size for text, size in zip(texts, widths, strict=True)],
        [_NARROWEST for _ in widths],
    ):
        widths = _capped(widths, floors, room)
        if sum(widths) <= room:
            break
    return widths


def _capped(widths: Sequence[int], floors: Sequence[int], room: int) -> list[int]:
    """The widths, the widest cut alike until they fit, but none below its floor."""
    sized = list(widths)
    for cap in range(max(widths, default=0), 0, -1):
        sized = [min(size, max(floor, cap)) for size, floor in zip(widths, floors, strict=True)]
        if sum(sized) <= room:
            break
    return sized


def _row(cells: Sequence[Sequence[str]], widths: Sequence[int], numeric: frozenset[int]) -> list[str]:
    lines = []
    for number in range(max(map(len, cells))):
        parts = [cell[number] if number < len(cell) else "" for cell in cells]
        sized = [
            part.rjust(size) if place in numeric else part.ljust(size)
            for place, (part, size) in enumerate(zip(parts, widths, strict=True))
        ]
        lines.append(_GAP.join(sized).rstrip())
    return lines
