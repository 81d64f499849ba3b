"""Attacks in a real browser: script in every name a file can carry, and another site that knows the whole address."""

from __future__ import annotations

import http.server
import json
import threading
from collections.abc import Iterator

import pytest

SCRIPT = "<img src=x onerror=window.executed=1>"
TOML_SCRIPT = json.dumps(f"{SCRIPT}<script>window.executed=1</script>")


@pytest.fixture
def elsewhere() -> Iterator[str]:
    """Another site on this machine, with an empty page."""

    class Page(http.server.BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            self.send_response(200)
            self.send_header("Content-Type", "text/html")
            self.end_headers()
            self.wfile.write(b"<!doctype html><title>elsewhere</title>")

        def log_message(self, *_: object) -> None:
            """Nothing."""

    server = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Page)
    threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
    yield f"http://127.0.0.1:{server.server_address[1]}/"
    server.shutdown()
    server.server_close()


def test_script_in_names_stays_text_on_every_step(browse, serve, plate):
    text = plate.read_text().replace('"hatch"', TOML_SCRIPT).replace('"bolt"', TOML_SCRIPT)
    text += f'\n[[dimension]]\nname = {TOML_SCRIPT}\nkind = "diameter"\nof = {TOML_SCRIPT}\n'
    job = plate.with_name(f"{SCRIPT.replace('/', '')}.toml")
    job.write_text(text.replace('file = "photo1.jpg"', 'file = "<b onclick=1>.jpg"\nname = "<script>1"'))
    plate.with_name("photo1.jpg").rename(plate.with_name("<b onclick=1>.jpg"))
    plate.with_name("<svg onload=window.executed=1>.jpg").write_bytes(b"<svg xmlns='http://www.w3.org/2000/svg'/>")
    window = browse(serve(job).server.gate.address)
    window.settled()
    for step in ("print", "shoot", "mark", "read", "make"):
        window.step(step)
        window.run("page.marking?.select(page.state.features[0].name)")
    window.click("#write")
    window.until("document.getElementById('made')")
    assert (
        window.run(
            "return document.querySelectorAll('main script, main img[src=x], main b[onclick], main svg[onload]').length"
        )
        == 0
    )
    window.step("read")
    window.until("document.querySelector('img.paper')?.complete")
    assert SCRIPT in window.run("return document.querySelector('main').textContent")
    assert window.run("return window.executed === undefined")
    for name in ("report.html", "sketch.svg"):
        window.driver.get(
            window.run(f"return new URL(`job/${{page.job}}/file/{name}`, location.href.replace(/#.*/, '')).href")
        )
        source = window.driver.page_source
        assert "executed" in source and window.run("return window.executed === undefined")
        window.driver.back()
        window.until("Boolean(window.page)")


def test_a_photo_that_is_an_svg_with_script_is_no_photo(browse, serve, plate):
    svg = b"<svg xmlns='http://www.w3.org/2000/svg'><script>parent.executed=1</script></svg>"
    plate.with_name("drawn.jpg").write_bytes(svg)
    window = browse(serve(plate.with_name("drawn.jpg")).server.gate.address)
    assert "is not a JPEG" in window.until("document.querySelector('#told.fault')?.textContent")
    assert window.run("return window.executed === undefined")


ATTEMPTS = """
const done = arguments[0], out = {};
const tried = async (name, work) => { try { out[name] = await work(); } catch { out[name] = 'refused'; } };
const loaded = (tag, more) => new Promise((resolve) => {
  const made = Object.assign(document.createElement(tag), more);
  made.onload = () => resolve('loaded');
  made.onerror = () => resolve('refused');
  document.head.append(made);
});
const send = (more) => fetch(`${address}${job}/change`, { method: 'POST', body, ...more });
const json = { headers: { 'Content-Type': 'application/json' } };
(async () => {
  await tried('read', async () => (await fetch(`${address}start`)).text());
  await tried('state', async () => await (await fetch(`${address}${job}/state`, { mode: 'no-cors' })).text() || 'refused');
  await tried('json', async () => (await send(json)).status);
  await tried('plain', async () => (await send({ mode: 'no-cors' })).status || 'refused');
  await tried('script', () => loaded('script', { src: `${address}main.js` }));
  await tried('style', () => loaded('link', { rel: 'stylesheet', href: `${address}page.css` }));
  await tried('picture', () => loaded('img', { src: `${address}mark.svg` }));
  const frame = Object.assign(document.createElement('iframe'), { src: address });
  document.body.append(frame);
  await new Promise((resolve) => { frame.onload = resolve; setTimeout(resolve, 1500); });
  await tried('frame', () => frame.contentDocument?.title || 'refused');
  const form = Object.assign(document.createElement('form'), { method: 'POST', enctype: 'text/plain', target: 'none' });
  form.action = `${address}${job}/change`;
  form.append(Object.assign(document.createElement('input'), { name: body }));
  document.body.append(form);
  form.submit();
  setTimeout(() => done(out), 300);
})();
"""


def test_another_site_that_knows_the_address_reads_and_changes_nothing(browse, serve, plate, elsewhere):
    client = serve(plate)
    address, before = client.server.gate.address, plate.read_bytes()
    job = client.get("start").record["first"]
    change = {"revision": client.get(f"job/{job}/revision").record["revision"]}
    change["changes"] = [{"do": "remove feature", "name": "bolt"}]
    window = browse(elsewhere)
    head = f"const address = {address!r}, job = {f'job/{job}'!r}, body = JSON.stringify({json.dumps(change)});"
    window.front()
    found = window.driver.execute_async_script(head + ATTEMPTS)
    assert set(found.values()) == {"refused"}, found
    assert plate.read_bytes() == before
