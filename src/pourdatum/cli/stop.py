"""How a run is stopped from outside: by the user's Ctrl-C or by the system."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

HUNG_UP: Final = 129
INTERRUPTED: Final = 130
TERMINATED: Final = 143
_WORDS: Final = {
    HUNG_UP: "stopped, since the terminal was closed",
    INTERRUPTED: "interrupted",
    TERMINATED: "stopped by the system",
}


class Stopped(BaseException):
    """The run is to end now; no error of ours, so it passes all ``except Exception``.

    Attributes
    ----------
    status : int
        Exit status, 128 and the number of the signal.
    words : str
        How it ended, for people.
    """

    def __init__(self, status: int) -> None:
        self.words = f"{_WORDS[status]}; nothing was written"
        super().__init__(self.words)
        self.status = status


noted: list[int] = []
"""Signals to stop that came during this run."""
_settled: list[bool] = []


def begin() -> None:
    """A run begins: nothing has come yet."""
    noted.clear()
    _settled.clear()


def note(number: int) -> None:
    """A signal came: stop now, so that unfinished output is cleared on the way out."""
    if not _settled:
        noted.append(number)
        check_stopped()


def check_stopped() -> None:
    """Stop now if a signal came and was lost: one raised while an object is torn down is."""
    for status in (TERMINATED, HUNG_UP):
        if status - 128 in noted:
            raise Stopped(status)
    if noted:
        raise KeyboardInterrupt


def settle() -> None:
    """From here on a stop comes too late, and is passed over: results go to their place.

    One that came between the folder's new name and the end would be told as if nothing were there.
    """
    check_stopped()
    _settled.append(True)


def passing_over(otherwise: Callable[[Any], Any]) -> Callable[[Any], Any]:
    """A hook for what nobody can catch: a stop while an object is torn down is no fault.

    ``check_stopped`` ends the run a little later. All else goes to the hook that was there.
    """

    def hook(lost: Any) -> None:
        if not (noted and isinstance(lost.exc_value, (KeyboardInterrupt, Stopped))):
            otherwise(lost)

    return hook
