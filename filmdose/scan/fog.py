"""Fog of a roll from a scan of it beside a control, as a reading of a trip file."""

from __future__ import annotations

import datetime
import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError
from filmdose.film.model import Film
from filmdose.result import Result
from filmdose.scan.density import AreaDensity
from filmdose.scan.faults import Fault
from filmdose.trip import FogReading

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FogMeasurement", "measure_fog"]

#: Relative error of a fog read with a scanner whose density scale nobody checked: light that is more directed than
#: a densitometer's sees silver up to 1.1 to 1.3 times as dense (from memory; the share of it is an inference).
SCALE_ERROR = 0.07

#: Standard error of a film's base plus fog from roll to roll and development to development (inference).
KNOWN_BASE_ERROR = 0.03

#: No scan is surer than this [density; common practice, no source].
LEAST_ERROR = 0.002


@dataclass(frozen=True, kw_only=True)
class FogMeasurement(Result):
    """Fog of a roll in one channel.

    Parameters
    ----------
    roll
        Density of the unexposed part of the roll.
    control
        The same of the control; None when the film's own data stood in for it.
    channel
        Channel that was used.
    base_plus_fog, control_density
        Densities that are compared [density].
    fog_error
        Standard error of the fog [density].
    """

    roll: AreaDensity
    control: AreaDensity | None
    channel: str
    base_plus_fog: float
    control_density: float
    fog_error: float

    @property
    def fog_density(self) -> float:
        """Base plus fog of the roll over that of the control [density]."""
        return self.base_plus_fog - self.control_density

    @property
    def faults(self) -> tuple[Fault, ...]:
        """What is to be known about it."""
        both = (*self.roll.faults, *(self.control.faults if self.control else ()))
        return tuple(dict.fromkeys(both))

    def reading(self, *, record: str = "", date: datetime.date | None = None, note: str = "") -> FogReading:
        """The reading of a trip file that says the same."""
        fields = self.entry()
        return FogReading(
            base_plus_fog=fields["base_plus_fog"],
            control=fields.get("control"),
            known_base_plus_fog=fields.get("known_base_plus_fog"),
            error=fields["error"],
            record=record,
            date=date,
            note=note,
        )

    def entry(self) -> dict[str, float]:
        """Fields of a ``[[reading]]`` in a trip file.

        The error there is that of one density, so that two of them make the error of a fog with a measured control.
        """
        known = "control" if self.control else "known_base_plus_fog"
        one = self.fog_error / (math.sqrt(2.0) if self.control else 1.0)
        return {
            "base_plus_fog": round(max(self.base_plus_fog, 0.0), 4),
            known: round(max(self.control_density, 0.0), 4),
            "error": round(one, 4),
        }

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values."""
        return {
            "fog_density": self.fog_density,
            "fog_error": self.fog_error,
            "channel": self.channel,
            "base_plus_fog": self.base_plus_fog,
            "control": self.control_density,
            "control_measured": self.control is not None,
            "flare": self.roll.flare.fraction,
            "flare_error": self.roll.flare.error,
            "flare_measured": self.roll.flare.measured,
            "areas": self.to_dataframe().to_dict("records"),
            "notes": [str(fault) for fault in self.faults],
        }

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each area and channel."""
        import pandas as pd

        frames = [self.roll.to_dataframe().assign(area="roll")]
        if self.control:
            frames.append(self.control.to_dataframe().assign(area="control"))
        frame = pd.concat(frames, ignore_index=True)
        return frame[["area", *[name for name in frame.columns if name != "area"]]]

    def __str__(self) -> str:
        beside = "control" if self.control else "the film's own base plus fog"
        lines = [
            f"fog {self.fog_density:+.3f} ± {self.fog_error:.3f} density ({self.channel}): "
            f"{self.base_plus_fog:.3f} on the roll, {self.control_density:.3f} for {beside}"
        ]
        return "\n".join(
            [*lines, f"roll: {self.roll}", *([f"control: {self.control}"] if self.control else [])]
            + [f"note: {fault}" for fault in self.faults]
        )


def measure_fog(
    roll: AreaDensity,
    control: AreaDensity | Film,
    *,
    channel: str | None = None,
    scale_error: float = SCALE_ERROR,
) -> FogMeasurement:
    """Fog of a roll over a control.

    Parameters
    ----------
    roll
        Density of unexposed film of the roll.
    control
        The same of an unscanned roll, developed alike and scanned with the same settings; or the film, whose known
        base plus fog stands in with its wider error.
    channel
        Which channel counts; green by default.
    scale_error
        Relative error of the scanner's density scale; 0.01 after a calibrated wedge [0 to 0.5].

    Returns
    -------
    FogMeasurement

    Raises
    ------
    ArgumentError
        Channels that differ, or a record that the film does not have.

    Examples
    --------
    >>> import numpy as np
    >>> from filmdose.scan.density import Flare, measure_area
    >>> from filmdose.scan.image import Box
    >>> from filmdose.scan.simulate import scan_from_pixels
    >>> light = np.random.default_rng(0).normal(50000.0, 50.0, (60, 180))
    >>> light[:, 60:120] *= 10**-0.30
    >>> light[:, 120:] *= 10**-0.45
    >>> scan, none = scan_from_pixels(light.astype(np.uint16)), Flare(fraction=0.0, error=0.0)
    >>> clear, control, roll = (Box(left=left, top=5, width=50, height=50) for left in (5, 65, 125))
    >>> areas = [measure_area(scan, box, clear=clear, flare=none) for box in (roll, control)]
    >>> found = measure_fog(*areas, channel="visual")
    >>> round(found.fog_density, 2)
    0.15
    """
    scale = check_number("scale_error", scale_error, low=0.0, high=0.5)
    name = channel or ("green" if "green" in roll.channels else roll.channels[0])
    at = _position(roll, name)
    if isinstance(control, Film):
        record = control.record_names.index(name) if name in control.record_names else len(control.records) // 2
        emulsion = control.records[record]
        known = float(emulsion.maximum_density() if control.reversal else emulsion.minimum_density())
        density = roll.density[at]
        error = math.hypot(roll.standard_error[at], KNOWN_BASE_ERROR, scale * density, LEAST_ERROR)
        return FogMeasurement(
            roll=roll, control=None, channel=name, base_plus_fog=density, control_density=known, fog_error=error
        )
    if control.channels != roll.channels:
        raise ArgumentError("control", control.channels, f"the channels of the roll: {', '.join(roll.channels)}")
    fog = roll.density[at] - control.density[at]
    error = math.hypot(
        *(roll.pixel_error[at], control.pixel_error[at], roll.clear_error[at], control.clear_error[at]),
        (roll.flare_slope[at] - control.flare_slope[at]) * max(roll.flare.error, control.flare.error),
        scale * fog,
        LEAST_ERROR,
    )
    return FogMeasurement(
        roll=roll,
        control=control,
        channel=name,
        base_plus_fog=roll.density[at],
        control_density=control.density[at],
        fog_error=error,
    )


def _position(area: AreaDensity, channel: str) -> int:
    if len(area.channels) == 1:
        return 0
    if channel not in area.channels:
        raise ArgumentError("channel", channel, f"one of {', '.join(area.channels)}")
    return area.channels.index(channel)


hold_to_annotations(globals())
