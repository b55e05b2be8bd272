"""filmdose preview: pictures of what fog does to a roll, and of what the exposure index brings back."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.cli.measured import learned_from, priors_from
from filmdose.cli.options import (
    DEFAULT_CRITERION,
    DEFAULT_KIND,
    SCENE_RANGE,
    BadgeOption,
    BagOption,
    BeamOnOption,
    CostOverOption,
    CostUnderOption,
    CriterionOption,
    ExposedOption,
    FilmFormatOption,
    FilmOption,
    FlightOption,
    HeldOption,
    HighlightReadingOption,
    KindOption,
    PassesOption,
    Question,
    SceneRangeOption,
    ShadowReadingOption,
    ShieldOption,
    ShotOption,
    SnrTargetOption,
    SpeedOption,
    StorageOption,
    film_from_options,
    history_from_options,
    scene_from_options,
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


def preview(
    speed: SpeedOption = None,
    kind: KindOption = DEFAULT_KIND,
    film: FilmOption = None,
    passes: PassesOption = None,
    shield: ShieldOption = None,
    film_format: FilmFormatOption = "35mm",
    bag: BagOption = None,
    badge: BadgeOption = None,
    held: HeldOption = None,
    beam_on: BeamOnOption = "unknown",
    flight: FlightOption = None,
    storage: StorageOption = None,
    kerma: Annotated[
        str | None,
        typer.Option("--kerma", help="A further dose at the film; microgray, or with a unit.", metavar="DOSE"),
    ] = None,
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
    peak_to_mean: Annotated[
        float | None, typer.Option("--peak-to-mean", help="Fog of the worst band over the mean.", metavar="RATIO")
    ] = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    cost_under: CostUnderOption = 4.0,
    cost_over: CostOverOption = 1.0,
    shadow_reading: ShadowReadingOption = None,
    highlight_reading: HighlightReadingOption = None,
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
    question = Question(
        criterion=criterion,
        snr_target=snr_target,
        scene_range=scene_from_options(scene_range, shadow_reading, highlight_reading),
        peak_to_mean=1.0 if trip is None or peak_to_mean is None else peak_to_mean,
        cost_under=cost_under,
        cost_over=cost_over,
    )
    notes: list[str] = []
    odds: RollOdds | None = None
    dose: float | None = None
    if trip is not None:
        one_roll = (speed, film, passes, shield, bag, badge, held, flight, storage, kerma, exposed or None, shot_ei)
        if any(option is not None for option in one_roll):
            raise ArgumentError("trip", str(trip), "either a trip file or the options of one roll, not both")
        one, odds, dose = _of_trip(trip, roll, question, notes)
    else:
        if roll is not None:
            raise ArgumentError("roll", roll, "a roll of a trip file", "Give --trip TRIP.toml.")
        history = history_from_options(
            passes or (),
            shield,
            kerma,
            flight or (),
            storage,
            film_format=film_format,
            bag=bag,
            badge=badge,
            held=held,
            beam_on=beam_on,
        )
        state: State = "exposed" if exposed else "unexposed"
        shot = None if shot_ei is None else Shot(ei=shot_ei)
        which = film_from_options(speed, kind, film)
        one = Roll(id="roll", film=which, history=history, peak_to_mean=peak_to_mean, state=state, shot=shot)
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
