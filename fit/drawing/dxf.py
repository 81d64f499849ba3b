"""A drawing as DXF: true lines, arcs, circles, closed polylines in mm on layers by purpose, read back and compared."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from fit.drawing.lettering import CAP_HEIGHT
from fit.drawing.model import LAYERS, Arc, Circle, Entity, Label, Line, PointMark, Polyline, bounds_of
from fit.drawing.sheet import Drawn, Filled, Sheet, Written
from fit.errors import OutputError

if TYPE_CHECKING:
    from ezdxf.document import Drawing as Document

__all__ = ["CHECK_SIDE", "compare_dxf", "cutting_dxf", "sketch_dxf"]

CHECK_SIDE = 100.0
"""Side of the check square, mm: measure it after import to see that the unit came through."""
CUTTING_LAYERS = ("cut", "bend", "check")
_COLOURS = {"cut": 7, "bend": 5, "mark": 3, "reference": 8, "check": 1}
_CROSS = 1.5
Signature = tuple[str, tuple[float, ...]]
"""Kind and numbers of a shape, by which two are compared."""
_SAME = 1e-6
"""mm and radians; what a drawing may differ by after reading back."""


def cutting_dxf(entities: Sequence[Entity], version: str = "R2010") -> bytes:
    """What a cutter needs and nothing else: layers cut, bend and check, shapes only."""
    chosen = [*(item for item in entities if item.layer in CUTTING_LAYERS and _is_shape(item)), check_square(entities)]
    return _write(chosen, (), version)


def sketch_dxf(entities: Sequence[Entity], sheet: Sheet | None = None, version: str = "R2010") -> bytes:
    """All shapes at full size, and the sheet's dimensions and words around them on layer reference.

    Chains stand there twice: as one polyline with bulges on their own layer, and piece by piece, as lines and arcs, on
    layer reference. The cutting file has the polyline alone, so that nothing is cut twice.
    Marks and labels come from the sheet where there is one: there they stand clear of the shapes.
    """
    clear = (sheet.width - sheet.left) / sheet.scale if sheet else -math.inf
    drawn = [entity for entity in entities if _is_shape(entity)] if sheet else entities
    single = [piece for entity in entities if isinstance(entity, Polyline) for piece in _single(entity)]
    return _write([*drawn, *single, check_square(entities, clear)], _notes(sheet) if sheet else (), version)


def check_square(entities: Sequence[Entity], clear: float = -math.inf) -> Polyline:
    """The 100 mm square on layer check, right of the part and of x = clear."""
    _, bottom, right, _ = bounds_of(entities)
    x, y = math.ceil(round(max(right, clear), 3)) + 20.0, float(math.floor(round(bottom, 3)))
    corners = ((x, y), (x + CHECK_SIDE, y), (x + CHECK_SIDE, y + CHECK_SIDE), (x, y + CHECK_SIDE))
    return Polyline(tuple((a, b, 0.0) for a, b in corners), closed=True, layer="check")


def _single(chain: Polyline) -> list[Line | Arc]:
    if chain.layer == "reference":
        return []
    return [replace(piece, layer="reference") for piece in chain.pieces()]


def _is_shape(entity: Entity) -> bool:
    return isinstance(entity, (Line, Arc, Circle, Polyline))


@contextmanager
def _fixed_dates() -> Iterator[None]:
    """ezdxf stamps time and a random id into a file unless this switch is on; equal inputs must give equal bytes."""
    from ezdxf._options import options

    before = options.write_fixed_meta_data_for_testing
    options.write_fixed_meta_data_for_testing = True
    try:
        yield
    finally:
        options.write_fixed_meta_data_for_testing = before


def _write(entities: Sequence[Entity], notes: Sequence[Written | Drawn], version: str) -> bytes:
    with _fixed_dates():
        document = _document(version)
        space = document.modelspace()
        for entity in entities:
            _add(space, entity, version)
        for note in notes:
            _add_note(space, note, version)
        for name in sorted(document.entitydb.dxf_types_in_use()):
            document.classes.add_class(name)  # else ezdxf adds them in the order of a set
        stream = io.StringIO()
        document.write(stream)
    text = stream.getvalue()
    compare_dxf(text, entities)
    return text.encode(document.output_encoding, "dxfreplace")


def _document(version: str) -> Document:
    from ezdxf.document import Drawing

    document = Drawing.new(version)  # ezdxf.new would warn that R12 has no unit in its header
    document.header["$MEASUREMENT"] = 1
    if version != "R12":
        document.header["$INSUNITS"] = 4
        document.header["$LUNITS"] = 2
    document.linetypes.add("BENDLINE", [7.625, 6.0, -0.75, 0.125, -0.75], description="long dash, dot")
    for layer in LAYERS:
        kind = "BENDLINE" if layer == "bend" else "Continuous"
        document.layers.add(layer, color=_COLOURS[layer], linetype=kind)
    return document


def _add(space: Any, entity: Entity, version: str) -> None:
    style = {"layer": entity.layer}
    if isinstance(entity, Line):
        space.add_line((entity.x1, entity.y1), (entity.x2, entity.y2), style)
    elif isinstance(entity, Circle):
        space.add_circle((entity.x, entity.y), entity.radius, style)
    elif isinstance(entity, Arc):
        low, high = sorted((entity.start, entity.start + entity.span))
        space.add_arc((entity.x, entity.y), entity.radius, math.degrees(low), math.degrees(high), dxfattribs=style)
    elif isinstance(entity, Polyline):
        add = space.add_polyline2d if version == "R12" else space.add_lwpolyline
        add(entity.vertices, format="xyb", close=entity.closed, dxfattribs=style)
    elif isinstance(entity, PointMark):
        space.add_line((entity.x - _CROSS, entity.y), (entity.x + _CROSS, entity.y), style)
        space.add_line((entity.x, entity.y - _CROSS), (entity.x, entity.y + _CROSS), style)
    else:
        space.add_text(entity.text, height=entity.height, dxfattribs=style).set_placement((entity.x, entity.y))


def _notes(sheet: Sheet) -> list[Written | Drawn]:
    """Words, dimension lines and arrow heads of the sheet, moved back to the part's own place and size."""
    found: list[Written | Drawn] = []
    for item in sheet.items:
        if isinstance(item, Written):
            x, y = _back(sheet, item.x, item.y)
            found.append(Written(x, y, item.text, item.height / sheet.scale, item.anchor, item.angle, item.bold))
        elif isinstance(item, Filled) and item.grey < 0.5:
            corners = tuple((*_back(sheet, x, y), 0.0) for x, y in item.points)
            found.append(Drawn(Polyline(corners, closed=True, layer="reference")))
        elif isinstance(item, Drawn) and isinstance(item.shape, Line):
            shape = item.shape
            ends = (*_back(sheet, shape.x1, shape.y1), *_back(sheet, shape.x2, shape.y2))
            found.append(Drawn(Line(*ends, layer="reference")))
    return found


