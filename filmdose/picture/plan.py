"""Which pictures stand side by side: those that a photographer would want to compare before deciding."""

from __future__ import annotations

from dataclasses import dataclass

from filmdose.arguments import hold_to_annotations
from filmdose.film.model import Film
from filmdose.result import Result
from filmdose.units import format_speed, standard_exposure_index

__all__ = ["FrameSetting", "plan_frames"]


@dataclass(frozen=True, kw_only=True)
class FrameSetting(Result):
    """One picture of the row.

    Parameters
    ----------
    title
        What it shows.
    ei
        Exposure index that the meter is set to [ISO].
    fogged
        Whether the film went through the scans.
    points_of
        "own": black, middle and white are set for this picture; "clean": those of the clean roll are kept.
    restored
        Whether fog is taken out in density, with limited gain.
    recommended
        Whether this is the index that the answer gives.
    """

    title: str
    ei: float
    fogged: bool
    points_of: str = "own"
    restored: bool = False
    recommended: bool = False


def plan_frames(film: Film, outcome: str, recommended: float | None, shot_ei: float) -> tuple[FrameSetting, ...]:
    """The pictures for an outcome.

    Parameters
    ----------
    film
        The film.
    outcome
        "compensated", "as_marked" or "exposed", as of :class:`filmdose.answering.Answer`.
    recommended
        Index that the answer gives [ISO]; None where nothing helps.
    shot_ei
        Index that an exposed roll was shot at [ISO].

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> [one.title for one in plan_frames(generic_film(800), "compensated", 320.0, 800.0)]
    ['clean, EI 800', 'scanned, EI 800', 'scanned, EI 640', 'scanned, EI 320', 'scanned, EI 160']
    """
    box = film.speed
    marked = format_speed(box)
    if outcome != "compensated":
        ei = shot_ei if outcome == "exposed" else box
        name = format_speed(ei)
        return (
            FrameSetting(title=f"clean, EI {name}", ei=ei, fogged=False),
            FrameSetting(title=f"scanned, EI {name}: straight", ei=ei, fogged=True, points_of="clean"),
            FrameSetting(title=f"scanned, EI {name}: points set", ei=ei, fogged=True),
            FrameSetting(title=f"scanned, EI {name}: corrected", ei=ei, fogged=True, points_of="clean", restored=True),
        )
    frames = [FrameSetting(title=f"clean, EI {marked}", ei=box, fogged=False)]
    if len(film.records) > 1:
        shift = f"scanned, EI {marked}: clean roll's settings"
        frames.append(FrameSetting(title=shift, ei=box, fogged=True, points_of="clean"))
    indices = [(box, False)]
    if recommended is None:
        indices += [(float(standard_exposure_index(box, stops)), False) for stops in (1.0, 2.0)]
    else:
        around = [float(standard_exposure_index(recommended, stops)) for stops in (-1.0, 1.0)]
        indices += [(around[0], False), (recommended, True), (around[1], False)]
    seen: dict[str, FrameSetting] = {}
    for ei, chosen in indices:
        title = f"scanned, EI {format_speed(ei)}"
        if title not in seen or chosen:
            seen[title] = FrameSetting(title=title, ei=ei, fogged=True, recommended=chosen)
    return (*frames, *sorted(seen.values(), key=lambda one: -one.ei))


hold_to_annotations(globals())
