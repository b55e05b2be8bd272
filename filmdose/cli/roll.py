"""filmdose roll: one roll's answer with its reasons."""

from __future__ import annotations

from typing import Annotated

import typer

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
from filmdose.present.roll import roll_document
from filmdose.trip import Roll, Shot, answer_roll


def roll(
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
    """Print the exposure index for one roll, from what it went through; of an exposed roll, what is lost."""
    from filmdose.odds import propagate

    check_output(format, output)
    which = film_from_options(speed, kind, film)
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
    state = "exposed" if exposed else "unexposed"
    one = Roll(id="roll", film=which, history=history, peak_to_mean=peak_to_mean, state=state, shot=shot)
    found = answer_roll(one, question)
    with progress("drawing") as advance:
        odds = propagate([one], question, progress=advance)["roll"]
    deliver(roll_document(found.answer, found.dose, odds), format, output)
