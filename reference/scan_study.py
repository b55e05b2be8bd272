"""Print what simulated scans say about the measurements: coverage, steps that are found, causes that are told apart.

    .venv/bin/python reference/scan_study.py

Needs the extras test and scan.  The tests run smaller samples of the same.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
from scipy.signal import lfilter

sys.path.insert(0, str(Path(__file__).parents[1] / "tests"))
from scan_cases import CLEAN, STEPS, TRUE, density_case, fog_case, picture

from filmdose.errors import FilmdoseError
from filmdose.scan import FogProfile, explain_bands, get_winding, read_tablet
from filmdose.scan.bands import CAUSES
from filmdose.scan.simulate import simulate_profile

NINE_IN_TEN = 1.645


def densities(count: int) -> None:
    """Coverage of the intervals of single densities, and of fog beside a control."""
    rng = np.random.default_rng(1)
    measured, true, error = np.array([density_case(rng) for _ in range(count)]).T
    z = (measured - true) / error
    print(f"density, {count} scans: 90 % interval holds {100 * np.mean(np.abs(z) < NINE_IN_TEN):.1f} %,", end=" ")
    print(f"mean error {np.mean(measured - true):+.4f}, median standard error {np.median(error):.4f}")
    z = np.array([fog_case(rng) for _ in range(count)])
    print(f"fog beside a control, {count} pairs: 90 % interval holds {100 * np.mean(np.abs(z) < NINE_IN_TEN):.1f} %")


def tablets(count: int) -> None:
    """Wedges turned by up to 15 degrees, a third of them cut off, a third with hidden steps."""
    rng = np.random.default_rng(2)
    errors, refused, wrong = [], 0, 0
    for case in range(count):
        cut = int(rng.integers(2, 8)) if case % 3 == 1 else 0
        first = int(rng.integers(5, 15))
        cover = (first, first + int(rng.integers(1, 3))) if case % 3 == 2 else None
        angle = float(rng.uniform(-15, 15)) if not cut else 0.0
        crop = (cut + 0.5, float(STEPS)) if cut else None
        scan, clear = picture(rng, angle=angle, cover=cover, crop=crop)
        try:
            found = read_tablet(scan, STEPS, clear=clear, flare=CLEAN, first_step=cut + 2 if cut else None)
        except FilmdoseError:
            refused += 1
            continue
        error = np.array([area.density[0] for area in found.areas]) - TRUE[np.array(found.numbers) - 1]
        wrong += int(np.abs(error).max() > 0.03)
        errors.extend(error)
    print(f"tablets, {count}: {refused} refused, {wrong} with a wrong step, rms of a step {np.std(errors):.4f}")


def causes(count: int, winding: str) -> None:
    """Confusion of the causes of bands, and what stated probabilities come to."""
    rng = np.random.default_rng(3)
    names = list(CAUSES)
    confusion = np.zeros((len(names), len(names)), dtype=int)
    stated, happened = [], []
    for row, cause in enumerate(names):
        for _ in range(count):
            wound = get_winding(winding)
            result = explain_bands(simulate_profile(cause, wound, rng=rng), wound)
            confusion[row, names.index(result.cause)] += 1
            stated += [result.probability[name] for name in names]
            happened += [name == cause for name in names]
    print(f"causes of bands on {winding}, {count} profiles each, rows true, columns found: {', '.join(names)}")
    for name, counts in zip(names, confusion, strict=True):
        print(f"  {name:12s}", *(f"{n:5d}" for n in counts))
    p, true = np.array(stated), np.array(happened)
    for low, high in (
        (0, 0.02),
        (0.02, 0.1),
        (0.1, 0.3),
        (0.3, 0.5),
        (0.5, 0.7),
        (0.7, 0.9),
        (0.9, 0.98),
        (0.98, 1.01),
    ):
        inside = (p >= low) & (p < high)
        print(
            f"  stated {low:.2f} to {min(high, 1):.2f}: {inside.sum():5d} times, mean {p[inside].mean():.3f},", end=" "
        )
        print(f"true in {true[inside].mean():.3f}")


def weak_bands(count: int) -> None:
    """Share of profiles that are given to their true cause, by the strength of the bands over the noise."""
    rng = np.random.default_rng(9)
    wound = get_winding("135-36")
    causes = [name for name in CAUSES if name != "even"]
    print(f"given to the true cause, {count} profiles each: {', '.join(causes)}")
    for strength in (0.1, 0.2, 0.3, 0.5, 1.0):
        shares = [
            np.mean(
                [
                    explain_bands(simulate_profile(cause, wound, rng=rng, strength=strength), wound).cause == cause
                    for _ in range(count)
                ]
            )
            for cause in causes
        ]
        print(f"  bands of {strength:.1f} of the noise:", *(f"{share:.2f}" for share in shares))


def noise_with_memory(count: int) -> None:
    """Even profiles, half of whose noise remembers its neighbours: how many are called even."""
    rng = np.random.default_rng(9)
    wound = get_winding("135-36")
    for memory in (0.3, 0.6, 0.9):
        right = 0
        for _ in range(count):
            profile = simulate_profile("even", wound, rng=rng)
            noise = lfilter([1.0], [1.0, -memory], rng.standard_normal(500))[200:]
            density = profile.density + 0.003 * noise / noise.std()
            right += explain_bands(FogProfile(position_mm=profile.position_mm, density=density), wound).cause == "even"
        print(f"even, noise with a memory of {memory}: {right} of {count} are called even")


if __name__ == "__main__":
    densities(300)
    tablets(60)
    causes(500, "135-36")
    causes(500, "120")
    weak_bands(60)
    noise_with_memory(60)
