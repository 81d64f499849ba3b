"""The probe command: the sample flange against its truth, and input that must be refused."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.arm.probing import Measured, ProbeOptions, measure
from fit.errors import CannotDetermine, InputError

Run = Callable[..., Any]
TIES = ("ball_*",)
RULES = ("outer_edge=arc", "tower_wall=cone")


@pytest.fixture(scope="module")
def flange(root: Path) -> list[Path]:
    return [root / "sample_sets/tower_flange" / name for name in ("place_1.csv", "place_2.csv")]


@pytest.fixture(scope="module")
def truth(root: Path) -> dict[str, Any]:
    made: dict[str, Any] = json.loads((root / "sample_sets/tower_flange/truth.json").read_text())
    return made


@pytest.fixture(scope="module")
def measured(flange: list[Path]) -> Measured:
    return measure(flange, ProbeOptions(tip=5.0, points="centre", ties=TIES, fits=RULES))


def test_sample_flange_holds_its_truth(measured: Measured, truth: dict[str, Any]) -> None:
    """The set's own truth.json: nine in ten within U95 and none off by more than three."""
    ratios = []
    for feature in measured.results.features:
        want = truth[feature.name]
        pairs = [(key, want[key]) for key in ("diameter", "radius", "length", "width") if key in want]
        pairs += list(zip("xyz", want.get("centre", ()), strict=False))
        if feature.kind == "cone":
            pairs.append(("half_angle", math.radians(want["half_angle_deg"])))
        ratios += [abs(feature[key] - value) / feature.value(key).u95 for key, value in pairs]
    assert len(ratios) == 46
    assert np.mean(np.array(ratios) <= 1) >= 0.9
    assert max(ratios) < 3
    face = next(f for f in measured.results.features if f.name == "top_face")
    normal = np.array(truth["top_face"]["normal"])
    assert abs((face.vector("xyz") - truth["top_face"]["point"]) @ normal) < 0.02
    assert math.degrees(math.acos(face.vector(("nx", "ny", "nz")) @ normal)) < 0.02


def test_strays_are_named_by_feature_file_and_line(measured: Measured) -> None:
    strays = [notice for notice in measured.results.warnings if notice.code == "stray-touch"]
    assert [notice.feature for notice in strays] == ["top_face"]
    assert "place_1.csv line 13; place_2.csv line 5" in strays[0].text


def test_kinds_and_faces(measured: Measured) -> None:
    found = {feature.name: (feature.kind, feature.on) for feature in measured.results.features}
    assert found["hole_2"] == ("circle", "top_face")
    assert found["slot"] == ("slot", "top_face")
    assert found["outer_edge"] == ("arc", "top_face")
    assert found["tower_wall"] == ("cone", None)
    (chosen,) = [notice for notice in measured.results.warnings if notice.code == "kind-chosen"]
    assert "bore circle by its name and the residuals" in chosen.text


def test_shared_errors_carry_their_names(measured: Measured) -> None:
    hole = next(feature for feature in measured.results.features if feature.name == "hole_1")
    assert {"tip:radius", "tie 2:1", "plane top_face:1"} <= set(hole.shared_names)
    assert set(hole.value("diameter").budget()) <= {"own", "tip", "tie 2", "plane top_face"}


def test_cloud_has_surface_points_without_strays(measured: Measured) -> None:
    face = next(feature for feature in measured.results.features if feature.name == "top_face")
    points = measured.points.labelled("top_face")
    assert len(points) == face.points
    heights = (points.xyz - face.vector("xyz")) @ face.vector(("nx", "ny", "nz"))
    assert np.abs(heights).max() < 0.08


