"""Learn a camera's lens from several photos of the printed sheet (or of strips), with its covariance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from capture.camera.adjust import Adjustment, Observed, adjust
from capture.camera.detect import FoundPiece, find_pieces
from capture.camera.focusing import focus_spread
from capture.camera.image import Image
from capture.camera.lens import LENS_NAMES, LensPrior, lens_prior, lens_slopes, project, rays
from capture.camera.one_lens import agree, refuse_odd, refuse_repeated, rms_px
from capture.camera.profile import CameraProfile, lens_differences
from capture.camera.scale import print_observations
from capture.camera.start import start_state
from capture.camera.views import State, View, make_views
from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = ["LearnPhoto", "Learned", "learn_camera", "ray_error", "see_photo"]

MIN_PHOTOS = 3
_FOCAL_LIMIT, _CENTRE_LIMIT = 0.003, 0.002
"""Standard uncertainty of f (of f) and principal point (of the long side) beyond which photos are too alike."""
_PREDICTED_PX = 0.5
"""Rms error of a photo left out from which the lens is said not to carry over (a good set: 0.01 to 0.05 px)."""
_LOOSE = 5.0
"""How much wider than for a single photo the prior is: many photos know better, and odd lenses must be learnable. Not
so fy/fx: pixels are square, and only that tells a print stretched in one direction where no photo was turned."""
_MODELS = {"k1": (5, 6, 7, 8), "k1 k2": (6, 7, 8), "k1 k2 k3": (6, 7), "k1 k2 p1 p2 k3": ()}
"""Lens models compared by cross-validation: name -> places of the lens terms held at zero."""


@dataclass(frozen=True, eq=False, slots=True)
class LearnPhoto:
    """One photo of the target for learning."""

    image: Image
    pieces: tuple[FoundPiece, ...]


@dataclass(frozen=True, eq=False, slots=True)
class Learned:
    """A learned lens, with what the photos say about it.

    profile : to be kept. solved : the joint adjustment. photos : in the order given.
    cross_validation : px rms of corners of a photo predicted by the lens of the others, by lens model.
    warnings : what does not fit together.
    """

    profile: CameraProfile
    solved: Adjustment
    photos: tuple[LearnPhoto, ...]
    cross_validation: dict[str, float]
    warnings: tuple[str, ...] = ()


def see_photo(image: Image) -> LearnPhoto:
    """Find the target of one photo for learning: the sheet, else strips or the frame.

    Raises CannotDetermine or InputError as `find_pieces` does.
    """
    pieces = find_pieces(image, ("sheet", "frame", "strip"))
    only = [p for p in pieces if p.piece.kind == "sheet"] or pieces
    return LearnPhoto(image, tuple(only))


def learn_camera(photos: Sequence[LearnPhoto], cross_validate: bool = True) -> Learned:
    """Solve the lens from all photos together; all five distortion terms stay, held by priors.

    Raises InputError for too few photos, one given twice, or photos of another lens, crop or size; CannotDetermine for
    photos so alike that they do not fix the lens, or that do not fit one lens.
    """
    _refuse_mixed(photos)
    first = photos[0]
    usual = lens_prior(first.image)
    prior = replace(usual, u=usual.u * np.where(np.array(LENS_NAMES) == "aspect", 1.0, _LOOSE))
    views, paths = make_views([photo.pieces for photo in photos]), [photo.image.path for photo in photos]
    solved = refuse_odd(views, paths, lambda some: _solve(some, prior, first))
    cov = solved.cov[:9, :9]
    _refuse_alike(solved, max(first.image.size))
    refuse_repeated(views, paths, solved, first.image.size)
    crossed = _cross_validate(views, prior, first, solved) if cross_validate else {}
    warnings = (*_disagreement(photos, solved), *_poorly_predicted(crossed, len(photos)))
    details: dict[str, Any] = {
        "warnings": [{"code": "photos-disagree", "text": text} for text in warnings],
        "photos": [{"path": p.image.path.name, "sha256": p.image.sha256} for p in photos],
        "standard_uncertainty": dict(zip(LENS_NAMES, np.sqrt(np.diag(cov)).tolist(), strict=True)),
        "print_ratio": float(solved.state.scale[0] / solved.state.scale[1]),
        "rms_px": rms_px(solved),
        "flatness_mm": dict(zip(views[0].flat_names, solved.state.flats.tolist(), strict=True)),
        "cross_validation_px": crossed,
    }
    exif = replace(first.image.exif, size=first.image.size)
    focus_u = focus_spread(views, solved)
    profile = CameraProfile(first.image.size, solved.state.lens, cov, exif, focus_u, details=details)
    return Learned(profile, solved, tuple(photos), crossed, warnings)


def ray_error(profile: CameraProfile, px: FloatArray) -> FloatArray:
    """Standard uncertainty (N,) in px of where the learned lens shows the rays of pixels px (N, 2).

    A turn of the whole camera is no error of the lens (the pose takes it up), so it is taken out over the pixels given.
    """
    xy = rays(profile.lens, px)
    by_xy, by_lens = project(profile.lens, xy)[1], lens_slopes(profile.lens, xy)
    x, y = xy.T
    about_x, about_y, about_z = (x * y, 1 + y * y), (-1 - x * x, -x * y), (-y, x)
    turns = np.array([about_x, about_y, about_z]).transpose(2, 1, 0)  # how a turn of the camera moves directions
    turned = (by_xy @ turns).reshape(-1, 3)
    free = by_lens.reshape(-1, 9)
    free = free - turned @ np.linalg.lstsq(turned, free, rcond=None)[0]
    variance = np.einsum("ij,jk,ik->i", free, profile.cov, free).reshape(-1, 2)
    return np.sqrt(variance.mean(axis=1))


def _refuse_mixed(photos: Sequence[LearnPhoto]) -> None:
    if len(photos) < MIN_PHOTOS:
        message = (
            f"A lens is learned from at least {MIN_PHOTOS} photos of the sheet; got {len(photos)}. Ten are better."
        )
        raise InputError(message)
    seen: dict[str, Image] = {}
    first = photos[0].image
    for photo in photos:
        image = photo.image
        if image.sha256 in seen:
            message = f"{image.path}: is the same photo as {seen[image.sha256].path}; give each photo once."
            raise InputError(message)
        seen[image.sha256] = image
        if image.size != first.size:
            message = (
                f"{image.path}: has {image.size[0]} × {image.size[1]} px, but {first.path} has {first.size[0]} × "
                f"{first.size[1]}; give photos of one camera as it wrote them, all held the same way."
            )
            raise InputError(message)
        if other := lens_differences(first.exif, image.exif):
            message = f"{image.path}: was taken with another lens or zoom than {first.path} ({other}); give one lens's."
            raise InputError(message)


def _disagreement(photos: Sequence[LearnPhoto], solved: Adjustment) -> tuple[str, ...]:
    """Words for photos that do not show one lens and one flat sheet, beyond the noise of their corners."""
    if agree(solved):
        return ()
    worst = int(np.argmax([float((r**2).mean()) for r in solved.residuals]))
    return (
        f"The photos do not quite agree with one lens and one flat print (corners off by {rms_px(solved):.2f} px, worst in "
        f"{photos[worst].image.path}): use one print taped to something flat, one lens, and no zoom.",
    )


def _poorly_predicted(crossed: dict[str, float], count: int) -> tuple[str, ...]:
    """Words for a lens that does not carry over to a photo it was not learned from: few photos can hide two lenses."""
    miss = crossed.get("k1 k2 p1 p2 k3", math.inf if crossed else 0.0)
    if miss < _PREDICTED_PX:
        return ()
    told = f"only to {miss:.1f} px" if math.isfinite(miss) else "not at all"
    return (
        f"A photo left out is predicted {told} by the lens of the others: {count} photos are too few, or one was zoomed, "
        "cropped or taken with another lens. Add photos tilted in other directions.",
    )


def _solve(
    views: Sequence[View], prior: LensPrior, first: LearnPhoto, start: State | None = None, held: Sequence[int] = ()
) -> Adjustment:
    """Adjust with the print unmeasured: its scale means nothing here, its x : y ratio is solved."""
    u = prior.u.copy()
    u[list(held)] = 1e-9
    rows, _ = print_observations(first.pieces[0].piece, None, None, 0.02)
    held_prior = replace(prior, u=u)
    return adjust(views, Observed.of(held_prior, rows), start or start_state(views, held_prior))


def _refuse_alike(solved: Adjustment, long_side: int) -> None:
    u = np.sqrt(np.diag(solved.cov)[:4])
    if u[0] / solved.state.lens[0] < _FOCAL_LIMIT and u[2:4].max() < _CENTRE_LIMIT * long_side:
        return
    message = (
        f"The photos are too alike to fix the lens (focal length only to ±{2 * u[0] / solved.state.lens[0]:.1%}, "
        f"picture centre to ±{2 * u[2:4].max():.0f} px); tilt the phone 20 to 40° in different directions, turn it "
        "between shots and fill the whole picture with the sheet."
    )
    raise CannotDetermine(message)


def _cross_validate(views: Sequence[View], prior: LensPrior, first: LearnPhoto, solved: Adjustment) -> dict[str, float]:
    """Leave each photo out, learn from the others, and see how well that lens fits the one left out (its pose free).

    A model so poor that the corners left out fit nowhere has no figure.
    """
    result = {}
    for name, held in _MODELS.items():
        misses = []
        with suppress(CannotDetermine):
            for out, view in enumerate(views):
                others = [other for v, other in enumerate(views) if v != out]
                start = _without_photo(solved.state, out, held)
                misses.append(_misses(view, _solve(others, prior, first, start, held).state))
            result[name] = float(np.sqrt((np.concatenate(misses) ** 2).mean()))
    return result


def _without_photo(state: State, out: int, held: Sequence[int]) -> State:
    """The solution less one photo, terms held at zero put there: a near start for the others."""
    lens = state.lens.copy()
    lens[list(held)] = 0.0
    rest = [v for v in range(len(state.rotations)) if v != out]
    poses = (tuple(part[v] for v in rest) for part in (state.rotations, state.translations, state.places))
    return State(lens, state.scale, state.flats, *poses)


def _misses(view: View, learned: State) -> FloatArray:
    """Residuals (N, 2) px of a photo whose pose is solved with a lens and a print ratio taken as known."""
    tiny = 1e-9 * np.maximum(np.abs(learned.lens), 1.0)
    known = LensPrior(LENS_NAMES, np.eye(9), learned.lens, tiny)
    ratio = float(learned.scale[0] / learned.scale[1])
    fixed = Observed.of(known, [("print:x", (1.0, 0.0), ratio, 1e-9), ("print:y", (0.0, 1.0), 1.0, 1e-9)])
    left = adjust([view], fixed, start_state([view], known))
    return left.residuals[0][left.kept[0]]
