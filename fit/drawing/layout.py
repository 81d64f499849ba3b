from fit.drawing.model import *
from fit.drawing.sheet import *
from fit.drawing.model import bounds_of


def sketch_sheets(drawing):
    x0, y0, x1, y1 = bounds_of(drawing.entities)
    scale = 1.0
    items = []
    for e in drawing.entities:
        if isinstance(e, (PointMark, Label)):
            continue
        items.append(Drawn(e, STROKES[e.layer]))
    return [Sheet(max(210.0, x1 - x0 + 20), max(297.0, y1 - y0 + 20), tuple(items))]
