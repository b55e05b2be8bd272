"""Four lines of evidence for the fog calibration: the arithmetic behind 25 uGy (14 to 45) for 0.02 at ISO 400.

Run:  python reference/evidence.py

Each line is a product of factors with a low, a middle and a high value; the ends of a line add the logarithms of its
factors' ends in quadrature.  Every factor names its source and carries a flag: S seen, P from a package's data, D
derived, M from memory, I our inference.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from filmdose.history import Pass, history_dose
from filmdose.radiation import Beam, first_principles_sensitivity, relative_response
from filmdose.radiation.constants import constant_range
from filmdose.radiation.sensitivity import CALIBRATION_FOG, calibrated_fog_kerma_ugy


@dataclass(frozen=True, kw_only=True)
class Factor:
    """One factor of a line; ``power`` is -1 for a divisor."""

    what: str
    low: float
    middle: float
    high: float
    source: str
    power: float = 1.0


@dataclass(frozen=True, kw_only=True)
class Line:
    """One line of evidence: effective kerma [uGy] for 0.02 at ISO 400."""

    title: str
    factors: tuple[Factor, ...]

    @property
    def points(self) -> tuple[float, float, float]:
        """Low, middle and high effective kerma [uGy]."""
        middle = math.prod(factor.middle**factor.power for factor in self.factors)
        ends = []
        for side in (-1, 1):
            total = 0.0
            for factor in self.factors:
                end = factor.high if side * factor.power > 0 else factor.low
                total += (factor.power * math.log(end / factor.middle)) ** 2
            ends.append(middle * math.exp(side * math.sqrt(total)))
        return ends[0], middle, ends[1]


def storage_limit() -> Line:
    """A maker's limit for storing fast film, half a year, in background radiation."""
    hard = float(relative_response(Beam(energy_kev=662.0)))
    return Line(
        title="storage limit of fast film",
        factors=(
            Factor(what="background in half a year [uGy]", low=260.0, middle=350.0, high=480.0,
                   source="S: a maker's advice (kodak_h1_storage); S, I: 0.52 to 0.96 mGy a year (unscear1993)"),
            Factor(what="fog per kerma over that of the reference beam", low=hard / 1.1, middle=hard, high=hard * 1.1,
                   source="D: film_response at 662 keV; its range is that of the efficiency (I)"),
        ),
    )  # fmt: skip


def pass_counts() -> Line:
    """Passes that a film makers' association and a security agency found to show."""
    dose = history_dose(Pass(source="cabin-xray"))
    return Line(
        title="pass counts of 2005",
        factors=(
            Factor(what="passes until streaks, ISO 400", low=25.0, middle=25.0, high=25.0,
                   source="S: I3A with TSA, reported by photoscala.de, 13 Jan 2005"),
            Factor(what="effective kerma per pass at the film [uGy]", low=dose.kerma_low_ugy, middle=dose.kerma_ugy,
                   high=dose.kerma_high_ugy, source="S, I: one view (sources.toml); walls (transport.toml)"),
            Factor(what="fog of a streak that shows, over 0.02", low=0.8, middle=1.0, high=1.6, power=-1.0,
                   source="I: a streak shows sooner than an even fog"),
        ),
    )  # fmt: skip


def dental_film() -> Line:
    """Direct-exposure dental film, whose speed classes are standardised, scaled by its silver and its grains."""
    response = float(relative_response(Beam(tube_kvp=70.0, filtration="al=2")))  # type: ignore[arg-type]
    return Line(
        title="dental direct film",
        factors=(
            Factor(what="air kerma for net density 1.0, class D [uGy]", low=357.0, middle=505.0, high=714.0,
                   source="S: ISO 3665 (S = 0.01 Gy / K)"),
            Factor(what="0.02 over the density that the same slope gives there", low=0.016, middle=0.018, high=0.020,
                   source="I: the curve has bent by 0 to 20 % at 1.0"),
            Factor(what="silver of dental over camera film", low=8.0 / 6.0, middle=9.5 / 5.0, high=11.0 / 4.0,
                   source="S, M: 4 to 5.5 g/m2 on each of two sides; camera film 4 to 6"),
            Factor(what="density per silver hit, dental over camera film", low=1.0, middle=1.7, high=2.9,
                   source="I: tabular grains of 1.8 um cover more for each quantum"),
            Factor(what="fog per kerma over that of the reference beam", low=response, middle=response, high=response,
                   source="D: 70 kVp, 2 mm Al"),
        ),
    )  # fmt: skip


def first_principles() -> Line:
    """Quanta absorbed in the silver bromide of camera film, and the grains that each makes developable."""
    ends = {name: constant_range(name) for name in ("silver_g_m2", "grain_area_um2", "grains_per_quantum")}
    middle = first_principles_sensitivity().kerma_ugy * math.prod(points[1] for points in ends.values())
    return Line(
        title="first principles",
        factors=(
            Factor(what="0.02 / (0.4343 times quanta per uGy, g of silver, um2 and grain)", low=middle, middle=middle,
                   high=middle, source="P: xraydb, SpekPy; D: Nutting"),
            *(
                Factor(what=f"{name} of camera film", low=low, middle=value, high=high, power=-1.0,
                       source="M, I: radiation.toml")
                for name, (low, value, high) in ends.items()
            ),
        ),
    )  # fmt: skip


def lines() -> tuple[Line, ...]:
    """The four lines."""
    return storage_limit(), pass_counts(), dental_film(), first_principles()


def combined() -> float:
    """Mean of the lines [uGy], each weighted by its own precision in ln; they are taken as independent (inference)."""
    weights, logs = [], []
    for line in lines():
        low, middle, high = line.points
        weights.append(1.0 / math.log(high / low) ** 2)
        logs.append(math.log(middle))
    return math.exp(sum(w * x for w, x in zip(weights, logs, strict=True)) / sum(weights))


def table() -> str:
    """The lines with their factors, as text."""
    low, typical, high = calibrated_fog_kerma_ugy()
    out = [
        f"Effective kerma [uGy] for a fog of {CALIBRATION_FOG:g} at ISO 400; used: {typical:g} ({low:g} to {high:g})"
    ]
    for line in lines():
        ends = line.points
        out.append(f"\n{line.title}: {ends[1]:.0f} ({ends[0]:.0f} to {ends[2]:.0f})")
        for factor in line.factors:
            sign = "/" if factor.power < 0 else "x"
            out.append(f"  {sign} {factor.middle:.4g} ({factor.low:.4g} to {factor.high:.4g})  {factor.what}")
            out.append(f"      {factor.source}")
    out.append(f"\nall four, weighted by their precision: {combined():.0f}")
    return "\n".join(out)


if __name__ == "__main__":
    print(table())
