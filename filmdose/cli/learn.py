"""filmdose learn: what developed, measured rolls teach about all others."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import pandas as pd
import typer

from filmdose.cli.output import FormatOption, check_format, emit, frame_csv, frame_markdown, json_text, render_table
from filmdose.cli.sure import PriorsOption, SamplesOption, SeedOption, priors_from, trip_title, warnings_as_notes
from filmdose.tripfile import read_trip

if TYPE_CHECKING:
    from filmdose.odds import Learned


def learn(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML.", metavar="TRIP.toml")],
    readings: Annotated[
        Path | None,
        typer.Argument(help="Readings, TOML; those of the trip file when left out.", metavar="[READINGS.toml]"),
    ] = None,
    save: Annotated[
        Path | None,
        typer.Option("--save", help="Keep what was learnt in this file, for --measured.", metavar="FILE.json"),
    ] = None,
    before: Annotated[
        Path | None, typer.Option("--before", help="What an earlier trip has taught.", metavar="FILE.json")
    ] = None,
    priors: PriorsOption = None,
    samples: SamplesOption = 2**15,
    seed: SeedOption = 0,
    format: FormatOption = "text",
) -> None:
    """Learn from measured rolls, and keep it for other rolls and other trips."""
    from filmdose.odds import learn as learn_from
    from filmdose.odds import read_learned, read_readings, save_learned, trip_model

    check_format(format)
    journey = read_trip(file)
    model = trip_model(journey, priors_from(priors))
    notes: list[str] = []
    with warnings_as_notes(notes):
        taught = learn_from(
            model,
            None if readings is None else read_readings(readings),
            learned=None if before is None else read_learned(before),
            samples=samples,
            rng=seed,
        )
    if save is not None:
        save_learned(taught, save)
    table = taught.summary().reset_index()
    if format == "json":
        text = json_text(
            {
                "title": journey.title,
                "readings": list(taught.readings),
                "draws": len(taught.weights),
                "effective_draws": taught.effective_draws,
                "probability": taught.probability,
                "quantities": table.to_dict(orient="records"),
                "notes": notes,
            }
        )
    elif format == "csv":
        text = frame_csv(table)
    elif format == "markdown":
        text = frame_markdown(_readable(table))
    else:
        text = _text(taught, table, notes, trip_title(journey, str(file)), save)
    emit(text, None)


def _readable(table: pd.DataFrame) -> pd.DataFrame:
    def interval(suffix: str) -> list[str]:
        columns = zip(*(table[f"{name}{suffix}"] for name in ("typical", "low", "high")), strict=True)
        return [f"{middle:.3g} ({low:.3g} to {high:.3g})" for middle, low, high in columns]

    return pd.DataFrame(
        {
            "quantity": table["quantity"],
            "before": interval("_before"),
            "after": interval(""),
            "unit": table["unit"],
            "narrowed": [f"{100 * value:.0f} %" for value in table["narrowed"]],
        }
    )


def _text(taught: Learned, table: pd.DataFrame, notes: list[str], title: str, save: Path | None) -> str:
    drawn = render_table(_readable(table), title=title, numeric=("before", "after", "narrowed"))
    lines = [
        f"{str(taught)[0].upper()}{str(taught)[1:]}. Chance of such readings before: {taught.probability:.2g}.",
        "A measured fog shows kappa times dose, not each of them: that product is what the other rolls depend on.",
        *notes,
    ]
    if save is not None:
        lines.append(f"Kept in {save}; use it with --measured.")
    return drawn + "\n" + "\n".join(lines)
