"""HTML pages from the shipped templates, everything escaped."""

from __future__ import annotations

from typing import Any

from filmdose.files import data_text

__all__ = ["render"]


def render(template: str, **values: Any) -> str:
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
