"""The scale of a scanner's densities, and its flare, from a calibrated step wedge in the frame.

    S_i / C = (1 - f) 10**(-q D_i) + f M / C

with D_i the calibrated densities.  q is 1 for a scanner that sees what a diffuse densitometer sees, above 1 for silver
in directed light, and near 1 / gamma for a picture that was encoded with a gamma.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import check_array
from filmdose.errors import ArgumentError, InputFileError
from filmdose.result import Result
from filmdose.scan.density import Flare, checked_statistics
from filmdose.scan.image import Box, Scan

__all__ = ["WedgeCalibration", "calibrate_with_wedge"]

#: Slopes outside of this are no scanner's: below it is an encoding, above it something else is wrong.
LEAST_SCALE, GREATEST_SCALE = 0.8, 1.6


@dataclass(frozen=True, kw_only=True)
class WedgeCalibration(Result):
    """What a wedge says about a scanner.

    Parameters
    ----------
    scale
        q: density that the scanner sees over that of the wedge's certificate.
    scale_error
        Its standard error.
    flare
        Flare of the frame.
    residual
        Standard deviation of what the two do not explain [density].
    """

    scale: float
    scale_error: float
    flare: Flare
    residual: float

    def __str__(self) -> str:
        return (
            f"density scale {self.scale:.3f} ± {self.scale_error:.3f}, flare {self.flare.fraction:.4f} ± "
            f"{self.flare.error:.4f}, rest {self.residual:.4f}"
        )


def calibrate_with_wedge(
    scan: Scan, boxes: Sequence[Box], densities: Sequence[float], *, clear: Scan | Box, channel: str = "green"
) -> WedgeCalibration:
    """Fit density scale and flare to the steps of a calibrated wedge.

    Parameters
    ----------
    scan
        A scan with the wedge in it.
    boxes
        Inside of its steps, as :func:`filmdose.scan.tablet.find_steps` gives them.
    densities
        Calibrated density of each [density; 0 to 5].
    clear
        As of :func:`filmdose.scan.density.measure_area`.
    channel
        Which channel of a colour scan.

    Returns
    -------
    WedgeCalibration

    Raises
    ------
    ArgumentError
        Fewer than three steps, or not a density for each.
    InputFileError
        The scale is that of a picture encoded with a gamma.
    """
    from scipy.optimize import least_squares

    known = check_array("densities", densities, low=-0.01, high=5.0, unit="density", nan_allowed=False)
    if known.size < 3 or known.size != len(boxes):
        raise ArgumentError("densities", known.size, f"one for each of the {len(boxes)} steps, at least three")
    index = scan.channel_index(channel)
    light = np.array([checked_statistics(scan, box)[index].mean for box in boxes])
    same_frame = isinstance(clear, Box)
    other, where = (scan, clear) if isinstance(clear, Box) else (clear, clear.frame)
    full = checked_statistics(other, where)[other.channel_index(channel)].mean
    mean = float(scan.overview().mean(axis=(0, 1))[index])

    def rest(parameters: np.ndarray) -> np.ndarray:
        scale, flare = parameters
        lamp = (full - flare * mean) / (1.0 - flare) if same_frame else full
        seen = (1.0 - flare) * lamp * 10.0 ** (-scale * known) + flare * mean
        return np.asarray(np.log10(seen / light))

    fit = least_squares(rest, (1.0, 0.003), bounds=((0.1, 0.0), (4.0, 0.3)), x_scale=(0.1, 0.003))
    scale, flare = (float(value) for value in fit.x)
    residual = math.sqrt(float(2.0 * fit.cost) / max(known.size - 2, 1))
    jacobian = np.asarray(fit.jac)
    covariance = np.linalg.pinv(jacobian.T @ jacobian) * max(residual, 1e-4) ** 2
    if not LEAST_SCALE < scale < GREATEST_SCALE:
        raise InputFileError(
            scan.path,
            "wedge",
            f"its densities come out {scale:.2f} times those calibrated, as after a gamma of {1 / scale:.1f}.",
            "Choose linear output (gamma 1.0) in the scanner's program, or check the calibrated densities.",
        )
    return WedgeCalibration(
        scale=scale,
        scale_error=math.sqrt(float(covariance[0, 0])),
        flare=Flare(fraction=flare, error=math.sqrt(float(covariance[1, 1])), measured=True),
        residual=residual,
    )


hold_to_annotations(globals())
