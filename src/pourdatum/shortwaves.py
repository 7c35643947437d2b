"""A ripple too short for the fits: trowel marks a hand apart, that heights flatten as noise.

A wave of 1 mm and 150 mm lies below the noise of each cell, but comes again over the whole floor:
of all waves that what heights leave out of the cells' means could be made of, one stands far out.
White noise gives each about the same share, exponential about its mean.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LONGEST_M: Final = 0.25
_SHORTEST_CELLS: Final = 2.2
"""Waves that are looked for [m, cells]; longer ones are in the heights."""
_CHANCE: Final = 1e-6
"""That noise shows a wave as clear; of scans, about."""
_LEAST_M: Final = 0.0002
"""Amplitude from which one is told [m]; a choice."""
_CLIPPED: Final = 4.0
"""Standard errors to which one cell counts."""
_HALF_FULL: Final = 10.0
"""Points in a cell from which more of them weigh little more."""
_MOST_CELLS: Final = 1024
"""Side of the part of a large floor that is looked at, in cells."""


@dataclass(frozen=True, eq=False)
class ShortWaves:
    """A ripple that heights leave out.

    Attributes
    ----------
    amplitude_m, length_m : float
        Of it, and from crest to crest [m].
    across_rad : float
        The way across its crests, from x towards y.
    rise_m : (ny, nx) array
        What it adds to the heights, so much larger that they show it in full between the cells'
        middles as well [m].
    """

    amplitude_m: float
    length_m: float
    across_rad: float
    rise_m: Array


def short_waves(count: Array, off_m: Array, noise_m: Array, grid: Grid) -> ShortWaves | None:
    """The ripple that heights leave out of the means of cells; None where there is none.

    Parameters
    ----------
    count : (ny, nx) array
        Points of each cell, 0 where nothing was seen.
    off_m : (ny, nx) array
        Their mean less the floor's height [m].
    noise_m : (ny, nx) array
        Standard deviation of one point [m].
    grid : Grid

    Examples
    --------
    >>> grid = Grid(0.0, 0.0, 0.05, 80, 100)
    >>> x, _ = grid.mesh()
    >>> noise = np.random.default_rng(1).normal(0.0, 0.001, grid.shape)
    >>> full = np.full(grid.shape, 4.0)
    >>> found = short_waves(full, 0.0006 * np.sin(math.tau / 0.16 * x) + noise, 0.002 + 0 * x, grid)
    >>> round(found.length_m, 2)
    0.16
    >>> short_waves(full, noise, 0.002 + 0 * x, grid) is None
    True
    """
    from scipy.fft import fft2, fftfreq, next_fast_len

    part = tuple(_middle(size) for size in grid.shape)
    points = count[part]
    error = noise_m[part] / np.sqrt(np.maximum(points, 1.0))
    off = np.clip(off_m[part], -_CLIPPED * error, _CLIPPED * error)
    weight = points / (points + _HALF_FULL)
    total = float(weight.sum())
    if total <= 0.0:
        return None
    off = off - float((weight * off).sum()) / total
    size = [int(next_fast_len(2 * n)) for n in off.shape]
    wave = fft2(weight * off, size)
    row, col = np.meshgrid(*(fftfreq(n, grid.cell_m) for n in size), indexing="ij")
    often = np.hypot(row, col)
    asked = (often > 1.0 / _LONGEST_M) & (often < 1.0 / (_SHORTEST_CELLS * grid.cell_m))
    asked &= (row > 0) | ((row == 0) & (col > 0))
    power = np.abs(wave) ** 2
    if not asked.any():
        return None
    # Of exponential shares the median is ln 2 times the mean, and a wave or two move it little.
    usual = max(float(np.median(power[asked])) / math.log(2.0), 1e-300)
    top = np.unravel_index(int(np.where(asked, power, -1.0).argmax()), power.shape)
    many = float(asked.sum())
    if power[top] / usual < math.log(many / _CHANCE):
        return None
    k_x, k_y = math.tau * float(col[top]), math.tau * float(row[top])
    # A cell is a mean over itself.
    seen = float(np.prod(np.sinc(np.array([k_x, k_y]) * grid.cell_m / math.tau)))
    amplitude = 2.0 * math.sqrt(power[top] - usual) / total / seen
    if amplitude < _LEAST_M:
        return None
    x, y = (at - at[part][0, 0] for at in grid.mesh())
    phase = float(np.angle(wave[top]))
    between = float(np.sinc(often[top] * grid.cell_m)) ** 2
    return ShortWaves(
        amplitude_m=amplitude,
        length_m=1.0 / float(often[top]),
        across_rad=math.atan2(k_y, k_x),
        rise_m=amplitude / between * np.cos(k_x * x + k_y * y + phase),
    )


def _middle(size: int) -> slice:
    """The middle part of a side, no longer than what is looked at."""
    first = max(size - _MOST_CELLS, 0) // 2
    return slice(first, first + min(size, _MOST_CELLS))
