"""Uneven fog as a surface: read where film was never exposed (rebate, gaps between frames), interpolated, taken out.

Unexposed film shows the fog of its place.  Medians of cells in boxes of it are the evidence; between them a surface is
laid by one of three models: the same everywhere, a plane, or a smoothing thin-plate spline.  Which one, and how
smooth, is decided by leaving out stretches of the evidence and predicting them; a surface that predicts them no better
than their mean is not used.  Nothing is said about places outside the convex hull of the evidence: there the picture
is left as it is.

What goes on in the middle of a frame without showing at its edges cannot be seen by this, and is not corrected.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_number
from filmdose.errors import ArgumentError
from filmdose.result import Result
from filmdose.scan.image import Box

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FogBackground", "fit_background", "level_density"]

#: Models of the surface, the simplest first.
MODELS = ("even", "plane", "surface")

#: Smoothing of the spline that is tried, in units of the evidence's spread.
_SMOOTHING = (1e-6, 1e-5, 1e-4, 1e-3, 1e-2)

#: A model must predict left-out evidence this much better than a simpler one to be taken [1].
_WORTH = 0.95

#: Cells of evidence along the longer side of the picture; nodes of the surface along it.
_CELLS, _NODES = 60, 121

#: Fewest cells of evidence.
_FEWEST = 12


@dataclass(frozen=True, kw_only=True, eq=False)
class FogBackground(Result):
    """Density of unexposed film over a picture, as far as there is evidence.

    Parameters
    ----------
    shape
        Rows and columns of the picture.
    evidence
        One row a cell: row, column, density, and the box it is from.
    model
        One of ``MODELS``.
    prediction_error
        Rms difference of evidence that was left out from its prediction [density]; between the evidence the surface
        is not surer than this.
    mean_error
        The same when the mean is the prediction: what taking the surface gains.
    nodes_row, nodes_column, nodes_density, nodes_weight
        The surface at the nodes of a grid, and its weight: 1 within the evidence, 0 where there is none.
    """

    shape: tuple[int, int]
    evidence: pd.DataFrame
    model: str
    prediction_error: float
    mean_error: float
    nodes_row: FloatArray
    nodes_column: FloatArray
    nodes_density: FloatArray
    nodes_weight: FloatArray

    def density(self) -> FloatArray:
        """Density of unexposed film at every pixel; meant only where :meth:`weight` is above 0."""
        return self._spread(self.nodes_density, 3)

    def weight(self) -> FloatArray:
        """Share of the correction that is applied at every pixel [0 to 1]."""
        return np.clip(self._spread(self.nodes_weight, 1), 0.0, 1.0)

    def _spread(self, values: FloatArray, degree: int) -> FloatArray:
        from scipy.interpolate import RectBivariateSpline

        spline = RectBivariateSpline(self.nodes_row, self.nodes_column, values, kx=degree, ky=degree)
        return np.asarray(spline(np.arange(self.shape[0]) + 0.5, np.arange(self.shape[1]) + 0.5))

    @property
    def mean(self) -> float:
        """Mean density of the evidence."""
        return float(self.evidence["density"].mean())

    @property
    def covered(self) -> float:
        """Share of the picture that lies within the evidence."""
        return float((self.nodes_weight > 0.5).mean())

    @property
    def sentence(self) -> str:
        """What was found, in words."""
        words = {"even": "no unevenness that shows", "plane": "a slope", "surface": "an uneven surface"}[self.model]
        return (
            f"Unexposed film has density {self.mean:.3f} and {words}: places that were left out are predicted to "
            f"{self.prediction_error:.3f} density (by their mean: {self.mean_error:.3f}). "
            f"{100 * self.covered:.0f} % of the picture lies within the evidence; the rest is left as it is."
        )

    def to_dataframe(self) -> pd.DataFrame:
        """The evidence, one row a cell."""
        return self.evidence.copy()

    def __repr__(self) -> str:
        return f"FogBackground({self.model}, {len(self.evidence)} cells, error {self.prediction_error:.4f})"


def fit_background(density: FloatArray, boxes: Sequence[Box], *, taper: float = 0.02) -> FogBackground:
    """Surface of the density of unexposed film.

    Parameters
    ----------
    density
        Densities of one channel of a picture, shape (rows, columns).
    boxes
        Where film was not exposed: strips of rebate on both sides of the frame, gaps beside it. The picture between
        them is corrected, and nothing outside.
    taper
        Width beyond the evidence over which the correction runs out, over the picture's longer side [0 to 0.5].

    Returns
    -------
    FogBackground

    Raises
    ------
    ArgumentError
        No boxes, a box outside the picture, or too little evidence.

    Examples
    --------
    >>> density = np.full((60, 90), 0.30)
    >>> strips = [Box(left=0, top=0, width=90, height=10), Box(left=0, top=50, width=90, height=10)]
    >>> surface = fit_background(density, strips)
    >>> round(float(surface.mean_error), 3), surface.shape
    (0.0, (60, 90))
    """
    values = check_array("density", density, unit="density")
    if values.ndim != 2:
        raise ArgumentError("density", values.shape, "one channel, shape (rows, columns)")
    edge = check_number("taper", taper, low=0.0, high=0.5)
    longest = max(values.shape)
    evidence = _evidence(values, boxes, max(8, longest // _CELLS))
    place = evidence[["row", "column"]].to_numpy() / longest
    read = evidence["density"].to_numpy()
    model, smoothing, errors = _chosen(place, read, evidence["box"].to_numpy())
    rows = np.linspace(0.0, values.shape[0], max(5, math.ceil(_NODES * values.shape[0] / longest)))
    columns = np.linspace(0.0, values.shape[1], max(5, math.ceil(_NODES * values.shape[1] / longest)))
    grid = np.stack(np.meshgrid(rows, columns, indexing="ij"), axis=-1).reshape(-1, 2) / longest
    surface = _predict(model, smoothing, place, read, grid).reshape(rows.size, columns.size)
    # beyond what was read the spline would run away; nothing there is corrected by more than the evidence shows
    surface = np.clip(surface, read.min(), read.max())
    corners = np.array(
        [[y, x] for box in boxes for y in _ends(box.top, box.height) for x in _ends(box.left, box.width)]
    )
    weight = _weight(corners / longest, grid, edge).reshape(surface.shape)
    return FogBackground(
        shape=(values.shape[0], values.shape[1]),
        evidence=evidence,
        model=model,
        prediction_error=errors[model],
        mean_error=errors["even"],
        nodes_row=rows,
        nodes_column=columns,
        nodes_density=surface,
        nodes_weight=weight,
    )


def level_density(density: FloatArray, background: FogBackground, *, reference: float | None = None) -> FloatArray:
    """Density less what the background has over a reference: D - w (B - reference).

    Parameters
    ----------
    density
        Densities of the picture, shape (rows, columns).
    background
        Of :func:`fit_background`; w is its weight.
    reference
        Density of unexposed film to come to: that of a clean roll takes all fog out; the mean of the evidence, by
        default, only evens it out.

    Returns
    -------
    ndarray
        Densities, same shape.

    Raises
    ------
    ArgumentError
        Shapes that differ.

    Notes
    -----
    Fog adds less to a dense tone than to film without exposure, since the grains that it would have developed are
    developed already: a plain difference is right in the shadows and takes too much from the highlights.
    :func:`filmdose.scan.correct.correct_density` with a film knows better.

    Examples
    --------
    >>> density = np.full((60, 90), 0.40)
    >>> strips = [Box(left=0, top=0, width=90, height=10), Box(left=0, top=50, width=90, height=10)]
    >>> level = level_density(density, fit_background(density, strips), reference=0.30)
    >>> round(float(level[30, 45]), 3)
    0.3
    """
    target = background.mean if reference is None else check_number("reference", reference, low=0.0, high=6.0)
    values = check_array("density", density, unit="density")
    if values.shape != background.shape:
        raise ArgumentError("density", values.shape, f"the picture of the background, {background.shape}")
    return np.asarray(values - background.weight() * (background.density() - target))


def _ends(first: int, size: int) -> tuple[int, int]:
    return first, first + size


def _evidence(density: FloatArray, boxes: Sequence[Box], cell: int) -> pd.DataFrame:
    import pandas as pd

    rows: list[dict[str, Any]] = []
    for number, box in enumerate(boxes):
        if box.top + box.height > density.shape[0] or box.left + box.width > density.shape[1]:
            size = f"{density.shape[1]} by {density.shape[0]}"
            raise ArgumentError("boxes", str(box), f"boxes inside the {size} pixels of the picture")
        high, wide = max(1, round(box.height / cell)), max(1, round(box.width / cell))
        ends_y = np.linspace(box.top, box.top + box.height, high + 1).astype(int)
        ends_x = np.linspace(box.left, box.left + box.width, wide + 1).astype(int)
        for top, bottom in pairwise(ends_y):
            for left, right in pairwise(ends_x):
                value = float(np.median(density[top:bottom, left:right]))
                if math.isfinite(value):
                    place = {"row": 0.5 * (top + bottom), "column": 0.5 * (left + right)}
                    rows.append({**place, "density": value, "box": number})
    if len(rows) < _FEWEST:
        action = "Give longer strips of rebate and the gaps beside the frame."
        raise ArgumentError("boxes", f"{len(rows)} cells", f"at least {_FEWEST} cells of unexposed film", action)
    return pd.DataFrame(rows)


def _predict(model: str, smoothing: float, place: FloatArray, read: FloatArray, at: FloatArray) -> FloatArray:
    if model == "even":
        return np.full(len(at), read.mean())
    if model == "plane":
        columns = [np.column_stack([np.ones(len(p)), p]) for p in (place, at)]
        return np.asarray(columns[1] @ np.linalg.lstsq(columns[0], read, rcond=None)[0])
    from scipy.interpolate import RBFInterpolator

    return np.asarray(RBFInterpolator(place, read, kernel="thin_plate_spline", smoothing=smoothing)(at))


def _chosen(place: FloatArray, read: FloatArray, box: FloatArray) -> tuple[str, float, dict[str, float]]:
    """The model, its smoothing, and the error of every model's prediction of stretches that are left out."""
    fold = np.empty(len(read), dtype=int)
    for number in np.unique(box):
        here = np.flatnonzero(box == number)
        fold[here] = np.arange(here.size) // 2 % 5  # stretches of two cells
    tried = [("even", 0.0), ("plane", 0.0), *(("surface", smoothing) for smoothing in _SMOOTHING)]
    best: tuple[str, float, float] | None = None
    errors: dict[str, float] = {}
    for model, smoothing in tried:
        missed = np.empty_like(read)
        for k in np.unique(fold):
            out = fold == k
            missed[out] = _predict(model, smoothing, place[~out], read[~out], place[out]) - read[out]
        error = float(np.sqrt(np.mean(missed**2)))
        errors[model] = min(error, errors.get(model, math.inf))
        if best is None or error < (best[2] if model == best[0] else _WORTH * best[2]):
            best = (model, smoothing, error)
    assert best is not None
    return best[0], best[1], errors


def _weight(corners: FloatArray, grid: FloatArray, taper: float) -> FloatArray:
    """1 within the convex hull of the evidence, falling to 0 over the taper outside."""
    from scipy.spatial import ConvexHull

    hull = ConvexHull(corners)
    outside = (grid @ hull.equations[:, :2].T + hull.equations[:, 2]).max(
        axis=1
    )  # distance from the nearest side's line
    if taper == 0.0:
        return np.asarray(outside <= 1e-9, dtype=np.float64)
    return np.asarray(np.clip(1.0 - outside / taper, 0.0, 1.0))


hold_to_annotations(globals())
