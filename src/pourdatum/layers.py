"""Level surfaces of a scan as sheets: thin dense layers in columns, joined side by side.

Points are counted in voxels of 0.1 m by 10 mm. In each column, thin dense layers are
candidates; neighbouring candidates at nearly the same level join to sheets. What stands
on a sheet or hangs from it is counted without the points of other sheets: the underside
of a slab is no wall.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.chunks import PointStore
from pourdatum.grid import LAYER_BITS, VoxelStats, merge, pack, unpack
from pourdatum.passing import Progress
from pourdatum.scan import LATTICE_M

COLUMN_M: Final = 0.1
LAYER_M: Final = 0.01
_LAYER_STEPS: Final = round(LAYER_M / LATTICE_M)
_HALF_WINDOW: Final = 2
"""Layers on each side that belong to a candidate's level (50 mm in all)."""
_LEAST_AREA_M2: Final = 0.5
_MOST_SHEETS: Final = 32
_LEAST_COLUMN: Final = 12
"""Points that a column must hold, all layers together, to tell layers in it."""
_WIDE: Final = 4
STANDING_M: Final = (0.1, 0.6)
"""Heights over a sheet in which a wall or a thing shows [m]."""
UNDER_M: Final = (0.1, 1.5)
"""Depths below a sheet in which the ground under a thing shows [m]."""
_RIM_M: Final = 0.2
"""Width of a sheet's rim, under which the front of a landing shows [m]."""
LAYER_STEP_M: Final = 0.05
_LAYERS: Final = 10
_FACE_LAYERS: Final = 3
"""Layers of 50 mm, of the ten in which a wall shows, that must hold points."""
_FACE_STEP_M: Final = 0.15
_FACE_SHARE: Final = 0.4
"""Layers of 150 mm in which a wall that is followed shows, and the share that must hold points."""
_OWN_M: Final = 0.045
"""Distance within which points are the sheet's own [m]."""


@dataclass(frozen=True, eq=False)
class Sheet:
    """A connected, nearly horizontal surface.

    Attributes
    ----------
    row, col : (n,) int arrays
        Its columns.
    z_m : (n,) array
        Level in each column [m], local.
    points : (n,) array
        Points at that level in each column.
    column_m : float
        Side of a column [m].
    above_by, below_by : (10,) int arrays
        Points in layers of 50 mm from 0.1 to 0.6 m above and below the sheet, in its
        columns and the ones beside them, those of other sheets left out.
    walled : (m,) int array
        Packed columns in which an upright face rises from the sheet.
    hollow : float
        Share of its columns, those at its rim left out, with points 0.1 to 1.5 m below it:
        floor under a table, or its legs, where a landing is solid.
    """

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    z_m: NDArray[np.float64]
    points: NDArray[np.int64]
    column_m: float
    above_by: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_LAYERS, np.int64))
    below_by: NDArray[np.int64] = field(default_factory=lambda: np.zeros(_LAYERS, np.int64))
    walled: NDArray[np.int64] = field(default_factory=lambda: np.empty(0, np.int64))
    hollow: float = 0.0

    @property
    def area_m2(self) -> float:
        """Plan area of its columns [m²]."""
        return float(self.row.size * self.column_m**2)

    @cached_property
    def level_m(self) -> float:
        """Median level [m], local."""
        return float(np.median(self.z_m))

    @property
    def above(self) -> int:
        """Points that stand on it."""
        return int(self.above_by.sum())

    @property
    def below(self) -> int:
        """Points that hang from it."""
        return int(self.below_by.sum())

    def above_up_to(self, height_m: float) -> int:
        """Points that stand on it in the layers that end below a height [m]."""
        layers = int(np.floor((height_m - STANDING_M[0]) / LAYER_STEP_M + 1e-9))
        return int(self.above_by[: max(layers, 0)].sum())

    @property
    def key(self) -> NDArray[np.int64]:
        """Its columns, packed."""
        return pack(self.col, self.row, np.zeros_like(self.col))

    @property
    def x_m(self) -> NDArray[np.float64]:
        """Middles of its columns, local plan [m]."""
        return (self.col.astype(np.float64) + 0.5) * self.column_m

    @property
    def y_m(self) -> NDArray[np.float64]:
        """As ``x_m``."""
        return (self.row.astype(np.float64) + 0.5) * self.column_m


