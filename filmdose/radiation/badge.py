"""What a dosemeter that travelled with the film says about the air kerma there.

A badge shows sieverts of a quantity that is defined in a body or a phantom; film
answers to what reaches it in free air. The two differ by a factor of 1.3 to 1.9,
which is converted here, with its spread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_number
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import load_data_toml
from filmdose.result import Result
from filmdose.units import AirKerma, parse_dose

__all__ = ["BADGE_QUANTITIES", "BadgeKerma", "badge_air_kerma"]

#: What a reading may be of; "unstated" is a sievert reading of an unknown quantity.
BADGE_QUANTITIES: tuple[str, ...] = tuple(load_data_toml("radiation.toml")["badge"])

_Z95 = 1.6448536269514722


@dataclass(frozen=True, kw_only=True)
class BadgeKerma(Result):
    """Air kerma behind a badge reading: 5, 50 and 95 % points [uGy], and the quantity that was read.

    Parameters
    ----------
    air_kerma_low_ugy, air_kerma_ugy, air_kerma_high_ugy
        Air kerma at the badge [uGy].
    quantity
        One of ``BADGE_QUANTITIES``.
    """

    air_kerma_low_ugy: AirKerma
    air_kerma_ugy: AirKerma
    air_kerma_high_ugy: AirKerma
    quantity: str

    @property
    def log_sigma(self) -> float:
        """Standard deviation of ln(air kerma) [1], half of the 5 to 95 % range over 1.645."""
        if self.air_kerma_low_ugy <= 0.0:
            return 0.0
        return math.log(self.air_kerma_high_ugy / self.air_kerma_low_ugy) / (2.0 * _Z95)

    def __str__(self) -> str:
        low, high = self.air_kerma_low_ugy, self.air_kerma_high_ugy
        spread = f" ({low:.3g} to {high:.3g})" if high > low else ""
        title = load_data_toml("radiation.toml")["badge"][self.quantity]["title"]
        return f"{self.air_kerma_ugy:.4g} uGy{spread} air kerma, read as {title}"


def badge_air_kerma(reading: Any, quantity: str | None = None, *, relative_error: float = 0.0) -> BadgeKerma:
    """Air kerma of a badge reading: K = reading / (dose equivalent per air kerma).

    Parameters
    ----------
    reading
        A number [uGy] or a text such as "5 mR", "63 mrem", "0.6 mSv" [at least 0].
    quantity
        "hp10-phantom", "hp10-free", "hstar10", "unstated" or "air-kerma"; None takes "unstated" for sievert and rem,
        "air-kerma" for gray, rad and roentgen.
    relative_error
        Standard deviation of the reading over the reading [1; 0 to 2]; it widens the range.

    Returns
    -------
    BadgeKerma

    Raises
    ------
    ArgumentError
        A reading that is not one, or a unit that does not belong to the quantity.
    UnknownNameError
        Another quantity.

    Notes
    -----
    Factors hold for the filtered X-rays of scanners, 60 to 100 keV. The kerma is that at the badge: one that lay in
    the bag beside the film has the bag's contents behind it already (``at="inside"`` of a source or a pass), and
    the film still its cartridge.

    References
    ----------
    jis_z4335

    Examples
    --------
    >>> found = badge_air_kerma("63 mrem")
    >>> [round(float(k)) for k in (found.air_kerma_low_ugy, found.air_kerma_ugy, found.air_kerma_high_ugy)]
    [332, 401, 485]
    >>> print(badge_air_kerma("5 mR"))
    43.82 uGy air kerma, read as air kerma, or exposure in roentgen
    """
    value, measure = parse_dose("reading", reading)
    if quantity is None:
        quantity = "unstated" if measure == "sievert" else "air-kerma"
    if quantity not in BADGE_QUANTITIES:
        raise UnknownNameError("quantity", quantity, BADGE_QUANTITIES)
    if (measure == "sievert") == (quantity == "air-kerma"):
        allowed = "gray, rad or roentgen" if quantity == "air-kerma" else "sievert or rem"
        raise ArgumentError("reading", reading, f"a reading in {allowed} for the quantity {quantity}")
    row = load_data_toml("radiation.toml")["badge"][quantity]
    error = check_number("relative_error", relative_error, low=0.0, high=2.0)
    middle = value / row["value"]
    # Two independent factors: their logarithms add in quadrature.
    own = _Z95 * math.sqrt(math.log1p(error**2))
    down, up = (math.hypot(own, math.log(row["value"] / row[side])) for side in ("high", "low"))
    return BadgeKerma(
        air_kerma_low_ugy=AirKerma(middle * math.exp(-down)),
        air_kerma_ugy=AirKerma(middle),
        air_kerma_high_ugy=AirKerma(middle * math.exp(up)),
        quantity=quantity,
    )


hold_to_annotations(globals())
