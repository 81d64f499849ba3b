"""Marks through the server: found, saved, and the same numbers as the run command, digit for digit."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tomllib

import numpy as np
import pytest

from fit.resultfile import record_text
from fit.results import results_to_dict


@pytest.fixture
def opened(serve, plate):
    client = serve(plate)
    return client, f"job/{client.get('start').record['first']}"


def test_the_same_numbers_as_the_run_command(opened, plate, edgewright, tmp_path):
    client, job = opened
    state = client.get(f"{job}/state").record
    spot = client.get(f"{job}/drawn/0/raw").record["marks"][0]["label"]
    asked = {"revision": state["revision"], "photo": 0, "view": "raw", "kind": "slot", "px": [spot]}
    assert client.post(f"{job}/mark", asked).status == 422  # a round hole is no slot
    sizes = [{"do": "add dimension", "keys": {"kind": "diameter", "of": "bolt", "nominal": 14.1, "tolerance": 0.3}}]
    assert client.post(f"{job}/change", {"revision": state["revision"], "changes": sizes}).status == 200
    mark = {**asked, "kind": "circle", "revision": client.get(f"{job}/revision").record["revision"]}
    assert client.post(f"{job}/mark", mark).status == 200
    shown = client.get(f"{job}/results").record
    made = client.post(f"{job}/make", {}).record
    record = json.loads(client.get(f"{job}/file/results.json").body)
    shutil.copytree(plate.parent, tmp_path / "elsewhere", ignore=shutil.ignore_patterns(".*", "hatch"))
    assert edgewright("run", tmp_path / "elsewhere" / "hatch.toml", "-o", tmp_path / "out").code in (0, 3)
    run = json.loads((tmp_path / "out/results.json").read_text())
    assert record["features"] == run["features"] and record["dimensions"] == run["dimensions"]
    desk = client.server.routes.shelf.desk(job.removeprefix("job/"))
    live = json.loads(record_text(results_to_dict(desk.measured().results)))
    assert live["features"] == run["features"] and live["dimensions"] == run["dimensions"]
    assert [f["name"] for f in shown["features"]] == ["bolt", "hole 1"] and "cut_mm.dxf" in made["files"]


FIRST_TAP = """
import sys
from pathlib import Path
from capture.page import marking
from capture.page.desk import Desk

desk = Desk(Path("hatch.toml"))
held = desk.held(desk.job(), 0)
held.make_ready()
ready = set(sys.modules)
px = held.to_view([[80.0 + x, 145.2 + y, 1.93] for x, y in ((7.0, 0.0), (4.95, 4.95), (0.0, 7.0), (-4.95, 4.95))], "raw")
asked = {"revision": desk.book.revision, "photo": 0, "view": "raw", "kind": "path", "px": px.tolist()}
marking.mark(desk, asked)
print(sorted({name.partition(".")[0] for name in set(sys.modules) - ready} & {"scipy", "tomlkit", "pydantic", "cv2"}))
"""


def test_a_first_tap_loads_no_library(plate):
    done = subprocess.run(
        [sys.executable, "-c", FIRST_TAP], cwd=plate.parent, capture_output=True, text=True, check=False
    )
    assert (done.stdout, done.returncode) == ("[]\n", 0), done.stderr


def test_a_mark_lands_where_it_was_tapped(opened, plate):
    client, job = opened
    for view in ("raw", "flat"):
        drawn = client.get(f"{job}/drawn/0/{view}").record["marks"][0]
        asked = {"photo": 0, "view": view, "kind": "circle", "px": [drawn["label"]], "about": 14}
        asked["revision"] = client.get(f"{job}/revision").record["revision"]
        answer = client.post(f"{job}/mark", asked).record
        near = tomllib.loads(plate.read_text())["feature"][-1]["near"][0]
        found = {size["word"]: float(size["text"].split()[0]) for size in answer["feature"]["sizes"]}
        assert np.hypot(near[0] - found["x"], near[1] - found["y"]) < 0.1
        assert np.allclose(answer["drawn"]["label"], drawn["label"], atol=1.0)


def test_what_was_typed_wrongly_is_told_in_plain_words(opened):
    client, job = opened
    revision = client.get(f"{job}/revision").record["revision"]
    mark = {"revision": revision, "photo": 0, "view": "raw", "kind": "circle", "px": [[900, 900]]}
    rename = [{"do": "change feature", "name": "bolt", "set": {"name": "x" * 121}}]
    for reply, words in (
        (client.post(f"{job}/mark", {**mark, "about": -1}), "rough size: must be above 0 mm; got -1."),
        (client.post(f"{job}/mark", {**mark, "name": "x" * 121}), "name: must have at most 120 letters; got 121."),
        (client.post(f"{job}/change", {"revision": revision, "changes": rename}), "at most 120 letters; got 121."),
    ):
        assert reply.status == 422 and reply.record["error"].endswith(words), reply.record


def test_what_measured_itself_becomes_marks_with_the_first_change(serve, plate, root):
    """The whole part first; after a rename every feature is still there, at its size in the sample's truth."""
    plate.unlink()
    client = serve(plate.parent / "photo1.jpg")
    job = f"job/{client.get('start').record['first']}"
    assert not plate.with_name("photo1.toml").exists()
    before = {f["name"]: f for f in client.get(f"{job}/results").record["features"]}
    rename = [{"do": "change feature", "name": "hole 2", "set": {"name": "cable hole"}}]
    reply = client.post(
        f"{job}/change", {"revision": client.get(f"{job}/revision").record["revision"], "changes": rename}
    )
    assert reply.status == 200, reply.body
    after = {f["name"]: f for f in client.get(f"{job}/results").record["features"]}
    assert set(after) == {*(set(before) - {"hole 2"}), "cable hole"}
    for name, feature in after.items():
        value, u95 = map(float, feature["main"].split(" ±"))
        assert abs(value - float(before["hole 2" if name == "cable hole" else name]["main"].split()[0])) < u95


