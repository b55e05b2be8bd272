"""The table of exposure indices, and how much dose film stands: tidy DataFrames and their documents."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict, replace
from typing import TYPE_CHECKING, Any

from filmdose.answering import as_film, grid_rows, unique_labels
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array
from filmdose.errors import ArgumentError
from filmdose.film.generic import box_speed_notes, film_value
from filmdose.film.model import Film
from filmdose.history import History, HistoryDose, Pass, given_dose, history_dose
from filmdose.present.document import Block, Document, Paragraph, Table
from filmdose.question import Question
from filmdose.radiation.sources import get_source, source_names
from filmdose.solution import BLACKS_LOST, VERDICTS
from filmdose.units import format_speed
from filmdose.words import BOX_SPEEDS, TEST_FIRST, VERDICT_MARKS, dose_figures, figure_text, index_pair

if TYPE_CHECKING:
    import pandas as pd

__all__ = [
    "TABLE_KERMA_UGY",
    "TABLE_PASSES",
    "TABLE_SPEEDS",
    "budget_document",
    "caption",
    "claim_document",
    "compensation_table",
    "dose_points",
    "ei_matrix",
    "loss_matrix",
    "passes_table",
    "table_document",
    "verdict_words",
]

#: Speeds of the printed table: full stops over the range of the generic film.
TABLE_SPEEDS: tuple[float, ...] = (25, 50, 100, 200, 400, 800, 1600, 3200, 6400)

#: Accumulated kerma of the printed table [uGy].
TABLE_KERMA_UGY: tuple[float, ...] = (0, 1, 2, 5, 10, 20, 50, 100, 200, 300, 500, 1000, 2000)


def compensation_table(
    films: Sequence[Film | float] = TABLE_SPEEDS,
    kerma_ugy: Any = TABLE_KERMA_UGY,
    question: Question | None = None,
    *,
    safe: bool = False,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Exposure index for films and accumulated doses, one row a cell.

    Parameters
    ----------
    films
        Films, or speeds [ISO] of the generic black-and-white negative film.
    kerma_ugy
        Accumulated effective kerma [uGy].
    question
        What is asked.
    safe
        Draw what is not known of film and fog as well, for the pair of the headline; the dose is taken as known. The
        cells have :data:`filmdose.odds.cells.CELL_SAMPLES` draws, fewer than a roll, so that the safe index may be
        rounded otherwise where its exact value lies within 0.04 stop of the edge.
    progress
        Called with the share that is done, 0 to 1.

    Returns
    -------
    DataFrame with columns film (labels are unique), kind, speed [ISO], kerma_ugy, fog_density, needed_stops,
    given_stops and ei (third-stop scale; NaN where nothing helps), verdict, status, ei_exact, room_marked_stops,
    room_left_stops, snr_kept, snr_given, contrast_fogged, stops_<criterion> for all four, criterion: of the typical
    case.  With ``safe`` ei_safe, ei_typical, verdict_safe and headline too, as of :func:`filmdose.odds.propagate`.

    Raises
    ------
    ArgumentError
        No films, no doses, or a value out of range.

    Examples
    --------
    >>> table = compensation_table([800], [0, 100])
    >>> table[["speed", "kerma_ugy", "ei", "verdict"]].values.tolist()[0]
    [800.0, 0.0, 800.0, 'good']
    """
    import pandas as pd

    asked = Question() if question is None else question
    return pd.DataFrame(_dose_cells(films, kerma_ugy, asked, safe, progress))


#: Numbers of passes of the rows of a table of passes.
TABLE_PASSES: tuple[int, ...] = (1, 2, 3, 5, 10)


