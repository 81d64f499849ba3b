"""From picked tone steps to measured points, and from these to holes, slots and outlines."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from capture.camera.bench import Bench
from capture.edges.rims import LOWER, OUTLINE, WALL_SEEN_MM, RimPoints, Sheet, contour_score, rim_points, rival_offset
from capture.edges.rounding import Rounding
from capture.edges.slot_holes import stadium_of
from capture.edges.strip import Contour, Lit, Strip, unroll
from capture.edges.waves import WAVE, slow_waves
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points, join_points
from fit.results import Notice

__all__ = [
    "Edge",
    "FaceKnowledge",
    "caps_seen",
    "edge_at",
    "inliers",
    "measured_points",
    "refined_round",
    "refined_slot",
    "ring_seen",
    "slot_edge",
    "trimmed_fit",
]

_STEP_NOISE_PX = 0.1
_LOWER_NOISE_MM = 0.03
_RIM_PX = 0.12
_ROUNDING_PX = 3.0
_FOOT_MM = 0.03
_RAISED_MM = 0.2
_LIGHT = ("edge:rim", "edge:hidden", "edge:wall", "edge:foot", "edge:choice")
_GLARE_PX, _GLARE_U_PX = 0.7, 0.4
"""Where a picture clips the bright side of a step, the step shows too far on the dark side: light k times too bright is
cut at 1/k of a blurred step. Drawn steps with the blur of a phone move by half a pixel for k = 2 and 1.5 px for k = 8."""
_SURE_SCORE, _WEAK_MOST = 0.5, 2.0
"""An edge that explains less of what is to be seen than this score may be moved by light in proportion."""
_WAVE_SHARE, _WAVE_SHARE_POOR = 0.4, 0.8
"""Light moves the rim in slow waves too; each of the slowest is given this share of what all rims may be off by, more
where the edge leaps or hides."""
_STEP_REACH, _SCORE_REACH = (0.12, 0.9), (0.07, 0.6)
"""How far a step may lie from where it should, in mm or in px, whichever is more: to be picked, to count in the score."""
_RIVAL_DOUBT = 0.25
_MOVED_U = 0.3
"""Share in doubt of what the light on the paper moves a step by."""
_LEAP_MM, _LEAP_PX = 0.06, 0.5
_LEAST_COVER, _GAP_DEG, _GAP_LARGE_DEG, _LARGE_MM = 0.5, 75.0, 120.0, 10.0
_CAP_PARTS = 10
_ROUNDS = 3
_LEAST_POINTS = 8


@dataclass(frozen=True, slots=True)
class FaceKnowledge:
    """How well the sheet is known, all mm.

    height_u : standard uncertainty of its face's height. foot_u : of its lower face's, besides what that shares with the
    upper one where the sheet is raised off the bench. rim_inset, rim_u : how far
    inside the contour its rim shows by a rounding too fine to be seen, and the doubt that any rounding leaves. choice_u :
    doubt which of two close edges was meant.
    """

    sheet: Sheet
    height_u: float
    foot_u: float
    rim_inset: float = 0.0
    rim_u: float = 0.0
    choice_u: float = 0.0

    @property
    def raised(self) -> bool:
        """Whether the sheet is clear of the bench, so that both its faces are as wrong as its height."""
        return self.sheet.height - self.sheet.thickness > _RAISED_MM

    @property
    def twofold(self) -> bool:
        """Whether the edge is, or may be, rounded and so shows two lines."""
        return self.sheet.rounding > 0 or self.rim_inset > 0

    def with_rounding(self, rounding: Rounding) -> FaceKnowledge:
        """The same with the edge's rounding settled."""
        sheet = replace(self.sheet, rounding=rounding.radius)
        return replace(self, sheet=sheet, rim_inset=rounding.inset, rim_u=rounding.doubt)


@dataclass(frozen=True, eq=False, slots=True)
class Edge:
    """One edge as found: its strip, the steps picked, the share of rows that have one, the mean contour score, and the
    outward distance (mm) to a second line that would do nearly as well, None where there is none, and the score of each
    row (M,) where it was looked at.
    """

    strip: Strip
    picked: RimPoints
    cover: float
    score: float
    rival: float | None = None
    told: FloatArray | None = None

    @property
    def clean(self) -> bool:
        """Whether the edge shows all along without leaps between lines."""
        least = max(_LEAP_MM, _LEAP_PX / self.strip.px_per_mm)
        leaps = np.abs(np.diff(self.picked.offset + self.picked.inset)) > least
        return bool(self.cover > 0.95 and leaps.mean() < 0.03)

    def notices(self, name: str) -> list[Notice]:
        """What is in doubt about which edge this is."""
        if self.rival is None:
            return []
        text = (
            f"Two edges lie {abs(self.rival):.1f} mm apart here; the {'inner' if self.rival > 0 else 'outer'} one, seen "
            "from the metal, is taken and the ± widened. Look at the overlay: which one is metal?"
        )
        return [Notice("two-edges", text, name)]


