"""A drawing as the files of a result folder."""

from __future__ import annotations

from fit.drawing.dxf import cutting_dxf, sketch_dxf
from fit.drawing.layout import sketch_sheets
from fit.drawing.model import Drawing
from fit.drawing.pdf import pdf_bytes
from fit.drawing.svg import svg_text
from fit.drawing.template import template_sheets, too_large
from fit.results import Notice

__all__ = ["drawing_files", "left_out"]


def drawing_files(drawing: Drawing, paper: str = "a4") -> dict[str, bytes]:
    """sketch.svg, .dxf, .pdf; for a part to cut cut_mm.dxf and the same as R12; for one to scribe template_1to1.pdf."""
    sheets = sketch_sheets(drawing, paper)
    title = drawing.title.name
    files = {
        "sketch.svg": svg_text(sheets, title).encode(),
        "sketch.pdf": pdf_bytes(sheets, title),
        "sketch.dxf": sketch_dxf(drawing.entities, sheets[0]),
    }
    if any(entity.layer == "cut" for entity in drawing.entities):
        files["cut_mm.dxf"] = cutting_dxf(drawing.entities)
        files["cut_mm_r12.dxf"] = cutting_dxf(drawing.entities, "R12")
    if _wants_template(drawing) and not too_large(drawing, paper):
        files["template_1to1.pdf"] = pdf_bytes(template_sheets(drawing, paper), title)
    return files


def left_out(drawing: Drawing, paper: str = "a4") -> list[Notice]:
    """What `drawing_files` had to leave out: a template of more sheets than anyone joins."""
    told = too_large(drawing, paper) if _wants_template(drawing) else ""
    return [Notice("template-left-out", told)] if told else []


def _wants_template(drawing: Drawing) -> bool:
    return drawing.is_true and any(entity.layer in ("cut", "bend", "mark") for entity in drawing.entities)
