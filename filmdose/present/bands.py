"""The page of a damage report about bands along the film."""

from __future__ import annotations

from collections.abc import Iterator

from filmdose.plotting.scan import plot_bands
from filmdose.present.document import Block, Heading, Paragraph, Plot, Table
from filmdose.scan.bands import CAUSES, BandResult

__all__ = ["bands_blocks"]


def bands_blocks(result: BandResult, heading: str = "Bands along the film") -> Iterator[Block]:
    """Blocks of the page: the evidence in a sentence, the profile, the probabilities, and what they do not say."""
    yield Heading(heading)
    yield Paragraph(result.sentence)
    yield Plot(
        draw=lambda ax: plot_bands(result, ax=ax),
        words="Density along the film as it was read, and the best model of the most likely cause.",
        height_mm=70.0,
    )
    ordered = sorted(CAUSES, key=lambda name: -result.probability[name])
    yield Table(
        ("cause", "probability"),
        tuple((CAUSES[name], f"{100 * result.probability[name]:.1f} %") for name in ordered),
        numeric=frozenset({1}),
    )
    if result.peak_to_mean is not None:
        yield Paragraph(f"The worst band has {result.peak_to_mean:.2f} times the mean fog.")
    yield Paragraph(
        "All causes were taken as equally likely before the film was read. A beam that turned all the way round the "
        "roll leaves a slope from its core outwards and no bands, and cannot be told from uneven development here.",
        small=True,
    )
