"""From the corners of the printed pieces to a solved camera above the bench, and from pixels to measured points.

Bench coordinates: mm, origin at the lower-left printed corner of the reference piece (the frame, else the strip of lowest
number), x right and y up as seen facing the print, z towards the camera. They are real mm: the print scale is applied.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from capture.adjust import Adjustment, Observed, State, View, adjust
from capture.detect import FoundPiece
from capture.face import Face
from capture.image import Image
from capture.lens import LensPrior, camera_matrix, distortion, lens_prior, rays, see
from capture.profile import CameraProfile
from capture.scale import print_observations
from fit.errors import CannotDetermine
from fit.points import FloatArray, Points
from fit.results import Notice

__all__ = ["Bench", "solve_bench"]

_MODE_SHARE = 1e-5
"""Directions of corner noise with less than this share of its variance at the bench are left out."""


@dataclass(frozen=True, eq=False, slots=True)
class Bench:
    """A photo's solved camera.

    Attributes
    ----------
    image, pieces : what was solved from, reference piece first.
    adjustment : the whole solution with its covariance.
    names (K,), modes (K, 15) : move of the camera (lens 9, turn 3, translation 3) for one standard uncertainty of each
        shared source: caliper or print scale, focal length, lens terms, main directions of corner noise.
    notices : what the print scale asks to tell.
    """

    image: Image
    pieces: tuple[FoundPiece, ...]
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
    def frame(self) -> str:
        """What the axes are, in words."""
        return (
            f"printed {self.pieces[0].piece.name}: origin at its lower-left printed corner, x right, y up as seen facing "
            "the print, z towards the camera; mm"
        )

    def project(self, xyz: ArrayLike) -> FloatArray:
        """Pixels (N, 2) of the stored picture where bench points (N, 3) show."""
        points = np.asarray(xyz, float).reshape(-1, 3)
        return see(self.lens, self.rotation, self.translation, points)[0]

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
    ) -> Points:
        """Points on a face parallel to the bench; see `points_on`."""
        return self.points_on(px, noise_px, Face.level(face, height, height_u), normal_px)

    def points_on(self, px: ArrayLike, noise_px: ArrayLike, face: Face, normal_px: ArrayLike | None = None) -> Points:
        """Measured points where the rays of edge pixels meet a face, with own noise and every shared error.

        Parameters
        ----------
        px : (N, 2) stored pixels. noise_px : (N,) or scalar standard uncertainty (across the edge where it has a normal).
        face : the plane of the edges. normal_px : (N, 2) direction across the edge in the picture, any length.
        """
        places = np.asarray(px, float).reshape(-1, 2)
        sigma = np.broadcast_to(np.asarray(noise_px, float), (len(places),))
        xyz = self.cut(places, face)
        _, by_camera, by_xyz = see(self.lens, self.rotation, self.translation, xyz)
        _, b, c = face.coefficients
        in_plane = np.array([[1.0, 0.0], [0.0, 1.0], [b, c]])  # xyz moves by this for moves of x and y within the face
        to_px = by_xyz @ in_plane
        to_mm = np.linalg.inv(to_px)
        shared = self._shared(by_camera, by_xyz, to_mm, in_plane, face, xyz)
        noise, normal = _across(to_px, in_plane, sigma, normal_px)
        return Points(
            xyz,
            noise=noise,
            normal=normal,
            shared=shared,
            shared_names=(*self.names, *face.names),
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

    print_x, print_y: caliper readings (mm) over the printed pattern of the lowest-numbered piece, print_u their standard
    uncertainty. camera: a learned lens; it must belong to this photo.
    Raises CannotDetermine for too little target, InputError for impossible readings or another camera's profile.
    """
    ordered = tuple(sorted(pieces, key=lambda p: (p.piece.kind != "frame", p.piece.number)))
    _refuse_too_little(image, ordered)
    prior = camera.prior_for(image) if camera else lens_prior(image)
    rows, notices = print_observations(ordered[0].piece, print_x, print_y, print_u)
    view = View(ordered)
    solved = adjust([view], Observed.of(prior, rows), start_state([view], prior))
    names, modes = _camera_modes(solved, view)
    return Bench(image, ordered, solved, names, modes, tuple(notices))


def _refuse_too_little(image: Image, pieces: Sequence[FoundPiece]) -> None:
    from capture.detect import MIN_CORNERS, MIN_MARKERS

    corners, markers = sum(len(p.ids) for p in pieces), sum(p.markers for p in pieces)
    if corners >= MIN_CORNERS and markers >= MIN_MARKERS:
        return
    message = (
        f"{image.path}: only {corners} corners and {markers} markers of the target can be seen, and {MIN_CORNERS} corners and "
        f"{MIN_MARKERS} markers are the least that fix a camera; uncover the target and keep all of it in the picture."
    )
    raise CannotDetermine(message)


