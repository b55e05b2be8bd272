"""Non-negative least squares with a smoothness penalty, its strength chosen by cross-validation, and its errors.

    minimise |A x - y|**2 + lambda |L x|**2,  x >= 0

lambda is the one that minimises generalised cross-validation (Golub, Heath & Wahba 1979),

    GCV(lambda) = (|A x - y|**2 / n) / (1 - p / n)**2,

p the trace of the influence matrix of the columns that are above zero.  The errors are those of Wahba (1983),
s**2 (A'A + lambda L'L)**-1 with s**2 = |A x - y|**2 / (n - p): averaged along a curve they hold the bias of the
smoothing too.  All columns count, since what is zero now need not be; and s**2 is drawn towards the usual scatter of
a reading as by three more rows, since few rows often fit far too well (both our choice; simulated tablets hold them).

References
----------
golub1979, wahba1983
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import nnls

from filmdose.arrays import FloatArray

__all__ = ["SMOOTHING", "Solution", "second_differences", "smooth_nnls", "solve"]

#: Strengths of the penalty that are tried, relative to the scale of the problem.
SMOOTHING: tuple[float, ...] = tuple((10.0 ** np.linspace(-9.0, 4.0, 40)).tolist())

_PRIOR_ROWS = 3.0
_LEAST_PENALTY = 1e-3  # for the errors: where cross-validation takes none, only x >= 0 keeps the solution in bounds


@dataclass(frozen=True, kw_only=True, eq=False)
class Solution:
    """Solution at one strength of the penalty.

    Parameters
    ----------
    x
        The unknowns, none below zero.
    smoothing, gcv, parameters
        lambda, its cross-validation score and the trace p of the influence matrix.
    variance
        s**2: scatter of the rows about the solution.
    covariance
        Of the unknowns.
    """

    x: FloatArray
    smoothing: float
    gcv: float
    parameters: float
    variance: float
    covariance: FloatArray


def second_differences(count: int) -> FloatArray:
    """Rows of second differences of ``count`` unknowns, shape (count - 2, count)."""
    return np.asarray(np.diff(np.eye(count), 2, axis=0))


def _penalty(matrix: FloatArray, rough: FloatArray, smoothing: float) -> FloatArray:
    """sqrt(lambda) L in units of the problem, so that lambda means the same for all."""
    scale = math.sqrt(float(np.sum(matrix**2)) / float(np.sum(rough**2)))
    return np.asarray(math.sqrt(smoothing) * scale * rough)


def solve(matrix: FloatArray, target: FloatArray, rough: FloatArray, smoothing: float) -> FloatArray:
    """The unknowns alone, at a given strength."""
    penalty = _penalty(matrix, rough, smoothing)
    found, _ = nnls(np.vstack([matrix, penalty]), np.concatenate([target, np.zeros(len(rough))]), maxiter=3000)
    return np.asarray(found, dtype=np.float64)


def smooth_nnls(
    matrix: FloatArray,
    target: FloatArray,
    rough: FloatArray,
    smoothing: Sequence[float] = SMOOTHING,
    *,
    usual_variance: float,
) -> Solution:
    """The solution whose strength has the least generalised cross-validation.

    Parameters
    ----------
    matrix, target
        A and y, each row divided by its relative standard deviation.
    rough
        L.
    smoothing
        Strengths to try.
    usual_variance
        Variance of a row as it is stated, or usual; it stands for a few rows where there are few.
    """
    best: tuple[float, float, float, FloatArray] | None = None
    for value in smoothing:
        found = solve(matrix, target, rough, value)
        parameters = _trace_of_influence(matrix, _penalty(matrix, rough, value), found > 0.0)
        left = 1.0 - min(parameters, target.size - 0.5) / target.size
        gcv = float(np.mean((matrix @ found - target) ** 2)) / left**2
        if best is None or gcv < best[0]:
            best = (gcv, float(value), parameters, found)
    assert best is not None
    gcv, value, parameters, found = best
    spread = float(np.sum((matrix @ found - target) ** 2)) + _PRIOR_ROWS * usual_variance
    variance = spread / (max(target.size - parameters, 0.0) + _PRIOR_ROWS)
    stacked = np.vstack([matrix, _penalty(matrix, rough, max(value, _LEAST_PENALTY))])
    covariance = variance * np.linalg.pinv(stacked.T @ stacked, hermitian=True)
    return Solution(x=found, smoothing=value, gcv=gcv, parameters=parameters, variance=variance, covariance=covariance)


def _trace_of_influence(matrix: FloatArray, penalty: FloatArray, above_zero: NDArray[np.bool_]) -> float:
    """Effective number of parameters: trace of A (A'A + L'L)^-1 A' over the columns that are above zero."""
    orthogonal, _ = np.linalg.qr(np.vstack([matrix[:, above_zero], penalty[:, above_zero]]))
    return float(np.sum(orthogonal[: len(matrix)] ** 2))
