"""SVG, PDF and DXF of one drawing measured from outside: rasterised, read by other libraries."""

from __future__ import annotations

import io
import math
import re
import runpy
import shutil
import subprocess
import xml.etree.ElementTree as ET
from pathlib import Path
from types import ModuleType

import ezdxf
import numpy as np
import pytest
from ezdxf import path as dxf_path
from numpy.typing import NDArray
from PIL import Image
from pypdf import PdfReader
from shapely.geometry import Polygon

from fit.drawing.dxf import compare_dxf, cutting_dxf, sketch_dxf
from fit.drawing.from_features import drawing_of
from fit.drawing.layout import sketch_sheets
from fit.drawing.model import Arc, Circle, Drawing, Line, PointMark, Polyline, TitleBlock
from fit.drawing.pdf import pdf_bytes
from fit.drawing.sheet import Drawn, Sheet, Stroke
from fit.drawing.svg import svg_text
from fit.drawing.template import template_sheets
from fit.errors import OutputError

HALF = math.tan(math.pi / 8)
"""Bulge of a quarter circle: tan(90° / 4)."""
SLOTTED = (
    Polyline(
        (
            (10, 0, 0),
            (110, 0, HALF),
            (120, 10, 0),
            (120, 60, HALF),
            (110, 70, 0),
            (10, 70, HALF),
            (0, 60, 0),
            (0, 10, HALF),
        ),
        True,
    ),
    Circle(30.0, 35.0, 6.25),
    Polyline(((60, 31, 0), (90, 31, 1), (90, 39, 0), (60, 39, 1)), True),
    Line(20.0, 0.0, 20.0, 70.0, "bend"),
    Arc(60.0, 35.0, 20.0, 0.5, 2.0, "mark"),
    PointMark(5.0, 5.0),
)
THIN = Stroke(0.3)


def raster(tmp_path: Path, pdf: bytes, page: int, dpi: int) -> NDArray[np.float64]:
    """Darkness 0 … 1 of a page as poppler draws it."""
    (tmp_path / "sheet.pdf").write_bytes(pdf)
    if not shutil.which("pdftoppm"):
        pytest.skip("pdftoppm is not installed")
    order = ["pdftoppm", "-r", str(dpi), "-gray", "-f", str(page), "-l", str(page), "-singlefile"]
    subprocess.run([*order, str(tmp_path / "sheet.pdf"), str(tmp_path / "sheet")], check=True)
    return 1.0 - np.asarray(Image.open(tmp_path / "sheet.pgm"), float) / 255.0


def line_centre(profile: NDArray[np.float64], low: float, high: float, step: float) -> float:
    """Centre of the darkness between two places of a profile, mm."""
    first, last = round(low / step), round(high / step)
    weight = profile[first:last]
    return float(((np.arange(first, last) + 0.5) * weight).sum() / weight.sum()) * step


def test_pdf_lines_are_true_to_a_twentieth(tmp_path: Path) -> None:
    """Strokes known to lie at x, y and a circle of radius 80 are where they should be within 0.05 mm."""
    shapes = [
        Line(20, 40, 20, 250),
        Line(190, 40, 190, 250),
        Line(30, 30, 180, 30),
        Line(30, 270, 180, 270),
        Circle(105, 150, 80),
    ]
    dpi = 400
    dark = raster(tmp_path, pdf_bytes([Sheet(210.0, 297.0, tuple(Drawn(s, THIN) for s in shapes))]), 1, dpi)
    step = 25.4 / dpi
    height = dark.shape[0] * step
    row = dark[round((height - 150.0) / step)]
    column = dark[:, round(105.0 / step)][::-1]
    below = 297.0 - height
    for where in (20.0, 25.0, 185.0, 190.0):
        assert line_centre(row, where - 2, where + 2, step) == pytest.approx(where, abs=0.05)
    for where in (30.0, 70.0, 230.0, 270.0):
        assert line_centre(column, where - 2, where + 2, step) + below == pytest.approx(where, abs=0.05)
    radii = np.arange(70.0, 90.0, 0.02)
    down = np.round((297.0 - 150.0 - radii * math.sqrt(0.5)) / step - 0.5).astype(int)
    right = np.round((105.0 + radii * math.sqrt(0.5)) / step - 0.5).astype(int)
    assert line_centre(dark[down, right], 8.0, 12.0, 0.02) + 70.0 == pytest.approx(80.0, abs=0.05)


