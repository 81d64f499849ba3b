"""A drawing as the files of a result folder."""

from __future__ import annotations

from fit.drawing.dxf import cutting_dxf, sketch_dxf
from fit.drawing.layout import sketch_sheets
from fit.drawing.model import Drawing
from fit.drawing.pdf import pdf_bytes
from fit.drawing.svg import svg_text
from fit.drawing.template import template_sheets

__all__ = ["drawing_files"]


def drawing_files(drawing: Drawing, paper: str = "a4") -> dict[str, bytes]:
    """sketch.svg, .dxf and .pdf; cut_mm.dxf where something is cut; template_1to1.pdf where it is cut or scribed."""
    sheets = sketch_sheets(drawing, paper)
    title = drawing.title.name
    files = {
        "sketch.svg": svg_text(sheets, title).encode(),
        "sketch.pdf": pdf_bytes(sheets, title),
        "sketch.dxf": sketch_dxf(drawing.entities, sheets[0]),
    }
    if any(entity.layer == "cut" for entity in drawing.entities):
        files["cut_mm.dxf"] = cutting_dxf(drawing.entities)
    if any(entity.layer in ("cut", "bend", "mark") for entity in drawing.entities):
        files["template_1to1.pdf"] = pdf_bytes(template_sheets(drawing, paper), title)
    return files
