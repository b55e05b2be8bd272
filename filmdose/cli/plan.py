"""filmdose plan: what to do before and on a trip."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Any

import pandas as pd
import typer

from filmdose.cli.card import parse_date
from filmdose.cli.options import CriterionOption, SceneRangeOption, SnrTargetOption
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
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE
from filmdose.planning import DEFAULT_POUCH, Plan, make_plan
from filmdose.tripfile import read_trip
from filmdose.units import format_speed
from filmdose.words import range_text


def plan(
    file: Annotated[Path, typer.Argument(help="Trip file, TOML, with a [[leg]] for every checkpoint ahead.")],
    pouch: Annotated[
        str, typer.Option("--pouch", help="The pouch whose value is worked out.", metavar="MATERIAL=MM")
    ] = DEFAULT_POUCH,
    kind: Annotated[
        str, typer.Option("--kind", help="Kind of the films to choose from.", metavar="KIND")
    ] = "bw-negative",
    sheet: Annotated[
        Path | None,
        typer.Option(
            "--sheet", help="Also write a sheet to show at a checkpoint: .pdf, .svg, .png or .txt.", metavar="FILE"
        ),
    ] = None,
    sheet_text: Annotated[
        Path | None, typer.Option("--sheet-text", help="Translation of the words of the sheet, TOML.", metavar="FILE")
    ] = None,
    write_text: Annotated[
        Path | None, typer.Option("--write-text", help="Write the sheet's English words to translate.", metavar="FILE")
    ] = None,
    date: Annotated[
        str | None, typer.Option("--date", help="Date on the sheet; today by default.", metavar="YYYY-MM-DD")
    ] = None,
    samples: Annotated[int, typer.Option("--samples", help="Number of draws of what is not known.")] = 4096,
    seed: Annotated[int, typer.Option("--seed", help="Seed of the draws.")] = 0,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """Plan a trip: whom to ask for hand inspection of what, which speed to carry, what a pouch is worth."""
    from filmdose.present.page import check_ending
    from filmdose.present.sheet import SHEET_ENDINGS, SHEET_WORDS, write_sheet
    from filmdose.present.text import read_words, write_words

    check_format(format)
    trip = read_trip(file)
    day = None if date is None else parse_date(date)
    if sheet is not None:
        check_ending(sheet, SHEET_ENDINGS)
    words = read_words(SHEET_WORDS, sheet_text)
    if write_text is not None:
        write_words(SHEET_WORDS, write_text)
    made = make_plan(
        trip,
        pouch=pouch,
        kind=kind,
        criterion=criterion,
        snr_target=snr_target,
        scene_range=scene_range,
        samples=samples,
        rng=seed,
    )
    if sheet is not None:
        write_sheet(made, sheet, words=words, date=day)
    if format == "csv":
        emit(frame_csv(made.roll_table()), output)
    elif format == "json":
        emit(json_text(_json(made)), output)
    elif format == "markdown":
        emit(_markdown(made), output)
    else:
        emit(_text(made), output)


def _json(made: Plan) -> dict[str, Any]:
    def rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
        return frame.to_dict(orient="records")  # type: ignore[return-value]

    return {
        "title": made.trip.title,
        "criterion": made.criterion,
        "rolls": rows(made.roll_table()),
        "checkpoints": rows(made.checkpoints),
        "pouch": rows(made.pouch)[0],
        "speeds": rows(made.speeds),
        "notes": list(made.notes),
    }


def _order(made: Plan) -> pd.DataFrame:
    return pd.DataFrame(
        {
            "": [row.rank for row in made.rolls],
            "roll": [row.roll.id for row in made.rolls],
            "ISO": [format_speed(row.roll.film.speed) for row in made.rolls],
            "state": [row.roll.state for row in made.rolls],
            "importance": [row.roll.importance for row in made.rolls],
            "dose, all scanned": [range_text(row.kerma_ugy[0], row.kerma_ugy[2]) for row in made.rolls],
            "loss, all scanned": [f"{row.loss_scanned:.1f}" for row in made.rolls],
            "loss, by hand": [f"{row.loss_hand:.1f}" for row in made.rolls],
            "avoided": [f"{row.avoided:.1f}" for row in made.rolls],
        }
    )


def _checkpoints(made: Plan) -> pd.DataFrame:
    words = {"scan": "will be scanned", "hand": "by hand as agreed", "ask": ""}
    rows = made.checkpoints
    return pd.DataFrame(
        {
            "checkpoint": rows["where"],
            "scanner": rows["source"],
            "avoided by hand inspection": [
                words[inspect] or f"{value:.1f}"
                for inspect, value in zip(rows["inspect"], rows["avoided"], strict=True)
            ],
            "most for": rows["most_for"],
        }
    )


def _speeds(made: Plan) -> pd.DataFrame:
    rows = made.speeds
    return pd.DataFrame(
        {
            "ISO": [format_speed(v) for v in rows["speed"]],
            "EI left, to be safe": [
                "none" if pd.isna(ei) else format_speed(ei) + ("*" if status != "ok" else "")
                for ei, status in zip(rows["ei"], rows["status"], strict=True)
            ],
            "over a stop lost": [f"{100 * v:.0f} %" for v in rows["chance_over_one_stop"]],
            "nothing helps": [f"{100 * v:.0f} %" for v in rows["chance_lost"]],
            "": ["<- carry" if v else "" for v in rows["carry"]],
        }
    )


def _pouch_words(made: Plan) -> str:
    row = made.pouch.iloc[0]
    return (
        f"A pouch of {row['pouch']} around every roll: expected loss {row['loss_with']:.1f} instead of "
        f"{row['loss_without']:.1f} stops, most for {row['most_for']}. Staff may want to see inside it."
    )


def _closing(made: Plan) -> list[str]:
    return [
        *made.notes,
        "Rules differ and change: look up that of each country, airport and operator. Tell staff the truth, and leave "
        "each film in its own container. Test one unimportant roll first.",
    ]


_TITLES = (
    "Ask for hand inspection in this order [stops lost on average]",
    "What hand inspection is worth at each checkpoint [stops, all rolls]",
    "Which speed to carry through all of it",
)
_STAR = "* as far as the highlights allow; the shadows may want more."


def _text(made: Plan) -> str:
    title = (made.trip.title or made.trip.path) + (" [invented]" if made.trip.invented else "")
    blocks = [title, ""]
    blocks.append(
        render_table(
            _order(made),
            title=_TITLES[0],
            numeric=("", "ISO", "importance", "loss, all scanned", "loss, by hand", "avoided"),
        )
    )
    blocks.append(render_table(_checkpoints(made), title=_TITLES[1]))
    blocks.append(_pouch_words(made) + "\n")
    blocks.append(
        render_table(
            _speeds(made),
            title=_TITLES[2],
            caption=_STAR if (made.speeds["status"] != "ok").any() else "",
            numeric=("ISO", "EI left, to be safe", "over a stop lost", "nothing helps"),
        )
    )
    blocks += ["If everything is scanned", *(f"  {row.verdict}" for row in made.rolls), "", *_closing(made)]
    return "\n".join(blocks)


def _markdown(made: Plan) -> str:
    tables = (_order(made), _checkpoints(made), _speeds(made))
    parts = [f"### {title}\n\n{frame_markdown(table)}" for title, table in zip(_TITLES, tables, strict=True)]
    verdicts = frame_markdown(pd.DataFrame({"if everything is scanned": [row.verdict for row in made.rolls]}))
    return "\n".join([*parts, _STAR, "", _pouch_words(made), "", verdicts, *_closing(made)])