def test_pdf_page_tells_readers_not_to_scale() -> None:
    """MediaBox is the trimmed size in points (ISO 216; 1 pt = 25.4/72 mm) and PrintScaling is None."""
    reader = PdfReader(io.BytesIO(pdf_bytes([Sheet(210.0, 297.0)], "hätch (left) \\ plate")))
    assert [float(f) for f in reader.pages[0].mediabox] == pytest.approx([0, 0, 595.2756, 841.8898], abs=1e-3)
    assert reader.trailer["/Root"]["/ViewerPreferences"]["/PrintScaling"] == "/None"
    assert reader.metadata and reader.metadata.title == "hätch (left) \\ plate"


@pytest.mark.parametrize("paper", ["a4", "letter", "a3"])
def test_template_sheets_join_and_carry_what_they_must(tmp_path: Path, parts: ModuleType, paper: str) -> None:
    """On the real page every check bar measures 100 mm and the edge of the part lies where the window says."""
    title = TitleBlock("Access hatch lid", "left", "outside", "up", date="2026-11-25")
    drawing = Drawing(
        [Polyline(tuple((x, y, 0.0) for x, y in ((0, 0), (430, 0), (430, 300), (0, 300))), True), Circle(215, 150, 20)],
        title=title,
    )
    sheets = template_sheets(drawing, paper)
    pdf = pdf_bytes(sheets)
    pages = PdfReader(io.BytesIO(pdf)).pages
    assert len(pages) == len(sheets) > 1
    for i, page in enumerate(pages):
        text = page.extract_text()
        for words in ("Access hatch lid", "side: left", "face: outside", f"sheet {i + 1} of {len(pages)}", "100 mm"):
            assert words in text, f"{words!r} is not on sheet {i + 1}"
    dpi, step = 300, 25.4 / 300
    number = next(
        i
        for i, s in enumerate(sheets)
        if s.clip and s.clip[0] < s.left + 2.0 < s.clip[2] and s.clip[1] < s.bottom < s.clip[3]
    )
    sheet = sheets[number]
    dark = raster(tmp_path, pdf, number + 1, dpi)
    height = dark.shape[0] * step
    shift = sheet.height - height
    foot = dark[round((height - 11.2 + shift) / step) - 8]
    assert line_centre(foot, 17.0, 19.0, step) == pytest.approx(18.0, abs=0.05)
    assert line_centre(foot, 117.0, 119.0, step) == pytest.approx(118.0, abs=0.05)
    assert sheet.clip
    middle = (sheet.bottom + sheet.clip[3]) / 2
    row = dark[round((height - middle + shift) / step)]
    assert line_centre(row, sheet.left - 1.0, sheet.left + 1.0, step) == pytest.approx(sheet.left, abs=0.05)


def test_template_windows_overlap_and_cover(parts: ModuleType) -> None:
    """Every point of every edge lies on a sheet, and seams share crosses at the same place of the part."""
    drawing = drawing_of(parts.made_part(12), title=TitleBlock("plate"))
    sheets = template_sheets(drawing)
    for entity in drawing.entities:
        if not isinstance(entity, Circle):
            continue
        inside = [
            s
            for s in sheets
            if s.clip and s.clip[0] <= entity.x + s.left <= s.clip[2] and s.clip[1] <= entity.y + s.bottom <= s.clip[3]
        ]
        assert inside, "a hole is on no sheet"
    lines = [
        {
            (round(d.shape.x1 - s.left, 6), round(d.shape.y1 - s.bottom, 6))
            for d in s.part
            if isinstance(d.shape, Line) and d.shape.layer == "check"
        }
        for s in sheets
    ]
    assert len(sheets) < 2 or any(a & b for i, a in enumerate(lines) for b in lines[i + 1 :])


def test_a_template_of_a_house_is_refused() -> None:
    """More than 120 sheets are a mistake in the unit."""
    with pytest.raises(OutputError, match=r"needs \d+ sheets of A4"):
        template_sheets(Drawing([Circle(0, 0, 5000.0)]))


