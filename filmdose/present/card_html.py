"""The field card as one HTML file: no network, no remote resource, every text escaped."""

from __future__ import annotations

from typing import Any

from filmdose.present.card import Card
from filmdose.present.html import render_template
from filmdose.words import figure_text

__all__ = ["card_html"]


def card_html(card: Card) -> str:
    """The page as text.

    The exposure index of a film is a staircase over the total, and the page holds
    its treads as the solver found them, so that it reads what the library says for
    any total up to its limit.
    """
    numbers: dict[str, Any] = {
        "rows": [{"low": row.low, "typical": row.points, "high": row.high} for row in card.rows],
        "steps": card.steps,
        "beyond": card.text["page_beyond"],
    }
    places = {row.name: number for number, row in enumerate(card.rows)}
    return render_template(
        "card.html",
        card=card,
        text=card.text,
        figures=numbers,
        figure=lambda value: figure_text(value, 2),
        loop_row=lambda row: places[row.name],
    )
