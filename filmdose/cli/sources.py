"""filmdose sources: where every dose, material and constant comes from."""

from __future__ import annotations

from typing import Annotated

import typer

from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.errors import UnknownNameError
from filmdose.present.radiation import sources_document
from filmdose.radiation.registry import DATA_KINDS

_ALL = "all"


def sources(
    kind: Annotated[
        str, typer.Option("--kind", help=f"What to list: {', '.join(DATA_KINDS)}, or all.", metavar="KIND")
    ] = "source",
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """List the shipped sources of radiation, or all data, with range, evidence and citation."""
    check_output(format, output)
    if kind not in (*DATA_KINDS, _ALL):
        raise UnknownNameError("kind", kind, (*DATA_KINDS, _ALL))
    deliver(sources_document(None if kind == _ALL else kind), format, output)
