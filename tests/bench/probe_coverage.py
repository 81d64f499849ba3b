"""Share of 95 % intervals that hold the truth through the whole point-list chain; run on demand.

python tests/bench/probe_coverage.py [FIRST] [COUNT] [TIE] [SCALE]

TIE and SCALE are faults of the stations after the first, as `probe_world.Faults` says.
"""

from __future__ import annotations

import sys
import tempfile
from collections import defaultdict
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent))
from probe_world import Faults, make_world, score

from capture.arm.probing import ProbeOptions, measure
from fit.errors import EdgewrightError


def main(first: int, count: int, faults: Faults) -> None:
    """Print coverage by kind and value, and the worst misses."""
    rows = defaultdict(list)
    refused = 0
    for seed in range(first, first + count):
        with tempfile.TemporaryDirectory() as folder:
            world = make_world(seed, Path(folder), faults)
            try:
                found = measure(world.files, ProbeOptions(**world.options))
            except EdgewrightError as error:
                refused += 1
                print(f"seed {seed}: {error}")
                continue
        for kind, key, error, u95 in score(world, {f.name: f for f in found.results.features}):
            rows[(kind, key)].append((seed, abs(error) / u95 if u95 else np.inf))
            rows[("all", f"{len(world.files)} stations")].append(rows[(kind, key)][-1])
            rows[("all", "")].append(rows[(kind, key)][-1])
    for (kind, key), pairs in sorted(rows.items()):
        ratio = np.array([value for _, value in pairs])
        worst = pairs[int(np.argmax(ratio))]
        held = 100 * np.mean(ratio <= 1)
        far = int((ratio > 3).sum())
        told = f"held {held:5.1f} %  over 3 U95 {far:3}  worst {worst[1]:.2f} (seed {worst[0]})"
        print(f"{kind:9}{key:12}{len(ratio):6}  {told}")
    print(f"refused {refused} of {count}")


if __name__ == "__main__":
    typed = [float(word) for word in sys.argv[1:]]
    begin, number, tie, scale = [*typed, *(1, 60, 0, 0)[len(typed) :]]
    main(int(begin), int(number), Faults(tie, scale))
