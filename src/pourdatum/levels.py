"""Which horizontal surface of a scan is the floor: the coarse look.

Points are counted in voxels of 0.1 m by 10 mm. In each column, thin dense layers
are candidates; neighbouring candidates at nearly the same level join to sheets.
The floor is the largest sheet on which things stand: a ceiling has its walls below
it, a table has a floor below it, and the mirror image under a polished slab is
thinner than the slab above it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.chunks import PointStore, Progress
from pourdatum.errors import NoFloor
from pourdatum.geometry import fit_plane
from pourdatum.grid import Grid, VoxelStats, merge, pack
from pourdatum.localfit import local_fit
from pourdatum.scan import LATTICE_M

COLUMN_M: Final = 0.1
LAYER_M: Final = 0.01
_LAYER_STEPS: Final = round(LAYER_M / LATTICE_M)
_HALF_WINDOW: Final = 2
"""Layers on each side that belong to a candidate's level (50 mm in all)."""
_LEAST_AREA_M2: Final = 0.5
_LEAST_POINTS: Final = 1000
_LEAST_DENSITY: Final = 20.0
"""Points per square metre below which a surface is not surveyed [1/m²]."""
_MARGIN_M: Final = 1.0
"""How far around the sheet its level is carried on, for walls and things there [m]."""
_SAME_PLANE_M: Final = 0.04


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
    above, below : int
        Points from 0.1 to 0.6 m above and below the sheet, in its columns and
        the ones beside them.
    """

    row: NDArray[np.int64]
    col: NDArray[np.int64]
    z_m: NDArray[np.float64]
    points: NDArray[np.int64]
    column_m: float
    above: int = 0
    below: int = 0

    @property
    def area_m2(self) -> float:
        """Plan area of its columns [m²]."""
        return float(self.row.size * self.column_m**2)

    @property
    def level_m(self) -> float:
        """Median level [m], local."""
        return float(np.median(self.z_m))


@dataclass(frozen=True, eq=False)
class Level:
    """The coarse floor: where it is, and its level everywhere around.

    Attributes
    ----------
    sheet : Sheet
    others : tuple of Sheet
        Other walkable levels, largest first.
    grid : Grid
        Coarse grid over the sheet with a margin.
    reference_m : (ny, nx) array
        Level of the floor at each node of the grid [m], carried on under walls
        and things.
    density_per_m2 : float
        Floor points per square metre at the sparse quarter of the floor.
    """

    sheet: Sheet
    others: tuple[Sheet, ...]
    grid: Grid
    reference_m: NDArray[np.float64]
    density_per_m2: float

    def at(self, x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Coarse level at places [m], bilinear; NaN outside the grid."""
        grid = self.grid
        u = (x_m - grid.x0_m) / grid.cell_m
        v = (y_m - grid.y0_m) / grid.cell_m
        inside = (u >= 0) & (v >= 0) & (u <= grid.nx - 1) & (v <= grid.ny - 1)
        i = np.clip(u.astype(np.int64), 0, grid.nx - 2)
        j = np.clip(v.astype(np.int64), 0, grid.ny - 2)
        du, dv = u - i, v - j
        flat = self.reference_m.ravel()
        k = j * grid.nx + i
        low = flat[k] * (1 - du) + flat[k + 1] * du
        high = flat[k + grid.nx] * (1 - du) + flat[k + grid.nx + 1] * du
        return np.where(inside, low * (1 - dv) + high * dv, np.nan)


