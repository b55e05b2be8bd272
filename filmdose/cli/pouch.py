"""filmdose pouch: how much lead a pouch holds."""

from __future__ import annotations

from typing import Annotated

import typer

from filmdose.cli.options import (
    FilmFormatOption,
    FilmOptions,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.everyday import with_points
from filmdose.trip import FogReading


@with_blocks
def pouch(
    mass: Annotated[
        float | None, typer.Option("--mass", help="Mass of the empty pouch on a kitchen scale.", metavar="G")
    ] = None,
    area: Annotated[
        float | None, typer.Option("--area", help="Area of all its walls together, front and back.", metavar="CM2")
    ] = None,
    inside: Annotated[
        str | None,
        typer.Option(
            "--inside",
            help="Of the roll in the pouch: base plus fog, or darker than a control by so much, such as '1/3 stop'.",
            metavar="D",
        ),
    ] = None,
    outside: Annotated[
        str | None, typer.Option("--outside", help="The same of a roll beside the pouch on that journey.", metavar="D")
    ] = None,
    control: Annotated[
        float | None,
        typer.Option("--control", help="Base plus fog of an unscanned roll, developed alike.", metavar="D"),
    ] = None,
    error: Annotated[
        float | None, typer.Option("--error", help="Error of one reading; 0.02, by a meter 0.10.", metavar="D")
    ] = None,
    source: Annotated[
        str, typer.Option("--source", help="What the two rolls went through.", metavar="SOURCE")
    ] = "cabin-ct",
    *,
    film: FilmOptions,
    film_format: FilmFormatOption = "35mm",
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Tell how much lead a pouch holds: from a kitchen scale, from two rolls of a journey, or not known.

    With --mass and --area it is the scale, with --inside and --outside the two rolls, with nothing a usual pouch.
    """
    from filmdose.odds import pouch_from_rolls, pouch_from_scale, pouch_unknown
    from filmdose.present.radiation import pouch_document

    check_output(format, output)
    for pair in ({"mass": mass, "area": area}, {"inside": inside, "outside": outside}):
        missing = [name for name, value in pair.items() if value is None]
        if len(missing) == 1:
            raise ArgumentError(missing[0], None, f"--{' and --'.join(pair)} together")
    if mass is not None and inside is not None:
        raise ArgumentError("mass", mass, "either the scale or two rolls")
    if inside is None:
        for name, value in {"control": control, "error": error, "speed": film.speed, "film": film.film}.items():
            if value is not None:
                raise ArgumentError(name, value, "nothing without --inside and --outside")
    if mass is not None and area is not None:
        found = pouch_from_scale(mass, area)
    elif inside is not None and outside is not None:
        readings = [_reading(name, text, control, error) for name, text in (("inside", inside), ("outside", outside))]
        with progress("comparing"):
            found = pouch_from_rolls(film.made(), *readings, source=source, format=film_format)
    else:
        found = pouch_unknown()
    deliver(pouch_document(found, film_format), format, output)


def _reading(name: str, text: str, control: float | None, error: float | None) -> FogReading:
    """A density beside its control, or a difference in stops."""
    try:
        density = float(with_points(text))
    except ValueError:
        if control is not None:
            raise ArgumentError(name, text, "a density beside --control, or stops without it") from None
        return FogReading.by_meter(text) if error is None else FogReading.by_meter(text, error=error)
    if control is None:
        action = "Add --control D, or give the difference in stops, such as '1/3 stop'."
        raise ArgumentError("control", None, "base plus fog of an unscanned roll", action)
    return FogReading(base_plus_fog=density, control=control, error=0.02 if error is None else error)
