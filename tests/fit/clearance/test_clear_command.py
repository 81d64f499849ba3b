"""`edgewright clear` from files to a result folder, and bad input in one plain line each."""

from __future__ import annotations

import json

import numpy as np
import pytest

from fit.clouds import npz_bytes
from fit.points import Points

HINGE = ("--hinge", "0,0,60:0,-1,0", "--angles", "0:20:4")
SLIDE = ("--slide", "0,0,1", "--travel", "0:5:2")


@pytest.fixture
def here(tmp_path, clouds, monkeypatch):
    bay, lid = clouds.lid_and_bay(800)
    clouds.write_ply(tmp_path / "bay.ply", bay)
    clouds.write_ply(tmp_path / "lid.ply", lid)
    monkeypatch.chdir(tmp_path)
    return tmp_path


def test_hinge_writes_the_table(edgewright, here):
    outcome = edgewright("clear", "--fixed", "bay.ply", "--moving", "lid.ply", *HINGE, "-o", "out", "--cloud-u", "0.05")
    assert outcome.code == 0, outcome.err
    assert "smallest gap" in outcome.out
    assert "insulation" in outcome.out
    record = json.loads((here / "out/results.json").read_text())
    table = record["clear"]
    assert table["positions"] == [0, 4, 8, 12, 16, 20]
    values = [gap["value"] for gap in table["gap"]]
    assert table["smallest"]["gap"]["value"] == min(values)
    assert table["smallest"]["at"] == table["positions"][int(np.argmin(values))]
    apart = np.subtract(table["smallest"]["fixed_point"], table["smallest"]["moving_point"])
    assert np.linalg.norm(apart) == pytest.approx(min(values), abs=1e-6)
    assert all(gap["u95"] > 0 for gap in table["gap"])
    files = {path.name for path in (here / "out").iterdir()}
    assert {"results.json", "cloud.ply", "sketch.svg", "sketch.dxf", "sketch.pdf", "report.html"} <= files


def test_without_cloud_u_there_is_no_u95_and_a_warning(edgewright, here):
    outcome = edgewright("clear", "--fixed", "bay.ply", "--moving", "lid.ply", *SLIDE, "-o", "out", "--json")
    record = json.loads(outcome.out)
    assert record["clear"]["positions"] == [0, 2, 4, 5]
    assert all(set(gap) == {"value"} for gap in record["clear"]["gap"])
    assert "cloud-u-unknown" in [warning["code"] for warning in record["warnings"]]


@pytest.mark.parametrize(("wanted", "code"), [("1", 0), ("100", 3)])
def test_exit_code_tells_whether_the_gap_is_there(edgewright, here, wanted, code):
    arguments = ("--cloud-u", "0.02", "--wanted", wanted)
    assert (
        edgewright("clear", "--fixed", "bay.ply", "--moving", "lid.ply", *SLIDE, "-o", "out", *arguments).code == code
    )


def test_poses_file_equals_the_slide(edgewright, here):
    (here / "poses.txt").write_text("# shift, turn\n0 0 0 0 0 0\n0,0,2,0,0,0\n1 0 0 0  0 1 0 0  0 0 1 4\n0 0 5 0 0 0\n")
    given = [
        json.loads(edgewright("clear", "--fixed", "bay.ply", "--moving", "lid.ply", *motion, "-o", "out", "--json").out)
        for motion in (SLIDE, ("--poses", "poses.txt"))
    ]
    gaps = [[gap["value"] for gap in record["clear"]["gap"]] for record in given]
    assert gaps[0] == pytest.approx(gaps[1], abs=1e-9)


def test_fitted_hinge_equals_the_typed_one(edgewright, here):
    rows = ["# unit mm", "opening,mark,x,y,z"]
    for name, angle in (("shut", 0.0), ("half", 30.0), ("open", 70.0)):
        turn = np.radians(angle)
        for mark, (x, y) in {"a": (300, 0), "b": (300, 90), "c": (100, 50)}.items():
            rows.append(
                f"{name},{mark},{x * np.cos(turn)!r},{y},{60 + x * np.sin(turn)!r}".replace("np.float64(", "").replace(
                    ")", ""
                )
            )
    (here / "marks.csv").write_text("\n".join(rows))
    motions = (HINGE, ("--hinge-marks", "marks.csv", "--angles", "0:20:4"))
    given = [
        json.loads(edgewright("clear", "--fixed", "bay.ply", "--moving", "lid.ply", *motion, "-o", "out", "--json").out)
        for motion in motions
    ]
    gaps = [[gap["value"] for gap in record["clear"]["gap"]] for record in given]
    assert gaps[0] == pytest.approx(gaps[1], abs=1e-6)


