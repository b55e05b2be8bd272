"""Options that several verbs share, and turning their texts into objects."""

from __future__ import annotations

from typing import Annotated

import typer

from filmdose.arrays import check_number
from filmdose.compensation import criterion_name
from filmdose.errors import ArgumentError
from filmdose.history import Pass
from filmdose.units import parse_kerma

CriterionOption = Annotated[
    str,
    typer.Option(
        "--criterion",
        help="What the exposure index restores: fixed_density, fractional_gradient, shadow_gradient or shadow_snr.",
        metavar="NAME",
    ),
]
SceneRangeOption = Annotated[
    float, typer.Option("--scene-range", help="Scene from shadow point to highlight, in log10 units.", metavar="LOG")
]
SnrTargetOption = Annotated[
    float,
    typer.Option("--snr-target", help="Fraction of the clean shadow signal-to-noise to restore.", metavar="FRACTION"),
]

__all__ = [
    "CriterionOption",
    "SceneRangeOption",
    "SnrTargetOption",
    "criterion_name",
    "number_list",
    "parse_pass",
]


def number_list(argument: str, text: str, *, unit: str) -> list[float]:
    """Numbers of a text such as "100,400,800", each above 0."""
    numbers = []
    for part in text.split(","):
        try:
            value = float(part)
        except ValueError as error:
            raise ArgumentError(argument, text, f"numbers above 0 [{unit}] with commas between") from error
        numbers.append(check_number(argument, value, low=0.0, low_open=True, unit=unit))
    return numbers


def kerma_list(argument: str, text: str) -> list[float]:
    """Doses of a text such as "0,10,0.3 mR" [uGy]."""
    return [parse_kerma(argument, part) for part in text.split(",")]


def parse_pass(text: str, shield: str | None) -> Pass:
    """A pass from "source=count" or "source=count@material=mm"; ``shield`` is that of passes without their own."""
    head, at, own = text.partition("@")
    return Pass.parse(head, shield=own if at else shield)
