"""`edgewright photo` refuses in one plain line, with exit code 2, and writes nothing."""

from __future__ import annotations

import json
import struct
import zlib
from dataclasses import replace
from pathlib import Path

import cv2
import numpy as np
import pytest

SIZE = (1400, 1050)
READINGS = ("--height", "2", "--print-x", "180", "--print-y", "240")


@pytest.fixture(scope="module")
def scene(drawn):
    return drawn.Scene(drawn.look(8, 120, 250, size=SIZE))


@pytest.fixture(scope="module")
def pixels(drawn, scene) -> np.ndarray:
    return drawn.draw(scene)


@pytest.fixture(scope="module")
def photo(drawn, pixels, tmp_path_factory) -> Path:
    return drawn.save(tmp_path_factory.mktemp("photo") / "plate.jpg", pixels)


@pytest.fixture
def refused(edgewright, tmp_path):
    """Run the command and hand back its one line; nothing may stand in the folder afterwards."""

    def run(picture: Path, *options: str) -> str:
        out = tmp_path / "out"
        outcome = edgewright("photo", picture, "-o", out, *options)
        assert outcome.code == 2, outcome.out
        assert not out.exists() and not outcome.out and len(outcome.err.splitlines()) == 1
        assert not [*tmp_path.glob(".*")], "nothing half-written"
        return outcome.err

    return run


def test_a_height_in_another_unit_is_asked_about(photo, refused):
    line = refused(photo, "--height", "2in", *READINGS[2:])
    assert "It was read as 50.8 mm." in line


def test_a_picture_too_coarse_to_tell_an_edge_from_its_shadow(drawn, pixels, refused, tmp_path):
    small = cv2.resize(pixels, None, fx=0.42, fy=0.42, interpolation=cv2.INTER_AREA)
    line = refused(drawn.save(tmp_path / "small.jpg", small), *READINGS)
    assert "a mm is only 1." in line and "messengers shrink photos" in line


def test_no_target(drawn, scene, refused, tmp_path):
    bare = drawn.draw(replace(scene, pieces=(), places=np.zeros((0, 3))))
    assert "target" in refused(drawn.save(tmp_path / "bare.jpg", bare), *READINGS)


def test_too_little_target(drawn, pixels, refused, tmp_path):
    covered = pixels.copy()
    covered[:, 340:] = 60
    covered[420:] = 60
    line = refused(drawn.save(tmp_path / "covered.jpg", covered), *READINGS)
    assert "corners" in line and "uncover" in line


def test_mirrored(drawn, pixels, refused, tmp_path):
    assert "mirrored" in refused(drawn.save(tmp_path / "mirrored.jpg", pixels[:, ::-1].copy()), *READINGS)


def test_blurred_beyond_use(drawn, scene, refused, tmp_path):
    picture = drawn.save(tmp_path / "soft.jpg", drawn.draw(replace(scene, blur=5.0)))
    line = refused(picture, *READINGS)
    assert any(word in line for word in ("blur", "sharp", "target"))


def test_no_part(drawn, scene, refused, tmp_path):
    picture = drawn.save(tmp_path / "empty.jpg", drawn.draw(replace(scene, plate=None)))
    assert "No part is to be seen inside the frame" in refused(picture, *READINGS)


def test_part_over_the_print(drawn, scene, refused, tmp_path):
    wide = replace(scene, plate=drawn.Plate(150, 60, holes=()))
    picture = drawn.save(tmp_path / "wide.jpg", drawn.draw(wide))
    assert "reaches over the printed frame" in refused(picture, *READINGS)


def test_strips_alone_name_the_command_to_use(drawn, scene, refused, tmp_path):
    from capture.pieces import strip

    places = np.array([[0, 0, 0], [0, 140, 0]])
    loose = replace(scene, pieces=(strip(3), strip(4)), places=places, plate=None)
    assert "edgewright run" in refused(drawn.save(tmp_path / "strips.jpg", drawn.draw(loose)), *READINGS)


