"""Names that arguments and results take, as types: editors propose them, and type checkers find a slip.

Tests hold each to the names that the package really knows.
"""

from __future__ import annotations

from typing import Any, Literal, Protocol, TypeAlias, runtime_checkable

__all__ = [
    "BadgeQuantity",
    "BeamOn",
    "CriterionAsked",
    "CriterionName",
    "EvidenceGrade",
    "FilmFormat",
    "FogPlace",
    "Inspection",
    "KermaPlace",
    "Kind",
    "MaterialName",
    "Outcome",
    "PriorKind",
    "Quantity",
    "SourceName",
    "State",
    "Status",
    "TransportStep",
    "Verdict",
    "WithUnit",
]


@runtime_checkable
class Quantity(Protocol):
    """A number or numbers with a unit, as unit packages have them."""

    @property
    def magnitude(self) -> Any:
        """The number or numbers."""

    @property
    def units(self) -> Any:
        """The unit; its text is read."""


#: A number in the argument's own unit, a text such as "0.4 mGy", or a quantity; the last two are converted.
WithUnit: TypeAlias = float | str | Quantity

#: Kinds of film.
Kind = Literal["bw-negative", "colour-negative", "colour-reversal", "bw-reversal"]

#: The shipped criteria; of one's own there may be others.
CriterionName = Literal["fixed_density", "fractional_gradient", "shadow_gradient", "shadow_snr"]

#: The same as users may write them, with hyphens too.
CriterionAsked = Literal[
    "fixed_density",
    "fractional_gradient",
    "shadow_gradient",
    "shadow_snr",
    "fixed-density",
    "fractional-gradient",
    "shadow-gradient",
    "shadow-snr",
]

#: What an answer can come to.
Status = Literal[
    "ok",
    "partly_restored",
    "highlight_limited",
    "readings_end",
    "beyond_rescue",
    "expose_as_marked",
    "already_exposed",
    "unknown",
]

#: What a roll is still worth.
Verdict = Literal["good", "usable", "poor", "lost"]

#: What an answer is about.
Outcome = Literal["compensated", "as_marked", "exposed"]

#: Before or after its exposure in the camera.
State = Literal["unexposed", "exposed"]

#: What is planned at a checkpoint.
Inspection = Literal["scan", "hand", "ask"]

#: Where on a roll fog was read.
FogPlace = Literal["mean", "worst"]

#: Where the kerma of a source stands.
KermaPlace = Literal["bag", "inside", "film"]

#: What stands between a source and the emulsion.
TransportStep = Literal["bag", "cartridge", "shields", "roll"]

#: Formats of film.
FilmFormat = Literal["35mm", "120", "sheet"]

#: The shipped classes of sources; of one's own there may be others.
SourceName = Literal["cabin-xray", "cabin-ct", "hold-ct", "hold-ct-slice", "unknown", "mail-sanitisation"]

#: The shipped materials; elements, formulas and materials of one's own are others.
MaterialName = Literal[
    "lead",
    "tungsten",
    "tin",
    "bismuth",
    "barium-sulphate-polymer",
    "tungsten-polymer",
    "copper",
    "aluminium",
    "iron",
    "water",
    "polyethylene",
    "photographic-film",
    "paper",
]

#: What a dosemeter's figure is a reading of.
BadgeQuantity = Literal["hp10-phantom", "hp10-free", "hstar10", "unstated", "air-kerma"]

#: How well a dose is known.
EvidenceGrade = Literal["measured", "reported", "informal", "memory", "inference"]

#: What the tube did while a belt stood still.
BeamOn = Literal["running", "pulsed", "unknown"]

#: Shapes of priors.
PriorKind = Literal["log_normal", "normal", "logit_normal", "uniform"]
