"""Random numbers: seeds, even points in many dimensions, and standard normal scores of them."""

from __future__ import annotations

import numpy as np
from scipy.special import ndtri

from filmdose.arrays import FloatArray, check_count

__all__ = [
    "POINTS",
    "Random",
    "check_samples",
    "even_points",
    "normal_points",
    "random_generator",
    "random_seed",
    "to_normal",
]

#: 5, 50 and 95 % points.
POINTS = (0.05, 0.5, 0.95)

Random = int | np.random.Generator | None


def random_generator(rng: Random) -> np.random.Generator:
    """A generator from a seed (0 is one), a generator itself, or a new one that nobody can foresee from None."""
    if isinstance(rng, np.random.Generator):
        return rng
    action = "Give a seed, a numpy Generator, or None for other numbers each time."
    return np.random.default_rng(None if rng is None else check_count("rng", rng, action=action))


def random_seed(rng: Random) -> int:
    """One seed for several runs that are to meet the same draws: the seed itself, or one that a generator draws."""
    if rng is None or isinstance(rng, np.random.Generator):
        return int(random_generator(rng).integers(2**31))
    return check_count("rng", rng, action="Give a seed, a numpy Generator, or None for other numbers each time.")


def check_samples(samples: int) -> int:
    """How many draws; at least enough for a 5 % point, and no more than memory holds."""
    return check_count("samples", samples, low=64, high=2**26)


def even_points(count: int, dimensions: int, rng: np.random.Generator) -> FloatArray:
    """Numbers from 0 to 1, shape (count, dimensions): in each dimension one in every one of ``count`` equal parts.

    A Latin hypercube; importing a library's low-discrepancy sequences would take longer than all draws of a roll.

    References
    ----------
    mckay1979
    """
    parts = rng.permuted(np.broadcast_to(np.arange(float(count)), (dimensions, count)), axis=1)
    return np.asarray(((parts + rng.random((dimensions, count))) / count).T)


def normal_points(dimensions: int, count: int, rng: np.random.Generator) -> FloatArray:
    """Even points as standard normal scores, shape (count, dimensions)."""
    return to_normal(even_points(count, dimensions, rng))


def to_normal(even: FloatArray) -> FloatArray:
    """Standard normal scores of even numbers from 0 to 1."""
    return np.asarray(ndtri(np.clip(even, 1e-12, 1.0 - 1e-12)))
