"""The thin command line: parse, call, print.  Each verb is a module of its own."""

from __future__ import annotations

import sys
from collections.abc import Sequence

__all__ = ["app", "main"]

import typer

from filmdose.cli.budget import budget
from filmdose.cli.card import card
from filmdose.cli.fit import fit
from filmdose.cli.learn import learn
from filmdose.cli.log import log
from filmdose.cli.odds import odds
from filmdose.cli.plan import plan
from filmdose.cli.report import report
from filmdose.cli.roll import roll
from filmdose.cli.shield import shield
from filmdose.cli.sources import sources
from filmdose.cli.table import table
from filmdose.cli.trip import trip

app = typer.Typer(
    name="filmdose",
    help="Which exposure index to set for film that went through X-ray and CT scanners.",
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)
for verb in (table, roll, trip, budget, card, fit, shield, sources, log, plan, report, odds, learn):
    app.command()(verb)


def _version(show: bool) -> None:
    if show:
        from filmdose.version import __version__

        typer.echo(f"filmdose {__version__}")
        raise typer.Exit


@app.callback()
def _common(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Which exposure index to set for film that went through X-ray and CT scanners."""


def main(arguments: Sequence[str] | None = None) -> int:
    """Run the command line; wrong input is one line on standard error and exit code 2."""
    from filmdose.errors import FilmdoseError

    words = list(sys.argv[1:] if arguments is None else arguments)
    command = typer.main.get_command(app)
    try:
        result = command.main(args=words or ["--help"], prog_name="filmdose", standalone_mode=False)
    except FilmdoseError as error:
        return _fail(str(error))
    except typer.Abort:
        return _fail("stopped")
    except Exception as error:  # the parser's own errors know how to say themselves in one line
        if hasattr(error, "format_message"):
            return _fail(error.format_message())
        raise
    return result if isinstance(result, int) else 0


def _fail(message: str) -> int:
    print("error: " + " ".join(message.split()), file=sys.stderr)
    return 2


def run() -> None:
    """Entry point of the console script."""
    sys.exit(main())