def test_points_npz_brings_its_own_u95(edgewright, here, clouds):
    for name, xyz in zip(("bay", "lid"), clouds.lid_and_bay(500), strict=True):
        (here / f"{name}.npz").write_bytes(npz_bytes(Points(xyz, noise=0.03)))
    outcome = edgewright("clear", "--fixed", "bay.npz", "--moving", "lid.npz", *SLIDE, "-o", "out", "--json")
    record = json.loads(outcome.out)
    assert all(gap["u95"] > 0.05 for gap in record["clear"]["gap"])
    assert record["warnings"] == [] or "cloud-u-unknown" not in {w["code"] for w in record["warnings"]}


HEAD = b"ply\nformat ascii 1.0\nelement vertex %d\nproperty float x\nproperty float y\nproperty float z\nend_header\n"
BAD_FILES = {
    "empty.ply": (b"", "PLY"),
    "no_points.ply": (HEAD % 0, "no vertices"),
    "one.ply": (HEAD % 1 + b"1 2 3\n", "one point"),
    "nan.ply": (HEAD % 2 + b"1 2 3\nnan 1 1\n", "vertex 2"),
    "stray.ply": (HEAD % 2 + b"1 2 3\n1e20 1 1\n", "likely size"),
    "short.ply": (HEAD.replace(b"ascii", b"binary_little_endian") % 9 + b"1234", "cut off"),
    "short_text.ply": (HEAD % 3 + b"1 2 3\n4 5 6\n", "cut off"),
    "words.ply": (HEAD % 2 + b"1 2 a\n4 5 6\n", "something else"),
    "no_z.ply": (
        b"ply\nformat ascii 1.0\nelement vertex 2\nproperty float x\nproperty float y\nend_header\n1 2\n4 5\n",
        "x, y and z",
    ),
    "faces_first.ply": (b"ply\nformat ascii 1.0\nelement face 2\nend_header\n", "vertices first"),
    "list.ply": (b"ply\nformat ascii 1.0\nelement vertex 2\nproperty list uchar int x\nend_header\n", "list"),
    "format.ply": (b"ply\nformat packed 9.0\nelement vertex 2\nproperty float x\nend_header\n", "format"),
    "picture.ply": (b"\xff\xd8\xff\xe0" * 40, "not a PLY"),
    "metres.ply": (HEAD % 2 + b"0 0 0\n0.3 0.2 0.1\n", "metres"),
    "far.ply": (HEAD % 2 + b"0 0 0\n9e6 0 0\n", "unit"),
    "one.xyz": (b"# unit mm\n1 2 3\n", "one point"),
    "stray.xyz": (b"# unit mm\n1 2 3\n1e20 1 1\n", "line 3"),
    "no_unit.xyz": (b"1 2 3\n4 5 6\n", "unit"),
    "two_columns.xyz": (b"# unit mm\n1 2\n4 5\n", "x y z"),
    "words.xyz": (b"# unit mm\n1 2 3\n4 five 6\n", "line 3"),
    "ragged.xyz": (b"# unit mm\n1 2 3\n4 5\n", "line 3"),
    "empty.xyz": (b"# unit mm\n", "no points"),
    "binary.xyz": (b"\0\1\2\3" * 99, "text"),
    "words.npz": (b"not a zip", "points file"),
    "broken.json": (b"{", "JSON"),
    "other.json": (b"{}", "not an edgewright result"),
    "missing.ply": (None, "cannot be read"),
}


@pytest.mark.parametrize("name", BAD_FILES)
@pytest.mark.parametrize("side", ["--fixed", "--moving"])
def test_bad_file_is_one_plain_line(edgewright, here, name, side):
    content, words = BAD_FILES[name]
    if content is not None:
        (here / name).write_bytes(content)
    other = "--moving" if side == "--fixed" else "--fixed"
    outcome = edgewright("clear", side, name, other, "bay.ply", *SLIDE, "-o", "out")
    assert (outcome.code, outcome.err.count("\n")) == (2, 1)
    assert words in outcome.err
    assert name in outcome.err
    assert not (here / "out").exists()


