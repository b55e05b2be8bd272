"""The array solver: what any number of doses, and any number of shapes of a film, do to its records.

For one record light enters only through fixed matrices, P_L and dP_L/dlog10 H of every class on nodes of exposure;
a dose, the exponents, the contrast and the toe enter only through *weights* of the classes, one row for each case.
So all cases are a few matrix products, and every criterion is read off their rows (:mod:`filmdose.nodes` says how
these lie in memory).

Exposure is counted from the *shadow point* of the clean record, s = log10 H - log10 H_m, and dose as x, the mean
number of hits of a grain of sensitivity 1 / H_m.  In these two numbers all speeds of one family of films are the
same problem, and one set of matrices serves them all.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property, lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammainc, gammaincc, gammaln

from filmdose.arrays import FloatArray
from filmdose.criteria import Criterion, Tones
from filmdose.film.emulsion import LN10, Emulsion
from filmdose.nodes import Rise, cubic_root, first_root, first_roots, nodes_from, product
from filmdose.standards import (
    CONTRAST_INTERVAL,
    FRACTION_OF_MEAN_GRADIENT,
    ISO2240_HIGHLIGHT,
    LOG10_2,
    MEAN_GRADIENT_INTERVAL,
)

__all__ = [
    "ABSENT",
    "AS_IT_IS",
    "CRITERIA",
    "Light",
    "RecordCriteria",
    "RecordRows",
    "RecordSolver",
    "RecordView",
    "ReversalLoss",
    "Shape",
    "record_criteria",
    "record_solver",
    "reversal_loss",
    "shadow_hits_per_ugy",
]

#: What "as good as on the clean film" can mean, each with a sentence.
CRITERIA: dict[str, str] = {
    "fixed_density": "the exposure that gives the standard's density above base plus fog (ISO 6: 0.10)",
    "fractional_gradient": "the exposure where the gradient is 0.3 of the mean gradient over the next 1.5 log units",
    "shadow_gradient": "the exposure that restores the absolute gradient of the clean shadow point",
    "shadow_snr": "the exposure that restores the signal-to-noise ratio of the clean shadow point",
}

#: Distances of the nodes [log units], coarse to fine, of which a record gets the first whose cubic through four nodes
#: is good to the given relative error wherever a quantity is at least half of what its criterion asks for.
_STEPS, _GRID_ERROR = (0.05, 0.025, 0.0125), 1e-4

#: The fractional-gradient point may lie left of the shadow point by this much [log units].
_LOW = -1.0

#: Compensation is looked for up to here [log units right of the shadow point]: seven stops.
REACH = 2.1

#: Tones so far left of the shadow point have a say in the decision [log units]: a stop.
TONES = LOG10_2

#: Nodes on either side of what is asked for, which rows with a shadow point of their own need.
MARGIN = 48

#: Weight of a class that is not there [density]: nothing beside any density, and still a divisor.
ABSENT = 1e-200

_MOST_TERMS = 16  # quanta up to which a finite sum takes the place of the incomplete gamma function

_TINY = 1e-300
_LEAST_GRADIENT = 1e-14  # what is less left of the gradient of a fogged film is rounding [density per log unit]
_LEAST_EXPONENT = -230.0  # nobody sees a grain that is left in 1e100; see _flushed

#: The highlight's gradient is the mean over the top stop of the scene [log units].
_TOP_OF_SCENE = LOG10_2


@dataclass(frozen=True, kw_only=True, eq=False)
class Light:
    """What light does to grain classes on nodes of exposure; shared by all records whose classes lie alike.

    ``missed`` is 1 - P_L and ``slope`` dP_L/dlog10 H, both (classes, nodes), on s = -1 to ``top`` + 1.5.
    """

    step: float
    top: float
    z: FloatArray  # log10 sensitivity relative to the shadow point
    quanta: float
    missed: FloatArray
    slope: FloatArray
    _highlights: dict[float, FloatArray] = field(default_factory=dict)

    @property
    def zero(self) -> int:
        """Index of the node s = 0."""
        return round(-_LOW / self.step)

    @property
    def end(self) -> int:
        """Index after the node s = top."""
        return self.zero + round(self.top / self.step) + 1

    @property
    def reach(self) -> int:
        """Number of nodes on which compensation is looked for, from s = 0 on."""
        return min(round(REACH / self.step), round(self.top / self.step)) + 1

    @property
    def nearby(self) -> int:
        """Number of nodes from s = 0 on where criteria are looked for first."""
        return self.reach

    @property
    def margin(self) -> int:
        """Number of nodes left of s = 0 whose tones have a say in the decision."""
        return round(TONES / self.step)

    def highlight(self, scene_range: float) -> FloatArray:
        """Mean dP_L/dlog10 H over the top stop of a scene whose shadow lies at the ``reach`` nodes from s = 0 on.

        With ``MARGIN`` nodes more on either side.
        """
        if scene_range not in self._highlights:
            if len(self._highlights) > 16:
                self._highlights.clear()
            nodes = np.asarray(scene_range + self.step * np.arange(-MARGIN, self.reach + MARGIN), dtype=np.float64)
            below, above = (_missed(x, self.z, self.quanta) for x in (nodes - _TOP_OF_SCENE, nodes))
            self._highlights[scene_range] = _flushed((below - above) / _TOP_OF_SCENE)
        return self._highlights[scene_range]


def _missed(s: FloatArray, z: FloatArray, quanta: float) -> FloatArray:
    """1 - P_L of every class at some exposures."""
    x = np.exp(LN10 * (s + z[:, None]))
    return _few_quanta(x, quanta)[0] if _is_short(quanta) else np.asarray(gammaincc(quanta, x), dtype=np.float64)


def _missed_and_slope(s: FloatArray, z: FloatArray, quanta: float) -> tuple[FloatArray, FloatArray]:
    """1 - P_L and dP_L/dlog10 H of every class at some exposures."""
    log_x = LN10 * (s + z[:, None])
    x = np.exp(log_x)
    if _is_short(quanta):
        missed, power = _few_quanta(x, quanta)
        power *= LN10 / math.exp(math.lgamma(quanta))
        return missed, power
    slope = LN10 * np.exp(quanta * log_x - x - gammaln(quanta))
    return np.asarray(gammaincc(quanta, x), dtype=np.float64), np.asarray(slope)


def _is_short(quanta: float) -> bool:
    return quanta == round(quanta) and quanta <= _MOST_TERMS


def _few_quanta(x: FloatArray, quanta: float) -> tuple[FloatArray, FloatArray]:
    """Chance of fewer than Q quanta where x are expected, a finite sum for whole Q; and x**Q exp(-x)."""
    np.minimum(x, 700.0, out=x)  # exp(-700) is nothing, and its neighbours cost time
    terms = round(quanta)
    total = np.ones_like(x)
    for k in range(terms - 1, 0, -1):
        total *= x
        total *= 1.0 / k
        total += 1.0
    left = np.exp(-x)
    total *= left
    for _ in range(terms):
        left *= x
    return total, left


def _by_classes(rows: FloatArray) -> FloatArray:
    """Rows laid out class by class, as :mod:`filmdose.nodes` has them."""
    return np.asarray(rows, order="F")


def _flushed(rows: FloatArray) -> FloatArray:
    """Numbers whose products come next to underflow change nothing and make a product several times slower."""
    return np.where(np.abs(rows) < 1e-100, 0.0, rows)


@lru_cache(maxsize=64)
def _light(relative: bytes, quanta: float, step: float, top: float) -> Light:
    z = np.frombuffer(relative)
    count = round((top + MEAN_GRADIENT_INTERVAL - _LOW) / step) + 1
    nodes = np.asarray(_LOW + step * np.arange(count), dtype=np.float64)
    missed, slope = _missed_and_slope(nodes, z, quanta)
    return Light(
        step=step,
        top=top,
        z=z,
        quanta=quanta,
        missed=_flushed(missed),
        slope=_flushed(slope),
    )


def _every_second_node(light: Light) -> Light:
    """The same on nodes twice as far apart."""
    return Light(
        step=2.0 * light.step,
        top=light.top,
        z=light.z,
        quanta=light.quanta,
        missed=np.ascontiguousarray(light.missed[:, ::2]),
        slope=np.ascontiguousarray(light.slope[:, ::2]),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class Shape:
    """What can be unknown of a record beside its dose, one element a row; None takes the record's own.

    Parameters
    ----------
    hit_exponent, area_exponent, dye_saturation, noise_floor, cluster_grains
        As of :class:`filmdose.film.emulsion.Emulsion`, shape (rows,).
    weights
        c_j of every class [density], shape (rows, classes); their clean shadow point must lie at s = 0.
    log_contrast
        ln of a factor on all densities above the base, shape (rows,); it moves the shadow point, and the solver
        follows.  Not together with ``weights``.
    """

    hit_exponent: FloatArray | None = None
    area_exponent: FloatArray | None = None
    dye_saturation: FloatArray | None = None
    noise_floor: FloatArray | None = None
    cluster_grains: FloatArray | None = None
    weights: FloatArray | None = None
    log_contrast: FloatArray | None = None


AS_IT_IS = Shape()


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordView:
    """Rows of one record at some doses, on the nodes of compensation: ``Light.margin`` left of s = 0, then onwards.

    Parameters
    ----------
    squared_snr
        Square of the signal-to-noise s right of the shadow point over that of the clean shadow point, (rows, nodes).
    log2_highlight
        log2 of the gradient at the scene's highlight, s further right, over the least that it is held to
        (:meth:`RecordRows.log2_highlight`); one row, or a row for each shape.
    fog_density
        Density added where no light fell [density], (rows,).
    net, clean_rise
        Density on nodes from s = 0 on, but for a constant of each row [density], (rows, nodes), and what the clean
        film's rises by over 1.30 log units from its shadow point; only where the contrast was asked for.
    """

    squared_snr: FloatArray
    log2_highlight: FloatArray
    fog_density: FloatArray
    net: FloatArray | None = None
    clean_rise: FloatArray | None = None

    @cached_property
    def log2_snr(self) -> FloatArray:
        """log2 of the signal-to-noise over that of the clean shadow point, (rows, nodes)."""
        return _half_log2(self.squared_snr)

    def contrast_kept(self, light: Light) -> FloatArray:
        """Mean gradient over 1.30 log units from s = 0 on, over that of the clean film at its shadow point."""
        assert self.net is not None
        assert self.clean_rise is not None
        interval = round(CONTRAST_INTERVAL / light.step)
        kept = self.net[:, interval : interval + light.reach] - self.net[:, : light.reach]
        kept /= self.clean_rise[:, None]
        return kept


def _half_log2(squared: FloatArray) -> FloatArray:
    """log2 of the roots of what is not negative."""
    result = np.maximum(squared, _TINY)
    np.log2(result, out=result)
    result *= 0.5
    return result


class RecordRows:
    """A record in one or many shapes, ready to be asked about doses.

    Arrays have one row for each shape, or a single row that serves all doses.
    """

    def __init__(self, solver: RecordSolver, shape: Shape = AS_IT_IS) -> None:
        self.solver = solver
        light = solver.light
        z = light.z

        def column(value: FloatArray | None, own: float) -> FloatArray | float:
            return own if value is None else np.asarray(value)[:, None]

        def power(exponent: FloatArray | float) -> FloatArray:
            return np.atleast_2d(np.exp(np.multiply(LN10 * exponent, z, order="F")))

        c = np.atleast_2d(solver.weights) if shape.weights is None else _by_classes(shape.weights)
        self.origin: FloatArray | None = None
        if shape.log_contrast is not None:
            factor = np.exp(shape.log_contrast)
            c = _by_classes(c * factor[:, None])
            self.origin = solver.shadow_point_at(factor)
        self.weights = c
        self.clean = c * (1.0 - solver.native_fog)
        hit_exponent = column(shape.hit_exponent, solver.hit_exponent)
        self.fast_first = bool(np.min(hit_exponent) >= 0.0)
        self.profile: FloatArray = power(hit_exponent)
        self.most_struck = self.profile.max(axis=0, keepdims=True)
        self.area: FloatArray = power(column(shape.area_exponent, solver.area_exponent))
        self.total = self.clean.sum(axis=1)
        struck = (c / self.area * self.profile).sum(axis=1)[:, None]  # sum (c / a) m at one hit
        self.clusters = np.asarray((column(shape.cluster_grains, solver.cluster_grains) - 1.0) / struck)
        # what stands in the variance alone, before u_j and before u_j**2
        saturation = column(shape.dye_saturation, solver.dye_saturation)
        floor = column(shape.noise_floor, solver.noise_floor)
        full = (self.area * c).sum(axis=1)[:, None]
        self.constant = np.asarray(floor + (0.0 if solver.positive else (1.0 - saturation) * full))
        self.linear = _by_classes(self.area * (1.0 if solver.positive else 2.0 * saturation - 1.0))
        self.quadratic = _by_classes(-saturation * (self.area / np.maximum(c, ABSENT))) if np.any(saturation) else None
        at_zero = slice(light.zero, light.zero + 1)
        slope = self._on(self.clean, light.slope, at_zero)
        variance = self.variance(self.clean, None, at_zero)
        self.clean_gradient = slope[:, 0]
        self.clean_variance = variance[:, 0]
        self._highlights: dict[float, FloatArray] = {}

    @cached_property
    def undeveloped_clean(self) -> FloatArray:
        """Undeveloped density of the clean film on all nodes [density]."""
        return self._on(self.clean, self.solver.light.missed)

    def part(self, rows: slice | NDArray[np.intp]) -> RecordRows:
        """The same for some of the rows; a single row serves any."""
        other = object.__new__(RecordRows)
        for name, value in self.__dict__.items():
            many = isinstance(value, np.ndarray) and value.shape[0] > 1
            setattr(other, name, value[rows] if many else value)
        other._highlights = {}
        return other

    # -- rows of weights on nodes ----------------------------------------------------------------------------------

    def _on(
        self, rows: FloatArray, matrix: FloatArray, nodes: slice | None = None, factor: FloatArray | None = None
    ) -> FloatArray:
        """Product of weights, times a factor of the classes, with a matrix; from each row's own shadow point on."""
        asked = slice(0, matrix.shape[1]) if nodes is None else nodes
        part = asked if self.origin is None else self._reached(asked, matrix.shape[1])
        matrix = matrix[:, part]
        if factor is not None and len(factor) == 1:
            matrix = factor.T * matrix  # one for all rows
        elif factor is not None:
            rows = rows * factor
        values = product(rows, matrix)
        return values if self.origin is None else self._shifted(values, part.start, asked)

    def _nodes_away(self) -> tuple[NDArray[np.intp], FloatArray]:
        """How many nodes each row's own shadow point lies right of s = 0, and the part of a node beyond."""
        assert self.origin is not None
        place = self.origin / self.solver.light.step
        whole = np.floor(place)
        return whole.astype(np.intp), place - whole

    def _reached(self, nodes: slice, count: int) -> slice:
        """What nodes counted from the rows' own shadow points lie between, of ``count`` nodes."""
        whole, _ = self._nodes_away()
        first, last = nodes.start - 1 + int(whole.min()), nodes.stop + 2 + int(whole.max())
        return slice(min(max(first, 0), count - 1), max(min(last, count), 1))

    def _shifted(self, values: FloatArray, start: int, nodes: slice) -> FloatArray:
        """Values that begin at node ``start``, at nodes from each row's own shadow point; cubics through four nodes."""
        whole, t = self._nodes_away()
        coefficients = (
            -t * (t - 1.0) * (t - 2.0) / 6.0,
            (t + 1.0) * (t - 1.0) * (t - 2.0) / 2.0,
            -(t + 1.0) * t * (t - 2.0) / 2.0,
            (t + 1.0) * t * (t - 1.0) / 6.0,
        )
        count = nodes.stop - nodes.start
        first = whole + (nodes.start - 1 - start)
        if first.min() < 0 or first.max() + count + 3 > values.shape[1]:  # the end nodes stand for what lies beyond
            node = np.clip(first + np.arange(count + 3)[:, None], 0, values.shape[1] - 1)
            around = values.T[node, np.arange(len(values))]
        else:
            around = nodes_from(values, first, count + 3)
        result = coefficients[0] * around[:count]
        term = np.empty_like(result)
        for offset in (1, 2, 3):
            np.multiply(coefficients[offset], around[offset : offset + count], out=term)
            result += term
        return np.asarray(result.T)

    def surviving(self, hits: FloatArray) -> FloatArray:
        """w_j = c_j (1 - p0) exp(-m_j), one row a dose."""
        exponent = self.profile.T * -hits
        deep = self.most_struck[0] * hits.max(initial=0.0) > -_LEAST_EXPONENT
        if deep.any():
            fast = exponent[deep.argmax() :]  # classes lie from slow to fast
            np.maximum(fast, _LEAST_EXPONENT, out=fast)
        np.exp(exponent, out=exponent)
        exponent *= self.clean.T
        return np.asarray(exponent.T)

    def variance(self, w: FloatArray, hits: FloatArray | None, nodes: slice) -> FloatArray:
        """v + sum_j a_j c_j F_j (1 - s F_j) + extra on some nodes, where a grain of sensitivity 1/H_m has area 1.

        ``w`` are the surviving weights at some hits x; None stands for the clean film.

        With u_j the fraction that stays undeveloped the sum is (1 - s) sum a c + (2 s - 1) sum a c u - s sum a c u**2
        of a negative, whose F_j is 1 - u_j, and sum a c u - s sum a c u**2 of reversal film, whose F_j is u_j:
        ``constant``, ``linear`` and ``quadratic`` hold what doses do not change.
        """
        missed = self.solver.light.missed
        variance = self._on(w, missed, nodes, self.linear)
        variance += self.constant
        if self.quadratic is not None:
            variance += self._on(w * w, self.solver.light_missed_squared, nodes, self.quadratic)
        if hits is not None:
            clustered = self._on(w, missed, nodes, self.profile)
            clustered *= clustered
            clustered *= hits[:, None] * self.clusters
            variance += clustered
        return variance

    def tones(self, w: FloatArray, hits: FloatArray | None) -> Tones:
        """What a criterion of the user's own sees, at surviving weights and hits (None for the clean film)."""
        light = self.solver.light
        nodes = slice(light.zero, light.missed.shape[-1])
        return Tones(
            stops=np.arange(nodes.stop - nodes.start) * (light.step / LOG10_2),
            density=self.total[:, None] - self._on(w, light.missed, nodes),
            gradient=self._on(w, light.slope, nodes),
            noise=np.sqrt(self.variance(w, hits, nodes) / self.clean_variance[:, None]),
        )

    # -- what the decision needs -----------------------------------------------------------------------------------

    def view(self, hits: FloatArray, scene_range: float) -> RecordView:
        """The record at some doses (one a row): shadows and highlights against compensation."""
        light = self.solver.light
        places = slice(light.zero - light.margin, light.zero + light.reach)
        w = self.surviving(hits)
        return RecordView(
            squared_snr=self._squared_snr(self._on(w, light.slope, places), self.variance(w, hits, places)),
            log2_highlight=self.log2_highlight(scene_range),
            fog_density=np.asarray(self.total - w.sum(axis=1)),
        )

    def _squared_snr(self, slope: FloatArray, variance: FloatArray) -> FloatArray:
        """Square of slope over noise, over that of the clean shadow point; uses up ``variance``."""
        squared = slope * slope
        if self.solver.positive:  # fogged through, reversal film has neither image nor noise
            np.maximum(variance, _TINY, out=variance)
        squared /= variance
        squared *= (self.clean_variance / np.maximum(self.clean_gradient, _TINY) ** 2)[:, None]
        return squared

    def log2_highlight(self, scene_range: float) -> FloatArray:
        """log2 of the clean film's gradient at the scene's highlight over the least that it is held to.

        On the nodes of compensation and its margin, one row for each shape.  The gradient is the mean over the top
        stop of the scene; it is held to that of the clean shadow point, or of the marked speed where that is less.
        Radiation hardly touches the slow grains of the shoulder (hits fall as sensitivity**b), so the clean curve
        stands for the fogged one.
        """
        if scene_range not in self._highlights:
            light = self.solver.light
            places = slice(MARGIN - light.margin, MARGIN + light.reach)
            gradient = self._on(self.clean, light.highlight(scene_range), places)
            least = np.minimum(gradient[:, light.margin], self.clean_gradient)
            gradient /= np.maximum(least, _TINY)[:, None]
            self._highlights[scene_range] = np.log2(np.maximum(gradient, _TINY))
        return self._highlights[scene_range]


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordSolver:
    """One record with its matrices; made by :func:`record_solver`, safe to share between threads."""

    light: Light
    light_missed_squared: FloatArray
    weights: FloatArray
    native_fog: float
    hit_exponent: float
    area_exponent: float
    dye_saturation: float
    noise_floor: float
    cluster_grains: float
    density_step: float
    positive: bool
    hits_per_ugy: float  # x per uGy of the record that this was made from
    _cache: dict[str, RecordRows] = field(default_factory=dict)

    def rows(self, shape: Shape = AS_IT_IS) -> RecordRows:
        """The record in one or many shapes."""
        if shape is not AS_IT_IS:
            return RecordRows(self, shape)
        if "own" not in self._cache:
            self._cache["own"] = RecordRows(self)
        return self._cache["own"]

    def shadow_point_at(self, factor: FloatArray) -> FloatArray:
        """Where the clean curve reaches the standard's density when all densities are multiplied [log units]."""
        light = self.light
        clean = self.weights * (1.0 - self.native_fog)
        image = clean @ light.missed
        net = -image if self.positive else clean.sum() - image  # rises with exposure
        wanted = net[light.zero] / factor
        index = np.clip(np.searchsorted(net, wanted), 2, net.size - 2)
        values = np.stack([net[index + k] for k in (-2, -1, 0, 1)]) - wanted
        return np.asarray(_LOW + light.step * (index - 2 + cubic_root(values, np.ones(wanted.size))))


