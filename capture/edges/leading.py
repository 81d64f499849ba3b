"""From way-points to the edge that is meant: every edge beside them that explains the photo, the best two kept.

A sheet's face ends, its wall ends and its shadow ends within a millimetre or two of one another, and a way-point is good
to about three. So edges are looked for on both sides of the clearest one, with the metal on either side, and compared by
what each leaves unexplained.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import cache, partial

import numpy as np

from capture.camera.bench import Bench
from capture.edges.candidates import KINDS, Candidate, Lead, Pick, Settled
from capture.edges.flanks import step_shapes
from capture.edges.follow import contour_along, line_beside, settle_edge, trace_edge
from capture.edges.guide import past_its_ends, smooth_line, straight_line
from capture.edges.hole_starts import ABOUT, patch_about, ringed
from capture.edges.openings import find_openings
from capture.edges.printed_lines import printed_share
from capture.edges.rim_fit import edge_of
from capture.edges.rims import contour_score, twin_share
from capture.edges.round_holes import Circle, RoundSearch
from capture.edges.rounding import ROUNDINGS
from capture.edges.siding import HELD_SHARE, face_tone, ground_tone, share_of_metal
from capture.edges.slot_starts import slot_about
from capture.edges.strip import Contour, Lit, Strip, unroll
from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = ["beside_picks", "chosen", "lead"]

_WAY_POINT_MM, _SHORT_ROWS = 3.0, 60
_RING, _PLAIN_HOLE, _LEAST_RING = 0.6, 0.6, 0.25
"""Share of directions with a step that a circle must have; score beyond which no other start is looked for, and below which
a ring of steps is but the grain of the ground."""
_BLOB = 1.2
"""A blob of other tone may be so many times as wide as its hole, or as narrow."""
_ASIDE_MM, _ASIDE_STEP_MM, _DEEP_MM, _REACH_MM = 4.5, 0.1, 3.0, 0.15
_APART_MM = 0.25
_RIVAL_SHARE, _TURNED_SHARE = 0.85, 0.6
"""How much of the best score another edge needs to be in question. With the metal on its other side less does: scores of
walls seen and hidden are not alike, and a shadow may be as wide as the wall."""
_INNER_SHARE, _INNER_MM = 0.6, 0.9
"""Share of the best score with which an edge so far inside the clearest one is what is meant: a shadow's end is bolder than
the edge that throws it. Of 570 drawn edges seven had one, and it was the true one every time."""
_FAINTEST = 0.05
_BOLD_SHARE, _BLACK_SHARE, _BESIDE_MM = 0.1, 0.05, 0.3
"""Least share of the largest change of tone among candidates that one must show, and that one of black metal must, whose
texture is as faint as its tone, within so many mm to either side."""
_SHADOW_HUE = 0.35
"""Share of the metal's hue just inside an edge under which it is a shadow's end, if another has all but so much."""
_ASIDES, _WORTH_A_LOOK, _SAME_MM = 3, 0.4, 0.12
_PRINTED_SHARE = 0.4
"""Share of an edge on lines of the print from which on it is the print's: its squares are black and white by turns."""
_STRAY_COST = 0.1
"""Score lost by an edge as far from its way-points as these may be from the edge meant."""


def lead(lit: Lit, bench: Bench, pick: Pick) -> Lead:
    """Lead a pick to its edge.

    Raises InputError for way-points that cannot be meant, CannotDetermine where there is nothing to be led to.
    """
    least = KINDS.get(pick.kind)
    if least is None:
        message = f"Feature '{pick.name}': the kind must be one of {', '.join(KINDS)}; got '{pick.kind}'."
        raise InputError(message)
    if len(pick.near) < least:
        message = f"Feature '{pick.name}': {pick.kind} needs at least {least} way-points in near; got {len(pick.near)}."
        raise InputError(message)
    _refuse_outside(bench, pick)
    finder = {"circle": _circles, "slot": _slots}.get(pick.kind, _edges)
    return chosen(pick, finder(beside_picks(lit), bench, pick))


def beside_picks(lit: Lit) -> Lit:
    """The picture with fainter steps than usual taken for texture: what a user points at stands out."""
    return replace(lit, faintest=_FAINTEST)


def _refuse_outside(bench: Bench, pick: Pick) -> None:
    places = np.column_stack([pick.near, np.full(len(pick.near), pick.known.sheet.height)])
    px = bench.project(places)
    outside = ((px < 0) | (px > np.array(bench.image.size) - 1)).any(axis=1)
    if outside.any():
        x, y = pick.near[outside][0]
        message = f"Feature '{pick.name}': way-point [{x:g}, {y:g}] lies outside the photo; correct it."
        raise InputError(message)


