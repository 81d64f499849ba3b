"""Where dimensions go on a sheet: nothing over anything, on parts made up by a generator."""

from __future__ import annotations

import time
from types import ModuleType

import pytest
from reportlab.pdfbase.pdfmetrics import stringWidth
from shapely import STRtree, affinity, box, linestrings
from shapely.geometry.base import BaseGeometry

from fit.drawing.from_features import drawing_of
from fit.drawing.grid import sampled
from fit.drawing.layout import sketch_sheets
from fit.drawing.model import Drawing, Label, Line, TitleBlock
from fit.drawing.room import SCALES
from fit.drawing.sheet import Drawn, Sheet, Written

# Cap height and widths of Helvetica: Adobe font metrics as reportlab carries them, not the tool's own table.
CAP, DEPTH = 0.718, 0.207


def outline_of(item: Written) -> BaseGeometry:
    """The ground that a text covers, from the outside library's letter widths."""
    size = item.height / CAP
    width = stringWidth(item.text, "Helvetica-Bold" if item.bold else "Helvetica", size)
    left = item.x - item.anchor * width
    return affinity.rotate(
        box(left, item.y - DEPTH * size, left + width, item.y + item.height), item.angle, (item.x, item.y)
    )


def collisions(sheet: Sheet) -> list[str]:
    """Texts that touch another text, an edge of the part, or leave the sheet."""
    words = [item for item in sheet.items if isinstance(item, Written)]
    grounds = [outline_of(item) for item in words]
    shapes = [linestrings(sampled(drawn.shape)) for drawn in sheet.part]
    tree = STRtree(grounds)
    found = [f"'{words[i].text}' over '{words[j].text}'" for i, j in tree.query(grounds, "intersects").T if i < j]
    if shapes:
        found += [f"'{words[j].text}' over an edge" for _, j in tree.query(shapes, "intersects").T]
    page = box(0, 0, sheet.width, sheet.height)
    return found + [
        f"'{word.text}' off the sheet" for word, ground in zip(words, grounds, strict=True) if not page.contains(ground)
    ]


@pytest.mark.parametrize("first", range(0, 200, 25))
def test_no_text_over_text_or_edge_on_made_up_parts(first: int, parts: ModuleType) -> None:
    """25 parts at a time of 200 with 3 to 40 features; each placed in at most 1 s."""
    for seed in range(first, first + 25):
        drawing = drawing_of(parts.made_part(seed), title=TitleBlock(name=f"part {seed}"))
        start = time.process_time()
        sheets = sketch_sheets(drawing)
        spent = time.process_time() - start
        assert spent <= 1.0, f"part {seed} took {spent:.2f} s"
        assert sheets[0].scale in SCALES
        for sheet in sheets:
            assert collisions(sheet) == [], f"part {seed}"


@pytest.mark.parametrize("unit", ["inch", "fraction"])
def test_no_collisions_in_inches(unit: str, parts: ModuleType) -> None:
    """Fractions with their rest and ± are long; they too keep clear."""
    for seed in range(300, 312):
        for sheet in sketch_sheets(drawing_of(parts.made_part(seed), unit_out=unit)):
            assert collisions(sheet) == [], f"part {seed}"


def test_every_hole_and_arc_is_said(parts: ModuleType) -> None:
    """Whatever finds no place for a leader stands in the table: no size is lost."""
    for seed in range(400, 420):
        drawing = drawing_of(parts.made_part(seed))
        words = {item.text for sheet in sketch_sheets(drawing) for item in sheet.items if isinstance(item, Written)}
        for spot in drawing.spots:
            said = spot.text.replace("\n", " ")
            assert said in words or set(spot.text.split("\n")) <= words, f"part {seed}: {spot.name}"


def test_collisions_would_be_found() -> None:
    """The check itself: a text laid over another and over an edge is reported."""
    words = (Written(50, 50, "12.00", 3.5), Written(52, 51, "13.00", 3.5), Written(205, 20, "off the page", 3.5))
    found = collisions(Sheet(210.0, 297.0, words, (Drawn(Line(40, 52, 80, 52)),)))
    assert len(found) == 4


def test_labels_step_aside(parts: ModuleType) -> None:
    """A label whose place lies on an edge or on another label moves to where it can be read."""
    shapes = [Line(0, 0, 100, 60), Label(50, 30, "bend 1"), Label(50, 30, "bend 2"), Label(52, 31, "end a")]
    sheet = sketch_sheets(Drawing(shapes))[0]
    assert collisions(sheet) == []
    assert {"bend 1", "bend 2", "end a"} <= {item.text for item in sheet.items if isinstance(item, Written)}
