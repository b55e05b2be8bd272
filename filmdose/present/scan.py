"""What was measured on a scan, as documents: fog, step tablet, grain, and the bands along a film."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import TYPE_CHECKING

from filmdose.arguments import hold_to_annotations
from filmdose.plotting.scan import plot_bands
from filmdose.present.document import Block, Document, Facts, Heading, Paragraph, Plot, Table
from filmdose.scan.bands import CAUSES, BandResult
from filmdose.scan.faults import Fault
from filmdose.scan.fog import FogMeasurement
from filmdose.scan.grain import GrainMeasurement
from filmdose.scan.tablet import TabletReading

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["bands_blocks", "bands_document", "fog_document", "grain_document", "tablet_document"]


def fog_document(fog: FogMeasurement, *, notes: Sequence[str] = ()) -> Document:
    """Fog of a roll, the densities that it is the difference of, and how sure they are."""
    beside = "control" if fog.control else "the film's own base plus fog"
    return Document(
        kind="measure-fog",
        title=f"Fog {fog.fog_density:+.3f} ± {fog.fog_error:.3f} density (one standard error).",
        blocks=(
            Facts(
                (
                    ("base plus fog of the roll", f"{fog.base_plus_fog:.3f} ({fog.channel})"),
                    (beside, f"{fog.control_density:.3f}"),
                    ("flare taken out", f"{fog.roll.flare.fraction:.4f} ± {fog.roll.flare.error:.4f}"),
                )
            ),
            _area_table(fog.to_dataframe(), "area"),
            *_notes(fog.faults, notes),
        ),
        data=fog.to_dict(),
        rows=fog.to_dataframe(),
    )


def tablet_document(tablet: TabletReading, *, notes: Sequence[str] = ()) -> Document:
    """Steps of a wedge."""
    words = f"{len(tablet.numbers)} steps, turned by {tablet.angle_deg:.1f} degrees"
    if tablet.hidden:
        words += f"; hidden: {', '.join(map(str, tablet.hidden))}"
    faults = dict.fromkeys(fault for area in tablet.areas for fault in area.faults)
    return Document(
        kind="measure-tablet",
        title=f"{words}.",
        blocks=(_area_table(tablet.to_dataframe(), "step"), *_notes(faults, notes)),
        data=tablet.to_dict(),
        rows=tablet.to_dataframe(),
    )


def grain_document(grains: Sequence[GrainMeasurement], beside: pd.DataFrame, *, notes: Sequence[str] = ()) -> Document:
    """Granularity of one or several areas, with what a film predicts beside it where there is one."""
    predicted = (
        [f"{1000 * value:.1f}" for value in beside["predicted"]] if "predicted" in beside else [""] * len(grains)
    )
    table = Table.of(
        {
            "density": [f"{grain.density:.3f}" for grain in grains],
            "rms granularity": [f"{grain.rms_granularity:.1f} ± {1000 * grain.sigma_error:.1f}" for grain in grains],
            "predicted": predicted,
            "noise power [um2]": [f"{grain.noise_um2:.3f} ± {grain.noise_error:.3f}" for grain in grains],
            "pieces": [grain.segments for grain in grains],
            "box": [str(grain.box) for grain in grains],
        },
        numeric=("density", "rms granularity", "predicted", "noise power [um2]", "pieces"),
        caption="1000 times the standard deviation of density through a 48 um aperture.",
    )
    return Document(
        kind="measure-grain",
        title=f"Grain of {len(grains)} area{'s' if len(grains) > 1 else ''}.",
        blocks=(table, *_notes((), notes)),
        data={"areas": [grain.to_dict() for grain in grains], "beside": beside.to_dict("records")},
        rows=beside,
    )


def bands_document(result: BandResult) -> Document:
    """Which cause explains the bands of a film."""
    return Document(
        kind="bands",
        title=result.sentence,
        blocks=tuple(_evidence(result)),
        data=result.to_dict(),
        rows=result.to_dataframe(),
    )


def bands_blocks(result: BandResult, heading: str = "Bands along the film") -> Iterator[Block]:
    """Blocks of a page of the damage report: the evidence, the profile, the probabilities, what they do not say."""
    yield Heading(heading)
    yield Paragraph(result.sentence)
    yield from _evidence(result)


def _evidence(result: BandResult) -> Iterator[Block]:
    yield Plot(
        draw=lambda ax: plot_bands(result, ax=ax),
        words="Density along the film as it was read, and the best model of the most likely cause.",
        height_mm=70.0,
    )
    ordered = sorted(CAUSES, key=lambda name: -result.probability[name])
    yield Table.of(
        {
            "cause": [CAUSES[name] for name in ordered],
            "probability": [f"{100 * result.probability[name]:.1f} %" for name in ordered],
        },
        numeric=("probability",),
    )
    if result.peak_to_mean is not None:
        yield Paragraph(
            f"The worst band has {result.peak_to_mean:.2f} times the mean fog: "
            f"peak_to_mean = {result.peak_to_mean:.2f} in the [[roll]] of a trip file."
        )
    yield Paragraph(
        "All causes were taken as equally likely before the film was read. A beam that turned all the way round the "
        "roll leaves a slope from its core outwards and no bands, and cannot be told from uneven development here.",
        small=True,
    )


def _area_table(frame: pd.DataFrame, first: str) -> Table:
    return Table.of(
        {
            first: frame[first],
            "channel": frame["channel"],
            "density": [f"{value:.4f}" for value in frame["density"]],
            "error": [f"{value:.4f}" for value in frame["standard_error"]],
            "of one pixel": [f"{value:.4f}" for value in frame["sigma"]],
            "box": frame["box"],
        },
        numeric=("density", "error", "of one pixel"),
    )


def _notes(faults: Iterable[Fault], notes: Sequence[str]) -> tuple[Paragraph, ...]:
    return tuple(Paragraph(str(words), small=True) for words in (*faults, *notes))


hold_to_annotations(globals())
