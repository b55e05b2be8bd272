"""Any input against any other: the answers over a grid of named dimensions, in memory or lazily.

Inputs make a *film* (kind, speed, b, ...), a *question* (criterion, scene range, costs, ...) or a *dose* (kerma,
shield).  Each film and question is solved for all its doses at once, by what :func:`filmdose.answering.answer_grid`
uses as well, so that the answers are the same.
"""

from __future__ import annotations

import inspect
import itertools
from collections.abc import Callable, Hashable, Iterator, Mapping
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from filmdose.answering import GRID_ATTRIBUTES, grid_row, unique_labels
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array
from filmdose.errors import ArgumentError, MissingExtraError, UnknownNameError
from filmdose.film.generic import film_value, generic_film
from filmdose.film.model import Film
from filmdose.question import Question, criterion_name
from filmdose.radiation import Beam, Shield, get_material, transmission

__all__ = ["SWEEP_ANSWERS", "SWEEP_INPUTS", "sweep"]

#: What can be swept: name -> (unit, long name).
SWEEP_INPUTS: dict[str, tuple[str, str]] = {
    "film": ("", "film"),
    "kind": ("", "kind of film"),
    "speed": ("ISO", "marked speed"),
    "toe": ("log10 units", "width of the population's fast edge"),
    "contrast": ("1", "factor on the typical gradient"),
    "hit_exponent": ("1", "exponent b of hits against sensitivity"),
    "quanta": ("1", "light quanta per developable grain"),
    "calibration_kerma_ugy": ("uGy", "kerma of the calibration fog"),
    "kerma_ugy": ("uGy", "effective air kerma of the unshielded film"),
    "shield_thickness_mm": ("mm", "thickness of the shield"),
    "criterion": ("", "criterion asked for"),
    "snr_target": ("1", "fraction of the clean shadow signal-to-noise to restore"),
    "scene_range": ("log10 units", "scene from shadow point to highlight"),
    "peak_to_mean": ("1", "fog of the worst band over the mean"),
    "cost_under": ("1", "cost of a stop of lost shadow"),
    "cost_over": ("1", "cost of a stop of light given"),
}

#: What can be computed; the texts only when they are asked for.
SWEEP_ANSWERS: tuple[str, ...] = tuple(name for name in GRID_ATTRIBUTES if name != "stops")
_TEXTS: dict[str, str] = {"verdict": "<U6", "status": "<U17"}
_NUMBERS: tuple[str, ...] = tuple(name for name in SWEEP_ANSWERS if name not in _TEXTS)

_DOSE_INPUTS = ("kerma_ugy", "shield_thickness_mm")
_QUESTION_INPUTS = tuple(Question.__dataclass_fields__)
_GENERIC_INPUTS = tuple(name for name in inspect.signature(generic_film).parameters if name in SWEEP_INPUTS)
_NAMES = ("film", "kind", "criterion")


def sweep(
    *,
    shield_material: str = "lead",
    beam: str = "140kVp, al=3",
    answers: tuple[str, ...] = _NUMBERS,
    chunks: Mapping[str, int] | int | None = None,
    progress: Callable[[float], None] | None = None,
    **inputs: Any,
) -> xr.Dataset:
    """Solve over the product of all inputs that are given as sequences.

    Parameters
    ----------
    **inputs
        Any of :data:`SWEEP_INPUTS`, each a single value or a one-dimensional sequence; a sequence becomes a dimension
        of that name, in the order given.  ``kerma_ugy`` is required.  ``film`` (a Film or several) stands in place of
        the inputs of :func:`filmdose.film.generic.generic_film`; what is left out has the default there, the
        question's those of :class:`filmdose.question.Question`.
    shield_material, beam
        For ``shield_thickness_mm``: effective transmission as in :func:`filmdose.radiation.transmission`.
    answers
        Which to compute, of ``SWEEP_ANSWERS``; all numbers when left out.
    chunks
        None computes at once.  A mapping of dimension to length (or one length for all) gives a lazy Dataset of dask
        arrays (extra ``scale``): compute it on threads, on processes or on a distributed cluster, store it, or reduce
        it, and memory holds no more than a few chunks.
    progress
        Called with the share that is done, 0 to 1 (of the eager computation; for a lazy one use dask's own).

    Returns
    -------
    Dataset with named dimensions, units and long names, the same answers as
    :func:`filmdose.answering.answer_grid` has; ``needed_stops`` and all that follows are those of ``criterion``.

    Raises
    ------
    ArgumentError, UnknownNameError
        An input out of range, of more than one dimension, empty, or not known.
    MissingExtraError
        ``chunks`` without dask installed.

    Examples
    --------
    >>> grid = sweep(speed=[100, 400, 800], kerma_ugy=[0.0, 100.0])
    >>> dict(grid["given_stops"].sizes)
    {'speed': 3, 'kerma_ugy': 2}
    """
    for name in answers:
        if name not in SWEEP_ANSWERS:
            raise UnknownNameError("answers", name, SWEEP_ANSWERS)
    get_material(shield_material)
    axes = _checked(inputs)
    dims = [name for name, values in axes.items() if np.ndim(values) == 1]
    # the shield's transmission is the axis that is cut and computed with, its thickness the one that is shown
    solved = {**axes, "shield_thickness_mm": _transmissions(shield_material, beam, axes["shield_thickness_mm"])}
    arrays = _solve(solved, answers, progress=progress) if chunks is None else _lazy(solved, dims, answers, chunks)
    data = {name: (dims, arrays[name], GRID_ATTRIBUTES[name]) for name in answers}
    coords: dict[Hashable, Any] = {
        name: ((name,) if name in dims else (), _labels(values), _attributes(name)) for name, values in axes.items()
    }
    return xr.Dataset(data, coords=coords)


