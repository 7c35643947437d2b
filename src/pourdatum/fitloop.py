"""The loops of local fits and of humps compiled; imported only where Numba is installed.

Same numbers as ``localfit`` and ``grind``, operation for operation: no fast mathematics.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit


@njit(cache=True, nogil=True)
def fill_rows(
    moments: Any, which: Any, usable: Any, least_pivot: float, rows: Any, sound: Any
) -> None:
    """As ``localfit._fill_rows``, node by node.

    ``moments`` is (k, ny, nx); ``which`` (m, m) tells the moment of each entry of the matrix.
    """
    size = which.shape[0]
    factor = np.zeros((size, size))
    forward = np.zeros(size)
    back = np.zeros(size)
    for y in range(usable.shape[0]):
        for x in range(usable.shape[1]):
            if not usable[y, x]:
                continue
            mass = moments[0, y, x]
            fine = True
            for j in range(size):
                for i in range(j, size):
                    entry = moments[which[i, j], y, x] / mass
                    for k in range(j):
                        entry -= factor[i, k] * factor[j, k]
                    if i == j:
                        if not entry > least_pivot:
                            fine = False
                        factor[j, j] = np.sqrt(max(entry, least_pivot))
                    else:
                        factor[i, j] = entry / factor[j, j]
            sound[y, x] = fine
            if not fine:
                continue
            for row in range(rows.shape[0]):
                for i in range(size):
                    value = 1.0 if i == row else 0.0
                    for k in range(row, i):
                        value -= factor[i, k] * forward[k]
                    forward[i] = value / factor[i, i]
                for i in range(size - 1, -1, -1):
                    value = forward[i]
                    for k in range(i + 1, size):
                        value -= factor[k, i] * back[k]
                    back[i] = value / factor[i, i]
                    rows[row, i, y, x] = back[i] / mass


@njit(cache=True, nogil=True)
def blend(rows: Any, moments: Any, order: Any, variance: Any, out: Any) -> None:
    """Sum of rows times moments at each node; NaN where there is no support."""
    for y in range(out.shape[0]):
        for x in range(out.shape[1]):
            if not np.isfinite(variance[y, x]):
                out[y, x] = np.nan
                continue
            total = 0.0
            for k in range(order.size):
                total += rows[k, y, x] * moments[order[k], y, x]
            out[y, x] = total


@njit(cache=True, nogil=True)
def prominent(
    filled: Any, order: Any, nx: int, least: float, parent: Any, height: Any, top: Any
) -> int:
    """As ``grind._prominent``: fills prominence and flat place of each top; how many there are."""
    found = 0
    for k in order:
        col = k % nx
        parent[k] = k
        for side in range(4):
            if side == 0:
                other = k - 1 if col else -1
            elif side == 1:
                other = k + 1 if col < nx - 1 else -1
            elif side == 2:
                other = k - nx
            else:
                other = k + nx
            if other < 0 or other >= filled.size or parent[other] < 0:
                continue
            a, b = _root(parent, k), _root(parent, other)
            if a == b:
                continue
            high, low = (a, b) if filled[a] >= filled[b] else (b, a)
            prominence = filled[low] - filled[k]
            if prominence >= least:
                height[found], top[found] = prominence, low
                found += 1
            parent[low] = high
    return found


@njit(cache=True, nogil=True)
def _root(parent: Any, k: int) -> int:
    while parent[k] != k:
        parent[k] = parent[parent[k]]
        k = parent[k]
    return k


@njit(cache=True, nogil=True)
def roots(parent: Any, order: Any, out: Any) -> None:
    """The root of each cell in ``order``."""
    for n in range(order.size):
        out[n] = _root(parent, order[n])


def warm_up() -> None:
    """Load or make the machine code, on fields of one node."""
    one = np.ones((1, 1))
    layers = np.ones((1, 1, 1))
    which = np.zeros((1, 1), np.int64)
    rows = np.zeros((1, 1, 1, 1))
    fill_rows(layers, which, one > 0, 1e-5, rows, np.zeros((1, 1), bool))
    blend(rows[0], layers, which[0], one, one.copy())
    two = np.ones((1, 2, 2))
    blend(two[:, :, :1], np.ones((1, 2, 1)), which[0], two[0, :, :1], np.ones((2, 1)))
    parent, order = np.full(1, -1), np.zeros(1, np.int64)
    prominent(np.ones(1), order, 1, 0.5, parent, np.zeros(1), np.zeros(1, np.int64))
    roots(parent, order, np.zeros(1, np.int64))
