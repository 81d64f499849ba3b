"""From the corners of the printed pieces to a solved camera above the bench, and from pixels to measured points.

Bench coordinates: mm, origin at the lower-left printed corner of the reference piece (the frame, else the strip of
lowest number), x right and y up as seen facing the print, z towards the camera. They are real mm: the print scale is
applied.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from capture.camera.adjust import Adjustment, Observed
from capture.camera.detect import MIN_CORNERS, MIN_MARKERS, FoundPiece
from capture.camera.face import Face
from capture.camera.flatness import (
    bent_notice,
    is_bent,
    left_out_notice,
    loosened,
    odd_one,
    solve_bent,
    solve_view,
)
from capture.camera.image import Image
from capture.camera.lens import LensPrior, lens_prior, rays, see, shown_at
from capture.camera.modes import camera_modes
from capture.camera.other_lens import told_of_other_lens
from capture.camera.profile import CameraProfile
from capture.camera.scale import ScaleRow, doubted, print_observations
from capture.camera.views import SCALE
from fit.errors import CannotDetermine
from fit.points import FloatArray, Points
from fit.results import Notice

__all__ = ["Bench", "solve_bench"]


@dataclass(frozen=True, eq=False, slots=True)
class Bench:
    """A photo's solved camera.

    Attributes
    ----------
    image, pieces : what was solved from, reference piece first.
    observed : the inputs known beforehand. adjustment : the whole solution with its covariance.
    names (K,), modes (K, 15) : move of the camera (lens 9, turn 3, translation 3) for one standard uncertainty of each
        shared source: caliper or print scale, focal length, lens terms, main directions of corner noise.
    notices : what print scale and flatness of the target ask to tell.
    """

    image: Image
    pieces: tuple[FoundPiece, ...]
    observed: Observed
    adjustment: Adjustment
    names: tuple[str, ...]
    modes: FloatArray
    notices: tuple[Notice, ...]

    @property
    def lens(self) -> FloatArray:
        """fx, fy/fx, cx, cy, k1, k2, p1, p2, k3."""
        return self.adjustment.state.lens

    @property
    def rotation(self) -> FloatArray:
        """(3, 3): bench to camera axes (x right, y down, z forward in the stored picture)."""
        return self.adjustment.state.rotations[0]

    @property
    def translation(self) -> FloatArray:
        """(3,) mm: bench origin in camera axes."""
        return self.adjustment.state.translations[0]

    @property
    def scale(self) -> FloatArray:
        """Print scale in x and y, real over nominal length."""
        return self.adjustment.state.scale

    @property
    def centre(self) -> FloatArray:
        """(3,) mm: the camera's centre in bench coordinates."""
        return -self.rotation.T @ self.translation

    @property
    def direction(self) -> FloatArray:
        """(3,) unit vector: where the camera looks, in bench coordinates."""
        return self.rotation[2]

    @property
    def tilt(self) -> float:
        """Angle between the optical axis and the bench's normal, rad."""
        return math.acos(min(1.0, abs(float(self.direction[2]))))

    @property
    def blur(self) -> float:
        """Standard deviation of the picture's blur, px: the middle one of the printed corners'."""
        return float(np.median(np.concatenate([piece.blur for piece in self.pieces])))

    @property
    def frame(self) -> str:
        """What the axes are, in words."""
        return (
            f"printed {self.pieces[0].piece.name}: origin at its lower-left printed corner, x right, y up as seen "
            "facing the print, z towards the camera; mm"
        )

    def project(self, xyz: ArrayLike) -> FloatArray:
        """Pixels (N, 2) of the stored picture where bench points (N, 3) show."""
        points = np.asarray(xyz, float).reshape(-1, 3)
        return shown_at(self.lens, self.rotation, self.translation, points)

    def on_piece(self, j: int, xy: FloatArray) -> FloatArray:
        """Bench x, y (N, 2) of places on the jth printed piece, nominal mm of its print."""
        angle, x, y = self.adjustment.state.places[0][j]
        c, s = math.cos(angle), math.sin(angle)
        return np.asarray((xy * self.scale) @ np.array([[c, s], [-s, c]]) + [x, y])

    def cut(self, px: ArrayLike, face: Face) -> FloatArray:
        """Bench points (N, 3) where the rays of pixels (N, 2) meet a face.

        Raises CannotDetermine where a ray runs along the face or away from it.
        """
        directions = rays(self.lens, np.asarray(px, float).reshape(-1, 2))
        looking = np.column_stack([directions, np.ones(len(directions))]) @ self.rotation
        centre = self.centre
        a, b, c = face.coefficients
        slope = looking[:, 2] - b * looking[:, 0] - c * looking[:, 1]
        reach = (a + b * centre[0] + c * centre[1] - centre[2]) / np.where(slope == 0, np.nan, slope)
        if not (reach > 0).all():
            message = f"Face '{face.name}' is not seen from above at some marked place; check its height and the marks."
            raise CannotDetermine(message)
        return np.asarray(centre + reach[:, None] * looking)

    def points_on_face(
        self,
        px: ArrayLike,
        noise_px: ArrayLike,
        height: float,
        height_u: float,
        face: str = "top",
        normal_px: ArrayLike | None = None,
        *,
        alone: bool = False,
    ) -> Points:
        """Points on a face parallel to the bench; see `points_on`."""
        return self.points_on(px, noise_px, Face.level(face, height, height_u), normal_px, alone=alone)

    def points_on(
        self, px: ArrayLike, noise_px: ArrayLike, face: Face, normal_px: ArrayLike | None = None, *, alone: bool = False
    ) -> Points:
        """Measured points where the rays of edge pixels meet a face, with own noise and every shared error.

        Parameters
        ----------
        px : (N, 2) stored pixels. noise_px : (N,) or scalar standard uncertainty, across the edge where that is known.
        face : the plane of the edges. normal_px : (N, 2) direction across the edge in the picture, any length.
        alone : leave the shared errors out, where only places and noise are asked for.
        """
        places = np.asarray(px, float).reshape(-1, 2)
        sigma = np.broadcast_to(np.asarray(noise_px, float), (len(places),))
        xyz = self.cut(places, face)
        _, by_camera, by_xyz = see(self.lens, self.rotation, self.translation, xyz)
        _, b, c = face.coefficients
        in_plane = np.array([[1.0, 0.0], [0.0, 1.0], [b, c]])  # xyz moves by this for moves of x and y within the face
        to_px = by_xyz @ in_plane
        to_mm = np.linalg.inv(to_px)
        noise, normal = _across(to_px, in_plane, sigma, normal_px)
        return Points(
            xyz,
            noise=noise,
            normal=normal,
            shared=None if alone else self._shared(by_camera, by_xyz, to_mm, in_plane, face, xyz),  # type: ignore[arg-type]
            shared_names=() if alone else (*self.names, *face.names),
            frame=self.frame,
            source=str(self.image.path),
        )

    def _shared(
        self,
        by_camera: FloatArray,
        by_xyz: FloatArray,
        to_mm: FloatArray,
        in_plane: FloatArray,
        face: Face,
        xyz: FloatArray,
    ) -> FloatArray:
        """(K, N, 3): a mode moves the picture of a fixed point; the measured point moves so that the pixel stays."""
        shown = by_camera @ self.modes.T  # (N, 2, K)
        camera_part = -in_plane @ (to_mm @ shown)
        lifted = np.column_stack([np.ones(len(xyz)), xyz[:, :2]]) @ face.modes.T  # (N, M), along z
        sideways = -to_mm @ (by_xyz[:, :, 2:] * lifted[:, None, :])
        face_part = in_plane @ sideways
        face_part[:, 2] += lifted
        return np.concatenate([camera_part, face_part], axis=2).transpose(2, 0, 1)


