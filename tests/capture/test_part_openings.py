"""Telling the part from paper and shadow, its openings from its grain, and fitting round holes and slots."""

from __future__ import annotations

from dataclasses import replace

import cv2
import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges import measure
from capture.edges.flatten import Flat, flatten
from capture.edges.follow import follow_edge
from capture.edges.openings import Opening, find_openings, round_starts
from capture.edges.part_mask import find_part
from capture.edges.rim_fit import FaceKnowledge, caps_seen, edge_at, edge_of, refined_slot, slot_edge
from capture.edges.rims import Sheet
from capture.edges.round_holes import Circle, RoundSearch
from capture.edges.slot_holes import Stadium, best_stadium, ranked, stadium_of
from capture.edges.strip import Lit, linear_light
from fit.errors import CannotDetermine

STEP, MARGIN = 0.2, 4.0
LEFT, TOP, COLUMNS, ROWS = 20.0, 220.0, 700, 1000


def places():
    x, y = np.meshgrid(LEFT + STEP * np.arange(COLUMNS), TOP - STEP * np.arange(ROWS))
    return x, y


def flat_picture(plate=None, *, face=90.0, shadow=0.0, gradient=0.0, grain=1.5, seed=0) -> Flat:
    """The blank middle of the frame from straight above, in file values: paper 225, a print around, a soft shadow."""
    rng, (x, y) = np.random.default_rng(seed), places()
    tone = 225.0 * (1 + gradient * ((x - 90) / 132 + (y - 120) / 192))
    if plate is not None:
        away = plate.outside(x - 4.0, y - 3.0)
        tone = tone * (1 - shadow * np.clip(0.5 - away / 6.0, 0, 1))
        inside = np.clip(0.5 - plate.outside(x, y) / STEP, 0, 1)
        marks = cv2.GaussianBlur(rng.normal(size=x.shape), (0, 0), 2.0)
        tone = inside * (face + 2.0 * grain * marks / marks.std()) + (1 - inside) * tone
    printed = np.maximum(np.abs(x - 90) - 66, np.abs(y - 120) - 96) > 0
    tone = np.where(printed & ((np.floor(x / 12) + np.floor(y / 12)) % 2 == 1), 30.0, tone)
    noisy = cv2.GaussianBlur(tone, (0, 0), 0.8) + rng.normal(0, grain, tone.shape)
    pixels = np.clip(np.rint(noisy), 0, 255).astype(np.uint8)
    return Flat(cv2.merge([pixels] * 3), LEFT, TOP, STEP, 2.0)


@pytest.fixture(scope="module")
def plate(drawn):
    holes = (drawn.Hole(-22, -38, 8.0), drawn.Hole(22, 38, 12.0))
    return drawn.Plate(76, 112, (8, 8, 20, 3), holes, (drawn.Slot(8, -8, 30, 9, 0.7),), angle=0.1)


@pytest.mark.parametrize("shadow, gradient", [(0.0, 0.0), (0.0, 0.15), (0.35, 0.1)])
@pytest.mark.parametrize("face", [60.0, 110.0])
def test_the_part_is_told_from_paper_and_shadow(plate, face, shadow, gradient):
    part = find_part(flat_picture(plate, face=face, shadow=shadow, gradient=gradient), MARGIN)
    x, y = places()
    u, v = plate.local(x, y)
    solid = type(plate)(plate.width, plate.length, plate.corners, (), (), None, x=0, y=0)
    truth = solid.outside(u, v) < 0
    found = part.mask > 0
    assert (found & truth).sum() / (found | truth).sum() > 0.985
    assert not part.touches_border


@pytest.mark.parametrize("beyond", [0.0, 12.0, 16.0])
def test_specks_on_the_paper_are_not_the_part(plate, beyond):
    """Short dashes, as compression leaves them, keep a disc from rolling over the paper from so far beyond one side on."""
    flat, (x, y) = flat_picture(plate, face=90.0), places()
    specks = (np.arange(ROWS)[:, None] % 16 < 2) & (np.arange(COLUMNS) % 16 < 13) & (plate.outside(x, y) > 0.5)
    specks &= (plate.outside(x, y) < beyond) & (y > 165)
    pixels = np.where(specks[..., None], flat.pixels - 5, flat.pixels).astype(np.uint8)
    part = find_part(replace(flat, pixels=pixels), MARGIN)
    solid = replace(plate, holes=(), slots=())
    assert ((part.mask > 0) & (solid.outside(x, y) > 1.5)).sum() * STEP**2 < 5.0
    assert ((part.mask == 0) & (solid.outside(x, y) < -1.5)).sum() == 0


