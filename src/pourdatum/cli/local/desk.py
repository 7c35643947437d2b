"""One command at a time: starts its worker, relays questions and answers, knows how it stands."""

from __future__ import annotations

import contextlib
import json
import subprocess
import sys
import threading
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final, Literal

from pourdatum.cli.stop import INTERRUPTED
from pourdatum.errors import JobError
from pourdatum.write.folder import clear_after

State = Literal["ready", "working", "asking", "done", "failed"]

PATIENCE_S: Final = 15.0
"""Time for a worker to stop by itself; one that hangs in a library is ended then."""
_STARTING: Final = {"stage": "starting", "done": None, "words": ""}
_STOPPING: Final = {"stage": "stopping", "done": None, "words": ""}


@dataclass(frozen=True)
class View:
    """How the desk stands.

    Attributes
    ----------
    state : str
    version : int
        Grows with each change of state.
    name : str
        The scan, for people.
    command : str
    tell, ask, end : mapping
        The last progress; the open question; how it ended.
    note : str
        What came of the last command where that is no result.
    asked : mapping
        The words of the first screen, for the next time.
    """

    state: State = "ready"
    version: int = 0
    name: str = ""
    command: str = "plan"
    tell: Mapping[str, Any] = field(default_factory=lambda: _STARTING)
    ask: Mapping[str, Any] = field(default_factory=dict)
    end: Mapping[str, Any] = field(default_factory=dict)
    note: str = ""
    asked: Mapping[str, Any] = field(default_factory=dict)


class Desk:
    """The one command that runs, or the last that ran."""

    def __init__(self) -> None:
        self._lock = threading.RLock()
        self._view = View()
        self._worker: subprocess.Popen[str] | None = None
        self._reader: threading.Thread | None = None
        self._kill: threading.Timer | None = None

    @property
    def view(self) -> View:
        """How it stands now."""
        with self._lock:
            return self._view

    def begin(self, wishes: Mapping[str, Any], name: str, asked: Mapping[str, Any]) -> None:
        """Start a worker on these wishes.

        Raises
        ------
        JobError
            If one works already.
        """
        with self._lock:
            if self._worker is not None:
                raise JobError("a scan is being worked on", hint="wait for it, or cancel it")
            # -P: whatever lies in the current folder is no module of ours.
            self._worker = subprocess.Popen(
                [sys.executable, "-P", "-m", "pourdatum.cli.local.worker"],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                encoding="utf-8",
                start_new_session=True,  # Ctrl-C is for the server, which stops the worker.
            )
            view = View("working", self._view.version, name, str(wishes["command"]), asked=asked)
            self._set(view)
            self._send(wishes)
            self._reader = threading.Thread(
                target=self._read, args=(self._worker, Path(wishes["out"]).parent), daemon=True
            )
            self._reader.start()

    def answer(self, number: int, answer: str | None) -> None:
        """Give the answer to a question; one that is not open is passed over."""
        with self._lock:
            if self._view.state == "asking" and self._view.ask["number"] == number:
                self._send({"number": number, "answer": answer})
                self._set(replace(self._view, state="working", tell=_STARTING, ask={}))

    def stop(self) -> None:
        """Ask the worker to stop, as Ctrl-C does; end it if it does not."""
        with self._lock:
            worker = self._worker
            if worker is None or self._kill is not None:
                return
            self._send({"stop": True})
            self._kill = threading.Timer(PATIENCE_S, worker.kill)
            self._kill.daemon = True
            self._kill.start()
            self._view = replace(self._view, tell=_STOPPING)
            if self._view.state == "asking":
                self._set(replace(self._view, state="working", ask={}))

    def clear(self) -> None:
        """Make ready for another scan, where nothing runs."""
        with self._lock:
            if self._worker is None:
                self._set(View(version=self._view.version, asked=self._view.asked))

    def close(self) -> None:
        """Stop what runs, and wait for its end."""
        self.stop()
        reader = self._reader
        if reader is not None:
            reader.join(PATIENCE_S + 5.0)

    def _set(self, view: View) -> None:
        self._view = replace(view, version=view.version + 1)

    def _send(self, message: Mapping[str, Any]) -> None:
        assert self._worker is not None
        assert self._worker.stdin is not None
        with contextlib.suppress(OSError):  # It ended meanwhile; its reader says how.
            self._worker.stdin.write(f"{json.dumps(message)}\n")
            self._worker.stdin.flush()

    def _read(self, worker: subprocess.Popen[str], folder: Path) -> None:
        """Follow the worker to its end."""
        end: Mapping[str, Any] | None = None
        assert worker.stdout is not None
        for line in worker.stdout:
            try:
                message = json.loads(line)
            except ValueError:
                continue  # It was ended in the middle of a line.
            end = message.get("end", end)
            with self._lock:
                if "tell" in message and self._kill is None:
                    self._view = replace(self._view, tell=message["tell"])
                elif "ask" in message and self._kill is None:
                    self._set(replace(self._view, state="asking", ask=message["ask"]))
        status = worker.wait()
        clear_after(folder, worker.pid)
        with self._lock:
            stopped = self._kill is not None
            if self._kill is not None:
                self._kill.cancel()
            self._kill = self._worker = None
            for stream in (worker.stdin, worker.stdout):
                with contextlib.suppress(OSError):
                    if stream is not None:
                        stream.close()
            self._set(self._ended(end, stopped, status))

    def _ended(self, end: Mapping[str, Any] | None, stopped: bool, status: int) -> View:
        view = replace(self._view, ask={}, tell=_STARTING)
        if end is not None and "result" in end:
            return replace(view, state="done", end=end)
        if stopped or (end is not None and end["status"] == INTERRUPTED):
            note = "Cancelled. Nothing was written."
            return View(version=view.version, note=note, asked=view.asked)
        if end is None:
            told = f"the work ended without a word (status {status}); memory may have run out"
            error = {"message": told, "hint": "close other programs, or give fewer files"}
            end = {"status": 6, "error": error}
        return replace(view, state="failed", end=end)
