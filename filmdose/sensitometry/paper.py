"""Printing papers: the range of exposures that a paper takes, and the grade that a negative wants."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any, overload

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError
from filmdose.files import load_data_csv
from filmdose.film.curves import Curve
from filmdose.result import Result
from filmdose.standards import ISO6846_HIGHLIGHT, ISO6846_SHADOW_FRACTION

__all__ = ["PaperRange", "density_range_for_grade", "grade_for_density_range", "negative_density_range", "paper_range"]


@dataclass(frozen=True, kw_only=True)
class PaperRange(Result):
    """Range of a printing paper by ISO 6846.

    Parameters
    ----------
    log_highlight_point, log_shadow_point
        Its ends [log10 lx s].
    """

    log_highlight_point: float
    log_shadow_point: float

    @property
    def log_exposure_range(self) -> float:
        """Range of useful exposures [log10 units]."""
        return self.log_shadow_point - self.log_highlight_point

    @property
    def iso_range(self) -> float:
        """ISO range R: a hundred times the log exposure range."""
        return 100.0 * self.log_exposure_range

    @property
    def printed_range(self) -> int | None:
        """ISO range as printed on a box, to the nearest 10 (from memory); None where not known."""
        return None if math.isnan(self.iso_range) else int(10 * math.floor(self.iso_range / 10.0 + 0.5))


def paper_range(curve: Curve) -> PaperRange:
    """Log exposure range of a printing paper: from least density + 0.04 to 0.90 of net greatest density.

    Parameters
    ----------
    curve
        Curve of a paper, in reflection density.

    Returns
    -------
    PaperRange

    Raises
    ------
    ArgumentError
        A falling curve.

    References
    ----------
    iso_6846

    Examples
    --------
    A straight line from density 0.05 to 2.05 over 1.0 log units: 0.90 - 0.02 of it.

    >>> from filmdose.film.curves import MeasuredCurve
    >>> paper = MeasuredCurve(log_exposures=(0.0, 0.5, 1.0), densities=(0.05, 1.05, 2.05))
    >>> round(paper_range(paper).iso_range, 6), paper_range(paper).printed_range
    (88.0, 90)
    """
    if not curve.rising:
        raise ArgumentError("curve", "a falling curve", "a curve of negative-working paper")
    least, net = curve.minimum_density, curve.maximum_density - curve.minimum_density
    return PaperRange(
        log_highlight_point=float(curve.inverse(least + ISO6846_HIGHLIGHT)),
        log_shadow_point=float(curve.inverse(least + ISO6846_SHADOW_FRACTION * net)),
    )


@overload
def negative_density_range(curve: Curve, log_exposure: Labelled, scene_range: float = ...) -> Labelled: ...
@overload
def negative_density_range(curve: Curve, log_exposure: Numbers, scene_range: float = ...) -> FloatArray: ...
def negative_density_range(curve: Curve, log_exposure: Numeric, scene_range: float = 2.2) -> Any:
    """Density range that a scene makes on a negative: ``|D(x + range) - D(x)|``.

    Parameters
    ----------
    curve
        Curve of the film.
    log_exposure
        log10 exposure of the deepest shadow [log10 lx s].
    scene_range
        Scene range at the film [log10 units]; 2.2 is the mean of outdoor scenes.

    Returns
    -------
    Density range, the log10 range of exposures that a contact print gets.

    Raises
    ------
    ArgumentError
        A scene range that is not above 0.

    References
    ----------
    jones1941

    Examples
    --------
    >>> from filmdose.film.curves import ToeShoulderCurve
    >>> curve = ToeShoulderCurve(unexposed_density=0.2, slope=0.6, toe_log_exposure=-3.0, toe_width=0.1)
    >>> round(float(negative_density_range(curve, -2.0, 1.5)), 3)
    0.9
    """
    from filmdose.sensitometry.contrast import rise

    return elementwise(lambda x: np.abs(np.asarray(rise(curve, x, scene_range))), log_exposure)


@overload
def grade_for_density_range(density_range: Labelled) -> Labelled: ...
@overload
def grade_for_density_range(density_range: Numbers) -> FloatArray: ...
def grade_for_density_range(density_range: Numeric) -> Any:
    """Paper grade (0 soft to 5 hard) whose range takes a negative's density range.

    Parameters
    ----------
    density_range
        Density range of the negative as the enlarger sees it [0.50 up to 1.70].

    Returns
    -------
    Grade 0 to 5; a range on the border of two grades gets the softer one, a range
    that no grade takes gives NaN.

    Raises
    ------
    ArgumentError
        A range below 0.

    References
    ----------
    iso_6846

    Examples
    --------
    >>> grade_for_density_range([1.5, 1.0, 0.85, 0.55, 2.0]).tolist()
    [0.0, 2.0, 3.0, 5.0, nan]
    """
    rows = load_data_csv("paper_grades.csv")
    grades = np.array([float(row["grade"]) for row in rows])
    lows = np.array([float(row["range_low"]) for row in rows])
    highest = max(float(row["range_high"]) for row in rows)
    order = np.argsort(lows)

    def kernel(value: FloatArray) -> FloatArray:
        ranges = check_array("density_range", value, low=0.0, unit="density")
        at = np.searchsorted(lows[order], ranges, side="right") - 1
        found = grades[order][np.clip(at, 0, None)]
        return np.where((at < 0) | (ranges > highest) | np.isnan(ranges), np.nan, found)

    return elementwise(kernel, density_range)


def density_range_for_grade(grade: float) -> tuple[float, float]:
    """Least and greatest density range of a negative that a paper grade takes [density].

    Parameters
    ----------
    grade
        0 (soft) to 5 (hard); whole numbers.

    Returns
    -------
    tuple of float
        Least and greatest [density].

    Raises
    ------
    ArgumentError
        No such grade.

    References
    ----------
    iso_6846

    Examples
    --------
    >>> density_range_for_grade(2)
    (0.95, 1.15)
    """
    wanted = check_number("grade", grade)
    for row in load_data_csv("paper_grades.csv"):
        if float(row["grade"]) == wanted:
            return float(row["range_low"]), float(row["range_high"])
    raise ArgumentError("grade", grade, "a paper grade: 0, 1, 2, 3, 4 or 5")


hold_to_annotations(globals())
