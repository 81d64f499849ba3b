"""What a user points at, the edges that may be meant, and the one that is taken."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from capture.edges.flanks import NO_SHAPES, StepShapes
from capture.edges.rim_fit import Edge, FaceKnowledge
from capture.edges.round_holes import Circle, circle_contour
from capture.edges.strip import Contour
from fit.points import FloatArray

__all__ = ["BLACK", "KINDS", "Candidate", "Lead", "Pick", "Settled"]

KINDS = {"line": 2, "arc": 3, "path": 2, "circle": 1, "slot": 1}
"""Kinds of feature that a pick can be, and how many way-points each needs."""
BLACK = math.log(0.07)
"""The brightest tone, as a logarithm, of what is black."""
_BURNT = math.log(0.95)
"""The darkest tone, as a logarithm, of what the picture clips."""


@dataclass(frozen=True, eq=False, slots=True)
class Pick:
    """What a user points at.

    name, kind (line, arc, path, circle, slot), way-points (K, 2) mm on the feature's own face, the face it lies on, rough
    diameter (or slot width) if known, whether a path closes. edge : of two close edges the clearest, the one on the
    metal's side or the one on the open side. metal : the side on which metal lies, seen along the way-points or (in, out)
    from within; None if that is to be found.
    """

    name: str
    kind: str
    near: FloatArray
    known: FaceKnowledge
    about: float | None = None
    closed: bool = False
    edge: Literal["clearest", "metal", "open"] = "clearest"
    metal: Literal["left", "right", "in", "out"] | None = None


@dataclass(frozen=True, eq=False, slots=True)
class Settled:
    """An edge under each rounding tried: where it runs, how twofold it shows; and the shape of its steps if it is sharp."""

    edges: tuple[Edge, ...]
    twins: tuple[float, ...]
    shapes: StepShapes


Settle = Callable[[], Settled]


def _unsettled() -> Settled:
    return Settled((), (), NO_SHAPES)


@dataclass(frozen=True, eq=False, slots=True)
class Candidate:
    """One edge that a pick may mean: one edge, or one circle, for each rounding tried.

    settle : gives the line's edge for each rounding; asked for once the choice is made, since of several edges beside a
    line one is taken and a tap need not wait for the others. rim : the shape of a circle's steps if its edge is sharp.
    away : mean outward distance from the clearest candidate, seen from that one's metal, mm. score : how well it explains
    the photo, with all that lies beside it. stray : root mean square distance from the way-points, mm. metal : which side
    is taken for metal; tone, ground : what that metal and what lies outside it look like (`capture.edges.siding`). step :
    how far tone changes across it, square root of linear light; hue : how far what lies just inside it is of the metal's
    hue and not of the ground's, 0 to 1.
    """

    line: Contour | None = None
    settle: Settle = _unsettled
    circles: tuple[Circle, ...] = ()
    rim: StepShapes = NO_SHAPES
    scale_px: float = 0.0
    height: float = 0.0
    score: float = 0.0
    away: float = 0.0
    stray: float = 0.0
    metal: bool = True
    tone: FloatArray = field(default_factory=lambda: np.zeros(3))
    ground: FloatArray = field(default_factory=lambda: np.zeros(3))
    step: float = 0.0
    hue: float = 1.0

    @property
    def black(self) -> bool:
        """Whether its metal is so dark that face, rounding and wall look alike beside brighter ground."""
        return bool(self.tone.max() < BLACK)

    @property
    def burnt(self) -> bool:
        """Whether the picture clips its metal, so that it hides what a rounding would show."""
        return bool(self.tone.min() > _BURNT)

    @property
    def edges(self) -> tuple[Edge, ...]:
        return self.settle().edges

    @property
    def shapes(self) -> StepShapes:
        return self.rim if self.circles else self.settle().shapes

    @property
    def px_per_mm(self) -> float:
        return self.scale_px if self.circles else self.edges[0].strip.px_per_mm

    @property
    def contour(self) -> Contour:
        """Where it runs, on the face's plane: to be drawn."""
        if self.circles:
            circle = max(self.circles, key=lambda c: c.score)
            return circle_contour(circle.x, circle.y, circle.radius, self.height)
        assert self.line is not None
        return self.line

    def worth(self) -> tuple[FloatArray, float]:
        """Score times length for each rounding, and the length, mm."""
        if self.circles:
            length = 2 * np.pi * self.circles[0].radius
            return length * np.array([c.score for c in self.circles]), length
        strip = self.edges[0].strip
        length = len(strip.total) * strip.contour.spacing
        settled = self.settle()
        scores = [e.score + 0.5 * t for e, t in zip(settled.edges, settled.twins, strict=True)]
        return length * np.array(scores), length


@dataclass(frozen=True, eq=False, slots=True)
class Lead:
    """A pick led to its edge: the candidate taken, the other one that would do nearly as well, if any, and all, best first."""

    pick: Pick
    taken: Candidate
    other: Candidate | None
    candidates: tuple[Candidate, ...]

    @property
    def apart(self) -> float:
        """Distance from the edge taken outward to the other one, seen from the metal, mm; 0 where there is none."""
        return self.other.away - self.taken.away if self.other else 0.0