def test_command_writes_the_folder_and_the_datum(edgewright: Run, flange: list[Path], tmp_path: Path) -> None:
    out = tmp_path / "out"
    common = ("--tip", 5, "--points", "centre", "--tie", "ball_*", "--fit", RULES[0], "--fit", RULES[1])
    done = edgewright("probe", *flange, "-o", out, *common, "--datum", "top_face,bore,hole_1", "--json")
    assert done.code == 0, done.err
    record = json.loads(done.out)
    assert record == json.loads((out / "results.json").read_text())
    found = {feature["name"]: feature for feature in record["features"]}
    bore, hole = found["bore"]["values"], found["hole_1"]["values"]
    assert all(bore[key]["value"] == pytest.approx(0, abs=1e-9) and bore[key]["u95"] < 1e-9 for key in "xyz")
    assert hole["x"]["value"] == pytest.approx(64.0, abs=0.04)
    assert hole["y"]["value"] == pytest.approx(0.0, abs=1e-9)
    assert "primary datum top_face" in record["frame"]
    assert found["hole_1"]["on"] == "top_face"
    assert {"report.html", "cloud.ply", "points.npz", "sketch.svg"} <= {path.name for path in out.iterdir()}


def test_cloud_reads_back(edgewright: Run, flange: list[Path], tmp_path: Path) -> None:
    """Open3D reads the written cloud with all used touches and their normals."""
    import open3d

    out = tmp_path / "out"
    assert edgewright("probe", flange[0], "-o", out, "--tip", 5, "--points", "centre").code == 0
    cloud = open3d.io.read_point_cloud(str(out / "cloud.ply"))
    features = json.loads((out / "results.json").read_text())["features"]
    label = np.load(out / "points.npz")["label"]
    assert len(cloud.points) == len(label)
    assert all(np.sum(label == feature["name"]) == feature["points"] for feature in features)
    assert cloud.has_normals()


def test_single_and_degenerate_lists_are_refused(tmp_path: Path, edgewright) -> None:
    """Nothing measured is no result: the command says why, ends with code 2 and writes nothing."""
    path = tmp_path / "list.csv"
    for text in ("1,2,3\n2,4,6\n3,6,9\n", "1,2,3\n", "1,2,3\n1,2,3.5\n"):
        path.write_text("# unit: mm\n" + text)
        with pytest.raises(CannotDetermine, match="'list' as plane"):
            measure([path], ProbeOptions(points="surface", fits=("list=plane",)))
    outcome = edgewright("probe", path, "-o", tmp_path / "out", "--points", "surface")
    assert outcome.code == 2 and outcome.err.count("\n") == 1 and not (tmp_path / "out").exists()
    assert "Not one feature could be measured. 'list'" in outcome.err and "--fit 'list=KIND'" in outcome.err


def test_stations_need_ties(flange: list[Path]) -> None:
    with pytest.raises(InputError, match="must be tied"):
        measure(flange, ProbeOptions(tip=5.0, points="centre"))
    with pytest.raises(InputError, match="given twice"):
        measure([flange[0], flange[0]], ProbeOptions(tip=5.0, points="centre", ties=TIES))


def test_tip_from_a_ball(flange: list[Path]) -> None:
    """The set's balls are 15 mm and its tip 5 mm."""
    for given in ({"tip_ball": "ball_1=15"}, {"tip_ball": "ball_1", "tip": 5.02}):
        found = measure(flange[:1], ProbeOptions(points="centre", **given))  # type: ignore[arg-type]
        tip = found.results.details["probe"]["tip"]
        assert tip["diameter"] == pytest.approx(5.0, abs=1.96 * tip["u"])
        assert "tip-qualified" in [notice.code for notice in found.results.warnings]
    with pytest.raises(InputError, match="say the ball's own diameter"):
        measure(flange[:1], ProbeOptions(points="centre", tip_ball="ball_1"))


def test_few_touches_borrow_the_arms_spread(tmp_path: Path) -> None:
    """A hole of three touches has no residuals; its interval comes from the spread of all other features."""
    rng = np.random.default_rng(2)
    rows = [
        f"{x:.4f},{y:.4f},{z:.4f},deck_face"
        for x, y, z in np.c_[rng.uniform(-50, 50, (40, 2)), rng.normal(0, 0.02, 40)]
    ]
    angle = np.radians([10.0, 130.0, 250.0])
    ring = np.c_[5 * np.cos(angle), 5 * np.sin(angle), [-0.3, -0.6, -0.5]] + rng.normal(0, 0.02, (3, 3))
    rows += [f"{x:.4f},{y:.4f},{z:.4f},hole_1" for x, y, z in ring]
    path = tmp_path / "list.csv"
    path.write_text("# unit: mm\nx,y,z,feature\n" + "\n".join(rows) + "\n")
    found = measure([path], ProbeOptions(points="surface", fits=("hole_1=circle@deck_face",)))
    hole = next(feature for feature in found.results.features if feature.name == "hole_1")
    assert hole["diameter"] == pytest.approx(10.0, abs=0.06)
    assert hole.value("diameter").u95 == pytest.approx(2.09 * 2 * 0.02 / math.sqrt(3), rel=0.35)


