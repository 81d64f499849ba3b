"""The model behind the adjustment: parameters of lens, print scales, cameras and piece places, and what they predict.

One view is one photo: its pieces lie on one plane (the bench) at places of their own; the first is the reference. All
views share the lens, both print scales, and how far each piece leaves the plane: a bow and, where several pieces make
the bench, a lift and a tilt.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from capture.camera.detect import FoundPiece
from capture.camera.lens import see
from fit.points import FloatArray

__all__ = ["LENS", "SCALE", "State", "View", "bench_corners", "make_views", "rotation_of", "view_model"]

LENS, SCALE, _FLAT = slice(0, 9), slice(9, 11), 11
"""Where the shared parameters stand: lens (9), print scale in x and y (2), flatness (F); each view's own follow."""


@dataclass(frozen=True, eq=False, slots=True)
class View:
    """The corners of one photo: pieces in order, the first being the reference.

    shapes : (N, F) height of each corner above the bench for 1 mm of each flatness parameter.
    flat_names : (F,) such as ``target:strip 2 bow``.
    """

    pieces: tuple[FoundPiece, ...]
    shapes: FloatArray
    flat_names: tuple[str, ...]

    @property
    def which(self) -> NDArray[np.int_]:
        """(N,) piece of each corner."""
        return np.repeat(np.arange(len(self.pieces)), [len(p.ids) for p in self.pieces])

    @property
    def xy(self) -> FloatArray:
        return np.concatenate([p.xy for p in self.pieces])

    @property
    def px(self) -> FloatArray:
        return np.concatenate([p.px for p in self.pieces])

    @property
    def cov(self) -> FloatArray:
        return np.concatenate([p.cov for p in self.pieces])


@dataclass(frozen=True, eq=False, slots=True)
class State:
    """Values of all parameters: lens (9,), scale (2,), flats (F,), per view rotation, translation, places (n, 3).

    A camera sees bench point X at ``rotation @ X + translation``; a place is (angle, x, y) of a piece on the bench.
    """

    lens: FloatArray
    scale: FloatArray
    flats: FloatArray
    rotations: tuple[FloatArray, ...]
    translations: tuple[FloatArray, ...]
    places: tuple[FloatArray, ...]

    def moved(self, step: FloatArray) -> State:
        """The state after a step in the adjustment's parameters."""
        rotations, translations, places = [], [], []
        for v, columns in enumerate(self.columns()):
            own = step[columns]
            rotations.append(rotation_of(own[:3]) @ self.rotations[v])
            translations.append(self.translations[v] + own[3:6])
            places.append(self.places[v] + np.vstack([np.zeros((1, 3)), own[6:].reshape(-1, 3)]))
        return State(
            self.lens + step[LENS],
            self.scale + step[SCALE],
            self.flats + step[_FLAT : self.shared],
            tuple(rotations),
            tuple(translations),
            tuple(places),
        )

    def columns(self) -> Iterator[slice]:
        """Where each view's own parameters stand: turn (3), translation (3), place (3) of each piece but the first."""
        start = self.shared
        for places in self.places:
            end = start + 6 + 3 * (len(places) - 1)
            yield slice(start, end)
            start = end

    @property
    def shared(self) -> int:
        """Number of parameters that all views share."""
        return _FLAT + len(self.flats)

    @property
    def size(self) -> int:
        """Number of parameters."""
        return self.shared + sum(6 + 3 * (len(places) - 1) for places in self.places)