def test_names_with_script_in_them_stay_text(opened):
    client, job = opened
    name = "<img src=x onerror=alert(1)>"
    change = [
        {"do": "change feature", "name": "bolt", "set": {"name": name}},
        {"do": "change head", "set": {"name": "</svg><script>"}},
    ]
    asked = {"revision": client.get(f"{job}/revision").record["revision"], "changes": change}
    assert client.post(f"{job}/change", asked).status == 200
    sketch = client.get(f"{job}/sketch.svg")
    assert b"<img" not in sketch.body and b"<script" not in sketch.body
    assert sketch.headers["Content-Security-Policy"].startswith("sandbox")
    results = client.get(f"{job}/results")
    assert results.headers["Content-Type"] == "application/json" and results.record["features"][0]["name"] == name


EDGE = '\n[[feature]]\nname = "rim"\nkind = "line"\nnear = {near}\n'


@pytest.fixture
def rim(plate, root):
    """The job with a mark on the longest straight piece of the plate's outline, as the picture was made."""
    from capture.page.desk import Desk

    whole = Desk(plate.with_name("whole.toml"), plate.read_text(encoding="utf-8").partition("[[feature]]")[0])
    path = next(f for f in whole.measured().results.features if f.kind == "path")
    piece = max((s for s in path.segments if s.kind == "line"), key=lambda s: s["length"])
    start, end = (np.array([piece[f"x{k}"], piece[f"y{k}"]]) for k in "12")
    near = [np.round(start + share * (end - start), 2).tolist() for share in (0.2, 0.8)]
    plate.write_text(plate.read_text(encoding="utf-8") + EDGE.format(near=near), encoding="utf-8")
    return plate


def _offset(results, name: str) -> np.ndarray:
    line = next(f for f in results.features if f.name == name)
    return (line.vector(("x1", "y1")) + line.vector(("x2", "y2"))) / 2


