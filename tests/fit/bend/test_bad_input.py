"""Bad input to the bend calculator: one clear line each, exit code 2, nothing written."""

from __future__ import annotations

import json

import pytest

GOOD = {"--legs": "50,30", "--angles": "90", "--radius": "3", "--thickness": "2", "--k": "0.44"}

BAD = {
    "negative thickness": {"--thickness": "-2"},
    "zero thickness": {"--thickness": "0"},
    "NaN thickness": {"--thickness": "nan"},
    "no thickness": {"--thickness": None},
    "thickness in inches": {"--thickness": "50"},
    "thickness too small": {"--thickness": "0.002"},
    "two thicknesses": {"--thickness": "2,3"},
    "thickness in words": {"--thickness": "thick"},
    "gauge without metal": {"--thickness": "16 ga"},
    "gauge of unknown metal": {"--thickness": "16 ga cheese"},
    "gauge out of table": {"--thickness": "99 ga steel"},
    "angle over 180": {"--angles": "190"},
    "angle of 180 to a sharp corner": {"--angles": "180"},
    "angle zero": {"--angles": "0"},
    "angle NaN": {"--angles": "nan"},
    "angle in words": {"--angles": "square"},
    "too many angles": {"--angles": "90,90"},
    "no angles": {"--angles": None},
    "negative radius": {"--radius": "-1"},
    "radius NaN": {"--radius": "nan"},
    "radius in words": {"--radius": "small"},
    "too many radii": {"--radius": "3,3"},
    "no radius": {"--radius": None},
    "leg shorter than set-back": {"--legs": "4,30"},
    "middle leg shorter than two set-backs": {"--legs": "50,9,30", "--angles": "90,90"},
    "negative leg": {"--legs": "-50,30"},
    "zero leg": {"--legs": "0,30"},
    "leg NaN": {"--legs": "nan,30"},
    "one leg": {"--legs": "50"},
    "no legs": {"--legs": None},
    "leg of kilometres": {"--legs": "50000,30"},
    "measured leg without faces": {"--legs": "?,30"},
    "no K": {"--k": None},
    "K over 1": {"--k": "1.4"},
    "K negative": {"--k": "-0.4"},
    "K in words": {"--k": "usual"},
    "K of unknown material": {"--k": "table:cheese"},
    "K of a thickness outside the table": {"--k": "table:stainless", "--thickness": "5", "--radius": "5"},
    "coupon without file": {"--k": "coupon:brake"},
    "coupon of no file": {"--k": "coupon:brake", "--coupons": "nowhere.json"},
    "rule without material": {"--k": "handbook"},
    "K twice, as DIN 6935 counts it": {"--k": "0.74"},
    "coupons not asked for": {"--coupons": "shop.json"},
    "width of a field": {"--width": "1e12"},
    "too many K": {"--k": "0.4,0.4"},
    "springback of unknown material": {"--springback": "table:cheese"},
    "springback outside the table": {"--springback": "table:DC01", "--radius": "0.5"},
    "springback rule unknown": {"--springback": "magic"},
    "springback factor over 1": {"--springback": "factor:1.2"},
    "sheet that only flexes": {"--springback": "elastic:400:70", "--radius": "300", "--legs": "900,900"},
    "width zero": {"--width": "0"},
    "hole in no leg": {"--hole": "a:5:10:10:4"},
    "hole text": {"--hole": "a:1:10"},
    "hole of no size": {"--hole": "a:1:10:10:0"},
    "joggle too steep": {"--joggle": "2:angle=80"},
    "joggle run too short": {"--joggle": "5:run=1"},
    "joggle negative": {"--joggle": "-2"},
    "joggle angle over 90": {"--joggle": "20:angle=120"},
    "curved text": {"--curved": "100:10"},
    "stretched flange wider than its hole": {"--curved": "10:20:in"},
    "faces without results": {"--faces": "a,b"},
}


@pytest.mark.parametrize("case", BAD)
def test_one_clear_line(case: str, edgewright, tmp_path) -> None:
    options = {**GOOD, **BAD[case]}
    words = [f"{key}={value}" for key, value in options.items() if value is not None]
    done = edgewright("bend", "-o", tmp_path / "out", *words)
    assert done.code == 2, done
    assert done.out == ""
    assert len(done.err.strip().splitlines()) == 1
    assert len(done.err) > 30
    assert not (tmp_path / "out").exists()


BAD_COUPONS = {
    "blank longer than legs": {"--blank": "120"},
    "blank far too short": {"--blank": "80"},
    "three legs": {"--legs": "51,51,51"},
    "leg below set-back": {"--legs": "3,51.5"},
    "no blank": {"--blank": None},
    "angle grows on release": {"--tool-angle": "80"},
    "store in no folder": {"--store": "/nowhere/shop.json"},
}


@pytest.mark.parametrize("case", BAD_COUPONS)
def test_bad_coupons(case: str, edgewright, tmp_path) -> None:
    good = {"--coupon": "x", "--blank": "100", "--legs": "51.6,51.5", "--radius": "2", "--thickness": "1.5"}
    words = [f"{key}={value}" for key, value in {**good, **BAD_COUPONS[case]}.items() if value is not None]
    done = edgewright("bend", "-o", tmp_path / "out", *words)
    assert done.code == 2, done
    assert len(done.err.strip().splitlines()) == 1
    assert not (tmp_path / "out").exists()


def test_good_input_writes_the_blank(edgewright, tmp_path) -> None:
    out = tmp_path / "out"
    done = edgewright("bend", "-o", out, *[f"{key}={value}" for key, value in GOOD.items()], "--width", "40")
    assert done.code == 0, done
    record = json.loads((out / "results.json").read_text())
    assert record["bend"]["flat_length"]["value"] == pytest.approx(76.094690, abs=1e-6)
    assert record["bend"]["bends"][0]["direction"] == "up"
    assert (out / "cut_mm.dxf").exists()
    assert record["bend"]["cautions"]


def test_blank_in_dxf_has_outline_and_bend_lines(edgewright, tmp_path) -> None:
    """Read back by ezdxf: one closed outline of the flat's size on layer cut, one line per bend on layer bend."""
    import ezdxf

    out = tmp_path / "out"
    edgewright(
        "bend", "-o", out, "--legs=50,40,30", "--angles=90,-45", "--radius=3", "--thickness=2", "--k=din", "--width=40"
    )
    space = ezdxf.readfile(out / "cut_mm.dxf").modelspace()
    outline = [e for e in space if e.dxf.layer == "cut"]
    lines = sorted(e.dxf.start.x for e in space if e.dxf.layer == "bend")
    record = json.loads((out / "results.json").read_text())["bend"]
    assert [e.dxftype() for e in outline] == ["LWPOLYLINE"]
    assert max(p[0] for p in outline[0].get_points()) == pytest.approx(record["flat_length"]["value"], abs=1e-9)
    assert lines == pytest.approx([bend["line"]["middle"] for bend in record["bends"]], abs=1e-9)
