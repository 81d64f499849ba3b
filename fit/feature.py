"""A measured feature: one fitted shape with its parameters, own covariance and shared errors."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from fit.errors import InputError
from fit.points import FloatArray
from fit.uncertain import Value

__all__ = ["ANGLES", "KIND_ORDER", "Feature"]

KIND_ORDER: Mapping[str, tuple[str, ...]] = MappingProxyType(
    {
        "line": ("x1", "y1", "z1", "x2", "y2", "z2", "length"),
        "circle": ("x", "y", "z", "nx", "ny", "nz", "diameter"),
        "arc": ("x", "y", "z", "nx", "ny", "nz", "radius", "start", "span"),
        "slot": ("x", "y", "z", "nx", "ny", "nz", "length", "width", "angle"),
        "plane": ("x", "y", "z", "nx", "ny", "nz"),
        "cylinder": ("x", "y", "z", "nx", "ny", "nz", "diameter", "length"),
        "cone": ("x", "y", "z", "nx", "ny", "nz", "half_angle"),
        "sphere": ("x", "y", "z", "diameter"),
        "path": ("length", "smallest_radius"),
    }
)
"""Names of a kind's values in their order; form values (straightness, …) are kept apart in `Feature.form`."""

ANGLES = frozenset({"start", "span", "angle", "half_angle", "turn"})
"""Values that are radians inside and degrees in files."""


@dataclass(frozen=True, eq=False, slots=True)
class Feature:
    """A shape fitted to points, complete when built.

    Attributes
    ----------
    name, kind : kind is a key of `KIND_ORDER`.
    order : (P,) names of the values.
    values : (P,) mm, radians, unit-vector components.
    cov_own : (P, P) covariance of the part that comes from the points' own noise.
    shared : (K, P) move of the values for one standard uncertainty of each shared source.
    shared_names : (K,).
    dof : degrees of freedom of cov_own; inf where the noise was known and the residuals agreed with it.
    points : number of points used. rms : mm, of the residuals used.
    form : least-squares and minimum-zone form values in mm, such as roundness.
    residuals : (N,) mm of all points given, signed. rejected : indices of points left out as stray.
    on : name of the plane that a hole or arc was projected into.
    segments : pieces of a path in order. closed : whether a path is closed.
    source : where its points come from.
    """

    name: str
    kind: str
    order: tuple[str, ...]
    values: FloatArray
    cov_own: FloatArray
    shared: FloatArray
    shared_names: tuple[str, ...]
    dof: float = math.inf
    points: int = 0
    rms: float = 0.0
    form: Mapping[str, float] = field(default_factory=dict)
    residuals: FloatArray = field(default_factory=lambda: np.zeros(0))
    rejected: NDArray[np.int_] = field(default_factory=lambda: np.zeros(0, dtype=int))
    on: str | None = None
    segments: tuple[Feature, ...] = ()
    closed: bool | None = None
    source: str = ""

    def __post_init__(self) -> None:
        p, k = len(self.order), len(self.shared_names)
        for what, shape in (("values", (p,)), ("cov_own", (p, p)), ("shared", (k, p))):
            array = np.array(getattr(self, what), dtype=float).reshape(shape)
            if not np.isfinite(array).all():
                message = f"The {what} of feature '{self.name}' must be finite; the fit should have refused."
                raise InputError(message)
            array.flags.writeable = False
            object.__setattr__(self, what, array)

    def renamed(self, name: str) -> Feature:
        """Return the same feature under another name."""
        return replace(self, name=name)

    def index(self, key: str) -> int:
        """Place of a value by its name."""
        return self.order.index(key)

    def __getitem__(self, key: str) -> float:
        return float(self.values[self.order.index(key)])

    def value(self, key: str) -> Value:
        """One value with its own and shared errors."""
        i = self.order.index(key)
        return Value(float(self.values[i]), float(self.cov_own[i, i]), self.shared[:, i], self.shared_names, self.dof)

    def vector(self, keys: Sequence[str]) -> FloatArray:
        """Several values as an array, such as ``feature.vector(("x", "y", "z"))``."""
        return self.values[[self.order.index(key) for key in keys]]
