"""filmdose measure: densities, fog, step tablets and grain from a scan."""

from __future__ import annotations

import datetime
from collections.abc import Iterable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from filmdose.arrays import check_number
from filmdose.cli.card import parse_date
from filmdose.cli.options import (
    FilmOptions,
    with_blocks,
)
from filmdose.cli.output import FormatOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.everyday import known_kind

if TYPE_CHECKING:
    from filmdose.film.model import Film
    from filmdose.scan import Box, Flare, GrainMeasurement, Scan, TabletReading

_CLEAR = "Give --clear CLEAR.tif (a scan without film, same settings) or --clear-box of a place without film."


@dataclass(frozen=True, kw_only=True)
class _Light:
    """The scan with what it is compared with."""

    scan: Scan
    clear: Scan | Box
    flare: Flare
    scale: float = 1.0
    scale_error: float | None = None


def _how(show: bool) -> None:
    if show:
        from filmdose.cli.stream import print_text
        from filmdose.files import data_text

        print_text(data_text("how_to_scan.md"))
        raise typer.Exit


@with_blocks
def measure(
    scan: Annotated[Path, typer.Argument(help="Linear scan: 16-bit TIFF or a raw file.", metavar="SCAN.tif")],
    control: Annotated[
        Path | None,
        typer.Option("--control", help="Scan of an unscanned roll, developed alike.", metavar="CONTROL.tif"),
    ] = None,
    clear: Annotated[
        Path | None, typer.Option("--clear", help="Scan without film, same settings.", metavar="CLEAR.tif")
    ] = None,
    clear_box: Annotated[
        str | None, typer.Option("--clear-box", help="A place without film in the same frame.", metavar="L,T,W,H")
    ] = None,
    box: Annotated[
        str | None,
        typer.Option(
            "--box", help="Where to measure, in pixels; the rebate is looked for by default.", metavar="L,T,W,H"
        ),
    ] = None,
    control_box: Annotated[
        str | None, typer.Option("--control-box", help="The same in the control.", metavar="L,T,W,H")
    ] = None,
    opaque_box: Annotated[
        str | None,
        typer.Option("--opaque-box", help="Opaque card in the frame, which tells the flare.", metavar="L,T,W,H"),
    ] = None,
    wedge_box: Annotated[
        str | None, typer.Option("--wedge-box", help="A calibrated step wedge in the frame.", metavar="L,T,W,H")
    ] = None,
    wedge: Annotated[
        Path | None, typer.Option("--wedge", help="Its densities, rising, in a column density.", metavar="WEDGE.csv")
    ] = None,
    roll: Annotated[str | None, typer.Option("--roll", help="Roll that was measured.", metavar="ID")] = None,
    into: Annotated[
        Path | None, typer.Option("--into", help="Trip file to which the reading is appended.", metavar="TRIP.toml")
    ] = None,
    steps: Annotated[
        int | None, typer.Option("--steps", help="Read a step tablet of so many steps instead.", metavar="N")
    ] = None,
    increment: Annotated[
        float, typer.Option("--increment", help="Density from step to step of the tablet.", metavar="D")
    ] = 0.15,
    clear_log_exposure: Annotated[
        float,
        typer.Option(
            "--clear-log-exposure", help="Log10 exposure under its clearest step; 0 when not known.", metavar="LOG"
        ),
    ] = 0.0,
    first_step: Annotated[
        int | None,
        typer.Option("--first-step", help="Least exposed step in the picture, when some are cut off.", metavar="N"),
    ] = None,
    output: Annotated[
        Path | None, typer.Option("--output", "-o", help="CSV to write for fit: steps, or grain.", metavar="FILE.csv")
    ] = None,
    grain: Annotated[bool, typer.Option("--grain", help="Measure the grain of the box, or of the steps.")] = False,
    transfer: Annotated[
        float | None,
        typer.Option("--transfer", help="Where the scanner's transfer is one half, cycles/mm.", metavar="CYCLES"),
    ] = None,
    edge_box: Annotated[
        str | None,
        typer.Option("--edge-box", help="An opaque edge, askew, that tells the transfer.", metavar="L,T,W,H"),
    ] = None,
    *,
    film: FilmOptions,
    channel: Annotated[str, typer.Option("--channel", help="Channel of a colour scan.", metavar="NAME")] = "green",
    black: Annotated[
        float | None, typer.Option("--black", help="Number that no light gives.", metavar="COUNTS")
    ] = None,
    dpi: Annotated[float | None, typer.Option("--dpi", help="Pixels per inch on the film.", metavar="N")] = None,
    accept: Annotated[
        list[str] | None,
        typer.Option("--accept", help="Fault that is to be let pass; may be repeated.", metavar="FAULT"),
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="When it was read; today by default.", metavar="YYYY-MM-DD")
    ] = None,
    picture: Annotated[
        Path | None, typer.Option("--picture", help="Draw where it was measured.", metavar="FILE.png")
    ] = None,
    how: Annotated[
        bool, typer.Option("--how", callback=_how, is_eager=True, help="Print how to scan for measuring.")
    ] = False,
    format: FormatOption = None,
) -> None:
    """Measure densities on a scan: fog of a roll, a step tablet, or grain."""
    from filmdose.scan import UNMEASURED_FLARE, parse_box, read_scan

    check_output(format, None, output, picture)
    film = replace(film, kind=known_kind(film.kind))
    if into is not None and roll is None:
        raise ArgumentError("roll", None, "the id of a roll together with --into", "Add --roll ID.")
    if (wedge is None) != (wedge_box is None):
        raise ArgumentError("wedge", wedge, "--wedge together with --wedge-box")
    options: dict[str, Any] = {
        "black_level": black,
        "pixel_um": None
        if dpi is None
        else 25_400.0 / check_number("dpi", dpi, low=10.0, high=100_000.0, unit="pixels per inch"),
        "accept": tuple(accept or ()),
    }
    with progress("reading"):
        taken = read_scan(scan, **options)
        if clear is None and clear_box is None:
            raise ArgumentError("clear", None, "clear light to compare with", _CLEAR)
        light = _Light(
            scan=taken,
            clear=read_scan(clear, **options) if clear is not None else parse_box(clear_box or "", "clear_box"),
            flare=UNMEASURED_FLARE,
        )
        light = _calibrated(light, opaque_box, wedge_box, wedge, channel)
    place = None if box is None else parse_box(box)
    chosen = film.made() if film.given else None
    reversal = film.kind.endswith("reversal") if chosen is None else chosen.reversal
    boxes: dict[str, Box] = {}
    if steps is not None:
        from filmdose.scan import read_tablet

        tablet = read_tablet(
            taken, steps, clear=light.clear, box=place, first_step=first_step, reversal=reversal, flare=light.flare
        )
        boxes = {str(number): area.box for number, area in zip(tablet.numbers, tablet.areas, strict=True)}
    if grain:
        if steps is None:
            if place is None:
                raise ArgumentError("box", None, "an even area", "Give --box L,T,W,H, or --steps N for a wedge.")
            boxes = {"grain": place}
        clean = None
        if control is not None or control_box is not None:
            other = taken if control is None else read_scan(control, **options)
            clean = (other, parse_box(control_box or str(other.frame), "control_box"))
        _grain(light, boxes.values(), clean, chosen, channel, transfer, edge_box, output, format)
    elif steps is not None:
        _tablet(tablet, (steps, increment, clear_log_exposure), chosen, channel, light.scale, output, format)
    else:
        boxes = _fog(
            *(light, control, place, control_box, options, chosen, film.kind, roll, into, channel),
            date=datetime.date.today() if date is None else parse_date(date),
            format=format,
        )
    if picture is not None:
        from filmdose.plotting.scan import plot_boxes, write_picture

        if clear_box is not None:
            boxes = boxes | {"clear": parse_box(clear_box)}
        write_picture(lambda ax: plot_boxes(taken, boxes, ax=ax), picture)


