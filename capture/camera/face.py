"""The plane on which a feature's edges lie, with how well it is known."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from fit.errors import InputError
from fit.points import FloatArray

__all__ = ["Face"]


@dataclass(frozen=True, eq=False, slots=True)
class Face:
    """A face z = a + b·x + c·y in bench coordinates, mm.

    coefficients (3,): a, b, c. modes (M, 3): their move for one standard uncertainty of each source, names (M,).
    """

    name: str
    coefficients: FloatArray
    modes: FloatArray
    names: tuple[str, ...]

    @classmethod
    def level(cls, name: str, height: float, height_u: float) -> Face:
        """A face parallel to the bench, `height` mm above the print."""
        return cls(name, np.array([height, 0.0, 0.0]), np.array([[height_u, 0.0, 0.0]]), (f"height:{name}",))

    @classmethod
    def through(cls, name: str, spots: ArrayLike, height_u: ArrayLike) -> Face:
        """A tilted face through three places (3, 3) x, y, height in mm, each height known to its standard uncertainty.

        Raises InputError where the places are so nearly in line that they fix no plane.
        """
        given = np.asarray(spots, float).reshape(3, 3)
        u = np.broadcast_to(np.asarray(height_u, float), (3,))
        design = np.column_stack([np.ones(3), given[:, :2]])
        (a, b, c) = given[:, :2]
        doubled_area = abs((b - a)[0] * (c - a)[1] - (b - a)[1] * (c - a)[0])
        longest = max(float(np.linalg.norm(p - q)) for p, q in ((a, b), (b, c), (c, a)))
        if doubled_area < 0.1 * longest**2 or longest == 0:
            message = f"Face '{name}': the three places must not lie nearly in line; type heights at three corners."
            raise InputError(message)
        inverse = np.linalg.inv(design)
        names = tuple(f"height:{name} {i}" for i in (1, 2, 3))
        return cls(name, inverse @ given[:, 2], (inverse * u).T, names)

    def height(self, xy: FloatArray) -> FloatArray:
        """Height (N,) above places xy (N, 2)."""
        a, b, c = self.coefficients
        return np.asarray(a + xy[:, 0] * b + xy[:, 1] * c)

    @property
    def normal(self) -> FloatArray:
        """Unit normal (3,), upwards."""
        _, b, c = self.coefficients
        return np.array([-b, -c, 1.0]) / np.sqrt(1 + b * b + c * c)
