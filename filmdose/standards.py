"""Numbers that standards and handbooks fix, each once.

References
----------
iso_6, iso_5800, iso_2240, iso_6846, asa_z38_2_1_1947, jones1941
"""

from __future__ import annotations

import math

__all__ = [
    "CONTRAST_INTERVAL",
    "FRACTION_OF_MEAN_GRADIENT",
    "ISO6_CONSTANT",
    "ISO6_INTERVAL",
    "ISO6_RISE",
    "ISO6_SPEED_POINT",
    "ISO6_TOLERANCE",
    "ISO2240_CONSTANT",
    "ISO2240_HIGHLIGHT",
    "ISO2240_SHADOW",
    "ISO5800_CONSTANT",
    "ISO5800_SPEED_POINT",
    "ISO6846_HIGHLIGHT",
    "ISO6846_SHADOW_FRACTION",
    "KINDS",
    "LOG10_2",
    "MEAN_GRADIENT_INTERVAL",
    "RECORD_NAMES",
    "SCENE_RANGE",
    "SPEED_POINT",
]

LOG10_2 = math.log10(2.0)

#: Kinds of pictorial film, each with the standard that defines its speed.
KINDS: dict[str, str] = {
    "bw-negative": "ISO 6",
    "colour-negative": "ISO 5800",
    "colour-reversal": "ISO 2240",
    "bw-reversal": "ISO 2240",
}

#: Names of the records of each kind, by the light that they record.
RECORD_NAMES: dict[str, tuple[str, ...]] = {
    "bw-negative": ("visual",),
    "colour-negative": ("red", "green", "blue"),
    "colour-reversal": ("red", "green", "blue"),
    "bw-reversal": ("visual",),
}

#: ISO 6: the speed point lies 0.10 above minimum density; density rises by 0.80 (+-0.05, from memory) over the
#: next 1.30 log units; S = 0.8 / H_m.
ISO6_SPEED_POINT, ISO6_INTERVAL, ISO6_RISE, ISO6_TOLERANCE, ISO6_CONSTANT = 0.10, 1.30, 0.80, 0.05, 0.8

#: ISO 5800: every record 0.15 above its minimum density; S = sqrt(2) / H_m.
ISO5800_SPEED_POINT, ISO5800_CONSTANT = 0.15, math.sqrt(2.0)

#: ISO 2240: image densities above the minimum that define a reversal film's speed; S = 10 / H_m.
ISO2240_SHADOW, ISO2240_HIGHLIGHT, ISO2240_CONSTANT = 2.00, 0.20, 10.0

#: ISO 6846: a paper's log exposure range runs from 0.04 above its minimum density to 0.90 of its net greatest.
ISO6846_HIGHLIGHT, ISO6846_SHADOW_FRACTION = 0.04, 0.90

#: Density above minimum of the speed point of a negative film, by kind [density].
SPEED_POINT: dict[str, float] = {"bw-negative": ISO6_SPEED_POINT, "colour-negative": ISO5800_SPEED_POINT}

#: ASA Z38.2.1-1947: the point where the gradient is 0.3 of the mean gradient over the next 1.5 log units.
FRACTION_OF_MEAN_GRADIENT, MEAN_GRADIENT_INTERVAL = 0.3, 1.5

#: Contrast is the mean gradient over the interval of ISO 6 [log units]; our choice.
CONTRAST_INTERVAL = ISO6_INTERVAL

#: Mean luminance range of outdoor scenes, 160:1 [log units] (Jones & Condit 1941).
SCENE_RANGE = 2.2