def make_views(photos: Sequence[tuple[FoundPiece, ...]], lift_all: bool = False) -> list[View]:
    """Views of several photos that share flatness parameters: one piece is the same sheet of paper in all of them.

    lift_all: let a single piece, too, lie above or askew to the bench plane from which heights count.
    """
    names: dict[str, None] = {}
    heights = []
    for pieces in photos:
        lifts = lift_all or len(pieces) > 1
        heights.append([_flat_shapes(piece, lifts) for piece in pieces])
        names |= dict.fromkeys(name for shapes in heights[-1] for name in shapes)
    place = {name: i for i, name in enumerate(names)}
    views = []
    for pieces, found in zip(photos, heights, strict=True):
        shapes = np.zeros((sum(len(p.ids) for p in pieces), len(names)))
        start = 0
        for piece, own in zip(pieces, found, strict=True):
            for name, height in own.items():
                shapes[start : start + len(piece.ids), place[name]] = height
            start += len(piece.ids)
        views.append(View(pieces, shapes, tuple(names)))
    return views


def _flat_shapes(found: FoundPiece, lifts: bool) -> dict[str, FloatArray]:
    """Smooth ways in which a sheet leaves the plane, each 1 mm from its lowest to its highest or middle to end."""
    piece = found.piece
    u, v = (2 * found.xy / [piece.width, piece.height] - 1).T
    bow = {"bow": v * v - 1 / 3}
    if piece.kind != "strip":
        bow |= {"bow across": u * u - 1 / 3, "twist": u * v}
    lift = {"lift": np.ones_like(u), "tilt": v} if lifts else {}
    if lifts and piece.kind != "strip":
        lift["tilt across"] = u
    return {f"target:{piece.name} {name}": height for name, height in (bow | lift).items()}


def rotation_of(turn: FloatArray) -> FloatArray:
    """Rotation matrix of a rotation vector (Rodrigues' formula), also right for the smallest angles."""
    angle = float(np.linalg.norm(turn))
    x, y, z = turn
    skew = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    a = np.sinc(angle / np.pi)
    b = 0.5 * np.sinc(angle / (2 * np.pi)) ** 2
    return np.eye(3) + a * skew + b * (skew @ skew)


def view_model(view: View, state: State, v: int) -> tuple[FloatArray, FloatArray]:
    """Predicted px (N, 2) and Jacobian (N, 2, p) by lens, print scales and the view's own parameters."""
    which = view.which
    along_x, along_y = _axes_on_bench(view, state, v)
    arm = along_x * state.scale[0] + along_y * state.scale[1]
    bench = np.column_stack([arm + state.places[v][which, 1:], view.shapes @ state.flats])
    px, by_camera, by_bench = see(state.lens, state.rotations[v], state.translations[v], bench)
    own = state.shared
    jacobian = np.zeros((len(arm), 2, own + 6 + 3 * (len(view.pieces) - 1)))
    jacobian[:, :, LENS], jacobian[:, :, own : own + 6] = by_camera[:, :, :9], by_camera[:, :, 9:]
    jacobian[:, :, _FLAT:own] = by_bench[:, :, 2:] * view.shapes[:, None, :]
    moves = np.stack([along_x, along_y, np.column_stack([-arm[:, 1], arm[:, 0]])], axis=2)
    by_scale_and_angle = by_bench[:, :, :2] @ moves
    jacobian[:, :, SCALE] = by_scale_and_angle[:, :, :2]
    for j in range(1, len(view.pieces)):
        mine, column = which == j, own + 3 + 3 * j
        jacobian[mine, :, column] = by_scale_and_angle[mine, :, 2]
        jacobian[mine, :, column + 1 : column + 3] = by_bench[mine, :, :2]
    return px, jacobian


def _axes_on_bench(view: View, state: State, v: int) -> tuple[FloatArray, FloatArray]:
    """How each corner's bench place (N, 2) grows with the print scale in x and in y."""
    angle = state.places[v][view.which, 0]
    c, s = np.cos(angle), np.sin(angle)
    return np.column_stack([c, s]) * view.xy[:, :1], np.column_stack([-s, c]) * view.xy[:, 1:]


def bench_corners(view: View, state: State, v: int) -> FloatArray:
    """Places (N, 2) of a view's corners on the bench, mm."""
    along_x, along_y = _axes_on_bench(view, state, v)
    return np.asarray(along_x * state.scale[0] + along_y * state.scale[1] + state.places[v][view.which, 1:])
