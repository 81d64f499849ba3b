"""report.html: stands alone, says everything, trusts nobody's text."""

from __future__ import annotations

import re
from dataclasses import replace
from html import escape
from html.parser import HTMLParser
from types import ModuleType

import numpy as np
import pytest

from fit.drawing.from_features import drawing_of
from fit.drawing.model import TitleBlock
from fit.feature import Feature
from fit.points import Points
from fit.report.page import report_html
from fit.report.parts import ReportPart
from fit.report.words import ADVICE
from fit.results import Dimension, Notice, Results, Source
from fit.uncertain import Value

# The codes that the interface of results.json names.
CODES = [
    "outside-target",
    "height-unknown",
    "short-arc",
    "two-edges",
    "low-contrast",
    "print-unknown",
    "print-corrected",
    "target-bent",
    "stray-touch",
    "tip-side",
    "base-moved",
    "undecided",
    "not-planar",
    "cloud-u-unknown",
    "unit-assumed",
]
NASTY = '<script>alert("x")</script>&'


class Reader(HTMLParser):
    """Collects tags that are opened and closed, and every address that a page would fetch."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.addresses: list[str] = []
        self.text: list[str] = []
        self.tags: set[str] = set()

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.add(tag)
        if tag not in ("meta", "img", "br", "path", "rect", "polygon", "line"):
            self.open.append(tag)
        self.addresses += [value or "" for key, value in attrs if key in ("src", "href", "srcset", "data", "action")]

    def handle_endtag(self, tag: str) -> None:
        if tag not in ("path", "rect", "polygon", "line"):
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def sample(parts: ModuleType, word: str = "part") -> Results:
    hole = parts.hole(f"hole {word}", 20.0, 20.0, 8.0)
    rng = np.random.default_rng(1)
    kept = {key: getattr(hole, key) for key in ("order", "values", "cov_own", "shared", "shared_names")}
    hole = Feature(
        hole.name,
        "circle",
        **kept,
        points=48,
        rms=0.01,
        form={"roundness": 0.03},
        residuals=rng.normal(0, 0.01, 50),
        rejected=np.array([3, 4]),
    )
    value = Value(100.02, 1e-4, np.array([0.03, 0.0]), parts.SHARED)
    sizes = [
        Dimension(
            f"width {word}", "distance", value, (), 100.0, 99.9, 100.1, "not proven", {"check": 100.05, "advice": "x"}
        )
    ]
    notices = [Notice(code, f"{word} is off.", f"hole {word}") for code in CODES]
    outline = parts.path(f"outline {word}", parts.rounded_plate(90.0, 60.0, 8.0))
    return Results(f"x right {word}", [Source(f"{word}.jpg", "ab" * 32)], [outline, hole], sizes, notices, {"bend": {}})


def page_of(results: Results, **more: object) -> tuple[str, Reader]:
    drawing = drawing_of(results, title=TitleBlock(NASTY, NASTY, date="2026-11-25"))
    text = report_html(results, drawing, "<svg></svg>", **more)  # type: ignore[arg-type]
    reader = Reader()
    reader.feed(text)
    assert reader.open == []
    return text, reader


def test_every_code_has_cause_sight_and_remedy(parts: ModuleType) -> None:
    """For all codes of the interface the page says why, how to see it and what to do."""
    assert set(CODES) <= set(ADVICE)
    _, reader = page_of(sample(parts))
    said = " ".join(reader.text)
    for code in CODES:
        for words in (ADVICE[code].cause, ADVICE[code].see, ADVICE[code].do):
            assert words in said


def test_the_page_fetches_nothing(parts: ModuleType) -> None:
    """Pictures are inside; no script, no link, no address of any kind."""
    part = ReportPart("Photo", picture=b"\xff\xd8jpeg", where="before")
    text, reader = page_of(sample(parts), pictures={"overlay.png": b"\x89PNG"}, parts=[part])
    assert all(address.startswith("data:image/") for address in reader.addresses) and reader.addresses
    assert not {"script", "link", "iframe", "object"} & reader.tags
    assert not re.search(r"url\(|@import|https?://(?!www\.w3\.org)", text)
    assert text.count("data:image/") == 1 and "data:image/jpeg" in text


def test_words_from_outside_are_escaped(parts: ModuleType) -> None:
    """Names, notices, sources, title and parts cannot put markup into the page."""
    part = ReportPart(NASTY, NASTY, [NASTY], [[NASTY]], caution=NASTY)
    text, reader = page_of(sample(parts, NASTY), parts=[part], points=Points(np.eye(3), label=[NASTY] * 3))
    assert "<script" not in text and "script" not in reader.tags
    assert text.count("&lt;script&gt;") > 12


def test_warnings_that_are_alike_stand_there_once_with_their_advice(parts: ModuleType) -> None:
    results = sample(parts)
    told = [Notice("outside-target", f"'edge {i}' reaches far.", f"edge {i}") for i in range(3)]
    text, _ = page_of(replace(results, warnings=[*told[:2], *results.warnings, told[2]]))
    assert text.count("&#x27; reaches far.") == 1 and text.count("Alike: edge 1, edge 2.") == 1
    assert text.count(escape(ADVICE["outside-target"].do)) == 1


def test_sizes_verdicts_budgets_and_residuals_are_there(parts: ModuleType) -> None:
    """Value with U95, the verdict, whether the ± is small enough, what makes it large, and the points left out."""
    text, reader = page_of(sample(parts))
    said = " ".join(reader.text)
    assert "100.020 ±0.062" in said and "not proven" in said and "just accurate enough" in said
    assert "print scale 90 %" in said and "Read the printed pattern's sides again" in said
    assert "check 100.05" in said and "2 left out" in said and "roundness 0.03" in said
    assert "not an approval" in said and "coupon" in said and "Before drilling or cutting" in said
    assert "ab" * 32 in said and "NumPy" in said
    assert 'class="bar"' in text


def test_what_would_better_the_sizes_is_said_once_for_all_of_them(parts: ModuleType) -> None:
    size = sample(parts).dimensions[0]
    several = [replace(size, name=f"size {i}") for i in range(4)]
    text, _ = page_of(replace(sample(parts), dimensions=several))
    assert text.count("To improve all sizes (mostly print scale): Read the printed") == text.count("To improve") == 1


def test_measured_points_are_pictured_where_there_is_no_photo(parts: ModuleType) -> None:
    """Arm points show from two sides with the names of their features."""
    points = Points(np.random.default_rng(1).normal(size=(40, 3)), label=["face"] * 20 + ["bore"] * 20)
    _, reader = page_of(sample(parts), points=points)
    assert " ".join(reader.text).count("Measured points") == 2 and "bore" in reader.text


@pytest.mark.parametrize("unit", ["inch", "fraction"])
def test_inches_for_people(parts: ModuleType, unit: str) -> None:
    """The unit that people read is theirs."""
    results = sample(parts)
    drawing = drawing_of(results, unit_out=unit)
    assert ("3.9378 ±0.0025" if unit == "inch" else "3 15/16&quot;") in report_html(results, drawing, "")


def test_an_empty_result_is_still_a_page() -> None:
    """No features, no warnings, no sources."""
    _, reader = page_of(Results("none"))
    assert "Where this comes from" in reader.text
