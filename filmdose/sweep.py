"""Any input against any other: the solver over a grid of named dimensions, in memory or lazily.

Inputs fall into three groups.  *Film* inputs change the grain population and need
matrices of their own (kind, film, b, quanta); *dose* inputs only scale the dose x
of a film (speed, kerma, calibration, shield, unevenness); *question* inputs change what is asked
(criterion is always a dimension of the answer; target, scene range).  So the
work is one call of the array solver for each combination of the first and the
last group, over all doses at once.
"""

from __future__ import annotations

import itertools
import pickle
from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np
import xarray as xr

from filmdose.arrays import FloatArray, check_array
from filmdose.compensation import SCENE_RANGE, exposure_index_from, record_solutions
from filmdose.errors import ArgumentError, MissingExtraError, UnknownNameError
from filmdose.film.generic import film_value, generic_film
from filmdose.film.model import Film
from filmdose.solver import CRITERIA
from filmdose.units import LOG10_2

__all__ = ["SWEEP_INPUTS", "sweep"]

#: What can be swept: name -> (unit, long name).
SWEEP_INPUTS: dict[str, tuple[str, str]] = {
    "film": ("", "film"),
    "kind": ("", "kind of film"),
    "speed": ("ISO", "marked speed"),
    "hit_exponent": ("1", "exponent b of hits against sensitivity"),
    "quanta": ("1", "light quanta per developable grain"),
    "calibration_kerma_ugy": ("uGy", "kerma of the calibration fog"),
    "kerma_ugy": ("uGy", "effective air kerma of the unshielded film"),
    "shield_thickness_mm": ("mm", "thickness of the shield"),
    "peak_to_mean": ("1", "fog of the worst band over the mean"),
    "snr_target": ("1", "fraction of the clean shadow signal-to-noise to restore"),
    "scene_range": ("log10 units", "scene from shadow point to highlight"),
}

_ANSWERS: dict[str, tuple[str, str]] = {
    "stops": ("stops", "more exposure needed, by criterion"),
    "ei_exact": ("1", "exposure index by criterion, within the highlights' limit"),
    "fog_density": ("density", "fog density"),
    "snr_kept": ("1", "shadow signal-to-noise kept at the marked speed"),
    "contrast_fogged": ("density per log unit", "mean gradient over 1.30 log units at the marked speed"),
    "highlight_room_stops": ("stops", "highlight room at the marked speed"),
}
_DEFAULTS: dict[str, Any] = {
    "kind": "bw-negative",
    "speed": 400.0,
    "shield_thickness_mm": 0.0,
    "peak_to_mean": 1.0,
    "snr_target": 1.0,
    "scene_range": SCENE_RANGE,
}
_RANGES: dict[str, tuple[float, float]] = {
    "speed": (1.0, 1e5),
    "hit_exponent": (0.0, 2.0),
    "quanta": (1.0, 100.0),
    "calibration_kerma_ugy": (1e-3, 1e6),
    "kerma_ugy": (0.0, 1e300),
    "shield_thickness_mm": (0.0, 100.0),
    "peak_to_mean": (1.0, 1000.0),
    "snr_target": (1e-6, 1.0),
    "scene_range": (0.3, 4.0),
}


def sweep(
    *,
    shield_material: str = "lead",
    beam: str = "140kVp, al=3",
    answers: tuple[str, ...] = tuple(_ANSWERS),
    chunks: Mapping[str, int] | int | None = None,
    progress: bool = False,
    **inputs: Any,
) -> xr.Dataset:
    """Solve over the product of all inputs that are given as sequences.

    Parameters
    ----------
    **inputs
        Any of :data:`SWEEP_INPUTS`, each a single value or a one-dimensional sequence; a sequence becomes a dimension
        of that name, in the order given.  ``kerma_ugy`` is required.  ``film`` (a Film or several) stands in place of
        ``kind``, ``speed``, ``hit_exponent``, ``quanta`` and ``calibration_kerma_ugy``; for a generic film b and quanta
        default to the shipped data and the fog is calibrated again for each.
    shield_material, beam
        For ``shield_thickness_mm``: effective transmission as in :func:`filmdose.radiation.transmission`.
    answers
        Which to compute, of stops, ei_exact, fog_density, snr_kept, contrast_fogged, highlight_room_stops.
    chunks
        None computes at once.  A mapping of dimension to length (or one length for all) gives a lazy Dataset of dask
        arrays (extra ``scale``): compute it on threads, on processes or on a distributed cluster, store it, or reduce
        it, and memory holds no more than a few chunks.
    progress
        Show progress on standard error (of the eager computation; for a lazy one use dask's own).

    Returns
    -------
    Dataset with named dimensions, units and long names; ``stops`` and ``ei_exact`` have the further dimension
    ``criterion``; NaN where no exposure satisfies the criterion.

    Raises
    ------
    ArgumentError, UnknownNameError
        An input out of range, of more than one dimension, empty, or not known.
    MissingExtraError
        ``chunks`` without dask installed.

    Examples
    --------
    >>> grid = sweep(speed=[100, 400, 800], kerma_ugy=[0.0, 100.0])
    >>> dict(grid["stops"].sizes)
    {'speed': 3, 'kerma_ugy': 2, 'criterion': 4}
    """
    coordinates = _checked(inputs, answers)
    dims = [name for name, values in coordinates.items() if np.ndim(values) == 1]
    factors = {
        "transmission": _transmissions(shield_material, beam, np.atleast_1d(coordinates["shield_thickness_mm"])),
    }
    labels = {name: _labels(coordinates[name]) for name in coordinates}
    if chunks is None:
        arrays = _solve(coordinates, factors, answers, progress)
        return _dataset(arrays, coordinates, dims, labels, answers)
    return _lazy(coordinates, factors, dims, labels, answers, chunks)


