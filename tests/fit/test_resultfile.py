"""results.json written and read back, covariances and all."""

from __future__ import annotations

import json
import math
from pathlib import Path
from types import ModuleType

import numpy as np
import pytest

from fit.errors import InputError
from fit.resultfile import read_results, record_text
from fit.results import Dimension, Notice, Results, Source, results_to_dict
from fit.uncertain import Value, propagate


def sample(parts: ModuleType) -> Results:
    """A plate with an outline, holes, a slot, a dimension, an angle, a warning and a calculator's table."""
    made = parts.made_part(7)
    features = [*made.features, parts.slot("slot 90", 10.0, 12.0, (30.0, 8.0), 25.0)]
    value = Value(100.02, 1e-4, np.array([0.01, 0.0]), parts.SHARED, 12.0)
    angle = Value(math.pi / 3, 1e-6, np.array([0.0, 1e-4]), parts.SHARED)
    sizes = [
        Dimension("a to b", "distance", value, ("a", "b"), 100.0, 99.7, 100.3, "inside", {"check": 100.0}),
        Dimension("corner", "angle", angle, ("a", "b"), math.pi / 3),
    ]
    notices = [Notice("short-arc", "Only 22° is seen.", "arc 1"), Notice("print-unknown", "No reading.")]
    return Results(
        "x right", [Source("a.jpg", "ab" * 32)], features, sizes, notices, {"bend": {"k": 0.44}}, {"camera": {"f": 1.0}}
    )


def test_features_come_back_with_their_covariance(tmp_path: Path, parts: ModuleType) -> None:
    """Values, own and shared errors, segments and form are the same to 1e-12 relative."""
    results = sample(parts)
    path = tmp_path / "results.json"
    path.write_text(record_text(results_to_dict(results)), encoding="utf-8")
    read = read_results(path)
    assert [f.name for f in read.features] == [f.name for f in results.features]
    for mine, theirs in zip(read.features, results.features, strict=True):
        for a, b in zip((mine, *mine.segments), (theirs, *theirs.segments), strict=True):
            np.testing.assert_allclose(a.values, b.values, rtol=1e-12)
            np.testing.assert_allclose(a.cov_own, b.cov_own, rtol=1e-11, atol=1e-18)
            np.testing.assert_allclose(a.shared, b.shared, rtol=1e-11, atol=1e-18)
            assert (a.kind, a.order, a.shared_names, a.dof) == (b.kind, b.order, b.shared_names, b.dof)
    assert read.tables == {"bend": {"k": 0.44}} and read.details == {"camera": {"f": 1.0}}
    assert read.warnings == results.warnings and read.sources == results.sources


def test_a_distance_has_the_same_u95_after_reading(tmp_path: Path, parts: ModuleType) -> None:
    """What two holes share still cancels in their distance."""
    results = sample(parts)
    path = tmp_path / "results.json"
    path.write_text(record_text(results_to_dict(results)), encoding="utf-8")

    def apart(a: np.ndarray, b: np.ndarray) -> float:
        return math.dist(a[:3], b[:3])

    pairs = [[f for f in r.features if f.kind == "circle"][:2] for r in (results, read_results(path))]
    first, second = (propagate(apart, *pair) for pair in pairs)
    assert second.u95 == pytest.approx(first.u95, rel=1e-9)
    assert second.shared == pytest.approx(first.shared, abs=1e-9)


def test_dimensions_come_back(tmp_path: Path, parts: ModuleType) -> None:
    """Value, U95, limits, verdict and extra keys; angles turn from degrees to radians."""
    results = sample(parts)
    path = tmp_path / "results.json"
    path.write_text(record_text(results_to_dict(results)), encoding="utf-8")
    for mine, theirs in zip(read_results(path).dimensions, results.dimensions, strict=True):
        assert mine.value.value == pytest.approx(theirs.value.value)
        assert mine.value.u95 == pytest.approx(theirs.value.u95)
        assert (mine.verdict, mine.of, mine.extra) == (theirs.verdict, theirs.of, theirs.extra)
        assert mine.nominal == pytest.approx(theirs.nominal)


def test_the_text_is_plain_json_with_rows_on_a_line(parts: ModuleType) -> None:
    """Any JSON reader takes it, and a matrix row stays on its line."""
    record = results_to_dict(sample(parts))
    text = record_text(record)
    assert json.loads(text)["features"][0]["name"] == "outline"
    assert max(map(len, text.splitlines())) < 400


def test_a_number_that_is_not_finite_never_gets_out() -> None:
    """NaN and infinity are refused by place."""
    with pytest.raises(InputError, match=r"results\.a\.b came out as nan"):
        record_text({"a": {"b": [1.0, float("nan")]}})


def test_files_that_are_no_result_are_refused(tmp_path: Path, parts: ModuleType) -> None:
    """Missing, not JSON, of another kind, of another version, damaged."""
    path = tmp_path / "results.json"
    with pytest.raises(InputError, match="cannot be read"):
        read_results(path)
    path.write_text("{")
    with pytest.raises(InputError, match="is not JSON"):
        read_results(path)
    path.write_text("[1]")
    with pytest.raises(InputError, match="is not an edgewright result"):
        read_results(path)
    record = results_to_dict(sample(parts))
    path.write_text(record_text({**record, "version": 99}), encoding="utf-8")
    with pytest.raises(InputError, match="has version 99"):
        read_results(path)
    del record["features"][0]["kind"]
    path.write_text(record_text(record), encoding="utf-8")
    with pytest.raises(InputError, match="is damaged"):
        read_results(path)


def test_a_file_of_nothing_but_brackets_is_refused(tmp_path: Path) -> None:
    (tmp_path / "results.json").write_text("[" * 100_000)
    with pytest.raises(InputError, match="is not JSON"):
        read_results(tmp_path)
