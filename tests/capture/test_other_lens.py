"""A camera.json given with a photo whose picture was changed after the shot: the corners tell, EXIF does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import FoundPiece
from capture.camera.profile import CameraProfile
from capture.pieces import frame, strip
from fit.errors import InputError

LENS = np.array([3100.0, 1.0003, 2020.0, 1490.0, 0.08, -0.22, 1e-4, -3e-4, 0.1])
U = np.array([0.3, 1e-5, 0.3, 0.3, 3e-4, 2e-3, 1e-5, 1e-5, 3e-3])
PLACES = np.array([[0, 0, 0], [np.pi, 300, 240], [0.1, 500, 0], [-0.05, 250, 300]])


@pytest.fixture
def profile(synthetic) -> CameraProfile:
    image = synthetic.blank_image()
    return CameraProfile(image.size, LENS, np.diag(U**2), image.exif)


def seen(synthetic, strips: bool, lift: float = 0.0) -> list[FoundPiece]:
    """Corners of four strips or a frame, 0.02 px noise; lift: of one strip's end, mm."""
    pieces = [strip(i) for i in range(4)] if strips else [frame()]
    places = PLACES if strips else np.zeros((1, 3))
    pose = synthetic.look(25, 200, 850, (270, 250)) if strips else synthetic.look(20, 50, 320, (90, 120), 90)
    shot = synthetic.Shot(LENS, *pose, np.ones(2), places)
    found = synthetic.make_pieces(shot, pieces, 0.02, np.random.default_rng(3))
    if lift:
        angle, x, y = PLACES[2]
        c, s = np.cos(angle), np.sin(angle)
        on_bench = found[2].xy @ np.array([[c, s], [-s, c]]) + [x, y]
        found[2] = replace(found[2], px=shot.project(np.column_stack([on_bench, lift * found[2].xy[:, 1] / 240])))
    return found


def changed(found: list[FoundPiece], picture) -> list[FoundPiece]:
    return [replace(piece, px=picture(piece.px)) for piece in found]


@pytest.mark.parametrize("strips", [False, True])
def test_a_sound_photo_is_not_accused(synthetic, profile, strips):
    bench = solve_bench(synthetic.blank_image(), seen(synthetic, strips), camera=profile)
    assert [n.code for n in bench.notices if n.code != "print-unknown"] == []


@pytest.mark.parametrize("strips", [False, True])
def test_a_picture_cut_and_scaled_up_is_refused(synthetic, profile, strips):
    found = changed(seen(synthetic, strips), lambda px: (px - [400, 300]) / 0.8 - [0, 200])
    with pytest.raises(
        InputError, match=r"made-up.jpg: does not show the lens of camera.json: .* leave camera.json out"
    ):
        solve_bench(synthetic.blank_image(), found, camera=profile)
    free = solve_bench(synthetic.blank_image(), found)
    assert all(n.code == "print-unknown" for n in free.notices)


@pytest.mark.parametrize("strips", [False, True])
def test_a_picture_turned_upside_down_is_told_and_no_piece_is_blamed(synthetic, profile, strips):
    """Its middle is off by 20 px across and 10 px up from the lens's, twice that once turned: little for sizes."""
    found = changed(seen(synthetic, strips), lambda px: [3999, 2999] - px)
    codes = {n.code for n in solve_bench(synthetic.blank_image(), found, camera=profile).notices}
    assert codes - {"print-unknown"} == {"other-lens"}


def test_a_bent_strip_is_not_blamed_on_the_lens(synthetic, profile):
    notices = solve_bench(synthetic.blank_image(), seen(synthetic, strips=True, lift=5.0), camera=profile).notices
    (bent,) = [n for n in notices if n.code != "print-unknown"]
    assert bent.code == "target-bent" and "strip 2" in bent.text
