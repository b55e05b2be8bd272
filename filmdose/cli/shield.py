"""filmdose shield: what a pouch does against a beam."""

from __future__ import annotations

from typing import Annotated

import typer

from filmdose.cli.output import FormatOption, OutputOption, check_output, deliver
from filmdose.present.radiation import shield_document
from filmdose.radiation.beams import Beam
from filmdose.radiation.shields import Shield, transmission


def shield(
    material: Annotated[str, typer.Option("--material", help="Material, element symbol or formula.", metavar="NAME")],
    thickness: Annotated[float, typer.Option("--thickness", help="Thickness of one wall [mm].", metavar="MM")],
    beam: Annotated[
        str, typer.Option("--beam", help="Beam, such as 140kVp, '140kVp, al=3, cu=0.1' or 80keV.", metavar="BEAM")
    ] = "140kVp",
    density: Annotated[
        float | None, typer.Option("--density", help="Density in place of the tabulated one [g/cm3].", metavar="G/CM3")
    ] = None,
    oblique: Annotated[
        float, typer.Option("--oblique", help="Path through the wall over its thickness.", metavar="FACTOR")
    ] = 1.0,
    format: FormatOption = None,
    output: OutputOption = None,
) -> None:
    """Print how much of a beam comes through a shield: narrow and broad beam side by side."""
    check_output(format, output)
    wall = Shield(material=material, thickness_mm=thickness, density_g_cm3=density, oblique=oblique)
    quality = Beam.parse(beam)
    deliver(shield_document(wall, quality, transmission(wall, quality)), format, output)
