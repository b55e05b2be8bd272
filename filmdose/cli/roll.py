"""filmdose roll: one roll's answer with its reasons."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Annotated

import typer

from filmdose.cli.measured import SamplesOption, SeedOption
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
from filmdose.film.model import Film
from filmdose.history import History
from filmdose.present.roll import roll_document
from filmdose.trip import Roll, Shot, answer_roll, find_roll, with_more


def roll(
    speed: SpeedOption = None,
    kind: KindOption = DEFAULT_KIND,
    film: FilmOption = None,
    trip: Annotated[
        Path | None, typer.Option("--trip", help="Trip file of the roll to start from.", metavar="FILE")
    ] = None,
    start: Annotated[
        str | None, typer.Option("--roll", help="Roll of the trip; what is said of it here is added.", metavar="ID")
    ] = None,
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
    samples: SamplesOption = 2**15,
    seed: SeedOption = 0,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print the exposure index for one roll, from what it went through; of an exposed roll, what is lost."""
    from filmdose.odds import propagate

    check_output(format, output)
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
    shot = None if shot_ei is None else Shot(ei=shot_ei)
    question = Question(
        criterion=criterion,
        snr_target=snr_target,
        scene_range=scene_from_options(scene_range, shadow_reading, highlight_reading),
        cost_under=cost_under,
        cost_over=cost_over,
    )
    if trip is None and start is None:
        one = Roll(id="roll", film=film_from_options(speed, kind, film), history=history)
    else:
        other = film is not None or speed is not None or kind != DEFAULT_KIND
        which = film_from_options(speed, kind, film) if other else None
        for option, value, usual in (("film_format", film_format, "35mm"), ("bag", bag, None)):
            if value != usual:
                raise ArgumentError(option, value, "nothing together with --trip", "The roll has its own.")
        one = _roll_of_trip(trip, start, which, history)
    one = replace(
        one,
        peak_to_mean=one.peak_to_mean if peak_to_mean is None else peak_to_mean,
        state="exposed" if exposed else one.state,
        shot=one.shot if shot is None else shot,
    )
    found = answer_roll(one, question)
    with progress("drawing") as advance:
        odds = propagate([one], question, samples=samples, rng=seed, progress=advance)[one.id]
    deliver(roll_document(found.answer, found.dose, odds), format, output)


def _roll_of_trip(trip: Path | None, name: str | None, film: Film | None, history: History) -> Roll:
    """A roll of a trip file with a further history and, where one is given, another film."""
    from filmdose.tripfile import read_trip

    if trip is None or name is None:
        missing = "trip" if trip is None else "roll"
        raise ArgumentError(missing, None, "a trip file and one of its rolls", "Give --trip FILE and --roll ID.")
    start = with_more(find_roll(read_trip(trip), name), history)
    return start if film is None else replace(start, film=film)
