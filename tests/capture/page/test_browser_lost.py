"""What goes wrong at the page: photos that are none or gone, presses that come twice, the browser's own back button."""

from __future__ import annotations

import json
import tomllib

import pytest


@pytest.fixture
def window(browse, serve, plate):
    opened = browse(serve(plate).server.gate.address)
    opened.settled()
    return opened


def text(window, selector: str) -> str:
    return window.run(f"return document.querySelector({selector!r}).textContent")


def test_a_job_whose_photo_is_gone_says_so_on_every_step_and_opens_once_it_is_back(browse, serve, plate):
    photo, away = plate.with_name("photo1.jpg"), plate.with_name("away.jpg")
    photo.rename(away)
    window = browse(serve(plate).server.gate.address)
    window.until("document.querySelector('#told.fault')?.textContent")
    for step in ("print", "shoot"):
        window.step(step)
        assert "no file 'photo1.jpg'" in text(window, "#told")
    disabled = (
        "return [...document.querySelectorAll('nav button')].filter((b) => b.disabled).map((b) => b.dataset.step)"
    )
    assert window.run(disabled) == ["mark", "read", "make"]
    away.rename(photo)
    window.settled()
    assert window.names == ["bolt"] and text(window, "#told") == "" and window.run(disabled) == []


def test_a_file_that_is_no_photo_is_told_wherever_one_looks_for_sizes(browse, serve, tmp_path):
    (tmp_path / "note.jpg").write_text("a text")
    window = browse(serve(tmp_path / "note.jpg").server.gate.address)
    window.until("!page.busy && document.querySelector('#told.fault')?.textContent")
    for step, place in (("mark", "aside"), ("read", "main")):
        window.step(step)
        window.run("page.tell('')")
        assert "is not a JPEG" in text(window, place) and "Back: shoot" in text(window, place)
        assert "Sizes" not in text(window, place)
    assert "Next: make" not in text(window, "main")


def test_a_reading_that_cannot_be_leads_back_to_where_it_was_typed(window):
    window.run("page.change([{do: 'change photo', index: 0, set: {print_x: 90}}])")
    window.until("!page.busy && page.results.faults.length")
    window.step("read")
    window.run("[...document.querySelectorAll('main button')].find((b) => b.textContent === 'Back: print').click()")
    assert "90 to 110 %" in text(window, "#told")
    window.until("document.getElementById('print_x-0').value === '90'")
    window.run("page.change([{do: 'change photo', index: 0, set: {print_x: 179.1}}])")
    window.until("page.state.photos[0].print_x === 179.1")
    window.settled()
    assert window.names == ["bolt"] and text(window, "#told") == ""


def test_a_tap_or_press_that_comes_twice_does_its_work_once(window, plate):
    spot = window.spot("bolt")
    window.click("[data-kind=circle]")
    window.tap(spot)
    window.tap(spot)
    window.until("page.state.features.length === 2")
    window.settled()
    assert window.names == ["bolt", "hole 1"]
    window.run("page.marking.choose('look')")
    window.until("document.querySelector('[data-act=keep]')")
    window.run("const b = document.querySelector('[data-act=keep]'); b.click(); b.click();")
    window.until("document.getElementById('told').textContent === 'That size is in the list already.'")
    assert len(tomllib.loads(plate.read_text())["dimension"]) == 1


def test_undo_pressed_faster_than_it_is_answered_goes_back_as_often(window):
    """Neither press takes the other for another window's change."""
    window.run("page.change([{do: 'change photo', index: 0, set: {thickness: 1.5}}])")
    window.run("page.change([{do: 'change photo', index: 0, set: {thickness: 1.6}}])")
    window.until("page.state.undo === 2")
    window.run("for (let i = 0; i < 3; i += 1) document.getElementById('undo').click();")
    window.until("page.state.redo === 2")
    window.settled()
    assert window.run("return [page.state.undo, page.state.photos[0].thickness]") == [0, None]
    assert text(window, "#told") == ""


