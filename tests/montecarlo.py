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


def simulate(
    film: dict,
    log_exposure: float,
    kerma_ugy: float,
    *,
    grain_area_um2: float,
    patches: int,
    patch_um2: float,
    rng: np.random.Generator,
) -> Counted:
    """Count developed grains in ``patches`` patches of film described by plain numbers.

    ``grain_area_um2`` is the area of a grain at the reference sensitivity.  Grains of which a share s cannot be
    closer than chance (dye sites of a coupler that is used up): s of them is a fixed number in each patch, the
    rest a Poisson number; s = 0 is grains at random.
    """
    z, c = np.asarray(film["log_sensitivity"]), np.asarray(film["weights"])
    away = z - film["reference_log_sensitivity"]
    area = grain_area_um2 * 10.0 ** (film["area_exponent"] * away)
    mean_count = c / (LOG10_E * area) * patch_um2
    orderly = film["dye_saturation"] * mean_count
    assert np.allclose(orderly, np.rint(orderly), atol=1e-6), "choose weights that give whole numbers of fixed sites"
    fixed = np.rint(orderly).astype(np.int64)[:, None]
    counts = fixed + rng.poisson((mean_count - orderly)[:, None], (z.size, patches))
    grain_class = np.repeat(np.repeat(np.arange(z.size), patches), counts.ravel())
    patch = np.repeat(np.tile(np.arange(patches), z.size), counts.ravel())

    by_light = rng.poisson((10.0 ** (log_exposure + z))[grain_class]) >= film["quanta"]
    by_itself = rng.random(grain_class.size) < film["native_fog"]

    hits = film["hits_per_ugy"] * kerma_ugy * 10.0 ** (film["hit_exponent"] * away)
    by_hit = np.zeros(grain_class.size, dtype=bool)
    if kerma_ugy > 0:
        struck = float(np.sum(mean_count * hits))  # hits in one patch
        quanta_in_patch = struck / (film["cluster_grains"] - 1.0)  # n Poisson: E[n(n-1)] / E[n] = E[n]
        chance = hits / quanta_in_patch
        assert chance.max() < 1.0, "too few grains in a patch"
        arrived = rng.poisson(quanta_in_patch, patches)
        by_hit = rng.random(grain_class.size) < 1.0 - (1.0 - chance[grain_class]) ** arrived[patch]

    developed = by_light | by_itself | by_hit
    image = ~developed if film["positive"] else developed
    covered = np.bincount(patch, weights=area[grain_class] * image, minlength=patches)
    density = film["base_density"] + LOG10_E * covered / patch_um2
    variance = float(np.var(density, ddof=1))
    fourth = float(np.mean((density - density.mean()) ** 4))
    return Counted(
        density=float(density.mean()),
        density_error=float(np.sqrt(variance / patches)),
        granularity=variance * patch_um2,
        granularity_error=float(np.sqrt((fourth - variance**2) / patches)) * patch_um2,
    )
