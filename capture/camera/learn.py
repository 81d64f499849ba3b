"""Learn a camera's lens from several photos of the printed sheet (or of strips), with its covariance."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from capture.camera.adjust import Adjustment, Observed, adjust
from capture.camera.detect import FoundPiece, find_pieces
from capture.camera.image import Image
from capture.camera.lens import LENS_NAMES, LensPrior, lens_prior, lens_slopes, project, rays
from capture.camera.profile import CameraProfile, lens_differences
from capture.camera.scale import print_observations
from capture.camera.start import start_state
from capture.camera.views import State, View, make_views, view_model
from fit.errors import CannotDetermine, InputError
from fit.points import FloatArray

__all__ = ["LearnPhoto", "Learned", "focus_spread", "learn_camera", "ray_error", "see_photo"]

MIN_PHOTOS = 3
_FOCAL_LIMIT, _CENTRE_LIMIT = 0.003, 0.002
"""Standard uncertainty of f (of f) and principal point (of the long side) beyond which photos are too alike."""
_DISAGREE, _DISAGREE_PX = 3.0, 0.1
"""Misfit over the corners' own noise, and px, from which the photos are said to disagree."""
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

    Raises InputError for too few photos, one given twice, or photos of another lens or size; CannotDetermine for
    photos so alike that they do not fix the lens.
    """
    _refuse_mixed(photos)
    first = photos[0]
    usual = lens_prior(first.image)
    prior = replace(usual, u=usual.u * np.where(np.array(LENS_NAMES) == "aspect", 1.0, _LOOSE))
    views = make_views([photo.pieces for photo in photos])
    solved = _solve(views, prior, first)
    cov = solved.cov[:9, :9]
    _refuse_alike(solved, max(first.image.size))
    crossed = _cross_validate(views, prior, first, solved) if cross_validate else {}
    kept = np.concatenate([r[k] for r, k in zip(solved.residuals, solved.kept, strict=True)])
    rms = math.sqrt(float((kept**2).mean()))
    warnings = _disagreement(photos, solved, rms)
    details: dict[str, Any] = {
        "warnings": [{"code": "photos-disagree", "text": text} for text in warnings],
        "photos": [{"path": p.image.path.name, "sha256": p.image.sha256} for p in photos],
        "standard_uncertainty": dict(zip(LENS_NAMES, np.sqrt(np.diag(cov)).tolist(), strict=True)),
        "print_ratio": float(solved.state.scale[0] / solved.state.scale[1]),
        "rms_px": rms,
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


def focus_spread(views: Sequence[View], solved: Adjustment) -> float:
    """Standard deviation of the focal length between shots, of itself, beyond what corner noise explains.

    Each photo's own wish for another focal length follows from the joint solution (score test); what these scatter by
    beyond their own variance is the lens focusing anew (method of moments, DerSimonian & Laird 1986).
    """
    wishes = np.array([_focal_wish(view, solved, v) for v, view in enumerate(views)])
    weight = 1 / wishes[:, 1]
    excess = float((weight * wishes[:, 0] ** 2).sum()) - (len(views) - 1)
    variance = excess / (weight.sum() - (weight**2).sum() / weight.sum())
    return math.sqrt(max(variance, 0.0)) / float(solved.state.lens[0])


def _focal_wish(view: View, solved: Adjustment, v: int) -> tuple[float, float]:
    """How far (px) and with what variance one photo wants its focal length from the joint one."""
    kept = solved.kept[v]
    _, jacobian = view_model(view, solved.state, v)
    root = np.linalg.cholesky(view.cov[kept]) * solved.noise_scale
    slope = np.linalg.solve(root, jacobian[kept]).reshape(-1, jacobian.shape[2])
    miss = np.linalg.solve(root, solved.residuals[v][kept][..., None]).ravel()
    columns = np.r_[0 : solved.state.shared, list(solved.state.columns())[v]]
    focal = slope[:, 0]
    mixed = slope.T @ focal
    information = float(focal @ focal - mixed @ solved.cov[np.ix_(columns, columns)] @ mixed)
    return float(focal @ miss) / max(information, 1e-12), 1 / max(information, 1e-12)


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


def _disagreement(photos: Sequence[LearnPhoto], solved: Adjustment, rms: float) -> tuple[str, ...]:
    """Words for photos that do not show one lens and one flat sheet, beyond the noise of their corners."""
    if solved.noise_scale < _DISAGREE or rms < _DISAGREE_PX:
        return ()
    worst = int(np.argmax([float((r**2).mean()) for r in solved.residuals]))
    return (
        f"The photos do not quite agree with one lens and one flat print (corners off by {rms:.2f} px, worst in "
        f"{photos[worst].image.path}): use one print taped to something flat, one lens, and no zoom.",
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
    """Leave each photo out, learn from the others, and see how well that lens fits the one left out (its pose free)."""
    result = {}
    for name, held in _MODELS.items():
        misses = []
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