# -- arguments -----------------------------------------------------------------------------------------------------


def _checked(inputs: Mapping[str, Any]) -> dict[str, Any]:
    """All inputs as scalars or one-dimensional arrays, those given first."""
    for name in inputs:
        if name not in SWEEP_INPUTS:
            raise UnknownNameError("input", name, SWEEP_INPUTS)
    if "kerma_ugy" not in inputs:
        raise ArgumentError("kerma_ugy", None, "a kerma or several [uGy]", "It has no default.")
    asked = Question()
    defaults = {"shield_thickness_mm": 0.0, **{name: getattr(asked, name) for name in _QUESTION_INPUTS}}
    if "film" in inputs:
        for name in _GENERIC_INPUTS:
            if name in inputs:
                raise ArgumentError(name, inputs[name], "nothing when film is given", "A film has its own.")
    else:
        defaults |= {"kind": "bw-negative", "speed": 400.0, "contrast": 1.0}
        defaults |= {name: film_value("model", name) for name in ("hit_exponent", "quanta")}
        defaults["calibration_kerma_ugy"] = film_value("model", "calibration_kerma")
    axes = {name: _axis(name, value) for name, value in {**inputs, **_without(defaults, inputs)}.items()}
    for name in set(_QUESTION_INPUTS) & set(inputs):
        for value in np.atleast_1d(axes[name]).tolist():
            Question(**{name: value})
    return axes


def _without(defaults: Mapping[str, Any], given: Mapping[str, Any]) -> dict[str, Any]:
    return {name: value for name, value in defaults.items() if name not in given}


def _axis(name: str, value: Any) -> Any:
    if name not in _NAMES:
        low = 0.0 if name in _DOSE_INPUTS else -np.inf  # films and questions check their own
        array = check_array(name, value, low=low, unit=SWEEP_INPUTS[name][0], nan_allowed=False)
        if array.ndim > 1 or array.size == 0:
            raise ArgumentError(name, array.shape, "a single value or a one-dimensional sequence of at least one")
        return array
    wanted = Film if name == "film" else str
    several: list[Any] = [value] if isinstance(value, wanted) or not np.iterable(value) else list(value)
    if not several or not all(isinstance(item, wanted) for item in several):
        raise ArgumentError(name, value, f"a {'Film' if name == 'film' else 'name'} or a sequence of at least one")
    if name == "criterion":
        several = [criterion_name(item) for item in several]
    return several[0] if isinstance(value, wanted) else _objects(several)


def _objects(values: list[Any]) -> NDArray[Any]:
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


def _labels(values: Any) -> Any:
    """Coordinate values: films by their label, all else as it is."""
    if isinstance(values, Film):
        return values.label
    if np.ndim(values) == 1 and values.dtype.kind == "O":
        return unique_labels([value.label if isinstance(value, Film) else value for value in values])
    return values


def _attributes(name: str) -> dict[str, str]:
    unit, long_name = SWEEP_INPUTS[name]
    return {"units": unit, "long_name": long_name} if unit else {"long_name": long_name}


