"""The plane a path lies in: given or fitted to the walk, and how well the walk keeps to it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.results import Notice

__all__ = ["Frame", "fitted_frame", "frame_of", "planarity_notices"]

_RUN, _LEAST_SHARE = 10, 1e-3


@dataclass(frozen=True, eq=False, slots=True)
class Frame:
    """A plane with axes in it; angles count counter-clockwise about the normal from the first axis.

    Attributes
    ----------
    origin : (3,) mm. axes : (3, 3) rows: first axis (+x brought into the plane, +y where the normal is within 1° of x),
        second axis, normal.
    cov : (3, 3) own covariance of the plane's height at the origin (mm) and its slopes along the two axes (radians).
    shared : (K, 3) the same for one standard uncertainty of each shared source. shared_names : (K,).
    """

    origin: FloatArray
    axes: FloatArray
    cov: FloatArray
    shared: FloatArray
    shared_names: tuple[str, ...]

    def flat(self, xyz: FloatArray) -> FloatArray:
        """Coordinates (N, 3) along the axes; the third is the height above the plane."""
        return (xyz - self.origin) @ self.axes.T

    def lifted(self, uv: FloatArray) -> FloatArray:
        """Points (N, 2) of the plane in the axes of the points (N, 3)."""
        return self.origin + np.asarray(uv) @ self.axes[:2]


def _axes(normal: FloatArray) -> FloatArray:
    n = normal / np.linalg.norm(normal)
    towards = np.array([1.0, 0.0, 0.0]) if abs(n[0]) < np.cos(np.radians(1.0)) else np.array([0.0, 1.0, 0.0])
    first = towards - n * (towards @ n)
    first /= np.linalg.norm(first)
    return np.stack([first, np.cross(n, first), n])


def frame_of(plane: Feature) -> Frame:
    """The frame of a fitted plane, with the plane's own and shared errors."""
    if plane.kind != "plane":
        message = f"The path's plane must be a plane; got '{plane.name}', a {plane.kind}."
        raise InputError(message)
    axes = _axes(plane.vector(("nx", "ny", "nz")))
    # A point of the plane rises by dp·n, and by −(du, dv)·dn where the normal tips.
    pick = np.zeros((3, 6))
    pick[0, :3], pick[1, 3:], pick[2, 3:] = axes[2], -axes[0], -axes[1]
    order = [plane.index(key) for key in ("x", "y", "z", "nx", "ny", "nz")]
    cov = pick @ plane.cov_own[np.ix_(order, order)] @ pick.T
    return Frame(plane.vector(("x", "y", "z")), axes, cov, plane.shared[:, order] @ pick.T, plane.shared_names)


def fitted_frame(points: Points) -> Frame:
    """The least-squares plane of the walk; its normal looks up (+z, or +y, +x where it has no z)."""
    origin = points.xyz.mean(axis=0)
    _, size, turned = np.linalg.svd(points.xyz - origin, full_matrices=False)
    if size[1] < 1e-9 * max(size[0], 1e-12):
        turned[2] = np.array([0.0, 0.0, 1.0]) - turned[0] * turned[0][2]
        if np.linalg.norm(turned[2]) < 1e-6:
            message = "The points lie in one straight line along z, so they fix no plane; give the plane."
            raise CannotDetermine(message)
    normal = turned[2]
    largest = next(i for i in (2, 1, 0) if abs(normal[i]) > 1e-6)
    axes = _axes(normal * np.sign(normal[largest]))
    flat = (points.xyz - origin) @ axes.T
    design = np.column_stack([np.ones(len(flat)), flat[:, :2]])
    gain = np.linalg.pinv(design, rcond=1e-9)
    height = flat[:, 2] - design @ (gain @ flat[:, 2])
    variance = float(height @ height) / max(len(flat) - 3, 1)
    moves = points.shared @ axes[2]
    return Frame(origin, axes, variance * gain @ gain.T, moves @ gain.T, points.shared_names)


def planarity_notices(flat: FloatArray, noise: FloatArray, fitted: bool, name: str) -> list[Notice]:
    """Say how far a walk (N, 3) in its plane's axes leaves the plane, by the means of ten heights in a row.

    A tip wanders up and down a wall by tenths without harm, so less than a thousandth of the walk's extent or six times
    the noise (N,) mm is not told (common practice, no source). fitted : whether the plane was fitted to the walk itself;
    from a given one a constant height is free.
    """
    height = flat[:, 2] - flat[:, 2].mean()
    count = len(height) // _RUN
    if count < 4:
        return []
    means = height[: count * _RUN].reshape(count, _RUN).mean(axis=1)
    extent = float(np.hypot(*np.ptp(flat[:, :2], axis=0)))
    if np.ptp(means) / 2 < max(_LEAST_SHARE * extent, 6 * float(np.sqrt(np.mean(noise**2)))):
        return []
    which = "its best plane" if fitted else "the given plane"
    text = (
        f"The walk is not planar: it leaves {which} by {means.min():+.2f} to {means.max():+.2f} mm. "
        "Lengths and radii are those of its picture in that plane."
    )
    return [Notice("not-planar", text, name)]
