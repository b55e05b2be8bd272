"""What people hold in their hands: documents and their formats, tables, field card, sheet, damage report."""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names

if TYPE_CHECKING:
    from filmdose.present.card import Card, CardRow, make_card, write_card
    from filmdose.present.damage import DamageReport, assess_damage, report_document
    from filmdose.present.document import Document, Facts, Heading, Paragraph, Picture, Plot, Table
    from filmdose.present.letter import letter_document
    from filmdose.present.page import page_png
    from filmdose.present.pages import document_pages
    from filmdose.present.photos import read_picture
    from filmdose.present.plan import plan_document
    from filmdose.present.sheet import sheet_page, sheet_text, write_sheet
    from filmdose.present.tables import caption, compensation_table, dose_points, ei_matrix, passes_table
    from filmdose.present.text import Words, read_words
    from filmdose.present.writers import render, write_document

__all__ = [
    "Card",
    "CardRow",
    "DamageReport",
    "Document",
    "Facts",
    "Heading",
    "Paragraph",
    "Picture",
    "Plot",
    "Table",
    "Words",
    "assess_damage",
    "caption",
    "compensation_table",
    "document_pages",
    "dose_points",
    "ei_matrix",
    "letter_document",
    "make_card",
    "page_png",
    "passes_table",
    "plan_document",
    "read_picture",
    "read_words",
    "render",
    "report_document",
    "sheet_page",
    "sheet_text",
    "write_card",
    "write_document",
    "write_sheet",
]

_HOME = {
    "card": (
        "Card",
        "CardRow",
        "make_card",
        "write_card",
    ),
    "damage": (
        "DamageReport",
        "assess_damage",
        "report_document",
    ),
    "document": (
        "Document",
        "Facts",
        "Heading",
        "Paragraph",
        "Picture",
        "Plot",
        "Table",
    ),
    "letter": ("letter_document",),
    "page": ("page_png",),
    "pages": ("document_pages",),
    "photos": ("read_picture",),
    "plan": ("plan_document",),
    "sheet": (
        "sheet_page",
        "sheet_text",
        "write_sheet",
    ),
    "tables": (
        "caption",
        "compensation_table",
        "dose_points",
        "ei_matrix",
        "passes_table",
    ),
    "text": (
        "Words",
        "read_words",
    ),
    "writers": (
        "render",
        "write_document",
    ),
}

_SUBMODULES = (
    "card",
    "damage",
    "document",
    "letter",
    "odds",
    "page",
    "pages",
    "photos",
    "plan",
    "radiation",
    "roll",
    "sheet",
    "tables",
    "text",
    "trip",
    "writers",
)

__getattr__, __dir__ = lazy_names(__name__, _HOME, _SUBMODULES)
