"""`edgewright photo` on drawn photos: what it writes, that it is right, and what it warns of."""

from __future__ import annotations

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from capture.camera.bench import solve_bench
from capture.camera.detect import find_pieces
from capture.camera.image import open_image
from capture.edges import in_light
from capture.edges.rim_fit import edge_at
from capture.edges.rims import Sheet
from capture.edges.round_holes import circle_contour
from capture.edges.strip import Lit, linear_light
from capture.shooting import ShotOptions, shoot
from fit.errors import CannotDetermine
from fit.units import Length

SIZE = (2800, 2100)
KNOWN = {"height": Length(2.0), "height_u": 0.02, "print_x": 180.0, "print_y": 240.0}


@pytest.fixture(scope="module")
def plate(drawn):
    holes = (drawn.Hole(-22, -38, 8.0), drawn.Hole(22, 30, 12.0))
    return drawn.Plate(
        76, 112, (8, 8, 15, 8), holes, (drawn.Slot(-6, 4, 30, 9, 0.5),), drawn.Hole(0, -144, 400.0), angle=0.06
    )


@pytest.fixture(scope="module")
def scene(drawn, plate):
    light = drawn.Light(shadow=(0.4, 0.5))
    return drawn.Scene(drawn.look(14, 130, 208, size=SIZE), plate, light=light, scale=(0.995, 0.9975))


@pytest.fixture(scope="module")
def photo(drawn, scene, tmp_path_factory):
    return drawn.save(tmp_path_factory.mktemp("photo") / "plate.jpg", drawn.draw(scene))


@pytest.fixture(scope="module")
def shot(photo):
    readings = {"print_x": 0.995 * 180, "print_y": 0.9975 * 240}
    return shoot(photo, ShotOptions(**KNOWN | readings))


def codes(shot) -> list[str]:
    return [notice.code for notice in shot.results.warnings]


def holds(feature, key: str, true: float, limit: float) -> None:
    """Within the limit and within the interval that is stated."""
    assert feature[key] == pytest.approx(true, abs=limit)
    assert abs(feature[key] - true) <= feature.value(key).u95


def test_everything_is_found_and_right(shot, plate):
    """At 10 px per mm, sharp edges, 14° from square-on."""
    kinds = [f.kind for f in shot.results.features]
    assert sorted(kinds) == ["circle", "circle", "path", "slot"]
    circles = {f.name: f for f in shot.results.features if f.kind == "circle"}
    for name, hole in zip(("hole 1", "hole 2"), plate.holes, strict=True):
        holds(circles[name], "diameter", hole.diameter, 0.08)
        assert circles[name].vector(("x", "y")) == pytest.approx(plate.on_bench([(hole.x, hole.y)])[0], abs=0.15)
    (slot,) = (f for f in shot.results.features if f.kind == "slot")
    holds(slot, "width", 9.0, 0.08)
    holds(slot, "length", 30.0, 0.15)
    (between,) = shot.results.dimensions
    true = float(np.hypot(44, 68))
    assert between.value.value == pytest.approx(true, abs=0.06)
    assert abs(between.value.value - true) <= between.value.u95


def test_the_outline_is_lines_and_arcs(shot, plate):
    outline = shot.results.features[0]
    arcs = [s for s in outline.segments if s.kind == "arc"]
    lines = [s for s in outline.segments if s.kind == "line"]
    assert len(lines) == 3, "the upper side is bulged, the other three are straight"
    largest = max(arcs, key=lambda arc: arc["radius"])
    assert largest["radius"] == pytest.approx(200.0, abs=largest.value("radius").u95)
    lower_left = plate.on_bench([(-76 / 2 + 15, -112 / 2 + 15)])[0]
    near = min(arcs, key=lambda arc: np.hypot(*(arc.vector(("x", "y")) - lower_left)))
    assert near["radius"] == pytest.approx(15.0, abs=0.4)
    inside = shot.points.labelled("outline").xyz
    assert np.percentile(np.abs(plate.outside(inside[:, 0], inside[:, 1])), 90) < 0.2


