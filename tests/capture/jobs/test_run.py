"""Whole runs of a job on a drawn scene with exact truth: values, verdicts, kept stages, interrupted runs."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

import capture.jobs.run as run_module
from capture.jobs.run import run_job

HOLES = {"hole 1": (75.0, 95.0, 10.0), "hole 2": (105.0, 95.0, 8.0)}


def hashes(folder: Path) -> dict[str, str]:
    return {file.name: hashlib.sha256(file.read_bytes()).hexdigest() for file in sorted(folder.iterdir())}


def feature(record: dict, name: str) -> dict:
    return next(item for item in record["features"] if item["name"] == name)


def test_a_run_measures_what_was_drawn(scene) -> None:
    originals = {file.name: file.read_bytes() for file in scene.folder.iterdir()}
    done = run_job(scene.folder / "plate.toml")
    assert {name: (scene.folder / name).read_bytes() for name in originals} == originals, "inputs are never altered"
    out = scene.folder / "plate"
    record = json.loads((out / "results.json").read_text())
    for name, truth in HOLES.items():
        for key, true in zip(("x", "y", "diameter"), truth, strict=True):
            value = feature(record, name)["values"][key]
            assert abs(value["value"] - true) <= value["u95"] < 0.4, (name, key)
    edge = feature(record, "lower edge")["values"]
    assert edge["y1"]["value"] == pytest.approx(80.0, abs=edge["y1"]["u95"])
    edge = feature(record, "left edge")["values"]
    assert edge["x1"]["value"] == pytest.approx(60.0, abs=edge["x1"]["u95"])
    (gap,) = record["dimensions"]
    assert abs(gap["value"] - 30.0) <= gap["u95"] < 0.2
    assert gap["verdict"] == "inside" and gap["accurate_enough"] in ("yes", "just") and gap["advice"]
    assert done.met
    assert {source["path"] for source in record["sources"]} == {
        "photo_a.jpg",
        "photo_b.jpg",
        "camera.json",
        "plate.toml",
    }
    names = set(record["files"])
    assert {"overlay-a.png", "overlay-b.png", "picks-a.png", "sketch.pdf", "cut_mm.dxf", "report.html"} <= names
    by_photo = record["photos"]["hole 1"]["sizes"]["diameter"]
    assert set(by_photo["by_photo"]) == {"a", "b"} and by_photo["spread"] < 0.2
    assert any(name.startswith("corners:a ") for name in record["shared"])


def test_a_second_run_is_quick_and_leaves_every_byte(scene, monkeypatch, edgewright) -> None:
    run_job(scene.folder / "plate.toml")
    before = hashes(scene.folder / "plate")

    def again(*_: object) -> None:
        raise AssertionError

    monkeypatch.setattr(run_module, "photo_stage", again)
    start = time.process_time()
    outcome = edgewright("run", scene.folder / "plate.toml", "--json")
    assert time.process_time() - start < 1.0
    assert outcome.code == 0 and json.loads(outcome.out)["format"] == "edgewright-results"
    assert hashes(scene.folder / "plate") == before


def test_only_what_changed_is_worked_out_again(scene, monkeypatch) -> None:
    job = scene.folder / "plate.toml"
    run_job(job)
    before = hashes(scene.folder / "plate")
    worked = []
    real = run_module.photo_stage
    monkeypatch.setattr(run_module, "photo_stage", lambda file, i: worked.append(i) or real(file, i))
    job.write_text(scene.job.replace("tolerance = 0.5", "tolerance = 0.4"))
    assert run_job(job).met and worked == []
    job.write_text(scene.job.replace('photo = "a"\nnear = [104.0, 96.0]', 'photo = "a"\nnear = [104.1, 96.0]'))
    run_job(job)
    assert worked == [0]
    job.write_text(scene.job)
    (scene.folder / "plate" / "sketch.svg").write_bytes(b"damaged")
    run_job(job)
    assert hashes(scene.folder / "plate") == before, "the same job gives the same bits again"


def test_what_cannot_be_measured_is_left_out_with_its_dimensions(scene, edgewright) -> None:
    lost = '[[feature]]\nname = "lost"\nkind = "circle"\nphoto = "b"\nnear = [90, 120]\nabout = 6\n'
    gap = '[[dimension]]\nname = "to lost"\nkind = "distance"\nfrom = "hole 1"\nto = "lost"\nnominal = 20\ntolerance = 1\n'
    beyond = '[[feature]]\nname = "beyond"\nkind = "line"\nphoto = "b"\nnear = [[0, 0], [-900, 0]]\n'
    (scene.folder / "plate.toml").write_text(scene.job + lost + beyond + gap)
    outcome = edgewright("run", scene.folder / "plate.toml", "--json")
    record = json.loads(outcome.out)
    assert outcome.code == 3, "a tolerance that was demanded is not proven"
    assert "lost" not in {item["name"] for item in record["features"]}
    told = {(notice["code"], notice.get("feature")) for notice in record["warnings"]}
    assert {("not-measured", "lost"), ("not-measured", "beyond")} <= told
    assert ("dimension-left-out", "to lost") in told


def test_an_edge_that_ends_before_its_way_points_do_is_told(scene, edgewright) -> None:
    """Past the plate's corner there is blank paper; a length of what was found must not pass for that of what was meant."""
    path = '[[feature]]\nname = "{}"\nkind = "path"\nphoto = "a"\nnear = [[65, 80], [90, 80], [{}, 80]]\n'
    (scene.folder / "plate.toml").write_text(scene.job + path.format("past", 148) + path.format("whole", 117))
    record = json.loads(edgewright("run", scene.folder / "plate.toml", "--json").out)
    short = [notice for notice in record["warnings"] if notice["code"] == "ends-short"]
    assert [notice["feature"] for notice in short] == ["past"] and "from the last way-point of 'past'" in short[0][
        "text"
    ]
    assert feature(record, "past")["values"]["length"]["value"] < 65


