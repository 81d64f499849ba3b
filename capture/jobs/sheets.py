"""Drawings and pictures of a job as files of its result folder."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict, replace
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from capture.jobs.read import JobFile
    from capture.jobs.stage import Stage
    from fit.drawing.model import Drawing, TitleBlock
    from fit.results import Results

__all__ = ["picture_files", "sketch_of", "table_drawings", "title_of"]

_SIDES = {"in": "inside", "out": "outside", "left": "left of", "right": "right of", None: "from"}


def title_of(file: JobFile) -> TitleBlock:
    """Title block from the job's head."""
    from fit.drawing.model import TitleBlock

    head = file.job.job
    return TitleBlock(
        name=head.name or file.path.stem,
        side=head.side,
        face=head.face,
        front=head.front,
        material=head.material,
        tolerance=f"ISO 2768-{head.general_tolerance}" if head.general_tolerance else "",
        date=head.date or date.today().isoformat(),
        creator=head.creator,
        number=head.number,
    )


def sketch_of(file: JobFile, results: Results, title: TitleBlock, unit_out: str) -> Drawing:
    """The sketch of what was measured; paths moved aside say how far and to which side."""
    from fit.drawing.from_features import MovedPath, drawing_of
    from fit.units import format_length

    found = {feature.name: feature for feature in results.features}
    moved = []
    for keys in file.job.feature:
        if keys.kind != "offset" or keys.name not in found or (of := (keys.of or ("",))[0]) not in found:
            continue
        text = f"{format_length(keys.offset or 0.0, None, unit_out, short=True)} {_SIDES[keys.side]} {of}"
        layer = keys.layer or ("cut" if found[of].closed else "reference")
        moved.append(MovedPath(found[keys.name], of, text, layer))
    return drawing_of(results, unit_out=unit_out, title=title, moved=moved)


def picture_files(photos: Mapping[str, Stage]) -> dict[str, bytes]:
    """Pictures by name: overlay.png of one photo, overlay-NAME.png of more."""
    if len(photos) == 1:
        return dict(next(iter(photos.values())).files)
    files: dict[str, bytes] = {}
    for name, stage in photos.items():
        word = "".join(c if c.isalnum() or c in "-_." else "_" for c in name)
        files |= {f"{Path(key).stem}-{word}{Path(key).suffix}": content for key, content in stage.files.items()}
    return files


def table_drawings(
    drawings: Mapping[str, Drawing], main: str | None, paper: str, title: TitleBlock
) -> dict[str, bytes]:
    """Drawings of calculators beside the sketch of what was measured: bend.svg, bend_cut_mm.dxf and so on.

    main : the calculator whose drawing is the sketch itself, where nothing was measured. title : the job's; it fills in
    what a drawing does not say of itself, such as date and side, but not what it is made of.
    """
    from fit.drawing.files import drawing_files

    files: dict[str, bytes] = {}
    for head, drawing in drawings.items():
        if head == main:
            continue
        own = {key: word for key, word in asdict(drawing.title).items() if word}
        dated = replace(drawing, title=replace(title, **{"material": "", "tolerance": "", **own}))
        for name, content in drawing_files(dated, paper).items():
            files[name.replace("sketch", head) if name.startswith("sketch") else f"{head}_{name}"] = content
    return files