def chosen(pick: Pick, found: Sequence[Candidate]) -> Lead:
    """The best candidate, or the one asked for, and the next that is told apart from it and does nearly as well."""
    found = sorted(found, key=lambda c: -c.score)
    placed = tuple(replace(c, away=_away(found[0], c)) for c in found)
    first = placed[0]
    inner = next((c for c in placed[1:] if _throws_shadow(c, first)), None)
    rivals = [c for c in placed[1:] if abs(c.away) > _APART_MM and c.score > _share(c, first) * first.score]
    if inner is None and not rivals:
        return Lead(pick, first, None, placed)
    pair = sorted([first, inner or rivals[0]], key=lambda c: c.away)
    taken = {"metal": pair[0], "open": pair[1]}.get(pick.edge, inner or first)
    return Lead(pick, taken, pair[1] if taken is pair[0] else pair[0], placed)


def _throws_shadow(inner: Candidate, first: Candidate) -> bool:
    """Whether an edge explains so much, so far inside the clearest one, that this is the end of its shadow."""
    far_inside = not first.circles and inner.metal == first.metal and inner.away < -_INNER_MM
    return far_inside and inner.score > _INNER_SHARE * first.score


def _share(other: Candidate, first: Candidate) -> float:
    return _RIVAL_SHARE if other.metal == first.metal else _TURNED_SHARE


def _away(first: Candidate, other: Candidate) -> float:
    """Mean outward distance from one candidate to another, seen from the first one's metal; of circles, of their rims."""
    from scipy.spatial import cKDTree

    base, xy = first.contour, other.contour.xy
    _, at = cKDTree(base.xy).query(xy)
    miss = ((xy - base.xy[at]) * base.outward[at]).sum(axis=1)
    return float(np.median(miss))


def _edges(lit: Lit, bench: Bench, pick: Pick) -> list[Candidate]:
    """The edges beside the clearest continuous line of steps near the way-points."""
    sides = {None: (True, False), "left": (True,), "in": (True,)}.get(pick.metal, (False,))
    line, *guesses = _lines(lit, bench, pick)
    starts = [(metal, line, "beside") for metal in sides]
    starts += [(metal, guess, "around") for metal in sides for guess in guesses]
    starts += [(metal, aside, "near") for metal in sides for aside in _asides(lit, bench, pick, line, metal)]
    found = _with_starts(lit, bench, pick, [], starts)
    found = _not_shadows(_bold(_with_starts(lit, bench, pick, found, _turned(found, sides))))
    return [_to_settle(lit, bench, pick, candidate) for candidate in _not_printed(bench, found)]


def _lines(lit: Lit, bench: Bench, pick: Pick) -> list[FloatArray]:
    """The clearest continuous line near the way-points; of an arc with what lies past its ends.

    A short arc may look like anything through way-points off by some mm: it is looked for straight beside them too.
    """
    near, height = np.asarray(pick.near, float), pick.known.sheet.height
    guide = straight_line(near) if pick.kind == "line" else smooth_line(near, pick.closed, pick.name)
    line = trace_edge(lit, bench, height, guide, pick.closed)
    if pick.kind != "arc":
        return [line]
    line = trace_edge(lit, bench, height, past_its_ends(line), closed=False)
    if len(line) > _SHORT_ROWS:
        return [line]
    return [line, past_its_ends(guide), past_its_ends(straight_line(guide[[0, -1]]))]


def _with_starts(
    lit: Lit, bench: Bench, pick: Pick, found: Sequence[Candidate], starts: Sequence[tuple[bool, FloatArray, str]]
) -> list[Candidate]:
    """Candidates with those that other starts lead to, each line once."""
    distinct = list(found)
    for metal, start, first in starts:
        sheet, closed = pick.known.sheet, pick.closed
        xy = line_beside(lit, bench, sheet, start, material_inside=metal, first=first, closed=closed)
        line = contour_along(xy, sheet.height, material_inside=metal, closed=closed)
        if not any(c.metal == metal and _same_line(c.contour, line) for c in distinct):
            distinct.append(_judged(lit, bench, pick, Candidate(line=line, height=sheet.height, metal=metal)))
    return distinct


def _same_line(one: Contour, other: Contour) -> bool:
    """Whether two lines that run the same way are nowhere apart by more than they are good to."""
    from scipy.spatial import cKDTree

    away, at = cKDTree(one.xy).query(other.xy)
    covered = len(np.unique(at)) > 0.8 * len(one.xy)
    return bool(covered and np.quantile(away, 0.95) < _SAME_MM)