@lru_cache(maxsize=64)
def _squared(light: Light) -> FloatArray:
    return _flushed(light.missed**2)


def record_solver(
    emulsion: Emulsion, shadow_log_exposure: float, density_step: float, *, step: float | None = None
) -> RecordSolver:
    """Set up the solver for one record.

    Parameters
    ----------
    emulsion
        The record.
    shadow_log_exposure
        Its clean shadow point log10 H_m [log10 lx s].
    density_step
        Density above minimum of the shadow point [density].
    step
        Distance of the nodes [log units]; as fine as the record asks for when left out.

    Notes
    -----
    Positions are rounded to 1e-10 log unit, so that the films of one family, which
    differ by a shift only, share their matrices.
    """
    counted = emulsion.weights > 0.0
    relative = np.round(emulsion.log_sensitivity[counted] + shadow_log_exposure, 10)
    weights = emulsion.weights[counted]
    # a_ref belongs to z_ref: the floor in units of a grain at the shadow point
    shift = emulsion.area_exponent * (-shadow_log_exposure - emulsion.reference_log_sensitivity)
    floor = emulsion.noise_floor * 10.0**-shift
    light = _light_for(
        relative.tobytes(),
        weights.tobytes(),
        *(emulsion.native_fog, emulsion.quanta, emulsion.area_exponent, emulsion.dye_saturation, floor, density_step),
        emulsion.positive,
        step,
    )
    return RecordSolver(
        light=light,
        light_missed_squared=_squared(light),
        weights=weights,
        native_fog=emulsion.native_fog,
        hit_exponent=emulsion.hit_exponent,
        area_exponent=emulsion.area_exponent,
        dye_saturation=emulsion.dye_saturation,
        noise_floor=floor,
        cluster_grains=emulsion.cluster_grains,
        density_step=density_step,
        positive=emulsion.positive,
        hits_per_ugy=shadow_hits_per_ugy(emulsion, shadow_log_exposure),
    )


