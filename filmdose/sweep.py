"""Any input against any other: the answers over a grid of named dimensions, in memory or lazily.

Inputs make a *film* (kind, speed, b, ...), a *question* (criterion, scene range, costs, ...) or a *dose* (kerma,
shield).  Each film and question is solved for all its doses at once, by what :func:`filmdose.answering.answer_grid`
uses as well, so that the answers are the same.
"""

from __future__ import annotations

import inspect
import itertools
from collections.abc import Callable, Hashable, Iterator, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import xarray as xr
from numpy.typing import NDArray

from filmdose.answering import GRID_ATTRIBUTES, grid_row, unique_labels
from filmdose.arguments import hold_to_annotations
from filmdose.arrays import FloatArray, check_array, check_count
from filmdose.blockstore import block_key, check_store, stored_block
from filmdose.cf import add_flags, dataset_attributes
from filmdose.errors import ArgumentError, MissingExtraError, UnknownNameError
from filmdose.film.generic import film_value, generic_film
from filmdose.film.model import Film
from filmdose.history import History, Pass, history_sums
from filmdose.question import Question, criterion_name
from filmdose.radiation import Beam, Material, Shield, Source, get_material, get_source, transmission
from filmdose.radiation.registry import registered

__all__ = ["SWEEP_ANSWERS", "SWEEP_INPUTS", "sweep"]

#: What can be swept: name -> (unit, long name).
SWEEP_INPUTS: dict[str, tuple[str, str]] = {
    "film": ("", "film"),
    "kind": ("", "kind of film"),
    "speed": ("1", "marked speed, ISO"),
    "toe": ("1", "width of the population's fast edge, log10 units"),
    "contrast": ("1", "factor on the typical gradient"),
    "hit_exponent": ("1", "exponent b of hits against sensitivity"),
    "quanta": ("1", "light quanta per developable grain"),
    "calibration_kerma_ugy": ("uGy", "kerma of the calibration fog"),
    "kerma_ugy": ("uGy", "effective air kerma of the unshielded film"),
    "source": ("", "source of dose, in place of a kerma"),
    "passes": ("1", "number of passes through the source"),
    "format": ("", "format of the film"),
    "shield_material": ("", "material of the shield"),
    "shield_thickness_mm": ("mm", "thickness of the shield"),
    "criterion": ("", "criterion asked for"),
    "snr_target": ("1", "fraction of the clean shadow signal-to-noise to restore"),
    "scene_range": ("1", "scene from shadow point to highlight, log10 units"),
    "peak_to_mean": ("1", "fog of the worst band over the mean"),
    "cost_under": ("1", "cost of a stop of lost shadow"),
    "cost_over": ("1", "cost of a stop of light given"),
}

#: What can be computed; the texts only when they are asked for.
SWEEP_ANSWERS: tuple[str, ...] = tuple(name for name in GRID_ATTRIBUTES if name != "stops")
_TEXTS: dict[str, str] = {"verdict": "<U6", "status": "<U17"}
_NUMBERS: tuple[str, ...] = tuple(name for name in SWEEP_ANSWERS if name not in _TEXTS)

_SOURCE_INPUTS = ("source", "passes", "format")
_DOSE_INPUTS = ("kerma_ugy", "shield_thickness_mm", "shield_material", *_SOURCE_INPUTS)
_QUESTION_INPUTS = tuple(Question.__dataclass_fields__)
_GENERIC_INPUTS = tuple(name for name in inspect.signature(generic_film).parameters if name in SWEEP_INPUTS)
_NAMES = ("film", "kind", "criterion", "source", "format", "shield_material")


