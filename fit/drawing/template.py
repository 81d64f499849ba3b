"""A part at full size over as many sheets as it needs, to be printed, joined and scribed around."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass

from fit.drawing.frame import check_bar, front_arrow, tool_version, upright
from fit.drawing.grid import sampled
from fit.drawing.leaders import Ground, place_label
from fit.drawing.lettering import clean, fitted, text_width
from fit.drawing.marks import SMALL, TEXT, scaled
from fit.drawing.model import Arc, Circle, Drawing, Entity, Label, Line, PointMark, Polyline, bounds_of
from fit.drawing.sheet import FINE, PAPERS, STROKES, Drawn, Filled, Item, Sheet, Stroke, Written
from fit.errors import OutputError

__all__ = ["OVERLAP", "template_sheets", "too_large"]

OVERLAP = 10.0
"""Width of the strip that neighbouring sheets share, mm."""
_EDGE = 10.0
_LEFT, _FOOT = 8.0, 24.0
"""Room for the upright check bar and for the words, mm."""
_MOST_SHEETS = 120
_BAR = 100.0
_SEAM = Stroke(0.25, (3.0, 1.5), 0.4)
_BY_LAYER = {**STROKES, "cut": Stroke(0.25), "mark": Stroke(0.25)}
_ALONG_SEAM = (0.5, 0.4, 0.6, 0.33, 0.67, 0.28, 0.72, 0.1, 0.9)
"""Places of words along a seam, as parts of its length."""

Window = tuple[float, float, float, float]
"""Left, bottom, right, top in the part's own mm."""


@dataclass(frozen=True, slots=True)
class _Tiles:
    """How a part is cut into windows: sheet size, window size, lower left corner, columns and rows."""

    paper: tuple[float, float]
    window: tuple[float, float]
    corner: tuple[float, float]
    columns: int
    rows: int

    def place(self, column: int, row: int) -> Window:
        """The window of one sheet; columns count from the left, rows from below."""
        x = self.corner[0] + column * (self.window[0] - OVERLAP)
        y = self.corner[1] + row * (self.window[1] - OVERLAP)
        return x, y, x + self.window[0], y + self.window[1]


def too_large(drawing: Drawing, paper: str = "a4") -> str:
    """Why there is no 1:1 template of a drawing that has shapes at true size, '' where there can be one."""
    entities = [entity for entity in drawing.entities if entity.layer != "check"]
    count = _count(_best_tiles(entities, paper)) if entities else 0
    if count <= _MOST_SHEETS:
        return ""
    told = f"A 1:1 template of this part needs {count} sheets of {paper.upper() if paper[0] == 'a' else paper.title()}"
    return f"{told}, more than {_MOST_SHEETS}; print it on a larger paper or cut from the DXF."


def _best_tiles(entities: Sequence[Entity], paper: str) -> _Tiles:
    """The paper way that takes fewer sheets."""
    return min((_tiles(entities, size) for size in (PAPERS[paper], PAPERS[paper][::-1])), key=_count)


def template_sheets(drawing: Drawing, paper: str = "a4") -> list[Sheet]:
    """The drawing's shapes at 1:1; sheets on which nothing of the part falls are left out.

    Raises OutputError where the part needs more than 120 sheets.
    """
    entities = [entity for entity in drawing.entities if entity.layer != "check"]
    if not entities:
        return []
    if message := too_large(drawing, paper):
        raise OutputError(message)
    tiles = _best_tiles(entities, paper)
    used = [(c, r) for r in range(tiles.rows) for c in range(tiles.columns) if _touches(entities, tiles.place(c, r))]
    return [_sheet(drawing, entities, tiles, used, i) for i in range(len(used))]


def _tiles(entities: Sequence[Entity], paper: tuple[float, float]) -> _Tiles:
    x0, y0, x1, y1 = bounds_of(entities)
    window = paper[0] - 2 * _EDGE - _LEFT, paper[1] - 2 * _EDGE - _FOOT
    counts = [
        max(1, math.ceil((extent + 4.0 - OVERLAP) / (size - OVERLAP)))
        for extent, size in zip((x1 - x0, y1 - y0), window, strict=True)
    ]
    spans = [count * (size - OVERLAP) + OVERLAP for count, size in zip(counts, window, strict=True)]
    corner = (x0 + x1 - spans[0]) / 2, (y0 + y1 - spans[1]) / 2
    return _Tiles(paper, window, corner, counts[0], counts[1])


def _count(tiles: _Tiles) -> int:
    return tiles.columns * tiles.rows


def _touches(entities: Sequence[Entity], window: Window) -> bool:
    return any(_inside(entity, window) for entity in entities)


