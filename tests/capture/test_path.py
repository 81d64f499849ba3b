"""`edgewright path` on the seal-channel sample and on bad input."""

from __future__ import annotations

import json

import numpy as np
import pytest


@pytest.fixture
def sample(root):
    return root / "sample_sets" / "seal_channel"


def read(folder):
    return json.loads((folder / "results.json").read_text())


def test_the_sample_gives_its_pieces_back(edgewright, sample, tmp_path):
    done = edgewright(
        "path",
        sample / "edge_walk.csv",
        "--tip",
        3,
        "--points",
        "centre",
        "--plane",
        sample / "deck.csv",
        "-o",
        tmp_path / "out",
    )
    assert done.code == 0, done.err
    truth = json.loads((sample / "truth.json").read_text())
    path = next(f for f in read(tmp_path / "out")["features"] if f["kind"] == "path")
    assert [s["kind"] for s in path["segments"]] == [p["kind"] for p in truth["path"]]
    for got, want in zip(path["segments"], truth["path"], strict=True):
        if want["kind"] == "arc":
            radius = got["values"]["radius"]
            assert abs(radius["value"] - want["radius"]) <= max(radius["u95"], 0.01 * want["radius"])
            assert got["values"]["turn"]["value"] == pytest.approx(want["turn_deg"], abs=0.6)
    length = path["values"]["length"]
    assert abs(length["value"] - truth["from_first_to_last_touch"]) <= 1.5 * length["u95"]
    assert path["on"] == "plane"
    assert "plane-assumed" not in {w["code"] for w in read(tmp_path / "out")["warnings"]}
    assert path["closed"] is False
    assert {p.name for p in (tmp_path / "out").iterdir()} >= {"results.json", "sketch.svg", "sketch.dxf", "points.npz"}


def test_side_and_plane_may_be_left_to_the_user(edgewright, sample, tmp_path):
    rows = (sample / "edge_walk.csv").read_text().splitlines()
    bare = tmp_path / "bare.csv"
    bare.write_text("\n".join(row if row.startswith("#") else ",".join(row.split(",")[:3]) for row in rows))
    refused = edgewright("path", bare, "--tip", 3, "--points", "centre", "-o", tmp_path / "out")
    assert refused.code == 2
    assert "--side" in refused.err
    assert not (tmp_path / "out").exists()
    truth = json.loads((sample / "truth.json").read_text())
    side = "right" if truth["normal"][2] > 0 else "left"
    done = edgewright("path", bare, "--tip", 3, "--points", "centre", "--side", side, "-o", tmp_path / "out", "--json")
    assert done.code == 0
    record = json.loads(done.out)
    (told,) = [w["text"] for w in record["warnings"] if w["code"] == "plane-assumed"]
    assert "as seen from that side" in told
    path = record["features"][0]
    radius = path["segments"][1]["values"]["radius"]
    assert radius["value"] == pytest.approx(truth["path"][1]["radius"], abs=max(0.3, 1.5 * radius["u95"]))
    as_told = json.loads(edgewright("path", bare, "-o", tmp_path / "surface", "--json").out)
    assert "points-assumed" in [w["code"] for w in as_told["warnings"]], "as `probe` calls it"


def test_offset_marks_and_conditions(edgewright, sample, tmp_path):
    done = edgewright(
        "path", sample / "edge_walk.csv", "--points", "surface", "-o", tmp_path / "out",
        "--offset", 6, "--to", "left", "--marks", 100, "--equal", "2,6", "--json",
    )  # fmt: skip
    assert done.code == 0, done.err
    record = json.loads(done.out)
    first, second = (f for f in record["features"] if f["kind"] == "path")
    radii = [s["values"]["radius"]["value"] for s in first["segments"] if s["kind"] == "arc"]
    assert radii[0] == pytest.approx(radii[2], abs=1e-6)
    assert second["name"] == "path left"
    assert len(record["path"]["marks"]) == round(first["values"]["length"]["value"] / 100) + 1
    assert "condition-rejected" in {w["code"] for w in record["warnings"]}


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--points", "centre"), "--tip"),
        (("--tip", "3"), "--points"),
        (("--points", "surface", "--offset", "3"), "--to"),
        (("--points", "surface", "--radius", "two=3"), "N=MM"),
        (("--points", "surface", "--equal", "2"), "different pieces"),
        (("--points", "surface", "--radius", "1=3"), "needs an arc"),
        (("--points", "surface", "--radius", "40=3"), "pieces"),
    ],
)
def test_wrong_options_end_in_one_line(edgewright, sample, tmp_path, options, words):
    done = edgewright("path", sample / "edge_walk.csv", *options, "-o", tmp_path / "out")
    assert done.code == 2
    assert words in done.err
    assert done.err.count("\n") == 1
    assert not (tmp_path / "out").exists()


def test_three_points_are_too_few(edgewright, tmp_path):
    few = tmp_path / "few.csv"
    few.write_text("# unit: mm\nx,y,z\n" + "\n".join(",".join(map(str, row)) for row in np.eye(3)))
    done = edgewright("path", few, "--points", "surface", "-o", tmp_path / "out")
    assert done.code == 2
    assert "points" in done.err
