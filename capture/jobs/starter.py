"""A commented starter job from photos, point lists and a camera.json: what each holds is looked at and written down."""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING

from capture.jobs.grid import grid_png
from fit.errors import CannotDetermine, InputError

if TYPE_CHECKING:
    from capture.camera.detect import FoundPiece
    from capture.camera.image import Image

__all__ = ["Starter", "starter_job"]

_PICTURES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".heic", ".heif")
_MOST_NAMES = 60
_MOST_HEIGHT = 500.0


@dataclass(frozen=True, eq=False, slots=True)
class Starter:
    """The text of a job file, and the pictures to read way-points from by file name."""

    text: str
    pictures: dict[str, bytes] = field(default_factory=dict)


@dataclass(frozen=True, eq=False, slots=True)
class _Part:
    """One file's share of the job: a table, commented features for it, a picture."""

    table: str
    features: str = ""
    picture: bytes | None = None


def starter_job(files: Sequence[Path], job: Path, height: float | None = None) -> Starter:
    """Look at every file and write a job that runs, with what is to be filled in as comments.

    job : where the job file will lie; paths start from its folder. height : of the faces to be pointed at above the print,
    mm, where it is known: the grids lie there.
    Raises InputError for a file that is neither picture, point list nor camera.json.
    """
    from capture.camera.profile import is_profile

    if height is not None and not 0 <= height <= _MOST_HEIGHT:
        message = f"--height must be 0 to {_MOST_HEIGHT:g} mm above the print; got {height:g}. Give it in mm, or with its unit."
        raise InputError(message)
    cameras = [file for file in files if file.suffix.lower() == ".json" and is_profile(file)]
    if len(cameras) > 1:
        message = f"{cameras[1]}: is a second camera.json; give one, and name others at their [[photo]] as camera."
        raise InputError(message)
    names = _names([file for file in files if file not in cameras])
    parts = [_part(file, name, _told(file, job), height) for file, name in names.items()]
    camera = f"[camera]\nfile = {_told(cameras[0], job)}\n" if cameras else _NO_CAMERA if _has_photo(files) else ""
    body = [_head(job), camera, *(part.table for part in parts), *(part.features for part in parts), _DIMENSIONS]
    pictures = {
        f"{job.stem}-{name}-grid.png": part.picture
        for name, part in zip(names.values(), parts, strict=True)
        if part.picture
    }
    return Starter("\n".join(piece for piece in body if piece), pictures)


def _has_photo(files: Sequence[Path]) -> bool:
    return any(file.suffix.lower() in _PICTURES for file in files)


def _names(files: Sequence[Path]) -> dict[Path, str]:
    """A name for each source, its file's stem, told apart by a number where needed."""
    names: dict[Path, str] = {}
    for file in files:
        if file in names:
            message = f"{file}: is given twice; give each file once."
            raise InputError(message)
        name, number = file.stem, 2
        while name in names.values():
            name, number = f"{file.stem} {number}", number + 1
        names[file] = name
    return names


def _told(file: Path, job: Path) -> str:
    """Path from the job's folder, for a TOML text."""
    path = os.path.relpath(file.resolve(), job.resolve().parent)
    return _text(path.replace("\\", "/"))


def _text(words: str) -> str:
    """A TOML text with its quotes."""
    return json.dumps(words, ensure_ascii=False)


def _part(file: Path, name: str, told: str, height: float | None) -> _Part:
    if not file.is_file():
        message = f"{file}: is not a file; give photos, point lists and a camera.json."
        raise InputError(message)
    if file.suffix.lower() in _PICTURES:
        return _photo(file, name, told, height)
    if file.suffix.lower() in (".json", ".toml"):
        message = f"{file}: is neither a camera.json of ours, nor a photo, nor a point list."
        raise InputError(message)
    return _probe(file, name, told)


def _photo(file: Path, name: str, told: str, height: float | None) -> _Part:
    """A photo's table, with what is printed in it; a picture with a grid where features must be pointed at."""
    from capture.camera.detect import find_pieces
    from capture.camera.image import open_image

    image = open_image(file)
    try:
        pieces = find_pieces(image)
    except CannotDetermine as error:
        return _Part(_photo_table(name, told, f"# No print was found in it: {error}\n", "", height))
    seen = ", ".join(f"{p.piece.name} ({len(p.ids)} of {p.expected} corners)" for p in pieces)
    lowest = min(pieces, key=lambda p: (p.piece.kind != "frame", p.piece.number)).piece
    piece = "the frame" if lowest.kind == "frame" else lowest.name
    sides = f"# print_x = {lowest.width:<14g}# caliper over the outer sides of {piece}'s pattern, mm (nominal shown)\n"
    sides += f"# print_y = {lowest.height:g}\n"
    table = _photo_table(name, told, f"# Shows: {seen}.\n", sides, height)
    framed = any(p.piece.kind == "frame" for p in pieces)
    picture = _grid(image, pieces, height or 0.0)
    words = _FRAMED if framed else _STRIPS
    return _Part(table, words.format(name=_text(name)), picture)


def _grid(image: Image, pieces: Sequence[FoundPiece], height: float) -> bytes | None:
    """A plane above the bench flattened, with a grid of mm; None where the camera cannot be solved yet."""
    from capture.camera.bench import solve_bench

    try:
        bench = solve_bench(image, pieces)
    except (CannotDetermine, InputError):
        return None
    return grid_png(image.colour(), bench, height)


