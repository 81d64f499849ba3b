"""How long the marking page needs from a tap to the found edge, saving included, and for its first picture.

Run it by hand: ``python tests/bench/page_speed.py``; the figures depend on the machine and on what else it does.
"""

from __future__ import annotations

import shutil
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from capture.page import marking, shown
from capture.page.desk import Desk

SAMPLE = Path(__file__).parent.parent.parent / "sample_sets/bench_plate"
ROUNDS = 12


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor time, ms."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return 1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - cpu)


def mark(desk: Desk, kind: str, px: list[list[float]]) -> None:
    asked = {"revision": desk.book.revision, "photo": 0, "view": "raw", "kind": kind, "px": px}
    marking.mark(desk, asked)
    marking.state(desk)


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(SAMPLE, folder, dirs_exist_ok=True)
        desk = Desk(Path(folder) / "job.toml")
        first = timed(lambda: desk.held(desk.job(), 0).picture("raw").jpeg(3, 0, 0))
        print(f"first picture {first[0]:.0f} ms, processor {first[1]:.0f} ms")
        whole = timed(desk.measured)
        print(f"whole part by itself {whole[0]:.0f} ms, processor {whole[1]:.0f} ms")
        held, measured = desk.held(desk.job(), 0), desk.measured()
        drawn = {item["name"]: item for item in shown.drawn_photo(measured, 0, held, "raw")}
        held.lit  # noqa: B018 - as the page has it by the time of the first tap
        dots = sorted((d for d in drawn["outline"]["dots"] if 1500 < d[1] < 2300 and d[0] > 2300), key=lambda d: d[1])
        places = {"circle": [drawn["hole 4"]["label"]], "line": [dots[0], dots[-1]], "slot": [drawn["slot 1"]["label"]]}
        mark(desk, "circle", places["circle"])
        for kind, px in places.items():
            times = [timed(lambda kind=kind, px=px: mark(desk, kind, px)) for _ in range(ROUNDS)]
            wall, cpu = (statistics.median(column) for column in zip(*times, strict=True))
            print(f"tap to found {kind}: median {wall:.0f} ms, processor {cpu:.0f} ms")
        again = timed(desk.measured)
        print(f"all marks again {again[0]:.0f} ms, processor {again[1]:.0f} ms")


if __name__ == "__main__":
    main()
