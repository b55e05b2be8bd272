"""The field card: dose points to add up, and the exposure index for their total.

One A5 page as PDF, SVG and PNG, and one HTML file for a phone without a network.
Card and page are made from one :class:`Card`, which holds every figure on them.
"""

from __future__ import annotations

import datetime
import hashlib
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from filmdose.answering import grid_row
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array
from filmdose.criteria import Criterion
from filmdose.errors import ArgumentError
from filmdose.files import check_place, data_text, write_bytes_atomic, write_text_atomic
from filmdose.film.generic import film_value, generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage, history_dose
from filmdose.odds.cells import total_odds
from filmdose.odds.results import RollOdds
from filmdose.present.html import render_template
from filmdose.present.page import A5_MM, Page, check_ending, line_height, page_png, page_svg, pages_pdf
from filmdose.present.phone import page_manifest, page_tables, page_worker
from filmdose.present.text import CARD_WORDS, Words, read_words
from filmdose.question import Question
from filmdose.radiation.shields import Shield
from filmdose.radiation.sources import get_source
from filmdose.result import Result
from filmdose.solution import BLACKS_LOST, VERDICTS
from filmdose.units import format_speed, standard_exposure_index
from filmdose.version import __version__
from filmdose.words import figure_text

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["CARD_SPEEDS", "Card", "CardRow", "card_bytes", "card_page", "card_totals", "make_card", "write_card"]

CARD_SPEEDS: tuple[float, ...] = (50, 100, 200, 400, 800, 1600, 3200)

#: Totals of the printed rows [points].
_MOST_TOTALS, _USUAL_TOTALS, _LAST_TOTAL = 16, 14, 2000.0
_REVERSAL_TOTALS = (5.0, 10.0, 20.0, 50.0, 100.0, 200.0, 300.0, 500.0, 1000.0, 2000.0)
_ROUND = (*range(10, 20), *range(20, 40, 2), *range(40, 100, 5))

#: Sums and draws by which the rows are chosen, and how far the safe index may then be off [stops].
_NODES, _ROW_SAMPLES, _ROW_MARGIN = np.geomspace(1.0, _LAST_TOTAL, 12), 1024, 0.02

CARD_SOURCES: tuple[str, ...] = ("cabin-xray", "cabin-ct", "unknown", "hold-ct")
CARD_SHIELDS: tuple[str, ...] = ("lead=0.1", "lead=0.25", "lead=0.5")

#: Endings of the files that :func:`write_card` makes.
CARD_ENDINGS = (".pdf", ".svg", ".png", ".html")

#: More rows than these are printed a size smaller.
_LARGE_ROWS = 13
_MOST_FILMS = 8
_MOST_SHIELDS = 3
_MOST_ROWS = 8
_FLIGHT_HOURS = 10.0
_STORAGE_DAYS = 30.0
#: Letters of the small print and the least that an arm's length allows [points].
_SMALL, _SMALLEST_LETTERS = 7.0, 6.5
#: The word in a cell without an index, where the figures are no smaller themselves [points].
_LEAST_WORD = 8.0
_BOTTOM_MM = 6.0
_LINE_MM = 6.0


@dataclass(frozen=True, kw_only=True)
class CardRow(Result):
    """What one event adds.

    Parameters
    ----------
    name
        Name of the source, or "flight", "storage".
    title
        The words on the card.
    points
        Typical points, bare and behind every shield of the card; one value where shields do not matter.  Of a scanner
        that nobody identified the mean of the typical points of what it may be, which lead to the safe index.
    low, high
        Points at the low and the high end, bare and behind every shield.
    unpublished
        True when no dose per pass has been published.
    mixture
        True when nobody knows which scanner it was.
    """

    name: str
    title: str
    points: tuple[float, ...]
    low: tuple[float, ...]
    high: tuple[float, ...]
    unpublished: bool = False
    mixture: bool = False