def sweep(
    *,
    beam: str = "140kVp, al=3",
    answers: tuple[str, ...] = _NUMBERS,
    chunks: Mapping[str, int] | int | None = None,
    progress: Callable[[float], None] | None = None,
    store: str | Path | None = None,
    **inputs: Any,
) -> xr.Dataset:
    """Solve over the product of all inputs that are given as sequences.

    Parameters
    ----------
    **inputs
        Any of :data:`SWEEP_INPUTS`, each a single value or a one-dimensional sequence; a sequence becomes a dimension
        of that name, in the order given.  A dose is required: ``kerma_ugy``, or ``source`` (names or
        :class:`~filmdose.radiation.Source` objects) with ``passes`` and ``format``, whose dose is that of
        :func:`filmdose.history.history_dose`; shields act on either.  ``film`` (a Film or several) stands in place of
        the inputs of :func:`filmdose.film.generic.generic_film`; what is left out has the default there, the
        question's those of :class:`filmdose.question.Question`.
    beam
        Of a ``kerma_ugy`` behind ``shield_thickness_mm`` of ``shield_material``: effective transmission as in
        :func:`filmdose.radiation.transmission`.  A source has its own.
    answers
        Which to compute, of ``SWEEP_ANSWERS``; all numbers when left out.
    chunks
        None computes at once.  A mapping of dimension to length (or one length for all) gives a lazy Dataset of dask
        arrays (extra ``scale``): compute it on threads, on processes or on a distributed cluster, store it, or reduce
        it, and memory holds no more than a few chunks.
    progress
        Called with the share that is done, 0 to 1 (of the eager computation; for a lazy one use dask's own).
    store
        A folder in which finished blocks are kept, made where it is not there: the same sweep, started again after
        it was interrupted, takes them from there and computes the others.  See the notes.

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
    OutputFileError
        A block cannot be kept in the store; those that are there already stay.

    Warns
    -----
    StoreWarning
        A file of the store is damaged or something else; its block is computed again.

    Notes
    -----
    A stored block is a chunk of a lazy sweep, or of an eager one some 20 000 cells, all doses of a film and question
    together.  It is named by all that goes into it: the values of its inputs to the last bit, answers, beam, code and
    data of this package and the versions that it computes with.  So other sweeps, chunks and versions may share the
    folder, at once and from several processes; results are the same to the last bit, whether interrupted or not.
    It takes 8 bytes a cell for each number, 24 and 68 for ``verdict`` and ``status``, and a few kilobytes a file.
    Nothing is ever taken away: any file in it, and the whole folder, may be deleted at any time that no sweep runs on
    it, and is then computed again (names that begin with a point and end in ``.part`` are left by a program that was
    killed while it wrote).  A sweep of a user's own criterion cannot be stored, since nobody can tell what a function
    computes.

    Examples
    --------
    >>> grid = sweep(speed=[100, 400, 800], kerma_ugy=[0.0, 100.0])
    >>> dict(grid["given_stops"].sizes)
    {'speed': 3, 'kerma_ugy': 2}
    """
    for name in answers:
        if name not in SWEEP_ANSWERS:
            raise UnknownNameError("answers", name, SWEEP_ANSWERS)
    axes = _checked(inputs)
    dims = [name for name, values in axes.items() if np.ndim(values) == 1]
    quality = str(Beam.parse(beam))
    folder = None if store is None else check_store(store)
    if folder is not None:
        _key(axes, answers, beam)  # complain at once
    if chunks is not None:
        _doses({name: np.atleast_1d(_values(name, axis)) for name, axis in axes.items()}, beam)  # complain at once
        arrays = _lazy(axes, dims, answers, beam, chunks, folder)
    elif folder is not None:
        arrays = _eager_blocks(axes, dims, answers, beam, folder, progress)
    else:
        arrays = _solve(axes, answers, beam, progress=progress)
    data = {name: (dims, arrays[name], GRID_ATTRIBUTES[name]) for name in answers}
    coords: dict[Hashable, Any] = {
        name: ((name,) if name in dims else (), _labels(values), _attributes(name)) for name, values in axes.items()
    }
    said = {
        "film": "films as given" if "film" in axes else "generic film: typical values, an inference",
        "beam": "as shipped with each source" if "source" in axes else quality,
        "shield": ", ".join(str(value) for value in np.atleast_1d(axes["shield_material"])),
    }
    found = add_flags(xr.Dataset(data, coords=coords), [name for name in answers if name in _TEXTS])
    return found.assign_attrs(dataset_attributes("filmdose.sweep", said))


# -- arguments -----------------------------------------------------------------------------------------------------


