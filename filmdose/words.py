"""Names and figures in words, as tables, plots, card and reports all say them."""

from __future__ import annotations

import math

from filmdose.units import format_speed

__all__ = [
    "BOX_SPEEDS",
    "CRITERION_WORDS",
    "KIND_WORDS",
    "STATUS_WORDS",
    "TEST_FIRST",
    "VERDICT_MARKS",
    "dose_figures",
    "dose_text",
    "figure_text",
    "headline",
    "index_pair",
    "kept_text",
    "range_text",
    "stops_text",
]

KIND_WORDS: dict[str, str] = {
    "bw-negative": "black-and-white negative",
    "colour-negative": "colour negative",
    "colour-reversal": "colour reversal",
    "bw-reversal": "black-and-white reversal",
}

CRITERION_WORDS: dict[str, str] = {
    "fixed_density": "fixed density",
    "fractional_gradient": "fractional gradient",
    "shadow_gradient": "shadow gradient",
    "shadow_snr": "shadow signal-to-noise",
}

STATUS_WORDS: dict[str, str] = {
    "ok": "shadows restored",
    "highlight_limited": "limited by the highlights",
    "partly_restored": "most of the shadows restored",
    "readings_end": "limited by the film's readings",
    "beyond_rescue": "nothing restores the shadows",
    "expose_as_marked": "expose as marked, blacks get thinner",
    "already_exposed": "exposed already",
    "unknown": "dose not known",
}

#: What stands behind an exposure index: how far the roll is worth using at it.
VERDICT_MARKS: dict[str, str] = {"good": "", "usable": "†", "poor": "‡"}

#: The caution that goes with every answer.
TEST_FIRST = "Test on one unimportant roll first."


#: What the numbers on boxes of fast film may mean, and what to do about it.
BOX_SPEEDS = (
    "Some numbers on boxes of fast film are exposure indices for longer development and not ISO speeds (common "
    "practice, no source): give such a film the ISO speed of its data sheet."
)


def headline(
    outcome: str,
    verdict: str,
    *,
    safe: float | None = None,
    typical: float | None = None,
    shot_ei: float | None = None,
    harmless: bool = False,
) -> str:
    """What to do with a roll and what it is worth then: the one line that every output has.

    Parameters
    ----------
    outcome
        "compensated", "as_marked" or "exposed".
    verdict
        "good", "usable", "poor" or "lost".
    safe, typical
        Index of least loss over all that is not known, and that of the middle case [ISO]; None without one.
    shot_ei
        Of an exposed roll: the index that it was shot at.
    harmless
        Of an exposed roll: True when nothing that shows was lost.

    Examples
    --------
    >>> headline("compensated", "usable", safe=160, typical=250)
    'EI 160 (safe); 250 if typical. Usable.'
    >>> headline("compensated", "good", safe=400, typical=400)
    'EI 400 (safe and typical). Good.'
    >>> headline("compensated", "poor", safe=50, typical=80)
    'EI 50, the best left; 80 if typical. Poor.'
    >>> headline("exposed", "good", shot_ei=200, harmless=True)
    'Shot at EI 200. Good: it lost nothing that shows.'
    """
    worth = f"{verdict.capitalize()}."
    if outcome == "exposed":
        shot = "Exposed already" if shot_ei is None else f"Shot at EI {format_speed(shot_ei)}"
        return f"{shot}. {worth[:-1]}: it lost nothing that shows." if harmless else f"{shot}. {worth}"
    if verdict == "lost" or (safe is None and typical is None):
        return "Lost: no exposure index helps."
    if outcome == "as_marked":
        marked = typical if safe is None else safe
        return f"Expose as marked, at EI {format_speed(marked or 0.0)}. {worth}"
    if safe is None:
        return f"EI {format_speed(typical or 0.0)} if typical. {worth}"
    middle = "nothing helps the middle case" if typical is None else f"{format_speed(typical)} if typical"
    if verdict == "poor":  # nothing is safe about an index that leaves the shadows poor
        return f"EI {format_speed(safe)}, the best left{'' if safe == typical else f'; {middle}'}. {worth}"
    if safe == typical:
        return f"EI {format_speed(safe)} (safe and typical). {worth}"
    # Where more light wins little back, the best on average may be faster than the middle case's.
    why = "safe" if typical is None or safe < typical else "best on average"
    return f"EI {format_speed(safe)} ({why}); {middle}. {worth}"


def index_pair(verdict: str, safe: float | None, typical: float | None) -> str:
    """The two indices of a headline as a cell of a table: safe / typical, or one where they are the same.

    Examples
    --------
    >>> index_pair("usable", 160, 250), index_pair("good", 400, 400), index_pair("lost", None, 50)
    ('160 / 250†', '400', '-')
    """
    if verdict == "lost" or (safe is None and typical is None):
        return "-"
    told = dict.fromkeys("-" if index is None else format_speed(index) for index in (safe, typical))
    return " / ".join(told) + VERDICT_MARKS[verdict]


def figure_text(value: float, digits: int = 3) -> str:
    """A number to so many significant digits, without an exponent as long as people would write none.

    Examples
    --------
    >>> figure_text(1234.5), figure_text(0.04), figure_text(2e10)
    ('1230', '0.04', '2e+10')
    """
    if not math.isfinite(value):
        return "not known"
    if value == 0 or abs(value) < 1e-4 or abs(value) >= 1e7:
        return f"{value:.{digits}g}"
    rounded = float(f"{value:.{digits}g}")
    return f"{rounded:.10f}".rstrip("0").rstrip(".")


def dose_text(kerma_ugy: float) -> str:
    """A dose with its unit: microgray up to 9999, then milligray, then gray.

    Examples
    --------
    >>> dose_text(2000.0), dose_text(12_345.0), dose_text(6e10)
    ('2000 µGy', '12.3 mGy', '60000 Gy')
    """
    for limit, factor, unit in ((10_000.0, 1.0, "µGy"), (10_000_000.0, 1e3, "mGy")):
        if not kerma_ugy >= limit:
            return f"{figure_text(kerma_ugy / factor)} {unit}"
    return f"{figure_text(kerma_ugy / 1e6)} Gy"


def dose_figures(typical: float, low: float, high: float) -> str:
    """A dose with its range, without the unit; the typical one alone where the range is empty.

    Examples
    --------
    >>> dose_figures(103.0, 41.5, 309.0), dose_figures(20.0, 20.0, 20.0)
    ('103 (41.5 to 309)', '20')
    """
    return figure_text(typical, 4) + (f" ({figure_text(low)} to {figure_text(high)})" if low < high else "")


def range_text(low: float, high: float) -> str:
    """A range of doses [uGy] in the unit of its upper end."""
    unit = dose_text(high).rpartition(" ")[2]
    factor = {"µGy": 1.0, "mGy": 1e3, "Gy": 1e6}[unit]
    return f"{figure_text(low / factor)} to {figure_text(high / factor)} {unit}"


def kept_text(share: float) -> str:
    """Share that is left of something clean [1]; light given in time may make it more than all, which says no more.

    Examples
    --------
    >>> kept_text(0.5), kept_text(0.997), kept_text(1.13)
    ('50 %', 'all', 'all')
    """
    return "all" if share >= 0.995 else f"{100 * share:.0f} %"


def stops_text(stops: float | None) -> str:
    """Stops of more exposure; "not possible" where no exposure does it."""
    return "not possible" if stops is None else f"{stops:.2f} stops"
