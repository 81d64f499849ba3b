"""Everything that lands in a result folder, written at once or not at all."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace as replace_fields
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING, Any

from fit.folders import check_folder, put_folder
from fit.points import Points
from fit.resultfile import record_text
from fit.results import Results, results_to_dict

if TYPE_CHECKING:
    from fit.drawing.model import Drawing, TitleBlock
    from fit.report.parts import ReportPart

__all__ = ["check_folder", "result_files", "write_result"]


def write_result(
    out: str | Path,
    results: Results,
    points: Points | None = None,
    *,
    replace: bool = False,
    unit_out: str = "mm",
    files: Mapping[str, bytes] | None = None,
    drawing: Drawing | None = None,
    report_parts: Sequence[ReportPart] = (),
    title: TitleBlock | None = None,
    paper: str = "a4",
) -> dict[str, Any]:
    """Write the result folder and return its results.json record.

    results.json lists every file it came with under ``files``. `files` are extra ones by name, such as overlay.png;
    `drawing` None means: draw the features. paper is ``a4``, ``letter`` or ``a3``.
    Raises OutputError where the folder is not ours or cannot be written.
    """
    check_folder(out, replace)
    content, record = result_files(
        results,
        points,
        unit_out=unit_out,
        files=files,
        drawing=drawing,
        report_parts=report_parts,
        title=title,
        paper=paper,
    )
    put_folder(out, content, replace=replace)
    return record


def result_files(
    results: Results,
    points: Points | None = None,
    *,
    unit_out: str = "mm",
    files: Mapping[str, bytes] | None = None,
    drawing: Drawing | None = None,
    report_parts: Sequence[ReportPart] = (),
    title: TitleBlock | None = None,
    paper: str = "a4",
) -> tuple[dict[str, bytes], dict[str, Any]]:
    """Bytes of every file of a result folder by name, and the results.json record."""
    from fit.clouds import npz_bytes, ply_bytes, xyz_bytes
    from fit.drawing.files import drawing_files, left_out
    from fit.drawing.from_features import drawing_of
    from fit.report.page import report_html

    extra = dict(files or {})
    content: dict[str, bytes] = {}
    sketch = drawing or drawing_of(results, unit_out=unit_out, title=title or _title(results))
    if title or not sketch.title.date:
        block = title or sketch.title
        sketch = replace_fields(sketch, title=replace_fields(block, date=block.date or date.today().isoformat()))
    content |= drawing_files(sketch, paper)
    results = replace_fields(results, warnings=(*results.warnings, *left_out(sketch, paper)))
    if points is not None:
        content |= {"cloud.ply": ply_bytes(points), "cloud_mm.xyz": xyz_bytes(points), "points.npz": npz_bytes(points)}
    content |= extra
    record = results_to_dict(results)
    sketch_svg = content.get("sketch.svg", b"").decode()
    page = report_html(results, sketch, sketch_svg, points=points, pictures=extra, parts=report_parts)
    content["report.html"] = page.encode()
    record["files"] = ["results.json", *sorted(content)]
    return {"results.json": record_text(record).encode(), **content}, record


def _title(results: Results) -> TitleBlock:
    from fit.drawing.model import TitleBlock

    return TitleBlock(Path(results.sources[0].path).stem if results.sources else "")
