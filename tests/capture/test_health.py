"""Checks of a solved bench: bent or lifted paper is named, left-out parts are predicted, far features are told of."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from capture.camera.bench import Bench, solve_bench
from capture.camera.health import check_bench, outside_target, target_hull
from capture.pieces import frame, strip
from fit.errors import CannotDetermine

LENS = np.array([3100.0, 1.0003, 2020.0, 1490.0, 0.08, -0.22, 1e-4, -3e-4, 0.1])
PLACES = np.array([[0, 0, 0], [np.pi, 300, 240], [0.1, 500, 0], [-0.05, 250, 300]])


def frame_bench(synthetic, tilt: float = 20.0, heights=None, keep=slice(None), sigma: float = 0.02, **given) -> Bench:
    rotation, translation = synthetic.look(tilt, 50, given.pop("distance", 320.0), (90, 120), 90)
    shot = synthetic.Shot(LENS, rotation, translation, np.ones(2), np.zeros((1, 3)))
    (found,) = synthetic.make_pieces(shot, [frame()], sigma, np.random.default_rng(0))
    if heights is not None:
        bent = np.column_stack([found.xy, heights(found.xy)])
        found = replace(found, px=shot.project(bent) + np.random.default_rng(1).normal(0, sigma, found.px.shape))
    cut = {key: getattr(found, key)[keep] for key in ("ids", "px", "cov", "blur")}
    return solve_bench(synthetic.blank_image(), [replace(found, **cut)], print_x=180.0, print_y=240.0)


def strip_bench(synthetic, tilt: float = 25.0, lift: float = 0.0) -> Bench:
    rotation, translation = synthetic.look(tilt, 200, 850, (270, 250))
    shot = synthetic.Shot(LENS, rotation, translation, np.ones(2), PLACES)
    pieces = [strip(i) for i in range(4)]
    found = synthetic.make_pieces(shot, pieces, 0.02, np.random.default_rng(0))
    angle, x, y = PLACES[2]
    c, s = np.cos(angle), np.sin(angle)
    raised = np.column_stack([found[2].xy @ np.array([[c, s], [-s, c]]) + [x, y], np.full(len(found[2].ids), lift)])
    found[2] = replace(found[2], px=shot.project(raised))
    return solve_bench(synthetic.blank_image(), found, print_x=45.0, print_y=240.0)


def test_flat_targets_are_not_called_bent(synthetic):
    for bench in (frame_bench(synthetic), frame_bench(synthetic, 3.0), strip_bench(synthetic)):
        assert bench.notices == ()


def test_a_bowed_frame(synthetic):
    bench = frame_bench(synthetic, heights=lambda xy: 2.0 * (xy[:, 1] / 240 * 2 - 1) ** 2)
    assert [n.code for n in bench.notices] == ["target-bent"]
    told = float(bench.notices[0].text.split("off by about ")[1].split(" mm")[0])
    assert told == pytest.approx(2.0, abs=0.5)
    flat = frame_bench(synthetic)
    px = flat.project([[40.0, 50, 2], [140, 180, 2]])
    spread = [np.abs(np.diff(b.points_on_face(px, 0.0, 2.0, 0.05).shared, axis=1)).sum() for b in (flat, bench)]
    assert spread[1] > 2 * spread[0]


def test_a_strip_that_lies_on_something(synthetic):
    doubtful, plain = strip_bench(synthetic, lift=2.0), strip_bench(synthetic, lift=4.0)
    for bench in (doubtful, plain):
        assert [n.code for n in bench.notices] == ["target-bent"]
    assert doubtful.notices[0].text.startswith("Either strip 1 or strip 2 is not flat")
    assert plain.notices[0].text.startswith("The strip 2 does not fit the other pieces: it is not flat")


@pytest.mark.parametrize("odd", range(4))
@pytest.mark.parametrize(("lift", "scale"), [(5.0, 1.0), (0.0, 0.97), (0.0, 1.02)])
def test_a_strip_with_an_end_up_or_of_another_print_is_named_and_spoils_no_size(synthetic, odd, lift, scale):
    shot, found = four_strips(synthetic, odd, lift, scale)
    first = np.array([45.0, 240.0]) * (scale if odd == 0 else 1.0)
    bench = solve_bench(synthetic.blank_image(), found, print_x=first[0], print_y=first[1])
    (bent,) = [n for n in bench.notices if n.code == "target-bent"]
    assert bent.text.startswith(f"The strip {odd} does not fit") and ("caliper" in bent.text) == (odd == 0)
    xyz = np.array([[60.0, 60, 1.5], [480, 300, 1.5], [450, 80, 1.5], [100, 280, 1.5]])
    points = bench.points_on_face(shot.project(xyz), 0.0, 1.5, 0.02)
    for a, b in ((0, 1), (2, 3), (0, 2)):
        away = points.xyz[b] - points.xyz[a]
        length = np.linalg.norm(away)
        u95 = 1.96 * np.linalg.norm((points.shared[:, b] - points.shared[:, a]) @ (away / length))
        assert abs(length - np.linalg.norm(xyz[b] - xyz[a])) <= u95 < (20.0 if odd == 0 else 1e-3 * length)


def test_two_odd_strips_of_four_are_not_laid_to_one(synthetic):
    _, found = four_strips(synthetic, 1, 5.0, 1.0)
    found[2] = four_strips(synthetic, 2, 0.0, 0.97)[1][2]
    try:
        bench = solve_bench(synthetic.blank_image(), found, print_x=45.0, print_y=240.0)
    except CannotDetermine as error:
        assert "flat" in str(error)
    else:
        (bent,) = [n for n in bench.notices if n.code == "target-bent"]
        assert "left out of account" not in bent.text


def four_strips(synthetic, odd: int, lift: float, scale: float):
    """A shot of four strips, one of them with its far end up by `lift` mm and printed at `scale`."""
    shot = synthetic.Shot(LENS, *synthetic.look(20, 200, 850, (270, 180)), np.ones(2), PLACES)
    found = synthetic.make_pieces(shot, [strip(i) for i in range(4)], 0.02, np.random.default_rng(2))
    angle, x, y = PLACES[odd]
    c, s = np.cos(angle), np.sin(angle)
    xy = scale * found[odd].xy
    raised = np.column_stack([xy @ np.array([[c, s], [-s, c]]) + [x, y], lift * found[odd].xy[:, 1] / 240])
    found[odd] = replace(found[odd], px=shot.project(raised))
    return shot, found


def test_left_out_parts_are_predicted(synthetic):
    for bench in (frame_bench(synthetic), strip_bench(synthetic)):
        health = check_bench(bench)
        assert 0 < health.leave_one_out < 0.05
    noisy = check_bench(frame_bench(synthetic, sigma=0.3))
    assert noisy.leave_one_out > 0.05 and noisy.at_part is None
    record = health.record(bench)
    assert record["leave_one_out"] == health.leave_one_out
    assert record["fx"] == pytest.approx(3100, rel=0.01)


def test_what_leaving_a_strip_out_does_to_the_part(synthetic):
    """The change told is what a bench without that strip gives; away from the other strips it is larger."""
    bench = strip_bench(synthetic)
    box = np.array([(60.0, 20, 1.5), (480, 20, 1.5), (480, 230, 1.5), (60, 230, 1.5)])
    near, far = (check_bench(bench, places=box * [scale, scale, 1]) for scale in (1.0, 3.0))
    assert 0 < near.at_part < 0.05 and far.at_part > 2 * near.at_part
    assert near.worst_at_part.startswith("strip")
    rest = [piece for piece in bench.pieces if piece.piece.name != near.worst_at_part]
    without = solve_bench(bench.image, rest, print_x=45.0, print_y=240.0)
    seen = without.points_on_face(bench.project(box), 0.0, 1.5, 0.0).xyz
    diagonals = [np.linalg.norm(xyz[2] - xyz[0]) - np.linalg.norm(xyz[3] - xyz[1]) for xyz in (box, seen)]
    assert abs(diagonals[0] - diagonals[1]) < 4 * near.at_part


def test_advice(synthetic):
    assert check_bench(frame_bench(synthetic)).advice == ()
    oblique = check_bench(frame_bench(synthetic, 50.0, distance=420.0)).advice
    assert any("50° oblique" in line for line in oblique)
    far = check_bench(frame_bench(synthetic, distance=1100.0)).advice
    assert any("go nearer" in line for line in far)
    partial = check_bench(frame_bench(synthetic, keep=slice(0, 30))).advice
    assert any("32 of 62 corners of the frame cannot be made out" in line for line in partial)
    assert any("lower side" in line for line in partial)
    bench = frame_bench(synthetic)
    soft = replace(bench, pieces=(replace(bench.pieces[0], blur=np.full(62, 3.0)),))
    assert any("soft" in line for line in check_bench(soft).advice)


def hidden(bench: Bench, which: int, out: np.ndarray, grey: np.ndarray) -> Bench:
    """The bench with some corners of one piece not found in a picture of these grey levels."""
    found = bench.pieces[which]
    cut = {key: getattr(found, key)[~out] for key in ("ids", "px", "cov", "blur")}
    pieces = [replace(found, **cut) if j == which else piece for j, piece in enumerate(bench.pieces)]
    return solve_bench(replace(bench.image, grey=grey), pieces, print_x=45.0, print_y=240.0)


def test_why_corners_are_missing(synthetic):
    """White around them is glare; grey is something that lies there; beyond the picture's edge it is cut off."""
    bench = strip_bench(synthetic)
    px = bench.pieces[2].px
    out = px[:, 1] > np.median(px[:, 1])
    plain, white = np.full((3000, 4000), 90, np.uint8), np.full((3000, 4000), 90, np.uint8)
    for x, y in np.rint(px[out]).astype(int):
        white[y - 60 : y + 61, x - 60 : x + 61] = 252
    (covered,) = check_bench(hidden(bench, 2, out, plain)).advice
    assert (
        covered
        == f"{out.sum()} of 30 corners of the strip 2 cannot be made out; uncover it, and keep deep shadow off it."
    )
    (glare,) = check_bench(hidden(bench, 2, out, white)).advice
    assert glare.startswith(f"Glare on the strip 2 hides {out.sum()} of its 30 corners; turn the light")
    y = int(np.floor(px[out].min(axis=0)[1])) - 5
    (cut,) = check_bench(hidden(bench, 2, out & (px[:, 1] > y), plain[: y + 1])).advice
    assert cut.startswith(f"{out.sum()} of 30 corners of the strip 2 lie outside the picture; step back")