@dataclass(frozen=True, kw_only=True)
class Card(Result):
    """Every figure and word of the card; see :func:`make_card`.

    Parameters
    ----------
    films
        The films.
    speed_titles
        Titles of their columns.
    kerma_ugy
        Totals of the rows [uGy].
    cells
        One row for each total, one text for each film.
    rows
        What one event adds.
    shields
        Shields of the columns beside it.
    question
        What was asked.
    text
        Words of the card.
    date
        Date on it.
    typical
        The typical index of each cell as text, empty where it is the same.
    verdicts
        Verdict of each cell.
    """

    films: tuple[Film, ...]
    speed_titles: tuple[str, ...]
    kerma_ugy: tuple[float, ...]
    cells: tuple[tuple[str, ...], ...]  #: index to set: one row for each total, one text for each film
    typical: tuple[tuple[str, ...], ...]  #: index of the typical case where it is another, else empty
    verdicts: tuple[tuple[str, ...], ...]  #: keys of :data:`filmdose.solution.VERDICTS`
    rows: tuple[CardRow, ...]
    shields: tuple[Shield, ...]
    question: Question
    text: Words
    date: datetime.date

    @property
    def title(self) -> str:
        """Title of the files."""
        return self.text["title"]

    @property
    def subtitle(self) -> str:
        """What the card is for."""
        kinds = {film.kind for film in self.films}
        return self.told("subtitle").format(films=self.text["kind." + (kinds.pop() if len(kinds) == 1 else "mixed")])

    @property
    def names(self) -> tuple[str, ...]:
        """What stands beside the speed of a film: its name, and its kind where the card has several."""
        several = len({film.kind for film in self.films}) > 1
        kinds = [self.text[f"short_kind.{film.kind}"] if several else "" for film in self.films]
        return tuple(", ".join(filter(None, parts)) for parts in zip((f.name for f in self.films), kinds, strict=True))

    @property
    def made(self) -> str:
        """Version and date."""
        return self.text("made", version=__version__, date=self.date.isoformat())

    def told(self, name: str) -> str:
        """A text that a card with reversal film may have of its own, since such film is exposed as marked."""
        reversal = [film.reversal for film in self.films]
        own = f"{name}_reversal" if all(reversal) else f"{name}_mixed" if any(reversal) else name
        return self.text[own if own in self.text.texts else name]

    @property
    def shield_titles(self) -> tuple[str, ...]:
        """Headings of the columns of points: bare, without a cartridge, then every shield."""
        words = [
            self.text(
                "column_shield",
                material=self.text.named("material", str(shield.material)),
                thickness=f"{shield.thickness_mm:g}",
            )
            for shield in self.shields
        ]
        return (self.text["column_bare"], self.text["column_format"], *words)

    @property
    def legend(self) -> str:
        """What the marks in the cells mean."""
        parts = []
        limits = {name: f"{100 * least:.0f}" for name, (least, _) in VERDICTS.items() if name != "lost"}
        if any(map(any, self.typical)):
            parts.append(self.text["legend_pair"])
        if any(not film.reversal for film in self.films):
            parts.append(self.text("legend", **limits))
        if any(film.reversal for film in self.films):
            blacks = {f"blacks_{name}": f"{most:g}" for name, most in BLACKS_LOST.items()}
            parts.append(self.text("legend_reversal", good=limits["good"], usable=limits["usable"], **blacks))
        return "  ".join(parts)

    @property
    def sure(self) -> str:
        """How sure it is."""
        low, high = (film_value("model", "calibration_kerma", side) for side in ("low", "high"))
        typical = film_value("model", "calibration_kerma")
        return self.text("sure", calibration=f"{typical:g}", low=f"{low:g}", high=f"{high:g}")

    @property
    def assumes(self) -> str:
        """What it assumes."""
        generic = {film.origin.startswith("generic") for film in self.films}
        origin = "generic" if generic == {True} else "measured" if generic == {False} else "mixed_films"
        return self.text(
            "assumes",
            origin=self.text[origin],
            criterion=self._criterion,
        )

    @property
    def _criterion(self) -> str:
        asked = self.question.criterion
        return asked.words if isinstance(asked, Criterion) else self.text[f"criterion.{asked}"]

    @property
    def notes(self) -> tuple[str, ...]:
        """The small print below step 1."""
        told = {
            "unpublished": any(row.unpublished for row in self.rows),
            "mixture": any(row.mixture for row in self.rows),
        }
        return tuple(self.text[name] for name, holds in told.items() if holds)

    def row_range(self, row: CardRow) -> str:
        """Low to high of a bare row, in words."""
        return self.text("range", low=figure_text(row.low[0], 2), high=figure_text(row.high[0], 2))

    def to_dataframe(self) -> pd.DataFrame:
        """The texts of the card: one row for each total [uGy], a column for each film; typical indices in brackets."""
        import pandas as pd

        pairs = zip(self.cells, self.typical, strict=True)
        texts = [[f"{a} ({b})" if b else a for a, b in zip(*row, strict=True)] for row in pairs]
        return pd.DataFrame(texts, index=pd.Index(self.kerma_ugy, name="kerma_ugy"), columns=list(self.speed_titles))


