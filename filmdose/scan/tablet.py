"""Finding and reading the steps of a wedge that was printed or photographed on film.

The wedge may lie askew, its ends may be cut off and some steps hidden.  Its turn
comes from the directions of all edges (modulo a right angle), its pitch from the
comb of boundaries that meets the most edges; every step is then read inside its
own box by ``density.measure_area``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_count
from filmdose.errors import ArgumentError, InputFileError
from filmdose.film.readings import StepReadings
from filmdose.result import Result
from filmdose.scan.density import UNMEASURED_FLARE, AreaDensity, Flare, measure_area
from filmdose.scan.image import Box, Scan

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["TabletReading", "find_steps", "read_tablet"]

#: Steps may run against the order by this much before one of them counts as hidden [density].
DISORDER = 0.03


@dataclass(frozen=True, kw_only=True)
class TabletReading(Result):
    """Steps of a wedge, from the least to the most exposed.

    Parameters
    ----------
    numbers
        Which step of the tablet each is, the least exposed one of the whole tablet being 1.
    areas
        Density of each step.
    angle_deg
        How far the wedge lies askew [degrees].
    hidden
        Numbers of steps that are in the picture and could not be read.
    """

    numbers: tuple[int, ...]
    areas: tuple[AreaDensity, ...]
    angle_deg: float
    hidden: tuple[int, ...] = ()

    def readings(self, log_exposures: Any, *, channel: str | None = None) -> StepReadings:
        """Readings for the fit.

        Parameters
        ----------
        log_exposures
            Log10 exposure under every step of the whole tablet, from the least to the most exposed
            [log10 lx s]; :func:`filmdose.film.readings.tablet_log_exposures` makes them for an even tablet.
        channel
            Channel that is to stand for visual density; all channels of a colour film when None.
        """
        exposures = check_array("log_exposures", log_exposures, nan_allowed=False)
        if exposures.ndim != 1 or exposures.size < max(self.numbers):
            raise ArgumentError("log_exposures", exposures.shape, f"one for each of at least {max(self.numbers)} steps")
        channels = self.areas[0].channels
        if channel is not None and channel not in channels and len(channels) > 1:
            raise ArgumentError("channel", channel, f"one of {', '.join(channels)}")
        density = np.array([area.density for area in self.areas])
        error = np.array([area.standard_error for area in self.areas])
        if channel is None or len(channels) == 1:
            densities, sigma = dict(zip(channels, density.T, strict=True)), error.max(axis=1)
        else:
            at = channels.index(channel)
            densities, sigma = {"visual": density[:, at]}, error[:, at]
        return StepReadings(
            log_exposure=exposures[np.array(self.numbers) - 1],
            densities=densities,
            sigma=np.maximum(sigma, 1e-4),
            unread_steps=len(self.hidden),
        )

    def to_dataframe(self) -> pd.DataFrame:
        """One row for each step and channel."""
        import pandas as pd

        frames = [
            area.to_dataframe().assign(step=number) for number, area in zip(self.numbers, self.areas, strict=True)
        ]
        frame = pd.concat(frames, ignore_index=True)
        return frame[["step", *[name for name in frame.columns if name != "step"]]]

    def to_dict(self) -> dict[str, Any]:
        """Everything as plain values."""
        return {
            "angle_deg": self.angle_deg,
            "steps": list(self.numbers),
            "hidden": list(self.hidden),
            "areas": self.to_dataframe().to_dict("records"),
            "notes": sorted({str(fault) for area in self.areas for fault in area.faults}),
        }

    def __str__(self) -> str:
        lines = [f"{len(self.numbers)} steps, turned by {self.angle_deg:.1f} degrees"]
        lines += [f"step {number}: {area}" for number, area in zip(self.numbers, self.areas, strict=True)]
        if self.hidden:
            lines.append(f"hidden: {', '.join(map(str, self.hidden))}")
        notes = dict.fromkeys(str(fault) for area in self.areas for fault in area.faults)
        return "\n".join([*lines, *(f"note: {note}" for note in notes)])


def find_steps(scan: Scan, steps: int, *, box: Box | None = None) -> tuple[list[Box], float]:
    """Boxes inside the steps that the picture shows, in the order of the picture, and the turn [degrees].

    Parameters
    ----------
    scan
        A scan of which the wedge fills the better part of the height.
    steps
        How many steps the whole tablet has; at least three of them must be in the picture.
    box
        Where to look; the whole picture by default.

    Returns
    -------
    tuple
        A box for each step, and the turn [degrees].

    Raises
    ------
    InputFileError
        No regular steps.
    """
    count = check_count("steps", steps, low=3, high=200)
    area = scan.frame if box is None else box
    density, scale = _thinned(scan, area)
    angle = _askew(density)
    centre = (np.array(density.shape) - 1.0) / 2.0
    best: tuple[float, bool, NDArray[np.intp], float, float, FloatArray] | None = None
    for upright in (False, True):
        turned = _turned(density.T if upright else density, -angle if upright else angle)
        rows = _rows_with_steps(turned)
        if rows.size == 0:
            continue
        profile = _column_medians(turned[rows])
        score, first, pitch = _comb(profile, count)
        if best is None or score > best[0]:
            best = (score, upright, rows, first, pitch, profile)
    if best is None or best[0] < 0.2:
        raise InputFileError(
            scan.path, f"box {area}", "no regular steps were found.", "Draw the box closely around the wedge."
        )
    _, upright, rows, first, pitch, profile = best
    boxes = []
    radians = math.radians(-angle if upright else angle)
    cosine, sine = math.cos(radians), math.sin(radians)
    lateral = float(np.median(rows))
    half_height = _half_extent(rows)
    middle = centre[::-1] if upright else centre
    valid = np.flatnonzero(np.isfinite(profile))
    for k in range(math.ceil((valid[0] - first) / pitch - 0.1), 10_000):
        left, right = first + k * pitch, first + (k + 1) * pitch
        if right > valid[-1] + 1 + 0.1 * pitch:
            break
        along, across = 0.5 * (left + right) - 0.5 - middle[1], lateral - middle[0]
        half_y = min(0.35 * 2 * half_height, 0.15 * pitch / max(abs(sine), 1e-9))
        half_x = max(0.1 * pitch, 0.38 * pitch - half_y * abs(sine))
        x = middle[1] + along * cosine + across * sine
        y = middle[0] - along * sine + across * cosine
        if upright:
            x, y, half_x, half_y = y, x, half_y, half_x
        boxes.append(_box(scan, area, x * scale, y * scale, half_x * scale, half_y * scale))
    return boxes, angle


def read_tablet(
    scan: Scan,
    steps: int,
    *,
    clear: Scan | Box,
    box: Box | None = None,
    first_step: int | None = None,
    reversal: bool = False,
    flare: Flare = UNMEASURED_FLARE,
) -> TabletReading:
    """Find the steps of a wedge and read them.

    Parameters
    ----------
    scan, clear, flare
        As of :func:`filmdose.scan.density.measure_area`.
    steps
        How many steps the whole tablet has [at least 3].
    box
        Where the wedge is; the whole picture by default.
    first_step
        Number of the least exposed step in the picture, when some are cut off.
    reversal
        Whether density falls with exposure.

    Returns
    -------
    TabletReading

    Raises
    ------
    InputFileError
        No regular steps, or fewer than three that can be read.
    ArgumentError
        Steps are cut off and ``first_step`` does not say which; or there are more even areas than steps.
    """
    boxes, angle = find_steps(scan, steps, box=box)
    areas: list[AreaDensity | None] = []
    for place in boxes:
        try:
            areas.append(measure_area(scan, place, clear=clear, flare=flare))
        except InputFileError:
            areas.append(None)  # clipped, dusty or covered: a hidden step
    channel = len(scan.channels) // 2
    density = np.array([math.nan if area is None else area.density[channel] for area in areas])
    rising = _trend(density) > 0.0
    if rising == reversal:
        areas, density = areas[::-1], density[::-1]
    if len(areas) > steps:
        window = _anchored(-density if reversal else density, steps)
        areas, density = areas[window], density[window]
    if len(areas) > steps:
        raise ArgumentError(
            "steps", steps, f"at least the {len(areas)} even areas found", "Draw the box closely around the wedge."
        )
    if len(areas) < steps and first_step is None:
        raise ArgumentError(
            "first_step",
            None,
            f"a number from 1 to {steps - len(areas) + 1}",
            f"The picture shows {len(areas)} of {steps} steps; say which is the least exposed of them.",
        )
    start = 1 if first_step is None else check_count("first_step", first_step, low=1, high=steps - len(areas) + 1)
    kept = _ordered(-density if reversal else density)
    if len(kept) < 3:
        raise InputFileError(scan.path, "", "fewer than three steps can be read.", "Scan it with nothing lying on it.")
    return TabletReading(
        numbers=tuple(start + k for k in kept),
        areas=tuple(area for k, area in enumerate(areas) if k in kept and area is not None),
        angle_deg=angle,
        hidden=tuple(start + k for k in range(len(areas)) if k not in kept),
    )


def _thinned(scan: Scan, area: Box) -> tuple[FloatArray, float]:
    """Log light of an area, averaged over blocks to about 500 pixels a side, and the size of a block."""
    size = max(1, math.ceil(max(area.width, area.height) / 500))
    index = len(scan.channels) // 2
    rows = []
    for top in range(area.top, area.top + area.height - size + 1, size):
        strip = Box(left=area.left, top=top, width=area.width, height=max(size, 8))
        if top + strip.height > scan.height:
            break
        light = scan.light(strip)[:size, : area.width // size * size, index]
        rows.append(light.reshape(size, -1, size).mean(axis=(0, 2)))
    light = np.array(rows)
    top_light = float(np.quantile(light, 0.999))
    return np.asarray(-np.log10(np.clip(light / top_light, 1e-4, None))), float(size)


def _askew(density: FloatArray) -> float:
    """Turn of all edges modulo a right angle [degrees], from -45 to 45, rising to the right positive."""
    from scipy.ndimage import gaussian_filter

    soft = gaussian_filter(density, 1.5)
    inner = np.s_[4:-4, 4:-4]
    down, right = np.gradient(soft, axis=0)[inner], np.gradient(soft, axis=1)[inner]
    strength = down**2 + right**2
    strong = strength > np.quantile(strength, 0.9)
    direction = np.arctan2(down[strong], right[strong])
    total = (strength[strong] * np.exp(4j * direction)).sum()
    return float(-np.degrees(np.angle(total)) / 4.0)


def _turned(density: FloatArray, angle: float) -> FloatArray:
    """The picture turned back, so that the wedge lies level; NaN where there is nothing."""
    from skimage.transform import rotate

    turn: Any = rotate  # scikit-image has no types
    return np.asarray(turn(density, -angle, order=1, mode="constant", cval=np.nan, preserve_range=True))


def _rows_with_steps(turned: FloatArray) -> NDArray[np.intp]:
    """Rows that show the same profile as those that vary most; none when no five of them agree."""
    good = np.flatnonzero(np.isfinite(turned).sum(axis=1) > 0.5 * turned.shape[1])
    limited = _limited(turned)
    vary = limited[good].std(axis=1)
    rows = good[vary >= np.quantile(vary, 0.7)]
    for _ in range(3):
        model = np.median(limited[rows], axis=0)
        level = _column_medians(turned[rows])
        fits = []
        for row in good:
            both = np.isfinite(turned[row]) & np.isfinite(level)
            a, b = limited[row][both] - limited[row][both].mean(), model[both] - model[both].mean()
            norm = math.sqrt(float((a @ a) * (b @ b)))
            off = abs(float(np.median(turned[row][both] - level[both])))
            fits.append(norm > 0.0 and float(a @ b) / norm > 0.9 and off < 0.1)
        chosen: NDArray[np.intp] = good[np.array(fits, dtype=bool)]
        if chosen.size < 5:
            return chosen[:0]
        rows = chosen
    return np.asarray(rows)


def _limited(turned: FloatArray) -> FloatArray:
    """Rows whose slopes are limited to those of steps, so that a cover that lies across does not drown them."""
    wide = np.pad(turned, ((0, 0), (1, 1)), mode="edge")
    soft = (wide[:, :-2] + wide[:, 1:-1] + wide[:, 2:]) / 3.0
    slope = np.diff(soft, axis=1, prepend=soft[:, :1])
    return np.asarray(np.cumsum(np.clip(np.nan_to_num(slope), -0.05, 0.05), axis=1))


def _column_medians(rows: FloatArray) -> FloatArray:
    """Median of every column that has a value; NaN elsewhere."""
    some = np.isfinite(rows).any(axis=0)
    result = np.full(rows.shape[1], np.nan)
    result[some] = np.nanmedian(rows[:, some], axis=0)
    return result


def _half_extent(rows: NDArray[np.intp]) -> float:
    return max(2.0, 0.5 * (float(np.quantile(rows, 0.95)) - float(np.quantile(rows, 0.05))))


def _comb(profile: FloatArray, steps: int) -> tuple[float, float, float]:
    """Share of all edges that the best comb of boundaries meets beyond chance, its first boundary and its pitch."""
    valid = np.flatnonzero(np.isfinite(profile))
    part = profile[valid[0] : valid[-1] + 1]
    part = np.interp(np.arange(part.size), np.flatnonzero(np.isfinite(part)), part[np.isfinite(part)])
    length = part.size
    smallest = max(4.0, 0.6 * length / steps)
    largest = min(length / 2.5, 4.0 * length / steps)
    if largest <= smallest:
        return 0.0, 0.0, 1.0
    reach = max(1, round(smallest / 6))
    sums = np.concatenate(([0.0], np.cumsum(part)))
    x = np.arange(reach, length - reach + 1)
    rise = (sums[x + reach] - 2.0 * sums[x] + sums[x - reach]) / reach
    edge = np.zeros(length + 1)
    # a covered step makes two huge edges, which must not outweigh all others, and noise makes small ones
    edge[x] = np.clip(np.abs(rise) - 3.0 * float(np.median(np.abs(rise))), 0.0, 0.15)
    total = edge.sum()
    if total < 0.01 * length / steps:
        return 0.0, 0.0, 1.0
    within = np.concatenate(([0.0], np.cumsum(edge)))
    best = (0.0, 0.0, 1.0)
    # teeth at the far end move by less than half an edge from one pitch to the next
    pitches = np.exp(np.arange(math.log(smallest), math.log(largest), 0.3 * reach / length))
    for pitch in pitches:
        shifts = np.arange(0.0, pitch, 0.5)
        teeth = shifts[:, None] + np.arange(0, math.ceil(length / pitch) + 1) * pitch
        low, high = np.clip(teeth - reach, 0, length), np.clip(teeth + reach, 0, length)
        axis = np.arange(within.size)
        met = np.interp(high + 1, axis, within) - np.interp(low, axis, within)
        share = met.sum(axis=1) / total
        # the two borders of anything make a comb of two teeth: what counts is how many share the edges
        many = met.sum(axis=1) ** 2 / np.maximum((met**2).sum(axis=1), 1e-12)
        # what a comb of as many teeth would meet by chance is taken off
        scores = (share - (high - low).sum(axis=1) / length) * many / (many + 5.0)
        top = int(np.argmax(scores))
        if scores[top] > best[0]:
            best = (float(scores[top]), float(shifts[top] + valid[0]), float(pitch))
    return best


def _box(scan: Scan, area: Box, x: float, y: float, half_x: float, half_y: float) -> Box:
    width, height = max(8, round(2 * half_x)), max(8, round(2 * half_y))
    left, top = round(area.left + x - width / 2), round(area.top + y - height / 2)
    return Box(
        left=min(max(left, 0), scan.width - width),
        top=min(max(top, 0), scan.height - height),
        width=width,
        height=height,
    )


def _trend(density: FloatArray) -> float:
    """Sign of most differences between steps."""
    known = density[np.isfinite(density)]
    if known.size < 2:
        return 0.0
    later, earlier = np.triu_indices(known.size, 1)[::-1]
    return float(np.sign(known[later] - known[earlier]).sum())


def _anchored(density: FloatArray, steps: int) -> slice:
    """The steps among more even areas: those behind or before which density jumps against its order.

    Of several such places the one counts that leaves most steps in order; a covered step makes a jump, too.
    """
    best, most = slice(None), 0
    for first in range(density.size - steps + 1):
        inside = density[first : first + steps]
        run = inside[_ordered(inside)]
        if run.size == 0:
            continue
        after, before = density[first + steps :], density[:first]
        ends = after.size > 0 and after[0] < run[-1] - 0.1
        begins = before.size > 0 and before[-1] > run[0] + 0.1
        if (ends or begins) and run.size > most:
            best, most = slice(first, first + steps), run.size
    return best


def _ordered(density: FloatArray) -> list[int]:
    """Places of the longest run of steps whose density never falls by more than the disorder allowed."""
    best: list[list[int]] = []
    for k, value in enumerate(density):
        if not math.isfinite(value):
            best.append([])
            continue
        before = [run for j, run in enumerate(best) if run and density[j] <= value + DISORDER]
        best.append([*max(before, key=len, default=[]), k])
    return max(best, key=len, default=[])


hold_to_annotations(globals())
