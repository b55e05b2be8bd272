"""filmdose roll: one roll's answer with its reasons."""

from __future__ import annotations

from typing import Annotated, Any

import pandas as pd
import typer

from filmdose.cli.options import CriterionOption, SceneRangeOption, SnrTargetOption, parse_pass
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
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, Compensation, compensate
from filmdose.errors import ArgumentError
from filmdose.history import History, HistoryDose, history_dose
from filmdose.units import format_speed, parse_kerma


def roll(
    speed: Annotated[float, typer.Option("--speed", help="ISO speed on the box.", metavar="ISO")],
    passes: Annotated[
        list[str] | None,
        typer.Option(
            "--pass", help="Source and count, such as cabin-ct=2; its own shield behind @.", metavar="SOURCE=N"
        ),
    ] = None,
    shield: Annotated[
        str | None,
        typer.Option(
            "--shield", help="Shield of every pass without its own, such as lead=0.25.", metavar="MATERIAL=MM"
        ),
    ] = None,
    kerma: Annotated[
        str | None, typer.Option("--kerma", help="A further dose at the film; microgray, or with a unit.")
    ] = None,
    peak_to_mean: Annotated[
        float | None, typer.Option("--peak-to-mean", help="Fog of the worst band over the mean.")
    ] = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """Print the exposure index for one roll, from what it went through."""
    check_format(format)
    parts = tuple(parse_pass(text, shield) for text in passes or ())
    if shield is not None and not parts:
        raise ArgumentError("shield", shield, "a shield together with at least one --pass")
    dose = history_dose(History(passes=parts))
    extra = 0.0 if kerma is None else parse_kerma("kerma", kerma)
    answer = compensate(
        speed,
        dose.kerma_ugy + extra,
        criterion=criterion,
        snr_target=snr_target,
        scene_range=scene_range,
        peak_to_mean=dose.peak_to_mean if peak_to_mean is None else peak_to_mean,
    )
    if format == "json":
        text = json_text(roll_json(answer, dose, extra))
    elif format in ("csv", "markdown"):
        row = pd.DataFrame([roll_row(answer)])
        text = frame_csv(row) if format == "csv" else frame_markdown(row)
    else:
        text = roll_text(answer, dose, extra)
    emit(text, output)


def roll_json(answer: Compensation, dose: HistoryDose, extra_ugy: float) -> dict[str, Any]:
    """The answer and its dose as one object."""
    return {
        **answer.to_dict(),
        "kerma_low_ugy": dose.kerma_low_ugy + extra_ugy,
        "kerma_high_ugy": dose.kerma_high_ugy + extra_ugy,
        "air_kerma_ugy": dose.air_kerma_ugy + extra_ugy,
        "contributions": dose.contributions.to_dict(orient="records"),
        "notes": list(dose.notes),
    }


def roll_row(answer: Compensation) -> dict[str, Any]:
    """The answer as one tidy row, with the columns of the compensation table first."""
    return {
        "kind": answer.film.kind,
        "speed": answer.film.speed,
        "kerma_ugy": answer.kerma_ugy,
        "fog_density": answer.fog_density,
        "stops": answer.stops[answer.criterion],
        "ei": answer.ei,
        "status": answer.status,
        "ei_exact": answer.ei_exact,
        "highlight_room_stops": answer.highlight_room_stops,
        "snr_kept": answer.snr_kept,
        **{f"stops_{name}": value for name, value in answer.stops.items()},
        "criterion": answer.criterion,
        "message": answer.message,
    }


def roll_text(answer: Compensation, dose: HistoryDose, extra_ugy: float) -> str:
    """The answer as a page for the terminal."""
    blocks = [answer.message, ""]
    if len(dose.contributions):
        shown = dose.contributions
        blocks.append(
            render_table(
                pd.DataFrame(
                    {
                        "pass": shown["source"],
                        "count": shown["count"],
                        "shield": shown["shield"].replace("", "none"),
                        "lets through": [f"{100 * v:.0f} %" for v in shown["transmission"]],
                        "low": [f"{v:.3g}" for v in shown["kerma_low_ugy"]],
                        "typical": [f"{v:.4g}" for v in shown["kerma_ugy"]],
                        "high": [f"{v:.3g}" for v in shown["kerma_high_ugy"]],
                        "share": [f"{100 * v:.0f} %" for v in shown["share"]],
                    }
                ),
                title="Dose at the film [uGy]",
                numeric=("count", "lets through", "low", "typical", "high", "share"),
            )
        )
    low, high = dose.kerma_low_ugy + extra_ugy, dose.kerma_high_ugy + extra_ugy
    spread = f" ({low:.3g} to {high:.3g})" if low < high else ""
    facts = [
        ("dose", f"{answer.kerma_ugy:.4g} uGy{spread}"),
        ("fog", f"{answer.fog_density:.3f} density"),
        ("shadow signal-to-noise kept", f"{100 * answer.snr_kept:.0f} % at ISO {format_speed(answer.film.speed)}"),
        ("contrast", f"{answer.contrast['clean']:.3f} clean, {answer.contrast['fogged']:.3f} fogged"),
        (
            "highlight room",
            "none" if answer.highlight_room_stops is None else f"{answer.highlight_room_stops:.1f} stops",
        ),
        ("exact exposure index", "none" if answer.ei_exact is None else f"{answer.ei_exact:.1f}"),
    ]
    if answer.peak_to_mean > 1.0:
        facts.insert(1, ("worst band", f"{answer.peak_to_mean:.2f} times the mean fog; all figures are of it"))
    blocks.extend(f"{name:<29}{value}" for name, value in facts)
    blocks.append("")
    blocks.append("more exposure needed, by criterion")
    for name, value in answer.stops.items():
        used = "  (used)" if name == answer.criterion else ""
        blocks.append(f"  {name:<27}" + ("not possible" if value is None else f"{value:.2f} stops") + used)
    if dose.notes:
        blocks.extend(["", *dose.notes])
    blocks.extend(["", "Generic film data are typical values; test on one unimportant roll first."])
    return "\n".join(blocks)