def make_card(
    films: Sequence[Film | float] = CARD_SPEEDS,
    *,
    kerma_ugy: Sequence[float] | None = None,
    sources: Sequence[str] = CARD_SOURCES,
    shields: Sequence[Shield | str] = CARD_SHIELDS,
    question: Question | None = None,
    text: Words | None = None,
    date: datetime.date | None = None,
    progress: Callable[[float], None] | None = None,
) -> Card:
    """Work out a field card.

    Parameters
    ----------
    films
        Up to 8 films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Totals of the printed rows [points = uGy; increasing]; those of :func:`card_totals` when left out.
    sources
        Names of shipped sources.
    shields
        Up to 3 shields, such as "lead=0.25".
    question
        What is asked.
    text
        Words of the card; the shipped English by default.
    date
        Date on the card; today by default.
    progress
        Called with the share that is done, 0 to 1.

    Returns
    -------
    Card

    Raises
    ------
    ArgumentError, UnknownNameError
        Too many films or shields, no film, a value out of range.

    Notes
    -----
    A pass counts as typical; the range beside it is what the pass may be. Points
    behind a shield use the published broad-beam transmission of lead where there is one.

    A cell has the index, the typical index and the verdict that :func:`filmdose.odds.propagate` has for a roll that
    took the total from one machine whose dose is known as well as that of cabin CT
    (:func:`filmdose.odds.cells.total_odds`). X-ray machines are known less well and shelves better; their indices
    differ by a third of a stop at most. A scanner that nobody identified counts with the mean of the points of what it
    may be: the mean loss is nearly that of the mean dose, so its safe index follows within a third of a stop as well,
    and the verdict is never better than that of the odds. Its typical case is no machine's, and the card has it not.

    Examples
    --------
    >>> make_card([400]).to_dataframe().shape[1]
    1
    """
    chosen = tuple(film if isinstance(film, Film) else generic_film(film) for film in films)
    if not 1 <= len(chosen) <= _MOST_FILMS:
        raise ArgumentError("films", f"{len(chosen)} films", f"1 to {_MOST_FILMS} films, as many as the page holds")
    walls = tuple(shield if isinstance(shield, Shield) else Shield.parse(shield) for shield in shields)
    if len(walls) > _MOST_SHIELDS:
        raise ArgumentError("shields", f"{len(walls)} shields", f"up to {_MOST_SHIELDS} shields")
    if not 1 <= len(sources) <= _MOST_ROWS - 2:
        raise ArgumentError("sources", f"{len(sources)} sources", f"1 to {_MOST_ROWS - 2} sources")
    words = read_words(CARD_WORDS) if text is None else text
    asked = Question() if question is None else question
    given = card_totals(chosen, asked) if kerma_ugy is None else kerma_ugy
    totals = check_array("kerma_ugy", given, low=0.0, unit="points", nan_allowed=False)
    if totals.ndim != 1 or not 1 <= totals.size <= _MOST_TOTALS or np.any(np.diff(totals) <= 0):
        raise ArgumentError("kerma_ugy", list(given), f"1 to {_MOST_TOTALS} increasing totals [points]")

    found = total_odds(chosen, totals.tolist(), asked, progress=progress)
    columns = [_cells(words, film, totals, asked, row) for film, row in zip(chosen, found, strict=True)]
    cells, typical, verdicts = (tuple(zip(*parts, strict=True)) for parts in zip(*columns, strict=True))
    rows = [_source_row(words, source, walls) for source in sources]
    rows += [
        _hard_row("flight", words("flight", hours=f"{_FLIGHT_HOURS:g}"), Flight(hours=_FLIGHT_HOURS)),
        _hard_row("storage", words("storage", days=f"{_STORAGE_DAYS:g}"), Storage(days=_STORAGE_DAYS)),
    ]
    return Card(
        films=chosen,
        speed_titles=tuple(words("column_speed", speed=format_speed(film.speed)) for film in chosen),
        kerma_ugy=tuple(float(total) for total in totals),
        cells=cells,
        typical=typical,
        verdicts=verdicts,
        rows=tuple(rows),
        shields=walls,
        question=asked,
        text=words,
        date=datetime.date.today() if date is None else date,
    )


