"""The fixed or the moving side of a clearance check: one or several clouds or features, with what is known of their
errors.
"""

from __future__ import annotations

import json
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from fit.clearance.cloudfile import CloudFile, read_cloud
from fit.errors import InputError
from fit.points import FloatArray, align_shared

__all__ = ["Body", "body_of", "read_body"]


@dataclass(frozen=True, eq=False, slots=True)
class Body:
    """Points of one side in one frame.

    Attributes
    ----------
    xyz : (N, 3) mm. noise : (N,) mm, NaN where unknown. normal : (N, 3), NaN where unknown, or None.
    shared : (K, N, 3) mm per standard uncertainty. shared_names : (K,).
    part : (N,) index into parts, the names people know the pieces by.
    captures : hashes of the photos or lists that the points come from; sides with a capture in common share errors.
    unit_assumed : files taken as mm although they do not say so. frame : what the axes are, '' where not known.
    """

    xyz: FloatArray
    noise: FloatArray
    normal: FloatArray | None = None
    shared: FloatArray = field(default_factory=lambda: np.zeros((0, 0, 3)))
    shared_names: tuple[str, ...] = ()
    part: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    parts: tuple[str, ...] = ("part",)
    captures: frozenset[str] = frozenset()
    unit_assumed: tuple[str, ...] = ()
    frame: str = ""

    def shared_at(self, i: int) -> dict[str, FloatArray]:
        """Move (3,) mm of point i for one standard uncertainty of each shared source."""
        return {name: self.shared[k, i] for k, name in enumerate(self.shared_names)}


def body_of(
    xyz: FloatArray, noise: FloatArray | float | None = None, normal: FloatArray | None = None, name: str = "part"
) -> Body:
    """A body from arrays: xyz (N, 3) mm and, where known, noise (N,) mm and normals (N, 3)."""
    cloud = np.ascontiguousarray(xyz, float)
    if cloud.ndim != 2 or cloud.shape[1] != 3 or len(cloud) < 2:
        message = f"The cloud '{name}' must hold at least two points with x, y, z; got an array of shape {cloud.shape}."
        raise InputError(message)
    if not np.isfinite(cloud).all():
        message = f"The cloud '{name}' must hold finite numbers; got NaN or infinity. Remove those points."
        raise InputError(message)
    spread = np.broadcast_to(np.nan if noise is None else np.asarray(noise, float), (len(cloud),)).copy()
    if (spread < 0).any():
        message = f"The noise of the cloud '{name}' must not be negative; got {np.nanmin(spread):g} mm."
        raise InputError(message)
    return Body(cloud, spread, normal, np.zeros((0, len(cloud), 3)), (), np.zeros(len(cloud), np.int64), (name,))


def read_body(
    paths: Sequence[str | Path], unit: str | None = None, cloud_u: float | None = None, section: float | None = None
) -> Body:
    """Read one side: PLY, XYZ and points.npz clouds, or the features of a results.json (see `fit.clearance.sampled`).

    cloud_u is the standard uncertainty (mm) of points whose file does not give one; `section` the diameter that a path
    stands for.
    """
    bodies = [_one_body(Path(path), unit, cloud_u, section) for path in paths]
    if not bodies:
        message = "There must be at least one file for each side; got none."
        raise InputError(message)
    return bodies[0] if len(bodies) == 1 else _joined(bodies)


def _one_body(path: Path, unit: str | None, cloud_u: float | None, section: float | None) -> Body:
    name, _, feature = str(path).partition("@")
    if path.exists() or not feature:
        name, feature = str(path), ""
    if name.endswith(".json") or Path(name).is_dir():
        from fit.clearance.sampled import sample_results

        return sample_results(Path(name), feature, section)
    cloud = read_cloud(name, unit)
    body = _from_cloud(cloud, Path(name), cloud_u)
    return _only(body, feature, name) if feature else body


def _from_cloud(cloud: CloudFile, path: Path, cloud_u: float | None) -> Body:
    count = len(cloud.xyz)
    noise = np.full(count, np.nan) if cloud.noise is None else np.array(cloud.noise, float)
    if cloud_u is not None:
        noise = np.where(np.isnan(noise), cloud_u, noise)
    part = np.zeros(count, np.int64)
    parts: tuple[str, ...] = (path.stem,)
    if cloud.label is not None:
        names, part = np.unique(cloud.label, return_inverse=True)
        parts = tuple(str(name) or path.stem for name in names)
    captures, frame = _measured_from(path)
    return Body(
        cloud.xyz,
        noise,
        _usable_normals(cloud.normal),
        np.zeros((0, count, 3)) if cloud.shared is None else cloud.shared,
        cloud.shared_names,
        part,
        parts,
        captures,
        (str(path),) if cloud.unit_assumed else (),
        frame or cloud.frame,
    )


def _usable_normals(normal: FloatArray | None) -> FloatArray | None:
    """Unit normals, NaN where the file has none or zeros; None where no point has one."""
    if normal is None:
        return None
    length = np.linalg.norm(normal, axis=1, keepdims=True)
    with np.errstate(invalid="ignore", divide="ignore"):
        unit = np.where(length > 0.5, normal / length, np.nan)
    return unit if np.isfinite(unit).any() else None


def _measured_from(path: Path) -> tuple[frozenset[str], str]:
    """Hashes of the photos and lists behind a points.npz and its axes in words, from the results.json beside it."""
    if path.suffix != ".npz":
        return frozenset(), ""
    try:
        record = json.loads((path.parent / "results.json").read_text(encoding="utf-8"))
        return frozenset(str(item["sha256"]) for item in record["sources"]), str(record.get("frame", ""))
    except (OSError, ValueError, KeyError, TypeError, AttributeError):
        return frozenset(), ""


def _only(body: Body, feature: str, name: str) -> Body:
    """The points of one named piece of a cloud."""
    if feature not in body.parts:
        message = f"{name}: has no points labelled '{feature}'; it holds {', '.join(body.parts[:8])}."
        raise InputError(message)
    which = body.part == body.parts.index(feature)
    normal = None if body.normal is None else body.normal[which]
    part = np.zeros(int(which.sum()), np.int64)
    return Body(
        body.xyz[which],
        body.noise[which],
        normal,
        body.shared[:, which],
        body.shared_names,
        part,
        (feature,),
        body.captures,
        body.unit_assumed,
        body.frame,
    )


def _joined(bodies: Sequence[Body]) -> Body:
    names = tuple(dict.fromkeys(name for body in bodies for name in body.shared_names))
    starts = np.cumsum([0, *(len(body.parts) for body in bodies)])
    normals = [np.full(body.xyz.shape, np.nan) if body.normal is None else body.normal for body in bodies]
    return Body(
        np.concatenate([body.xyz for body in bodies]),
        np.concatenate([body.noise for body in bodies]),
        np.concatenate(normals) if any(body.normal is not None for body in bodies) else None,
        np.concatenate([align_shared(names, body.shared_names, body.shared) for body in bodies], axis=1),
        names,
        np.concatenate([body.part + start for body, start in zip(bodies, starts, strict=False)]),
        tuple(name for body in bodies for name in body.parts),
        frozenset().union(*(body.captures for body in bodies)),
        tuple(name for body in bodies for name in body.unit_assumed),
        " and ".join(dict.fromkeys(body.frame for body in bodies if body.frame)),
    )
