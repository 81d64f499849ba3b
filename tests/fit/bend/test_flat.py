"""Flat blanks, coupons, measured faces: figures and their U95."""

from __future__ import annotations

import math

import numpy as np
import pytest

from fit.bend.coupon import coupon_of_measures, read_coupon, store_coupon
from fit.bend.faces import measure_faces
from fit.bend.flat import BendPart, Input, develop
from fit.bend.rule import Setting, rule_of
from fit.feature import KIND_ORDER, Feature

RIGHT = Input(math.pi / 2)


def part(legs, angles, **more) -> BendPart:
    given = {"radius": [Input(3.0)], "thickness": Input(2.0), "k": (0.44,)}
    return BendPart([Input(leg) for leg in legs], [Input(math.radians(a)) for a in angles], **{**given, **more})


def test_l_bracket() -> None:
    """Worked bend deduction: R 3, T 2, K 0.44, legs 50 and 30: flat 76.094690 (definition)."""
    blank = develop(part([50, 30], [90]))
    assert blank.length == pytest.approx(76.0946897479642, abs=1e-9)
    assert blank.u95 == 0.0
    assert blank.lines[0].tolist() == pytest.approx([45.0, 48.047345, 51.094690], abs=1e-6)


def test_legs_to_each_corner_give_one_blank() -> None:
    """The same part dimensioned outside, inside, by flats and on the marked face."""
    sharp = develop(part([50, 40, 30], [60, -75]))
    tan1, tan2 = math.tan(math.radians(30)), math.tan(math.radians(37.5))
    inside = develop(part([50 - 2 * tan1, 40 - 2 * tan1 - 2 * tan2, 30 - 2 * tan2], [60, -75], legs_to="inside"))
    flat = develop(part(sharp.flats, [60, -75], legs_to="flat"))
    marked = develop(part([50 - 2 * tan1, 40 - 2 * tan1, 30], [60, -75], legs_to="marked"))
    assert [b.length for b in (inside, flat, marked)] == pytest.approx([sharp.length] * 3, abs=1e-9)


def test_hem_of_180_degrees_by_its_tangent() -> None:
    """Legs to the outer tangent: flat = legs − 2 (R + T) + π (R + K T) (DIN 6935's convention past 90°)."""
    blank = develop(part([50, 20], [180], legs_to="tangent"))
    assert blank.length == pytest.approx(70 - 2 * 5 + math.pi * (3 + 0.88))


def test_typed_limit_holds_95_percent() -> None:
    """One rectangular input: the half width that holds 95 % is 0.95 of the limit, not 1.96/√3 of it (JCGM 101)."""
    blank = develop(part([50, 30], [90], k_error=Input(0.0, limit=0.05)))
    assert blank.u95 == pytest.approx(0.95 * math.pi / 2 * 2 * 0.05, rel=0.01)
    assert blank.budget == {"K": pytest.approx(blank.u95)}


def test_common_errors_add_up_over_bends() -> None:
    """K and thickness are the same sheet's in every bend: four bends carry four times one bend's error."""
    one = develop(part([50, 50], [90], k_error=Input(0.0, u=0.02)))
    four = develop(part([50] * 5, [90] * 4, k_error=Input(0.0, u=0.02)))
    assert four.u95 == pytest.approx(4 * one.u95, rel=0.01)


@pytest.mark.parametrize("seed", range(4))
def test_u95_of_the_blank_covers(seed: int) -> None:
    """4000 parts made within the typed limits: 93 to 97 % of flat lengths lie inside U95."""
    random = np.random.default_rng(seed)
    count = int(random.integers(1, 5))
    legs = [Input(float(leg), 0.2) for leg in random.uniform(30, 80, count + 1)]
    angles = [Input(float(a), math.radians(0.5)) for a in random.uniform(0.5, 1.6, count)]
    made = BendPart(legs, angles, [Input(2.0, 0.2)], Input(1.5, 0.05), (0.42,), Input(0.0, u=0.02))
    blank = develop(made)
    inside = 0
    for _ in range(4000):
        true_legs, true_angles = ([item.draws(random, 1)[0] for item in items] for items in (legs, angles))
        r, t, k = (item.draws(random, 1)[0] for item in (made.radius[0], made.thickness, Input(0.42, u=0.02)))
        setback = sum(2 * (r + t) * math.tan(a / 2) for a in true_angles)
        length = sum(true_legs) - setback + sum(a * (r + k * t) for a in true_angles)
        inside += abs(length - blank.length) <= blank.u95
    assert 0.93 <= inside / 4000 <= 0.97


