"""Constants of the radiation room, from the data file, each with its range."""

from __future__ import annotations

from filmdose.arguments import hold_to_annotations
from filmdose.files import load_data_toml

__all__ = ["constant", "constant_range"]


def constant(name: str) -> float:
    """Value of a constant of radiation.toml."""
    return float(load_data_toml("radiation.toml")["constants"][name]["value"])


def constant_range(name: str) -> tuple[float, float, float]:
    """Low, typical and high value of a constant of radiation.toml."""
    row = load_data_toml("radiation.toml")["constants"][name]
    return float(row["low"]), float(row["value"]), float(row["high"])


hold_to_annotations(globals())
