"""The page for a phone: tables made by the library, filled into one HTML file, and what stands beside it.

The page has no physics of its own.  It adds up doses that :func:`filmdose.history.history_dose` made, counts a stop of
the belt with passes per second from :func:`filmdose.radiation.held_passes`, and averages the table of the one rule
(:mod:`filmdose.odds.tables`) over draws of the dose.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from functools import lru_cache
from typing import Any, cast

import numpy as np

from filmdose.answering import grid_row
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray
from filmdose.film.generic import generic_film, generic_speed_range
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.names import BeamOn, FilmFormat, Kind
from filmdose.odds.tables import SHOT_STOPS, TABLE_KERMA_UGY, FilmTable, dose_draws, film_tables
from filmdose.present.text import Words
from filmdose.question import Question
from filmdose.radiation.background import hours_at_altitude
from filmdose.radiation.chain import FORMATS
from filmdose.radiation.shields import Shield
from filmdose.radiation.sources import beam_on_share, get_source
from filmdose.radiation.tube import held_passes
from filmdose.standards import KINDS
from filmdose.units import format_speed, standard_exposure_index

__all__ = ["page_manifest", "page_tables", "page_worker"]

#: Speeds that the page offers of every kind of generic film [ISO].
PAGE_SPEEDS: dict[Kind, tuple[float, ...]] = {
    "bw-negative": (50, 100, 125, 200, 400, 800, 1600, 3200),
    "colour-negative": (100, 160, 200, 400, 800),
    "colour-reversal": (50, 100, 200, 400),
    "bw-reversal": (100, 200),
}

#: Draws of the dose, machines of one source that the page tells apart, stops of the belt with a score of their own.
_DRAWS, _MACHINES, _STOPS = 256, 4, 3

#: Quantiles of what is not known of a film's fog.
_FACTORS = 41

_SCORE_95 = 1.6448536269514722


def page_films(own: Sequence[Film]) -> tuple[Film, ...]:
    """The films of the card, then the generic ones of every kind that are not among them."""
    films = list(own)
    taken = {(film.kind, film.speed) for film in own if film.origin.startswith("generic")}
    for kind, speeds in PAGE_SPEEDS.items():
        low, high = generic_speed_range(kind)
        films += [generic_film(s, kind=kind) for s in speeds if low <= s <= high and (kind, s) not in taken]
    order = list(KINDS)
    return tuple(sorted(films, key=lambda film: (not film.name, order.index(film.kind), film.speed)))


def page_tables(
    own: Sequence[Film], sources: Sequence[str], shields: Sequence[Shield], question: Question, text: Words
) -> dict[str, Any]:
    """Everything that the page computes with, as plain numbers and texts.

    Parameters
    ----------
    own
        The films of the card; the generic films of every kind are added.
    sources
        Names of shipped sources.
    shields
        Shields beside none.
    question
        What is asked.
    text
        The words of the card.
    """
    names = tuple(dict.fromkeys(sources))
    tables = _tables(page_films(own), question)
    return {
        "films": [_film(table, question, text) for table in tables],
        "formats": list(FORMATS),
        "sources": _sources(names, shields, text),
        "shields": ["", *(f"{shield.material}={shield.thickness_mm:g}" for shield in shields)],
        "beams": list(beam_on_share()),
        "hard": {"flight": _hard(Flight(hours=1.0)), "storage": _hard(Storage(days=1.0))},
        "kerma": {"first": float(np.log(TABLE_KERMA_UGY[0])), "step": float(np.diff(np.log(TABLE_KERMA_UGY))[0])},
        "shot": [round(float(stops), 4) for stops in SHOT_STOPS],
        "scores": [_short(column / _SCORE_95) for column in _scores().T],
        "words": {name: text[name] for name in text.texts if name.startswith(("page_", "head_", "kind."))},
    }


@lru_cache(maxsize=8)
def _tables(films: tuple[Film, ...], question: Question) -> tuple[FilmTable, ...]:
    return film_tables(films, question, samples=_DRAWS)


def _scores() -> FloatArray:
    """Scores of stops of the belt, every one with its mirror image."""
    from filmdose.odds.scores import normal_points

    half = normal_points(_STOPS, _DRAWS // 2, np.random.default_rng(1))
    return np.concatenate([half, -half])


def _short(values: FloatArray, digits: int = 4) -> list[float]:
    return [float(f"{value:.{digits}g}") for value in values]


def _exact(values: Sequence[float]) -> list[float]:
    return [float(f"{value:.10g}") for value in values]


def _hard(event: Flight | Storage) -> dict[str, Any]:
    """Doses of one hour in the air or day on the shelf, and how many such doses longer ones are, straight between."""
    dose = history_dose(event)
    steps = np.arange(0.0, 24.1, 0.25) if isinstance(event, Flight) else np.array([0.0, 1.0])
    aloft = hours_at_altitude if isinstance(event, Flight) else float
    amounts = [aloft(float(step)) / aloft(1.0) for step in steps]
    points = _exact([dose.kerma_low_ugy, dose.kerma_ugy, dose.kerma_high_ugy])
    parts = {"flights": event} if isinstance(event, Flight) else {"storage": event}
    draws = dose_draws([History(**parts)], samples=_DRAWS, rng=2)
    most = float(steps[-1]) if isinstance(event, Flight) else 1e6
    table = {"step": float(steps[1]), "amounts": _exact(amounts), "most": most}
    return {"points": points, **table, "draws": _short(draws[:, 0] / dose.kerma_ugy)}


def _sources(names: Sequence[str], shields: Sequence[Shield], text: Words) -> list[dict[str, Any]]:
    """Doses of one pass by format and shield, and their draws: one factor for a machine, one for the walls."""
    walls: list[Shield | None] = [None, *shields]
    histories: list[History] = []
    for name in names:
        histories += [History(passes=(Pass(source=name, scanner=f"machine {m}"),)) for m in range(_MACHINES)]
        histories += [
            History(passes=(Pass(source=name, scanner="machine 0", shield=wall),), format=format)
            for format in cast("tuple[FilmFormat, ...]", FORMATS)
            for wall in walls
        ]
    draws = dose_draws(histories, samples=_DRAWS)
    count = _MACHINES + len(FORMATS) * len(walls)
    result = []
    for number, name in enumerate(names):
        mine, parts = draws[:, number * count : (number + 1) * count], histories[number * count : (number + 1) * count]
        doses = [history_dose(part) for part in parts[_MACHINES:]]
        typical = np.array([dose.kerma_ugy for dose in doses])
        source = get_source(name)
        held = {}
        if source.belt_speed_m_s is not None:
            held = {beam: _exact(held_passes(source, 1.0, beam)) for beam in cast("dict[BeamOn, Any]", beam_on_share())}
        result.append(
            {
                "name": name,
                "title": text.named("source", name),
                "per_view": source.per_view,
                "mixture": bool(source.mixture),
                "peak": source.peak_to_mean,
                "points": [_exact([each.kerma_low_ugy, each.kerma_ugy, each.kerma_high_ugy]) for each in doses],
                "machines": [_short(mine[:, m] / typical[0]) for m in range(_MACHINES)],
                "walls": [
                    _short(mine[:, _MACHINES + w] / mine[:, 0] * typical[0] / typical[w]) for w in range(len(doses))
                ],
                "held": held,
            }
        )
    return result


def _film(table: FilmTable, question: Question, text: Words) -> dict[str, Any]:
    film = table.film
    own = not film.origin.startswith("generic")
    title = f"{text['kind.' + film.kind]}, ISO {format_speed(film.speed)}"
    values: dict[str, Any] = {
        "kind": film.kind,
        "speed": film.speed,
        "own": own,
        "title": f"{film.name}: {title}" if film.name else title,
        "reversal": film.reversal,
        "factor": _short(np.quantile(table.factor, (np.arange(_FACTORS) + 0.5) / _FACTORS)),
        "contrast": [_short(row) for row in table.contrast_ends],
        "shot": [_short(row) for row in table.shot_ends],
        "shot_ei": [format_speed(float(standard_exposure_index(film.speed, s))) for s in SHOT_STOPS],
    }
    if film.reversal:
        values["index_marked"] = format_speed(film.speed)
        kerma = np.geomspace(0.1, 1e6, 141)
        values["blacks"] = _short(np.abs(grid_row(film, kerma, question, ("fog_density",))["fog_density"]))
        values["blacks_kerma"] = [float(np.log(kerma[0])), float(np.log(kerma[1] / kerma[0]))]
        return values
    stops = np.arange(0.0, float(table.stops[-1]) + 0.5, 0.002)
    given = standard_exposure_index(film.speed, stops)
    turns = [*np.flatnonzero(np.diff(given)), len(stops) - 1]
    values |= {
        "step": float(table.stops[1]),
        "loss": [[round(float(x), 3) for x in row] for row in table.loss],
        "lost": [round(float(x), 4) for x in table.lost],
        "shadow": [[[round(100 * float(x)) for x in row] for row in part] for part in table.shadow_chance],
        "index": [[round(float(stops[turn]), 4), format_speed(float(given[turn]))] for turn in turns],
        "typical": _typical(film, question),
    }
    return values


@lru_cache(maxsize=256)
def _typical(film: Film, question: Question) -> list[list[Any]]:
    """The index of the film as it is, as a staircase over the kerma of the worst band: (largest kerma, index)."""

    def told(kerma: FloatArray) -> FloatArray:
        return np.asarray(np.nan_to_num(grid_row(film, kerma, question, ("ei",))["ei"], nan=0.0))

    kerma = np.concatenate([[0.0], np.geomspace(0.01, 1e6, 900)])
    index = told(kerma)
    edges = np.flatnonzero(index[1:] != index[:-1])
    low, high, before = kerma[edges], kerma[edges + 1], index[edges]
    for _ in range(14 if edges.size else 0):
        middle = 0.5 * (low + high)
        same = told(middle) == before
        low, high = np.where(same, middle, low), np.where(same, high, middle)
    treads = [[float(f"{k:.8g}"), format_speed(v) if v else ""] for k, v in zip(low, before, strict=True)]
    return [*treads, [1e12, format_speed(float(index[-1])) if index[-1] else ""]]


def page_manifest(page: str, text: Words) -> str:
    """The manifest beside the page of that file name, so that a browser can put it on the home screen."""
    icon = (
        "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 192 192'><rect width='192' height='192' fill='#14323c'/>"
        "<path d='M28 150 A70 70 0 0 1 164 150' fill='none' stroke='#f2efe6' stroke-width='12'/>"
        "<path d='M96 150 L128 84' stroke='#e0a030' stroke-width='12' stroke-linecap='round'/></svg>"
    )
    from urllib.parse import quote

    values = {
        "name": text["title"],
        "short_name": text["title"],
        "lang": text["language"],
        "start_url": f"./{quote(page)}",
        "scope": "./",
        "display": "standalone",
        "background_color": "#ffffff",
        "theme_color": "#14323c",
        "icons": [{"src": f"data:image/svg+xml,{quote(icon)}", "sizes": "any", "type": "image/svg+xml"}],
    }
    return json.dumps(values, indent=1) + "\n"


def page_worker(page: str, manifest: str, mark: str) -> str:
    """The worker beside the page: keeps page and manifest, and gives them where there is no network.

    ``mark`` is new for every page, so that an older page is thrown away.
    """
    from filmdose.files import data_text

    values = {"files": [page, manifest], "cache": f"film dose card {page} {mark}", "family": f"film dose card {page} "}
    return data_text("templates/phone.worker.js").replace("{{ values }}", json.dumps(values))


hold_to_annotations(globals())
