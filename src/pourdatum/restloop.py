"""The loop of straightedges that rest on a floor, compiled; imported only where Numba is installed.

Same numbers as ``everywhere.rest_on``, operation for operation: no fast mathematics.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def rest_rows(level: Any, first: Any, n: int, touch_m: float) -> Any:
    """Gap, contacts apart [steps] and rocking (3, k) of straightedges on runs of one array.

    Parameters
    ----------
    level : (m,) array
        Levels, line after line [m].
    first : (k,) int array
        Where each straightedge begins.
    n : int
        Levels under each; odd.
    touch_m : float
        Nearer than this is a contact.
    """
    k = first.size
    out = np.empty((3, k))
    c = n // 2
    for row in range(k):
        own = level[first[row] : first[row] + n]
        a, b = 0, n - 1
        over, rise = 0.0, 0.0
        while True:
            rise = (own[b] - own[a]) / (b - a)
            over = own[a] - rise * (a - c)
            new_a, high_a = 0, -np.inf
            for i in range(c):
                off = (own[i] - over) - rise * (i - float(c))
                if off > high_a:
                    new_a, high_a = i, off
            new_b, high_b = c + 1, -np.inf
            for i in range(c + 1, n):
                off = (own[i] - over) - rise * (i - float(c))
                if off > high_b:
                    new_b, high_b = i, off
            moved = False
            if high_a > touch_m:
                a, moved = new_a, True
            if high_b > touch_m:
                b, moved = new_b, True
            if not moved:
                break
        gap, span = _deepest(own, over, rise, a, b, c, touch_m)
        top = own[c]
        held = top >= over - touch_m
        if held:
            lean_a, at_a = np.inf, 0
            for i in range(c):
                lean = (own[i] - top) / (i - float(c))
                if lean < lean_a:
                    lean_a, at_a = lean, i
            lean_b, at_b = -np.inf, c + 1
            for i in range(c + 1, n):
                lean = (own[i] - top) / (i - float(c))
                if lean > lean_b:
                    lean_b, at_b = lean, i
            one, far_one = _deepest(own, top, lean_a, at_a, c, c, touch_m)
            other, far_other = _deepest(own, top, lean_b, c, at_b, c, touch_m)
            gap = max(one, other)
            span = far_one if one >= other else far_other
        out[0, row] = gap
        out[1, row] = span
        rocks = max(over, top) - 0.5 * (own[0] + own[n - 1]) if held else 0.0
        out[2, row] = max(rocks, 0.0)
    return out


@njit(cache=True, nogil=True)
def _deepest(
    own: Any, middle: float, slope: float, left: int, right: int, c: int, touch_m: float
) -> Any:
    first, last = left, right
    for i in range(left):
        if middle + slope * (i - float(c)) - own[i] <= touch_m:
            first = i
            break
    for i in range(own.size - 1, right, -1):
        if middle + slope * (i - float(c)) - own[i] <= touch_m:
            last = i
            break
    gap = 0.0
    for i in range(first, last + 1):
        under = middle + slope * (i - float(c)) - own[i]
        gap = max(gap, under)
    return gap, float(last - first)


def warm_up() -> None:
    """Load or make the machine code."""
    rest_rows(np.zeros(5), np.zeros(1, np.int64), 5, 1e-11)