@pytest.mark.parametrize("dark", [0.15, 0.3])
def test_a_contour_does_not_run_on_the_end_of_a_wide_plain_shadow(plate, dark):
    flat, (x, y) = flat_picture(plate, face=90.0), places()
    solid = replace(plate, holes=(), slots=())
    beyond = solid.outside(x - 7.0, y)
    shade = 1 - dark * np.clip(0.5 - beyond / 4.0, 0, 1)
    pixels = np.where((solid.outside(x, y) > 0.2)[..., None], flat.pixels * shade[..., None], flat.pixels).astype(
        np.uint8
    )
    part = find_part(replace(flat, pixels=pixels), MARGIN)
    assert ((part.mask > 0) & (solid.outside(x, y) > 1.5)).sum() * STEP**2 < 5.0


@pytest.mark.parametrize("moved", [3.0, 5.0, 7.0])
def test_a_crescent_starts_a_search_for_the_whole_hole(moved):
    """Of a hole whose lit side looks like the face only the shadow shows: a disc less another that is moved aside."""
    angle, radius = np.linspace(0, 2 * np.pi, 721), 6.0
    rim = radius * np.column_stack([np.cos(angle), np.sin(angle)])
    lit = rim - [moved, 0.0]
    crescent = np.vstack([rim[np.hypot(rim[:, 0] + moved, rim[:, 1]) > radius], lit[np.hypot(*lit.T) < radius]])
    starts = round_starts([blob(np.array([50.0, 80.0]) + crescent)])
    assert min(np.hypot(s.x - 50, s.y - 80) + abs(s.radius - radius) for s in starts) < 0.4


def test_a_slot_starts_no_search_for_a_hole_nor_does_a_crescent_in_one():
    angle = np.linspace(-np.pi / 2, np.pi / 2, 60)
    cap = 4.0 * np.column_stack([np.cos(angle), np.sin(angle)])
    for length in (6.0, 16.0):
        half = np.array([length / 2, 0.0])
        assert round_starts([blob(np.vstack([half + cap, -half - cap]))]) == []
    rim = 6.0 * np.column_stack([np.cos(4 * angle), np.sin(4 * angle)])
    shade = blob(rim[rim[:, 0] > 1.5])
    assert len(round_starts([shade])) == 1 and len(round_starts([shade, blob(rim)])) == 1


def blob(contour) -> Opening:
    """A candidate from its contour (N, 2), boxed along x and y."""
    (left, low), (right, top) = contour.min(axis=0), contour.max(axis=0)
    size = np.array([right - left, top - low])
    return Opening(
        contour, np.array([left + right, low + top]) / 2, np.eye(2)[size.argmax()], size.max(), size.min(), 0.0
    )


def test_bare_paper_is_no_part():
    with pytest.raises(CannotDetermine, match="No part is to be seen inside the frame"):
        find_part(flat_picture(gradient=0.15), MARGIN)


def test_compression_that_leaves_the_border_without_noise_hides_no_paper(plate):
    """Paper half of which is as even as paint and half of which flickers by one grey level is all paper."""
    flat = flat_picture(plate, grain=0.0)
    x, y = places()
    pixels = flat.pixels.copy()
    band = (np.abs(y - 120) < 40) & (plate.outside(x, y) > 2)
    pixels[band] += np.random.default_rng(0).integers(0, 2, (*x.shape, 1), dtype=np.uint8)[band]
    part = find_part(Flat(pixels, LEFT, TOP, STEP, 2.0), MARGIN)
    assert not part.touches_border


def test_a_part_over_the_print_is_noticed(drawn):
    part = find_part(flat_picture(drawn.Plate(150, 60, holes=())), MARGIN)
    assert part.touches_border


@pytest.mark.parametrize("grain", [1.0, 4.0])
def test_every_opening_is_offered(plate, grain):
    openings = find_openings(find_part(flat_picture(plate, grain=grain, face=110), MARGIN))
    for hole in plate.holes:
        centre = plate.on_bench([(hole.x, hole.y)])[0]
        near = [o for o in openings if np.hypot(*(o.centre - centre)) < 0.6 and o.is_round]
        assert any(abs((o.length + o.width) / 2 - hole.diameter) < 1.25 for o in near)
    (slot,) = plate.slots
    centre = plate.on_bench([(slot.x, slot.y)])[0]
    near = [o for o in openings if np.hypot(*(o.centre - centre)) < 0.8 and not o.is_round]
    assert any(abs(o.length - slot.length) < 1.2 and abs(o.width - slot.width) < 1.25 for o in near)


