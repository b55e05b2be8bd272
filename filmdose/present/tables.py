"""The table of exposure indices, and how much dose film stands: tidy DataFrames and their documents."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import asdict
from typing import Any

import numpy as np
import pandas as pd

from filmdose.answering import grid_rows, unique_labels
from filmdose.arguments import hold_to_annotations
from filmdose.film.generic import film_value
from filmdose.film.model import Film
from filmdose.history import HistoryDose, Pass, history_dose
from filmdose.present.document import Block, Document, Paragraph, Table
from filmdose.question import Question
from filmdose.radiation.sources import list_sources
from filmdose.solution import VERDICTS
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST, VERDICT_MARKS, dose_figures, figure_text

__all__ = [
    "TABLE_KERMA_UGY",
    "TABLE_SPEEDS",
    "budget_document",
    "caption",
    "claim_document",
    "compensation_table",
    "dose_points",
    "ei_matrix",
    "loss_matrix",
    "table_document",
    "verdict_words",
]

#: Speeds of the printed table: full stops over the range of the generic film.
TABLE_SPEEDS: tuple[float, ...] = (25, 50, 100, 200, 400, 800, 1600, 3200, 6400)

#: Accumulated kerma of the printed table [uGy].
TABLE_KERMA_UGY: tuple[float, ...] = (0, 1, 2, 5, 10, 20, 50, 100, 200, 300, 500, 1000, 2000)


def compensation_table(
    films: Sequence[Film | float] = TABLE_SPEEDS, kerma_ugy: Any = TABLE_KERMA_UGY, question: Question | None = None
) -> pd.DataFrame:
    """Exposure index for films and accumulated doses, one row a cell.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Accumulated effective kerma [uGy].
    question
        What is asked.

    Returns
    -------
    DataFrame with columns film (labels are unique), kind, speed [ISO], kerma_ugy, fog_density, needed_stops,
    given_stops and ei (third-stop scale; NaN where nothing helps), verdict, status, ei_exact, room_marked_stops,
    room_left_stops, snr_kept, snr_given, contrast_fogged, stops_<criterion> for all four, criterion.

    Examples
    --------
    >>> table = compensation_table([800], [0, 100])
    >>> table[["speed", "kerma_ugy", "ei", "verdict"]].values.tolist()[0]
    [800.0, 0.0, 800.0, 'good']
    """
    asked = Question() if question is None else question
    resolved, kerma, rows = grid_rows(films, kerma_ugy, asked)
    parts = []
    for film, label, row in zip(resolved, unique_labels([film.label for film in resolved]), rows, strict=True):
        criteria = {f"stops_{name}": row["stops"][:, place] for place, name in enumerate(asked.criteria)}
        plain = {name: values for name, values in row.items() if name != "stops"}
        film_columns = {"film": label, "kind": film.kind, "speed": film.speed, "kerma_ugy": kerma}
        parts.append(pd.DataFrame({**film_columns, **plain, **criteria, "criterion": asked.criterion}))
    cells = pd.concat(parts, ignore_index=True)
    first = ["film", "kind", "speed", "kerma_ugy", "fog_density", "needed_stops", "given_stops", "ei", "verdict"]
    rest = ["status", "ei_exact", "room_marked_stops", "room_left_stops", "snr_kept", "snr_given", "contrast_fogged"]
    return cells[[*first, *rest, *(f"stops_{name}" for name in asked.criteria), "criterion"]]


def ei_matrix(table: pd.DataFrame) -> pd.DataFrame:
    """Exposure index as text, accumulated kerma down and films across.

    Marks say that a roll is usable or poor at its index; a dash is a film that nothing helps.
    """
    cells = zip(table["ei"], table["verdict"], strict=True)
    return _matrix(table, ["-" if np.isnan(ei) else format_speed(ei) + VERDICT_MARKS[mark] for ei, mark in cells])


def loss_matrix(table: pd.DataFrame) -> pd.DataFrame:
    """Density that reversal film loses in its blacks, as text, accumulated kerma down and films across."""
    return _matrix(table, [f"{-loss + 0.0:.2f}" for loss in table["fog_density"]])


def _matrix(table: pd.DataFrame, cells: list[str]) -> pd.DataFrame:
    text = table.assign(cell=cells)
    order = list(dict.fromkeys(table["film"]))
    matrix = text.pivot_table(index="kerma_ugy", columns="film", values="cell", aggfunc="first")[order]
    if len(set(table["kind"])) == 1:
        named = table.drop_duplicates("film")
        generic = {film: f"{kind} ISO {speed:g}" for film, kind, speed in named[["film", "kind", "speed"]].to_numpy()}
        if all(film.startswith(usual) for film, usual in generic.items()):  # an equal one has a number behind it
            speeds = dict(zip(named["film"], named["speed"], strict=True))
            shown = {film: f"ISO {format_speed(speeds[film])}{film.removeprefix(generic[film])}" for film in order}
            matrix = matrix.rename(columns=shown)
    return matrix.rename_axis(index="dose [uGy]", columns=None)


def dose_points() -> pd.DataFrame:
    """Effective kerma of one bare pass of every shipped source at 35 mm film [uGy]: what to add up before reading."""
    sources = list_sources().reset_index()
    doses = [history_dose(Pass(source=name)) for name in sources["name"]]
    return pd.DataFrame(
        {
            "pass": sources["name"],
            "what": sources["title"],
            "low": [dose.kerma_low_ugy for dose in doses],
            "typical": [dose.kerma_ugy for dose in doses],
            "high": [dose.kerma_high_ugy for dose in doses],
            "evidence": sources["evidence"],
            "note": sources["note"],
        }
    )


def caption(question: Question, *, reversal: bool = False) -> str:
    """What a table of exposure indices (of reversal film: of losses) assumes and how sure it is, in one paragraph."""
    target = "" if question.snr_target == 1.0 else f" to {100 * question.snr_target:.0f} %"
    low, high = (film_value("model", "calibration_kerma", side) for side in ("low", "high"))
    if reversal:
        what = (
            "Fog lowers the greatest density of reversal film and more exposure lowers it further: expose for the "
            "highlights as marked and expect thin blacks."
        )
    else:
        what = (
            f"Criterion {question.criterion}{target}: {question.criterion_sentence}. A stop of lost shadow counts "
            f"{question.cost_under / question.cost_over:g} times a stop of light given, over a scene of "
            f"{question.scene_range:g} log units. {verdict_words()} - nothing helps."
        )
    return (
        f"{what} Generic films are typical values. Fog is calibrated at "
        f"{film_value('model', 'calibration_kerma'):g} uGy "
        f"(range {low:g} to {high:g}) for a net fog of 0.02 at ISO 400, an inference of this project; "
        "read a row at half and at twice your dose to see how much that matters. Indices are those of the typical "
        "case: `filmdose roll` and `filmdose trip` give the safe one beside it. " + TEST_FIRST
    )


def verdict_words() -> str:
    """What the marks of the verdicts mean, with their limits."""
    shadows = {name: f"{100 * least:.0f} %" for name, (least, _) in VERDICTS.items()}
    return (
        f"No mark: good, the shadows keep {shadows['good']} of their signal-to-noise or more. "
        f"{VERDICT_MARKS['usable']} usable, {shadows['usable']} or more. "
        f"{VERDICT_MARKS['poor']} poor, {shadows['poor']} or more. "
        f"Contrast counts as well: {', '.join(f'{100 * VERDICTS[name][1]:.0f} %' for name in VERDICT_MARKS)}."
    )


def table_document(
    films: Sequence[Film | float] = TABLE_SPEEDS, kerma_ugy: Any = TABLE_KERMA_UGY, question: Question | None = None
) -> Document:
    """The table of exposure indices as a document: what one pass gives, then the index for the total.

    Parameters
    ----------
    films, kerma_ugy, question
        As of :func:`compensation_table`.
    """
    asked = Question() if question is None else question
    cells = compensation_table(films, kerma_ugy, asked)
    reversal = cells["kind"].str.endswith("reversal")
    blocks: list[Block] = [_points_table()]
    for losses in (False, True):
        part = cells[reversal == losses]
        if len(part):
            matrix = (loss_matrix if losses else ei_matrix)(part).reset_index()
            matrix["dose [uGy]"] = [f"{value:g}" for value in matrix["dose [uGy]"]]
            title = "Density lost in the blacks; expose as marked" if losses else "Exposure index"
            words = caption(asked, reversal=losses)
            blocks.append(
                Table.of(
                    matrix,
                    numeric=matrix.columns,
                    title=f"{title} for the accumulated dose: first row that is not below it",
                    caption=words,
                )
            )
    return Document(
        kind="table",
        title="Exposure index for film that went through scanners",
        blocks=tuple(blocks),
        data={**asdict(asked), "rows": cells.to_dict(orient="records")},
        frame=cells,
    )


def _points_table() -> Table:
    points = dose_points()
    cautions = [words for words in list_sources()["caution"] if words]
    for column in ("low", "typical", "high"):
        points[column] = [figure_text(value, 2) for value in points[column]]
    return Table.of(
        points.drop(columns="note"),
        numeric=("low", "typical", "high"),
        title="Add up the dose of every pass [uGy effective kerma at 35 mm film, in its cartridge, in a typical bag]",
        caption=" ".join(dict.fromkeys(cautions)),
    )


def budget_document(rows: pd.DataFrame, criterion: str) -> Document:
    """How much dose film stands until a loss, and how many passes that is.

    Parameters
    ----------
    rows
        As of :func:`filmdose.inverse.dose_budget`.
    criterion
        What counts as loss.
    """
    words = (
        "Dose with the range that the calibration of fog gives it. Passes: at the typical dose of the source, and in "
        "brackets at its high dose; sources that no film survives once are left out. Passes do not add up, doses do. "
        "Cabin CT: badge readings of one country, not reviewed."
    )
    doses = zip(rows["kerma_ugy"], rows["kerma_low_ugy"], rows["kerma_high_ugy"], strict=True)
    columns = {
        "film": rows["film"],
        "loss": ["lost" if math.isinf(v) else f"{v:g} stops" for v in rows["loss_stops"]],
        "dose [uGy]": [
            "-" if math.isnan(dose) else f"{figure_text(dose)} ({figure_text(low)} to {figure_text(high)})"
            for dose, low, high in doses
        ],
    }
    for column in rows.columns:
        source = column.removeprefix("passes_")
        if column != source and not column.endswith("_sure") and (rows[column] > 0).any():
            counts = zip(rows[column], rows[f"{column}_sure"], strict=True)
            columns[source] = ["-" if math.isnan(n) else f"{n:.0f} ({sure:.0f})" for n, sure in counts]
    return Document(
        kind="budget",
        title=f"Dose until a loss, by {criterion}",
        blocks=(Table.of(columns, numeric=list(columns)[2:]), Paragraph(words), Paragraph(TEST_FIRST)),
        data={"criterion": criterion, "rows": rows.to_dict(orient="records")},
        frame=rows,
    )


def claim_document(rows: pd.DataFrame, dose: HistoryDose, question: Question) -> Document:
    """What films lose in the passes for which they are said to be safe.

    Parameters
    ----------
    rows
        As of :func:`filmdose.inverse.judge_claim`.
    dose
        Of those passes.
    question
        What was asked.
    """

    def stops(values: pd.Series) -> list[str]:
        return ["lost" if math.isinf(value) else f"{value:.2f}" for value in values]

    met = dose.contributions
    parts = [f"{count} x {title}" for count, title in zip(met["count"], met["detail"], strict=True)]
    columns = {
        "film": rows["film"],
        "stops lost": stops(rows["stops_lost"]),
        "low dose": stops(rows["stops_lost_low"]),
        "high dose": stops(rows["stops_lost_high"]),
        "verdict": rows["verdict"],
        "the claim": rows["claim"],
    }
    words = (
        f"Dose {dose_figures(dose.kerma_ugy, dose.kerma_low_ugy, dose.kerma_high_ugy)} uGy. Stops lost: compensation "
        "of least loss, of reversal film the range lost. The claim holds when less than a third of a stop is lost at "
        "the high dose as well, and holds if typical when it is at the typical one only (our choice). Some numbers on "
        "boxes of fast film are exposure indices and not ISO speeds: judge such a film at the ISO speed of its data "
        "sheet."
    )
    return Document(
        kind="claim",
        title=f"Said to be safe: {', '.join(parts)}",
        blocks=(
            Table.of(columns, numeric=("stops lost", "low dose", "high dose")),
            *map(Paragraph, (words, *dose.notes, TEST_FIRST)),
        ),
        data={**asdict(question), "rows": rows.to_dict(orient="records"), "notes": list(dose.notes)},
        frame=rows,
    )


hold_to_annotations(globals())
