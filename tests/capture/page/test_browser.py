"""The page in a real browser (Debian's chromium, headless): a newcomer's whole path, two windows, a reload in between."""

from __future__ import annotations

import json
import math
from pathlib import Path

import pytest


def test_a_newcomers_path_from_the_empty_page_to_a_cutting_file(
    browse, driver, window_module, serve, tmp_path, monkeypatch, root
):
    monkeypatch.chdir(tmp_path)
    downloads = {"behavior": "allow", "downloadPath": str(tmp_path / "downloads")}
    driver.execute_cdp_cmd("Browser.setDownloadBehavior", downloads)
    window = browse(serve().server.gate.address)
    window.click("[data-sample=bench_plate]")
    window.settled()
    one, four = window.spot("hole 1"), window.spot("hole 4")
    window.tap(one)
    window.until("page.marking.selected === 'hole 1'")
    window.run("[...document.querySelectorAll('aside button')].find((b) => b.textContent === 'Distance to …').click()")
    window.tap(four)
    window.settled()
    window.until(
        "page.results.dimensions.some((d) => d.name === 'hole 1 to hole 4' || d.of.join() === 'hole 1,hole 4')"
    )
    text = window.run("return page.results.dimensions.find((d) => d.of.join() === 'hole 1,hole 4').text")
    value, u95 = map(float, text.split(" ±"))
    assert abs(value - _true_distance(root)) < u95 < 0.5
    window.click("[data-step=make]")
    window.click("#write")
    window.until("document.getElementById('made')")
    window.run("[...document.querySelectorAll('main a')].find((a) => a.textContent.startsWith('Cutting file')).click()")
    window_module.wait_for(tmp_path / "downloads" / "cut_mm.dxf")
    _is_plate(tmp_path / "downloads" / "cut_mm.dxf")
    assert [entry for entry in driver.get_log("browser") if entry["level"] == "SEVERE"] == []


def _true_distance(root: Path) -> float:
    """Between the smaller bolt hole and the hole under the slot, from what the picture was made of."""
    truth = json.loads((root / "sample_sets/bench_plate/truth.json").read_text())
    holes = {round(f["diameter"], 1): f["centre_world"] for f in truth["features"] if f["kind"] == "hole"}
    one, four = holes[min(holes, key=lambda d: abs(d - 8.6))], holes[min(holes, key=lambda d: abs(d - 14.1))]
    return math.hypot(one[0] - four[0], one[1] - four[1])


def _is_plate(path: Path) -> None:
    """Read the cutting file with ezdxf: millimetres, four round holes."""
    ezdxf = pytest.importorskip("ezdxf")
    drawing = ezdxf.readfile(path)
    assert drawing.header["$INSUNITS"] == 4
    assert len(drawing.modelspace().query("CIRCLE[layer=='cut']")) == 4


def test_a_window_that_another_outran_while_it_measured_catches_up(browse, serve, plate):
    client = serve(plate)
    window = browse(client.server.gate.address)
    window.settled()
    present = window.run("return page.state.revision")
    window.run("page.state = { ...page.state, revision: 'of before' }; page.measure()")
    window.until(f"page.state.revision === {present!r} && !page.busy")


