"""Printed targets, read back by OpenCV's own detectors from what poppler and a browser make of the files."""

from __future__ import annotations

import re
import shutil
import subprocess
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest
from PIL import Image

from capture.pieces import Piece, frame, sheet, strip
from capture.printing.pdf import pdf_bytes
from capture.printing.write import pages_of

DPI = 600
PX = DPI / 25.4
PAPERS = {"a4": (210.0, 297.0), "letter": (215.9, 279.4)}
LIMIT = 0.03  # mm, how far a printed corner may lie from its nominal place
DOT = 1 / PX  # poppler and browsers round the ends of a filled bar to whole dots


def raster(pdf: Path, page: int = 1) -> np.ndarray:
    """One PDF page as grey levels, drawn by poppler."""
    stem = pdf.with_suffix("")
    command = [
        "pdftoppm",
        "-r",
        str(DPI),
        "-gray",
        "-f",
        str(page),
        "-l",
        str(page),
        "-singlefile",
        str(pdf),
        str(stem),
    ]
    subprocess.run(command, check=True)
    return cv2.imread(f"{stem}.pgm", cv2.IMREAD_GRAYSCALE)


def corner_error(image: np.ndarray, piece: Piece, px: float = PX) -> float:
    """Largest distance of a detected inner corner from its nominal place, mm, the pattern free to sit anywhere."""
    found, ids, _, _ = cv2.aruco.CharucoDetector(piece.board()).detectBoard(image)
    found, ids = np.reshape(found, (-1, 2)), np.ravel(ids)
    true_ids = piece.corner_ids()
    assert set(true_ids) <= set(ids)
    seen = found[[list(ids).index(i) for i in true_ids]] / px * [1, -1]
    off = seen - piece.corner_xy(true_ids)
    return float(np.max(np.hypot(*(off - off.mean(axis=0)).T)))