def test_dimensions_hold_the_truth(flange: list[Path], truth: dict[str, Any]) -> None:
    """Distances, bolt circle, angle and height of the set's truth.json within their U95."""
    asked = ("a=distance:hole_1:hole_3", "bolts=pitch_circle:hole_*", "lean=angle:tower_wall:top_face",
             "up=offset:ball_1:top_face", "wide=width:slot")  # fmt: skip
    found = measure(flange, ProbeOptions(tip=5.0, points="centre", ties=TIES, fits=RULES, dims=asked))
    point, normal = np.array(truth["top_face"]["point"]), np.array(truth["top_face"]["normal"])
    want = {
        "a": 128.0,
        "bolts": 128.0,
        "lean": math.pi / 2,
        "up": (np.array(truth["ball_1"]["centre"]) - point) @ normal,
        "wide": 9.0,
    }
    for size in found.results.dimensions:
        assert size.value.value == pytest.approx(want[size.name], abs=size.value.u95)
        assert size.value.budget()
    assert set(found.results.dimensions[1].extra["misses"]) == {"hole_1", "hole_2", "hole_3", "hole_4"}


def test_symmetry_plane_is_a_feature(tmp_path: Path) -> None:
    """Two sides 40 mm apart, touched from outside: the middle lies at 20 and other sizes may start from it."""
    rng = np.random.default_rng(4)
    rows = ["# unit: mm", "x,y,z,i,j,k,feature"]
    for name, place, out in (("left_side", 0.0, -1), ("right_side", 40.0, 1)):
        for y, z in rng.uniform(0, 60, (14, 2)):
            rows.append(f"{place + 2.5 * out + rng.normal(0, 0.01):.4f},{y:.3f},{z:.3f},{out},0,0,{name}")
    path = tmp_path / "block.csv"
    path.write_text("\n".join(rows) + "\n")
    asked = (
        "middle=symmetry:left_side:right_side",
        "half=distance:left_side:middle",
        "all=distance:left_side:right_side",
    )
    found = measure([path], ProbeOptions(tip=5.0, points="centre", dims=asked))
    middle = next(feature for feature in found.results.features if feature.name == "middle")
    assert middle["x"] == pytest.approx(20.0, abs=0.01)
    sizes = {size.name: size.value for size in found.results.dimensions}
    assert sizes["half"].value == pytest.approx(20.0, abs=sizes["half"].u95)
    assert sizes["all"].value == pytest.approx(40.0, abs=sizes["all"].u95)
    # the tip's error moves both sides outwards by half its diameter's error: 0.003 mm in the width, none in the middle
    assert sizes["all"].budget()["tip"] == pytest.approx(1.96 * 0.003, rel=0.1)
    assert "tip" not in {word for word, part in middle.value("x").budget().items() if part > 1e-6}


def test_best_fit_to_a_list_of_nominal_points(flange: list[Path], truth: dict[str, Any], tmp_path: Path) -> None:
    """The drawing puts the bore at the origin and the holes 64 mm along the axes."""
    nominal = tmp_path / "drawing.csv"
    rows = [
        (64, 0, "hole_1"),
        (0, 64, "hole_2"),
        (-64, 0, "hole_3"),
        (0, -64, "hole_4"),
        (0, 0, "bore"),
        (9, 9, "other"),
    ]
    nominal.write_text("# unit: mm\nx,y,z,feature\n" + "".join(f"{x},{y},0,{name}\n" for x, y, name in rows))
    given = ProbeOptions(tip=5.0, points="centre", ties=TIES, fits=RULES, datum=str(nominal))
    found = measure(flange, given)
    features = {feature.name: feature for feature in found.results.features}
    assert "best fit to the nominal points of drawing.csv" in found.results.frame
    for x, y, name in rows[:5]:
        np.testing.assert_allclose(features[name].vector("xyz"), [x, y, 0], atol=0.05)
    slot = features["slot"]
    assert slot["x"] == pytest.approx(45.0, abs=slot.value("x").u95)
    assert slot["angle"] % math.pi == pytest.approx(0, abs=0.02) or slot["angle"] == pytest.approx(math.pi, abs=0.02)
    nominal.write_text("# unit: mm\nx,y,z,feature\n1,2,3,hole_1\n")
    with pytest.raises(InputError, match="needs three or more rows named as fitted features; found 1"):
        measure(flange, given)