@dataclass(frozen=True, eq=False)
class Layers:
    """Level surfaces of a scan.

    Attributes
    ----------
    sheets : list of Sheet
        Those of half a square metre and more, largest first.
    wide : list of Sheet
        The same surfaces in columns of 0.4 m, without surroundings; none where columns
        are as wide already.
    points : int
        Points of the scan.
    voxels : VoxelStats
        Points in columns by layers of 10 mm.
    """

    sheets: list[Sheet]
    wide: list[Sheet]
    points: int
    voxels: VoxelStats

    def faces_between(
        self, low_m: float, high_m: float
    ) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
        """Row and column of the columns with an upright face between two levels, local [m]."""
        col, row, layer = self.voxels.indices()
        z_m = (layer + 0.5) * LAYER_M
        part = (z_m > low_m) & (z_m < high_m)
        step = np.floor((z_m[part] - low_m) / _FACE_STEP_M).astype(np.int64)
        col, row, step = unpack(np.unique(pack(col[part], row[part], step)))
        key, held = np.unique(pack(col, row, np.zeros_like(step)), return_counts=True)
        col, row, _ = unpack(key[held >= _FACE_SHARE * (high_m - low_m) / _FACE_STEP_M])
        return row, col


def level_sheets(store: PointStore, progress: Progress) -> Layers:
    """Level surfaces of a scan."""
    fine = store.fold(_count_voxels, merge, stage="looking for the floor", progress=progress)
    total = int(fine.count.sum())
    if total == 0:
        return Layers([], [], 0, fine)
    voxels, factor = _widen_columns(fine)
    sheets = _with_surroundings(_sheets(voxels, COLUMN_M * factor), voxels)
    if not sheets or factor >= _WIDE:
        return Layers(sheets, [], total, voxels)
    coarse = voxels
    while factor < _WIDE:
        coarse, factor = _halved(coarse), 2 * factor
    return Layers(sheets, _sheets(coarse, COLUMN_M * factor), total, voxels)


def joined(parts: list[Sheet]) -> Sheet:
    """Several sheets as one."""
    if len(parts) == 1:
        return parts[0]
    row, col, z_m, points = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("row", "col", "z_m", "points")
    )
    above, below = (sum(getattr(part, name) for part in parts) for name in ("above_by", "below_by"))
    walled = np.unique(np.concatenate([part.walled for part in parts]))
    return Sheet(row, col, z_m, points, parts[0].column_m, above, below, walled)