def _calibrated(
    light: _Light, opaque_box: str | None, wedge_box: str | None, wedge: Path | None, channel: str
) -> _Light:
    """Flare, and the scale of densities, where the frame has something that tells them."""
    from dataclasses import replace

    from filmdose.film.csvtable import read_csv_table
    from filmdose.scan import calibrate_with_wedge, find_steps, measure_flare, parse_box

    if wedge is not None and wedge_box is not None:
        table = read_csv_table(wedge)
        if "density" not in table:
            raise ArgumentError("wedge", str(wedge), "a CSV file with a column named density")
        known = table["density"].to_numpy(dtype=float)
        boxes, _ = find_steps(light.scan, len(known), box=parse_box(wedge_box, "wedge_box"))
        if len(boxes) != len(known):
            raise ArgumentError(
                "wedge_box", wedge_box, f"a box around all {len(known)} steps", f"{len(boxes)} steps were found there."
            )
        if light.scan.light(boxes[0]).mean() < light.scan.light(boxes[-1]).mean():
            boxes = boxes[::-1]
        found = calibrate_with_wedge(light.scan, boxes, sorted(known), clear=light.clear, channel=channel)
        return replace(light, flare=found.flare, scale=found.scale, scale_error=max(found.scale_error, 0.01))
    if opaque_box is not None:
        return replace(light, flare=measure_flare(light.scan, parse_box(opaque_box, "opaque_box")))
    return light


