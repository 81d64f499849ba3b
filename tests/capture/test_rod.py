"""The rod command from a list to its files."""

from __future__ import annotations

import importlib.util
import json
import math
from pathlib import Path

import numpy as np
import pytest

_PATH = Path(__file__).parents[1] / "fit" / "rod" / "rod_world.py"


@pytest.fixture(scope="module")
def world():
    import sys

    spec = importlib.util.spec_from_file_location("rod_world_of_command", _PATH)
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


def _write(path: Path, points, unit: str | None = "mm", scale: float = 1.0) -> Path:
    head = [f"# unit: {unit}"] if unit else []
    rows = [f"{x:.4f},{y:.4f},{z:.4f},{name}" for (x, y, z), name in zip(points.xyz * scale, points.label, strict=True)]
    path.write_text("\n".join([*head, "x,y,z,feature", *rows]) + "\n")
    return path


def test_list_to_schedule(edgewright, tmp_path, world) -> None:
    points, truth, rod = world.touched_rod(11)
    file = _write(tmp_path / "hook.csv", points)
    words = ["--rod-diameter", rod, "--radius", truth.radius[0], "--tip", 3, "--points", "centre"]
    done = edgewright("rod", file, "-o", tmp_path / "out", *words)
    assert done.code == 0, done
    record = json.loads((tmp_path / "out" / "results.json").read_text())
    rows = record["rod"]["schedule"]
    assert "rotation" not in rows[0]
    assert set(rows[-1]) == {"straight"}
    for row, straight in zip(rows, truth.straight, strict=True):
        assert abs(row["straight"]["value"] - straight) <= 2 * row["straight"]["u95"]
    for row, bend in zip(rows, np.degrees(truth.bend), strict=False):
        assert abs(row["bend"]["value"] - bend) <= 2 * row["bend"]["u95"]
    assert abs(record["rod"]["cut_length"]["value"] - truth.cut_length) < 0.5
    assert {"marks.pdf", "cloud.ply", "sketch.pdf"} <= {p.name for p in (tmp_path / "out").iterdir()}
    assert record["rod"]["cautions"]
    again = edgewright(
        "rod", "-o", tmp_path / "again", "--rod-diameter", rod, "--schedule", tmp_path / "out" / "results.json"
    )
    assert again.code == 0, again
    back = json.loads((tmp_path / "again" / "results.json").read_text())["rod"]
    assert back["cut_length"]["value"] == pytest.approx(record["rod"]["cut_length"]["value"], abs=1e-6)


def test_inch_list(edgewright, tmp_path, world) -> None:
    points, truth, rod = world.touched_rod(12)
    file = _write(tmp_path / "hook.csv", points, None, 1 / 25.4)
    words = ["--unit", "inch", "--rod-diameter", rod, "--radius", truth.radius[0], "--tip", 3, "--points", "centre"]
    done = edgewright("rod", file, "-o", tmp_path / "out", *words, "--json")
    assert done.code == 0, done
    assert abs(json.loads(done.out)["rod"]["cut_length"]["value"] - truth.cut_length) < 0.5


def test_strip_is_full_size(edgewright, tmp_path) -> None:
    """Drawn bend marks in PDF points over 72/25.4 lie where the schedule says (ISO 32000-1, 8.3.2.3)."""
    import pypdf

    edgewright("rod", "-o", tmp_path / "out", "--rod-diameter=8", "--radius=24", "--schedule=76:0:90;32:90:90;36")
    reader = pypdf.PdfReader(tmp_path / "out" / "marks.pdf")
    assert len(reader.pages) == 2  # from either end
    rows = [line.split() for line in reader.pages[0].get_contents().get_data().decode("latin-1").splitlines()]
    moves = [[float(row[0]), float(row[1])] for row in rows if len(row) == 3 and row[2] == "m"]
    lines = [[float(row[0]), float(row[1])] for row in rows if len(row) == 3 and row[2] == "l"]
    across = sorted({round(a[0] / 72 * 25.4, 2) for a, b in zip(moves, lines, strict=False) if abs(a[0] - b[0]) < 0.01})
    start = across[0] if across[0] >= 11 else across[1]
    first = 76 + 12.0
    for mark in (first, first + 24 * math.pi / 2):
        assert min(abs(x - mark) for x in across) < 0.03, (start, across)
    height = max(abs(a[1] - b[1]) for a, b in zip(moves, lines, strict=False)) / 72 * 25.4
    assert height == pytest.approx(8 * math.pi, abs=0.03)


BAD = {
    "nothing given": [],
    "two inputs": ["--corners=0,0,0;100,0,0;100,80,0", "--schedule=76:0:90;32"],
    "no radius": ["--corners=0,0,0;100,0,0;100,80,0"],
    "die below two diameters": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=12"],
    "zero rod": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=24", "--rod-diameter=0"],
    "negative rod": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=24", "--rod-diameter=-8"],
    "rod in words": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=24", "--rod-diameter=thin"],
    "coupon text": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=24", "--coupon=90"],
    "coupon grows": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=24", "--coupon=86:90"],
    "bend past 180 on the die": ["--schedule=76:0:170;32", "--radius=24", "--coupon=90:70"],
    "negative grip": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=24", "--grip=-1"],
    "NaN die height": ["--corners=0,0,0;100,0,0;100,80,0", "--radius=24", "--die-height=nan"],
    "schedule file amiss": ["--schedule=pyproject.toml", "--radius=24"],
    "tip without bound": ["list.csv", "--radius=24", "--tip=3", "--tip-u=inf"],
    "list without names": ["list.csv", "--radius=24"],
    "list not there": ["nowhere.csv", "--radius=24"],
}


@pytest.mark.parametrize("case", BAD)
def test_bad_input_is_one_clear_line(case: str, edgewright, tmp_path, monkeypatch) -> None:
    monkeypatch.chdir(tmp_path)
    (tmp_path / "list.csv").write_text("# unit: mm\nx,y,z\n0,0,0\n1,0,0\n0,1,0\n")
    (tmp_path / "pyproject.toml").write_text("[a]\n")
    done = edgewright("rod", "-o", tmp_path / "out", "--rod-diameter=8", *BAD[case])
    assert done.code == 2, done
    assert len(done.err.strip().splitlines()) == 1
    assert len(done.err) > 30
    assert not (tmp_path / "out").exists()
