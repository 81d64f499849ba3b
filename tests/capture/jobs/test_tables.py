"""Shipped jobs against their truth, and calculators' tables against sums done by hand."""

from __future__ import annotations

import json
import math
import shutil
from datetime import date
from pathlib import Path

import numpy as np
import pytest

from capture.jobs.run import default_folder, run_job
from fit.errors import InputError


def test_the_tower_job_tells_the_flange_from_its_own_datum(root: Path, tmp_path: Path) -> None:
    truth = json.loads((root / "sample_sets/tower_flange/truth.json").read_text())
    record = run_job(root / "sample_sets/tower_flange/job.toml", tmp_path / "tower").record
    found = {item["name"]: item["values"] for item in record["features"]}
    for name, key in (("bore", "bore"), *((f"bolt hole {i}", f"hole_{i}") for i in range(1, 5))):
        value = found[name]["diameter"]
        assert abs(value["value"] - truth[key]["diameter"]) <= 1.5 * value["u95"]
    across = np.subtract(truth["hole_1"]["centre"], truth["hole_3"]["centre"])
    sizes = {item["name"]: item for item in record["dimensions"]}
    assert abs(sizes["across"]["value"] - np.linalg.norm(across)) <= sizes["across"]["u95"]
    assert abs(sizes["bolt circle"]["value"] - 128.0) <= sizes["bolt circle"]["u95"]  # 2 · 64, as make.py has it
    assert found["bore"]["x"]["value"] == pytest.approx(0, abs=1e-9)
    assert found["bolt hole 1"]["y"]["value"] == pytest.approx(0, abs=1e-9)
    assert found["top face"]["nz"]["value"] == pytest.approx(1)
    notices = {(notice["code"], notice.get("feature")) for notice in record["warnings"]}
    assert ("stray-touch", "top face") in notices


def test_the_seal_job_gives_edge_rubber_and_cut_length(root: Path, tmp_path: Path) -> None:
    truth = json.loads((root / "sample_sets/seal_channel/truth.json").read_text())
    done = run_job(root / "sample_sets/seal_channel/job.toml", tmp_path / "channel")
    record, found = done.record, {item["name"]: item["values"] for item in done.record["features"]}
    length = found["channel"]["length"]
    assert abs(length["value"] - truth["from_first_to_last_touch"]) <= 1.5 * length["u95"]
    # a parallel line 6 mm to the left is shorter by 6 mm times the turn to the left, here 55°
    turn = math.radians(sum(piece.get("turn_deg", 0.0) for piece in truth["path"]))
    rubber = found["line of the rubber"]["length"]["value"]
    assert rubber == pytest.approx(length["value"] - 6 * turn, abs=0.05)
    assert record["seal"] and "cut" in " ".join(done.lines)
    corner = next(item for item in record["dimensions"] if item["name"] == "tight corner")
    assert abs(corner["value"] - 18.0) <= 1.5 * corner["u95"] and corner["verdict"] == "inside" and done.met
    assert {"seal.svg", "seal.pdf", "sketch.svg"} <= set(record["files"])
    assert date.today().isoformat() in (tmp_path / "channel" / "seal.svg").read_text()


def test_a_job_of_a_typed_bend(tmp_path: Path) -> None:
    """Bend allowance π/2·(2 + 0.42·1.5) = 4.131; setback 2·(2 + 1.5) = 7; flat length 40 + 60 − 7 + 4.131 = 97.131."""
    (tmp_path / "bend.toml").write_text(
        "[bend]\nlegs = [40, 60]\nangles = 90\nradius = 2\nthickness = 1.5\nk = 0.42\nwidth = 30\n"
    )
    done = run_job(tmp_path / "bend.toml")
    assert any("97.13" in line for line in done.lines)
    assert done.record["bend"] and "cut_mm.dxf" in done.record["files"]
    assert done.record["sources"][-1]["path"] == "bend.toml"


def test_a_job_of_a_typed_rod(tmp_path: Path) -> None:
    """Two bends of 90° at R 24 over 100 + 80 + 60: 240 − 2·(2·24 − 24·π/2) = 219.40."""
    (tmp_path / "rod.toml").write_text(
        '[rod]\nrod_diameter = 8\nradius = 24\ncorners = "0,0,0; 100,0,0; 100,80,0; 100,80,60"\n'
    )
    record = run_job(tmp_path / "rod.toml").record
    assert record["rod"]["cut_length"]["value"] == pytest.approx(240 - 2 * (48 - 12 * math.pi), abs=0.001)


def test_a_clearance_that_is_too_small_ends_with_code_3(tmp_path: Path, edgewright) -> None:
    grid = np.stack(np.meshgrid(np.arange(0, 31.0), np.arange(0, 31.0)), -1).reshape(-1, 2)
    for name, z in (("fixed", 0.0), ("moving", 12.0)):
        rows = np.column_stack([grid, np.full(len(grid), z)])
        np.savetxt(tmp_path / f"{name}.xyz", rows, fmt="%.3f", header="unit mm")
    table = '[clear]\nfixed = "fixed.xyz"\nmoving = "moving.xyz"\nslide = "0,0,-1"\ntravel = "0:6:2"\ncloud_u = 0.1\n'
    (tmp_path / "hood.toml").write_text(table + "wanted = 8\n")
    outcome = edgewright("run", tmp_path / "hood.toml", "--json")
    record = json.loads(outcome.out)
    assert outcome.code == 3 and record["clear"]["smallest"]["gap"]["value"] == pytest.approx(6.0, abs=1e-6)
    assert {source["path"] for source in record["sources"]} == {"fixed.xyz", "moving.xyz", "hood.toml"}
    assert edgewright("run", tmp_path / "hood.toml", "--json").code == 3, "also when nothing changed"


def test_a_wrong_value_in_a_table_is_told_at_its_line(tmp_path: Path) -> None:
    (tmp_path / "bend.toml").write_text(
        '[bend]\nlegs = [40, 60]\nangles = 90\nradius = 2\nthickness = "thin"\nk = 0.4\n'
    )
    with pytest.raises(InputError, match=r"line 5: \[bend\]: thickness 'thin'") as told:
        run_job(tmp_path / "bend.toml")
    assert "--" not in str(told.value)
    assert not (tmp_path / "bend").exists()


def test_touches_under_another_name_that_is_not_in_the_list(root: Path, tmp_path: Path) -> None:
    shutil.copy(root / "sample_sets/tower_flange/place_1.csv", tmp_path)
    job = tmp_path / "a.toml"
    job.write_text('[[probe]]\nfile = "place_1.csv"\n[[feature]]\nname = "x"\nkind = "circle"\ntouches = "hole_9"\n')
    with pytest.raises(InputError, match="hole_9") as told:
        run_job(job)
    assert "--" not in str(told.value) and "place_1" in str(told.value)


def test_results_lie_beside_the_job_under_its_name() -> None:
    assert default_folder(Path("a/hatch.toml")) == Path("a/hatch")
    assert default_folder(Path("hatch")) == Path("hatch-result")
