"""Paths whose lengths are known: rounded rectangles, an open hook, sharp corners; as exact path features."""

from __future__ import annotations

import math

import numpy as np

from fit.feature import KIND_ORDER, Feature

ARC = (*KIND_ORDER["arc"], "length", "turn")


def piece(kind: str, values: list[float], name: str, u: float = 0.0) -> Feature:
    order = ARC if kind == "arc" else KIND_ORDER["line"]
    cov = np.diag(np.full(len(order), u**2))
    return Feature(name, kind, order, np.array(values, float), cov, np.zeros((0, len(order))), ())


def walk(steps, start=(0.0, 0.0), heading=0.0, closed=False, u=0.0, tilt=None, name="edge") -> Feature:
    """A path from steps: a length walks straight, (radius, turn in degrees) bends, ('corner', degrees) turns on the spot.

    tilt is a rotation (3, 3) applied to the path laid in the x-y plane.
    """
    turn_to = np.eye(3) if tilt is None else np.asarray(tilt)
    place, pieces, total = np.array([*start, 0.0], float), [], 0.0
    for step in steps:
        if isinstance(step, tuple) and step[0] == "corner":
            heading += math.radians(step[1])
            continue
        along = np.array([math.cos(heading), math.sin(heading), 0.0])
        if not isinstance(step, tuple):
            end = place + step * along
            pieces.append(piece("line", [*(turn_to @ place), *(turn_to @ end), step], f"{name} {len(pieces) + 1}", u))
            place, total = end, total + step
            continue
        radius, turn = step[0], math.radians(step[1])
        sign = math.copysign(1.0, turn)
        left = np.array([-along[1], along[0], 0.0])
        centre = place + sign * radius * left
        begin = math.atan2(*(place - centre)[1::-1])
        end = begin + turn
        place = centre + radius * np.array([math.cos(end), math.sin(end), 0.0])
        heading += turn
        first = begin if sign > 0 else end
        values = [*(turn_to @ centre), *(turn_to @ [0, 0, 1]), radius, 0.0, abs(turn), radius * abs(turn), turn]
        values[7] = _start(turn_to, first)
        pieces.append(piece("arc", values, f"{name} {len(pieces) + 1}", u))
        total += radius * abs(turn)
    order = KIND_ORDER["path"]
    radii = [part["radius"] for part in pieces if part.kind == "arc"] or [math.inf]
    smallest = min(radii)
    keep = 2 if math.isfinite(smallest) else 1
    values = np.array([total, smallest][:keep])
    cov = np.diag(np.full(keep, (2 * u) ** 2))
    return Feature(
        name, "path", order[:keep], values, cov, np.zeros((0, keep)), (), segments=tuple(pieces), closed=closed
    )


def _start(turn_to: np.ndarray, angle: float) -> float:
    """The start angle counted from +x projected into the turned plane."""
    from fit.shapes.frame import axes_about

    axes = axes_about(turn_to @ [0, 0, 1])
    out = turn_to @ [math.cos(angle), math.sin(angle), 0.0]
    return math.atan2(out @ axes[:, 1], out @ axes[:, 0]) % (2 * math.pi)


def rounded_rectangle(a: float, b: float, r: float, clockwise: bool = False, u: float = 0.0, tilt=None) -> Feature:
    """A closed rounded rectangle a × b with corners r, walked counter-clockwise unless said."""
    sign = -1 if clockwise else 1
    steps = []
    for side in (a, b, a, b):
        steps += [side - 2 * r, (r, 90.0 * sign)]
    return walk(steps, closed=True, u=u, tilt=tilt)
