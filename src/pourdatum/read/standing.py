"""Level layers across an axis, walls along it, and what stands on the one or hangs from it.

A box does not say which of its faces is the floor: floor, ceiling and walls of a room
turned on its side are those of a shaft. What breaks the tie is support: things stand on
the floor, and seen from a wall most of them float.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from pourdatum.read.shape import within

Array = NDArray[np.float64]
Mask = NDArray[np.bool_]

LAYER_M: Final = 0.040
_CELL_M: Final = 0.25
_CELLS: Final = 100
_LEAST_M2: Final = 1.0
_AROUND_M: Final = 0.4
_OWN_SLICES: Final = 9
_STANDS_OUT: Final = 2.0
_STRONG: Final = 0.25
"""Share of an axis's largest layer from which a layer counts as floor, ceiling or wall."""
_CLEAR_M: Final = 0.12
"""Points nearer to a strong layer are its own."""
_FOOT_M: Final = 0.4
"""A thing stands on a layer where its lowest points are nearer to it than this."""
_APART_M: Final = 1.5
_RACK_BINS: Final = 10
"""Bins of 0.25 m, 2.5 m in all."""
_BIN_M: Final = 0.15
_TALL_BINS: Final = 10
"""Bins of 0.15 m that an upright cell fills: 1.5 m."""
_LINE_CELLS: Final = 6
_THIN: Final = 0.6
"""Share of a plan that walls may fill; what fills more is no wall."""
_ANGLES: Final = 36
_LEAST: Final = 1000
_ROOM: Final = 50_000_000
"""Slices times cells up to which cells are ticked off one by one [bytes]."""


@dataclass(frozen=True)
class Things:
    """What is inside the faces of a scan, as seen along one axis.

    Attributes
    ----------
    cells : int
        Cells of 0.25 m of the plan that hold something.
    low, high : float or None
        Share of them that stands on the lower, or the upper, of the axis's level layers;
        None where there is no such layer.
    tall : float
        Share of them that is filled over 2.5 m or more along the axis: a rack, seen upright.
    """

    cells: int
    low: float | None
    high: float | None
    tall: float = 0.0


def layer_area_m2(points_m: Array, axis: int) -> float:
    """Plan area that the largest level layer across an axis covers [m²].

    A layer is 40 mm thick; its area is counted in cells that hold a point, so that
    dense points near the instrument count no more than others.

    Parameters
    ----------
    points_m : (n, 3) float64 array
        Points, a sample of them [m].
    axis : int
        Axis that the layers lie across.

    Examples
    --------
    >>> x, y = np.meshgrid(np.arange(0.1, 4, 0.2), np.arange(0.1, 3, 0.2))
    >>> floor = np.stack([x.ravel(), y.ravel(), np.zeros(x.size)], axis=1)
    >>> layer_area_m2(floor, 2)
    12.0
    """
    return largest_m2(layers(within(points_m), axis))


def largest_m2(found: tuple[Array, Array]) -> float:
    """Area of the largest of some layers [m²]; 0 where there is none."""
    return float(found[1].max(initial=0.0))


def _cell_m(points_m: Array) -> float:
    return max(_CELL_M, max(float(np.ptp(along)) for along in points_m.T) / _CELLS)


def _columns(points_m: Array, axis: int, cell_m: float) -> tuple[NDArray[np.int64], ...]:
    first, second = (i for i in range(3) if i != axis)
    u, v = points_m[:, first], points_m[:, second]
    column = np.floor((u - u.min()) / cell_m).astype(np.int64)
    row = np.floor((v - v.min()) / cell_m).astype(np.int64)
    return column, row


def layers(points_m: Array, axis: int) -> tuple[Array, Array]:
    """Levels and plan areas of the layers across an axis, two rows of slices in one list.

    Parameters
    ----------
    points_m : (n, 3) float64 array
        A sample [m], as ``within`` gives it.
    axis : int

    Returns
    -------
    level_m, area_m2 : (m,) float64 arrays
    """
    if len(points_m) == 0:
        return np.empty(0), np.empty(0)
    cell_m = _cell_m(points_m)
    column, row = _columns(points_m, axis, cell_m)
    wide = int(row.max()) + 1
    cell = column * wide + row
    many = (int(column.max()) + 1) * wide
    low = float(points_m[:, axis].min())
    levels, areas = [], []
    for shift in (0.0, 0.5):  # a layer on the edge of one row of slices is inside the other
        slices = np.floor((points_m[:, axis] - low) / LAYER_M + shift).astype(np.int64)
        which, count = _cells_held(slices, cell, many)
        levels.append(low + (which - shift + 0.5) * LAYER_M)
        areas.append(count * cell_m**2)
    return np.concatenate(levels), np.concatenate(areas).astype(np.float64)