def svg_sizes(text: str) -> tuple[float, float, list[float]]:
    root = ET.fromstring(text)
    return (
        float(root.attrib["width"][:-2]),
        float(root.attrib["height"][:-2]),
        [float(f) for f in root.attrib["viewBox"].split()],
    )


def test_svg_is_in_mm_with_a_view_box_in_the_same_numbers() -> None:
    """Width and height end in mm, and one user unit is one mm."""
    text = svg_text([Sheet(210.0, 297.0, (Drawn(Line(10, 20, 110, 20), THIN),))], "a < b & c")
    width, height, box = svg_sizes(text)
    assert (
        re.search(r'width="210mm" height="297mm"', text)
        and (width, height) == (210.0, 297.0)
        and box == [0, 0, 210, 297]
    )
    assert 'd="M10 277L110 277"' in text and "a &lt; b &amp; c" in text


def read(content: bytes) -> ezdxf.document.Drawing:
    return ezdxf.read(io.StringIO(content.decode()))


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_dxf_is_clean_true_and_in_mm(version: str, caplog: pytest.LogCaptureFixture) -> None:
    """ezdxf audits it without a finding; kinds are true ones on layers by purpose; the check square is 100 mm."""
    document = read(sketch_dxf(SLOTTED, version=version))
    assert caplog.records == []
    assert not document.audit().has_errors and not document.audit().has_fixes
    if version != "R12":
        assert document.header["$INSUNITS"] == 4
    kinds = {(e.dxf.layer, e.dxftype()) for e in document.modelspace()}
    chain = "POLYLINE" if version == "R12" else "LWPOLYLINE"
    assert {("cut", chain), ("cut", "CIRCLE"), ("bend", "LINE"), ("mark", "ARC"), ("check", chain)} <= kinds
    assert {name.dxf.name for name in document.layers} >= {"cut", "bend", "mark", "reference", "check"}
    square = next(dxf_path.make_path(e) for e in document.modelspace() if e.dxf.layer == "check")
    corners = np.array([tuple(v) for v in square.control_vertices()])[:, :2]
    np.testing.assert_allclose(np.ptp(corners, axis=0), [100.0, 100.0])
    assert square.is_closed


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_blank_drawings_are_what_ezdxf_writes(version: str) -> None:
    """The stored frames round our shapes are whole: layers and line types are those that our code names."""
    maker = runpy.run_path(str(Path(__file__).with_name("blank_dxf.py")))
    if ezdxf.__version__ != maker["MADE_BY"]:
        pytest.skip("another ezdxf may order its tables otherwise")
    assert maker["stored"](version).read_text() == maker["blank"](version)


@pytest.mark.parametrize("version", ["R2010", "R12"])
def test_no_two_records_of_a_dxf_share_a_handle(version: str) -> None:
    """Shapes take handles from where the blank drawing stops, and the header says where the next may start."""
    document = read(sketch_dxf(SLOTTED, version=version))
    text = sketch_dxf(SLOTTED, version=version).decode()
    handles = re.findall(r"\n  (?:5|105)\n([0-9A-F]+)(?=\n)", text.split("\nENDSEC\n", 1)[1])
    assert len(handles) == len(set(handles)) and len(handles) > 20
    assert max(int(handle, 16) for handle in handles) < int(document.header["$HANDSEED"], 16)


def test_dxf_lengths_against_shapely() -> None:
    """Outline length and area by ezdxf's own flattening and shapely equal 2·(100+50)+2π·10 and the closed formula."""
    document = read(cutting_dxf(SLOTTED))
    chain = next(
        e for e in document.modelspace() if e.dxftype() == "LWPOLYLINE" and e.dxf.layer == "cut" and len(e) == 8
    )
    pieces = [
        e.flattening(1e-5) if e.dxftype() == "ARC" else (e.dxf.start, e.dxf.end) for e in chain.virtual_entities()
    ]
    runs = [[(v.x, v.y) for v in piece] for piece in pieces]
    corners = [(v[0], v[1]) for v in chain.get_points("xy")]
    turned = [run if math.dist(run[0], corner) < 1e-6 else run[::-1] for run, corner in zip(runs, corners, strict=True)]
    shape = Polygon([point for run in turned for point in run])
    assert shape.length == pytest.approx(300.0 + 20.0 * math.pi, abs=1e-3)
    assert shape.area == pytest.approx(120 * 70 - (4 - math.pi) * 100.0, abs=1e-2)