def _count_voxels(points: NDArray[np.int64]) -> VoxelStats:
    steps = round(COLUMN_M / LATTICE_M)
    x, y, z = points.T
    key = pack(x // steps, y // steps, z // _LAYER_STEPS)
    return VoxelStats.of_points(key, z[None])


def _widen_columns(voxels: VoxelStats) -> tuple[VoxelStats, int]:
    """Merges columns of sparse scans until the busy half of them holds enough points."""
    factor = 1
    while factor < 8:
        # Keys increase, so that a column's voxels stand together.
        start = np.flatnonzero(np.diff(voxels.key >> LAYER_BITS, prepend=-1))
        column_points = np.sort(np.add.reduceat(voxels.count, start))
        # Stray far returns fill many columns with few points: nine in ten points must lie
        # in columns that hold enough.
        share = np.cumsum(column_points) / column_points.sum()
        if column_points[np.searchsorted(share, 0.1)] >= _LEAST_COLUMN:
            break
        factor *= 2
        voxels = _halved(voxels)
    return voxels, factor


def _halved(voxels: VoxelStats) -> VoxelStats:
    """The same points in columns twice as wide."""
    col, row, layer = voxels.indices()
    return _rekey(voxels, pack(col // 2, row // 2, layer))


def _rekey(voxels: VoxelStats, key: NDArray[np.int64]) -> VoxelStats:
    order = np.argsort(key, kind="stable")
    first = np.flatnonzero(np.diff(key[order], prepend=key[order][0] - 1))
    return VoxelStats(
        key[order][first],
        np.add.reduceat(voxels.count[order], first),
        np.add.reduceat(voxels.sums[:, order], first, axis=1),
    )


def _window(
    total: NDArray[np.int64],
    key: NDArray[np.int64],
    low: int,
    high: int,
    chosen: NDArray[np.int64] | slice = slice(None),
) -> NDArray[np.int64]:
    """Sum of a running total over the layers ``low`` to ``high`` around each chosen voxel."""
    first = np.searchsorted(key, key[chosen] + low, side="left")
    last = np.searchsorted(key, key[chosen] + high, side="right")
    return total[last] - total[first]


def _sheets(voxels: VoxelStats, column_m: float) -> list[Sheet]:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    key = voxels.key
    counts = np.concatenate([[0], np.cumsum(voxels.count)])
    heights = np.concatenate([[0], np.cumsum(voxels.sums[0])])
    near = _window(counts, key, -_HALF_WINDOW, _HALF_WINDOW)
    held = np.flatnonzero(near >= 4)
    around = _window(counts, key, -10, 10, held) - near[held]
    picked = held[near[held] * 16 >= 3 * around * 5]
    # The best of its neighbourhood; ties go to the lower layer.
    for shift in range(1, 2 * _HALF_WINDOW + 1):
        for sign in (-1, 1):
            wanted, own = key[picked] + sign * shift, near[picked]
            at = np.minimum(np.searchsorted(key, wanted), key.size - 1)
            beaten = near[at] > own if sign > 0 else near[at] >= own
            picked = picked[~((key[at] == wanted) & beaten)]
    if picked.size == 0:
        return []
    height = _window(heights, key, -_HALF_WINDOW, _HALF_WINDOW, picked)
    points = near[picked]
    z_m = height / points * LATTICE_M
    col, row, _ = (part[picked] for part in voxels.indices())
    column = pack(col, row, np.zeros_like(col))
    step = 0.012 + 0.1 * column_m
    pairs: list[NDArray[np.int64]] = []
    for dc, dr in ((1, 0), (0, 1), (1, 1), (1, -1)):
        wanted = pack(col + dc, row + dr, np.zeros_like(col))
        first = np.searchsorted(column, wanted, side="left")
        last = np.searchsorted(column, wanted, side="right")
        for k in range(int((last - first).max(initial=0))):
            here = np.flatnonzero(first + k < last)
            there = first[here] + k
            close = np.abs(z_m[here] - z_m[there]) <= step
            pairs.append(np.stack([here[close], there[close]]))
    edges = np.concatenate(pairs, axis=1) if pairs else np.empty((2, 0), np.int64)
    n = picked.size
    graph = coo_array((np.ones(edges.shape[1], np.int8), (edges[0], edges[1])), shape=(n, n))
    _, label = connected_components(graph, directed=False)
    sizes = np.bincount(label)
    large = np.flatnonzero(sizes * column_m**2 >= _LEAST_AREA_M2)
    large = large[np.argsort(-sizes[large], kind="stable")][:_MOST_SHEETS]
    return [
        Sheet(row[at], col[at], z_m[at], points[at], column_m)
        for at in (np.flatnonzero(label == which) for which in large)
    ]


def _with_surroundings(sheets: list[Sheet], voxels: VoxelStats) -> list[Sheet]:
    """The sheets with the points counted that stand on them or hang from them."""
    place = voxels.indices()
    free = np.ones(voxels.key.size, bool)
    for sheet in sheets:
        part = _rows(sheet, place)
        free[part][np.abs(_rise(sheet, place, part)) < _OWN_M] = False
    out = []
    low, high = STANDING_M
    for sheet in sheets:
        part = _rows(sheet, place)
        rise = _rise(sheet, place, part)
        count = np.where(free[part], voxels.count[part], 0)
        over = (rise > low) & (rise < high) & free[part]
        out.append(
            replace(
                sheet,
                above_by=_by_layer(rise, count),
                below_by=_by_layer(-rise, count),
                walled=_faces(place, part, over, rise),
                hollow=_hollow(sheet, place, part, rise),
            )
        )
    return out


def _by_layer(rise: NDArray[np.float64], count: NDArray[np.int64]) -> NDArray[np.int64]:
    """Points in the layers of 50 mm over a sheet."""
    low, high = STANDING_M
    pick = (rise > low) & (rise < high)
    layer = np.floor((rise[pick] - low) / LAYER_STEP_M).astype(np.int64)
    total = np.bincount(np.minimum(layer, _LAYERS - 1), weights=count[pick], minlength=_LAYERS)
    return total.astype(np.int64)


def _rows(sheet: Sheet, place: tuple[NDArray[np.int64], ...]) -> slice:
    """Voxels in the sheet's rows and two more on each side; voxels are sorted by row."""
    row = place[1]
    first = np.searchsorted(row, sheet.row.min() - 2, side="left")
    last = np.searchsorted(row, sheet.row.max() + 2, side="right")
    return slice(int(first), int(last))


def _rise(sheet: Sheet, place: tuple[NDArray[np.int64], ...], part: slice) -> NDArray[np.float64]:
    """Height of voxels over the sheet [m]; NaN beyond two columns from it, one of wide ones."""
    col, row, layer = (index[part] for index in place)
    c0, r0 = int(sheet.col.min()) - 2, int(sheet.row.min()) - 2
    shape = (int(sheet.row.max()) + 3 - r0, int(sheet.col.max()) + 3 - c0)
    level = np.full(shape, np.nan)
    level[sheet.row - r0, sheet.col - c0] = sheet.z_m
    level = _spread(level, 2 if sheet.column_m < 0.25 else 1)
    r, c = row - r0, col - c0
    inside = (r >= 0) & (c >= 0) & (r < shape[0]) & (c < shape[1])
    rise = np.full(row.size, np.nan)
    rise[inside] = (layer[inside] + 0.5) * LAYER_M - level[r[inside], c[inside]]
    return rise


def _faces(
    place: tuple[NDArray[np.int64], ...],
    part: slice,
    over: NDArray[np.bool_],
    rise: NDArray[np.float64],
) -> NDArray[np.int64]:
    """Packed columns in which points stand over the sheet in several layers of 50 mm."""
    col, row = (index[part][over] for index in place[:2])
    steps = np.floor((rise[over] - STANDING_M[0]) / LAYER_STEP_M).astype(np.int64)
    col, row, steps = unpack(np.unique(pack(col, row, steps)))
    column, held = np.unique(pack(col, row, np.zeros_like(steps)), return_counts=True)
    found: NDArray[np.int64] = column[held >= _FACE_LAYERS]
    return found


def _hollow(
    sheet: Sheet,
    place: tuple[NDArray[np.int64], ...],
    part: slice,
    rise: NDArray[np.float64],
) -> float:
    """Share of a sheet's inner columns below which points lie; gaps between columns are closed."""
    from scipy.ndimage import binary_closing, binary_erosion

    c0, r0 = int(sheet.col.min()) - 2, int(sheet.row.min()) - 2
    mask = np.zeros((int(sheet.row.max()) + 3 - r0, int(sheet.col.max()) + 3 - c0), bool)
    mask[sheet.row - r0, sheet.col - c0] = True
    square = np.ones((3, 3), bool)
    rim = max(round(_RIM_M / sheet.column_m), 1)
    inner = binary_erosion(binary_closing(mask, square) | mask, square, iterations=rim)
    if not inner.any():
        return 0.0
    low, high = UNDER_M
    under = (-rise > low) & (-rise < high)
    row, col = place[1][part][under] - r0, place[0][part][under] - c0
    held = np.zeros(mask.shape, bool)
    held[row, col] = True
    return float(held[inner].mean())


def _spread(level: NDArray[np.float64], cells: int) -> NDArray[np.float64]:
    from scipy.ndimage import distance_transform_edt

    distance, (row, col) = distance_transform_edt(np.isnan(level), return_indices=True)
    out: NDArray[np.float64] = level[row, col]
    out[distance > cells * 1.5] = np.nan
    return out