BAD_OPTIONS = [
    (("--hinge", "0,0,60:0,0,0", "--angles", "0:9:1"), "zero"),
    (("--hinge", "0,0:0,1,0", "--angles", "0:9:1"), "three numbers"),
    (("--hinge", "0,0,60", "--angles", "0:9:1"), "direction"),
    (("--hinge", "0,0,nan:0,1,0", "--angles", "0:9:1"), "three numbers"),
    (("--hinge", "1e300,0,0:0,1,0", "--angles", "0:9:1"), "none over 1 km"),
    (("--hinge", "a,b,c:0,1,0", "--angles", "0:9:1"), "three numbers"),
    (("--hinge", "0,0,60:0,1,0"), "--angles"),
    (("--hinge", "0,0,60:0,1,0", "--travel", "0:9:1"), "--angles"),
    (("--hinge", "0,0,60:0,1,0", "--angles", "75:0:1"), "0:75:1"),
    (("--hinge", "0,0,60:0,1,0", "--angles", "0:75"), "first:last:step"),
    (("--hinge", "0,0,60:0,1,0", "--angles", "0:75:0"), "step above 0"),
    (("--hinge", "0,0,60:0,1,0", "--angles", "0:75:-1"), "step above 0"),
    (("--hinge", "0,0,60:0,1,0", "--angles", "0:inf:1"), "first:last:step"),
    (("--hinge", "0,0,60:0,1,0", "--angles", "0:75:1e-9"), "larger step"),
    (("--hinge", "0,0,60:0,1,0", "--angles", "0:720:10"), "one turn"),
    (("--slide", "0,0,0", "--travel", "0:9:1"), "zero"),
    (("--slide", "0,0,1"), "--travel"),
    (("--slide", "1", "--travel", "0:9:1"), "three numbers"),
    (("--slide", "0,0,1", "--travel", "9:0:1"), "0:9:1"),
    (("--slide", "0,0,1", "--travel", "0:9:1", "--angles", "0:9:1"), "--angles"),
    (("--slide", "0,0,1", "--travel", "0:9:1", "--hinge", "0,0,0:0,1,0"), "one motion"),
    ((), "one motion"),
    (("--poses", "missing.txt"), "cannot be read"),
    (("--poses", "empty.txt"), "no pose"),
    (("--poses", "stretch.txt"), "line 1"),
    (("--poses", "mirror.txt"), "mirrors"),
    (("--poses", "five.txt"), "6 or 12"),
    (("--hinge-marks", "five.txt", "--angles", "0:9:1"), "unit"),
    ((*SLIDE, "--cloud-u", "-1"), "--cloud-u"),
    ((*SLIDE, "--cloud-u", "0"), "--cloud-u"),
    ((*SLIDE, "--cloud-u", "nan"), "--cloud-u"),
    ((*SLIDE, "--play", "-1"), "Play"),
    ((*SLIDE, "--play", "inf"), "--play"),
    ((*SLIDE, "--rock", "1,2"), "--rock"),
    ((*SLIDE, "--rock", "1,-2,0"), "rock"),
    ((*SLIDE, "--wanted", "-5"), "--wanted"),
    ((*SLIDE, "--wanted", "nan"), "--wanted"),
    ((*SLIDE, "--wanted", "5", "--situation", "hose"), "one of them"),
    ((*SLIDE, "--situation", "moon"), "hinged-lid-edge (3 mm)"),
    ((*SLIDE, "--unit", "furlong"), "--unit"),
    ((*SLIDE, "--section", "-3"), "--section"),
]


@pytest.mark.parametrize(
    ("options", "words"), BAD_OPTIONS, ids=[" ".join(options) or "none" for options, _ in BAD_OPTIONS]
)
def test_bad_option_is_one_plain_line(edgewright, here, options, words):
    (here / "empty.txt").write_text("# nothing\n")
    (here / "stretch.txt").write_text("2 0 0 0 0 1 0 0 0 0 1 0\n")
    (here / "mirror.txt").write_text("-1 0 0 0 0 1 0 0 0 0 1 0\n")
    (here / "five.txt").write_text("1 2 3 4 5\n")
    outcome = edgewright("clear", "--fixed", "bay.ply", "--moving", "lid.ply", *options, "-o", "out")
    assert (outcome.code, outcome.err.count("\n")) == (2, 1)
    assert words in outcome.err
    assert not (here / "out").exists()


