"""Features -> drawing: outline, holes and slots, and the sizes that someone who makes the part again needs."""

from __future__ import annotations

import math
from collections.abc import Sequence, Set
from dataclasses import dataclass

from fit.drawing.datum import PartAxes, axes_of
from fit.drawing.flat import flat_pieces
from fit.drawing.grid import sampled
from fit.drawing.marks import SMALL
from fit.drawing.model import (
    Arc,
    Circle,
    Datum,
    Drawing,
    Entity,
    Label,
    Line,
    Note,
    PointMark,
    Polyline,
    Span,
    Spot,
    TitleBlock,
)
from fit.drawing.pieces import path_lengths, path_ticks, start_labels
from fit.drawing.ring import chain_of, without_doubles
from fit.drawing.sizes import Sizes
from fit.drawing.view import view_of
from fit.feature import Feature
from fit.results import Dimension, Results
from fit.units import format_angle, format_length

__all__ = ["MovedPath", "drawing_of"]

_SOLID = ("sphere", "cone")
"""Drawn only where nothing else is: balls that tie stations are no part of the part."""
_MOST_SPANS = 3
DATUM_FRAME = "datum"
"""Results in axes of the user's own choice say so with this word first; the sketch then keeps those axes."""


@dataclass(frozen=True, eq=False, slots=True)
class MovedPath:
    """A path moved by a clearance, laminate or material thickness: `of` names what it was moved from.

    text says how far and to which side, such as ``2.50 inside outline``. On layer cut or mark it takes the place of what
    it was moved from, which then is drawn for reference only; on layer reference it is drawn beside it.
    """

    feature: Feature
    of: str
    text: str
    layer: str = "cut"

    @property
    def replaces(self) -> bool:
        return self.layer != "reference"


def drawing_of(
    results: Results,
    *,
    unit_out: str = "mm",
    title: TitleBlock | None = None,
    plane: Feature | None = None,
    moved: Sequence[MovedPath] = (),
) -> Drawing:
    """The sketch of all features, seen square to `plane` (by itself: the plane of the holes, else down z).

    Closed paths, holes and slots that lie square to the view go to layer cut; other edges to mark; shapes seen
    slanted to reference.
    """
    view = view_of(results.features, plane)
    replaced = {item.of for item in moved if item.replaces}
    measured = [item for item in results.features if item.name not in {other.feature.name for other in moved}]
    shown = [item for item in measured if item.name not in replaced] + [item.feature for item in moved if item.replaces]
    outer = _outline(shown)
    holes = [item for item in results.features if item.kind in ("circle", "slot") and view.is_square(item)]
    if results.frame.startswith(DATUM_FRAME):
        axes = PartAxes(view, (), f"measured in the {results.frame}")
    else:
        axes = axes_of(view, outer.segments if outer else (), holes)
    entities = [*_entities(measured, axes, replaced)]
    arrows = [_moved(item, results.features, axes) for item in moved]
    entities += [entity for shapes, _ in arrows for entity in shapes]
    sizes = Sizes(axes, unit_out)
    kept = [item for item in shown if item.kind == "path" and item.segments]
    entities += start_labels(kept, axes)
    spans = _spans(results, axes, unit_out)
    drawn = {span.row for span in spans}
    rows = [_asked(item, unit_out) for item in results.dimensions]
    return Drawing(
        entities=entities,
        over_all=sizes.over_all(outer) if outer else (),
        places=sizes.edge_places(outer) if outer else (),
        lengths=path_lengths(kept, axes, sizes.text, must=not holes),
        ticks=path_ticks(kept, axes),
        spans=spans,
        spots=[*sizes.hole_spots(holes), *sizes.arc_spots(shown), *(spot for _, spot in arrows)],
        sizes=[row for row in rows if row not in drawn],
        datum=_datum(axes),
        notes=[*_moved_notes(moved), *_notes(results, axes, title or TitleBlock(), unit_out)],
        title=title or TitleBlock(),
        unit_out=unit_out,
    )


def _outline(features: Sequence[Feature]) -> Feature | None:
    """The longest closed path is the outer edge."""
    closed = [item for item in features if item.kind == "path" and item.closed and item.segments]
    return max(closed, key=lambda path: path["length"], default=None)


def _datum(axes: PartAxes) -> Datum | None:
    chosen = axes.words.startswith(f"measured in the {DATUM_FRAME}")
    return Datum(0.0, 0.0, axes.words, chosen) if axes.inputs or chosen else None


def _notes(results: Results, axes: PartAxes, title: TitleBlock, unit_out: str) -> list[Note]:
    placed = any(item.kind in ("circle", "slot") or item.closed for item in results.features)
    words = f"{axes.words[0].upper()}{axes.words[1:]}. " if placed else ""
    notes = [Note(f"{words}± is the 95 % uncertainty of the measurement.".replace("; mm. ", ". "))]
    for path in (item for item in results.features if item.kind == "path" and not item.closed):
        length = path.value("length")
        told = format_length(length.value, length.u95, unit_out, short=True, with_unit=True)
        notes.append(Note(f"{path.name}: length {told}."))
    if any(item.kind == "path" and len(item.segments) > 1 for item in results.features):
        notes.append(Note("Short strokes across an edge: tangent points. Figures along a straight edge: its length."))
    missing = [
        word for word, given in (("side", title.side), ("face", title.face), ("front", title.front)) if not given
    ]
    if missing:
        told = f"{', '.join(missing)} not given: write it on, or a flipped part looks right on paper."
        notes.append(Note(told[0].upper() + told[1:], strong=True))
    return notes