def test_a_photo_without_a_print_is_left_out_where_another_serves(scene, edgewright) -> None:
    import cv2

    cv2.imwrite(str(scene.folder / "photo_b.jpg"), np.full((1200, 1600), 128, np.uint8))
    outcome = edgewright("run", scene.folder / "plate.toml", "--json", "--unit-out", "fraction")
    record = json.loads(outcome.out)
    assert outcome.code == 0 and [n["code"] for n in record["warnings"]].count("source-left-out") == 1
    assert "photo b" in record["warnings"][0]["text"]
    assert {"hole 1", "lower edge"} <= {item["name"] for item in record["features"]}


def test_a_photo_that_no_feature_names_is_measured_by_itself(scene, edgewright) -> None:
    text = scene.job[: scene.job.index('[[photo]]\nname = "b"')].replace('[camera]\nfile = "camera.json"\n', "")
    gap = '[[dimension]]\nkind = "distance"\nfrom = "hole 1"\nto = "hole 2"\nlimits = [20, 25]\n'
    (scene.folder / "plate.toml").write_text(text + gap)
    outcome = edgewright("run", scene.folder / "plate.toml", "-o", scene.folder / "by itself")
    assert outcome.code == 3
    record = json.loads((scene.folder / "by itself" / "results.json").read_text())
    assert {"outline", "hole 1", "hole 2", "hole 3"} <= {item["name"] for item in record["features"]}
    assert record["dimensions"][0]["verdict"] == "outside"
    assert "overlay.png" in record["files"]


def test_a_datum_of_two_holes(scene) -> None:
    datum = '[datum]\nholes = ["hole 1", "hole 2"]\n'
    (scene.folder / "plate.toml").write_text(scene.single + datum)
    run_job(scene.folder / "plate.toml")
    record = json.loads((scene.folder / "plate" / "results.json").read_text())
    one, two = feature(record, "hole 1")["values"], feature(record, "hole 2")["values"]
    assert one["x"]["value"] == pytest.approx(0, abs=1e-9) and one["y"]["value"] == pytest.approx(0, abs=1e-9)
    assert two["y"]["value"] == pytest.approx(0, abs=1e-9)
    assert abs(two["x"]["value"] - 30) <= two["x"]["u95"]
    edge = feature(record, "lower edge")["values"]
    assert edge["y1"]["value"] == pytest.approx(-15, abs=0.2)
    assert "hole 1" in record["frame"] and record["dimensions"][0]["value"] == pytest.approx(
        two["x"]["value"], abs=1e-6
    )


def test_a_datum_of_an_edge_and_a_corner(scene) -> None:
    datum = '[datum]\nedge = "lower edge"\ncorner = "left edge"\n'
    (scene.folder / "plate.toml").write_text(scene.single + datum)
    run_job(scene.folder / "plate.toml")
    record = json.loads((scene.folder / "plate" / "results.json").read_text())
    hole = feature(record, "hole 1")["values"]
    assert abs(hole["x"]["value"] - 15) <= hole["x"]["u95"] and abs(hole["y"]["value"] - 15) <= hole["y"]["u95"]
    assert feature(record, "lower edge")["values"]["y2"]["value"] == pytest.approx(0, abs=1e-9)
    assert "lower edge" in record["frame"] and "left edge" in record["frame"]


@pytest.mark.skipif(os.name != "posix", reason="signals")
def test_a_datum_is_drawn_and_an_edge_must_be_straight(scene, edgewright) -> None:
    """Both axes stand at the origin with the words of the frame; a hole is no edge, told with its line."""
    datum = '[datum]\nholes = ["hole 1", "hole 2"]\n'
    (scene.folder / "plate.toml").write_text(scene.job + datum)
    run_job(scene.folder / "plate.toml")
    sketch = (scene.folder / "plate" / "sketch.svg").read_text()
    assert ">x</text>" in sketch and ">y</text>" in sketch and "origin from hole 1" in sketch
    (scene.folder / "plate.toml").write_text(scene.job + '[datum]\nedge = "hole 1"\ncorner = "lower edge"\n')
    outcome = edgewright("run", scene.folder / "plate.toml")
    assert outcome.code == 2 and "plate.toml: line" in outcome.err and "straight edge" in outcome.err


