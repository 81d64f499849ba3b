"""What a shape tells the driver, and the distances of points from it."""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np

from fit.points import FloatArray
from fit.shapes.sums import blocks

__all__ = ["Model", "Tabulated", "distances", "lengths", "residuals_of"]


class Model(Protocol):
    """State is the shape's own; points come as rows (3, N), in a plane (2, N)."""

    @property
    def kind(self) -> str: ...
    @property
    def parameters(self) -> int: ...
    @property
    def per_point(self) -> int:
        """Distances per point: 2 for a line or circle in space, else 1."""
        ...

    def start(self, rows: FloatArray) -> Any:
        """State near the minimum, without a guess. A shape may have ``solved(rows, weight)`` too, where the minimum has a
        closed form: its state, and the diagonal (p,) that J W Jᵀ is there; or ``descended(rows)``, where its start goes
        downhill itself."""
        ...

    def evaluate(self, state: Any, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Signed distances (r, N) and their derivatives (p, r, N) by a small local step (p,)."""
        ...

    def move(self, state: Any, step: FloatArray) -> Any:
        """State after a local step."""
        ...

    def gradients(self, state: Any, rows: FloatArray) -> FloatArray:
        """Derivatives (r, D, N) of the distances by the points."""
        ...


class Tabulated:
    """A shape with one distance a point, that and its derivatives written as rows of one table."""

    per_point = 1
    parameters: int

    def tabulate(self, state: Any, rows: FloatArray, table: FloatArray) -> None:
        """Write the derivatives and, last, the distances (p + 1, N)."""
        raise NotImplementedError

    def evaluate(self, state: Any, rows: FloatArray) -> tuple[FloatArray, FloatArray]:
        table = np.empty((self.parameters + 1, rows.shape[1]))
        self.tabulate(state, rows, table)
        return table[-1:], table[:-1, None]


def distances(model: Model, state: Any, rows: FloatArray, noise: FloatArray | None = None) -> FloatArray:
    """Unsigned distances (N,) of points from a shape, in mm or, with noise (N,), in standard deviations."""
    return lengths(residuals_of(model, state, rows), noise)


def residuals_of(model: Model, state: Any, rows: FloatArray) -> FloatArray:
    """Signed distances (r, N), without the derivatives where the shape can spare them."""
    alone, count = getattr(model, "residuals", None), rows.shape[1]
    if alone is None:
        return model.evaluate(state, rows)[0]
    runs = blocks(count)
    if len(runs) == 1:
        return np.asarray(alone(state, rows))
    residuals = np.empty((model.per_point, count))
    for run in runs:
        residuals[:, run] = alone(state, rows[:, run])
    return residuals


def lengths(residuals: FloatArray, noise: FloatArray | None = None) -> FloatArray:
    """Unsigned distances (N,) from signed ones (r, N)."""
    size = np.abs(residuals[0]) if len(residuals) == 1 else np.sqrt(np.sum(residuals**2, axis=0))
    return size if noise is None else size / noise
