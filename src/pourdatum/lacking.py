"""Where floor lacks points, and why: by chance, in shade, or because it is not there.

What an opening is told by (``openings``): how many points are usual around a cell, and which
gaps neither chance nor a thing that stands nearby would leave.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cells import Cells
from pourdatum.grid import Grid, widened
from pourdatum.outline import Room

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_OPENING_M: Final = 0.1
"""Openings from this width on are excluded and listed [m]."""
_HOLLOW: Final = 0.3
"""Share of the ground, and of the usual points, below which lower points are reflections."""
_LEAST_TOP_M2: Final = 0.04
_SHADOW_M: Final = 1.5
"""Distance from a table top within which its shadow is looked for [m]."""
_RING: Final = (2, 6)
"""Cells from a gap between which whole floor tells how many points are usual there [1]."""
_LEAST_RING: Final = 16
_BLUR_CELLS: Final = 1.5
"""Width of the bell by which cells near by tell of each other [1]."""


class Gaps:
    """Cells that hang together: all groups are summed over at once."""

    def __init__(self, groups: NDArray[np.signedinteger[Any]], count: int) -> None:
        self.cells = np.nonzero(groups)
        self._number = groups[self.cells] - 1
        self._count = count

    def added(self, value: Array | None = None) -> Array:
        """Sum over each group (k,) of what its cells have, or their number."""
        return np.bincount(self._number, value, self._count).astype(np.float64)

    def total(self, field: NDArray[np.int64] | Mask) -> Array:
        """Sum of a field (ny, nx) over each group (k,)."""
        return self.added(field[self.cells].astype(np.float64))


def usual_count(floor_points: NDArray[np.int64], seen: Mask, cell_m: float) -> tuple[Array, Array]:
    """Points that a cell of whole floor holds around here: at the least, and on average.

    What is thin may be no opening: density jumps at the rim of the blind spot below a
    tripod. So a gap is judged by the least of the neighbourhood's means.
    """
    from scipy.ndimage import gaussian_filter, minimum_filter

    width = max(0.06 / cell_m, 1.5)
    total = gaussian_filter(np.where(seen, floor_points, 0).astype(np.float64), width)
    share = gaussian_filter(seen.astype(np.float64), width)
    mean = np.where(share > 0.3, total / np.maximum(share, 1e-6), np.inf)
    size = 2 * round(0.15 / cell_m) + 1
    least = minimum_filter(mean, size, mode="nearest")
    broad = gaussian_filter(np.where(seen, floor_points, 0).astype(np.float64), 2 * width)
    broad /= np.maximum(gaussian_filter(seen.astype(np.float64), 2 * width), 1e-6)
    return np.where(np.isfinite(least), least, 0.0), broad


def hollow_ground(
    below: NDArray[np.int64], floor_points: NDArray[np.int64], usual: Array, room: Room
) -> Mask:
    """Ground far from seen floor under which lower points were seen: the middle of a pit.

    In shade there are as few of them as reflections leave.
    """
    from scipy.ndimage import binary_dilation, label

    blank = (floor_points == 0) & (usual == 0.0) & room.inside
    groups, count = label(blank)
    if count == 0:
        return np.zeros(blank.shape, bool)
    near = binary_dilation(below > 0, np.ones((3, 3), bool))
    size = np.bincount(groups.ravel(), minlength=count + 1)
    held = np.bincount(groups.ravel(), weights=near.ravel(), minlength=count + 1)
    points = np.bincount(groups.ravel(), weights=below.ravel(), minlength=count + 1)
    typical = float(np.median(floor_points[room.seen & (floor_points > 0)]))
    keep = (held > _HOLLOW * size) & (points > _HOLLOW * typical * size)
    keep[0] = False
    hollow: Mask = keep[groups]
    return hollow


def under_tops(cells: Cells, room: Room, floor_points: NDArray[np.int64]) -> Mask:
    """Cells within reach of the shadow of a table top: it lies apart from what casts it."""
    from scipy.ndimage import binary_opening, distance_transform_edt

    height = cells.structure.height_m
    over = cells.total(cells.structure, (height > 0.25) & (height < 1.9)) >= 2
    low = cells.total(cells.band, cells.band.height_m >= 0.03) + cells.total(
        cells.structure, (height > 0) & (height < 0.25)
    )
    tops = over & (low == 0) & (floor_points > 0) & ~room.tall & room.inside
    # Edges of crates and specks leave single cells; a top is as wide as a patch at the least.
    tops = binary_opening(tops, np.ones((3, 3), bool))
    if tops.sum() * cells.grid.cell_m**2 < _LEAST_TOP_M2:
        return np.zeros(cells.grid.shape, bool)
    near: Mask = distance_transform_edt(~tops) * cells.grid.cell_m < _SHADOW_M
    return near


def empty_discs(floor_points: NDArray[np.int64], usual: Array, cell_m: float) -> Mask:
    """Middles of discs as wide as the least opening that lack the points due to them.

    A disc with no point where 16 are due, or a quarter of 30 and more, is so by chance once
    in millions. The quarter is for a round hole that is not centred on a cell.
    """
    from scipy.ndimage import correlate

    radius = 0.5 * LEAST_OPENING_M / cell_m
    reach = int(radius)
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    disc = (x**2 + y**2 <= radius**2).astype(np.float64)
    found = correlate(floor_points.astype(np.float64), disc, mode="constant")
    due = correlate(usual, disc, mode="constant") * np.pi * radius**2 / disc.sum()
    empty: Mask = ((found < 0.5) & (due >= 16.0)) | ((found <= 0.25 * due) & (due >= 30.0))
    return empty


def by_chance(gaps: Gaps, thin: Mask, usual: Array) -> Mask:
    """Whether the nearly empty cells of a gap may have come about by chance on whole floor (k,).

    Each holds a quarter or less of the points due; a plane holds about 4**n shapes of n
    cells (lattice animals), over a hundred thousand places.
    """
    from scipy.special import pdtr

    due = usual[gaps.cells]
    rare = -np.log(np.maximum(pdtr(np.floor(0.25 * due), due), 1e-300)) - np.log(4.0)
    own = thin[gaps.cells]
    chance: Mask = (gaps.added(rare * own) < 14.0) | (gaps.total(thin) == 0.0)
    return chance


def density_around(mean: Array, room: Room, window: tuple[slice, slice], grid: Grid) -> float:
    """Points per cell that the floor within half a metre of a gap usually holds."""
    wide = widened(window, round(0.5 / grid.cell_m), mean.shape)
    values = mean[wide][room.seen[wide]]
    return max(float(np.quantile(values, 0.6)), 1e-9) if values.size else 1e-9


def whole_around(
    floor_points: NDArray[np.int64],
    window: tuple[slice, slice],
    own: Mask,
    whole: Mask,
    mean: Array,
) -> Array:
    """Points that cells of whole floor hold around a gap, over its window.

    Cells that straddle the rim hold fewer: with them in the mean the rim itself would pass for
    usual, and openings come out too small by a tenth of a cell all round.
    """
    from scipy.ndimage import binary_dilation

    wide = widened(window, _RING[1], floor_points.shape)
    gap = np.zeros(floor_points.shape, bool)[wide]
    gap[
        window[0].start - wide[0].start : window[0].stop - wide[0].start,
        window[1].start - wide[1].start : window[1].stop - wide[1].start,
    ] = own
    near, far = (binary_dilation(gap, np.ones((3, 3), bool), iterations=k) for k in _RING)
    ring = far & ~near & whole[wide]
    if ring.sum() < _LEAST_RING:
        return mean[window]
    # Where a shade ends beside the gap, cells near by tell more than the ring as a whole does: as
    # far as the two differ by more than the chance in so few points.
    count = np.where(ring, floor_points[wide], 0.0)
    far_mean = float(count[ring].mean())
    share = _blurred(ring.astype(np.float64), _BLUR_CELLS)
    own_noise = _blurred(ring.astype(np.float64), _BLUR_CELLS / np.sqrt(2)) / (
        4 * np.pi * _BLUR_CELLS**2
    )
    near_mean = _blurred(count, _BLUR_CELLS) / np.maximum(share, 1e-12)
    by_chance = far_mean * own_noise / np.maximum(share, 1e-12) ** 2
    trust = np.clip(1 - by_chance / np.maximum((near_mean - far_mean) ** 2, 1e-12), 0.0, 1.0)
    usual: Array = far_mean + trust * (near_mean - far_mean)
    return usual[
        window[0].start - wide[0].start : window[0].stop - wide[0].start,
        window[1].start - wide[1].start : window[1].stop - wide[1].start,
    ]


def _blurred(field: Array, cells: float) -> Array:
    """Sum around each cell, by a bell of this width that reaches across the widest gap."""
    from scipy.ndimage import gaussian_filter

    out: Array = gaussian_filter(field, cells, mode="constant", truncate=8.0)
    return out


def reflected(below: NDArray[np.int64], floor_points: NDArray[np.int64], room: Room) -> float:
    """Mean number of points below the floor under a cell of seen floor."""
    whole = room.inside & (floor_points > 0)
    return float(below[whole].mean()) if whole.any() else 0.0