def _back(sheet: Sheet, x: float, y: float) -> tuple[float, float]:
    return (x - sheet.left) / sheet.scale, (y - sheet.bottom) / sheet.scale


def _add_note(space: Any, note: Written | Drawn, version: str) -> None:
    if isinstance(note, Drawn):
        _add(space, note.shape, version)
        return
    from ezdxf.enums import TextEntityAlignment as At

    place = {0.0: At.LEFT, 0.5: At.CENTER, 1.0: At.RIGHT}[note.anchor]
    style = {"layer": "reference", "rotation": note.angle, "width": 0.718 / CAP_HEIGHT * 0.9}
    space.add_text(note.text, height=note.height, dxfattribs=style).set_placement((note.x, note.y), align=place)


def compare_dxf(text: str, entities: Sequence[Entity]) -> None:
    """Read a DXF text back and hold it against the drawing, shape by shape.

    Raises OutputError where a shape is missing, added or elsewhere by more than 1e-6 mm, or the unit is not mm.
    """
    from ezdxf.filemanagement import read

    document = read(io.StringIO(text))
    if document.dxfversion != "AC1009" and document.header.get("$INSUNITS") != 4:
        message = "its unit is not mm"
        raise _differs(message)
    for layer in CUTTING_LAYERS:
        wanted = [_signature(e) for e in entities if e.layer == layer and _is_shape(e)]
        there = [e for e in document.modelspace() if e.dxf.layer == layer and e.dxftype() != "TEXT"]
        _compare_layer(layer, wanted, [_signature(_from_dxf(e)) for e in there])


def _compare_layer(layer: str, wanted: Sequence[Signature], found: list[Signature]) -> None:
    if len(wanted) != len(found):
        message = f"layer {layer} holds {len(found)} shapes instead of {len(wanted)}"
        raise _differs(message)
    for shape in wanted:
        match = next((i for i, other in enumerate(found) if _close(shape, other)), None)
        if match is None:
            message = f"a {shape[0]} on layer {layer} is not where it was drawn"
            raise _differs(message)
        del found[match]


def _differs(what: str) -> OutputError:
    return OutputError(f"The DXF read back differs from the drawing: {what}; nothing was written. Please report this.")


def _from_dxf(item: Any) -> Entity:
    kind, layer = item.dxftype(), item.dxf.layer
    if kind == "LINE":
        return Line(item.dxf.start.x, item.dxf.start.y, item.dxf.end.x, item.dxf.end.y, layer)
    if kind == "CIRCLE":
        return Circle(item.dxf.center.x, item.dxf.center.y, item.dxf.radius, layer)
    if kind == "ARC":
        start = math.radians(item.dxf.start_angle)
        span = (math.radians(item.dxf.end_angle) - start) % (2 * math.pi)
        return Arc(item.dxf.center.x, item.dxf.center.y, item.dxf.radius, start, span, layer)
    if kind == "LWPOLYLINE":
        return Polyline(tuple(item.get_points("xyb")), closed=item.closed, layer=layer)
    if kind == "POLYLINE":
        corners = tuple((v.dxf.location.x, v.dxf.location.y, v.dxf.get("bulge", 0.0)) for v in item.vertices)
        return Polyline(corners, closed=item.is_closed, layer=layer)
    return Label(math.nan, math.nan, kind, layer=layer)


def _signature(entity: Entity) -> Signature:
    if isinstance(entity, Line):
        return "line", (entity.x1, entity.y1, entity.x2, entity.y2)
    if isinstance(entity, Circle):
        return "circle", (entity.x, entity.y, entity.radius)
    if isinstance(entity, Arc):
        low = min(entity.start, entity.start + entity.span) % (2 * math.pi)
        return "arc", (entity.x, entity.y, entity.radius, math.cos(low), math.sin(low), abs(entity.span))
    if isinstance(entity, Polyline):
        return f"chain {entity.closed}", tuple(figure for vertex in entity.vertices for figure in vertex)
    return "other", (entity.x, entity.y)


def _close(a: Signature, b: Signature) -> bool:
    same_size = a[0] == b[0] and len(a[1]) == len(b[1])
    return same_size and all(abs(p - q) <= _SAME for p, q in zip(a[1], b[1], strict=True))
