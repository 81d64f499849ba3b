"""What a path says about its pieces: lengths of straight ones, and ticks where one runs into the next."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

from fit.drawing.datum import PartAxes
from fit.drawing.flat import flat_pieces
from fit.drawing.marks import SMALL
from fit.drawing.model import Along, Arc, Label, Line, Tick
from fit.drawing.ring import chain_of, ends_of
from fit.feature import Feature
from fit.uncertain import Value

__all__ = ["path_lengths", "path_ticks", "start_labels"]

_TANGENT = math.radians(5.0)
"""Pieces that meet at more than this make a corner, which shows by itself."""
_SLANTED = 1e-3
"""A line that looks shorter than it is by more than this share is not drawn square; its length would mislead."""


def path_ticks(paths: Sequence[Feature], axes: PartAxes) -> list[Tick]:
    """A tick at every tangent point of the paths."""
    found = []
    for path in paths:
        chain = chain_of(flat_pieces(path.segments, axes), bool(path.closed), "mark")
        found += _ticks(chain.pieces(), chain.closed)
    return found


def _ticks(pieces: Sequence[Line | Arc], closed: bool) -> list[Tick]:
    following = [*pieces[1:], pieces[0]] if closed and len(pieces) > 1 else pieces[1:]
    found = []
    for piece, after in zip(pieces, following, strict=False):
        x, y = ends_of(piece)[1]
        angle = heading(piece, at_end=True)
        turn = math.remainder(heading(after) - angle, 2 * math.pi)
        if abs(turn) < _TANGENT:
            found.append(Tick(x, y, angle))
    return found


def heading(piece: Line | Arc, *, at_end: bool = False) -> float:
    """Direction of travel at the start or the end of a piece, radians."""
    if isinstance(piece, Line):
        return math.atan2(piece.y2 - piece.y1, piece.x2 - piece.x1)
    return piece.start + (piece.span if at_end else 0.0) + math.copysign(math.pi / 2, piece.span)


def path_lengths(paths: Sequence[Feature], axes: PartAxes, say: Callable[[Value], str], *, must: bool) -> list[Along]:
    """The length of every straight piece that shows at its true length."""
    found = []
    for piece in (piece for path in paths for piece in path.segments if piece.kind == "line"):
        flat = flat_pieces([piece], axes)[0]
        if isinstance(flat, Line) and _shown(flat) > (1 - _SLANTED) * piece["length"]:
            found.append(Along(flat.x1, flat.y1, flat.x2, flat.y2, say(piece.value("length")), must))
    return found


def _shown(flat: Line) -> float:
    return math.hypot(flat.x2 - flat.x1, flat.y2 - flat.y1)


def start_labels(paths: Sequence[Feature], axes: PartAxes) -> list[Label]:
    """The word start, with the path's name where there are several, at the first end of every open path."""
    opened = [path for path in paths if not path.closed]
    labels = []
    for path in opened:
        x, y, _ = chain_of(flat_pieces(path.segments, axes), closed=False, layer="mark").vertices[0]
        words = "start" if len(opened) == 1 else f"start of {path.name}"
        labels.append(Label(x, y, words, SMALL, "reference"))
    return labels
