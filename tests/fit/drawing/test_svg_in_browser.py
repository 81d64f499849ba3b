"""The SVG of a drawing measured in a headless browser."""

from __future__ import annotations

import re
import shutil
import subprocess
from pathlib import Path

import pytest
from reportlab.pdfbase.pdfmetrics import stringWidth

from fit.drawing.model import Circle, Line
from fit.drawing.sheet import Drawn, Sheet, Stroke, Written
from fit.drawing.svg import svg_text

THIN = Stroke(0.3)


def in_a_browser(tmp_path: Path, svg: str, measured: str, style: str = "") -> list[list[float]]:
    """Width, height, left and top (mm; 1 in = 96 CSS px = 25.4 mm) of elements of an SVG in headless Chromium."""
    browser = shutil.which("chromium") or shutil.which("chromium-browser") or shutil.which("google-chrome")
    if not browser:
        pytest.skip("no Chromium here")
    measure = (
        f"document.body.dataset.sizes = [...document.querySelectorAll('{measured}')].map(p => "
        "{const b = p.getBoundingClientRect(); return [b.width, b.height, b.left, b.top].join()}).join(';')"
    )
    page = f"<!doctype html><style>body{{margin:0}}{style}</style><body>{svg}<script>{measure}</script></body>"
    (tmp_path / "page.html").write_text(page)
    order = [
        browser,
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        f"--user-data-dir={tmp_path}/profile",
        "--dump-dom",
        f"file://{tmp_path}/page.html",
    ]
    done = subprocess.run(order, capture_output=True, text=True, timeout=120)
    found = re.search(r'data-sizes="([^"]+)"', done.stdout)
    assert found, f"Chromium drew nothing to measure: {done.stderr[:200]}"
    return [[float(f) * 25.4 / 96.0 for f in row.split(",")] for row in found[1].split(";")]


def test_svg_measured_in_a_browser(tmp_path: Path) -> None:
    sheet = Sheet(
        210.0,
        297.0,
        (Drawn(Line(50, 200, 150, 200), THIN), Drawn(Line(50, 100, 50, 200), THIN), Drawn(Circle(100, 150, 30), THIN)),
    )
    across, upright, circle = in_a_browser(tmp_path, svg_text([sheet]), "path")
    assert across[0] == pytest.approx(100.0, abs=0.01) and upright[1] == pytest.approx(100.0, abs=0.01)
    assert circle == pytest.approx([60.0, 60.0, 70.0, 117.0], abs=0.01)


def test_words_take_helveticas_room_in_any_font(tmp_path: Path) -> None:
    """Widths: Adobe font metrics as reportlab carries them, not the tool's own table."""
    words, height = "hole 1 to hole 2 iiii", 2.5
    svg = svg_text([Sheet(210.0, 297.0, (Written(50.0, 100.0, words, height),))])
    ((wide, *_),) = in_a_browser(tmp_path, svg, "text", "svg text{font-family:monospace}")
    assert wide == pytest.approx(stringWidth(words, "Helvetica", height / 0.718), rel=0.02)