def shadow_hits_per_ugy(emulsion: Emulsion, shadow_log_exposure: float) -> float:
    """Mean hits per microgray of a grain of sensitivity 1 / H_m."""
    exponent = emulsion.hit_exponent * (-shadow_log_exposure - emulsion.reference_log_sensitivity)
    return float(emulsion.hits_per_ugy * 10.0**exponent)


@lru_cache(maxsize=64)
def _light_for(
    relative: bytes,
    weights: bytes,
    native_fog: float,
    quanta: float,
    area_exponent: float,
    dye_saturation: float,
    floor: float,
    density_step: float,
    positive: bool,
    wanted_step: float | None,
) -> Light:
    """The coarsest nodes that are fine enough for a record, or those with the step that is wanted."""
    z, c = np.frombuffer(relative), np.frombuffer(weights)
    survivors = c * (1.0 - native_fog)
    top = max(REACH, _saturation(z, survivors, quanta))
    top = math.ceil(top / _STEPS[0]) * _STEPS[0]
    if wanted_step is not None:
        return _light(relative, quanta, wanted_step, top)
    lights: list[Light] = []
    for step in _STEPS[1:]:
        finer = _light(relative, quanta, step, top)
        lights = lights or [_every_second_node(finer)]
        trial = RecordSolver(
            light=finer,
            light_missed_squared=_squared(finer),
            weights=c,
            native_fog=native_fog,
            hit_exponent=0.8,
            area_exponent=area_exponent,
            dye_saturation=dye_saturation,
            noise_floor=floor,
            cluster_grains=5.0,
            density_step=density_step,
            positive=positive,
            hits_per_ugy=1.0,
        )
        if _error_of_every_second_node(trial) <= _GRID_ERROR:
            break
        lights.append(finer)
    return lights[-1]


