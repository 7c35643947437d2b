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
    def tab(self) -> Iterator[Page]:
        """An empty tab, closed in the end."""
        target = self.ask("Target.createTarget", url="about:blank")["targetId"]
        session = self.ask("Target.attachToTarget", targetId=target, flatten=True)["sessionId"]
        page = Page(self, session)
        for domain in ("Page", "Runtime", "Log", "Network"):
            page.ask(f"{domain}.enable")
        yield page
        self.ask("Target.closeTarget", targetId=target)

    @contextlib.contextmanager
    def page(self, file: Path, size: tuple[int, int, bool] = DESK) -> Iterator[Page]:
        """A page of a file, loaded, in a window of this size."""
        with self.tab() as page:
            page.resize(size)
            page.open(file)
            yield page


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

    def visit(self, address: str) -> None:
        """Open an address and wait until it is there."""
        self.ask("Page.navigate", url=address)
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")

    def wait(self, code: str, seconds: float = PATIENCE_S) -> Any:
        """Wait until an expression holds; its value. A page under change is asked again."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            with contextlib.suppress(AssertionError):
                if value := self.run(code):
                    return value
            time.sleep(0.02)
        raise AssertionError(f"not within {seconds} s: {code}")

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

    def asked(self) -> set[str]:
        """Every address that the page asked for."""
        return {
            event["params"]["request"]["url"]
            for event in self.browser.events
            if event.get("sessionId") == self.session
            and event["method"] == "Network.requestWillBeSent"
        }

    def text(self) -> str:
        """What can be read on the page."""
        return str(self.run("document.body.innerText"))

    def key(self, key: str, *, text: str = "", shift: bool = False) -> None:
        """Press a key, and let it write a text."""
        more = {"text": text} if text else {}
        for kind in ("keyDown" if text else "rawKeyDown", "keyUp"):
            self.ask(
                "Input.dispatchKeyEvent", type=kind, key=key, code=key,
                windowsVirtualKeyCode=_KEYS.get(key, 0), modifiers=8 if shift else 0,
                **(more if kind == "keyDown" else {}),
            )  # fmt: skip

    def click(self, selector: str) -> None:
        """Click with the mouse in the middle of an element."""
        x, y = self.wait(
            f"(() => {{ const e = document.querySelector({json.dumps(selector)}); if (!e) return 0;"
            " e.scrollIntoView({block: 'center'}); const r = e.getBoundingClientRect();"
            " return [r.x + r.width / 2, r.y + r.height / 2]; })()"
        )
        self.click_at(x, y)

    def click_at(self, x: float, y: float) -> None:
        """Click with the mouse."""
        for kind in ("mousePressed", "mouseReleased"):
            self.ask("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def choose_files(self, selector: str, *paths: Path) -> None:
        """Choose files in a field, as the system's dialogue does."""
        root = self.ask("DOM.getDocument")["root"]["nodeId"]
        node = self.ask("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        self.ask("DOM.setFileInputFiles", nodeId=node, files=[str(path) for path in paths])

    def drop_files(self, selector: str, *paths: Path) -> None:
        """Drag files from the desk onto an element and drop them."""
        x, y = self.run(
            f"(() => {{ const r = document.querySelector({json.dumps(selector)})"
            ".getBoundingClientRect(); return [r.x + 20, r.y + 20]; })()"
        )
        data = {"items": [], "files": [str(path) for path in paths], "dragOperationsMask": 1}
        for kind in ("dragEnter", "dragOver", "drop"):
            self.ask("Input.dispatchDragEvent", type=kind, x=x, y=y, data=data)

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
    "Home": 36, "End": 35, "PageUp": 33, "PageDown": 34, " ": 32,
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