def test_a_ring_that_runs_into_glare_is_offered(plate):
    """Glare beside a hole joins its ring to a blob; what the ring encloses still tells where the hole is."""
    flat = flat_picture(plate, face=110)
    hole = plate.holes[1]
    centre = plate.on_bench([(hole.x, hole.y)])[0]
    x, y = places()
    u, v = plate.local(x, y)
    pixels = flat.pixels.astype(float)
    depth = hole.diameter / 2 - np.hypot(x - centre[0], y - centre[1])
    pixels[depth > 0] = 110  # through the hole all is as bright as the face
    ring = np.abs(depth - 0.5) < 0.5
    pixels[ring] = 40
    glare = (np.hypot(u - hole.x - 8.5, v - hole.y - 2) < 6) & (plate.outside(x, y) < 0)
    pixels[glare & (depth < 0)] = 235
    openings = find_openings(find_part(Flat(pixels.astype(np.uint8), LEFT, TOP, STEP, 2.0), MARGIN))
    near = [o for o in openings if np.hypot(*(o.centre - centre)) < 0.6 and o.is_round]
    assert any(abs((o.length + o.width) / 2 - hole.diameter) < 1.25 for o in near)


@pytest.fixture(scope="module")
def shot(drawn, plate, tmp_path_factory):
    """The plate photographed at 18°, 6 px per mm, and solved."""
    camera = drawn.look(18, 60, 235, size=(2000, 1500))
    picture = drawn.draw(drawn.Scene(camera, plate, light=drawn.Light(shadow=(0.3, 0.4))))
    image = open_image(drawn.save(tmp_path_factory.mktemp("shot") / "shot.png", picture))
    bench = solve_bench(image, find_pieces(image), print_x=180.0, print_y=240.0)
    return bench, Lit(linear_light(image.colour()))


def test_flattening_shows_things_where_they_are(shot, plate):
    bench, _ = shot
    flat = flatten(bench.image.grey, bench, plate.height, (20, 160, 20, 220), 0.2)
    x, y = flat.to_bench(np.array([[100.0, 200.0]]))[0]
    assert (x, y) == pytest.approx((40, 180))
    np.testing.assert_allclose(flat.to_flat(np.array([[x, y]])), [[100, 200]], atol=1e-9)
    columns, rows = np.meshgrid(np.arange(flat.pixels.shape[1]), np.arange(flat.pixels.shape[0]))
    xy = flat.to_bench(np.column_stack([columns.ravel(), rows.ravel()]).astype(float))
    inside = plate.outside(*xy.T).reshape(rows.shape) < -1
    beside = (plate.outside(*xy.T).reshape(rows.shape) > 4) & (columns > 40) & (columns < 660)
    assert np.median(flat.pixels[inside]) < 0.6 * np.median(flat.pixels[beside])


def test_round_holes(shot, plate):
    """From a start half a millimetre wrong to the upper rim, though the lower one shows beside it."""
    bench, lit = shot
    for hole in plate.holes:
        x, y = plate.on_bench([(hole.x, hole.y)])[0]
        search = RoundSearch(lit, bench, Sheet(2.0, 2.0), Circle(x + 0.4, y - 0.3, hole.diameter / 2 + 0.3))
        assert search.ring() > 0.7
        (best,) = search.fine(search.coarse(0.6), (0.0,))
        assert (best.x, best.y, 2 * best.radius) == pytest.approx((x, y, hole.diameter), abs=0.08)
    nothing = RoundSearch(lit, bench, Sheet(2.0, 2.0), Circle(*plate.on_bench([(-10, 25)])[0], 5.0))
    assert nothing.ring() < 0.5


def rough_slot(plate) -> np.ndarray:
    """A ring a little longer and a little narrower than the plate's slot."""
    (slot,) = plate.slots
    half, turn = (slot.length - slot.width) / 2, np.linspace(-np.pi / 2, np.pi / 2, 40)
    cap = np.column_stack([half + 0.3 + (slot.width / 2 - 0.3) * np.cos(turn), (slot.width / 2 - 0.3) * np.sin(turn)])
    c, s = np.cos(slot.angle), np.sin(slot.angle)
    return plate.on_bench(np.vstack([cap, -cap]) @ np.array([[c, s], [-s, c]]) + [slot.x, slot.y])