def _error_of_every_second_node(solver: RecordSolver) -> float:
    """Greatest relative error at the nodes in between, of the cubic through every second node, at several doses."""
    rows, light = solver.rows(), solver.light
    places = slice(light.zero - 4, light.end)
    hits = np.array([1e-12, 0.1, 1.0, 5.0])
    w = rows.surviving(hits)
    slope = w @ light.slope[:, places]
    net = w.sum(axis=1)[:, None] - w @ light.missed[:, places]
    snr = slope**2 / rows.variance(w, hits, places)
    worst = 0.0
    for value, wanted in (
        (net, solver.density_step),
        (slope, float(rows.clean_gradient[0])),
        (snr, float((rows.clean_gradient**2 / rows.clean_variance)[0])),
    ):
        between = (9.0 * (value[:, 2:-4:2] + value[:, 4:-2:2]) - value[:, :-6:2] - value[:, 6::2]) / 16.0
        exact = value[:, 3:-3:2]
        counts = exact > 0.5 * wanted
        worst = max(worst, float(np.max(np.abs(between[counts] / exact[counts] - 1.0), initial=0.0)))
    return worst


def _saturation(z: FloatArray, survivors: FloatArray, quanta: float) -> float:
    """Exposure [log units from the shadow point] at which the clean record has 99.5 % of its net maximum."""
    s = np.linspace(0.0, 12.0, 241)
    total = survivors.sum()
    low, high = 0, s.size - 1  # the share rises with exposure: halving finds the first node that has it
    while low < high:
        middle = (low + high) // 2
        if gammainc(quanta, 10.0 ** (s[middle] + z)) @ survivors / total >= 0.995:
            high = middle
        else:
            low = middle + 1
    return float(s[low])