def test_coupon_gives_k_deduction_and_springback() -> None:
    """100.0 blank, legs 51.6 and 51.5, R 2, T 1.5: deduction 3.1 by definition, K = ((100 − 96.1)/(π/2) − 2)/1.5."""
    coupon = coupon_of_measures(
        "brake 1.5", Input(100, 0.05), (Input(51.6, 0.05), Input(51.5, 0.05)), Input(2, 0.1), Input(1.5, 0.02),
        tool_angle=math.radians(93),
    )  # fmt: skip
    assert coupon.deduction == pytest.approx(3.1)
    assert coupon.k == pytest.approx(((100 - (103.1 - 7)) / (math.pi / 2) - 2) / 1.5)
    assert coupon.springback == pytest.approx(90 / 93)
    assert coupon.u_k_same < coupon.u_k


def test_coupon_beats_the_table_and_keeps_the_blank_within_0_6(tmp_path) -> None:
    """Tray of 1.5 mm 5052 with four bends from that coupon: U95 of the blank stays under 0.6 mm."""
    coupon = coupon_of_measures(
        "brake", Input(100, 0.05), (Input(51.6, 0.05), Input(51.5, 0.05)), Input(2, 0.1), Input(1.5, 0.02)
    )
    store_coupon(tmp_path / "shop.json", coupon)
    assert read_coupon(tmp_path / "shop.json", "brake") == coupon
    setting = Setting([math.pi / 2] * 4, [2.0], 1.5, "5052-H32", str(tmp_path / "shop.json"))
    rule = rule_of("coupon:brake", setting)
    blank = develop(
        BendPart([Input(x) for x in (12, 25, 80, 25, 12)], [RIGHT] * 4, [Input(2.0)], Input(1.5), rule.k, rule.error)
    )
    assert blank.length == pytest.approx(154 - 4 * 3.1)
    assert 0 < blank.u95 < 0.6


def test_rules_by_name() -> None:
    right = Setting([math.pi / 2, math.pi / 2], [4.0], 2.0, "aluminium")
    assert rule_of("din", right).k == pytest.approx([0.5 * (0.65 + 0.5 * math.log10(2))] * 2)
    assert rule_of("table:aluminium", right).k == (0.40,)
    assert rule_of("handbook:aluminium", right).k[0] == pytest.approx(0.407437)
    assert rule_of("0.44±0.02", right).error.limit == 0.02
    assert [n.code for n in rule_of("0.44", right).notices] == ["k-assumed"]


def _plane(name, point, normal, u=0.01, seed=0) -> Feature:
    normal = np.asarray(normal, float) / np.linalg.norm(normal)
    cov = np.zeros((6, 6))
    cov[:3, :3] = u**2 * np.outer(normal, normal)
    across = np.eye(3) - np.outer(normal, normal)
    cov[3:, 3:] = (u / 20) ** 2 * across
    return Feature(name, "plane", KIND_ORDER["plane"], np.concatenate([point, normal]), cov, np.zeros((0, 6)), ())


def _channel(flange_deg: float) -> list[Feature]:
    """Web 60 mm in z = 0, flanges up by an angle at both ends; inner faces touched."""
    a = math.radians(flange_deg)
    out = [-math.cos(a), 0, math.sin(a)]
    left = _plane("left", np.array([-30.0, 0, 0]) + 15 * np.array(out), np.cross(out, [0, 1, 0]))
    right = _plane("right", [30 + 15 * math.cos(a), 0, 15 * math.sin(a)], [-math.sin(a), 0, math.cos(a)])
    return [left, _plane("web", [0, 0, 0], [0, 0, 1]), right]