# -- arguments -----------------------------------------------------------------------------------------------------


def _checked(inputs: Mapping[str, Any], answers: tuple[str, ...]) -> dict[str, Any]:
    for name in inputs:
        if name not in SWEEP_INPUTS:
            raise UnknownNameError("input", name, SWEEP_INPUTS)
    for name in answers:
        if name not in _ANSWERS:
            raise UnknownNameError("answers", name, _ANSWERS)
    if "kerma_ugy" not in inputs:
        raise ArgumentError("kerma_ugy", None, "a kerma or several [uGy]", "It has no default.")
    generic = ("kind", "speed", "hit_exponent", "quanta", "calibration_kerma_ugy")
    if "film" in inputs:
        given = [name for name in generic if name in inputs]
        if given:
            raise ArgumentError(given[0], inputs[given[0]], "nothing when film is given", "A film has its own.")
        defaults = {name: value for name, value in _DEFAULTS.items() if name not in generic}
    else:
        defaults = {
            **_DEFAULTS,
            "hit_exponent": film_value("model", "hit_exponent"),
            "quanta": film_value("model", "quanta"),
            "calibration_kerma_ugy": film_value("model", "calibration_kerma"),
        }
    checked: dict[str, Any] = {}
    for name, value in {**inputs, **{k: v for k, v in defaults.items() if k not in inputs}}.items():
        if name in _RANGES:
            low, high = _RANGES[name]
            array = check_array(name, value, low=low, high=high, unit=SWEEP_INPUTS[name][0], nan_allowed=False)
            if array.ndim > 1 or array.size == 0:
                raise ArgumentError(name, array.shape, "a single value or a one-dimensional sequence of at least one")
            checked[name] = array
        elif name == "film":
            films = [value] if isinstance(value, Film) else list(value)
            if not films or not all(isinstance(film, Film) for film in films):
                raise ArgumentError("film", value, "a Film or a sequence of at least one")
            checked[name] = films[0] if isinstance(value, Film) else _objects(films)
        else:
            checked[name] = value if isinstance(value, str) else _objects(list(value))
    return checked


def _objects(values: list[Any]) -> np.ndarray[Any, np.dtype[Any]]:
    array = np.empty(len(values), dtype=object)
    array[:] = values
    return array


def _labels(values: Any) -> Any:
    """Coordinate values: films by their label, all else as it is."""
    if isinstance(values, Film):
        return values.label
    if np.ndim(values) == 1 and len(values) and isinstance(values[0], Film):
        return [film.label for film in values]
    is_text = isinstance(values, np.ndarray) and values.dtype.kind == "O"
    return [str(value) for value in values] if is_text else values


def _transmissions(material: str, beam: str, thickness_mm: FloatArray) -> FloatArray:
    if not np.any(thickness_mm):
        return np.ones(thickness_mm.shape)
    from filmdose.radiation import Beam, Shield, transmission

    through = Beam.parse(beam)
    return np.array(
        [transmission(Shield(material=material, thickness_mm=float(t)), through).effective for t in thickness_mm]
    )


# -- computing -----------------------------------------------------------------------------------------------------

_SNR = list(CRITERIA).index("shadow_snr")
_FILM_INPUTS = ("film", "kind", "hit_exponent", "quanta")
_QUESTION_INPUTS = ("snr_target", "scene_range")
_SCALE_INPUTS = ("speed", "calibration_kerma_ugy", "kerma_ugy", "shield_thickness_mm", "peak_to_mean")


