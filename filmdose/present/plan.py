"""The plan of a trip ahead as a document."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.planning import Plan
from filmdose.present.document import Block, Document, Heading, Paragraph, Table
from filmdose.present.trip import trip_title
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, range_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["plan_document"]


def plan_document(plan: Plan) -> Document:
    """Whom to ask for hand inspection of what, which speed to carry, what a pouch is worth."""
    blocks: tuple[Block, ...] = (
        _order(plan),
        _checkpoints(plan),
        Paragraph(_pouch_words(plan)),
        _speeds(plan),
        Paragraph(plan.carry_words),
        Heading("If everything is scanned"),
        *(Paragraph(row.verdict) for row in plan.rolls),
        *map(Paragraph, plan.notes),
        Paragraph(
            "Rules differ and change: look up that of each country, airport and operator. Tell staff the truth, and "
            f"leave each film in its own container. {TEST_FIRST}"
        ),
    )

    def rows(frame: pd.DataFrame) -> list[dict[str, Any]]:
        return frame.to_dict(orient="records")  # type: ignore[return-value]

    data = {
        "title": plan.trip.title,
        "criterion": plan.criterion,
        "rolls": rows(plan.to_dataframe()),
        "checkpoints": rows(plan.checkpoints),
        "pouch": rows(plan.pouch)[0],
        "speeds": rows(plan.speeds),
        "carry": plan.carry_words,
        "notes": list(plan.notes),
    }
    return Document(kind="plan", title=trip_title(plan.trip), blocks=blocks, data=data, rows=plan.to_dataframe())


def _order(plan: Plan) -> Table:
    columns = {
        "rank": [row.rank for row in plan.rolls],
        "roll": [row.roll.id for row in plan.rolls],
        "ISO": [format_speed(row.roll.film.speed) for row in plan.rolls],
        "state": [row.roll.state for row in plan.rolls],
        "importance": [row.roll.importance for row in plan.rolls],
        "dose, all scanned": [range_text(row.kerma_ugy[0], row.kerma_ugy[2]) for row in plan.rolls],
        "loss, all scanned": [f"{row.loss_scanned:.1f}" for row in plan.rolls],
        "loss, by hand": [f"{row.loss_hand:.1f}" for row in plan.rolls],
        "avoided": [f"{row.avoided:.1f}" for row in plan.rolls],
    }
    right = ("rank", "ISO", "importance", "loss, all scanned", "loss, by hand", "avoided")
    return Table.of(columns, numeric=right, title="Ask for hand inspection in this order [stops lost on average]")


def _checkpoints(plan: Plan) -> Table:
    words = {"scan": "will be scanned", "hand": "by hand as agreed", "ask": ""}
    rows = plan.checkpoints
    columns = {
        "checkpoint": rows["where"],
        "scanner": rows["source"],
        "avoided by hand inspection": [
            words[inspect] or f"{value:.1f}" for inspect, value in zip(rows["inspect"], rows["avoided"], strict=True)
        ],
        "most for": rows["most_for"],
    }
    return Table.of(columns, title="What hand inspection is worth at each checkpoint [stops, all rolls]")


def _speeds(plan: Plan) -> Table:
    import pandas as pd

    rows = plan.speeds
    columns = {
        "ISO": [format_speed(v) for v in rows["speed"]],
        "EI left": [
            "none" if pd.isna(ei) else format_speed(ei) + ("*" if status != "ok" else "")
            for ei, status in zip(rows["ei"], rows["status"], strict=True)
        ],
        "stops lost on average": [f"{v:.1f}" for v in rows["loss"]],
        "over a stop lost": [f"{100 * v:.0f} %" for v in rows["chance_over_one_stop"]],
        "nothing helps": [f"{100 * v:.0f} %" for v in rows["chance_lost"]],
        "": ["<- carry" if v else "" for v in rows["carry"]],
    }
    star = "* the shadows are not wholly restored." if (rows["status"] != "ok").any() else ""
    return Table.of(columns, numeric=list(columns)[:5], title="Which speed to carry through all of it", caption=star)


def _pouch_words(plan: Plan) -> str:
    row = plan.pouch.iloc[0]
    return (
        f"A pouch of {row['pouch']} around every roll: expected loss {row['loss_with']:.1f} instead of "
        f"{row['loss_without']:.1f} stops, most for {row['most_for']}. Staff may want to see inside it."
    )


hold_to_annotations(globals())