def edge_at(lit: Lit, bench: Bench, known: FaceKnowledge, contour: Contour, *, told: bool = True) -> Edge:
    """Look for the sheet's edge at a true contour: its upper rim shows inside it by the inset, its lower rim does not.

    told : whether to say how well it is explained, and by which other line; on the way to a better contour nobody asks.
    """
    wall = known.sheet.wall(bench, contour)
    strip = unroll(lit, bench, contour, (-1.9, max(0.0, float(wall.max())) + 0.6), smooth=0.2)
    inset = known.rim_inset
    where = np.full(len(wall), -inset), wall + inset * (wall > 0), inset / 2
    if told:
        return edge_of(strip, known.sheet, *where)
    picked = _picked(strip, known.sheet, *where)
    return Edge(strip, picked, len(picked.row) / len(wall), math.nan)


def _picked(strip: Strip, sheet: Sheet, offset: FloatArray, wall: FloatArray, slack: float) -> RimPoints:
    return rim_points(strip, sheet, offset, wall, _reach_on(strip, _STEP_REACH) + slack)


def _reach_on(strip: Strip, least: tuple[float, float]) -> float:
    return max(least[0], least[1] / strip.px_per_mm)


def edge_of(strip: Strip, sheet: Sheet, offset: FloatArray, wall: FloatArray, slack: float = 0.0) -> Edge:
    """Pick the steps along an edge whose outward offsets (M,) on the strip are known, to `slack` mm more than usual."""
    picked = _picked(strip, sheet, offset, wall, slack)
    score_reach = _reach_on(strip, _SCORE_REACH) + slack
    told = contour_score(strip, sheet, offset, wall, score_reach)
    rival = rival_offset(strip, sheet, offset, wall)
    return Edge(strip, picked, len(picked.row) / len(wall), float(told.mean()), rival, told)


def measured_points(bench: Bench, known: FaceKnowledge, edge: Edge, *, alone: bool = False) -> Points:
    """The picked steps as points in order along the edge, with own and shared errors.

    Upper rims are cut with the face's plane, lower rims with the lower face's, so both lie on the contour in plan; all
    are given the face's height. Shared errors of light are added: how far all upper rims (``edge:rim``), besides those
    whose wall is hidden (``edge:hidden``) or shows (``edge:wall``), and all lower rims (``edge:foot``) of this sheet may
    lie to one side, since shading and a rounding move them together; that another edge was meant (``edge:choice``); and
    slow waves along this edge (``wave:k``), to be turned into the feature's own errors by `waves_to_own`. alone : leave
    the shared errors out, where only places and noise are asked for.
    """
    picked, contour, sheet = edge.picked, edge.strip.contour, known.sheet
    outward = contour.outward[picked.row]
    places = np.column_stack(
        [contour.xy[picked.row] + picked.offset[:, None] * outward, np.full(len(outward), sheet.height)]
    )
    px = bench.project(places)
    across = bench.project(places + 0.05 * np.column_stack([outward, np.zeros(len(outward))])) - px
    lower = picked.kind == LOWER
    parts, order = [], []
    for chosen, height, u, name in (
        (~lower, sheet.height, known.height_u, "top"),
        (lower, sheet.height - sheet.thickness, known.foot_u, "foot"),
    ):
        if chosen.any():
            parts.append(bench.points_on_face(px[chosen], _STEP_NOISE_PX, height, u, name, across[chosen], alone=alone))
            order.append(np.flatnonzero(chosen))
    if known.raised and lower.any() and not alone:
        foot = parts[-1].shared[parts[-1].shared_names.index("height:foot")]
        parts[-1] = parts[-1].with_shared(("height:top",), known.height_u / known.foot_u * foot[None])
    joined = join_points(parts)
    joined = joined.select(np.argsort(np.concatenate(order)))
    glare = edge.strip.glare(picked.row, picked.offset) / edge.strip.px_per_mm
    joined = _placed(joined, known, edge, glare)
    if alone:
        return joined
    seen = sheet.wall(bench, contour)[picked.row] > WALL_SEEN_MM
    return _with_light(joined, known, edge, (seen, glare))


