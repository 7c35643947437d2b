"""A headless Chromium for tests, driven by its own debugging protocol over two pipes.

No package is needed for it: a message is a line of JSON that ends with a zero byte.
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
import time
from collections.abc import Iterator
from pathlib import Path
from types import TracebackType
from typing import Any

import pytest

_WAIT_S = 60.0
_NAMES = ("chromium", "chromium-browser", "google-chrome", "chrome")
_OPTIONS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--remote-debugging-pipe", "--no-first-run",
    "--disable-background-networking", "--disable-component-update", "--disable-extensions",
    "--disable-dev-shm-usage",
)  # fmt: skip


def find_browser() -> str:
    """The browser's program; where there is none, a skip says so."""
    if sys.platform == "win32":
        pytest.skip("the pipes to Chromium are not made on Windows")
    for name in _NAMES:
        if (found := shutil.which(name)) is not None:
            return found
    pytest.skip("no Chromium is installed (on Debian: apt install chromium)")


class Browser:
    """One tab.

    Parameters
    ----------
    place : Path
        Empty folder for the browser's profile.
    """

    def __init__(self, place: Path) -> None:
        program = find_browser()
        their_in, self._out = os.pipe()
        self._in, their_out = os.pipe()
        self._numbers = itertools.count(1)
        self._held = b""
        self.events: list[dict[str, Any]] = []
        self._session: str | None = None
        # A shell puts the pipes where the browser looks for them: at 3 and 4.
        line = f'exec "$@" 3<&{their_in} 4>&{their_out} {their_in}<&- {their_out}>&-'
        words = [program, *_OPTIONS, f"--user-data-dir={place}", "about:blank"]
        self._process = subprocess.Popen(
            ["bash", "-c", line, "bash", *words],
            pass_fds=(their_in, their_out),
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            env={**os.environ, "HOME": str(place)},
        )
        os.close(their_in)
        os.close(their_out)
        tabs = self.call("Target.getTargets")["targetInfos"]
        tab = next(item["targetId"] for item in tabs if item["type"] == "page")
        told = self.call("Target.attachToTarget", targetId=tab, flatten=True)
        self._session = told["sessionId"]
        for domain in ("Page", "Runtime", "Log", "Network"):
            self.call(f"{domain}.enable")

    def __enter__(self) -> Browser:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        at: TracebackType | None,
    ) -> None:
        with contextlib.suppress(Exception):
            self._session = None
            self.call("Browser.close")
        self._process.kill()
        self._process.wait()
        os.close(self._in)
        os.close(self._out)

    def call(self, method: str, **params: Any) -> dict[str, Any]:
        """Call a method of the protocol; its result."""
        number = next(self._numbers)
        message: dict[str, Any] = {"id": number, "method": method, "params": params}
        if self._session is not None:
            message["sessionId"] = self._session
        os.write(self._out, json.dumps(message).encode() + b"\0")
        for told in self._messages():
            if told.get("id") == number:
                assert "error" not in told, (method, told["error"])
                result: dict[str, Any] = told["result"]
                return result
            self.events.append(told)
        raise AssertionError("no answer of the browser")

    def _messages(self) -> Iterator[dict[str, Any]]:
        until = time.monotonic() + _WAIT_S
        while time.monotonic() < until:
            while b"\0" in self._held:
                first, self._held = self._held.split(b"\0", 1)
                yield json.loads(first)
            if select.select([self._in], [], [], 1.0)[0]:
                self._held += os.read(self._in, 1 << 20)

    def open(self, address: str) -> None:
        """Open an address and wait until it is there."""
        self.call("Page.navigate", url=address)
        self.wait("document.readyState === 'complete' && location.href !== 'about:blank'")

    def see(self, expression: str) -> Any:
        """The value of an expression in the page."""
        told = self.call(
            "Runtime.evaluate", expression=expression, returnByValue=True, awaitPromise=True
        )
        assert "exceptionDetails" not in told, told
        return told["result"].get("value")

    def wait(self, expression: str, seconds: float = _WAIT_S) -> Any:
        """Wait until an expression is true; its value. A page that is reloading is asked again."""
        until = time.monotonic() + seconds
        while time.monotonic() < until:
            with contextlib.suppress(AssertionError):
                if value := self.see(expression):
                    return value
            time.sleep(0.05)
        raise AssertionError(f"not within {seconds} s: {expression}")

    def text(self) -> str:
        """What can be read on the page."""
        return str(self.see("document.body.innerText"))

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
            self.call("Input.dispatchMouseEvent", type=kind, x=x, y=y, button="left", clickCount=1)

    def press(self, key: str, code: int = 0, text: str = "", shift: bool = False) -> None:
        """Press a key."""
        more = {"windowsVirtualKeyCode": code, "modifiers": 8 if shift else 0}
        down = {"text": text} if text else {}
        kind = "keyDown" if text else "rawKeyDown"
        self.call("Input.dispatchKeyEvent", type=kind, key=key, code=key, **more, **down)
        self.call("Input.dispatchKeyEvent", type="keyUp", key=key, code=key, **more)

    def choose_files(self, selector: str, *paths: Path) -> None:
        """Choose files in a field, as the system's dialogue does."""
        root = self.call("DOM.getDocument")["root"]["nodeId"]
        node = self.call("DOM.querySelector", nodeId=root, selector=selector)["nodeId"]
        self.call("DOM.setFileInputFiles", nodeId=node, files=[str(path) for path in paths])

    def drop_files(self, selector: str, *paths: Path) -> None:
        """Drag files from the desk onto an element and drop them."""
        x, y = self.see(
            f"(() => {{ const r = document.querySelector({json.dumps(selector)})"
            ".getBoundingClientRect(); return [r.x + 20, r.y + 20]; })()"
        )
        data = {"items": [], "files": [str(path) for path in paths], "dragOperationsMask": 1}
        for kind in ("dragEnter", "dragOver", "drop"):
            self.call("Input.dispatchDragEvent", type=kind, x=x, y=y, data=data)

    def size(self, width: int, height: int = 900, *, dark: bool = False) -> None:
        """Size of the window, and whether the user prefers dark."""
        self.call(
            "Emulation.setDeviceMetricsOverride",
            width=width, height=height, deviceScaleFactor=1, mobile=width < 600,
        )  # fmt: skip
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.call("Emulation.setEmulatedMedia", features=[scheme])

    def picture(self, path: Path) -> None:
        """The whole page as PNG."""
        told = self.call("Page.captureScreenshot", captureBeyondViewport=True)
        path.write_bytes(base64.b64decode(told["data"]))

    def complaints(self) -> list[str]:
        """What the browser complained of: errors of scripts, things its policy refused."""
        found = []
        for event in self.events:
            params = event.get("params", {})
            if event.get("method") == "Runtime.exceptionThrown":
                found.append(str(params["exceptionDetails"]))
            elif event.get("method") == "Log.entryAdded" and params["entry"]["level"] == "error":
                found.append(str(params["entry"]))
        return found

    def asked(self) -> set[str]:
        """Every address that the page asked for."""
        return {
            event["params"]["request"]["url"]
            for event in self.events
            if event.get("method") == "Network.requestWillBeSent"
        }
