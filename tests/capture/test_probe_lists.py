"""Point lists as people send them: refused in one line where they are wrong, told where something was mended."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest

from capture.arm.probing import ProbeOptions, measure
from fit.clouds import ply_bytes
from fit.errors import EdgewrightError

HEIGHTS = np.random.default_rng(9).normal(0, 0.02, 16)
FLAT = "# unit: mm\nx,y,z,i,j,k,feature\n" + "".join(
    f"{10 * (k % 4)},{10 * (k // 4)},{height:.4f},0,0,1,deck\n" for k, height in enumerate(HEIGHTS)
)


@pytest.mark.parametrize(
    ("text", "given", "words"),
    [
        ("# unit: mm\nx,y,z\n", {}, "holds no points"),
        (FLAT, {"points": "centre"}, "needs the tip's diameter"),
        (FLAT, {"tip": 3.0}, "add --points centre or --points surface"),
        (FLAT, {"points": "surface", "fits": ("hole=circle",)}, "no feature has that name; there are deck"),
        (FLAT, {"points": "surface", "fits": ("deck=plane@top",)}, "no feature is named 'top'"),
        (FLAT, {"points": "surface", "fits": ("deck=sphere",)}, "'deck' as sphere"),
        (FLAT, {"points": "surface", "datum": "deck,bore,hole"}, "'bore' is neither a fitted feature"),
        (FLAT, {"points": "surface", "datum": "deck"}, "a primary, a secondary and a tertiary"),
        (FLAT, {"points": "surface", "closing": ("close_*",)}, "no feature has such a name"),
        (FLAT, {"points": "surface", "dims": ("d=distance:deck",)}, "between two features; got 1"),
        (FLAT, {"points": "surface", "dims": ("d=distanze:a:b",)}, "Did you mean distance"),
        (FLAT, {"points": "surface", "dims": ("d=length:deck", "d=width:deck")}, "two dimensions have this name"),
        (FLAT, {"points": "surface", "dims": ("deck=symmetry:a:b",)}, "a feature of the lists has this name"),
        (FLAT, {"points": "surface", "sides": ("up",)}, "must be left, right, in or out"),
        (FLAT, {"points": "surface", "sides": ("hole=in",)}, "no feature has that name; there are deck"),
        (FLAT, {"points": "centre", "tip_ball": "ball"}, "no feature is named 'ball'"),
        (FLAT, {"points": "centre", "tip": -1.0}, "must be above 0"),
        ("# unit: mm\n1,2,3,a\n5,5,5,b\n8,1,0,c\n", {"points": "surface"}, "Not one .* 'a': .* single touch.* 1 more"),
        (FLAT.replace("i,j,k,", "").replace("0,0,1,", ""), {"points": "centre", "tip": 3.0}, "no i j k"),
    ],
)  # fmt: skip
def test_bad_input_is_refused_in_words(text: str, given: dict[str, Any], words: str, tmp_path: Path) -> None:
    path = tmp_path / "list.csv"
    path.write_text(text)
    with pytest.raises(EdgewrightError, match=words):
        measure([path], ProbeOptions(**given))


def test_sides_are_said_feature_by_feature(root: Path, tmp_path: Path) -> None:
    """The sample without i j k: what is touched inside gets its own side, the rest the common one."""
    sides = ("out", "top_face=in", "bore=in", "hole_*=in", "slot=in")
    found = []
    for drop in (False, True):
        text = (root / "sample_sets/tower_flange/place_1.csv").read_text()
        rows = [line.split(";") for line in text.splitlines() if not line.startswith("#")]
        bare = tmp_path / f"list_{drop}.csv"
        bare.write_text("# unit: mm\n" + "\n".join(";".join(row[:4] if drop else row) for row in rows))
        options = ProbeOptions(tip=5.0, points="centre", sides=sides if drop else ())
        found.append({f.name: f for f in measure([bare], options).results.features})
    with_ijk, without = found
    for name in ("bore", "hole_1", "ball_1", "outer_edge"):
        key = "radius" if with_ijk[name].kind == "arc" else "diameter"
        assert without[name][key] == pytest.approx(with_ijk[name][key], abs=0.005)


def _told(text: str, folder: Path, **given: Any) -> dict[str, str]:
    path = folder / "list.csv"
    path.write_text(text)
    return {
        notice.code: notice.text for notice in measure([path], ProbeOptions(points="surface", **given)).results.warnings
    }


def test_names_that_differ_in_capitals_are_one_feature(tmp_path: Path) -> None:
    mixed = FLAT.replace("deck\n", "Deck\n", 5).replace("Deck\n", " deck \n", 1)
    told = _told(mixed, tmp_path)
    assert told["names-alike"].endswith("one feature: Deck is deck.")
    assert "undecided" not in told


def test_touches_turned_round_are_told_by_line_and_are_no_strays(tmp_path: Path) -> None:
    turned = FLAT.replace("0,0,1,deck", "0,0,-1,deck", 1)
    told = _told(turned, tmp_path)
    assert told["tip-side"] == ("1 touch of deck left out: i j k to the other side than the rest (list.csv line 3).")
    assert "stray-touch" not in told
    many = _told(FLAT.replace("0,0,1,deck", "0,0,-1,deck", FLAT.count(",deck") * 2 // 5), tmp_path)
    assert "the side itself is in doubt" in many["tip-side"]


def test_touches_that_scatter_as_no_arm_does_are_told(tmp_path: Path) -> None:
    rows = FLAT.replace("# unit: mm\n", "")
    assert "touch-scatter" in _told(rows, tmp_path, unit="inch")
    assert "touch-scatter" not in _told(rows, tmp_path, unit="mm")


@pytest.mark.parametrize("side", [-1, 1])
def test_a_hole_whose_directions_say_outside_is_told(side: int, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    angle = 2 * np.pi * np.arange(8) / 8
    out = np.column_stack([np.cos(angle), np.sin(angle), 0 * angle])
    places = [15, 15, -0.5] + 12 * out + rng.normal(0, 0.02, (8, 3))
    rows = [[*p, *(side * o)] for p, o in zip(places, out, strict=True)]
    hole = "".join(",".join(f"{v:.4f}" for v in row) + ",hole_1\n" for row in rows)
    told = _told(FLAT + hole, tmp_path)
    assert ("by its name the tip was inside" in told.get("tip-side", "")) == (side > 0)


def _listed(parts: dict[str, np.ndarray], path: Path) -> Path:
    """Points by name, as surface points without i j k."""
    rows = [f"{x:.5f},{y:.5f},{z:.5f},{name}" for name, spots in parts.items() for x, y, z in spots]
    path.write_text("# unit: mm\nx,y,z,feature\n" + "\n".join(rows) + "\n")
    return path


def _even_parts(rng: np.random.Generator) -> dict[str, np.ndarray]:
    flat = [np.column_stack([rng.uniform(-60, 60, (20, 2)), np.full(20, 15.0 * k)]) for k in range(3)]
    return {f"face_{k}": spots + rng.normal(0, 0.02, spots.shape) for k, spots in enumerate(flat)}


def test_a_shape_of_few_touches_that_none_tried_explains_stays_open(tmp_path: Path) -> None:
    """Seven touches of a steep cone are too few to try a cone on: the least bad of the others is not taken for it."""
    rng, parts = np.random.default_rng(5), {}
    for k in range(12):
        turn, along = rng.uniform(0, 6.28, 7), rng.uniform(60, 120, 7)
        ring = np.column_stack([np.cos(turn), np.sin(turn), np.zeros(7)])
        parts[f"f_{k}"] = along[:, None] * (0.4 * ring + [0, 0, 1]) + rng.normal(0, 0.02, (7, 3))
    found = measure([_listed(_even_parts(rng) | parts, tmp_path / "a.csv")], ProbeOptions(points="surface"))
    taken = {feature.name: feature.rms for feature in found.results.features if feature.name in parts}
    assert all(rms < 8 * 0.02 for rms in taken.values()), taken
    told = [notice.text for notice in found.results.warnings if notice.code == "undecided"]
    assert any("come no nearer to a shape than" in text for text in told)


def test_a_ball_with_many_strays_is_no_cone(tmp_path: Path) -> None:
    """A freer shape that swallows the strays does not stand against the name."""
    rng, parts = np.random.default_rng(9), _even_parts(np.random.default_rng(9))
    for k in range(16):
        high, turn = rng.uniform(-0.2, 1, 12), rng.uniform(0, 6.28, 12)
        flat = np.sqrt(1 - high**2)
        out = np.column_stack([flat * np.cos(turn), flat * np.sin(turn), high])
        reach = 15.0 + np.where(np.arange(12) < 5, rng.uniform(0.5, 4, 12), 0.0)
        parts[f"ball_{k}"] = reach[:, None] * out + rng.normal(0, 0.02, (12, 3))
    found = measure([_listed(parts, tmp_path / "a.csv")], ProbeOptions(points="surface"))
    kinds = {feature.name: feature.kind for feature in found.results.features if feature.name.startswith("ball")}
    assert set(kinds.values()) == {"sphere"}, kinds


def test_a_result_s_own_cloud_gives_its_features_again(tmp_path: Path) -> None:
    """Few points of a feature know how the whole cloud scatters, as touches of a list do."""
    rng, parts = np.random.default_rng(2), _even_parts(np.random.default_rng(2))
    for k in range(6):
        turn = np.linspace(0, 6, 5) + rng.uniform(0, 6)
        ring = np.column_stack([8 * np.cos(turn) + 20 * k, 8 * np.sin(turn), np.full(5, -0.5)])
        parts[f"hole_{k}"] = ring + rng.normal(0, 0.02, ring.shape)
    fits = ("face_*=plane", "hole_*=circle@face_0")
    first = measure([_listed(parts, tmp_path / "a.csv")], ProbeOptions(points="surface", fits=fits))
    (tmp_path / "cloud.ply").write_bytes(ply_bytes(first.points))
    again = measure([tmp_path / "cloud.ply"], ProbeOptions(points="surface", fits=fits))
    for before, after in zip(first.results.features, again.results.features, strict=True):
        assert (after.name, after.kind, after.on) == (before.name, before.kind, before.on)
        np.testing.assert_allclose(after.values, before.values, atol=1e-9)
        assert after.value("x").u95 == pytest.approx(before.value("x").u95, rel=1e-6)


@pytest.mark.parametrize("move", [0.0, 0.4])
def test_a_face_come_back_to_tells_that_the_base_moved(move: float, tmp_path: Path) -> None:
    rng = np.random.default_rng(4)
    flat = np.column_stack([rng.uniform(-60, 60, (20, 2)), rng.normal(0, 0.02, 20)])
    ring = np.column_stack([9 * np.cos(np.arange(8)), 9 * np.sin(np.arange(8)), np.full(8, -0.5)])
    path = _listed({"deck": flat[:14], "hole_1": ring}, tmp_path / "a.csv")
    later = np.add(flat[14:], [0, 0, move])
    path.write_text(path.read_text() + "".join(f"{x:.5f},{y:.5f},{z:.5f},deck\n" for x, y, z in later))
    found = measure([path], ProbeOptions(points="surface", fits=("deck=plane", "hole_1=circle")))
    told = [notice.text for notice in found.results.warnings if notice.code == "base-moved"]
    assert len(told) == (move > 0)
    assert all("touches of deck from a.csv line 25 on are stray, 0.4" in text for text in told)


def _slots(folder: Path) -> Path:
    """A face, two holes below it, a slot and another with one end that nobody touched; tip 6 mm, centres, inside."""
    rng, parts = np.random.default_rng(3), {}
    parts["top"] = np.column_stack([rng.uniform(-50, 50, (20, 2)), np.full(20, 3.0)]), np.tile([0.0, 0, 1], (20, 1))
    turn = np.radians(np.arange(-60, 61, 30))
    end = np.column_stack([np.cos(turn), np.sin(turn), 0 * turn])
    sides = [[x, y, 0] for x in np.linspace(-10, 10, 6) for y in (1.0, -1.0)]
    inward = [[0.0, -y, 0] for _, y, _ in sides]
    for name, ends in (("slot_1", (1, -1)), ("slot_2", (1,))):
        spots = np.vstack([sides, *[e * (end + np.array([10, 0, 0])) for e in ends]])
        spots[:, 0] += 60 * (name == "slot_2")
        parts[name] = spots, np.vstack([inward, *[-e * end for e in ends]])
    round_ = np.column_stack([np.cos(np.arange(8.0)), np.sin(np.arange(8.0)), np.zeros(8)])
    parts |= {f"hole_{k}": ([40 * k, -40, 0] + 5 * round_, -round_) for k in (1, 2)}
    rows = [
        ",".join(f"{v:.4f}" for v in (*(spot + rng.normal(0, 0.01, 3)), *way)) + f",{name}\n"
        for name, (spots, ways) in parts.items()
        for spot, way in zip(spots, ways, strict=True)
    ]
    path = folder / "list.csv"
    path.write_text("# unit: mm\nx,y,z,i,j,k,feature\n" + "".join(rows))
    return path


def test_a_slot_with_a_bare_end_is_told_and_the_rest_is_measured(tmp_path: Path) -> None:
    """What is asked of it goes with it; a frame cannot be built on it; a misspelt name is still refused."""
    path = _slots(tmp_path)
    dims = (
        "apart=distance:slot_1:slot_2",
        "off=distance:slot_1:hole_1",
        "mid=symmetry:slot_2:hole_1",
        "of=offset:hole_1:mid",
    )

    def found(**given: Any) -> Any:
        return measure([path], ProbeOptions(tip=6.0, points="centre", fits=("slot_*=slot",), **given)).results

    results = found(dims=dims)
    assert {feature.name for feature in results.features} == {"top", "slot_1", "hole_1", "hole_2"}
    assert [dimension.name for dimension in results.dimensions] == ["off"]
    told = {(notice.code, notice.feature): notice.text for notice in results.warnings}
    assert "One end of the slot is seen only up to" in told["not-measured", "slot_2"]
    assert "'slot_2' was not measured" in told["dimension-left-out", "apart"]
    assert "'mid' was not measured" in told["dimension-left-out", "of"]
    with pytest.raises(EdgewrightError, match=r"'slot_2' was not measured\. .*One end of the slot"):
        found(datum="top,slot_2,hole_1")
    with pytest.raises(EdgewrightError, match="no fitted feature is named 'slot_3'"):
        found(dims=("far=distance:slot_3:hole_1",))


def test_what_lies_in_a_face_that_was_not_measured_is_left_out_with_it(tmp_path: Path) -> None:
    """Three touches in line make no face."""
    rows = FLAT + "".join(f"{10 * k},80,0,0,0,1,rib\n{10 * k},90,0,0,0,1,edge\n" for k in range(3))
    path = tmp_path / "list.csv"
    path.write_text(rows)
    fits = ("rib=plane", "edge=line@rib")
    results = measure([path], ProbeOptions(points="surface", fits=fits)).results
    told = {notice.feature: notice.text for notice in results.warnings if notice.code == "not-measured"}
    assert [feature.name for feature in results.features] == ["deck"]
    assert "in line" in told["rib"] and "the plane it lies in, 'rib', was not measured" in told["edge"]


def test_points_that_no_arm_can_have_touched_are_told(tmp_path: Path) -> None:
    """Computed points scatter by nothing, so their ± is nothing; beside real touches they borrow those touches' scatter."""
    exact = "".join(f"{10 * (k % 4)},{80 + 10 * (k // 4)},5,0,0,1,ledge\n" for k in range(12))
    told = {}
    for name, rows in (("exact", "# unit: mm\nx,y,z,i,j,k,feature\n" + exact), ("both", FLAT + exact), ("real", FLAT)):
        (tmp_path / f"{name}.csv").write_text(rows)
        results = measure([tmp_path / f"{name}.csv"], ProbeOptions(points="surface")).results
        told[name] = [notice.text for notice in results.warnings if notice.code == "exact-touches"]
    assert "No touch of ledge" in told["exact"][0] and not told["both"] and not told["real"]
