"""filmdose fit: a film file from step-tablet readings."""

from __future__ import annotations

import warnings
from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.output import FormatOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError, UnknownNameError, ValidityWarning
from filmdose.everyday import known_kind
from filmdose.film.emulsion import APERTURE_AREA_UM2
from filmdose.film.fitting import fit_film
from filmdose.film.noisefit import read_granularity
from filmdose.film.readings import read_steps
from filmdose.present.fit import fit_document
from filmdose.standards import RECORD_NAMES


def fit(
    steps: Annotated[Path, typer.Argument(help="CSV (columns log_exposure, density) or CGATS text.", metavar="STEPS")],
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="Write the film file here.", metavar="FILM.toml")
    ] = None,
    kind: Annotated[
        str,
        typer.Option("--kind", help="bw-negative, colour-negative, colour-reversal or bw-reversal.", metavar="KIND"),
    ] = "bw-negative",
    speed: Annotated[
        float | None, typer.Option("--speed", help="Rated speed; it anchors a relative log exposure.", metavar="ISO")
    ] = None,
    axis: Annotated[
        str | None,
        typer.Option(
            "--axis", help="absolute or relative log exposure; relative when --speed is given.", metavar="AXIS"
        ),
    ] = None,
    base: Annotated[
        float | None, typer.Option("--base", help="Density of the support; separates native fog.", metavar="D")
    ] = None,
    unexposed: Annotated[
        float | None, typer.Option("--unexposed", help="Density of the unexposed edge, developed.", metavar="D")
    ] = None,
    granularity: Annotated[
        float | None, typer.Option("--granularity", help="Rms granularity of the film, as on its sheet.", metavar="RMS")
    ] = None,
    grain: Annotated[
        Path | None,
        typer.Option(
            "--grain",
            help="CSV of measured grain: columns density (or log_exposure), sigma, record.",
            metavar="FILE.csv",
        ),
    ] = None,
    aperture: Annotated[
        float,
        typer.Option(
            "--aperture",
            help="Area of the aperture of --grain in um2; a pixel squared.",
            metavar="UM2",
            show_default="a circle of 48 um",
        ),
    ] = APERTURE_AREA_UM2,
    name: Annotated[str, typer.Option("--name", help="What you call the film.", metavar="NAME")] = "",
    delimiter: Annotated[
        str | None, typer.Option("--delimiter", help="Of the CSV file; found when left out.", metavar="CHAR")
    ] = None,
    decimal: Annotated[
        str | None, typer.Option("--decimal", help="Decimal mark of the CSV file; found when left out.", metavar="CHAR")
    ] = None,
    header: Annotated[
        bool | None, typer.Option("--header/--no-header", help="Whether the first line has names; found when left out.")
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option("--plot", help="Draw readings, curve and residuals into this file.", metavar="FILE.png"),
    ] = None,
    format: FormatOption = None,
) -> None:
    """Fit a film to step-tablet readings and write it to a film file."""
    check_output(format, None, output, plot)
    if output is not None and output.suffix.lower() != ".toml":
        raise ArgumentError("output", str(output), "a film file, whose name ends in .toml")
    if axis not in (None, "absolute", "relative"):
        raise UnknownNameError("axis", axis, ("absolute", "relative"))
    readings = read_steps(
        steps, delimiter="\t" if delimiter in ("tab", "\\t") else delimiter, decimal=decimal, header=header
    )
    kind = known_kind(kind)
    if kind not in RECORD_NAMES:
        raise UnknownNameError("kind", kind, RECORD_NAMES)
    if grain is None and aperture != APERTURE_AREA_UM2:
        raise ArgumentError("aperture", aperture, "left out without --grain", "It is that of the grain readings.")
    noise = None if grain is None else read_granularity(grain, aperture_um2=aperture, records=RECORD_NAMES[kind])
    with progress("fitting"), warnings.catch_warnings():
        # Each of them is among the messages of the result.
        warnings.simplefilter("ignore", ValidityWarning)
        result = fit_film(
            readings,
            kind=kind,
            speed=speed,
            axis=axis,  # type: ignore[arg-type]
            base_density=base,
            unexposed_density=unexposed,
            rms_granularity=granularity,
            granularity=noise,
            name=name,
            origin=f"measured: {steps.name}",
        )
    if plot is not None:
        from filmdose.plotting.fit import write_fit_plot

        write_fit_plot(result, plot)
    if output is not None:
        from filmdose.film.filmfile import write_film

        write_film(result.film, output)
    deliver(fit_document(result, notes=[f"Written to {output}."] if output else []), format)