def test_back_leads_to_the_page_without_a_job_and_forward_to_the_job(browse, serve, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    window = browse(serve().server.gate.address)
    window.click("[data-sample=bench_plate]")
    window.settled()
    job = window.run("return page.job")
    window.step("print")
    assert window.run("return document.querySelectorAll('[data-sample]').length") == 3, "another sample can be opened"
    window.driver.back()
    window.until("page.job === null && document.querySelector('main .lead')")
    assert window.run("return [document.title, document.getElementById('undo').disabled]") == ["Edgewright", True]
    window.driver.forward()
    window.until(f"page.job === {job!r}")
    window.settled()


def test_a_job_that_is_open_can_be_opened_again(browse, serve, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    window = browse(serve().server.gate.address)
    for _ in range(2):
        window.step("print")
        window.click("[data-sample=bench_plate]")
        window.until("page.job && page.step === 'mark'", 20)


LINES = """
const done = arguments[0];
import('./overlay.js').then(({ drawNames }) => {
  const seen = [], note = (what) => () => { seen.push(what); };
  const context = { measureText: (text) => ({ width: 9 * text.length }), beginPath() {}, moveTo() {}, lineTo() {},
    stroke: note('line'), fillRect: note('box'), fillText: note('word') };
  const none = { dots: [], near: [], pieces: [] };
  const marks = Array.from({ length: 6 }, (_, i) => ({ ...none, name: `hole ${i}`, kind: 'circle', label: [300 + i, 300] }));
  const chosen = { name: 'edge', kind: 'line', dots: [], label: [300, 270], near: [[300, 262], [300, 290]], pieces: [] };
  const what = { marks: [...marks, chosen], selected: 'edge', piece: null, taps: [] };
  const tags = drawNames(context, (p) => p, what, [], [600, 600]);
  done([seen, tags.map((tag) => tag.box)]);
});
"""


def test_lines_to_far_names_run_below_all_words_and_no_name_hides_a_handle(window):
    seen, boxes = window.driver.execute_async_script(LINES)
    assert seen.count("line") >= 2 and max(i for i, s in enumerate(seen) if s == "line") < seen.index("box")
    for left, top, right, bottom in boxes:
        for x, y in ((300, 262), (300, 290)):
            assert not (left < x + 8 and x - 8 < right and top < y + 8 and y - 8 < bottom)


CUT = """
const bad = [], pen = document.createElement('canvas').getContext('2d');
for (const s of document.querySelectorAll('aside select')) {
  const style = getComputedStyle(s);
  pen.font = `${style.fontSize} ${style.fontFamily}`;
  const room = s.clientWidth - parseFloat(style.paddingLeft) - parseFloat(style.paddingRight) - 16; // the arrow's
  for (const o of s.options) if (pen.measureText(o.textContent).width > room) bad.push(o.textContent);
}
return bad;
"""


def test_no_choice_of_a_mark_is_cut_off(window):
    window.run(
        "page.change([{do: 'add feature', keys: {name: 'e', kind: 'line', near: [[137.07, 74.98], [139.53, 139.84]]}}])"
    )
    window.until("page.state.features.length === 2")
    window.settled()
    window.run("page.marking.select('e')")
    window.until("document.getElementById('feature-metal')")
    assert window.run(CUT) == []


@pytest.mark.parametrize("typed", ["hello", "1,250"])
def test_what_cannot_be_a_length_is_told_without_the_job_files_lines(window, plate, typed):
    before = plate.read_bytes()
    window.run(f"page.change([{{do: 'change feature', name: 'bolt', set: {{height: {json.dumps(typed)}}}}}])")
    told = window.until("document.querySelector('#told.fault')?.textContent")
    assert (
        told.startswith(f"bolt: height: '{typed}' ") and "[[" not in told and "line" not in told and "got" not in told
    )
    assert plate.read_bytes() == before


LEAP = (
    "The points found leap between two edges up to 11.5 mm apart; put both taps nearer the edge, or say on which side the "
    "metal lies."
)


@pytest.mark.parametrize("screen", [(1280, 720), (1024, 768), (768, 1024)])
def test_a_refusal_is_read_whole_without_scrolling(window, screen):
    window.size(*screen)
    window.run(f"page.tell({LEAP!r}, true)")
    window.until("page.marking.viewer.width > 0")
    assert window.run("const t = document.getElementById('told'); return t.scrollHeight - t.clientHeight") <= 0


WIDE = """
const over = [document.documentElement, document.querySelector('aside'), document.querySelector('main')].filter(Boolean)
  .filter((e) => e.scrollWidth > e.clientWidth).map((e) => e.tagName);
const values = [...document.querySelectorAll('aside .value')].filter((e) => {
  const r = e.getBoundingClientRect(), list = e.closest('aside').getBoundingClientRect();
  return r.right > list.right || r.left < list.left;
});
return [over, values.map((e) => e.textContent)];
"""


@pytest.mark.parametrize("screen", [(1280, 720), (768, 1024)])
def test_a_long_name_pushes_no_figure_off_the_screen(window, screen):
    window.size(*screen)
    long = "W" * 60
    window.run(f"page.change([{{do: 'change feature', name: 'bolt', set: {{name: {long!r}}}}}])")
    window.until(f"page.state.features[0].name === {long!r}")
    window.run(f"page.change([{{do: 'add dimension', keys: {{kind: 'diameter', of: {long!r}}}}}])")
    window.until("page.results.dimensions.length === 1 && !page.busy")
    assert window.run(WIDE) == [[], []]
    tags = window.until("page.marking.tags.length && page.marking.tags")
    assert [(tag["name"], tag["text"]) for tag in tags] == [(long, "W" * 27 + "…")], "a tap on it still names the mark"
    window.step("read")
    assert window.run(WIDE) == [[], []]


def test_the_table_of_sizes_fits_a_bench_screen_in_fractions_too(browse, serve, plate):
    """With a verdict and its reason, the widest that a row becomes; no button lies beyond the table's side."""
    size = '[[dimension]]\nkind = "distance"\nfrom = "hole 1"\nto = "hole 4"\nnominal = 70.1\ntolerance = 0.1\n'
    plate.write_text(
        plate.read_text().replace("[job]", '[job]\nunit_out = "fraction"').partition("[[feature]]")[0] + size
    )
    window = browse(serve(plate).server.gate.address)
    window.settled()
    window.step("read")
    assert "not proven" in text(window, "main .wide")
    assert window.run("const t = document.querySelector('main .wide'); return t.scrollWidth - t.clientWidth") <= 0