def passes_table(
    films: Sequence[Film | float] = TABLE_SPEEDS,
    passes: Sequence[History | Pass] = (),
    question: Question | None = None,
    *,
    progress: Callable[[float], None] | None = None,
) -> pd.DataFrame:
    """Exposure index for films and what they went through, safe and typical, one row a cell.

    Parameters
    ----------
    films, question, progress
        As of :func:`compensation_table`.
    passes
        What the film went through: one history, or one kind of pass, for each row of the printed table.

    Returns
    -------
    The columns of :func:`compensation_table` with ``safe``, and went_through; kerma_ugy is the typical dose of the
    worst band.

    Raises
    ------
    ArgumentError, UnknownNameError
        No films, no passes, or a value out of range; a source that is not known.

    Examples
    --------
    >>> table = passes_table([400], [Pass(source="ct", count=2)])
    >>> table[["went_through", "headline"]].values.tolist()
    [['2 x cabin-ct', 'EI 80 (safe); 100 if typical. Usable.']]
    """
    import pandas as pd

    return pd.DataFrame(_passes_cells(films, passes, Question() if question is None else question, progress))


#: A cell of the table by the names of its columns.
Cell = Mapping[str, Any]


def _dose_cells(
    films: Sequence[Film | float],
    kerma_ugy: Any,
    asked: Question,
    safe: bool,
    progress: Callable[[float], None] | None,
) -> list[dict[str, Any]]:
    kerma, cells = _cells(films, kerma_ugy, asked)
    if not cells:
        raise ArgumentError("kerma_ugy", kerma_ugy, "at least one dose [uGy]")
    if not safe:
        return cells
    histories = [History(passes=(given_dose(dose, f"given dose {dose:g} uGy"),)) for dose in kerma]
    return _with_odds(cells, films, histories, asked, progress, few=True)


def _passes_cells(
    films: Sequence[Film | float],
    passes: Sequence[History | Pass],
    asked: Question,
    progress: Callable[[float], None] | None,
) -> list[dict[str, Any]]:
    histories = [part if isinstance(part, History) else History(passes=(part,)) for part in passes]
    if not histories:
        raise ArgumentError("passes", tuple(passes), "at least one pass or history")
    doses = [asked.for_bands(dose.peak_to_mean).peak_to_mean * dose.kerma_ugy for dose in map(history_dose, histories)]
    names = [" + ".join(f"{part.count} x {part.resolved_source.name}" for part in one.passes) for one in histories]
    _, cells = _cells(films, doses, replace(asked, peak_to_mean=1.0), names)
    return _with_odds(cells, films, histories, asked, progress)


def _with_odds(
    cells: list[dict[str, Any]],
    films: Sequence[Film | float],
    histories: Sequence[History],
    question: Question,
    progress: Callable[[float], None] | None,
    *,
    few: bool = False,
) -> list[dict[str, Any]]:
    """The cells with the pair of the headline, from draws of all that is not known; from few of them if asked."""
    from filmdose.odds import cell_odds
    from filmdose.odds.cells import CELL_SAMPLES
    from filmdose.odds.draw import DEFAULT_SAMPLES

    samples = CELL_SAMPLES if few else DEFAULT_SAMPLES
    found = cell_odds(films, histories, question, samples=samples, progress=progress)
    rows = (row for film in found for row in film)
    return [
        {
            **cell,
            "ei_safe": math.nan if row.ei_recommended is None else row.ei_recommended,
            "ei_typical": math.nan if row.ei_median is None else row.ei_median,
            "verdict_safe": row.verdict,
            "headline": row.headline,
        }
        for cell, row in zip(cells, rows, strict=True)
    ]


#: Columns of every cell that are answers of its film, in their order.
_ANSWERS = (
    *("fog_density", "needed_stops", "given_stops", "ei", "verdict", "status", "ei_exact"),
    *("room_marked_stops", "room_left_stops", "snr_kept", "snr_given", "contrast_fogged"),
)


def _cells(
    films: Sequence[Film | float], kerma_ugy: Any, asked: Question, went_through: Sequence[str] = ()
) -> tuple[FloatArray, list[dict[str, Any]]]:
    """The doses, and the cells of the typical case, film by film."""
    resolved, kerma, rows = grid_rows(films, kerma_ugy, asked)
    cells = []
    for film, label, row in zip(resolved, unique_labels([film.label for film in resolved]), rows, strict=True):
        criteria = {f"stops_{name}": row["stops"][:, place] for place, name in enumerate(asked.criteria)}
        columns = {
            **({"went_through": went_through} if went_through else {}),
            "kerma_ugy": kerma.tolist(),
            **{name: values.tolist() for name, values in ({name: row[name] for name in _ANSWERS} | criteria).items()},
        }
        known = {"film": label, "kind": film.kind, "speed": film.speed}
        for values in zip(*columns.values(), strict=True):
            cells.append({**known, **dict(zip(columns, values, strict=True)), "criterion": asked.criterion})
    return kerma, cells