def test_two_windows_a_reload_and_undo(browse, serve, plate):
    client = serve(plate)
    first = browse(client.server.gate.address)
    first.settled()
    spot = first.spot("bolt")
    second = browse(client.server.gate.address)
    second.settled()
    first.run("page.change([{do: 'change photo', index: 0, set: {thickness: 1.93}}])")
    first.until("page.state.photos[0].thickness === 1.93")
    second.run("page.marking.choose('circle')")
    second.tap(spot)  # knows nothing yet of the first window's change
    second.until("page.marking.selected === 'hole 1'")
    assert "thickness = 1.93" in plate.read_text() and 'name = "hole 1"' in plate.read_text()
    first.until("page.state.features.length === 2")  # the first window takes it in by itself
    first.front()
    first.driver.refresh()  # in the middle of measuring
    first.settled()
    assert first.names == ["bolt", "hole 1"]
    first.run("page.marking.choose('look'); page.marking.select('bolt')")
    near = first.run("return page.state.features[0].near['']")
    first.run("page.marking.viewer.centre(page.marking.marks.find((m) => m.name === 'bolt').label, 1)")
    first.drag(first.run("return page.marking.marks.find((m) => m.name === 'bolt').near[0]"), 30)
    moved = first.until("page.state.undo === 3 && page.state.features[0].near['']")
    assert 1.0 < math.dist(near[0], moved[0]) < 6.0  # 30 px of the picture
    first.settled()
    for _ in range(2):
        undo = first.run("return page.state.undo")
        first.click("#undo")
        first.until(f"page.state.undo === {undo - 1}")
    first.settled()
    first.click("#undo")
    first.until("page.state.photos[0].thickness === null")
    assert "hole 1" not in plate.read_text() and "# upper left" in plate.read_text()


def test_the_other_of_two_close_edges_is_taken_and_given_back(browse, serve, plate):
    """The bench plate's rim and the end of its shadow on the paper; one press takes the other, undo gives it back."""
    near = "[[137.07, 74.98], [139.53, 139.84]]"
    text = plate.read_text().partition("[[feature]]")[0] + f'[[feature]]\nname = "rim"\nkind = "line"\nnear = {near}\n'
    plate.write_text(text)
    window = browse(serve(plate).server.gate.address)
    window.settled()
    window.run("page.marking.select('rim')")
    warned = window.until("document.querySelector('aside p.warn')?.textContent")
    assert "press Take the other edge" in warned and "edge =" not in warned
    before = window.run("return page.results.features[0].sizes.map((s) => s.text)")
    window.click("[data-act=other]")
    window.until("page.state.features[0].edge === 'open'")
    window.settled()
    assert 'edge = "open"' in plate.read_text()
    assert window.run("return page.results.features[0].sizes.map((s) => s.text)") != before
    assert window.until("document.querySelector('[data-act=undecided]')") and not window.run(
        "return document.querySelector('aside p.warn')"
    )
    window.click("#undo")
    window.until("page.state.features[0].edge === 'clearest'")
    window.settled()
    assert window.run("return page.results.features[0].sizes.map((s) => s.text)") == before


def test_what_widens_every_size_is_asked_for_where_it_can_be_typed(browse, serve, plate):
    """Typing height and both readings narrows the bolt hole's ±; the keys of a job file are named nowhere."""
    text = plate.read_text()
    plate.write_text("\n".join(line for line in text.splitlines() if not line.startswith(("height", "print_"))))
    window = browse(serve(plate).server.gate.address)
    window.settled()
    u95 = "return Number(page.results.features[0].main.split('±')[1])"
    wide = window.run(u95)
    for key, button, values in (
        ("print_x", "Type the caliper readings", {"print_x": "179.1", "print_y": "239.4"}),
        ("height", "Type the height", {"height": "1.93±0.05"}),
    ):
        window.step("mark")
        assert window.until(f"document.querySelector('[data-untyped={key}]')?.textContent") == button
        window.step("read")
        told = window.run("return document.querySelector('main').textContent")
        assert (
            "print_x" not in told
            and "ive height" not in told
            and f"under {'1 Print' if key == 'print_x' else '2 Shoot'}" in told
        )
        window.step("mark")
        window.click(f"[data-untyped={key}]")
        assert window.run("return document.activeElement.id") == f"{key}-0"
        for name, value in values.items():
            window.type(f"#{name}-0", value)
            window.until(f"page.state.photos[0].{name}")
        window.settled()
    window.step("mark")
    assert window.run("return document.getElementById('untyped')") is None
    assert window.run(u95) < wide / 3
