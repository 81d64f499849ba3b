"""Starter jobs are valid as written, also with their comments taken off, and nothing is written over."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import cv2
import numpy as np
import pytest

from capture.jobs.read import read_job
from capture.jobs.starter import starter_job
from capture.pieces import frame
from fit.errors import InputError


def test_a_starter_from_photo_lists_and_lens_reads_back(scene, root: Path, edgewright) -> None:
    lists = [scene.folder / name for name in ("place_1.csv", "edge_walk.csv")]
    shutil.copy(root / "sample_sets/tower_flange/place_1.csv", lists[0])
    shutil.copy(root / "sample_sets/seal_channel/edge_walk.csv", lists[1])
    job = scene.folder / "start.toml"
    outcome = edgewright("job", "new", scene.folder / "photo_a.jpg", *lists, scene.folder / "camera.json", "-o", job)
    assert outcome.code == 0, outcome.err
    text = job.read_text()
    assert "frame" in text and "print_x = 180" in text
    read = read_job(job).job
    assert [photo.file for photo in read.photo] == ["photo_a.jpg"] and read.camera is not None
    assert [probe.file for probe in read.probe] == [("place_1.csv",), ("edge_walk.csv",)]
    assert (scene.folder / "start-photo_a-grid.png").stat().st_size > 10_000
    again = edgewright("job", "new", lists[0], "-o", job)
    assert again.code == 2 and "already" in again.err and job.read_text() == text


def test_a_raised_faces_grid_lies_at_its_height(scene, edgewright) -> None:
    """What lies on the paper, 270 mm under the camera, shows a ninth nearer together in a plane 30 mm above it."""
    sizes = []
    for height in ((), ("--height", "30")):
        job = scene.folder / f"start{len(height)}.toml"
        assert edgewright("job", "new", scene.folder / "photo_a.jpg", "-o", job, *height).code == 0
        grid = cv2.imread(str(job.with_name(f"{job.stem}-photo_a-grid.png")), cv2.IMREAD_GRAYSCALE)
        without_lines = cv2.medianBlur(grid, 9)
        found, ids, _ = cv2.aruco.ArucoDetector(frame().board().getDictionary()).detectMarkers(without_lines)
        places = {int(i): corners.mean(axis=(0, 1)) for i, corners in zip(ids.ravel(), found, strict=True)}
        sizes.append(places)
    both = sorted(sizes[0].keys() & sizes[1].keys())
    flat, raised = (np.array([places[i] for i in both]) for places in sizes)
    assert len(both) > 10 and np.ptp(raised, axis=0) / np.ptp(flat, axis=0) == pytest.approx([8 / 9, 8 / 9], abs=0.01)
    assert read_job(job).job.photo[0].height.value == 30.0
    assert edgewright("job", "new", scene.folder / "photo_a.jpg", "-o", job, "--height", "-3", "--replace").code == 2


def test_commented_features_are_valid_too(tmp_path: Path, root: Path) -> None:
    shutil.copy(root / "sample_sets/tower_flange/place_1.csv", tmp_path)
    text = starter_job([tmp_path / "place_1.csv"], tmp_path / "job.toml").text
    body = text[: text.index("# [datum]")]
    (tmp_path / "job.toml").write_text(re.sub(r"^# (\[\[feature|name|kind|probe)", r"\1", body, flags=re.MULTILINE))
    features = read_job(tmp_path / "job.toml").job.feature
    kinds = {feature.name: feature.kind for feature in features}
    assert kinds["top_face"] == "plane" and kinds["bore"] == "circle" and kinds["ball_1"] == "sphere"


def test_names_with_quotes_and_equal_stems_are_kept_apart(tmp_path: Path, root: Path) -> None:
    for folder in ("left", "right"):
        (tmp_path / folder).mkdir()
        shutil.copy(root / "sample_sets/tower_flange/place_1.csv", tmp_path / folder / 'a "b".csv')
    files = [tmp_path / folder / 'a "b".csv' for folder in ("left", "right")]
    (tmp_path / "job.toml").write_text(starter_job(files, tmp_path / "job.toml").text)
    probes = read_job(tmp_path / "job.toml").job.probe
    assert [probe.name for probe in probes] == ['a "b"', 'a "b" 2']


def test_what_is_no_source_is_refused(tmp_path: Path) -> None:
    (tmp_path / "x.json").write_text("{}")
    for name in ("x.json", "none.jpg"):
        with pytest.raises(InputError, match=name):
            starter_job([tmp_path / name], tmp_path / "job.toml")
