"""Small solid spots that stand out of the floor, to be chipped off: droppings of mortar."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.bare import NIB_STEPS, BareFloor
from pourdatum.grid import group_windows, widened

if TYPE_CHECKING:
    from pourdatum.floor import Floor
    from pourdatum.straight import Straight

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

_LEAST_NIB_M: Final = 0.002
_WIDEST_NIB_M: Final = 0.1
_EDGE_M: Final = 0.1
"""Distance from a ridge or a step within which heights are fitted across it [m]."""
_EDGE_LONG_M: Final = 0.5
"""Length from which such an edge is one, with what lies beside it [m]."""
_BESIDE_LINE_M: Final = 0.05
"""Distance from a ridge within which its points stand out [m]; a choice."""
_OVER_LINE: Final = 2.0
"""Times the height of a ridge from which what stands on it is a nib; a choice."""
_FREE_EDGE_M: Final = 0.06
"""Distance from the end of a floor within which nothing is told of nibs [m]."""


@dataclass(frozen=True)
class Nib:
    """A small solid spot that stands out of the floor, to be chipped off.

    Attributes
    ----------
    place_m : tuple
        Its middle, local plan [m].
    height_m : float
        Above the floor around it [m].
    width_m : float
        Across [m].
    """

    place_m: tuple[float, float]
    height_m: float
    width_m: float


def find_nibs(
    floor: Floor, bare: BareFloor, height_m: Array, inside: Mask, step_m: float
) -> tuple[Nib, ...]:
    """Nibs of a floor, the highest first.

    Parameters
    ----------
    floor : Floor
    bare : BareFloor
        Its points.
    height_m : (ny, nx) array
        Level of the floor [m].
    inside : (ny, nx) bool array
        Cells within its outline.
    step_m : float
        Step in which heights are stored [m].
    """
    found = _nibs(bare, height_m, inside, step_m)
    return tuple(nib for nib in found if not _at_free_edge(nib, floor))


def off_lines(nibs: Sequence[Nib], lines: Sequence[Straight]) -> tuple[Nib, ...]:
    """Those that are no pieces of a ridge or of the edge of a step, in their order.

    Parameters
    ----------
    nibs : sequence of Nib
    lines : sequence of Straight
        Ridges that were found.
    """
    return tuple(nib for nib in nibs if not any(_piece_of(nib, line) for line in lines))


def along_nibs(nibs: Sequence[Nib], lines: Sequence[Straight]) -> tuple[Straight, ...]:
    """Ridges of which nibs are pieces.

    Parameters
    ----------
    nibs : sequence of Nib
        All that were found.
    lines : sequence of Straight
    """
    return tuple(
        line for line in lines if line.height_m > 0.0 and any(_piece_of(nib, line) for nib in nibs)
    )


def _piece_of(nib: Nib, line: Straight) -> bool:
    if nib.height_m > _OVER_LINE * line.height_m:
        return False
    x, y = (own - at for own, at in zip(nib.place_m, line.place_m, strict=True))
    sin, cos = math.sin(line.bearing_rad), math.cos(line.bearing_rad)
    on = abs(x * sin + y * cos) <= 0.5 * line.length_m + _BESIDE_LINE_M
    return on and abs(x * cos - y * sin) <= _BESIDE_LINE_M


def _nibs(bare: BareFloor, height: Array, inside: Mask, step_m: float) -> tuple[Nib, ...]:
    """Small groups of points that stand above the floor by more than its noise."""
    from scipy.ndimage import label

    cells = bare.cells
    grid = cells.grid
    band = cells.band
    over = band.z_m - height.ravel()[band.cell]
    least = max(4.0 * bare.noise_m, _LEAST_NIB_M, NIB_STEPS * step_m)
    high = np.isfinite(over) & (over > least) & (band.height_m < 0.07)
    # Where a wall runs through, its own points stand out too.
    high &= ~bare.occupied.ravel()[band.cell] | ~bare.nibs.ravel()[band.cell]
    # An edge stands out of the heights beside it, and is a step and no nib.
    high &= ~_beside_edges(bare, least).ravel()[band.cell]
    standing = cells.total(band, high)
    spot = (standing >= 3) & inside & (standing >= 0.15 * np.maximum(bare.count + standing, 1))
    groups, _ = label(spot, np.ones((3, 3), bool))
    candidates = np.flatnonzero(high & spot.ravel()[band.cell])
    group = groups.ravel()[band.cell[candidates]]
    found = []
    for k, window in enumerate(group_windows(groups), 1):
        row, col = np.nonzero(groups[window] == k)
        row, col = row + window[0].start, col + window[1].start
        width = (max(np.ptp(row), np.ptp(col)) + 1) * grid.cell_m
        if width > _WIDEST_NIB_M + grid.cell_m or _stands_by_thing(bare, row, col):
            continue
        pick = candidates[group == k]
        order = np.argsort(over[pick])
        shares = np.cumsum(band.count[pick][order]) / band.count[pick].sum()
        top = float(np.interp(0.9, shares, over[pick][order]))
        place = tuple(
            float(np.average(axis[pick], weights=band.count[pick])) for axis in (band.x_m, band.y_m)
        )
        found.append(Nib((place[0], place[1]), top, float(width)))
    return tuple(sorted(found, key=lambda nib: -nib.height_m))


def _beside_edges(bare: BareFloor, least_m: float) -> Mask:
    """Cells near which the floor itself rises by as much as a nib: what stands out is its edge."""
    from scipy.ndimage import binary_dilation, label, maximum_filter, minimum_filter

    reach = max(round(_EDGE_M / bare.cells.grid.cell_m), 1)
    known = np.isfinite(bare.fitted_m) & (bare.count > 0)
    top = maximum_filter(np.where(known, bare.fitted_m, -np.inf), 2 * reach + 1)
    foot = minimum_filter(np.where(known, bare.fitted_m, np.inf), 2 * reach + 1)
    edges: Mask = top - foot > least_m
    groups, _ = label(edges, np.ones((3, 3), bool))
    for k, window in enumerate(group_windows(groups), 1):
        # By a wall the fit may follow a nib: that is no longer than the nib and its surroundings.
        if max(part.stop - part.start for part in window) * bare.cells.grid.cell_m < _EDGE_LONG_M:
            edges[window] &= groups[window] != k
    if bare.sharp.any():
        edges |= binary_dilation(bare.sharp, np.ones((3, 3), bool), iterations=reach)
    return edges


def _at_free_edge(nib: Nib, floor: Floor) -> bool:
    """Whether a spot lies where the floor ends without a wall, as at the edge of a landing.

    Cells there hold points of the edge's front as well, which draw the fitted floor down: what
    stands out of it is the floor.
    """
    import shapely

    if floor.outline.exterior.distance(shapely.Point(nib.place_m)) > _FREE_EDGE_M:
        return False
    place = np.asarray(nib.place_m)[None]
    for face in floor.faces:
        along = face.along(place)[0]
        low, high = face.along_m[:, 0] - _FREE_EDGE_M, face.along_m[:, 1] + _FREE_EDGE_M
        if (
            abs(face.distance(place)[0]) <= _FREE_EDGE_M
            and ((along >= low) & (along <= high)).any()
        ):
            return False
    return True


def _stands_by_thing(bare: BareFloor, row: NDArray[np.int64], col: NDArray[np.int64]) -> bool:
    """Whether a spot is the foot of a wall or thing: something taller stands in or beside it."""
    if bare.nibs[row, col].any():
        return False  # steep and small on floor of its own: a nib wherever it lies
    spot = (slice(row.min(), row.max() + 1), slice(col.min(), col.max() + 1))
    return bool(bare.occupied[widened(spot, 1, bare.occupied.shape)].any())
