"""Humps: where the floor stands out, and what taking them down would save."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.compiled import compiled_loops
from pourdatum.grid import block_means, widened
from pourdatum.localfit import MANY_NODES, local_heights
from pourdatum.patchmean import PATCH_M, patch_mean

if TYPE_CHECKING:
    from shapely import Polygon

    from pourdatum.datum import Datum
    from pourdatum.surface import Surface

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LEAST_HUMP_M: Final = 0.002
"""Prominence from which a hump is listed [m]."""
_AROUND_M: Final = (1.0, 0.45)
"""Widths of the robust fits that stand for the floor around a hump [m], the wide one first:
a broad hump's top is where it stands out of the wide fit."""
NOISES: Final = 6.0
"""Standard errors that a hump must stand out by."""
_RUN_OUT: Final = 0.4
_ROWS: Final = 128
_FIRST_REACH: Final = 24
"""Cells to each side of a top in which its region is looked for first."""
_MOST: Final = 40
_WIDEST_HUMP_M2: Final = 1.0
"""Area from which a raised piece with steep sides is another level and no hump [m²]. A choice."""
_APART_M: Final = 0.25


@dataclass(frozen=True, eq=False)
class Hump:
    """A connected region that stands out of the floor around it.

    Attributes
    ----------
    place_m : tuple
        Its top, local plan [m].
    area_m2 : float
        Area that stands above half its height [m²].
    height_m : float
        Prominence over the floor around it [m].
    outline : shapely.Polygon
        Region above half its height, local plan.
    grind_m3 : float
        Concrete to take off, so that this hump no longer sets the datum [m³].
    saves_m3 : float
        Fill saved when it is removed together with all humps as high [m³].
    worth : bool or None
        Whether it is to be ground; None where that was not weighed.
    """

    place_m: tuple[float, float]
    area_m2: float
    height_m: float
    outline: Polygon
    grind_m3: float
    saves_m3: float
    worth: bool | None = None


def find_humps(surface: Surface, datum: Datum) -> tuple[Hump, ...]:
    """Humps of a floor, the one that costs most fill first.

    A hump is a local maximum of the floor over a robust fit of the floor around it,
    at two widths, so that a steep small one and a broad one are both found.

    Parameters
    ----------
    surface : Surface
    datum : Datum
        Heights are seen against it, so that a fall is no hump.
    """
    grid = surface.grid
    known = surface.measured | surface.inferred
    x, y = grid.mesh()
    over = np.where(known, surface.height_m - datum.plane.at(x, y), np.nan)
    error = (
        float(np.median(surface.standard_error_m[surface.measured]))
        if surface.measured.any()
        else 0.0
    )
    least = max(LEAST_HUMP_M, NOISES * error)
    tops: list[tuple[float, int, int, Array]] = []
    # The floor beside a pocket is no hump, nor is the upper of two levels.
    even = over - _between_levels(surface)
    for width_m in _AROUND_M:
        rise = _over_surroundings(even, grid.cell_m, width_m)
        rise = np.where(surface.measured, patch_within(rise, grid.cell_m), np.nan)
        for height, row, col in _prominent(rise, least):
            if height < NOISES * surface.standard_error_m[row, col]:
                continue  # in corners a height errs more than most do
            near = [np.hypot(row - r, col - c) * grid.cell_m < _APART_M for _, r, c, _ in tops]
            if not any(near):
                tops.append((height, row, col, rise))
    tops.sort(key=lambda top: -float(np.nan_to_num(over[top[1], top[2]], nan=-9.0)))
    return _priced(tops[:_MOST], over, surface)


def _between_levels(surface: Surface) -> Array | float:
    """How pieces lie off the floor around them [m], but for raised ones that a hump may be."""
    bare = surface.floor.bare
    if bare is None or bare.stepped is None:
        return 0.0
    return bare.stepped.between_levels(_WIDEST_HUMP_M2)


