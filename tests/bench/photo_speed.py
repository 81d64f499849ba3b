"""Speed of `edgewright photo` against the bare library calls on the same photo: whole processes, interleaved, medians.

Run: python tests/bench/photo_speed.py [PHOTO [RUNS [READINGS…]]], readings as `edgewright photo` takes them; without, those
of the sample. Exits 1 where a bar is missed.
"""

from __future__ import annotations

import os
import statistics
import sys
import sysconfig
import tempfile
import time
from pathlib import Path

SAMPLE = Path(__file__).resolve().parents[2] / "sample_sets" / "bench_plate" / "photo1.jpg"
READINGS = ["--print-x", "179.1", "--print-y", "239.4", "--height", "1.93", "--height-u", "0.02"]
WALL_SECONDS, CPU_RATIO, PEAK_MB = 2.5, 3.0, 700.0

BARE = """
import sys
import cv2
import numpy as np

image = cv2.imread(sys.argv[1])
dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
corners, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(image)
places = dict(zip(ids.ravel().tolist(), (c.reshape(4, 2) for c in corners), strict=True))
low, high = min(places), max(places)
middle = [places[k].mean(axis=0) for k in sorted(places)]
source = np.float32([middle[0], middle[6], middle[-1], middle[-7]])
target = np.float32([[0, 0], [1800, 0], [1800, 2400], [0, 2400]])
flat = cv2.warpPerspective(image, cv2.getPerspectiveTransform(source, target), image.shape[1::-1])
print(flat.shape)
"""


def run(command: list[str]) -> tuple[float, float, float]:
    """Wall seconds, processor seconds and peak MB of one process."""
    start = time.perf_counter()
    with open(os.devnull, "wb") as nowhere:
        actions = [(os.POSIX_SPAWN_DUP2, nowhere.fileno(), 1)]
        child = os.posix_spawn(command[0], command, os.environ, file_actions=actions)
        _, status, usage = os.wait4(child, 0)
    wall = time.perf_counter() - start
    if status:
        sys.exit(f"failed with status {status}: {' '.join(command)}")
    return wall, usage.ru_utime + usage.ru_stime, usage.ru_maxrss / 1024


def main() -> int:
    photo = sys.argv[1] if len(sys.argv) > 1 else str(SAMPLE)
    runs = int(sys.argv[2]) if len(sys.argv) > 2 else 7
    with tempfile.TemporaryDirectory() as folder:
        program = str(Path(sysconfig.get_path("scripts")) / "edgewright")
        ours = [program, "photo", photo, "-o", f"{folder}/out"]
        ours += sys.argv[3:] or READINGS
        bare = [sys.executable, "-c", BARE, photo]
        run(ours), run(bare)  # compiled code and file cache warm for both
        pairs = [(run(ours), run(bare)) for _ in range(runs)]
    (wall, cpu, peak), (bare_wall, bare_cpu, bare_peak) = (
        [statistics.median(figures) for figures in zip(*side, strict=True)] for side in zip(*pairs, strict=True)
    )
    print(f"edgewright photo   wall {wall:.2f} s   cpu {cpu:.2f} s   peak {peak:.0f} MB   (median of {runs})")
    print(f"bare calls         wall {bare_wall:.2f} s   cpu {bare_cpu:.2f} s   peak {bare_peak:.0f} MB")
    bars = [("wall s", wall, WALL_SECONDS), ("cpu ratio", cpu / bare_cpu, CPU_RATIO), ("peak MB", peak, PEAK_MB)]
    for name, figure, bar in bars:
        print(f"{name:10} {figure:7.2f}   bar {bar:g}   {'met' if figure <= bar else 'MISSED'}")
    return int(any(figure > bar for _, figure, bar in bars))


if __name__ == "__main__":
    sys.exit(main())
