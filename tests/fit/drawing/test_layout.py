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
from fit.drawing.model import TitleBlock
from fit.drawing.room import SCALES
from fit.drawing.sheet import Sheet, Written

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
