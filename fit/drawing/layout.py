"""A drawing placed on sheets: scale, paper way, rows of dimensions, leaders, tables, title block."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from fit.drawing.beside import place_lengths, place_spans, tick_items
from fit.drawing.frame import frame_items, space_of
from fit.drawing.leaders import Ground, place_label, place_leaders
from fit.drawing.lettering import clean, fitted
from fit.drawing.marks import AXIS, SMALL, TEXT, centre_mark, datum_mark, line, scaled
from fit.drawing.model import Along, Arc, Circle, Datum, Drawing, Label, Line, PointMark, Polyline, Span, Spot
from fit.drawing.plan import Plan, marks_of, note_lines, plan_of
from fit.drawing.room import NOTE_ROW, Room, best_room, borders_of
from fit.drawing.rows import over_all_items, row_items
from fit.drawing.sheet import PAPERS, STROKES, Drawn, Item, Sheet, Written
from fit.drawing.tables import Table, paged, table_items, table_size

__all__ = ["sketch_sheets"]

_MOST_BY_LEADER = 8
_SMALL_PART = 60.0
"""A part drawn smaller than this, mm, is hard to read; sheets are A4 or larger."""


def sketch_sheets(drawing: Drawing, paper: str = "a4") -> list[Sheet]:
    """The drawing on as many sheets as it needs; the first holds the part."""
    holes = [spot for spot in drawing.spots if spot.x_text]
    arcs = [spot for spot in drawing.spots if spot.name and not spot.x_text]
    lines = [item for item in drawing.lengths if item.must]
    tabled = {
        key for key, items in (("holes", holes), ("arcs", arcs), ("lines", lines)) if len(items) > _MOST_BY_LEADER
    }
    if _is_dwarfed(drawing, holes, PAPERS[paper]):
        tabled.add("holes")
    short: list[Along] = []
    for _ in range(5):
        plan = plan_of(
            drawing,
            holes if "holes" in tabled else (),
            arcs if "arcs" in tabled else (),
            [*(lines if "lines" in tabled else ()), *short],
        )
        sheets, missed = _compose(plan, PAPERS[paper])
        if not missed.kinds - tabled and not missed.short:
            break
        tabled |= missed.kinds
        short += missed.short
        if "spans" in missed.kinds:
            drawing = replace(drawing, spans=(), sizes=[*(span.row for span in drawing.spans), *drawing.sizes])
    return sheets


def _is_dwarfed(drawing: Drawing, holes: Sequence[Spot], paper: tuple[float, float]) -> bool:
    """Whether the words around the part leave it small, and a table of its holes would let it be larger."""
    by_leader, by_table = (plan_of(drawing, tabled, []) for tabled in ([], holes))
    scale = best_room(by_leader, paper).scale
    extent = max(by_leader.box[2] - by_leader.box[0], by_leader.box[3] - by_leader.box[1])
    return extent * scale < _SMALL_PART and best_room(by_table, paper).scale > scale


@dataclass(frozen=True, eq=False, slots=True)
class _Missed:
    """What found no place: kinds of sizes (holes, arcs, lines, spans), and edges too short for their length."""

    kinds: set[str]
    short: list[Along]


def _compose(plan: Plan, paper: tuple[float, float]) -> tuple[list[Sheet], _Missed]:
    room = best_room(plan, paper)
    own_sheets = [] if room.panel else paged(plan.tables, space_of(*room.size))
    count = 1 + len(own_sheets)
    sheet, missed = _part_sheet(plan, room, count)
    others = [
        Sheet(*room.size, (*_frame(plan.drawing, room, "", (i + 2, count)), *items))
        for i, items in enumerate(own_sheets)
    ]
    return [sheet, *others], missed


def _frame(drawing: Drawing, room: Room, scale: str, sheet: tuple[int, int]) -> list[Item]:
    return frame_items(*room.size, drawing.title, scale=scale, unit_out=drawing.unit_out, sheet=sheet)


@dataclass(frozen=True, slots=True)
class _Spread:
    """From the part's mm to the sheet's: times scale, plus (left, bottom)."""

    scale: float
    left: float
    bottom: float

    def point(self, x: float, y: float) -> tuple[float, float]:
        return x * self.scale + self.left, y * self.scale + self.bottom

    def spot(self, spot: Spot) -> Spot:
        x, y = self.point(spot.x, spot.y)
        return replace(spot, x=x, y=y, reach=spot.reach * self.scale)

    def length(self, item: Along) -> Along:
        return Along(*self.point(item.x1, item.y1), *self.point(item.x2, item.y2), item.text, item.must)

    def span(self, item: Span) -> Span:
        return Span(*self.point(item.x1, item.y1), *self.point(item.x2, item.y2), item.text, item.row)


def _part_sheet(plan: Plan, room: Room, count: int) -> tuple[Sheet, _Missed]:
    drawing, to = plan.drawing, _spread(plan, room)
    shapes = [entity for entity in drawing.entities if isinstance(entity, (Line, Arc, Circle, Polyline))]
    part = tuple(Drawn(scaled(e, to.scale, to.left, to.bottom), STROKES[e.layer]) for e in shapes)
    items = [*_frame(drawing, room, _scale_words(to.scale), (1, count)), *_note_items(plan, room)]
    items += [*_panel_items(plan, room), *_over_all(plan, to)]
    for axis in "xy":
        items += row_items(*marks_of(plan, axis, to.scale, to.left, to.bottom))
    ground = _ground(plan, room, part, items)
    items += _marks_on_part(plan, to, ground)
    spans, astray = place_spans([to.span(span) for span in drawing.spans], ground)
    beside, short = place_lengths([to.length(item) for item in plan.lengths if item.must], ground)
    placed, missed = _led(plan, to, ground, short)
    extra = {to.length(item): item for item in plan.lengths if not item.must}
    small, without = place_lengths(list(extra), ground)
    items += [*spans, *beside, *placed, *small]
    lost = _Missed(missed | ({"spans"} if astray else set()), [extra[item] for item in without])
    return Sheet(*room.size, tuple(items), part, to.scale, to.left, to.bottom), lost


def _spread(plan: Plan, room: Room) -> _Spread:
    """The part in the middle of what its dimensions leave of the room."""
    x0, y0, x1, y1 = plan.box
    margins = borders_of(plan, room.scale)
    corner = []
    for k, (near, far) in enumerate(((x0, x1), (y0, y1))):
        spare = room.part[k + 2] - room.part[k] - margins[k] - margins[k + 2] - (far - near) * room.scale
        corner.append(room.part[k] + margins[k] + spare / 2 - near * room.scale)
    return _Spread(room.scale, corner[0], corner[1])


def _led(plan: Plan, to: _Spread, ground: Ground, short: Sequence[Along]) -> tuple[list[Item], set[str]]:
    """Leaders with sizes, tags of what stands in tables, lengths of pieces too short to be written along.

    Also returns what kinds found no place: holes, arcs, lines.
    """
    spots = [to.spot(spot) for spot in plan.led]
    names = [clean(spot.name) if spot.x_text else "" for spot in spots]
    spots += [replace(to.spot(spot), text=tag) for tag, spot in zip(plan.tags, plan.tagged, strict=True)]
    straight = [Spot("", (item.x1 + item.x2) / 2, (item.y1 + item.y2) / 2, 0.0, item.text) for item in short]
    names += [""] * (len(spots) - len(names) + len(straight))
    placed, missed = place_leaders([*spots, *straight], names, ground)
    lost = {"holes" if spot.x_text else "arcs" for spot in missed if spot in spots}
    return placed, lost | ({"lines"} if any(spot in straight for spot in missed) else set())


def _scale_words(scale: float) -> str:
    return f"{scale:g}:1" if scale >= 1 else f"1:{1 / scale:g}"


def _note_items(plan: Plan, room: Room) -> list[Item]:
    left, low, right, _ = space_of(*room.size)
    notes = note_lines(plan)
    return [
        Written(
            left + 3,
            low + 2.5 + NOTE_ROW * (len(notes) - 1 - i),
            fitted(note.text, SMALL, right - left - 6, bold=note.strong),
            SMALL,
            bold=note.strong,
        )
        for i, note in enumerate(notes)
    ]


def _panel_items(plan: Plan, room: Room) -> list[Item]:
    return [item for table, left, top in _panel(plan, room) for item in table_items(table, left, top)]


def _panel(plan: Plan, room: Room) -> list[tuple[Table, float, float]]:
    """Tables beside the part, each with its upper left corner."""
    if room.panel is None:
        return []
    placed = []
    top = room.panel[3] - 2.0
    for table in plan.tables:
        placed.append((table, room.panel[0], top))
        top -= table_size(table)[1] + 5.0
    return placed


def _over_all(plan: Plan, to: _Spread) -> list[Item]:
    _, _, x1, y1 = plan.box
    right, top = to.point(x1, y1)
    items: list[Item] = []
    for size in plan.drawing.over_all:
        shift, side = (to.left, top) if size.axis == "x" else (to.bottom, right)
        reach = size.low * to.scale + shift, size.high * to.scale + shift
        items += over_all_items(size.axis, reach, side, size.text)
    return items


def _ground(plan: Plan, room: Room, part: Sequence[Drawn], items: Sequence[Item]) -> Ground:
    ground = Ground(*room.size)
    for drawn in part:
        ground.shapes.add_shape(drawn.shape)
    ground.add(items)
    width, height = room.size
    left, low, right, top = space_of(width, height)
    for box in ((0, 0, width, low), (0, 0, left, height), (right, 0, width, height), (0, top, width, height)):
        ground.words.add_box(box)
    for table, left, top in _panel(plan, room):
        wide, high = table_size(table)
        ground.words.add_box((left - 2.0, top - high - 1.0, left + wide + 1.0, top + 1.0))
    return ground


def _marks_on_part(plan: Plan, to: _Spread, ground: Ground) -> list[Item]:
    """Centre crosses, the datum's ring, marks and labels on the part."""
    items: list[Item] = []
    for spot in plan.drawing.spots:
        if spot.x_text:
            items += centre_mark(*to.point(spot.x, spot.y), spot.reach * to.scale)
    datum = plan.drawing.datum
    if datum and _is_within(datum, plan.box):
        items += datum_mark(*to.point(datum.x, datum.y), with_axes=datum.with_axes)
    for entity in plan.drawing.entities:
        if isinstance(entity, PointMark):
            x, y = to.point(entity.x, entity.y)
            items += [line(x - 1.5, y, x + 1.5, y), line(x, y - 1.5, x, y + 1.5)]
    items += [tick_items(*to.point(tick.x, tick.y), tick.angle) for tick in plan.drawing.ticks]
    ground.add(items)
    if datum and datum.with_axes and _is_within(datum, plan.box):
        x, y = to.point(datum.x, datum.y)
        for letter, at in (("x", (x + AXIS + 1.0, y + 1.0)), ("y", (x + 1.0, y + AXIS + 1.0))):
            items += place_label(at, letter, TEXT, ground)
    labels = [entity for entity in plan.drawing.entities if isinstance(entity, Label)]
    for label in labels:
        items += place_label(to.point(label.x, label.y), clean(label.text), label.height, ground)
    return items


def _is_within(datum: Datum, box: tuple[float, float, float, float]) -> bool:
    return box[0] - 1 <= datum.x <= box[2] + 1 and box[1] - 1 <= datum.y <= box[3] + 1
