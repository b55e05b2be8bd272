"""What a shield lets through, and where every dose and material comes from, as documents."""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.arguments import hold_to_annotations
from filmdose.names import FilmFormat
from filmdose.present.document import Document, Paragraph, Table
from filmdose.radiation.beams import Beam
from filmdose.radiation.registry import list_data
from filmdose.radiation.response import relative_response
from filmdose.radiation.shields import Shield, Transmission
from filmdose.radiation.sources import get_source, list_sources

if TYPE_CHECKING:
    from filmdose.odds import PouchEstimate

__all__ = ["pouch_document", "shield_document", "sources_document"]

_MEANING = {
    "narrow_kerma": "air kerma, narrow beam",
    "narrow_emulsion": "absorbed dose in the emulsion, narrow beam",
    "narrow_film": "fog (dose times the film's efficiency, an inference), narrow beam",
    "broad_kerma": "air kerma, with what the wall scatters",
    "broad_film": "fog, with what the wall scatters",
}


def shield_document(shield: Shield, beam: Beam, through: Transmission) -> Document:
    """What a shield lets through of a beam.

    Parameters
    ----------
    shield, beam
        The shield and the beam.
    through
        As of :func:`filmdose.radiation.transmission`.
    """
    import pandas as pd

    values = {name: getattr(through, name) for name in _MEANING}
    fog = {name: values[name] for name in ("narrow_film", "broad_film")}
    what = {
        "material": str(shield.material),
        "thickness_mm": shield.thickness_mm,
        "density_g_cm3": shield.layer.resolved.density_g_cm3,
        "oblique": shield.oblique,
        "beam": str(beam),
    }
    effect = {
        "effective": through.effective,
        "published": through.published,
        "relative_response": float(relative_response(beam)),
    }
    notes = _notes(shield, through)
    columns = {
        "transmission of": list(_MEANING.values()),
        "lets through": [f"{100 * value:.3g} %" for value in values.values()],
        "": ["used for effective kerma" if name == "broad_film" else "" for name in values],
    }
    return Document(
        kind="shield",
        title=f"{shield.thickness_mm:g} mm {shield.material} against {beam}",
        blocks=(
            Paragraph(f"This shield lets {100 * through.effective:.3g} % of the dose through."),
            Table.of(columns, numeric=("lets through",)),
            *map(Paragraph, notes),
        ),
        data={
            **what,
            "transmission": {name: value for name, value in values.items() if name not in fog},
            **fog,
            **effect,
            "notes": notes,
        },
        rows=pd.DataFrame([{**what, **values, **effect}]),
    )


def _notes(shield: Shield, through: Transmission) -> list[str]:
    notes = ["Through one wall; the beam reaches the film through one side of a pouch."]
    if through.published:
        notes.append("With scatter: anchored on the published broad-beam fit of lead (NCRP 147).")
    else:
        notes.append(
            f"No broad-beam fit is published for {shield.material} in this beam: scatter and fluorescence are "
            "calculated and anchored on lead from 60 to 150 kVp (an inference)."
        )
    notes.append("A shield does not make a scan harmless, does nothing against background, and may prompt a new scan.")
    return notes


def pouch_document(found: PouchEstimate, format: FilmFormat = "35mm") -> Document:
    """How much lead a pouch holds, what it lets through, and what to write into a trip file.

    Parameters
    ----------
    found
        The estimate.
    format
        Of the film in it: a cartridge of steel has taken the soft part of the beam already.
    """
    rows = found.to_dataframe(format)
    columns = {
        "of a pass of": [get_source(name).title for name in rows["source"]],
        "lets through": [f"{100 * share:.0f} %" for share in rows["through"]],
        "may lie between": [
            f"{100 * low:.0f} and {100 * high:.0f} %"
            for low, high in zip(rows["through_low"], rows["through_high"], strict=True)
        ],
    }
    cautions = (
        "A pouch does not make a scanner harmless, and no pouch helps against a stopped belt for minutes, background "
        "or flights. Staff may want to see inside it, may send the bag through again, or look with more dose: tell "
        "them the truth about what it holds.",
        "Two rolls of one journey that is made anyway tell a pouch; never enter or tamper with a scanner, nor send "
        "film through one to test it. Lead is poisonous: leave the pouch whole, and wash your hands after a torn one.",
    )
    return Document(
        kind="pouch",
        title="What a pouch is worth",
        blocks=(
            Paragraph(found.message),
            Table.of(columns, numeric=("lets through", "may lie between")),
            Paragraph(f'In a trip file write shield = "{found.text}"; on the command line --shield {found.text}.'),
            *map(Paragraph, cautions),
        ),
        data={
            "how": found.how,
            "lead_mm": dict(zip(("low", "typical", "high"), found.lead_mm, strict=True)),
            "shield": found.text,
            "message": found.message,
            "through": rows.to_dict(orient="records"),
        },
        rows=rows,
    )


def sources_document(kind: str | None = "source") -> Document:
    """Shipped data of one kind, or of all when None, with range, evidence and citation.

    Raises
    ------
    UnknownNameError
        A kind that is not in :data:`filmdose.radiation.registry.DATA_KINDS`.
    """
    rows = list_data(kind)
    if kind == "source":
        more = [
            "title",
            "at",
            "beam",
            "beam_soft",
            "beam_hard",
            "peak_to_mean",
            "country",
            "date",
            "reviewed",
            "caution",
            "warning",
        ]
        rows = rows.join(list_sources()[more], on="name")
    columns = {"kind": rows["kind"]} if kind is None else {}
    columns |= {
        "name": rows["name"],
        "low": rows["low"].map(_number),
        "typical": rows["value"].map(_number),
        "high": rows["high"].map(_number),
        "unit": rows["unit"],
        **({"beam": rows["beam"]} if kind == "source" else {}),
        "evidence": rows["evidence"],
        "references": rows["references"],
    }
    notes = [f"{name}: {note}" for name, note in zip(rows["name"], rows["note"], strict=True) if note]
    if kind == "source":
        notes = [words for name in rows["name"] for words in get_source(name).sentences()] + notes
    return Document(
        kind="sources",
        title=f"Shipped data: {kind or 'all'}",
        blocks=(Table.of(columns, numeric=("low", "typical", "high")), *map(Paragraph, dict.fromkeys(notes))),
        data={"rows": rows.to_dict(orient="records")},
        rows=rows,
    )


def _number(value: float) -> str:
    import pandas as pd

    return "" if pd.isna(value) else f"{value:.6g}"


hold_to_annotations(globals())