def card_totals(films: Sequence[Film], question: Question) -> tuple[float, ...]:
    """Round totals of the rows of a card, so close that reading up to the next row costs a third of a stop at most.

    That holds of the safe index and of the typical one.

    Parameters
    ----------
    films
        The films of the card.
    question
        What is asked.

    Returns
    -------
    tuple of float
        Up to 14 totals [points = uGy], up to 2000 or as far as 14 reach. Where a film is lost from a row on, that row
        says so; reading up to it may give up a film that is a little less fogged.

    Raises
    ------
    ArgumentError
        No films.

    Examples
    --------
    >>> totals = card_totals([generic_film(400)], Question())
    >>> totals[0] < totals[-1] <= 2000
    True
    """
    negatives = [film for film in films if not film.reversal]
    if not negatives:
        return _REVERSAL_TOTALS
    choices = np.array([float(digits) * 10.0**power for power in (-1, 0, 1, 2, 3) for digits in _ROUND])
    choices = choices[(choices >= 1.0) & (choices <= _LAST_TOTAL)]
    just_above = np.concatenate([[0.0], choices * (1.0 + 1e-6)])
    after, on = [], []
    odds = total_odds(negatives, _NODES.tolist(), question, samples=_ROW_SAMPLES)
    for film, row in zip(negatives, odds, strict=True):
        for stops, margin in ((_typical_stops(film, question), 1e-6), (_safe_stops(row), _ROW_MARGIN)):
            after.append(_thirds(film, stops(just_above) - margin))
            on.append(_thirds(film, stops(choices) + margin))
    before, there = np.stack(after), np.stack(on)
    totals: list[float] = []
    place = -1
    while len(totals) < _USUAL_TOTALS and (not totals or totals[-1] < _LAST_TOTAL):
        # never more than a third, but for a film that is lost there
        close = ~np.any(there[:, place + 1 :] - before[:, [place + 1]] > 1.0, axis=0)
        reach = int(np.argmin(close)) if not close.all() else close.size
        place = place + max(reach, 1)
        if not totals and choices[place] > _REVERSAL_TOTALS[0]:
            place = int(np.searchsorted(choices, _REVERSAL_TOTALS[0]))
        totals.append(float(choices[place]))
        if place + 1 >= choices.size:
            break
    return tuple(totals)


def _typical_stops(film: Film, question: Question) -> Callable[[FloatArray], FloatArray]:
    """Compensation of the typical case for sums of dose [stops]; NaN where it is lost."""
    return lambda doses: np.asarray(grid_row(film, doses, question, ("given_stops",))["given_stops"])


