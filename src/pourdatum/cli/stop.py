"""How a run is stopped from outside: by the user's Ctrl-C or by the system."""

from __future__ import annotations

import signal
from typing import Any, Final

import click

INTERRUPTED: Final = 130
TERMINATED: Final = 143
_WORDS: Final = {INTERRUPTED: "interrupted", TERMINATED: "stopped by the system"}


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


def check_stopped() -> None:
    """Stop now if a signal came and was lost: one raised while an object is torn down is."""
    if signal.SIGTERM in noted:
        raise Stopped(TERMINATED)
    if noted:
        raise KeyboardInterrupt


class Commands(click.Group):
    """The group of commands; an interruption leaves it as ``Stopped``.

    Left to itself the command line library would print an empty line for it, and an
    end is told on one line.
    """

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was typed."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise Stopped(INTERRUPTED) from None