def fitted_slot(shot, plate, known: FaceKnowledge):
    bench, lit = shot
    ((strip, *rest),) = follow_edge(lit, bench, [known.sheet], rough_slot(plate), material_inside=False, first="near")
    slot, points = refined_slot(lit, bench, known, edge_of(strip, known.sheet, *rest))
    return slot, points, slot_edge(lit, bench, known, slot)


def test_slots(shot, plate):
    (slot,) = plate.slots
    found, points, _ = fitted_slot(shot, plate, FaceKnowledge(Sheet(2.0, 2.0), 0.05, 0.05))
    assert found["width"] == pytest.approx(slot.width, abs=0.08)
    assert found["length"] == pytest.approx(slot.length, abs=0.12)
    assert (found["angle"] - slot.angle - plate.angle) % np.pi == pytest.approx(0, abs=0.01)
    assert found.vector(("x", "y")) == pytest.approx(plate.on_bench([(slot.x, slot.y)])[0], abs=0.05)
    for key in ("width", "length"):
        assert abs(found[key] - getattr(slot, key)) < found.value(key).u95
    assert len(points) > 100


def test_rims_are_sought_where_they_show_not_where_they_are_said_to_be(shot, plate):
    """An inset for a rounding too fine to be seen makes the slot narrower by twice itself, and loses none of its rim."""
    plain, _, seen = fitted_slot(shot, plate, FaceKnowledge(Sheet(2.0, 2.0), 0.05, 0.05))
    moved, _, still_seen = fitted_slot(shot, plate, FaceKnowledge(Sheet(2.0, 2.0), 0.05, 0.05, 0.1, 0.08))
    assert still_seen.cover > seen.cover - 0.02 and still_seen.score > seen.score - 0.15
    assert 0.1 < plain["width"] - moved["width"] < 0.21, "lower rims are sharp and stay"


def true_stadium(plate) -> Stadium:
    (slot,) = plate.slots
    half = (slot.length - slot.width) / 2 * np.array([np.cos(slot.angle), np.sin(slot.angle)])
    first, last = plate.on_bench(np.array([slot.x, slot.y]) + np.array([-half, half]))
    return Stadium(first, last, slot.width / 2)


def test_a_stadium_s_rim(plate):
    """Every place of the rim lies its radius from the segment between the caps, and its normal leads off the metal."""
    stadium = true_stadium(plate)
    contour = stadium.contour(2.0)
    (slot,) = plate.slots
    np.testing.assert_allclose(slot.outside(*plate.local(*contour.xy.T)), 0, atol=1e-9)
    assert (slot.outside(*plate.local(*(contour.xy + 0.5 * contour.outward).T)) < -0.4).all()
    assert stadium.holds(stadium.first) and not stadium.holds(stadium.last + 1.01 * stadium.radius * stadium.along)


@pytest.mark.parametrize("move", [(0.8, 0.5, -0.7, 0.6, 0.4), (-1.0, -0.3, 0.5, 0.5, -0.5), (0.0, 1.0, 0.0, -0.6, 0.3)])
def test_a_slot_is_found_from_a_millimetre_off(shot, plate, move):
    bench, lit = shot
    truth = true_stadium(plate)
    best = best_stadium(lit, bench, Sheet(2.0, 2.0), truth.moved(np.array(move)))
    np.testing.assert_allclose(best.first, truth.first, atol=0.1)
    np.testing.assert_allclose(best.last, truth.last, atol=0.1)
    assert best.radius == pytest.approx(truth.radius, abs=0.06) and best.score > 0.6


