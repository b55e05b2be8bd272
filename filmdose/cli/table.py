"""filmdose table: exposure index against accumulated dose for the standard speeds."""

from __future__ import annotations

from typing import Annotated

import typer

from filmdose.cli.options import (
    DEFAULT_CRITERION,
    DEFAULT_KIND,
    SCENE_RANGE,
    CostOverOption,
    CostUnderOption,
    CriterionOption,
    FilmsOption,
    KindOption,
    Question,
    SceneRangeOption,
    SnrTargetOption,
    SpeedsOption,
    films_from_options,
    kerma_list,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.present.tables import TABLE_KERMA_UGY, TABLE_SPEEDS, table_document


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
    cost_under: CostUnderOption = 4.0,
    cost_over: CostOverOption = 1.0,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print the exposure index for film speeds against accumulated dose."""
    check_output(format, output)
    films = films_from_options(speeds, kind, film, TABLE_SPEEDS)
    doses = TABLE_KERMA_UGY if kerma is None else kerma_list("kerma", kerma)
    question = Question(
        criterion=criterion,
        snr_target=snr_target,
        scene_range=scene_range,
        cost_under=cost_under,
        cost_over=cost_over,
    )
    deliver(table_document(films, doses, question), format, output)
