"""The thin command line: a verb turns its options into a call, and the answer into a document.

Each verb is a module of its own, which is imported when the verb is used: help and errors come at once.
"""

from __future__ import annotations

import importlib
import os
import sys
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from typing import Any, get_args, get_type_hints

import typer
from typer.core import TyperGroup

__all__ = ["VERBS", "main", "run"]

#: Verbs in the order of the help, each with its line there: the first line of its own help.
VERBS: dict[str, str] = {
    "table": "Print the exposure index for film speeds against accumulated dose.",
    "roll": "Print the exposure index for one roll, from what it went through; of an exposed roll, what is lost.",
    "trip": "Print what to set for every roll of a trip file, safe against what is not known and if all is typical.",
    "odds": "Print what to set the meter to when the dose is not known, and how sure that is.",
    "preview": "Write pictures of a roll: clean, scanned, and at the recommended exposure index, side by side.",
    "card": "Write the field card: add up dose points, read the exposure index.",
    "plan": "Plan a trip: whom to ask for hand inspection of what, which speed to carry, what a pouch is worth.",
    "log": "Append a pass, a flight or shelf time to a trip file; everything in the file stays as it is.",
    "learn": "Learn from measured rolls, and keep it for other rolls and other trips.",
    "develop": "Tell what other development trades on a fogged roll: times, range, restrainers, work on location.",
    "report": "Write the damage report of one roll, or a letter about it.",
    "print": "Print how to print and scan a roll that is exposed already; write its tone curve, and a corrected scan.",
    "measure": "Measure densities on a scan: fog of a roll, a step tablet, or grain.",
    "bands": "Tell bands of radiation on the wound roll from rollers, light leaks and uneven development.",
    "fit": "Fit a film to step-tablet readings and write it to a film file.",
    "budget": "Print how much dose and how many passes each film stands until a loss; or judge a claim of no harm.",
    "shield": "Print how much of a beam comes through a shield: narrow and broad beam side by side.",
    "pouch": "Tell how much lead a pouch holds: from a kitchen scale, from two rolls of a journey, or not known.",
    "check": "Check files of the project: every fault of each at once.",
    "notebooks": "Copy the notebooks and the example trips into a folder, to run and to change.",
    "sources": "List the shipped sources of radiation, or all data, with range, evidence and citation.",
}
_STYLE: dict[str, Any] = {"add_completion": False, "rich_markup_mode": None, "pretty_exceptions_enable": False}


class _Modules(Mapping[str, Any]):
    """The commands by verb; a verb's module is imported when its command is asked for."""

    def __getitem__(self, verb: str) -> Any:
        if verb not in VERBS:
            raise KeyError(verb)
        module = importlib.import_module(f"filmdose.cli.{verb}")
        single = typer.Typer(**_STYLE)
        single.command(verb)(getattr(module, verb))
        command: Any = typer.main.get_command(single)
        for parameter in command.params:
            if parameter.param_type_name == "argument":
                # Some versions of the parser print the type in Python's words behind the name, such as <list[Path]>.
                parameter.display_type_rich = lambda ctx: ""
        return command

    def __iter__(self) -> Iterator[str]:
        return iter(VERBS)

    def __len__(self) -> int:
        return len(VERBS)


class _Verbs(TyperGroup):
    """The group of all verbs; its help imports none of them."""

    def __init__(self, **attributes: Any) -> None:
        super().__init__(**attributes)
        self.commands: Mapping[str, Any] = _Modules()  # type: ignore[assignment]

    def format_commands(self, ctx: Any, formatter: Any) -> None:
        """Write the verbs with their lines."""
        with formatter.section("Commands"):
            formatter.write_dl(list(VERBS.items()))


app = typer.Typer(
    name="filmdose",
    help="Which exposure index to set for film that went through X-ray and CT scanners.",
    cls=_Verbs,
    **_STYLE,
)


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

    if "numpy" not in sys.modules:
        # every product here runs on the calling thread (filmdose.threads); threads that wait for work only take time
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    words = list(sys.argv[1:] if arguments is None else arguments)
    command = typer.main.get_command(app)
    try:
        result = command.main(
            args=_with_decimal_points(words) or ["--help"], prog_name="filmdose", standalone_mode=False
        )
    except FilmdoseError as error:
        return _fail(str(error))
    except typer.Abort:
        return _fail("stopped")
    except OSError as error:  # help and version are printed by the parser itself
        return _fail(f"the system says: {error.strerror or error}")
    except Exception as error:  # the parser's own errors know how to say themselves in one line
        if hasattr(error, "format_message"):
            return _fail(_said(error, words))
        raise
    return result if isinstance(result, int) else 0


def _said(error: Any, words: list[str]) -> str:
    """A parser's error like all others: what was given, what is allowed, where to look."""
    verb = words[0] if words and words[0] in VERBS else ""
    look = f"filmdose {verb} --help".replace("  ", " ")
    text = str(error.format_message()).rstrip(".")
    from filmdose.errors import shown

    names = getattr(getattr(error, "param", None), "opts", ())
    wanted = next((said for kind, said in _WANTED.items() if f"valid {kind}" in text), None)
    if wanted is None or not names:
        return f"{text}. See {look}."
    given = ""
    for place, word in enumerate(words):
        name, equals, value = word.partition("=")
        if name in names:
            given = value if equals else next(iter(words[place + 1 :]), "")
    return f"{names[-1]}: got {shown(given)}; allowed is {wanted}. See {look}."


#: What the parser calls a kind of value, and what other messages call it.
_WANTED = {"integer": "a whole number", "number": "a number", "float": "a number"}


def _with_decimal_points(words: list[str]) -> list[str]:
    """The words with a point for the decimal comma of options that take one number; lists keep their commas."""
    if not words or words[0] not in VERBS or not any("," in word for word in words):
        return words
    single = _numbers_of(words[0])
    result = list(words)
    for place, word in enumerate(words):
        name, given, value = word.partition("=")
        if given and name in single:
            result[place] = f"{name}={_pointed(value)}"
        elif place and words[place - 1] in single:
            result[place] = _pointed(word)
    return result


def _numbers_of(verb: str) -> set[str]:
    """Names of the options of a verb that take one number, from its own signature."""
    function = getattr(importlib.import_module(f"filmdose.cli.{verb}"), verb)
    names: set[str] = set()
    for hint in get_type_hints(function, include_extras=True).values():
        kind, *told = get_args(hint) if hasattr(hint, "__metadata__") else (hint,)
        if kind is float or float in get_args(kind):
            # the parser keeps the first name of an annotated option where others keep its default
            said = [name for info in told for name in (info.default, *(info.param_decls or ()))]
            names |= {name for name in said if isinstance(name, str) and name.startswith("--")}
    return names


def _pointed(value: str) -> str:
    whole, comma, part = value.partition(",")
    return f"{whole}.{part}" if comma and part.isdigit() and whole.lstrip("+-").isdigit() else value


def _fail(message: str) -> int:
    if sys.stderr is not None:
        with suppress(OSError):
            # not print(): once the verb of that name was used, it is this package's module
            sys.stderr.write("error: " + " ".join(message.split()) + "\n")
            sys.stderr.flush()
    return 2


def run() -> None:
    """Entry point of the console script."""
    from filmdose.cli.stream import flush_output

    code = main()
    sys.exit(code if flush_output() else code or 2)