def ei_matrix(table: pd.DataFrame) -> pd.DataFrame:
    """Exposure index as text, accumulated kerma (or what it went through) down and films across.

    Marks say that a roll is usable or poor at its index; a dash is a film that nothing helps. A table with the safe
    index has both, safe / typical, where they differ.

    Parameters
    ----------
    table
        Of :func:`compensation_table` or :func:`passes_table`.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> ei_matrix(compensation_table([400], [0, 100])).iloc[0, 0]
    '400'
    """
    return _framed(table, _index_text)


def loss_matrix(table: pd.DataFrame) -> pd.DataFrame:
    """Density that reversal film loses in its blacks, as text, accumulated kerma down and films across.

    Marks say what the roll is worth, as of :func:`ei_matrix`; a dash is a roll that is lost.

    Parameters
    ----------
    table
        Of :func:`compensation_table` or :func:`passes_table`, of reversal film.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> from filmdose.film.generic import generic_film
    >>> slides = compensation_table([generic_film(100, kind="colour-reversal")], [0, 100])
    >>> loss_matrix(slides).iloc[0, 0]
    '0.00'
    """
    return _framed(table, _loss_text)


def _index_text(cell: Cell) -> str:
    if "ei_safe" in cell:
        safe, typical = (None if math.isnan(cell[name]) else cell[name] for name in ("ei_safe", "ei_typical"))
        return index_pair(cell["verdict_safe"], safe, typical)
    return "-" if math.isnan(cell["ei"]) else format_speed(cell["ei"]) + VERDICT_MARKS[cell["verdict"]]


def _loss_text(cell: Cell) -> str:
    mark = cell.get("verdict_safe", cell["verdict"])
    return "-" if mark == "lost" else f"{-cell['fog_density'] + 0.0:.2f}{VERDICT_MARKS[mark]}"


def _framed(table: pd.DataFrame, text: Callable[[Cell], str]) -> pd.DataFrame:
    import pandas as pd

    matrix = _matrix(table.to_dict(orient="records"), "went_through" in table, text)  # type: ignore[arg-type]
    return pd.DataFrame(matrix).set_index(next(iter(matrix)))


def _matrix(cells: Sequence[Cell], passes: bool, text: Callable[[Cell], str]) -> dict[str, list[Any]]:
    """Columns of the printed table: dose, or what it went through, and the texts of every film."""
    down = "went_through" if passes else "kerma_ugy"
    rows = dict.fromkeys(cell[down] for cell in cells if cell[down] == cell[down])
    places = list(rows) if passes else sorted(rows)
    texts: dict[str, dict[Any, str]] = {}
    for cell in cells:
        texts.setdefault(cell["film"], {}).setdefault(cell[down], text(cell))
    titles = {film: film for film in texts}
    if len({cell["kind"] for cell in cells}) == 1:
        speeds = {cell["film"]: cell["speed"] for cell in cells}
        generic = {film: f"{cells[0]['kind']} ISO {speed:g}" for film, speed in speeds.items()}
        if all(film.startswith(usual) for film, usual in generic.items()):  # an equal one has a number behind it
            titles = {film: f"ISO {format_speed(speeds[film])}{film.removeprefix(generic[film])}" for film in texts}
    columns = {titles[film]: [found.get(place) for place in places] for film, found in texts.items()}
    return {"passes" if passes else "dose [uGy]": places, **columns}


def dose_points() -> pd.DataFrame:
    """Effective kerma of one bare pass of every shipped source at 35 mm film [uGy]: what to add up before reading.

    Where a source makes bands, that of the worst one.

    Returns
    -------
    DataFrame

    Examples
    --------
    >>> dose_points().columns.tolist()[:2]
    ['pass', 'what']
    """
    import pandas as pd

    return pd.DataFrame(_dose_points())


