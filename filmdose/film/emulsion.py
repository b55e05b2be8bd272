"""The film as a population of grains: density, gradient and noise after light and radiation.

One *record* of a film (the only one of black-and-white film, one of three of
colour film) is a set of grain classes j with log10 sensitivity z_j and density
c_j.  A grain develops by light when it catches at least Q quanta, by radiation
on a single hit, or with no exposure at all (native fog); the three are
independent, so with effective air kerma K [uGy] and exposure H [lx s]

    D(H, K) = D_base + sum_j c_j [1 - (1 - P_L(H, z_j)) (1 - p0) exp(-m_j(K))]
    P_L     = gammainc(Q, H 10**z_j)
    m_j(K)  = kappa K 10**(b (z_j - z_ref)),   z_ref = log10(400 / 0.8)

Reversal film shows what did *not* develop first: D = D_base + sum_j c_j (1 - P_L)(1 - p0) exp(-m_j).

The noise of density through an aperture A follows from the same fractions, F_j the fraction of class j that makes
the image:

    sigma_D**2 A = 0.4343 a_ref [v + sum_j a_j c_j F_j (1 - s F_j) + extra],   a_j = 10**(alpha (z_j - z_ref))
    extra = (g - 1) (sum_j c_j m_j exp(-m_j) q_j)**2 / sum_j (c_j / a_j) m_j,   q_j = (1 - P_L)(1 - p0)

s is 0 for silver grains and near 1 for dye clouds, which share what dye-forming coupler there is: where a class is
used up its noise is gone.  One quantum develops a *cluster* of g grains, and grains that only a hit develops come
in such clusters: two grains within reach of the same quanta are both left undeveloped with a chance
q_i q_k exp(-m_i - m_k + m_ik), m_ik the mean number of quanta that strike both, and to first order in m_ik this
covariance adds up to ``extra``.  It dies out with exp(-m): a quantum that strikes what is developed already adds
nothing.  g - 1 stands for E[n(n-1)]/E[n] of the cluster's size n, and the grains of one cluster are drawn from many.

References
----------
silberstein1922, nutting1913, selwyn1935
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property
from typing import Any, overload

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gammainc, gammaincc, gammaln

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, Labelled, Numbers, Numeric, check_array, check_number, elementwise
from filmdose.errors import ArgumentError
from filmdose.quantity import in_unit
from filmdose.result import Result
from filmdose.standards import ISO6_CONSTANT

__all__ = [
    "APERTURE_AREA_UM2",
    "REFERENCE_LOG_SENSITIVITY",
    "Emulsion",
    "PopulationCurve",
    "invert_curve",
]

LN10 = math.log(10.0)

_AT_KERMA = (None, ("kerma_ugy", "uGy"))

#: Doses at which fog is tabulated to find the dose of a fog [uGy].
KERMA_GRID_UGY = np.concatenate([[0.0], np.geomspace(1e-3, 1e6, 1801)])

#: Log10 sensitivity at which kappa is stated: that of the speed point of an ISO 400 film, log10(400 / 0.8).
REFERENCE_LOG_SENSITIVITY = math.log10(400.0 / ISO6_CONSTANT)

#: Area of the 48 um circular aperture of rms granularity [um2].
APERTURE_AREA_UM2 = math.pi * 24.0**2

#: Nutting: density of n opaque discs of area a per unit area is log10(e) n a.
LOG10_E = math.log10(math.e)

#: The log-normal of a generic film runs over +-4 standard deviations in 49 classes, fine against the
#: 0.23 log units over which the Poisson threshold of 4 quanta rises.
_CLASS_POSITIONS = np.linspace(-4.0, 4.0, 49)


#: What the numbers of a record may be, here and in a film file.
NUMBER_RANGES: dict[str, dict[str, Any]] = {
    "base_density": {"low": 0.0, "high": 6.0, "unit": "density"},
    "native_fog": {"low": 0.0, "high": 1.0 - 1e-9, "unit": "probability"},
    "quanta": {"low": 1.0, "high": 100.0, "unit": "quanta"},
    "hit_exponent": {"low": 0.0, "high": 2.0},
    "hits_per_ugy": {"low": 0.0, "high": 1e6, "unit": "1/uGy"},
    "reference_log_sensitivity": {"low": -20.0, "high": 20.0},
    "rms_granularity": {"low": 0.0, "low_open": True, "high": 1000.0},
    "area_exponent": {"low": -1.0, "high": 2.0},
    "dye_saturation": {"low": 0.0, "high": 1.0},
    "noise_floor": {"low": 0.0, "high": 1e6},
    "cluster_grains": {"low": 1.0, "high": 1000.0, "unit": "grains"},
}


@dataclass(frozen=True, kw_only=True, eq=False)
class Emulsion(Result):
    """One record of a film: its grain classes and how radiation strikes them.

    Parameters
    ----------
    log_sensitivity
        z_j: log10 of the mean number of effective light quanta per grain and lux second [log10 1/(lx s)];
        strictly increasing, shape (n,).
    weights
        c_j: density that each class adds when all its grains develop, >= 0, shape (n,).
    base_density
        Density of the support (and, for colour film, of the mask) [density, >= 0].
    native_fog
        p0: chance that a grain develops with no exposure [0 to < 1].
    quanta
        Q: light quanta that make a grain developable [>= 1].
    hit_exponent
        b: hits grow with sensitivity as 10**(b z) [0 to 2].
    hits_per_ugy
        kappa: mean hits per microgray of a grain at ``reference_log_sensitivity`` [1/uGy, >= 0].
    rms_granularity
        1000 times the standard deviation of density through a 48 um aperture at net density 1.0 [> 0].
    area_exponent
        alpha: grain (or dye cloud) area grows with sensitivity as 10**(alpha z) [-1 to 2].
    dye_saturation
        s: how far the noise of a class falls when all of it develops; 0 for silver, near 1 for dye [0 to 1].
    noise_floor
        v: noise that is there without any developed grain, over 0.4343 a_ref [density, >= 0].
    cluster_grains
        g: grains that one quantum of radiation develops together [>= 1].
    positive
        True for reversal film, whose image is what did not develop first.
    reference_log_sensitivity
        z_ref: class for which ``hits_per_ugy`` and the grain area hold [log10 1/(lx s)].

    Raises
    ------
    ArgumentError
        Shapes differ, a value is out of range, or all weights are zero.
    """

    log_sensitivity: FloatArray
    weights: FloatArray
    base_density: float
    native_fog: float
    quanta: float
    hit_exponent: float
    hits_per_ugy: float
    rms_granularity: float
    area_exponent: float = 0.15
    dye_saturation: float = 0.0
    noise_floor: float = 0.0
    cluster_grains: float = 5.0
    reference_log_sensitivity: float = REFERENCE_LOG_SENSITIVITY
    positive: bool = False

    def __post_init__(self) -> None:
        z = check_array("log_sensitivity", self.log_sensitivity, nan_allowed=False)
        c = check_array("weights", self.weights, low=0.0, unit="density", nan_allowed=False)
        if z.ndim != 1 or z.size == 0 or z.shape != c.shape:
            raise ArgumentError("weights", c.shape, f"one value for each of the {z.size} grain classes")
        if np.any(np.diff(z) <= 0):
            raise ArgumentError("log_sensitivity", z, "strictly increasing values")
        if not np.any(c > 0):
            raise ArgumentError("weights", "all zero", "at least one class with a weight above 0 [density]")
        for array in (z, c):
            array.setflags(write=False)
        checked: dict[str, Any] = {"log_sensitivity": z, "weights": c}
        checked |= {name: check_number(name, getattr(self, name), **ends) for name, ends in NUMBER_RANGES.items()}
        for name, value in checked.items():
            object.__setattr__(self, name, value)

    def __eq__(self, other: object) -> bool:
        return isinstance(other, Emulsion) and self._identity == other._identity

    def __hash__(self) -> int:
        return hash(self._identity)

    @cached_property
    def _identity(self) -> tuple[object, ...]:
        return (
            self.log_sensitivity.tobytes(),
            self.weights.tobytes(),
            *(self.base_density, self.native_fog, self.quanta, self.hit_exponent, self.hits_per_ugy),
            *(self.rms_granularity, self.area_exponent, self.dye_saturation, self.noise_floor, self.cluster_grains),
            *(self.reference_log_sensitivity, self.positive),
        )

    def to_dict(self) -> dict[str, Any]:
        """Everything that made it, as plain numbers."""
        plain = {name: getattr(self, name) for name in self.__dataclass_fields__ if name != "positive"}
        return {name: value.tolist() if isinstance(value, np.ndarray) else value for name, value in plain.items()}

    # -- the parts of the sum ------------------------------------------------------------------------------

    def light_probability(self, log_exposure: ArrayLike) -> FloatArray:
        """P_L of every class: shape of ``log_exposure`` plus a last axis of classes."""
        x = 10.0 ** (np.asarray(log_exposure, dtype=np.float64)[..., None] + self.log_sensitivity)
        return np.asarray(gammainc(self.quanta, x))

    def light_probability_gradient(self, log_exposure: ArrayLike) -> FloatArray:
        """dP_L/dlog10 H of every class: ln 10 x**Q exp(-x) / Gamma(Q), x = H 10**z."""
        log_x = LN10 * (np.asarray(log_exposure, dtype=np.float64)[..., None] + self.log_sensitivity)
        return np.asarray(LN10 * np.exp(self.quanta * log_x - np.exp(log_x) - gammaln(self.quanta)))

    def hits(self, kerma_ugy: ArrayLike) -> FloatArray:
        """m_j: mean hits per grain of every class: shape of ``kerma_ugy`` plus a last axis of classes."""
        kerma = np.asarray(in_unit("kerma_ugy", kerma_ugy, "uGy"), dtype=np.float64)
        return np.asarray(kerma[..., None] * self._hits_of_1_ugy)

    @cached_property
    def _hits_of_1_ugy(self) -> FloatArray:
        relative = 10.0 ** (self.hit_exponent * (self.log_sensitivity - self.reference_log_sensitivity))
        return np.asarray(self.hits_per_ugy * relative)

    def surviving_weights(self, kerma_ugy: ArrayLike) -> FloatArray:
        """c_j (1 - p0) exp(-m_j): the density that light can still decide about."""
        return np.asarray(self.weights * (1.0 - self.native_fog) * np.exp(-self.hits(kerma_ugy)))

    # -- what a densitometer reads -------------------------------------------------------------------------

    @overload
    def density(self, log_exposure: Labelled, kerma_ugy: float = ...) -> Labelled: ...
    @overload
    def density(self, log_exposure: Numbers, kerma_ugy: float = ...) -> FloatArray: ...
    @overload
    def density(self, log_exposure: Numeric, kerma_ugy: Numeric = ...) -> Any: ...
    def density(self, log_exposure: Numeric, kerma_ugy: Numeric = 0.0) -> Any:
        """Density D(H, K).

        Parameters
        ----------
        log_exposure
            Log10 exposure [log10 lx s]; broadcasts against ``kerma_ugy``.
        kerma_ugy
            Effective air kerma at the film [uGy; >= 0].

        Returns
        -------
        Density including the base; the caller's container.

        Examples
        --------
        The ISO 6 speed point of a generic ISO 400 film lies 0.10 above its minimum density:

        >>> from filmdose.film.generic import generic_film
        >>> film = generic_film(400).records[0]
        >>> round(film.density(math.log10(0.8 / 400)) - film.minimum_density(), 6)
        0.1
        """

        def kernel(x: FloatArray, k: FloatArray) -> FloatArray:
            undeveloped = _weighted_sum(1.0 - self.light_probability(x), self.surviving_weights(_kerma(k)))
            return np.asarray(self.base_density + (undeveloped if self.positive else self.weights.sum() - undeveloped))

        return elementwise(kernel, log_exposure, kerma_ugy, units=_AT_KERMA)

    @overload
    def gradient(self, log_exposure: Labelled, kerma_ugy: float = ...) -> Labelled: ...
    @overload
    def gradient(self, log_exposure: Numbers, kerma_ugy: float = ...) -> FloatArray: ...
    @overload
    def gradient(self, log_exposure: Numeric, kerma_ugy: Numeric = ...) -> Any: ...
    def gradient(self, log_exposure: Numeric, kerma_ugy: Numeric = 0.0) -> Any:
        """Analytic gradient dD/dlog10 H [density per log unit]; negative for reversal film."""
        sign = -1.0 if self.positive else 1.0

        def kernel(x: FloatArray, k: FloatArray) -> FloatArray:
            return np.asarray(
                sign * _weighted_sum(self.light_probability_gradient(x), self.surviving_weights(_kerma(k)))
            )

        return elementwise(kernel, log_exposure, kerma_ugy, units=_AT_KERMA)

    @overload
    def minimum_density(self, kerma_ugy: Labelled = ...) -> Labelled: ...
    @overload
    def minimum_density(self, kerma_ugy: Numbers = ...) -> FloatArray: ...
    def minimum_density(self, kerma_ugy: Numeric = 0.0) -> Any:
        """Least density: base plus fog D(0, K) of negative film, the base of reversal film."""

        def kernel(k: FloatArray) -> FloatArray:
            if self.positive:
                return np.full(np.shape(k), self.base_density) + 0.0 * _kerma(k)
            return np.asarray(self.base_density + self.weights.sum() - self.surviving_weights(_kerma(k)).sum(axis=-1))

        return elementwise(kernel, kerma_ugy, units=_AT_KERMA[1:])

    @overload
    def maximum_density(self, kerma_ugy: Labelled = ...) -> Labelled: ...
    @overload
    def maximum_density(self, kerma_ugy: Numbers = ...) -> FloatArray: ...
    def maximum_density(self, kerma_ugy: Numeric = 0.0) -> Any:
        """Greatest density: base plus all classes of negative film, D(0, K) of reversal film."""

        def kernel(k: FloatArray) -> FloatArray:
            if self.positive:
                return np.asarray(self.base_density + self.surviving_weights(_kerma(k)).sum(axis=-1))
            return np.full(np.shape(k), self.base_density + self.weights.sum()) + 0.0 * _kerma(k)

        return elementwise(kernel, kerma_ugy, units=_AT_KERMA[1:])

    @overload
    def fog_density(self, kerma_ugy: Labelled) -> Labelled: ...
    @overload
    def fog_density(self, kerma_ugy: Numbers) -> FloatArray: ...
    def fog_density(self, kerma_ugy: Numeric) -> Any:
        """Density that radiation changes where no light fell: D(0, K) - D(0, 0).

        Positive for negative film; negative for reversal film, whose blacks it thins.
        """
        return elementwise(lambda k: self._fog_of(_kerma(k)), kerma_ugy, units=_AT_KERMA[1:])

    def _fog_of(self, kerma_ugy: FloatArray) -> FloatArray:
        """``fog_density`` of an array of doses that have been checked already."""
        sign = -1.0 if self.positive else 1.0
        developed = -np.expm1(-(kerma_ugy[..., None] * self._hits_of_1_ugy))
        return np.asarray(sign * (developed @ (self.weights * (1.0 - self.native_fog))) + 0.0)  # never -0.0

    @overload
    def kerma_for_fog(self, fog_density: Labelled) -> Labelled: ...
    @overload
    def kerma_for_fog(self, fog_density: Numbers) -> FloatArray: ...
    def kerma_for_fog(self, fog_density: Numeric) -> Any:
        """Effective kerma [uGy] that makes a fog of this size: the inverse of ``fog_density``.

        Interpolated between 1801 doses, to 1e-4 of the fog; the sign of ``fog_density`` does not count, and more than
        the film can have gives the last dose, 1 Gy.
        """

        def kernel(fog: FloatArray) -> FloatArray:
            table = np.abs(np.asarray(self.fog_density(KERMA_GRID_UGY)))
            return np.asarray(np.interp(np.abs(fog), table, KERMA_GRID_UGY))

        return elementwise(kernel, fog_density)

    # -- grain ---------------------------------------------------------------------------------------------

    @cached_property
    def relative_grain_area(self) -> FloatArray:
        """a_j: area of a grain (or dye cloud) of every class over that of one at z_ref, 10**(alpha (z - z_ref))."""
        return np.asarray(10.0 ** (self.area_exponent * (self.log_sensitivity - self.reference_log_sensitivity)))

    @cached_property
    def reference_grain_area_um2(self) -> float:
        """a_ref: equivalent grain area at z_ref [um2] that gives the rms granularity at net density 1.0, unfogged."""
        net = min(1.0, 0.9 * (self.maximum_density() - self.minimum_density()))
        curve = self.curve()
        at = curve.inverse(self.minimum_density() + net)
        relative = float(self._relative_variance(np.asarray(at), np.asarray(0.0)))
        return (self.rms_granularity / 1000.0) ** 2 * APERTURE_AREA_UM2 / (LOG10_E * relative)

    def _relative_variance(self, log_exposure: FloatArray, kerma_ugy: FloatArray) -> FloatArray:
        """v + sum_j a_j c_j F_j (1 - s F_j) + extra; see the top of this module."""
        weights, area = self.weights, self.relative_grain_area
        hits = self.hits(kerma_ugy)
        missed = np.exp(-hits)
        quiet = (1.0 - self.native_fog) * (1.0 - self.light_probability(log_exposure))  # q_j
        undeveloped = quiet * missed
        image = undeveloped if self.positive else 1.0 - undeveloped
        grains = (area * weights * image * (1.0 - self.dye_saturation * image)).sum(axis=-1)
        clustered = (weights * hits * undeveloped).sum(axis=-1) ** 2
        struck = (weights / area * hits).sum(axis=-1)
        extra = np.divide(clustered, struck, out=np.zeros_like(clustered + struck), where=struck > 0.0)
        return np.asarray(self.noise_floor + grains + (self.cluster_grains - 1.0) * extra)

    @overload
    def noise(self, log_exposure: Labelled, kerma_ugy: float = ..., *, aperture_area_um2: float = ...) -> Labelled: ...
    @overload
    def noise(self, log_exposure: Numbers, kerma_ugy: float = ..., *, aperture_area_um2: float = ...) -> FloatArray: ...
    @overload
    def noise(
        self, log_exposure: Numeric, kerma_ugy: Numeric = ..., *, aperture_area_um2: float = APERTURE_AREA_UM2
    ) -> Any: ...
    def noise(
        self, log_exposure: Numeric, kerma_ugy: Numeric = 0.0, *, aperture_area_um2: float = APERTURE_AREA_UM2
    ) -> Any:
        """Standard deviation of density through an aperture, sigma_D [density].

        sigma_D**2 A = 0.4343 a_ref [v + sum_j a_j c_j F_j (1 - s F_j) + extra]; ``rms_granularity`` sets a_ref.
        """
        aperture = check_number("aperture_area_um2", aperture_area_um2, low=0.0, low_open=True, unit="um2")
        scale = LOG10_E * self.reference_grain_area_um2 / aperture

        def kernel(x: FloatArray, k: FloatArray) -> FloatArray:
            return np.sqrt(scale * self._relative_variance(x, _kerma(k)))

        return elementwise(kernel, log_exposure, kerma_ugy, units=_AT_KERMA)

    @overload
    def signal_to_noise(self, log_exposure: Labelled, kerma_ugy: float = ...) -> Labelled: ...
    @overload
    def signal_to_noise(self, log_exposure: Numbers, kerma_ugy: float = ...) -> FloatArray: ...
    @overload
    def signal_to_noise(self, log_exposure: Numeric, kerma_ugy: Numeric = ...) -> Any: ...
    def signal_to_noise(self, log_exposure: Numeric, kerma_ugy: Numeric = 0.0) -> Any:
        """Local signal-to-noise ``r(H) = |dD/dlog10 H| / sqrt(sigma_D**2 A)`` [1/um]."""

        def kernel(x: FloatArray, k: FloatArray) -> FloatArray:
            gradient = _weighted_sum(self.light_probability_gradient(x), self.surviving_weights(_kerma(k)))
            variance = LOG10_E * self.reference_grain_area_um2 * self._relative_variance(x, k)
            return np.asarray(gradient / np.sqrt(variance))

        return elementwise(kernel, log_exposure, kerma_ugy, units=_AT_KERMA)

    def curve(self, kerma_ugy: float = 0.0) -> PopulationCurve:
        """The characteristic curve at one kerma, as a :class:`filmdose.film.curves.Curve`."""
        return PopulationCurve(emulsion=self, kerma_ugy=kerma_ugy)


def _kerma(kerma_ugy: FloatArray) -> FloatArray:
    return check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy")


def _weighted_sum(rows: FloatArray, weights: FloatArray) -> FloatArray:
    """Sum over the last axis of rows times weights, their leading axes broadcast; BLAS where it applies."""
    if weights.ndim == 1:
        return np.asarray(rows @ weights)
    if rows.ndim == 1:
        return np.asarray(weights @ rows)
    return np.asarray(np.einsum("...z,...z->...", rows, weights))


@dataclass(frozen=True, kw_only=True)
class PopulationCurve(Result):
    """Characteristic curve of an emulsion at one effective kerma [uGy].

    Parameters
    ----------
    emulsion
        The record.
    kerma_ugy
        Effective air kerma [uGy; at least 0].
    """

    emulsion: Emulsion
    kerma_ugy: float = 0.0

    _accepts = (("kerma_ugy", "WithUnit"),)

    def __post_init__(self) -> None:
        object.__setattr__(self, "kerma_ugy", check_number("kerma_ugy", self.kerma_ugy, low=0.0, unit="uGy"))

    @property
    def rising(self) -> bool:
        """True for negative film."""
        return not self.emulsion.positive

    @property
    def minimum_density(self) -> float:
        """Least density of the curve."""
        return float(self.emulsion.minimum_density(self.kerma_ugy))

    @property
    def maximum_density(self) -> float:
        """Greatest density of the curve."""
        return float(self.emulsion.maximum_density(self.kerma_ugy))

    @property
    def log_exposure_range(self) -> tuple[float, float]:
        """Where light does anything: from the fastest grains hardly touched to the slowest saturated."""
        z = self.emulsion.log_sensitivity[self.emulsion.weights > 0]
        spread = 1.0 + 2.0 / math.sqrt(self.emulsion.quanta)
        centre = math.log10(self.emulsion.quanta)
        return float(centre - z[-1] - spread), float(centre - z[0] + spread)

    @overload
    def density(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def density(self, log_exposure: Numbers) -> FloatArray: ...
    def density(self, log_exposure: Numeric) -> Any:
        """Density at log10 exposure."""
        return self.emulsion.density(log_exposure, self.kerma_ugy)

    @overload
    def gradient(self, log_exposure: Labelled) -> Labelled: ...
    @overload
    def gradient(self, log_exposure: Numbers) -> FloatArray: ...
    def gradient(self, log_exposure: Numeric) -> Any:
        """dD/dlog10 H at log10 exposure."""
        return self.emulsion.gradient(log_exposure, self.kerma_ugy)

    @overload
    def inverse(self, density: Labelled) -> Labelled: ...
    @overload
    def inverse(self, density: Numbers) -> FloatArray: ...
    def inverse(self, density: Numeric) -> Any:
        """Log10 exposure at which the curve has ``density``; NaN where it does not reach it."""
        if isinstance(density, float):
            return self._log_exposure_at(density)
        return elementwise(lambda d: invert_curve(self, d), density)

    def _log_exposure_at(self, density: float) -> float:
        """The same for one density: Newton's steps inside a bracket that shrinks, halved where they leave it."""
        emulsion = self.emulsion
        weights = emulsion.surviving_weights(np.asarray(self.kerma_ugy))
        counted = weights > 0.0
        weights, z, quanta = weights[counted], emulsion.log_sensitivity[counted], emulsion.quanta
        wanted = density - emulsion.base_density
        if self.rising:
            wanted = float(emulsion.weights.sum()) - wanted  # what stays undeveloped: it falls with exposure
        if not counted.any() or not 0.0 < wanted < float(weights.sum()):
            return math.nan
        low, high = self.log_exposure_range
        low, high, norm = low - 3.0, high + 3.0, LN10 / math.exp(math.lgamma(quanta))
        x = 0.5 * (low + high)
        for _ in range(200):
            mean = 10.0 ** (x + z)
            excess = float(weights @ gammaincc(quanta, mean)) - wanted
            low, high = (x, high) if excess > 0.0 else (low, x)
            slope = norm * float(weights @ np.exp(quanta * np.log(mean) - mean))
            step = excess / slope if slope > 0.0 else math.inf
            after = x + step if low < x + step < high else 0.5 * (low + high)
            if abs(after - x) < 1e-13 or excess == 0.0:
                return after if excess else x
            x = after
        return x


