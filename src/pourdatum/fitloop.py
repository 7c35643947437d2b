"""The loops of local fits and of humps compiled; imported only where Numba is installed.

Same numbers as ``localfit`` and ``grind``, operation for operation: no fast mathematics.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numba import njit

_AT_ONCE = 64
"""Nodes of a row that are solved side by side: what they need stays in the nearest cache."""


@njit(cache=True, nogil=True)
def _correlated(line: Any, kernel: Any, odd: bool, out: Any) -> None:
    """One line with an even or odd kernel; it holds the kernel's reach more on each side.

    Taps are taken in pairs from the outside in, as SciPy takes them.
    """
    n, reach = out.size, kernel.size // 2
    middle = line[reach : reach + n]
    for x in range(n):
        out[x] = middle[x] * kernel[reach]
    for k in range(reach):
        left, right, tap = line[k : k + n], line[2 * reach - k : 2 * reach - k + n], kernel[k]
        if odd:
            for x in range(n):
                out[x] += (left[x] - right[x]) * tap
        else:
            for x in range(n):
                out[x] += (left[x] + right[x]) * tap


@njit(cache=True, nogil=True)
def _across(lines: Any, kernel: Any, odd: bool, y: int, out: Any) -> None:
    """As ``_correlated`` over rows: about row ``y`` of lines that begin the reach above it."""
    n, reach = out.size, kernel.size // 2
    middle = lines[y + reach]
    for x in range(n):
        out[x] = middle[x] * kernel[reach]
    for k in range(reach):
        above, below, tap = lines[y + k], lines[y + 2 * reach - k], kernel[k]
        if odd:
            for x in range(n):
                out[x] += (above[x] - below[x]) * tap
        else:
            for x in range(n):
                out[x] += (above[x] + below[x]) * tap


@njit(cache=True, nogil=True)
def _along_rows(field: Any, kernels: Any) -> Any:
    """Each row with each kernel: (kernels, rows, columns without the reach on both sides)."""
    many, reach = kernels.shape[0], kernels.shape[1] // 2
    out = np.empty((many, field.shape[0], field.shape[1] - 2 * reach))
    for a in range(many):
        for y in range(field.shape[0]):
            _correlated(field[y], kernels[a], a % 2 == 1, out[a, y])
    return out


@njit(cache=True, nogil=True)
def _row_of_moments(along: Any, kernels: Any, y: int, out: Any) -> None:
    """The moments of one row in the order of ``localfit._moments``: (layers, columns)."""
    at = 0
    for a in range(kernels.shape[0]):
        for b in range(kernels.shape[0] - a):
            _across(along[a], kernels[b], b % 2 == 1, y, out[at])
            at += 1


@njit(cache=True, nogil=True, error_model="numpy")
def fit(
    field: Any, kernels: Any, squared: Any, places: Any, least_weight: float, least_pivot: float,
    first: int, rows: Any, variance: Any,
) -> None:  # fmt: skip
    """The local fit of the rows of a strip, as ``localfit._fill_rows`` and what is around it.

    ``field`` are the strip's weights with the kernel's reach of nothing around them; kernels
    are (power + 1, taps), ``squared`` those of the variance, or none; ``places`` (m, m) tells
    the moment of each entry of the matrix. Fills ``rows`` (kinds, m, ny, nx) and ``variance``
    (ny, nx) from row ``first`` on.
    """
    kinds, size, _, nx = rows.shape
    layers = kernels.shape[0] * (kernels.shape[0] + 1) // 2
    with_error = squared.shape[0] > 0
    along = _along_rows(field, kernels)
    moments = np.empty((layers, nx))
    squares = np.empty((layers if with_error else 0, nx))
    along_squared = _along_rows(field, squared) if with_error else along
    factor = np.empty((size, size, _AT_ONCE))
    scaled = np.empty((layers, _AT_ONCE))
    forward, back = np.empty((size, _AT_ONCE)), np.empty((size, _AT_ONCE))
    error, fine = np.empty(_AT_ONCE), np.empty(_AT_ONCE, np.bool_)
    for y in range(field.shape[0] - kernels.shape[1] // 2 * 2):
        _across(along[0], kernels[0], False, y, moments[0])
        if not moments[0].max() >= least_weight:
            continue
        _row_of_moments(along, kernels, y, moments)
        if with_error:
            _row_of_moments(along_squared, squared, y, squares)
        for x0 in range(0, nx, _AT_ONCE):
            n = min(_AT_ONCE, nx - x0)
            mass = moments[0, x0 : x0 + n]
            if not mass.max() >= least_weight:
                continue
            for x in range(n):
                fine[x] = mass[x] >= least_weight
            for k in range(layers):
                to_scaled, moment = scaled[k], moments[k, x0 : x0 + n]
                for x in range(n):
                    to_scaled[x] = moment[x] / mass[x]
            _factorised(scaled[:, :n], places, least_pivot, factor, fine)
            for kind in range(kinds):
                _first_row(factor, kind, n, forward, back)
                for i in range(size):
                    out, value = rows[kind, i, first + y, x0 : x0 + n], back[i]
                    for x in range(n):
                        out[x] = value[x] / mass[x] if fine[x] else 0.0
            if with_error:
                own = rows[0, :, first + y, x0 : x0 + n]
                _summed(own, squares[:, x0 : x0 + n], places, error)
            else:
                for x in range(n):
                    error[x] = 1.0 / mass[x]
            to = variance[first + y, x0 : x0 + n]
            for x in range(n):
                to[x] = error[x] if fine[x] else np.inf


@njit(cache=True, nogil=True, error_model="numpy")
def fit_heights(
    field: Any, valued: Any, kernels: Any, places: Any, order: Any, least_weight: float,
    least_pivot: float, bandwidth: float, first: int, out: Any,
) -> None:  # fmt: skip
    """``fit`` and ``heights`` at once, where the fit itself is wanted no more.

    ``valued`` are weights times values; of ``kernels`` the first ones, for the moments of the
    values, are picked here; ``order`` (m,) tells the moment of each row. Fills ``out``
    (kinds, ny, nx) with height and slopes per cell, NaN without support.
    """
    kinds, size, nx = out.shape[0], order.size, out.shape[2]
    layers = kernels.shape[0] * (kernels.shape[0] + 1) // 2
    half = kernels[: kernels.shape[0] // 2 + 1]
    along, along_valued = _along_rows(field, kernels), _along_rows(valued, half)
    moments = np.empty((layers, nx))
    values = np.empty((half.shape[0] * (half.shape[0] + 1) // 2, nx))
    factor = np.empty((size, size, _AT_ONCE))
    scaled = np.empty((layers, _AT_ONCE))
    forward, back = np.empty((size, _AT_ONCE)), np.empty((size, _AT_ONCE))
    fine = np.empty(_AT_ONCE, np.bool_)
    for y in range(field.shape[0] - kernels.shape[1] // 2 * 2):
        out[:, first + y] = np.nan
        _across(along[0], kernels[0], False, y, moments[0])
        if not moments[0].max() >= least_weight:
            continue
        _row_of_moments(along, kernels, y, moments)
        _row_of_moments(along_valued, half, y, values)
        for x0 in range(0, nx, _AT_ONCE):
            n = min(_AT_ONCE, nx - x0)
            mass = moments[0, x0 : x0 + n]
            if not mass.max() >= least_weight:
                continue
            for x in range(n):
                fine[x] = mass[x] >= least_weight
            for k in range(layers):
                to_scaled, moment = scaled[k], moments[k, x0 : x0 + n]
                for x in range(n):
                    to_scaled[x] = moment[x] / mass[x]
            _factorised(scaled[:, :n], places, least_pivot, factor, fine)
            for kind in range(kinds):
                _first_row(factor, kind, n, forward, back)
                to = out[kind, first + y, x0 : x0 + n]
                for x in range(n):
                    to[x] = 0.0
                for i in range(size):
                    row, value = back[i], values[order[i], x0 : x0 + n]
                    if kind:  # a slope comes out per bandwidth
                        for x in range(n):
                            to[x] += row[x] / mass[x] / bandwidth * value[x]
                    else:
                        for x in range(n):
                            to[x] += row[x] / mass[x] * value[x]
                for x in range(n):
                    to[x] = to[x] if fine[x] else np.nan


@njit(cache=True, nogil=True, error_model="numpy")
def _factorised(scaled: Any, places: Any, least_pivot: float, factor: Any, fine: Any) -> None:
    """Cholesky factors side by side, (m, m, nodes), of the matrices of moments over masses."""
    n = scaled.shape[1]
    for j in range(places.shape[0]):
        for i in range(j, places.shape[0]):
            moment, entry = scaled[places[i, j]], factor[i, j]
            for x in range(n):
                entry[x] = moment[x]
            for k in range(j):
                one, other = factor[i, k], factor[j, k]
                for x in range(n):
                    entry[x] -= one[x] * other[x]
            if i == j:
                for x in range(n):
                    fine[x] &= entry[x] > least_pivot
                    entry[x] = np.sqrt(entry[x] if entry[x] > least_pivot else least_pivot)
            else:
                pivot = factor[j, j]
                for x in range(n):
                    entry[x] /= pivot[x]


@njit(cache=True, nogil=True, error_model="numpy")
def _first_row(factor: Any, row: int, n: int, forward: Any, back: Any) -> None:
    """One row of the inverses, (m, nodes)."""
    size = factor.shape[0]
    for i in range(size):
        value, pivot = forward[i], factor[i, i]
        for x in range(n):
            value[x] = 1.0 if i == row else 0.0
        for k in range(row, i):
            one, other = factor[i, k], forward[k]
            for x in range(n):
                value[x] -= one[x] * other[x]
        for x in range(n):
            value[x] /= pivot[x]
    for i in range(size - 1, -1, -1):
        value, pivot, start = back[i], factor[i, i], forward[i]
        for x in range(n):
            value[x] = start[x]
        for k in range(i + 1, size):
            one, other = factor[k, i], back[k]
            for x in range(n):
                value[x] -= one[x] * other[x]
        for x in range(n):
            value[x] /= pivot[x]


@njit(cache=True, nogil=True)
def _summed(rows: Any, squares: Any, places: Any, out: Any) -> None:
    """Variance of the fitted height, as ``localfit._unit_variance``."""
    n = rows.shape[1]
    for x in range(n):
        out[x] = 0.0
    for i in range(places.shape[0]):
        for j in range(i + 1):
            twice = 1.0 if i == j else 2.0
            one, other, square = rows[i], rows[j], squares[places[i, j]]
            for x in range(n):
                out[x] += twice * (one[x] * other[x] * square[x])


@njit(cache=True, nogil=True)
def heights(
    field: Any, kernels: Any, order: Any, first: int, rows: Any, variance: Any, out: Any
) -> None:
    """Rows times moments at each node of a strip; NaN where there is no support.

    ``field`` are weights times values with nothing around them, as for ``fit``; ``rows``
    (m, ny, nx), ``variance`` and ``out`` (ny, nx) are the whole grid's.
    """
    along = _along_rows(field, kernels)
    nx = out.shape[1]
    moments = np.empty((kernels.shape[0] * (kernels.shape[0] + 1) // 2, nx))
    for y in range(field.shape[0] - kernels.shape[1] // 2 * 2):
        _row_of_moments(along, kernels, y, moments)
        to, known = out[first + y], variance[first + y]
        for x in range(nx):
            to[x] = 0.0
        for k in range(order.size):
            row, moment = rows[k, first + y], moments[order[k]]
            for x in range(nx):
                to[x] += row[x] * moment[x]
        for x in range(nx):
            to[x] = to[x] if known[x] < np.inf else np.nan


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
    field, kernels, none = np.ones((3, 3)), np.ones((1, 3)), np.ones((0, 3))
    rows, node = np.zeros((1, 1, 1, 1)), np.zeros((1, 1))
    which = np.zeros((1, 1), np.int64)
    fit(field, kernels, none, which, 1.0, 1e-5, 0, rows, node)
    heights(field, kernels, which[0], 0, rows[0], node, node.copy())
    fit_heights(field, field, kernels, which, which[0], 1.0, 1e-5, 1.0, 0, rows[0])
    parent, order = np.full(1, -1), np.zeros(1, np.int64)
    prominent(np.ones(1), order, 1, 0.5, parent, np.zeros(1), np.zeros(1, np.int64))
    roots(parent, order, np.zeros(1, np.int64))
