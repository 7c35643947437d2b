"""How strong the strongest line through each cell is: means along it less those of lines beside.

A line of half a metre, and of one, in 48 directions; a single cell counts for little.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_LONG_M: Final = 0.5
"""Of a line that is looked along, and twice that [m]."""
_BEARINGS: Final = 48
BESIDE_CELLS: Final = 3
"""Cells between a line and those that it is held against."""
_CLIPPED: Final = 3.0
"""Standard errors to which one cell counts: a nib is no line."""
ENOUGH: Final = 0.3
"""Share of the points that a line holds from which one beside it is as well seen."""


def strongest(count: Array, off: Array, noise: Array, cell_m: float) -> Array:
    """The strongest line through each cell, in standard errors (ny, nx).

    Parameters
    ----------
    count, off, noise : (ny, nx) arrays
        Points of each cell, their mean off the floor's height, the noise of one [m].
    cell_m : float
        Side of a cell [m].
    """
    error = noise / np.sqrt(np.maximum(count, 1.0))
    clipped = count * np.clip(off, -_CLIPPED * error, _CLIPPED * error)
    half = max(round(0.5 * _LONG_M / cell_m), 2)
    strong = np.zeros(count.shape)
    for k in range(_BEARINGS):
        turn = k * math.pi / _BEARINGS
        across = round(BESIDE_CELLS * math.sin(turn)), -round(BESIDE_CELLS * math.cos(turn))
        on = round(half * math.cos(turn)), round(half * math.sin(turn))
        steps = np.arange(-half, half + 1)
        rows = np.rint(steps * math.cos(turn)).astype(int)
        cols = np.rint(steps * math.sin(turn)).astype(int)
        weight, total = (_along(field, rows, cols) for field in (count, clipped))
        for twice in (False, True):
            if twice:  # Of two such lines, one behind the other.
                weight, total = (
                    _moved(field, *on) + _moved(field, -on[0], -on[1]) for field in (weight, total)
                )
            z = _held_against_beside(weight, total, noise, across)
            better = np.abs(z) > np.abs(strong)
            strong[better] = z[better]
    return strong


def _held_against_beside(
    weight: Array, total: Array, noise: Array, across: tuple[int, int]
) -> Array:
    """Means along lines less those of lines beside them, in standard errors (ny, nx)."""
    safe = np.maximum(weight, 1.0)
    mean, square = total / safe, 1.0 / safe
    other, doubt, many = (np.zeros(weight.shape) for _ in range(3))
    for side in (1, -1):
        step = side * across[0], side * across[1]
        sure = _moved(weight, *step) >= ENOUGH * weight
        other += np.where(sure, _moved(mean, *step), 0.0)
        doubt += np.where(sure, _moved(square, *step), 0.0)
        many += sure
    sides = np.maximum(many, 1.0)
    z = (mean - other / sides) / (noise * np.sqrt(square + doubt / sides**2))
    known = (many > 0) & (weight >= ENOUGH * _usual(weight)) & (weight > 0)
    if not known.any():
        return np.zeros(weight.shape)
    # Sweeps of a scanner and ripples of the floor lie along one way all over it.
    scale = max(1.4826 * float(np.median(np.abs(z[known]))), 1.0)
    return np.where(known, z / scale, 0.0)


def _usual(weight: Array) -> float:
    some = weight[weight > 0]
    return float(np.median(some)) if some.size else 0.0


def _along(field: Array, rows: NDArray[np.int64], cols: NDArray[np.int64]) -> Array:
    """Sums of a field over places at these steps from each cell."""
    reach = int(max(np.abs(rows).max(), np.abs(cols).max()))
    ny, nx = field.shape
    padded = np.pad(field, reach)
    out = np.zeros(field.shape)
    for row, col in zip(rows + reach, cols + reach, strict=True):
        out += padded[row : row + ny, col : col + nx]
    return out


def _moved(field: Array, rows: int, cols: int) -> Array:
    """The field as seen so many cells on; zero beyond its ends.

    Examples
    --------
    >>> _moved(np.array([[1.0, 2.0, 3.0]]), 0, 1).tolist()
    [[2.0, 3.0, 0.0]]
    """
    ny, nx = field.shape
    out = np.zeros(field.shape)
    if abs(rows) >= ny or abs(cols) >= nx:
        return out
    out[max(-rows, 0) : ny - max(rows, 0), max(-cols, 0) : nx - max(cols, 0)] = field[
        max(rows, 0) : ny - max(-rows, 0), max(cols, 0) : nx - max(-cols, 0)
    ]
    return out
