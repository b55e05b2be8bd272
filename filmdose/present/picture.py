"""A preview as a document: the pictures, what each shows in figures, and what is modelled and what is not."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.picture import Preview
from filmdose.picture.strip import jpeg_bytes
from filmdose.present.document import Block, Document, Paragraph, Picture, Table
from filmdose.units import format_speed
from filmdose.words import TEST_FIRST

__all__ = ["preview_document"]

#: Tones that the table shows [stops from the metered middle]; data and spreadsheets have all.
_SHOWN_STOPS = (-4, -2, 0, 3)


def preview_document(found: Preview, *, pictures: bool = True, notes: Sequence[str] = ()) -> Document:
    """The pictures of a roll with their figures.

    Parameters
    ----------
    found
        The preview.
    pictures
        Whether the pictures themselves are in it; text and tables have no use for them.
    notes
        What belongs to the figures.
    """
    blocks: tuple[Block, ...] = (
        *([_picture(found)] if pictures else []),
        _frames(found),
        _tones(found),
        Paragraph(found.caption),
        *map(Paragraph, notes),
        Paragraph(TEST_FIRST),
    )
    data: dict[str, Any] = {
        "headline": found.headline,
        "outcome": found.answer.outcome,
        "verdict": found.verdict,
        "ei": found.recommended,
        "kerma_ugy": found.answer.kerma_ugy,
        "peak_to_mean": found.answer.question.peak_to_mean,
        "message": found.answer.message,
        "caption": found.caption,
        "pixel_um": found.pixel_um,
        "crop_pixel_um": found.crop_pixel_um,
        "seed": found.seed,
        "frames": [
            {
                "title": frame.setting.title,
                "ei": frame.setting.ei,
                "recommended": frame.setting.recommended,
                "corrected": frame.setting.restored,
                "kerma_ugy": frame.kerma_ugy,
                "fog_density": dict(frame.fog_density),
                "snr_kept": frame.shadow_kept,
            }
            for frame in found.frames
        ],
        "rows": found.statistics.astype(object).where(found.statistics.notna(), None).to_dict("records"),
        "notes": list(notes),
    }
    return Document(
        kind="preview",
        title=f"{found.headline} [{found.title}]",
        blocks=blocks,
        data=data,
        rows=found.statistics,
    )


def _picture(found: Preview) -> Picture:
    rows, columns = found.image.shape[:2]
    words = f"{found.title}: {'; '.join(frame.setting.title for frame in found.frames)}."
    return Picture(jpeg=jpeg_bytes(found.image), words=words, width=columns, height=rows)


def _frames(found: Preview) -> Table:
    return Table.of(
        {
            "picture": [frame.setting.title for frame in found.frames],
            "EI": [format_speed(frame.setting.ei) for frame in found.frames],
            "fog": [f"{max(frame.fog_density.values(), key=abs):+.3f}" for frame in found.frames],
            "shadow signal-to-noise kept": [f"{100 * frame.shadow_kept:.0f} %" for frame in found.frames],
            "": ["recommended" if frame.setting.recommended else "" for frame in found.frames],
        },
        numeric=("EI", "fog", "shadow signal-to-noise kept"),
        title="The pictures, from left to right",
        caption="Fog at the mean dose; shadows under the worst band, of the record that loses most.",
    )


def _tones(found: Preview) -> Table:
    rows = found.statistics[
        found.statistics["stops_from_middle"].map(lambda s: any(abs(s - one) < 0.5 for one in _SHOWN_STOPS))
    ]
    measured = bool(np.isfinite(rows["density_in_picture"]).any())
    columns = {
        "picture": rows["frame"],
        "record": rows["record"],
        "stops": [f"{value:+.1f}" for value in rows["stops_from_middle"]],
        "density": [f"{value:.3f}" for value in rows["density"]],
        "noise": [f"{1000 * value:.1f}" for value in rows["sigma"]],
        "signal-to-noise kept": [f"{100 * value:.0f} %" for value in rows["snr_kept"]],
    }
    if measured:
        columns["density in the picture"] = [f"{value:.3f}" for value in rows["density_in_picture"]]
        columns["noise in the picture"] = [f"{1000 * value:.1f}" for value in rows["sigma_in_picture"]]
    return Table.of(
        columns,
        numeric=[name for name in columns if name not in ("picture", "record")],
        title="Tones, counted from the metered middle",
        caption=f"Noise: 1000 times the standard deviation of density through a pixel of {found.pixel_um:.3g} um.",
    )


hold_to_annotations(globals())