def test_cutting_file_holds_only_what_is_cut_bent_or_checked() -> None:
    """No mark, no reference, no text."""
    document = read(cutting_dxf(SLOTTED))
    assert {e.dxf.layer for e in document.modelspace()} == {"cut", "bend", "check"}
    assert "TEXT" not in {e.dxftype() for e in document.modelspace()}


def test_chains_of_measured_parts_are_closed_and_single(parts: ModuleType) -> None:
    """On made-up parts no cut piece lies on another and every outline is one closed chain."""
    for seed in range(0, 30, 3):
        content = cutting_dxf(drawing_of(parts.made_part(seed)).entities)
        cut = [e for e in read(content).modelspace() if e.dxf.layer == "cut"]
        assert {e.dxftype() for e in cut} <= {"LWPOLYLINE", "CIRCLE"}
        assert all(e.closed for e in cut if e.dxftype() == "LWPOLYLINE")
        assert len(
            {
                str(sorted(e.dxfattribs().items(), key=str))
                + str(list(e.get_points()) if e.dxftype() == "LWPOLYLINE" else "")
                for e in cut
            }
        ) == len(cut)


SLOTTED_WITH_SQUARE = (
    *SLOTTED,
    Polyline(((140, 0, 0), (240, 0, 0), (240, 100, 0), (140, 100, 0)), True, "check"),
)
DAMAGES = {
    "radius": ("\n6.25\n", "\n6.26\n"),
    "corner": ("\n110.0\n", "\n110.1\n"),
    "bulge": ("0.414213562373095", "0.415213562373095"),
    "layer": ("\nbend\n100\nAcDbLine\n", "\ncut\n100\nAcDbLine\n"),
    "unit": ("$INSUNITS\n 70\n4\n", "$INSUNITS\n 70\n1\n"),
}


@pytest.fixture
def stored() -> str:
    """A drawing written once and kept."""
    return Path(__file__).with_name("stored_plate.dxf").read_text()


def test_the_stored_drawing_is_still_what_is_drawn(stored: str) -> None:
    """The file kept in the tree, and one written now, both hold the shapes of the drawing."""
    compare_dxf(stored, SLOTTED_WITH_SQUARE)
    compare_dxf(sketch_dxf(SLOTTED).decode(), SLOTTED_WITH_SQUARE)


@pytest.mark.parametrize("what", DAMAGES)
def test_a_damaged_drawing_is_found(what: str, stored: str) -> None:
    """The comparison after writing can fail: it does on the stored drawing with one thing changed."""
    before, after = DAMAGES[what]
    assert before in stored
    with pytest.raises(OutputError, match="differs from the drawing"):
        compare_dxf(stored.replace(before, after, 1), SLOTTED_WITH_SQUARE)


def test_a_missing_shape_is_found(stored: str) -> None:
    """A file with fewer shapes than the drawing is not taken."""
    with pytest.raises(OutputError, match="layer cut holds 3 shapes instead of 4"):
        compare_dxf(stored, (*SLOTTED_WITH_SQUARE, Circle(1.0, 1.0, 1.0)))


def test_all_pens_say_the_same(parts: ModuleType) -> None:
    """Every word of the sheet is in the SVG, the PDF and the DXF."""
    drawing = drawing_of(parts.made_part(11), title=TitleBlock("plate 11", date="2026-11-25"))
    sheets = sketch_sheets(drawing)
    words = {item.text for item in sheets[0].items if hasattr(item, "text")}
    svg = ET.fromstring(svg_text(sheets))
    in_svg = {element.text for element in svg.iter() if element.tag.endswith("text")}
    in_dxf = {e.dxf.text for e in read(sketch_dxf(drawing.entities, sheets[0])).modelspace() if e.dxftype() == "TEXT"}
    in_pdf = re.sub(r"\s", "", "".join(page.extract_text() for page in PdfReader(io.BytesIO(pdf_bytes(sheets))).pages))
    assert words <= in_svg and words <= in_dxf
    assert all(re.sub(r"\s", "", word) in in_pdf for word in words)