def _photo_table(name: str, told: str, comment: str, sides: str, height: float | None) -> str:
    key = f"# height = {1.5:<15g}" if height is None else f"height = {height:<17g}"
    return (
        f"[[photo]]\n{comment}name = {_text(name)}\nfile = {told}\n"
        f"{key}# of the part's upper face above the print, mm; '1.5±0.2' is a limit\n"
        f"# thickness = 1.5         # of the sheet; the height is taken up to 6 mm\n{sides}"
    )


def _probe(file: Path, name: str, told: str) -> _Part:
    """A list's table, and a commented feature for each name in it."""
    from fit.lists import read_list

    unit = ""
    try:
        listed = read_list(file, None)
    except InputError as error:
        if "unit" not in str(error):
            raise
        listed = read_list(file, "mm")
        unit = 'unit = "mm"              # the list does not say; correct it if it is in inches\n'
    names = list(dict.fromkeys(text for text in listed.names.tolist() if text))
    count = f"# {len(listed.xyz)} points" + (f" under {len(names)} names" if names else " without names") + ".\n"
    table = (
        f"[[probe]]\n{count}name = {_text(name)}\nfile = {told}\n{unit}"
        '# tip = 6.0               # diameter of the ball tip, mm\n# points = "centre"       # or "surface"\n'
    )
    return _Part(table, _probe_features(names[:_MOST_NAMES], name))


def _probe_features(names: Sequence[str], probe: str) -> str:
    from capture.arm.kinds import kind_in_name

    if not names:
        return _WALK.format(name=_text(probe))
    blocks = [_EACH]
    for name in names:
        kind = _text(kind_in_name(name) or "plane")
        if kind_in_name(name) is None:
            kind = kind.ljust(17) + "# or line, arc, circle, slot, path, cylinder, cone, sphere"
        blocks.append(f"# [[feature]]\n# name = {_text(name)}\n# kind = {kind}\n# probe = {_text(probe)}\n")
    return "\n".join(blocks)


def _head(job: Path) -> str:
    return (
        f"# Run with: edgewright run {job.name}\n# Lengths are mm, or texts with their unit: '13/16', '1 3/8\"'. "
        "Paths start from this folder.\n"
        f"[job]\nname = {_text(job.stem)}\n"
        '# side = "left"           # for the title block\n# face = "outer"\n'
        '# front = "up"            # where the vehicle\'s front is on the drawing\n'
        '# unit_out = "mm"         # or "inch", "fraction": what people read\n'
        '# general_tolerance = "m" # class of ISO 2768-1 for sizes with a nominal but no tolerance\n'
    )


_NO_CAMERA = """# [camera]                 # learn the lens once with 'edgewright camera PHOTO… -o camera.json'
# file = "camera.json"
"""
_FRAMED = """# No [[feature]] names photo {name}: outline, holes and slots in its frame are measured by themselves.
# Name features only if you want other ones; way-points are mm in the photo's axes, good to about 3 mm (see the grid).
# The grid lies on the print unless 'edgewright job new' was given --height: a face 10 mm higher shows some mm farther out.
# [[feature]]
# name = "upper edge"
# kind = "line"            # line, arc, circle, slot, path
# photo = {name}
# near = [[40.0, 60.0], [120.0, 60.0]]
# edge = "metal"           # where two edges run close by: "clearest", "metal" or "open" side
# metal = "left"           # on which side of the way-points the metal lies
#
# [[feature]]
# name = "liner"           # the outline moved aside by a clearance or thickness; it is cut instead of the outline
# kind = "offset"
# of = "outline"
# offset = 2.0
# side = "in"              # or "out"; "left", "right" of an open path
"""
_STRIPS = """# Point at what is to be measured in photo {name}: way-points in mm, good to about 3 mm, read off the grid picture.
# Its grid lies on the print unless 'edgewright job new' was given --height: a face 10 mm higher shows some mm farther out.
# [[feature]]
# name = "outer edge"
# kind = "path"            # line, arc, circle, slot, path
# photo = {name}
# near = [[12.0, 30.5], [80.2, 44.0], [160.0, 41.3]]
# edge = "metal"           # where two edges run close by: "clearest", "metal" or "open" side
# metal = "left"           # on which side of the way-points the metal lies
#
# [[feature]]
# name = "hole 1"
# kind = "circle"
# photo = {name}
# near = [60.0, 120.0]     # one point inside it
# about = 8.0              # rough diameter
"""
_WALK = """# Points without names: one walk along an edge is a path; without a [[feature]] the kind is found from the points.
# [[feature]]
# name = "edge"
# kind = "path"
# probe = {name}
"""
_EACH = """# Without a [[feature]] everything in the lists is fitted, kinds found by names and points. Name those you want:
"""
_DIMENSIONS = """# [datum]                  # tell everything from the part's own features
# holes = ["hole 1", "hole 2"]   # or: edge = "…" and corner = "…"; or: primary, secondary, tertiary
#
# [[dimension]]
# name = "hole to hole"
# kind = "distance"        # distance, angle, diameter, radius, length, width, pitch_circle, over_all, offset
# from = "hole 1"
# to = "hole 2"            # or of = "hole 1" for a size of one feature
# nominal = 120.0
# tolerance = 0.3          # or limits = [119.7, 120.3]
# check = 120.05           # the same length by caliper, as a check
"""
