"""What circles in their plane and spheres have in common."""

from __future__ import annotations

import numpy as np

from fit.points import FloatArray
from fit.shapes.model import Tabulated
from fit.shapes.taubin import taubin

__all__ = ["RoundModel", "norms"]


def norms(rows: FloatArray, out: FloatArray | None = None) -> FloatArray:
    """Lengths (N,) of vectors (D, N)."""
    squares = np.einsum("dn,dn->n", rows, rows, out=out)
    return np.sqrt(squares, out=squares)


class RoundModel(Tabulated):
    """State and step: centre (D,) and radius."""

    def start(self, rows: FloatArray) -> FloatArray:
        return taubin(rows)

    def tabulate(self, state: FloatArray, rows: FloatArray, table: FloatArray) -> None:
        off, rho = table[:-2], table[-1]
        np.subtract(state[:-1, None], rows, out=off)
        np.sqrt(np.einsum("dn,dn->n", off, off, out=rho), out=rho)
        rho += 1e-300
        off /= rho
        table[-2].fill(-1.0)
        rho -= state[-1]

    def residuals(self, state: FloatArray, rows: FloatArray) -> FloatArray:
        rho = norms(rows - state[:-1, None])
        rho -= state[-1]
        return rho[None]

    def move(self, state: FloatArray, step: FloatArray) -> FloatArray:
        return state + step

    def gradients(self, state: FloatArray, rows: FloatArray) -> FloatArray:
        off = rows - state[:-1, None]
        return (off / norms(off))[None]
