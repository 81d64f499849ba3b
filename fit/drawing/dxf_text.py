"""DXF as text: the records of shapes and words, set into a stored drawing that is blank, and shapes read back from it.

The blank drawings hold all that a DXF must carry besides: header, tables with our layers, blocks and layouts. A library
wrote them once (`tests/fit/drawing/blank_dxf.py`); loading it for every drawing took a tenth of a photo's time.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from pathlib import Path

from fit.drawing.lettering import CAP_HEIGHT
from fit.drawing.model import Arc, Circle, Entity, Line, PointMark, Polyline
from fit.drawing.sheet import Drawn, Written

__all__ = ["Unknown", "dxf_text", "insertion_unit", "shapes_in"]

Record = list[tuple[int, str]]
"""One entity as pairs of group code and value, the first its kind (DXF reference, 'Group codes in numerical order')."""
Unknown = tuple[str, str]
"""Kind and layer of an entity that no drawing of ours has as a shape."""

_CROSS = 1.5
_LETTER_WIDTH = 0.718 / CAP_HEIGHT * 0.9
_ENTITIES, _SEED, _UNIT = "  2\nENTITIES\n", "$HANDSEED\n  5\n", "$INSUNITS\n 70\n"
_MODEL_SPACE = "17"
"""Handle of the blank drawing's model space, which owns all entities; R12 knows no owners."""


def dxf_text(entities: Iterable[Entity], notes: Iterable[Written | Drawn], version: str) -> str:
    """A whole DXF, ``R2010`` or ``R12``: shapes at full size, then notes on layer reference."""
    records: list[Record] = []
    for entity in entities:
        records += _records(entity, version)
    for note in notes:
        records += _records(note.shape, version) if isinstance(note, Drawn) else [_written(note)]
    blank = Path(__file__).with_name(f"blank_{version.lower()}.dxf").read_text("ascii")
    before, seed = blank.split(_SEED, 1)
    first, rest = seed.split("\n", 1)
    head, tail = rest.split(_ENTITIES, 1)
    handle, lines = int(first, 16), list[str]()
    for record in records:
        lines += _lines(record, handle, version)
        handle += 1
    return "".join([before, _SEED, f"{handle:X}\n", head, _ENTITIES, *lines, tail])


def _lines(record: Record, handle: int, version: str) -> Iterator[str]:
    """A record's text, with its handle and what R2010 wants besides; R12 has neither owners nor subclasses."""
    modern = version != "R12"
    pairs = [record[0], (5, f"{handle:X}")]
    pairs += [(330, _MODEL_SPACE), (100, "AcDbEntity"), *record[1:]] if modern else record[1:]
    return (f"{code:3d}\n{value}\n" for code, value in pairs if modern or code != 100)


def _records(entity: Entity, version: str) -> list[Record]:
    layer = (8, entity.layer)
    if isinstance(entity, Line):
        return [_line(entity.x1, entity.y1, entity.x2, entity.y2, entity.layer)]
    if isinstance(entity, Circle):
        return [[(0, "CIRCLE"), layer, (100, "AcDbCircle"), *_place(entity.x, entity.y), _real(40, entity.radius)]]
    if isinstance(entity, Arc):
        low, high = sorted((entity.start, entity.start + entity.span))
        turn = [(100, "AcDbArc"), _real(50, math.degrees(low)), _real(51, math.degrees(high))]
        middle = [*_place(entity.x, entity.y), _real(40, entity.radius)]
        return [[(0, "ARC"), layer, (100, "AcDbCircle"), *middle, *turn]]
    if isinstance(entity, Polyline):
        return _old_chain(entity) if version == "R12" else [_chain(entity)]
    if isinstance(entity, PointMark):
        x, y = entity.x, entity.y
        ends = ((x - _CROSS, y, x + _CROSS, y), (x, y - _CROSS, x, y + _CROSS))
        return [_line(*end, entity.layer) for end in ends]
    return [_words(entity.x, entity.y, entity.text, entity.height, entity.layer, [])]


def _real(code: int, value: float) -> tuple[int, str]:
    return code, repr(float(value))


def _place(x: float, y: float, which: int = 0) -> Record:
    return [_real(10 + which, x), _real(20 + which, y), (30 + which, "0.0")]


def _line(x1: float, y1: float, x2: float, y2: float, layer: str) -> Record:
    return [(0, "LINE"), (8, layer), (100, "AcDbLine"), *_place(x1, y1), *_place(x2, y2, 1)]


