"""A start for the adjustment: every pose from one piece, the other pieces by back-projection."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from capture.camera.detect import FoundPiece
from capture.camera.lens import LensPrior, camera_matrix, distortion, rays
from capture.camera.views import State, View
from fit.points import FloatArray

__all__ = ["start_state"]


def start_state(views: Sequence[View], prior: LensPrior) -> State:
    """A start for the adjustment: every pose from its largest piece, the other pieces by back-projection."""
    lens = prior.centre
    poses = [_start_view(view, lens) for view in views]
    flats = np.zeros(len(views[0].flat_names))
    return State(
        lens, np.ones(2), flats, tuple(p[0] for p in poses), tuple(p[1] for p in poses), tuple(p[2] for p in poses)
    )


def _start_view(view: View, lens: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Rotation, translation, places (n, 3): first in axes of the piece with most corners, then of the first piece."""
    import cv2

    lead = int(np.argmax([len(p.ids) for p in view.pieces]))
    anchor = view.pieces[lead]
    flat = np.column_stack([anchor.xy, np.zeros(len(anchor.xy))])
    _, turns, shifts, _ = cv2.solvePnPGeneric(
        flat, anchor.px, camera_matrix(lens), distortion(lens), flags=cv2.SOLVEPNP_IPPE
    )
    rotation, translation = np.asarray(cv2.Rodrigues(turns[0])[0], float), np.asarray(shifts[0], float).ravel()
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
