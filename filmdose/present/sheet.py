"""A short sheet to show at a checkpoint: which film it is, and a polite request."""

from __future__ import annotations

import datetime
from collections import Counter
from pathlib import Path

from filmdose.arguments import hold_to_annotations
from filmdose.errors import ArgumentError
from filmdose.files import write_bytes_atomic
from filmdose.planning import Plan
from filmdose.present.page import A5_MM, Page, check_ending, line_height, page_png, page_svg, pages_pdf
from filmdose.present.text import Words, read_words
from filmdose.units import format_speed
from filmdose.version import __version__

__all__ = ["SHEET_ENDINGS", "SHEET_WORDS", "sheet_items", "sheet_page", "sheet_text", "write_sheet"]

#: Name of the shipped words of the sheet.
SHEET_WORDS = "sheet_text.toml"

#: Endings of the files that :func:`write_sheet` makes.
SHEET_ENDINGS = (".pdf", ".svg", ".png", ".txt")

_BOTTOM_MM = 8.0


def sheet_items(plan: Plan, words: Words) -> list[str]:
    """What is on the sheet: rolls that gain from hand inspection (all, when none gains much), alike ones together."""
    rows = plan.worth_asking or plan.rolls
    counted = Counter((row.roll.film.kind, row.roll.film.speed, row.roll.state) for row in rows)
    return [
        words("item", count=count, kind=words[f"kind.{kind}"], speed=format_speed(speed), state=words[state])
        for (kind, speed, state), count in counted.items()
    ]


def _made(words: Words, date: datetime.date | None) -> str:
    day = datetime.date.today() if date is None else date
    return words("made", version=__version__, date=day.isoformat())


def sheet_text(plan: Plan, *, words: Words | None = None, date: datetime.date | None = None) -> str:
    """The sheet as plain text."""
    words = read_words(SHEET_WORDS) if words is None else words
    items = [f"  - {item}" for item in sheet_items(plan, words)]
    blocks = [words["title"], words["please"], "\n".join([words["list"], *items]), words["otherwise"]]
    blocks += [words["traveller"], words["rule"], words["truth"], _made(words, date)]
    return "\n\n".join(blocks) + "\n"


def sheet_page(plan: Plan, *, words: Words | None = None, date: datetime.date | None = None) -> Page:
    """The sheet as an A5 page, in letters as large as the list allows.

    Raises
    ------
    ArgumentError
        The words do not fit, or the font lacks a letter.
    """
    words = read_words(SHEET_WORDS) if words is None else words
    for scale in (1.0, 0.9, 0.8):
        page = Page(size_mm=A5_MM, margin_mm=12.0, font=words["font"] or "DejaVu Sans")
        if _lay_out(page, plan, words, date, scale) <= A5_MM[1] - _BOTTOM_MM:
            return page
    raise ArgumentError("rolls", len(plan.rolls), "as many as one A5 page holds", "Split the trip in two.")


def _lay_out(page: Page, plan: Plan, words: Words, date: datetime.date | None, scale: float) -> float:
    body, small = 11.5 * scale, 8.0 * scale
    y = 18.0
    y = page.paragraph(page.left, y, words["title"], width=page.width, size=19.0 * scale, bold=True)
    page.rule(y - 4.0, weight=1.2)
    y = page.paragraph(page.left, y + 4.0, words["please"], width=page.width, size=body)
    y += 4.0
    y = page.paragraph(page.left, y, words["list"], width=page.width, size=body, bold=True) + 1.5
    for item in sheet_items(plan, words):
        page.text(page.left, y, "•", size=body)
        y = page.paragraph(page.left + 4.0, y, item, width=page.width - 4.0, size=body) + 1.0
    y = page.paragraph(page.left, y + 3.5, words["otherwise"], width=page.width, size=body)
    below: list[tuple[str, bool]] = [(words["traveller"], True), (words["rule"], False), (words["truth"], False)]
    height = sum(len(page.wrap(text, width=page.width, size=small, bold=bold)) for text, bold in below) + 1
    # The small print is for the traveller: it stands at the foot of the page, where a fold hides it.
    foot = max(y + 6.0, A5_MM[1] - _BOTTOM_MM - height * line_height(small))
    page.rule(foot - 5.0, weight=0.3)
    for text, bold in below:
        foot = page.paragraph(page.left, foot, text, width=page.width, size=small, bold=bold)
    page.text(page.left, foot, _made(words, date), size=small)
    return foot


def write_sheet(plan: Plan, path: str | Path, *, words: Words | None = None, date: datetime.date | None = None) -> Path:
    """Write the sheet to a file that ends in .pdf, .svg, .png or .txt.

    Raises
    ------
    ArgumentError, OutputFileError
    """
    words = read_words(SHEET_WORDS) if words is None else words
    day = datetime.date.today() if date is None else date
    ending = check_ending(path, SHEET_ENDINGS)
    if ending == ".txt":
        content = sheet_text(plan, words=words, date=day).encode("utf-8")
    else:
        page = sheet_page(plan, words=words, date=day)
        if ending == ".pdf":
            content = pages_pdf([page], title=words["title"], date=day)
        elif ending == ".svg":
            content = page_svg(page, title=words["title"], description=words["please"], date=day)
        else:
            content = page_png(page)
    return write_bytes_atomic(path, content)


hold_to_annotations(globals())