# -- criteria ------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class RecordCriteria:
    """What one record answers by every criterion, one element a dose.

    Parameters
    ----------
    stops
        Compensation by criterion [stops]; NaN where no exposure satisfies it.
    fog_density
        Density added where no light fell [density].
    snr_kept
        Signal-to-noise of the shadow point over the clean one [1].
    contrast_clean, contrast_fogged
        Mean gradient over the 1.30 log units above the shadow point [density per log unit].
    """

    stops: dict[str, FloatArray]
    fog_density: FloatArray
    snr_kept: FloatArray
    contrast_clean: FloatArray
    contrast_fogged: FloatArray


def record_criteria(
    rows: RecordRows, hits: FloatArray, snr_target: float, scene_range: float, criterion: str = ""
) -> tuple[RecordCriteria, RecordView]:
    """All criteria of one negative record for a block of doses (one a row); see ``CRITERIA``.

    With a :class:`~filmdose.criteria.Criterion` of the user's own that one too.
    """
    light, step = rows.solver.light, rows.solver.light.step
    zero, near_end = light.zero, light.zero + light.nearby
    w = rows.surviving(hits)
    total = w.sum(axis=1)
    first = min(_first_node(rows), zero - light.margin)
    net = rows._on(w, -light.missed, slice(first, near_end + round(MEAN_GRADIENT_INTERVAL / step)))  # less ``total``
    slope = rows._on(w, light.slope, slice(first, near_end))
    near = slice(zero - light.margin, zero + light.reach)
    squared_snr = rows._squared_snr(slope[:, near.start - first : near.stop - first], rows.variance(w, hits, near))
    whole = near_end >= light.end
    places = first_roots(
        *_crossings(rows, total, net, slope, zero - first, goes_on=not whole),
        Rise(squared_snr[:, light.margin :], snr_target**2, _half_log2),
    )
    if not whole:  # few rows need more light than compensation can reach: they alone are looked for on all nodes
        seen = light.nearby - 3 + np.array([[0], [zero - first], [0]])
        beyond = np.flatnonzero(~(places[:3] < seen).all(axis=0))
        if beyond.size:
            few, weights = rows.part(beyond), w[beyond]
            all_net = few._on(weights, -light.missed, slice(first, light.missed.shape[-1]))
            all_slope = few._on(weights, light.slope, slice(first, light.end))
            places[:3, beyond] = first_roots(*_crossings(few, total[beyond], all_net, all_slope, zero - first))
    places[1] -= zero - first + rows_clean_fractional(rows)
    stops = dict(zip(CRITERIA, places, strict=True))
    if isinstance(criterion, Criterion):
        fogged, clean = rows.tones(w, hits), rows.tones(rows.clean, None)
        stops[criterion] = first_root(criterion.over(fogged, clean)[:, : light.end - zero])
    for value in stops.values():
        value *= step / LOG10_2
        value[hits == 0.0] = 0.0  # an identity, which the grid would give to rounding
    interval = round(CONTRAST_INTERVAL / step)
    clean_rise = rows.undeveloped_clean[:, zero] - rows.undeveloped_clean[:, zero + interval]
    view = RecordView(
        squared_snr=squared_snr,
        log2_highlight=rows.log2_highlight(scene_range),
        fog_density=np.where(hits == 0.0, 0.0, rows.total - total),
        net=net[:, zero - first :],
        clean_rise=clean_rise,
    )
    criteria = RecordCriteria(
        stops=stops,
        fog_density=view.fog_density,
        snr_kept=np.where(hits == 0.0, 1.0, np.sqrt(np.maximum(squared_snr[:, light.margin], _TINY))),
        contrast_clean=clean_rise / CONTRAST_INTERVAL * np.ones(hits.size),
        contrast_fogged=(net[:, zero - first + interval] - net[:, zero - first]) / CONTRAST_INTERVAL,
    )
    return criteria, view


