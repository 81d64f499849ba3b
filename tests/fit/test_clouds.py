"""Point clouds written, and read back by another library."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from fit.clouds import npz_bytes, ply_bytes, read_points, xyz_bytes
from fit.errors import InputError
from fit.lists import read_list
from fit.points import Points


def cloud(seed: int = 3, count: int = 500) -> Points:
    rng = np.random.default_rng(seed)
    normal = rng.normal(size=(count, 3))
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    normal[:10] = np.nan
    label = np.where(np.arange(count) < 200, "hole 1", "edge: left\nside")
    shared = rng.normal(size=(2, count, 3))
    return Points(
        rng.uniform(-500, 500, (count, 3)), 0.02, normal, shared, ("caliper:x", "tip:radius"), label, "bench", "a.csv"
    )


def test_open3d_reads_the_ply(tmp_path: Path) -> None:
    """Open3D finds every point and normal; the unit stands in the header."""
    open3d = pytest.importorskip("open3d")
    points = cloud()
    path = tmp_path / "cloud.ply"
    path.write_bytes(ply_bytes(points))
    assert b"comment unit mm\n" in path.read_bytes()[:300]
    read = open3d.io.read_point_cloud(str(path))
    np.testing.assert_allclose(np.asarray(read.points), points.xyz, atol=1e-9)
    np.testing.assert_allclose(np.asarray(read.normals)[10:], points.normal[10:], atol=1e-6)
    assert np.isfinite(np.asarray(read.normals)).all()


def test_the_ply_names_its_labels() -> None:
    """A comment line per label, without line breaks of their own."""
    head = ply_bytes(cloud()).split(b"end_header")[0]
    assert b"comment label 0 hole 1\n" in head and b"comment label 1 edge: left side\n" in head


def test_the_ply_is_a_list_again(tmp_path: Path) -> None:
    """Every name comes back with its points, in whatever letters; a name that speaks of a unit states none."""
    names = ["größe", "grösse", "hole (in)", "穴 3"]
    points = Points(np.arange(36.0).reshape(12, 3), label=np.repeat(names, 3))
    path = tmp_path / "cloud.ply"
    path.write_bytes(ply_bytes(points))
    listed = read_list(path)
    assert listed.names.tolist() == points.label.tolist()
    np.testing.assert_array_equal(listed.xyz, points.xyz)
    open3d = pytest.importorskip("open3d")
    assert len(open3d.io.read_point_cloud(str(path)).points) == 12


def test_npz_brings_everything_back(tmp_path: Path) -> None:
    """All errors and names survive, and equal points give equal bytes."""
    points = cloud()
    path = tmp_path / "points.npz"
    path.write_bytes(npz_bytes(points))
    read = read_points(path)
    for name in ("xyz", "noise", "normal", "shared"):
        np.testing.assert_array_equal(getattr(read, name), getattr(points, name))
    assert read.label.tolist() == points.label.tolist()
    assert (read.shared_names, read.frame, read.source) == (points.shared_names, points.frame, points.source)
    assert npz_bytes(read) == path.read_bytes()


def test_numpy_reads_the_xyz(tmp_path: Path) -> None:
    """Plain columns below two comment lines."""
    points = cloud().select(slice(10, 60))
    path = tmp_path / "cloud.xyz"
    path.write_bytes(xyz_bytes(points))
    np.testing.assert_allclose(np.loadtxt(path), np.hstack([points.xyz, points.normal]), atol=1e-6)
    assert path.read_text().startswith("# unit mm\n")


def test_bad_points_files_are_named(tmp_path: Path) -> None:
    """Missing, no npz at all, and an npz that lacks arrays."""
    with pytest.raises(InputError, match="cannot be read"):
        read_points(tmp_path / "none.npz")
    (tmp_path / "text.npz").write_text("hello")
    with pytest.raises(InputError, match="is not a points file"):
        read_points(tmp_path / "text.npz")
    np.savez(tmp_path / "other.npz", xyz=np.zeros((3, 3)))
    with pytest.raises(InputError, match=r"lacks normal, noise"):
        read_points(tmp_path / "other.npz")
