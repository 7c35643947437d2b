"""Progress on standard error: a bar that comes after a second and goes when done.

Without a terminal, a line now and then for jobs that take long. Rich is loaded only
when something is shown.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
import time
from collections.abc import Callable, Iterator
from typing import Any, Final

from pourdatum.cli.say import say_error

Progress = Callable[[str, float | None], None]

_SHOW_AFTER_S: Final = 1.0
_LINE_EVERY_S: Final = 10.0


@contextlib.contextmanager
def shown_progress(quiet: bool) -> Iterator[Progress]:
    """A progress to pass down; what it shows is gone when the block ends."""
    if quiet or sys.stderr is None:
        yield lambda stage, done: None
    elif sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
        bar = _Bar()
        try:
            yield bar.tell
        finally:
            bar.close()
    else:
        yield _Lines().tell


class _Lines:
    def __init__(self) -> None:
        self._last = time.monotonic()

    def tell(self, stage: str, done: float | None) -> None:
        now = time.monotonic()
        if now - self._last >= _LINE_EVERY_S:
            self._last = now
            say_error(f"pourdatum: {stage}" + ("" if done is None else f" ({done:.0%})"))


class _Bar:
    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bar: Any = None
        self._task: Any = None
        self._stage = "starting"
        self._done: float | None = None
        self._timer = threading.Timer(_SHOW_AFTER_S, self._open)
        self._timer.daemon = True
        self._timer.start()

    def tell(self, stage: str, done: float | None) -> None:
        with self._lock:
            self._stage, self._done = stage, done
            self._redraw()

    def close(self) -> None:
        self._timer.cancel()
        with self._lock:
            self._timer = threading.Timer(0.0, lambda: None)
            if self._bar is not None:
                self._bar.stop()
                self._bar = None
            self._stage = ""

    def _open(self) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, SpinnerColumn, TextColumn, TimeElapsedColumn

        with self._lock:
            if not self._stage:
                return  # Closed while we were loading.
            self._bar = Progress(
                SpinnerColumn("line"), TextColumn("{task.description}"), BarColumn(bar_width=24),
                TimeElapsedColumn(), console=Console(stderr=True), transient=True,
            )  # fmt: skip
            self._task = self._bar.add_task(self._stage, total=None)
            self._bar.start()
            self._redraw()

    def _redraw(self) -> None:
        if self._bar is not None:
            self._bar.update(
                self._task,
                description=self._stage,
                total=None if self._done is None else 1.0,
                completed=self._done or 0.0,
            )