def _dose_points() -> list[dict[str, Any]]:
    points = []
    for source in map(get_source, source_names()):
        doses = history_dose(Pass(source=source.name)).worst_band_ugy
        points.append(
            {
                "pass": source.name,
                "what": source.title,
                **dict(zip(("low", "typical", "high"), doses, strict=True)),
                "evidence": source.evidence,
                "note": source.note,
            }
        )
    return points


#: What the cells of a table are, by whether its dose is known and whether the safe index stands beside.
_CELLS = {
    "typical": (
        "Indices are those of the typical case alone (`--typical`; `safe=True` in Python puts the safe one before it)."
    ),
    "safe": (
        "160 / 200: set the first, that of least loss over all that is not known of film and fog, the dose being "
        "known: the safe one, where it is slower and no ‡ stands by it. The second is that of the typical case; one "
        "index is both. `--passes ct` counts what is not known of the dose as well."
    ),
    "passes": (
        "160 / 200: set the first, that of least loss over all that is not known, the dose among it: the safe one, "
        "where it is slower and no ‡ stands by it. The second is that of the typical case; one index is both. "
        "`filmdose roll` has the same."
    ),
}


def caption(question: Question, *, reversal: bool = False, cells: str = "typical") -> str:
    """What a table of exposure indices (of reversal film: of losses) assumes and how sure it is, in one paragraph.

    ``cells`` is "typical", "safe" or "passes": what the indices are.

    Parameters
    ----------
    question
        What was asked.
    reversal
        For reversal film.
    cells
        "typical", "safe" or "passes": what the indices are.

    Returns
    -------
    str

    Examples
    --------
    >>> caption(Question()).startswith("Criterion shadow_snr")
    True
    """
    target = "" if question.snr_target == 1.0 else f" to {100 * question.snr_target:.0f} %"
    low, high = (film_value("model", "calibration_kerma", side) for side in ("low", "high"))
    if reversal:
        what = (
            "Fog lowers the greatest density of reversal film and more exposure lowers it further: expose for the "
            f"highlights as marked and expect thin blacks. {reversal_verdict_words()} - lost."
        )
    else:
        what = (
            f"Criterion {question.criterion}{target}: {question.criterion_sentence}. A stop of lost shadow counts "
            f"{question.cost_under / question.cost_over:g} times a stop of light given, over a scene of "
            f"{question.scene_range:g} log units. {verdict_words()} - nothing helps."
        )
    return (
        f"{what} Generic films are typical values. Fog is calibrated at "
        f"{film_value('model', 'calibration_kerma'):g} uGy "
        f"(range {low:g} to {high:g}) for a net fog of 0.02 at ISO 400, an inference of this project; "
        "read a row at half and at twice your dose to see how much that matters. "
        f"{'' if reversal else _CELLS[cells] + ' '}{TEST_FIRST}"
    )


def verdict_words() -> str:
    """What the marks of the verdicts mean, with their limits.

    Returns
    -------
    str

    Examples
    --------
    >>> verdict_words().startswith("No mark: good")
    True
    """
    shadows = {name: f"{100 * least:.0f} %" for name, (least, _) in VERDICTS.items()}
    return (
        f"No mark: good, the shadows keep {shadows['good']} of their signal-to-noise or more. "
        f"{VERDICT_MARKS['usable']} usable, {shadows['usable']} or more. "
        f"{VERDICT_MARKS['poor']} poor, {shadows['poor']} or more. "
        f"Contrast counts as well: {', '.join(f'{100 * VERDICTS[name][1]:.0f} %' for name in VERDICT_MARKS)}."
    )


def reversal_verdict_words() -> str:
    """What the marks of the verdicts mean of reversal film, with their limits."""
    shadows = {name: f"{100 * least:.0f} %" for name, (least, _) in VERDICTS.items()}
    marks = {name: mark for name, mark in VERDICT_MARKS.items() if mark}
    return (
        f"No mark: good, blacks thinner by {BLACKS_LOST['good']:g} at most, and {shadows['good']} or more of the range "
        f"and of the shadows' signal-to-noise left. {marks['usable']} usable, {BLACKS_LOST['usable']:g} at most and "
        f"{shadows['usable']} or more. {marks['poor']} poor, {shadows['poor']} or more of the range."
    )


