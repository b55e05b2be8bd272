"""What makes a scan useless for measuring, how it is noticed, and what to do at the scanner."""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.result import Result

__all__ = ["FAULTS", "Fault", "encoding_from_histogram", "file_faults", "profile_gamma"]

#: What to do against each fault; those marked True make a scan useless unless they are accepted by name.
FAULTS: dict[str, tuple[bool, str]] = {
    "gamma": (True, "Choose linear output (gamma 1.0, no colour management) in the scanner's program."),
    "eight-bit": (True, "Set the scanner to 16 bits a channel and save that, unprocessed."),
    "auto-levels": (True, "Switch off automatic exposure, levels and colour; set the same exposure for every scan."),
    "clipped": (True, "Lower the exposure until the clear light stays below 90 % of full scale."),
    "clipped-dark": (True, "Raise the exposure, or measure a thinner place."),
    "inverted": (True, "Scan as a positive (slide), without inversion; film must come out darker than clear light."),
    "dust": (True, "Clean film and glass, switch off dust removal, or choose another box."),
    "some-dust": (False, "The specks were left out; clean the film for a surer reading."),
    "other-settings": (True, "Scan both with the same settings, in one session."),
    "clear-elsewhere": (False, "Scan once without film, same settings, and give it as the clear-light scan."),
    "flare-not-measured": (False, "Lay a strip of opaque card into the frame and give its box."),
    "uneven": (False, "Choose a smaller or more even box."),
    "white-is-zero": (False, "Nothing to do."),
    "scale-not-measured": (False, "Scan a calibrated step wedge with the film to fix the scale of silver densities."),
}

#: Share of dusty pixels that is told, and that is too much.
DUST_TOLD, DUST_REFUSED = 0.002, 0.25

#: Share of saturated pixels of a box that is too much.
CLIPPED_REFUSED = 0.001


@dataclass(frozen=True, kw_only=True)
class Fault(Result):
    """Something wrong with a scan.

    Parameters
    ----------
    name
        One of ``FAULTS``.
    reason
        What was seen.
    """

    name: str
    reason: str

    @classmethod
    def of(cls, name: str, reason: str) -> Fault:
        """A fault of a name and a reason."""
        return cls(name=name, reason=reason)

    @property
    def refuses(self) -> bool:
        """Whether nothing can be measured with it."""
        return FAULTS[self.name][0]

    @property
    def action(self) -> str:
        """What to do about it."""
        return FAULTS[self.name][1]

    def __str__(self) -> str:
        return f"{self.reason} {self.action}"


def file_faults(stored: np.ndarray, full_scale: float, profile: bytes | None) -> Iterator[Fault]:
    """Faults of a whole picture, from numbers of one channel as they are stored, and its colour profile."""
    gamma = None if profile is None else profile_gamma(profile)
    if gamma is not None and not 0.9 < gamma < 1.1:
        yield Fault.of("gamma", f"its colour profile says that it is encoded with a gamma of about {gamma:.1f}.")
    stored = np.rint(stored).astype(np.int64)
    if stored.max() == stored.min():
        return  # nothing to see in an even picture
    codes = np.unique(stored)
    if _from_eight_bits(codes, stored.size):
        yield Fault.of("eight-bit", f"its {codes.size} levels are 8 bits spread over 16.")
        return
    if gamma is None:
        ratio = encoding_from_histogram(stored)
        if ratio is not None and ratio > 1.5:
            yield Fault.of(
                "gamma",
                f"its dark levels lie {ratio:.1f} times as far apart as its bright ones, as a gamma makes them.",
            )
    low, high = float((stored <= stored.min()).mean()), float((stored >= 0.9999 * full_scale).mean())
    if stored.min() == 0 and 1e-4 < low < 0.05 and 1e-4 < high < 0.05:
        yield Fault.of(
            "auto-levels", f"{100 * low:.2g} % of its pixels are cut off at black and {100 * high:.2g} % at white."
        )


def _from_eight_bits(codes: np.ndarray, pixels: int) -> bool:
    """256 levels or fewer that fill the range: multiples of 256 or 257, or such levels after a curve."""
    span = int(codes[-1] - codes[0])
    if codes.size > 256 or span < 4096 or pixels < 4096:
        return False
    return bool(np.gcd.reduce(np.diff(codes)) >= 128) or codes.size >= 32


def encoding_from_histogram(stored: np.ndarray) -> float | None:
    """Spacing of occupied levels in the darks over that in the brights; None when it cannot be told.

    A curve applied to whole numbers spreads the dark ones apart and presses bright ones together, so that gaps
    in the histogram grow towards the dark.  Numbers of a sensor stand as close in the dark as anywhere.
    """
    top = int(stored.max())
    width = max(256, top // 64)
    counts = np.bincount(stored.ravel(), minlength=top + 1)[: (top + 1) // width * width].reshape(-1, width)
    occupied = (counts > 0).sum(axis=1)
    # with 4 pixels on each occupied level a gap is seldom an accident
    known = (counts.sum(axis=1) >= 4 * np.maximum(occupied, 1)) & (occupied >= 8)
    spacing = width / np.maximum(occupied, 1)
    centre = np.arange(occupied.size) + 0.5
    dark, bright = known & (centre < 0.35 * occupied.size), known & (centre > 0.6 * occupied.size)
    if dark.sum() < 2 or bright.sum() < 2:
        return None
    return float(np.median(spacing[dark]) / np.median(spacing[bright]))


def profile_gamma(profile: bytes) -> float | None:
    """Gamma of an ICC profile at half scale, ln y / ln 0.5; None when it has no tone curve.

    References
    ----------
    icc_1
    """
    try:
        (count,) = struct.unpack_from(">I", profile, 128)
        for index in range(min(count, 100)):
            signature, offset, _size = struct.unpack_from(">4sII", profile, 132 + 12 * index)
            if signature in (b"gTRC", b"kTRC"):
                return _tone_curve_gamma(profile, offset)
    except (struct.error, ValueError, OverflowError, ZeroDivisionError):
        return None
    return None


def _tone_curve_gamma(profile: bytes, offset: int) -> float | None:
    kind = profile[offset : offset + 4]
    if kind == b"curv":
        (points,) = struct.unpack_from(">I", profile, offset + 8)
        if points == 0:
            return 1.0
        if points == 1:
            return float(struct.unpack_from(">H", profile, offset + 12)[0]) / 256.0
        table = struct.unpack_from(f">{points}H", profile, offset + 12)
        value = np.interp(0.5 * (points - 1), np.arange(points), table) / 65_535.0
        return math.log(float(value)) / math.log(0.5)
    if kind == b"para":
        (function,) = struct.unpack_from(">H", profile, offset + 8)
        numbers = struct.unpack_from(f">{(1, 3, 4, 5, 7)[min(function, 4)]}i", profile, offset + 12)
        g, a, b, c, d, e, f = ([n / 65_536.0 for n in numbers] + [0.0] * 7)[:7]
        if function == 0:
            return float(g)
        value = float((a * 0.5 + b) ** g) + (e if function == 4 else c if function == 2 else 0.0)
        if function in (3, 4) and d > 0.5:
            value = c * 0.5 + (f if function == 4 else 0.0)
        return math.log(value) / math.log(0.5)
    return None


hold_to_annotations(globals())
