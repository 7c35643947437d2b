"""What is said of whatever ended a command: a refusal, a limit, a stop, or a fault of ours."""

from __future__ import annotations

import os
import signal
import sys
import traceback
from typing import Any

import click

from pourdatum.cli.limits import out_of_memory, told_by_the_system
from pourdatum.cli.stop import INTERRUPTED, Stopped, noted
from pourdatum.errors import PourdatumError

TRACE = "POURDATUM_TRACE"
"""Environment variable that, set to 1, adds the traceback of a fault of ours."""


def refusal_of(reason: Exception) -> PourdatumError | Stopped:
    """Whatever ended a command, as what is said of it."""
    if isinstance(reason, PourdatumError):
        return reason
    if isinstance(reason, MemoryError):
        return out_of_memory()
    if signal.SIGINT in noted:  # a library that was loading made another error of it
        return Stopped(INTERRUPTED)
    return told_by_the_system(reason) or _fault(reason)


def _fault(reason: Exception) -> PourdatumError:
    if os.environ.get(TRACE) == "1":
        traceback.print_exception(reason, file=sys.stderr)
    found = f"{type(reason).__name__}: {reason}" if str(reason) else type(reason).__name__
    return PourdatumError(
        f"a fault of ours ({found})", hint=f"please report it, with what {TRACE}=1 prints"
    )


class Commands(click.Group):
    """The group of commands; what the command line library would retell leaves it as it is.

    It prints an empty line for an interruption, and an end is told on one line. It takes every
    end of file for the user's, and no command of ours reads what is typed.
    """

    def invoke(self, ctx: click.Context) -> Any:
        """Run the command that was typed."""
        try:
            return super().invoke(ctx)
        except KeyboardInterrupt:
            raise Stopped(INTERRUPTED) from None
        except EOFError as reason:
            raise refusal_of(reason) from reason
