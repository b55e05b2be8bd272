"""What reversal film loses, tabulated: it needs no more exposure, and gets thinner blacks and less range."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache, partial

import numpy as np

from filmdose.arrays import FloatArray
from filmdose.compensation import REVERSAL_HIGHLIGHT, shadow_points
from filmdose.film.emulsion import Emulsion
from filmdose.film.model import Film
from filmdose.odds.tabulate import GREATEST_HITS, Table, chebyshev_nodes, lagrange
from filmdose.units import LOG10_2

__all__ = ["Losses", "ReversalSurface", "reversal_surface"]

_NODES = 7  # in b


@dataclass(frozen=True, kw_only=True)
class Losses:
    """What reversal film loses; first axis draws, second rolls.

    Parameters
    ----------
    maximum_density
        Greatest density lost [density].
    range_stops
        Usable range lost at the dark end [stops]; infinite when nothing is left of it.
    highlight_shift_stops
        Change of exposure that keeps the highlight point at its density [stops; at most 0].
    snr_kept
        Signal-to-noise of the darkest usable tone over the clean one [1].
    """

    maximum_density: FloatArray
    range_stops: FloatArray
    highlight_shift_stops: FloatArray
    snr_kept: FloatArray


#: Losses of reversal film, and whether they have a value at every dose.
_LOSSES = (("range_stops", False), ("shift_stops", True), ("log_snr", False), ("log_lost", True))


@dataclass(frozen=True, kw_only=True)
class _ReversalNode:
    """One reversal record with one b: all its losses against dose, on exposures from shadow to highlight."""

    record: Emulsion  # with one hit per microgray at the shadow point
    exposures: FloatArray
    highlight_density: float

    def loss(self, hits: FloatArray, name: str) -> FloatArray:
        """One of the losses, against hits at the shadow point."""
        return self._loss(np.maximum(hits, 1e-9), name)

    def _loss(self, hits: FloatArray, name: str) -> FloatArray:
        record, x = self.record, self.exposures
        if name == "log_lost":
            return np.asarray(np.log(np.maximum(-np.asarray(record.fog_density(hits)), 1e-300)) - np.log(hits))
        if name == "shift_stops":
            density = np.asarray(record.density(x, hits[:, None]))
            bright = np.array([np.interp(-self.highlight_density, -row, x) for row in density])
            return np.asarray(np.minimum(bright - x[-1], 0.0) / LOG10_2)
        darkest = float(record.signal_to_noise(x[0]))
        if name == "log_snr":
            kept = np.asarray(record.signal_to_noise(x[0], hits)) / darkest
            return np.asarray(np.log(np.where(kept > 1e-9, kept, np.nan)))
        snr = np.asarray(record.signal_to_noise(x, hits[:, None])) / darkest
        # The clean film reaches its own shadow value at the shadow itself, whatever the rounding.
        return np.asarray((_first_rise(x, snr, 1.0 - 1e-12) - x[0]) / LOG10_2)


def _first_rise(x: FloatArray, rows: FloatArray, level: float) -> FloatArray:
    """Where each row first reaches a level, straight between points; NaN where it does not."""
    reached = rows >= level
    index = reached.argmax(axis=1)
    at = np.arange(len(rows))
    before = np.maximum(index - 1, 0)
    low, high = rows[at, before], rows[at, index]
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(index > 0, (level - low) / (high - low), 0.0)
    return np.where(reached.any(axis=1), x[before] + share * (x[index] - x[before]), np.nan)


class ReversalSurface:
    """Losses of the records of a reversal film for every b in a range.

    The contrast multiplies densities; the exponent of grain area stays at 2/3.
    """

    error_stops = 0.0  #: no need is tabulated

    def __init__(self, records: tuple[Emulsion, ...], points: tuple[float, ...], bounds: tuple[float, float]) -> None:
        self.axis = chebyshev_nodes(bounds, _NODES)
        self._tables = []
        spans = []
        for record, point in zip(records, points, strict=True):
            nodes = [self._node(record, point, float(b)) for b in self.axis]
            spans.append((nodes[0].exposures[-1] - point) / LOG10_2)
            self._tables.append(
                {name: Table(partial(_ReversalNode.loss, name=name), nodes, endless=end) for name, end in _LOSSES}
            )
        self.range_stops = float(max(spans))  #: usable range of the clean film [stops]

    @staticmethod
    def _node(record: Emulsion, point: float, b: float) -> _ReversalNode:
        shadow = -point  # log sensitivity of a grain that is hit once per unit of dose
        shaped = replace(record, hit_exponent=b, hits_per_ugy=10.0 ** (b * (record.reference_log_sensitivity - shadow)))
        highlight_density = float(record.minimum_density()) + REVERSAL_HIGHLIGHT
        highlight = float(record.curve().inverse(highlight_density))
        return _ReversalNode(
            record=shaped, exposures=np.linspace(point, highlight, 161), highlight_density=highlight_density
        )

    def losses(self, shapes: FloatArray, hits: tuple[FloatArray, ...]) -> Losses:
        """Losses for draws and rolls, of the record that loses most; ``hits`` by record at its shadow point."""
        weights = lagrange(self.axis, shapes[:, 0])
        scale = np.exp(shapes[:, 2])[:, None]
        lost, ranges, shifts, kept = [], [], [], []
        for tables, dose in zip(self._tables, hits, strict=True):
            clean = dose == 0.0
            span, gone = tables["range_stops"].at(weights, dose)
            per_hit = np.exp(tables["log_lost"].at(weights, dose)[0])
            lost.append(scale * per_hit * np.minimum(dose, GREATEST_HITS))
            ranges.append(np.where(clean, 0.0, np.where(gone, np.inf, np.maximum(span, 0.0))))
            shifts.append(np.where(clean, 0.0, np.minimum(tables["shift_stops"].at(weights, dose)[0], 0.0)))
            kept.append(np.where(clean, 1.0, np.minimum(np.exp(tables["log_snr"].at(weights, dose)[0]), 1.0)))
        return Losses(
            maximum_density=np.max(lost, axis=0),
            range_stops=np.max(ranges, axis=0),
            highlight_shift_stops=np.min(shifts, axis=0),
            snr_kept=np.min(kept, axis=0),
        )


@lru_cache(maxsize=16)
def reversal_surface(film: Film, hit_exponent: tuple[float, float]) -> ReversalSurface:
    """Losses of a reversal film, made once and kept."""
    return ReversalSurface(film.records, shadow_points(film), hit_exponent)