def _arc(span_deg: float, path: Path) -> Path:
    rng = np.random.default_rng(6)
    angle = np.radians(np.linspace(0, span_deg, 25))
    xyz = 120 * np.c_[np.cos(angle), np.sin(angle), 0 * angle] + rng.normal(0, 0.02, (25, 3))
    flat = np.c_[rng.uniform(60, 130, (20, 2)), rng.normal(0, 0.02, 20)]
    rows = [f"{x:.4f},{y:.4f},{z:.4f},edge" for x, y, z in xyz] + [f"{x:.4f},{y:.4f},{z:.4f},face" for x, y, z in flat]
    path.write_text("# unit: mm\nx,y,z,feature\n" + "\n".join(rows) + "\n")
    return path


def test_short_arcs_are_flagged_or_refused_with_numbers(tmp_path: Path) -> None:
    given = ProbeOptions(points="surface", fits=("edge=arc@face",))
    found = measure([_arc(25.0, tmp_path / "a.csv")], given)
    (notice,) = [notice for notice in found.results.warnings if notice.code == "short-arc"]
    assert "anything from" in notice.text
    as_circle = measure([tmp_path / "a.csv"], ProbeOptions(points="surface", fits=("edge=circle@face",)))
    assert [n.text for n in as_circle.results.warnings if n.code == "short-arc"] == [notice.text]
    found = measure([_arc(3.0, tmp_path / "b.csv")], given)
    assert [feature.name for feature in found.results.features] == ["face"]
    (notice,) = [notice for notice in found.results.warnings if notice.code == "not-measured"]
    assert re.match(r"'edge' as arc: Only .*° of the curve is seen", notice.text)


def test_a_moved_base_ends_the_list(flange: list[Path], tmp_path: Path) -> None:
    """Closing touches before and after the face; the base shifts by 1 mm while the balls are touched."""
    lines = flange[0].read_text().splitlines()
    close = [f"close_{k};{x};{x / 2 + 3};{40 + k};0;0;1" for k, x in enumerate((0.0, 130.0, -90.0))]
    first = [line for line in lines[2:] if not line.startswith("ball")]
    moved = [f"close_{k};{x + 1};{x / 2 + 3};{40 + k};0;0;1" for k, x in enumerate((0.0, 130.0, -90.0))]
    path = tmp_path / "list.csv"
    path.write_text("\n".join([*lines[:2], *close, *first, *close[:1], *lines[-12:], *moved]) + "\n")
    path.write_text(path.read_text().replace("close_0;0.0;3.0;40;0;0;1", "close_0;0.001;3.0;40;0;0;1", 1))
    found = measure([path], ProbeOptions(tip=5.0, points="centre", closing=("close_*",), fits=RULES))
    notice = next(notice for notice in found.results.warnings if notice.code == "base-moved")
    assert "'close_0' closes 1.00 mm off" in notice.text
    names = {feature.name for feature in found.results.features}
    assert "bore" in names
    assert not {name for name in names if name.startswith(("ball", "close"))}
    given = ProbeOptions(tip=5.0, points="centre", closing=("close_*",), ties=TIES)
    with pytest.raises(CannotDetermine, match=r"at least three ties .* the base moved after line"):
        measure([flange[1], path], given)


def test_a_wrong_shape_asked_for_is_not_fitted_blindly(flange: list[Path]) -> None:
    given = ProbeOptions(tip=5.0, points="centre", ties=TIES, fits=(*RULES, "ball_2=circle"))
    found = measure(flange, given)
    assert [notice.feature for notice in found.results.warnings if notice.code == "poor-fit"] == ["ball_2"]
