"""Loops compiled with Numba, where the extra ``fast`` is installed.

Every such loop exists in NumPy as well, step for step, and gives the same numbers: what is
compiled is there for speed alone.
"""

from __future__ import annotations

import importlib
from functools import cache
from typing import Any

_loaded: set[str] = set()


def compiled_loops(module: str, worth: bool = True) -> Any:
    """A module of compiled loops of this package, or None where they cannot be had.

    Parameters
    ----------
    module : str
        ``"cellloop"``, ``"fitloop"`` or ``"restloop"``.
    worth : bool
        Whether the work is worth the half second that loading takes; what is loaded already
        is given in any case.
    """
    return _load(module) if worth or module in _loaded else None


@cache
def _load(module: str) -> Any:
    try:
        loops = importlib.import_module(f"pourdatum.{module}")
        loops.warm_up()
    except Exception:
        # Not installed, or machine code that cannot be made or kept: not worth a run's end.
        # That the loops themselves are sound is a test's to say.
        return None
    _loaded.add(module)
    return loops
