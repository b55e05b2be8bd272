"""The grain population of a generic film: flat-topped, with an error-function edge at the fast and at the slow end.

    c(z) = g Phi((z_f - z) / tau) Phi((z - z_s) / tau_s)

Phi is the normal distribution, z_f and tau place and round the fast edge, which makes the toe of a negative, z_s and
tau_s the slow edge, which makes its shoulder.  z is counted from the *shadow point* of the clean film: log10
sensitivity times the exposure of the speed point.  So a population is the same at every speed, and whatever tau and
the contrast are, the clean film has its speed point at zero exactly.

Negative: z_s stands where the sheets' shoulders are; z_f and g follow from the density of the standard's speed point
and from the density 1.30 log units right of it.  Reversal: the greatest density is given; z_f, z_s and g follow from
it and from the two points of its standard.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cache, cached_property

import numpy as np
from scipy.interpolate import RectBivariateSpline
from scipy.special import gammainc, gammaincinv, ndtr

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.errors import ArgumentError, UnknownNameError
from filmdose.files import load_data_toml
from filmdose.standards import (
    ISO6_INTERVAL,
    ISO6_RISE,
    ISO2240_HIGHLIGHT,
    ISO2240_SHADOW,
    KINDS,
    RECORD_NAMES,
    SPEED_POINT,
)

__all__ = ["CONTRAST_RANGE", "TOE_RANGE", "film_value", "population_rows", "record_value"]

#: What toe width [log units] and contrast [1] may be, of negative and of reversal film; beyond, no population of this
#: shape reaches the standard.
TOE_RANGE = {False: (0.10, 0.60), True: (0.08, 0.40)}
CONTRAST_RANGE = {False: (0.55, 1.80), True: (0.80, 1.25)}

_CLASSES = 48
#: The classes run from this many widths of the slow edge below it to this far above the light threshold [log units].
_SLOW_WIDTHS, _FASTEST = 2.4, 1.65
_ROWS_AT_ONCE = 320  # larger tables of 48 classes are given back to the system after each step, which takes longer
_NODES = 40  # of the table of edges against toe and contrast, each way


def film_value(section: str, name: str, side: str = "value") -> float:
    """A number of the shipped film data, such as ("bw-negative", "native_fog"); "low" or "high" for its range.

    Parameters
    ----------
    section
        Table of the data file.
    name
        Key in it.
    side
        "value", "low" or "high".

    Returns
    -------
    float
        In the unit that the data file states.

    Examples
    --------
    >>> film_value("model", "calibration_kerma", "low")
    14.0
    """
    return float(load_data_toml("films.toml")[section][name][side])


def record_value(kind: str, record: str, name: str, side: str = "value") -> float:
    """A number of one record of a generic film: the record's own, or else that of the whole film.

    Parameters
    ----------
    kind
        Kind of film.
    record
        "visual", "red", "green" or "blue".
    name
        Key of the data file.
    side
        "value", "low" or "high".

    Returns
    -------
    float
        In the unit that the data file states.

    Examples
    --------
    >>> record_value("colour-negative", "blue", "minimum_density")
    0.88
    """
    if kind not in KINDS:
        raise UnknownNameError("kind", kind, KINDS)
    section = load_data_toml("films.toml")[kind]
    return float(section.get(record, {}).get(name, section.get(name))[side])


def population_rows(
    kind: str, record: str, *, toe: FloatArray, contrast: FloatArray, quanta: float | None = None
) -> tuple[FloatArray, FloatArray]:
    """Grain populations of a generic film's record, a row for each toe width and contrast.

    Parameters
    ----------
    kind, record
        Kind of film and name of one of its records.
    toe
        tau, width of the fast edge [log units], shape (n,); values outside ``TOE_RANGE`` are taken as its ends.
    contrast
        Factor on the gradient above the speed point [1], shape (n,): on the rise over 1.30 log units of a negative,
        and one over the distance of the two points of a reversal film; ends as ``CONTRAST_RANGE``.
    quanta
        Q of the light threshold; default from the shipped data.

    Returns
    -------
    z
        Log10 sensitivity times the exposure of the clean shadow point, shape (classes,): the speed point of a
        negative, the 2.00 point of a reversal film.  The same for every row.
    weights
        c_j [density when all grains of the class develop], shape (n, classes), native fog included.

    Raises
    ------
    UnknownNameError
        Kind or record is not known.
    ArgumentError
        The quanta make a threshold too flat for the standard.

    Examples
    --------
    >>> z, weights = population_rows("bw-negative", "visual", toe=np.array([0.2, 0.3]), contrast=np.ones(2))
    >>> net = 0.985 * weights @ gammainc(4, 10 ** (z[:, None] + [0.0, 1.30]))  # 1.5 % are native fog
    >>> net.round(9).tolist()
    [[0.1, 0.9], [0.1, 0.9]]

    References
    ----------
    iso_6, iso_5800, iso_2240
    """
    if kind not in KINDS:
        raise UnknownNameError("kind", kind, KINDS)
    if record not in RECORD_NAMES[kind]:
        raise UnknownNameError("record", record, RECORD_NAMES[kind])
    shape = _shape(kind, record, film_value("model", "quanta") if quanta is None else float(quanta))
    reversal = kind.endswith("reversal")
    toes = np.clip(np.asarray(toe, dtype=np.float64), *TOE_RANGE[reversal])
    factors = np.clip(np.asarray(contrast, dtype=np.float64), *CONTRAST_RANGE[reversal])
    weights = np.empty((toes.size, shape.z.size))
    splines = _edge_splines(shape)
    for first in range(0, toes.size, _ROWS_AT_ONCE):
        part = slice(first, first + _ROWS_AT_ONCE)
        edges = np.stack([spline.ev(toes[part], factors[part]) for spline in splines])
        weights[part] = shape.scaled(edges, toes[part], factors[part])
    return shape.z, weights / (1.0 - record_value(kind, record, "native_fog"))


@dataclass(frozen=True, kw_only=True, eq=False)
class _Shape:
    """What one record's populations have in common.

    ``net_densities`` at two exposures, ``exposures(contrast)`` right of the shadow point, that a population must
    give; ``slow_edge`` is known for a negative, ``net_maximum`` for a reversal film.
    """

    z: FloatArray
    quanta: float
    foot: float
    first_density: float
    second_density: Callable[[FloatArray], FloatArray]
    interval: Callable[[FloatArray], FloatArray]
    slow_edge: float | None
    net_maximum: float | None

    def light(self, exposure: FloatArray) -> FloatArray:
        """P_L of every class at exposures right of the shadow point, shape (exposures, classes)."""
        return np.asarray(gammainc(self.quanta, 10.0 ** (np.atleast_1d(exposure)[:, None] + self.z)))

    @cached_property
    def light_at_shadow(self) -> FloatArray:
        """P_L at the shadow point, shape (classes,)."""
        return np.asarray(self.light(np.zeros(1))[0])

    def scaled(self, edges: FloatArray, toe: FloatArray, contrast: FloatArray) -> FloatArray:
        """Net weights c_j (1 - p0) [density] for each row of edges (first axis: fast, and slow where not known)."""
        fast, slow = self._scores(edges, toe, contrast)
        population = ndtr(fast) * ndtr(slow)
        # The edges are interpolated; a tilt of a few parts in ten thousand makes the standard exact.
        tilt = self.z / self.z[-1]
        first = self.light_at_shadow
        second = self.light(self.interval(contrast))
        if self.net_maximum is None:
            products = population @ np.stack([first, tilt * first, second[0], tilt * second[0]], axis=1)
        else:
            dark = 1.0 - first
            lit = (population * (1.0 - second)) @ np.stack([np.ones_like(tilt), tilt], axis=1)
            products = np.hstack([population @ np.stack([dark, tilt * dark], axis=1), lit])
        return np.asarray(population * _tilted(tilt, products, self.first_density, self.second_density(contrast)))

    def _scores(self, edges: FloatArray, toe: FloatArray, contrast: FloatArray) -> tuple[FloatArray, FloatArray]:
        """(z_f - z) / tau and (z - z_s) / tau_s; one row of the latter where it is the same for all."""
        fast = (edges[0][:, None] - self.z) / toe[:, None]
        if self.slow_edge is not None:
            return fast, (self.z - self.slow_edge)[None] / self.foot
        # The contrast of reversal film stretches its light end with the rest.
        return fast, (self.z - edges[1][:, None]) * (contrast[:, None] / self.foot)

    def newton(
        self, edges: FloatArray, toe: FloatArray, contrast: FloatArray, second: FloatArray
    ) -> tuple[FloatArray, FloatArray]:
        """Newton step of the unknown edges, and the errors before it; first axis: unknowns.

        ``second`` is P_L at the second exposure, which the edges do not change.

        Negative: ln D(1.30) - ln D(0) against the standard's, z_f unknown.  Reversal: undeveloped shares at both
        points, z_f and z_s unknown.
        """
        fast, slow = self._scores(edges, toe, contrast)
        below_fast, above_slow = ndtr(fast), ndtr(slow)
        population = below_fast * above_slow
        by_fast = _bell(fast)
        by_fast *= above_slow
        by_fast /= toe[:, None]
        if self.net_maximum is None:
            a, b = population @ self.light_at_shadow, population @ second[0]
            error = np.log(b / a) - np.log(self.second_density(contrast) / self.first_density)
            slope = by_fast @ second[0] / b - by_fast @ self.light_at_shadow / a
            return -(error / slope)[None], error[None]
        by_slow = -_bell(slow) * below_fast * (contrast[:, None] / self.foot)
        total = population.sum(axis=1)
        wanted = (self.first_density / self.net_maximum, self.second_density(contrast) / self.net_maximum)
        errors, slopes = [], []
        for light, want in zip((self.light_at_shadow, second), wanted, strict=True):
            share = (population * (1.0 - light)).sum(axis=1) / total
            errors.append(share - want)
            slopes.append(
                [((by * (1.0 - light)).sum(axis=1) - share * by.sum(axis=1)) / total for by in (by_fast, by_slow)]
            )
        error = np.stack(errors)
        (aa, ab), (ba, bb) = slopes
        step = np.stack([ab * error[1] - bb * error[0], ba * error[0] - aa * error[1]]) / (aa * bb - ab * ba)
        return step, error


def _tilted(tilt: FloatArray, products: FloatArray, first: float, second: FloatArray) -> FloatArray:
    """g + e tilt for each row, with g a + e b = first and g c + e d = second; ``products`` are a, b, c, d."""
    a, b, c, d = products.T
    determinant = a * d - b * c
    height, slope = (first * d - b * second) / determinant, (a * second - c * first) / determinant
    return np.asarray(height[:, None] + slope[:, None] * tilt)


def _bell(score: FloatArray) -> FloatArray:
    result = -0.5 * score
    result *= score  # in place: the tables are large enough for new ones to take longer than the arithmetic
    np.exp(result, out=result)
    result /= np.sqrt(2.0 * np.pi)
    return result


@cache
def _shape(kind: str, record: str, quanta: float) -> _Shape:
    threshold = float(np.log10(gammaincinv(quanta, 0.5)))
    foot = record_value(kind, record, "shoulder_width")
    if kind.endswith("reversal"):
        interval = record_value(kind, record, "log_interval")
        # A reversal film of the least contrast has its slow edge farthest away.
        slowest = threshold - (interval + _SLOW_WIDTHS * foot) / CONTRAST_RANGE[True][0]
        return _Shape(
            z=np.linspace(slowest, threshold + _FASTEST, _CLASSES),
            quanta=quanta,
            foot=foot,
            first_density=ISO2240_SHADOW,
            second_density=lambda contrast: np.full_like(contrast, ISO2240_HIGHLIGHT),
            interval=lambda contrast: interval / contrast,
            slow_edge=None,
            net_maximum=record_value(kind, record, "net_maximum"),
        )
    slow_edge = threshold - record_value(kind, record, "shoulder_point")
    net = SPEED_POINT[kind]
    rise = ISO6_RISE if kind == "bw-negative" else record_value(kind, record, "rise_1_30")
    return _Shape(
        z=np.linspace(slow_edge - _SLOW_WIDTHS * foot, threshold + _FASTEST, _CLASSES),
        quanta=quanta,
        foot=foot,
        first_density=net,
        second_density=lambda contrast: net + contrast * rise,
        interval=lambda contrast: np.full(1, ISO6_INTERVAL),
        slow_edge=slow_edge,
        net_maximum=None,
    )


@cache
def _edge_splines(shape: _Shape) -> tuple[RectBivariateSpline, ...]:
    """The unknown edges against toe and contrast: interpolated between exact solutions, to about 1e-8."""
    reversal = shape.net_maximum is not None
    toes = np.linspace(*TOE_RANGE[reversal], _NODES)
    factors = np.linspace(*CONTRAST_RANGE[reversal], _NODES)
    toe, factor = (grid.ravel() for grid in np.meshgrid(toes, factors, indexing="ij"))
    threshold = np.log10(gammaincinv(shape.quanta, 0.5))
    edges = np.full((1, toe.size), threshold + 0.3)
    if reversal:
        edges = np.stack([edges[0] + 0.3, threshold - 0.5 * shape.interval(factor)])
    second = np.broadcast_to(shape.light(shape.interval(factor)), (toe.size, shape.z.size))
    parts = [slice(first, first + _ROWS_AT_ONCE) for first in range(0, toe.size, _ROWS_AT_ONCE)]
    for _ in range(100):
        found = [shape.newton(edges[:, part], toe[part], factor[part], second[part]) for part in parts]
        step, error = (np.hstack(each) for each in zip(*found, strict=True))
        edges = np.clip(edges + np.clip(step, -0.1, 0.1), shape.z[0] - 1.0, shape.z[-1])
        if np.max(np.abs(error)) < 1e-12:
            grids = [edge.reshape(_NODES, _NODES) for edge in edges]
            return tuple(RectBivariateSpline(toes, factors, grid, kx=5, ky=5) for grid in grids)
    raise ArgumentError(
        "quanta",
        shape.quanta,
        "quanta whose light threshold is steep enough for the standard of the film",
        "The default is 4.",
    )


hold_to_annotations(globals())
