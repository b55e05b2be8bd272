"""The one door for many rolls: a table of them goes in, the same table with its answers comes out.

What a roll is stands in *fields*: columns of a DataFrame, variables of a Dataset, entries of a dictionary, or keywords
that hold for all rows.  Every answer is that of :func:`filmdose.answering.answer` at the dose of
:func:`filmdose.history.history_dose`, and what is safe that of :func:`filmdose.odds.propagate`; here is no rule but how
they are put into rows.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import TYPE_CHECKING, Any, cast, overload

import numpy as np

from filmdose.answering import GRID_ATTRIBUTES, answer, answers_of_solution
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_count
from filmdose.cf import add_flags, dataset_attributes
from filmdose.errors import ArgumentError, FilmdoseError, MissingExtraError, UnknownNameError
from filmdose.everyday import KINDS_MEANT, SOURCES_MEANT, meant
from filmdose.film.generic import generic_film
from filmdose.film.model import Film
from filmdose.history import Flight, History, Pass, Storage, given_dose, history_sums
from filmdose.odds import Priors, propagate
from filmdose.odds.draw import DEFAULT_SAMPLES
from filmdose.odds.scores import Random, check_samples, random_seed
from filmdose.quantity import in_unit, unit_of
from filmdose.question import Question
from filmdose.radiation.sources import source_names
from filmdose.solution import solve_film, solve_films
from filmdose.trip import Roll, Shot, Trip, roll_question

if TYPE_CHECKING:
    import pandas as pd
    import xarray as xr

    from filmdose.names import Kind

__all__ = ["ROLL_ANSWERS", "ROLL_FIELDS", "SAFE_ANSWERS", "answers"]

_QUESTION = tuple(Question.__dataclass_fields__)

#: What a row may say of a roll, beside one field for each source of dose (:func:`filmdose.radiation.source_names`).
ROLL_FIELDS: dict[str, str] = {
    "film": "a Film, a speed of the generic film [ISO], or a name in films=",
    "speed": "speed of the generic film [ISO], in place of film",
    "kind": "kind of the generic film; bw-negative when left out",
    "state": "unexposed or exposed",
    "shot_ei": "exposure index that an exposed roll was shot at [ISO]",
    "kerma_ugy": "effective kerma at the film [uGy, or with a unit], in place of passes",
    "passes": "texts such as 'cabin-ct=2, cabin-xray=1', Pass, Flight and Storage objects, or a History",
    "shield": "around the film at every pass that has none of its own, such as lead=0.25",
    "format": "35mm, 120 or sheet",
    "bag": "contents of the bag, such as typical or '4, al=1'",
    **dict.fromkeys(_QUESTION, "as of Question; the row's own stands before the question's"),
}

#: What every row gets, with units and long names; numbers are NaN where there is none.
ROLL_ANSWERS: dict[str, dict[str, str]] = {
    "ei": GRID_ATTRIBUTES["ei"],
    "ei_exact": GRID_ATTRIBUTES["ei_exact"],
    **{
        name: GRID_ATTRIBUTES[name]
        for name in ("verdict", "status", "needed_stops", "given_stops", "room_left_stops", "fog_density")
    },
    **{name: GRID_ATTRIBUTES[name] for name in ("snr_kept", "snr_given", "contrast_fogged")},
    "outcome": {"long_name": "outcome: compensated, as_marked, exposed, unknown"},
    "dose_ugy": {"units": "uGy", "long_name": "effective air kerma at the film"},
    "dose_low_ugy": {"units": "uGy", "long_name": "effective air kerma at the film, every pass low"},
    "dose_high_ugy": {"units": "uGy", "long_name": "effective air kerma at the film, every pass high"},
}

#: What ``safe=True`` adds.
SAFE_ANSWERS: dict[str, dict[str, str]] = {
    "ei_safe": {"units": "1", "long_name": "exposure index of least mean loss over all that is not known"},
    "ei_safe_exact": {"units": "1", "long_name": "exposure index of least mean loss, not rounded"},
    "verdict_safe": {"long_name": "verdict of the middle case at that exposure index"},
}

_TEXTS = {"verdict": "<U7", "status": "<U17", "outcome": "<U11", "verdict_safe": "<U7"}


@overload
def answers(rolls: pd.DataFrame | pd.Series[Any], question: Question | None = None, **options: Any) -> pd.DataFrame: ...
@overload
def answers(rolls: xr.Dataset | xr.DataArray, question: Question | None = None, **options: Any) -> xr.Dataset: ...
@overload
def answers(rolls: Mapping[str, Any], question: Question | None = None, **options: Any) -> dict[str, Any]: ...
@overload
def answers(
    rolls: Trip | Sequence[Roll] | Sequence[Mapping[str, Any]], question: Question | None = None, **options: Any
) -> list[dict[str, Any]]: ...
def answers(
    rolls: Any,
    question: Question | None = None,
    *,
    films: Mapping[str, Film] | None = None,
    safe: bool = False,
    priors: Priors | None = None,
    samples: int = DEFAULT_SAMPLES,
    rng: Random = 0,
    **fields: Any,
) -> Any:
    """The answer for every roll of a table, in the table's own container.

    Parameters
    ----------
    rolls
        A DataFrame (a row a roll), Dataset or dictionary of arrays (variables broadcast), a list of dictionaries, a
        :class:`~filmdose.trip.Trip` or a list of its rolls; or doses alone, a Series or DataArray [uGy, or what its
        ``units`` say].  Names that are no field and not nearly one stay as they are.
    question
        What is asked; :class:`Question` with its defaults when left out.
    films
        Films by the names that stand in ``film``.
    safe
        Whether to add ``SAFE_ANSWERS``, from draws of all that is not known; the rows share their unknown scanners as
        the rolls of one trip do.
    priors, samples, rng
        As of :func:`filmdose.odds.propagate`.
    **fields
        Fields (``ROLL_FIELDS``) that hold for every row, such as ``kind="colour-negative"`` or ``shield="lead=0.25"``;
        passes of a source by its name, with underscores too: ``cabin_ct=2``.

    Returns
    -------
    A DataFrame for a DataFrame or Series, a Dataset for a Dataset or DataArray (lazy for a lazy one), a dictionary or a
    list of them else: what came in, with ``ROLL_ANSWERS`` beside it.

    Raises
    ------
    ArgumentError, UnknownNameError
        With the row and the field.

    Notes
    -----
    A value that is missing (NaN, None) in ``film``, ``speed``, ``kerma_ugy``, ``passes`` or the count of a source is
    not known: the row's status is "unknown" and its numbers are NaN.  No pass is written 0.  Any other field that is
    missing in a row is taken as left out.  Of a lazy table every block is drawn for itself.

    Examples
    --------
    >>> import pandas as pd
    >>> table = pd.DataFrame({"speed": [400, 800], "cabin-ct": [1, 2]}, index=["a", "b"])
    >>> answers(table, shield="lead=0.25")["ei"].tolist()
    [160.0, 250.0]
    """
    import pandas as pd

    asked = Question() if question is None else question
    solve = _Solving(question=asked, films=films, safe=safe, priors=priors, samples=samples, rng=random_seed(rng))
    _check_names(fields, strict=True)
    if isinstance(rolls, Trip):
        rolls = list(rolls.rolls)
    if isinstance(rolls, pd.DataFrame):
        return _of_frame(rolls, fields, solve)
    if isinstance(rolls, pd.Series):
        name = rolls.name if isinstance(rolls.name, str) and _field(rolls.name) else "kerma_ugy"
        plain = in_unit(name, rolls, "uGy") if name == "kerma_ugy" else rolls
        return _of_frame(plain.to_frame(name), fields, solve)
    if type(rolls).__module__.partition(".")[0] == "xarray":
        return _of_dataset(rolls, fields, solve)
    if isinstance(rolls, Mapping):
        return _of_mapping(rolls, fields, solve)
    if isinstance(rolls, (list, tuple)) and rolls and all(isinstance(roll, Roll) for roll in rolls):
        return _of_rolls(rolls, fields, solve)
    if isinstance(rolls, (list, tuple)) and all(isinstance(roll, Mapping) for roll in rolls):
        return _of_records(rolls, fields, solve)
    allowed = "a DataFrame, Series, Dataset, DataArray, dictionary, Trip, list of rolls or of dictionaries"
    raise ArgumentError("rolls", type(rolls).__name__, allowed)


# -- names ---------------------------------------------------------------------------------------------------------


def _source(name: str) -> str | None:
    """The source that a field counts passes of."""
    for word in (name, name.replace("_", "-")):
        if word in source_names():
            return word
    return None


def _field(name: object) -> str | None:
    """What a name stands for: a field, or the name of a source."""
    if not isinstance(name, str):
        return None
    return name if name in ROLL_FIELDS else _source(name)


def _check_names(names: Iterable[object], *, strict: bool = False) -> None:
    """Refuse what is nearly a field, and with ``strict`` all that is none."""
    known = (*ROLL_FIELDS, *source_names())
    for name in names:
        if _field(name) is None and isinstance(name, str) and name not in _MADE:
            near = get_close_matches(name.replace("_", "-"), [k.replace("_", "-") for k in known], n=1, cutoff=0.85)
            if strict or near:
                raise UnknownNameError("field", name, known)


_MADE = (*ROLL_ANSWERS, *SAFE_ANSWERS, "verdict_flag", "status_flag", "kerma_low_ugy", "kerma_high_ugy")


# -- containers ----------------------------------------------------------------------------------------------------


def _of_frame(table: pd.DataFrame, fields: Mapping[str, Any], solve: _Solving) -> pd.DataFrame:
    import pandas as pd

    _check_names(table.columns)
    if not table.columns.is_unique:
        twice = table.columns[table.columns.duplicated()][0]
        raise ArgumentError("rolls", str(twice), "columns that stand once each")
    columns = {str(name): table[name] for name in table.columns if _field(name)}
    found = solve.rows({**_spread(fields, len(table), table), **columns}, len(table), list(table.index))
    result = table.assign(**{name: pd.Series(values, index=table.index) for name, values in found.items()})
    result.attrs = dict(table.attrs)
    for name in found:
        result[name].attrs = {}
    return result


def _spread(fields: Mapping[str, Any], rows: int, over: Iterable[Any]) -> dict[str, Any]:
    """Keywords for every row; one that is a column as well is refused."""
    for name in fields:
        if name in over:
            raise ArgumentError(name, fields[name], "a field once: as a column or as a keyword")
    return {name: _Same(value, rows) for name, value in fields.items()}


@dataclass(frozen=True)
class _Same:
    """One value for all rows."""

    value: Any
    rows: int


def _of_mapping(table: Mapping[str, Any], fields: Mapping[str, Any], solve: _Solving) -> dict[str, Any]:
    _check_names(table)
    given = {name: in_unit("kerma_ugy", v, "uGy") if name == "kerma_ugy" else v for name, v in table.items()}
    arrays = {name: _object_array(value) for name, value in given.items() if _field(name)}
    try:
        shape = np.broadcast_shapes(*(array.shape for array in arrays.values()))
    except ValueError as error:
        shapes = {name: array.shape for name, array in arrays.items()}
        raise ArgumentError("rolls", shapes, "arrays whose shapes broadcast") from error
    count = math.prod(shape)
    columns = {name: np.broadcast_to(array, shape).ravel() for name, array in arrays.items()}
    found = solve.rows({**_spread(fields, count, table), **columns}, count, list(range(count)))
    return {**table, **{name: values.reshape(shape) for name, values in found.items()}}


def _object_array(value: Any) -> Any:
    """An array of any values; a film, a text or a history is a single one, and so is each of a list."""
    if isinstance(value, (list, tuple)) and any(not np.isscalar(item) and item is not None for item in value):
        array = np.empty(len(value), dtype=object)
        array[:] = list(value)
        return array
    if isinstance(value, (Film, History, Pass)):
        array = np.empty((), dtype=object)
        array[()] = value
        return array
    return np.asarray(value)


def _of_records(table: Sequence[Mapping[str, Any]], fields: Mapping[str, Any], solve: _Solving) -> list[dict[str, Any]]:
    names = list(dict.fromkeys(name for row in table for name in row))
    _check_names(names)
    columns = {}
    for name in names:
        if _field(name):
            array = np.empty(len(table), dtype=object)
            array[:] = [row.get(name) for row in table]
            columns[name] = array
    found = solve.rows({**_spread(fields, len(table), names), **columns}, len(table), list(range(len(table))))
    return [{**row, **{name: values[i].item() for name, values in found.items()}} for i, row in enumerate(table)]


def _of_rolls(table: Sequence[Roll], fields: Mapping[str, Any], solve: _Solving) -> list[dict[str, Any]]:
    if fields:
        name = next(iter(fields))
        raise ArgumentError(name, fields[name], "no field beside rolls, which have their own")
    found = solve.cases([_case_of_roll(roll, solve.question) for roll in table], np.arange(len(table)), None)
    names = [roll.id for roll in table]
    return [{"roll": name, **{key: values[i].item() for key, values in found.items()}} for i, name in enumerate(names)]


def _of_dataset(table: Any, fields: Mapping[str, Any], solve: _Solving) -> xr.Dataset:
    import xarray as xr

    if isinstance(table, xr.DataArray):
        name = table.name if isinstance(table.name, str) and _field(table.name) else "kerma_ugy"
        table = table.to_dataset(name=name)
    table = table.copy()
    if "kerma_ugy" in table:
        table["kerma_ugy"] = in_unit("kerma_ugy", table["kerma_ugy"], "uGy")
    _check_names(table.variables)
    used = {str(name): table[name] for name in table.variables if _field(name)}
    spread = xr.broadcast(*used.values())
    dims = spread[0].dims if spread else ()
    sizes = spread[0].sizes if spread else {}
    shape = tuple(sizes.values())
    count = math.prod(shape)
    names = {**ROLL_ANSWERS, **(SAFE_ANSWERS if solve.safe else {})}

    def block(*arrays: Any) -> tuple[Any, ...]:
        size = arrays[0].size if arrays else 1
        columns = {name: np.asarray(array).ravel() for name, array in zip(used, arrays, strict=True)}
        found = solve.rows({**_spread(fields, size, used), **columns}, size, list(range(size)))
        return tuple(found[name].reshape(np.shape(arrays[0]) if arrays else ()) for name in names)

    if any(array.chunks is not None for array in spread):
        found = _lazy(block, [array.data for array in spread], names)
    else:
        labels = list(np.ndindex(*shape))
        columns = {name: array.to_numpy().ravel() for name, array in zip(used, spread, strict=True)}
        flat = solve.rows({**_spread(fields, count, used), **columns}, count, labels)
        found = {name: flat[name].reshape(shape) for name in names}
    made = {name: (dims, found[name], dict(said)) for name, said in names.items()}
    result = add_flags(table.assign(made))
    result.attrs = dataset_attributes("filmdose.answers", _said(solve, fields), table.attrs)
    return result


def _lazy(block: Callable[..., tuple[Any, ...]], arrays: Sequence[Any], names: Iterable[str]) -> dict[str, Any]:
    """One task a block for all answers, cut as the arrays are."""
    try:
        import dask.array as da
    except ImportError as error:
        raise MissingExtraError("dask", "scale", "A lazy table") from error

    lazy = [da.asarray(array) for array in arrays]  # type: ignore[no-untyped-call]
    _, lazy = da.core.unify_chunks(*(part for array in lazy for part in (array, tuple(range(array.ndim)))))  # type: ignore[no-untyped-call]

    def stacked(*parts: Any) -> Any:
        columns = block(*parts)
        result = np.empty(np.shape(parts[0]), dtype=object)
        result.ravel()[:] = list(zip(*(column.ravel().tolist() for column in columns), strict=True))
        return result

    together = da.map_blocks(stacked, *lazy, dtype=object)  # type: ignore[no-untyped-call]

    def part(block_of: Any, place: int, text: str) -> Any:
        values = np.empty(block_of.shape, dtype=text or np.float64)
        values.ravel()[:] = [item[place] for item in block_of.ravel()]
        return values

    found = {}
    for place, name in enumerate(names):
        text = _TEXTS.get(name, "")
        dtype = np.dtype(text or np.float64)
        found[name] = da.map_blocks(part, together, place=place, text=text, dtype=dtype)  # type: ignore[no-untyped-call]
    return found


def _said(solve: _Solving, fields: Mapping[str, Any]) -> dict[str, str]:
    """What the inputs of a Dataset are, in words."""
    film = fields.get("film", fields.get("speed"))
    if isinstance(film, Film):
        of_film = f"{film.label} ({film.origin or 'origin not given'})"
    elif film is None:
        of_film = "as the rows say; a speed is that of the generic film (typical values, an inference)"
    else:
        of_film = f"{film} (a number is the speed of the generic film: typical values, an inference)"
    told = {
        "film": of_film,
        "beam": "of every source as shipped; a kerma is effective, of 140 kVp behind 3 mm of aluminium",
        "shield": str(fields.get("shield", "as the rows say; none where they do not")),
        "question": ", ".join(f"{name} {getattr(solve.question, name)}" for name in _QUESTION),
    }
    if solve.safe:
        told["priors"] = "as shipped (priors.toml)" if solve.priors is None else "of one's own"
        told["draws"] = f"{solve.samples} draws, seed {solve.rng}"
    return told


# -- rows ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class _Case:
    """One kind of row: everything but a dose that stands in the row itself."""

    roll: Roll | None  # None: film or dose is not known
    question: Question
    sums: Mapping[str, float] | None  # dose of its history; None: the row's own kerma


def _case_of_roll(roll: Roll, question: Question) -> _Case:
    sums = history_sums(roll.history)
    return _Case(roll=roll, question=roll_question(roll, question, sums["peak_to_mean"]), sums=sums)


@dataclass(frozen=True, kw_only=True)
class _Solving:
    """How rows are answered."""

    question: Question
    films: Mapping[str, Film] | None
    safe: bool
    priors: Priors | None
    samples: int
    rng: int

    def rows(self, columns: Mapping[str, Any], count: int, labels: Sequence[Any]) -> dict[str, Any]:
        """Answers of all rows of a table, by their names in ``ROLL_ANSWERS``."""
        _check_together(columns)
        same = {name: value.value for name, value in columns.items() if isinstance(value, _Same)}
        varied = {name: value for name, value in columns.items() if not isinstance(value, _Same)}
        kerma = None
        if "kerma_ugy" in same:
            kerma = _kerma_column(np.full(count, in_unit("kerma_ugy", same.pop("kerma_ugy"), "uGy")), labels)
        elif "kerma_ugy" in varied:
            kerma = _kerma_column(varied.pop("kerma_ugy"), labels)
        groups, first = _groups(varied, count)
        values = {name: np.asarray(column, dtype=object) for name, column in varied.items()}
        made = _Making(solving=self, alone=kerma is None)
        cases = []
        for row in first:
            at = {**same, **{name: column[row] for name, column in values.items()}}
            try:
                cases.append(made.case(at))
            except FilmdoseError as error:
                raise _at_row(error, labels[row], at) from error
        return self.cases(cases, groups, kerma)

    def cases(self, cases: Sequence[_Case], groups: Any, kerma: FloatArray | None) -> dict[str, Any]:
        """Answers of rows, each a case and, where the case has none, a kerma of its own."""
        count = len(groups)
        out: dict[str, Any] = {
            name: np.full(count, "unknown" if name in _TEXTS else np.nan, dtype=_TEXTS.get(name, np.float64))
            for name in (*ROLL_ANSWERS, *(SAFE_ANSWERS if self.safe else {}))
        }
        if not count:
            return out
        if kerma is None:
            sums = [dict.fromkeys(_DOSES, np.nan) if case.sums is None else case.sums for case in cases]
            for name, key in _DOSES_OUT.items():
                out[key] = np.array([each[name] for each in sums])[groups]
        else:
            for key in _DOSES_OUT.values():
                out[key] = kerma.copy()
        dose = out["dose_ugy"]
        known = np.array([case.roll is not None for case in cases])[groups] & ~np.isnan(dose)
        for key in _DOSES_OUT.values():
            out[key][~known] = np.nan
        alike: dict[tuple[Question, str], dict[Film, list[Any]]] = {}
        order = np.argsort(groups, kind="stable")
        cuts = np.searchsorted(groups[order], np.arange(len(cases) + 1))
        for number, case in enumerate(cases):
            rows = order[cuts[number] : cuts[number + 1]]
            rows = rows[known[rows]]
            if case.roll is None or not rows.size:
                continue
            if case.roll.state == "exposed":
                _exposed_rows(out, case.roll, case.question, rows, dose)
            else:
                alike.setdefault((case.question, case.roll.film.kind), {}).setdefault(case.roll.film, []).append(rows)
        for (question, _), films in alike.items():
            _solve_rows(out, {film: np.concatenate(rows) for film, rows in films.items()}, dose, question)
        if self.safe:
            self._add_safe(out, cases, groups, dose if kerma is not None else None, known)
        return out

    def _add_safe(
        self, out: dict[str, Any], cases: Sequence[_Case], groups: Any, kerma: FloatArray | None, known: Any
    ) -> None:
        """The odds of all different rolls, drawn together."""
        places: dict[tuple[int, float], int] = {}
        rolls: list[Roll] = []
        rows = np.flatnonzero(known)
        which = np.empty(rows.size, dtype=np.intp)
        for i, row in enumerate(rows.tolist()):
            key = int(groups[row]), 0.0 if kerma is None else float(kerma[row])
            if key not in places:
                places[key] = len(rolls)
                case = cases[key[0]]
                assert case.roll is not None
                rolls.append(replace(_with_dose(case.roll, None if kerma is None else key[1]), id=f"row {row}"))
            which[i] = places[key]
        if not rolls:
            return
        count = check_samples(self.samples)
        found: dict[tuple[Any, ...], Any] = {}
        by_question: dict[Question, list[int]] = {}
        for number, roll in enumerate(rolls):
            row = int(rows[np.flatnonzero(which == number)[0]])
            asked = replace(cases[int(groups[row])].question, peak_to_mean=1.0, scene_range=self.question.scene_range)
            by_question.setdefault(asked, []).append(number)
            assert roll.id
        for asked, members in by_question.items():
            odds = propagate([rolls[i] for i in members], asked, priors=self.priors, samples=count, rng=self.rng)
            found |= {(number,): row for number, row in zip(members, odds.rolls, strict=True)}
        each = [found[(number,)] for number in range(len(rolls))]
        exact = [_number(one.ei_recommended_exact) for one in each]
        out["ei_safe"][rows] = np.array([_number(one.ei_recommended) for one in each])[which]
        out["ei_safe_exact"][rows] = np.array(exact)[which]
        out["verdict_safe"][rows] = np.array([one.verdict for one in each])[which]


_DOSES = ("kerma_ugy", "kerma_low_ugy", "kerma_high_ugy")
_DOSES_OUT = dict(zip(_DOSES, ("dose_ugy", "dose_low_ugy", "dose_high_ugy"), strict=True))


def _number(value: float | None) -> float:
    return math.nan if value is None or math.isinf(value) else float(value)


def _with_dose(roll: Roll, kerma: float | None) -> Roll:
    """The roll with a dose that is known, at the film, in place of a history."""
    if kerma is None:
        return roll
    return replace(
        roll, history=History(passes=(given_dose(kerma, f"dose of {kerma!r} uGy"),), format=roll.history.format)
    )


def _solve_rows(out: dict[str, Any], films: Mapping[Film, Any], dose: FloatArray, question: Question) -> None:
    """Unexposed rolls of films of one kind."""
    few: list[tuple[Film, Any]] = []
    for film, rows in films.items():
        if rows.size >= 8:
            _fill(out, rows, film.speed, film.reversal, solve_film(film, dose[rows], question))
        else:
            few.append((film, rows))
    if few:
        rows = np.concatenate([rows for _, rows in few])
        of_rows = [film for film, mine in few for _ in mine]
        speeds = np.array([film.speed for film in of_rows])
        _fill(out, rows, speeds, few[0][0].reversal, solve_films(of_rows, dose[rows], question))


def _fill(out: dict[str, Any], rows: Any, speed: Any, reversal: bool, found: Any) -> None:
    for name, values in answers_of_solution(
        speed, found, [name for name in ROLL_ANSWERS if name in GRID_ATTRIBUTES]
    ).items():
        out[name][rows] = np.where(np.isnan(found.given), np.nan, values) if name == "snr_given" else values
    out["outcome"][rows] = "as_marked" if reversal else "compensated"


def _exposed_rows(out: dict[str, Any], roll: Roll, question: Question, rows: Any, dose: FloatArray) -> None:
    """Rolls that are exposed already: what is lost, once for every dose."""
    shot = None if roll.shot is None else roll.shot.ei
    for kerma in np.unique(dose[rows]):
        here = rows[dose[rows] == kerma]
        found = answer(roll.film, float(kerma), question, exposed=True, shot_ei=shot)
        for name in ROLL_ANSWERS:
            if name in GRID_ATTRIBUTES and name not in _TEXTS:
                value = found.contrast["fogged"] if name == "contrast_fogged" else getattr(found, name)
                out[name][here] = math.nan if value is None else value
        out["verdict"][here], out["status"][here], out["outcome"][here] = found.verdict, found.status, found.outcome


# -- from a row to a roll ------------------------------------------------------------------------------------------


def _check_together(columns: Mapping[str, Any]) -> None:
    passes = [name for name in columns if name == "passes" or _source(name)]
    if "kerma_ugy" in columns and passes:
        action = "A kerma is that at the film, of all it went through. Drop one of them."
        raise ArgumentError(passes[0], "both", "passes or kerma_ugy", action)
    if "kerma_ugy" in columns and {"shield", "bag"} & set(columns):
        name = "shield" if "shield" in columns else "bag"
        raise ArgumentError(name, "given", "nothing beside kerma_ugy, which is that behind everything")
    if "kerma_ugy" not in columns and not passes:
        action = f"A field for each source is named after it: {', '.join(source_names()[:3])}."
        raise ArgumentError("rolls", list(columns), "a dose: kerma_ugy, passes, or passes by source", action)
    if "film" not in columns and "speed" not in columns:
        raise ArgumentError("rolls", list(columns), "a film or a speed")


def _kerma_column(column: Any, labels: Sequence[Any]) -> FloatArray:
    """Doses of all rows [uGy]; the first that cannot be is named with its row."""
    array = np.asarray(column if unit_of(column) is None else in_unit("kerma_ugy", column, "uGy"))
    if array.dtype.kind in "fiu":
        values: FloatArray = array.astype(np.float64)
    else:
        values = np.empty(array.size)
        for row, value in enumerate(array.astype(object)):
            try:
                number = in_unit("kerma_ugy", value, "uGy")
                values[row] = math.nan if _missing(number) else float(number)
            except (FilmdoseError, TypeError, ValueError) as error:
                allowed = "a kerma of at least 0 [uGy], or with a unit"
                raise ArgumentError(f"row {labels[row]!r}, kerma_ugy", value, allowed) from error
    bad = np.flatnonzero((values < 0.0) | np.isinf(values))
    if bad.size:
        raise ArgumentError(
            f"row {labels[bad[0]]!r}, kerma_ugy", float(values[bad[0]]), "a finite number of at least 0 [uGy]"
        )
    return values


def _groups(columns: Mapping[str, Any], count: int) -> tuple[Any, Any]:
    """Which rows say the same but for their kerma: group of every row, and the first row of every group."""
    code = np.zeros(count, dtype=np.int64)
    for column in columns.values():
        values = np.asarray(column)
        if values.dtype.kind == "O":
            known: dict[Any, int] = {}
            own = np.array([known.setdefault(_key(value), len(known)) for value in values.tolist()], dtype=np.int64)
        else:
            _, own = np.unique(values, return_inverse=True)
        _, code = np.unique(code * (int(own.max(initial=0)) + 1) + own, return_inverse=True)
    _, first, groups = np.unique(code, return_index=True, return_inverse=True)
    return groups, first


def _key(value: Any) -> Any:
    """What makes values one: texts, numbers and films by what they are, anything else by itself."""
    if _missing(value):
        return None
    return value if isinstance(value, (str, int, float, Film)) else (id(value), type(value))


def _missing(value: Any) -> bool:
    import pandas as pd

    return (
        value is None
        or value is pd.NA
        or value is pd.NaT
        or (isinstance(value, (float, np.floating)) and math.isnan(value))
    )


def _at_row(error: FilmdoseError, label: Any, at: Mapping[str, Any]) -> FilmdoseError:
    """The same error, with its row."""
    if isinstance(error, UnknownNameError):
        return UnknownNameError(f"row {label!r}, {error.argument}", error.value, error.known)
    if isinstance(error, ArgumentError):
        return ArgumentError(f"row {label!r}, {error.argument}", error.value, error.allowed, error.action)
    return error


def _generic(speed: Any, kind: Any) -> Film:
    return generic_film(speed, kind=cast("Kind", meant(kind, KINDS_MEANT)) if isinstance(kind, str) else kind)


@dataclass(frozen=True, kw_only=True)
class _Making:
    """Rolls from what rows say."""

    solving: _Solving
    alone: bool  # the dose comes from passes

    def case(self, at: Mapping[str, Any]) -> _Case:
        """What a row is."""
        own = {name: value for name, value in at.items() if name in _QUESTION and not _missing(value)}
        question = replace(self.solving.question, **own)
        film, history = self._film(at), self._history(at)
        if film is None or history is None:
            return _Case(roll=None, question=question, sums=None)
        shot = at.get("shot_ei")
        state = at.get("state", "unexposed")
        roll = Roll(
            id="row",
            film=film,
            history=history,
            state="unexposed" if _missing(state) else state,
            shot=None,
            peak_to_mean=own.get("peak_to_mean"),
            scene_range=own.get("scene_range"),
        )
        if not _missing(shot) and roll.state == "exposed":
            roll = replace(roll, shot=Shot(ei=shot))
        sums = history_sums(history) if self.alone else None
        peak = 1.0 if sums is None else sums["peak_to_mean"]
        return _Case(roll=roll, question=roll_question(roll, question, peak), sums=sums)

    def _film(self, at: Mapping[str, Any]) -> Film | None:
        given, speed, kind = at.get("film"), at.get("speed"), at.get("kind")
        if isinstance(given, Film):
            return given
        if isinstance(given, str):
            known = self.solving.films or {}
            if given not in known:
                raise UnknownNameError("film", given, known, "Give films= a dictionary of films by their names.")
            return known[given]
        speed = speed if _missing(given) else given
        if _missing(speed):
            return None
        return _generic(speed, "bw-negative" if kind is None or _missing(kind) else kind)

    def _history(self, at: Mapping[str, Any]) -> History | None:
        shield, around = at.get("shield"), None
        around = None if _missing(shield) or (isinstance(shield, str) and shield in ("", "none")) else shield
        options = {name: at[name] for name in ("format", "bag") if not _missing(at.get(name))}
        parts: list[Any] = []
        for name, value in at.items():
            source = _source(name)
            if source is not None:
                if _missing(value):
                    return None
                number = check_count(name, value)
                parts += [Pass(source=source, count=number, shield=around)] if number else []
        if "passes" in at:
            given = at["passes"]
            if _missing(given):
                return None
            if isinstance(given, History):
                if parts:
                    raise ArgumentError("passes", given, "a History, or passes by source, not both")
                return replace(given, **options)
            parts += _parts(given, around)
        return History(
            passes=tuple(part for part in parts if isinstance(part, Pass)),
            flights=tuple(part for part in parts if isinstance(part, Flight)),
            storage=tuple(part for part in parts if isinstance(part, Storage)),
            **options,
        )


def _parts(given: Any, around: Any) -> list[Any]:
    """Passes, flights and storage of a row, from a text or objects; passes get the row's shield if they have none."""
    if isinstance(given, str):
        texts = [text.strip() for text in given.split(",") if text.strip()]
        return [Pass.parse(_counted(text), shield=around) for text in texts]
    parts = list(given) if isinstance(given, Iterable) else [given]
    for part in parts:
        if not isinstance(part, (Pass, Flight, Storage)):
            raise ArgumentError("passes", part, "a text such as 'cabin-ct=2', Pass, Flight and Storage objects")
    return [replace(part, shield=around) if isinstance(part, Pass) and not part.shields else part for part in parts]


def _counted(text: str) -> str:
    name, equals, count = text.partition("=")
    return f"{meant(name.strip(), SOURCES_MEANT)}{equals}{count.strip()}"


hold_to_annotations(globals())
