"""filmdose develop: times, temperature, what development trades, restrainers, work on location."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from filmdose.cli.options import (
    SCENE_RANGE,
    FilmOptions,
    SceneRangeOption,
    ShotOption,
    number_list,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.cli.progress import progress
from filmdose.errors import ArgumentError, UnknownNameError

if TYPE_CHECKING:
    from filmdose.development.choice import WantedRange
    from filmdose.development.contrast import DevelopmentFit
    from filmdose.development.temperature import TemperatureFit
    from filmdose.present.document import Document
    from filmdose.trip import Roll

#: What can be asked.
MODES = ("contrast", "temperature", "roll", "restrainer", "location")


@with_blocks
def develop(
    mode: Annotated[
        str, typer.Argument(help="What to tell: contrast, temperature, roll, restrainer or location.", metavar="WHAT")
    ],
    file: Annotated[
        Path | None,
        typer.Argument(help="Trip file; with restrainer, a CSV of test strips.", metavar="FILE"),
    ] = None,
    roll: Annotated[str | None, typer.Option("--roll", help="Roll of the trip file.", metavar="ID")] = None,
    *,
    film: FilmOptions,
    kerma: Annotated[
        str | None, typer.Option("--kerma", help="Dose at the film; microgray, or with a unit.", metavar="DOSE")
    ] = None,
    shot_ei: ShotOption = None,
    scene_range: SceneRangeOption = SCENE_RANGE,
    contrast: Annotated[
        str | None,
        typer.Option("--contrast", help="Contrast after each time [min]: '4=0.50,8=0.75'.", metavar="MIN=CONTRAST,..."),
    ] = None,
    induction: Annotated[bool, typer.Option("--induction", help="Fit an induction time as well.")] = False,
    normal: Annotated[
        float | None, typer.Option("--normal", help="Normal time of development [min].", metavar="MIN")
    ] = None,
    pairs: Annotated[
        str | None,
        typer.Option("--pairs", help="Times of equal development: '20=6.5,22=5.5' [C=min].", metavar="C=MIN,..."),
    ] = None,
    law: Annotated[str, typer.Option("--law", help="q10 or arrhenius.", metavar="LAW")] = "q10",
    rounded: Annotated[
        float | None, typer.Option("--rounded", help="Step to which the times are rounded [min].", metavar="MIN")
    ] = None,
    at: Annotated[
        str | None,
        typer.Option("--at", help="Contrasts or temperatures [C] whose times are asked for.", metavar="VALUE,..."),
    ] = None,
    grade: Annotated[
        float | None, typer.Option("--grade", help="Paper grade that the negative is for, 0 to 5.", metavar="GRADE")
    ] = None,
    density_range: Annotated[
        str | None, typer.Option("--density-range", help="Or the density range wanted.", metavar="LOW-HIGH")
    ] = None,
    scanner: Annotated[
        float | None,
        typer.Option("--scanner", help="Or what a scanner reads above base plus fog [density].", metavar="DENSITY"),
    ] = None,
    fog_factor: Annotated[
        float | None, typer.Option("--fog-factor", help="Fog with the restrainer over that without.", metavar="FACTOR")
    ] = None,
    speed_factor: Annotated[
        float | None, typer.Option("--speed-factor", help="Speed with it over that without.", metavar="FACTOR")
    ] = None,
    base_density: Annotated[
        float | None, typer.Option("--base", help="Density of a strip fixed undeveloped.", metavar="DENSITY")
    ] = None,
    tank: Annotated[int, typer.Option("--tank", help="Rolls that the tank takes.", metavar="ROLLS")] = 1,
    solution: Annotated[
        list[str] | None,
        typer.Option("--solution", help="Bath and ml a tank, rolls a litre behind @; repeat.", metavar="NAME=ML"),
    ] = None,
    temperature: Annotated[
        float | None, typer.Option("--temperature", help="Temperature at hand [C].", metavar="C")
    ] = None,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Tell what other development trades on a fogged roll: times, range, restrainers, work on location."""
    check_output(format, output)
    document: Document
    if mode == "contrast":
        from filmdose.present.develop import contrast_document

        wanted = [] if at is None else number_list("at", at, unit="density per log unit")
        document = contrast_document(_contrast(contrast, induction), wanted)
    elif mode == "temperature":
        from filmdose.present.develop import temperature_document

        asked = [] if at is None else number_list("at", at, unit="degrees C")
        document = temperature_document(_temperature(pairs, law, rounded), asked)
    elif mode == "location":
        document = _location(file, tank, solution or (), temperature, pairs, law, rounded)
    elif mode == "restrainer" and fog_factor is None and speed_factor is None:
        document = _strips(file, base_density)
    elif mode in ("roll", "restrainer"):
        one = _roll(file, roll, film, kerma, shot_ei)
        if mode == "roll":
            range_wanted = _wanted(grade, density_range, scanner)
            with progress("choosing"):
                document = _roll_document(one, scene_range, _readings(contrast, normal), normal, range_wanted)
        else:
            document = _restrained(one, fog_factor, speed_factor)
    else:
        raise UnknownNameError("what", mode, MODES)
    deliver(document, format, output)


def _couples(argument: str, text: str | None, allowed: str) -> tuple[list[float], list[float]]:
    if text is None:
        raise ArgumentError(argument, None, allowed)
    try:
        couples = [tuple(map(float, part.split("="))) for part in text.split(",")]
        left, right = map(list, zip(*couples, strict=True))
    except (ValueError, TypeError) as error:
        raise ArgumentError(argument, text, allowed) from error
    return left, right


