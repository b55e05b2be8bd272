"""Sensitometry: what standards and handbooks read off a curve, each on any :class:`filmdose.film.curves.Curve`.

========================  ==========================================================
module                    holds
========================  ==========================================================
:mod:`.speed`             ISO 6, ISO 5800, ISO 2240, Delta-X, fractional gradient
:mod:`.contrast`          mean gradient, contrast index, straight line and inertia
:mod:`.paper`             ISO 6846 range of a paper, grade for a negative
:mod:`.exposure`          exposure at the film from luminance, and as a meter gives it
:mod:`.granularity`       rms and Selwyn granularity, Nutting, noise-equivalent quanta
========================  ==========================================================
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from filmdose.lazy import lazy_names

if TYPE_CHECKING:
    from filmdose.sensitometry.contrast import (
        StraightLine,
        contrast_index,
        mean_gradient,
        rise,
        straight_line,
    )
    from filmdose.sensitometry.exposure import focal_plane_exposure, lens_factor, metered_exposure
    from filmdose.sensitometry.granularity import (
        covered_fraction,
        equivalent_grain_area_um2,
        noise_equivalent_quanta,
        nutting_density,
        rms_granularity,
        selwyn_granularity,
        sigma_from_selwyn,
    )
    from filmdose.sensitometry.paper import (
        PaperRange,
        density_range_for_grade,
        grade_for_density_range,
        negative_density_range,
        paper_range,
    )
    from filmdose.sensitometry.speed import (
        DeltaXSpeed,
        FractionalGradientPoint,
        Iso6Speed,
        Iso2240Speed,
        Iso5800Speed,
        delta_x,
        delta_x_speed,
        fractional_gradient_point,
        iso6,
        iso6_speed,
        iso2240,
        iso2240_speed,
        iso5800,
        iso5800_speed,
    )

__all__ = [
    "DeltaXSpeed",
    "FractionalGradientPoint",
    "Iso6Speed",
    "Iso2240Speed",
    "Iso5800Speed",
    "PaperRange",
    "StraightLine",
    "contrast_index",
    "covered_fraction",
    "delta_x",
    "delta_x_speed",
    "density_range_for_grade",
    "equivalent_grain_area_um2",
    "focal_plane_exposure",
    "fractional_gradient_point",
    "grade_for_density_range",
    "iso6",
    "iso6_speed",
    "iso2240",
    "iso2240_speed",
    "iso5800",
    "iso5800_speed",
    "lens_factor",
    "mean_gradient",
    "metered_exposure",
    "negative_density_range",
    "noise_equivalent_quanta",
    "nutting_density",
    "paper_range",
    "rise",
    "rms_granularity",
    "selwyn_granularity",
    "sigma_from_selwyn",
    "straight_line",
]

_HOME = {
    "contrast": ("StraightLine", "contrast_index", "mean_gradient", "rise", "straight_line"),
    "exposure": ("focal_plane_exposure", "lens_factor", "metered_exposure"),
    "granularity": (
        "covered_fraction",
        "equivalent_grain_area_um2",
        "noise_equivalent_quanta",
        "nutting_density",
        "rms_granularity",
        "selwyn_granularity",
        "sigma_from_selwyn",
    ),
    "paper": (
        "PaperRange",
        "density_range_for_grade",
        "grade_for_density_range",
        "negative_density_range",
        "paper_range",
    ),
    "speed": (
        "DeltaXSpeed",
        "FractionalGradientPoint",
        "Iso6Speed",
        "Iso2240Speed",
        "Iso5800Speed",
        "delta_x",
        "delta_x_speed",
        "fractional_gradient_point",
        "iso6",
        "iso6_speed",
        "iso2240",
        "iso2240_speed",
        "iso5800",
        "iso5800_speed",
    ),
}

_SUBMODULES = ("contrast", "exposure", "granularity", "paper", "speed")

__getattr__, __dir__ = lazy_names(__name__, _HOME, _SUBMODULES)
