"""`edgewright seal` from a results.json to a result folder, gaps from every source, and bad input in one line each."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest
from pypdf import PdfReader

from fit.clouds import npz_bytes
from fit.feature import KIND_ORDER, Feature
from fit.points import Points
from fit.resultfile import record_text
from fit.results import Results, results_to_dict
from fit.seal import edge_of, gap_map

CLAY = [5.8, 6.5, 7.0, 7.8, 8.4, 9.0, 9.8, 7.2]


@pytest.fixture
def here(tmp_path, made, monkeypatch):
    hatch = made.rounded_rectangle(520, 340, 60, u=0.05).renamed("hatch")
    lid = made.rounded_rectangle(520 + 16, 340 + 16, 68, u=0.05).renamed("lid")
    walk = made.walk([80, (30, 90), 60], u=0.05).renamed("walk")
    level = np.array([0, 0, -8.5, 0, 0, 1.0])
    face = Feature("face", "plane", KIND_ORDER["plane"], level, np.zeros((6, 6)), np.zeros((0, 6)), ())
    features = [hatch, lid, walk, face]
    (tmp_path / "results.json").write_text(
        record_text(results_to_dict(Results("axes of the frame", features=features)))
    )
    total = hatch["length"]
    rows = [f"{k * total / 8:.2f}, {gap}" for k, gap in enumerate(CLAY)]
    (tmp_path / "clay.csv").write_text("# mm\nalong, thickness\n" + "\n".join(rows) + "\n")
    monkeypatch.chdir(tmp_path)
    return tmp_path


def record_of(edgewright, *arguments, code=0):
    outcome = edgewright("seal", "results.json", "--path", "hatch", "-o", "out", "--json", *arguments)
    assert outcome.code == code, outcome.err
    return json.loads(outcome.out)


def codes(record) -> set[str]:
    return {warning["code"] for warning in record["warnings"]}


def test_bulb_seal_round_a_hatch(edgewright, here):
    # acceptance scenario: 12 mm bulb on a line 3.5 mm out, clay 5.8 to 9.8 mm
    record = record_of(edgewright, "--offset", "3.5", "--gap", "clay.csv", "--free", "12")
    table = record["seal"]
    grown = table["length"]["value"] - table["edge_length"]["value"]
    assert grown == pytest.approx(2 * math.pi * 3.5)
    assert table["length_change_per_mm"] == pytest.approx(2 * math.pi)
    assert table["length"]["u95"] == pytest.approx(table["edge_length"]["u95"])
    allowance = min(0.005 * table["length"]["value"], 10)
    assert table["cut_length"]["value"] == pytest.approx(table["length"]["value"] + allowance)
    outside = [place for place in table["compression"] if place["verdict"] == "outside"]
    assert [place["gap"]["value"] for place in outside] == [5.8, 9.8]
    assert {"seal-loose", "seal-tight", "bend-limit-unknown", "gap-u-unknown", "edge-not-seal-line"} <= codes(record)
    assert table["joint"]["straight"]
    assert not table["free_height_for_all"]["exists"]


def test_people_read_one_unit_and_no_contact(edgewright, here):
    done = edgewright("seal", "results.json", "--path", "hatch", "-o", "out", "--offset", "-3.5", "--gap", "13",
                      "--free", "12", "--unit-out", "inch")  # fmt: skip
    table = done.out.partition("edge-not-seal-line")[0]
    assert "0.138 in in of the edge" in table
    assert "no contact    at 2 of 2 places the gap is wider than the seal" in table
    assert "0.512 in to 0.512 in" in table
    assert not re.search(r"\d mm\b", table.replace("at most 10 mm", ""))


def test_profile_sheet_goes_before_practice(edgewright, here):
    arguments = ("--offset", "3.5", "--bend-inside", "40", "--bend-outside", "40", "--free", "12")
    record = record_of(edgewright, *arguments)
    assert not {"bend-limit-unknown", "bend-too-tight"} & codes(record)
    assert record["seal"]["corners"][0]["limit_from"] == "profile's sheet"
    tighter = record_of(edgewright, *arguments[:-4], "--bend-outside", "70", "--free", "12", code=3)
    assert "bend-too-tight" in codes(tighter)


def test_common_practice_is_advice_and_no_verdict(edgewright, here):
    corner = record_of(edgewright, "--offset", "3.5", "--free", "15")["seal"]["corners"][0]
    assert "verdict" not in corner
    assert corner["advice"]["words"] == "too tight"  # 75 asked for by 5 x 15, common practice, no source


def test_allowance_and_class_of_the_shop(edgewright, here):
    percent = record_of(edgewright, "--offset", "0", "--allowance", "1%")["seal"]
    assert percent["allowance"] == pytest.approx(0.01 * percent["length"]["value"])
    fixed = record_of(edgewright, "--offset", "0", "--allowance", '1/4"', "--class", "L2")["seal"]
    assert fixed["allowance"] == pytest.approx(6.35)
    assert fixed["cut_tolerance"]["limit"] == 10


def test_joint_in_a_corner_is_warned_of(edgewright, here):
    assert "joint-in-corner" in codes(record_of(edgewright, "--offset", "0", "--joint", "410"))
    assert "joint-in-corner" not in codes(record_of(edgewright, "--offset", "0", "--joint", "200"))


def test_range_from_a_coupon(edgewright, here):
    asked = ("--offset", "0", "--gap", "8±0.5", "--free", "12±0.3", "--range", "30:36")
    table = record_of(edgewright, *asked, code=3)["seal"]
    assert {place["verdict"] for place in table["compression"]} == {"not proven"}
    u = math.hypot(0.5 / math.sqrt(3) / 12, 8 * 0.3 / math.sqrt(3) / 144)
    assert table["compression"][0]["percent"]["u95"] == pytest.approx(100 * 1.96 * u, rel=1e-3)


@pytest.mark.parametrize(
    ("arguments", "code", "words"),
    [
        (("--gap", "8", "--gap-u", "0.1", "--range", "20:50"), 0, "compression 20 to 50 % met"),
        (("--gap", "8", "--range", "20:50"), 3, "not proven at 2 of 2 places"),
        (("--gap", "clay.csv", "--gap-u", "0.1", "--range", "20:50"), 3, "missed at 2 of 8 places"),
        (("--range", "20:50",), 3, "compression 20 to 50 % not proven"),
        (("--gap", "clay.csv", "--gap-u", "0.1"), 0, ""),
        (("--bend-outside", "60.01"), 3, "bulb outside not proven"),
        (("--bend-outside", "50"), 0, "bulb outside met"),
    ],
)  # fmt: skip
def test_exit_code_tells_whether_demanded_limits_are_met(edgewright, here, arguments, code, words):
    asked = ("--path", "hatch", "--offset", "3.5", "--free", "12", *arguments)
    outcome = edgewright("seal", "results.json", "-o", "out", *asked)
    assert outcome.code == code, outcome.err
    assert words in outcome.out
    assert ("demanded  " in outcome.out) == bool(words)
    assert len([line for line in outcome.out.splitlines() if "exit code 3" in line]) == (code == 3)


@pytest.mark.parametrize(("gap", "value"), [("results.json@lid", 8.0), ("results.json@face", 8.5), ("lid.npz", 8.0)])
def test_gap_measured_to_the_other_side(here, made, gap, value):
    hatch = made.rounded_rectangle(520, 340, 60, u=0.05)
    lid = edge_of(made.walk([400, (68, 90), 220, (68, 90), 400, (68, 90), 220, (68, 90)], (0, -8), closed=True))
    (here / "lid.npz").write_bytes(npz_bytes(Points(lid.places(np.linspace(0, 1667, 8000)), noise=0.02)))
    from dataclasses import replace

    from fit.resultfile import read_results

    if gap.endswith("lid"):  # lay the lid round the hatch: its first straight starts 8 mm below the hatch's
        results = read_results("results.json")
        placed = made.walk([400, (68, 90), 220, (68, 90), 400, (68, 90), 220, (68, 90)], (0, -8), closed=True, u=0.05)
        changed = replace(results, features=[placed.renamed("lid")])
        (here / "results.json").write_text(record_text(results_to_dict(changed)))
    gaps = gap_map(edge_of(hatch), gap)
    assert gaps.gap == pytest.approx(np.full(len(gaps.at), value), abs=0.01)
    assert 0 <= gaps.u.min() < 0.3  # the made arcs' normals are loose, so the plane is far less sure at the corners
    assert len(gaps.at) > 100


def test_open_path_by_hand(edgewright, here):
    outcome = edgewright("seal", "results.json", "--path", "walk", "--offset", "5", "--side", "right", "-o", "out")
    assert outcome.code == 0, outcome.err
    assert "+7.85 mm" in outcome.out  # 5 mm over a quarter turn
    assert "latch" in outcome.out
    assert "joint" not in json.loads((here / "out/results.json").read_text())["seal"]


def test_drawing_is_read_back_with_both_lines(edgewright, here):
    import ezdxf

    record = record_of(edgewright, "--offset", "3.5")
    drawing = ezdxf.readfile(here / "out/sketch.dxf")
    lengths = {}
    for line in drawing.modelspace().query("LWPOLYLINE"):
        pieces = list(line.virtual_entities())
        total = sum(
            piece.dxf.start.distance(piece.dxf.end)
            if piece.dxftype() == "LINE"
            else piece.dxf.radius * math.radians((piece.dxf.end_angle - piece.dxf.start_angle) % 360)
            for piece in pieces
        )
        lengths[line.dxf.layer] = max(total, lengths.get(line.dxf.layer, 0.0))
    assert lengths["mark"] == pytest.approx(record["seal"]["length"]["value"], abs=1e-6)
    assert lengths["reference"] == pytest.approx(record["seal"]["edge_length"]["value"], abs=1e-6)


def test_sheet_says_where_places_start_and_which_line_is_which(edgewright, here):
    record_of(edgewright, "--offset", "-3.5", "--side", "out")
    words = " ".join(PdfReader(here / "out/sketch.pdf").pages[0].extract_text().split())
    assert "start" in words
    assert "Solid: the seal's own line (layer mark), 3.50 in of the measured edge" in words
    assert "broken lines: for reference" in PdfReader(here / "out/template_1to1.pdf").pages[0].extract_text()


BAD = [
    (("--offset", "wide"), "length"),
    (("--offset", "nan"), "length"),
    (("--offset", ""), "length"),
    (("--offset", "400", "--side", "in"), "by less"),
    (("--offset", "3", "--path", "moon"), "moon"),
    (("--offset", "3", "--path", "face"), "path"),
    (("--offset", "3", "--path", "walk", "--side", "out"), "left or right"),
    (("--offset", "3", "--side", "above"), "--side"),
    (("--offset", "3", "--free", "0"), "free height"),
    (("--offset", "3", "--free", "-4"), "above 0"),
    (("--offset", "3", "--free", "soft"), "length"),
    (("--offset", "3", "--kind", "foam"), "--kind"),
    (("--offset", "3", "--range", "50:20"), "must rise"),
    (("--offset", "3", "--range", "20"), "least:most"),
    (("--offset", "3", "--range", "a:b"), "least:most"),
    (("--offset", "3", "--range", "20:60:50"), "must rise"),
    (("--offset", "3", "--range", "0:50"), "must rise"),
    (("--offset", "3", "--range", "20:120"), "must rise"),
    (("--offset", "3", "--range", "nan:50"), "must rise"),
    (("--offset", "3", "--bend-inside", "0"), "bulb inside"),
    (("--offset", "3", "--bend-inside", "-5"), "length"),
    (("--offset", "3", "--bend-outside", "tight"), "length"),
    (("--offset", "3", "--allowance", "lots"), "length"),
    (("--offset", "3", "--allowance", "50%"), "allowance"),
    (("--offset", "3", "--allowance", "5000"), "allowance"),
    (("--offset", "3", "--joint", "-1"), "joint"),
    (("--offset", "3", "--joint", "99999"), "joint"),
    (("--offset", "3", "--joint", "nan"), "joint"),
    (("--offset", "3", "--class", "L7"), "--class"),
    (("--offset", "3", "--gap", "missing.csv"), "no such file"),
    (("--offset", "3", "--gap", "-8"), "0 or more"),
    (("--offset", "3", "--gap", "thick"), "no such file"),
    (("--offset", "3", "--gap", "empty.csv"), "no thicknesses"),
    (("--offset", "3", "--gap", "words.csv"), "line 2"),
    (("--offset", "3", "--gap", "short.csv"), "line 2"),
    (("--offset", "3", "--gap", "nan.csv"), "line 1"),
    (("--offset", "3", "--gap", "negative.csv"), "line 2"),
    (("--offset", "3", "--gap", "beyond.csv"), "beyond the path"),
    (("--offset", "3", "--gap", "twice.csv"), "same place"),
    (("--offset", "3", "--gap", "header.csv"), "header"),
    (("--offset", "3", "--gap", "one.ply"), "one point"),
    (("--offset", "3", "--gap", "results.json@moon"), "moon"),
    (("--offset", "3", "--gap", "results.json"), "@NAME"),
    (("--offset", "3", "--gap", "8", "--gap-u", "-1"), "--gap-u"),
    (("--offset", "3", "--gap", "8", "--gap-u", "nan"), "--gap-u"),
    (("--offset", "3", "--gap", "8", "--unit", "furlong"), "--unit"),
    (("--offset", "3", "--gap", "empty.csv", "--unit", "inch"), "must agree"),
    (("--offset", "3", "--gap", "results.json@hatch"), "own path"),
    (("--offset", "3", "--free", "12±20"), "smaller than the height"),
    ((), "--offset"),
    (("--offset", "3", "--pieces", "400"), "Give the RESULTS"),
]

FILES = {
    "empty.csv": "# mm\n",
    "words.csv": "0, 8\n10, thick\n",
    "short.csv": "0, 8\n10\n",
    "nan.csv": "0, nan\n10, 8\n",
    "negative.csv": "0, 8\n10, -8\n",
    "beyond.csv": "0, 8\n99999, 8\n",
    "twice.csv": "0, 8\n0, 9\n",
    "header.csv": "apples, pears\n0, 9\n",
    "one.ply": "ply\nformat ascii 1.0\nelement vertex 1\n"
    + "".join(f"property float {k}\n" for k in "xyz")
    + "end_header\n1 2 3\n",
}


@pytest.mark.parametrize(("options", "words"), BAD, ids=[" ".join(options) or "none" for options, _ in BAD])
def test_bad_input_is_one_plain_line(edgewright, here, options, words):
    for name, text in FILES.items():
        (here / name).write_text(text)
    path = () if "--path" in options else ("--path", "hatch")
    outcome = edgewright("seal", "results.json", *path, *options, "-o", "out")
    assert (outcome.code, outcome.err.count("\n")) == (2, 1), outcome
    assert words in outcome.err
    assert not (here / "out").exists()


@pytest.mark.parametrize("name", ["missing.json", "noise.json", "other.json", "damaged.json"])
def test_bad_result_file_is_one_plain_line(edgewright, here, name):
    (here / "noise.json").write_bytes(b"\0\xff\3")
    (here / "other.json").write_text('{"format": "something else"}')
    (here / "damaged.json").write_text('{"format": "edgewright-results", "version": 1, "features": 3}')
    outcome = edgewright("seal", name, "--offset", "3", "-o", "out")
    assert (outcome.code, outcome.err.count("\n")) == (2, 1), outcome
    assert name in outcome.err


def test_several_paths_must_be_told_apart(edgewright, here):
    outcome = edgewright("seal", "results.json", "--offset", "3", "-o", "out")
    assert outcome.code == 2
    assert "'hatch', 'lid', 'walk'" in outcome.err


def test_a_table_of_plain_values_asks_for_the_same_seal(edgewright, here):
    from fit.resultfile import read_results
    from fit.seal import seal_table
    from fit.seal.job import plan_seal

    table = {
        "path": "hatch",
        "offset": 3.5,
        "free": 12,
        "gap": "clay.csv",
        "gap_u": 0.2,
        "range": "20:35:50",
        "joint": 100,
    }
    plan = plan_seal(read_results("results.json"), table)
    arguments = (
        "--offset",
        "3.5",
        "--free",
        "12",
        "--gap",
        "clay.csv",
        "--gap-u",
        "0.2",
        "--range",
        "20:35:50",
        "--joint",
        "100",
    )
    assert json.loads(record_text(seal_table(plan))) == record_of(edgewright, *arguments, code=3)["seal"]
