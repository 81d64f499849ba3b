"""Clearance of two clouds over 200 poses: time and memory by size, against scipy's cKDTree given a good upper bound.

Run: python tests/bench/clearance_speed.py [--points 10000 100000 1000000] [--whole]
The rival is what a good script does: a cKDTree built once, a bound from the closest of a 500-point sample, and
distance_upper_bound for all the rest. --whole also times the command from files to result folder.
"""

from __future__ import annotations

import argparse
import json
import resource
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np
from scipy.spatial import cKDTree

from fit.clearance.motion import Motion, hinge_motion
from fit.clearance.spheretree import build_tree, closest_pair

POSES = 200


def clouds(count: int, seed: int = 3) -> tuple[np.ndarray, np.ndarray]:
    """A wavy floor and a wavy lid over it, 600 × 400 mm, about 4 mm apart at the closest; count points each."""
    rng = np.random.default_rng(seed)
    u, v = rng.uniform(0, 600, count), rng.uniform(0, 400, count)
    floor = np.c_[u, v, 15 * np.sin(u / 47) * np.cos(v / 39)]
    s, t = rng.uniform(0, 600, count), rng.uniform(0, 400, count)
    return floor, np.c_[s, t, 24 + 12 * np.sin(s / 41 + 1) * np.cos(t / 43)]


def motion() -> Motion:
    """A lid that opens by 40 degrees in 200 steps."""
    return hinge_motion(([0, 0, 20], [0, -1, 0]), np.linspace(0, 40, POSES))


def rival_pose(index: cKDTree, moving: np.ndarray, pose: tuple[np.ndarray, np.ndarray]) -> float:
    """Smallest distance at one pose by a bounded nearest-neighbour query."""
    moved = moving @ pose[0].T + pose[1]
    bound = index.query(moved[:: max(1, len(moved) // 500)])[0].min()
    found = index.query(moved, distance_upper_bound=np.nextafter(bound, np.inf))[0]
    return float(min(bound, found.min()))


def cpu() -> float:
    return time.process_time()


def one_size(count: int, rival_poses: int) -> dict[str, float]:
    fixed, moving = clouds(count)
    opening = motion()
    start = cpu()
    trees = build_tree(fixed), build_tree(moving)
    built = cpu() - start
    start, pair, gaps = cpu(), None, []
    for i in range(POSES):
        pair = closest_pair(*trees, opening.pose(i), pair)
        gaps.append(pair.distance)
    swept = cpu() - start
    index = cKDTree(fixed)
    chosen = np.linspace(0, POSES - 1, rival_poses).astype(int)
    start = cpu()
    rival = [rival_pose(index, moving, opening.pose(i)) for i in chosen]
    rival_time = (cpu() - start) / rival_poses
    assert np.allclose(rival, np.array(gaps)[chosen], rtol=0, atol=1e-9)
    per_pose = swept / POSES
    return {
        "points": count,
        "trees_s": built,
        "pose_ms": 1e3 * per_pose,
        "rival_pose_ms": 1e3 * rival_time,
        "ratio": rival_time / per_pose,
        "smallest_mm": min(gaps),
    }


def children_cpu() -> float:
    """Processor time, s, of all processes that have ended so far: the second run is the difference."""
    used = resource.getrusage(resource.RUSAGE_CHILDREN)
    return used.ru_utime + used.ru_stime


def write_ply(path: Path, xyz: np.ndarray) -> None:
    head = f"ply\nformat binary_little_endian 1.0\ncomment unit mm\nelement vertex {len(xyz)}\n"
    head += "".join(f"property float {name}\n" for name in "xyz") + "end_header\n"
    path.write_bytes(head.encode() + xyz.astype("<f4").tobytes())


def whole_command(count: int, extra: tuple[str, ...]) -> None:
    """The command from two files to the result folder: wall time, CPU time and peak memory."""
    with tempfile.TemporaryDirectory() as folder:
        here = Path(folder)
        for name, xyz in zip(("fixed.ply", "moving.ply"), clouds(count), strict=True):
            write_ply(here / name, xyz)
        step = 40 / (POSES - 1)
        command = [sys.executable, "-c", "from fit.commands import main; main()", "clear", "--fixed", "fixed.ply"]
        command += [
            "--moving",
            "moving.ply",
            "--hinge",
            "0,0,20:0,-1,0",
            "--angles",
            f"0:40:{step!r}",
            "-o",
            "out",
            *extra,
        ]
        start, before = time.perf_counter(), children_cpu()
        subprocess.run(command, cwd=here, check=True, capture_output=True)
        wall, used = time.perf_counter() - start, children_cpu() - before
        poses = len(json.loads((here / "out/results.json").read_text())["clear"]["gap"])
    words = f"whole command {' '.join(extra)}: {poses} poses, {wall:.1f} s wall, {used:.1f} s CPU"
    print(f"{words}, peak {resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024:.0f} MiB")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--points", type=int, nargs="*", default=[10_000, 100_000, 1_000_000])
    parser.add_argument("--rival-poses", type=int, default=3)
    parser.add_argument("--whole", action="store_true")
    given = parser.parse_args()
    closest_pair(build_tree(np.eye(3)), build_tree(np.eye(3)), (np.eye(3), np.zeros(3)))  # compile first
    for count in given.points:
        row = one_size(count, given.rival_poses)
        print("  ".join(f"{key} {value:.4g}" for key, value in row.items()))
    if given.whole:
        whole_command(max(given.points), ())
        whole_command(max(given.points), ("--cloud-u", "0.02"))


if __name__ == "__main__":
    main()