def patch_within(rise: Array, cell_m: float) -> Array:
    """Mean over a patch of what lies on the floor: beyond a wall there is nothing to count."""
    from scipy.ndimage import uniform_filter

    known = np.isfinite(rise)
    size = max(2 * round(0.5 * PATCH_M / cell_m) + 1, 3)
    share = uniform_filter(known.astype(np.float64), size, mode="constant")
    total = uniform_filter(np.nan_to_num(rise), size, mode="constant")
    return np.where(known, total / np.maximum(share, 1e-9), np.nan)


def _over_surroundings(over: Array, cell_m: float, width_m: float) -> Array:
    """Height over a robust local plane of the given width, on cells of about 0.1 m."""
    from scipy.ndimage import map_coordinates

    step = max(round(0.1 / cell_m), 1)
    present = np.isfinite(over)
    weight, value = block_means(present.astype(np.float64), np.nan_to_num(over), step)
    base = None
    trust = weight.copy()
    for _ in range(5):
        base = local_heights(trust, value, width_m / (step * cell_m), 1, least_weight=2.0)[0]
        gap = np.where(weight > 0, value - base, np.nan)
        scale = 1.4826 * float(np.nanmedian(np.abs(gap))) + 1e-4
        # What stands out upwards loses its say; hollows keep it unless they are deep.
        u = np.nan_to_num(gap / (np.where(gap > 0, 2.0, 5.0) * scale), nan=2.0)
        trust = weight * np.clip(1 - u**2, 0.0, None) ** 2
    assert base is not None
    filled = np.where(np.isfinite(base), base, value)
    row, col = ((np.arange(size) - 0.5 * (step - 1)) / step for size in over.shape)
    out = np.empty_like(over)
    for first in range(0, row.size, _ROWS):  # places of a whole floor are twice its size
        part = slice(first, first + _ROWS)
        at = np.broadcast_arrays(row[part, None], col[None, :])
        out[part] = over[part] - map_coordinates(filled, at, order=1, mode="nearest")
    return out