def _inside(entity: Entity, window: Window) -> bool:
    x0, y0, x1, y1 = window
    if isinstance(entity, (PointMark, Label)):
        return x0 <= entity.x <= x1 and y0 <= entity.y <= y1
    points = sampled(entity)
    within = (points[:, 0] >= x0) & (points[:, 0] <= x1) & (points[:, 1] >= y0) & (points[:, 1] <= y1)
    return bool(within.any())


def _sheet(
    drawing: Drawing, entities: Sequence[Entity], tiles: _Tiles, used: Sequence[tuple[int, int]], number: int
) -> Sheet:
    column, row = used[number]
    window = tiles.place(column, row)
    left, bottom = _EDGE + _LEFT - window[0], _EDGE + _FOOT - window[1]
    shapes = [entity for entity in entities if _inside(entity, window)]
    part = tuple(
        Drawn(scaled(shape, 1.0, left, bottom), _BY_LAYER[shape.layer])
        for shape in [*_drawn(shapes), *_seams(tiles, column, row)]
    )
    clip = (_EDGE + _LEFT, _EDGE + _FOOT, _EDGE + _LEFT + tiles.window[0], _EDGE + _FOOT + tiles.window[1])
    ground = Ground(*tiles.paper)
    for drawn in part:
        ground.shapes.add_shape(drawn.shape)
    x0, y0, x1, y1 = clip
    for box in ((0.0, 0.0, tiles.paper[0], y0), (0.0, 0.0, x0, tiles.paper[1]),
                (x1, 0.0, *tiles.paper), (0.0, y1, *tiles.paper)):  # fmt: skip
        ground.words.add_box(box)
    items = [
        *_border(tiles, used, number, ground),
        *_labels(drawing, shapes, ground, (left, bottom), window),
        *_foot(drawing, tiles, used, number),
    ]
    return Sheet(*tiles.paper, tuple(items), part, 1.0, left, bottom, clip)


def _drawn(shapes: Sequence[Entity]) -> list[Line | Arc | Circle | Polyline]:
    """Shapes, and a cross of 6 mm or more at every hole's centre to punch at."""
    found: list[Line | Arc | Circle | Polyline] = []
    for shape in shapes:
        if isinstance(shape, (Line, Arc, Circle, Polyline)):
            found.append(shape)
        if isinstance(shape, (Circle, PointMark)):
            arm = 3.0 if isinstance(shape, PointMark) else max(3.0, shape.radius + 3.0)
            found.append(Line(shape.x - arm, shape.y, shape.x + arm, shape.y, "check"))
            found.append(Line(shape.x, shape.y - arm, shape.x, shape.y + arm, "check"))
    return found


def _seams(tiles: _Tiles, column: int, row: int) -> list[Line]:
    """Crosses in the middle of each overlap, at the same places of the part on both sheets."""
    x0, y0, x1, y1 = tiles.place(column, row)
    half = OVERLAP / 2
    xs = [x for x, there in ((x0 + half, column > 0), (x1 - half, column < tiles.columns - 1)) if there]
    ys = [y for y, there in ((y0 + half, row > 0), (y1 - half, row < tiles.rows - 1)) if there]
    crosses = [(x, y0 + part * (y1 - y0)) for x in xs for part in (0.2, 0.8)]
    crosses += [(x0 + part * (x1 - x0), y) for y in ys for part in (0.2, 0.8)]
    arm = half - 0.5
    return [
        piece
        for x, y in crosses
        for piece in (Line(x - arm, y, x + arm, y, "check"), Line(x, y - arm, x, y + arm, "check"))
    ]


def _labels(
    drawing: Drawing, shapes: Sequence[Entity], ground: Ground, corner: tuple[float, float], window: Window
) -> list[Item]:
    """Labels, what to drill at every hole, and how far a line was moved, as near as they stand clear of everything.

    What finds no room is left out: the sketch holds every size.
    """
    said = [(shape.x, shape.y, shape.text, shape.height) for shape in shapes if isinstance(shape, Label)]
    for spot in drawing.spots:
        is_told = spot.x_text or not spot.name
        if is_told and window[0] <= spot.x <= window[2] and window[1] <= spot.y <= window[3]:
            away = 0.75 * spot.reach + 2.0
            at = min(spot.x + away, window[2] - 3.0), min(spot.y + away, window[3] - 5.0)
            said.append((*at, spot.text.replace("\n", " "), SMALL))
    items: list[Item] = []
    for x, y, text, height in said:
        place = x + corner[0], y + corner[1]
        tries = (place_label(place, words, height, ground, must=False) for words in (clean(text), _bare(clean(text))))
        items += next((found for found in tries if found), [])
    return items


def _bare(text: str) -> str:
    """A size without its ±, where there is no room for more; the sketch holds both."""
    return re.sub(r" ±\S+", "", text)