def _safe_stops(row: Sequence[RollOdds]) -> Callable[[FloatArray], FloatArray]:
    """Compensation of least mean loss for sums of dose, between those of the nodes [stops]; NaN where it is lost."""
    from scipy.interpolate import PchipInterpolator

    stops = [0.0, *(math.nan if one.verdict == "lost" else one.given_stops or 0.0 for one in row)]
    doses = np.concatenate([[0.0], _NODES])
    known = np.isfinite(stops)
    if known.sum() < 2:
        return lambda wanted: np.where(wanted == 0.0, 0.0, np.nan)
    curve = PchipInterpolator(np.log1p(doses[known]), np.array(stops)[known])
    end = math.inf if known.all() else float(doses[~known][0])
    return lambda wanted: np.where(wanted < end, curve(np.log1p(wanted)), np.nan)


def _thirds(film: Film, stops: FloatArray) -> FloatArray:
    """Thirds of a stop by which the index on the printed scale lies under the film's speed."""
    index = standard_exposure_index(film.speed, np.maximum(stops, 0.0))
    return np.asarray(np.round(3.0 * np.log2(film.speed / index)))


def _cells(
    text: Words, film: Film, totals: FloatArray, question: Question, row: Sequence[RollOdds]
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[str, ...]]:
    """Texts of one film at every total: what to set, the typical index where it is another, and the verdict."""
    cells, typical = [], []
    blacks = np.abs(grid_row(film, totals, question, ("fog_density",))["fog_density"]) if film.reversal else totals
    for odds, lost in zip(row, blacks.tolist(), strict=True):
        middle = ""
        if odds.verdict == "lost":
            cells.append(text["nothing"])
        elif film.reversal:
            cell = text("thinner", density=f"{lost:.2f}") if lost >= 0.005 else "0.00"
            cells.append(text(odds.verdict, ei=cell))
        else:
            cells.append(text(odds.verdict, ei=format_speed(odds.ei_recommended or 0.0)))
            middle = text["nothing"] if odds.ei_median is None else format_speed(odds.ei_median)
            middle = "" if odds.ei_median == odds.ei_recommended else middle
        typical.append(middle)
    return tuple(cells), tuple(typical), tuple(odds.verdict for odds in row)


def _source_row(text: Words, name: str, shields: tuple[Shield, ...]) -> CardRow:
    source = get_source(name)
    low, points, high = _points_of(name, shields)
    if source.mixture:
        parts = [np.multiply(share, _points_of(part, shields)[1]) for part, share in source.mixture]
        points = tuple(np.sum(parts, axis=0).tolist())
    title = text.named("source", name)
    unpublished = bool(source.caution) and not source.mixture
    mark = "unpublished_mark" if unpublished else "mixture_mark" if source.mixture else ""
    return CardRow(
        name=name,
        title=text(mark, name=title) if mark else title,
        low=low,
        points=points,
        high=high,
        unpublished=unpublished,
        mixture=bool(source.mixture),
    )


def _points_of(source: str, shields: tuple[Shield, ...]) -> tuple[tuple[float, ...], ...]:
    """Low, typical and high points of one pass: bare, without a cartridge, and behind every shield."""
    bare = Pass(source=source)
    # sheet film, in no cartridge and in no roll, gets the most: its figure is never too low for 120 film
    doses = [history_dose(bare), history_dose(History(passes=(bare,), format="sheet"))]
    doses += [history_dose(Pass(source=source, shield=shield)) for shield in shields]
    return tuple(zip(*(dose.worst_band_ugy for dose in doses), strict=True))


def _hard_row(name: str, title: str, event: Flight | Storage) -> CardRow:
    dose = history_dose(event)
    return CardRow(
        name=name, title=title, points=(dose.kerma_ugy,), low=(dose.kerma_low_ugy,), high=(dose.kerma_high_ugy,)
    )


# -- the printed page ----------------------------------------------------------------------------------------------