def _contrast(text: str | None, induction: bool) -> DevelopmentFit:
    from filmdose.development.contrast import fit_development

    times, gammas = _couples("contrast", text, "times and contrasts, such as '4=0.50,6=0.64,8=0.75'")
    return fit_development(times, gammas, induction=induction)


def _readings(text: str | None, normal: float | None) -> DevelopmentFit | None:
    if (text is None) != (normal is None):
        raise ArgumentError("normal", normal, "a normal time together with --contrast")
    return None if text is None else _contrast(text, False)


def _temperature(text: str | None, law: str, rounded: float | None) -> TemperatureFit:
    from filmdose.development.temperature import fit_temperature

    temperatures, times = _couples("pairs", text, "temperatures and times, such as '20=6.5,22=5.5'")
    return fit_temperature(temperatures, times, law=law, rounded_to_min=rounded)


def _wanted(grade: float | None, ends: str | None, scanner: float | None) -> WantedRange | None:
    from filmdose.development.choice import WantedRange

    given = [value for value in (grade, ends, scanner) if value is not None]
    if len(given) > 1:
        raise ArgumentError("grade", grade, "one of --grade, --density-range and --scanner")
    if grade is not None:
        return WantedRange.for_grade(grade)
    if scanner is not None:
        return WantedRange.for_scanner(scanner)
    if ends is None:
        return None
    try:
        low, high = map(float, ends.split("-"))
    except ValueError as error:
        raise ArgumentError("density_range", ends, "two densities, such as 0.8-1.05") from error
    return WantedRange(low=low, high=high)


def _roll(
    file: Path | None,
    name: str | None,
    film: FilmOptions,
    kerma: str | None,
    shot_ei: float | None,
) -> tuple[Roll, float, float]:
    """The roll, its kerma [uGy] and the unevenness of its fog."""
    from filmdose.history import history_dose
    from filmdose.trip import Roll, Shot, find_roll, trip_as_shot
    from filmdose.tripfile import read_trip
    from filmdose.units import parse_kerma

    if file is None:
        if name is not None:
            raise ArgumentError("roll", name, "a roll together with a trip file")
        shot = None if shot_ei is None else Shot(ei=shot_ei)
        one = Roll(id="roll", film=film.made(), shot=shot)
        return one, 0.0 if kerma is None else parse_kerma("kerma", kerma), 1.0
    if name is None or film.given or kerma is not None or shot_ei is not None:
        raise ArgumentError("roll", name, "--roll ID, and no other film or dose, beside a trip file")
    one = find_roll(trip_as_shot(read_trip(file)), name)
    dose = history_dose(one.history)
    return one, dose.kerma_ugy, dose.peak_to_mean


def _roll_document(
    found: tuple[Roll, float, float],
    scene_range: float,
    fit: DevelopmentFit | None,
    normal: float | None,
    wanted: WantedRange | None,
) -> Document:
    from filmdose.development.choice import choose_development, development_trade
    from filmdose.present.develop import roll_development_document
    from filmdose.question import Question
    from filmdose.trip import roll_question

    one, kerma, peak = found
    asked = roll_question(one, Question(scene_range=scene_range), peak)
    shot = None if one.shot is None else one.shot.ei
    trade = development_trade(one.film, kerma, asked, fit=fit, normal_min=normal, shot_ei=shot)
    if wanted is None:
        return roll_development_document(trade)
    choice = choose_development(
        one.film,
        kerma,
        asked,
        wanted=wanted,
        exposed=one.state == "exposed",
        shot_ei=shot,
        fit=fit,
        normal_min=normal,
    )
    return roll_development_document(trade, choice)


def _restrained(found: tuple[Roll, float, float], fog: float | None, speed: float | None) -> Document:
    from filmdose.development.restrainers import RestrainerPair, restrain
    from filmdose.film.model import film_words
    from filmdose.present.develop import restrainer_document
    from filmdose.question import Question
    from filmdose.trip import roll_question

    if fog is None or speed is None:
        missing = "fog_factor" if fog is None else "speed_factor"
        raise ArgumentError(missing, None, "both factors, measured on your own film", "No pair has been published.")
    pair = RestrainerPair(fog_factor=fog, speed_factor=speed)
    one, kerma, peak = found
    shot = None if one.shot is None else one.shot.ei
    result = restrain(one.film, kerma, pair, roll_question(one, Question(), peak), shot_ei=shot)
    return restrainer_document(pair, result, film_words(one.film))


def _strips(file: Path | None, base_density: float | None) -> Document:
    from filmdose.present.develop import strips_document

    if file is None:
        return strips_document()
    from filmdose.development.restrainers import evaluate_strips, read_strips

    if base_density is None:
        raise ArgumentError("base", None, "the density of a strip that was fixed undeveloped, as --base DENSITY")
    return strips_document(*evaluate_strips(read_strips(file), base_density))


def _location(
    file: Path | None,
    tank: int,
    solutions: list[str] | tuple[str, ...],
    temperature: float | None,
    pairs: str | None,
    law: str,
    rounded: float | None,
) -> Document:
    from filmdose.development.location import Solution, plan_development
    from filmdose.present.develop import location_document
    from filmdose.tripfile import read_trip

    if file is None:
        raise ArgumentError("file", None, "a trip file", "Write one, or call filmdose.development.plan_development.")
    plan = plan_development(
        read_trip(file),
        tank_rolls=tank,
        solutions=[Solution.parse(text) for text in solutions],
        temperature_c=temperature,
        times=None if pairs is None else _temperature(pairs, law, rounded),
    )
    return location_document(plan)
