"""A window of a real browser on the page: presses, touches and keys go in as a person's would."""

from __future__ import annotations

import json
import time
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import pytest

_DRAWN_ANEW = 5


class Window:
    """A tab of its own."""

    def __init__(self, driver: Any, address: str) -> None:
        self.driver = driver
        driver.switch_to.new_window("tab")
        self.handle = driver.current_window_handle
        self.size(1280, 720)
        driver.get(address)

    def front(self) -> None:
        """Bring the tab to the front."""
        if self.driver.current_window_handle != self.handle:
            self.driver.switch_to.window(self.handle)

    def run(self, script: str) -> Any:
        self.front()
        return self.driver.execute_script(script)

    def until(self, condition: str, seconds: float = 60) -> Any:
        """Wait for a condition on the page."""
        end = time.monotonic() + seconds
        while time.monotonic() < end:
            if found := self.run(f"return {condition}"):
                return found
            time.sleep(0.03)
        told = self.run("return document.getElementById('told').textContent")
        pytest.fail(f"{condition} did not come; the page says: {told!r}; {self.driver.get_log('browser')}")

    def settled(self) -> None:
        self.until("window.page && page.results && !page.busy && page.results.revision === page.state.revision")

    def click(self, selector: str) -> None:
        self.until(f"document.querySelector({selector!r}) && !document.querySelector({selector!r}).disabled")
        self.run(f"document.querySelector({selector!r}).click()")

    def step(self, name: str) -> None:
        self.click(f"[data-step={name}]")

    def type(self, selector: str, text: str) -> None:
        """Write over what a field holds and leave it with Enter; again where the page drew it anew before a key came."""
        from selenium.common.exceptions import StaleElementReferenceException

        for _ in range(_DRAWN_ANEW):
            self.until(f"document.querySelector({selector!r})")
            self.run(f"const f = document.querySelector({selector!r}); f.value = ''; f.focus();")
            try:
                self.keys(text + "\ue007")
            except StaleElementReferenceException:
                continue
            return
        pytest.fail(f"{selector} is drawn anew again and again")

    def choose(self, selector: str, value: str) -> None:
        self.until(f"document.querySelector({selector!r})")
        self.run(
            f"const s = document.querySelector({selector!r}); s.value = {value!r};"
            "s.dispatchEvent(new Event('input', {bubbles: true})); s.dispatchEvent(new Event('change', {bubbles: true}));"
        )

    def keys(self, *keys: str) -> None:
        """Press keys, wherever the focus is."""
        self.front()
        for key in keys:
            self.driver.switch_to.active_element.send_keys(key)

    def on_screen(self, px: Sequence[float]) -> list[float]:
        return self.run(
            f"const p = page.marking.viewer.place({json.dumps(px)}), r = page.marking.canvas.getBoundingClientRect();"
            "return [p[0] + r.left, p[1] + r.top];"
        )

    def tap(self, px: Sequence[float]) -> None:
        """A press of the mouse on a picture pixel."""
        x, y = self.on_screen(px)
        for kind in ("mousePressed", "mouseReleased"):
            self._mouse(kind, x, y)

    def drag(self, px: Sequence[float], right: float) -> None:
        """Press on a picture pixel, move to the right on the screen, let go."""
        x, y = self.on_screen(px)
        moves = [("mouseMoved", x + right * k / 5) for k in range(1, 6)]
        for kind, at in [("mousePressed", x), *moves, ("mouseReleased", x + right)]:
            self._mouse(kind, at, y)

    def _mouse(self, kind: str, x: float, y: float) -> None:
        event = {"type": kind, "x": x, "y": y, "button": "left", "buttons": 1, "clickCount": 1}
        self.driver.execute_cdp_cmd("Input.dispatchMouseEvent", event)

    def touch(self, kind: str, *places: Sequence[float]) -> None:
        """Fingers at places on the screen: kind is touchStart, touchMove or touchEnd (without places)."""
        points = [{"x": x, "y": y, "id": i} for i, (x, y) in enumerate(places)]
        self.driver.execute_cdp_cmd("Input.dispatchTouchEvent", {"type": kind, "touchPoints": points})

    def size(self, width: int, height: int, *, dark: bool = False) -> None:
        """Size of the screen, and whether its owner likes it dark."""
        metrics = {"width": width, "height": height, "deviceScaleFactor": 1, "mobile": False}
        self.driver.execute_cdp_cmd("Emulation.setDeviceMetricsOverride", metrics)
        wish = [{"name": "prefers-color-scheme", "value": "dark" if dark else "light"}]
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": wish})

    def spot(self, name: str) -> Any:
        return self.until(f"page.marking?.marks.find((m) => m.name === {name!r})?.label")

    @property
    def names(self) -> list[str]:
        return self.run("return page.results.features.map((f) => f.name)")


def wait_for(path: Path) -> None:
    """Until a download is there."""
    end = time.monotonic() + 20
    while not path.is_file():
        assert time.monotonic() < end, f"{path.name} was not saved"
        time.sleep(0.05)