def _first_node(rows: RecordRows) -> int:
    """Node from which on the fractional gradient is looked for: that of the clean point, and two for its cubic.

    Fog takes most from the fastest grains, and a grain's response to light is log-concave in log exposure; so it takes
    more of the gradient at an exposure than at any greater one, and the point moves to the right alone.
    """
    clean = np.min(rows_clean_fractional(rows))
    if np.isnan(clean) or not rows.fast_first:
        return 0
    return max(rows.solver.light.zero + math.floor(clean) - 2, 0)


def _crossings(
    rows: RecordRows, total: FloatArray, net: FloatArray, slope: FloatArray, zero: int, *, goes_on: bool = False
) -> tuple[Rise, Rise, Rise]:
    """What rises to a level where fixed density, fractional and shadow gradient are met.

    On nodes from s = 0 on, which is number ``zero``, the fractional gradient's on all to its left as well.  Of the
    density above the fogged film's minimum less its greatest, ``total``, and its slope.
    """
    end = slope.shape[1]
    right = round(MEAN_GRADIENT_INTERVAL / rows.solver.light.step)
    fractional = net[:, :end] - net[:, right : end + right]
    fractional *= FRACTION_OF_MEAN_GRADIENT / MEAN_GRADIENT_INTERVAL
    fractional += slope
    return (
        Rise(net[:, zero:end], rows.solver.density_step - total, goes_on=goes_on),
        Rise(fractional, _LEAST_GRADIENT, goes_on=goes_on),
        Rise(slope[:, zero:], rows.clean_gradient, goes_on=goes_on),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class ReversalLoss:
    """What one reversal record loses, one element a dose.

    Parameters
    ----------
    maximum_density
        Greatest density lost [density].
    range_stops
        Usable range lost at the dark end [stops]: up to where the clean shadow's signal-to-noise is reached again;
        infinite when nothing is left.
    span_stops
        Usable range of the clean film, from shadow point to highlight point [stops].
    snr_kept
        Signal-to-noise of the shadow point over the clean one [1].
    contrast_clean, contrast_fogged
        Mean gradient from shadow point to highlight point [density per log unit].
    """

    maximum_density: FloatArray
    range_stops: FloatArray
    span_stops: float
    snr_kept: FloatArray
    contrast_clean: FloatArray
    contrast_fogged: FloatArray


def reversal_loss(rows: RecordRows, hits: FloatArray) -> ReversalLoss:
    """What a block of doses (one a row) takes from a reversal record."""
    light, step = rows.solver.light, rows.solver.light.step
    clean_image = rows.undeveloped_clean[:, light.zero : light.end]
    highlight = first_root(ISO2240_HIGHLIGHT - clean_image)
    span = step * highlight
    # what lies right of the highlight point does not count
    seen = math.ceil(np.nan_to_num(np.max(highlight), nan=light.end)) + 4
    places = slice(light.zero, min(light.zero + seen, light.end))
    w = rows.surviving(hits)
    image = rows._on(w, light.missed, places)
    ratio = np.sqrt(rows._squared_snr(rows._on(w, light.slope, places), rows.variance(w, hits, places)))
    usable = step * first_root(ratio - (1.0 - 1e-9))
    lost = np.where(usable < span, usable / LOG10_2, np.inf)  # NaN: never reached again
    at = np.clip(highlight, 0, image.shape[1] - 2)
    clean = hits == 0.0

    def contrast(values: FloatArray) -> FloatArray:
        index = np.broadcast_to(at, (values.shape[0],)).astype(np.intp)
        t = at - index
        lines = np.arange(values.shape[0])
        end = values[lines, index] * (1.0 - t) + values[lines, index + 1] * t
        return np.asarray((values[:, 0] - end) / span)

    return ReversalLoss(
        maximum_density=np.where(clean, 0.0, rows.total - w.sum(axis=1)),
        range_stops=np.where(clean, 0.0, lost),
        span_stops=float(np.max(span)) / LOG10_2,
        snr_kept=np.where(clean, 1.0, ratio[:, 0]),
        contrast_clean=contrast(clean_image) * np.ones(hits.size),
        contrast_fogged=contrast(image),
    )


def rows_clean_fractional(rows: RecordRows) -> FloatArray:
    """Node of the clean fractional-gradient point, from the shadow point."""
    if "clean_fractional" not in rows.__dict__:
        light, zero, end = rows.solver.light, rows.solver.light.zero, rows.solver.light.end
        net = rows.total[:, None] - rows.undeveloped_clean
        right = round(MEAN_GRADIENT_INTERVAL / light.step)
        mean = (net[:, right : end + right] - net[:, :end]) / MEAN_GRADIENT_INTERVAL
        slope = rows._on(rows.clean, light.slope, slice(0, end))
        rows.__dict__["clean_fractional"] = first_root(slope - FRACTION_OF_MEAN_GRADIENT * mean) - zero
    return np.asarray(rows.__dict__["clean_fractional"])
