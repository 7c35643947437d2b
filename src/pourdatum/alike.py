"""Whether set-ups of a scan see the same stripes: then they are the floor's, else the scan's.

One pass cannot tell ribs of a floor from sweeps that differ. Two set-ups can, where both see the
same floor: a rib lies under both, and what the sweeps of the one are out by knows nothing of the
other's. Profiles across the stripes are taken set-up by set-up, and their covariance is held
against their variance, each free of point noise, which two halves of a set-up do not share.
"""

from __future__ import annotations

import math
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.bare import BareFloor
from pourdatum.chunks import PointStore
from pourdatum.passing import Progress
from pourdatum.scan import LATTICE_M, Scan
from pourdatum.stationlayers import STAGE, parts_of
from pourdatum.stripes import PART_M, Stripes, off_the_relief

if TYPE_CHECKING:
    from pourdatum.levels import Level

Array = NDArray[np.float64]
Counts = NDArray[np.int64]

_REACH: Final = 2.0
"""Distance from the relief within which a point counts, in those of a floor point."""
_ALIKE: Final = 0.6
_UNLIKE: Final = 0.4
"""Correlation between set-ups from which stripes are the floor's, and below which the scan's."""
_SURE: Final = 3.0
"""Standard errors by which that must differ from none, or from one and the same."""
_LEAST_POINTS: Final = 20


def owned(
    stripes: Stripes, scan: Scan, store: PointStore, bare: BareFloor, level: Level,
    progress: Progress,
) -> Stripes:  # fmt: skip
    """The stripes with their owner, as far as set-ups tell.

    Parameters
    ----------
    stripes : Stripes
        As found in all points together.
    scan : Scan
        Names its set-ups, in the order of the store's points.
    store : PointStore
    bare : BareFloor
    level : Level
    progress : callable

    Returns
    -------
    Stripes
        As they came where there are not two set-ups, or these do not tell.
    """
    if stripes.error_m == 0.0 or len(scan.stations) < 2:
        return stripes
    parts = [part for part in parts_of(scan, store.sample()) if part is not None]
    if len(parts) < 2:
        return stripes
    grid = bare.cells.grid
    weight, _, relief = off_the_relief(bare.count, bare.level_m, grid.cell_m)
    steps = round(grid.cell_m / LATTICE_M)
    c0, r0 = grid.first_cell
    east, north = math.cos(stripes.bearing_rad), math.sin(stripes.bearing_rad)
    x, y = grid.mesh()
    across = (x * east + y * north)[weight > 0]
    if not across.size:
        return stripes
    first_m = float(across.min())
    strips = int((float(across.max()) - first_m) / grid.cell_m) + 2
    relief = np.nan_to_num(relief)

    def summed(points: Counts) -> Counts:
        col, row = points[:, 0] // steps - c0, points[:, 1] // steps - r0
        use = grid.holds(row, col)
        use[use] = weight[row[use], col[use]] > 0
        x_m, y_m, z_m = points[use].T * LATTICE_M
        rise = np.rint((z_m - grid.at(relief, np.column_stack([x_m, y_m]))) / LATTICE_M)
        strip = ((x_m * east + y_m * north - first_m) / grid.cell_m).astype(np.int64)
        half = np.floor((y_m * east - x_m * north) / PART_M).astype(np.int64) % 2
        near = (np.abs(rise) <= _REACH * bare.gate_m / LATTICE_M) & (strip >= 0) & (strip < strips)
        at = (strip + half * strips)[near]
        sums = [np.bincount(at, rise[near] ** power, 2 * strips) for power in (0, 1)]
        return np.stack(sums).astype(np.int64).reshape(2, 2, strips)

    found = [part.fold(summed, np.add, stage=STAGE, progress=progress) for part in parts]
    told = _correlation(np.stack(found).astype(np.float64))
    if told is None:
        return stripes
    alike, shared = told
    # Stripes that know nothing of each other agree by chance to 1 / sqrt(n).
    error = 1.0 / math.sqrt(max(shared * grid.cell_m / stripes.width_m, 1.0))
    if alike > _ALIKE and alike > _SURE * error:
        return replace(stripes, owner="floor")
    if alike < _UNLIKE and 1.0 - alike > _SURE * error:
        return replace(stripes, owner="scan", regular=False)
    return replace(stripes, owner="open")


def _correlation(sums: Array) -> tuple[float, float] | None:
    """Covariance between set-ups over their mean variance, and strips that pairs share.

    Parameters
    ----------
    sums : (k, 2, 2, n) array
        Points and their heights, of each set-up, in either half of each strip.
    """
    count, total = sums[:, 0], sums[:, 1]
    between, within, widest = 0.0, 0.0, 0.0
    for one in range(len(sums)):
        for other in range(one):
            both = (count[[one, other]] >= _LEAST_POINTS).all(axis=(0, 1))
            if both.sum() < 2:
                continue
            mass = count[[one, other]][:, :, both]
            mean = total[[one, other]][:, :, both] / mass
            # Points of a strip, as of two profiles in series.
            each = 1.0 / (1.0 / mass).sum(axis=(0, 1))
            mean = mean - np.average(mean, axis=2, weights=each)[:, :, None]
            halves = 0.5 * (mean[:, 0] * mean[:, 1]).sum(axis=0)
            joined = mean.mean(axis=1)
            between += float((each * joined[0] * joined[1]).sum())
            within += float((each * halves).sum())
            widest = max(widest, float(each.sum() ** 2 / (each**2).sum()))
    if within <= 0.0:
        return None
    return between / within, widest
