"""What ± a set-up will give, before anything is shot: made-up corners and edges through the solver of real photos."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from capture.camera.bench import Bench, solve_bench
from capture.camera.codes import LEAST_SIDE_PX
from capture.camera.detect import FoundPiece
from capture.camera.image import Exif, Image
from capture.camera.lens import lens_prior, shown_at
from capture.camera.profile import CameraProfile
from capture.edges.rim_fit import Edge, FaceKnowledge, measured_points
from capture.edges.rims import FACE_LINE, HIDDEN, LOWER, RimPoints, Sheet
from capture.edges.rounding import ROUNDINGS, settled_rounding
from capture.edges.strip import Contour, Strip
from capture.edges.waves import read_twice, waves_to_own
from capture.forecast.layout import Layout
from capture.forecast.typical_part import HOLE_MM, Line, RoundedBox, hole_rim
from fit.dimensions import distance
from fit.errors import CannotDetermine
from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.shapes import fit_arc, fit_circle, fit_line
from fit.uncertain import Value

__all__ = ["Camera", "Expected", "SetUp", "camera_of", "expected_sizes", "least_distance"]

_CORNER_PX = 0.03
"""Standard uncertainty of a corner in a sharp, well lit photo: twice that of drawn photos (29 of them tell 0.0115, nine of
ten up to 0.017, 2026-11-27), which lack sharpening, colour fringes and ink spread."""
_BENDS = np.array([0.04, -0.11, 0.0, 0.0, 0.05])
"""k1, k2, p1, p2, k3 of a usual phone's main lens. They matter: one view of one plane tells a focal length no better than
where the lens's middle lies, and only what a lens bends shows that."""
_HOLE_COVERS = (0.9, 1.0)
"""One hole's rim shows with gaps or leaps, which light moves twice as far, the other's does not: about half of the holes
of drawn strip scenes do each (13 scenes, 2026-11-27)."""
_MARGIN = 0.04
_BARE_LENS_U = np.array([0.1, 2e-6, 0.1, 0.1, 1e-4, 6e-4, 4e-6, 4e-6, 1e-3])
_LEARNED_SPREAD = 3.0
_WALL_SEEN_MM = 0.06
_TOLD_WORSE = 0.006
"""How much worse the next rounding explains an edge in a usual photo (mean score; seen on rendered photos)."""


@dataclass(frozen=True, slots=True)
class SetUp:
    """A shot that is planned; mm and rad.

    part : width and height of its box. height, height_u : of its face above the print. thickness : of the sheet.
    distance : from the camera to the middle of the bench's part; None = the least at which everything is in the picture.
    tilt : of the view, rad. size : px of the picture, focal_35 : the lens as EXIF gives it.
    camera : a learned lens. learned : as if one had been learned from ten photos.
    print_u : standard uncertainty of the caliper readings over the print; None = not measured.
    rounding : radius of the sheet's upper edge.
    """

    part: tuple[float, float]
    layout: Layout
    distance: float | None = None
    tilt: float = math.radians(10.0)
    size: tuple[int, int] = (4000, 3000)
    focal_35: float = 26.0
    camera: CameraProfile | None = None
    learned: bool = False
    height: float = 1.5
    height_u: float = 0.05
    thickness: float = 1.5
    foot_u: float = 0.05
    print_u: float | None = 0.02
    rounding: float = 0.0

    @property
    def image(self) -> Image:
        """A picture without content, for its size and lens tags."""
        grey = np.broadcast_to(np.uint8(0), self.size[::-1])
        exif = self.camera.exif if self.camera else Exif(focal_35_mm=self.focal_35, size=self.size)
        return Image(Path("expected photo"), "", grey, 1, exif, b"")

    @property
    def lens(self) -> FloatArray:
        """The lens (9,) taken to be true."""
        if self.camera:
            return self.camera.lens
        return np.concatenate([lens_prior(self.image).centre[:4], _BENDS])


@dataclass(frozen=True, eq=False, slots=True)
class Expected:
    """One typical size with what its U95 will be, by source."""

    name: str
    nominal: float
    value: Value

    @property
    def worst(self) -> str:
        """The source that carries most."""
        return next(iter(self.value.budget()))


def _usual_profile(image: Image, lens: FloatArray) -> CameraProfile:
    """A lens as some ten good photos of the sheet leave it (measured on rendered photos, tripled to be safe)."""
    return CameraProfile(image.size, lens, np.diag((_LEARNED_SPREAD * _BARE_LENS_U) ** 2), image.exif)