def invert_curve(curve: Any, density: FloatArray) -> FloatArray:
    """Log10 exposure for each density of a monotone curve, by bracketed root finding on all at once.

    Parameters
    ----------
    curve
        A monotone curve (:class:`filmdose.film.curves.Curve`).
    density
        Densities, any shape.

    Returns
    -------
    ndarray
        log10 exposure of each [log10 lx s], NaN outside the curve's range.

    Raises
    ------
    ArgumentError
        Not a curve.

    Examples
    --------
    >>> from filmdose.film.curves import ToeShoulderCurve
    >>> curve = ToeShoulderCurve(unexposed_density=0.2, slope=0.65, toe_log_exposure=-2.5, toe_width=0.2)
    >>> bool(abs(curve.density(invert_curve(curve, np.array([0.8]))) - 0.8) < 1e-9)
    True
    """
    from scipy.optimize.elementwise import find_root

    if not hasattr(curve, "log_exposure_range"):
        raise ArgumentError("curve", curve, "a curve", "Take emulsion.curve(), or write MeasuredCurve(...).")
    low, high = curve.log_exposure_range
    low, high = low - 3.0, high + 3.0
    wanted = np.asarray(density, dtype=np.float64)
    ends = sorted((float(curve.density(low)), float(curve.density(high))))
    reachable = (wanted > ends[0]) & (wanted < ends[1])
    result = np.full(wanted.shape, np.nan)
    if np.any(reachable):
        targets = wanted[reachable]

        def excess(x: FloatArray, d: FloatArray) -> FloatArray:
            return np.asarray(curve.density(x)) - d

        found = find_root(
            excess,
            (low, high),
            args=(targets,),
            tolerances={"xatol": 1e-13, "xrtol": 1e-14, "fatol": 0.0, "frtol": 0.0},
        )
        result[reachable] = found.x
    return result


hold_to_annotations(globals())