def _placed(points: Points, known: FaceKnowledge, edge: Edge, glare: FloatArray) -> Points:
    """The picked steps moved to the contour that they tell of, with their own noise; glare (N,) mm with its side."""
    picked, outward = edge.picked, edge.strip.contour.outward[edge.picked.row]
    lower = picked.kind == LOWER
    xyz = points.xyz.copy()
    hides_rounding = ~lower & (picked.kind != OUTLINE)
    xyz[:, :2] += (picked.inset + known.rim_inset * hides_rounding + _GLARE_PX * glare)[:, None] * outward
    xyz[:, 2] = known.sheet.height
    noise = np.hypot(points.noise / np.sqrt(picked.strength), np.where(lower, _LOWER_NOISE_MM, 0.0))
    return replace(points, xyz=xyz, noise=noise, normal=np.column_stack([outward, np.zeros(len(outward))]))


def _with_light(
    points: Points, known: FaceKnowledge, edge: Edge, beside: tuple[NDArray[np.bool_], FloatArray]
) -> Points:
    """beside : (N,) whether the wall below each step shows, and its glare."""
    picked, sheet, (seen, glare) = edge.picked, known.sheet, beside
    lower = picked.kind == LOWER
    unresolved = min(_ROUNDING_PX / edge.strip.px_per_mm, 0.6)
    weak = float(np.clip(_SURE_SCORE / max(edge.score, 1e-3), 1.0, _WEAK_MOST))
    light_u = weak * float(np.hypot(_RIM_PX / edge.strip.px_per_mm, unresolved * sheet.rounding))
    rim_u = float(np.linalg.norm([light_u, known.rim_u, _RIVAL_DOUBT * abs(edge.rival or 0)]))
    # What is in doubt about the rounding holds for all rims alike; only half of it is given to the waves.
    wave_u = (_WAVE_SHARE if edge.clean else _WAVE_SHARE_POOR) * float(np.hypot(light_u, known.rim_u / 2))
    waves = slow_waves(edge.strip.contour, picked.row)
    own_u = np.hypot(np.hypot(np.where(lower, _FOOT_MM, rim_u), _GLARE_U_PX * glare), _MOVED_U * np.abs(picked.moved))
    choice = np.full(len(lower), known.choice_u)
    # Whether an edge is rounded moves all its rims alike; which way a rounding shades differs where it faces the camera.
    half = np.sqrt(0.5) * own_u
    kinds = [np.where(rows, half, 0.0) for rows in (~lower, ~lower & ~seen, ~lower & seen)]
    sizes = np.vstack([*kinds, np.where(lower, own_u, 0.0), choice, wave_u * waves])
    names = (*_LIGHT, *(f"{WAVE}:{i}" for i in range(1, len(waves) + 1)))
    return points.with_shared(names, sizes[:, :, None] * points.normal)


def trimmed_fit(fit: Callable[..., Feature], points: Points) -> tuple[Feature, Points]:
    """Fit edge points, leave out what lies off by more than the usual, and fit again until nothing more does.

    Light errs in stretches, so the spread is told from the points themselves.
    """
    bare, kept = points.without_shared(), np.arange(len(points))
    for _ in range(_ROUNDS):
        near = inliers(fit(bare, robust=False, form="none").residuals)
        if len(near) == len(bare) or len(near) < _LEAST_POINTS:
            break
        bare, kept = bare.select(near), kept[near]
    points = points.select(kept)
    return fit(points, robust=False, correlated=True), points


def refined_round(
    lit: Lit,
    bench: Bench,
    known: FaceKnowledge,
    contour_of: Callable[[float, float, float], Contour],
    start: FloatArray,
) -> tuple[Feature, Points, Edge]:
    """Fit a circle to a round hole's rims, picking the steps anew about each better circle.

    Raises CannotDetermine where too little of the rim is to be seen.
    """
    from fit.shapes import fit_circle

    x, y, radius = start
    for turn in range(_ROUNDS):
        last = turn == _ROUNDS - 1
        edge = edge_at(lit, bench, known, contour_of(x, y, radius), told=last)
        _refuse_bare(edge)
        points = measured_points(bench, known, edge, alone=not last)
        if not last:
            x, y, radius = _quick_circle(points.xyz[:, :2], 1 / points.noise**2)
    points = points.select(_near_circle(points, x, y, radius))
    return fit_circle(points, robust=False, correlated=True), points, edge