def table_document(
    films: Sequence[Film | float] = TABLE_SPEEDS,
    kerma_ugy: Any = TABLE_KERMA_UGY,
    question: Question | None = None,
    *,
    safe: bool = False,
    passes: Sequence[History | Pass] = (),
    progress: Callable[[float], None] | None = None,
) -> Document:
    """The table of exposure indices as a document: what one pass gives, then the index for the total.

    Parameters
    ----------
    films, kerma_ugy, question, safe, progress
        As of :func:`compensation_table`.
    passes
        Rows of what the film went through in place of doses; as of :func:`passes_table`.

    Returns
    -------
    Document

    Raises
    ------
    ArgumentError
        As of :func:`compensation_table`.

    Examples
    --------
    >>> table_document([400], [0, 100]).title
    'Exposure index for film that went through scanners'
    """
    asked = Question() if question is None else question
    if passes:
        cells = _passes_cells(films, passes, asked, progress)
        notes = [note for part in passes for note in history_dose(part).notes]
        blocks: list[Block] = []
    else:
        doses = check_array("kerma_ugy", kerma_ugy, low=0.0, unit="uGy", nan_allowed=False)
        cells, notes = _dose_cells(films, doses, asked, safe, progress), []
        blocks = [_points_table()]
    for losses in (False, True):
        part = [cell for cell in cells if cell["kind"].endswith("reversal") == losses]
        if part:
            matrix = _matrix(part, bool(passes), _loss_text if losses else _index_text)
            title = "Density lost in the blacks; expose as marked" if losses else "Exposure index"
            title += "." if losses and not passes else ""
            if not losses and (safe or passes):
                title += ", safe / typical,"
            if not passes:
                matrix["dose [uGy]"] = [f"{value:g}" for value in matrix["dose [uGy]"]]
                title += f" {'For' if losses else 'for'} the accumulated dose: first row that is not below it"
            else:
                title += ", typical case" if losses else " after so many passes"
            what = "passes" if passes else "safe" if safe else "typical"
            blocks.append(
                Table.of(
                    matrix,
                    numeric=list(matrix)[1:] if passes else matrix,
                    title=title,
                    caption=caption(asked, reversal=losses, cells=what),
                )
            )
    notes += box_speed_notes(map(as_film, films))
    blocks += map(Paragraph, dict.fromkeys(notes))
    return Document(
        kind="table",
        title="Exposure index for film that went through scanners",
        blocks=tuple(blocks),
        data={**asdict(asked), "rows": cells},
        rows=cells,
    )


def _points_table() -> Table:
    points = _dose_points()
    cautions = [words for name in source_names() for words in get_source(name).sentences()]
    cautions.append("What to set after it: `--passes unknown`.")
    doses = ("low", "typical", "high")
    return Table.of(
        {
            name: [figure_text(point[name], 2) if name in doses else point[name] for point in points]
            for name in points[0]
            if name != "note"
        },
        numeric=doses,
        title="Add up the dose of every pass [uGy effective kerma at 35 mm film, in its cartridge, in a typical bag]",
        caption=" ".join(dict.fromkeys(cautions)),
    )