def _solve(
    coordinates: Mapping[str, Any], factors: Mapping[str, FloatArray], answers: tuple[str, ...], progress: bool
) -> dict[str, FloatArray]:
    """Answers over the product of all coordinates (single values have length 1), in their order."""
    names = list(coordinates)
    axes = {name: np.atleast_1d(np.asarray(coordinates[name], dtype=_dtype(name))) for name in names}
    shape = tuple(axes[name].size for name in names)
    out = {name: np.empty((*shape, len(CRITERIA)) if name in ("stops", "ei_exact") else shape) for name in answers}
    looped = [name for name in names if name in (*_FILM_INPUTS, *_QUESTION_INPUTS)]
    scaled = [name for name in names if name in _SCALE_INPUTS]
    combinations = list(itertools.product(*(range(axes[name].size) for name in looped)))
    for place in _watched(combinations, progress):
        fixed = {name: axes[name][i] for name, i in zip(looped, place, strict=True)}
        where = tuple(place[looped.index(name)] if name in looped else slice(None) for name in names)
        values = _solve_one(fixed, {name: axes[name] for name in scaled}, factors["transmission"], answers)
        for name, array in values.items():
            out[name][where] = array
    return out


def _dtype(name: str) -> Any:
    return object if name in ("film", "kind") else np.float64


def _solve_one(
    fixed: Mapping[str, Any], scaled: Mapping[str, FloatArray], transmission: FloatArray, answers: tuple[str, ...]
) -> dict[str, FloatArray]:
    """One film shape and one question, over the product of all inputs that only scale the dose."""
    if "calibration_kerma_ugy" in scaled:
        # the films are calibrated at the first of the axis; the others scale their dose
        fixed = {**fixed, "calibration_kerma_ugy": float(scaled["calibration_kerma_ugy"][0])}
    films = [fixed["film"]] if "film" in fixed else [_generic(fixed, float(speed)) for speed in scaled["speed"]]
    names = list(scaled)
    dose = np.ones((1,) * len(names))
    for position, name in enumerate(names):
        if name != "speed":
            factor = _dose_factor(name, scaled[name], transmission)
            dose = dose * factor.reshape([-1 if i == position else 1 for i in range(len(names))])
    parts = [_answers(film, dose, fixed, answers) for film in films]
    if "film" in fixed:
        return parts[0]
    return {name: np.concatenate([part[name] for part in parts], axis=names.index("speed")) for name in answers}


def _dose_factor(name: str, axis: FloatArray, transmission: FloatArray) -> FloatArray:
    """What each value of an input multiplies the dose x by."""
    if name == "shield_thickness_mm":
        return transmission
    return np.asarray(axis[0] / axis) if name == "calibration_kerma_ugy" else axis


def _generic(fixed: Mapping[str, Any], speed: float) -> Film:
    return generic_film(
        speed,
        kind=str(fixed["kind"]),
        hit_exponent=float(fixed["hit_exponent"]),
        quanta=float(fixed["quanta"]),
        calibration_kerma_ugy=fixed.get("calibration_kerma_ugy"),
    )


def _answers(film: Film, dose: FloatArray, fixed: Mapping[str, Any], answers: tuple[str, ...]) -> dict[str, FloatArray]:
    """The records of one film merged: the one that needs most decides each criterion."""
    target, scene_range = float(fixed["snr_target"]), float(fixed["scene_range"])
    solutions, _ = record_solutions(film, dose, target)
    stops = np.stack([_worst([solution.stops[name] for solution in solutions]) for name in CRITERIA], axis=-1)
    room = (np.min([s.highlight_end for s in solutions], axis=0) - scene_range) / LOG10_2
    results = {
        "stops": stops,
        "highlight_room_stops": room,
        "fog_density": np.max([s.fog_density for s in solutions], axis=0),
        "snr_kept": np.min([s.snr_kept for s in solutions], axis=0),
        "contrast_fogged": np.min([s.contrast_fogged for s in solutions], axis=0),
    }
    if "ei_exact" in answers:
        wanted = stops.copy()
        wanted[..., _SNR] = _worst([solution.wanted("shadow_snr", target) for solution in solutions])
        results["ei_exact"] = exposure_index_from(film.speed, wanted, room[..., None])
    return {name: results[name] for name in answers}


def _worst(arrays: list[FloatArray]) -> FloatArray:
    return arrays[0] if len(arrays) == 1 else np.max(arrays, axis=0)  # NaN, no solution, is worst of all


def _watched(items: list[Any], progress: bool) -> Any:
    if not progress:
        return items
    from rich.console import Console
    from rich.progress import track

    return track(items, description="sweep", console=Console(stderr=True))


# -- results -------------------------------------------------------------------------------------------------------


