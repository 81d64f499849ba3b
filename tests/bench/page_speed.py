"""How long the marking page takes: first picture, a tap to the found edge (saving included), frames of zoom and pan.

Run it by hand: ``python tests/bench/page_speed.py [FIGURES.json]``; the figures depend on the machine and on what else it
does; the file named keeps those of all kinds of mark. The second half runs in Debian's chromium, without a screen or
graphics card, on the 12 MP photo of the sample.
"""

from __future__ import annotations

import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import partial
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from capture.page import marking, shown
from capture.page.desk import Desk
from capture.page.held import HeldPhoto

SAMPLE = Path(__file__).parent.parent.parent / "sample_sets/bench_plate"
ROUNDS, BROWSER_ROUNDS = 12, 7
AS_COMMAND = {"OPENBLAS_NUM_THREADS": "1", "OPENCV_THREAD_POOL_ACTIVE_WAIT_WORKER": "0"}
"""What `edgewright` sets before it loads NumPy and OpenCV, so that no threads spin between calls."""
Places = dict[str, tuple[str, list[list[float]]]]
Figures = dict[str, dict[str, float]]
"""Medians, ms, of each kind of mark by what is timed."""


def timed(work: Callable[[], object]) -> tuple[float, float]:
    """Wall and processor time, ms."""
    wall, cpu = time.perf_counter(), time.process_time()
    work()
    return 1000 * (time.perf_counter() - wall), 1000 * (time.process_time() - cpu)


def mark(desk: Desk, kind: str, px: list[list[float]]) -> None:
    asked = {"revision": desk.book.revision, "photo": 0, "view": "raw", "kind": kind, "px": px}
    marking.mark(desk, asked)
    marking.state(desk)