def card_page(card: Card) -> Page:
    """Lay the card out on an A5 page, in letters as large as its words allow.

    Parameters
    ----------
    card
        The card.

    Returns
    -------
    Page

    Raises
    ------
    ArgumentError
        The words do not fit, or the font lacks a letter.

    Examples
    --------
    >>> page = card_page(make_card([400]))
    >>> type(page).__name__
    'Page'
    """
    smallest = _SMALLEST_LETTERS / _SMALL
    for scale, figures, lines in (
        *((1.0, 10.0, 3), (0.96, 9.6, 3), (0.96, 9.6, 2), (smallest, 9.3, 2), (smallest, 9.3, 1)),
        *((smallest, 9.3, 0), (smallest, 8.5, 0), (smallest, 8.0, 0)),
    ):
        page = Page(size_mm=A5_MM, margin_mm=9.0, font=card.text["font"] or "DejaVu Sans")
        if _lay_out(page, card, scale, figures) + lines * _LINE_MM <= A5_MM[1] - _BOTTOM_MM:
            return page
    raise ArgumentError(
        "text", card.text["language"], "words that fit on one A5 page in legible letters", "Shorten the longest texts."
    )


def _lay_out(page: Page, card: Card, scale: float, figures: float) -> float:
    """Draw everything from the top down; the lowest y [mm] that was used comes back."""
    small, body, head = _SMALL * scale, 8.0 * scale, 10.0 * scale
    text, left, right, width = card.text, page.left, page.right, page.width
    y = 13.0
    page.text(left, y, card.title, size=15.0 * scale, bold=True)
    page.text(right, y, card.made, size=small, align="right")
    y += line_height(body) + 1.0
    y = page.paragraph(left, y, card.subtitle, width=width, size=body)
    page.rule(y - 2.0, weight=1.2)

    y += 2.5
    page.text(left, y, text["step_1"], size=head, bold=True)
    y += line_height(head) + 0.4
    y = page.paragraph(left, y, text["step_1_help"], width=width, size=small)
    y = _points_table(page, card, y + 0.5, body=body, small=small)
    for note in card.notes:
        y = page.paragraph(left, y, note, width=width, size=small)

    y += 2.6
    page.text(left, y, card.told("step_2"), size=head, bold=True)
    y += line_height(head) + 0.4
    y = page.paragraph(left, y, card.told("step_2_help"), width=width, size=small)
    y = _index_table(page, card, y + 0.5, body=body, small=small, figures=figures)
    y = page.paragraph(left, y, card.legend, width=width, size=small)

    y += 2.6
    page.text(left, y, text["step_3"], size=head, bold=True)
    y += line_height(head) + 0.4
    for words in (card.sure, card.assumes, text["caution"]):
        y = page.paragraph(left, y, words, width=width, size=small)
    return _tally(page, card, y, head=head, small=small)


def _points_table(page: Page, card: Card, y: float, *, body: float, small: float) -> float:
    count = len(card.shield_titles)
    range_width, column = (22.0, 18.0) if count < 5 else (20.0, 15.2)
    first = page.right - count * column
    name_width = first - range_width - page.left
    headings = [page.wrap(words, width=column - 1.0, size=small, bold=True) for words in card.shield_titles]
    headings.append(page.wrap(card.text["column_range"], width=range_width - 2.0, size=small, bold=True))
    lines = max(len(heading) for heading in headings)
    step = line_height(small)
    bottom = y + (lines - 1) * step
    page.text(page.left, bottom, card.text["column_pass"], size=small, bold=True)
    edges = [first + (i + 1) * column for i in range(count)] + [first - 2.0]
    for edge, heading in zip(edges, headings, strict=True):
        for i, line in enumerate(heading):
            page.text(edge - 0.5, bottom - (len(heading) - 1 - i) * step, line, size=small, bold=True, align="right")
    y = bottom + 1.3
    page.rule(y)
    pitch = line_height(body) + 0.8
    for row in card.rows:
        names = page.wrap(row.title, width=name_width - 1.0, size=body)
        baseline = y + pitch - 1.25
        for i, line in enumerate(names):
            page.text(page.left, baseline + i * line_height(body), line, size=body)
        page.text(first - 2.5, baseline, card.row_range(row), size=small, align="right")
        for i in range(count):
            value = row.points[i] if i < len(row.points) else row.points[0]
            page.text(edges[i] - 0.5, baseline, figure_text(value, 2), size=body + 1.0, bold=True, align="right")
        y += pitch + (len(names) - 1) * line_height(body)
        page.rule(y, weight=0.3)
    return y + line_height(small)


