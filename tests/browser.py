"""Opens a page in headless Chromium and does to it what people do.

Chromium speaks its own DevTools protocol over two pipes, so that nothing is needed but the
browser of the system: messages of JSON, each ended by a NUL byte. Where there is none, or on
Windows, tests that ask for it are skipped and say so.
"""

from __future__ import annotations

import base64
import contextlib
import itertools
import json
import os
import select
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

NAMES = ("chromium", "chromium-browser", "google-chrome")
PATIENCE_S = 60.0
PHONE = (390, 844, True)
DESK = (1280, 900, False)


def find_browser() -> str:
    """Its path; skips without one."""
    found = next(filter(None, map(shutil.which, NAMES)), None)
    if found is None or sys.platform == "win32":
        pytest.skip("Chromium is not installed: the page is not tried in a browser")
    return found


class Browser:
    """One headless browser."""

    def __init__(self, process: subprocess.Popen[bytes], to: int, of: int) -> None:
        self.process, self.to, self.of = process, to, of
        self.held = b""
        self.numbers = itertools.count(1)
        self.events: list[dict[str, Any]] = []

    def ask(self, method: str, session: str = "", **params: Any) -> dict[str, Any]:
        """Send a command and wait for what it gives."""
        number = next(self.numbers)
        said = {"id": number, "method": method, "params": params}
        if session:
            said["sessionId"] = session
        os.write(self.to, json.dumps(said).encode() + b"\0")
        until = time.monotonic() + PATIENCE_S
        while True:
            heard = self.hear(until)
            if heard.get("id") == number:
                assert "error" not in heard, f"{method}: {heard['error']}"
                result: dict[str, Any] = heard["result"]
                return result
            self.events.append(heard)

    def hear(self, until: float) -> dict[str, Any]:
        """The next message."""
        while b"\0" not in self.held:
            left = until - time.monotonic()
            ready, _, _ = select.select([self.of], [], [], max(left, 0.0))
            assert ready, "the browser is silent"
            piece = os.read(self.of, 1 << 20)
            assert piece, "the browser ended"
            self.held += piece
        line, _, self.held = self.held.partition(b"\0")
        heard: dict[str, Any] = json.loads(line)
        return heard

    @contextlib.contextmanager
    def page(self, file: Path, size: tuple[int, int, bool] = DESK) -> Iterator[Page]:
        """A page of a file, loaded, in a window of this size."""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        page = Page(self, session)
        for domain in ("Page", "Runtime", "Log"):
            page.ask(f"{domain}.enable")
        page.resize(size)
        page.open(file)
        yield page
        self.ask("Target.closeTarget", targetId=target)


