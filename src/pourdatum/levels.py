"""The coarse floor of a scan: the sheet that is chosen, and its level everywhere around."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.cellsums import level_at
from pourdatum.choice import Chosen, Wish, choose
from pourdatum.chunks import PointStore
from pourdatum.errors import NoFloor
from pourdatum.grid import Grid, pack, unpack
from pourdatum.layers import Layers, Sheet, level_sheets
from pourdatum.localfit import local_fit
from pourdatum.passing import Progress

_LEAST_POINTS: Final = 1000
_BESIDE_M: Final = 0.5
"""How far beyond the walls and the ceiling of its room [m]."""
_MARGIN_M: Final = 1.0
"""How far around the sheet its level is carried on, for walls and things there [m]."""
_FARTHEST_M: Final = 8.0
"""How far beyond the seen floor its walls are followed [m]."""
_GAP_M: Final = 0.8
_FOOT_M: Final = 0.2
"""How far from a wall's column points of the floor may be wanted one by one [m]."""
_WALL_M: Final = (0.3, 1.8)
"""Heights over the floor between which a wall is followed [m]."""


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
    slabs : tuple of Sheet
        Underside of the floor's own slab, where the storey below was scanned too.
    """

    sheet: Sheet
    others: tuple[Sheet, ...]
    grid: Grid
    reference_m: NDArray[np.float64]
    density_per_m2: float
    slabs: tuple[Sheet, ...] = ()

    def at(self, x_m: NDArray[np.float64], y_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Coarse level at places [m], bilinear; NaN outside the grid."""
        return level_at(x_m, y_m, self.grid, self.reference_m)

    @property
    def area_m2(self) -> float:
        """Area of the floor, about, the gaps of a thinly seen one closed [m²]."""
        width = max(round(_GAP_M / self.sheet.column_m), 1)
        pairs = np.stack([self.sheet.row // width, self.sheet.col // width])
        return float(np.unique(pairs, axis=1).shape[1] * (width * self.sheet.column_m) ** 2)

    def beside_walls(self) -> NDArray[np.bool_]:
        """Nodes of the grid beside which an upright face rises from the floor, (ny, nx)."""
        from scipy.ndimage import binary_dilation

        faces = np.zeros(self.grid.shape, bool)
        col, row, _ = unpack(self.sheet.walled)
        x_m, y_m = ((index + 0.5) * np.float64(self.sheet.column_m) for index in (col, row))
        r, c = self.grid.cell_of(x_m, y_m)
        inside = self.grid.holds(r, c)
        faces[r[inside], c[inside]] = True
        around = 2 * int(np.ceil(_FOOT_M / self.grid.cell_m)) + 1
        beside: NDArray[np.bool_] = binary_dilation(faces, np.ones((around, around), bool))
        return beside


def find_level(store: PointStore, progress: Progress, wish: Wish | None = None) -> Level:
    """The floor's level, coarsely.

    Parameters
    ----------
    store : PointStore
    progress : callable
    wish : Wish, optional
        A place on the level wanted, or the area to pour; the largest level without it.

    Raises
    ------
    NoFloor
        If the scan holds no walkable surface: nothing horizontal, too few points,
        or a ceiling only.
    """
    seen = store.sample()
    layers = level_sheets(seen, progress)
    if layers.points < _LEAST_POINTS:
        raise NoFloor(
            f"the scan holds {layers.points} usable points, a floor needs {_LEAST_POINTS} at least",
            hint="scan again, closer or slower",
            id="too-few-points",
        )
    chosen = choose(layers.sheets, layers.wide, wish or Wish())
    sheet = chosen.floor
    grid, reference = _reference(chosen, layers)
    density = seen.one_in * float(np.quantile(sheet.points, 0.25)) / sheet.column_m**2
    return Level(sheet, chosen.others, grid, reference, density, chosen.slabs)


def _reach(
    row: NDArray[np.int64], col: NDArray[np.int64], margin: int
) -> tuple[float, float, float, float]:
    """Least column and row, and greatest, with a margin; nothing where there are none."""
    if row.size == 0:
        return np.inf, np.inf, -np.inf, -np.inf
    return (
        col.min() - margin,
        row.min() - margin,
        col.max() + margin,
        row.max() + margin,
    )


def _far_columns(
    chosen: Chosen,
) -> tuple[NDArray[np.int64], NDArray[np.int64], NDArray[np.float64]]:
    """Row, column and level of the middles of wide columns around which no column was seen."""
    sheet = chosen.floor
    rows, cols, levels = [], [], []
    for part in chosen.far:
        times = round(part.column_m / sheet.column_m)
        col, row = sheet.col // times, sheet.row // times
        near = [
            pack(col + dc, row + dr, np.zeros_like(col)) for dc in (-1, 0, 1) for dr in (-1, 0, 1)
        ]
        new = ~np.isin(part.key, np.unique(np.concatenate(near)))
        rows.append(part.row[new] * times + times // 2)
        cols.append(part.col[new] * times + times // 2)
        levels.append(part.z_m[new])
    if not rows:
        none = np.empty(0, np.int64)
        return none, none, np.empty(0)
    return np.concatenate(rows), np.concatenate(cols), np.concatenate(levels)


def _walls_around(chosen: Chosen, layers: Layers) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Row and column of the walls that the floor meets: behind a table it may not be seen."""
    from scipy.ndimage import binary_dilation, label

    sheet = chosen.floor
    level = sheet.level_m
    low, high = (float(np.quantile(sheet.z_m, q)) - level for q in (0.02, 0.98))
    row, col = layers.faces_between(level + high + _WALL_M[0], level + low + _WALL_M[1])
    far = int(np.ceil(_FARTHEST_M / sheet.column_m))
    r0, c0 = int(sheet.row.min()) - far, int(sheet.col.min()) - far
    shape = (int(sheet.row.max()) + far + 1 - r0, int(sheet.col.max()) + far + 1 - c0)
    inside = (row >= r0) & (col >= c0) & (row < r0 + shape[0]) & (col < c0 + shape[1])
    faces = np.zeros(shape, bool)
    faces[row[inside] - r0, col[inside] - c0] = True
    floor = np.zeros(shape, bool)
    floor[sheet.row - r0, sheet.col - c0] = True
    square = np.ones((3, 3), bool)
    groups, _ = label(binary_dilation(faces, square), square)
    met = np.unique(groups[binary_dilation(floor, square) & (groups > 0)])
    rows, cols = np.nonzero(np.isin(groups, met) & faces)
    return rows + r0, cols + c0


def _reference(chosen: Chosen, layers: Layers) -> tuple[Grid, NDArray[np.float64]]:
    """The sheet's level on a grid with a margin, carried on where it was not seen."""
    from scipy.ndimage import distance_transform_edt

    sheet = chosen.floor
    margin = int(np.ceil(_MARGIN_M / sheet.column_m))
    row, col, z_m = _far_columns(chosen)
    beside = int(np.ceil(_BESIDE_M / sheet.column_m))
    reach = [_reach(sheet.row, sheet.col, margin)]
    reach += [_reach(part.row, part.col, beside) for part in chosen.around]
    reach += [_reach(*place, beside) for place in (_walls_around(chosen, layers), (row, col))]
    c0, r0, c1, r1 = (
        int(edge([item[k] for item in reach])) for k, edge in enumerate((min, min, max, max))
    )
    shape = (r1 - r0 + 1, c1 - c0 + 1)
    weight = np.zeros(shape)
    total = np.zeros(shape)
    np.add.at(weight, (sheet.row - r0, sheet.col - c0), 1.0)
    np.add.at(total, (sheet.row - r0, sheet.col - c0), sheet.z_m)
    weight[row - r0, col - c0] = 1.0
    total[row - r0, col - c0] = z_m
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