def _across(
    to_px: FloatArray, in_plane: FloatArray, sigma: FloatArray, normal_px: ArrayLike | None
) -> tuple[FloatArray, FloatArray]:
    """Noise (N,) in mm and unit normals (N, 3): a picture's line n·px = d is the face's line (nᵀ to_px)·xy = d."""
    if normal_px is None:
        return sigma / np.sqrt(np.abs(np.linalg.det(to_px))), np.full((len(sigma), 3), np.nan)
    n = np.asarray(normal_px, float).reshape(-1, 2)
    n = n / np.linalg.norm(n, axis=1, keepdims=True)
    covector = np.einsum("ni,nij->nj", n, to_px)
    # Within the face (metric G of its two directions) the steepest direction of the covector is G⁻¹ covector.
    metric = in_plane.T @ in_plane
    steepest = covector @ np.linalg.inv(metric) @ in_plane.T
    slope = np.linalg.norm(steepest, axis=1)
    return sigma / slope, steepest / slope[:, None]


def solve_bench(
    image: Image,
    pieces: Sequence[FoundPiece],
    *,
    print_x: float | None = None,
    print_y: float | None = None,
    print_u: float = 0.02,
    camera: CameraProfile | None = None,
) -> Bench:
    """Solve camera, piece places and print scales from one photo's corners.

    print_x, print_y: caliper readings (mm) over the printed pattern of the lowest-numbered piece, print_u their
    standard uncertainty. camera: a learned lens; it must belong to this photo.
    Raises CannotDetermine for too little target, InputError for impossible readings or another camera's profile.
    """
    ordered = tuple(sorted(pieces, key=lambda p: (p.piece.kind != "frame", p.piece.number)))
    _refuse_too_little(image, ordered)
    prior = camera.prior_for(image) if camera else lens_prior(image)
    rows, notices = print_observations(ordered[0].piece, print_x, print_y, print_u)
    observed = Observed.of(prior, rows)
    solved, failed = None, None
    try:
        view, solved = solve_view(ordered, observed, prior)
    except CannotDetermine as error:
        failed = error
    other = told_of_other_lens(image, ordered, camera, rows, solved) if camera else []
    sound = solved is not None and (bool(other) or not is_bent(view, solved))
    odd = None if sound else odd_one(ordered, observed, prior)
    if odd is not None:
        return _without(image, ordered, odd, prior, (rows, notices))
    if solved is None:
        raise failed or AssertionError
    if not sound:
        view, solved = solve_bent(ordered, observed, prior, solved)
        notices.append(bent_notice(ordered, observed, prior, solved))
    elif found := doubted(ordered[0].piece, rows, solved.state.scale, solved.cov[SCALE, SCALE]):
        observed, notices = Observed.of(prior, found[0]), [found[1]]
        view, solved = solve_view(ordered, observed, prior)
    names, modes = camera_modes(solved, view)
    return Bench(image, ordered, observed, solved, names, modes, (*notices, *other))


