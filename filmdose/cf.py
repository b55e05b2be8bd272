"""What a labelled result says of itself, by the conventions of climate and forecast metadata (CF 1.11).

Units are those that UDUNITS and unit packages read ("1", "uGy", "mm"), every variable has a ``long_name``, names that
are one of a few come as flags as well, and the whole says from what film, beam, shield, priors and version it was made.
Times of the clock are left out of ``history``: the same inputs give the same bytes.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.solution import STATUSES, VERDICTS
from filmdose.version import __version__

if TYPE_CHECKING:
    import xarray as xr

__all__ = ["CONVENTIONS", "FLAGS", "add_flags", "dataset_attributes"]

CONVENTIONS = "CF-1.11"

#: Names that stand for themselves in a text variable, and as a number in a flag variable beside it.
FLAGS: dict[str, tuple[str, ...]] = {"verdict": (*VERDICTS, "unknown"), "status": tuple(STATUSES)}


def dataset_attributes(
    made_by: str, sources: Mapping[str, str], before: Mapping[Any, Any] | None = None
) -> dict[str, Any]:
    """Attributes of a whole Dataset.

    Parameters
    ----------
    made_by
        The function that made it, such as "filmdose.answers".
    sources
        What every input is and where it comes from, by input: film, beam, shield, priors.
    before
        Attributes of the Dataset that came in; they stay, and its history goes on.
    """
    kept = dict(before or {})
    line = f"{made_by}, filmdose {__version__}"
    old = str(kept.get("history", ""))
    return {
        **kept,
        "Conventions": CONVENTIONS,
        "title": kept.get("title", "Exposure indices of film after scans"),
        "history": f"{old}\n{line}" if old else line,
        "source": "; ".join(f"{name}: {text}" for name, text in sources.items()),
        **{f"source_{name}": text for name, text in sources.items()},
        "filmdose_version": __version__,
    }


def add_flags(data: xr.Dataset, names: Iterable[str] = FLAGS) -> xr.Dataset:
    """The Dataset with ``verdict_flag`` and ``status_flag`` (int8, flag_values, flag_meanings) beside the texts."""
    import xarray as xr

    made = {}
    for name in names:
        if name in data.data_vars:
            known = FLAGS[name]
            found = xr.apply_ufunc(
                _codes, data[name], kwargs={"known": known}, dask="parallelized", output_dtypes=[np.int8]
            )
            made[f"{name}_flag"] = found.assign_attrs(
                long_name=f"{name} as a flag",
                flag_values=np.arange(len(known), dtype=np.int8),
                flag_meanings=" ".join(known),
            )
    return data.assign(made)


def _codes(texts: Any, known: tuple[str, ...]) -> Any:
    place = {name: code for code, name in enumerate(known)}
    names, inverse = np.unique(np.asarray(texts, dtype=str), return_inverse=True)
    return np.array([place[name] for name in names.tolist()], dtype=np.int8)[inverse].reshape(np.shape(texts))


hold_to_annotations(globals())
