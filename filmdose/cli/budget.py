"""filmdose budget: how much dose until a loss, and how many passes that is."""

from __future__ import annotations

import math
from typing import Annotated

import typer

from filmdose.cli.options import (
    DEFAULT_CRITERION,
    CriterionOption,
    FilmFormatOption,
    FilmsOptions,
    HistoryOptions,
    Question,
    ShieldOption,
    SnrTargetOption,
    with_blocks,
)
from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.errors import ArgumentError
from filmdose.history import history_dose
from filmdose.inverse import LOSSES, dose_budget, judge_claim
from filmdose.present.tables import TABLE_SPEEDS, budget_document, claim_document


@with_blocks
def budget(
    *,
    film: FilmsOptions,
    loss: Annotated[
        str | None, typer.Option("--loss", help="Losses in stops; inf is until the film is lost.", metavar="0.5,1,inf")
    ] = None,
    claim: Annotated[
        list[str] | None,
        typer.Option("--claim", help="Passes that are said to be safe: cabin-xray=5.", metavar="SOURCE=N"),
    ] = None,
    shield: ShieldOption = None,
    film_format: FilmFormatOption = "35mm",
    criterion: CriterionOption = DEFAULT_CRITERION,
    snr_target: SnrTargetOption = 1.0,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print how much dose and how many passes each film stands until a loss; or judge a claim of no harm."""
    check_output(format, output)
    question = Question(criterion=criterion, snr_target=snr_target)
    films = film.made(TABLE_SPEEDS)
    if claim:
        if loss is not None:
            raise ArgumentError("loss", loss, "nothing together with --claim", "A claim has its own limit.")
        history = HistoryOptions(passes=claim, shield=shield, film_format=film_format).made()
        deliver(claim_document(judge_claim(history, films, question), history_dose(history), question), format, output)
        return
    if shield is not None:
        raise ArgumentError("shield", shield, "a shield together with --claim", "Doses until a loss are at the film.")
    rows = dose_budget(films, LOSSES if loss is None else _losses(loss), question)
    deliver(budget_document(rows, question.criterion), format, output)


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
