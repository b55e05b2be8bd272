"""Every shipped value of the radiation room in one table: unit, evidence, source key, version."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import InputFileError, UnknownNameError
from filmdose.files import data_text, load_data_csv, load_data_toml
from filmdose.radiation import materials, sources
from filmdose.radiation.materials import Material
from filmdose.radiation.sources import EVIDENCE_GRADES, Source

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["DATA_KINDS", "REGISTRY_COLUMNS", "check_evidence", "list_data", "registered"]

#: Kinds of data in the registry.
DATA_KINDS = ("source", "material", "constant", "coefficient", "broad-beam fit", "flight dose", "spectrum")

REGISTRY_COLUMNS = (
    "kind",
    "name",
    "value",
    "low",
    "high",
    "unit",
    "evidence",
    "flag",
    "references",
    "file",
    "version",
    "note",
)

#: What a flag says about where a value was seen.
FLAGS = {
    "S": "seen in the named source or in a secondary page that reports it",
    "P": "read from the data of a named package",
    "M": "from memory",
    "D": "derived here",
    "I": "our inference",
}

#: Flags that stand for a document, so that at least one reference must be named.
_FLAGS_WITH_REFERENCE = ("S", "P")


def check_evidence(file: str, name: str, row: Mapping[str, Any]) -> None:
    """Refuse a value that does not say where it comes from.

    Parameters
    ----------
    file, name
        For the message.
    row
        The value's entry: evidence, flag, references and, where it has no reference, a note.

    Raises
    ------
    InputFileError
        No flag or an unknown one, an unknown evidence grade, a value seen in a source that names none, or a value
        without source whose note does not say what it is.
    """
    place = f"entry {name!r}"
    flag = row.get("flag")
    if flag not in FLAGS:
        raise InputFileError(file, place, f"has flag {flag!r}; allowed are {', '.join(FLAGS)}.")
    if row.get("evidence", "reported") not in EVIDENCE_GRADES:
        allowed = ", ".join(EVIDENCE_GRADES)
        raise InputFileError(file, place, f"has evidence {row.get('evidence')!r}; allowed are {allowed}.")
    references = row.get("references") or row.get("reference")
    if flag in _FLAGS_WITH_REFERENCE and not references:
        raise InputFileError(file, place, f"is flagged {flag} ({FLAGS[flag]}) but names no source.")
    if not references and not row.get("note"):
        raise InputFileError(file, place, "has neither a source nor a note that says what it is.")


def _csv_version(file: str) -> str:
    lines = (line for line in data_text(file).splitlines() if line.startswith("# version:"))
    return next(lines, "# version: unknown").partition(":")[2].strip()


def _entry(kind: str, name: str, file: str, version: str, row: Mapping[str, Any], **values: Any) -> dict[str, Any]:
    check_evidence(file, name, row)
    references = row.get("references") or row.get("reference") or ()
    return {
        "kind": kind,
        "name": name,
        "value": values.get("value"),
        "low": values.get("low"),
        "high": values.get("high"),
        "unit": values["unit"],
        "evidence": row.get("evidence", "reported"),
        "flag": row["flag"],
        "references": references if isinstance(references, str) else ", ".join(references),
        "file": file,
        "version": version,
        "note": row.get("note", ""),
    }


def _from_toml() -> list[dict[str, Any]]:
    entries = []
    data = load_data_toml("sources.toml")
    for name, row in data["sources"].items():
        low, value, high = (row[f"air_kerma_{point}_ugy"] for point in ("low", "typical", "high"))
        unit = "uGy air kerma per pass"
        entries.append(
            _entry("source", name, "sources.toml", data["version"], row, value=value, low=low, high=high, unit=unit)
        )
    data = load_data_toml("materials.toml")
    for name, row in data["materials"].items():
        density = row["density_g_cm3"]
        entries.append(
            _entry("material", name, "materials.toml", data["version"], row, value=density, unit="g/cm3 density")
        )
    data = load_data_toml("radiation.toml")
    for name, row in data["constants"].items():
        points = {point: row.get(point) for point in ("value", "low", "high")}
        entries.append(_entry("constant", name, "radiation.toml", data["version"], row, **points, unit=row["unit"]))
    for name, row in data["badge"].items():
        points = {point: row[point] for point in ("value", "low", "high")}
        entries.append(
            _entry("constant", f"badge {name}", "radiation.toml", data["version"], row, **points, unit=row["unit"])
        )
    for name in ("calibration_kerma", "calibration_fog", "calibration_speed"):
        row = load_data_toml("films.toml")["model"][name]
        points = {point: row.get(point) for point in ("value", "low", "high")}
        marked = {"evidence": "inference", "flag": "I", "note": row.get("mark", "")}
        entries.append(_entry("constant", name, "films.toml", "1", marked, **points, unit=row["unit"]))
    return entries


def _from_csv() -> list[dict[str, Any]]:
    tables = (
        ("coefficient", "mass_energy_absorption.csv", ("material", "energy_kev"), "mu_en_cm2_g", "cm2/g mu_en/rho"),
        ("broad-beam fit", "broad_beam.csv", ("material", "kvp"), "alpha_per_mm", "1/mm alpha; beta and gamma in file"),
        ("flight dose", "flight_dose_rates.csv", ("altitude_ft",), "usv_per_h", "uSv/h, middle latitudes"),
        ("flight dose", "flight_latitudes.csv", ("band",), "factor", "over middle latitudes"),
    )
    entries = []
    for kind, file, keys, column, unit in tables:
        version = _csv_version(file)
        for row in load_data_csv(file):
            name = " ".join(row[key] for key in keys)
            note = "from memory" if row["flag"] == "M" else ""
            value = check_number(column, float(row[column]))
            entries.append(_entry(kind, name, file, version, {**row, "note": note}, value=value, unit=unit))
    for name, title in (("tungsten_bremsstrahlung", "bremsstrahlung"), ("tungsten_lines", "characteristic lines")):
        file = f"spectra/{name}.csv"
        row = {"flag": "P", "reference": "spekpy", "evidence": "reported"}
        row["note"] = f"Table of {title}, 60 to 200 kVp in steps of 5, made by reference/build_spectra.py"
        unit = "photons per cm2, mAs and keV at 1 m"
        entries.append(_entry("spectrum", name, file, _csv_version(file), row, unit=unit))
    return entries


def list_data(kind: str | None = None) -> pd.DataFrame:
    """Every shipped value as a table, one row each; columns as in ``REGISTRY_COLUMNS``.

    Parameters
    ----------
    kind
        One of ``DATA_KINDS``; None lists all.

    Raises
    ------
    UnknownNameError
        Another kind.
    InputFileError
        A shipped value without source or mark.

    Examples
    --------
    >>> list_data("constant").set_index("name")["value"].to_dict()["calibration_kerma"]
    25.0
    """
    import pandas as pd

    if kind is not None and kind not in DATA_KINDS:
        raise UnknownNameError("kind", kind, DATA_KINDS)
    frame = pd.DataFrame([*_from_toml(), *_from_csv()], columns=list(REGISTRY_COLUMNS))
    for column in ("value", "low", "high"):
        frame[column] = pd.to_numeric(frame[column])
    return frame if kind is None else frame[frame["kind"] == kind].reset_index(drop=True)


def registered() -> tuple[Source | Material, ...]:
    """Sources and materials of the user's own that are known by name in this process.

    Examples
    --------
    >>> registered()
    ()
    """
    return (*sources._REGISTERED.values(), *materials._REGISTERED.values())


hold_to_annotations(globals())