def _fog(
    light: _Light,
    control: Path | None,
    place: Box | None,
    control_box: str | None,
    options: dict[str, Any],
    film: Film | None,
    kind: str,
    roll: str | None,
    into: Path | None,
    channel: str,
    *,
    date: datetime.date,
    format: str | None,
) -> dict[str, Box]:
    """Measure the fog, append the reading, show it; give back where it was measured."""
    from filmdose.present.scan import fog_document
    from filmdose.scan import find_rebate, measure_area, measure_fog, parse_box, read_scan
    from filmdose.scan.fog import SCALE_ERROR
    from filmdose.trip import find_roll
    from filmdose.tripfile import read_trip

    if into is not None and roll is not None:
        film = find_roll(read_trip(into), roll).film
    reversal = kind.endswith("reversal") if film is None else film.reversal
    box = place or find_rebate(light.scan, reversal=reversal)
    area = measure_area(light.scan, box, clear=light.clear, flare=light.flare).scaled(light.scale)
    scale_error = SCALE_ERROR if light.scale_error is None else light.scale_error
    boxes = {"roll": box}
    if control is None and control_box is None:
        if film is None:
            raise ArgumentError(
                "control",
                None,
                "a control, or a film whose base plus fog is known",
                "Give --control, or --film or --speed.",
            )
        found = measure_fog(area, film, channel=channel, scale_error=scale_error)
    else:
        other = light.scan if control is None else read_scan(control, **options)
        where = parse_box(control_box, "control_box") if control_box else find_rebate(other, reversal=reversal)
        beside = measure_area(other, where, clear=light.clear, flare=light.flare).scaled(light.scale)
        found = measure_fog(area, beside, channel=channel, scale_error=scale_error)
        boxes |= {"control": where} if control is None else {}
    notes = []
    if into is not None:
        from filmdose.tripfile import append_entry

        record = channel if film is not None and channel in film.record_names and channel != "green" else None
        fields = {"roll": roll, **found.entry(), "record": record, "date": date, "note": "measured on a scan"}
        append_entry(into, "reading", fields)
        notes.append(f"Appended to {into}: reading of {roll}.")
    deliver(fog_document(found, notes=notes), format)
    return boxes


def _tablet(
    tablet: TabletReading,
    exposures: tuple[int, float, float],
    film: Film | None,
    channel: str,
    scale: float,
    output: Path | None,
    format: str | None,
) -> None:
    """Write the step file, and show the steps."""
    from dataclasses import replace

    from filmdose.film.readings import tablet_log_exposures, write_steps
    from filmdose.present.scan import tablet_document

    tablet = replace(tablet, areas=tuple(area.scaled(scale) for area in tablet.areas))
    if output is not None:
        steps, increment, clear = exposures
        alone = None if film is not None and film.kind.startswith("colour") else channel
        table = tablet_log_exposures(steps, increment, clear_log_exposure=clear)
        write_steps(tablet.readings(table, channel=alone), output)
    deliver(tablet_document(tablet, notes=[f"Written to {output}."] if output else []), format)


def _grain(
    light: _Light,
    boxes: Iterable[Box],
    clean: tuple[Scan, Box] | None,
    film: Film | None,
    channel: str,
    transfer: float | None,
    edge_box: str | None,
    output: Path | None,
    format: str | None,
) -> None:
    """Measure the grain of boxes, write it, and show it beside what the film predicts."""
    from filmdose.film.csvtable import write_csv_table
    from filmdose.present.scan import grain_document
    from filmdose.scan import (
        Transfer,
        cluster_factor,
        grain_beside_film,
        grain_frame,
        measure_area,
        measure_grain,
        measure_transfer,
        parse_box,
    )

    if (transfer is None) == (edge_box is None):
        raise ArgumentError("transfer", transfer, "either --transfer or --edge-box", "Say what the scanner resolves.")
    law = (
        Transfer.gaussian(transfer)
        if transfer is not None
        else measure_transfer(light.scan, parse_box(edge_box or "", "edge_box"), channel=channel)
    )

    def measured(scan: Scan, box: Box) -> GrainMeasurement:
        area = measure_area(scan, box, clear=light.clear, flare=light.flare).scaled(light.scale)
        return measure_grain(scan, box, transfer=law, clear=light.clear, channel=channel, area=area)

    found = [measured(light.scan, box) for box in boxes]
    beside = grain_frame(found)
    notes = []
    if film is not None:
        record = film.record_names.index(channel) if channel in film.record_names else len(film.records) // 2
        beside = grain_beside_film(found, film.records[record])
        if clean is not None:
            factor = cluster_factor(found[0], measured(*clean), film.records[record])
            notes.append(f"Against the clean area of the control: {factor}.")
    elif clean is not None:
        raise ArgumentError("film", None, "the film, for its grain", "Add --film FILM.toml or --speed ISO.")
    if output is not None:
        write_csv_table(beside[["density", "sigma"]], output)
        notes.append(f"Written to {output}.")
    deliver(grain_document(found, beside, notes=notes), format)
