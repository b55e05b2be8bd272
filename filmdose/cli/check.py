"""filmdose check: everything that is wrong with files of the project."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress


def check(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="Trip, film, readings, priors or words file, CSV or CGATS readings, or a file of learn.",
            metavar="FILE",
        ),
    ],
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Check files of the project: every fault of each at once.

    Ends with 0 when there is none, else with 2.
    """
    from filmdose.present.check import check_document, check_file

    check_output(format, output)
    with progress("reading"):
        checks = [check_file(path) for path in files]
    deliver(check_document(checks), format, output)
    if any(one.faults for one in checks):
        raise typer.Exit(2)
