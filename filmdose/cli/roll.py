"""filmdose roll: one roll's answer with its reasons."""

from __future__ import annotations

from typing import Annotated, Any

import pandas as pd
import typer

from filmdose.cli.options import (
    DEFAULT_KIND,
    CriterionOption,
    ExposedOption,
    FilmOption,
    FlightOption,
    HighlightReadingOption,
    KindOption,
    PassesOption,
    SceneRangeOption,
    ShadowReadingOption,
    ShieldOption,
    SnrTargetOption,
    SpeedOption,
    StorageOption,
    film_from_options,
    history_from_options,
    scene_from_options,
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
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE, Compensation, compensate
from filmdose.exposed import ExposedLoss, assess_exposed
from filmdose.history import HistoryDose, history_dose
from filmdose.units import format_speed
from filmdose.words import stops_text


def roll(
    speed: SpeedOption = None,
    kind: KindOption = DEFAULT_KIND,
    film: FilmOption = None,
    passes: PassesOption = None,
    shield: ShieldOption = None,
    flight: FlightOption = None,
    storage: StorageOption = None,
    kerma: Annotated[
        str | None, typer.Option("--kerma", help="A further dose at the film; microgray, or with a unit.")
    ] = None,
    exposed: ExposedOption = False,
    peak_to_mean: Annotated[
        float | None, typer.Option("--peak-to-mean", help="Fog of the worst band over the mean.")
    ] = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    shadow_reading: ShadowReadingOption = None,
    highlight_reading: HighlightReadingOption = None,
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """Print the exposure index for one roll, from what it went through; of an exposed roll, what is lost."""
    check_format(format)
    which = film_from_options(speed, kind, film)
    dose = history_dose(history_from_options(passes or (), shield, kerma, flight or (), storage))
    scene = scene_from_options(scene_range, shadow_reading, highlight_reading)
    peak = dose.peak_to_mean if peak_to_mean is None else peak_to_mean
    answer = compensate(
        which, dose.kerma_ugy, criterion=criterion, snr_target=snr_target, scene_range=scene, peak_to_mean=peak
    )
    loss = assess_exposed(which, dose.kerma_ugy, scene_range=scene, peak_to_mean=peak) if exposed else None
    if format == "json":
        text = json_text(roll_json(answer, dose, loss))
    elif format in ("csv", "markdown"):
        rows = pd.DataFrame([roll_row(answer)]) if loss is None else loss.zones
        text = frame_csv(rows) if format == "csv" else frame_markdown(rows)
    else:
        text = roll_text(answer, dose) if loss is None else exposed_text(loss, dose)
    emit(text, output)


def roll_json(answer: Compensation, dose: HistoryDose, loss: ExposedLoss | None = None) -> dict[str, Any]:
    """The answer and its dose as one object; an exposed roll has no exposure index."""
    plain = answer.to_dict()
    if loss is not None:
        no_index = {"ei": None, "ei_exact": None, "ei_best": None, "snr_restored": None, "limited_by": "nothing helps"}
        plain = {**plain, **no_index, "status": "already_exposed", "message": loss.message, "exposed": loss.to_dict()}
    return {
        **plain,
        "kerma_low_ugy": dose.kerma_low_ugy,
        "kerma_high_ugy": dose.kerma_high_ugy,
        "air_kerma_ugy": dose.air_kerma_ugy,
        "emulsion_dose_ugy": dose.emulsion_dose_ugy,
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


def dose_text(dose: HistoryDose) -> str:
    """The parts of a dose as a table for the terminal; nothing when there are none."""
    shown = dose.contributions
    if not len(shown):
        return ""
    return render_table(
        pd.DataFrame(
            {
                "part": shown["source"],
                "count": [f"{v:g}" for v in shown["count"]],
                "shield": [text or "none" for text in shown["shield"]],
                "lets through": [f"{100 * v:.0f} %" for v in shown["transmission"]],
                "low": [f"{v:.3g}" for v in shown["kerma_low_ugy"]],
                "typical": [f"{v:.4g}" for v in shown["kerma_ugy"]],
                "high": [f"{v:.3g}" for v in shown["kerma_high_ugy"]],
                "share": [f"{100 * v:.0f} %" for v in shown["share"]],
            }
        ),
        title="Effective dose at the film [uGy]",
        numeric=("count", "lets through", "low", "typical", "high", "share"),
    )


def dose_facts(dose: HistoryDose, peak_to_mean: float) -> list[tuple[str, str]]:
    """What the dose is, in a few lines."""
    low, high = dose.kerma_low_ugy, dose.kerma_high_ugy
    spread = f" ({low:.3g} to {high:.3g})" if low < high else ""
    facts = [
        ("effective dose", f"{dose.kerma_ugy:.4g} uGy{spread}"),
        ("air kerma, emulsion dose", f"{dose.air_kerma_ugy:.4g} uGy, {dose.emulsion_dose_ugy:.4g} uGy"),
    ]
    if peak_to_mean > 1.0:
        facts.append(("worst band", f"{peak_to_mean:.2f} times the mean fog; all figures are of it"))
    return facts


def roll_text(answer: Compensation, dose: HistoryDose) -> str:
    """The answer as a page for the terminal."""
    room = answer.highlight_room_stops
    facts = [
        *dose_facts(dose, answer.peak_to_mean),
        ("fog", f"{answer.fog_density:.3f} density"),
        ("shadow signal-to-noise kept", f"{100 * answer.snr_kept:.0f} % at ISO {format_speed(answer.film.speed)}"),
        ("contrast", f"{answer.contrast['clean']:.3f} clean, {answer.contrast['fogged']:.3f} fogged"),
        ("highlight room", "none" if room is None else f"{room:.1f} stops"),
        ("exact exposure index", "none" if answer.ei_exact is None else f"{answer.ei_exact:.1f}"),
        ("limited by", answer.limited_by),
    ]
    if answer.spread is not None:
        mean = answer.spread["mean"]
        facts.append(("at the mean fog", f"fog {mean['fog_density']:.3f}, {stops_text(mean['stops'])}"))
    if answer.colour_shift is not None:
        shift, filters = answer.colour_shift["density"], answer.colour_shift["filters"]
        facts.append(("record that decides", answer.record))
        facts.append(("added density", ", ".join(f"{name} {value:.3f}" for name, value in shift.items())))
        facts.append(("filters to even it out", ", ".join(f"{value:.0f} {name}" for name, value in filters.items())))
    blocks = [answer.message, "", dose_text(dose), *(f"{name:<29}{value}" for name, value in facts), ""]
    if not answer.film.reversal:
        blocks.append("more exposure needed, by criterion")
        for name, value in answer.stops.items():
            used = "  (used)" if name == answer.criterion else ""
            blocks.append(f"  {name:<27}{stops_text(value)}{used}")
    return "\n".join([*blocks, *_closing(answer.film.origin, dose)])


def exposed_text(loss: ExposedLoss, dose: HistoryDose) -> str:
    """The loss of an exposed roll as a page for the terminal."""
    zones = loss.zones.rename(columns=lambda name: name.replace("_", " "))
    for column in zones.columns[2:4]:
        zones[column] = [f"{v:.3f}" for v in zones[column]]
    for column in zones.columns[4:]:
        zones[column] = [f"{100 * v:.0f} %" for v in zones[column]]
    table = render_table(zones, title="By exposure zone", numeric=list(zones.columns[1:]))
    facts = dose_facts(dose, loss.peak_to_mean)
    facts += [
        (f"effective speed, {name}", "none" if v is None else f"ISO {v:.0f}")
        for name, v in loss.effective_speed.items()
    ]
    if loss.printing_stops is not None:
        black, middle = loss.printing_stops["same_black"], loss.printing_stops["same_middle"]
        facts.append(("extra printing exposure", f"{black:.2f} stops for the same black, {middle:.2f} for the middle"))
    facts.append(("density range", "{clean:.2f} clean, {fogged:.2f} fogged".format(**loss.density_range)))
    if loss.film.kind == "bw-negative":
        grades = {state: "none fits" if v is None else f"{v:.0f}" for state, v in loss.paper_grade.items()}
        facts.append(("paper grade", "{clean} clean, {fogged} fogged".format(**grades)))
    for name, black_point in loss.scan_black.items():
        relative = 100 * black_point["relative_transmittance"]
        facts.append((f"scan black point, {name}", f"{relative:.0f} % of the transmittance of unscanned film"))
    lines = [f"{name:<38}{value}" for name, value in facts]
    return "\n".join([loss.message, "", dose_text(dose), table, *lines, "", loss.development, *_closing("", dose)])


def _closing(origin: str, dose: HistoryDose) -> list[str]:
    source = f" Film data: {origin}." if origin else ""
    return ["", *dose.notes, *([""] if dose.notes else []), f"Test on one unimportant roll first.{source}"]
