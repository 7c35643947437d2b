"""Runs a command and turns whatever ends it into an exit status and at most one line.

0 and 1 are answers; 2 to 6 are refusals of ours, told on one line; 70 is a fault of
ours; 129, 130 and 143 are the terminal's, the user's or the system's wish to stop.
"""

from __future__ import annotations

import contextlib
import os
import signal
import sys
import warnings
from collections.abc import Sequence
from types import FrameType
from typing import Any, NoReturn

import click

from pourdatum.cli.limits import one_thread_for_algebra
from pourdatum.cli.refusal import TRACE, refusal_of
from pourdatum.cli.say import error_line, error_object, say_error, show_json
from pourdatum.cli.stop import (
    HUNG_UP,
    INTERRUPTED,
    TERMINATED,
    Stopped,
    begin,
    note,
    passing_over,
)
from pourdatum.errors import JobError, OutputError, PourdatumError


def main(argv: Sequence[str] | None = None) -> NoReturn:
    """The program: runs the words of the command line and exits."""
    if not sys.warnoptions and os.environ.get(TRACE) != "1":
        warnings.simplefilter("ignore")  # An answer is one line; what libraries murmur is not it.
    one_thread_for_algebra()
    status = run(sys.argv[1:] if argv is None else argv)
    if status in (HUNG_UP, INTERRUPTED, TERMINATED):
        # Other threads are not waited for: a stop in the middle of an import can leave them
        # waiting for its lock for ever.
        for stream in (sys.stdout, sys.stderr):
            with contextlib.suppress(OSError, AttributeError):
                stream.flush()
        os._exit(status)
    # It ended with an answer, which a late Ctrl-C while Python tidies up does not take back.
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    sys.exit(status)


def run(argv: Sequence[str]) -> int:
    """Run the words of a command line.

    Returns
    -------
    int
        Exit status.
    """
    from pourdatum.cli.app import app

    words = list(argv) or ["--help"]
    as_json = "--json" in words[: words.index("--") if "--" in words else None]
    begin()
    previous = catch_stops()
    lost, sys.unraisablehook = sys.unraisablehook, passing_over(sys.unraisablehook)
    try:
        status = app.main(args=words, prog_name="pourdatum", standalone_mode=False)
        return status if isinstance(status, int) else 0
    except click.exceptions.Exit as leaving:
        return leaving.exit_code
    except click.ClickException as error:
        return _refused(_from_click(error), as_json)
    except Stopped as stopped:
        return _ended(stopped)
    except (KeyboardInterrupt, click.Abort):
        return _ended(Stopped(INTERRUPTED))
    except Exception as reason:
        refusal = refusal_of(reason)
        return _ended(refusal) if isinstance(refusal, Stopped) else _refused(refusal, as_json)
    finally:
        sys.unraisablehook = lost
        for number, handler in previous.items():
            signal.signal(number, handler)


def _ended(stopped: Stopped) -> int:
    say_error(f"pourdatum: {stopped.words}")
    return stopped.status


def _refused(error: PourdatumError, as_json: bool) -> int:
    say_error(error_line(error))
    if as_json:
        with contextlib.suppress(OutputError):  # It was told on standard error.
            show_json(error_object(error))
    return error.exit_status


def _from_click(error: click.ClickException) -> JobError:
    hint = "see pourdatum --help"
    if isinstance(error, click.UsageError) and error.ctx is not None:
        hint = f"see {error.ctx.command_path} --help"
    return JobError(error.format_message().rstrip("."), hint=hint, id="usage")


def catch_stops() -> dict[int, Any]:
    """Turn signals to stop into exceptions, and note them; the handlers that were there."""

    def stop(number: int, frame: FrameType | None) -> None:
        note(number)

    previous: dict[int, Any] = {}
    usual: dict[int, Any] = {signal.SIGINT: signal.default_int_handler}
    if sys.platform != "win32":
        usual[signal.SIGHUP] = signal.SIG_DFL  # It is ignored under nohup, and stays so.
    for number in (signal.SIGTERM, *usual):
        if number in usual and signal.getsignal(number) is not usual[number]:
            continue  # started with the signal ignored, or embedded by who handles it
        try:
            previous[number] = signal.signal(number, stop)
        except ValueError:  # Not in the main thread: a program that embeds us keeps its own.
            return previous
    return previous
