"""A drawing placed on sheets: scale, paper way, rows of dimensions, leaders, tables, title block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fit.drawing.frame import frame_items, space_of
from fit.drawing.leaders import Ground, place_leaders
from fit.drawing.lettering import clean, fitted
from fit.drawing.marks import SMALL, centre_mark, line, scaled, text_box
from fit.drawing.model import Arc, Circle, Drawing, Label, Line, Place, PointMark, Polyline, Spot, bounds_of
from fit.drawing.rows import Mark, Rows, depth_of, over_all_items, overhang, row_items
from fit.drawing.sheet import PAPERS, STROKES, Drawn, Item, Sheet, Written
from fit.drawing.tables import Table, rows_that_fit, table_items, table_size

__all__ = ["SCALES", "sketch_sheets"]

SCALES = (50.0, 20.0, 10.0, 5.0, 2.0, 1.0, 0.5, 0.2, 0.1, 0.05, 0.02, 0.01)
"""ISO 5455."""
_MOST_BY_LEADER = 8
_MOST_PLACES = 12
_NOTE_ROW = 4.4


@dataclass(frozen=True, eq=False, slots=True)
class _Plan:
    """What goes where: which spots get leaders, which a table row, which places a dimension."""

    drawing: Drawing
    led: Sequence[Spot]
    tagged: Sequence[Spot]
    tags: Sequence[str]
    places: Sequence[Place]
    tables: Sequence[Table]


def sketch_sheets(drawing: Drawing, paper: str = "a4") -> list[Sheet]:
    """The drawing on as many sheets as it needs; the first holds the part."""
    holes = [spot for spot in drawing.spots if spot.x_text]
    arcs = [spot for spot in drawing.spots if not spot.x_text]
    tabled = {"holes": len(holes) > _MOST_BY_LEADER, "arcs": len(arcs) > _MOST_BY_LEADER}
    for _ in range(3):
        plan = _plan(drawing, holes if tabled["holes"] else [], arcs if tabled["arcs"] else [])
        sheets, lost = _compose(plan, PAPERS[paper])
        again = {"holes": any(spot.x_text for spot in lost), "arcs": any(not spot.x_text for spot in lost)}
        if not lost or all(tabled[key] for key in again if again[key]):
            break
        tabled = {key: tabled[key] or again[key] for key in tabled}
    return sheets


def _plan(drawing: Drawing, holes: Sequence[Spot], arcs: Sequence[Spot]) -> _Plan:
    tabled = [*holes, *arcs]
    tags = [str(i + 1) for i in range(len(holes))] + [f"R{i + 1}" for i in range(len(arcs))]
    led = [spot for spot in drawing.spots if spot not in tabled]
    places = [*drawing.places, *(place for spot in led if spot.x_text for place in _spot_places(spot))]
    crowded = {axis for axis in "xy" if sum(place.axis == axis for place in places) > _MOST_PLACES}
    rows = tuple((tag, *_row(spot)) for tag, spot in zip(tags, tabled, strict=True))
    tables = [Table("Holes and radii" if arcs else "Holes", ("no.", "name", "x", "y", "size"), rows)] if rows else []
    if crowded:
        extra = tuple((place.axis, place.text) for place in places if place.axis in crowded)
        tables.append(Table("Places from the datum", ("along", "distance"), extra))
        places = [place for place in places if place.axis not in crowded]
    if drawing.sizes:
        asked = tuple(tuple(clean(cell) for cell in row) for row in drawing.sizes)
        tables.append(Table("Sizes asked for", ("size", "measured", "wanted", "verdict"), asked))
    return _Plan(drawing, led, tabled, tags, places, tables)


def _spot_places(spot: Spot) -> list[Place]:
    return [Place("x", spot.x, spot.y, spot.x_text), Place("y", spot.x, spot.y, spot.y_text)]


def _row(spot: Spot) -> tuple[str, str, str, str]:
    return clean(spot.name), spot.x_text, spot.y_text, spot.text.replace("\n", " ")


@dataclass(frozen=True, slots=True)
class _Room:
    """A way to use the paper: sheet size, room for the part, room for tables beside or below it (None: own sheet)."""

    size: tuple[float, float]
    part: tuple[float, float, float, float]
    panel: tuple[float, float, float, float] | None
    scale: float


def _compose(plan: _Plan, paper: tuple[float, float]) -> tuple[list[Sheet], list[Spot]]:
    room = _best_room(plan, paper)
    own_sheets = [] if room.panel else _table_sheets(plan, room.size)
    count = 1 + len(own_sheets)
    sheet, lost = _part_sheet(plan, room, count)
    others = [
        Sheet(*room.size, (*_frame(plan.drawing, room, "", (i + 2, count)), *items))
        for i, items in enumerate(own_sheets)
    ]
    return [sheet, *others], lost


def _frame(drawing: Drawing, room: _Room, scale: str, sheet: tuple[int, int]) -> list[Item]:
    return frame_items(*room.size, drawing.title, scale=scale, unit_out=drawing.unit_out, sheet=sheet)


def _best_room(plan: _Plan, paper: tuple[float, float]) -> _Room:
    """The paper way and table place that give the largest scale; upright and tables beside the part win ties."""
    sizes = [table_size(table) for table in plan.tables]
    wide, high = max((w for w, _ in sizes), default=0.0), sum(h + 5.0 for _, h in sizes)
    rooms = []
    for width, height in (paper, paper[::-1]):
        left, low, right, top = space_of(width, height)
        low += 3.0 + _NOTE_ROW * len(_note_lines(plan))
        if not sizes:
            rooms.append(_room(plan, (width, height), (left, low, right, top), None))
            continue
        if high <= top - low - 4:
            beside = (right - wide - 4, low, right, top)
            rooms.append(_room(plan, (width, height), (left, low, right - wide - 6, top), beside))
        if wide <= right - left - 4 and high < 0.5 * (top - low):
            below = (left + 3, low, right, low + high + 2)
            rooms.append(_room(plan, (width, height), (left, low + high + 4, right, top), below))
    if sizes and not any(room.scale >= 0.5 * _largest(plan, paper) for room in rooms):
        rooms = [_room(plan, size, _whole(plan, size), None) for size in (paper, paper[::-1])]
    return max(rooms, key=lambda room: room.scale)


def _whole(plan: _Plan, size: tuple[float, float]) -> tuple[float, float, float, float]:
    left, low, right, top = space_of(*size)
    return left, low + 3.0 + _NOTE_ROW * len(_note_lines(plan)), right, top


def _largest(plan: _Plan, paper: tuple[float, float]) -> float:
    return max(_room(plan, size, _whole(plan, size), None).scale for size in (paper, paper[::-1]))


def _room(
    plan: _Plan,
    size: tuple[float, float],
    part: tuple[float, float, float, float],
    panel: tuple[float, float, float, float] | None,
) -> _Room:
    scale = next((scale for scale in SCALES if _fits(plan, part, scale)), SCALES[-1])
    return _Room(size, part, panel, scale)


def _fits(plan: _Plan, part: tuple[float, float, float, float], scale: float) -> bool:
    x0, y0, x1, y1 = bounds_of(plan.drawing.entities)
    left, low, right, top = _borders(plan, scale)
    wide, high = part[2] - part[0], part[3] - part[1]
    return (x1 - x0) * scale + left + right <= wide and (y1 - y0) * scale + low + top <= high


def _borders(plan: _Plan, scale: float) -> tuple[float, float, float, float]:
    """Room for dimensions left, below, right and above the part, mm."""
    low = depth_of(*_marks(plan, "x", scale, 0.0, 0.0))
    left = depth_of(*_marks(plan, "y", scale, 0.0, 0.0))
    over = {item.axis: item for item in plan.drawing.over_all}
    words = 26.0 if plan.led else 0.0
    right = max(15.0 if "y" in over else 4.0, overhang(over["x"], scale) if "x" in over else 0.0)
    top = max(15.0 if "x" in over else 4.0, overhang(over["y"], scale) if "y" in over else 0.0)
    return max(left, 8.0), max(low, 8.0), max(right + 0.6 * words, 8.0), max(top + 0.35 * words, 8.0)


def _marks(plan: _Plan, axis: str, scale: float, left: float, bottom: float) -> tuple[Rows, list[Mark]]:
    x0, y0, x1, y1 = bounds_of(plan.drawing.entities)
    shift, side = (left, bottom) if axis == "x" else (bottom, left)
    low, high, near = (x0, x1, y0) if axis == "x" else (y0, y1, x0)
    zero = plan.drawing.datum.x if plan.drawing.datum and axis == "x" else 0.0
    rows = Rows(axis, zero * scale + shift, near * scale + side, low * scale + shift - 10, high * scale + shift + 10)
    marks = []
    for place in plan.places:
        along, across = (place.x, place.y) if axis == "x" else (place.y, place.x)
        if place.axis == axis and place.text != "0":
            marks.append(Mark(along * scale + shift, across * scale + side, place.text))
    return rows, marks


def _note_lines(plan: _Plan) -> list[str]:
    return [clean(note.text) for note in plan.drawing.notes]


def _part_sheet(plan: _Plan, room: _Room, count: int) -> tuple[Sheet, list[Spot]]:
    drawing, scale = plan.drawing, room.scale
    x0, y0, x1, y1 = bounds_of(drawing.entities)
    margins = _borders(plan, scale)
    left, bottom = (
        room.part[k]
        + margins[k]
        + (room.part[k + 2] - room.part[k] - margins[k] - margins[k + 2] - extent * scale) / 2
        - near * scale
        for k, extent, near in ((0, x1 - x0, x0), (1, y1 - y0, y0))
    )
    part = tuple(
        Drawn(scaled(e, scale, left, bottom), STROKES[e.layer])
        for e in drawing.entities
        if isinstance(e, (Line, Arc, Circle, Polyline))
    )
    items = [*_frame(drawing, room, _scale_words(scale), (1, count)), *_note_items(plan, room)]
    items += _panel_items(plan, room)
    for axis in "xy":
        items += row_items(*_marks(plan, axis, scale, left, bottom))
    items += _over_all(drawing, scale, left, bottom)
    ground = _ground(room, part, items)
    items += _marks_on_part(plan, scale, left, bottom, ground)
    led = [_on_sheet(spot, scale, left, bottom) for spot in plan.led]
    tagged = [
        replace(_on_sheet(spot, scale, left, bottom), text=tag)
        for tag, spot in zip(plan.tags, plan.tagged, strict=True)
    ]
    names = [clean(spot.name) if spot.x_text else "" for spot in plan.led] + [""] * len(tagged)
    placed, missed = place_leaders([*led, *tagged], names, ground)
    lost = [spot for spot, moved in zip((*plan.led, *plan.tagged), (*led, *tagged), strict=True) if moved in missed]
    return Sheet(*room.size, (*items, *placed), part, scale, left, bottom), lost


def _on_sheet(spot: Spot, scale: float, left: float, bottom: float) -> Spot:
    return replace(spot, x=spot.x * scale + left, y=spot.y * scale + bottom, reach=spot.reach * scale)


def _scale_words(scale: float) -> str:
    return f"{scale:g}:1" if scale >= 1 else f"1:{1 / scale:g}"


def _note_items(plan: _Plan, room: _Room) -> list[Item]:
    left, low, right, _ = space_of(*room.size)
    notes = _note_lines(plan)
    return [
        Written(
            left + 3,
            low + 2.5 + _NOTE_ROW * (len(notes) - 1 - i),
            fitted(text, SMALL, right - left - 6),
            SMALL,
            bold=plan.drawing.notes[i].strong,
        )
        for i, text in enumerate(notes)
    ]


def _panel_items(plan: _Plan, room: _Room) -> list[Item]:
    if room.panel is None:
        return []
    items: list[Item] = []
    top = room.panel[3] - 2.0
    for table in plan.tables:
        items += table_items(table, room.panel[0], top)
        top -= table_size(table)[1] + 5.0
    return items


def _table_sheets(plan: _Plan, size: tuple[float, float]) -> list[list[Item]]:
    """Tables on sheets of their own, in columns; long ones are cut and go on in the next column."""
    left, low, right, top = space_of(*size)
    sheets: list[list[Item]] = [[]] if plan.tables else []
    x, y = left + 4, top - 4
    column = 0.0
    for table in plan.tables:
        first = 0
        while first < len(table.rows):
            fits = rows_that_fit(y - low - 4)
            if fits < min(4, len(table.rows) - first):
                x, y, column = x + column + 6, top - 4, 0.0
                continue
            piece = table.part(first, first + fits)
            width, height = table_size(piece)
            if x + width > right - 2:
                sheets.append([])
                x, y, column = left + 4, top - 4, 0.0
                continue
            sheets[-1] += table_items(piece, x, y)
            first, y, column = first + fits, y - height - 5, max(column, width)
    return sheets


def _over_all(drawing: Drawing, scale: float, left: float, bottom: float) -> list[Item]:
    _, _, x1, y1 = bounds_of(drawing.entities)
    items: list[Item] = []
    for size in drawing.over_all:
        shift, side = (left, y1 * scale + bottom) if size.axis == "x" else (bottom, x1 * scale + left)
        items += over_all_items(
            size.axis, size.low * scale + shift, size.high * scale + shift, side + 10.0, side, size.text
        )
    return items


def _ground(room: _Room, part: Sequence[Drawn], items: Sequence[Item]) -> Ground:
    ground = Ground(*room.size)
    for drawn in part:
        ground.shapes.add_shape(drawn.shape)
    for item in items:
        if isinstance(item, Written):
            ground.words.add_box(text_box(item))
        elif isinstance(item, Drawn):
            ground.lines.add_shape(item.shape)
    width, height = room.size
    left, low, right, top = space_of(width, height)
    for box in ((0, 0, width, low), (0, 0, left, height), (right, 0, width, height), (0, top, width, height)):
        ground.words.add_box(box)
    if room.panel:
        ground.words.add_box(room.panel)
    return ground


def _marks_on_part(plan: _Plan, scale: float, left: float, bottom: float, ground: Ground) -> list[Item]:
    """Centre crosses, the datum's ring, marks and labels on the part."""
    items: list[Item] = []
    for spot in plan.drawing.spots:
        if spot.x_text:
            items += centre_mark(spot.x * scale + left, spot.y * scale + bottom, spot.reach * scale)
    if plan.drawing.datum:
        datum = plan.drawing.datum
        items.append(Drawn(Circle(datum.x * scale + left, datum.y * scale + bottom, 1.5), STROKES["check"]))
    for entity in plan.drawing.entities:
        x, y = (
            (entity.x * scale + left, entity.y * scale + bottom)
            if isinstance(entity, (PointMark, Label))
            else (0.0, 0.0)
        )
        if isinstance(entity, PointMark):
            items += [line(x - 1.5, y, x + 1.5, y), line(x, y - 1.5, x, y + 1.5)]
        elif isinstance(entity, Label):
            items.append(Written(x, y, clean(entity.text), entity.height))
    for item in items:
        if isinstance(item, Written):
            ground.words.add_box(text_box(item))
        elif isinstance(item, Drawn):
            ground.lines.add_shape(item.shape)
    return items