def _bold(found: Sequence[Candidate]) -> list[Candidate]:
    """Candidates across which tone changes by more than it does within a face of rich texture."""
    boldest = max(candidate.step for candidate in found)
    return [c for c in found if c.step >= (_BLACK_SHARE if c.black else _BOLD_SHARE) * boldest]


def _not_shadows(found: Sequence[Candidate]) -> list[Candidate]:
    """Candidates without those just inside which the ground's hue lies, where another has the metal's: shadows end there."""

    def is_shadow(one: Candidate) -> bool:
        return one.hue < _SHADOW_HUE and any(
            c.metal == one.metal and c.hue > 1 - _SHADOW_HUE and c.score > HELD_SHARE * one.score for c in found
        )

    return [candidate for candidate in found if not is_shadow(candidate)]


def _not_printed(bench: Bench, found: Sequence[Candidate]) -> list[Candidate]:
    """Candidates without those that are lines of the print; where these alone are left, nothing is."""
    kept = [candidate for candidate in found if printed_share(bench, candidate.contour) < _PRINTED_SHARE]
    if kept and max(found, key=lambda c: c.score) in kept:
        return kept
    message = (
        "What steps most clearly here are lines of the printed pattern, not the part's edge; put the way-points nearer to the "
        "edge, check the height, or lay the print clear of it."
    )
    raise CannotDetermine(message)


def _turned(found: Sequence[Candidate], sides: Sequence[bool]) -> list[tuple[bool, FloatArray, str]]:
    """Starts along each side's good lines with the metal on the other side, where nothing was found there yet."""
    starts = []
    for metal in sides if len(sides) > 1 else ():
        mine, others = ([c for c in found if (c.metal == metal) == same] for same in (True, False))
        best = max(c.score for c in mine)
        for one in mine:
            if one.score > _TURNED_SHARE * best and all(abs(_away(one, c)) > _APART_MM for c in others):
                starts.append((not metal, one.contour.xy, "near"))
    return starts


def _to_settle(lit: Lit, bench: Bench, pick: Pick, candidate: Candidate) -> Candidate:
    """The candidate with a way to its edge for every rounding; what was asked for once is kept with it."""
    return replace(candidate, settle=cache(partial(_settled, lit, bench, pick, candidate)))


def _settled(lit: Lit, bench: Bench, pick: Pick, candidate: Candidate) -> Settled:
    sheets = [replace(pick.known.sheet, rounding=r) for r in ROUNDINGS]
    line = candidate.contour
    followed = settle_edge(lit, bench, sheets, line.xy, material_inside=candidate.metal, closed=line.closed)
    edges = tuple(edge_of(strip, s, at, wall) for s, (strip, at, wall) in zip(sheets, followed, strict=True))
    twins = (twin_share(strip, s, at, wall) for s, (strip, at, wall) in zip(sheets, followed, strict=True))
    strip, at, wall = followed[ROUNDINGS.index(0.0)]
    return Settled(edges, tuple(twins), step_shapes(strip, bench, at, wall, bench.blur))


def _asides(lit: Lit, bench: Bench, pick: Pick, line: FloatArray, metal: bool) -> list[FloatArray]:
    """Lines beside a line along which an edge may run: the highest peaks of the mean score."""
    sheet = pick.known.sheet
    contour = contour_along(line, sheet.height, material_inside=metal, closed=pick.closed)
    steps = np.arange(-_ASIDE_MM, _ASIDE_MM + 1e-9, _ASIDE_STEP_MM)
    score, _ = _score_aside(lit, bench, pick, contour, steps)
    peaks = [i for i in range(1, len(steps) - 1) if score[i - 1] <= score[i] > score[i + 1] and score[i] > 0]
    best = sorted(peaks, key=lambda i: -score[i])[:_ASIDES]
    worth = [i for i in best if abs(steps[i]) > _APART_MM and score[i] > _WORTH_A_LOOK * score[best[0]]]
    return [contour.xy + steps[i] * contour.outward for i in worth]


def _score_aside(lit: Lit, bench: Bench, pick: Pick, contour: Contour, steps: FloatArray) -> tuple[FloatArray, Strip]:
    """Mean score (S,) of the contour moved outward by each step, counting all that lies some mm into the metal; and the
    strip it was told from.
    """
    sheet = pick.known.sheet
    wall = sheet.wall(bench, contour)
    reach = (steps.min() - _DEEP_MM - 0.5, steps.max() + max(float(wall.max()), 0.0) + 0.8)
    strip = unroll(lit, bench, contour, reach, 0.3, 0.04, placed=False)
    rows = np.repeat(steps[:, None], len(wall), axis=1)
    return np.asarray(contour_score(strip, sheet, rows, wall, _REACH_MM, _DEEP_MM).mean(axis=1)), strip


