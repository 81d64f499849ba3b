"""Result folders: whole at every moment, refused where they are not ours, the same bytes for the same input."""

from __future__ import annotations

import json
import os
import random
import signal
import subprocess
import sys
import time
from pathlib import Path
from types import ModuleType

import pytest

from fit.clouds import npz_bytes
from fit.commands.show import show
from fit.drawing.model import TitleBlock
from fit.errors import OutputError
from fit.folders import check_folder, put_folder
from fit.outputs import write_result
from fit.points import Points
from fit.results import Results

TITLE = TitleBlock(name="hatch plate", date="2026-11-25")


def points() -> Points:
    return Points([[0.0, 0.0, 0.0], [1.0, 2.0, 3.0]], 0.01)


def hidden(folder: Path) -> list[str]:
    return sorted(item.name for item in folder.iterdir() if item.name.startswith("."))


def test_a_result_folder_holds_what_it_lists(tmp_path: Path, parts: ModuleType) -> None:
    """Every file of the interface is there, and results.json names them all."""
    out = tmp_path / "deep" / "out"
    record = write_result(out, parts.made_part(5), points(), files={"overlay.png": b"\x89PNG"}, title=TITLE)
    names = {item.name for item in out.iterdir()}
    assert names == set(record["files"]) == set(json.loads((out / "results.json").read_text())["files"])
    wanted = {"results.json", "sketch.svg", "sketch.dxf", "sketch.pdf", "cloud.ply", "points.npz", "report.html"}
    assert wanted | {"cut_mm.dxf", "cut_mm_r12.dxf", "cloud_mm.xyz", "template_1to1.pdf", "overlay.png"} == names
    assert hidden(out.parent) == []


def test_a_template_of_too_many_sheets_is_told(tmp_path: Path, parts: ModuleType, capsys) -> None:
    """A part of 5 m is not tiled; the record, the page and the terminal say so."""
    large = Results("x", features=[parts.path("outline", parts.rounded_plate(5000.0, 3000.0, 50.0))])
    record = write_result(tmp_path / "out", large, title=TITLE)
    assert "template_1to1.pdf" not in record["files"]
    (notice,) = [item for item in record["warnings"] if item["code"] == "template-left-out"]
    assert notice["text"] in (tmp_path / "out" / "report.html").read_text()
    show(record, large)
    assert notice["text"] in capsys.readouterr().out


def test_equal_input_gives_equal_bytes(tmp_path: Path, parts: ModuleType) -> None:
    """No time, no random number, no order of a set gets into a file: also not in another process."""
    code = (
        "import sys; sys.path.insert(0, sys.argv[1]); import made_parts as m; from fit.outputs import write_result; "
        "from fit.drawing.model import TitleBlock; from fit.points import Points; "
        "write_result(sys.argv[2], m.made_part(5), Points([[0.0, 0.0, 0.0], [1.0, 2.0, 3.0]], 0.01), "
        "title=TitleBlock(name='hatch plate', date='2026-11-25'))"
    )
    here = str(Path(__file__).parent)
    subprocess.run(
        [sys.executable, "-c", code, here, str(tmp_path / "b")], check=True, env={**os.environ, "PYTHONHASHSEED": "7"}
    )
    write_result(tmp_path / "a", parts.made_part(5), points(), title=TITLE)
    for item in (tmp_path / "a").iterdir():
        assert item.read_bytes() == (tmp_path / "b" / item.name).read_bytes(), item.name


def test_a_folder_with_other_things_is_refused_and_untouched(tmp_path: Path, parts: ModuleType) -> None:
    """Without --replace nothing happens; with it the stranger stays."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "notes.txt").write_text("mine")
    (out / "photos").mkdir()
    (out / "photos" / "a.jpg").write_bytes(b"jpg")
    with pytest.raises(OutputError, match=r"holds other things than an earlier result \(notes.txt\).*--replace"):
        write_result(out, parts.made_part(5))
    assert sorted(item.name for item in out.iterdir()) == ["notes.txt", "photos"]
    write_result(out, parts.made_part(5), replace=True)
    assert (out / "notes.txt").read_text() == "mine" and (out / "photos" / "a.jpg").read_bytes() == b"jpg"
    write_result(out, parts.made_part(6), replace=True)
    assert (out / "notes.txt").read_text() == "mine" and hidden(tmp_path) == []


def test_only_listed_files_of_an_earlier_result_go(tmp_path: Path, parts: ModuleType) -> None:
    """A second result removes what only the first one had; no --replace is needed for a folder of ours."""
    out = tmp_path / "out"
    write_result(out, parts.made_part(5), points(), files={"overlay.png": b"x"})
    write_result(out, parts.made_part(5))
    assert not (out / "overlay.png").exists() and not (out / "cloud.ply").exists()


def test_a_list_of_files_cannot_reach_outside(tmp_path: Path, parts: ModuleType) -> None:
    """A doctored list with a path in it deletes nothing elsewhere, and its names stay strangers."""
    out = tmp_path / "out"
    write_result(out, parts.made_part(5))
    (tmp_path / "precious").write_text("keep")
    record = json.loads((out / "results.json").read_text())
    record["files"] += ["../precious", "..", ""]
    (out / "results.json").write_text(json.dumps(record))
    write_result(out, parts.made_part(6))
    assert (tmp_path / "precious").read_text() == "keep"


def test_a_folder_that_was_looked_at_is_still_ours(tmp_path: Path, parts: ModuleType) -> None:
    """What file managers drop does not count as somebody's file, and stays."""
    out = tmp_path / "out"
    write_result(out, parts.made_part(5))
    (out / ".DS_Store").write_bytes(b"\0")
    write_result(out, parts.made_part(6))
    assert (out / ".DS_Store").read_bytes() == b"\0"


