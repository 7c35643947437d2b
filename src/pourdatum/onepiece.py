"""One piece of a floor in its window: which cells are its own, how it lies, whether it is floor.

Planes fitted to both sides of a steep side are carried to it, and what they differ by there is how
much higher or lower the piece lies.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import filled_from_nearest
from pourdatum.localfit import local_fit

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

RAISED_M: Final = 0.03
"""Height above the floor from which a piece is a thing that stands on it [m]."""
_SHALLOW_M: Final = 0.03
"""Depth up to which a piece is floor whatever its shape [m]."""
DEEPEST_M: Final = 0.07
"""Depth beyond which a piece is a pit, which the pour must not run into [m]."""
_WIDE: Final = 8.0
"""Width of a pocket at the least, in its depths; a sump or a duct is narrower [1]. A choice."""
_ENCLOSED: Final = 0.7
"""Share of the ground beside a deep piece that is the floor around: else it is another level."""
_BESIDE: Final = 0.25
"""The same for one within the floor's own range."""
_LEAST_M2: Final = 0.02
LEAST_CELLS: Final = 9
_FIT_M: Final = 0.1
"""Width of the fits by which both sides of an edge are carried to it [m]."""
_LEAST_WIDTH: Final = 2.4
"""The same in cells, at the least: across the cells on the edge."""
_WIDER_M: Final = (0.3, 1.0, 3.0)
"""Widths over which the height of an edge is carried into a piece [m]."""
RIM_CELLS: Final = 3
_ON_A_SIDE: Final = 0.6
"""Distance from the nearer side, in the step, from which a cell lies on neither: by a wall [1]."""
SHADE_M: Final = 0.3
"""How far the shade of a pocket's edge reaches over its floor [m]."""
_SQUARE: Final = np.ones((3, 3), bool)


def lies_apart(core: Mask, around: Mask, level_m: Array, step_m: float) -> bool:
    """Whether a piece lies beside the floor around, and seems to be off its level."""
    from scipy.ndimage import binary_dilation

    beside = around & binary_dilation(core, _SQUARE, iterations=RIM_CELLS)
    if beside.sum() < LEAST_CELLS:
        return False
    rim = core & binary_dilation(beside, _SQUARE, iterations=RIM_CELLS)
    return bool(abs(np.median(level_m[rim]) - np.median(level_m[beside])) > 0.5 * step_m)


@dataclass(frozen=True, eq=False)
class Found:
    """A piece in its window.

    Attributes
    ----------
    own, rim : (ny, nx) bool arrays
        Its cells; cells on its edge, of which it is known on which side they lie.
    beside, of_seen : float
        Share of the ground around it that is floor; the same of what was seen, walls left out.
    rise_m : (ny, nx) array
        How much higher than the floor around it lies at its edge, carried on over it [m].
    usual_m : float
        The median of that along its edge [m].
    """

    own: Mask
    rim: Mask
    beside: float
    of_seen: float
    rise_m: Array
    usual_m: float