def test_the_other_edge_is_drawn_where_it_is_found_when_taken(rim):
    """Nothing is taken from one's word: the edge drawn dashed is where the measured edge lies after the change."""
    from capture.page.desk import Desk
    from capture.page.marking import change, state
    from capture.page.shown import drawn_photo

    desk = Desk(rim)
    change(desk, desk.book.revision, [{"do": "remove feature", "name": "bolt"}])  # it tells how the metal looks
    before = desk.measured()
    drawn = next(m for m in drawn_photo(before, 0, desk.held(before.file, 0), "flat") if m["name"] == "rim")
    other, text = drawn["other"], rim.read_text(encoding="utf-8")
    change(desk, desk.book.revision, [{"do": "change feature", "name": "rim", "set": {"edge": other["edge"]}}])
    assert f'edge = "{other["edge"]}"' in rim.read_text(encoding="utf-8")
    assert next(f for f in state(desk)["features"] if f["name"] == "rim")["edge"] == other["edge"]
    after = desk.measured()
    moved = next(m for m in drawn_photo(after, 0, desk.held(after.file, 0), "flat") if m["name"] == "rim")
    line, dots, were = (np.array(places) for places in (other["line"], moved["dots"], drawn["dots"]))
    apart = float(other["text"].split()[0])
    gap = np.linalg.norm(_offset(after.results, "rim") - _offset(before.results, "rim"))
    assert apart > 0.25 and abs(gap - apart) < 0.3
    assert _beside(dots, line) < 0.3 * _beside(were, line)
    assert not [n for n in after.results.warnings if n.code == "two-edges"]
    desk.book.move(desk.book.revision, -1)
    assert rim.read_text(encoding="utf-8") == text


def _beside(dots: np.ndarray, line: np.ndarray) -> float:
    """Median distance of places from the nearest of a line, px."""
    return float(np.median(np.linalg.norm(dots[:, None] - line[None], axis=2).min(axis=1)))


def test_kept_edges_give_the_same_numbers_as_a_fresh_search(rim):
    """After moving, choosing and coming back, every digit is that of a desk that knows nothing yet."""
    from capture.page.desk import Desk
    from capture.page.marking import change

    desk = Desk(rim)
    desk.measured()
    for values in ({"edge": "open"}, {"metal": "left"}, {"edge": None, "metal": None}, {"edge": "metal"}):
        change(desk, desk.book.revision, [{"do": "change feature", "name": "rim", "set": values}])
        kept, fresh = desk.measured(), Desk(rim).measured()
        assert record_text(results_to_dict(kept.results)) == record_text(results_to_dict(fresh.results)), values


def test_edges_are_searched_once_for_each_mark(rim, monkeypatch):
    from capture.page import leads
    from capture.page.desk import Desk
    from capture.page.marking import change

    searched, real = [], leads.lead
    monkeypatch.setattr(leads, "lead", lambda lit, bench, pick: searched.append(pick.name) or real(lit, bench, pick))
    desk = Desk(rim)
    desk.measured()
    assert sorted(searched) == ["bolt", "rim"]
    change(desk, desk.book.revision, [{"do": "change feature", "name": "rim", "set": {"edge": "open"}}])
    desk.measured()
    change(desk, desk.book.revision, [{"do": "change feature", "name": "bolt", "set": {"near": [[80.2, 145.3]]}}])
    desk.measured()
    assert searched[2:] == ["bolt"]


def test_a_photo_that_is_taken_away_meanwhile_is_told(opened, plate):
    client, job = opened
    assert client.get(f"{job}/results").status == 200
    asked = {"revision": client.get(f"{job}/revision").record["revision"], "photo": 0, "kind": "circle", "px": [[1, 2]]}
    plate.with_name("photo1.jpg").rename(plate.with_name("away.jpg"))
    for reply in (
        client.post(f"{job}/mark", asked),
        client.get(f"{job}/drawn/0/raw"),
        client.get(f"{job}/picture/0/raw"),
    ):
        assert reply.status == 422 and reply.record["error"].startswith("photo1.jpg: ")
        assert str(plate.parent) not in reply.record["error"]
    plate.with_name("away.jpg").rename(plate.with_name("photo1.jpg"))
    assert client.get(f"{job}/drawn/0/raw").status == 200


def test_pieces_of_a_tapped_path_bear_its_own_name(opened):
    """Not that of an outline which measured itself."""
    client, job = opened
    desk = client.server.routes.shelf.desk(job.removeprefix("job/"))
    turns = ((7.0, 0.0), (4.95, 4.95), (0.0, 7.0), (-4.95, 4.95))
    px = desk.held(desk.job(), 0).to_view(np.array([[80.0 + x, 145.2 + y, 1.93] for x, y in turns]), "raw")
    asked = {"revision": desk.book.revision, "photo": 0, "view": "raw", "kind": "path", "px": px.tolist()}
    assert client.post(f"{job}/mark", asked).status == 200
    path = next(f for f in desk.measured().results.features if f.name == "path 1")
    assert [piece.name for piece in path.segments] == [f"path 1 {i + 1}" for i in range(len(path.segments))]