def test_points_carry_every_shared_error(shot):
    names = {name.split(":")[0] for name in shot.points.shared_names}
    assert {"caliper", "height", "focal", "lens", "corners", "edge"} <= names
    assert np.isfinite(shot.points.noise).all() and (shot.points.noise > 0).all()
    labels = set(shot.points.label)
    assert labels == {f.name for f in shot.results.features}


def test_warnings_of_a_short_arc_and_a_corrected_print(shot):
    assert "print-corrected" in codes(shot)
    short = [n for n in shot.results.warnings if n.code == "short-arc"]
    assert short and all(n.feature.startswith("outline") and "radius" in n.text for n in short)


def test_what_is_not_known_is_told_and_widens(photo, shot):
    blind = shoot(photo, ShotOptions())
    told = {notice.code: notice.text for notice in blind.results.warnings}
    assert "give --height" in told["height-unknown"].replace("Give", "give")
    assert "--print-x (nominal 180 mm)" in told["print-unknown"] and "--print-y" in told["print-unknown"]
    true = float(np.hypot(44, 68))
    (wide,), (narrow,) = blind.results.dimensions, shot.results.dimensions
    assert wide.value.u95 > 5 * narrow.value.u95
    assert abs(wide.value.value - true) <= wide.value.u95


def test_a_wrong_height_said_to_be_unsure_still_holds(photo):
    shot = shoot(
        photo, ShotOptions(**KNOWN | {"height": Length(4.0, 2.0), "height_u": None, "print_x": 179.1, "print_y": 239.4})
    )
    (between,) = shot.results.dimensions
    assert abs(between.value.value - float(np.hypot(44, 68))) <= between.value.u95


def test_thickness_unknown(drawn, scene, tmp_path):
    """A face 7 mm up tells nothing of its sheet."""
    raised = replace(scene.plate, height=7.0, disc=None, slots=())
    picture = drawn.draw(replace(scene, plate=raised, scale=(1.0, 1.0)))
    told = codes(shoot(drawn.save(tmp_path / "raised.jpg", picture), ShotOptions(**KNOWN | {"height": Length(7.0)})))
    assert "thickness-unknown" in told


def test_two_edges(drawn, plate, scene, tmp_path):
    """A dark line painted a millimetre inside a hole's rim is as clear as the rim: told, with the distance."""
    from capture.edges.rim_fit import FaceKnowledge, measured_points

    ringed = replace(plate, holes=(replace(plate.holes[1], x=0, y=-30),), slots=(), disc=None)
    picture = drawn.draw(replace(scene, plate=ringed, scale=(1.0, 1.0)))
    image = open_image(drawn.save(tmp_path / "ring.png", picture))
    bench = solve_bench(image, find_pieces(image), print_x=180.0, print_y=240.0)
    x, y = ringed.on_bench([(0, -30)])[0]
    sheet = Sheet(2.0, 2.0)
    edge = edge_at(
        Lit(linear_light(image.colour())), bench, FaceKnowledge(sheet, 0.05, 0.05), circle_contour(x, y, 6.0, 2.0)
    )
    assert edge.cover > 0.9 and not edge.notices("hole 1"), "a plain rim has no rival"
    rivals = replace(edge, rival=0.8)
    (notice,) = rivals.notices("hole 1")
    assert notice.code == "two-edges" and "0.8 mm apart" in notice.text and notice.feature == "hole 1"
    wide = measured_points(bench, FaceKnowledge(sheet, 0.05, 0.05), rivals)
    plain = measured_points(bench, FaceKnowledge(sheet, 0.05, 0.05), edge)
    rim = wide.shared_names.index("edge:rim")
    assert np.linalg.norm(wide.shared[rim]) >= np.linalg.norm(plain.shared[plain.shared_names.index("edge:rim")])