def find_piece(
    core: Mask, around: Mask, level_m: Array, known: Mask, shade: Mask, cell_m: float
) -> Found | None:
    """A piece in its window: its cells up to the edge, and how it lies there.

    Parameters
    ----------
    core, around : (ny, nx) bool arrays
        Cells well inside it, and those of the floor around.
    level_m : (ny, nx) array
        Level of each cell [m].
    known, shade : (ny, nx) bool arrays
        Cells that were seen; those in which nothing was, and nothing stands.
    cell_m : float

    Returns
    -------
    Found or None
        None where the two do not meet.

    Examples
    --------
    A pocket of 12 by 12 cells, 40 mm deep, whose edge is two cells wide:

    >>> level = np.zeros((30, 30))
    >>> level[9:21, 9:21] = -0.04
    >>> core, around = np.zeros((30, 30), bool), np.ones((30, 30), bool)
    >>> core[10:20, 10:20], around[8:22, 8:22] = True, False
    >>> found = find_piece(core, around, level, np.ones_like(core), np.zeros_like(core), 0.03)
    >>> int(found.own.sum()), round(found.usual_m, 3), is_floor(found, 0.03)
    (144, -0.04, True)
    """
    from scipy.ndimage import binary_dilation, binary_fill_holes

    width = max(_FIT_M / cell_m, _LEAST_WIDTH)
    inner, outer = (
        local_fit(mask.astype(np.float64), width, 1, least_weight=2.0, with_error=False).height(
            level_m
        )
        for mask in (core, around)
    )
    near = binary_dilation(core, _SQUARE, iterations=RIM_CELLS)
    both = near & np.isfinite(inner) & np.isfinite(outer)
    both &= binary_dilation(around, _SQUARE, iterations=RIM_CELLS)
    if both.sum() < LEAST_CELLS:
        return None
    jump = np.where(both, inner - outer, 0.0)
    # Cells on the edge go with the side that most of their points lie on.
    usual_m = float(np.median(jump[both]))
    off_inner, off_outer = (np.abs(level_m - fitted) for fitted in (inner, outer))
    rim = near & known & ~core & ~around & both
    rim &= np.minimum(off_inner, off_outer) < _ON_A_SIDE * abs(usual_m)
    own = core | (rim & (off_inner < off_outer))
    own = binary_fill_holes(own) & ~around
    ring = binary_dilation(own, _SQUARE, iterations=RIM_CELLS) & ~own
    floor_near = binary_dilation(around, _SQUARE, iterations=RIM_CELLS - 1)
    beside, of_seen = (
        float((part & floor_near).sum()) / max(int(part.sum()), 1) for part in (ring, ring & known)
    )
    if usual_m < 0.0:
        own |= _in_shade(own, shade, core, cell_m)
    return Found(own, rim, beside, of_seen, _carried(jump, both, cell_m), usual_m)


def _in_shade(own: Mask, shade: Mask, core: Mask, cell_m: float) -> Mask:
    """Empty cells that hang together with a lower piece: its edge shades its own floor."""
    from scipy.ndimage import binary_dilation, label

    groups, _ = label(own | shade)
    with_it = np.isin(groups, np.unique(groups[core]))
    reach = max(round(SHADE_M / cell_m), 1)
    found: Mask = with_it & binary_dilation(own, _SQUARE, iterations=reach)
    return found


def _carried(jump: Array, both: Mask, cell_m: float) -> Array:
    """What is known near the edge of a piece, carried on over it by ever wider means."""
    from scipy.ndimage import gaussian_filter

    out = np.full(jump.shape, float(np.mean(jump[both])))
    for width_m in reversed(_WIDER_M):
        width = width_m / cell_m
        share = gaussian_filter(both.astype(np.float64), width, mode="constant")
        total = gaussian_filter(jump, width, mode="constant")
        trust = np.clip(share / 0.02, 0.0, 1.0)
        out = out + trust * (total / np.maximum(share, 1e-9) - out)
    return out


def own_level_m(core: Mask, height_m: Array, own: Mask, cell_m: float) -> Array:
    """Smooth height of a piece over the coarse level, everywhere on it [m]."""
    width = max(_FIT_M / cell_m, 1.6)
    fit = local_fit(core.astype(np.float64), width, 1, least_weight=6.0, with_error=False)
    fitted = np.where(own, fit.height(height_m), np.nan)
    if not np.isfinite(fitted).any():
        return np.full(core.shape, float(np.median(height_m[core])))
    return filled_from_nearest(fitted)


def is_floor(found: Found, cell_m: float) -> bool:
    """Whether a piece is floor to be poured over: no thing on it, no pit in it, no other level."""
    from scipy.ndimage import distance_transform_edt

    area_m2 = found.own.sum() * cell_m**2
    depth_m = -found.usual_m
    if not -RAISED_M < depth_m < DEEPEST_M or area_m2 < _LEAST_M2:
        return False
    if depth_m <= _SHALLOW_M:
        return found.of_seen >= _BESIDE
    wide_m = 2.0 * float(distance_transform_edt(np.pad(found.own, 1)).max()) * cell_m
    return found.beside >= _ENCLOSED and wide_m >= _WIDE * depth_m
