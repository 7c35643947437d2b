"""Hands memory that was freed back to the system, where its C library can be asked to.

Arrays of a large floor that threads free lie between others that stay. The C library keeps such
room for later, and one stage's room does not fit the next one's needs: on a hall of 20 000 m²
half of what the process held was such room.
"""

from __future__ import annotations

import ctypes
import sys
from collections.abc import Callable
from functools import cache


def give_back() -> None:
    """Give free memory back; of no consequence for any result, and of none elsewhere than Linux.

    Examples
    --------
    >>> give_back()
    """
    trim = _trim()
    if trim is not None:
        trim(0)


@cache
def _trim() -> Callable[[int], int] | None:
    if not sys.platform.startswith("linux"):
        return None
    try:
        found: Callable[[int], int] = ctypes.CDLL(None).malloc_trim
    except (OSError, AttributeError):  # A C library of another make.
        return None
    return found
