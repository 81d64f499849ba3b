"""Marks through the server: found, saved, and the same numbers as the run command, digit for digit."""

from __future__ import annotations

import json
import shutil
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
