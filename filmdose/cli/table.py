"""filmdose table: exposure index against accumulated dose for the standard speeds."""

from __future__ import annotations

from typing import Annotated

import pandas as pd
import typer

from filmdose.cli.options import (
    DEFAULT_KIND,
    CriterionOption,
    FilmsOption,
    KindOption,
    SceneRangeOption,
    SnrTargetOption,
    SpeedsOption,
    criterion_name,
    films_from_options,
    kerma_list,
)
from filmdose.cli.output import (
    ALL_FORMATS,
    OutputOption,
    TableFormatOption,
    choose_format,
    emit,
    emit_table,
    frame_markdown,
    render_table,
)
from filmdose.compensation import DEFAULT_CRITERION, SCENE_RANGE
from filmdose.present.tables import (
    TABLE_KERMA_UGY,
    TABLE_SPEEDS,
    caption,
    compensation_table,
    dose_points,
    ei_matrix,
    loss_matrix,
)


def table(
    speeds: SpeedsOption = None,
    kind: KindOption = DEFAULT_KIND,
    film: FilmsOption = None,
    kerma: Annotated[
        str | None, typer.Option("--kerma", help="Accumulated doses; microgray, or with a unit.", metavar="10,100,...")
    ] = None,
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    scene_range: SceneRangeOption = SCENE_RANGE,
    format: TableFormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print the exposure index for film speeds against accumulated dose."""
    chosen = choose_format(format, output, ALL_FORMATS)
    name = criterion_name(criterion)
    films = films_from_options(speeds, kind, film, TABLE_SPEEDS)
    doses = list(TABLE_KERMA_UGY) if kerma is None else kerma_list("kerma", kerma)
    cells = compensation_table(films, doses, criterion=name, snr_target=snr_target, scene_range=scene_range)
    words = caption(name, snr_target=snr_target, scene_range=scene_range, reversal=_reversal(cells))
    if chosen in ("csv", "json", "xlsx"):
        emit_table(cells, chosen, output, caption=words)
    elif chosen == "markdown":
        points = _points()
        text = "\n".join(
            [
                "### Dose of one pass [uGy]\n",
                frame_markdown(points, caption=_unpublished()),
                f"### {_title(cells)}\n",
                frame_markdown(_matrix(cells), caption=words),
            ]
        )
        emit(text, output)
    elif chosen in ("html", "latex"):
        emit_table(_matrix(cells), chosen, output, caption=words)
    else:
        points, matrix = _points(), _matrix(cells)
        text = (
            render_table(
                points,
                title="Add up the dose of every pass [uGy air kerma at the film]",
                caption=_unpublished(),
                numeric=("low", "typical", "high"),
            )
            + "\n"
            + render_table(matrix, title=_title(cells), caption=words, numeric=list(matrix.columns))
        )
        emit(text, output)


def _reversal(cells: pd.DataFrame) -> bool:
    """True when every cell is of reversal film, whose table is one of losses."""
    return bool((cells["kind"].str.endswith("reversal")).all())


def _title(cells: pd.DataFrame) -> str:
    if _reversal(cells):
        return "Density lost in the blacks for the accumulated dose; expose as marked"
    return "Exposure index for the accumulated dose"


def _points() -> pd.DataFrame:
    points = dose_points().drop(columns="note")
    for column in ("low", "typical", "high"):
        points[column] = [f"{value:,.4g}" if value < 1e6 else f"{value:.0e}" for value in points[column]]
    return points


def _unpublished() -> str:
    from filmdose.radiation.sources import list_sources

    sources = list_sources()
    return " ".join(caution for caution in sources["caution"] if caution)


def _matrix(cells: pd.DataFrame) -> pd.DataFrame:
    matrix = (loss_matrix(cells) if _reversal(cells) else ei_matrix(cells)).reset_index()
    matrix["dose [uGy]"] = [f"{value:g}" for value in matrix["dose [uGy]"]]
    return matrix