def _change_across(strip: Strip, wall: float) -> float:
    """How far the mean tone (square root of linear light) changes across a strip's contour, or across its wall's foot."""
    assert strip.tone is not None
    tone = np.sqrt(strip.tone.mean(axis=0))
    beside = round(_BESIDE_MM / strip.step)
    middles = [round((place - strip.start) / strip.step) for place in (0.0, max(wall, 0.0))]
    means = [(tone[at - beside : at].mean(axis=0), tone[at : at + beside].mean(axis=0)) for at in middles]
    return float(max(np.abs(outside - inside).max() for inside, outside in means))


def _judged(lit: Lit, bench: Bench, pick: Pick, candidate: Candidate) -> Candidate:
    """The candidate with its score over a wide neighbourhood, less for being away from its way-points."""
    from scipy.spatial import cKDTree

    score_beside, strip = _score_aside(lit, bench, pick, candidate.contour, np.array([-0.05, 0.0, 0.05]))
    step = _change_across(strip, float(np.median(pick.known.sheet.wall(bench, candidate.contour))))
    miss, _ = cKDTree(candidate.contour.xy).query(pick.near)
    stray = float(np.sqrt((miss**2).mean()))
    score = float(score_beside.max()) - _STRAY_COST * (stray / _WAY_POINT_MM) ** 2
    seen = replace(candidate, score=score, stray=stray, step=step)
    metal, ground = (tone(lit, bench, candidate.contour) for tone in (face_tone, ground_tone))
    return replace(seen, tone=metal, ground=ground, hue=share_of_metal(lit, bench, candidate.contour, ground))


def _circles(lit: Lit, bench: Bench, pick: Pick) -> list[Candidate]:
    """The circles about the way-point that explain their surroundings, each under every rounding."""
    x, y = pick.near.mean(axis=0)
    patch = patch_about(lit, bench, pick)
    starts = [o.circle for o in find_openings(patch) if o.is_round]
    if pick.about:
        starts = [c for c in starts if _as_wide(c, pick, _BLOB)]
        starts.append(Circle(x, y, pick.about / 2))
    near = [c for c in starts if np.hypot(c.x - x, c.y - y) <= max(_WAY_POINT_MM, c.radius)]
    found = _circles_from(lit, bench, pick, near)
    if pick.about and max((c.score for c in found), default=0.0) < _PLAIN_HOLE:
        rings = _circles_from(lit, bench, pick, ringed(patch, np.array([x, y]), pick.about, _WAY_POINT_MM))
        found += [circle for circle in rings if circle.score > _LEAST_RING]
    if not found:
        wide = f" some {pick.about:g} mm wide" if pick.about else ""
        message = (
            f"No round hole{wide} is to be seen within {_WAY_POINT_MM:g} mm of [{x:.1f}, {y:.1f}]; put the way-point near its "
            "middle, and give its diameter within 30 % as about."
        )
        raise CannotDetermine(message)
    return found


def _as_wide(circle: Circle, pick: Pick, slack: float = 1.0) -> bool:
    """Whether a circle has the diameter that was typed, as roughly as that is known; slack: of the circle's own."""
    least, most = ABOUT
    return not pick.about or least / slack < 2 * circle.radius / pick.about < most * slack


def _circles_from(lit: Lit, bench: Bench, pick: Pick, starts: Sequence[Circle]) -> list[Candidate]:
    found = []
    for start in starts:
        search = RoundSearch(lit, bench, pick.known.sheet, start)
        if search.ring() >= _RING:
            circle = _searched(search, bench, pick.known.sheet.height)
            if not _as_wide(max(circle.circles, key=lambda c: c.score), pick):
                continue
            found.append(replace(circle, tone=face_tone(lit, bench, circle.contour)))
    return found


def _searched(search: RoundSearch, bench: Bench, height: float) -> Candidate:
    coarse = search.coarse(0.6)
    circles = tuple(search.fine(coarse, ROUNDINGS))
    score = max(c.score for c in circles)
    rim = search.shapes(bench, circles[ROUNDINGS.index(0.0)])
    return Candidate(circles=circles, rim=rim, scale_px=search.strip.px_per_mm, height=height, score=score)


def _slots(lit: Lit, bench: Bench, pick: Pick) -> list[Candidate]:
    """The slot about a way-point that explains most of its surroundings."""
    slot = slot_about(lit, bench, pick)
    height = pick.known.sheet.height
    line = contour_along(slot.contour(height).xy, height, material_inside=False)
    tone = face_tone(lit, bench, line)
    return [_to_settle(lit, bench, pick, Candidate(line=line, height=height, score=slot.score, metal=False, tone=tone))]