def test_a_side_without_target_is_named_as_people_see_the_picture(synthetic):
    bench = strip_bench(synthetic)
    box = np.array([(60.0, 20, 1.5), (480, 20, 1.5), (480, 230, 1.5), (60, 230, 1.5)])
    assert check_bench(bench, places=box).advice == ()
    rotation, translation = synthetic.look(25, 200, 850, (270, 250))
    shot = synthetic.Shot(LENS, rotation, translation, np.ones(2), PLACES)
    without = synthetic.make_pieces(shot, [strip(i) for i in range(4)], 0.02, np.random.default_rng(0))[:2]
    px = shot.project(box)
    for orientation in (1, 6):
        image = replace(synthetic.blank_image(), orientation=orientation)
        seen = solve_bench(image, without, print_x=45.0, print_y=240.0)
        advice = check_bench(seen, places=box).advice
        far = image.to_displayed(px[1:3]).mean(axis=0) - image.to_displayed(px[[0, 3]]).mean(axis=0)
        side = ("left", "right") if abs(far[0]) > abs(far[1]) else ("upper side", "lower side")
        side = side[int(far[np.argmax(np.abs(far))] > 0)]
        assert f"The part reaches past the target on the {side} of the picture; lay a strip there too." in advice


def test_an_unmeasured_print_is_no_reason_to_learn_the_lens(synthetic):
    """Print ratio and focal length are tied: what both leave open on the print itself is not the height's doing."""
    rotation, translation = synthetic.look(30, 50, 320, (90, 120), 90)
    shot = synthetic.Shot(LENS, rotation, translation, np.ones(2), np.zeros((1, 3)))
    found = synthetic.make_pieces(shot, [frame()], 0.02, np.random.default_rng(0))
    assert check_bench(solve_bench(synthetic.blank_image(), found), [2.0]).advice == ()