def _spans(results: Results, axes: PartAxes, unit_out: str) -> list[Span]:
    """Distances between two holes or slots as dimension lines, where they are few and have no limits to be told."""
    places = {
        item.name: axes.place(axes.view.flat(item.values[:3])) for item in results.features if _is_hole(item, axes)
    }
    between = [
        item
        for item in results.dimensions
        if item.kind == "distance" and len(item.of) == 2 and all(name in places for name in item.of)
    ]
    if len(between) > _MOST_SPANS:
        return []
    rows = [(item, _asked(item, unit_out)) for item in between]
    return [Span(*places[item.of[0]], *places[item.of[1]], row[1], row) for item, row in rows if not any(row[2:])]


def _is_hole(item: Feature, axes: PartAxes) -> bool:
    return item.kind in ("circle", "slot") and axes.view.is_square(item)


def _asked(item: Dimension, unit_out: str) -> tuple[str, ...]:
    def said(value: float, u95: float | None = None) -> str:
        return format_angle(value, u95) if item.is_angle else format_length(value, u95, unit_out, short=True)

    limits = [said(limit) for limit in (item.lower, item.upper) if limit is not None and math.isfinite(limit)]
    return item.name, said(item.value.value, item.value.u95), " to ".join(limits), item.verdict or ""


def _entities(features: Sequence[Feature], axes: PartAxes, replaced: Set[str]) -> list[Entity]:
    paths = [item for item in features if item.kind == "path" and item.segments]
    chains = [_chain(path, axes, "reference" if path.name in replaced else "") for path in paths]
    loose = flat_pieces([item for item in features if item.kind in ("line", "arc")], axes)
    kept: list[Entity] = [*chains, *without_doubles(loose, chains)]
    flat = [shape for feature in features for shape in _shape(feature, axes) if feature.kind not in _SOLID]
    solid = [shape for feature in features for shape in _shape(feature, axes) if feature.kind in _SOLID]
    return [*kept, *flat] or solid


def _chain(path: Feature, axes: PartAxes, layer: str = "") -> Polyline | Circle:
    layer = layer or ("cut" if path.closed else "mark")
    pieces = flat_pieces(path.segments, axes)
    only = pieces[0]
    if path.closed and len(pieces) == 1 and isinstance(only, Arc):
        return Circle(only.x, only.y, only.radius, layer)
    return chain_of(pieces, bool(path.closed), layer)


def _moved(item: MovedPath, features: Sequence[Feature], axes: PartAxes) -> tuple[list[Entity], Spot]:
    """The moved path, a short line from what it was moved from across to it, and the words on a leader."""
    base = _chain(next(feature for feature in features if feature.name == item.of), axes)
    chain = _chain(item.feature, axes, item.layer)
    pieces = base.pieces() if isinstance(base, Polyline) else [base]
    longest = sampled(max(pieces, key=lambda piece: len(sampled(piece))))
    start = longest[len(longest) // 3]
    points = sampled(chain)
    x, y = (float(f) for f in points[((points - start) ** 2).sum(axis=1).argmin()])
    away = math.atan2(y - float(start[1]), x - float(start[0]))
    words = Spot("", x, y, 0.0, item.text, arc=(away, 1.0))
    return [chain, Line(float(start[0]), float(start[1]), x, y, "reference")], words


def _moved_notes(moved: Sequence[MovedPath]) -> list[Note]:
    """Which line is which, and to which side it was moved."""
    notes = []
    for item in moved:
        drawn = f"Thin with two dots: {item.of}, as measured" if item.replaces else "Thin with two dots: the moved line"
        walked = ", seen from its start" if item.text.endswith((f"left of {item.of}", f"right of {item.of}")) else ""
        notes.append(Note(f"{item.feature.name}: {item.text}{walked}. {drawn}.", strong=True))
    return notes


def _shape(feature: Feature, axes: PartAxes) -> list[Entity]:
    if feature.kind not in ("circle", "slot", "sphere", "cylinder", "cone"):
        return []
    x, y = axes.place(axes.view.flat(feature.values[:3]))
    named: list[Entity] = [PointMark(x, y), Label(x, y, feature.name, SMALL, "reference")]
    if feature.kind == "sphere":
        return [Circle(x, y, feature["diameter"] / 2, "reference"), *named]
    if feature.kind == "cone" or not axes.view.is_square(feature):
        return named
    if feature.kind == "slot":
        return [_slot(feature, axes, x, y)]
    return [Circle(x, y, feature["diameter"] / 2, "cut" if feature.kind == "circle" else "reference")]


def slot_direction(feature: Feature, axes: PartAxes) -> float:
    """Direction of a slot's long side in the part's axes, radians."""
    import numpy as np

    angle = feature["angle"]
    centre = feature.values[:3]
    along = np.array([math.cos(angle), math.sin(angle), 0.0])
    (x0, y0), (x1, y1) = (axes.place(axes.view.flat(point)) for point in (centre, centre + along))
    return math.atan2(y1 - y0, x1 - x0)


def _slot(feature: Feature, axes: PartAxes, x: float, y: float) -> Polyline:
    half, radius = (feature["length"] - feature["width"]) / 2, feature["width"] / 2
    turn = slot_direction(feature, axes)
    c, s = math.cos(turn), math.sin(turn)
    corners = ((-half, -radius, 0.0), (half, -radius, 1.0), (half, radius, 0.0), (-half, radius, 1.0))
    return Polyline(tuple((x + c * a - s * b, y + s * a + c * b, bulge) for a, b, bulge in corners), closed=True)
