"""Angles and legs of a bent part from its measured faces."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import FloatArray
from fit.uncertain import Value, propagate

__all__ = ["MeasuredFaces", "bend_between", "measure_faces"]

_PARALLEL = math.radians(0.5)


@dataclass(frozen=True, eq=False, slots=True)
class MeasuredFaces:
    """Bends (n) as signed turns, radians, and legs (n − 1) between the sharp corners of the measured faces, mm."""

    angles: tuple[Value, ...]
    legs: tuple[Value, ...]


def measure_faces(faces: Sequence[Feature]) -> MeasuredFaces:
    """Bends between consecutive face planes, all touched on the same face of the sheet.

    Neighbouring planes cross in the sharp corner (mould line) of that face; a leg is the distance of two neighbouring
    ones, squarely across the first. The first bend counts as up, towards the touched face; a bend the other way round
    is negative. U95 is carried through by first order (JCGM 100:2008).

    Raises CannotDetermine for faces that are nearly parallel, and InputError for other features than planes.
    """
    for face in faces:
        if face.kind != "plane":
            message = f"'{face.name}' is a {face.kind}; bends are measured between planes."
            raise InputError(message)
    if len(faces) < 2:
        message = "A bend needs two faces; name them in order with --faces."
        raise InputError(message)
    signs = _signs(faces)
    angles = tuple(_signed(bend_between(a, b), s) for a, b, s in zip(faces, faces[1:], signs, strict=False))
    legs = tuple(_leg(*faces[i : i + 3]) for i in range(len(faces) - 2))
    return MeasuredFaces(angles, legs)


def bend_between(a: Feature, b: Feature) -> Value:
    """Turn from face a to face b, radians: π less the opening angle between the faces, measured from their corner.

    Which of the two angles between planes it is, the touched places tell: each face lies where it was touched.
    """
    toward = _toward(a, b)

    def turn(p: FloatArray, q: FloatArray) -> float:
        return _turn(p, q, toward)

    return propagate(turn, a, b)


def _xyz(values: FloatArray) -> FloatArray:
    return values[:3]


def _unit(values: FloatArray) -> FloatArray:
    return np.asarray(values[3:6] / np.linalg.norm(values[3:6]))


def _corner(p: FloatArray, q: FloatArray) -> tuple[FloatArray, FloatArray]:
    """A point on the crossing of two planes, nearest to the middle of their touches, and its direction."""
    n, m = _unit(p), _unit(q)
    fold = np.cross(n, m)
    sine = float(np.linalg.norm(fold))
    if sine < math.sin(_PARALLEL):
        message = "Two neighbouring faces are parallel, so there is no bend between them; name the face in between."
        raise CannotDetermine(message)
    fold = fold / sine
    middle = (_xyz(p) + _xyz(q)) / 2
    system = np.stack([n, m, fold])
    point = np.linalg.solve(system, np.array([n @ _xyz(p), m @ _xyz(q), fold @ middle]))
    return point, fold


def _toward(a: Feature, b: Feature) -> tuple[FloatArray, FloatArray]:
    """Directions from the corner to where each face was touched, square to the fold."""
    point, fold = _corner(a.values, b.values)
    ways = []
    for face in (a, b):
        way = _xyz(face.values) - point
        way = way - (way @ fold) * fold
        ways.append(way / np.linalg.norm(way))
    return ways[0], ways[1]


def _turn(p: FloatArray, q: FloatArray, toward: tuple[FloatArray, FloatArray]) -> float:
    n, m = _unit(p), _unit(q)
    _, fold = _corner(p, q)
    legs = []
    for normal, way in ((n, toward[0]), (m, toward[1])):
        leg = np.cross(normal, fold)
        legs.append(leg if leg @ way > 0 else -leg)
    opening = math.atan2(float(np.linalg.norm(np.cross(legs[0], legs[1]))), float(legs[0] @ legs[1]))
    return math.pi - opening


def _signed(value: Value, sign: float) -> Value:
    return Value(sign * value.value, value.own, sign * value.shared, value.shared_names, value.dof)


def _signs(faces: Sequence[Feature]) -> list[float]:
    """+1 where a bend turns the same way round as the first, walking the faces in order."""
    turns: list[FloatArray] = []
    for a, b in itertools.pairwise(faces):
        first, second = _toward(a, b)
        turns.append(np.cross(-first, second))
    return [1.0 if float(turn @ turns[0]) >= 0 else -1.0 for turn in turns]


def _leg(before: Feature, face: Feature, after: Feature) -> Value:
    def length(p: FloatArray, q: FloatArray, r: FloatArray) -> float:
        first, fold = _corner(p, q)
        second, other = _corner(q, r)
        if abs(fold @ other) < math.cos(math.radians(10)):
            message = f"The bends beside '{face.name}' are not parallel; one leg has no single length there."
            raise CannotDetermine(message)
        across = second - first
        return float(np.linalg.norm(across - (across @ fold) * fold))

    step: Callable[..., float] = length
    return propagate(step, before, face, after)
