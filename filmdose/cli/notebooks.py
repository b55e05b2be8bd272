"""filmdose notebooks: the notebooks into a folder of one's own."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.stream import print_text
from filmdose.errors import shown_path


def notebooks(
    folder: Annotated[
        Path, typer.Argument(help="A new folder, or one without files of these names.", metavar="FOLDER")
    ],
) -> None:
    """Copy the notebooks and the example trips into a folder, to run and to change."""
    from filmdose.examples import copy_notebooks

    written = copy_notebooks(folder)
    print_text(
        f"{len(written)} files in {shown_path(folder)}. They run in JupyterLab, which the extra notebooks brings.\n"
    )
