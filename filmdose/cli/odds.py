"""filmdose odds: how sure the exposure index is, for one roll or for a trip."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from filmdose.cli.options import (
    DEFAULT_KIND,
    CriterionOption,
    ExposedOption,
    FilmOption,
    FlightOption,
    KindOption,
    PassesOption,
    SceneRangeOption,
    ShieldOption,
    SnrTargetOption,
    SpeedOption,
    StorageOption,
    film_from_options,
    history_from_options,
)
from filmdose.cli.output import (
    FormatOption,
    OutputOption,
    check_format,
    emit,
    frame_csv,
    frame_markdown,
    json_text,
    render_table,
)
from filmdose.cli.sure import (
    NUMERIC,
    MeasuredOption,
    PriorsOption,
    SamplesOption,
    SeedOption,
    learned_from,
    priors_from,
    progress,
    readable_odds,
    trip_title,
)
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE
from filmdose.errors import ArgumentError
from filmdose.trip import Roll, Trip, find_roll
from filmdose.tripfile import read_trip

if TYPE_CHECKING:
    from filmdose.odds import TripModel, TripOdds


def odds(
    file: Annotated[Path | None, typer.Argument(help="Trip file, TOML.", metavar="[TRIP.toml]")] = None,
    speed: SpeedOption = None,
    kind: KindOption = DEFAULT_KIND,
    film: FilmOption = None,
    passes: PassesOption = None,
    shield: ShieldOption = None,
    flight: FlightOption = None,
    storage: StorageOption = None,
    exposed: ExposedOption = False,
    measured: MeasuredOption = None,
    ignore_readings: Annotated[
        bool, typer.Option("--ignore-readings", help="As if nothing in the trip file had been measured.")
    ] = False,
    priors: PriorsOption = None,
    cost_under: Annotated[
        float | None, typer.Option("--cost-under", help="Cost of a stop too little exposure; 4 (reversal 1).")
    ] = None,
    cost_over: Annotated[
        float | None, typer.Option("--cost-over", help="Cost of a stop too much exposure; 1 (reversal 4).")
    ] = None,
    why: Annotated[
        str | None,
        typer.Option("--why", help="Say what matters most for this roll, and what would narrow it.", metavar="ROLL"),
    ] = None,
    samples: SamplesOption = 2**15,
    seed: SeedOption = 0,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """Print what to set the meter to when the dose is not known, and how sure that is."""
    from filmdose.odds import propagate, trip_model

    check_format(format)
    one_roll = (speed, film, passes, shield, flight, storage, exposed or None)
    if file is not None:
        if any(option is not None for option in one_roll):
            raise ArgumentError("trip", str(file), "either a trip file or the options of one roll, not both")
        journey = read_trip(file)
    else:
        state = "exposed" if exposed else "unexposed"
        history = history_from_options(passes or (), shield, None, flight or (), storage)
        roll = Roll(id="roll", film=film_from_options(speed, kind, film), history=history, state=state)
        journey = Trip(rolls=(roll,))
    if why is not None:
        find_roll(journey, why)
    notes: list[str] = []
    model = trip_model(journey, priors_from(priors))
    taught = None if ignore_readings and measured is None else learned_from(measured, model, seed, notes)
    with progress("drawing") as advance:
        answer = propagate(
            model,
            learned=taught,
            criterion=criterion,
            snr_target=snr_target,
            scene_range=scene_range,
            cost_under=cost_under,
            cost_over=cost_over,
            samples=samples,
            rng=seed,
            progress=advance,
        )
    reasons = None if why is None else _reasons(model, why, criterion, snr_target, seed)
    if format == "json":
        text = json_text(odds_json(answer, notes, reasons))
    elif format == "csv":
        text = frame_csv(answer.table())
    elif format == "markdown":
        text = frame_markdown(readable_odds(answer)) + f"\n\n{_footnotes(answer, notes)}\n"
    else:
        text = _text(answer, notes, reasons, trip_title(journey, "one roll" if file is None else str(file)))
    emit(text, output)


def _reasons(model: TripModel, roll: str, criterion: str, snr_target: float, seed: int) -> dict[str, Any]:
    from filmdose.odds import narrowing, tornado, trip_sobol

    options: dict[str, Any] = {"criterion": criterion, "snr_target": snr_target}
    return {
        "roll": roll,
        "tornado": tornado(model, roll, **options),
        "sobol": trip_sobol(model, roll, rng=seed, **options),
        "narrowing": narrowing(model, roll, rng=seed, **options),
    }


def odds_json(answer: TripOdds, notes: list[str], reasons: dict[str, Any] | None = None) -> dict[str, Any]:
    """The odds of a trip as one object."""
    result: dict[str, Any] = {
        "title": answer.trip.title,
        "criterion": answer.criterion,
        "snr_target": answer.snr_target,
        "samples": answer.samples,
        "settled_stops": answer.settled_stops,
        "table_error_stops": answer.table_error_stops,
        "learned": None if answer.learned is None else str(answer.learned),
        "notes": notes,
        "rolls": [row.to_dict() for row in answer.rolls],
    }
    if reasons is not None:
        result["why"] = {
            "roll": reasons["roll"],
            "tornado": reasons["tornado"].reset_index().to_dict(orient="records"),
            "sobol": reasons["sobol"].reset_index().to_dict(orient="records"),
            "narrowing": reasons["narrowing"].table.reset_index().to_dict(orient="records"),
            "message": reasons["narrowing"].message,
        }
    return result


def _footnotes(answer: TripOdds, notes: list[str]) -> str:
    cautions = dict.fromkeys(
        part.resolved_source.caution
        for roll in answer.trip.rolls
        for part in roll.history.passes
        if part.resolved_source.caution and part.kerma_ugy is None
    )
    return " ".join([answer.footnote, *notes, *cautions, "Test on one unimportant roll first."])


def _text(answer: TripOdds, notes: list[str], reasons: dict[str, Any] | None, title: str) -> str:
    blocks = [render_table(readable_odds(answer), title=title, numeric=NUMERIC)]
    for row in answer.rolls:
        blocks.append(f"{row.roll.id}: {row.message}")
        if row.bracket is not None:
            blocks.append(f"  {row.bracket_sentence}")
    blocks.append("")
    if reasons is not None:
        blocks.append(_reasons_text(reasons))
    blocks.append(_footnotes(answer, notes))
    return "\n".join(blocks)


def _reasons_text(reasons: dict[str, Any]) -> str:
    table = reasons["tornado"].join(reasons["sobol"][["first", "total", "total_low", "total_high"]]).reset_index()
    shown = table[["input"]].copy()
    shown["stops at 5 %"] = [f"{value:.2f}" for value in table["low"]]
    shown["at 95 %"] = [f"{value:.2f}" for value in table["high"]]
    shown["alone"] = [f"{100 * max(value, 0.0):.0f} %" for value in table["first"]]
    shown["with others"] = [
        f"{100 * value:.0f} % ({100 * max(low, 0.0):.0f} to {100 * high:.0f})"
        for value, low, high in zip(table["total"], table["total_low"], table["total_high"], strict=True)
    ]
    drawn = render_table(
        shown,
        title=f"What matters most for roll {reasons['roll']}: each unknown at its ends, and its share of the variance",
        numeric=("stops at 5 %", "at 95 %", "alone", "with others"),
    )
    return f"{drawn}\n{reasons['narrowing'].message}\n"