def test_a_killed_run_leaves_the_earlier_result_whole(scene) -> None:
    job, out = scene.folder / "plate.toml", scene.folder / "plate"
    run_job(job)
    earlier = hashes(out)
    job.write_text(scene.job.replace("tolerance = 0.5", "tolerance = 0.45").replace("[104.0, 96.0]", "[104.2, 96.0]"))
    command = [sys.executable, "-c", "from fit.commands import main; main()", "run", str(job)]
    for wait in (0.3, 0.8, 1.4):
        process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        time.sleep(wait)
        process.send_signal(signal.SIGKILL)
        process.wait()
        record = json.loads((out / "results.json").read_text())
        assert set(record["files"]) == set(hashes(out)), "no file is missing and none is strange"
        if record["dimensions"][0]["upper"] == 30.5:
            assert hashes(out) == earlier
    assert run_job(job).record["dimensions"][0]["upper"] == 30.45
    assert not [file.name for file in scene.folder.iterdir() if ".new-" in file.name]


def test_a_feature_on_a_tilted_face_is_told_on_that_face(scene) -> None:
    """A hole on a face leaning by 7°, its points seen exactly: found on a level plane first, then cut with the face."""
    from capture.camera.face import Face
    from capture.edges.picked import Pick, PickedFeature
    from capture.edges.rim_fit import FaceKnowledge
    from capture.edges.rims import Sheet
    from capture.jobs.read import read_job
    from capture.jobs.shots import solve_photo
    from capture.jobs.tilted import on_face
    from fit.shapes import fit_circle
    from fit.shapes.frame import axes_about

    file = read_job(scene.folder / "plate.toml")
    bench = solve_photo(file, file.job.photo[1]).bench
    face = Face.through("top", [(60, 80, 10.0), (120, 80, 17.0), (60, 160, 12.0)], 0.05)
    centre = np.array([90.0, 120.0, 0.0])
    centre[2] = face.height(centre[None])[0]
    turn = np.linspace(0, 2 * np.pi, 80, endpoint=False)
    rim = centre + 9.0 * np.column_stack([np.cos(turn), np.sin(turn)]) @ axes_about(face.normal)[:, :2].T
    outward = np.column_stack([np.cos(turn), np.sin(turn)])
    level = bench.points_on_face(bench.project(rim), 0.1, float(centre[2]), 0.05, normal_px=outward)
    light = np.zeros((1, 80, 3))
    level = level.with_shared(["edge:rim"], light)
    known = FaceKnowledge(Sheet(float(centre[2]), 1.0), 0.05, 0.05)
    pick = Pick("hole", "circle", centre[None, :2], known)
    found = on_face(PickedFeature(fit_circle(level, robust=False), level, ()), pick, bench, face).feature
    assert found.vector(("x", "y", "z")) == pytest.approx(centre, abs=1e-4)
    assert found["diameter"] == pytest.approx(18.0, abs=1e-4)
    assert abs(float(found.vector(("nx", "ny", "nz")) @ face.normal)) == pytest.approx(1, abs=1e-6)
    assert {"height:top 1", "height:top 2", "height:top 3", "edge:rim"} <= set(found.shared_names)
    assert found.value("z").u == pytest.approx(0.05 / np.sqrt(3), rel=0.3)  # mean of three heights, nearly


def test_three_equal_heights_give_what_one_height_gives(scene) -> None:
    (scene.folder / "plate.toml").write_text(scene.single)
    level = run_job(scene.folder / "plate.toml").record
    text = scene.single.replace("height = 0.0\nheight_u = 0.01", "heights = [[0, 0, 0], [180, 0, 0], [0, 240, 0]]")
    (scene.folder / "plate.toml").write_text(text)
    tilted = run_job(scene.folder / "plate.toml").record
    for name in ("hole 1", "hole 2"):
        for key in ("x", "y", "diameter"):
            one, other = (feature(record, name)["values"][key] for record in (level, tilted))
            assert other["value"] == pytest.approx(one["value"], abs=0.01)
            assert other["u95"] == pytest.approx(one["u95"], rel=0.2)


def test_an_offset_of_an_outline_is_what_is_cut(scene) -> None:
    """One closed line on layer cut of the cutting file; the sketch says how far and to which side it was moved."""
    from ezdxf.filemanagement import readfile

    moved = '\n[[feature]]\nname = "liner"\nkind = "offset"\nof = "outline"\noffset = 2\nside = "in"\n'
    text = scene.job[: scene.job.index('[[photo]]\nname = "b"')].replace('[camera]\nfile = "camera.json"\n', "")
    (scene.folder / "plate.toml").write_text(text + moved)
    run_job(scene.folder / "plate.toml")
    out = scene.folder / "plate"
    chains = list(readfile(out / "cut_mm.dxf").modelspace().query('LWPOLYLINE[layer=="cut"]'))
    assert len(chains) == 1 and "2.00 inside outline" in (out / "sketch.svg").read_text()