def _dataset(
    arrays: Mapping[str, Any],
    coordinates: Mapping[str, Any],
    dims: list[str],
    labels: Mapping[str, Any],
    answers: tuple[str, ...],
) -> xr.Dataset:
    kept = [i for i, name in enumerate(coordinates) if name in dims]
    data = {}
    for name in answers:
        further = ("criterion",) if name in ("stops", "ei_exact") else ()
        array = arrays[name]
        tail = array.shape[len(coordinates) :]
        array = array.reshape([array.shape[i] for i in kept] + list(tail))
        data[name] = ((*dims, *further), array, _attributes(_ANSWERS[name]))
    coords: dict[Hashable, Any] = {
        name: ((name,) if name in dims else (), labels[name], _attributes(SWEEP_INPUTS[name])) for name in coordinates
    }
    if any(name in answers for name in ("stops", "ei_exact")):
        coords["criterion"] = list(CRITERIA)
    return xr.Dataset(data, coords=coords)


def _attributes(unit_and_name: tuple[str, str]) -> dict[str, str]:
    unit, long_name = unit_and_name
    return {"units": unit, "long_name": long_name} if unit else {"long_name": long_name}


def _lazy(
    coordinates: Mapping[str, Any],
    factors: Mapping[str, FloatArray],
    dims: list[str],
    labels: Mapping[str, Any],
    answers: tuple[str, ...],
    chunks: Mapping[str, int] | int,
) -> xr.Dataset:
    """One dask task for each block of the product; blocks are cut along the given dimensions."""
    try:
        import dask.array as da
        from dask.base import tokenize
    except ImportError as error:
        raise MissingExtraError("dask", "scale", "A lazy sweep (chunks=)") from error

    lengths = {name: np.size(coordinates[name]) for name in dims}
    wanted = dict.fromkeys(dims, chunks) if isinstance(chunks, int) else dict(chunks)
    for name, length in wanted.items():
        if name not in lengths:
            raise UnknownNameError("chunks", name, dims)
        if not isinstance(length, int) or length < 1:
            raise ArgumentError("chunks", {name: length}, "a whole number of at least 1 for each dimension")
    cuts = {name: _cut(lengths[name], wanted.get(name, lengths[name])) for name in dims}
    token = tokenize(
        [(name, value if name in _RANGES else pickle.dumps(value)) for name, value in coordinates.items()],
        factors["transmission"],
        answers,
    )
    # one task a block gives all answers; each answer's array picks its own from it
    block_name = f"sweep-{token}"
    graph: dict[Any, Any] = {}
    picks: dict[str, dict[Any, Any]] = {name: {} for name in answers}
    for block in itertools.product(*(range(len(cuts[name])) for name in dims)):
        part, part_factors = dict(coordinates), dict(factors)
        for name, i in zip(dims, block, strict=True):
            start, stop = cuts[name][i]
            part[name] = coordinates[name][start:stop]
            if name == "shield_thickness_mm":
                part_factors["transmission"] = factors["transmission"][start:stop]
        key = (block_name, *block)
        graph[key] = (_solve_block, part, part_factors, dims, answers)
        for name in answers:
            further = (0,) if name in ("stops", "ei_exact") else ()
            picks[name][(f"{name}-{token}", *block, *further)] = (_pick, key, name)
    arrays: dict[str, Any] = {}
    for name in answers:
        further_chunks = ((len(CRITERIA),),) if name in ("stops", "ei_exact") else ()
        sizes = tuple(tuple(stop - start for start, stop in cuts[d]) for d in dims) + further_chunks
        tasks = {**graph, **picks[name]}
        arrays[name] = da.Array(tasks, f"{name}-{token}", sizes, dtype=np.float64)  # type: ignore[no-untyped-call]
    data = {
        name: (
            (*dims, "criterion") if name in ("stops", "ei_exact") else tuple(dims),
            arrays[name],
            _attributes(_ANSWERS[name]),
        )
        for name in answers
    }
    empty = _dataset({}, coordinates, dims, labels, ())
    whole = empty.assign({name: xr.Variable(d, array, attrs) for name, (d, array, attrs) in data.items()})
    return whole.assign_coords(criterion=list(CRITERIA)) if "criterion" in whole.dims else whole


def _cut(length: int, step: int) -> list[tuple[int, int]]:
    return [(start, min(start + step, length)) for start in range(0, length, step)]


def _solve_block(
    coordinates: Mapping[str, Any], factors: Mapping[str, FloatArray], dims: list[str], answers: tuple[str, ...]
) -> dict[str, FloatArray]:
    """One block of a lazy sweep, with the dimensions of single values taken out."""
    arrays = _solve(coordinates, factors, answers, progress=False)
    kept = [i for i, name in enumerate(coordinates) if name in dims]
    return {
        name: array.reshape([array.shape[i] for i in kept] + list(array.shape[len(coordinates) :]))
        for name, array in arrays.items()
    }


def _pick(block: Mapping[str, FloatArray], name: str) -> FloatArray:
    return block[name]
