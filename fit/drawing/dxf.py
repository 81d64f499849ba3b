"""A drawing as DXF: true lines, arcs, circles, closed polylines in mm on layers by purpose, read back and compared."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

from fit.drawing.dxf_text import Unknown, dxf_text, insertion_unit, shapes_in
from fit.drawing.model import Arc, Circle, Entity, Line, Polyline, bounds_of
from fit.drawing.sheet import Drawn, Filled, Sheet, Written
from fit.errors import OutputError

__all__ = ["CHECK_SIDE", "compare_dxf", "cutting_dxf", "sketch_dxf"]

CHECK_SIDE = 100.0
"""Side of the check square, mm: measure it after import to see that the unit came through."""
CUTTING_LAYERS = ("cut", "bend", "check")
_MM, _R12 = "4", "$ACADVER\n  1\nAC1009\n"
"""How a header gives the unit, and the version that cannot."""
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


def _write(entities: Sequence[Entity], notes: Sequence[Written | Drawn], version: str) -> bytes:
    text = dxf_text(entities, notes, version)
    compare_dxf(text, entities)
    return text.encode("cp1252" if version == "R12" else "utf-8", "replace")  # as the blank drawings' headers say


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


def compare_dxf(text: str, entities: Sequence[Entity]) -> None:
    """Read a DXF text back and hold it against the drawing, shape by shape.

    Raises OutputError where a shape is missing, added or elsewhere by more than 1e-6 mm, or the unit is not mm.
    """
    if insertion_unit(text) != _MM and _R12 not in text:
        message = "its unit is not mm"
        raise _differs(message)
    found = [(shape[1] if isinstance(shape, tuple) else shape.layer, _signature(shape)) for shape in shapes_in(text)]
    for layer in CUTTING_LAYERS:
        wanted = [_signature(e) for e in entities if e.layer == layer and _is_shape(e)]
        _compare_layer(layer, wanted, [shape for where, shape in found if where == layer])


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


def _signature(entity: Entity | Unknown) -> Signature:
    if isinstance(entity, Line):
        return "line", (entity.x1, entity.y1, entity.x2, entity.y2)
    if isinstance(entity, Circle):
        return "circle", (entity.x, entity.y, entity.radius)
    if isinstance(entity, Arc):
        low = min(entity.start, entity.start + entity.span) % (2 * math.pi)
        return "arc", (entity.x, entity.y, entity.radius, math.cos(low), math.sin(low), abs(entity.span))
    if isinstance(entity, Polyline):
        return f"chain {entity.closed}", tuple(figure for vertex in entity.vertices for figure in vertex)
    return "other", (math.nan,)


def _close(a: Signature, b: Signature) -> bool:
    same_size = a[0] == b[0] and len(a[1]) == len(b[1])
    return same_size and all(abs(p - q) <= _SAME for p, q in zip(a[1], b[1], strict=True))
