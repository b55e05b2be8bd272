"""HTML pages from the shipped templates, everything escaped."""

from __future__ import annotations

import base64
import unicodedata
from typing import Any

from filmdose.files import data_text
from filmdose.present.document import Document, Picture, Plot

__all__ = ["document_html", "render_template"]


def render_template(template: str, **values: Any) -> str:
    """Fill a template of data/templates; what comes from a user is text, never markup."""
    import jinja2

    environment = jinja2.Environment(
        loader=jinja2.FunctionLoader(lambda name: data_text(f"templates/{name}")),
        autoescape=True,
        undefined=jinja2.StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    return environment.get_template(template).render(**values)


def document_html(document: Document) -> str:
    """The document as one HTML file without remote resources; every text is escaped."""
    blocks = []
    for block in document.blocks:
        values: dict[str, Any] = {"kind": type(block).__name__.lower(), "block": block}
        if isinstance(block, Plot):
            from filmdose.present.pages import plot_svg

            values["image"] = base64.b64encode(plot_svg(block)).decode("ascii")
        elif isinstance(block, Picture):
            values["image"] = base64.b64encode(block.jpeg).decode("ascii")
        blocks.append(values)
    return render_template("document.html", document=document, direction=_direction(document.title), blocks=blocks)


def _direction(words: str) -> str:
    """Which way a text runs: that of its first letter that has a direction."""
    sides = (unicodedata.bidirectional(letter) for letter in words)
    first = next((side for side in sides if side in ("L", "R", "AL")), "L")
    return "ltr" if first == "L" else "rtl"