def expected_sizes(setup: SetUp) -> tuple[Expected, ...]:
    """Typical sizes of a part of this box with their U95.

    The photo is made of corners with the noise that real ones have, and solved as a real photo is; edges are exact points
    with the noise and the shared errors of light that real ones get. Raises CannotDetermine where the part or too much
    of the target is not in the picture.
    """
    camera = camera_of(setup)
    bench, known = _solved(setup, camera), _known(setup, camera)
    place = setup.layout.places[0]

    def measured(line: Line, closed: bool = False, cover: float = 1.0) -> Points:
        contour = Contour(_on_bench(place, line[0]), line[1] @ _turn(place), setup.height, closed)
        return measured_points(bench, known, _edge(bench, known, contour, camera.px_per_mm, cover))

    centres = [np.array(setup.part) * share for share in (0.1, 0.9)]
    rims = [measured(hole_rim(centre), True, cover) for centre, cover in zip(centres, _HOLE_COVERS, strict=True)]
    holes = [_fitted(fit_circle, rim) for rim in rims]
    box = RoundedBox(*setup.part)
    outline = measured(box.outline(), closed=True)
    left, right = (_fitted(fit_line, outline.select(box.stretch(side))) for side in ("left", "right"))
    arc = waves_to_own(fit_arc(outline.select(box.stretch("corner")), robust=False, correlated=True))
    return (
        Expected("distance between holes", float(np.hypot(*(centres[1] - centres[0]))), distance(*holes)),
        Expected("hole diameter", HOLE_MM, holes[0].value("diameter")),
        Expected("distance between straight edges", setup.part[0], distance(left, right)),
        Expected("radius of a rounded corner", box.radius, arc.value("radius")),
    )


def _fitted(fit: Callable[..., Feature], points: Points) -> Feature:
    return waves_to_own(read_twice(fit(points, robust=False, correlated=True)))


@dataclass(frozen=True, eq=False, slots=True)
class Camera:
    """Where the camera stands in part coordinates: rotation (3, 3), translation (3,), distance (mm), scale there."""

    lens: FloatArray
    rotation: FloatArray
    translation: FloatArray
    distance: float
    px_per_mm: float

    def shows(self, xyz: FloatArray, size: tuple[int, int], margin: float = 0.0) -> np.ndarray:
        """Which points (N, 3) are in the picture, clear of its rim by a share of its size."""
        px = shown_at(self.lens, self.rotation, self.translation, xyz)
        spare = margin * np.array(size)
        return np.asarray(((px > spare) & (px < np.array(size) - 1 - spare)).all(axis=1))


def camera_of(setup: SetUp) -> Camera:
    """Place the camera over the middle of all that is to be seen, the picture's long side along the longer way.

    Raises CannotDetermine where the part is not in the picture at the distance asked for, or the target too small in it.
    """
    least = least_distance(setup)
    camera = _camera_at(setup, setup.distance or least)
    _refuse_small_markers(setup, camera)
    if setup.distance is None:
        return camera
    if not camera.shows(_part_box(setup), setup.size).all():
        message = (
            f"From {setup.distance:g} mm the part of {setup.part[0]:g} × {setup.part[1]:g} mm is not all in the picture; "
            f"part and target are from {math.ceil(least / 10) * 10:g} mm."
        )
        raise CannotDetermine(message)
    return camera


def _refuse_small_markers(setup: SetUp, camera: Camera) -> None:
    piece = min(setup.layout.pieces, key=lambda piece: piece.marker)
    side = piece.marker * camera.px_per_mm
    if side < LEAST_SIDE_PX:
        message = (
            f"From {camera.distance:.0f} mm the markers of the {piece.name} show {side:.0f} px wide, too small to be found: "
            f"{LEAST_SIDE_PX:.0f} px are needed. Go as near as {camera.distance * side / LEAST_SIDE_PX:.0f} mm, or use a picture "
            "of more pixels."
        )
        raise CannotDetermine(message)


def _part_box(setup: SetUp) -> FloatArray:
    width, height = setup.part
    box = np.array([(0, 0), (width, 0), (width, height), (0, height)], float)
    return np.column_stack([box, np.full(4, setup.height)])


