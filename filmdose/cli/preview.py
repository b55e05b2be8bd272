"""filmdose preview: pictures of what fog does to a roll, and of what the exposure index brings back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.cli.measured import learned_from, priors_from
from filmdose.cli.options import (
    ExposedOption,
    FilmOptions,
    HistoryOptions,
    KermaOption,
    MeteredOptions,
    PeakToMeanOption,
    Question,
    ShotOption,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError
from filmdose.files import check_place
from filmdose.names import State
from filmdose.picture import preview as make_preview
from filmdose.picture.strip import ENDINGS
from filmdose.present.picture import preview_document
from filmdose.trip import Roll, Shot, find_roll, trip_as_shot
from filmdose.tripfile import read_trip

if TYPE_CHECKING:
    from filmdose.odds import RollOdds

#: Formats whose documents hold the pictures themselves.
_WITH_PICTURES = ("html", "pdf", "markdown")


@with_blocks
def preview(
    *,
    film: FilmOptions,
    history: HistoryOptions,
    kerma: KermaOption = None,
    exposed: ExposedOption = False,
    shot_ei: ShotOption = None,
    trip: Annotated[
        Path | None, typer.Option("--trip", help="Trip file in place of film and history.", metavar="TRIP.toml")
    ] = None,
    roll: Annotated[str | None, typer.Option("--roll", help="Which roll of the trip file.", metavar="NAME")] = None,
    photo: Annotated[
        Path | None,
        typer.Option("--photo", help="Your photograph: linear 16-bit TIFF, raw, or sRGB JPEG.", metavar="FILE"),
    ] = None,
    width: Annotated[int, typer.Option("--width", help="Width of one picture in pixels.", metavar="PIXELS")] = 480,
    frame_mm: Annotated[float, typer.Option("--frame-mm", help="Width of the frame on film.", metavar="MM")] = 36.0,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the grain.", metavar="NUMBER")] = 0,
    peak_to_mean: PeakToMeanOption = None,
    asked: MeteredOptions,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Write pictures of a roll: clean, scanned, and at the recommended exposure index, side by side.

    An output file that ends in .png or .tif gets the pictures, and the figures are printed; any other gets the
    figures, HTML and PDF with the pictures.
    """
    picture = output if output is not None and output.suffix.lower() in ENDINGS else None
    document = None if picture else output
    chosen = check_output(format, document)
    if picture is not None:
        check_place(picture)
    question = asked.made(peak_to_mean=1.0 if trip is None or peak_to_mean is None else peak_to_mean)
    notes: list[str] = []
    odds: RollOdds | None = None
    dose: float | None = None
    if trip is not None:
        if film.given or history.given or exposed or kerma is not None or shot_ei is not None:
            raise ArgumentError("trip", str(trip), "either a trip file or the options of one roll, not both")
        one, odds, dose = _of_trip(trip, roll, question, notes)
    else:
        if roll is not None:
            raise ArgumentError("roll", roll, "a roll of a trip file", "Give --trip TRIP.toml.")
        past = history.made(kerma)
        state: State = "exposed" if exposed else "unexposed"
        shot = None if shot_ei is None else Shot(ei=shot_ei)
        which = film.made()
        one = Roll(id="roll", film=which, history=past, peak_to_mean=peak_to_mean, state=state, shot=shot)
    with progress("exposing film"):
        found = make_preview(one, dose, question, photo=photo, width=width, frame_mm=frame_mm, rng=seed, odds=odds)
    if picture is not None:
        found.save(picture)
    deliver(preview_document(found, pictures=chosen in _WITH_PICTURES, notes=notes), format, document)


def _of_trip(file: Path, name: str | None, question: Question, notes: list[str]) -> tuple[Roll, RollOdds, float | None]:
    """A roll of a trip as it will be when it is developed, what is recommended for it, and its dose as learnt."""
    from filmdose.odds import trip_model
    from filmdose.outlook import trip_outlook

    journey = read_trip(file)
    if name is None:
        names = ", ".join(roll.id for roll in journey.rolls)
        if len(journey.rolls) != 1:
            raise ArgumentError("roll", None, f"one of {names}", "Give --roll NAME.")
        name = journey.rolls[0].id
    find_roll(journey, name)
    believed = priors_from(None)
    taught = learned_from(None, trip_model(journey, believed), 0, notes)
    told = trip_outlook(journey, question, learned=taught, priors=believed)
    row = next(row for row in told.odds.rolls if row.roll.id == name)
    if told.ahead[name] and row.outcome != "exposed":
        notes.append(f"Scans ahead count: {told.ahead[name]}.")
    if taught is not None:
        notes.append(told.odds.footnote)
    return find_roll(trip_as_shot(journey), name), row, None if taught is None else float(row.kerma_ugy[1])