def find_level(store: PointStore, progress: Progress) -> Level:
    """The floor's level, coarsely.

    Raises
    ------
    NoFloor
        If the scan holds no walkable surface: nothing horizontal, too few points,
        or a ceiling only.
    """
    fine = store.fold(_count_voxels, merge, stage="looking for the floor", progress=progress)
    total = int(fine.count.sum())
    if total < _LEAST_POINTS:
        raise NoFloor(
            f"the scan holds {total} usable points, a floor needs {_LEAST_POINTS} at least",
            hint="scan again, closer or slower",
            id="too-few-points",
        )
    voxels, factor = _widen_columns(fine)
    column_m = COLUMN_M * factor
    sheets = [_with_surroundings(sheet, voxels) for sheet in _sheets(voxels, column_m)]
    floors = _walkable(sheets)
    sheet, others = _joined(max(floors, key=lambda item: item.area_m2), floors)
    _check_density(sheet)
    grid, reference = _reference(sheet)
    density = float(np.quantile(sheet.points, 0.25)) / column_m**2
    return Level(sheet, others, grid, reference, density)


def _count_voxels(points: NDArray[np.int64]) -> VoxelStats:
    steps = round(COLUMN_M / LATTICE_M)
    x, y, z = points.T
    key = pack(x // steps, y // steps, z // _LAYER_STEPS)
    return VoxelStats.of_points(key, z[None])


def _widen_columns(voxels: VoxelStats) -> tuple[VoxelStats, int]:
    """Merges columns of sparse scans until the busy half of them holds enough points."""
    factor = 1
    while factor < 8:
        col, row, layer = voxels.indices()
        _, start = np.unique(pack(col, row, np.zeros_like(layer)), return_index=True)
        column_points = np.sort(np.add.reduceat(voxels.count, start))
        # Stray far returns fill many columns with few points: nine in ten points must lie
        # in columns that hold enough.
        share = np.cumsum(column_points) / column_points.sum()
        if column_points[np.searchsorted(share, 0.1)] >= 12:
            break
        factor *= 2
        voxels = merge(
            VoxelStats.empty(1),
            _rekey(voxels, pack(col // 2, row // 2, layer)),
        )
    return voxels, factor


def _rekey(voxels: VoxelStats, key: NDArray[np.int64]) -> VoxelStats:
    order = np.argsort(key, kind="stable")
    first = np.flatnonzero(np.diff(key[order], prepend=key[order][0] - 1))
    return VoxelStats(
        key[order][first],
        np.add.reduceat(voxels.count[order], first),
        np.add.reduceat(voxels.sums[:, order], first, axis=1),
    )


def _window(
    total: NDArray[np.int64], key: NDArray[np.int64], low: int, high: int
) -> NDArray[np.int64]:
    """Sum of a running total over the layers ``low`` to ``high`` around each voxel."""
    first = np.searchsorted(key, key + low, side="left")
    last = np.searchsorted(key, key + high, side="right")
    return total[last] - total[first]


def _sheets(voxels: VoxelStats, column_m: float) -> list[Sheet]:
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components

    key = voxels.key
    counts = np.concatenate([[0], np.cumsum(voxels.count)])
    heights = np.concatenate([[0], np.cumsum(voxels.sums[0])])
    near = _window(counts, key, -_HALF_WINDOW, _HALF_WINDOW)
    around = _window(counts, key, -10, 10) - near
    dense = (near >= 4) & (near * 16 >= 3 * around * 5)
    # The best of its neighbourhood; ties go to the lower layer.
    for shift in range(1, 2 * _HALF_WINDOW + 1):
        for sign in (-1, 1):
            at = np.searchsorted(key, key + sign * shift)
            at = np.minimum(at, key.size - 1)
            there = key[at] == key + sign * shift
            beaten = near[at] > near if sign > 0 else near[at] >= near
            dense &= ~(there & beaten)
    picked = np.flatnonzero(dense)
    if picked.size == 0:
        return []
    height = _window(heights, key, -_HALF_WINDOW, _HALF_WINDOW)[picked]
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
    large = large[np.argsort(-sizes[large], kind="stable")][:24]
    return [
        Sheet(row[at], col[at], z_m[at], points[at], column_m)
        for at in (np.flatnonzero(label == which) for which in large)
    ]


def _with_surroundings(sheet: Sheet, voxels: VoxelStats) -> Sheet:
    """The sheet with the points counted that stand on it or hang from it."""
    vcol, vrow, vlayer = voxels.indices()
    c0, r0 = int(sheet.col.min()) - 2, int(sheet.row.min()) - 2
    shape = (int(sheet.row.max()) + 3 - r0, int(sheet.col.max()) + 3 - c0)
    level = np.full(shape, np.nan)
    level[sheet.row - r0, sheet.col - c0] = sheet.z_m
    level = _spread(level, 2)
    r, c = vrow - r0, vcol - c0
    inside = (r >= 0) & (c >= 0) & (r < shape[0]) & (c < shape[1])
    rise = np.full(vrow.size, np.nan)
    rise[inside] = (vlayer[inside] + 0.5) * LAYER_M - level[r[inside], c[inside]]
    above = int(voxels.count[(rise > 0.1) & (rise < 0.6)].sum())
    below = int(voxels.count[(rise < -0.1) & (rise > -0.6)].sum())
    return Sheet(sheet.row, sheet.col, sheet.z_m, sheet.points, sheet.column_m, above, below)


def _spread(level: NDArray[np.float64], cells: int) -> NDArray[np.float64]:
    from scipy.ndimage import distance_transform_edt

    distance, (row, col) = distance_transform_edt(np.isnan(level), return_indices=True)
    out: NDArray[np.float64] = level[row, col]
    out[distance > cells * 1.5] = np.nan
    return out


def _walkable(sheets: list[Sheet]) -> list[Sheet]:
    """Drops ceilings and mirror images; refuses where nothing is left."""
    if not sheets:
        raise NoFloor(
            "no horizontal surface of half a square metre or more was found",
            hint="check that the vertical is right (--up) and that the floor was scanned",
            id="no-floor",
        )
    ceilings = [
        item
        for item in sheets
        if item.below > 4 * item.above and item.below > 0.005 * item.points.sum()
    ]
    standing = [
        item for item in sheets if item not in ceilings and not _under_ceiling(item, ceilings)
    ]
    highest = max(ceilings, key=lambda item: item.area_m2, default=None)
    found = max((item.area_m2 for item in standing), default=0.0)
    if highest is not None and found < 0.15 * highest.area_m2:
        raise NoFloor(
            f"no floor in the scan, only a ceiling: its largest horizontal surface, "
            f"{highest.area_m2:.0f} m², has walls that reach down from it and none that rise",
            hint="scan the floor as well, or give --up if the scan is upside down",
            id="only-ceiling",
        )
    # A few returns from far off can cover a large area without being a surface one stands on.
    most = max(int(item.points.sum()) for item in standing)
    standing = [item for item in standing if item.points.sum() >= 0.03 * most]
    largest = max(item.area_m2 for item in standing)
    main = [item for item in standing if item.area_m2 >= 0.25 * largest]
    kept = [
        item for item in main if not _hangs_over(item, standing) and not _mirrors(item, standing)
    ]
    return kept or main


def _under_ceiling(item: Sheet, ceilings: list[Sheet]) -> bool:
    """Lamps, beams and the tops of cupboards: close below a larger ceiling."""
    return any(
        0.0 < other.level_m - item.level_m < 1.8
        and other.area_m2 > item.area_m2
        and _overlap(item, other) > 0.3
        for other in ceilings
    )


def _joined(main: Sheet, floors: list[Sheet]) -> tuple[Sheet, tuple[Sheet, ...]]:
    """The main sheet with those that shade has cut off from it: they lie in its plane."""
    x, y = _places(main)
    try:
        plane, _ = fit_plane(x, y, main.z_m)
    except ValueError:
        raise NoFloor(
            "the points at one level lie on a line and make no surface",
            hint="scan the floor, not a single profile",
            id="no-floor",
        ) from None
    parts, others = [main], list[Sheet]()
    for item in floors:
        if item is main:
            continue
        off = np.abs(item.z_m - plane.at(*_places(item)))
        (parts if float(np.quantile(off, 0.8)) < _SAME_PLANE_M else others).append(item)
    others.sort(key=lambda item: -item.area_m2)
    if len(parts) == 1:
        return main, tuple(others)
    row, col, z_m, points = (
        np.concatenate([getattr(part, name) for part in parts])
        for name in ("row", "col", "z_m", "points")
    )
    return Sheet(row, col, z_m, points, main.column_m, main.above, main.below), tuple(others)


def _places(sheet: Sheet) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Middles of the sheet's columns, local plan [m]."""
    x, y = ((index.astype(np.float64) + 0.5) * sheet.column_m for index in (sheet.col, sheet.row))
    return x, y


def _check_density(sheet: Sheet) -> None:
    density = sheet.points.sum() / sheet.area_m2
    if density < _LEAST_DENSITY:
        raise NoFloor(
            f"the largest level surface, {sheet.area_m2:.1f} m², holds {density:.0f} points per m²"
            f"; {_LEAST_DENSITY:.0f} are needed to tell a floor",
            hint="scan more densely, or export all points",
            id="too-thin",
        )


def _overlap(a: Sheet, b: Sheet) -> float:
    """Share of a's columns in which b lies too, or a neighbouring column's."""
    near = np.unique(
        np.concatenate(
            [
                pack(b.col + dc, b.row + dr, np.zeros_like(b.col))
                for dr in (-1, 0, 1)
                for dc in (-1, 0, 1)
            ]
        )
    )
    own = pack(a.col, a.row, np.zeros_like(a.col))
    return float(np.isin(own, near).mean())


def _hangs_over(item: Sheet, sheets: list[Sheet]) -> bool:
    """A ceiling without walls: nothing stands on it, and a floor lies below it."""
    if item.above > 0.01 * item.points.sum():
        return False
    return any(
        1.6 < item.level_m - other.level_m < 12.0
        and not _mirrors(other, [item])
        and _overlap(item, other) > 0.5
        for other in sheets
        if other is not item and other.area_m2 > 0.3 * item.area_m2
    )


def _mirrors(item: Sheet, sheets: list[Sheet]) -> bool:
    """A thinner image below a denser surface, seen through it."""
    density = float(np.median(item.points))
    return any(
        other.level_m - item.level_m > 0.3
        and other.above > 0
        and density < 0.35 * float(np.median(other.points))
        and _overlap(item, other) > 0.5
        for other in sheets
        if other is not item and other.area_m2 > 0.3 * item.area_m2
    )


def _reference(sheet: Sheet) -> tuple[Grid, NDArray[np.float64]]:
    """The sheet's level on a grid with a margin, carried on where it was not seen."""
    from scipy.ndimage import distance_transform_edt

    margin = int(np.ceil(_MARGIN_M / sheet.column_m))
    r0, c0 = int(sheet.row.min()) - margin, int(sheet.col.min()) - margin
    shape = (int(sheet.row.max()) - r0 + 1 + margin, int(sheet.col.max()) - c0 + 1 + margin)
    weight = np.zeros(shape)
    total = np.zeros(shape)
    np.add.at(weight, (sheet.row - r0, sheet.col - c0), 1.0)
    np.add.at(total, (sheet.row - r0, sheet.col - c0), sheet.z_m)
    value = np.divide(total, weight, out=np.zeros(shape), where=weight > 0)
    weight = (weight > 0).astype(np.float64)
    smooth = local_fit(weight, 2.0, 1, least_weight=3.0, with_error=False).height(value)
    wide = local_fit(weight, 8.0, 1, least_weight=20.0, with_error=False).height(value)
    filled = np.where(np.isnan(smooth), wide, smooth)
    # Beyond the reach of any fit the nearest fitted level serves.
    row, col = distance_transform_edt(np.isnan(filled), return_distances=False, return_indices=True)
    filled = filled[row, col]
    half = 0.5 * sheet.column_m
    grid = Grid(
        c0 * sheet.column_m + half, r0 * sheet.column_m + half, sheet.column_m, shape[0], shape[1]
    )
    return grid, filled