def png(width: int, height: int) -> bytes:
    """A few bytes that claim to be a huge picture (PNG specification, 5.3 and 11.2)."""
    chunks = {
        b"IHDR": struct.pack(">IIBBBBB", width, height, 8, 2, 0, 0, 0),
        b"IDAT": zlib.compress(b"\0"),
        b"IEND": b"",
    }
    parts = [struct.pack(">I", len(d)) + k + d + struct.pack(">I", zlib.crc32(k + d)) for k, d in chunks.items()]
    return b"\x89PNG\r\n\x1a\n" + b"".join(parts)


@pytest.mark.parametrize(
    "name, data, words",
    [
        ("notes.jpg", b"not a picture at all", "is not a JPEG, PNG, TIFF or HEIC picture"),
        ("empty.jpg", b"", "is empty"),
        ("huge.png", png(40000, 40000), "over the limit of 200 million"),
    ],
    ids=["text", "empty", "huge"],
)
def test_files_that_are_no_photo(refused, tmp_path, name, data, words):
    (tmp_path / name).write_bytes(data)
    assert words in refused(tmp_path / name, *READINGS)


def test_cut_short(photo, refused, tmp_path):
    data = photo.read_bytes()
    short = tmp_path / "short.jpg"
    short.write_bytes(data[: len(data) // 2])
    line = refused(short, *READINGS)
    assert "cut short" in line and str(short) in line
    assert short.read_bytes() == data[: len(data) // 2]


def test_missing(refused, tmp_path):
    assert "cannot be read" in refused(tmp_path / "none.jpg", *READINGS)


@pytest.mark.parametrize(
    "options, words",
    [
        (("--print-x", "150"), "within 90 to 110 % of its nominal 180 mm"),
        (("--print-y", "270"), "within 90 to 110 % of its nominal 240 mm"),
        (("--print-x", "180", "--print-y", "236"), "must agree within 1 %"),
        (("--height", "2 parsecs"), "is not a length"),
        (("--height", "1,250"), "can be read in two ways"),
        (("--height", "-3"), "0 to 500 mm"),
        (("--height", "900"), "0 to 500 mm"),
        (("--height", "2±1", "--height-u", "0.1"), "not both"),
        (("--height", "2", "--thickness", "5"), "no more than the height"),
        (("--height-u", "0"), "0"),
        (("--unit-out", "furlong"), "furlong"),
        (("--camera", "none.json"), "cannot be read"),
    ],
)
def test_impossible_options(photo, refused, options, words):
    assert words in refused(photo, *options)


def test_another_cameras_lens(photo, refused, tmp_path):
    lens = {"format": "edgewright-camera", "version": 1, "size": [4000, 3000], "fx": 3000.0, "fy": 3000.0, "cx": 1999.5,
            "cy": 1499.5, "distortion": [0, 0, 0, 0, 0], "covariance": {"matrix": np.eye(9).tolist()}}  # fmt: skip
    (tmp_path / "camera.json").write_text(json.dumps(lens))
    assert "was learned at 4000 × 3000 px" in refused(photo, "--camera", str(tmp_path / "camera.json"), *READINGS)


def test_a_folder_that_is_not_ours(edgewright, photo, tmp_path):
    (tmp_path / "letters").mkdir()
    (tmp_path / "letters/dear.txt").write_text("mine")
    outcome = edgewright("photo", photo, "-o", tmp_path / "letters", *READINGS)
    assert outcome.code == 2 and "--replace" in outcome.err and len(outcome.err.splitlines()) == 1
    assert [p.name for p in (tmp_path / "letters").iterdir()] == ["dear.txt"]


def test_a_folder_that_cannot_be_made(edgewright, photo, tmp_path):
    (tmp_path / "file").write_text("in the way")
    outcome = edgewright("photo", photo, "-o", tmp_path / "file" / "out", *READINGS)
    assert outcome.code == 2 and len(outcome.err.splitlines()) == 1 and "Traceback" not in outcome.err


def test_stopped_half_way(edgewright, photo, tmp_path, monkeypatch):
    import capture.shooting

    def stop(*_: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(capture.shooting, "measure_part", stop)
    outcome = edgewright("photo", photo, "-o", tmp_path / "out", *READINGS)
    assert outcome.code == 130 and "nothing was written" in outcome.err
    assert not (tmp_path / "out").exists()
