"""What is photographed: a still life that is made by code, with known exposures, or a photograph of the user's own.

A scene gives, for any part of the frame and any number of pixels, log10 of the light that each record gets over that
of a grey that the meter is pointed at: 0 is the metered middle.  Of the built-in scene every value is known.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache, lru_cache
from typing import Protocol

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_count, check_number
from filmdose.errors import ArgumentError
from filmdose.result import Result
from filmdose.standards import LOG10_2, SCENE_RANGE

__all__ = ["ASPECT", "LUMINANCE_WEIGHTS", "Area", "Scene", "StillLife"]

#: Width over height of a frame.
ASPECT = 1.5

#: Share of red, green and blue light in luminance: of the primaries of IEC 61966-2-1 (sRGB).
LUMINANCE_WEIGHTS = np.array([0.2126, 0.7152, 0.0722])

#: Points in each direction that one pixel of the built-in scene is the mean of.
_SUPERSAMPLE = 2

#: Pictures of the built-in scene of no more pixels than this are kept for the next preview.
_KEPT_PIXELS = 200_000

#: No side of a picture of it has more pixels.
_MOST_ACROSS = 20_000

#: Tones of the grey scale at the lower edge of the built-in scene [stops from the metered middle].
_GREY_STOPS = tuple(range(-5, 5))
_GREY_TOP = 0.915


@dataclass(frozen=True, kw_only=True)
class Area(Result):
    """A part of the frame, in shares of its width and height, counted from the upper left corner.

    Parameters
    ----------
    left, top
        Of its upper left corner [0 to 1].
    width, height
        [above 0, to 1].
    """

    left: float
    top: float
    width: float
    height: float


class Scene(Protocol):
    """What can be photographed."""

    @property
    def title(self) -> str:
        """What it is, in words."""

    @property
    def aspect(self) -> float:
        """Width over height."""

    def log_places(self, area: Area, width: int, height: int, records: int) -> FloatArray:
        """Log10 of light over that of the metered middle, shape (height, width, records); ``records`` is 1 or 3."""

    def shadows(self) -> Area:
        """A piece of shadows with detail, to be enlarged."""

    def ends(self) -> tuple[float, float]:
        """Places of the darkest and the brightest neutral tones that are to be told apart [log10 units]."""

    def grey_scale(self) -> dict[float, Area]:
        """Areas of one even tone, by their place [log10 units]; empty where there are none."""


@dataclass(frozen=True, kw_only=True)
class StillLife(Result):
    """The built-in scene: a dark cupboard beside a table by a window, and a grey scale along the lower edge.

    Parameters
    ----------
    scene_range
        From the deepest shadow with detail to the brightest tone with detail [log10 units; 0.3 to 4].
    title
        What it is, in words.
    aspect
        Width over height.

    Notes
    -----
    The metered middle lies 3.34 / 7.31 of the way up, as log2(8.125 / 0.8) stops above the speed point of
    black-and-white film stand in a scene of 160:1.  Shapes and tones are invented.

    Examples
    --------
    >>> scene = StillLife()
    >>> tones = scene.grey_scale()
    >>> patch = list(tones.values())[5]
    >>> round(list(tones)[5], 3), float(scene.log_places(patch, 4, 2, 1).max().round(6))
    (0.0, 0.0)
    """

    scene_range: float = SCENE_RANGE
    title: str = "built-in still life, made by code"
    aspect: float = ASPECT

    def __post_init__(self) -> None:
        check_number("scene_range", self.scene_range, low=0.3, high=4.0, unit="log10 units")

    @property
    def _scale(self) -> float:
        return self.scene_range / SCENE_RANGE

    def log_places(self, area: Area, width: int, height: int, records: int) -> FloatArray:
        """Light of every pixel: the mean over its area, not its middle."""
        check_count("width", width, low=1, high=_MOST_ACROSS)
        check_count("height", height, low=1, high=_MOST_ACROSS)
        if records not in (1, 3):
            raise ArgumentError("records", records, "1 or 3")
        scale = self._scale * LOG10_2
        made = _light if width * height > _KEPT_PIXELS else _kept_light
        return made(scale, area, width, height, records)

    def shadows(self) -> Area:
        """A shelf of the cupboard."""
        return Area(left=0.075, top=0.36, width=1.0 / 6.0, height=1.0 / 6.0)

    def ends(self) -> tuple[float, float]:
        """Five stops below the middle, and four above it, stretched with the range."""
        return -5.0 * LOG10_2 * self._scale, 4.0 * LOG10_2 * self._scale

    def grey_scale(self) -> dict[float, Area]:
        """The inner part of every patch of the grey scale."""
        wide = 1.0 / len(_GREY_STOPS)
        return {
            stops * LOG10_2 * self._scale: Area(
                left=(place + 0.12) * wide, top=_GREY_TOP + 0.018, width=0.76 * wide, height=1.0 - _GREY_TOP - 0.03
            )
            for place, stops in enumerate(_GREY_STOPS)
        }


def _light(scale: float, area: Area, width: int, height: int, records: int) -> FloatArray:
    """Log10 light of the built-in scene, ``scale`` log10 units for a painted stop."""
    n = _SUPERSAMPLE
    u = ASPECT * (area.left + area.width * (np.arange(width * n) + 0.5) / (width * n))
    v = area.top + area.height * (np.arange(height * n) + 0.5) / (height * n)
    result = np.empty((height, width, records))
    rows = max(1, 200_000 // (width * n * n))
    for start in range(0, height, rows):  # a few rows at a time: memory stays flat
        part = slice(start * n, min(start + rows, height) * n)
        light = 10.0 ** (_paint(*np.meshgrid(u, v[part])) * scale)
        mean = light.reshape(-1, n, width, n, 3).mean(axis=(1, 3))
        if records == 1:
            mean = (mean @ LUMINANCE_WEIGHTS)[..., None]
        result[start : start + rows] = np.log10(mean)
    result.setflags(write=False)
    return result


_kept_light = lru_cache(maxsize=8)(_light)


# -- painting: every value is in stops from the metered middle ------------------------------------------------------


@cache
def _lattice() -> FloatArray:
    """Spline coefficients of random numbers on a grid that repeats."""
    from scipy.ndimage import spline_filter

    return np.asarray(spline_filter(np.random.default_rng(20).uniform(-1.0, 1.0, (64, 64)), mode="grid-wrap"))


def _texture(x: FloatArray, y: FloatArray) -> FloatArray:
    """Smooth noise between about -1 and 1 with features of size 1."""
    from scipy.ndimage import map_coordinates

    places = np.stack([y, x])
    return np.asarray(map_coordinates(_lattice(), places, order=3, mode="grid-wrap", prefilter=False))


def _edge(distance: FloatArray, soft: float) -> FloatArray:
    """From 0 outside to 1 inside of a shape, over a width ``soft``."""
    return np.asarray(np.clip(0.5 - distance / soft, 0.0, 1.0))


def _over(canvas: FloatArray, stops: FloatArray, colour: tuple[float, float, float], cover: FloatArray) -> None:
    """Lay tones of one colour [stops of red, green and blue] over what is there."""
    canvas += cover[..., None] * (stops[..., None] + np.asarray(colour) - canvas)


_GREY = (0.0, 0.0, 0.0)


def _paint(u: FloatArray, v: FloatArray) -> FloatArray:
    """Stops of red, green and blue light at points of the frame, shape (..., 3)."""
    canvas = np.zeros((*u.shape, 3))
    _wall(canvas, u, v)
    _cupboard(canvas, u, v)
    _table(canvas, u, v)
    _things(canvas, u, v)
    place = np.clip((u / ASPECT * len(_GREY_STOPS)).astype(int), 0, len(_GREY_STOPS) - 1)
    scale = np.asarray(_GREY_STOPS, dtype=np.float64)[place]
    canvas[v > _GREY_TOP] = scale[v > _GREY_TOP][:, None]
    return canvas


def _wall(canvas: FloatArray, u: FloatArray, v: FloatArray) -> None:
    plaster = 0.10 * _texture(26 * u, 26 * v) + 0.07 * _texture(90 * u, 90 * v)
    tone = -1.7 + 1.7 * np.clip(u - 0.35, 0, None) - 0.5 * (v - 0.3) + plaster
    _over(canvas, tone, (0.10, 0.0, -0.16), np.ones_like(u))
    # sunlight through a window of six panes, thrown aslant on the wall
    x, y = (u - 0.86) / 0.46, (v - 0.09 - 0.30 * (u - 0.86)) / 0.40
    pane = _edge(np.abs(x - 0.5) - 0.5, 0.03) * _edge(np.abs(y - 0.5) - 0.5, 0.03)
    for bar in (1 / 3, 2 / 3):
        pane *= 1.0 - _edge(np.abs(x - bar) - 0.018, 0.02)
    pane *= 1.0 - _edge(np.abs(y - 0.5) - 0.02, 0.02)
    _over(canvas, 1.9 + 0.4 * x + plaster, (0.08, 0.0, -0.22), pane * (v < 0.66))


def _cupboard(canvas: FloatArray, u: FloatArray, v: FloatArray) -> None:
    frame = _edge(np.maximum(np.abs(u - 0.29) - 0.25, np.abs(v - 0.36) - 0.31), 0.006)
    wood = -2.3 + 0.25 * _texture(7 * u, 60 * v + 3 * _texture(5 * u, 3 * v))
    _over(canvas, wood, (0.35, 0.0, -0.5), frame)
    inside = _edge(np.maximum(np.abs(u - 0.29) - 0.225, np.abs(v - 0.36) - 0.285), 0.006)
    depth = -3.9 + 0.9 * (u - 0.06) / 0.46 + 0.12 * _texture(14 * u, 40 * v)
    _over(canvas, depth, (0.15, 0.0, -0.2), inside)
    for shelf in (0.29, 0.52):
        _over(canvas, -2.7 + 0.8 * (u - 0.06), (0.3, 0.0, -0.4), inside * _edge(np.abs(v - shelf) - 0.008, 0.004))
    # jars and bottles, each a cylinder lit from the right
    for middle, foot, wide, high, tone, colour in (
        (0.13, 0.512, 0.035, 0.16, -3.2, (-0.5, 0.2, -0.1)),
        (0.215, 0.512, 0.040, 0.12, -2.5, (0.4, -0.1, -0.7)),
        (0.31, 0.512, 0.028, 0.18, -3.0, (-0.4, -0.1, 0.4)),
        (0.42, 0.512, 0.050, 0.10, -2.3, _GREY),
        (0.15, 0.282, 0.050, 0.13, -3.0, _GREY),
        (0.27, 0.282, 0.035, 0.17, -2.6, (0.5, -0.2, -0.5)),
        (0.40, 0.282, 0.030, 0.15, -2.8, (-0.2, 0.2, -0.3)),
    ):
        across = (u - middle) / wide
        neck = np.where(v < foot - 0.72 * high, 0.45, 1.0)
        body = _edge(np.maximum(np.abs(across) / neck - 1.0, np.maximum(v - foot, foot - high - v) / wide), 0.06)
        shade = tone + 1.1 * np.clip(across, -1, 1) - 0.5 * across**2
        shade = np.where(np.abs(across - 0.55) < 0.07, shade + 1.1, shade)
        label = (np.abs(v - foot + 0.35 * high) < 0.16 * high) & (np.abs(across) < 0.8)
        lines = np.sin(2.0 * math.pi * 90.0 * v) > -0.2
        letters = (_texture(430 * u, 260 * v) > 0.12) & lines & (np.abs(across) < 0.68)
        shade = np.where(label, shade + 1.0 - 1.1 * letters, shade)
        _over(canvas, shade, colour, body * inside)
    # a folded cloth with its weave on the lowest shelf
    fold = 0.585 + 0.018 * np.sin(26 * u) + 0.010 * np.sin(61 * u + 1.0)
    cloth = _edge(fold - v, 0.006) * _edge(v - 0.640, 0.004) * _edge(np.abs(u - 0.27) - 0.17, 0.01)
    weave = 0.35 * np.sign(np.sin(520 * u)) * np.sign(np.sin(520 * v))
    linen = -2.9 + 0.8 * np.sin(26 * u + 0.7) + 0.6 * (u - 0.27) + weave
    _over(canvas, linen, (0.3, -0.1, 0.1), cloth * inside)


def _table(canvas: FloatArray, u: FloatArray, v: FloatArray) -> None:
    top = _edge(0.665 - v, 0.004)
    far = 1.0 / (0.12 + np.clip(v - 0.60, 0.02, None))
    grain = 0.30 * _texture(4 * (u - 0.75) * far * 0.35, 75 * (v - 0.6) + 1.5 * _texture(3 * u, 9 * v))
    fine = 0.14 * _texture(24 * u, 240 * v)
    light = -1.5 + 1.25 * np.clip(u - 0.1, 0, 1.2) + 1.2 * (v - 0.67)
    _over(canvas, light + grain + fine, (0.45, 0.0, -0.65), top)
    for x, y, wide, high in ((0.62, 0.845, 0.16, 0.022), (0.78, 0.855, 0.11, 0.020), (1.00, 0.845, 0.17, 0.022)):
        round_ = np.hypot((u - x) / wide, (v - y) / high)
        canvas -= (1.7 * np.clip(1.15 - round_, 0, 1) * top)[..., None]


def _ball(
    canvas: FloatArray,
    u: FloatArray,
    v: FloatArray,
    *,
    at: tuple[float, float],
    radii: tuple[float, float],
    tone: float,
    colour: tuple[float, float, float],
    skin: float,
) -> None:
    """A round thing lit from the upper right, with the glint of the window."""
    x, y = (u - at[0]) / radii[0], (v - at[1]) / radii[1]
    inside = np.clip(1.0 - x**2 - y**2, 0.0, None)
    z = np.sqrt(inside)
    lit = np.clip(0.62 * x - 0.52 * y + 0.59 * z, 0.0, None)
    shade = tone + np.log2(0.09 + lit) + skin * _texture(x * 14 + 3, y * 14 + 7)
    _over(canvas, shade, colour, _edge(np.hypot(x, y) - 1.0, 0.02))
    glint = np.hypot((x - 0.42) / 0.15, (y + 0.42) / 0.12)
    _over(canvas, np.full_like(u, 3.2), _GREY, np.clip(1.25 - glint, 0.0, 1.0) * (inside > 0) * min(1.0, 0.15 / skin))


def _things(canvas: FloatArray, u: FloatArray, v: FloatArray) -> None:
    # a vase, wide below, with a neck; white porcelain with a blue band
    y = np.clip((v - 0.46) / (0.84 - 0.46), 0.0, 1.0)
    wide = 0.045 + 0.075 * np.sin(math.pi * np.clip(y * 1.12 - 0.12, 0, 1)) ** 1.3 + 0.012 * (y < 0.05)
    x = (u - 1.04) / wide
    vase = _edge(np.maximum(np.abs(x) - 1.0, 12 * np.maximum(0.46 - v, v - 0.84)), 0.03)
    lit = np.clip(0.72 * x + 0.62 * np.sqrt(np.clip(1.0 - x**2, 0, None)), 0.0, None)
    shade = 1.9 + np.log2(0.10 + lit)
    _over(canvas, shade, _GREY, vase)
    wave = np.abs(v - 0.665 - 0.012 * np.sin(9 * np.arcsin(np.clip(x, -1, 1)))) < 0.018
    _over(canvas, shade - 1.6, (-1.0, -0.2, 0.9), vase * wave)
    shine = np.hypot((x - 0.55) / 0.10, (v - 0.60) / 0.05)
    _over(canvas, np.full_like(u, 4.3), _GREY, vase * np.clip(1.3 - shine, 0.0, 1.0))
    # stalks with leaves in it
    for tilt, length in ((-0.30, 0.36), (-0.05, 0.42), (0.24, 0.34)):
        s = np.clip((0.47 - v) / length, 0.0, 1.0)
        stem = 1.04 + tilt * 0.5 * s**1.5
        on = (v < 0.47) & (v > 0.47 - length)
        _over(canvas, np.full_like(u, -1.9), (-0.5, 0.2, -0.6), _edge(np.abs(u - stem) - 0.0035, 0.003) * on)
        for k, part in enumerate((0.35, 0.55, 0.75, 0.95)):
            side = 1.0 if k % 2 else -1.0
            cx, cy = 1.04 + tilt * 0.5 * part**1.5 + side * 0.030, 0.47 - length * part - 0.012
            a, b = (u - cx) * 0.82 - side * (v - cy) * -0.57, side * (u - cx) * -0.57 + (v - cy) * 0.82
            leaf = _edge(np.hypot(a / 0.036, b / 0.013) - 1.0, 0.06)
            veins = 0.22 * np.sin(420 * a) - 1.0 * (np.abs(b) < 0.0012)
            _over(canvas, -1.3 + 30 * b * -1.0 + veins, (-0.6, 0.25, -0.9), leaf)
    _ball(canvas, u, v, at=(0.66, 0.775), radii=(0.082, 0.082), tone=0.6, colour=(0.75, -0.15, -2.0), skin=0.09)
    _ball(canvas, u, v, at=(0.815, 0.812), radii=(0.066, 0.050), tone=1.1, colour=(0.30, 0.10, -2.4), skin=0.06)
    _ball(canvas, u, v, at=(0.535, 0.815), radii=(0.050, 0.048), tone=-0.4, colour=(0.9, -1.1, -1.0), skin=0.03)
    # two books on the right, their titles as bars and fine print
    for low, high, left, right, tone, colour in (
        (0.79, 0.845, 1.19, 1.45, -1.2, (-0.9, -0.1, 0.5)),
        (0.735, 0.79, 1.21, 1.42, -0.3, (0.7, -0.5, -0.4)),
    ):
        book = _edge(np.abs(u - 0.5 * (left + right)) - 0.5 * (right - left), 0.004) * (v > low) * (v < high)
        spine = tone + 0.5 * np.sin(math.pi * (v - low) / (high - low)) + 0.06 * _texture(200 * u, 200 * v)
        title = (np.abs(v - 0.5 * (low + high)) < 0.011) & (u > left + 0.03) & (u < left + 0.15)
        bars = (np.abs(u - right + 0.025) < 0.004) | (np.abs(u - right + 0.04) < 0.002)
        print_ = title & (_texture(190 * u, 60 * v) > 0.0)
        _over(canvas, spine, colour, book)
        _over(canvas, np.full_like(u, 1.2), (0.2, 0.0, -0.7), book * (print_ | bars))


hold_to_annotations(globals())