def check_bars(image: np.ndarray, px: float = PX) -> tuple[float, float]:
    """Lengths of the level and the upright check bar, mm, by the ink along their middles."""
    shapes, _ = cv2.findContours((image < 128).astype(np.uint8), cv2.RETR_EXTERNAL, cv2.CHAIN_APPROX_SIMPLE)
    boxes = [cv2.boundingRect(shape) for shape in shapes]
    level = next(box for box in boxes if box[2] > 90 * px and box[3] < 2 * px)
    upright = next(box for box in boxes if box[3] > 90 * px and box[2] < 2 * px)
    row = image[level[1] + level[3] // 2, level[0] - 4 : level[0] + level[2] + 4]
    column = image[upright[1] - 4 : upright[1] + upright[3] + 4, upright[0] + upright[2] // 2]
    return tuple(float(np.sum(1 - line / 255.0) / px) for line in (row, column))


@pytest.mark.parametrize("paper", PAPERS)
@pytest.mark.parametrize("kind", ["frame", "sheet"])
def test_board_pdf_prints_at_true_size(edgewright, tmp_path, kind, paper):
    out = tmp_path / "board.pdf"
    assert edgewright("target", kind, "-o", out, "--paper", paper).code == 0
    image = raster(out)
    assert np.allclose(np.array(image.shape[::-1]) / PX, PAPERS[paper], atol=0.1)
    assert corner_error(image, frame() if kind == "frame" else sheet()) < LIMIT
    assert check_bars(image) == pytest.approx((100, 100), abs=DOT)


def test_frame_is_blank_inside(edgewright, tmp_path):
    edgewright("target", "frame", "-o", tmp_path / "frame.pdf")
    image = raster(tmp_path / "frame.pdf")
    left, top = (210 - 180) / 2, (297 - 240) / 2
    found, ids, _, _ = cv2.aruco.CharucoDetector(frame().board()).detectBoard(image)
    first = np.reshape(found, (-1, 2))[list(np.ravel(ids)).index(0)] / PX  # 12 mm in from the pattern's upper left
    left, top = first - 12
    inside = image[
        round((top + 24.3) * PX) : round((top + 215.7) * PX), round((left + 24.3) * PX) : round((left + 155.7) * PX)
    ]
    assert inside.min() == 255
    assert inside.shape[0] > 190 * PX


@pytest.mark.parametrize("paper", PAPERS)
def test_strips_pdf_prints_at_true_size(edgewright, tmp_path, paper):
    out = tmp_path / "strips.pdf"
    edgewright("target", "strips", "-o", out, "--paper", paper, "--first", 3, "--count", 5)
    for page, numbers in ((1, (3, 4, 5)), (2, (6, 7))):
        image = raster(out, page)
        half = cv2.resize(image, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)
        assert max(corner_error(half, strip(number), PX / 2) for number in numbers) < LIMIT
        assert check_bars(image) == pytest.approx((100, 100), abs=DOT)


@pytest.mark.parametrize("number", [0, 11, 19])
def test_strip_ids_are_its_own(edgewright, tmp_path, number):
    edgewright("target", "strips", "-o", tmp_path / "one.pdf", "--first", number, "--count", 1)
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    _, ids, _ = cv2.aruco.ArucoDetector(dictionary).detectMarkers(raster(tmp_path / "one.pdf"))
    assert sorted(np.ravel(ids)) == list(range(150 + 24 * number, 174 + 24 * number))


def sticker_centres(image: np.ndarray) -> dict[int, np.ndarray]:
    """Id -> centre in mm from the upper left, by OpenCV's marker detector."""
    settings = cv2.aruco.DetectorParameters()
    settings.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    dictionary = cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_1000)
    corners, ids, _ = cv2.aruco.ArucoDetector(dictionary, settings).detectMarkers(image)
    return {int(i): np.mean(np.reshape(c, (4, 2)), axis=0) / PX for i, c in zip(np.ravel(ids), corners, strict=True)}


@pytest.mark.parametrize(("paper", "full"), [("a4", 108), ("letter", 99)])
def test_stickers_pdf_decodes_in_place(edgewright, tmp_path, paper, full):
    out = tmp_path / "stickers.pdf"
    edgewright("target", "stickers", "-o", out, "--paper", paper)
    image = raster(out)
    centres = sticker_centres(image)
    assert sorted(centres) == list(range(700, 700 + full))
    places = np.array([centres[700 + k] for k in range(full)])
    nominal = np.array([(21.0 * (k % 9), 21.0 * (k // 9)) for k in range(full)])
    off = places - nominal
    assert np.hypot(*(off - off.mean(axis=0)).T).max() < LIMIT
    assert check_bars(image) == pytest.approx((100, 100), abs=DOT)


def test_last_stickers_end_at_299(edgewright, tmp_path):
    edgewright("target", "stickers", "-o", tmp_path / "last.pdf", "--first", 290)
    assert sorted(sticker_centres(raster(tmp_path / "last.pdf"))) == list(range(990, 1000))


def test_wrong_scale_would_be_seen(tmp_path):
    """The check itself: a page printed 0.05 % large fails it."""
    (page,) = pages_of("frame", "a4", 0, None)
    grown = replace(page, ink=tuple(replace(ink, rects=ink.rects * 1.0005) for ink in page.ink))
    (tmp_path / "grown.pdf").write_bytes(pdf_bytes([grown]))
    assert corner_error(raster(tmp_path / "grown.pdf"), frame()) > LIMIT


def test_png_opens_at_true_size(edgewright, tmp_path):
    out = tmp_path / "frame.png"
    edgewright("target", "frame", "-o", out, "--paper", "letter")
    with Image.open(out) as picture:
        assert picture.info["dpi"] == pytest.approx((600, 600), abs=0.01)
        assert picture.size == (5100, 6600)
    image = cv2.imread(str(out), cv2.IMREAD_GRAYSCALE)
    assert corner_error(image, frame()) < LIMIT
    assert check_bars(image) == pytest.approx((100, 100), abs=DOT)


def test_svg_in_a_browser_is_true_to_size(edgewright, tmp_path):
    browser = shutil.which("chromium")
    if browser is None:
        pytest.skip("needs the program chromium (Debian package chromium)")
    edgewright("target", "strips", "-o", tmp_path / "strips.svg", "--count", 3)
    ratio = 3  # CSS fixes 96 px to the inch
    options = [
        "--headless",
        "--no-sandbox",
        "--disable-gpu",
        "--disable-background-networking",
        "--disable-sync",
        "--no-first-run",
    ]
    options += [f"--user-data-dir={tmp_path / 'profile'}", f"--force-device-scale-factor={ratio}"]
    options += ["--window-size=800,1125", f"--screenshot={tmp_path / 'shot.png'}"]
    subprocess.run([browser, *options, (tmp_path / "strips.svg").as_uri()], check=True, capture_output=True, timeout=60)
    image = cv2.imread(str(tmp_path / "shot.png"), cv2.IMREAD_GRAYSCALE)
    px = 96 * ratio / 25.4
    assert max(corner_error(image, strip(number), px) for number in range(3)) < LIMIT
    assert check_bars(image, px) == pytest.approx((100, 100), abs=DOT)


def test_svg_says_its_size_in_mm(edgewright, tmp_path):
    edgewright("target", "sheet", "-o", tmp_path / "sheet.svg", "--paper", "letter")
    text = (tmp_path / "sheet.svg").read_text()
    assert re.search(r'width="215.9mm" height="279.4mm" viewBox="0 0 215.9 279.4"', text)


@pytest.mark.parametrize(
    ("kind", "phrases"),
    [
        ("frame", ("nominal 180 mm", "nominal 240 mm", "Frame", "outer sides")),
        ("sheet", ("nominal 180 mm", "nominal 240 mm", "Sheet", "outer sides")),
        ("strips", ("nominal 45 mm", "nominal 240 mm", "strip 0", "outer sides")),
        ("stickers", ("15 × 15 mm", "Stickers 0 to 107")),
    ],
)
def test_page_says_what_it_is(edgewright, tmp_path, kind, phrases):
    edgewright("target", kind, "-o", tmp_path / "page.pdf")
    words = subprocess.run(["pdftotext", "-raw", tmp_path / "page.pdf", "-"], capture_output=True, text=True).stdout
    words = " ".join(words.split())
    for phrase in (*phrases, "print at 100 %", "edgewright 0.1.0", "x check bar, 100 mm", "y check bar, 100 mm", "A4"):
        assert phrase in words


def test_words_stay_on_the_paper_and_apart(edgewright, tmp_path):
    """No word box of any page leaves the printable paper (4 mm) or overlaps another, by poppler's boxes."""
    for kind in ("frame", "strips", "sheet", "stickers"):
        for paper, (width, height) in PAPERS.items():
            out = tmp_path / f"{kind}-{paper}.pdf"
            edgewright("target", kind, "-o", out, "--paper", paper)
            html = subprocess.run(
                ["pdftotext", "-l", "1", "-bbox-layout", out, "-"], capture_output=True, text=True
            ).stdout
            found = re.findall(r'<line xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)"', html)
            boxes = np.array(found, float) * 25.4 / 72
            assert len(boxes) > 8
            assert boxes[:, :2].min() > 3.9
            assert (boxes[:, 2:] < np.array([width, height]) - 3.9).all()
            low, high = boxes[:, None, :2], boxes[:, None, 2:]
            shared = np.minimum(high, boxes[None, :, 2:]) - np.maximum(low, boxes[None, :, :2])
            overlap = (shared > 0.7).all(axis=2)  # boxes are a line high, ink is lower
            np.fill_diagonal(overlap, False)
            assert not overlap.any(), out.name


def test_same_page_same_bytes(edgewright, tmp_path):
    for name in ("a.pdf", "b.pdf"):
        edgewright("target", "strips", "-o", tmp_path / name)
    assert (tmp_path / "a.pdf").read_bytes() == (tmp_path / "b.pdf").read_bytes()


def test_several_pages_become_numbered_pictures(edgewright, tmp_path):
    edgewright("target", "strips", "-o", tmp_path / "s.svg", "--count", 7)
    assert sorted(path.name for path in tmp_path.iterdir()) == ["s-1.svg", "s-2.svg", "s-3.svg"]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("frame", "-o", "x.jpg"), r"must end in .pdf, .svg or .png; got 'x.jpg'"),
        (("frame", "-o", "x"), r"must end in .pdf, .svg or .png"),
        (("frame", "-o", "x.pdf", "--first", "1"), r"frame comes singly"),
        (("sheet", "-o", "x.pdf", "--count", "2"), r"sheet comes singly"),
        (("strips", "-o", "x.pdf", "--first", "18"), r"strips are numbered 0 to 19; got 18 to 21"),
        (("strips", "-o", "x.pdf", "--first", "-1"), r"strips are numbered 0 to 19"),
        (("strips", "-o", "x.pdf", "--count", "0"), r"--count"),
        (("stickers", "-o", "x.pdf", "--first", "300"), r"stickers are numbered 0 to 299"),
        (("stickers", "-o", "x.pdf", "--count", "301"), r"stickers are numbered 0 to 299"),
        (("banner", "-o", "x.pdf"), r"'banner' is not one of"),
        (("frame",), r"-o is missing: file to write"),
        (("frame", "-o", "x.pdf", "--paper", "a3"), r"'a3' is not one of"),
        (("frame", "-o", "."), r"must end in"),
        (("frame", "-o", "folder.pdf"), r"is a folder"),
        (("frame", "-o", "photo.png"), r"exists and is not a printed target"),
        (("frame", "-o", "photo.png/x.pdf"), r"Cannot write"),
    ],
)
def test_bad_input_is_refused_in_one_line(edgewright, tmp_path, monkeypatch, arguments, message):
    monkeypatch.chdir(tmp_path)
    (tmp_path / "folder.pdf").mkdir()
    (tmp_path / "photo.png").write_bytes(b"a photo")
    outcome = edgewright("target", *arguments)
    assert outcome.code == 2
    assert re.search(message, outcome.err)
    assert outcome.err.count("\n") == 1
    assert sorted(path.name for path in tmp_path.iterdir()) == ["folder.pdf", "photo.png"]
    assert (tmp_path / "photo.png").read_bytes() == b"a photo"


def test_replace_overwrites_and_own_files_are_overwritten(edgewright, tmp_path):
    (tmp_path / "p.svg").write_bytes(b"something else")
    assert edgewright("target", "frame", "-o", tmp_path / "p.svg", "--replace").code == 0
    assert edgewright("target", "sheet", "-o", tmp_path / "p.svg").code == 0
    assert b"Sheet" in (tmp_path / "p.svg").read_bytes()
