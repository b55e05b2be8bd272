"""Film simulated grain by grain, to hold the closed forms of density and noise from outside.

Grains lie at random in the plane, of each class j so many per um2 that Nutting's law gives its weight:
n_j = c_j / (0.4343 A_j), A_j its area.  Light quanta arrive at each grain by a Poisson draw and develop it
from Q upwards; a radiation quantum strikes a patch, where each grain is hit with a chance p_j in proportion
to its hit sensitivity, so that g grains are struck with a given one on average; one hit develops.  Density is
what Nutting's law makes of the areas that developed in an aperture.

An aperture is a whole number of patches, so no cluster is cut by an edge (an edge costs 4 r / (pi d) of the
clusters' part, r their reach and d the aperture).  Nothing here is taken from the package but the film's numbers.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

LOG10_E = 0.4342944819032518


@dataclass(frozen=True, kw_only=True)
class Counted:
    """Mean density and sigma_D**2 A [um2] of what was counted, each with its standard error."""

    density: float
    density_error: float
    granularity: float
    granularity_error: float


def counted(densities: np.ndarray, aperture_um2: float) -> Counted:
    """Mean and granularity of densities read through one aperture."""
    count = densities.size
    variance = float(np.var(densities, ddof=1))
    fourth = float(np.mean((densities - densities.mean()) ** 4))
    return Counted(
        density=float(densities.mean()),
        density_error=float(np.sqrt(variance / count)),
        granularity=variance * aperture_um2,
        granularity_error=float(np.sqrt((fourth - variance**2) / count)) * aperture_um2,
    )


def patch_densities(
    film: dict,
    log_exposure: float,
    kerma_ugy: float,
    *,
    grain_area_um2: float,
    patches: int,
    patch_um2: float,
    rng: np.random.Generator,
) -> np.ndarray:
    """Density of ``patches`` patches of a record described by plain numbers (keys as of ``Emulsion``).

    ``grain_area_um2`` is the area of a grain at the reference sensitivity.  A share s of the grains of each class
    (dye sites of a coupler that is used up) lies evenly, the same number in each patch; the rest lies at random.
    """
    z, c = np.asarray(film["log_sensitivity"]), np.asarray(film["weights"])
    away = z - film["reference_log_sensitivity"]
    area = grain_area_um2 * 10.0 ** (film["area_exponent"] * away)
    mean_count = c / (LOG10_E * area) * patch_um2
    even = film["dye_saturation"] * mean_count
    assert np.allclose(even, np.rint(even), atol=1e-6), "choose weights that give whole numbers of even sites"
    counts = np.rint(even).astype(np.int64)[:, None] + rng.poisson((mean_count - even)[:, None], (z.size, patches))
    of_class = np.repeat(np.repeat(np.arange(z.size), patches), counts.ravel())
    of_patch = np.repeat(np.tile(np.arange(patches), z.size), counts.ravel())

    developed = rng.poisson((10.0 ** (log_exposure + z))[of_class]) >= film["quanta"]
    developed |= rng.random(of_class.size) < film["native_fog"]
    if kerma_ugy > 0:
        hits = film["hits_per_ugy"] * kerma_ugy * 10.0 ** (film["hit_exponent"] * away)
        # A quantum strikes a Poisson number n of grains, and E[n(n-1)] / E[n] = E[n] = g - 1.
        quanta = float(np.sum(mean_count * hits)) / (film["cluster_grains"] - 1.0)
        chance = hits / quanta
        assert chance.max() < 0.5, "too few grains in a patch"
        arrived = rng.poisson(quanta, patches)
        developed |= rng.random(of_class.size) < 1.0 - (1.0 - chance[of_class]) ** arrived[of_patch]

    image = ~developed if film["positive"] else developed
    covered = np.bincount(of_patch, weights=area[of_class] * image, minlength=patches)
    return film["base_density"] + LOG10_E * covered / patch_um2
