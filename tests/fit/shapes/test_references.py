"""Fits against sets whose exact least-squares or minimum-zone answer is known (sources stand in each data file)."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fit.feature import Feature
from fit.points import FloatArray, Points
from fit.shapes import fit_circle, fit_cone, fit_cylinder, fit_line, fit_plane, fit_sphere

REFERENCES = Path(__file__).parents[2] / "references"
FITS = {
    "line2d": fit_line, "line3d": fit_line, "circle2d": fit_circle, "circle3d": fit_circle, "plane": fit_plane,
    "sphere": fit_sphere, "cylinder": fit_cylinder, "cone": fit_cone,
}  # fmt: skip


def sets(name: str) -> list[dict[str, Any]]:
    return list(json.loads((REFERENCES / name).read_text())["sets"])


def points_of(record: dict[str, Any]) -> Points:
    xy = np.loadtxt(REFERENCES / record["file"], delimiter=",", comments=("#", "x"))
    return Points(xy if xy.shape[1] == 3 else np.column_stack([xy, np.zeros(len(xy))]))


def axis_miss(feature: Feature, record: dict[str, Any]) -> tuple[FloatArray, float]:
    """Place across the reference axis of the feature's point (mm) and sine of the angle between directions."""
    axis = np.array(record["axis_direction"], float)
    off = feature.vector(("x", "y", "z")) - np.array(record["axis_point"])
    normal = feature.vector(("nx", "ny", "nz"))
    return off - axis * (axis @ off), float(np.linalg.norm(np.cross(normal, axis)))


def direction(feature: Feature) -> FloatArray:
    along = feature.vector(("x2", "y2", "z2")) - feature.vector(("x1", "y1", "z1"))
    return along / np.linalg.norm(along)


def misses(feature: Feature, record: dict[str, Any]) -> dict[str, float]:
    """Differences from the reference, relative to sizes where they are lengths."""
    kind = record["element"]
    found: dict[str, float] = {}
    if "center" in record:
        centre = np.array([*record["center"], 0.0][:3])
        found["centre"] = float(np.linalg.norm(feature.vector(("x", "y", "z")) - centre)) / record["radius"]
        found["radius"] = feature["diameter"] / 2 / record["radius"] - 1
    if kind in ("circle3d", "plane"):
        found["normal"] = float(
            np.linalg.norm(np.cross(feature.vector(("nx", "ny", "nz")), np.array(record["unit_normal"], float)))
        )
    if kind == "plane":
        offset = feature.vector(("x", "y", "z")) @ np.array(record["unit_normal"], float)
        found["offset"] = offset / float(record["signed_distance_normal_dot_p"]) - 1
    if kind == "cylinder":
        across, sine = axis_miss(feature, record)
        found |= {"axis": float(np.linalg.norm(across)) / record["radius"], "direction": sine}
        found["radius"] = feature["diameter"] / 2 / record["radius"] - 1
    if kind == "cone":
        apex = feature.vector(("x", "y", "z")) - np.array(record["apex"])
        found |= {"apex": float(np.linalg.norm(apex)) / 75.0}
        found["half angle"] = np.degrees(feature["half_angle"]) / record["half_angle_deg"] - 1
    if kind.startswith("line"):
        normal = np.array(record["unit_normal"] + ["0"] if kind == "line2d" else [0, 0, 0], float)
        end = feature.vector(("x1", "y1", "z1"))
        if kind == "line2d":
            found["direction"] = float(direction(feature) @ normal)
            found["offset"] = float(end @ normal) / float(record["signed_distance_normal_dot_p"]) - 1
        else:
            axis = np.array(record["direction"], float)
            found["direction"] = float(np.linalg.norm(np.cross(direction(feature), axis)))
            off = end - np.array(record["point_on_line_T"])
            found["offset"] = float(np.linalg.norm(off - axis * (off @ axis))) / 100
    return found


@pytest.mark.parametrize("record", sets("lsq_reference_solutions.json"), ids=lambda record: record["name"])
def test_least_squares_sets(record: dict[str, Any]) -> None:
    """NPL DITC 211/92 null-space sets, to 1e-9 relative; the 5° and 20° arcs to 1e-9 of their own uncertainty's scale.

    A sum of squares stored in doubles fixes a 5° arc's centre only to its condition number (600) times rounding of
    the coordinates (1e-13 mm), hence the factor.
    """
    feature = FITS[record["element"]](points_of(record))
    slack = max(1.0, *(record.get("u_per_sigma", {"": 1.0}).values()))
    for what, miss in misses(feature, record).items():
        assert abs(miss) < 1e-9 * slack, (what, miss)
    count = float(np.sum(feature.residuals**2))
    assert count == pytest.approx(float(record["sum_sq"]), rel=1e-9) or record["element"] == "circle3d"


@pytest.mark.parametrize("record", sets("mz_reference_solutions.json"), ids=lambda record: record["name"])
def test_minimum_zone_sets(record: dict[str, Any]) -> None:
    """Sets built so that the Chebyshev conditions hold exactly; zone width to 1e-9 relative."""
    feature = FITS[record["element"]](points_of(record), form="minimum-zone")
    narrow = [value for key, value in feature.form.items() if not key.endswith("least_squares")]
    wide = [value for key, value in feature.form.items() if key.endswith("least_squares")]
    assert narrow[0] == pytest.approx(record["zone_width"], rel=1e-9)
    assert wide[0] >= narrow[0]