@dataclass(frozen=True, kw_only=True)
class _Column:
    """Where a film's column of the table of indices stands [mm]."""

    start: float
    end: float
    set_end: float  # right edge of the index to set; the typical one stands right of it


#: Between the index to set and the typical one, between two columns, and how much a column may be wider [mm].
_PAIR_GAP_MM, _COLUMN_GAP_MM, _MOST_SPARE_MM = 0.7, 1.6, 16.0


def _columns(page: Page, card: Card, left: float, *, figures: float, small: float) -> tuple[list[_Column], float]:
    """Columns as wide as their contents and an equal share of the rest, and the size of figures with which they fit."""
    titles = [page.measure(words, size=small, bold=True) for words in card.speed_titles]
    while True:
        sets = [_widest(page, cells, size=figures, bold=True) for cells in zip(*card.cells, strict=True)]
        pairs = [_widest(page, cells, size=small) for cells in zip(*card.typical, strict=True)]
        asides = [_PAIR_GAP_MM + width if width else 0.0 for width in pairs]
        needs = [a + b + _COLUMN_GAP_MM for a, b in zip(sets, asides, strict=True)]
        with_titles = [max(need, width + _COLUMN_GAP_MM) for need, width in zip(needs, titles, strict=True)]
        needs = with_titles if sum(with_titles) <= page.right - left else needs
        spare = min(page.right - left - sum(needs), _MOST_SPARE_MM * len(needs))
        if spare >= 0.0 or figures <= _SMALLEST_LETTERS:
            break
        figures = max(figures - 0.25, _SMALLEST_LETTERS)
    columns, start = [], left
    for need, aside in zip(needs, asides, strict=True):
        end = start + need + spare / len(needs)
        columns.append(_Column(start=start, end=end, set_end=end - 0.6 - aside))
        start = end
    return columns, figures


def _widest(page: Page, texts: Sequence[str], *, size: float, bold: bool = False) -> float:
    return max(page.measure(words, size=size, bold=bold) if words else 0.0 for words in texts)


def _index_table(page: Page, card: Card, y: float, *, body: float, small: float, figures: float) -> float:
    first_width = 20.0
    large = figures if len(card.kerma_ugy) <= _LARGE_ROWS else figures - 1.0
    columns, fitting = _columns(page, card, page.left + first_width, figures=large, small=small)
    widths = [column.end - column.start for column in columns]
    titles = [
        page.wrap(words, width=width - 1.0, size=small, bold=True)
        for words, width in zip(card.speed_titles, widths, strict=True)
    ]
    names = [
        page.wrap(name, width=width - 1.0, size=small) if name else []
        for name, width in zip(card.names, widths, strict=True)
    ]
    lines = max(len(title) for title in titles)
    name_lines = max(len(name) for name in names)
    heads = page.wrap(card.text["column_total"], width=first_width - 1.0, size=small, bold=True)
    step = line_height(body)
    bottom = y + (max(lines, len(heads)) - 1) * step + name_lines * step * 0.85
    for i, line in enumerate(heads):
        page.text(page.left, bottom - (len(heads) - 1 - i) * step, line, size=small, bold=True)
    for column, title, name in zip(columns, titles, names, strict=True):
        for j, line in enumerate(title):
            page.text(
                column.end - 0.6, bottom - (len(title) - 1 - j) * step, line, size=small, bold=True, align="right"
            )
        for j, line in enumerate(name):
            at = bottom - len(title) * step - (len(name) - 1 - j) * step * 0.85
            page.text(column.end - 0.6, at, line, size=small, align="right")
    y = bottom + 1.3
    page.rule(y)
    pitch = line_height(large) + (0.75 if large == figures else 0.55)
    for number, total in enumerate(card.kerma_ugy):
        baseline = y + pitch - 1.5
        page.text(page.left + first_width - 6.0, baseline, figure_text(total), size=large, align="right")
        for column, cell, typical, verdict in zip(
            columns, card.cells[number], card.typical[number], card.verdicts[number], strict=True
        ):
            # Shade repeats what the sign and the word say; it carries nothing of its own.
            if verdict != "good":
                shade = "#c8c8c8" if verdict == "lost" else "#e9e9e9"
                page.box(column.start + 0.5, y + 0.15, column.end - column.start - 0.5, pitch - 0.3, shade=shade)
            size = fitting if verdict != "lost" else min(fitting, max(fitting - 1.2, _LEAST_WORD))
            page.text(column.set_end, baseline, cell, size=size, bold=True, align="right")
            if typical:
                page.text(column.set_end + _PAIR_GAP_MM, baseline, typical, size=small)
        y += pitch
        page.rule(y, weight=0.3)
    return y + line_height(body) - 0.3


