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
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from pourdatum.cli.say import say_error
from pourdatum.cli.stop import check_stopped

if TYPE_CHECKING:
    from pourdatum.passing import Progress

_SHOW_AFTER_S: Final = 1.0
_LINE_EVERY_S: Final = 10.0
_RATE_AFTER_S: Final = 0.5


@contextlib.contextmanager
def shown_progress(quiet: bool) -> Iterator[Progress]:
    """A progress to pass down; what it shows is gone when the block ends."""
    if quiet or sys.stderr is None:
        yield _nothing
    elif sys.stderr.isatty() and os.environ.get("TERM") != "dumb":
        bar = _Bar()
        try:
            yield bar.tell
        finally:
            bar.close()
    else:
        yield _Lines().tell


def _nothing(stage: str, done: float | None, points: int = 0) -> None:
    """Progress that says nothing."""
    check_stopped()


class Pace:
    """How fast a stage goes, and how long it will take."""

    def __init__(self) -> None:
        self._stage = ""
        self._began = 0.0

    def words(self, stage: str, done: float | None, points: int) -> str:
        """As ``", 12.3 million points per second, 0:14 left"``; empty where it cannot be told."""
        now = time.monotonic()
        if stage != self._stage:
            self._stage, self._began = stage, now
        past_s = now - self._began
        if not done or past_s < _RATE_AFTER_S:
            return ""
        left = f"{_clock(past_s * (1 / done - 1))} left"
        return f", {_counted(points * done / past_s)} per second, {left}" if points else f", {left}"


def _clock(seconds: float) -> str:
    """Minutes and seconds, with hours where there are any.

    Examples
    --------
    >>> _clock(14.2), _clock(3725.0)
    ('0:14', '1:02:05')
    """
    minutes, rest = divmod(round(seconds), 60)
    hours, minutes = divmod(minutes, 60)
    return f"{hours}:{minutes:02d}:{rest:02d}" if hours else f"{minutes}:{rest:02d}"


def _counted(points: float) -> str:
    return f"{points / 1e6:.1f} million points" if points >= 1e5 else f"{points:,.0f} points"


class _Lines:
    def __init__(self) -> None:
        self._last = time.monotonic()
        self._pace = Pace()

    def tell(self, stage: str, done: float | None, points: int = 0) -> None:
        check_stopped()
        now = time.monotonic()
        pace = self._pace.words(stage, done, points)
        if now - self._last >= _LINE_EVERY_S:
            self._last = now
            say_error(f"pourdatum: {stage}" + ("" if done is None else f" ({done:.0%}{pace})"))


class _Bar:
    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._bar: Any = None
        self._task: Any = None
        self._stage = "starting"
        self._pace = Pace()
        self._words = ""
        self._done: float | None = None
        self._timer = threading.Timer(_SHOW_AFTER_S, self._open)
        self._timer.daemon = True
        self._timer.start()

    def tell(self, stage: str, done: float | None, points: int = 0) -> None:
        check_stopped()
        with self._lock:
            self._words = self._pace.words(stage, done, points)
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
                description=self._stage + self._words,
                total=None if self._done is None else 1.0,
                completed=self._done or 0.0,
            )
