"""A fitted film as a document."""

from __future__ import annotations

from collections.abc import Sequence

from filmdose.arguments import hold_to_annotations
from filmdose.film.fitresult import FilmFit
from filmdose.film.model import film_words
from filmdose.present.document import Document, Facts, Paragraph

__all__ = ["fit_document"]


def fit_document(fit: FilmFit, *, notes: Sequence[str] = ()) -> Document:
    """The figures of a fitted film, what was assumed, and notes of the caller."""
    import pandas as pd

    return Document(
        kind="fit",
        title=f"{film_words(fit.film)}, by {fit.film.standard}",
        blocks=(Facts(fit.facts), *map(Paragraph, (*fit.messages, *notes))),
        data=fit.to_dict(),
        rows=pd.DataFrame([_row(fit)]),
    )


def _row(fit: FilmFit) -> dict[str, object]:
    return {
        "kind": fit.film.kind,
        "name": fit.film.name,
        **{f"speed_{criterion}": value for criterion, value in fit.speed.items()},
        **{
            name: getattr(fit, name)
            for name in (
                *("log_speed_point", "base_plus_fog", "rise_1_30", "mean_gradient", "contrast_index", "rms_density"),
                *("axis", "log_exposure_shift"),
            )
        },
        **{f"{name}_error": value for name, value in fit.main_record.errors.to_dict().items()},
    }


hold_to_annotations(globals())