def without_browser(folder: Path, kept: Figures) -> Places:
    """Times of the library's side; returns where to tap for each kind."""
    desk = Desk(folder / "job.toml")
    first = timed(lambda: desk.held(desk.job(), 0).picture("raw").jpeg(3, 0, 0))
    print(f"first picture {first[0]:.0f} ms, processor {first[1]:.0f} ms")
    whole = timed(desk.measured)
    print(f"whole part by itself {whole[0]:.0f} ms, processor {whole[1]:.0f} ms")
    held, measured = desk.held(desk.job(), 0), desk.measured()
    drawn = {item["name"]: item for item in shown.drawn_photo(measured, 0, held, "raw")}
    held.lit  # noqa: B018 - as the page has it by the time of the first tap
    dots = sorted((d for d in drawn["outline"]["dots"] if 1500 < d[1] < 2300 and d[0] > 2300), key=lambda d: d[1])
    ring, third = drawn["hole 2"]["dots"], len(dots) // 3
    places = {
        "circle": ("circle", [drawn["hole 4"]["label"]]),
        "slot": ("slot", [drawn["slot 1"]["label"]]),
        "arc": ("arc", [ring[k * len(ring) // 6] for k in (0, 1, 2)]),
        f"line of {px_mm(held, dots[third], dots[2 * third]):.0f} mm": ("line", [dots[third], dots[2 * third]]),
        f"line of {px_mm(held, dots[0], dots[-1]):.0f} mm": ("line", [dots[0], dots[-1]]),
        "path of 6 points": ("path", dots[:: len(dots) // 6]),
    }
    mark(desk, *places["circle"])
    for word, (kind, px) in places.items():
        times = [timed(partial(mark, desk, kind, shifted(px, k))) for k in range(ROUNDS)]
        wall, cpu = (statistics.median(column) for column in zip(*times, strict=True))
        print(f"tap to found {word}: median {wall:.0f} ms, processor {cpu:.0f} ms")
        kept[word] = {"found": round(wall), "processor": round(cpu)}
    again = timed(desk.measured)
    print(f"all marks again {again[0]:.0f} ms, processor {again[1]:.0f} ms")
    return places


def px_mm(held: HeldPhoto, first: list[float], last: list[float]) -> float:
    """How far apart two places of the picture lie on the part, mm."""
    a, b = held.to_bench(np.array([first, last]), "raw", held.level)
    return float(np.hypot(*(b - a)))


def shifted(px: list[list[float]], k: int) -> list[list[float]]:
    """The same taps a few pixels aside: nothing found before is of use."""
    return [[x + 2 * (k % 4), y + 2 * (k // 4)] for x, y in px]


@contextmanager
def browser() -> Iterator[Any]:
    from selenium import webdriver

    options = webdriver.ChromeOptions()
    options.binary_location = shutil.which("chromium") or ""
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,860"):
        options.add_argument(word)
    driver = webdriver.Chrome(options=options, service=webdriver.ChromeService(shutil.which("chromedriver")))
    yield driver
    driver.quit()


@contextmanager
def served(job: Path) -> Iterator[str]:
    """The command as a user starts it; gives the address once it is printed."""
    command = [sys.executable, "-c", "from fit.commands import main; main()", "page", str(job), "--no-browser"]
    process = subprocess.Popen(command, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    yield process.stdout.readline().split()[-1]
    process.terminate()
    process.wait()
    process.stdout.close()


def until(driver: Any, condition: str) -> Any:
    while not (found := driver.execute_script(f"return {condition}")):
        time.sleep(0.01)
    return found


PICTURE = "window.page?.marking?.viewer.frames && [...page.marking.viewer.tiles.values()].some((t) => t.naturalWidth)"
SETTLED = "page.results && !page.busy && page.results.revision === page.state.revision"
FRAMES = """
const done = arguments[0], v = page.marking.viewer, times = [], spot = page.marking.marks.find((m) => m.name === 'hole 4').label;
v.fit();
let n = 0;
const step = (now) => {
  times.push(now);
  n += 1;
  if (n > 240) { done(times); return; }
  if (n % 120 < 60) v.zoom(n < 120 ? 1.035 : 1 / 1.035, v.place(spot)); else v.pan(Math.sin(n / 8) * 14, Math.cos(n / 8) * 10);
  v.paint();
  requestAnimationFrame(step);
};
requestAnimationFrame(step);
"""


def in_browser(job: Path, places: Places, kept: Figures) -> None:
    with browser() as driver, served(job) as address:
        begun = time.perf_counter()
        driver.get(address)
        until(driver, PICTURE)
        print(f"browser: first picture {1000 * (time.perf_counter() - begun):.0f} ms after the server is up")
        until(driver, SETTLED)
        for word, (kind, px) in places.items():
            times = [tapped(driver, kind, shifted(px, k)) for k in range(BROWSER_ROUNDS)]
            print(f"browser: tap to painted {word}: median {statistics.median(times):.0f} ms, most {max(times):.0f} ms")
            kept[word]["painted"] = round(statistics.median(times))
        until(driver, SETTLED)
        stamps = driver.execute_async_script(FRAMES)
        gaps = sorted(b - a for a, b in pairwise(stamps))
        rate, worst = 1000 * len(gaps) / (stamps[-1] - stamps[0]), gaps[int(0.95 * len(gaps))]
        print(f"browser: zoom and pan {rate:.0f} frames a second, 95 in 100 within {worst:.0f} ms")


def tapped(driver: Any, kind: str, px: list[list[float]]) -> float:
    until(driver, SETTLED)
    driver.execute_script(
        f"delete document.body.dataset.tapMs; page.marking.choose({kind!r}); page.marking.taps = {json.dumps(px)};"
        "page.marking.finish();"
    )
    return float(until(driver, "document.body.dataset.tapMs || (document.querySelector('#told.fault') && '9999')"))


def main() -> None:
    if os.environ.keys().isdisjoint(AS_COMMAND):
        os.execve(sys.executable, [sys.executable, *sys.argv], os.environ | AS_COMMAND)
    kept: Figures = {}
    with tempfile.TemporaryDirectory() as folder:
        shutil.copytree(SAMPLE, folder, dirs_exist_ok=True)
        job = Path(folder) / "job.toml"
        text = job.read_text(encoding="utf-8")
        places = without_browser(Path(folder), kept)
        job.write_text(text, encoding="utf-8")
        if shutil.which("chromium") and shutil.which("chromedriver"):
            in_browser(job, places, kept)
        else:
            print("no chromium and chromedriver here: nothing measured in a browser")
    for word, figures in kept.items():
        print(f"{word:18}", ", ".join(f"{what} {ms:.0f} ms" for what, ms in figures.items()))
    for name in sys.argv[1:]:
        Path(name).write_text(json.dumps(kept, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
