"""Whether tip and unit are what was said: told from balls and pins, and the ways to type them."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.arm.probing import ProbeOptions, measure
from fit.errors import InputError

Run = Callable[..., Any]
TIES = ("ball_*",)


@pytest.fixture(scope="module")
def flange(root: Path) -> list[Path]:
    return [root / "sample_sets/tower_flange" / name for name in ("place_1.csv", "place_2.csv")]


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"points": "centre", "tip": 4.0}, None),
        ({"points": "surface", "tip": 4.0}, "missing"),
        ({"points": "centre", "tip": 4.0, "reversed": True}, "point to the surface"),
        ({"points": "centre", "tip": 8.0}, "twice the tip"),
    ],
)
def test_a_wrong_correction_is_noticed(given: dict[str, Any], words: str | None, tmp_path: Path) -> None:
    """Balls of half an inch touched with a tip of 4 mm, the list holding tip centres."""
    rng = np.random.default_rng(8)
    sign = -1 if given.pop("reversed", False) else 1
    rows = ["# unit: mm", "x,y,z,i,j,k,feature"]
    for name, place in (("ball_1", [0, 0, 0]), ("ball_2", [90, 10, 5])):
        out = rng.normal(size=(15, 3))
        out[:, 2] = np.abs(out[:, 2])
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        for tip, way in zip(np.array(place) + 8.35 * out + rng.normal(0, 0.01, (15, 3)), sign * out, strict=True):
            rows.append(",".join(f"{v:.4f}" for v in (*tip, *way)) + f",{name}")
    path = tmp_path / "list.csv"
    path.write_text("\n".join(rows) + "\n")
    notices = [
        notice for notice in measure([path], ProbeOptions(**given)).results.warnings if notice.code == "tip-side"
    ]
    assert len(notices) == (words is not None)
    assert words is None or words in notices[0].text


@pytest.mark.parametrize("size", ["-25", "0", "nan", "1e9", "big", "2000"])
def test_a_ball_of_no_size_is_refused(size: str, flange: list[Path]) -> None:
    given = ProbeOptions(points="centre", ties=TIES, tip_ball=f"ball_1={size}")
    with pytest.raises(InputError, match=f"--tip-ball ball_1={size}: .*(must be above 0|is not a length)"):
        measure(flange, given)


@pytest.mark.parametrize(("ball", "told"), [(15.0, False), (14.3, True)])
def test_a_typed_tip_that_its_ball_contradicts_is_told(ball: float, told: bool, flange: list[Path]) -> None:
    """The balls are of 15 mm, the tip of 5 mm."""
    given = ProbeOptions(points="centre", ties=TIES, tip=5.0, tip_ball=f"ball_1={ball}")
    notices = measure(flange, given).results.warnings
    found = [notice.text for notice in notices if notice.code == "tip-side" and "--tip says 5 mm" in notice.text]
    assert bool(found) == told


def touched_round(path: Path, centres: dict[str, list[float]], size: float, scale: float, ring: bool = False) -> Path:
    """Tip centres from outside on balls, or rings of pins, that span `size` mm; written in mm / scale, no unit said."""
    rng = np.random.default_rng(4)
    rows = ["x,y,z,i,j,k,feature"]
    for name, place in centres.items():
        out = rng.normal(size=(15, 3)) * ([1, 1, 0] if ring else [1, 1, 1])
        out /= np.linalg.norm(out, axis=1, keepdims=True)
        for tip, way in zip(np.array(place) + size / 2 * out + rng.normal(0, 0.01, (15, 3)), out, strict=True):
            rows.append(",".join(f"{v:.5f}" for v in (*(tip / scale), *way)) + f",{name}")
    path.write_text("\n".join(rows) + "\n")
    return path


@pytest.mark.parametrize(
    ("scale", "unit", "tip", "doubted"),
    [
        (25.4, "mm", 6.0, True),
        (25.4, "inch", 6.0, False),
        (1.0, "mm", 6.0, False),
        (1.0, "inch", 6.0, True),
        (25.4, "mm", None, True),
        (25.4, "inch", None, False),
        (1.0, "inch", None, True),
    ],
)
def test_a_unit_that_no_ball_fits_is_doubted(
    scale: float, unit: str, tip: float | None, doubted: bool, tmp_path: Path
) -> None:
    """Balls of half an inch, 12.7 mm by definition of the inch (1959), written in inches or mm and read as either."""
    path = touched_round(tmp_path / "list.csv", {"ball_1": [0, 0, 0], "ball_2": [90, 10, 5]}, 12.7 + (tip or 0), scale)
    given = ProbeOptions(unit=unit, tip=tip, points="centre" if tip else "surface")
    notices = [notice for notice in measure([path], given).results.warnings if notice.code == "unit-doubt"]
    assert len(notices) == doubted
    if doubted:
        other = "inches" if unit == "mm" else "mm"
        assert "ball_1: its touches span" in notices[0].text
        assert f"read in {other} they make one of 12.7 mm" in notices[0].text


@pytest.mark.parametrize(("scale", "doubted"), [(25.4, True), (1.0, False)])
def test_a_unit_in_which_the_tip_could_not_run_outside_is_doubted(scale: float, doubted: bool, tmp_path: Path) -> None:
    """A pin of 17 mm, no usual size, and a tip of 6 mm: in inches its centres span 0.91, which as mm is no way round."""
    path = touched_round(tmp_path / "list.csv", {"pin_1": [0, 0, 0]}, 17.0 + 6.0, scale, ring=True)
    given = ProbeOptions(unit="mm", tip=6.0, points="centre", fits=("pin_*=circle",))
    notices = [notice for notice in measure([path], given).results.warnings if notice.code == "unit-doubt"]
    assert len(notices) == doubted
    assert not doubted or "read in inches it is 17 mm wide" in notices[0].text


@pytest.mark.parametrize(("scale", "unit"), [(25.4, "mm"), (1.0, "inch")])
def test_a_unit_that_the_touches_cannot_tell_is_not_doubted(scale: float, unit: str, tmp_path: Path) -> None:
    """A hole of 30 mm touched with a tip of 3 mm: any size is right for a hole."""
    rng = np.random.default_rng(5)
    turn = rng.uniform(0, 2 * np.pi, 20)
    xyz = np.column_stack([13.5 * np.cos(turn), 13.5 * np.sin(turn), rng.normal(0, 0.005, 20)]) / scale
    rows = [
        f"{x:.5f},{y:.5f},{z:.5f},{-np.cos(t):.4f},{-np.sin(t):.4f},0,hole"
        for (x, y, z), t in zip(xyz, turn, strict=True)
    ]
    path = tmp_path / "list.csv"
    path.write_text("x,y,z,i,j,k,feature\n" + "\n".join(rows) + "\n")
    found = measure([path], ProbeOptions(unit=unit, tip=3.0, points="centre"))
    assert "unit-doubt" not in [notice.code for notice in found.results.warnings]


@pytest.mark.parametrize("tip", ["6", "6 mm", "0.6cm", '0.2362205"'])
def test_the_tip_takes_any_way_of_writing_a_length(
    tip: str, flange: list[Path], tmp_path: Path, edgewright: Run
) -> None:
    """An inch is 25.4 mm by definition (1959)."""
    out = tmp_path / "out"
    done = edgewright("probe", flange[0], "-o", out, "--tip", tip, "--tip-u", "0.004 mm", "--points", "centre")
    assert done.code == 0
    assert json.loads((out / "results.json").read_text())["probe"]["tip"] == pytest.approx(
        {"diameter": 6.0, "u": 0.004}, abs=1e-6
    )


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (("--tip", "250"), "(--tip) must be above 0 and below 100 mm; got 250 mm"),
        (("--tip", "-6 mm"), "(--tip) must be above 0 and below 100 mm; got -6 mm"),
        (("--tip", "six"), "'--tip': 'six' is not a length"),
        (("--tip", "6", "--tip-u", "7"), "(--tip-u) must be smaller than the tip, 6 mm"),
    ],
)
def test_a_tip_of_no_size_names_its_option(
    given: tuple[str, ...], words: str, flange: list[Path], tmp_path: Path, edgewright: Run
) -> None:
    done = edgewright("probe", flange[0], "-o", tmp_path / "out", *given, "--points", "centre")
    assert done.code == 2
    assert words in done.err
    assert not (tmp_path / "out").exists()