def start_state(views: Sequence[View], prior: LensPrior) -> State:
    """A start for the adjustment: every pose from its largest piece, the other pieces by back-projection."""
    lens = prior.centre
    poses = [_start_view(view, lens) for view in views]
    return State(lens, np.ones(2), tuple(p[0] for p in poses), tuple(p[1] for p in poses), tuple(p[2] for p in poses))


def _start_view(view: View, lens: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rotation, translation and places (n, 3) of one view: first in axes of the piece with most corners, then of the first."""
    import cv2

    lead = int(np.argmax([len(p.ids) for p in view.pieces]))
    anchor = view.pieces[lead]
    flat = np.column_stack([anchor.xy, np.zeros(len(anchor.xy))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(
        flat, anchor.px, camera_matrix(lens), distortion(lens), flags=cv2.SOLVEPNP_IPPE
    )
    rotation, translation = cv2.Rodrigues(turns[0])[0], np.ravel(shifts[0])
    places = np.array([_place(p, lens, rotation, translation) for p in view.pieces])
    angle, origin = places[0, 0], np.array([*places[0, 1:], 0.0])
    turn = np.array([[np.cos(angle), -np.sin(angle), 0], [np.sin(angle), np.cos(angle), 0], [0, 0, 1.0]])
    moved = np.column_stack([places[:, 0] - angle, (places[:, 1:] - places[0, 1:]) @ turn[:2, :2]])
    return rotation @ turn, translation + rotation @ origin, moved


def _place(piece: FoundPiece, lens: FloatArray, rotation: FloatArray, translation: FloatArray) -> FloatArray:
    """Angle, x, y of a piece on the bench: rigid fit of its nominal corners to their back-projections."""
    directions = rays(lens, piece.px)
    looking = np.column_stack([directions, np.ones(len(directions))]) @ rotation
    centre = -rotation.T @ translation
    seen = (centre - looking * (centre[2] / looking[:, 2])[:, None])[:, :2]
    a, b = piece.xy - piece.xy.mean(axis=0), seen - seen.mean(axis=0)
    angle = math.atan2(float((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum()), float((a * b).sum()))
    c, s = math.cos(angle), math.sin(angle)
    return np.array([angle, *(seen.mean(axis=0) - np.array([[c, -s], [s, c]]) @ piece.xy.mean(axis=0))])


def _camera_modes(solved: Adjustment, view: View) -> tuple[tuple[str, ...], FloatArray]:
    """Shared modes of the camera: the answer to each input, then main directions of corner noise, largest first."""
    camera = np.r_[0:9, 11:17]
    inputs = solved.responses[:, camera]
    root = _root(solved.corner_cov[np.ix_(camera, camera)])
    effect = _bench_effect(solved.state, view)
    u, sizes, directions = np.linalg.svd(effect @ root, full_matrices=False)
    share = sizes**2 / max(float((sizes**2).sum()), 1e-300)
    keep = share > _MODE_SHARE
    corners = (root @ directions[keep].T).T
    names = (*solved.names, *(f"corners:{i + 1}" for i in range(len(corners))))
    return names, np.vstack([inputs, corners])


def _root(cov: FloatArray) -> FloatArray:
    """A matrix L with L Lᵀ = cov, rows scaled first so that px and rad go together."""
    size = np.sqrt(np.maximum(np.diag(cov), 1e-300))
    values, vectors = np.linalg.eigh(cov / np.outer(size, size))
    return np.asarray(size[:, None] * vectors * np.sqrt(np.maximum(values, 0.0)))


def _bench_effect(state: State, view: View) -> FloatArray:
    """(M, 15): how bench places around the target answer the camera, on the print and a tenth of its size above it."""
    from capture.adjust import bench_corners

    flat = bench_corners(view, state, 0)
    low, high = flat.min(axis=0), flat.max(axis=0)
    grid = np.stack(np.meshgrid(*np.linspace(low, high, 5).T), axis=-1).reshape(-1, 2)
    lift = 0.1 * float(np.hypot(*(high - low)))
    xyz = np.vstack([np.column_stack([grid, np.full(len(grid), z)]) for z in (0.0, lift)])
    _, by_camera, by_xyz = see(state.lens, state.rotations[0], state.translations[0], xyz)
    return np.asarray(np.linalg.solve(by_xyz[:, :, :2], by_camera)).reshape(-1, 15)