def test_a_plane_cannot_stand_for_a_part(tmp_path, edgewright, here):
    from fit.feature import KIND_ORDER, Feature
    from fit.resultfile import record_text
    from fit.results import Results, results_to_dict

    face = Feature(
        "face", "plane", KIND_ORDER["plane"], np.array([0, 0, 0, 0, 0, 1.0]), np.zeros((6, 6)), np.zeros((0, 6)), ()
    )
    (here / "r.json").write_text(record_text(results_to_dict(Results("axes", features=[face]))))
    for name, words in (("r.json", "is a plane"), ("r.json@hole 9", "no feature 'hole 9'")):
        outcome = edgewright("clear", "--fixed", name, "--moving", "lid.ply", *SLIDE, "-o", "out")
        assert outcome.code == 2
        assert words in outcome.err


def test_situations_are_listed_without_any_file(edgewright, here):
    outcome = edgewright("clear", "--situation", "list")
    assert outcome.code == 0
    assert "hinged-lid-edge" in outcome.out
    assert "common practice, no source" in outcome.out


def test_sum_at_another_position_says_so(edgewright, here):
    # gap 10 beside a wall at travel 0, 10.5 over a floor at travel 1; rock of 5 along z alone brings the floor to 5.5
    wall = np.array([[-10.0, y, z] for y in range(5) for z in range(8)])
    floor = np.array([[1.0, y, -10.5] for y in range(5)])
    block = np.array([[0.0, y, z] for y in range(5) for z in range(4)])
    for name, xyz in (("a", np.concatenate([wall, floor])), ("b", block)):
        (here / f"{name}.npz").write_bytes(npz_bytes(Points(xyz, noise=0.01)))
    slide = ("--slide", "1,0,0", "--travel", "0:1:1", "--rock", "0,0,5", "-o", "out")
    words = edgewright("clear", "--fixed", "a.npz", "--moving", "b.npz", *slide).out
    assert "at 0 mm" in words.splitlines()[0]
    assert "at 1 mm (not where the gap is smallest" in words


def test_sizes_may_be_typed_as_fractions(edgewright, here):
    arguments = ("--fixed", "bay.ply", "--moving", "lid.ply", *SLIDE, "-o", "out", "--json", "--play", '1/8"')
    record = json.loads(edgewright("clear", *arguments, "--wanted", '1-3/8"').out)
    assert record["clear"]["margin"]["play"] == pytest.approx(3.175)
    assert record["clear"]["margin"]["wanted"] == pytest.approx(34.925)


def test_results_of_one_photo_share_their_errors(edgewright, here, clouds):
    # two results of the same photo: the height error that both share does not widen the gap between them
    photo = {"path": "photo.jpg", "sha256": "0" * 64}
    for name, xyz in zip(("bay", "lid"), clouds.lid_and_bay(300), strict=True):
        (here / name).mkdir()
        modes = np.broadcast_to([0.0, 0.0, 2.0], (1, len(xyz), 3))
        points = Points(xyz, noise=0.02, shared=modes, shared_names=("height:top",))
        (here / name / "points.npz").write_bytes(npz_bytes(points))
        (here / name / "results.json").write_text(json.dumps({"sources": [photo]}))
    arguments = ("--fixed", "bay/points.npz", "--moving", "lid/points.npz", *SLIDE, "-o", "out", "--json")
    together = json.loads(edgewright("clear", *arguments).out)["clear"]["gap"][0]["u95"]
    (here / "lid/results.json").write_text(json.dumps({"sources": [{"path": "b.jpg", "sha256": "1" * 64}]}))
    apart = json.loads(edgewright("clear", *arguments).out)["clear"]["gap"][0]["u95"]
    assert together < 0.2
    assert apart > 4


