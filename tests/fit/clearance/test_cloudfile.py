"""Clouds from files as a clearance check reads them, and its ranges."""

from __future__ import annotations

import numpy as np
import pytest

from fit.clearance.cloudfile import read_cloud
from fit.clearance.motion import parse_range
from fit.clouds import npz_bytes, ply_bytes, xyz_bytes
from fit.errors import InputError
from fit.points import Points


@pytest.mark.parametrize("words", ["ascii", "binary_little_endian", "binary_big_endian"])
@pytest.mark.parametrize(("unit", "scale"), [("mm", 1.0), ("inch", 25.4), (None, 1.0)])
def test_ply_layouts(tmp_path, clouds, words, unit, scale):
    xyz = clouds.grid(5, 1.0, 0.125)
    cloud = read_cloud(clouds.write_ply(tmp_path / "a.ply", xyz, words, unit, np.tile([0.0, 0, 1], (len(xyz), 1))))
    assert cloud.xyz == pytest.approx(xyz * scale)
    assert cloud.normal[0] == pytest.approx([0, 0, 1])
    assert cloud.unit_assumed == (unit is None)


def test_clouds_that_other_commands_write_are_read(tmp_path):
    points = Points(np.random.default_rng(1).uniform(0, 90, (40, 3)), label=np.repeat(["hose", "drive unit"], 20))
    (tmp_path / "a.ply").write_bytes(ply_bytes(points))
    (tmp_path / "a.xyz").write_bytes(xyz_bytes(points))
    (tmp_path / "a.npz").write_bytes(npz_bytes(points))
    for name in ("a.ply", "a.xyz", "a.npz"):
        cloud = read_cloud(tmp_path / name)
        assert cloud.xyz == pytest.approx(points.xyz, abs=1e-6)
        assert not cloud.unit_assumed
    assert list(read_cloud(tmp_path / "a.ply").label) == list(points.label)


def test_ply_of_open3d_is_read(tmp_path):
    import open3d

    xyz = np.random.default_rng(2).uniform(0, 300, (50, 3))
    cloud = open3d.geometry.PointCloud(open3d.utility.Vector3dVector(xyz))
    open3d.io.write_point_cloud(str(tmp_path / "a.ply"), cloud)
    assert read_cloud(tmp_path / "a.ply").xyz == pytest.approx(xyz, abs=1e-6)


@pytest.mark.parametrize(
    ("text", "count", "last"), [("0:75:1", 76, 75), ("0:75:2", 39, 75), ("-3:3:0.1", 61, 3), ("5:5:1", 1, 5)]
)
def test_ranges_hold_both_ends(text, count, last):
    positions = parse_range(text, "--angles")
    assert (len(positions), positions[-1]) == (count, last)
    assert np.all(np.diff(positions) > 0)


def test_npz_without_points_is_refused(tmp_path):
    np.savez(tmp_path / "a.npz", noise=np.zeros(3))
    with pytest.raises(InputError, match="no array 'xyz'"):
        read_cloud(tmp_path / "a.npz")


@pytest.mark.parametrize("arrays", [{"noise": np.full(3, -1.0)}, {"noise": np.zeros(2)}, {"normal": np.zeros((3, 2))}])
def test_npz_with_wrong_arrays_is_refused(tmp_path, arrays):
    np.savez(tmp_path / "a.npz", xyz=np.eye(3) * 100, **arrays)
    with pytest.raises(InputError, match="must"):
        read_cloud(tmp_path / "a.npz")