class Page:
    """A page that is open."""

    def __init__(self, browser: Browser, session: str) -> None:
        self.browser, self.session = browser, session

    def ask(self, method: str, **params: Any) -> dict[str, Any]:
        """Send a command of this page."""
        return self.browser.ask(method, self.session, **params)

    def resize(self, size: tuple[int, int, bool]) -> None:
        """Set the window, and whether it is one that is touched."""
        wide, tall, phone = size
        self.ask(
            "Emulation.setDeviceMetricsOverride",
            width=wide, height=tall, deviceScaleFactor=2 if phone else 1, mobile=phone,
        )  # fmt: skip
        self.ask("Emulation.setTouchEmulationEnabled", enabled=phone)

    def open(self, file: Path) -> None:
        """Load a file and wait until its script has run; none that has one may fail."""
        self.ask("Page.navigate", url=file.resolve().as_uri())
        self.wait("document.readyState === 'complete' && !document.getElementById('live')?.hidden")
        self.frame()

    def run(self, code: str) -> Any:
        """What an expression gives, promises awaited."""
        done = self.ask("Runtime.evaluate", expression=code, awaitPromise=True, returnByValue=True)
        assert "exceptionDetails" not in done, done["exceptionDetails"]
        return done["result"].get("value")

    def wait(self, code: str) -> None:
        """Wait until an expression holds."""
        until = time.monotonic() + PATIENCE_S
        while not self.run(code):
            assert time.monotonic() < until, f"never came: {code}"
            time.sleep(0.02)

    def frame(self) -> None:
        """Wait until two frames are drawn."""
        self.run(
            "new Promise(done => requestAnimationFrame(() => requestAnimationFrame(() => done(1))))"
        )

    def faults(self) -> list[str]:
        """What the page complained of: exceptions, and what its policy stopped."""
        self.run("1")
        found = []
        for event in self.browser.events:
            if event.get("sessionId") != self.session:
                continue
            if event["method"] == "Runtime.exceptionThrown":
                found.append(json.dumps(event["params"]["exceptionDetails"]))
            if event["method"] == "Log.entryAdded" and event["params"]["entry"]["level"] == "error":
                found.append(event["params"]["entry"]["text"])
        return found

    def key(self, key: str, *, shift: bool = False) -> None:
        """Press a key."""
        for kind in ("rawKeyDown", "keyUp"):
            self.ask(
                "Input.dispatchKeyEvent", type=kind, key=key, code=key,
                windowsVirtualKeyCode=_KEYS.get(key, 0), modifiers=8 if shift else 0,
            )  # fmt: skip

    def touch(self, x: float, y: float) -> None:
        """Touch a point of the window and let go."""
        self.ask("Input.dispatchTouchEvent", type="touchStart", touchPoints=[{"x": x, "y": y}])
        self.ask("Input.dispatchTouchEvent", type="touchEnd", touchPoints=[])
        self.frame()

    def point(self, x: float, y: float, *, press: bool = False) -> None:
        """Move the mouse to a point of the window, and press it there."""
        kinds = ["mouseMoved", *(["mousePressed", "mouseReleased"] if press else [])]
        for kind in kinds:
            self.ask(
                "Input.dispatchMouseEvent", type=kind, x=x, y=y,
                button="none" if kind == "mouseMoved" else "left",
                clickCount=0 if kind == "mouseMoved" else 1,
            )  # fmt: skip
        self.frame()

    def picture(self, path: Path, *, whole: bool = True) -> None:
        """What it looks like, as PNG."""
        data = self.ask("Page.captureScreenshot", captureBeyondViewport=whole)["data"]
        path.write_bytes(base64.b64decode(data))

    def media(self, kind: str = "", **features: str) -> None:
        """Look at it in print, or with what a person prefers."""
        named = [
            {"name": name.replace("_", "-"), "value": value} for name, value in features.items()
        ]
        self.ask("Emulation.setEmulatedMedia", media=kind, features=named)


_KEYS = {
    "ArrowLeft": 37, "ArrowUp": 38, "ArrowRight": 39, "ArrowDown": 40, "Tab": 9, "Enter": 13,
    "Home": 36, "End": 35, "PageUp": 33, "PageDown": 34,
}  # fmt: skip


@contextlib.contextmanager
def open_browser() -> Iterator[Browser]:
    """A browser of its own, ended with all that it started."""
    name = find_browser()
    in_read, in_write = os.pipe()
    out_read, out_write = os.pipe()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as home:
        # The protocol wants descriptors 3 and 4.
        command = f'exec "$0" "$@" 3<&{in_read} 4>&{out_write}'
        words = [
            "--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe",
            "--no-first-run", "--disable-extensions", "--hide-scrollbars",
            f"--user-data-dir={home}", "about:blank",
        ]  # fmt: skip
        process = subprocess.Popen(
            ["/bin/bash", "-c", command, name, *words], pass_fds=(in_read, out_write),
            stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL,
        )  # fmt: skip
        os.close(in_read)
        os.close(out_write)
        try:
            yield Browser(process, in_write, out_read)
        finally:
            os.close(in_write)  # It ends when nobody speaks to it any more.
            try:
                process.wait(10)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()
            os.close(out_read)