def test_one_labelled_feature_of_a_cloud(edgewright, here):
    hose = np.c_[np.zeros(40), np.linspace(0, 90, 40), np.full(40, 10.0)]
    labels = np.repeat(["hose", "drive unit"], 40)
    points = Points(np.concatenate([hose, hose + np.array([0, 0, 8])]), noise=0.01, label=labels)
    (here / "bay.npz").write_bytes(npz_bytes(points))
    arguments = ("--moving", "lid.ply", *SLIDE, "-o", "out", "--json")
    names = ("bay.npz", "bay.npz@hose")
    gaps = [json.loads(edgewright("clear", "--fixed", name, *arguments).out)["clear"]["smallest"] for name in names]
    assert [gap["fixed_part"] for gap in gaps] == ["drive unit", "hose"]
    assert gaps[1]["gap"]["value"] > gaps[0]["gap"]["value"]
    assert "no points labelled 'pipe'" in edgewright("clear", "--fixed", "bay.npz@pipe", *arguments).err


def test_a_table_of_plain_values_asks_for_the_same_check(edgewright, here):
    from fit.clearance import clear_table
    from fit.clearance.job import check_clear
    from fit.resultfile import record_text

    table = {
        "fixed": "bay.ply",
        "moving": ["lid.ply"],
        "slide": "0,0,1",
        "travel": "0:5:2",
        "play": '1/8"',
        "cloud_u": 0.05,
    }
    arguments = ("--fixed", "bay.ply", "--moving", "lid.ply", *SLIDE, "-o", "out", "--json", "--cloud-u", "0.05")
    record = json.loads(edgewright("clear", *arguments, "--play", '1/8"').out)
    assert json.loads(record_text(clear_table(check_clear(table)))) == record["clear"]


def test_parts_in_different_axes_are_warned_of(edgewright, here, clouds):
    for name, xyz in zip(("bay", "lid"), clouds.lid_and_bay(100), strict=True):
        (here / f"{name}.npz").write_bytes(npz_bytes(Points(xyz, noise=0.02, frame=f"axes of {name}.csv")))
    record = json.loads(
        edgewright("clear", "--fixed", "bay.npz", "--moving", "lid.npz", *SLIDE, "-o", "out", "--json").out
    )
    assert "axes-differ" in {warning["code"] for warning in record["warnings"]}


def test_points_stand_in_the_axes_of_the_result_beside_them(edgewright, here, clouds):
    for name, xyz in zip(("bay", "lid"), clouds.lid_and_bay(100), strict=True):
        (here / name).mkdir()
        (here / name / "points.npz").write_bytes(npz_bytes(Points(xyz, noise=0.02, frame=f"axes of {name}.csv")))
        (here / name / "results.json").write_text('{"sources": [], "frame": "datum of the bay"}')
    sides = ("--fixed", "bay/points.npz", "--moving", "lid/points.npz")
    record = json.loads(edgewright("clear", *sides, *SLIDE, "-o", "out", "--json").out)
    assert "axes-differ" not in {warning["code"] for warning in record["warnings"]}


def test_travel_is_told_in_the_readers_unit(edgewright, here):
    sides = ("--fixed", "bay.ply", "--moving", "lid.ply")
    outcome = edgewright("clear", *sides, "--slide", "0,0,1", "--travel", "10:20:5", "-o", "out", "--unit-out", "inch")
    assert "at 0.39 in" in outcome.out.splitlines()[0]
    assert "travel, in" in (here / "out/report.html").read_text()


@pytest.mark.parametrize("motion", [("--hinge", "0,0,0:0,0,1", "--angles", "-30:0:10"), SLIDE])
@pytest.mark.parametrize("axis", [0, 1, 2])
def test_gap_shows_whichever_way_it_lies(edgewright, here, clouds, motion, axis):
    # a gap of 5 mm along the hinge, the slide or another axis: the slice holds both parts and its line is 5 mm long
    import ezdxf

    plate = np.roll(clouds.grid(10, 1.0), axis + 1, axis=1)
    clouds.write_ply(here / "a.ply", plate)
    clouds.write_ply(here / "b.ply", plate + 5.0 * np.eye(3)[axis])
    outcome = edgewright("clear", "--fixed", "a.ply", "--moving", "b.ply", *motion, "-o", "out")
    assert outcome.code == 0, outcome.err
    shown = ezdxf.readfile(here / "out/sketch.dxf").modelspace().query("LINE[layer=='reference']")
    gap = json.loads((here / "out/results.json").read_text())["clear"]["smallest"]["gap"]["value"]
    assert any((line.dxf.end - line.dxf.start).magnitude == pytest.approx(gap, abs=1e-6) for line in shown)