@pytest.mark.parametrize("cast", [(0.5, -0.4), (0.55, -0.35)])
def test_a_hard_shadow_inside_a_slot_is_not_its_rim(drawn, plate, cast):
    """The step from a black sheet to shadowed paper is far fainter than that from shadow to light, yet it is the rim."""
    sheet = replace(plate, thickness=2.4, height=2.4)
    camera = drawn.look(5, 60, 235, size=(2000, 1500))
    black = drawn.Light(face=(0.03, 0.03, 0.03), wall=(0.02, 0.02, 0.02), shadow=cast, soft=0.05, dark=0.1, texture=0.1)
    lit = Lit(linear_light(drawn.draw(drawn.Scene(camera, sheet, light=black, noise=0.004))[..., ::-1].copy()))
    truth = true_stadium(sheet)
    lean = 1.2 * np.array(cast)
    across = abs(float(lean @ [-truth.along[1], truth.along[0]]))
    shadowed = Stadium(truth.first + lean, truth.last + lean, truth.radius - across)
    best = best_stadium(lit, camera, Sheet(2.4, 2.4), shadowed)
    assert 2 * best.radius == pytest.approx(2 * truth.radius, abs=0.15)
    np.testing.assert_allclose(best.middle, truth.middle, atol=0.15)


def test_half_a_slot_is_no_slot(shot, plate):
    """Two sides and one end explain as much per length as the whole; but the other end must be seen, too."""
    bench, lit = shot
    known, truth = FaceKnowledge(Sheet(2.0, 2.0), 0.05, 0.05), true_stadium(plate)
    whole = refined_slot(lit, bench, known, edge_at(lit, bench, known, truth.contour(2.0)))
    assert caps_seen(*whole)
    half = Stadium(truth.middle, truth.last, truth.radius)
    with pytest.raises(CannotDetermine, match="One end of the slot"):
        refined_slot(lit, bench, known, edge_at(lit, bench, known, half.contour(2.0)))
    assert (
        truth.worth == 0
        and best_stadium(lit, bench, known.sheet, truth).worth > best_stadium(lit, bench, known.sheet, half).worth
    )


def test_a_slot_that_explains_little_is_believed_for_its_length(shot, plate):
    """A faint rim of centimetres is no chance; one of millimetres or mostly hidden may be; a whole one on its line is none."""
    found, points, edge = fitted_slot(shot, plate, FaceKnowledge(Sheet(2.0, 2.0), 0.05, 0.05))
    (slot,) = plate.slots
    length = 2 * (slot.length - slot.width) + np.pi * slot.width

    def believed(edge, rms=0.04) -> bool:
        return measure._slot_believed(measure._Found(replace(found, rms=rms), points, edge))

    assert length > 60 and believed(edge)
    assert believed(replace(edge, score=0.25)) and believed(replace(edge, score=0.5, cover=0.6))
    assert believed(replace(edge, score=-0.1), 0.02) and not believed(replace(edge, score=-0.1, cover=0.9), 0.02)
    assert not believed(replace(edge, score=0.1)) and not believed(replace(edge, score=0.5, cover=0.4))
    short = edge.strip.thinned(6)
    contour = replace(short.contour, xy=found.vector(("x", "y")) + 0.15 * short.contour.xy)
    assert not believed(replace(edge, strip=replace(short, contour=contour), score=0.25))


def test_two_lines_of_grain_without_ends_are_no_slot(shot, plate):
    found, points, edge = fitted_slot(shot, plate, FaceKnowledge(Sheet(2.0, 2.0), 0.05, 0.05))
    found = replace(found, rms=0.04)
    stadium = stadium_of(found)
    half = np.hypot(*(stadium.last - stadium.first)) / 2
    sides = np.abs((edge.strip.contour.xy - stadium.middle) @ stadium.along) <= half
    bare = replace(edge, told=np.where(sides, 0.4, 0.0), score=0.3)
    assert measure._slot_believed(measure._Found(found, points, replace(bare, told=np.full(len(sides), 0.3))))
    assert not measure._slot_believed(measure._Found(found, points, bare))


def test_a_slot_s_rim_goes_before_what_shows_inside_it():
    """Its wall and shadow may look more like a slot than its rim; two slots side by side go by what they explain."""
    rim = Stadium(np.array([0.0, 0.0]), np.array([18.0, 0.0]), 4.0, 0.35)
    inside = Stadium(np.array([0.3, 0.8]), np.array([17.5, 0.8]), 3.2, 0.5)
    beside = Stadium(np.array([0.0, 12.0]), np.array([20.0, 12.0]), 3.2, 0.45)
    assert ranked([inside, beside, rim]) == [rim, inside, beside]
    faint = replace(rim, score=0.2)
    assert ranked([faint, beside, inside]) == [inside, beside, faint]
    again = replace(inside, radius=3.3, score=0.4)
    assert ranked([again, inside]) == [inside, again], "the same slot found twice"