def test_light_may_hide_one_side_of_a_hole(drawn, plate, scene, tmp_path):
    """Over 85° of its rim a hole and the metal beside it are one tone; the rest of the ring leaves no doubt."""
    hole = plate.holes[0]
    pixels = drawn.draw(scene)
    turn = np.radians(np.linspace(-42.5, 42.5, 12))
    ring = [np.array([np.cos(turn), np.sin(turn)]).T * r for r in (hole.diameter / 2 - 2.2, hole.diameter / 2 + 2.2)]
    around = plate.on_bench(np.vstack([ring[0], ring[1][::-1]]) + np.array([hole.x, hole.y]))
    px = scene.camera.project(np.column_stack([around, np.full(len(around), plate.height)]))
    cv2.fillPoly(pixels, [np.rint(px).astype(np.int32)], pixels[tuple(np.rint(px[-6, ::-1]).astype(int))].tolist())
    shot = shoot(drawn.save(tmp_path / "glare.png", pixels), ShotOptions(**KNOWN))
    centre = plate.on_bench([(hole.x, hole.y)])[0]
    near = [f for f in shot.results.features if f.kind == "circle" and np.hypot(*(f.vector(("x", "y")) - centre)) < 1]
    assert len(near) == 1
    holds(near[0], "diameter", hole.diameter, 0.15)


def test_files_and_record(edgewright, photo, tmp_path):
    out = tmp_path / "out"
    ran = edgewright("photo", photo, "-o", out, "--height", "2", "--print-x", "179.1", "--print-y", "239.4", "--json")
    assert ran.code == 0
    record = json.loads(ran.out)
    assert record == json.loads((out / "results.json").read_text())
    written = {p.name for p in out.iterdir()}
    assert {"results.json", "sketch.svg", "sketch.dxf", "sketch.pdf", "cloud.ply", "points.npz", "flattened.png",
            "overlay.png", "report.html"} <= written  # fmt: skip
    from PIL import Image

    for name in ("flattened.png", "overlay.png"):
        with Image.open(out / name) as picture:
            assert max(picture.size) <= 2400
    with Image.open(out / "flattened.png") as picture:
        step = 25.4 / picture.info["dpi"][0]
        assert step * picture.size[0] == pytest.approx(0.995 * 180 + 10, abs=3), "opens at true size"
    assert "http" not in (out / "report.html").read_text().replace("http://www.w3.org", "")
    assert record["shared"] and "nan" not in ran.out.lower().replace("finance", "")
    again = edgewright("photo", photo, "-o", out, "--height", "2")
    assert again.code == 0 and "hole 1" in again.out and "print-unknown" in again.out


def test_the_overlay_shows_where_the_axes_of_the_print_run(shot, scene):
    """Dark arrows from the lower-left printed corner, on the picture as people see it; nothing the other way."""
    shown = cv2.imdecode(np.frombuffer(shot.files["overlay.png"], np.uint8), cv2.IMREAD_GRAYSCALE)
    places = np.array([(12.0, 0, 0), (0, 12.0, 0), (-3.0, 0, 0), (0, -3.0, 0)])
    px = np.rint(scene.camera.project(places) * max(shown.shape) / max(SIZE)).astype(int)
    along_x, along_y, before_x, before_y = (int(shown[y - 1 : y + 2, x - 1 : x + 2].min()) for x, y in px)
    assert max(along_x, along_y) < 40 < 150 < min(before_x, before_y)


@pytest.mark.parametrize(("height", "moved"), [(Length(2.0), True), (Length(2.0, 1.0), False)])
def test_the_light_is_asked_only_where_the_height_is_known(photo, monkeypatch, height, moved):
    """A sheet that may lie a millimetre higher has its wall and its shadows elsewhere."""
    seen = []
    whole = in_light.light_on_paper
    monkeypatch.setattr(in_light, "light_on_paper", lambda *told: seen.append(told) or whole(*told))
    shoot(photo, ShotOptions(height=height, print_x=179.1, print_y=239.4))
    assert bool(seen) == moved


def test_what_the_light_leaves_open_stays_as_found(photo, shot, monkeypatch):
    """A hole or slot whose likelier rim shows too little of itself is not the photo's refusal."""

    def open_ended(*_):
        message = "An end of it is not seen."
        raise CannotDetermine(message)

    for name in ("_circle_as", "_slot_in"):
        monkeypatch.setattr(in_light, name, open_ended)
    again = shoot(photo, ShotOptions(height=Length(2.0), height_u=0.02, print_x=179.1, print_y=239.4))
    assert [f.name for f in again.results.features] == [f.name for f in shot.results.features]
