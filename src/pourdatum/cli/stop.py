"""How a run is stopped from outside: by the user's Ctrl-C or by the system."""

from __future__ import annotations

import signal
from typing import Any

import click


class Stopped(BaseException):
    """The run is to end now; no error of ours, so it passes all ``except Exception``.

    Attributes
    ----------
    status : int
        Exit status, 128 and the number of the signal.
    """

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status
        self.words = words


noted: list[int] = []
"""Signals to stop that came during this run."""


def check_stopped() -> None:
    """Stop now if a signal came and was lost: one raised while an object is torn down is."""
    if signal.SIGTERM in noted:
        raise Stopped(TERMINATED, "stopped by the system; nothing was written")
    if noted:
        raise KeyboardInterrupt


INTERRUPTED = 130
TERMINATED = 143


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
            raise Stopped(INTERRUPTED, "interrupted; nothing was written") from None
