"""A running page server, asked through plain HTTP."""

from __future__ import annotations

import http.client
import importlib.util
import json
import shutil
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from types import ModuleType
from typing import Any

import pytest

from capture.page.server import PageServer, start_server

JOB = """# the shop's own words
[job]
name = "hatch"             # stays

[[photo]]
file = "photo1.jpg"
height = 1.93
height_u = 0.02
print_x = 179.1
print_y = 239.4

[[feature]]
name = "bolt"              # upper left
kind = "circle"
near = [80.0, 145.2]
about = 14.0
"""


@dataclass(frozen=True)
class Reply:
    """What the server answered."""

    status: int
    headers: dict[str, str]
    body: bytes

    @property
    def record(self) -> Any:
        return json.loads(self.body)


@dataclass(frozen=True)
class Client:
    """Asks one server; headers can be bent."""

    server: PageServer

    @property
    def host(self) -> str:
        return f"127.0.0.1:{self.server.gate.port}"

    def raw(self, method: str, target: str, body: bytes | None = None, **headers: str | None) -> Reply:
        """A request with exactly this target; a header that is None is left out."""
        own: dict[str, str | None] = {"Host": self.host, "Origin": f"http://{self.host}" if method != "GET" else None}
        own |= {"Content-Type": "application/json"} if body is not None and method == "POST" else {}
        own |= {name.replace("_", "-"): value for name, value in headers.items()}
        connection = http.client.HTTPConnection("127.0.0.1", self.server.gate.port, timeout=60)
        connection.putrequest(method, target, skip_host=True, skip_accept_encoding=True)
        if body is not None and "Content_Length" not in headers:
            own["Content-Length"] = str(len(body))
        for name, value in own.items():
            if value is not None:
                connection.putheader(name, value)
        connection.endheaders(body)
        answer = connection.getresponse()
        reply = Reply(answer.status, dict(answer.getheaders()), answer.read())
        connection.close()
        return reply

    def get(self, path: str, **headers: str | None) -> Reply:
        return self.raw("GET", f"/{self.server.gate.token}/{path}", **headers)

    def post(self, path: str, record: object, **headers: str | None) -> Reply:
        return self.raw("POST", f"/{self.server.gate.token}/{path}", json.dumps(record).encode(), **headers)


@pytest.fixture
def plate(tmp_path: Path, root: Path) -> Path:
    """A job beside a copy of the sample photo."""
    shutil.copy(root / "sample_sets/bench_plate/photo1.jpg", tmp_path)
    job = tmp_path / "hatch.toml"
    job.write_text(JOB, encoding="utf-8")
    return job


@pytest.fixture
def serve() -> Iterator[Callable[..., Client]]:
    """Start servers; all stop at the end."""
    running: list[PageServer] = []

    def start(path: Path | None = None) -> Client:
        server = start_server(path)
        threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.02}, daemon=True).start()
        running.append(server)
        return Client(server)

    yield start
    for server in running:
        server.shutdown()
        server.server_close()


@pytest.fixture(scope="session")
def window_module() -> ModuleType:
    """`window.py`, by its path: tests are no package."""
    spec = importlib.util.spec_from_file_location("page_window", Path(__file__).with_name("window.py"))
    assert spec and spec.loader
    module = importlib.util.module_from_spec(spec)
    sys.modules[spec.name] = module
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    """Debian's chromium without a screen; the tests that need it are skipped where it is not installed."""
    webdriver = pytest.importorskip("selenium.webdriver")
    chromium, chromedriver = shutil.which("chromium"), shutil.which("chromedriver")
    if not (chromium and chromedriver):
        pytest.skip("needs chromium and chromedriver")
    options = webdriver.ChromeOptions()
    options.binary_location = chromium
    for word in ("--headless=new", "--no-sandbox", "--disable-gpu", "--window-size=1280,720"):
        options.add_argument(word)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL"})
    started = webdriver.Chrome(options=options, service=webdriver.ChromeService(chromedriver))
    yield started
    started.quit()


@pytest.fixture
def browse(driver: Any, window_module: ModuleType) -> Iterator[Callable[..., Any]]:
    """Open tabs on an address; all but the first, empty one are closed at the end."""
    driver.get_log("browser")  # what earlier tests left

    def opened(address: str) -> Any:
        return window_module.Window(driver, address)

    first = driver.window_handles[0]
    yield opened
    for handle in driver.window_handles:
        if handle != first:
            driver.switch_to.window(handle)
            driver.close()
    driver.switch_to.window(first)