@pytest.mark.parametrize("flange", [60.0, 90.0, 120.0])
def test_measured_channel(flange: float) -> None:
    """Turn 180° less the opening angle: a flange tilted so far from the web's own plane turns just as far."""
    found = measure_faces(_channel(flange))
    assert [math.degrees(v.value) for v in found.angles] == pytest.approx([flange, flange])
    assert found.legs[0].value == pytest.approx(60.0)
    assert found.angles[0].u95 > 0


def test_measured_z_bends_opposite_ways() -> None:
    left, web, _ = _channel(90.0)
    down = _plane("right", [30, 0, -15], [1, 0, 0])
    found = measure_faces([left, web, down])
    assert [round(math.degrees(v.value)) for v in found.angles] == [90, -90]


def test_u95_of_a_measured_angle_covers() -> None:
    """400 noisy pairs of faces: 95 % inside, within three standard errors; tests/bench counts more."""
    random = np.random.default_rng(8)
    left, web, _ = _channel(70.0)
    inside = 0
    for _ in range(400):
        noisy = [_shaken(face, random) for face in (left, web)]
        value = measure_faces(noisy).angles[0]
        inside += abs(value.value - math.radians(70)) <= value.u95
    assert 0.917 <= inside / 400 <= 0.983


def _shaken(face: Feature, random: np.random.Generator) -> Feature:
    values = random.multivariate_normal(face.values, face.cov_own)
    values[3:] /= np.linalg.norm(values[3:])
    return Feature(face.name, "plane", face.order, values, face.cov_own, face.shared, ())


def test_faces_through_the_command(edgewright, tmp_path) -> None:
    """A channel with a measured 60 mm inner web: flat = legs on the marked face + 2 R tan(A/2) corrections (geometry)."""
    import json

    from fit.outputs import write_result
    from fit.results import Results

    write_result(tmp_path / "in", Results(frame="probe", features=_channel(90.0)))
    words = ["--faces=left,web,right", "--legs=20,?,20", "--radius=3", "--thickness=2", "--k=0.44±0.001"]
    done = edgewright("bend", tmp_path / "in", "-o", tmp_path / "out", *words)
    assert done.code == 0, done
    record = json.loads((tmp_path / "out" / "results.json").read_text())["bend"]
    assert record["flat_length"]["value"] == pytest.approx(100 - 4 * 3 + math.pi * (3 + 0.88), abs=1e-6)
    assert record["bends"][0]["angle"]["value"] == pytest.approx(90.0)
    assert record["bends"][0]["angle"]["u95"] > 0
    assert record["legs"][1]["u95"] > 0


def test_radius_from_a_measured_cylinder(tmp_path) -> None:
    """An outside cylinder of 10 mm diameter over 2 mm sheet is an inside radius of 3 mm."""
    from fit.bend.command import BendOptions, finish
    from fit.errors import InputError
    from fit.outputs import write_result
    from fit.results import Results

    order = KIND_ORDER["cylinder"]
    values = [0, 0, 0, 0, 1, 0, 10.0, 30.0]
    bend = Feature("fold", "cylinder", order, values, np.diag([0.01] * 8) ** 2, np.zeros((0, 8)), ())
    write_result(tmp_path / "in", Results(frame="probe", features=[bend, *_channel(90.0)]))
    given = {"legs": "50,30", "angles": "90", "thickness": "2", "k": "0.44±0.001", "results": str(tmp_path / "in")}
    table = finish(BendOptions(radius="outside:fold", **given)).results.tables["bend"]
    assert table["flat_length"]["value"] == pytest.approx(76.0946897479642)
    assert table["budget"]["radius"] > 0
    with pytest.raises(InputError, match="not a measured cylinder"):
        finish(BendOptions(radius="inside:web", **given))