def _chain(chain: Polyline) -> Record:
    record = [(0, "LWPOLYLINE"), (8, chain.layer), (100, "AcDbPolyline")]
    record += [(90, str(len(chain.vertices))), (70, str(int(chain.closed)))]
    for x, y, bulge in chain.vertices:
        record += [_real(10, x), _real(20, y)]
        record += [_real(42, bulge)] if bulge else []
    return record


def _old_chain(chain: Polyline) -> list[Record]:
    """R12 has a record for every vertex."""
    layer = (8, chain.layer)
    records = [[(0, "POLYLINE"), layer, (66, "1"), *_place(0.0, 0.0), (70, str(int(chain.closed)))]]
    for x, y, bulge in chain.vertices:
        records.append([(0, "VERTEX"), layer, *_place(x, y), *([_real(42, bulge)] if bulge else []), (70, "0")])
    return [*records, [(0, "SEQEND"), layer]]


def _written(note: Written) -> Record:
    turn = [_real(50, note.angle)] if note.angle else []
    anchor = {0.0: [], 0.5: [(72, "1")], 1.0: [(72, "2")]}[note.anchor]
    style = [*turn, _real(41, _LETTER_WIDTH), *anchor]
    return _words(note.x, note.y, note.text, note.height, "reference", style)


def _words(x: float, y: float, text: str, height: float, layer: str, style: Record) -> Record:
    line = text.replace("\r", "").replace("\n", "")  # a line break would end the record
    what = [_real(40, height), (1, line), *style]
    return [(0, "TEXT"), (8, layer), (100, "AcDbText"), *_place(x, y), *what, *_place(x, y, 1), (100, "AcDbText")]


def insertion_unit(text: str) -> str | None:
    """The code of the header's unit, ``4`` for mm; None where it names none, as R12 cannot."""
    _, found, after = text.partition(_UNIT)
    return after.split("\n", 1)[0].strip() if found else None


def shapes_in(text: str) -> Iterator[Entity | Unknown]:
    """The shapes of a DXF text's model space, each on its layer; words are passed over."""
    records = _records_in(text)
    for record in records:
        kind, told = record[0][1], dict(record)
        if kind == "POLYLINE":
            vertices = []
            while (vertex := next(records))[0][1] == "VERTEX":
                vertices += vertex[1:]
            yield Polyline(tuple(_vertices(vertices)), _is_closed(told), told[8])
        elif kind != "TEXT":
            yield _shape(kind, told, record)


def _records_in(text: str) -> Iterator[Record]:
    body = text.split(_ENTITIES, 1)[1].split("  0\nENDSEC\n", 1)[0].split("\n")
    record: Record = []
    for code, value in zip(map(int, body[:-1:2]), body[1::2], strict=True):
        if code == 0 and record:
            yield record
            record = []
        record.append((code, value))
    if record:
        yield record


def _shape(kind: str, told: dict[int, str], record: Record) -> Entity | Unknown:
    layer = told[8]
    if kind == "LINE":
        x1, y1, x2, y2 = (float(told[code]) for code in (10, 20, 11, 21))
        return Line(x1, y1, x2, y2, layer)
    if kind == "CIRCLE":
        x, y, radius = (float(told[code]) for code in (10, 20, 40))
        return Circle(x, y, radius, layer)
    if kind == "ARC":
        x, y, radius, low, high = (float(told[code]) for code in (10, 20, 40, 50, 51))
        start = math.radians(low)
        return Arc(x, y, radius, start, (math.radians(high) - start) % (2 * math.pi), layer)
    if kind == "LWPOLYLINE":
        return Polyline(tuple(_vertices(record)), _is_closed(told), layer)
    return kind, layer


def _is_closed(told: dict[int, str]) -> bool:
    return bool(int(told.get(70, "0")) & 1)


def _vertices(pairs: Sequence[tuple[int, str]]) -> Iterator[tuple[float, float, float]]:
    """Vertices of a chain; a bulge follows the place that it starts at."""
    places: list[list[float]] = []
    for code, value in pairs:
        if code == 10:
            places.append([float(value), math.nan, 0.0])
        elif code in (20, 42) and places:
            places[-1][1 if code == 20 else 2] = float(value)
    return ((x, y, bulge) for x, y, bulge in places)
