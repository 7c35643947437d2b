"""What coarse storage of heights does to a floor's level and slope.

A height stored in steps errs uniformly by half a step either way, a standard uncertainty of
step / sqrt(12) (JCGM 100:2008, clause 4.3.7). Points that scatter by as much as a step average
that out: what is left of it in their mean falls as exp(-2 (pi noise / step)^2) (Widrow and
Kollar, Quantization Noise, chapter 4; from memory). Where they scatter less, all points
of a place are stored at one height, and the error is one over the whole area in which the floor
lies between two steps; areas apart err on their own.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.evenly import even_places
from pourdatum.grid import Grid

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_DRAWS: Final = 200
_SEED: Final = 3
_PLACES: Final = 3000
_SINES: Final = 40
_TERRACE_M: Final = 0.4
_FADED: Final = -12.0
"""Exponent from which nothing worth a figure is left of rounding."""


@dataclass(frozen=True)
class Rounding:
    """What is left of rounding in the heights of a floor, one standard deviation each.

    Attributes
    ----------
    height_m : float
        Of the mean of many points at one place.
    level_m : float
        Of the mean level of the floor.
    tilt_rad : float
        Of its slope about each plan axis.
    """

    height_m: float
    level_m: float
    tilt_rad: float

    @property
    def levelled(self) -> Rounding:
        """What is left where control shots took level and slope out."""
        return Rounding(self.height_m, 0.0, 0.0)


NONE = Rounding(0.0, 0.0, 0.0)


def rounding_of(
    step_m: float, noise_m: float, height_m: Array, known: Mask, grid: Grid
) -> Rounding:
    """What rounding to steps leaves in the heights of a floor.

    Floors like the one that was seen, at any place between two steps and leaning by no more
    than rounding hides, are rounded, and what their level and slope err by is the answer.

    Parameters
    ----------
    step_m : float
        Step in which heights are stored [m]; 0 for none.
    noise_m : float
        Standard deviation of one stored point about the floor [m].
    height_m : (ny, nx) array
        Heights [m].
    known : (ny, nx) bool array
        Cells of the floor.
    grid : Grid

    Examples
    --------
    A dead level floor may lie anywhere between two steps; with noise its points say where:

    >>> level, grid = np.zeros((50, 50)), Grid(0.0, 0.0, 0.1, 50, 50)
    >>> found = rounding_of(0.01, 0.0, level, np.ones((50, 50), bool), grid)
    >>> 0.0005 < found.level_m < 0.0030, 0.0005 < found.tilt_rad < 0.0020
    (True, True)
    >>> rounding_of(0.01, 0.009, level, np.ones((50, 50), bool), grid).level_m < 1e-5
    True
    """
    if step_m <= 0.0 or not known.any():
        return NONE
    uniform = step_m / math.sqrt(12.0)
    # The scatter that is seen holds that of the rounding itself.
    own = max(noise_m**2 - uniform**2, 0.0)
    fades = -2.0 * math.pi**2 * own / step_m**2
    if fades < _FADED:
        return NONE
    place, row, col, weight = even_places(known, grid, _PLACES)
    share = (weight / weight.sum())[:, None]
    off = place - (share * place).sum(axis=0)
    smooth = _smooth(height_m, known, grid.cell_m)[row, col]
    wide = np.sqrt(12.0 * (share * off**2).sum(axis=0))
    rng = np.random.default_rng(_SEED)
    lean = rng.uniform(-1.0, 1.0, (_DRAWS, 2)) * step_m / np.maximum(wide, grid.cell_m)
    floors = smooth + lean @ off.T + rng.uniform(0.0, step_m, (_DRAWS, 1))
    wrong = _mean_rounding(floors / step_m, fades) * step_m
    slopes = np.linalg.solve(off.T @ (share * off), (wrong @ (share * off)).T)
    return Rounding(
        uniform * math.exp(fades),
        float(np.sqrt(np.mean((wrong @ share) ** 2))),
        float(np.sqrt(np.mean(slopes**2))),
    )


def _mean_rounding(height: Array, fades: float) -> Array:
    """Mean of a rounded minus the true height, in steps, where points scatter.

    A sawtooth as a series of sines, each damped by the scatter.
    """
    out = np.zeros_like(height)
    if fades == 0.0:
        out += np.rint(height) - height
        return out
    for k in range(1, _SINES + 1):
        damped = math.exp(fades * k**2)
        if damped < 1e-6:
            break
        out += (-1) ** k * damped / (math.pi * k) * np.sin(2.0 * math.pi * k * height)
    return out


def _smooth(height_m: Array, known: Mask, cell_m: float) -> Array:
    """Heights without the terraces that steps make of a slope."""
    from scipy.ndimage import gaussian_filter

    width = _TERRACE_M / cell_m
    inside = gaussian_filter(known.astype(np.float64), width)
    total = gaussian_filter(np.where(known, height_m, 0.0), width)
    out: Array = total / np.maximum(inside, 1e-9)
    return out
