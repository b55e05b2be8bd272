"""filmdose budget: how much dose until a loss, and how many passes that is."""

from __future__ import annotations

import math
from typing import Annotated

import pandas as pd
import typer

from filmdose.cli.options import (
    DEFAULT_KIND,
    CriterionOption,
    FilmsOption,
    KindOption,
    SnrTargetOption,
    SpeedsOption,
    films_from_options,
)
from filmdose.cli.output import (
    FormatOption,
    OutputOption,
    check_format,
    emit,
    frame_csv,
    frame_json,
    frame_markdown,
    render_table,
)
from filmdose.compensation import DEFAULT_CRITERION, criterion_name
from filmdose.errors import ArgumentError
from filmdose.inverse import LOSSES, dose_budget
from filmdose.present.tables import TABLE_SPEEDS
from filmdose.units import format_speed


def budget(
    speeds: SpeedsOption = None,
    kind: KindOption = DEFAULT_KIND,
    film: FilmsOption = None,
    loss: Annotated[
        str | None, typer.Option("--loss", help="Losses in stops; inf is beyond rescue.", metavar="0.5,1,inf")
    ] = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """Print how much dose each film stands until a loss, and how many passes that is."""
    check_format(format)
    name = criterion_name(criterion)
    films = films_from_options(speeds, kind, film, TABLE_SPEEDS)
    rows = dose_budget(films, LOSSES if loss is None else _losses(loss), criterion=name, snr_target=snr_target)
    if format == "csv":
        text = frame_csv(rows)
    elif format == "json":
        text = frame_json(rows)
    else:
        shown = _readable(rows)
        words = (
            f"By {name}. Dose with the range that the calibration of fog gives it. Passes: at the typical dose of "
            "the source, and in brackets at its high dose; sources that no film survives once are left out. Passes do "
            "not add up, doses do. Cabin CT: badge readings of one country, not reviewed."
        )
        if format == "markdown":
            text = frame_markdown(shown, caption=words)
        else:
            text = render_table(shown, title="Dose until a loss [uGy]", caption=words, numeric=list(shown.columns[1:]))
    emit(text, output)


def _losses(text: str) -> list[float]:
    losses = []
    for part in text.split(","):
        try:
            value = float(part)
        except ValueError:
            value = math.nan
        if not value > 0:
            raise ArgumentError("loss", text, "numbers above 0 [stops], or inf, with commas between")
        losses.append(value)
    return losses


def _readable(rows: pd.DataFrame) -> pd.DataFrame:
    generic = rows["film"] == rows["kind"] + " ISO " + rows["speed"].map("{:g}".format)
    films = rows["film"].where(~generic, "ISO " + rows["speed"].map(format_speed))
    doses = zip(rows["kerma_ugy"], rows["kerma_low_ugy"], rows["kerma_high_ugy"], strict=True)
    shown = pd.DataFrame(
        {
            "film": films,
            "loss": ["beyond rescue" if math.isinf(v) else f"{v:g} stops" for v in rows["loss_stops"]],
            "dose [uGy]": [
                "-" if math.isnan(dose) else f"{dose:,.3g} ({low:,.3g} to {high:,.3g})" for dose, low, high in doses
            ],
        }
    )
    for column in rows.columns:
        source = column.removeprefix("passes_")
        if column != source and not column.endswith("_sure"):
            if not (rows[column] > 0).any():
                continue
            counts = zip(rows[column], rows[f"{column}_sure"], strict=True)
            shown[source] = ["-" if math.isnan(n) else f"{n:.0f} ({sure:.0f})" for n, sure in counts]
    return shown