def test_a_listed_name_that_is_a_folder_is_a_stranger(tmp_path: Path, parts: ModuleType) -> None:
    """A result consists of files; a folder that came to bear the name of one is the user's."""
    out = tmp_path / "out"
    write_result(out, parts.made_part(5))
    (out / "report.html").unlink()
    (out / "report.html").mkdir()
    (out / "report.html" / "mine.txt").write_text("keep")
    with pytest.raises(OutputError, match="holds other things"):
        write_result(out, parts.made_part(6))
    with pytest.raises(OutputError, match="would be overwritten"):
        write_result(out, parts.made_part(6), replace=True)
    assert (out / "report.html" / "mine.txt").read_text() == "keep"


def test_a_file_of_the_user_is_never_overwritten(tmp_path: Path) -> None:
    """A sketch.pdf that no result listed stops even --replace."""
    out = tmp_path / "out"
    out.mkdir()
    (out / "sketch.pdf").write_text("my own")
    with pytest.raises(OutputError, match=r"sketch.pdf: is not from an earlier result"):
        put_folder(out, {"sketch.pdf": b"new"}, replace=True)
    assert (out / "sketch.pdf").read_text() == "my own"


def test_a_file_in_the_place_of_the_folder(tmp_path: Path) -> None:
    """-o naming a file is told so."""
    (tmp_path / "out").write_text("x")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        check_folder(tmp_path / "out")
    with pytest.raises(OutputError, match="is a file, not a folder"):
        check_folder(tmp_path / "out" / "deeper")


def test_a_folder_that_cannot_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Refused before any work, in words."""
    monkeypatch.setattr(os, "access", lambda *a, **k: False)
    with pytest.raises(OutputError, match="cannot be written to; choose another folder"):
        check_folder(tmp_path / "out")


def test_a_full_disk_leaves_the_earlier_result(
    tmp_path: Path, parts: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """An error while building is one line; the folder is as before and nothing is left beside it."""
    out = tmp_path / "out"
    write_result(out, parts.made_part(5), title=TITLE)
    before = {item.name: item.read_bytes() for item in out.iterdir()}

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError, match="No space left on device"):
        write_result(out, parts.made_part(6), title=TITLE)
    assert {item.name: item.read_bytes() for item in out.iterdir()} == before and hidden(tmp_path) == []


def test_without_exchange_two_renames_do(tmp_path: Path, parts: ModuleType, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the system cannot swap folders, the earlier one is set aside; a run killed in between brings it back."""
    import fit.folders

    out = tmp_path / "out"
    write_result(out, parts.made_part(5))
    monkeypatch.setattr(fit.folders, "_exchange", lambda *_: False)
    write_result(out, parts.made_part(6))
    assert hidden(tmp_path) == []
    out.rename(tmp_path / ".out.earlier")
    check_folder(out)
    assert (out / "results.json").exists() and hidden(tmp_path) == []


def test_the_working_folder_itself_can_take_results(
    tmp_path: Path, parts: ModuleType, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A shell that stands in the folder stays in it."""
    monkeypatch.chdir(tmp_path)
    write_result(".", parts.made_part(5), points())
    write_result(".", parts.made_part(6))
    assert Path("results.json").exists() and not Path("cloud.ply").exists()


KILLED = """
import sys
from fit.folders import put_folder
for k in range(1000):
    content = {f"file {i}": bytes([k % 256]) * 20000 for i in range(8)}
    content["results.json"] = ('{"format": "edgewright-results", "files": %s, "k": %d}' % (
        str([f"file {i}" for i in range(8)] + ["results.json"]).replace("'", '"'), k % 256)).encode()
    put_folder(sys.argv[1], content)
    print(k, flush=True)
"""


def test_killed_at_random_moments_the_folder_is_whole(tmp_path: Path) -> None:
    """SIGKILL at 50 random moments: all files are always of one and the same run, and the next run succeeds."""
    out = tmp_path / "out"
    chance = random.Random(11)
    for _ in range(5):
        process = subprocess.Popen([sys.executable, "-c", KILLED, str(out)], stdout=subprocess.PIPE)
        assert process.stdout and process.stdout.readline()
        os.kill(process.pid, signal.SIGSTOP)
        for _ in range(9):
            os.kill(process.pid, signal.SIGCONT)
            time.sleep(chance.uniform(0.0, 0.01))
            os.kill(process.pid, signal.SIGSTOP)
            assert_whole(out)
        process.kill()
        process.wait()
        process.stdout.close()
        assert_whole(out)
    put_folder(out, {"results.json": b"{}"})
    assert hidden(tmp_path) == []


def assert_whole(out: Path) -> None:
    """Every file of one run, as a run stopped dead at this moment would leave it."""
    number = json.loads((out / "results.json").read_text())["k"]
    assert {(out / f"file {i}").read_bytes() for i in range(8)} == {bytes([number]) * 20000}
    assert len(list(out.iterdir())) == 9


def test_no_features_still_give_a_result(tmp_path: Path) -> None:
    """A calculator's result may have tables only."""
    record = write_result(tmp_path / "out", Results("none", tables={"bend": {"k": 0.44}}))
    assert record["bend"] == {"k": 0.44} and (tmp_path / "out" / "sketch.pdf").read_bytes().startswith(b"%PDF")


def test_points_bytes_do_not_depend_on_the_day(monkeypatch: pytest.MonkeyPatch) -> None:
    """points.npz is a zip archive, and those carry dates."""
    first = npz_bytes(points())
    monkeypatch.setattr(time, "localtime", lambda *_: time.gmtime(86400 * 15000))
    assert npz_bytes(points()) == first