def _checked(inputs: Mapping[str, Any]) -> dict[str, Any]:
    """All inputs as scalars or one-dimensional arrays, those given first."""
    for name in inputs:
        if name not in SWEEP_INPUTS:
            raise UnknownNameError("input", name, SWEEP_INPUTS)
    if "kerma_ugy" not in inputs and "source" not in inputs:
        raise ArgumentError("kerma_ugy", None, "a kerma or several [uGy], or a source", "It has no default.")
    asked = Question()
    defaults = {
        "shield_thickness_mm": 0.0,
        "shield_material": "lead",
        **{name: getattr(asked, name) for name in _QUESTION_INPUTS},
    }
    if "source" in inputs:
        defaults |= {"passes": 1.0, "format": "35mm"}
        if "kerma_ugy" in inputs:
            raise ArgumentError(
                "kerma_ugy", inputs["kerma_ugy"], "nothing when source is given", "A source has its own."
            )
    else:
        for name in _SOURCE_INPUTS:
            if name in inputs:
                raise ArgumentError(name, inputs[name], "nothing without a source", "A kerma stands at the film.")
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
    wanted: Any = {"film": Film, "source": (str, Source)}.get(name, str)
    several: list[Any] = [value] if isinstance(value, wanted) or not np.iterable(value) else list(value)
    if not several or not all(isinstance(item, wanted) for item in several):
        raise ArgumentError(name, value, f"a {'Film' if name == 'film' else 'name'} or a sequence of at least one")
    if name == "criterion":
        several = [criterion_name(item) for item in several]
    if name == "shield_material":
        for item in several:
            get_material(item)
    if name == "source":
        several = [item if isinstance(item, Source) else get_source(item) for item in several]
    return several[0] if isinstance(value, wanted) else _objects(several)


def _objects(values: list[Any]) -> NDArray[Any]:
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


def _labels(values: Any) -> Any:
    """Coordinate values: films by their label, all else as it is."""
    if isinstance(values, (Film, Source)):
        return _label(values)
    if np.ndim(values) == 1 and values.dtype.kind == "O":
        return unique_labels([_label(value) for value in values])
    return values


def _label(value: Any) -> Any:
    return value.label if isinstance(value, Film) else value.name if isinstance(value, Source) else value


def _attributes(name: str) -> dict[str, str]:
    unit, long_name = SWEEP_INPUTS[name]
    return {"units": unit, "long_name": long_name} if unit else {"long_name": long_name}


@lru_cache(maxsize=4096)
def _through(material: Material, thickness: float, beam: str) -> float:
    """Share of a kerma that a shield lets through to the film."""
    if not thickness:
        return 1.0
    return float(transmission(Shield(material=material, thickness_mm=thickness), Beam.parse(beam)).effective)


def _doses(values: Mapping[str, NDArray[Any]], beam: str) -> tuple[FloatArray, FloatArray]:
    """Effective kerma [uGy] and unevenness over the product of the dose inputs, in their order."""
    names = [name for name in values if name in _DOSE_INPUTS]
    shape = tuple(values[name].size for name in names)
    if "kerma_ugy" in names:
        share = np.empty(tuple(1 if name == "kerma_ugy" else n for name, n in zip(names, shape, strict=True)))
        for place in np.ndindex(share.shape):
            at = {name: values[name][i] for name, i in zip(names, place, strict=True)}
            share[place] = _through(get_material(str(at["shield_material"])), float(at["shield_thickness_mm"]), beam)
        along = [-1 if name == "kerma_ugy" else 1 for name in names]
        kerma: FloatArray = share * values["kerma_ugy"].reshape(along)
        return kerma, np.ones(shape)
    dose, peak = np.empty(shape), np.empty(shape)
    for place in np.ndindex(shape):
        at = {name: values[name][i] for name, i in zip(names, place, strict=True)}
        wall = (str(at["shield_material"]), float(at["shield_thickness_mm"]))
        shield = Shield(material=wall[0], thickness_mm=wall[1]) if wall[1] else None
        one = Pass(source=at["source"], count=check_count("passes", at["passes"]), shield=shield)
        sums = history_sums(History(passes=(one,), format=at["format"]))
        dose[place], peak[place] = sums["kerma_ugy"], sums["peak_to_mean"]
    return dose, peak


# -- computing -----------------------------------------------------------------------------------------------------


def _solve(
    axes: Mapping[str, Any],
    answers: tuple[str, ...],
    beam: str,
    *,
    progress: Callable[[float], None] | None = None,
) -> dict[str, Any]:
    """Answers over the product of all axes, in their order; those of single values give no dimension."""
    values = {name: np.atleast_1d(_values(name, axis)) for name, axis in axes.items()}
    shape = tuple(axis.size for axis in values.values())
    out = {name: np.empty(shape, dtype=_TEXTS.get(name, np.float64)) for name in answers}
    dose, peak = _doses(values, beam)
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
        # a source that is more uneven than what is asked for makes the worst band worse
        worst = dose * np.maximum(peak / question.peak_to_mean, 1.0)
        for name, array in grid_row(films[key], worst, question, answers).items():
            out[name][where] = array
    kept = [length for length, axis in zip(shape, axes.values(), strict=True) if np.ndim(axis) == 1]
    return {name: array.reshape(kept) for name, array in out.items()}