def _camera_at(setup: SetUp, reach: float) -> Camera:
    outline = np.vstack([setup.layout.outline(), _part_box(setup)[:, :2]])
    low, high = outline.min(axis=0), outline.max(axis=0)
    right = np.array([1.0, 0, 0]) if high[0] - low[0] >= high[1] - low[1] else np.array([0, 1.0, 0])
    up = np.array([0, 0, 1.0])
    away = math.sin(setup.tilt) * np.cross(right, up) + math.cos(setup.tilt) * up
    rotation = np.array([right, np.cross(-away, right), -away])
    centre = np.array([*(low + high) / 2, 0.0]) + reach * away
    lens = setup.lens
    return Camera(lens, rotation, -rotation @ centre, reach, float(lens[0]) / reach)


def least_distance(setup: SetUp) -> float:
    """From how near everything is in the picture, by halving."""
    outline = setup.layout.outline()
    marks = np.vstack([np.column_stack([outline, np.zeros(len(outline))]), _part_box(setup)])
    low, high = setup.height + 1.5 * float(np.ptp(marks[:, :2], axis=0).max()) * math.sin(setup.tilt) + 1.0, 1e5
    for _ in range(40):
        middle = math.sqrt(low * high)
        seen = _camera_at(setup, middle).shows(marks, setup.size, _MARGIN).all()
        low, high = (low, middle) if seen else (middle, high)
    return high


def _solved(setup: SetUp, camera: Camera) -> Bench:
    rng = np.random.default_rng(1)
    image, found = setup.image, []
    for piece, place in zip(setup.layout.pieces, setup.layout.places, strict=True):
        ids = piece.corner_ids()
        xy = piece.corner_xy(ids) @ _turn(place).T + place[1:]
        xyz = np.column_stack([xy, np.zeros(len(ids))])
        seen = camera.shows(xyz, setup.size, 0.005)
        px = shown_at(camera.lens, camera.rotation, camera.translation, xyz[seen])
        px = px + rng.normal(0, _CORNER_PX, px.shape)
        cov = np.broadcast_to(_CORNER_PX**2 * np.eye(2), (len(px), 2, 2))
        if len(px) >= 6:
            found.append(FoundPiece(piece, ids[seen], px, cov, np.ones(len(px)), len(px), len(ids)))
    if not found or found[0].piece != setup.layout.pieces[0]:
        message = "The first piece of the target is not in the picture; go farther away or lay it nearer the part."
        raise CannotDetermine(message)
    first = found[0].piece
    readings = (first.width, first.height) if setup.print_u else (None, None)
    profile = setup.camera or (_usual_profile(image, camera.lens) if setup.learned else None)
    return solve_bench(
        image, found, print_x=readings[0], print_y=readings[1], print_u=setup.print_u or 0.02, camera=profile
    )


def _known(setup: SetUp, camera: Camera) -> FaceKnowledge:
    """What the photo will tell of the edge's rounding, judged as a real one's is."""
    on_paper = setup.layout.pieces[0].kind == "frame"
    sheet = Sheet(setup.height, setup.thickness, on_paper=on_paper)
    nearest = int(np.argmin(np.abs(np.array(ROUNDINGS) - setup.rounding)))
    worth = -_TOLD_WORSE * np.abs(np.arange(len(ROUNDINGS)) - nearest)
    rounding = settled_rounding(worth, 1.0, camera.px_per_mm)
    return FaceKnowledge(sheet, setup.height_u, setup.foot_u).with_rounding(rounding)


def _turn(place: FloatArray) -> FloatArray:
    """(2, 2): directions of a piece to those of the part."""
    c, s = math.cos(place[0]), math.sin(place[0])
    return np.array([[c, -s], [s, c]])


def _on_bench(place: FloatArray, xy: FloatArray) -> FloatArray:
    """Part coordinates (N, 2) in those of the reference piece."""
    return (xy - place[1:]) @ _turn(place)


def _edge(bench: Bench, known: FaceKnowledge, contour: Contour, px_per_mm: float, cover: float = 1.0) -> Edge:
    """An edge of which every place is found, as the rim that would be seen there; cover: the share that shows clearly."""
    sheet, wall = known.sheet, known.sheet.wall(bench, contour)
    kind = np.where(wall <= _WALL_SEEN_MM, HIDDEN, LOWER if sheet.on_paper else FACE_LINE)
    inset = np.where(kind == HIDDEN, sheet.outline_shift(wall), np.where(kind == LOWER, 0.0, sheet.rounding))
    offset = np.where(kind == LOWER, wall, -inset)
    rows = np.arange(len(wall))
    bare = np.zeros((0, 0))
    strip = Strip(contour, 0.0, 1.0, bare, bare, bare, px_per_mm)
    return Edge(strip, RimPoints(rows, offset, kind, np.ones(len(rows)), inset), cover, 1.0)