def ring_seen(hole: Feature, points: Points, edge: Edge) -> bool:
    """Whether a rim is seen on enough sides to be believed: texture and glare make short arcs, holes make rings."""
    x, y = (points.xyz[:, :2] - hole.vector(("x", "y"))).T
    angle = np.sort(np.arctan2(y, x))
    gap = np.degrees(np.diff(angle, append=angle[0] + 2 * np.pi).max())
    widest = _GAP_DEG if hole["diameter"] < _LARGE_MM else _GAP_LARGE_DEG
    return bool(edge.cover >= _LEAST_COVER and gap <= widest)


def caps_seen(slot: Feature, points: Points) -> bool:
    """Whether both round ends of a slot are seen: two sides alone may be scratches, or half of a longer slot."""
    c, s = np.cos(slot["angle"]), np.sin(slot["angle"])
    along, across = ((points.xyz[:, :2] - slot.vector(("x", "y"))) @ np.array([[c, -s], [s, c]])).T
    beyond = np.abs(along) - (slot["length"] - slot["width"]) / 2
    turn = np.degrees(np.arctan2(across, beyond))
    edges = np.linspace(-90, 90, _CAP_PARTS + 1)
    ends = (np.histogram(turn[(beyond > 0) & (sign * along > 0)], edges)[0] > 0 for sign in (1, -1))
    return all(seen.mean() >= _LEAST_COVER for seen in ends)


def _quick_circle(xy: FloatArray, weight: FloatArray) -> tuple[float, float, float]:
    """Robust algebraic circle (Kasa's linear form, reweighted); good enough to pick steps by."""
    shift = xy.mean(axis=0)
    u = xy - shift
    rows = np.column_stack([2 * u, np.ones(len(u))])
    now = weight.copy()
    for _ in range(8):
        root = np.sqrt(now)
        a, b, c = np.linalg.lstsq(rows * root[:, None], (u**2).sum(axis=1) * root, rcond=None)[0]
        radius = float(np.sqrt(max(c + a * a + b * b, 1e-12)))
        miss = np.hypot(u[:, 0] - a, u[:, 1] - b) - radius
        spread = 1.4826 * float(np.median(np.abs(miss))) + 0.003
        now = weight / (1 + (miss / (2 * spread)) ** 2) ** 2
    return float(shift[0] + a), float(shift[1] + b), radius


def _near_circle(points: Points, x: float, y: float, radius: float) -> np.ndarray:
    miss = np.hypot(points.xyz[:, 0] - x, points.xyz[:, 1] - y) - radius
    return inliers(miss)


def inliers(miss: FloatArray) -> np.ndarray:
    middle = np.median(miss)
    spread = 1.4826 * float(np.median(np.abs(miss - middle))) + 0.005
    return np.flatnonzero(np.abs(miss - middle) < 3.5 * spread)


def _refuse_bare(edge: Edge) -> None:
    if len(edge.picked.row) < _LEAST_POINTS or edge.cover < 0.4:
        message = f"Only {edge.cover:.0%} of the rim can be seen; shoot again with light from another side."
        raise CannotDetermine(message)


def refined_slot(lit: Lit, bench: Bench, known: FaceKnowledge, edge: Edge) -> tuple[Feature, Points]:
    """Fit a slot to the steps found along a rough outline, picking them anew about each better slot (`slot_edge`).

    Raises CannotDetermine where no slot fits or too little of its rim is to be seen.
    """
    from fit.shapes import fit_slot

    for turn in range(_ROUNDS):
        last = turn == _ROUNDS - 1
        _refuse_bare(edge)
        points = measured_points(bench, known, edge, alone=not last)
        rough = fit_slot(points.without_shared(), robust=turn == 0, form="none")
        points = points.select(np.setdiff1d(inliers(rough.residuals), rough.rejected))
        slot = fit_slot(points, robust=False, correlated=last, form="least-squares" if last else "none")
        if not last:
            edge = slot_edge(lit, bench, known, slot, told=turn == _ROUNDS - 2)
    return slot, points


def slot_edge(lit: Lit, bench: Bench, known: FaceKnowledge, slot: Feature, *, told: bool = True) -> Edge:
    """The edge along a fitted slot; told as `edge_at` takes it."""
    return edge_at(lit, bench, known, stadium_of(slot).contour(known.sheet.height, 0.2), told=told)