def _without(
    image: Image,
    pieces: tuple[FoundPiece, ...],
    odd: int,
    prior: LensPrior,
    scale: tuple[list[ScaleRow], list[Notice]],
) -> Bench:
    """The bench by the other pieces alone; readings of the piece left out say nothing of the others."""
    rows, notices = scale
    measured = odd == 0 and any(name.startswith("caliper") for name, *_ in rows)
    if measured:
        rows, notices = print_observations(pieces[0].piece, None, None, 1.0)[0], []
    observed, loose = Observed.of(prior, rows), loosened(pieces, odd)
    view, solved = solve_view(loose, observed, prior)
    names, modes = camera_modes(solved, view)
    told = (*notices, left_out_notice(pieces[odd], measured=measured))
    return Bench(image, loose, observed, solved, names, modes, told)


def _refuse_too_little(image: Image, pieces: Sequence[FoundPiece]) -> None:
    corners, markers = sum(len(p.ids) for p in pieces), sum(p.markers for p in pieces)
    if corners >= MIN_CORNERS and markers >= MIN_MARKERS:
        return
    message = (
        f"{image.path}: only {corners} corners and {markers} markers of the target can be seen, and {MIN_CORNERS} "
        f"corners and {MIN_MARKERS} markers are the least that fix a camera; uncover the target and keep all of it in "
        "the picture."
    )
    raise CannotDetermine(message)
