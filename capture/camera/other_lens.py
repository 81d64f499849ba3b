"""Whether a photo shows the lens of the camera.json given with it: its tags may agree where the picture was changed."""

from __future__ import annotations

import math

from capture.camera.adjust import Adjustment, Observed
from capture.camera.detect import FoundPiece
from capture.camera.flatness import is_bent, solve_view
from capture.camera.image import Image
from capture.camera.lens import lens_prior
from capture.camera.one_lens import rms_px
from capture.camera.profile import CameraProfile
from capture.camera.scale import ScaleRow
from fit.errors import CannotDetermine, InputError
from fit.results import Notice

__all__ = ["told_of_other_lens"]

_MISFIT, _MISFIT_PX, _REFUSED_PX = 1.5, 0.03, 0.1
"""Misfit over the corners' own noise, and px, from which a lens is in doubt; px from which it is refused."""
_BETTER, _FAR_BETTER = 1.5, 3.0
"""How many times better the photo must fit without the lens for that to be in doubt, or refused: a bent print fits badly
either way."""


def told_of_other_lens(
    image: Image, pieces: tuple[FoundPiece, ...], camera: CameraProfile, rows: list[ScaleRow], solved: Adjustment | None
) -> list[Notice]:
    """A warning where corners fit the learned lens worse than none; solved: with that lens, None where nothing fits.

    Raises InputError where they are so far off that sizes would be.
    """
    misfit = math.inf if solved is None else rms_px(solved)
    if solved is not None and (solved.noise_scale < _MISFIT or misfit < _MISFIT_PX):
        return []
    prior = lens_prior(image)
    try:
        view, free = solve_view(pieces, Observed.of(prior, rows), prior)
    except CannotDetermine:
        return []
    if is_bent(view, free) or _BETTER * rms_px(free) > misfit:
        return []
    told = f"{misfit:.2f} px" if math.isfinite(misfit) else "by far"
    text = (
        f"does not show the lens of {camera.path}: the target's corners are off by {told} with it, by "
        f"{rms_px(free):.2f} px without it. It was zoomed, cropped or turned after the shot, or the lens has changed. "
        "Give the photo as the camera wrote it, learn the lens anew, or leave camera.json out."
    )
    if misfit > max(_REFUSED_PX, _FAR_BETTER * rms_px(free)):
        message = f"{image.path}: {text}"
        raise InputError(message)
    return [Notice("other-lens", f"The photo {text}")]