def test_raised_faces_seen_square_on(synthetic):
    square_on, tilted = frame_bench(synthetic, 3.0), frame_bench(synthetic, 30.0)
    assert check_bench(square_on, [2.0]).advice == ()
    assert any("learn the lens" in line for line in check_bench(square_on, [2.0, 37.0]).advice)
    assert not any("learn the lens" in line for line in check_bench(tilted, [37.0]).advice)


def test_hull_and_features_beyond_it(synthetic):
    bench = frame_bench(synthetic)
    np.testing.assert_allclose(
        sorted(map(tuple, target_hull(bench).round(3))), [(0, 0), (0, 240), (180, 0), (180, 240)], atol=0.02
    )
    assert outside_target(bench, np.array([[20.0, 20, 5], [150, 200, 5]]), "hole 1") is None
    notice = outside_target(bench, np.array([[20.0, 20, 5], [230, 200, 5]]), "hole 2")
    assert notice.code == "outside-target" and notice.feature == "hole 2" and "50 mm outside" in notice.text
    with pytest.raises(CannotDetermine, match=r"'edge' lies 2\.\d target half-diagonals away"):
        outside_target(bench, np.array([[470.0, 120]]), "edge")
    assert outside_target(bench, np.array([[470.0, 120]]), "edge", has_lens=True).code == "outside-target"