def _tally(page: Page, card: Card, y: float, *, head: float, small: float) -> float:
    """Empty lines to write on, as many as the rest of the page holds."""
    y += 2.0
    page.text(page.left, y, card.text["tally"], size=head, bold=True)
    edges = (page.left, page.left + 26.0, page.right - 38.0, page.right - 18.0)
    y += line_height(small) + 0.5
    for start, name in zip(edges, ("tally_roll", "tally_points", "tally_total", "tally_ei"), strict=True):
        page.text(start + 1.0, y, card.text[name], size=small)
    y += 1.2
    page.rule(y)
    below = y
    while below + _LINE_MM <= A5_MM[1] - _BOTTOM_MM:
        below += _LINE_MM
        page.rule(below, weight=0.3)
    return y


# -- files ---------------------------------------------------------------------------------------------------------


def card_bytes(card: Card, format: str) -> bytes:
    """The card as "pdf", "svg", "png" or "html".

    Parameters
    ----------
    card
        The card.
    format
        One of the four.

    Returns
    -------
    bytes

    Raises
    ------
    ArgumentError
        Another format, or words that do not fit.

    Examples
    --------
    >>> card_bytes(make_card([400]), "svg")[:5]
    b'<?xml'
    """
    if format == "html":
        return _card_html(card).encode("utf-8")
    page = card_page(card)
    if format == "pdf":
        return pages_pdf([page], title=card.title, date=card.date)
    if format == "svg":
        description = " ".join((card.subtitle, card.made, card.assumes))
        return page_svg(page, title=card.title, description=description, date=card.date)
    if format == "png":
        return page_png(page)
    raise ArgumentError("format", format, "pdf, svg, png or html")


def _card_html(card: Card) -> str:
    """The page as text; its tables are made here, since no other form of the card needs them."""
    sources = [row.name for row in card.rows if row.name not in ("flight", "storage")]
    return render_template(
        "card.html",
        card=card,
        text=card.text,
        figures=page_tables(card.films, sources, card.shields, card.question, card.text),
        figure=lambda value: figure_text(value, 2),
        script=data_text("templates/phone.js"),
    )


def write_card(card: Card, path: str | Path) -> Path:
    """Write the card to a file that ends in .pdf, .svg, .png or .html.

    Beside a page NAME.html stand NAME.webmanifest and NAME.worker.js, with which a browser that got the page from a
    server can put it on the home screen and open it without a network; the page itself works without them.

    Parameters
    ----------
    card
        The card.
    path
        Where to.

    Returns
    -------
    Path
        Where it was written.

    Raises
    ------
    ArgumentError, OutputFileError

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder:
    ...     print(write_card(make_card([400]), Path(folder) / "card.svg").name)
    card.svg
    """
    ending = check_ending(path, CARD_ENDINGS)
    content = card_bytes(card, ending.lstrip("."))
    target = Path(path)
    if ending == ".html" and (target.is_file() or not target.exists()):
        manifest, worker = target.with_suffix(".webmanifest"), target.with_suffix(".worker.js")
        for beside in (manifest, worker):
            check_place(beside)
        mark = hashlib.sha256(content).hexdigest()[:12]
        write_text_atomic(manifest, page_manifest(target.name, card.text))
        write_text_atomic(worker, page_worker(target.name, manifest.name, mark))
    return write_bytes_atomic(path, content)


hold_to_annotations(globals())
