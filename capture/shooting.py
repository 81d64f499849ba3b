"""One photo of a part in a frame, from file to results: what `edgewright photo` does."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field
from pathlib import Path

from capture.camera.bench import Bench, solve_bench
from capture.camera.detect import find_pieces
from capture.camera.health import check_bench, outside_target, scale_of
from capture.camera.image import Image, open_image
from capture.camera.profile import CameraProfile, read_profile
from capture.edges.lying import UNKNOWN_HEIGHT, UNKNOWN_SHEET, Typed, knowledge_of
from capture.edges.measure import MeasuredPart, measure_part
from capture.edges.overlay import flattened_png, overlay_png
from capture.edges.rim_fit import FaceKnowledge
from fit.dimensions import distance
from fit.errors import CannotDetermine, InputError
from fit.feature import Feature
from fit.points import Points
from fit.results import Dimension, Notice, Results
from fit.units import Length

__all__ = ["Shot", "ShotOptions", "shoot"]

_MANY_HOLES = 8
_LEAST_PX_PER_MM = 2.3
"""In coarser pictures nothing tells a rim from its shadow or wall beside it, and no ± says so: of five photos shrunk step by
step, nine in ten intervals and more held from 2.4 px a mm on, but half and two thirds of two at 2.1 and 2.2."""


@dataclass(frozen=True, slots=True)
class ShotOptions:
    """What the user knows beforehand; lengths in mm. None: not known.

    height : of the part's face above the target, with its limit where one was typed. thickness : of the sheet.
    print_x, print_y : caliper readings over the printed pattern; print_u their standard uncertainty.
    """

    camera: Path | None = None
    height: Length | None = None
    height_u: float | None = None
    thickness: float | None = None
    print_x: float | None = None
    print_y: float | None = None
    print_u: float = 0.02


@dataclass(frozen=True, eq=False, slots=True)
class Shot:
    """All that one photo gave: record, points, and the pictures to write beside them."""

    results: Results
    points: Points
    files: dict[str, bytes] = field(default_factory=dict)


def shoot(path: Path, options: ShotOptions) -> Shot:
    """Measure the part lying in the frame of one photo.

    Raises InputError for impossible options or a bad file, CannotDetermine where the photo cannot carry the answer.
    """
    known, notices = _face_knowledge(options)
    profile = read_profile(options.camera) if options.camera else None
    image = open_image(path)
    with ThreadPoolExecutor(1) as beside:  # OpenCV leaves the interpreter free while it decodes or encodes a picture
        colour = beside.submit(image.colour)
        bench = _solved_bench(image, options, profile)
        pixels = colour.result()
    part = measure_part(bench, pixels, known)
    notices = [*bench.notices, *notices, *part.notices, *_feature_notices(bench, part, profile is not None)]
    health = check_bench(bench, [known.sheet.height], part.points.xyz)
    results = Results(
        frame=bench.frame,
        sources=(image.source,),
        features=part.features,
        dimensions=tuple(_hole_distances(part.features)),
        warnings=tuple(notices),
        details={"camera": health.record(bench)},
    )
    with ThreadPoolExecutor(1) as beside:
        flattened = beside.submit(flattened_png, pixels, bench, part)
        files = {"overlay.png": overlay_png(image, pixels, bench, part), "flattened.png": flattened.result()}
    return Shot(results, part.points, files)


def _solved_bench(image: Image, options: ShotOptions, profile: CameraProfile | None) -> Bench:
    pieces = find_pieces(image)
    if all(found.piece.kind != "frame" for found in pieces):
        message = (
            f"{image.path}: shows strips but no frame. To tell what to measure among strips, use 'edgewright page' or "
            "'edgewright run'."
        )
        raise CannotDetermine(message)
    bench = solve_bench(
        image, pieces, print_x=options.print_x, print_y=options.print_y, print_u=options.print_u, camera=profile
    )
    if (scale := scale_of(bench)) < _LEAST_PX_PER_MM:
        message = (
            f"{image.path}: a mm is only {scale:.1f} px; at least {_LEAST_PX_PER_MM} are needed to tell edges from their "
            "shadows. Go nearer, or give the file as the camera wrote it: messengers shrink photos."
        )
        raise CannotDetermine(message)
    return bench


def _face_knowledge(options: ShotOptions) -> tuple[FaceKnowledge, list[Notice]]:
    """Where the part's faces are, from what was typed; what was not typed is guessed widely and said."""
    notices: list[Notice] = []
    if options.height is None:
        text = (
            f"The height of the part's face above the paper is not known; {UNKNOWN_HEIGHT:g} mm ± 2 mm is taken, which widens "
            "every ±. Measure the thickness and give --height."
        )
        notices.append(Notice("height-unknown", text))
        typed = Typed(None, thickness=options.thickness)
    else:
        if options.height_u is not None and options.height.limit is not None:
            message = "--height has a ± already; give either the ± or --height-u, not both."
            raise InputError(message)
        typed = Typed(options.height.value, options.height_u or options.height.u, options.thickness)
    _refuse_impossible(UNKNOWN_HEIGHT if typed.height is None else typed.height, options.thickness)
    known, guessed = knowledge_of(typed)
    if guessed:
        text = (
            f"The sheet's thickness is not known; {UNKNOWN_SHEET:g} mm is taken. Give --thickness, so that the lower rim "
            "seen in holes is not taken for the upper one."
        )
        notices.append(Notice("thickness-unknown", text))
    return known, notices


def _refuse_impossible(height: float, thickness: float | None) -> None:
    if not 0 <= height <= 500:
        message = f"The height must be 0 to 500 mm above the target; got {height:g}. Give it in mm, or with its unit."
        raise InputError(message)
    if thickness is not None and not 0.1 <= thickness <= max(height, 0.1) + 0.5:
        message = f"The thickness must be at least 0.1 mm and no more than the height {height:g}; got {thickness:g}."
        raise InputError(message)


def _feature_notices(bench: Bench, part: MeasuredPart, has_lens: bool) -> Iterator[Notice]:
    """Warnings that each feature's own points ask for."""
    for feature in part.features:
        mine = part.points.labelled(feature.name)
        if len(mine) and (notice := outside_target(bench, mine.xyz, feature.name, has_lens=has_lens)):
            yield notice


def _hole_distances(features: tuple[Feature, ...]) -> Iterator[Dimension]:
    """Centre distances of all pairs of round holes, of neighbours only where there are many."""
    holes = [f for f in features if f.kind == "circle"]
    for i, one in enumerate(holes):
        others = holes[i + 1 :] if len(holes) <= _MANY_HOLES else holes[i + 1 : i + 2]
        for other in others:
            yield Dimension(f"{one.name} to {other.name}", "distance", distance(one, other), of=(one.name, other.name))
