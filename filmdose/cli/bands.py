"""filmdose bands: where the bands of a film come from."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from filmdose.arrays import check_number
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError

if TYPE_CHECKING:
    from filmdose.scan import FogProfile


def bands(
    files: Annotated[
        list[Path],
        typer.Argument(
            help="CSV (columns position_mm, density), or scans of the strips of one roll in their order.",
            metavar="PROFILE",
        ),
    ],
    winding: Annotated[
        str, typer.Option("--winding", help="How the film was wound: 135-36, 135-24 or 120.", metavar="NAME")
    ] = "135-36",
    length: Annotated[float | None, typer.Option("--length", help="Length of the film.", metavar="MM")] = None,
    core_radius: Annotated[
        float | None, typer.Option("--core-radius", help="Radius at which its inner end lay.", metavar="MM")
    ] = None,
    layer: Annotated[
        float | None, typer.Option("--layer", help="Thickness of one turn with its paper.", metavar="MM")
    ] = None,
    end: Annotated[
        str | None,
        typer.Option("--end", help="Where the profile starts: inside or outside; both are tried.", metavar="WORD"),
    ] = None,
    start: Annotated[float, typer.Option("--start", help="Its distance from that end.", metavar="MM")] = 0.0,
    control: Annotated[
        float | None, typer.Option("--control", help="Density of the same film without fog.", metavar="D")
    ] = None,
    box: Annotated[
        str | None,
        typer.Option("--box", help="Unexposed strip on every scan; looked for by default.", metavar="L,T,W,H"),
    ] = None,
    clear: Annotated[
        Path | None, typer.Option("--clear", help="Scan without film, same settings.", metavar="CLEAR.tif")
    ] = None,
    clear_box: Annotated[
        str | None, typer.Option("--clear-box", help="A place without film on every scan.", metavar="L,T,W,H")
    ] = None,
    gap: Annotated[float, typer.Option("--gap", help="Film that is missing between two strips.", metavar="MM")] = 0.0,
    dpi: Annotated[float | None, typer.Option("--dpi", help="Pixels per inch on the film.", metavar="N")] = None,
    plot: Annotated[
        Path | None, typer.Option("--plot", help="Draw the profile and the cause.", metavar="FILE.png")
    ] = None,
    output: OutputOption = None,
    format: FormatOption = None,
) -> None:
    """Tell bands of radiation on the wound roll from rollers, light leaks and uneven development."""
    from dataclasses import replace

    from filmdose.present.scan import bands_document
    from filmdose.scan import explain_bands, get_winding, join_profiles, read_profile

    check_output(format, output, plot)
    given: dict[str, Any] = {"length_mm": length, "core_radius_mm": core_radius, "layer_mm": layer}
    wound = replace(get_winding(winding), **{name: value for name, value in given.items() if value is not None})
    with progress("comparing causes"):
        if all(path.suffix.lower() in (".csv", ".txt") for path in files):
            profiles = [read_profile(path, control_density=control) for path in files]
        else:
            profiles = [_from_scan(path, box, clear, clear_box, dpi, control) for path in files]
        profile = profiles[0] if len(profiles) == 1 else join_profiles(profiles, gap_mm=gap)
        result = explain_bands(profile, wound, end=end, start_mm=start)
    if plot is not None:
        from filmdose.plotting.scan import plot_bands, write_picture

        write_picture(lambda ax: plot_bands(result, ax=ax), plot)
    deliver(bands_document(result), format, output)


def _from_scan(
    path: Path, box: str | None, clear: Path | None, clear_box: str | None, dpi: float | None, control: float | None
) -> FogProfile:
    from filmdose.scan import find_rebate, parse_box, profile_from_scan, read_scan

    if clear is None and clear_box is None:
        raise ArgumentError("clear", None, "clear light to compare with", "Give --clear CLEAR.tif or --clear-box.")
    pixel_um = (
        None if dpi is None else 25_400.0 / check_number("dpi", dpi, low=10.0, high=100_000.0, unit="pixels per inch")
    )
    scan = read_scan(path, pixel_um=pixel_um)
    light = read_scan(clear, pixel_um=pixel_um) if clear is not None else parse_box(clear_box or "", "clear_box")
    strip = parse_box(box) if box else find_rebate(scan)
    return profile_from_scan(scan, strip, clear=light, control_density=control)
