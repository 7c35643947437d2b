"""A floor to be poured as blocks: what each takes, which touch, and how far each is from the exit.

How far is not a distance. Let every place of the floor send out the same trickle and let the exit
drain it: the level that then stands over the floor is highest in the far ends, falls towards the
exit everywhere, and has no hollow on the way, whatever columns, doorways and corners there are. Its
contours meet the walls at right angles, so strips between two of them lie across the narrow way. It
solves Poisson's equation with no flow through walls (a standard boundary value problem; solved
here with SciPy's sparse direct solver).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.grid import Grid

if TYPE_CHECKING:
    from shapely import LineString

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

BLOCK_M: Final = 0.1
"""Side of a block, about [m]."""
_MOST: Final = 40_000
"""Blocks of a floor from which they are made wider."""
_WIDEST_M: Final = 0.3
"""Side of a block at the most, if cells allow [m]: strips are 0.35 m deep and more."""


@dataclass(frozen=True, eq=False)
class Blocks:
    """Blocks of a floor.

    Attributes
    ----------
    block_of : (ny, nx) int array
        Block of each cell; -1 where there is no floor.
    place_m : (n, 2) array
        Middle of the floor in each block [m].
    area_m2, volume_m3 : (n,) array
        Floor in it, and what fills it.
    link : (k, 2) int array
        Pairs of blocks with floor on both sides of their common edge.
    open_share : (k,) array
        Share of that edge which is open.
    crossed : (k,) bool array
        Whether a joint lies between the two.
    level : (n,) array
        Height of the trickle, 0 at the exit: strips follow its contours [m²].
    slope : (n, 2) array
        Its gradient [m].
    exit_block : int
        Where the room is left.
    side_m : float
        Of a block.
    """

    block_of: Index
    place_m: Array
    area_m2: Array
    volume_m3: Array
    link: Index
    open_share: Array
    crossed: Mask
    level: Array
    slope: Array
    exit_block: int
    side_m: float


@dataclass(frozen=True, eq=False)
class Parts:
    """A floor in parts: which one each cell (ny, nx) is in, from 0, and what fills each [m³]."""

    of: Index
    volume_m3: tuple[float, ...]


def make_blocks(
    depth_m: Array,
    inside: Mask,
    grid: Grid,
    volume_m3: float,
    leave_m: tuple[float, float],
    joints: Sequence[LineString] = (),
    parts: Parts | None = None,
) -> Blocks:
    """Blocks of a floor with their way to the exit.

    Parameters
    ----------
    depth_m : (ny, nx) array
        Depth of the pour at cell centres [m]; below 0 nothing is poured.
    inside : (ny, nx) bool array
        Cells of the floor; at least one.
    grid : Grid
    volume_m3 : float
        Exact fill, which the blocks add up to.
    leave_m : tuple
        Exit, local plan [m].
    joints : sequence of LineString
        Lines that no batch crosses.
    parts : Parts, optional
        Parts of the floor, such as zones, whose borders no batch crosses either.
    """
    wide = _cells_wide(inside, grid)
    row, col = np.nonzero(inside)
    part_of = np.zeros(row.size, np.int64) if parts is None else parts.of[row, col]
    own, part = _numbered(
        ((row // wide) * (grid.nx // wide + 1) + col // wide) * (int(part_of.max()) + 1) + part_of,
        part_of,
    )
    count = part.size
    block_of = np.full(inside.shape, -1, np.int64)
    block_of[row, col] = own
    cells = np.bincount(own, minlength=count)
    depth = np.nan_to_num(np.maximum(depth_m[row, col], 0.0))
    filled = np.bincount(own, weights=depth, minlength=count).astype(np.float64)
    place = np.stack(
        [
            np.bincount(own, weights=axis, minlength=count) / cells
            for axis in (grid.x_m[col], grid.y_m[row])
        ],
        axis=1,
    )
    link, share = _links(block_of, wide)
    away = np.hypot(grid.x_m[col] - leave_m[0], grid.y_m[row] - leave_m[1])
    exit_block = int(own[np.argmin(away)])
    level = _level(link, share, cells / wide**2, place, exit_block) * (wide * grid.cell_m) ** 2
    whole = np.array([volume_m3] if parts is None else parts.volume_m3)
    a, b = link.T
    return Blocks(
        block_of=block_of,
        place_m=place,
        area_m2=cells.astype(np.float64) * grid.cell_m**2,
        volume_m3=filled
        * (whole / np.maximum(np.bincount(part, filled, whole.size), 1e-300))[part],
        link=link,
        open_share=share,
        crossed=_crossed(place, link, joints) | (part[a] != part[b]),
        level=level,
        slope=_slope(place, link, level),
        exit_block=exit_block,
        side_m=wide * grid.cell_m,
    )


def _cells_wide(inside: Mask, grid: Grid) -> int:
    """Cells along the side of a block."""
    few = math.ceil(math.sqrt(inside.sum() / _MOST))
    return max(round(BLOCK_M / grid.cell_m), min(few, int(_WIDEST_M / grid.cell_m + 1e-9)), 1)


def _numbered(name: Index, part_of: Index) -> tuple[Index, Index]:
    """Number of the block that each cell (m,) is in, from 0 by name, and each block's part (n,)."""
    met = np.zeros(int(name.max()) + 1, bool)
    met[name] = True
    own = (np.cumsum(met) - 1)[name]
    part = np.empty(int(own.max()) + 1, np.int64)
    part[own] = part_of
    return own, part