def _border(tiles: _Tiles, used: Sequence[tuple[int, int]], number: int, ground: Ground) -> list[Item]:
    """The window's frame, the dashed lines up to which neighbours reach, and which sheet joins where."""
    column, row = used[number]
    x0, y0 = _EDGE + _LEFT, _EDGE + _FOOT
    x1, y1 = x0 + tiles.window[0], y0 + tiles.window[1]
    corners = ((x0, y0), (x1, y0), (x1, y1), (x0, y1))
    items: list[Item] = [Drawn(Polyline(tuple((x, y, 0.0) for x, y in corners), True, "check"), FINE)]
    sides = {
        (-1, 0): (Line(x0 + OVERLAP, y0, x0 + OVERLAP, y1), -2.0),
        (1, 0): (Line(x1 - OVERLAP, y0, x1 - OVERLAP, y1), 4.5),
        (0, -1): (Line(x0, y0 + OVERLAP, x1, y0 + OVERLAP), 3.0 - OVERLAP),
        (0, 1): (Line(x0, y1 - OVERLAP, x1, y1 - OVERLAP), 3.0),
    }
    joined = [(used.index((column + dx, row + dy)), *side) for (dx, dy), side in sides.items()
              if (column + dx, row + dy) in used]  # fmt: skip
    items += [Drawn(seam, _SEAM) for _, seam, _ in joined]
    ground.add(items)
    words = (_seam_words(seam, away, f"joins sheet {i + 1}", ground) for i, seam, away in joined)
    return [*items, *(item for item in words if item is not None)]


def _seam_words(seam: Line, away: float, text: str, ground: Ground) -> Written | None:
    """Words beside a seam where they cover nothing; where there is no such place the map of sheets tells it alone."""
    dx, dy = seam.x2 - seam.x1, seam.y2 - seam.y1
    across, angle = ((away, 0.0), 90.0) if dx == 0 else ((0.0, away), 0.0)
    tries = [(words, part) for words in (f"{text}: lay cross on cross", text) for part in _ALONG_SEAM]
    for words, part in tries:
        item = Written(seam.x1 + part * dx + across[0], seam.y1 + part * dy + across[1], words, SMALL, 0.5, angle)
        if ground.is_free(item):
            ground.add([item])
            return item
    return None


def _foot(drawing: Drawing, tiles: _Tiles, used: Sequence[tuple[int, int]], number: int) -> list[Item]:
    """Name, side, face, front, check bars in both directions and the map of sheets."""
    title, width = drawing.title, tiles.paper[0]
    x, y = _EDGE + _LEFT, _EDGE
    name = fitted(clean(title.name) or "part", 5.0, width - 2 * _EDGE - _LEFT - 45.0, bold=True)
    side = f"side: {title.side or '________'} · face: {title.face or '________'} · front:"
    broken = any(
        entity.layer == "reference" and not isinstance(entity, (PointMark, Label)) for entity in drawing.entities
    )
    sheet, told = f"sheet {number + 1} of {len(used)}", "broken lines: for reference" if broken else ""
    words = " · ".join(filter(None, ["1:1", sheet, title.date, tool_version(), told]))
    items: list[Item] = [
        Written(x, y + 17.0, name, 5.0, bold=True),
        Written(x, y + 10.5, clean(side), TEXT),
        Written(x, y + 5.5, clean(words), SMALL),
        Written(x + _BAR + 2.0, y, "100 mm both ways, or print again at 100 %", SMALL),
        *check_bar(x, y + 1.2, _BAR),
        *upright(check_bar(_EDGE + _FOOT, _EDGE + 2.0, _BAR)),
    ]
    at = x + text_width(clean(side), TEXT) + 11.0
    items += front_arrow(at, y + 12.2, title.front) or [Written(at - 8.0, y + 10.5, "________", TEXT)]
    return [*items, *_map(tiles, used, number, width - _EDGE)]


def _map(tiles: _Tiles, used: Sequence[tuple[int, int]], number: int, right: float) -> list[Item]:
    """All sheets as small boxes with their numbers, this one grey; at the right end of the foot."""
    size = min(6.0, 38.0 / tiles.columns, 15.0 / tiles.rows)
    items: list[Item] = []
    for i, (column, row) in enumerate(used):
        x, y = right - (tiles.columns - column) * size, _EDGE + 6.5 + row * size
        corners = ((x, y), (x + size, y), (x + size, y + size), (x, y + size))
        if i == number:
            items.append(Filled(corners, 0.75))
        items.append(Drawn(Polyline(tuple((a, b, 0.0) for a, b in corners), True, "check"), FINE))
        if size >= 4.0:
            items.append(Written(x + size / 2, y + size / 2 - 0.9, str(i + 1), 1.8, 0.5))
    return items
