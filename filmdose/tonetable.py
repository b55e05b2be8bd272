"""A tone curve as tables for other programs: how a picture's numbers stand for density, .cube and CSV.

A number v of a picture, 0 to 1 of full scale, stands for a density in one of three ways, which is always stated and
never guessed; v0 is the number of clear light, without film:

    linear        D = log10(v0 / v)
    gamma=g       D = g log10(v0 / v)         v = v0 T**(1/g)
    density=M     D = M v                     full scale is density M

The corrected picture keeps the encoding, and the number of the lightest tone (unexposed negative film, the base of
reversal film): what fog took there is given back to all of it as gain of the scan, so that nothing is cut off.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_count, check_number
from filmdose.errors import ArgumentError
from filmdose.result import Result
from filmdose.tonecurve import RecordTone, ToneCurve
from filmdose.version import __version__

__all__ = ["Encoding", "cube_text", "kept_gain", "parse_encoding", "tone_codes"]

#: Entries of a .cube file that are tried, up to the most that the format allows, until straight lines between them
#: are right to ``CUBE_ERROR`` density.
CUBE_SIZES, CUBE_ERROR = (1024, 4096, 16_384, 65_536), 0.002


@dataclass(frozen=True, kw_only=True)
class Encoding(Result):
    """How numbers of a picture stand for density; make one with :func:`parse_encoding`.

    Parameters
    ----------
    name
        "linear", "gamma" or "density".
    number
        g of a gamma [1 to 5], M of a density [0.5 to 10]; 1 when linear.
    """

    name: str
    number: float = 1.0

    def density(self, value: FloatArray, clear: FloatArray | float) -> FloatArray:
        """Density of numbers, 0 to 1 of full scale; no light gives infinity."""
        if self.name == "density":
            return np.asarray(self.number * value)
        with np.errstate(divide="ignore"):
            return np.asarray(self.number * (np.log10(clear) - np.log10(value)))

    def value(self, density: FloatArray, clear: FloatArray | float) -> FloatArray:
        """Numbers, 0 to 1 of full scale, of densities."""
        if self.name == "density":
            return np.asarray(density / self.number)
        return np.asarray(clear * 10.0 ** (-density / self.number))

    def __str__(self) -> str:
        return self.name if self.name == "linear" else f"{self.name}={self.number:g}"


def parse_encoding(text: str) -> Encoding:
    """An encoding from "linear", "gamma=2.2" or "density=4".

    Parameters
    ----------
    text
        As above.

    Returns
    -------
    Encoding

    Raises
    ------
    ArgumentError
        Anything else.

    Examples
    --------
    >>> str(parse_encoding("gamma=2.2")), parse_encoding("density=4").number
    ('gamma=2.2', 4.0)
    """
    if not isinstance(text, str):
        raise ArgumentError("text", text, "a text: linear, gamma=2.2 or density=4")
    name, _, number = str(text).strip().lower().partition("=")
    allowed = "linear, gamma=NUMBER or density=DENSITY OF FULL SCALE"
    if name == "linear" and not number:
        return Encoding(name="linear")
    if name not in ("gamma", "density"):
        raise ArgumentError("encoding", text, allowed)
    try:
        value = float(number)
    except ValueError as error:
        raise ArgumentError("encoding", text, allowed) from error
    low, high = (1.0, 5.0) if name == "gamma" else (0.5, 10.0)
    return Encoding(name=name, number=check_number(f"encoding {name}", value, low=low, high=high))


def kept_gain(tone: RecordTone, encoding: Encoding) -> float:
    """Factor on clear light [1] by which the lightest tone keeps its number; 1 for densities.

    Clear light of the corrected picture is that of the scan times this; for a gamma before it is encoded.

    Parameters
    ----------
    tone
        Curve of the record.
    encoding
        What the numbers mean.

    Returns
    -------
    float

    Examples
    --------
    >>> from filmdose.tonecurve import tone_curve
    >>> kept_gain(next(iter(tone_curve(400, 100.0).records.values())), parse_encoding("density=4"))
    1.0
    """
    if encoding.name == "density":
        return 1.0
    return float(10.0 ** ((tone.corrected[0] - tone.fogged[0]) / encoding.number))


def clear_numbers(clear: float | Sequence[float] | Mapping[str, float] | None, names: Sequence[str]) -> list[float]:
    """Number of clear light for each record [0 to 4 of full scale]; above 1 where it would be cut off."""
    if clear is None:
        action = "Give the number of a place without film over full scale, or encode densities."
        raise ArgumentError("clear", None, "the number of clear light, 0 to 1 of full scale", action)
    if isinstance(clear, Mapping):
        clear = [clear.get(name, math.nan) for name in names]
    values = [clear] * len(names) if isinstance(clear, (int, float)) else list(clear)
    if len(values) != len(names):
        raise ArgumentError("clear", values, f"one number, or one for each of {', '.join(names)}")
    return [check_number("clear", value, low=0.0, low_open=True, high=4.0, unit="full scale") for value in values]


def tone_codes(
    tone: RecordTone, value: FloatArray, encoding: Encoding, clear: float = 1.0, *, gain: float | None = None
) -> FloatArray:
    """Numbers of the corrected picture for numbers of the scan, both 0 to 1 of full scale.

    Parameters
    ----------
    tone
        Curve of the record.
    value
        Numbers of the scan [0 to 1].
    encoding, clear
        What they mean.
    gain
        Factor on clear light; that of :func:`kept_gain` when None.

    Returns
    -------
    ndarray
        Numbers [0 to 1], same shape.

    Raises
    ------
    ArgumentError
        A value out of range.

    Examples
    --------
    >>> import numpy as np
    >>> from filmdose.tonecurve import tone_curve
    >>> (tone,) = tone_curve(400, 100.0).records.values()
    >>> tone_codes(tone, np.array([0.05, 0.25]), parse_encoding("density=4")).round(3).tolist()
    [0.063, 0.247]
    """
    given = check_array("value", value, low=0.0, high=1.0, unit="full scale")
    factor = kept_gain(tone, encoding) if gain is None else gain
    low, high = tone.domain
    density = np.clip(encoding.density(given, clear), low, high)
    return np.clip(encoding.value(np.asarray(tone.apply(density)), clear * factor), 0.0, 1.0)


def cube_text(
    curve: ToneCurve,
    encoding: Encoding,
    *,
    clear: float | Sequence[float] | None = None,
    size: int | None = None,
    title: str = "",
) -> str:
    """The tone curve as a 1-D lookup table in the open .cube text format.

    Parameters
    ----------
    curve
        The tone curve; three columns of the one record of black-and-white film, or of red, green and blue.
    encoding
        What the numbers of the picture mean, before and after.
    clear
        Number of clear light over full scale, one or one for each record; not used for densities.
    size
        Entries [2 to 65536]; by default as many as keep straight lines between them right to 0.002 density, if any do.
    title
        Its title; letters of ASCII without quotation marks.

    Returns
    -------
    str
        The file: comments, TITLE, LUT_1D_SIZE, DOMAIN_MIN and DOMAIN_MAX, and a line of three numbers an entry.

    Raises
    ------
    ArgumentError
        Clear light is missing, or a value is out of range.

    Notes
    -----
    Programs draw straight lines between the entries. A comment says the greatest error that this makes, in density,
    at densities that the scan has; densities want the fewest entries.

    References
    ----------
    adobe_cube

    Examples
    --------
    >>> from filmdose.tonecurve import tone_curve
    >>> text = cube_text(tone_curve(400, 100.0), parse_encoding("density=4"), size=16)
    >>> [line for line in text.splitlines() if line.startswith("LUT")]
    ['LUT_1D_SIZE 16']
    """
    sizes = CUBE_SIZES if size is None else (check_count("size", size, low=2, high=CUBE_SIZES[-1]),)
    names = list(curve.records)
    lights = [1.0] * len(names) if encoding.name == "density" else clear_numbers(clear, names)
    pairs = list(zip(curve.records.values(), lights, strict=True))
    columns: list[FloatArray] = []
    worst = math.inf
    for count in sizes:
        entries = np.linspace(0.0, 1.0, count)
        columns = [tone_codes(tone, entries, encoding, light) for tone, light in pairs]
        tables = zip(pairs, columns, strict=True)
        worst = max(_table_error(tone, column, encoding, light) for (tone, light), column in tables)
        if worst <= CUBE_ERROR:
            break
    shown = columns if len(columns) == 3 else columns * 3
    words = "".join(c if 32 <= ord(c) < 127 and c != '"' else "_" for c in title or f"fog of {curve.film.label}")
    light_words = "" if encoding.name == "density" else f", clear light {', '.join(f'{v:g}' for v in lights)}"
    lines = [
        f"# filmdose {__version__}: from a fogged film to the tones of the clean film",
        f"# numbers mean: {encoding}{light_words}; the lightest tone keeps its number",
        f"# made for {curve.kerma_ugy:g} uGy, noise amplified {curve.ceiling:g} times at most",
        f"# straight lines between entries are wrong by {worst:.4f} density at most",
        f'TITLE "{words}"',
        f"LUT_1D_SIZE {columns[0].size}",
        "DOMAIN_MIN 0.0 0.0 0.0",
        "DOMAIN_MAX 1.0 1.0 1.0",
    ]
    lines += [f"{r:.7f} {g:.7f} {b:.7f}" for r, g, b in zip(*shown, strict=True)]
    return "\n".join(lines) + "\n"


def _table_error(tone: RecordTone, column: FloatArray, encoding: Encoding, clear: float) -> float:
    """Greatest difference of density between the table, read with straight lines, and the curve."""
    value = encoding.value(tone.fogged, clear)
    seen = tone.fogged[value <= 1.0]
    if not seen.size:
        raise ArgumentError("clear", clear, "clear light at which the film's densities fall below full scale")
    read = np.interp(encoding.value(seen, clear), np.linspace(0.0, 1.0, column.size), column)
    density = encoding.density(np.maximum(read, 1e-9), clear * kept_gain(tone, encoding))
    return float(np.abs(density - np.asarray(tone.apply(seen))).max())


hold_to_annotations(globals())