def _values(name: str, axis: Any) -> NDArray[Any]:
    return np.asarray(axis, dtype=object if name in _NAMES else np.float64)


def _film(inputs: Mapping[str, Any]) -> Film:
    return inputs["film"] if "film" in inputs else generic_film(**inputs)


def _watched(items: list[Any], progress: Callable[[float], None] | None) -> Iterator[Any]:
    for done, item in enumerate(items, 1):
        yield item
        if progress is not None:
            progress(done / len(items))


def _lazy(
    axes: Mapping[str, Any],
    dims: list[str],
    answers: tuple[str, ...],
    beam: str,
    chunks: Mapping[str, int] | int,
    folder: Path | None,
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
    cuts = {name: _cuts(np.size(axes[name]), wanted.get(name)) for name in dims}
    solve: Callable[..., Any] = delayed(_solve if folder is None else _kept, pure=True, traverse=False)
    more = () if folder is None else (folder,)
    shape = [len(parts) for parts in cuts.values()]
    blocks: dict[str, NDArray[Any]] = {name: np.empty(shape, dtype=object) for name in answers}
    for place, here in _places(cuts):
        block = solve(_part(axes, here), answers, beam, *more)
        size = tuple(part.stop - part.start for part in here.values())
        for name in answers:
            dtype = np.dtype(_TEXTS.get(name, np.float64))
            blocks[name][place] = da.from_delayed(block[name], size, dtype=dtype)  # type: ignore[no-untyped-call]
    return {name: da.block(array.tolist()) for name, array in blocks.items()}  # type: ignore[no-untyped-call]


def _places(cuts: Mapping[str, list[slice]]) -> Iterator[tuple[tuple[int, ...], dict[str, slice]]]:
    """Every block: its place among the blocks, and its part of every dimension."""
    for place in itertools.product(*(range(len(parts)) for parts in cuts.values())):
        yield place, {name: parts[i] for (name, parts), i in zip(cuts.items(), place, strict=True)}


def _part(axes: Mapping[str, Any], here: Mapping[str, slice]) -> dict[str, Any]:
    return {name: axis[here[name]] if name in here else axis for name, axis in axes.items()}


def _cuts(length: int, step: int | None) -> list[slice]:
    size = length if step is None else step
    return [slice(start, min(start + size, length)) for start in range(0, length, size)]


# -- kept in a folder ------------------------------------------------------------------------------------------------

#: Cells of a block of an eager sweep: about a tenth of a second.
_BLOCK_CELLS = 20_000


def _eager_blocks(
    axes: Mapping[str, Any],
    dims: list[str],
    answers: tuple[str, ...],
    beam: str,
    folder: Path,
    progress: Callable[[float], None] | None,
) -> dict[str, Any]:
    """As ``_solve``, block by block through the store; doses are not cut, so that the numbers are the same."""
    cells = int(np.prod([np.size(axes[name]) for name in dims if name in _DOSE_INPUTS]))
    cuts: dict[str, list[slice]] = {}
    for name in reversed(dims):
        length = np.size(axes[name])
        step = length if name in _DOSE_INPUTS else min(max(_BLOCK_CELLS // cells, 1), length)
        cells *= 1 if name in _DOSE_INPUTS else step
        cuts[name] = _cuts(length, step)
    cuts = {name: cuts[name] for name in dims}
    shape = tuple(np.size(axes[name]) for name in dims)
    out = {name: np.empty(shape, dtype=_TEXTS.get(name, np.float64)) for name in answers}
    for _, here in _watched(list(_places(cuts)), progress):
        for name, array in _kept(_part(axes, here), answers, beam, folder).items():
            out[name][tuple(here.values())] = array
    return out


def _kept(axes: Mapping[str, Any], answers: tuple[str, ...], beam: str, folder: Path) -> dict[str, Any]:
    """As ``_solve``, from the store where it is there."""
    shape = tuple(np.size(axis) for axis in axes.values() if np.ndim(axis) == 1)
    wanted = {name: (_TEXTS.get(name, np.float64), shape) for name in answers}
    return stored_block(folder, _key(axes, answers, beam), wanted, lambda: _solve(axes, answers, beam))


def _key(axes: Mapping[str, Any], answers: tuple[str, ...], beam: str) -> str:
    """By what a block is named: its inputs, and what names in them stand for."""
    through = [get_material(str(name)) for name in np.atleast_1d(_values("shield_material", axes["shield_material"]))]
    return block_key("sweep", axes, sorted(set(answers)), Beam.parse(beam), through, registered())


hold_to_annotations(globals())