def _transmissions(material: str, beam: str, thickness_mm: FloatArray) -> FloatArray:
    through = Beam.parse(beam)

    def one(thickness: float) -> float:
        return transmission(Shield(material=material, thickness_mm=thickness), through).effective if thickness else 1.0

    return np.asarray(np.vectorize(one, otypes=[np.float64])(thickness_mm))


# -- computing -----------------------------------------------------------------------------------------------------


def _solve(
    axes: Mapping[str, Any], answers: tuple[str, ...], *, progress: Callable[[float], None] | None = None
) -> dict[str, Any]:
    """Answers over the product of all axes, in their order; those of single values give no dimension."""
    values = {name: np.atleast_1d(np.asarray(axis, dtype=_dtype(name))) for name, axis in axes.items()}
    shape = tuple(axis.size for axis in values.values())
    out = {name: np.empty(shape, dtype=_TEXTS.get(name, np.float64)) for name in answers}
    doses = [name for name in values if name in _DOSE_INPUTS]
    dose = np.multiply.outer(*(values[name] for name in doses))
    looped = {name: axis.tolist() for name, axis in values.items() if name not in _DOSE_INPUTS}
    films: dict[tuple[int, ...], Film] = {}
    makes = [name for name in looped if name not in _QUESTION_INPUTS]
    for place in _watched(list(np.ndindex(*map(len, looped.values()))), progress):
        at = dict(zip(looped, place, strict=True))
        key = tuple(at[name] for name in makes)
        if key not in films:
            films[key] = _film({name: looped[name][at[name]] for name in makes})
        question = Question(**{name: looped[name][at[name]] for name in _QUESTION_INPUTS})
        where = tuple(at.get(name, slice(None)) for name in values)
        for name, array in grid_row(films[key], dose, question, answers).items():
            out[name][where] = array
    kept = [length for length, axis in zip(shape, axes.values(), strict=True) if np.ndim(axis) == 1]
    return {name: array.reshape(kept) for name, array in out.items()}


def _dtype(name: str) -> Any:
    return object if name in _NAMES else np.float64


def _film(inputs: Mapping[str, Any]) -> Film:
    return inputs["film"] if "film" in inputs else generic_film(**inputs)


def _watched(items: list[Any], progress: Callable[[float], None] | None) -> Iterator[Any]:
    for done, item in enumerate(items, 1):
        yield item
        if progress is not None:
            progress(done / len(items))


def _lazy(
    axes: Mapping[str, Any], dims: list[str], answers: tuple[str, ...], chunks: Mapping[str, int] | int
) -> dict[str, Any]:
    """One task for each block of the product, named by all that goes into the block."""
    try:
        import dask.array as da
        from dask.delayed import delayed
    except ImportError as error:
        raise MissingExtraError("dask", "scale", "A lazy sweep (chunks=)") from error

    wanted: Mapping[str, int] = dict.fromkeys(dims, chunks) if isinstance(chunks, int) else dict(chunks)
    for name, length in wanted.items():
        if name not in dims:
            raise UnknownNameError("chunks", name, dims)
        if not isinstance(length, int) or length < 1:
            raise ArgumentError("chunks", {name: length}, "a whole number of at least 1 for each dimension")
    cuts = [_cuts(np.size(axes[name]), wanted.get(name)) for name in dims]
    solve: Callable[..., Any] = delayed(_solve, pure=True, traverse=False)
    blocks: dict[str, NDArray[Any]] = {name: np.empty([len(parts) for parts in cuts], dtype=object) for name in answers}
    for place in itertools.product(*(range(len(parts)) for parts in cuts)):
        here = {name: parts[i] for name, parts, i in zip(dims, cuts, place, strict=True)}
        block = solve({name: axis[here[name]] if name in here else axis for name, axis in axes.items()}, answers)
        shape = tuple(part.stop - part.start for part in here.values())
        for name in answers:
            dtype = np.dtype(_TEXTS.get(name, np.float64))
            blocks[name][place] = da.from_delayed(block[name], shape, dtype=dtype)  # type: ignore[no-untyped-call]
    return {name: da.block(array.tolist()) for name, array in blocks.items()}  # type: ignore[no-untyped-call]


def _cuts(length: int, step: int | None) -> list[slice]:
    size = length if step is None else step
    return [slice(start, min(start + size, length)) for start in range(0, length, size)]


hold_to_annotations(globals())
