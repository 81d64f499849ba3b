"""Made-up points on every shape, and the same shapes solved by an independent solver."""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

from fit.points import FloatArray
from fit.shapes.frame import axes_about

KINDS = ("line", "plane", "circle", "sphere", "cylinder", "cone")


def direction(rng: np.random.Generator) -> FloatArray:
    vector = rng.normal(size=3)
    return np.asarray(vector / np.linalg.norm(vector))


def truth(kind: str, rng: np.random.Generator) -> dict[str, Any]:
    """A random shape: place, direction, size, and how much of it is seen."""
    return {
        "kind": kind,
        "place": rng.uniform(-300, 300, 3),
        "normal": direction(rng),
        "radius": float(rng.uniform(3, 80)),
        "angle": float(rng.uniform(0.1, 0.7)),
        "arc": math.radians(float(rng.uniform(70, 360))),
        "first": float(rng.uniform(0, 6)),
    }


def sample(shape: dict[str, Any], count: int, rng: np.random.Generator) -> FloatArray:
    """Points (count, 3) exactly on a shape, the arc seen at its ends too."""
    axes, radius = axes_about(shape["normal"]), shape["radius"]
    turn = shape["first"] + shape["arc"] * rng.permutation(np.linspace(0, 1, count))
    along = rng.permutation(np.linspace(0.5, 3.0, count)) * radius
    ring = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(count)])
    spots = np.column_stack([rng.uniform(-1, 1, (count, 2)) * 2 * radius, np.zeros(count)])
    none = np.zeros(count)
    local = {
        "line": lambda: np.column_stack([none, none, along]),
        "plane": lambda: spots,
        "circle": lambda: radius * ring,
        "sphere": lambda: radius * _cap(count, rng),
        "cylinder": lambda: radius * ring + np.column_stack([none, none, along]),
        "cone": lambda: (along * math.tan(shape["angle"]))[:, None] * ring + np.column_stack([none, none, along]),
    }[shape["kind"]]()
    return np.asarray(shape["place"] + local @ axes.T)


def _cap(count: int, rng: np.random.Generator) -> FloatArray:
    z = np.linspace(-0.2, 1, count)
    turn = rng.uniform(0, 2 * math.pi, count)
    rho = np.sqrt(1 - z**2)
    return np.column_stack([rho * np.cos(turn), rho * np.sin(turn), z])


def _across(points: FloatArray, p: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Height along and distance from an axis through p[:3] with direction (p[3], p[4], 1) in the given frame."""
    n = np.array([p[3], p[4], 1.0]) / math.sqrt(1 + p[3] ** 2 + p[4] ** 2)
    off = points - p[:3]
    height = off @ n
    return height, np.linalg.norm(off - height[:, None] * n, axis=1)


MISSES: dict[str, Callable[[FloatArray, FloatArray], FloatArray]] = {
    "line": lambda x, p: (x - np.array([*p[:2], 0.0]) - np.outer(x[:, 2], [p[2], p[3], 1.0])).T.ravel(),
    "plane": lambda x, p: (x[:, 2] - p[0] - p[1] * x[:, 0] - p[2] * x[:, 1]) / math.sqrt(1 + p[1] ** 2 + p[2] ** 2),
    "circle": lambda x, p: np.concatenate([_across(x, p)[0], _across(x, p)[1] - p[5]]),
    "sphere": lambda x, p: np.linalg.norm(x - p[:3], axis=1) - p[3],
    "cylinder": lambda x, p: _across(x, np.array([p[0], p[1], 0.0, p[2], p[3]]))[1] - p[4],
    "cone": lambda x, p: _cone(x, p),
}
"""Distances in the frame of the true shape (origin at its place, z along its normal), written independently."""


def _cone(x: FloatArray, p: FloatArray) -> FloatArray:
    height, rho = _across(x, p)
    return np.asarray(rho * math.cos(p[5]) - height * math.sin(p[5]))


def independent(shape: dict[str, Any], points: FloatArray) -> FloatArray:
    """Parameters by scipy.optimize.least_squares at tight tolerance, started from the truth, differences for slopes."""
    from scipy.optimize import least_squares

    local = (points - shape["place"]) @ axes_about(shape["normal"])
    start = {
        "line": np.zeros(4),
        "plane": np.zeros(3),
        "circle": np.array([0, 0, 0, 0, 0, shape["radius"]]),
        "sphere": np.array([0, 0, 0, shape["radius"]]),
        "cylinder": np.array([0, 0, 0, 0, shape["radius"]]),
        "cone": np.array([0, 0, 0, 0, 0, shape["angle"]]),
    }[shape["kind"]]
    fn = MISSES[shape["kind"]]
    options = {"xtol": 1e-15, "ftol": 1e-15, "gtol": 1e-15, "jac": "3-point", "method": "lm"}
    found = least_squares(lambda p: fn(local, p), start, **options)
    return np.asarray(least_squares(lambda p: fn(local, p), found.x, **options).x)


def differences(shape: dict[str, Any], values: FloatArray, other: FloatArray) -> FloatArray:
    """Differences between a feature's values and the independent parameters, relative to the shape's size."""
    axes, radius, kind = axes_about(shape["normal"]), shape["radius"], shape["kind"]
    place = axes.T @ (values[:3] - shape["place"])
    if kind == "sphere":
        return np.array([*(place - other[:3]), values[3] / 2 - other[3]]) / radius
    normal = axes.T @ (values[3:6] - values[:3] if kind == "line" else values[3:6])
    if kind == "plane":
        lean = -normal[:2] / normal[2]
        return np.array([(place[2] - other[0] - other[1:] @ place[:2]) / radius, *(lean - other[1:])])
    lean = normal[:2] / normal[2]
    if kind == "line":
        return np.array([*(place[:2] - other[:2] - place[2] * lean) / radius, *(lean - other[2:])])
    if kind == "cylinder":
        off = place[:2] - other[:2] - place[2] * lean
        return np.array([*off / radius, *(lean - other[2:4]), values[6] / 2 / radius - other[4] / radius])
    size = values[6] / 2 / radius - other[5] / radius if kind == "circle" else values[6] - other[5]
    return np.array([*(place - other[:3]) / radius, *(lean - other[3:5]), size])
