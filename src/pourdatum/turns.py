"""How one room may lie in another: turns and shifts to start from, from any turn.

Both scans stand upright, so what is looked for is a turn about the vertical and a shift. The ways
that upright faces look say by which turns the two can agree; for each, faces of several heights are
laid over each other in plan at every shift at once (cross-correlation by the Fourier transform).
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.fixedparts import FixedParts

Array = NDArray[np.float64]

_BANDS_M: Final = (0.25, 1.0, 1.6, 2.2, 15.0)
"""Heights over the floor between which faces are laid over each other."""
_PIXEL_M: Final = 0.1
_MOST_PIXELS: Final = 400
_MOST_TURNS: Final = 12
"""Turns that are tried, and as many half a turn on."""
_ALIKE: Final = 0.5
"""Share of the best agreement of ways from which a turn is tried."""
_SHIFTS: Final = 3
"""Shifts that are kept of each turn."""
_APART_M: Final = 0.5


@dataclass(frozen=True)
class Start:
    """A turn about the vertical and a shift in plan, and how much of the walls they bring together.

    Attributes
    ----------
    turn_rad : float
        Anticlockwise, about the local zero.
    shift_m : tuple of 2 floats
        Added after the turn [m].
    score : float
        Share of the plan of the moving faces that lies on fixed ones.
    """

    turn_rad: float
    shift_m: tuple[float, float]
    score: float


def starts(moving: FixedParts, fixed: FixedParts) -> list[Start]:
    """Ways to lay the one over the other, the best first.

    Parameters
    ----------
    moving, fixed : FixedParts

    Returns
    -------
    list of Start
        Empty where one of them shows no upright face.
    """
    if not moving.upright.any() or not fixed.upright.any():
        return []
    low = fixed.place_m[fixed.upright, :2].min(axis=0)
    high = fixed.place_m[fixed.upright, :2].max(axis=0)
    pixel_m = max(_PIXEL_M, float((high - low).max()) / _MOST_PIXELS)
    found = [
        start for turn in _turns(moving, fixed) for start in _shifts(moving, fixed, turn, pixel_m)
    ]
    return sorted(found, key=lambda one: -one.score)


def _turns(moving: FixedParts, fixed: FixedParts) -> list[float]:
    """Turns by which upright faces look the same ways, and each half a turn on [rad]."""
    ways = [_ways(one) for one in (moving, fixed)]
    spectrum = np.conj(np.fft.rfft(ways[0])) * np.fft.rfft(ways[1])
    alike = np.fft.irfft(spectrum, ways[0].size)
    best = (alike >= np.roll(alike, 1)) & (alike > np.roll(alike, -1))
    best &= alike >= _ALIKE * alike.max()
    order = np.flatnonzero(best)[np.argsort(-alike[best])][:_MOST_TURNS]
    turns = order * math.pi / alike.size
    return [float(turn + half) for turn in turns for half in (0.0, math.pi)]


def _ways(parts: FixedParts) -> Array:
    """How much face looks each way (180,), a degree each; a face has no inside."""
    nx, ny, _ = parts.normal[parts.upright].T
    angle = np.arctan2(ny, nx) % math.pi
    count = np.bincount((angle * 180.0 / math.pi).astype(np.int64) % 180, minlength=180)
    # A face that looks just between two degrees is not torn.
    wide = count + 0.5 * (np.roll(count, 1) + np.roll(count, -1))
    out: Array = wide - wide.mean()
    return out


def _shifts(moving: FixedParts, fixed: FixedParts, turn: float, pixel_m: float) -> list[Start]:
    """The shifts that bring most faces together at a turn."""
    from scipy.ndimage import maximum_filter
    from scipy.signal import fftconvolve

    cos, sin = math.cos(turn), math.sin(turn)
    turned = moving.place_m[:, :2] @ np.array([[cos, sin], [-sin, cos]])
    own_low, own = _plans(turned, moving, pixel_m, wide=False)
    low, plan = _plans(fixed.place_m[:, :2], fixed, pixel_m, wide=True)
    total = sum(float(band.sum()) for band in own)
    each = [fftconvolve(there, here[::-1, ::-1]) for there, here in zip(plan, own, strict=True)]
    together: Array = np.sum(each, axis=0)
    apart = 2 * round(_APART_M / pixel_m) + 1
    peak = together == maximum_filter(together, apart)
    row, col = np.nonzero(peak)
    order = np.argsort(-together[row, col])[:_SHIFTS]
    found = []
    for r, c in zip(row[order], col[order], strict=True):
        at = np.array([c - (own[0].shape[1] - 1), r - (own[0].shape[0] - 1)])
        shift = low - own_low + at * pixel_m
        found.append(Start(turn, (float(shift[0]), float(shift[1])), float(together[r, c]) / total))
    return found


def _plans(
    place: Array, parts: FixedParts, pixel_m: float, *, wide: bool
) -> tuple[Array, list[Array]]:
    """Corner [m], and per band the pixels that hold an upright face; ``wide`` by a pixel more."""
    from scipy.ndimage import binary_dilation

    upright = parts.upright
    place, height = place[upright], parts.height_m[upright]
    low = place.min(axis=0) - pixel_m
    index = ((place - low) / pixel_m).astype(np.int64)
    nx, ny = index.max(axis=0) + 2
    bands = []
    for bottom, top in itertools.pairwise(_BANDS_M):
        own = index[(height >= bottom) & (height < top)]
        plan = np.zeros((ny, nx), bool)
        plan[own[:, 1], own[:, 0]] = True
        bands.append((binary_dilation(plan) if wide else plan).astype(np.float64))
    return low, bands
