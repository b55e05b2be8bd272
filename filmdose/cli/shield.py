"""filmdose shield: what a pouch does against a beam."""

from __future__ import annotations

from typing import Annotated, Any

import pandas as pd
import typer

from filmdose.cli.output import (
    FormatOption,
    OutputOption,
    check_format,
    emit,
    frame_csv,
    frame_markdown,
    json_text,
    render_table,
)
from filmdose.radiation.beams import Beam
from filmdose.radiation.response import relative_response
from filmdose.radiation.shields import Shield, Transmission, transmission

_MEANING = {
    "narrow_kerma": "air kerma, narrow beam",
    "narrow_emulsion": "absorbed dose in the emulsion, narrow beam",
    "narrow_film": "fog (dose times the film's efficiency, an inference), narrow beam",
    "broad_kerma": "air kerma, with what the wall scatters",
    "broad_film": "fog, with what the wall scatters",
}


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
    format: FormatOption = "text",
    output: OutputOption = None,
) -> None:
    """Print how much of a beam comes through a shield: narrow and broad beam side by side."""
    check_format(format)
    wall = Shield(material=material, thickness_mm=thickness, density_g_cm3=density, oblique=oblique)
    quality = Beam.parse(beam)
    through = transmission(wall, quality)
    answer = _answer(wall, quality, through)
    if format == "json":
        text = json_text(answer)
    elif format == "text":
        text = _text(answer)
    else:
        values = _values(answer)
        plain = {
            key: value
            for key, value in answer.items()
            if key not in ("transmission", "narrow_film", "broad_film", "notes")
        }
        row = pd.DataFrame([{**plain, **values}])
        text = frame_csv(row) if format == "csv" else frame_markdown(row)
    emit(text, output)


def _answer(wall: Shield, quality: Beam, through: Transmission) -> dict[str, Any]:
    notes = ["Through one wall; the beam reaches the film through one side of a pouch."]
    if through.published:
        notes.append("With scatter: anchored on the published broad-beam fit of lead (NCRP 147).")
    else:
        notes.append(
            f"No broad-beam fit is published for {wall.material} in this beam: scatter and fluorescence are calculated "
            "and anchored on lead from 60 to 150 kVp (an inference)."
        )
    notes.append("A shield does not make a scan harmless, does nothing against background, and may prompt a new scan.")
    return {
        "material": wall.material,
        "thickness_mm": wall.thickness_mm,
        "density_g_cm3": wall.layer.resolved.density_g_cm3,
        "oblique": wall.oblique,
        "beam": str(quality),
        "transmission": {
            "narrow_kerma": through.narrow_kerma,
            "narrow_emulsion": through.narrow_emulsion,
            "broad_kerma": through.broad_kerma,
        },
        "narrow_film": through.narrow_film,
        "broad_film": through.broad_film,
        "effective": through.effective,
        "published": through.published,
        "relative_response": float(relative_response(quality)),
        "notes": notes,
    }


def _values(answer: dict[str, Any]) -> dict[str, float]:
    return {**answer["transmission"], "narrow_film": answer["narrow_film"], "broad_film": answer["broad_film"]}


def _text(answer: dict[str, Any]) -> str:
    values = _values(answer)
    rows = [
        {
            "transmission of": meaning,
            "lets through": f"{100 * values[name]:.3g} %",
            "": "used for effective kerma" if name == "broad_film" else "",
        }
        for name, meaning in _MEANING.items()
    ]
    title = f"{answer['thickness_mm']:g} mm {answer['material']} against {answer['beam']}"
    table = render_table(pd.DataFrame(rows), title=title, numeric=("lets through",))
    used = f"This shield lets {100 * answer['effective']:.3g} % of the dose through."
    return "\n".join([used, "", table, *answer["notes"]])