def _cells_held(
    slices: NDArray[np.int64], cell: NDArray[np.int64], many: int
) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """Slices that hold points, and how many different cells each of them holds."""
    room = (int(slices.max()) + 1) * many
    if room <= _ROOM:
        seen = np.zeros(room, bool)
        seen[slices * many + cell] = True
        count = np.count_nonzero(seen.reshape(-1, many), axis=1)
        which = np.flatnonzero(count)
        return which, count[which]
    return np.unique(np.unique(slices * many + cell) // many, return_counts=True)


def strong_levels_m(found: tuple[Array, Array]) -> Array:
    """Levels of those ``layers`` across an axis that are large, increasing [m].

    Such a layer stands out of those within 0.4 m of it: across an axis that no face of the
    scan lies across, all layers are much alike.

    Examples
    --------
    >>> rng = np.random.default_rng(1)
    >>> box = rng.uniform(0, 1, (20_000, 3)) * [4.0, 4.0, 2.0]
    >>> box[:12_000, 2] = 0.03
    >>> float(strong_levels_m(layers(box, 2)).mean().round(1)), strong_levels_m(layers(box, 0)).size
    (0.0, 0)
    """
    level, area = found
    if level.size == 0:
        return np.empty(0)
    most = float(area.max())
    first, last = float(level.min()), float(level.max())
    strong = []
    for k in np.flatnonzero(area >= max(_STRONG * most, _LEAST_M2)):
        apart = np.abs(level - level[k])
        around = area[(apart > 2.25 * LAYER_M) & (apart < _AROUND_M)]
        # Slices without points are missing from the list and count as nothing.
        reach = min(level[k] + _AROUND_M, last) - max(level[k] - _AROUND_M, first)
        slices = round(2.0 * reach / LAYER_M) - _OWN_SLICES
        near = np.concatenate([around, np.zeros(max(slices - around.size, 0))])
        usual = float(np.median(near)) if near.size else 0.0
        if area[k] > _STANDS_OUT * usual:
            strong.append(float(level[k]))
    return np.sort(np.array(strong))


def walls_stand(points_m: Array, axis: int) -> bool:
    """Whether walls of two directions stand along an axis, as thin lines in its plan.

    Parameters
    ----------
    points_m : (n, 3) float64 array
        A sample [m], as ``within`` gives it.
    axis : int

    Examples
    --------
    >>> x, z = (np.arange(0.05, s, 0.1) for s in (5.0, 2.5))
    >>> wall = np.stack([m.ravel() for m in np.meshgrid(x, [0.0], z)], axis=1)
    >>> corner = np.concatenate([wall, wall[:, [1, 0, 2]]])
    >>> floor = np.stack([m.ravel() for m in np.meshgrid(x, x, [0.0])], axis=1)
    >>> walls_stand(np.concatenate([corner, floor]), 2)
    True
    >>> walls_stand(np.concatenate([wall, floor]), 2)
    False
    """
    if len(points_m) < _LEAST:
        return False
    cell_m = _cell_m(points_m)
    column, row = _columns(points_m, axis, cell_m)
    bins = np.floor((points_m[:, axis] - points_m[:, axis].min()) / _BIN_M).astype(np.int64)
    wide, tall = int(row.max()) + 1, int(bins.max()) + 1
    held = np.unique((column * wide + row) * tall + bins) // tall
    cell, filled = np.unique(held, return_counts=True)
    upright = cell[filled >= _TALL_BINS]
    # Cells are wide for thin lines in a small plan: half of them may be upright there.
    return _LINE_CELLS <= upright.size <= _THIN * cell.size and _two_ways(upright, wide)


def _two_ways(cell: NDArray[np.int64], wide: int) -> bool:
    """Whether cells lie on lines of two directions."""
    place = np.stack([cell // wide, cell % wide], axis=1).astype(np.float64)
    angles = np.arange(_ANGLES) * np.pi / _ANGLES
    on = [_on_lines(place, angle) for angle in angles]
    best = int(np.argmax([mask.sum() for mask in on]))
    if on[best].sum() < _LINE_CELLS:
        return False
    rest = place[~on[best]]
    turned = (np.arange(_ANGLES) - best) % _ANGLES
    across = np.flatnonzero((turned >= _ANGLES // 4) & (turned <= _ANGLES - _ANGLES // 4))
    return any(_on_lines(rest, angles[k]).sum() >= _LINE_CELLS - 1 for k in across)


def _on_lines(place: Array, angle: float) -> Mask:
    """Cells on straight lines of six cells or more that run at an angle."""
    if len(place) == 0:
        return np.zeros(0, bool)
    off = np.floor(place @ np.array([-np.sin(angle), np.cos(angle)]) + 0.5).astype(np.int64)
    off -= off.min()
    many = np.bincount(off)
    # Among many rows a line stands out; a few rows are lines themselves.
    usual = 2.0 * many.sum() / len(many) if len(many) >= _LINE_CELLS else 0.0
    full = many >= max(_LINE_CELLS - 1, usual)
    return np.asarray(full[off])


def inside_faces(points_m: Array, levels_m: Sequence[Array]) -> Mask:
    """Which points are inside the faces of a scan.

    Parameters
    ----------
    points_m : (n, 3) float64 array
        A sample [m], as ``within`` gives it.
    levels_m : sequence of 3 arrays
        Its ``strong_levels_m`` across each axis [m].
    """
    inside = np.ones(len(points_m), bool)
    for axis, own in enumerate(levels_m):
        along = points_m[:, axis]
        if own.size == 0:
            continue
        if np.ptp(own) >= _APART_M:
            inside &= (along > own[0]) & (along < own[-1])
        for end in (own[0], own[-1]):
            inside &= np.abs(along - end) > _CLEAR_M
    return inside


def things_along(points_m: Array, inside: Mask, levels: Array, axis: int) -> Things:
    """What is inside the faces of a scan, as seen along one axis.

    Parameters
    ----------
    points_m : (n, 3) float64 array
        A sample [m], as ``within`` gives it.
    inside : (n,) bool array
        Its ``inside_faces``.
    levels : array
        Its ``strong_levels_m`` across the axis [m].
    axis : int
    """
    from scipy.ndimage import maximum_filter, minimum_filter

    things = points_m[inside]
    if len(things) < _LINE_CELLS:
        return Things(0, None, None)
    column, row = _columns(things, axis, _CELL_M)
    shape = (int(column.max()) + 1, int(row.max()) + 1)
    count = np.zeros(shape, np.int64)
    low, high = np.full(shape, np.inf), np.full(shape, -np.inf)
    np.add.at(count, (column, row), 1)
    np.minimum.at(low, (column, row), things[:, axis])
    np.maximum.at(high, (column, row), things[:, axis])
    held = count >= 2
    many = int(held.sum())
    if many == 0:
        return Things(0, None, None)
    # The top of a crate is carried by its sides, a cell or two away.
    low, high = minimum_filter(low, 3), maximum_filter(high, 3)
    tall = _tall_share(column // 2, row // 2, things[:, axis])
    if levels.size == 0:
        return Things(many, None, None, tall)
    two = bool(np.ptp(levels) >= _APART_M)
    above = np.median(points_m[:, axis]) >= levels.mean()
    on = float((low[held] - levels[0] < _FOOT_M).mean()) if two or above else None
    under = float((levels[-1] - high[held] < _FOOT_M).mean()) if two or not above else None
    return Things(many, on, under, tall)


def _tall_share(column: NDArray[np.int64], row: NDArray[np.int64], along_m: Array) -> float:
    """Share of the cells that hold points over 2.5 m or more with few gaps."""
    _, cell = np.unique(column * (row.max() + 1) + row, return_inverse=True)
    bins = np.floor((along_m - along_m.min()) / _CELL_M).astype(np.int64)
    many = int(bins.max()) + 1
    held = np.unique(cell * many + bins)
    filled = np.bincount(held // many)
    first, last = np.full(filled.size, many), np.zeros(filled.size, np.int64)
    np.minimum.at(first, held // many, held % many)
    np.maximum.at(last, held // many, held % many)
    span = last - first + 1
    return float(((span >= _RACK_BINS) & (2 * filled >= span)).mean())