def _links(block_of: Index, wide: int) -> tuple[Index, Array]:
    """Pairs of blocks that share open edges of cells (k, 2), and the share that is open (k,)."""
    many = int(block_of.max()) + 1
    names = []
    for one, other in (
        (block_of[:, :-1], block_of[:, 1:]),
        (block_of[:-1], block_of[1:]),
    ):
        open_ = (one >= 0) & (other >= 0) & (one != other)
        a, b = one[open_], other[open_]
        names.append(np.minimum(a, b) * many + np.maximum(a, b))
    name, count = np.unique(np.concatenate(names), return_counts=True)
    return np.stack([name // many, name % many], axis=1), count / wide


def _crossed(place_m: Array, link: Index, joints: Sequence[LineString]) -> Mask:
    """Which links a joint crosses (k,)."""
    if not joints or not len(link):
        return np.zeros(len(link), bool)
    import shapely

    ways = shapely.linestrings(place_m[link])
    lines = shapely.union_all(list(joints))
    shapely.prepare(lines)
    out: Mask = shapely.intersects(lines, ways)
    return out


def _level(link: Index, share: Array, source: Array, place_m: Array, exit_block: int) -> Array:
    """Height of the trickle over each block (n,), in squares of a block's side."""
    from scipy.sparse import coo_array
    from scipy.sparse.csgraph import connected_components
    from scipy.sparse.linalg import splu

    count = source.size
    a, b = link.T
    off = coo_array((share, (a, b)), shape=(count, count))
    whole = (off + off.T).tocsr()
    _, part = connected_components(whole, directed=False)
    away = np.hypot(*(place_m - place_m[exit_block]).T)
    drained = np.zeros(count, bool)
    for own in range(int(part.max()) + 1):
        # Floor that is cut off from the exit is left where it is nearest to it.
        members = np.flatnonzero(part == own)
        drained[members[np.argmin(away[members])]] = True
    drained[part == part[exit_block]] = False
    drained[exit_block] = True
    free = np.flatnonzero(~drained)
    level = np.zeros(count)
    if free.size:
        held = coo_array(
            (np.asarray(whole.sum(axis=1)).ravel(), (np.arange(count),) * 2),
            shape=(count, count),
        ).tocsr()
        matrix: Any = (held - whole)[free][:, free].tocsc()
        # A symmetric order fills in less, and pivots are not needed.
        solver = splu(
            matrix,
            permc_spec="MMD_AT_PLUS_A",
            diag_pivot_thresh=0.0,
            options={"SymmetricMode": True},
        )
        level[free] = solver.solve(source[free])
    return level


def _slope(place_m: Array, link: Index, level: Array) -> Array:
    """Gradient of the trickle's height at each block (n, 2), from those beside it."""
    a, b = link.T
    way = place_m[b] - place_m[a]
    rise = level[b] - level[a]

    def added(values: Array) -> Array:
        return np.asarray(
            np.bincount(a, values, level.size) + np.bincount(b, values, level.size), np.float64
        )

    x, y = way.T
    xx, xy, yy = added(x * x) + 1e-9, added(x * y), added(y * y) + 1e-9
    xr, yr = added(x * rise), added(y * rise)
    # Cramer's rule, for least squares in two unknowns.
    return np.stack([yy * xr - xy * yr, xx * yr - xy * xr], axis=1) / (xx * yy - xy**2)[:, None]
