"""Many records, each with light matrices of its own, solved together: one row a record.

A film that was measured shares its matrices with no other.  One small product for each of hundreds of films costs more
in calls than in arithmetic, so records whose nodes lie alike are stacked: the matrices get a first axis of rows, and
all that :mod:`filmdose.solver` does with rows stays as it is.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import cast

import numpy as np

from filmdose.arrays import FloatArray
from filmdose.solver import ABSENT, Light, RecordRows, RecordSolver

__all__ = ["StackedRows", "nodes_of", "stack_records"]


@dataclass(frozen=True, kw_only=True, eq=False)
class _StackedLight(Light):
    """Matrices of many records, (rows, classes, nodes), and sensitivities (rows, classes)."""

    lights: tuple[Light, ...]
    _made: dict[float, FloatArray] = field(default_factory=dict)

    @property
    def nearby(self) -> int:
        return self.end - self.zero  # a row here has matrices of its own, so all nodes are looked at in one go

    def highlight(self, scene_range: float) -> FloatArray:
        if scene_range not in self._made:
            self._made[scene_range] = _padded([light.highlight(scene_range) for light in self.lights], 0.0)
        return self._made[scene_range]


@dataclass(frozen=True, kw_only=True, eq=False)
class _Stack:
    """What :class:`filmdose.solver.RecordRows` reads of a solver, with a row for each record."""

    light: _StackedLight
    light_missed_squared: FloatArray
    weights: FloatArray
    native_fog: FloatArray
    hit_exponent: FloatArray
    area_exponent: FloatArray
    dye_saturation: FloatArray
    noise_floor: FloatArray
    cluster_grains: FloatArray
    density_step: float
    positive: bool


class StackedRows(RecordRows):
    """Rows of many records, one each."""

    def _on(
        self, rows: FloatArray, matrix: FloatArray, nodes: slice | None = None, factor: FloatArray | None = None
    ) -> FloatArray:
        part = matrix if nodes is None else matrix[:, :, nodes]
        rows = rows if factor is None else rows * factor
        return np.asarray(np.matmul(np.ascontiguousarray(rows)[:, None, :], part)[:, 0, :])


def nodes_of(solver: RecordSolver) -> tuple[float, float, float, bool]:
    """What records must share to be stacked."""
    return solver.light.step, solver.light.top, solver.density_step, solver.positive


def stack_records(solvers: Sequence[RecordSolver]) -> StackedRows:
    """Rows of many records whose :func:`nodes_of` are the same."""
    first = solvers[0]
    lights = tuple(solver.light for solver in solvers)

    def column(name: str) -> FloatArray:
        return np.array([[getattr(solver, name)] for solver in solvers], dtype=np.float64)

    missed = _padded([light.missed for light in lights], 0.0)
    stack = _Stack(
        light=_StackedLight(
            step=first.light.step,
            top=first.light.top,
            z=_padded([light.z for light in lights], 0.0),
            quanta=first.light.quanta,
            missed=missed,
            slope=_padded([light.slope for light in lights], 0.0),
            lights=lights,
        ),
        light_missed_squared=_padded([solver.light_missed_squared for solver in solvers], 0.0),
        weights=_padded([solver.weights for solver in solvers], ABSENT),
        native_fog=column("native_fog"),
        hit_exponent=column("hit_exponent"),
        area_exponent=column("area_exponent"),
        dye_saturation=column("dye_saturation"),
        noise_floor=column("noise_floor"),
        cluster_grains=column("cluster_grains"),
        density_step=first.density_step,
        positive=first.positive,
    )
    return StackedRows(cast(RecordSolver, stack))


def _padded(arrays: Sequence[FloatArray], value: float) -> FloatArray:
    """Arrays on top of each other, those with fewer classes filled up."""
    most = max(array.shape[0] for array in arrays)
    if all(array.shape[0] == most for array in arrays):
        return np.stack(arrays)
    result = np.full((len(arrays), most, *arrays[0].shape[1:]), value)
    for row, array in zip(result, arrays, strict=True):
        row[: array.shape[0]] = array
    return result
