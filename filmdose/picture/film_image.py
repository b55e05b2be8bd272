"""Light on film: every pixel's density and noise, as the emulsion has them, from tables that are exact to rounding.

log10 H = log10(q K_meter / EI) + place: the meter gives the middle of the scene the exposure of ISO 2720, whatever
the index; a place is what :mod:`filmdose.picture.scene` says.  D(H, K) and sigma_D(H, K) come from
:class:`filmdose.film.emulsion.Emulsion`, solved on nodes of log exposure (cubic, with the analytic gradient) and of
kerma (Chebyshev nodes), which agree with the solver itself within 1e-6 density.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import Film
from filmdose.picture.grain_field import field, neighbour_correlation, spot_um
from filmdose.sensitometry.exposure import metered_exposure

__all__ = ["Densities", "RecordTable", "middle_log_exposure", "photograph"]

#: Densities of a picture, in single precision.
Densities = NDArray[np.float32]

#: Distance of nodes in log exposure, and number of nodes in kerma where fog is uneven.
_STEP, _KERMA_NODES = 0.02, 24

#: Rows that are worked on at a time.
_ROWS = 64


def middle_log_exposure(ei: float) -> float:
    """Log10 exposure of the metered middle of the scene [log10 lx s].

    Examples
    --------
    >>> round(10 ** middle_log_exposure(100), 5)  # published: 8.125 / S
    0.08125
    """
    return math.log10(float(metered_exposure(ei)))


def _lagrange(nodes: FloatArray, at: FloatArray) -> FloatArray:
    """Weights that interpolate from nodes to places, shape (nodes, places)."""
    result = np.ones((nodes.size, at.size))
    for i, node in enumerate(nodes):
        for other in np.delete(nodes, i):
            result[i] *= (at - other) / (node - other)
    return result


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordTable:
    """Density and noise of one record over log exposure, for every column of a picture or for all columns alike.

    Parameters
    ----------
    first
        Log exposure of the first node [log10 lx s].
    density, gradient
        On the nodes, shape (nodes, columns or 1).
    sigma
        Standard deviation of density through one pixel, likewise.
    """

    first: float
    density: FloatArray
    gradient: FloatArray
    sigma: FloatArray

    @classmethod
    def of(
        cls, record: Emulsion, kerma_ugy: FloatArray, log_exposures: tuple[float, float], pixel_um: float
    ) -> RecordTable:
        """Solve a record for the range of log exposures and the kerma of every column [uGy]."""
        low, high = log_exposures
        count = math.ceil((high - low) / _STEP) + 4
        first = low - _STEP
        x = first + _STEP * np.arange(count)
        even = np.unique(kerma_ugy)
        if even.size == 1:
            nodes, spread = even, np.ones((1, 1))
        else:
            middle, half = 0.5 * (even[0] + even[-1]), 0.5 * (even[-1] - even[0])
            nodes = middle + half * np.cos(math.pi * (np.arange(_KERMA_NODES) + 0.5) / _KERMA_NODES)
            nodes = np.clip(nodes, 0.0, None)
            spread = _lagrange(nodes, kerma_ugy)
        grid = (x[:, None], nodes[None, :])
        variance = np.asarray(record.noise(*grid, aperture_area_um2=pixel_um**2)) ** 2
        return cls(
            first=first,
            density=np.asarray(record.density(*grid)) @ spread,
            gradient=np.asarray(record.gradient(*grid)) @ spread,
            sigma=np.sqrt(np.clip(variance @ spread, 0.0, None)),
        )

    def at(self, log_exposure: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Density and sigma of pixels, shape (rows, columns)."""
        count, columns = self.density.shape
        place = (log_exposure - self.first) / _STEP
        node = np.clip(place.astype(np.intp), 0, count - 2)
        t = place - node
        column = np.broadcast_to(np.arange(log_exposure.shape[1]) if columns > 1 else 0, node.shape)
        d0, d1 = self.density[node, column], self.density[node + 1, column]
        g0, g1 = _STEP * self.gradient[node, column], _STEP * self.gradient[node + 1, column]
        s = 1.0 - t
        density = d0 * (1 + 2 * t) * s * s + d1 * (3 - 2 * t) * t * t + g0 * t * s * s - g1 * t * t * s
        sigma = s * self.sigma[node, column] + t * self.sigma[node + 1, column]
        return density, sigma


def photograph(
    film: Film,
    log_places: FloatArray,
    ei: float,
    kerma_ugy: FloatArray,
    pixel_um: float,
    seed: tuple[int, ...],
) -> tuple[Densities, Densities]:
    """Densities of a frame, with its grain and without.

    Parameters
    ----------
    film
        The film.
    log_places
        The scene, shape (rows, columns, 1 or records).
    ei
        Exposure index that the meter is set to [ISO].
    kerma_ugy
        Effective air kerma of every column, shape (columns,) [uGy].
    pixel_um
        Side of a pixel on the film [um].
    seed
        Of the grain; the number of the record is added.

    Returns
    -------
    Densities with grain, and the model's own, shape (rows, columns, records), single precision.
    """
    middle = middle_log_exposure(ei)
    rows, columns, given = log_places.shape
    grainy = np.empty((rows, columns, len(film.records)), dtype=np.float32)
    smooth = np.empty_like(grainy)
    for index, record in enumerate(film.records):
        places = log_places[:, :, min(index, given - 1)]
        ends = (middle + float(places.min()), middle + float(places.max()))
        table = RecordTable.of(record, np.asarray(kerma_ugy, dtype=np.float64), ends, pixel_um)
        rng = np.random.default_rng((*seed, index))
        grain = field((rows, columns), neighbour_correlation(pixel_um, spot_um(record)), rng)
        for start in range(0, rows, _ROWS):
            part = slice(start, start + _ROWS)
            density, sigma = table.at(middle + places[part])
            smooth[part, :, index] = density
            grainy[part, :, index] = density + sigma * grain[part]
    return grainy, smooth


hold_to_annotations(globals())
