"""Limits of the machine: asked before the work where they can be, told when they are met."""

from __future__ import annotations

import errno
import os
import sys
from typing import Final

from pourdatum.errors import LimitMet, OutputError, PourdatumError

LEAST_ADDRESS_SPACE: Final = 512 * 2**20
"""Bytes below which the libraries do not load. They spin or end the process then, which no
handler of ours could tell."""


def one_thread_for_algebra() -> None:
    """Keep linear algebra on one thread, unless the user says otherwise.

    Our matrices are small: more threads cost start-up and memory, and may change last bits.
    It must be said before NumPy is loaded.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(name, "1")


def check_memory_limit() -> None:
    """Raise ``LimitMet`` where the process may not have the memory that loading needs."""
    if sys.platform == "win32":
        return
    import resource

    allowed, _ = resource.getrlimit(resource.RLIMIT_AS)
    if allowed != resource.RLIM_INFINITY and allowed < LEAST_ADDRESS_SPACE:
        raise LimitMet(
            f"the memory limit of {allowed / 2**20:.0f} MB is below the "
            f"{LEAST_ADDRESS_SPACE / 2**20:.0f} MB that loading takes",
            hint="raise the limit (ulimit -v)",
            id="memory",
        )


def out_of_memory() -> LimitMet:
    """Memory ran out, and how much was in use."""
    peak = ""
    if sys.platform != "win32":
        import resource

        used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
        peak = f" at {used / (2**20 if sys.platform == 'darwin' else 2**10):,.0f} MB"
    return LimitMet(
        f"memory ran out{peak}", hint="give a larger --cell, or fewer files at a time", id="memory"
    )


def told_by_the_system(reason: Exception) -> PourdatumError | None:
    """A full disk or a limit of the machine, which no stage of ours could foresee."""
    if isinstance(reason, OSError):
        if reason.errno in (errno.ENOSPC, errno.EDQUOT, errno.EFBIG, errno.EROFS):
            return OutputError(f"output cannot be written ({reason.strerror})", id="disk-full")
        if reason.errno in (errno.EMFILE, errno.ENFILE, errno.ENOMEM, errno.EAGAIN):
            return LimitMet(f"the system gives no more ({reason.strerror})", id="system-limit")
    if isinstance(reason, RuntimeError) and "start new thread" in str(reason):
        return LimitMet("the system gives no more threads", hint="raise its limit", id="threads")
    if isinstance(reason, EOFError) and "marshal data" in str(reason):
        return PourdatumError(
            "a file of the installation is cut short (compiled bytecode)",
            hint="a full disk does that: make room, and delete its __pycache__ folders",
            id="bytecode",
        )
    return None