def _prominent(rise: Array, least: float) -> list[tuple[float, int, int]]:
    """Local maxima whose prominence is at least ``least``: (prominence, row, col).

    Cells are flooded from the highest down; where two islands meet, the lower top
    has as its prominence the height from that saddle. The last island's counts from
    the level of the floor around, zero.
    """
    ny, nx = rise.shape
    filled = np.where(np.isfinite(rise), rise, -np.inf).ravel()
    order = np.flatnonzero(filled > 0.0)
    order = order[np.argsort(-filled[order], kind="stable")]
    parent = np.full(ny * nx, -1, np.int64)
    found: list[tuple[float, int, int]] = []
    loops = compiled_loops("fitloop", order.size > MANY_NODES)
    if loops is not None:
        height, top = np.empty(order.size), np.empty(order.size, np.int64)
        count = loops.prominent(filled, order, nx, least, parent, height, top)
        last = np.empty(order.size, np.int64)
        loops.roots(parent, order, last)
        last = np.unique(last)
        last = last[filled[last] >= least]
        flat = np.concatenate([top[:count], last])
        heights = np.concatenate([height[:count], filled[last]])
        return list(zip(heights.tolist(), (flat // nx).tolist(), (flat % nx).tolist(), strict=True))

    def root(k: int) -> int:
        while parent[k] != k:
            parent[k] = parent[parent[k]]
            k = int(parent[k])
        return k

    for k in order.tolist():
        col = k % nx
        parent[k] = k
        for other in (k - 1 if col else -1, k + 1 if col < nx - 1 else -1, k - nx, k + nx):
            if other < 0 or other >= ny * nx or parent[other] < 0:
                continue
            a, b = root(k), root(other)
            if a == b:
                continue
            high, low = (a, b) if filled[a] >= filled[b] else (b, a)
            prominence = filled[low] - filled[k]
            if prominence >= least:
                found.append((float(prominence), low // nx, low % nx))
            parent[low] = high
    roots = sorted({root(int(k)) for k in order.tolist()})
    found += [(float(filled[k]), k // nx, k % nx) for k in roots if filled[k] >= least]
    return found


def _priced(
    tops: list[tuple[float, int, int, Array]], over: Array, surface: Surface
) -> tuple[Hump, ...]:
    """Humps with what each takes off and saves, together with those as high."""
    from pourdatum.edge import cells_polygon

    grid = surface.grid
    cell_m2 = grid.cell_m**2
    known = np.isfinite(over)
    patches = np.where(
        surface.measured, patch_mean(np.nan_to_num(over, nan=-9.0), grid.cell_m), -np.inf
    )
    top = float(patches.max())
    left = patches.copy()
    cores = [_region(rise, row, col, 0.5) for _, row, col, rise in tops]
    humps = []
    for k, (height, row, col, rise) in enumerate(tops):
        foot = _region(rise, row, col, 0.15)
        removed = _whole_foot(foot, cores[:k] + cores[k + 1 :], grid.shape)
        left[removed.window][removed.mask] = -np.inf
        highest = float(left.max())
        rest = highest if np.isfinite(highest) else top
        drop = max(top - max(rest, top - 0.05), 0.0)
        own = over[foot.window][known[foot.window] & foot.mask]
        grind = float(np.clip(own - (top - drop), 0, None).sum()) * cell_m2
        saves = drop * surface.floor.area_m2 if grind > 0 else 0.0
        core = cores[k]
        outline = cells_polygon(grid.window(*core.window), core.mask)
        humps.append(
            Hump(
                place_m=(float(grid.x_m[col]), float(grid.y_m[row])),
                area_m2=float(core.mask.sum()) * cell_m2,
                height_m=height,
                outline=outline if outline.geom_type == "Polygon" else outline.convex_hull,
                grind_m3=grind,
                saves_m3=saves,
            )
        )
    return tuple(humps)


@dataclass(frozen=True, eq=False)
class _Region:
    """Cells of a grid: a mask over a window of it."""

    window: tuple[slice, slice]
    mask: Mask


def _region(rise: Array, row: int, col: int, share: float) -> _Region:
    """The connected cells about a top that rise over a share of its height.

    The window grows until the region does not reach its edge.
    """
    from scipy.ndimage import label

    level = share * rise[row, col]
    top = (slice(row, row + 1), slice(col, col + 1))
    reach = _FIRST_REACH
    while True:
        window = widened(top, reach, rise.shape)
        groups, _ = label(np.nan_to_num(rise[window], nan=-1.0) > level)
        own = groups == groups[row - window[0].start, col - window[1].start]
        inner = tuple(
            slice(int(part.start > 0), own.shape[axis] - int(part.stop < rise.shape[axis]))
            for axis, part in enumerate(window)
        )
        if np.count_nonzero(own[inner]) == np.count_nonzero(own):
            return _Region(window, own)
        reach *= 2


def _whole_foot(foot: _Region, others: list[_Region], shape: tuple[int, ...]) -> _Region:
    """A hump down to where it runs out, from the part above 15 % of its height.

    A cosine hump is 1.34 times as wide as that, a bell runs out at about twice; the tops of
    other humps are not part of it.
    """
    from scipy.ndimage import distance_transform_edt

    reach = max(_RUN_OUT * float(np.sqrt(foot.mask.sum() / np.pi)), 1.5)
    window = widened(foot.window, int(reach) + 1, shape)
    own = _within(foot, window)
    grown: Mask = distance_transform_edt(~own) <= reach
    for other in others:
        grown &= ~_within(other, window) | own
    return _Region(window, grown)


def _within(region: _Region, window: tuple[slice, slice]) -> Mask:
    """A region's cells in another window."""
    out = np.zeros(tuple(part.stop - part.start for part in window), bool)
    shared = [
        (max(mine.start, theirs.start), min(mine.stop, theirs.stop))
        for mine, theirs in zip(region.window, window, strict=True)
    ]
    if all(first < last for first, last in shared):
        to, of = (
            tuple(
                slice(first - part.start, last - part.start)
                for (first, last), part in zip(shared, parts, strict=True)
            )
            for parts in (window, region.window)
        )
        out[to] = region.mask[of]
    return out
