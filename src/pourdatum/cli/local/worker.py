"""The process that carries a command out for the page, and asks back what it must.

It speaks in lines of JSON: what is wished and answered comes on standard input; what is told,
asked and ended with goes out on standard output. A process of its own can be stopped as Ctrl-C
stops the command line, gives all memory back, and takes nothing with it if it breaks.
"""

from __future__ import annotations

import _thread
import contextlib
import json
import os
import queue
import signal
import sys
import threading
import time
import warnings
from dataclasses import asdict, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TextIO

from pourdatum.cli.guard import catch_stops
from pourdatum.cli.limits import one_thread_for_algebra
from pourdatum.cli.progress import Pace
from pourdatum.cli.refusal import refusal_of
from pourdatum.cli.say import error_object, printable
from pourdatum.cli.stop import INTERRUPTED, Stopped, check_stopped, passing_over
from pourdatum.errors import JobError, PourdatumError

if TYPE_CHECKING:
    from collections.abc import Mapping

    from pourdatum.cli.carry import Carried
    from pourdatum.cli.local.questions import Question
    from pourdatum.cli.options import Words
    from pourdatum.job import Job
    from pourdatum.surface import Surface

_TELL_EVERY_S: Final = 0.2
_WAIT_S: Final = 0.5
"""Pauses of a wait, since on Windows no signal ends one."""


class Line:
    """The line to the page.

    Parameters
    ----------
    heard, spoken : text files
    hide : str
        Folder that stays out of what is told: files are taken in there under their own names.
    """

    def __init__(self, heard: TextIO, spoken: TextIO, hide: str = "") -> None:
        self._heard, self._spoken, self._hide = heard, spoken, hide
        self._answers: queue.Queue[str | None] = queue.Queue()
        self._asked = 0
        self._lock = threading.Lock()
        self._pace = Pace()
        self._last: tuple[str, float] = ("", 0.0)

    def listen(self) -> None:
        """Hear answers from now on; a wish to stop, and the end of the line, interrupt the run."""
        threading.Thread(target=self._hear, daemon=True).start()

    def tell(self, stage: str, done: float | None, points: int = 0) -> None:
        """Progress, as the command line has it."""
        check_stopped()
        now = time.monotonic()
        words = self._pace.words(stage, done, points)
        if stage == self._last[0] and now - self._last[1] < _TELL_EVERY_S:
            return
        self._last = (stage, now)
        self.say({"tell": {"stage": stage, "done": done, "words": words.removeprefix(", ")}})

    def ask(self, question: Question) -> str | None:
        """The user's answer; None where the question was left open."""
        self._asked += 1
        self.say({"ask": asdict(question) | {"number": self._asked}})
        while True:
            check_stopped()
            with contextlib.suppress(queue.Empty):
                return self._answers.get(timeout=_WAIT_S)

    def say(self, message: Mapping[str, Any]) -> None:
        """One message."""
        text = json.dumps(message)
        if self._hide:
            hidden = json.dumps(self._hide + os.sep)[1:-1]
            text = text.replace(hidden, "")
        with self._lock:
            self._spoken.write(f"{text}\n")
            self._spoken.flush()

    def _hear(self) -> None:
        for line in self._heard:
            told = json.loads(line)
            if told.get("stop"):
                break
            if told.get("number") == self._asked:
                self._answers.put(told.get("answer"))
        if sys.platform == "win32":
            _thread.interrupt_main()
        else:  # It must reach that thread, to end a wait there.
            signal.pthread_kill(threading.main_thread().ident or 0, signal.SIGINT)


def carried(wishes: Mapping[str, Any], line: Line) -> Carried:
    """Carry the wishes out; a refusal that an answer mends is a question, and all begins anew."""
    from pourdatum.cli.carry import carry_out
    from pourdatum.cli.local.questions import answered, question_of

    words = words_of(wishes)
    while True:
        try:
            return carry_out(
                wishes["command"],
                words,
                lambda: contextlib.nullcontext(line.tell),
                decide=_asking(words, line) if wishes["ask_exit"] else None,
                keep_sums=False,
            )
        except PourdatumError as error:
            question = question_of(error, str(words.out))
            if question is None:
                raise
            answer = line.ask(question)
            if answer is None:
                raise
            words = answered(words, question, answer)


def words_of(wishes: Mapping[str, Any]) -> Words:
    """What was wished as the words of a command line."""
    from pourdatum.cli.options import Words

    nothing: dict[str, Any] = dict.fromkeys(
        ("job_file", "units", "up", "columns", "sensor", "control", "outline", "at",
         "through_doors", "cell", "scheduler", "memory")
    )  # fmt: skip
    return Words(
        **nothing,
        scans=tuple(wishes["scans"]),
        out=wishes["out"],
        criteria=(),
        files=wishes["files"],
        overwrite=False,
        as_json=False,
        quiet=False,
        material=wishes["material"] if wishes["command"] == "plan" else None,
        shown=wishes["shown"],
    )


def _asking(words: Words, line: Line) -> Any:
    """Asks for the exit once the floor is found."""
    from pourdatum.cli.local.exits import exit_place, exit_question

    def decide(surface: Surface, job: Job) -> Job:
        told = ""
        while answer := line.ask(exit_question(surface, job.units, told)):
            try:
                return replace(words, exit=exit_place(answer, surface)).to_job()
            except JobError as error:
                told = printable(str(error))
        return job

    return decide


def end_of(wishes: Mapping[str, Any], line: Line) -> dict[str, Any]:
    """How the command ended, for the page: a result, a refusal, or stopped."""
    try:
        done = carried(wishes, line)
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # The folder is there now.
    except (KeyboardInterrupt, Stopped):
        return {"status": INTERRUPTED}
    except Exception as reason:
        refusal = refusal_of(reason)
        if isinstance(refusal, Stopped):
            return {"status": refusal.status}
        error = error_object(refusal)["error"]
        return {"status": refusal.exit_status, "error": error}
    from pourdatum.cli.lines import caution_of, told_of

    return {
        "status": done.status,
        "result": {
            **asdict(told_of(done.outcome)),
            "folder": done.target,
            "files": sorted(item.name for item in Path(done.target).iterdir()),
            "caution": caution_of(done.outcome),
        },
    }


def main() -> None:
    """Carry out one command, wished for in the first line of standard input."""
    # What libraries print must not stand among the messages.
    spoken = os.fdopen(os.dup(sys.stdout.fileno()), "w", encoding="utf-8")
    elsewhere = os.open(os.devnull, os.O_WRONLY) if sys.stderr is None else sys.stderr.fileno()
    os.dup2(elsewhere, sys.stdout.fileno())
    warnings.simplefilter("ignore")
    one_thread_for_algebra()
    catch_stops()
    sys.unraisablehook = passing_over(sys.unraisablehook)
    heard = os.fdopen(os.dup(sys.stdin.fileno()), encoding="utf-8")
    wishes = json.loads(heard.readline())
    line = Line(heard, spoken, wishes["hide"])
    try:
        line.listen()
        end = end_of(wishes, line)
        line.say({"end": end})
    except (KeyboardInterrupt, Stopped, BrokenPipeError):
        os._exit(INTERRUPTED)  # The page is gone, or stopped us in the last step.
    os._exit(0)  # What other threads still load is not waited for.


if __name__ == "__main__":
    main()