def budget_document(rows: pd.DataFrame, criterion: str) -> Document:
    """How much dose film stands until a loss, and how many passes that is.

    Parameters
    ----------
    rows
        As of :func:`filmdose.inverse.dose_budget`.
    criterion
        What counts as loss.

    Returns
    -------
    Document

    Examples
    --------
    >>> from filmdose.inverse import dose_budget
    >>> len(budget_document(dose_budget([400]), "shadow_snr").blocks) > 0
    True
    """
    words = (
        "Dose with the range that the calibration of fog gives it. Passes: at the typical dose of the source, and in "
        "brackets at its high dose; sources that no film survives once are left out. Passes do not add up, doses do."
    )
    doses = zip(rows["kerma_ugy"], rows["kerma_low_ugy"], rows["kerma_high_ugy"], strict=True)
    columns = {
        "film": rows["film"],
        "loss": ["lost" if math.isinf(v) else f"{v:g} stop{'s' if v > 1.0 else ''}" for v in rows["loss_stops"]],
        "dose [uGy]": [
            "-" if math.isnan(dose) else f"{figure_text(dose)} ({figure_text(low)} to {figure_text(high)})"
            for dose, low, high in doses
        ],
    }
    said: list[str] = []
    for column in rows.columns:
        source = column.removeprefix("passes_")
        if column != source and not column.endswith("_sure") and (rows[column] > 0).any():
            counts = zip(rows[column], rows[f"{column}_sure"], strict=True)
            said += get_source(source).sentences()
            columns[source] = ["-" if math.isnan(n) else f"{n:.0f} ({sure:.0f})" for n, sure in counts]
    return Document(
        kind="budget",
        title=f"Dose until a loss, by {criterion}",
        blocks=(
            Table.of(columns, numeric=list(columns)[2:]),
            *map(Paragraph, dict.fromkeys([words, *said, TEST_FIRST])),
        ),
        data={"criterion": criterion, "rows": rows.to_dict(orient="records")},
        rows=rows,
    )


#: So many films have a sentence each.
_FEW_FILMS = 3


def _few(rows: pd.DataFrame) -> list[dict[Any, Any]]:
    return rows.to_dict(orient="records") if len(rows) <= _FEW_FILMS else []


def _claim_words(row: Mapping[Any, Any], passes: str) -> str:
    """What a film has lost after the passes of a claim, in a sentence."""
    low, typical, high = (row[f"stops_lost{suffix}"] for suffix in ("_low", "", "_high"))
    most = "until it is lost" if math.isinf(high) else f"to {high:.2f}"
    if math.isinf(typical):
        return f"{row['film']}, after {passes}: lost; the claim {row['claim']}."
    return (
        f"{row['film']}, after {passes}: {typical:.2f} stops lost ({low:.2f} {most}), {row['verdict']}; the claim "
        f"{row['claim']}."
    )


def claim_document(rows: pd.DataFrame, dose: HistoryDose, question: Question) -> Document:
    """What films lose in the passes for which they are said to be safe.

    Parameters
    ----------
    rows
        As of :func:`filmdose.inverse.judge_claim`.
    dose
        Of those passes.
    question
        What was asked.

    Returns
    -------
    Document

    Examples
    --------
    >>> from filmdose.history import Pass, history_dose
    >>> from filmdose.inverse import judge_claim
    >>> five = Pass(source="cabin-xray", count=5)
    >>> document = claim_document(judge_claim(five, [1600]), history_dose(five), Question())
    >>> len(document.blocks) > 0
    True
    """

    def stops(values: pd.Series) -> list[str]:
        return ["lost" if math.isinf(value) else f"{value:.2f}" for value in values]

    parts = [f"{part['count']} x {part['detail']}" for part in dose.parts]
    columns = {
        "film": rows["film"],
        "stops lost": stops(rows["stops_lost"]),
        "low dose": stops(rows["stops_lost_low"]),
        "high dose": stops(rows["stops_lost_high"]),
        "verdict": rows["verdict"],
        "the claim": rows["claim"],
    }
    words = (
        f"Dose {dose_figures(dose.kerma_ugy, dose.kerma_low_ugy, dose.kerma_high_ugy)} uGy. Stops lost: compensation "
        "of least loss, of reversal film the range lost. The claim holds when less than a third of a stop is lost at "
        "the high dose as well, and holds if typical when it is at the typical one only (our choice)."
    )
    return Document(
        kind="claim",
        title=f"Said to be safe: {', '.join(parts)}",
        blocks=(
            *(Paragraph(_claim_words(row, " and ".join(parts))) for row in _few(rows)),
            Table.of(columns, numeric=("stops lost", "low dose", "high dose")),
            *map(Paragraph, (words, BOX_SPEEDS, *dose.notes, TEST_FIRST)),
        ),
        data={**asdict(question), "rows": rows.to_dict(orient="records"), "notes": list(dose.notes)},
        rows=rows,
    )


hold_to_annotations(globals())
